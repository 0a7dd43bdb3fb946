"""`ringlet marks`: the marks of a lens, from the ring to a file to the motor, and back."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import (
    AxisOption,
    FindOption,
    ForceOption,
    JsonOption,
    LinkOption,
    NodeOption,
    SourceOption,
)
from ringlet.tools.cli_optics import PlotOption, finite, picture
from ringlet.tools.errors import CheckFailed, RingletError, UsageProblem
from ringlet.tools.extras import need

if TYPE_CHECKING:
    from ringlet.tools.axis_handle import AxisHandle
    from ringlet.tools.lens.calibrate import Session
    from ringlet.tools.lens.curve import MarkCurve, Reading
    from ringlet.tools.lens.marksfile import MarkTable
    from ringlet.tools.lens.transfer import Progress
    from ringlet.tools.lens.wiretable import WireTable
    from ringlet.tools.link import Link

app = typer.Typer(
    name="marks", help="Marks of a lens: take them at the bench, look at them, send them to the motor.",
    no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False,
)  # fmt: skip

CardArgument = Annotated[
    str, typer.Argument(metavar="MARKS", help="Lens card by name, or a file of marks (.toml, .csv).")
]
MotorOption = Annotated[
    str, typer.Option("--motor", metavar="CARD", help="Motor card: its counts and play join the doubt.")
]
MostOption = Annotated[
    int, typer.Option("--marks", min=2, max=64, help="Most marks to send; more are set where the curve bends.")
]


def counts_and_play(table: MarkTable, motor: str) -> tuple[float, float]:
    """(one count, play) in degrees of ring, of a motor card on this lens; nothing without one. Raises UsageProblem."""
    if not motor:
        return 0.0, 0.0
    from ringlet.hwsim.cardfile import load_motor
    from ringlet.tools.lens.budget import of_card

    known = of_card(load_motor(motor), table.card)
    assert known.count_deg is not None
    assert known.play_deg is not None
    return known.count_deg.value, known.play_deg.value


@contextmanager
def progress(what: str) -> Iterator[Progress]:
    """A bar on stderr."""
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


# --- looking ------------------------------------------------------------------------------------------------------


def show(
    marks: CardArgument, motor: MotorOption = "", plot: PlotOption = None, feet: Annotated[
        bool, typer.Option("--feet", help="Distances in feet and inches.")
    ] = False, as_json: JsonOption = False,
) -> None:  # fmt: skip
    """The marks, how far each lies from the curve through the others, and how sure a reading is.

    Examples: ringlet marks show focus-long --motor medium --plot marks.png; ringlet marks show mine.csv --feet
    """
    from ringlet.tools.lens import marksfile, values
    from ringlet.tools.lens.curve import SCALE_UNITS, ring_doubt_deg

    if plot is not None:
        picture(plot)
    table = marksfile.load(marks)
    curve = table.curve()
    fit = curve.fit_doubt_deg()
    doubt = ring_doubt_deg(*counts_and_play(table, motor), fit)
    left = {one.ring_deg: one for one in curve.leave_one_out()}
    if plot is not None:
        from ringlet.tools.lens.plots import plot_marks

        plot_marks(curve, plot, f"Marks of {table.name}", doubt)
    rows: list[dict[str, Any]] = []
    for ring, value in zip(curve.ring_deg.tolist(), curve.values.tolist(), strict=True):
        span, out = curve.reading(ring, doubt), left.get(ring)
        rows.append({
            "ring_deg": ring, "value": finite(value), "low": finite(span.low), "high": finite(span.high),
            "or_past_infinity": span.past, "left_out_deg": out and out.error_deg,
            "left_out_value": out and finite(out.foretold),
        })  # fmt: skip
    if as_json:
        common.emit({
            "name": table.name, "kind": curve.unit, "marks": rows, "fit_deg": fit, "doubt_deg": doubt,
            "scale": SCALE_UNITS[curve.unit], "past_infinity_deg": curve.past_deg, "plot": plot and str(plot),
        })  # fmt: skip
        return
    from ringlet.tools import show as screen

    grid = screen.table("ring\ndeg", "mark", "reads from", "to", "left out\ndeg", title=f"Marks of {table.name}",
                        right=("ring\ndeg", "left out\ndeg"))  # fmt: skip
    for row in rows:
        texts = [values.show(float(row[key]), curve.unit, feet) for key in ("value", "low", "high")]
        texts[2] += ", past" if row["or_past_infinity"] else ""
        error = "-" if row["left_out_deg"] is None else f"{row['left_out_deg']:+.2f}"
        grid.add_row(f"{row['ring_deg']:.2f}", *texts, error)
    if curve.past_deg is not None:
        grid.add_row(f"{curve.past_deg:.2f}", "past inf", "-", "-", "-")
    common.console().print(grid)
    typer.echo(
        f"A ring angle is sure to ±{doubt:.2g} deg (k = 2): marks left out one by one ±{2 * fit:.2g} deg"
        + (f", counts and play of the motor {motor}." if motor else "; --motor adds its counts and play.")
    )
    if plot is not None:
        typer.echo(f"Written: {plot}")


def convert(
    marks: CardArgument,
    values: Annotated[list[str], typer.Argument(metavar="VALUE...", help="2.5m, 6'3\", inf, T2.8, 50mm; or 120deg.")],
    motor: MotorOption = "",
    as_json: JsonOption = False,
) -> None:
    """Values to ring angles and ring angles to values, with what is not sure.

    Past infinity a ring angle has no distance: told are the degrees past the infinity mark, and what 1/distance would
    be if the curve went straight on.

    Examples: ringlet marks convert focus-long 2.5m "6ft 3in" inf 120deg; ringlet marks convert iris T5.6 --motor small
    """
    from ringlet.tools.lens import marksfile
    from ringlet.tools.lens import values as written
    from ringlet.tools.lens.curve import PAST, ring_doubt_deg

    table = marksfile.load(marks)
    curve = table.curve()
    doubt = ring_doubt_deg(*counts_and_play(table, motor), curve.fit_doubt_deg())
    found: list[tuple[str, float, Reading | None]] = []
    for text in values:
        word = text.strip().lower()
        if word.endswith(("deg", "°")):
            ring = common.number(word.removesuffix("deg").removesuffix("°").strip(), "the ring angle", "deg")
        else:
            ring = curve.ring_at(written.parse(text, curve.unit, mark=True).value)
        found.append((text, ring, None if curve.past_by(ring) else curve.reading(ring, doubt)))
    if as_json:
        common.emit([{"given": text, "ring_deg": ring, "kind": curve.unit, "doubt_deg": doubt} | (
            {"value": finite(PAST), "past_infinity_deg": curve.past_by(ring), "guess_per_m": curve.past_scale_at(ring)}
            if one is None else
            {"value": finite(one.value), "low": finite(one.low), "high": finite(one.high), "or_past_infinity": one.past}
        ) for text, ring, one in found])  # fmt: skip
        return
    from ringlet.tools import show as screen

    grid = screen.table("given", "ring\ndeg", "value", "from", "to", title=f"{table.name}, ±{doubt:.2g} deg (k = 2)",
                        right=("ring\ndeg",))  # fmt: skip
    for text, ring, one in found:
        if one is None:
            guess = f"about {curve.past_scale_at(ring):.3g} 1/m"
            grid.add_row(text, f"{ring:.3f}", f"past inf by {curve.past_by(ring):.3g} deg", "-", guess)
            continue
        told = [written.show(value, curve.unit) for value in (one.value, one.low, one.high)]
        if curve.unit == "distance" and math.isfinite(one.value):
            told[0] += f" ({written.show(one.value, curve.unit, True)})"
        told[2] += ", past" if one.past else ""
        grid.add_row(text, f"{ring:.3f}", *told)
    common.console().print(grid)


# --- the motor ----------------------------------------------------------------------------------------------------


def upload(
    marks: CardArgument,
    most: MostOption = 64,
    save: Annotated[bool, typer.Option("--save", help="Keep them over a power cut.")] = False,
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Send marks to a motor, commit them, read them back and compare. Nothing moves.

    Examples: ringlet marks upload focus-long --link sim:single; ringlet marks upload mine.csv --save
    """
    from ringlet.tools.lens import marksfile, transfer
    from ringlet.tools.lens.wiretable import residual, table_of

    curve = marksfile.load(marks).curve()
    table = table_of(curve, most)
    error = residual(table, curve)
    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        with progress("Marks") as tell:
            transfer.upload(handle, table, tell)
        if save:
            handle.save()
        where = f"{handle.node}.{handle.axis}"
    if as_json:
        common.emit({
            "axis": where, "kind": table.unit, "marks": len(table.marks), "check": table.check, "saved": save,
            "line_error_deg": error.largest_deg,
        })  # fmt: skip
        return
    typer.echo(
        f"Axis {where} holds {len(table.marks)} {table.unit} marks, read back and the same (check {table.check:#06x}). "
        f"Its straight lines between them stay within {error.largest_deg:.2g} deg of the curve."
        + ("" if save else " They are lost at power-off; --save keeps them.")
        + ("" if curve.past_deg is None else " The mark past infinity stays here: a motor's table ends at infinity.")
    )


def read(
    out: Annotated[Path | None, typer.Option("--out", help="File to write them to (.toml, .csv).")] = None,
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """The marks that a motor has in use.

    Example: ringlet marks read --out held.csv --link sim:single
    """
    from ringlet.tools.lens import marksfile, values

    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        table = _held(handle)
        where = f"{handle.node}.{handle.axis}"
    if out is not None:
        marksfile.save(out, marksfile.MarkTable(f"axis {where}", table.unit, tuple(table.points)), "read from a motor")
    if as_json:
        rows = [{"ring_deg": ring, "value": finite(value)} for ring, value in table.points]
        common.emit({"axis": where, "kind": table.unit, "check": table.check, "marks": rows, "out": out and str(out)})
        return
    from ringlet.tools import show as screen

    grid = screen.table("mark", "ring\ndeg", "value", title=f"Axis {where}: {len(table.marks)} {table.unit} marks",
                        right=("mark", "ring\ndeg"))  # fmt: skip
    for number, (ring, value) in enumerate(table.points):
        grid.add_row(str(number), f"{ring:.3f}", values.show(value, table.unit))
    common.console().print(grid)
    if out is not None:
        typer.echo(f"Written: {out}")


def check(
    marks: CardArgument,
    most: MostOption = 64,
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Whether a motor holds just the marks that these would give; exit code 1 when it does not.

    Example: ringlet marks check focus-long --link sim:single
    """
    from ringlet.tools.lens import marksfile, transfer
    from ringlet.tools.lens.wiretable import WireTable, table_of

    marked = marksfile.load(marks)
    wanted = table_of(marked.curve(), most)
    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        transfer.fits_role(handle, wanted.unit)
        held = transfer.read(handle)
        if held is not None and held == WireTable.just(marked.unit, marked.marks):
            wanted = held  # a file that was read from a motor: its marks are a table already
        found = transfer.differences(held, wanted)
        where = f"axis {handle.axis} of node {handle.node}"
    if as_json:
        common.emit({"axis": f"{handle.node}.{handle.axis}", "same": not found, "differences": found})
    if found:
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        raise CheckFailed(f"{where} does not hold these marks: {found[0]}{more}; `ringlet marks upload` sends them.")
    if not as_json:
        typer.echo(f"{where[0].upper()}{where[1:]} holds just these marks (check {wanted.check:#06x}).")


def _held(handle: AxisHandle) -> WireTable:
    from ringlet.tools.lens import transfer

    with progress("Marks") as tell:
        table = transfer.read(handle, tell)
    if table is None:
        raise UsageProblem(
            f"axis {handle.axis} of node {handle.node} holds no marks; `ringlet marks upload` sends some."
        )
    return table


# --- a calibration session ------------------------------------------------------------------------------------------

WORDS = """\
A value as the lens says it    takes a mark where the ring stands: 1.9 m, 6'3", inf, T2.8, 50 mm
past inf                       the ring turns past infinity so far: a mark without a distance
to DEG | by DEG                turns the ring to an angle, or by an angle
free | hold                    lets the ring turn by hand, or holds it
where | list | undo            position; marks so far; takes the last one back
done | quit                    writes the table; or leaves, to go on later with the same --journal"""


REMINDER = "Caution as when this session began: gears pinch fingers, and the power must be in reach to be cut."


def take(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="distance, stop or focal.")],
    out: Annotated[Path, typer.Option("--out", help="File for the marks (.toml, .csv).")],
    journal: Annotated[
        Path | None, typer.Option("--journal", help="Kept after each mark, to go on from; default: OUT.journal.")
    ] = None,
    name: Annotated[str, typer.Option("--name", help="Name of the lens.")] = "",
    speed: Annotated[str, typer.Option("--speed", metavar="DEG_S", help="Highest speed, deg/s of the ring.")] = "20",
    find: FindOption = False,
    force: ForceOption = False,
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Take marks step by step at the bench: turn the ring, by hand or motor, and type what the lens says.

    Come to every mark from the same side, so that play does not count. Lines may also come from a file or a pipe.

    Examples: ringlet marks take distance --out mine.toml --link 'serial:/dev/ttyUSB0?baud=115200';
    printf 'to 30\\nT2.8\\nlist\\nquit\\n' | ringlet marks take stop --out mine.toml --find --link sim:trio --axis 1
    """
    need("bench")
    from ringlet.tools.lens import marksfile, transfer
    from ringlet.tools.lens.calibrate import Session

    limit = common.number(speed, "--speed", "deg/s", 0.001, 3600.0)
    if out.suffix not in (".toml", ".csv"):
        raise UsageProblem(f"{out} is no name for a table of marks; end it in .toml or .csv.")
    if out.exists():
        raise UsageProblem(f"{out} is there already; give the marks another name, or remove that file.")
    kept = journal or out.with_name(out.name + ".journal")
    session = Session(kind, kept)
    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        transfer.fits_role(handle, session.unit)
        bench = _Bench(bus, handle, session, limit, force)
        if find:
            with bench.driving():
                common.make_ready(bus, handle, find)
        common.note(WORDS)
        if session.resumed:
            common.note(f"Going on with {session.resumed} marks from {kept}.")
        finished = bench.lines()
    if finished is None:
        common.note(f"Left with {len(session.marks)} marks; the same command goes on from {kept}.")
        if as_json:
            common.emit({"finished": False, "marks": len(session.marks), "journal": str(kept)})
        return
    table = marksfile.MarkTable(name or out.stem, session.unit, tuple(sorted(session.marks)))
    marksfile.save(out, table, "taken at the bench")
    kept.unlink(missing_ok=True)
    if as_json:
        common.emit({"finished": True, "marks": len(session.marks), "out": str(out),
                     "fit_deg": finished.fit_doubt_deg()})  # fmt: skip
        return
    typer.echo(f"Written: {out}, {len(session.marks)} marks. `ringlet marks show {out}` draws them.")


class _Bench:
    """Reads lines and does what they say; a line that cannot be is answered with a sentence and changes nothing."""

    def __init__(self, bus: Link, handle: AxisHandle, session: Session, speed: float, force: bool) -> None:
        self.bus, self.handle, self.session, self.speed, self.force = bus, handle, session, speed, force
        self._caution = REMINDER if session.resumed else common.CAUTION
        self._refused = ""
        """order to turn that was not carried out: a value that follows it blindly would be a mark at a wrong place"""

    def driving(self) -> AbstractContextManager[None]:
        """Own the axis. The caution comes before the first motion, and short where the session has begun before."""
        caution, self._caution = self._caution, ""
        return common.driving(self.bus, self.handle, self.force, caution)

    def lines(self) -> MarkCurve | None:
        """The finished curve after `done`; None after `quit` or the end of the input."""
        from ringlet.tools.lens.curve import MarkCurve
        from ringlet.tools.lens.values import show as told

        while True:
            if sys.stdin.isatty():
                typer.echo(f"{self.handle.position():.2f} deg> ", nl=False, err=True)
            line = sys.stdin.readline()
            word, _, rest = line.strip().partition(" ")
            if not line or word == "quit":
                return None
            try:
                match word:
                    case "":
                        continue
                    case "done":
                        return MarkCurve.from_marks(self.session.marks, self.session.unit)
                    case "undo":
                        ring, value = self.session.undo()
                        common.note(f"Taken back: {told(value, self.session.unit)} at {ring:.2f} deg.")
                    case "list":
                        for ring, value in sorted(self.session.marks):
                            common.note(f"{ring:9.2f} deg  {told(value, self.session.unit)}")
                    case "where":
                        self._refused = ""
                        common.note(f"The ring stands at {self.handle.position():.2f} deg.")
                    case "to" | "by" | "free" | "hold":
                        self._refused = line.strip()
                        self._drive(word, rest)
                        self._refused = ""
                    case _ if self._refused:
                        raise UsageProblem(
                            f"no mark is taken, for `{self._refused}` was not carried out; look with `where`, then "
                            "give the value again, or turn the ring."
                        )
                    case _:
                        ring, value = self.session.add(self.handle.position(), line.strip())
                        common.note(
                            f"Mark {len(self.session.marks)}: {told(value, self.session.unit)} at {ring:.2f} deg."
                        )
            except RingletError as error:
                if error.exit_code == 3:
                    raise
                common.note(f"ringlet: {error}")

    def _drive(self, word: str, rest: str) -> None:
        deg = common.number(rest, f"`{word}`", "deg") if word in ("to", "by") else 0.0
        with self.driving():
            match word:
                case "to":
                    self.handle.move(deg, self.speed)
                case "by":
                    self.handle.move(round(self.handle.position() + deg, 3), self.speed)
                case "free":
                    self.handle.release()
                case _:
                    self.handle.hold()
            self.handle.rest()


for _name, _command in (
    ("take", take), ("show", show), ("convert", convert), ("upload", upload), ("read", read), ("check", check)
):  # fmt: skip
    app.command(_name, context_settings=common.NUMBERS, epilog=common.CAUTION if _name == "take" else None)(_command)
