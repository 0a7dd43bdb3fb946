"""Pictures of recorded motion, with the limit drawn beside the measurement."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ringlet.tools.palette import BLACK, SKY, VERMILION

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Series = NDArray[np.float64]

_COMMANDED: Final[Any] = {"color": BLACK, "lw": 1.1, "ls": (0, (2, 1.6)), "label": "setpoint", "zorder": 3}
_MEASURED: Final[Any] = {"color": SKY, "lw": 3.0, "ls": "-", "label": "measured"}
_LIMIT: Final[Any] = {"color": VERMILION, "lw": 1.3, "ls": (0, (7, 3)), "zorder": 1.5}


class Limits(NamedTuple):
    """Limits in force during a recording, of the lens ring."""

    travel_min_deg: float
    travel_max_deg: float
    velocity_deg_s: float
    acceleration_deg_s2: float
    deceleration_deg_s2: float


class Profile(NamedTuple):
    """A recorded ramp on an even time grid; every array has one length.

    Setpoint velocity and the accelerations are derived, see `profile`.
    """

    time_s: Series
    setpoint_deg: Series
    position_deg: Series
    setpoint_velocity_deg_s: Series
    velocity_deg_s: Series
    setpoint_acceleration_deg_s2: Series
    acceleration_deg_s2: Series
    current_a: Series
    velocity_doubt_deg_s: float
    """largest error of the derived setpoint velocity that comes from counts alone"""
    acceleration_doubt_deg_s2: float
    """the same of the setpoint acceleration"""


SERIES: Final = Profile._fields[:-2]
SMOOTH_S: Final = 0.03
"""Span of the smoothing before differentiation. Positions come in thousandths of a degree, so that a plain difference
of two samples 1 ms apart would be uncertain by 1000 deg/s2."""


def profile(
    time_s: Series, setpoint_deg: Series, position_deg: Series, velocity_deg_s: Series, current_a: Series
) -> Profile:
    """Add what was not measured: derivatives by local quadratic fits over `SMOOTH_S` on an even time grid.

    A. Savitzky and M. Golay, "Smoothing and differentiation of data by simplified least squares procedures",
    Analytical Chemistry 36, 1964. Raises ValueError with fewer than 8 samples or times that do not rise.
    """
    from scipy.signal import savgol_coeffs, savgol_filter

    if len(time_s) < 8 or not np.all(np.diff(time_s) > 0):
        raise ValueError("a ramp needs at least 8 samples in rising time")
    step = float(np.median(np.diff(time_s)))
    grid = np.arange(time_s[0], time_s[-1] + 0.5 * step, step)
    span = min(max(5, 2 * round(0.5 * SMOOTH_S / step) + 1), (len(grid) - 1) // 2 * 2 - 1)

    def on(series: Series) -> Series:
        return np.interp(grid, time_s, series)

    def slope(series: Series, order: int) -> Series:
        return np.asarray(savgol_filter(series, span, 2, deriv=order, delta=step))

    # Largest error that rounding to steps of 0.001 deg can make in a derivative: every sample off by half a step.
    worst = [
        float(0.5e-3 * np.abs(savgol_coeffs(span, 2, deriv=order, delta=step)).sum()) for order in (1, 2)
    ]
    setpoint, position, velocity = on(setpoint_deg), on(position_deg), on(velocity_deg_s)
    return Profile(
        grid - grid[0], setpoint, position, slope(setpoint, 1), velocity, slope(setpoint, 2), slope(velocity, 1),
        on(current_a), worst[0], worst[1],
    )  # fmt: skip


def plot_ramp(data: Profile, limits: Limits, path: Path, title: str) -> None:
    """Position, velocity and acceleration against time, each with its limits, to `path` (PNG, SVG or PDF)."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 7.4), dpi=150, layout="constrained")
    top, middle, bottom = figure.subplots(3, 1, sharex=True)
    top.plot(data.time_s, data.position_deg, **_MEASURED)
    top.plot(data.time_s, data.setpoint_deg, **_COMMANDED)
    top.set_ylabel("position (deg)")
    middle.plot(data.time_s, data.velocity_deg_s, **_MEASURED)
    middle.plot(data.time_s, data.setpoint_velocity_deg_s, **_COMMANDED)
    middle.set_ylabel("velocity (deg/s)")
    bottom.plot(data.time_s, data.acceleration_deg_s2, **_MEASURED)
    bottom.plot(data.time_s, data.setpoint_acceleration_deg_s2, **_COMMANDED)
    bottom.set_ylabel("acceleration (deg/s²)")
    bottom.set_xlabel("time (s)")
    _limit(top, limits.travel_min_deg, "lower travel limit")
    _limit(top, limits.travel_max_deg, "upper travel limit", above=False)
    for sign in (1, -1):
        _limit(middle, sign * limits.velocity_deg_s, "velocity limit", above=sign < 0)
    # Which of the two limits holds depends on the direction: where speed grows, it is the acceleration limit.
    forward = bool(data.setpoint_deg[-1] >= data.setpoint_deg[0])
    rising, falling = limits.acceleration_deg_s2, limits.deceleration_deg_s2
    names = ("acceleration limit", "deceleration limit")
    _limit(bottom, rising if forward else falling, names[not forward], above=False)
    _limit(bottom, -(falling if forward else rising), names[forward])
    for axes in (top, middle, bottom):
        axes.set_axisbelow(True)
        axes.grid(True, color="#dddddd", lw=0.6)
        axes.set_xlim(0.0, float(data.time_s[-1]))
        axes.margins(y=0.08)
    handles, labels = top.get_legend_handles_labels()
    handles.append(top.lines[-1])
    figure.legend(handles, [*labels, "limit"], loc="outside lower center", ncols=3, fontsize=8.5, frameon=False)
    figure.suptitle(title, fontsize=10)
    figure.savefig(path)


def _limit(axes: Axes, value: float, name: str, above: bool = True) -> None:
    """A dashed line with its name on it, drawn inside the picture."""
    axes.axhline(value, **_LIMIT)
    axes.annotate(
        f"{name} {value:g}", (1.0, value), xycoords=("axes fraction", "data"), xytext=(-4, 2 if above else -2),
        textcoords="offset points", ha="right", va="bottom" if above else "top", fontsize=7.5, color=VERMILION,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.8},
    )  # fmt: skip
