"""Pictures of lens work: marks and their curve, matched pairs, parallax, the precision budget."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ringlet.tools.lens.budget import Budget
from ringlet.tools.lens.clearance import Box, Clearance, Place
from ringlet.tools.lens.curve import SCALE_UNITS, Array, MarkCurve
from ringlet.tools.lens.field import Optics
from ringlet.tools.lens.pair import Columns, Pair, in_circles
from ringlet.tools.lens.twocamera import Limits, TwoCameras, share
from ringlet.tools.lens.values import show
from ringlet.tools.palette import BLACK, BLUE, GREEN, GREY, SKY, VERMILION

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LIMIT: Final[Any] = {"color": VERMILION, "lw": 1.3, "ls": (0, (7, 3)), "zorder": 1.5}
_DISTANCES: Final = (0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0, math.inf)
_WORDS: Final = {"distance": "distance", "stop": "T-stop", "focal": "focal length"}


def _place(values: Array, unit: str) -> Array:
    """Where a value stands on the axis: distances by their reciprocal, so that infinity has a place."""
    if unit != "distance":
        return values
    return np.where(np.isinf(values), 0.0, 1.0 / values)


def _value_axis(axes: Axes, low: float, high: float, unit: str) -> None:
    """An axis of distances in m from near to infinity, of T-stops, or of focal lengths in mm."""
    if unit == "distance":
        ends = _place(np.array([low, high]), unit)
        span = ends[0] - ends[1]
        ticks: list[float] = []
        for one in reversed(_DISTANCES):
            at = 0.0 if math.isinf(one) else 1.0 / one
            inside = ends[1] - 1e-9 <= at <= ends[0] + 1e-9
            if inside and (not ticks or at - (0.0 if math.isinf(ticks[-1]) else 1.0 / ticks[-1]) > 0.045 * span):
                ticks.append(one)
        names = ["∞" if math.isinf(one) else f"{one:g}" for one in ticks]
        axes.set_xticks(_place(np.array(ticks), unit).tolist(), names)
        axes.set_xlim(ends[0] + 0.02 * span, ends[1] - 0.02 * span)
        axes.set_xlabel("distance (m), drawn by its reciprocal")
        return
    axes.set_xscale("log", base=2 if unit == "stop" else 10)
    axes.set_xlim(low / 1.03, high * 1.03)
    axes.set_xlabel("T-stop" if unit == "stop" else "focal length (mm)")


def _stops_or_mm(axes: Axes, values: Array, unit: str) -> None:
    if unit == "distance":
        return
    shown = values[np.isfinite(values)]
    axes.set_xticks(shown.tolist(), [show(one, unit).removesuffix(" mm") for one in shown])
    axes.minorticks_off()


def _grid(axes: Axes) -> None:
    axes.grid(True, color="#dddddd", lw=0.6)
    axes.set_axisbelow(True)


def plot_marks(curve: MarkCurve, path: Path, title: str, doubt_deg: float) -> None:
    """Curve with its marks, and beneath it each mark against the curve through the others."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 6.6), dpi=150, layout="constrained")
    top, bottom = figure.subplots(2, 1, height_ratios=[2, 1])
    ring = np.linspace(curve.low_deg, curve.high_deg, 500)
    values = curve.values_at(ring)
    top.plot(_place(values, curve.unit), ring, color=BLUE, lw=2.0, label="curve through the marks (PCHIP)")
    top.plot(_place(curve.values, curve.unit), curve.ring_deg, "D", color=BLACK, ms=5, label="marks")
    top.set_ylabel("ring (deg)")
    if curve.past_deg is not None:
        infinite = curve.low_deg if curve.rising else curve.high_deg
        top.axhspan(infinite, curve.past_deg, facecolor="none", edgecolor=GREY, hatch="///", lw=0.6,
                    label=f"past infinity, to {curve.past_deg:g} deg: no distance")  # fmt: skip
    top.legend(loc="best", fontsize=8.5)
    left = curve.leave_one_out()
    at = _place(np.array([one.value for one in left]), curve.unit)
    label = f"doubt of a reading, ±{doubt_deg:.2g} deg (k = 2)"
    bottom.axhspan(-doubt_deg, doubt_deg, color=SKY, alpha=0.3, lw=0, label=label)
    bottom.plot(at, [one.error_deg for one in left], "s", color=VERMILION, ms=5, label="mark left out: curve less mark")
    bottom.axhline(0.0, color=GREY, lw=0.8)
    bottom.set_ylabel("error (deg)")
    bottom.set_ylim(*(1.25 * max(doubt_deg, *(abs(one.error_deg) for one in left)) * np.array([-1.0, 1.0])))
    bottom.legend(loc="upper center", bbox_to_anchor=(0.5, -0.28), ncols=2, fontsize=8, frameon=False)
    for axes in (top, bottom):
        _value_axis(axes, curve.nearest, curve.farthest, curve.unit)
        _stops_or_mm(axes, curve.values, curve.unit)
        _grid(axes)
    top.set_xlabel("")
    figure.suptitle(title, fontsize=10)
    figure.savefig(path)


def plot_pair(pair: Pair, columns: Columns, path: Path, lens: Optics | None) -> None:
    """Offset between the rings, and what stays of the difference, in circles of confusion for focus pairs."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 7.0), dpi=150, layout="constrained")
    top, bottom = figure.subplots(2, 1, sharex=True)
    at = _place(columns.value, pair.unit)
    top.plot(at, columns.offset_deg, color=BLUE, lw=2.0)
    for name, curve, mark in zip(pair.names, pair.curves, ("D", "o"), strict=True):
        other = pair.curves[1] if curve is pair.curves[0] else pair.curves[0]
        sign = 1.0 if curve is pair.curves[0] else -1.0
        inside = np.array([other.nearest <= value <= other.farthest for value in curve.values])
        offset = sign * (other.rings_at(curve.values[inside]) - curve.ring_deg[inside])
        top.plot(
            _place(curve.values[inside], pair.unit), offset, mark, color=BLACK, ms=4 if mark == "D" else 7,
            mfc="none" if mark == "o" else BLACK, label=f"marks of {name}",
        )  # fmt: skip
    top.axhline(0.0, color=GREY, lw=0.8)
    top.set_ylabel("right ring less left ring (deg)")
    top.legend(loc="best", fontsize=8.5)
    if lens is not None:
        residual, doubt, same = in_circles(columns, pair, lens)
        unit = "circles of confusion"
    else:
        residual, doubt, same = np.abs(columns.residual_scale), columns.doubt_scale, np.abs(columns.same_ring_scale)
        unit = "ln of the ratio" if pair.unit == "focal" else SCALE_UNITS[pair.unit]
    floor = 1e-6
    for line, color, style, width, label in (
        (same, VERMILION, "-.", 1.8, "both rings at one angle, without tables"),
        (doubt, GREEN, "--", 1.8, "doubt about marks, counts and play (k = 2)"),
        (residual, BLUE, "-", 1.2, "residual with the motors' tables"),
    ):
        bottom.plot(at, np.maximum(line, floor), color=color, lw=width, ls=style, label=label)
    if lens is not None:
        bottom.axhline(1.0, **_LIMIT)
        bottom.annotate(
            "limit: 1 circle of confusion", (0.0, 1.0), xycoords=("axes fraction", "data"), xytext=(4, 3),
            textcoords="offset points", fontsize=7.5, color=VERMILION, va="bottom",
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.8},
        )  # fmt: skip
    bottom.set_yscale("log")
    bottom.set_ylim(bottom=max(floor * 10, 1e-4), top=max(3.0 if lens is not None else 0.0, 3.0 * float(same.max())))
    bottom.set_ylabel(f"difference, {unit}")
    bottom.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=2, fontsize=8, frameon=False)
    low, high = float(columns.value.min()), float(columns.value.max())
    _value_axis(bottom, low, high, pair.unit)
    _stops_or_mm(bottom, pair.curves[0].values, pair.unit)
    for axes in (top, bottom):
        _grid(axes)
    names = f"{pair.names[0]} (left) and {pair.names[1]} (right)"
    figure.suptitle(f"Matched pair: {names}, {_WORDS[pair.unit]}", fontsize=10)
    figure.savefig(path)


def plot_geometry(rig: TwoCameras, found: Limits, bounds: tuple[float, float], path: Path, title: str) -> None:
    """Parallax as a share of the picture's width over distance, with its bounds and the limits that follow."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 4.6), dpi=150, layout="constrained")
    axes = figure.add_subplot()
    nearest = max(0.05, 0.5 * found.near_m)
    distance = 1.0 / np.linspace(1.0 / nearest, 1e-9, 600)
    axes.plot(1.0 / distance, [100 * share(rig, float(one)) for one in distance], color=BLUE, lw=2.0, label="parallax")
    for bound, name in ((-bounds[0], "in front of the screen"), (bounds[1], "behind the screen")):
        axes.axhline(100 * bound, **_LIMIT)
        axes.annotate(
            f"limit {name} {100 * bound:+g} %", (0.01, 100 * bound), xycoords=("axes fraction", "data"), xytext=(0, 3),
            textcoords="offset points", fontsize=8, color=VERMILION, va="bottom",
        )  # fmt: skip
    for limit, name, mark in ((found.near_m, "near limit", "v"), (found.far_m, "far limit", "^")):
        if limit == 0:  # both cameras are one: there is no parallax, and no near limit
            continue
        at = 0.0 if math.isinf(limit) else 1.0 / limit
        axes.plot([at], [100 * share(rig, limit)], mark, color=GREEN, ms=9, label=f"{name} {show(limit, 'distance')}")
    axes.axhline(0.0, color=GREY, lw=0.8)
    axes.axvline(0.0 if math.isinf(rig.convergence_m) else 1.0 / rig.convergence_m, color=GREY, lw=1.0, ls=":",
                 label=f"convergence {show(rig.convergence_m, 'distance')}")  # fmt: skip
    _value_axis(axes, nearest, math.inf, "distance")
    axes.set_ylabel("parallax, % of the picture's width")
    axes.legend(loc="lower right", fontsize=8.5)
    _grid(axes)
    axes.set_title(title, fontsize=10)
    figure.savefig(path)


def plot_limits(table: Clearance, box: Box, at: Place | None, path: Path, title: str) -> None:
    """What a clearance table allows, and the box in it that travel limits keep to."""
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    figure = Figure(figsize=(7.2, 4.6), dpi=150, layout="constrained")
    axes = figure.add_subplot()
    for number, one in enumerate(table.allowed):
        axes.add_patch(Rectangle(
            (one.interaxial_from_mm, one.toe_in_from_deg), one.interaxial_to_mm - one.interaxial_from_mm,
            one.toe_in_to_deg - one.toe_in_from_deg, facecolor=SKY, alpha=0.35, edgecolor=GREY, lw=0.8,
            label="allowed by the table" if number == 0 else None,
        ))  # fmt: skip
    axes.add_patch(Rectangle(
        (box.interaxial_from_mm, box.toe_in_from_deg), box.interaxial_to_mm - box.interaxial_from_mm,
        box.toe_in_to_deg - box.toe_in_from_deg, facecolor="none", edgecolor=VERMILION, lw=2.0, ls=(0, (7, 3)),
        hatch="..", label="travel limits: every mix is allowed",
    ))  # fmt: skip
    if at is not None:
        axes.plot([at.interaxial_mm], [at.toe_in_deg], "D", color=BLACK, ms=7, label="the rig stands here")
    for low, high, set_ends in (
        (min(one.interaxial_from_mm for one in table.allowed), max(one.interaxial_to_mm for one in table.allowed),
         axes.set_xlim),
        (min(one.toe_in_from_deg for one in table.allowed), max(one.toe_in_to_deg for one in table.allowed),
         axes.set_ylim),
    ):  # fmt: skip
        room = 0.06 * (high - low)
        set_ends(low - room, high + room)
    axes.set_xlabel("interaxial distance (mm)")
    axes.set_ylabel("toe-in of each camera (deg)")
    figure.legend(loc="outside lower center", ncols=3, fontsize=8.5, frameon=False)
    _grid(axes)
    axes.set_title(title, fontsize=10)
    figure.savefig(path)


_STYLES: Final = {"count": (GREY, ":", "x"), "play": (GREEN, "--", "s"), "repeatability": (SKY, "-.", "^"),
                  "latency": (BLUE, (0, (4, 1.5)), "o")}  # fmt: skip


def plot_budget(found: Budget, path: Path, title: str) -> None:
    """Depth of field over distance, and the errors of the motor against what the ring may be off."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 7.4), dpi=150, layout="constrained")
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=[1, 1.4])
    need = found.need
    at = _place(need.distance_m, "distance")
    finite = np.isfinite(need.distance_m)
    before = (need.distance_m - need.near_m)[finite]
    behind = need.far_m[finite] - need.distance_m[finite]
    top.plot(at[finite], 100 * before, color=BLUE, lw=1.8, label="sharp in front of the focus")
    shown = np.isfinite(behind)
    top.plot(at[finite][shown], 100 * behind[shown], color=VERMILION, lw=1.8, ls="--", label="sharp behind it")
    top.set_yscale("log")
    top.set_ylabel("depth of field (cm)")
    top.legend(loc="upper left", fontsize=8.5)
    bottom.plot(at, need.allowed_deg, color=BLACK, lw=2.2, label="allowed: smaller half of the depth of field")
    for name, error in found.error_deg.items():
        color, line, mark = _STYLES[name]
        bottom.plot(
            at, np.maximum(error, 1e-6), color=color, lw=1.4, ls=line, marker=mark, markevery=16, ms=4, label=name
        )
    if found.error_deg:
        bottom.plot(at, found.total_deg, color=VERMILION, lw=2.0, ls=(0, (7, 2)), label="all errors together")
        worst = found.worst
        bottom.plot([at[worst]], [found.total_deg[worst]], "D", color=VERMILION, ms=7, zorder=5, label="worst place")
    bottom.set_yscale("log")
    steady = [error for name, error in found.error_deg.items() if name != "latency" and np.all(error > 0)]
    floor = min(float(line.min()) for line in [need.allowed_deg, *steady])
    bottom.set_ylim(bottom=0.5 * floor)
    bottom.set_ylabel("error of the ring to either side (deg)")
    bottom.legend(loc="upper center", bbox_to_anchor=(0.5, -0.13), ncols=2, fontsize=8, frameon=False)
    _value_axis(bottom, float(need.distance_m.min()), float(need.distance_m.max()), "distance")
    for axes in (top, bottom):
        _grid(axes)
    figure.suptitle(title, fontsize=10)
    figure.savefig(path)
