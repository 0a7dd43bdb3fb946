"""Pictures of rings that were driven: what was seen, where each ring went, who drove it, and within which bounds."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from ringlet.tools.palette import BLACK, BLUE, GREEN, GREY, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    from ringlet.tools.rig.session import Moment, Seat, Session

Array = NDArray[np.float64]
SHADES: Final = {
    "auto": (SKY, ""), "auto-held": (ORANGE, "//"), "away": (GREY, ".."), "blending": (PURPLE, "\\\\"),
    "coupled": (GREEN, ""), "lost": (VERMILION, "xx"), "not ours": (BLACK, "++"),
}  # fmt: skip
"""Colour and hatch of each phase; its name stands on it too."""
NARROW: Final = 0.02
"""A phase that takes less of the picture than this carries no name."""
FARTHEST_DRAWN_M: Final = 400.0
"""A ring on its way from infinity would make everything else small; readings reach some 300 m."""
WHOLE_S: Final = 1.0
"""A run whose first step that is kept lies later than this is drawn from there on."""
LEAST_DEG: Final = 1.0
"""The scale of a ring is no finer than this."""
BREAK_S: Final = 0.25
"""Steps further apart than this were not ours between them."""


@dataclass
class Ring:
    """One ring that was driven, and what its readings and control said. Times in s of the run."""

    name: str
    time_s: Array
    phase: list[str]
    setpoint_deg: Array
    velocity_deg_s: Array
    control_deg: Array
    bound_deg_s: float
    measured_s: Array
    measured_deg: Array


@dataclass
class Drawn:
    """What a picture shows."""

    rings: list[Ring]
    reading_s: Array = field(default_factory=lambda: np.empty(0))
    reading_m: Array = field(default_factory=lambda: np.empty(0))
    reading_used: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=bool))
    subject: tuple[Array, Array] | None = None
    """(s, m): where an invented subject truly is"""
    lenses: dict[str, tuple[Array, Array]] = field(default_factory=dict)
    """lens -> (s, m): what it is focused at"""
    differences: dict[str, tuple[Array, Array]] = field(default_factory=dict)
    """what they are, with their unit -> (s, value)"""
    lag_s: float | None = None


def ring_of(name: str, moments: Sequence[Moment], bound_deg_s: float, measured: Sequence[tuple[float, float]]) -> Ring:
    """A ring as a session has seen it; where it was not driven there is a gap."""
    rows: list[tuple[float, str, float, float, float]] = []
    for one in moments:
        if rows and one.time_s - rows[-1][0] > BREAK_S:
            rows += [(at, "not ours", np.nan, np.nan, np.nan) for at in (rows[-1][0] + 1e-3, one.time_s - 1e-3)]
        told = one.told
        rows.append((one.time_s, str(told.phase), told.setpoint_deg, told.velocity_deg_s, one.control_deg))
    times, phases, setpoint, velocity, control = zip(*rows, strict=True) if rows else ((), (), (), (), ())
    where = np.array(measured, dtype=np.float64).reshape(-1, 2)
    return Ring(
        name, np.array(times), list(phases), np.array(setpoint), np.array(velocity), np.array(control), bound_deg_s,
        where[:, 0], where[:, 1],
    )  # fmt: skip


def of_session(session: Session) -> Drawn:
    """A session that has ended."""
    drawn = Drawn([], lag_s=session.lag_s())
    for seat in session.seats:
        if seat.hand.bounds is None or not seat.moments:
            continue
        measured = seat.rings.get(seat.key, ())
        drawn.rings.append(ring_of(f"{seat.role} {seat.key}".strip(), seat.moments, seat.hand.bounds.velocity_deg_s,
                                   list(measured)))  # fmt: skip
        if seat.ranged:
            _lenses(drawn, seat)
    drawn.reading_s = np.array([one.time_s for one in session.readings])
    drawn.reading_m = np.array([one.metres for one in session.readings])
    drawn.reading_used = np.array([one.used for one in session.readings], dtype=bool)
    return drawn


def _lenses(drawn: Drawn, seat: Seat) -> None:
    """What the lens of a focus ring, and its partner's, were focused at."""
    curves = [seat.curve, *([seat.hand.pairing.second] if seat.hand.pairing is not None else [])]
    scales = []
    for (node, axis), curve in zip(seat.hand.places, curves, strict=True):
        where = np.array(seat.rings.get(f"{node}.{axis}", ()), dtype=np.float64).reshape(-1, 2)
        if curve is not None and len(where):
            drawn.lenses[f"lens on {node}.{axis}"] = (where[:, 0], curve.values_at(where[:, 1]))
            scales.append((where[:, 0], curve.scale_at(where[:, 1])))
    if len(scales) == 2:
        (times, first), (others, second) = scales
        kept = np.isfinite(second)
        if kept.any():
            off = 1000 * (first - np.interp(times, others[kept], second[kept]))
            drawn.differences["one lens less the other (0.001/m)"] = (times, off)


def draw(drawn: Drawn, path: Path, title: str) -> None:
    """Plots on one time axis, to `path` (PNG, SVG or PDF): distance, each ring and its velocity, differences."""
    from matplotlib.figure import Figure

    far = bool(len(drawn.reading_s) or drawn.lenses)
    ratios = [*([3.0] if far else []), *([3.0, 1.8] * len(drawn.rings)), *([2.0] if drawn.differences else [])]
    figure = Figure(figsize=(8.6, 1.0 + 1.02 * sum(ratios)), dpi=130, layout="constrained")
    panels = list(np.atleast_1d(figure.subplots(len(ratios), 1, sharex=True, height_ratios=ratios)))
    axes = iter(panels)
    if far:
        _distance(next(axes), drawn)
    for ring in drawn.rings:
        where = next(axes)
        _ring(where, ring)
        _phases(where, ring, named=True)
        where = next(axes)
        _velocity(where, ring)
        _phases(where, ring, named=False)
    if drawn.differences:
        _differences(next(axes), drawn)
    begin = min((float(one.time_s[0]) for one in drawn.rings if len(one.time_s)), default=0.0)
    end = max((float(one.time_s[-1]) for one in drawn.rings if len(one.time_s)), default=1.0)
    for one in panels:
        one.grid(True, color="#dddddd", lw=0.6)
        one.set_axisbelow(True)
        one.set_xlim(begin if begin > WHOLE_S else 0.0, end)
        one.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4, fontsize=7.5, frameon=False)
    panels[-1].set_xlabel("time of the run (s)")
    figure.suptitle(title, fontsize=10)
    figure.savefig(path)


def _distance(axes: Any, drawn: Drawn) -> None:
    from matplotlib.ticker import FuncFormatter

    used, there = drawn.reading_used, np.isfinite(drawn.reading_m)
    if len(drawn.reading_s):
        axes.plot(drawn.reading_s[used], drawn.reading_m[used], ls="", marker=".", ms=3, color=GREY,
                  label="reading, used")  # fmt: skip
        out = ~used & there
        axes.plot(drawn.reading_s[out], drawn.reading_m[out], ls="", marker="x", ms=4, color=VERMILION,
                  label="reading, not used")  # fmt: skip
    if drawn.subject is not None:
        axes.plot(*drawn.subject, color=BLACK, lw=1.0, ls="--", label="subject (true)")
    for (name, course), (colour, style) in zip(drawn.lenses.items(), ((BLUE, "-"), (ORANGE, ":")), strict=False):
        axes.plot(*course, color=colour, lw=1.6, ls=style, label=name)
    axes.set_yscale("log")
    shown = np.concatenate([drawn.reading_m[np.isfinite(drawn.reading_m)], *(d for _, d in drawn.lenses.values())])
    shown = shown[np.isfinite(shown) & (shown < FARTHEST_DRAWN_M)]
    if len(shown):
        axes.set_ylim(0.7 * float(shown.min()), 1.4 * float(shown.max()))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.yaxis.set_minor_formatter(FuncFormatter(lambda value, _: f"{value:g}" if f"{value:e}"[0] in "25" else ""))
    axes.tick_params(axis="y", which="minor", labelsize=7)
    axes.set_ylabel("distance (m)")
    if drawn.lag_s is not None:
        late = f"{1000 * abs(drawn.lag_s):.0f} ms {'behind' if drawn.lag_s >= 0 else 'ahead of'}"
        axes.annotate(f"ring {late} the moment of the readings", (0.01, 0.04), xycoords="axes fraction", fontsize=8)


def _ring(axes: Any, ring: Ring) -> None:
    axes.plot(ring.measured_s, ring.measured_deg, color=BLUE, lw=2.4, alpha=0.5, label="ring, measured")
    axes.plot(ring.time_s, ring.setpoint_deg, color=BLACK, lw=1.0, ls=":", label="setpoint")
    axes.plot(ring.time_s, ring.control_deg, color=VERMILION, lw=1.2, ls="--", label="control, on the ring")
    axes.set_ylabel(f"{ring.name} (deg)")
    axes.ticklabel_format(axis="y", useOffset=False)
    low, high = axes.get_ylim()
    if high - low < LEAST_DEG:  # a ring at rest is a straight line, not the noise of its encoder
        axes.set_ylim(0.5 * (low + high - LEAST_DEG), 0.5 * (low + high + LEAST_DEG))


def _velocity(axes: Any, ring: Ring) -> None:
    axes.plot(ring.time_s, ring.velocity_deg_s, color=BLACK, lw=1.0, label="setpoint velocity")
    for sign in (1, -1):
        axes.axhline(sign * ring.bound_deg_s, color=VERMILION, lw=1.0, ls="--", label="bound" if sign > 0 else None)
    axes.set_ylabel("deg/s")


def _differences(axes: Any, drawn: Drawn) -> None:
    for (name, course), (colour, style) in zip(drawn.differences.items(), ((GREEN, "-"), (PURPLE, "--")), strict=False):
        axes.plot(*course, color=colour, lw=1.0, ls=style, label=name)
    axes.set_ylabel("difference")


def _phases(axes: Any, ring: Ring, named: bool) -> None:
    """Shade the phases, and write their names where there is room."""
    if not ring.phase:
        return
    edges = [0, *(n for n in range(1, len(ring.phase)) if ring.phase[n] != ring.phase[n - 1]), len(ring.phase) - 1]
    whole = float(ring.time_s[-1] - ring.time_s[0]) or 1.0
    for begin, end in itertools.pairwise(edges):
        colour, hatch = SHADES[ring.phase[begin]]
        left, right = float(ring.time_s[begin]), float(ring.time_s[end])
        axes.axvspan(left, right, facecolor=colour, alpha=0.13, hatch=hatch, edgecolor=colour, lw=0.0)
        if named and (right - left) / whole > NARROW:
            axes.annotate(ring.phase[begin], ((left + right) / 2, 0.03), xycoords=("data", "axes fraction"),
                          rotation=90, ha="center", va="bottom", fontsize=7.5)  # fmt: skip
