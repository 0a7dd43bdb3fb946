"""Commands for what does not exist yet: simulated rigs, motor and lens cards, figures, sweeps, the demo."""

from __future__ import annotations

import math
import os
import sys
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import JsonOption
from ringlet.tools.cli_optics import picture
from ringlet.tools.errors import UsageProblem
from ringlet.tools.extras import need, needed
from ringlet.tools.files import check_target

if TYPE_CHECKING:
    from ringlet.hwsim.cardfile import LensCard, MotorCard
    from ringlet.hwsim.sweep import Moves, Plan, Table

MotorArgument = Annotated[str, typer.Argument(metavar="MOTOR", help="Motor card: a name in `ringlet cards`, a file.")]
LensArgument = Annotated[str, typer.Argument(metavar="LENS", help="Lens card: a name in `ringlet cards`, a file.")]

MOST_ROWS = 1_000_000
"""Rows of one sweep: more are hours of work and gigabytes of memory."""
BLOCK_ROWS = 128
"""Rows of a sweep on each core between two moments at which they can be kept."""


def sim(
    rig: Annotated[str, typer.Argument(metavar="RIG", help="A name of `ringlet rigs`, or a rig file.")],
    serial: Annotated[
        bool, typer.Option("--serial", help="On a serial port (pseudo-terminal); default where there are any.")
    ] = False,
    tcp: Annotated[bool, typer.Option("--tcp", help="On a TCP port of this machine (loopback only).")] = False,
    can: Annotated[bool, typer.Option("--can", help="On a CAN bus: a serial-line adapter (pseudo-terminal).")] = False,
    channel: Annotated[str, typer.Option(help="With --can: this SocketCAN channel instead, as in vcan0.")] = "",
    port: Annotated[int, typer.Option(min=0, max=65535, help="With --tcp: the port; 0 takes a free one.")] = 0,
    seconds: Annotated[float | None, typer.Option(min=0, help="End after so long; default: at Ctrl-C.")] = None,
    speed: Annotated[float, typer.Option(min=0.1, max=50, help="The rig's clock, times the wall clock.")] = 1.0,
    seed: Annotated[int, typer.Option(min=0, help="Seed of noise and spread between motors.")] = 0,
    store: Annotated[Path | None, typer.Option(help="Folder for saved settings; default: forgotten.")] = None,
    firmware: Annotated[
        Path | None, typer.Option(help="Run the motor core in C here: the program built from `ringlet emit firmware`.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Serve a simulated rig as if it were hardware. The first line is the --link that reaches it.

    Examples: ringlet sim trio; ringlet sim pair --tcp --port 7000; ringlet sim eight --can; ringlet sim my-rig.toml;
    ringlet sim single --firmware firmware/ringlet
    """
    import json
    import threading

    from ringlet.hwsim.rigfile import load_rig
    from ringlet.hwsim.simrig import SimRig
    from ringlet.tools.serve import How, has_terminals, serve

    if serial + tcp + can > 1:
        raise UsageProblem("choose one of --serial, --tcp and --can.")
    if (channel and not can) or (port and not tcp):
        raise UsageProblem("--channel belongs to --can and --port to --tcp; add that, or leave it out.")
    if store is not None and store.exists() and not store.is_dir():
        raise UsageProblem(f"{store} is not a folder, so nothing could be saved in it; give another --store.")
    tcp = tcp or not (serial or can or has_terminals())
    how: How = "tcp" if tcp else ("socketcan" if channel else "slcan") if can else "serial"
    loaded = load_rig(rig)
    served = SimRig(loaded, seed=seed, store=store, firmware=firmware)

    def announce(link: str) -> None:
        typer.echo(json.dumps({"link": link}) if as_json else link)
        if not as_json:
            motors = sum(len(node.axes) for node in loaded.nodes)
            boards = f"{len(loaded.nodes)} node{'s' if len(loaded.nodes) > 1 else ''}"
            turned = f"{motors} motor{'s' if motors > 1 else ''}"
            typer.echo(f"{loaded.name}: {boards}, {turned}, invented. Ctrl-C ends it.")
            typer.echo(f"In another terminal: ringlet status --link {link}")
        sys.stdout.flush()

    dropped = serve(served, how, announce, threading.Event(), port, channel, seconds, speed)
    if dropped:
        common.note("Dropped: " + ", ".join(f"{count} {cause}" for cause, count in sorted(dropped.items())) + ".")


def rigs(as_json: JsonOption = False) -> None:
    """List the rigs that come with Ringlet. They are invented.

    Example: ringlet rigs
    """
    from ringlet.hwsim.rigfile import load_rig, shipped_rigs
    from ringlet.tools import show

    found = [(name, load_rig(name)) for name in shipped_rigs()]
    if as_json:
        common.emit({"rigs": [{"name": name} | rig.model_dump(mode="json") for name, rig in found]})
        return
    grid = show.table("rig", "nodes", "motors", "what it is", right=("nodes", "motors"))
    for name, rig in found:
        grid.add_row(name, str(len(rig.nodes)), str(sum(len(node.axes) for node in rig.nodes)), rig.about)
    common.console().print(grid)
    typer.echo("Use one with --link sim:NAME, or serve it with: ringlet sim NAME")
    typer.echo(f"To make your own, copy one from {files('ringlet.hwsim.rigs')} and give its path instead of a name.")


def cards(
    name: Annotated[str, typer.Argument(help="One card, to see all of its values.")] = "", as_json: JsonOption = False
) -> None:
    """List the motor and lens cards that come with Ringlet, or show one. They are invented.

    Examples: ringlet cards; ringlet cards medium
    """
    from ringlet.hwsim import cardfile
    from ringlet.tools import show

    found: dict[str, dict[str, MotorCard | LensCard]] = {
        "motor": {one: cardfile.load_motor(one) for one in cardfile.shipped_motors()},
        "lens": {one: cardfile.load_lens(one) for one in cardfile.shipped_lenses()},
    }
    chosen = [(kind, one, card) for kind, those in found.items() for one, card in those.items() if name in ("", one)]
    if not chosen:
        own = "; a card of your own is checked by `ringlet plant MOTOR LENS`" if name.endswith(".toml") else ""
        raise UsageProblem(f"there is no card {name!r}; `ringlet cards` lists them{own}.")
    if as_json:
        common.emit({"cards": [{"kind": kind, "file": one} | card.model_dump() for kind, one, card in chosen]})
        return
    if not name:
        grid = show.table("kind", "card", "name")
        for kind, one, card in chosen:
            grid.add_row(kind, one, card.name)
        common.console().print(grid)
        return
    for kind, one, card in chosen:
        grid = show.table("key", "value", "meaning", title=f"{kind} card {one}")
        for key, field in type(card).model_fields.items():
            grid.add_row(key, str(getattr(card, key)), field.description or "")
        common.console().print(grid)
        typer.echo(f"To make your own, copy {files('ringlet.hwsim.cards') / f'{kind}-{one}.toml'} and give its path.")


def plant(
    motor: MotorArgument,
    lens: LensArgument,
    supply: Annotated[float | None, typer.Option(min=0.1, max=100, help="Supply, V; default: the card's.")] = None,
    ambient: Annotated[float, typer.Option(min=-60, max=80, help="Room temperature, degC.")] = 20.0,
    plot: Annotated[Path | None, typer.Option(help="Torque against speed as a picture (PNG, SVG, PDF).")] = None,
    as_json: JsonOption = False,
) -> None:
    """Figures of a motor on a lens: speed, torque margin, resonance, loop margins; before gears are cut.

    Examples: ringlet plant medium focus-long; ringlet plant small iris --ambient -10 --plot torque.png
    """
    from ringlet.hwsim import cardfile
    from ringlet.hwsim.figures import cautions, figures
    from ringlet.tools import show

    motor_card, lens_card = cardfile.load_motor(motor), cardfile.load_lens(lens)
    found = figures(motor_card, lens_card, supply, ambient)
    fed = motor_card if supply is None else cardfile.vary(motor_card, {"supply_nominal_v": supply})
    said = cautions(fed, lens_card, ambient)
    if plot is not None:
        picture(plot)
        from ringlet.tools.plant_plot import plot_torque_speed

        plot_torque_speed(motor_card, lens_card, plot, supply, ambient)
    if as_json:
        rows = [one._asdict() | {"value": one.value if math.isfinite(one.value) else None} for one in found]
        common.emit({"motor": motor, "lens": lens, "figures": rows, "cautions": said, "plot": plot and str(plot)})
        return
    grid = show.table("figure", "value", "how", title=f"Motor {motor_card.name} on lens ring {lens_card.name}",
                      right=("value",))  # fmt: skip
    for one in found:
        grid.add_row(one.name, f"{one.value:.4g} {one.unit}".rstrip(), one.how)
    screen = common.console()
    screen.print(grid)
    for line in said:
        screen.print(f"{show.LIMIT} {line}", soft_wrap=True)
    if plot is not None:
        screen.print(f"Written: {plot}", soft_wrap=True)


def sweep(
    motor: Annotated[str, typer.Argument(metavar="MOTOR", help="Motor card.")] = "",
    lens: Annotated[str, typer.Argument(metavar="LENS", help="Lens card.")] = "",
    vary: Annotated[
        list[str] | None,
        typer.Argument(metavar="KEY=...", help="v1,v2 or low:high:count (a grid); low:high (with --rows)."),
    ] = None,
    rows: Annotated[int, typer.Option(min=0, help="Latin hypercube over the ranges: rows.")] = 0,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the Latin hypercube.")] = 0,
    move: Annotated[
        list[str] | None, typer.Option(metavar="KEY=VALUE", help="What every row does; see --keys.")
    ] = None,
    out: Annotated[Path, typer.Option(help="Table of the outcomes, .csv or .parquet.")] = Path("sweep.csv"),
    plot: Annotated[Path | None, typer.Option(help="Picture of the outcomes (PNG, SVG, PDF).")] = None,
    show_: Annotated[str, typer.Option("--show", help="Outcomes to draw.")] = "settle_s,peak_torque_mnm",
    dask: Annotated[str, typer.Option(help="A dask scheduler's address, or local.")] = "",
    keys: Annotated[bool, typer.Option("--keys", help="List what can be varied.")] = False,
    as_json: JsonOption = False,
) -> None:
    """The same moves with many variations of motor, lens, limits, gains, supply or room.

    Examples: ringlet sweep medium focus-long motor.gear_teeth=30:60:7 --plot sweep.png;
    ringlet sweep small iris lens.coulomb_mnm=2:20 move.supply_v=10:16 --rows 200
    """
    from ringlet.hwsim import cardfile
    from ringlet.hwsim import sweep as engine

    if keys:
        if as_json:
            common.emit({"keys": engine.keys()})
        else:
            typer.echo("\n".join(engine.keys()))
        return
    if not motor or not lens or not vary:
        raise UsageProblem("give a motor card, a lens card and at least one KEY=...; --keys lists what can be varied.")
    _table_name(out)
    axes = [engine.parse_axis(text) for text in vary]
    if len({axis.key for axis in axes}) < len(axes):
        raise UsageProblem("a key is varied twice; give each key once.")
    shown = tuple(word.strip() for word in show_.split(",") if word.strip())
    if plot is not None:
        _drawable(plot, shown, [axis.key for axis in axes])
    asked = rows or math.prod(len(axis.values) for axis in axes)
    if asked > MOST_ROWS:
        raise UsageProblem(f"that makes {asked} rows; {MOST_ROWS} are the most, so give fewer values or --rows.")
    plan = engine.latin_hypercube(axes, rows, seed) if rows else engine.grid(axes)
    moves = _moves(engine.Moves(), move or [])
    motor_card, lens_card = cardfile.load_motor(motor), cardfile.load_lens(lens)
    columns = _with_progress(motor_card, lens_card, moves, plan, dask, out)
    engine.write(columns, out)
    if plot is not None:
        from ringlet.tools.sweep_plot import plot_sweep

        plot_sweep(columns, plot, shown, f"{motor_card.name} on {lens_card.name}")
    ranges = {
        name: {"lowest": float(low), "highest": float(high)}
        for name, column in columns.items()
        if len(good := column[[math.isfinite(v) for v in column]])
        for low, high in [(good.min(), good.max())]
    }
    if as_json:
        common.emit({"rows": len(plan.rows), "out": str(out), "plot": plot and str(plot), "columns": ranges})
        return
    from ringlet.tools import show
    from ringlet.tools.sweep_plot import label

    grid = show.table("column", "lowest", "highest", title=f"{len(plan.rows)} rows", right=("lowest", "highest"))
    for name, ends in ranges.items():
        grid.add_row(label(name), f"{ends['lowest']:.4g}", f"{ends['highest']:.4g}")
    common.console().print(grid)
    if never := sum(map(math.isnan, columns["settle_s"])):
        typer.echo(f"{show.LIMIT} In {never} of {len(plan.rows)} rows the ring did not settle at the end of each move.")
    typer.echo("Written: " + ", ".join(str(path) for path in (out, plot) if path is not None))


def _table_name(out: Path) -> None:
    """Refuse what cannot become a table before the work is done. Raises UsageProblem."""
    if out.suffix not in (".csv", ".parquet"):
        raise UsageProblem(f"{out} is no name for a table; end it in .csv or .parquet.")
    if out.suffix == ".parquet":
        needed("sweep", "pyarrow.parquet")
    check_target(out)


def _drawable(plot: Path, shown: tuple[str, ...], keys: list[str]) -> None:
    """Refuse a picture that cannot be drawn before the work is done. Raises UsageProblem."""
    picture(plot)
    need("bench")
    from ringlet.tools.sweep_plot import outcome_names

    wrong = [name for name in shown if name not in (*outcome_names(), *keys)]
    if wrong or not shown:
        raise UsageProblem(f"{', '.join(wrong) or '--show'} is no outcome; choose from {', '.join(outcome_names())}.")


def _moves(moves: Moves, given: list[str]) -> Moves:
    for pair in given:
        name, equals, value = pair.partition("=")
        name = name.removeprefix("move.")
        if not equals or name not in moves._fields:
            raise UsageProblem(f"{pair!r} is no setting of a move; its keys are: {', '.join(moves._fields)}.")
        moves = moves._replace(**{name: common.number(value, name, "its unit")})
    return moves


def _with_progress(
    motor: MotorCard, lens: LensCard, moves: Moves, plan: Plan, dask: str, out: Path
) -> dict[str, Table]:
    """Run a plan block by block. When it is broken off, the rows that are done are written to `out` first.

    A scheduler gets the whole plan at once.
    """
    import numpy as np
    from rich.console import Console
    from rich.progress import Progress

    from ringlet.hwsim import sweep as engine

    total = len(plan.rows)
    block = total if dask else BLOCK_ROWS * (os.cpu_count() or 1)
    parts = [plan._replace(rows=plan.rows[first : first + block]) for first in range(0, total, block)]
    done: list[dict[str, Table]] = []

    def together() -> dict[str, Table]:
        return {name: np.concatenate([one[name] for one in done]) for name in done[0]}

    try:
        with Progress(console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task("Sweep", total=total)
            for part in parts[1:]:  # a value that is not allowed is told before the work begins
                engine.prepare(motor, lens, moves, part)
            for number, part in enumerate(parts):

                def tell(rows: int, _: int, before: int = number * block) -> None:
                    bar.update(task, completed=before + rows)

                done.append(engine.run_sweep(motor, lens, moves, part, progress=tell, dask=dask or None))
    except BaseException:
        if done:
            engine.write(together(), out)
            kept = sum(len(one["settle_s"]) for one in done)
            common.note(f"Broken off: the first {kept} of {total} rows are in {out}.")
        raise
    return together()


def demo(
    story: Annotated[str, typer.Argument(metavar="STORY", help="motor or rig.")] = "motor",
    out: Annotated[Path, typer.Option(help="Folder for the plot and the page.")] = Path("ringlet-demo"),
    as_json: JsonOption = False,
) -> None:
    """The whole story without hardware. `motor`: find, calibrate, move, limit, stop, in under 20 seconds. `rig`: a
    matched pair with four motors: range-driven focus, hand-back, a take, its replay and export.

    Examples: ringlet demo --out demo; ringlet demo rig --out demo
    """
    if story not in ("motor", "rig"):
        raise UsageProblem(f"there is no story {story!r}; choose motor or rig.")
    if story == "rig":
        from ringlet.tools.demo_rig import run_demo
    else:
        from ringlet.tools.demo import run_demo

    run_demo(out, as_json)
