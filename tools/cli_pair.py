"""`ringlet pair`: two lenses as one, and the geometry of a two-camera rig."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import FindOption, ForceOption, JsonOption, LinkOption, SourceOption
from ringlet.tools.cli_lens import MotorOption, counts_and_play, progress
from ringlet.tools.cli_optics import (
    CocOption,
    FocalOption,
    PlotOption,
    StopOption,
    TransmissionOption,
    finite,
    length_mm,
    optics_of,
    picture,
)
from ringlet.tools.cli_twocamera import (
    ClearanceOption,
    RatioOption,
    ZeroOption,
    converge,
    geometry,
    limits,
    turned_by,
)
from ringlet.tools.errors import UsageProblem
from ringlet.tools.places import known_place, place_in

if TYPE_CHECKING:
    from ringlet.tools.lens.marksfile import MarkTable
    from ringlet.tools.lens.pair import Pair
    from ringlet.tools.lens.together import Target
    from ringlet.tools.link import Link

app = typer.Typer(
    name="pair", help="Two lenses as one: offset curve, one value for both, and two-camera geometry.",
    no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False,
)  # fmt: skip

SKEW: Final = ": greatest skew"
"""How the bench ends the name of the quantity."""
AxesOption = Annotated[
    str, typer.Option("--axes", metavar="N.A,N.A", help="The axes, NODE.AXIS; default: all of the role.")
]


# --- curve --------------------------------------------------------------------------------------------------------


def curve(
    left: Annotated[str, typer.Argument(metavar="LEFT", help="Marks of the left lens, or NODE.AXIS with --link.")],
    right: Annotated[str, typer.Argument(metavar="RIGHT", help="Marks of the right lens, or NODE.AXIS.")],
    focal: FocalOption = "50mm",
    stop: StopOption = "T2",
    coc: CocOption = "0.025mm",
    transmission: TransmissionOption = 1.0,
    motor: MotorOption = "",
    plot: PlotOption = None,
    link: LinkOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Where the right ring must stand for the left one's value, and what difference stays, over the whole range.

    The residual counts the straight lines of the motors' tables; for focus also in circles of confusion.

    Examples: ringlet pair curve focus-long focus-long-right --focal 50mm --stop T2 --motor medium --plot pair.png;
    ringlet pair curve 16.0 17.0 --link sim:pair
    """
    from ringlet.tools.lens import pair as pairs
    from ringlet.tools.lens.curve import SCALE_UNITS
    from ringlet.tools.lens.values import show

    if plot is not None:
        picture(plot)
    on_motors = place_in(left) is not None
    if on_motors != (place_in(right) is not None):
        raise UsageProblem("give two lens cards or files, or two axes as NODE.AXIS, not one of each.")
    tables = _from_motors(link, source, left, right) if on_motors else _from_files(left, right)
    found = pairs.pair_of(*tables)
    columns = pairs.compare(found, counts_and_play(tables[0], motor))
    lens = optics_of(focal, stop, coc, transmission) if found.unit == "distance" else None
    if plot is not None:
        from ringlet.tools.lens.plots import plot_pair

        plot_pair(found, columns, plot, lens)
    scale = SCALE_UNITS[found.unit]
    largest: dict[str, Any] = {
        "offset_deg": float(abs(columns.offset_deg).max()),
        "residual_scale": float(abs(columns.residual_scale).max()),
        "doubt_scale": float(columns.doubt_scale.max()),
        "same_ring_scale": float(abs(columns.same_ring_scale).max()),
        "scale": scale,
    }
    circles = pairs.in_circles(columns, found, lens) if lens is not None else None
    if circles is not None:
        largest |= {
            f"{name}_circles": float(one.max())
            for name, one in zip(("residual", "doubt", "same_ring"), circles, strict=True)
        }
    if as_json:
        rows = [
            {"value": finite(float(columns.value[n])), "left_deg": float(columns.left_deg[n]),
             "right_deg": float(columns.right_deg[n]), "residual_value": finite(float(columns.residual_value[n])),
             "residual_scale": float(columns.residual_scale[n])}
            | ({} if circles is None else
               {"residual_circles": float(circles[0][n]), "doubt_circles": float(circles[1][n])})
            for n in range(len(columns.value))
        ]  # fmt: skip
        common.emit({"names": found.names, "kind": found.unit, "largest": largest, "curve": rows,
                     "plot": plot and str(plot)})  # fmt: skip
        return
    from ringlet.tools import show as screen

    last = "circles" if circles is not None else scale
    heads = ("left\ndeg", "right\ndeg", "offset\ndeg", f"residual\n{last}", f"doubt\n{last}", f"one angle\n{last}")
    grid = screen.table("value", *heads, title=f"{found.names[0]} and {found.names[1]}", right=heads)
    parts = circles or (abs(columns.residual_scale), columns.doubt_scale, abs(columns.same_ring_scale))
    for n in range(0, len(columns.value), max(1, len(columns.value) // 16)):
        grid.add_row(
            show(float(columns.value[n]), found.unit), f"{columns.left_deg[n]:.2f}", f"{columns.right_deg[n]:.2f}",
            f"{columns.offset_deg[n]:+.2f}", *(f"{one[n]:.2g}" for one in parts),
        )  # fmt: skip
    common.console().print(grid)
    typer.echo(
        f"Largest: residual {parts[0].max():.2g}, doubt about marks{', counts and play' if motor else ''} "
        f"{parts[1].max():.2g} (k = 2), both rings at one angle {parts[2].max():.2g} "
        + ("circles of confusion." if circles is not None else f"{scale}.")
    )
    if plot is not None:
        typer.echo(f"Written: {plot}")


def _from_files(left: str, right: str) -> tuple[MarkTable, MarkTable]:
    from ringlet.tools.lens import marksfile

    return marksfile.load(left), marksfile.load(right)


def _from_motors(link: str | None, source: int, left: str, right: str) -> tuple[MarkTable, MarkTable]:
    from ringlet.tools.lens import transfer
    from ringlet.tools.lens.marksfile import MarkTable

    found = []
    with common.open_link(link, source) as bus:
        for name in (left, right):
            node, axis = known_place(name)
            table = transfer.read(bus.axis(node, axis))
            if table is None:
                raise UsageProblem(f"axis {axis} of node {node} holds no marks; `ringlet pair upload` sends some.")
            found.append(MarkTable(name, table.unit, tuple(table.points)))
    return found[0], found[1]


# --- the motors ---------------------------------------------------------------------------------------------------


def _axes(bus: Link, named: str, roles: set[str]) -> list[Any]:
    """The axes that are named, or all of these roles. Raises UsageProblem."""
    from ringlet.tools.lens.together import axes_of_role

    if named:
        words = [word.strip() for word in named.split(",")]
        places = [place for word in words if (place := place_in(word)) is not None]
        if len(places) < len(words) or len(set(words)) < len(words):
            raise UsageProblem(f"--axes is {named!r}; write different axes as NODE.AXIS,NODE.AXIS, as in 16.0,17.0.")
        return [bus.axis(*place) for place in places]
    nodes = common.nodes(bus, None)
    return axes_of_role(bus, nodes, {node: common.axes_of(bus, node, None) for node in nodes}, roles)


def upload(
    left: Annotated[str, typer.Argument(metavar="LEFT", help="Marks of the left lens: card or file.")],
    right: Annotated[str, typer.Argument(metavar="RIGHT", help="Marks of the right lens: card or file.")],
    axes: AxesOption = "",
    save: Annotated[bool, typer.Option("--save", help="Keep them over a power cut.")] = False,
    link: LinkOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Send each motor of a pair its own lens's marks, read back and compared. Nothing moves.

    Examples: ringlet pair upload focus-long focus-long-right --link sim:pair;
    ringlet pair upload zoom zoom-right --link sim:eight; ringlet pair upload iris iris-right --axes 16.1,17.1 --save
    """
    from ringlet.tools.lens import transfer
    from ringlet.tools.lens.pair import pair_of
    from ringlet.tools.lens.wiretable import residual

    pair = pair_of(*_from_files(left, right))
    with common.open_link(link, source) as bus:
        handles = _axes(bus, axes, {transfer.RINGS[pair.unit]})
        if len(handles) != 2:
            raise UsageProblem(f"a pair has two axes, and there are {len(handles)}; name them with --axes.")
        for handle in handles:
            transfer.fits_role(handle, pair.unit)
        told = _upload_both(handles, pair, save)
    errors = [residual(table, one).largest_deg for table, one in zip(pair.tables, pair.curves, strict=True)]
    if as_json:
        common.emit({"kind": pair.unit, "axes": told, "line_error_deg": errors, "saved": save})
        return
    for name, where, table, error in zip(pair.names, told, pair.tables, errors, strict=True):
        typer.echo(f"Axis {where} holds {name}: {len(table.marks)} marks, straight lines within {error:.2g} deg.")


def _upload_both(handles: list[Any], pair: Pair, save: bool) -> list[str]:
    from ringlet.tools.lens import transfer

    for handle, table in zip(handles, pair.tables, strict=True):
        with progress(f"Marks to {handle.node}.{handle.axis}") as tell:
            transfer.upload(handle, table, tell)
        if save:
            handle.save()
    return [f"{handle.node}.{handle.axis}" for handle in handles]


def move(
    value: Annotated[str, typer.Argument(metavar="VALUE", help="2.5m, 6'3\", inf, T2.8 or 50mm.")],
    axes: AxesOption = "",
    linked: Annotated[
        bool, typer.Option("--linked", help="Convergence goes to the same distance; otherwise it stays free.")
    ] = False,
    interaxial: Annotated[
        str, typer.Option("--interaxial", metavar="MM", help="With --linked: distance between the lenses now.")
    ] = "",
    ratio: RatioOption = None,
    zero: ZeroOption = None,
    clearance: ClearanceOption = "",
    speed: Annotated[str, typer.Option("--speed", metavar="DEG_S", help="Highest speed, deg/s of the ring.")] = "",
    find: FindOption = False,
    force: ForceOption = False,
    link: LinkOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Send both motors of a pair to one distance, T-stop or focal length; they start in one tick.

    Each finds the place in its own marks. A value that one of them cannot reach moves none. With --linked the
    interaxial distance must be known, given or from the table's interaxial axis: marks that a convergence axis has for
    another one are refused, and so is a way that the table does not allow. --find finds the
    stops of lenses only: where a convergence axis stands must be known.

    Examples: ringlet pair move 2.5m --find --link sim:pair; ringlet pair move T2.8 --axes 16.1,17.1;
    ringlet pair move 3m --linked --interaxial 60mm --ratio 20; ringlet pair move 3m --linked --clearance my-rig.toml
    """
    from ringlet.tools.lens import mirror, together, transfer
    from ringlet.tools.lens.values import guess, show

    wanted = guess(value)
    limit = common.number(speed, "--speed", "deg/s", 0.001, 3600.0) if speed else None
    roles = {transfer.RINGS[wanted.kind]} | ({"convergence"} if linked else set())
    if linked and wanted.kind != "distance":
        raise UsageProblem(f"--linked is for distances, and {value} is a {wanted.kind}; leave it out.")
    linkage = _linkage(linked, interaxial, ratio, zero, clearance)
    with common.open_link(link, source) as bus:
        handles = _axes(bus, axes, roles)
        if axes and linked:
            handles += [one for one in _axes(bus, "", {"convergence"})
                        if (one.node, one.axis) not in {(h.node, h.axis) for h in handles}]  # fmt: skip
        if len(handles) < 2:
            raise UsageProblem(
                f"{len(handles)} axes turn such a ring ({' or '.join(sorted(roles))}), and a pair needs two; name them "
                "with --axes."
            )
        goals = together.targets(handles, wanted.value, wanted.kind)
        turning = [goal.handle for goal in goals if goal.role == "convergence"]
        if linkage is not None:
            linkage(bus, goals, wanted.value)
            mirror.standing(turning)
        elif turning:
            raise UsageProblem(
                f"axis {turning[0].node}.{turning[0].axis} is a convergence axis, which goes along by --linked only; "
                "add it, or name another axis."
            )
        if not find:
            together.within_travel(goals)
        with common.driving(bus, handles, force):
            for handle in handles:
                common.make_ready(bus, handle, find)
            together.within_travel(goals)
            arrived = together.go(bus, goals, wanted.value, limit)
    if as_json:
        common.emit({"value": finite(wanted.value), "kind": wanted.kind, "axes": [one._asdict() for one in arrived]})
        return
    from ringlet.tools import show as screen

    heads = ("place in its marks\ndeg", "setpoint\ndeg", "ring\ndeg")
    grid = screen.table("axis", "role", *heads, title=f"Together at {show(wanted.value, wanted.kind)}", right=heads)
    for one in arrived:
        numbers = (one.wanted_deg, one.setpoint_deg, one.position_deg)
        grid.add_row(one.name, one.role, *(f"{number:.3f}" for number in numbers))
    common.console().print(grid)


Linkage = Callable[["Link", "list[Target]", float], None]
"""Refuses goals of convergence axes that do not belong to the interaxial distance."""


def _linkage(
    linked: bool, interaxial: str, ratio: float | None, zero: float | None, clearance: str
) -> Linkage | None:
    """What --linked must know. Raises UsageProblem."""
    from ringlet.tools.lens import clearance as clear
    from ringlet.tools.lens import mirror

    if not linked:
        if interaxial or clearance or ratio is not None or zero is not None:
            raise UsageProblem("--interaxial, --ratio, --zero and --clearance are for --linked; add it.")
        return None
    table = clear.load(clearance) if clearance else None
    if not interaxial and (table is None or table.interaxial is None):
        raise UsageProblem(
            "--linked needs the interaxial distance as it is now; give --interaxial, or --clearance with a table that "
            "says how its interaxial axis is geared."
        )
    base = length_mm(interaxial, "--interaxial") if interaxial else None
    turned_by(ratio, zero, None)

    def check(bus: Link, goals: list[Target], value: float) -> None:
        apart = mirror.apart_mm(bus, table, base)
        held = None if table is None else table.convergence
        turned = [one for one in goals if one.role == "convergence"]
        gearing = turned_by(ratio, zero, held, *(one.name for one in turned))
        mirror.fits([(one.handle, one.ring_deg) for one in turned], value, apart, *gearing, table)

    return check


def skew(
    run: Annotated[Path, typer.Argument(metavar="DIR", help="Run of `ringlet bench together --out DIR`.")],
    lens: Annotated[str, typer.Option("--lens", metavar="MARKS", help="Marks of the first lens: card or file.")],
    focal: FocalOption = "50mm",
    stop: StopOption = "T2",
    coc: CocOption = "0.025mm",
    transmission: TransmissionOption = 1.0,
    as_json: JsonOption = False,
) -> None:
    """What the skew of a pair on the move means for the picture: in circles of confusion, from near to far.

    `ringlet bench together` measures the skew; this reads its run.

    Example: ringlet bench together --node 16 --find --link sim:pair --out run; ringlet pair skew run --lens focus-long
    """
    from ringlet.tools.bench import run_folder
    from ringlet.tools.lens import marksfile
    from ringlet.tools.lens.pair import PairProblem, skew_circles
    from ringlet.tools.lens.values import show

    optics = optics_of(focal, stop, coc, transmission)
    curve_ = marksfile.load(lens).curve()
    if curve_.unit != "distance":
        raise PairProblem(f"circles of confusion are for distances, and {lens} has {curve_.unit} marks.")
    found = [
        (one.name.removesuffix(SKEW), one.value, one.uncertainty or 0.0)
        for axis in run_folder.load(run).axes for result in axis.results.values() for one in result.quantities
        if one.name.endswith(SKEW) and one.value is not None
    ]  # fmt: skip
    if not found:
        raise UsageProblem(f"{run} holds no skew of a pair; run `ringlet bench together --out` first.")
    rows: list[dict[str, Any]] = []
    for name, deg, uncertain in found:
        distance, circles = skew_circles(curve_, deg, optics)
        worst = int(circles.argmax())
        rows.append({
            "pass": name, "skew_deg": deg, "uncertainty_deg": uncertain, "circles": float(circles[worst]),
            "at_m": finite(float(distance[worst])), "circles_far": float(circles[-1 if worst == 0 else 0]),
        })  # fmt: skip
    if as_json:
        common.emit({"lens": lens, "passes": rows})
        return
    from ringlet.tools import show as screen

    heads = ("skew\ndeg", "± deg", "at the most\ncircles", "other end\ncircles")
    grid = screen.table("pass", *heads, "worst at", title="Skew on the move", right=heads)
    for row in rows:
        numbers = (row["skew_deg"], row["uncertainty_deg"], row["circles"], row["circles_far"])
        grid.add_row(row["pass"], *(f"{one:.3g}" for one in numbers), show(float(row["at_m"]), "distance"))
    common.console().print(grid)


for _name, _command in (
    ("curve", curve), ("upload", upload), ("move", move), ("skew", skew), ("geometry", geometry),
    ("converge", converge), ("limits", limits),
):  # fmt: skip
    _caution = common.CAUTION if _name in ("move", "limits") else None
    app.command(_name, context_settings=common.NUMBERS, epilog=_caution)(_command)
