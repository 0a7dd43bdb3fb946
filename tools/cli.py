"""The command `ringlet`: the table of its commands, and what happens to errors on the way out.

Exit codes: 0 done, 1 the device failed the check, 2 bad usage or input, 3 no link or no answer; 130 after Ctrl-C.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable, Sequence
from functools import cache
from typing import Annotated, Any, Final

import typer
from typer.core import TyperCommand
from typer.main import get_command

from ringlet.tools import (
    cli_budget,
    cli_bus,
    cli_busload,
    cli_doctor,
    cli_drive,
    cli_emit,
    cli_motion,
    cli_page,
    cli_ramp,
    cli_rig,
    cli_settings,
    cli_setups,
    cli_sim,
    cli_takes,
    cli_wire,
)
from ringlet.tools.bench.cli import app as bench_app
from ringlet.tools.cli_common import CAUTION, NUMBERS, looks_like_number
from ringlet.tools.cli_lens import app as marks_app
from ringlet.tools.cli_pair import app as pair_app
from ringlet.tools.cli_report import app as report_app
from ringlet.tools.conform.cli import conform as conform_command
from ringlet.tools.errors import DeviceRefused, RingletError, UsageProblem
from ringlet.tools.extras import MissingExtra, extra_of
from ringlet.tools.signals import as_ctrl_c

INTERRUPTED: Final = 130
"""As shells count it: 128 and the number of the signal."""
BUG: Final = 70
"""Software error (sysexits.h, BSD): something in ringlet itself is wrong."""

app = typer.Typer(
    name="ringlet",
    help="Bench tools for lens motors: find, identify, set, move, check; on a real bus or a simulated rig.",
    epilog="Try: ringlet demo, then ringlet status --link sim:trio. Exit codes: 0 done, 1 the device failed the check, "
    "2 bad usage or input, 3 no link or no answer.",
    add_completion=True,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        from ringlet.protocol.codes import VERSION_MAJOR, VERSION_MINOR

        typer.echo(f"ringlet {version('ringlet')}, protocol {VERSION_MAJOR}.{VERSION_MINOR}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version, and the protocol's.")
    ] = False,
) -> None:
    """What comes before the command."""


class NumberCommand(TyperCommand):
    """A command whose arguments may be negative numbers; what else begins with a dash must be one of its options."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        known = {name for one in self.get_params(ctx) for name in (*one.opts, *one.secondary_opts)}
        for word in args:
            if word.startswith("-") and word.strip("-") and not looks_like_number(word):
                name = word.partition("=")[0]
                if name not in known:
                    raise UsageProblem(f"there is no option {name}; see `{ctx.command_path} --help`.")
        return super().parse_args(ctx, args)


Command = Callable[..., None]
COMMANDS: Final[dict[str, tuple[tuple[str, Command], ...]]] = {
    "Motion": (
        ("stop", cli_bus.stop),
        ("move", cli_motion.move),
        ("jog", cli_motion.jog),
        ("hold", cli_motion.hold),
        ("release", cli_motion.release),
        ("drive", cli_drive.drive),
        ("find-stops", cli_motion.find_stops),
        ("set-travel", cli_motion.set_travel),
    ),
    "Look": (
        ("discover", cli_bus.discover),
        ("identify", cli_bus.identify),
        ("status", cli_bus.status),
        ("watch", cli_bus.watch),
        ("page", cli_page.page),
        ("doctor", cli_doctor.doctor),
    ),
    "Settings": (
        ("get", cli_settings.get),
        ("set", cli_settings.set_),
        ("save", cli_settings.save),
        ("restore", cli_settings.restore),
        ("own", cli_settings.own),
        ("clear-fault", cli_settings.clear_fault),
    ),
    "Lenses": (
        ("budget", cli_budget.budget),
    ),
    "Checks": (
        ("ramp", cli_ramp.ramp),
        ("limits", cli_ramp.limits),
        ("conform", conform_command),
        ("bus", cli_busload.bus),
    ),
    "Takes": (
        ("record", cli_takes.record),
        ("replay", cli_takes.replay),
    ),
    "Without hardware": (
        ("demo", cli_sim.demo),
        ("sim", cli_sim.sim),
        ("rigs", cli_sim.rigs),
        ("cards", cli_sim.cards),
        ("plant", cli_sim.plant),
        ("sweep", cli_sim.sweep),
    ),
    "Protocol": (
        ("schema", cli_wire.schema),
        ("encode", cli_wire.encode),
        ("decode", cli_wire.decode),
        ("emit", cli_emit.emit),
    ),
}
"""Commands by the heading under which --help lists them."""

MOVING: Final = frozenset({
    "move", "jog", "drive", "hold", "release", "find-stops", "set-travel", "ramp", "limits", "replay", "conform",
})  # fmt: skip
"""Commands that power a motor or free a ring; their help ends with the caution that they also show when they run."""

for _panel, _commands in COMMANDS.items():
    for _name, _command in _commands:
        _epilog = CAUTION if _name in MOVING else None
        app.command(
            _name, cls=NumberCommand, rich_help_panel=_panel, context_settings=NUMBERS, epilog=_epilog
        )(_command)  # fmt: skip

app.add_typer(marks_app, name="marks", rich_help_panel="Lenses", context_settings=NUMBERS)
app.add_typer(pair_app, name="pair", rich_help_panel="Lenses", context_settings=NUMBERS)
app.add_typer(bench_app, name="bench", rich_help_panel="Checks", context_settings=NUMBERS)
app.add_typer(report_app, name="report", rich_help_panel="Checks")
app.add_typer(cli_takes.app, name="take", rich_help_panel="Takes")
app.add_typer(cli_setups.app, name="setup", rich_help_panel="Settings")
app.add_typer(cli_rig.app, name="rig", rich_help_panel="Settings")

# typer carries its own copy of click in some versions and shares the installed one in others; both raise below this.
_USAGE: Final[type[Any]] = next(c for c in typer.BadParameter.__mro__ if c.__name__ == "ClickException")


@cache
def _commands_built() -> Any:
    """The parser of all commands: built once, for programs that run many."""
    return get_command(app)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code. Errors are one sentence on stderr, never a traceback."""
    words = list(sys.argv[1:] if arguments is None else arguments) or ["--help"]
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and not stream.encoding.lower().startswith("utf"):
            stream.reconfigure(errors="replace")  # a terminal or pipe that has no ✓ gets a question mark
    try:
        with as_ctrl_c():
            code = _commands_built()(args=words, standalone_mode=False, prog_name="ringlet")
        sys.stdout.flush()
        if code == INTERRUPTED:  # the parser's own answer to Ctrl-C
            raise KeyboardInterrupt
        return int(code or 0)
    except RingletError as error:
        return _say(str(error) + _way_out(error), error.exit_code)
    except _USAGE as error:
        return _say(_one_sentence(error), 2)
    except (KeyboardInterrupt, typer.Abort):
        return _say("interrupted.", INTERRUPTED)
    except BrokenPipeError:  # as in `ringlet schema | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        return _say(f"{error.filename or 'a file'} cannot be used ({error.strerror or error}); check the path.", 2)
    except Exception as error:
        # Tables, cards, rigs and sweeps have errors of their own; each is a sentence about what was given.
        if type(error).__module__.startswith("ringlet."):
            return _say(str(error), 2)
        if isinstance(error, ModuleNotFoundError) and (extra := extra_of(error.name or "")):
            return _say(str(MissingExtra(extra, str(error.name).partition(".")[0])), 2)
        if os.environ.get("RINGLET_DEBUG"):
            raise
        name = type(error).__name__
        return _say(f"this is a fault of ringlet itself ({name}: {error}); RINGLET_DEBUG=1 shows where.", BUG)


def _one_sentence(error: Any) -> str:
    """What the command line parser says, on one line and with the way on."""
    text = " ".join(str(error.format_message()).split())
    context = getattr(error, "ctx", None)
    where = context.command_path if context is not None else "ringlet"
    return f"{text.rstrip('.')}; see `{where} --help`."


_OTHERS: Final = "; wait until it yields, or keep the axis with `ringlet own take --force` in another window"


def _way_out(error: RingletError) -> str:
    """What to do about a refusal, in the words of this command line; empty for other errors, which say it."""
    if not isinstance(error, DeviceRefused):
        return ""
    from ringlet.protocol.codes import Refusal

    return {
        Refusal.NOT_CALIBRATED: "; add --find, run `ringlet find-stops`, or set it with `ringlet set-travel`",
        Refusal.PAST_TRAVEL: "; `ringlet get travel-min travel-max` shows the limits",
        Refusal.OWNED: "; wait until it yields, or add --force" if error.of == "take" else _OTHERS,
        Refusal.NOT_OWNER: (
            _OTHERS if error.item else "; it was ours and is not now: it restarted, or heard us too late; try again"
        ),
        Refusal.FAULTED: " with `ringlet clear-fault`",
        Refusal.OUT_OF_RANGE: (
            "; `ringlet schema parameters` lists the ranges, and the four motion limits must fit together"
            if error.of == "set" else "; `ringlet schema` lists the ranges"
        ),
    }.get(Refusal(error.code) if error.code in set(Refusal) else Refusal.UNKNOWN_KIND, "")


def _say(sentence: str, code: int) -> int:
    typer.echo(f"ringlet: {' '.join(sentence.split()).rstrip('.')}.", err=True)
    return code


if __name__ == "__main__":
    raise SystemExit(main())
