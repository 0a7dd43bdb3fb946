"""Two-camera rigs: `ringlet pair geometry` and `ringlet pair converge`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import ForceOption, JsonOption, LinkOption, SourceOption
from ringlet.tools.cli_lens import progress
from ringlet.tools.cli_optics import FocalOption, PlotOption, finite, length_mm, picture
from ringlet.tools.cli_setups import YesOption
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.places import place_in

if TYPE_CHECKING:
    from ringlet.tools.lens.clearance import Box, Clearance, Gearing, Place, Span
    from ringlet.tools.lens.mirror import Fenced


RatioOption = Annotated[
    float | None,
    typer.Option("--ratio", help="Degrees of the axis per degree of toe-in of a camera; default: the table's, or 1."),
]
ZeroOption = Annotated[
    float | None,
    typer.Option("--zero", help="Degrees of the axis at which the cameras are parallel; default: the table's, or 0."),
]
ClearanceOption = Annotated[
    str, typer.Option("--clearance", metavar="TABLE", help="What a mirror rig may do: TOML, or mirror-demo.")
]


def turned_by(ratio: float | None, zero: float | None, held: Gearing | None, *axes: str) -> tuple[float, float]:
    """Gearing of convergence axes: as given, else as the table has it if these are its, else 1 and 0.

    Raises UsageProblem.
    """
    if held is not None and set(axes) != {held.axis}:
        held = None
    if ratio == 0:
        raise UsageProblem("--ratio is 0, so the axis would not turn; give degrees of the axis per degree of toe-in.")
    if ratio is None:
        ratio = 1.0 if held is None else held.deg_per_unit
    if zero is None:
        zero = 0.0 if held is None else held.zero_deg
    return ratio, zero


def geometry(
    interaxial: Annotated[str, typer.Option("--interaxial", metavar="MM", help="Distance between the lenses.")],
    convergence: Annotated[str, typer.Option("--convergence", metavar="DISTANCE", help="Where axes cross: 3m, inf.")],
    focal: FocalOption = "35mm",
    width: Annotated[str, typer.Option("--width", metavar="MM", help="Width of the image on the sensor.")] = "24.9mm",
    towards: Annotated[
        float, typer.Option("--towards", help="Most parallax in front of the screen, % of the width.")
    ] = 2.0,
    away: Annotated[float, typer.Option("--away", help="Most parallax behind the screen, % of the width.")] = 1.0,
    scene: Annotated[
        str, typer.Option("--scene", metavar="NEAR,FAR", help="What must keep within the bounds: 2m,10m.")
    ] = "",
    screen: Annotated[str, typer.Option("--screen", metavar="M", help="Width of the screen, m.")] = "",
    clearance: ClearanceOption = "",
    start: Annotated[
        str, typer.Option("--from", metavar="MM,DEG", help="Where the rig stands: interaxial, toe-in; for the way.")
    ] = "",
    plot: PlotOption = None,
    as_json: JsonOption = False,
) -> None:
    """Toe-in, parallax, near and far limits of a two-camera rig; and whether a mirror rig may stand so.

    Bounds for parallax are yours to choose. Converged cameras also show vertical parallax in the corners.

    Examples: ringlet pair geometry --interaxial 60mm --convergence 3m --scene 2m,10m --screen 10 --plot rig.png;
    ringlet pair geometry --interaxial 40mm --convergence 2m --clearance mirror-demo --from 20,0.5
    """
    from ringlet.tools.lens import clearance as clear
    from ringlet.tools.lens import twocamera as two
    from ringlet.tools.lens.values import parse, show

    if plot is not None:
        picture(plot)
    rig = two.two_cameras(
        length_mm(interaxial, "--interaxial"), parse(convergence, "distance").value, length_mm(focal, "--focal"),
        length_mm(width, "--width"),
    )  # fmt: skip
    bounds = (towards / 100.0, away / 100.0)
    found = two.limits(rig, *bounds)
    way: str | None = None
    if start and not clearance:
        raise UsageProblem("--from is for the way to the new place, which --clearance judges; give both.")
    place = clear.Place(1000.0 * rig.interaxial_m, rig.toe_in_deg)
    if clearance:
        table = clear.load(clearance)
        table.check(place)
        way = table.order(_place(start, "--from"), place) if start else None
    screen_m = common.number(screen.lower().removesuffix("m").strip(), "--screen", "m", 0.01, 100.0) if screen else None
    corner = two.corner_vertical_m(rig, found.near_m)
    infinite = two.share(rig, math.inf)
    greatest = two.interaxial_for(rig, *_scene(scene), *bounds) if scene else None
    if plot is not None:
        from ringlet.tools.lens.plots import plot_geometry

        title = (f"Interaxial {1000 * rig.interaxial_m:g} mm, convergence {show(rig.convergence_m, 'distance')}, "
                 f"{1000 * rig.focal_m:g} mm lens, {1000 * rig.sensor_width_m:g} mm wide")  # fmt: skip
        plot_geometry(rig, found, bounds, plot, title)
    out: dict[str, Any] = {
        "toe_in_deg": rig.toe_in_deg, "angle_between_deg": 2.0 * rig.toe_in_deg, "near_m": found.near_m,
        "far_m": finite(found.far_m), "parallax_at_infinity_percent": 100.0 * infinite,
        "corner_vertical_percent": 100.0 * corner / rig.sensor_width_m, "clear": None if not clearance else True,
        "way": way, "plot": plot and str(plot),
    }  # fmt: skip
    if greatest is not None:
        out["greatest_interaxial_mm"] = 1000.0 * greatest
    if screen_m is not None:
        out["screen_parallax_at_infinity_mm"] = 1000.0 * two.screen_parallax_m(rig, math.inf, screen_m)
    if as_json:
        common.emit(out)
        return
    lines = [
        f"Toe-in {rig.toe_in_deg:.3f} deg each camera, {2 * rig.toe_in_deg:.3f} deg between them.",
        f"From {show(found.near_m, 'distance')} to {show(found.far_m, 'distance')} the parallax stays within "
        f"-{towards:g} % to +{away:g} % of the picture's width; at infinity it is {100 * infinite:+.2f} %.",
        f"Vertical parallax in a corner at the near limit: {out['corner_vertical_percent']:+.3f} % of the width.",
    ]
    if greatest is not None:
        lines.append(f"For the scene {scene} the interaxial distance may be up to {1000 * greatest:.1f} mm.")
    if screen_m is not None:
        lines.append(
            f"On a screen of {screen_m:g} m infinity lies {out['screen_parallax_at_infinity_mm']:.0f} mm apart; eyes "
            f"are about {1000 * two.EYES_M:.0f} mm apart (common practice, no source)."
        )
    if clearance:
        lines.append("The clearance table allows this place" + (f"; the way there: {way}." if way else "."))
        lines.append("Motors know nothing of it: `ringlet pair limits` gives them travel limits inside the table.")
        lines.append(common.CAUTION)
    typer.echo("\n".join(lines))
    if plot is not None:
        typer.echo(f"Written: {plot}")


def _scene(text: str) -> tuple[float, float]:
    from ringlet.tools.lens.values import parse

    near, comma, far = text.partition(",")
    if not comma:
        raise UsageProblem(f"--scene is {text!r}; write two distances as NEAR,FAR, for example 2m,10m.")
    return parse(near, "distance").value, parse(far, "distance").value


def _place(text: str, option: str) -> Place:
    from ringlet.tools.lens.clearance import Place

    first, comma, second = text.partition(",")
    if not comma:
        raise UsageProblem(f"{option} is {text!r}; write interaxial and toe-in as MM,DEG, for example 20,0.5.")
    return Place(length_mm(first, option), common.number(second.strip().removesuffix("deg"), option, "deg"))


def _span(text: str, option: str, unit: str) -> Span | None:
    from ringlet.tools.lens.clearance import Span

    if not text:
        return None
    first, comma, second = text.partition(",")
    found = [common.number(word.strip().removesuffix(unit), option, unit) for word in (first, second) if word.strip()]
    if not comma or len(found) != 2 or not found[0] < found[1]:
        raise UsageProblem(f"{option} is {text!r}; write both ends as FROM,TO in {unit}, for example 0.5,40.")
    return Span(*found)


def converge(
    interaxial: Annotated[str, typer.Option("--interaxial", metavar="MM", help="Distance between the lenses.")],
    axis: Annotated[
        str, typer.Option("--axis", metavar="NODE.AXIS", help="The convergence axis; default: that of the table.")
    ] = "",
    near: Annotated[str, typer.Option("--near", metavar="DISTANCE", help="Nearest convergence.")] = "1m",
    ratio: RatioOption = None,
    zero: ZeroOption = None,
    clearance: ClearanceOption = "",
    save: Annotated[bool, typer.Option("--save", help="Keep it over a power cut.")] = False,
    link: LinkOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Give the convergence axis its marks for this interaxial distance, so that it understands distances.

    `ringlet pair move 2.5m --linked` then turns it with focus; without --linked it stays free. Nothing moves.
    With --clearance every toe-in from parallel to the nearest must be allowed.

    Example: ringlet pair converge --interaxial 60mm --axis 18.0 --near 2m --clearance mirror-demo
    """
    from ringlet.tools.lens import clearance as clear
    from ringlet.tools.lens import transfer
    from ringlet.tools.lens import twocamera as two
    from ringlet.tools.lens.curve import MarkCurve
    from ringlet.tools.lens.values import parse, show
    from ringlet.tools.lens.wiretable import residual, table_of

    table_ = clear.load(clearance) if clearance else None
    turns = None if table_ is None else table_.convergence
    axis = axis or ("" if turns is None else turns.axis)
    turned, parallel = turned_by(ratio, zero, turns, axis)
    place = place_in(axis)
    if place is None:
        raise UsageProblem(f"--axis is {axis!r}; write NODE.AXIS, for example 18.0.")
    base = length_mm(interaxial, "--interaxial")
    nearest = parse(near, "distance").value
    if not (base > 0 and math.isfinite(nearest)):
        raise UsageProblem("convergence needs an interaxial distance above 0 and a nearest distance that is finite.")
    if table_ is not None:
        table_.order(clear.Place(base, 0.0), clear.Place(base, two.toe_in_deg(base / 1000.0, nearest)))
    distances = [math.inf, *(nearest / (n / 16.0) for n in range(1, 17))]
    marks = [(parallel + turned * two.toe_in_deg(base / 1000.0, one), one) for one in distances]
    curve_ = MarkCurve.from_marks(marks, "distance")
    table = table_of(curve_)
    with common.open_link(link, source) as bus:
        handle = bus.axis(*place)
        with progress("Marks") as tell:
            transfer.upload(handle, table, tell)
        if save:
            handle.save()
    error = residual(table, curve_).largest_deg
    if as_json:
        common.emit({"axis": axis, "marks": len(table.marks), "line_error_deg": error, "saved": save,
                     "toe_in_at_nearest_deg": two.toe_in_deg(base / 1000.0, nearest)})  # fmt: skip
        return
    typer.echo(
        f"Axis {axis} holds {len(table.marks)} distances from {show(nearest, 'distance')} to inf for an interaxial "
        f"distance of {base:g} mm; straight lines within {error:.2g} deg. Do it again when that distance changes."
    )


def limits(
    clearance: ClearanceOption,
    interaxial: Annotated[
        str, typer.Option("--interaxial", metavar="MM,MM", help="Keep just this span; toe-in gets what it allows.")
    ] = "",
    toe_in: Annotated[
        str, typer.Option("--toe-in", metavar="DEG,DEG", help="Keep just this span; interaxial gets what it allows.")
    ] = "",
    margin: Annotated[
        str, typer.Option("--margin", metavar="MM,DEG", help="Left free on each side: play, what a ring overshoots.")
    ] = "0,0",
    here: Annotated[
        str, typer.Option("--here", metavar="MM,DEG", help="Where the rig stands, measured; the motors count from it.")
    ] = "",
    write: Annotated[bool, typer.Option("--write", help="Write them to both motors (asks first).")] = False,
    widen: Annotated[bool, typer.Option("--widen", help="Move present limits outwards too.")] = False,
    save: Annotated[bool, typer.Option("--save", help="Keep them over a power cut.")] = False,
    plot: PlotOption = None,
    yes: YesOption = False,
    force: ForceOption = False,
    link: LinkOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Travel limits for the interaxial and the convergence axis, from the clearance table: the largest box in which
    every mix of both is allowed. With --link they are shown beside those of the motors, with --write written. Nothing
    moves.

    The table must say how its axes are geared. After power-up measure where the rig stands and give it as --here.

    Examples: ringlet pair limits --clearance mirror-demo --toe-in 0,2 --plot limits.png;
    ringlet pair limits --clearance my-rig.toml --here 30,0.5 --write --save --link can:socketcan:can0
    """
    from ringlet.tools.lens import clearance as clear
    from ringlet.tools.lens import mirror

    if plot is not None:
        picture(plot)
    table = clear.load(clearance)
    slide, turn = table.gearing
    spans = (_span(interaxial, "--interaxial", "mm"), _span(toe_in, "--toe-in", "deg"))
    free = _place(margin, "--margin")
    if min(free) < 0:
        raise UsageProblem(f"--margin is {margin!r}, and what is left free cannot be below 0.")
    if (write or save) and not link:
        raise UsageProblem("--write and --save are for motors; add --link.")
    if save and not write:
        raise UsageProblem("--save keeps what --write writes; give both.")
    at = _place(here, "--here") if here else None
    if at is not None:
        table.check(at)
    if not link:
        box = table.fence(at, *spans, free)
        planned: list[Fenced] = []
        if plot is not None:
            _draw(table, box, at, plot)
    else:
        with common.open_link(link, source) as bus:
            at = at or mirror.stands(bus, table)
            box = table.fence(at, *spans, free)
            planned = mirror.plan(bus, table, box, widen, at)
            if plot is not None:
                _draw(table, box, at, plot)
            if write:
                common.note(common.CAUTION)
                if not as_json:
                    _say_limits(table.name, box, (slide, turn), planned)
                if not common.agreed("Write these travel limits to both motors?", yes):
                    raise CheckFailed("the limits were not agreed, so nothing was written.")
                mirror.write(bus, planned, reference=bool(here), force=force, save=save)
    if as_json:
        common.emit({
            "table": table.name, "box": box._asdict(), "margin": free._asdict(), "written": write, "saved": save,
            "axes": [one._asdict() | {"now": list(one.now), "then": list(one.then)} for one in planned] or [
                {"axis": slide.axis, "role": "interaxial",
                 "then": list(slide.travel(box.interaxial_from_mm, box.interaxial_to_mm))},
                {"axis": turn.axis, "role": "convergence",
                 "then": list(turn.travel(box.toe_in_from_deg, box.toe_in_to_deg))},
            ],
            "not_covered": list(mirror.NOT_COVERED), "plot": plot and str(plot),
        })  # fmt: skip
        return
    if not write:
        _say_limits(table.name, box, (slide, turn), planned)
    typer.echo(mirror.COVERED)
    typer.echo("Not covered:\n" + "\n".join(f"- {one}" for one in mirror.NOT_COVERED))
    if write:
        typer.echo("Written and read back." + ("" if save else " They are lost at power-off; --save keeps them."))
    if plot is not None:
        typer.echo(f"Written: {plot}")


def _draw(table: Clearance, box: Box, at: Place | None, path: Path) -> None:
    from ringlet.tools.lens.plots import plot_limits

    plot_limits(table, box, at, path, f"Travel limits inside the clearance table {table.name}: {box.text}")


def _say_limits(name: str, box: Box, gearing: tuple[Gearing, Gearing], planned: list[Fenced]) -> None:
    from ringlet.tools import show as screen

    heads = ("from", "to", "travel-min\ndeg", "travel-max\ndeg", "now\ndeg", "stands at\ndeg")
    grid = screen.table("axis", "", *heads, "", title=f"Limits inside the clearance table {name}", right=heads)
    ends = ((box.interaxial_from_mm, box.interaxial_to_mm), (box.toe_in_from_deg, box.toe_in_to_deg))
    for number, (one, role, unit) in enumerate(zip(gearing, ("interaxial", "toe-in"), ("mm", "deg"), strict=True)):
        low, high = ends[number]
        held = planned[number] if planned else None
        then = one.travel(low, high) if held is None else held.then
        now = ("-", "-") if held is None else (f"{held.now.low:g} to {held.now.high:g}", f"{held.position_deg:.2f}")
        grid.add_row(one.axis, role, f"{low:.4g} {unit}", f"{high:.4g} {unit}", f"{then.low:.3f}", f"{then.high:.3f}",
                     *now, f"{screen.LIMIT} tighter one kept" if held is not None and held.kept else "")  # fmt: skip
    common.console().print(grid)
