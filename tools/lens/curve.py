"""Lens marks as a curve: ring angle to distance, T-stop or focal length, and back.

Marks are joined by a monotone cubic (PCHIP: F. N. Fritsch and J. Butland, "A method for constructing local monotone
piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5 (1984), as scipy has it), so a curve never turns back
between two marks. What is joined is not the value itself but a scale on which a ring is nearly even:

- distance: 1/distance in 1/m. The thin lens extends by f^2/distance, and a focus helicoid turns in proportion to
  extension (J. E. Greivenkamp, "Field Guide to Geometrical Optics", SPIE 2004, imaging equations; from memory).
  Infinity is 0 there, an ordinary number.
- stop: 2 log2 T, in stops: one stop is a factor of the square root of 2 in T, and iris rings are cut about evenly in
  stops (common practice, no source).
- focal: ln of focal length: zoom rings are cut about evenly in ratio, so that the picture grows at an even rate
  (common practice, no source), and an error is then the same share of the picture's size at both ends.

A focus ring often turns a little past its infinity mark. Nothing in front of the lens is sharp there, so there is no
distance: a mark past infinity (`PAST`) says only how far the ring turns, and the curve ends at infinity. How far past a
ring stands is told in degrees, and on the scale by going straight on from infinity, which is a guess.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise
from typing import Any, Final, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from ringlet.protocol.codes import names
from ringlet.tools.errors import UsageProblem

Array = NDArray[np.float64]

UNITS: Final = {"distance": "m", "stop": "T", "focal": "mm"}
"""Kinds of table, by the names of the protocol's enumeration `unit-kind`, and the unit of their values here."""
assert set(UNITS) == set(names("unit-kind").values())
SCALE_UNITS: Final = {"distance": "1/m", "stop": "stops", "focal": "ln mm"}
"""Unit of the scale on which marks are joined."""
PAST: Final = -math.inf
"""Value of a mark past infinity: the ring turns so far, and no distance is sharp there."""
FEWEST: Final = 3
"""Both ends of the scale, and one mark between them."""
_HALVINGS: Final = 60
_EDGE: Final = 1e-9
"""Degrees, or units of the scale, by which rounding may carry a number past the ends."""


class MarkProblem(UsageProblem):
    """Marks, or a place on them, that cannot be used: one sentence."""


class LeftOut(NamedTuple):
    """One inner mark against the curve through all the others."""

    ring_deg: float
    value: float
    """what the mark says"""
    foretold: float
    """what the others say at this ring angle, in the same unit"""
    error_deg: float
    """ring angle at which the others have this value, less the mark's"""
    error_scale: float
    """the same error on the scale of interpolation: 1/m, stops, or ln mm"""


class Reading(NamedTuple):
    """A value with the bounds that the doubt about the ring angle gives it."""

    value: float
    low: float
    high: float
    past: bool = False
    """the ring angle may also lie past infinity"""


def to_scale(values: Array, unit: str) -> Array:
    """Values in m, T or mm to the scale of interpolation; infinity becomes 0."""
    if unit == "distance":
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / values)
    return np.asarray(2.0 * np.log2(values) if unit == "stop" else np.log(values))


def from_scale(scale: Array, unit: str) -> Array:
    """The scale of interpolation back to m, T or mm; 0, and what rounding makes of it, becomes infinity."""
    if unit == "distance":
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / np.where(np.abs(scale) < _EDGE, 0.0, scale))
    return np.asarray(np.exp2(scale / 2.0) if unit == "stop" else np.exp(scale))


class MarkCurve:
    """Ring angle against distance (m), T-stop or focal length (mm). Made by `from_marks`; never changes."""

    def __init__(self, ring_deg: Array, values: Array, unit: str, past_deg: float | None = None) -> None:
        from scipy.interpolate import PchipInterpolator

        self.unit = unit
        """`distance`, `stop` or `focal`"""
        self.ring_deg, self.values = ring_deg, values
        """the marks, in rising ring angle"""
        self.past_deg = past_deg
        """ring angle to which a focus ring turns past infinity, where a mark says so"""
        self._scale = to_scale(values, unit)
        self._curve: Any = PchipInterpolator(ring_deg, self._scale, extrapolate=False)
        self._rate: Any = self._curve.derivative()
        self.rising = bool(self._scale[-1] > self._scale[0])
        """whether the scale (not the distance) rises with ring angle"""

    @classmethod
    def from_marks(cls, marks: Iterable[tuple[float, float]], unit: str) -> Self:
        """The curve through marks (ring angle in degrees, value in m, T or mm) in any order.

        A distance of infinity is `math.inf`, and a distance table must have it; one mark may lie past it, `PAST`.
        Raises MarkProblem, one sentence: too few, no number, out of range, duplicate, not monotone, infinity missing,
        past infinity on the wrong side, or no such unit.
        """
        if unit not in UNITS:
            raise MarkProblem(f"marks are of kind {unit!r}; choose one of: {', '.join(UNITS)}.")
        given = sorted((float(ring), float(value)) for ring, value in marks)
        table = [(ring, value) for ring, value in given if unit != "distance" or value != PAST]
        _check(table, unit)
        past = [ring for ring, value in given if unit == "distance" and value == PAST]
        _check_past(past, table)
        rings, values = (np.array([mark[at] for mark in table]) for at in (0, 1))
        return cls(rings, values, unit, past[0] if past else None)

    @property
    def low_deg(self) -> float:
        """Ring angle of the first mark."""
        return float(self.ring_deg[0])

    @property
    def high_deg(self) -> float:
        """Ring angle of the last mark."""
        return float(self.ring_deg[-1])

    @property
    def nearest(self) -> float:
        """The smallest value of the table: nearest distance, widest stop, shortest focal length."""
        return float(self.values.min())

    @property
    def farthest(self) -> float:
        """The largest value of the table; infinity on a distance table."""
        return float(self.values.max())

    # --- past infinity ------------------------------------------------------------------------------------------

    def past_by(self, ring_deg: float) -> float:
        """Degrees by which a ring stands past its infinity mark, inside a mark past infinity; otherwise 0."""
        if self.past_deg is None:
            return 0.0
        infinite = self.low_deg if self.rising else self.high_deg
        by, most = (abs(one - infinite) for one in (ring_deg, self.past_deg))
        beyond = (ring_deg - infinite) * (self.past_deg - infinite) > 0
        return by if beyond and _EDGE < by <= most + _EDGE else 0.0

    def past_scale_at(self, ring_deg: float) -> float:
        """1/m at a ring angle past infinity, below 0, straight on from the slope at infinity: a guess.

        Raises MarkProblem where the ring is not past infinity.
        """
        by = self.past_by(ring_deg)
        if not by:
            raise MarkProblem(f"{ring_deg:g} deg does not lie past infinity; ask for its distance.")
        return -by * abs(self.rate_at(self.low_deg if self.rising else self.high_deg))

    # --- ring to value ------------------------------------------------------------------------------------------

    def value_at(self, ring_deg: float) -> float:
        """Value at a ring angle: m, T or mm. Raises MarkProblem outside the marks."""
        return float(self.values_at(np.array([self._inside(ring_deg)]))[0])

    def values_at(self, ring_deg: Array) -> Array:
        """Values at many ring angles; NaN outside the marks."""
        return from_scale(self.scale_at(ring_deg), self.unit)

    def scale_at(self, ring_deg: Array) -> Array:
        """The scale of interpolation (1/m, stops, ln mm) at many ring angles; NaN outside the marks."""
        return np.asarray(self._curve(np.asarray(ring_deg, dtype=np.float64)), dtype=np.float64)

    def slope_at(self, ring_deg: float) -> float:
        """Value per degree of ring: m/deg, T/deg or mm/deg; infinite where the distance is. Raises MarkProblem."""
        ring = self._inside(ring_deg)
        value, rate = self.value_at(ring), self.rate_at(ring)
        match self.unit:
            case "distance":
                return -rate * value**2 if math.isfinite(value) else -math.copysign(math.inf, rate)
            case "stop":
                return rate * value * math.log(2.0) / 2.0
            case _:
                return rate * value

    def rate_at(self, ring_deg: float) -> float:
        """The scale of interpolation per degree of ring: 1/m, stops or ln mm per degree. Raises MarkProblem."""
        return float(self._rate(self._inside(ring_deg)))

    # --- value to ring ------------------------------------------------------------------------------------------

    def ring_at(self, value: float) -> float:
        """Ring angle at a value in m, T or mm, or `PAST`. Raises MarkProblem when the marks do not reach it."""
        if self.unit == "distance" and value == PAST:
            if self.past_deg is None:
                raise MarkProblem("no mark lies past infinity; the table does not say whether the ring turns so far.")
            return self.past_deg
        if not value > 0:
            raise MarkProblem(f"{value:g} {UNITS[self.unit]} is no {self.unit}; it must be above 0.")
        if not self.nearest * (1 - _EDGE) <= value <= self.farthest * (1 + _EDGE):
            raise MarkProblem(
                f"{value:g} {UNITS[self.unit]} lies outside the marks, which go from {self.nearest:g} to "
                f"{self.farthest:g} {UNITS[self.unit]}; choose a value inside."
            )
        return float(self.rings_at(np.array([min(max(value, self.nearest), self.farthest)]))[0])

    def rings_at(self, values: Array) -> Array:
        """Ring angles at many values; NaN where the marks do not reach."""
        return self.rings_at_scale(to_scale(np.asarray(values, dtype=np.float64), self.unit))

    def rings_at_scale(self, scale: Array) -> Array:
        """Ring angles at many places of the scale of interpolation; NaN where the marks do not reach.

        The same cubic is solved that `values_at` follows, by halving, so going there and back changes nothing.
        """
        wanted = np.asarray(scale, dtype=np.float64)
        sign = 1.0 if self.rising else -1.0
        ends = sign * self._scale
        place = np.clip(np.searchsorted(ends, sign * wanted) - 1, 0, len(ends) - 2)
        low, high = self.ring_deg[place], self.ring_deg[place + 1]
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            short = sign * self.scale_at(middle) < sign * wanted
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        outside = ~((sign * wanted >= ends[0] - _EDGE) & (sign * wanted <= ends[-1] + _EDGE))
        return np.where(outside, np.nan, 0.5 * (low + high))

    # --- doubt --------------------------------------------------------------------------------------------------

    def reading(self, ring_deg: float, doubt_deg: float) -> Reading:
        """Value at a ring angle that is known to +/- `doubt_deg`, with both bounds; these end at the last marks.

        `past` says whether the doubt reaches past infinity, as far as a mark says that the ring turns there.
        """
        ring = self._inside(ring_deg)
        beyond = doubt_deg if self.past_deg is None else min(doubt_deg, abs(self.past_deg - ring))
        around = np.clip(np.array([ring - doubt_deg, ring + doubt_deg]), self.low_deg, self.high_deg)
        low, high = sorted(float(one) for one in self.values_at(around))
        past = any(self.past_by(ring + sign * beyond) > 0 for sign in (-1.0, 1.0))
        return Reading(self.value_at(ring), low, high, past)

    def leave_one_out(self) -> list[LeftOut]:
        """Each inner mark against the curve through the others.

        The gap that a mark leaves is twice as wide as those of the full table, so this errs on the safe side. The ends
        cannot be left out: without them there is no curve there.
        """
        found = []
        for index in range(1, len(self.ring_deg) - 1):
            kept = np.arange(len(self.ring_deg)) != index
            others = MarkCurve(self.ring_deg[kept], self.values[kept], self.unit)
            ring, value = float(self.ring_deg[index]), float(self.values[index])
            scale = float(others.scale_at(np.array([ring]))[0])
            found.append(
                LeftOut(
                    ring, value, float(from_scale(np.array([scale]), self.unit)[0]),
                    float(others.rings_at(np.array([value]))[0]) - ring, scale - float(self._scale[index]),
                )
            )  # fmt: skip
        return found

    def fit_doubt_deg(self) -> float:
        """Standard uncertainty of the curve between marks, in degrees of ring: root mean square of `leave_one_out`."""
        return math.sqrt(sum(one.error_deg**2 for one in self.leave_one_out()) / (len(self.ring_deg) - 2))

    def _inside(self, ring_deg: float) -> float:
        if by := self.past_by(ring_deg):
            raise MarkProblem(
                f"{ring_deg:g} deg lies {by:.3g} deg past infinity: nothing in front of the lens is sharp there, so it "
                "has no distance; choose a ring angle inside the marks."
            )
        if not self.low_deg - _EDGE <= ring_deg <= self.high_deg + _EDGE:
            raise MarkProblem(
                f"{ring_deg:g} deg lies outside the marks, which go from {self.low_deg:g} to {self.high_deg:g} deg; "
                "choose a ring angle inside."
            )
        return min(max(ring_deg, self.low_deg), self.high_deg)


def ring_doubt_deg(step_deg: float, backlash_deg: float, fit_deg: float = 0.0) -> float:
    """Expanded uncertainty (k = 2) of a ring angle: one count, play that is not known to be taken up, and the fit.

    A count and the play are even distributions of that full width, so their standard uncertainty is width/sqrt(12)
    (JCGM 100:2008, "Guide to the expression of uncertainty in measurement", 4.3.7; from memory).
    """
    return 2.0 * math.sqrt((step_deg**2 + backlash_deg**2) / 12.0 + fit_deg**2)


def _check_past(past: list[float], table: list[tuple[float, float]]) -> None:
    """Refuse marks past infinity that cannot be. `table` are the others, in rising ring angle, checked."""
    if not past:
        return
    if len(past) > 1:
        raise MarkProblem(
            f"{len(past)} marks lie past infinity, at {past[0]:g} and {past[1]:g} deg; keep that at the ring's end."
        )
    if not math.isfinite(past[0]):
        raise MarkProblem(f"the mark past infinity has the ring angle {past[0]:g}, which is no angle; correct it.")
    at_end = table[-1][1] == math.inf
    infinite = table[-1][0] if at_end else table[0][0]
    if past[0] <= infinite if at_end else past[0] >= infinite:
        raise MarkProblem(
            f"the mark past infinity stands at {past[0]:g} deg, which is not {'above' if at_end else 'below'} the "
            f"infinity mark at {infinite:g} deg; correct one of them."
        )


def _check(table: list[tuple[float, float]], unit: str) -> None:
    """Refuse marks that make no curve. `table` is in rising ring angle."""
    shown = UNITS[unit]
    for ring, value in table:
        if not math.isfinite(ring):
            raise MarkProblem(f"a mark has the ring angle {ring:g}, which is no angle; correct it.")
        endless = unit == "distance" and value == math.inf
        if not (value > 0 and (math.isfinite(value) or endless)):
            raise MarkProblem(f"the mark at {ring:g} deg has the value {value:g} {shown}; it must be above 0.")
    for (ring, value), (next_ring, next_value) in pairwise(table):
        if ring == next_ring:
            raise MarkProblem(
                f"two marks stand at {ring:g} deg ({value:g} and {next_value:g} {shown}); remove one of them."
            )
    values = [value for _, value in table]
    if unit == "distance" and math.inf not in values:
        raise MarkProblem("the table has no mark for infinity; add one, for focus cannot be read beyond the last mark.")
    if len(table) < FEWEST:
        raise MarkProblem(
            f"{len(table)} marks are too few for a curve; give at least {FEWEST}: both ends and one between."
        )
    rising = values[-1] > values[0]
    for (ring, value), (next_ring, next_value) in pairwise(table):
        if value == next_value:
            raise MarkProblem(
                f"the marks at {ring:g} and {next_ring:g} deg both say {value:g} {shown}; remove one of them."
            )
        if (next_value > value) != rising:
            raise MarkProblem(
                f"the values turn back between {ring:g} deg ({value:g} {shown}) and {next_ring:g} deg "
                f"({next_value:g} {shown}); a ring's marks only rise or only fall, so correct or remove one."
            )
