"""`ringlet rig`: does what is on the bus match the rig file, and make it so."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import ForceOption, JsonOption, LinkOption, SourceOption
from ringlet.tools.cli_setups import YesOption
from ringlet.tools.errors import CheckFailed

if TYPE_CHECKING:
    from ringlet.tools.setups import Difference

app = typer.Typer(
    name="rig", help="A rig set up by one file: what differs on the bus, and writing it.", no_args_is_help=True,
    rich_markup_mode=None, pretty_exceptions_enable=False,
)  # fmt: skip
RigArgument = Annotated[str, typer.Argument(metavar="RIG", help="A name of `ringlet rigs`, or a rig file.")]


def _progress(as_json: bool) -> Callable[[str], None]:
    return (lambda text: None) if as_json else common.note


@app.command()
def check(
    rig: RigArgument,
    link: LinkOption = None,
    everything: Annotated[
        bool, typer.Option("--all", help="List too what the file does not state and differs from factory settings.")
    ] = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Compare what is on the bus with the rig file: boards, addresses, axes, roles, parameters, pairs. Nothing changes.

    Each difference is named; with any, the exit code is 1. Only what the file states is compared; --all lists the rest
    (travel, marks, names, other parameters) and leaves the exit code alone.

    Examples: ringlet rig check pair --all --link can:socketcan:can0; ringlet rig check my-rig.toml --json
    """
    from ringlet.hwsim.rigfile import load_rig
    from ringlet.tools.rig import survey

    wanted = load_rig(rig)
    with common.open_link(link, source) as bus:
        found = survey.compare(bus, wanted, _progress(as_json))
        rest = survey.not_stated(bus, wanted, _progress(as_json)) if everything else None
    if as_json:
        common.emit({"rig": wanted.name, "same": not found, "differences": [one._asdict() for one in found],
                     "not_stated": None if rest is None else [one._asdict() for one in rest]})  # fmt: skip
    else:
        _say(found, wanted.name)
        _say_rest(rest)
    if found:
        where = f"{len(found)} places" if len(found) > 1 else "one place"
        raise CheckFailed(f"the rig differs from {wanted.name!r} in {where}; {_next_step(found)}.")


def _next_step(found: list[Difference]) -> str:
    """What to do about differences: half a sentence."""
    from ringlet.tools.rig import survey

    if any(map(survey.blocks, found)):
        return "put the boards right first, for until then `ringlet rig apply` writes nothing"
    written = sum(not one.left or one.left == survey.LATER for one in found)
    if written == len(found):
        return "`ringlet rig apply` writes it"
    others = "the list says why it does not write the others"
    return f"`ringlet rig apply` writes {written} of them, and {others}" if written else (
        "`ringlet rig apply` does not write this, and the list says why"
    )  # fmt: skip


@app.command(epilog=common.CAUTION)
def apply(
    rig: RigArgument,
    link: LinkOption = None,
    yes: YesOption = False,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Write the rig file to the boards: addresses by unique id, parameters, and store them. Only what differs is
    written, so after an interruption run it again. Storing is done each time, and read back from what is stored.

    Everything is stopped first and nothing is moved. Axes whose gears or direction change must find their stops anew.

    Example: ringlet rig apply pair --yes --link can:socketcan:can0
    """
    from ringlet.hwsim.rigfile import load_rig
    from ringlet.tools import setups
    from ringlet.tools.rig import survey

    wanted = load_rig(rig)
    with common.open_link(link, source) as bus:
        found = survey.compare(bus, wanted, _progress(as_json))
        if not as_json:
            _say(found, wanted.name)
        todo = [one for one in found if not one.left]
        written: list[Difference] = []
        left, applied = found, False
        able = bool(todo) or not any(map(survey.blocks, found))
        if able:
            common.note(common.CAUTION)
        if able and common.agreed(f"Stop the rig, write {len(todo)} differences and store all settings?", yes):
            written, left = survey.apply(bus, wanted, force=force, progress=_progress(as_json))
            applied = True
    if as_json:
        common.emit({"rig": wanted.name, "stored": applied, "written": [one._asdict() for one in written],
                     "left": [one._asdict() for one in left]})  # fmt: skip
    elif any(setups.ends_calibration(one) for one in written):
        typer.echo("What ring positions are counted by has changed: find the end stops again.")
    if applied and not as_json:
        typer.echo(f"{len(written)} differences are written; {len(wanted.nodes)} boards have stored all, read back.")
    if left:
        raise CheckFailed(
            f"{len(left)} differences are left, first {left[0].what} of {left[0].place} "
            f"({left[0].left or 'not agreed'})."
        )


def _say(found: list[Difference], name: str) -> None:
    from ringlet.tools import show

    if not found:
        typer.echo(f"The rig is as {name!r} says.")
        return
    grid = show.table("board", "where", "what", "on the bus", "in the file", "", right=("on the bus", "in the file"))
    for one in found:
        unit = f" {one.unit}".rstrip()
        grid.add_row(one.unique_id, one.place, one.what, f"{one.now}{unit}", f"{one.then}{unit}",
                     f"{show.LIMIT} {one.left}" if one.left else "")  # fmt: skip
    common.console().print(grid)


def _say_rest(rest: list[Difference] | None) -> None:
    """What the check did not look at; None: it was not asked for."""
    from ringlet.tools import show

    if rest is None:
        typer.echo(
            "Only what the file states was compared; --all lists what else differs from factory settings. "
            "Whether an address is stored too cannot be asked; `ringlet rig apply` stores each time."
        )
        return
    if not rest:
        typer.echo("What the file does not state is as the protocol's factory settings have it.")
        return
    grid = show.table("where", "what", "on the bus", "factory", title="Not stated in the file, and not as from factory",
                      right=("on the bus", "factory"))  # fmt: skip
    for one in rest:
        unit = f" {one.unit}".rstrip()
        grid.add_row(one.place, one.what, f"{one.now}{unit}", f"{one.then}{unit}")
    common.console().print(grid)
    typer.echo("Factory settings are the protocol's; a maker's own defaults cannot be asked for.")
