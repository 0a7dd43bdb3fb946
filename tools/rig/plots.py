"""The page of `ringlet demo rig`: what was seen, where focus went, how it was handed back, and what the take gave."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ringlet.tools.palette import BLACK, BLUE, GREEN, GREY, ORANGE, PURPLE, SKY, VERMILION

Array = NDArray[np.float64]
SHADES: Final = {
    "auto": (SKY, ""), "auto-held": (ORANGE, "//"), "away": (GREY, ".."), "blending": (PURPLE, "\\\\"),
    "coupled": (GREEN, ""), "lost": (VERMILION, "xx"),
}  # fmt: skip
"""Colour and hatch of each phase; its name stands on it too."""


class Drawn(NamedTuple):
    """What the page draws. Times in s from the start of the take."""

    time_s: Array
    phase: list[str]
    setpoint_deg: Array
    velocity_deg_s: Array
    control_deg: Array
    subject_m: Array
    reading_s: Array
    reading_m: Array
    take_s: Array
    ring_deg: Array
    left_m: Array
    right_m: Array
    replay_s: Array
    replay_off_deg: Array
    velocity_bound_deg_s: float


def draw(data: Drawn, path: Path, title: str) -> None:
    """Four plots on one time axis, to `path` (PNG, SVG or PDF)."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter

    figure = Figure(figsize=(8.6, 11.2), dpi=130, layout="constrained")
    top, rings, speed, off = figure.subplots(4, 1, sharex=True, height_ratios=(3, 3, 2, 2))
    top.plot(data.reading_s, data.reading_m, ls="", marker=".", ms=3, color=GREY, label="range reading")
    top.plot(data.time_s, data.subject_m, color=BLACK, lw=1.0, ls="--", label="subject (true)")
    top.plot(data.take_s, data.left_m, color=BLUE, lw=1.8, label="left lens")
    top.plot(data.take_s, data.right_m, color=ORANGE, lw=1.2, ls=":", label="right lens")
    top.set_yscale("log")
    top.set_ylim(0.4, 30.0)
    top.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    top.set_ylabel("distance (m)")
    rings.plot(data.take_s, data.ring_deg, color=BLUE, lw=2.4, alpha=0.5, label="left ring, measured")
    rings.plot(data.time_s, data.setpoint_deg, color=BLACK, lw=1.0, ls=":", label="setpoint")
    rings.plot(data.time_s, data.control_deg, color=VERMILION, lw=1.2, ls="--", label="control, on the ring")
    rings.set_ylabel("ring (deg)")
    speed.plot(data.time_s, data.velocity_deg_s, color=BLACK, lw=1.0, label="setpoint velocity")
    for sign in (1, -1):
        speed.axhline(sign * data.velocity_bound_deg_s, color=VERMILION, lw=1.0, ls="--",
                      label="bound" if sign > 0 else None)  # fmt: skip
    speed.set_ylabel("velocity (deg/s)")
    both = np.isfinite(data.left_m) & np.isfinite(data.right_m)
    off.plot(data.take_s[both], 1000 * (1 / data.left_m[both] - 1 / data.right_m[both]), color=GREEN, lw=1.0,
             label="left less right lens (0.001/m)")  # fmt: skip
    off.plot(data.replay_s, 100 * data.replay_off_deg, color=PURPLE, lw=1.0, ls="--",
             label="replay less take, left ring (0.01 deg)")  # fmt: skip
    off.set_ylabel("difference")
    off.set_xlabel("time in the take (s)")
    for axes in (top, rings, speed, off):
        _phases(axes, data, named=axes is rings)
        axes.grid(True, color="#dddddd", lw=0.6)
        axes.set_axisbelow(True)
        axes.set_xlim(0.0, float(data.time_s[-1]))
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, 1.13), ncols=4, fontsize=7.5, frameon=False)
    figure.suptitle(title, fontsize=10)
    figure.savefig(path)


def _phases(axes: Any, data: Drawn, named: bool) -> None:
    """Shade the phases, and write their names where there is room."""
    edges = [0, *(n for n in range(1, len(data.phase)) if data.phase[n] != data.phase[n - 1]), len(data.phase) - 1]
    for begin, end in itertools.pairwise(edges):
        colour, hatch = SHADES[data.phase[begin]]
        left, right = float(data.time_s[begin]), float(data.time_s[end])
        axes.axvspan(left, right, facecolor=colour, alpha=0.13, hatch=hatch, edgecolor=colour, lw=0.0)
        if named:
            axes.annotate(data.phase[begin], ((left + right) / 2, 0.03), xycoords=("data", "axes fraction"),
                          rotation=90, ha="center", va="bottom", fontsize=7.5)  # fmt: skip
