"""Places that a table of marks gives for a value, against numpy's interpolation in floats (the outside check)."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringlet.protocol.codes import ENUMS
from ringlet.protocol.items import INFINITE, ring_of_value

UNITS = {name: count for count, name, _ in ENUMS["unit-kind"]}
FOCUS = [(0, 450), (60_000, 1000), (140_000, 2500), (220_000, 10_000), (280_000, INFINITE)]  # invented


def reciprocal(value: int) -> float:
    return 0.0 if value == INFINITE else 1.0 / value


@pytest.mark.parametrize("value", [450, 451, 700, 999, 1000, 1001, 2499, 5000, 10_000, 12_000, 300_000, INFINITE])
@pytest.mark.parametrize("turned", [False, True])
def test_distance_follows_the_reciprocal(value: int, turned: bool) -> None:
    marks = [(-p, v) for p, v in reversed(FOCUS)] if turned else FOCUS
    points = sorted((reciprocal(v), p) for p, v in marks)
    wanted = np.interp(reciprocal(value), [at for at, _ in points], [p for _, p in points])
    found = ring_of_value(marks, UNITS["distance"], value)
    assert found is not None
    assert abs(found - wanted) <= 0.5 + 80_000 / 65536  # rounding, and 16 bits of the longest segment


@pytest.mark.parametrize("unit", ["stop", "focal"])
def test_other_tables_follow_the_value(unit: str) -> None:
    marks = [(-10_000, 1400), (0, 2000), (30_000, 5600), (90_000, 22_000)]
    for value in range(1400, 22_001, 37):
        wanted = np.interp(value, [v for _, v in marks], [p for p, _ in marks])
        found = ring_of_value(marks, UNITS[unit], value)
        assert found is not None
        assert abs(found - wanted) <= 0.5 + 60_000 / 65536


def test_values_outside_have_no_place() -> None:
    assert ring_of_value(FOCUS, UNITS["distance"], 449) is None
    assert ring_of_value(FOCUS[:-1], UNITS["distance"], 10_001) is None
    assert ring_of_value(FOCUS[:-1], UNITS["distance"], INFINITE) is None
    assert ring_of_value([(0, 1000), (10, INFINITE)], UNITS["stop"], 2000) is None  # no stop is infinite
    assert ring_of_value([], UNITS["distance"], 1) is None
    assert ring_of_value([(5, 7)], UNITS["distance"], 7) == 5


U24 = st.integers(0, INFINITE)


@given(st.integers(-(1 << 23), (1 << 23) - 1), st.integers(-(1 << 23), (1 << 23) - 1), U24, U24, U24, st.integers(0, 2))
def test_a_place_lies_between_its_marks_and_fits_64_bits(p0: int, p1: int, v0: int, v1: int, v: int, unit: int) -> None:
    found = ring_of_value(sorted([(p0, v0), (p1, v1)]), unit, v)
    if found is None:
        return
    assert min(p0, p1) <= found <= max(p0, p1)
    low, high = sorted((v0, v1))
    over = high if unit == UNITS["distance"] and high != INFINITE else 1
    assert (v - low) * over << 16 < 1 << 64  # what a small processor holds
    if unit == UNITS["distance"] and low < v < high and low > 0:
        far = Fraction(0) if high == INFINITE else Fraction(1, high)
        share = (Fraction(1, low) - Fraction(1, v)) / (Fraction(1, low) - far)
        at = {v0: p0, v1: p1}
        exact = at[low] + (at[high] - at[low]) * share
        assert abs(found - exact) <= Fraction(1, 2) + Fraction(abs(p1 - p0), 65536)
