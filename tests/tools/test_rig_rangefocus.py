"""Range-driven focus: noise, outliers, dropouts, late and overtaken readings; and that it says when it holds."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringlet.protocol.messages import Range
from ringlet.tools.lens import marksfile
from ringlet.tools.rig.rangefocus import NEAREST_M, NO_READING, RangeFocus, RangeState, Tuning, ring_of

EVERY = 0.02


def reading(distance_m: float, quality: int = 200, age_s: float = 0.0) -> Range:
    return Range(0, min(round(1000 * distance_m), 0xFFFFFE), quality, round(1000 * age_s), 1)


def feed(
    focus: RangeFocus, scene: Callable[[float], float], seconds: float, *, start: float = 0.0, delay: float = 0.0,
    noise: float = 0.0, wrong: float = 0.0, seed: int = 1,
) -> list[tuple[float, float]]:  # fmt: skip
    """Readings of a scene, made `delay` before they come and saying so; (time, distance or NaN) after each."""
    chance, found = random.Random(seed), []
    for number in range(round(seconds / EVERY)):
        now = start + number * EVERY
        seen = 1.0 / (1.0 / scene(now - delay) + chance.gauss(0.0, noise))
        if chance.random() < wrong:
            seen = chance.choice((0.4, 250.0))
        focus.take(now, reading(seen, age_s=delay))
        distance = focus.focus(now).distance_m
        found.append((now, math.nan if distance is None else distance))
    return found


@pytest.mark.parametrize("distance", [0.3, 0.5, 3.0, 40.0, 310.0])
def test_a_subject_at_rest_is_found_from_near_to_over_300_m(distance: float) -> None:
    found = feed(RangeFocus(), lambda t: distance, 1.0)
    assert found[-1][1] == pytest.approx(distance, rel=2e-3)


def test_prediction_makes_the_latency_good() -> None:
    """A subject that walks in (invented: 4 m to 1.5 m in 2.5 s), readings 60 ms old, motor 40 ms late."""

    def scene(t: float) -> float:
        return 4.0 - 1.0 * min(max(t, 0.0), 2.5)

    def worst(tuning: Tuning, off: float) -> float:
        found = feed(RangeFocus(tuning), scene, 2.4, delay=0.06)
        return max(abs(1 / d - 1 / scene(t + off)) for t, d in found if 1.0 < t < 2.3)

    ahead, blind = worst(Tuning(ahead_s=0.04), 0.04), worst(Tuning(reach_s=0.0), 0.04)
    assert ahead < 0.008
    assert ahead < blind / 5
    told = RangeFocus(Tuning(ahead_s=0.04))
    feed(told, scene, 1.0, delay=0.06)
    assert told.focus(0.98).predicted_s == pytest.approx(0.10, abs=1e-6)


def test_noise_is_smoothed_and_outliers_are_left_out() -> None:
    focus = RangeFocus()
    found = feed(focus, lambda t: 3.0, 4.0, noise=0.005, wrong=0.15, seed=3)
    assert focus.outliers > 15
    off = [abs(1 / d - 1 / 3.0) for t, d in found if t > 0.2 and not math.isnan(d)]
    assert max(off) < 0.02
    assert sum(math.isnan(d) for _, d in found) < 0.1 * len(found)


def test_a_new_subject_is_taken_after_readings_that_agree_and_not_before() -> None:
    focus = RangeFocus()
    feed(focus, lambda t: 8.0, 1.0)
    for number in range(3):
        before = focus.focus(1.0 + number * EVERY).distance_m
        assert before == pytest.approx(8.0, rel=0.01)
        focus.take(1.0 + number * EVERY, reading(1.2))
    assert focus.focus(1.05).distance_m == pytest.approx(1.2, rel=0.01)


def test_lost_and_poor_readings_hold_and_say_so() -> None:
    focus = RangeFocus()
    assert focus.focus(0.0)[:2] == (None, RangeState.LOST)
    feed(focus, lambda t: 3.0, 1.0)
    assert focus.focus(1.0).state is RangeState.GOOD
    for number in range(20):
        focus.take(1.0 + number * EVERY, reading(3.0, quality=10))
    poor = focus.focus(1.4)
    assert (poor.distance_m, poor.state) == (None, RangeState.POOR)
    assert "holds" in poor.text
    for number in range(20):
        focus.take(1.4 + number * EVERY, reading(0.2))
    assert focus.focus(1.4).text == poor.text
    assert "nearer than 0.3 m" in poor.text
    for number in range(40):
        focus.take(1.8 + number * EVERY, Range(0, NO_READING, 200, 0, 1))
    lost = focus.focus(2.6)
    assert (lost.distance_m, lost.state) == (None, RangeState.LOST)
    assert "no range readings" in lost.text
    focus.take(2.3, reading(3.0))
    assert focus.focus(2.3).distance_m == pytest.approx(3.0, rel=1e-3)


def test_old_near_and_overtaken_readings_are_not_used() -> None:
    focus = RangeFocus()
    assert focus.take(1.0, reading(3.0))
    assert not focus.take(1.02, reading(3.0, age_s=0.31))
    assert not focus.take(1.04, reading(0.2))
    assert not focus.take(1.06, reading(3.0, age_s=0.1))  # made before the one at 1.0
    assert focus.take(1.08, reading(3.0, age_s=0.01))
    assert (focus.used, focus.refused) == (2, 3)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.0, 0.6), st.integers(0, NO_READING), st.integers(0, 255), st.integers(0, 65535)),
        max_size=40,
    )
)
def test_whatever_comes_the_distance_is_inside_its_bounds_or_it_holds(
    story: list[tuple[float, int, int, int]],
) -> None:
    focus, now = RangeFocus(Tuning(ahead_s=0.1)), 0.0
    curve = marksfile.load("focus-long").curve()
    for wait, distance, quality, age in story:
        now += wait
        focus.take(now, Range(0, distance, quality, age, 1))
        told = focus.focus(now)
        assert (told.distance_m is None) == (told.state is not RangeState.GOOD)
        assert told.distance_m is None or told.distance_m >= NEAREST_M - 1e-9
        assert told.predicted_s <= focus.tuning.reach_s
        ring = ring_of(curve, told.distance_m)
        assert ring is None or curve.low_deg <= ring <= curve.high_deg
    assert focus.focus(now + 10.0).state is RangeState.LOST


def test_tuning_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="alpha"):
        RangeFocus(Tuning(alpha=1.5))
