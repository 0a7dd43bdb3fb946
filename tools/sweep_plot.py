"""The outcome of a sweep as a picture: lines over one varied key, a map over two, small points over more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringlet.hwsim.sweep import OUTCOMES, SweepError
from ringlet.tools.palette import BLUE, VERMILION

Table = NDArray[np.float64]

_LABELS = {
    "settle_s": "settling time (s)",
    "ramp_s": "time of the ramp (s)",
    "overshoot_deg": "overshoot of the ring (deg)",
    "peak_torque_mnm": "peak torque at the motor gear (mNm)",
    "peak_current_a": "peak current (A)",
    "following_error_deg": "largest following error (deg)",
    "rest_error_deg": "error at rest (deg)",
    "lost_motion_deg": "lost motion (deg)",
    "lowest_supply_v": "lowest supply (V)",
    "hottest_winding_c": "hottest winding (°C)",
    "longest_stall_s": "longest stall (s)",
    "energy_j": "energy (J)",
    "rms_current_a": "rms current (A)",
}
_SETTINGS_UNITS = {
    "settings.position_gain": "1/s",
    "settings.velocity_gain": "mA per deg/s",
    "settings.velocity_integral": "1/s",
    "settings.inertia_feed": "mA per 1000 deg/s²",
}
_UNITS = (
    ("_mnm_s_per_rad", "mNm s/rad"), ("_nm_per_rad", "Nm/rad"), ("_mnm_per_krpm", "mNm per 1000 rpm"),
    ("_k_per_w", "K/W"), ("_j_per_k", "J/K"), ("_deg_per_s", "deg/s"),
    ("_deg_s2", "deg/s²"), ("_deg_s3", "deg/s³"), ("_deg_s", "deg/s"), ("_mnm_per_a", "mNm/A"), ("_mnm", "mNm"),
    ("_deg", "deg"), ("_ohm", "ohm"), ("_mh", "mH"), ("_gcm2", "g cm²"), ("_mm", "mm"), ("_a", "A"), ("_v", "V"),
    ("_c", "°C"), ("_s", "s"), ("_teeth", "teeth"), ("_ratio", "turns per turn"), ("_mdeg", "mdeg"),
    ("_ma", "mA"), ("_mohm", "mohm"),
)  # fmt: skip


def label(name: str) -> str:
    """Name of a column with its unit, for an axis."""
    if name in _LABELS:
        return _LABELS[name]
    if name in _SETTINGS_UNITS:
        return f"{name.replace('_', ' ').replace('.', ': ')} ({_SETTINGS_UNITS[name]})"
    for suffix, unit in _UNITS:
        if name.endswith(suffix):
            return f"{name.removesuffix(suffix).replace('_', ' ').replace('.', ': ')} ({unit})"
    return name.replace("_", " ").replace(".", ": ")


def plot_sweep(
    columns: Mapping[str, Table], path: Path, show: Sequence[str] = ("settle_s", "peak_torque_mnm"), title: str = ""
) -> None:
    """Draw the outcomes `show` of a sweep over its first one or two varied keys to `path`; raises SweepError."""
    from matplotlib.figure import Figure

    keys = [name for name in columns if "." in name]
    for name in show:
        if name not in columns:
            raise SweepError(f"'{name}' is not a column of this sweep; choose from {', '.join(columns)}.")
    if not keys or not show:
        raise SweepError("There is nothing to draw; vary at least one key and name at least one outcome.")
    figure = Figure(figsize=(4.9 * len(show) + 0.4, 4.4), dpi=150, layout="constrained")
    for place, name in enumerate(show):
        axes = figure.add_subplot(1, len(show), place + 1)
        x = columns[keys[0]]
        z = columns[name]
        if len(keys) == 1:
            order = np.argsort(x)
            axes.plot(x[order], z[order], "-o", color=BLUE, ms=3.5, lw=1.2)
            axes.set_ylabel(label(name))
            axes.grid(True, color="#dddddd", lw=0.6)
        else:
            if np.isfinite(z).any():
                _map(figure, axes, x, columns[keys[1]], z, label(name))
            axes.set_ylabel(label(keys[1]))
            axes.set_title(label(name), fontsize=10)
        axes.set_xlabel(label(keys[0]))
        unfinished = ~np.isfinite(z)
        if unfinished.any():
            # Over one key there is no place for them but the lower edge.
            where: dict[str, Any] = {} if len(keys) > 1 else {"transform": axes.get_xaxis_transform(), "clip_on": False}
            y = columns[keys[1]][unfinished] if len(keys) > 1 else np.zeros(unfinished.sum())
            axes.plot(x[unfinished], y, "x", color=VERMILION, ms=5, label="never settled", **where)
            axes.legend(fontsize=8, loc="upper right")
    if title:
        figure.suptitle(title, fontsize=10)
    figure.savefig(path)


def _map(figure: Any, axes: Any, x: Table, y: Table, z: Table, name: str) -> None:
    """Colour over two keys: cells with level lines for a full grid, points otherwise. The colour scale grows evenly in
    lightness (cividis: Nunez, Anderton, Renslow 2018), so that it reads in print and for colour-blind eyes."""
    xs, ys = np.unique(x), np.unique(y)
    # Further keys may have been varied: a full grid of the first two shows their mean.
    if len(xs) * len(ys) <= len(x) and len(xs) > 1 and len(ys) > 1:
        sums = np.zeros((len(ys), len(xs)))
        counts = np.zeros_like(sums)
        good = np.isfinite(z)
        at = (np.searchsorted(ys, y[good]), np.searchsorted(xs, x[good]))
        np.add.at(sums, at, z[good])
        np.add.at(counts, at, 1.0)
        mean = np.divide(sums, counts, out=np.full_like(sums, np.nan), where=counts > 0)
        if len(xs) * len(ys) < len(x):
            name += "\nmean over the other keys"
        picture = axes.pcolormesh(xs, ys, mean, cmap="cividis", shading="nearest")
        low, high = np.nanmin(mean), np.nanmax(mean)
        if min(mean.shape) > 2 and high - low > 0.01 * max(abs(low), abs(high)):  # else all lines have one label
            lines = axes.contour(xs, ys, mean, 4, colors="white", linewidths=0.9)
            axes.clabel(lines, fontsize=7, fmt="%.3g")
    else:
        axes.set_axisbelow(True)
        axes.grid(True, color="#dddddd", lw=0.6)
        picture = axes.scatter(x, y, c=z, cmap="cividis", s=16, edgecolors="#333333", linewidths=0.2)
    figure.colorbar(picture, ax=axes, label=name)


def outcome_names() -> list[str]:
    """Outcome columns that can be drawn."""
    return [*OUTCOMES, "rms_current_a"]
