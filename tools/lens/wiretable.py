"""A curve of marks as the table that a motor holds: whole counts, at most 64 marks, and what that costs in precision.

A motor finds a place between two marks on a straight line (`ringlet.protocol.items.ring_of_value`). So a curve is sent
as more marks than the lens has, set closer where it bends, until 64 are used up. Every mark of the table lies on the
curve at a whole count of its value; the engraved marks are always among them, if the table has room.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final, NamedTuple, Self

import numpy as np

from ringlet.protocol.codes import ENUMS, names
from ringlet.protocol.items import INFINITE, marks_check, ring_of_value
from ringlet.protocol.messages import OpenMarks
from ringlet.protocol.wire import KINDS
from ringlet.tools.lens.curve import PAST, UNITS, Array, MarkCurve, MarkProblem

COUNTS: Final = {"distance": 1000, "stop": 1000, "focal": 100}
"""Counts of a mark's value in one m, T or mm (see the enumeration `unit-kind`)."""
assert set(COUNTS) == set(UNITS)
MDEG: Final = 1000
MOST: Final = next(spec.field.hi for spec in KINDS.by_class[OpenMarks].fields if spec.name == "count") or 64
"""Marks that a motor holds."""
NUMBERS: Final = {name: count for count, name, _ in ENUMS["unit-kind"]}
_GRID: Final = 3000
"""Places at which a straight line is compared with the curve."""
_TRIES: Final = 24


class WireTable(NamedTuple):
    """Marks as they go over the wire."""

    unit: str
    marks: tuple[tuple[int, int], ...]
    """(ring position in thousandths of a degree, value in counts), in rising ring position"""

    @classmethod
    def just(cls, unit: str, marks: Iterable[tuple[float, float]]) -> Self:
        """The table of these marks (ring angle in degrees, value in m, T or mm) and no others; none past infinity.

        Raises MarkProblem for a value that has no count.
        """
        kept = ((round(MDEG * ring), count_of(value, unit)) for ring, value in marks if value != PAST)
        return cls(unit, tuple(sorted(kept)))

    @property
    def check(self) -> int:
        """The check value that commits it."""
        return marks_check(self.marks)

    @property
    def points(self) -> list[tuple[float, float]]:
        """(ring angle in degrees, value in m, T or mm)."""
        return [(position / MDEG, value_of(value, self.unit)) for position, value in self.marks]

    def ring_at(self, value: float) -> float:
        """Where a motor with this table goes for a value, in degrees; NaN where no two marks enclose it."""
        place = ring_of_value(self.marks, NUMBERS[self.unit], count_of(value, self.unit))
        return math.nan if place is None else place / MDEG


def count_of(value: float, unit: str) -> int:
    """The nearest whole count of a value in m, T or mm. Distances past the last count are infinity.

    Raises MarkProblem for what has no count.
    """
    if unit == "distance" and value * COUNTS[unit] > INFINITE - 1:
        return INFINITE
    count = round(value * COUNTS[unit])
    if not 0 < count < INFINITE:
        raise MarkProblem(
            f"{value:g} {UNITS[unit]} cannot be sent; it must be {1 / COUNTS[unit]:g} to "
            f"{(INFINITE - 1) / COUNTS[unit]:g} {UNITS[unit]}."
        )
    return count


def value_of(count: int, unit: str) -> float:
    """The value of a count in m, T or mm; infinity for the highest count."""
    return math.inf if count == INFINITE else count / COUNTS[unit]


def table_of(curve: MarkCurve, most: int = MOST) -> WireTable:
    """The table of at most `most` marks that follows a curve best: the largest error is made as small as can be.

    Raises MarkProblem when the values lie too close together for the wire's counts.
    """
    if not 2 <= most <= MOST:
        raise MarkProblem(f"a table has 2 to {MOST} marks; {most} are asked for.")
    ring = np.linspace(curve.low_deg, curve.high_deg, _GRID)
    forced = curve.ring_deg if len(curve.ring_deg) <= most else curve.ring_deg[[0, -1]]
    ring = np.unique(np.concatenate((ring, forced)))
    along = _straight(curve.values_at(ring), curve.unit)
    stops = [int(place) for place in np.searchsorted(ring, forced)]
    low, high = 0.0, curve.high_deg - curve.low_deg
    best = stops
    for _ in range(_TRIES):
        middle = 0.5 * (low + high)
        chosen = _knots(ring, along, stops, middle, most)
        if chosen is None:
            low = middle
        else:
            best, high = chosen, middle
    return _on_counts(curve, ring[best])


def _straight(values: Array, unit: str) -> Array:
    """What a motor interpolates along: the reciprocal of a distance, otherwise the value."""
    return np.where(np.isinf(values), 0.0, 1.0 / values) if unit == "distance" else values


def _knots(ring: Array, along: Array, stops: list[int], tolerance: float, most: int) -> list[int] | None:
    """Indices of marks so that straight lines between them stay within `tolerance` degrees; None if it takes more."""
    found = [stops[0]]
    for stop in stops[1:]:
        while found[-1] < stop:
            start = found[-1]
            near, far = start + 1, stop  # the next mark lies from `near` (which always fits) to `far`
            while near < far:
                middle = (near + far + 1) // 2
                if _error(ring, along, start, middle) <= tolerance:
                    near = middle
                else:
                    far = middle - 1
            found.append(near)
            if len(found) > most:
                return None
    return found


def _error(ring: Array, along: Array, start: int, end: int) -> float:
    """Largest distance in degrees between the curve and the straight line from one place to another."""
    part = along[start : end + 1]
    share = (part - part[0]) / (part[-1] - part[0])
    line = ring[start] + (ring[end] - ring[start]) * share
    return float(np.abs(line - ring[start : end + 1]).max())


def _on_counts(curve: MarkCurve, ring: Array) -> WireTable:
    """Marks at whole counts near these ring angles, and at the ring angle that the curve has for these counts."""
    marks: dict[int, int] = {}
    for count in sorted({count_of(float(value), curve.unit) for value in curve.values_at(ring)}):
        # The first and the last mark may lie up to half a count outside the curve; they stand at its ends.
        inside = min(max(value_of(count, curve.unit), curve.nearest), curve.farthest)
        marks.setdefault(round(curve.ring_at(inside) * MDEG), count)
    if len(marks) < 2:
        raise MarkProblem("the values of the marks lie closer together than the wire can tell apart; spread them.")
    return WireTable(curve.unit, tuple(sorted(marks.items())))


class Residual(NamedTuple):
    """What a motor's table makes of a curve."""

    values: Array
    """m, T or mm, each a whole count"""
    error_deg: Array
    """where the motor goes less where the curve has the value"""
    largest_deg: float


def residual(table: WireTable, curve: MarkCurve, places: int = 2000) -> Residual:
    """The error of a motor's straight lines against the curve, over the part that both cover."""
    low = max(curve.low_deg, table.marks[0][0] / MDEG)
    high = min(curve.high_deg, table.marks[-1][0] / MDEG)
    asked = curve.values_at(np.linspace(low, high, places))
    counts = np.unique([count_of(float(value), curve.unit) for value in asked])
    values = np.array([value_of(int(count), curve.unit) for count in counts])
    error = np.array([table.ring_at(float(value)) for value in values]) - curve.rings_at(values)
    kept = np.isfinite(error)
    return Residual(values[kept], error[kept], float(np.abs(error[kept]).max()))


def unit_name(number: int) -> str:
    """Name of a kind of table by its number on the wire. Raises MarkProblem for one that this version does not know."""
    name = names("unit-kind").get(number)
    if name is None:
        raise MarkProblem(f"the table on the axis is of kind {number}, which this version of ringlet does not know.")
    return name
