"""`ringlet budget`: from depth of field to what a focus motor must reach."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import JsonOption
from ringlet.tools.cli_optics import (
    CocOption,
    FocalOption,
    PlotOption,
    StopOption,
    TransmissionOption,
    finite,
    optics_of,
    picture,
)
from ringlet.tools.errors import CheckFailed

if TYPE_CHECKING:
    from ringlet.tools.bench.result import Verdict
    from ringlet.tools.lens.budget import Budget, Motor
    from ringlet.tools.lens.field import Optics

FOLLOW = "2m"


def budget(
    lens: Annotated[str, typer.Option("--lens", metavar="CARD", help="Lens card or marks of a focus ring.")],
    focal: FocalOption = "50mm",
    stop: StopOption = "T2",
    coc: CocOption = "0.025mm",
    transmission: TransmissionOption = 1.0,
    motor: Annotated[str, typer.Option("--motor", metavar="CARD", help="Motor card to judge.")] = "",
    bench: Annotated[
        list[Path] | None,
        typer.Option("--bench", metavar="DIR", help="Bench run to judge, of `ringlet bench --out`; repeatable."),
    ] = None,
    axis: Annotated[str, typer.Option("--axis", metavar="NODE.AXIS", help="Axis of the bench runs.")] = "",
    latency: Annotated[
        str, typer.Option("--latency", metavar="S", help="From command to ring, e.g. 40ms; instead of a measured one.")
    ] = "",
    subject: Annotated[str, typer.Option("--subject", metavar="M_S", help="Speed of the subject, m/s.")] = "1",
    follow: Annotated[
        str, typer.Option("--follow-from", metavar="DISTANCE", help="Nearer subjects stand still.")
    ] = FOLLOW,
    near: Annotated[str, typer.Option("--from", metavar="DISTANCE", help="Nearest; default: the first mark.")] = "",
    far: Annotated[str, typer.Option("--to", metavar="DISTANCE", help="Farthest distance.")] = "inf",
    plot: PlotOption = None,
    as_json: JsonOption = False,
) -> None:
    """How good counts, play, repeatability and latency must be so that the picture stays sharp; 1 when they are not.

    Depth of field is that of a thin lens; distances are from the image plane, as marks are. Without --motor or --bench
    it says what is needed and judges nothing.

    Examples: ringlet budget --lens focus-long --focal 50mm --stop T2 --coc 0.025mm --motor medium --plot budget.png;
    ringlet bench repeat --out run --find --link sim:single; ringlet budget --lens focus-long --motor medium --bench run
    """
    from ringlet.hwsim.cardfile import load_motor
    from ringlet.tools.lens import budget as engine
    from ringlet.tools.lens import marksfile
    from ringlet.tools.lens.field import hyperfocal_m
    from ringlet.tools.lens.values import parse

    if plot is not None:
        picture(plot)
    optics = optics_of(focal, stop, coc, transmission)
    table = marksfile.load(lens)
    curve = table.curve()
    needed = engine.need(
        optics, curve, common.number(subject, "--subject", "m/s", 0.0, 100.0),
        parse(near, "distance").value if near else curve.nearest, parse(far, "distance").value,
        parse(follow, "distance").value,
    )  # fmt: skip
    judged = engine.Motor("")
    if motor:
        judged = engine.of_card(load_motor(motor), table.card)
    if bench:
        judged = engine.together(judged, engine.of_bench(bench, axis)) if motor else engine.of_bench(bench, axis)
    if latency:
        judged = judged._replace(latency_s=engine.Figure(_seconds(latency), 0.0, "given"))
    found = engine.budget(needed, judged)
    if not (motor or bench):
        found = found._replace(verdicts=())
    if plot is not None:
        from ringlet.tools.lens.plots import plot_budget

        plot_budget(found, plot, f"{table.name}: {focal}, {stop}, circle of confusion {coc}"
                    + (f", motor {judged.name}" if judged.name else ""))  # fmt: skip
    if as_json:
        common.emit(_as_json(found, judged, optics, plot))
    else:
        _tell(found, judged, hyperfocal_m(optics), plot)
    failed = [verdict for verdict in found.verdicts if not verdict.ok]
    if failed:
        raise CheckFailed(f"the motor does not keep this lens sharp: {'; '.join(map(_figures, failed))}.")


def _figures(one: Verdict) -> str:
    return f"{one.name} {one.measured:.3g} {one.unit}, allowed {one.limit:.3g} {one.unit}"


def _seconds(text: str) -> float:
    word = text.strip().lower()
    if word.endswith("ms"):
        return common.number(word.removesuffix("ms").strip(), "--latency", "ms", 0.0, 10_000.0) / 1000.0
    return common.number(word.removesuffix("s").strip(), "--latency", "s", 0.0, 10.0)


def _as_json(found: Budget, motor: Motor, optics: Optics, plot: Path | None) -> dict[str, Any]:
    from dataclasses import asdict

    from ringlet.tools.lens.field import hyperfocal_m

    need = found.need
    return {
        "hyperfocal_from_lens_m": hyperfocal_m(optics), "motor": motor.name,
        "figures": {name: value and value._asdict() for name, value in motor._asdict().items() if name != "name"},
        "required": {name: finite(value) for name, value in found.required.items()}, "not_known": found.unknown,
        "worst_distance_m": finite(float(need.distance_m[found.worst])),
        "verdicts": [asdict(one) for one in found.verdicts],
        "table": [
            {"distance_m": finite(float(need.distance_m[n])), "near_m": finite(float(need.near_m[n])),
             "far_m": finite(float(need.far_m[n])), "span_deg": finite(float(need.span_deg[n])),
             "allowed_deg": float(need.allowed_deg[n]), "ring_speed_deg_s": float(need.ring_speed_deg_s[n]),
             "error_deg": float(found.total_deg[n])} for n in range(len(need.distance_m))
        ],
        "plot": plot and str(plot),
    }  # fmt: skip


def _tell(found: Budget, motor: Motor, hyperfocal: float, plot: Path | None) -> None:
    from ringlet.tools import show as screen
    from ringlet.tools.lens.values import show

    need = found.need
    heads = (
        "sharp from", "to", "spans\ndeg", "ring may be off\n± deg", "motor is off\n± deg", "of it\n%", "speed\ndeg/s"
    )  # fmt: skip
    grid = screen.table("focus", *heads, title=f"Depth of field on the ring; hyperfocal distance {hyperfocal:.4g} m",
                        right=heads)  # fmt: skip
    order = range(0, len(need.distance_m), max(1, len(need.distance_m) // 14))
    for n in sorted({*order, found.worst, len(need.distance_m) - 1}):
        span = need.span_deg[n]
        grid.add_row(
            *(show(float(one[n]), "distance") for one in (need.distance_m, need.near_m, need.far_m)),
            f"{span:.2f}" if math.isfinite(span) else "to inf", f"{need.allowed_deg[n]:.3f}",
            *((f"{found.total_deg[n]:.3f}", f"{100 * found.total_deg[n] / need.allowed_deg[n]:.0f}")
              if found.error_deg else ("-", "-")),
            f"{need.ring_speed_deg_s[n]:.1f}", style="bold" if n == found.worst else None,
        )  # fmt: skip
    console = common.console()
    console.print(grid)
    has = {"count": motor.count_deg, "play": motor.play_deg, "repeatability": motor.repeat_deg,
           "latency": motor.latency_s}  # fmt: skip
    parts = screen.table("what", "may be", "is", "from", right=("may be", "is"),
                         title="What each may be, if it takes no more than its share of the error")  # fmt: skip
    for name, most in found.required.items():
        unit, factor = ("ms", 1000.0) if name == "latency" else ("deg", 1.0)
        figure = has[name]
        mark = "" if figure is None else f" {screen.GOOD if figure.value <= most else screen.LIMIT}"
        extra = f" ({360.0 / most:.0f} a turn)" if name == "count" else ""
        parts.add_row(
            name, f"{factor * most:.3g} {unit}{extra}" if math.isfinite(most) else "anything",
            "not known" if figure is None else f"{factor * figure.value:.3g} {unit}{mark}",
            "" if figure is None else figure.where,
        )  # fmt: skip
    console.print(parts)
    for verdict in found.verdicts:
        console.print(
            f"{screen.GOOD if verdict.ok else screen.BAD} {_figures(verdict)}; {verdict.text}", soft_wrap=True
        )
    if found.verdicts and found.unknown:
        console.print(
            f"{screen.LIMIT} Not known, so not in the sum: {', '.join(found.unknown)}; `ringlet bench repeat` and "
            "`ringlet bench latency` measure them.", soft_wrap=True,
        )  # fmt: skip
    if plot is not None:
        console.print(f"Written: {plot}", soft_wrap=True)
