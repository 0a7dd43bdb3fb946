"""What a deviation of the ring means at each lens mark: in distance, stops or focal length.

The marks come from the node (its table in use) or from the lens's own card; between them counts the curve of
`ringlet.tools.lens.curve`, and nothing else interpolates. The width at a mark is what lies between half the deviation
before it and half behind it; at the first and last mark only the half inside the scale counts.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from ringlet.tools.bench.result import Columns, Curve, Plot, Quantity
from ringlet.tools.bench.session import Bench
from ringlet.tools.lens import transfer
from ringlet.tools.lens.curve import SCALE_UNITS, UNITS, MarkCurve, MarkProblem
from ringlet.tools.lens.values import FOOT, show

SHOWN: Final = 12
"""Most marks with figures of their own; the table has all of them (a motor's table is closer set than a lens's)."""
SOURCE: Final = "curve through the marks, see tools/lens/curve.py"


class AtMark(NamedTuple):
    """One deviation at one mark."""

    ring_deg: float
    value: float
    """m, T or mm; inf for infinity"""
    width: float
    """in the same unit; inf where one side reaches infinity"""
    near: float
    """the nearest value that the deviation reaches, in the same unit"""
    scale: float
    """the width on the scale of interpolation (1/m, stops, ln mm); finite at infinity too"""


def read_marks(bench: Bench) -> tuple[MarkCurve | None, str]:
    """(curve, where it is from) from the table that the axis has in use; (None, why there is none) otherwise."""
    table = transfer.read(bench.handle)
    if table is None:
        return None, "The axis holds no lens marks, so the figures are in degrees only; name a card, or upload marks."
    try:
        return MarkCurve.from_marks(table.points, table.unit), f"the {len(table.marks)} marks on the axis"
    except MarkProblem as error:
        return None, f"The marks on the axis make no curve, so the figures are in degrees only: {error}"


def at_marks(curve: MarkCurve, deviation_deg: float) -> list[AtMark]:
    """What a deviation of the ring (deg, its whole width) makes at each mark."""
    found = []
    for ring, value in zip(curve.ring_deg.tolist(), curve.values.tolist(), strict=True):
        span = curve.reading(ring, 0.5 * abs(deviation_deg))
        inside = np.clip(ring + 0.5 * abs(deviation_deg) * np.array([-1.0, 1.0]), curve.low_deg, curve.high_deg)
        scale = float(np.ptp(curve.scale_at(inside)))
        width = span.high - span.low if math.isfinite(span.high) else math.inf
        found.append(AtMark(ring, value, 0.0 if deviation_deg == 0.0 else width, span.low, scale))
    return found


def figures(
    curve: MarkCurve, where: str, named: dict[str, tuple[float, float]]
) -> tuple[list[Quantity], Columns, Plot]:
    """Quantities, a table, and a plot for deviations by name, each (deg, its uncertainty in deg)."""
    quantities: list[Quantity] = []
    table: Columns = {
        "mark_deg": curve.ring_deg, f"mark_{UNITS[curve.unit]}": curve.values,
        f"slope_{_word(SCALE_UNITS[curve.unit])}_per_deg": np.array([curve.rate_at(x) for x in curve.ring_deg]),
    }  # fmt: skip
    curves = []
    for name, (deviation, uncertain) in named.items():
        here, more = at_marks(curve, deviation), at_marks(curve, deviation + uncertain)
        quantities += [_quantity(curve, name, here[n], more[n], where) for n in _chosen(len(here))]
        short = _word(name.rsplit(" ", 1)[0])
        table[f"{short}_{UNITS[curve.unit]}"] = np.array([one.width for one in here])
        table[f"{short}_{_word(SCALE_UNITS[curve.unit])}"] = np.array([one.scale for one in here])
        seen = np.array([(one.value, 100.0 * one.width / one.value) for one in here if math.isfinite(one.width)])
        value, share = seen.reshape(-1, 2).T
        curves.append(Curve(name, value, share, True))
    plot = Plot(
        "What it makes at each mark", f"{_WHAT[curve.unit]}, {UNITS[curve.unit]}",
        f"share of the {_WHAT[curve.unit]}, %", tuple(curves), (), True,
    )  # fmt: skip
    return quantities, table, plot


def _chosen(count: int) -> list[int]:
    """Indices of the marks to show, both ends among them."""
    return sorted({round(x) for x in np.linspace(0, count - 1, min(count, SHOWN))})


_WHAT: Final = {"distance": "distance", "stop": "T-stop", "focal": "focal length"}


def _word(text: str) -> str:
    return text.lower().replace("1/m", "per_m").replace(" ", "_")


def _quantity(curve: MarkCurve, name: str, one: AtMark, two: AtMark, where: str) -> Quantity:
    at = show(one.value, curve.unit)
    method = f"ring at {one.ring_deg:.2f} deg; {where}"
    if curve.unit == "distance":
        if not math.isfinite(one.width):
            # A width that has no end: what is finite is the change of the reciprocal distance.
            place = "infinity" if not math.isfinite(one.value) else f"{at} ({show(one.value, curve.unit, True)})"
            return Quantity(
                f"{name} at {place}", one.scale, "1/m", two.scale - one.scale,
                f"{method}; the scale then stands between {show(one.near, curve.unit)} "
                f"({show(one.near, curve.unit, True)}) and infinity", SOURCE,
            )  # fmt: skip
        doubt = 1000.0 * (two.width - one.width) if math.isfinite(two.width) else None
        return Quantity(
            f"{name} at {at} ({show(one.value, curve.unit, True)})", 1000.0 * one.width, "mm", doubt,
            f"{method}; {_feet(one.width)}; {one.scale:.3g} 1/m", SOURCE,
        )  # fmt: skip
    if curve.unit == "stop":
        return Quantity(f"{name} at {at}", one.scale, "stops", two.scale - one.scale, method, SOURCE)
    return Quantity(f"{name} at {at}", one.width, "mm", two.width - one.width,
                    f"{method}; {100.0 * one.scale:.3g} % of the picture's size", SOURCE)  # fmt: skip


def _feet(metres: float) -> str:
    """A width in feet and inches; inches alone, with their decimals, below a foot."""
    feet = metres / FOOT
    return f"{12.0 * feet:.2f} in" if feet < 1.0 else f"{int(feet)} ft {12.0 * (feet % 1.0):.1f} in"

