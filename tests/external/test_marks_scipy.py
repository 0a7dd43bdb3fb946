"""The curve through lens marks against scipy's own PCHIP and root finder, and against a lens whose law is known.

scipy.interpolate.pchip_interpolate and scipy.optimize.brentq are the outside here: our curve goes both ways, in
reciprocal distance, stops and the logarithm of focal length, and inverts by a way of its own.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import pchip_interpolate
from scipy.optimize import brentq

from ringlet.tools.lens.curve import MarkCurve

LAWS = {"distance": lambda v: 0.0 if math.isinf(v) else 1.0 / v, "stop": lambda v: 2 * math.log2(v), "focal": math.log}


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, list[tuple[float, float]]]:
    """A table of any kind that rises or falls; distances with infinity at one end."""
    unit = draw(st.sampled_from(sorted(LAWS)))
    count = draw(st.integers(3, 14))
    steps = draw(st.lists(st.floats(0.5, 40), min_size=count, max_size=count))
    parts = draw(st.lists(st.floats(0.02, 0.6), min_size=count, max_size=count))
    ring = np.cumsum(steps)
    if unit == "distance":
        scale = np.concatenate(([0.0], np.cumsum(parts[1:])))
        values = [math.inf, *(1 / scale[1:])]
    else:
        values = list((np.exp2 if unit == "stop" else lambda x: 20 * np.exp(x))(np.cumsum(parts)))
    if draw(st.booleans()):
        values.reverse()
    return unit, list(zip(ring.tolist(), (float(v) for v in values), strict=True))


@given(tables())
@settings(max_examples=60, deadline=None)  # a busy machine is no failure
def test_values_are_those_of_scipy(table: tuple[str, list[tuple[float, float]]]) -> None:
    unit, marks = table
    curve = MarkCurve.from_marks(marks, unit)
    ring = np.linspace(marks[0][0], marks[-1][0], 97)
    wanted = pchip_interpolate([r for r, _ in marks], [LAWS[unit](v) for _, v in marks], ring)
    found = np.array([LAWS[unit](float(v)) for v in curve.values_at(ring)])
    np.testing.assert_allclose(found, wanted, atol=2e-9)


@given(tables(), st.floats(0.001, 0.999))
@settings(max_examples=60, deadline=None)  # a busy machine is no failure
def test_rings_are_those_of_a_root_finder(table: tuple[str, list[tuple[float, float]]], share: float) -> None:
    unit, marks = table
    curve = MarkCurve.from_marks(marks, unit)
    x, y = [r for r, _ in marks], [LAWS[unit](v) for _, v in marks]
    goal = y[0] + share * (y[-1] - y[0])
    wanted = brentq(lambda r: float(pchip_interpolate(x, y, r)) - goal, x[0], x[-1], xtol=1e-12)
    ring = float(curve.rings_at_scale(np.array([goal]))[0])
    # Where the curve is flat a ring angle is loosely known; there the scale must agree.
    flat = abs(float(pchip_interpolate(x, y, ring)) - goal)
    assert abs(ring - wanted) < 1e-6 or flat < 1e-9


@given(tables())
@settings(max_examples=30, deadline=None)
def test_leaving_a_mark_out_is_scipys_curve_through_the_others(table: tuple[str, list[tuple[float, float]]]) -> None:
    unit, marks = table
    curve = MarkCurve.from_marks(marks, unit)
    left = curve.leave_one_out()
    assert [one.ring_deg for one in left] == [r for r, _ in marks[1:-1]]
    for index, one in enumerate(left, 1):
        others = marks[:index] + marks[index + 1 :]
        wanted = pchip_interpolate([r for r, _ in others], [LAWS[unit](v) for _, v in others], one.ring_deg)
        assert LAWS[unit](one.foretold) == pytest.approx(float(wanted), abs=2e-9)
        assert one.error_scale == pytest.approx(float(wanted) - LAWS[unit](one.value), abs=2e-9)


@given(tables(), st.floats(0.01, 0.99))
@settings(max_examples=40, deadline=None)
def test_slopes_are_differences_of_values(table: tuple[str, list[tuple[float, float]]], share: float) -> None:
    unit, marks = table
    curve = MarkCurve.from_marks(marks, unit)
    ring = marks[0][0] + share * (marks[-1][0] - marks[0][0])
    if min(abs(ring - r) for r, _ in marks) < 1e-3:
        return  # the second derivative jumps at marks
    step = 1e-5
    scale = curve.scale_at(np.array([ring - step, ring + step]))
    assert curve.rate_at(ring) == pytest.approx((scale[1] - scale[0]) / (2 * step), rel=1e-3, abs=1e-6)
    value = curve.value_at(ring)
    if value < 50:
        low, high = curve.value_at(ring - step), curve.value_at(ring + step)
        assert curve.slope_at(ring) == pytest.approx((high - low) / (2 * step), rel=1e-3, abs=1e-5 * value**2)


def test_a_helicoid_is_followed_within_what_leaving_out_says() -> None:
    """A thin 50 mm lens on an even thread: the ring turns in proportion to f^2 / (s - f)."""
    focal, turn = 0.05, 30_000.0  # deg of ring in a metre of extension

    def ring(distance: float) -> float:
        return 0.0 if math.isinf(distance) else -turn * focal**2 / (distance - focal)

    engraved = [0.5, 0.6, 0.75, 1.0, 1.5, 2.5, 5.0, math.inf]
    curve = MarkCurve.from_marks([(ring(d), d) for d in engraved], "distance")
    doubt = 2 * curve.fit_doubt_deg()
    between = [0.53, 0.65, 0.85, 1.2, 2.0, 3.5, 9.0]
    errors = [abs(curve.ring_at(d) - ring(d)) for d in between]
    assert max(errors) < doubt < 1.5  # of 166 deg
    # In plain distance the same marks would be off by far more: why the reciprocal is joined.
    plain = pchip_interpolate(engraved[:-1], [ring(d) for d in engraved[:-1]], between[:-1])
    assert max(abs(plain - np.array([ring(d) for d in between[:-1]]))) > 2 * max(errors[:-1])
