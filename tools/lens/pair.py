"""Two lenses of one type as a pair: where the second ring must stand when the first stands somewhere.

Two lenses never agree, so the same ring angle is not the same distance. Both marks tables give an offset curve; each
motor gets its own lens as a table, and one value (a distance, a T-stop, a focal length) sends both to their place. What
stays is the residual: straight lines between the marks of the motors' tables, and whole counts. What no table can
correct is the doubt about the marks, from leaving each out, and with a motor card its counts and play.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from ringlet.tools.errors import UsageProblem
from ringlet.tools.lens.curve import UNITS, Array, MarkCurve, from_scale, ring_doubt_deg
from ringlet.tools.lens.field import Optics, blur_m, from_lens
from ringlet.tools.lens.marksfile import MarkTable
from ringlet.tools.lens.wiretable import WireTable, count_of, table_of, value_of

PLACES = 240
"""Places along the common range at which a pair is looked at."""


class PairProblem(UsageProblem):
    """Two lenses that are no pair: one sentence."""


class Pair(NamedTuple):
    """Two lenses and the tables that their motors get."""

    names: tuple[str, str]
    curves: tuple[MarkCurve, MarkCurve]
    tables: tuple[WireTable, WireTable]

    @property
    def unit(self) -> str:
        """Kind of both."""
        return self.curves[0].unit


def pair_of(left: MarkTable, right: MarkTable) -> Pair:
    """A pair from two tables of marks. Raises PairProblem for different kinds and for lenses without a common range."""
    curves = (left.curve(), right.curve())
    if left.unit != right.unit:
        raise PairProblem(
            f"{left.name} has {left.unit} marks and {right.name} has {right.unit} marks; a pair needs two of one kind."
        )
    low, high = common_range(*curves)
    if not low < high:
        raise PairProblem(
            f"{left.name} and {right.name} have no value in common: one goes from {curves[0].nearest:g} to "
            f"{curves[0].farthest:g} {UNITS[left.unit]}, the other from {curves[1].nearest:g} to "
            f"{curves[1].farthest:g}; choose two lenses of one type."
        )
    return Pair((left.name, right.name), curves, (table_of(curves[0]), table_of(curves[1])))


def common_range(left: MarkCurve, right: MarkCurve) -> tuple[float, float]:
    """Smallest and largest value that both reach."""
    return max(left.nearest, right.nearest), min(left.farthest, right.farthest)


class Columns(NamedTuple):
    """A pair over its common range; every array has one length."""

    value: Array
    """m, T or mm, each a whole count"""
    left_deg: Array
    right_deg: Array
    offset_deg: Array
    """right ring less left ring at the same value, by the lens marks"""
    residual_value: Array
    """value of the right lens less that of the left when both motors are sent there, in m, T or mm"""
    residual_scale: Array
    """the same on the scale of interpolation: 1/m, stops, ln mm"""
    doubt_scale: Array
    """expanded uncertainty (k = 2) of that difference from marks, counts and play"""
    same_ring_scale: Array
    """the difference with both rings at the left one's angle: what it would be without a table for each"""


def compare(pair: Pair, motor: tuple[float, float] = (0.0, 0.0)) -> Columns:
    """Offset and residual over the common range. `motor` is (one count, play) in degrees of ring, the same on both."""
    left, right = pair.curves
    values = _values(pair)
    rings = [curve.rings_at(values) for curve in pair.curves]
    sent = [np.array([table.ring_at(float(value)) for value in values]) for table in pair.tables]
    kept = np.isfinite(sent[0]) & np.isfinite(sent[1])
    values, rings, sent = values[kept], [one[kept] for one in rings], [one[kept] for one in sent]
    inside = [
        np.clip(one, curve.low_deg, curve.high_deg) for one, curve in zip(sent, pair.curves, strict=True)
    ]  # fmt: skip
    at = [curve.scale_at(one) for one, curve in zip(inside, pair.curves, strict=True)]
    real = [from_scale(one, pair.unit) for one in at]
    with np.errstate(invalid="ignore"):
        difference = np.where(np.isinf(real[0]) & np.isinf(real[1]), 0.0, real[1] - real[0])
    doubt = [
        ring_doubt_deg(*motor, curve.fit_doubt_deg()) * np.abs([curve.rate_at(float(x)) for x in one])
        for one, curve in zip(inside, pair.curves, strict=True)
    ]
    same = right.scale_at(np.clip(rings[0], right.low_deg, right.high_deg)) - left.scale_at(rings[0])
    return Columns(
        values, rings[0], rings[1], rings[1] - rings[0], difference, at[1] - at[0], np.hypot(*doubt), same
    )  # fmt: skip


def _values(pair: Pair) -> Array:
    """Whole counts over the common range, evenly spread over the left ring, both ends among them."""
    left = pair.curves[0]
    low, high = common_range(*pair.curves)
    start, end = sorted(float(ring) for ring in left.rings_at(np.array([low, high])))
    asked = left.values_at(np.linspace(start, end, PLACES))
    counts = {count_of(float(value), pair.unit) for value in asked}
    values = np.array([value_of(count, pair.unit) for count in sorted(counts)])
    return values[(values >= low) & (values <= high)]


def in_circles(columns: Columns, pair: Pair, lens: Optics) -> tuple[Array, Array, Array]:
    """Residual, doubt and same-ring difference of a focus pair in circles of confusion.

    It is the blur that the right lens shows of a subject at which the left one is sharp. Raises PairProblem for pairs
    that are no focus rings, FieldProblem for distances where a thin lens cannot focus.
    """
    if pair.unit != "distance":
        raise PairProblem(f"circles of confusion are for distances, and this pair has {pair.unit} marks.")
    found = []
    for difference in (columns.residual_scale, columns.doubt_scale, columns.same_ring_scale):
        found.append(np.array([
            _circles(lens, value, step) for value, step in zip(columns.value, difference, strict=True)
        ]))  # fmt: skip
    return found[0], found[1], found[2]


def skew_circles(curve: MarkCurve, skew_deg: float, lens: Optics) -> tuple[Array, Array]:
    """(distances, blur in circles of confusion) when one ring of a pair runs ahead of the other by so much on the way.

    Over the curve's marks and between them; both distances are those of the first ring.
    """
    ring = np.linspace(curve.low_deg, curve.high_deg, PLACES)
    distance = curve.values_at(ring)
    step = abs(skew_deg) * np.abs([curve.rate_at(float(one)) for one in ring])
    return distance, np.array([_circles(lens, float(d), float(s)) for d, s in zip(distance, step, strict=True)])


def _circles(lens: Optics, value_m: float, difference: float) -> float:
    """Blur in circles of confusion for a subject at `value_m` and a focus that differs by so much in 1/m."""
    subject = from_lens(lens, value_m)
    there = (0.0 if math.isinf(value_m) else 1.0 / value_m) + difference
    if there <= 0:  # past infinity: the same blur as as far on this side
        there = (0.0 if math.isinf(value_m) else 1.0 / value_m) - difference
    focus = from_lens(lens, math.inf if abs(there) < 1e-12 else 1.0 / there)
    return blur_m(lens, focus, subject) / lens.coc_m
