"""Hand-back: the table is whole, takes over only where the control meets the motor, and never jumps."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringlet.protocol.codes import names
from ringlet.tools.rig.handback import NEXT, PHASES, Event, HandBack, Heard, Phase, Told
from ringlet.tools.rig.smooth import TICK_S, Bounds, Smooth

BOUNDS = Bounds(200.0, 1500.0, 0.0, 300.0)
STEP = 0.01
ROUNDING = 1e-9

RINGS = st.one_of(st.none(), st.floats(-50, 350))
THINGS = st.builds(Heard, st.booleans(), RINGS, RINGS, st.booleans())
STORIES = st.lists(
    st.tuples(THINGS, st.integers(1, 40), st.sampled_from([0.001, 0.01, 0.0137, 0.04, 0.7])), min_size=1, max_size=12
)


def play(hand: HandBack, now: float, seconds: float, heard: Heard, *, often: bool = True) -> tuple[float, Told]:
    """Steps with the same things heard; `asked` and, without `often`, the control only once."""
    for number in range(round(seconds / STEP)):
        now += STEP
        if number:
            heard = heard._replace(asked=False, control_deg=heard.control_deg if often else None)
        told = hand.step(now, heard)
    return now, told


def coupled(start: float = 100.0) -> tuple[HandBack, float]:
    hand = HandBack(start, BOUNDS, blend_s=0.2)
    now, told = play(hand, 0.0, 1.0, Heard(False, None, start))
    assert told.phase is Phase.COUPLED
    return hand, now


def test_every_phase_can_be_reached_and_left_and_is_told() -> None:
    assert set(PHASES) == set(Phase) == {phase for phase, _ in NEXT} == set(NEXT.values())
    assert {row.guide for row in PHASES.values()} == set(names("hand-back").values())
    for phase in Phase:  # whatever goes on, the automatic can be switched on and off
        assert phase in (Phase.AUTO, Phase.AUTO_HELD) or NEXT[phase, Event.AUTO_ON] is Phase.AUTO_HELD
    assert not any(to is Phase.COUPLED and event is not Event.WORKED_OFF for (_, event), to in NEXT.items())


@settings(max_examples=120, deadline=None)
@given(STORIES, st.floats(0, 300))
def test_whatever_the_order_of_events_nothing_jumps(story: list[tuple[Heard, int, float]], start: float) -> None:
    """Position moves by at most velocity x time, velocity changes by at most acceleration x time, travel is kept."""
    hand = HandBack(start, BOUNDS)
    now, position, velocity = 0.0, start, 0.0
    hand.step(now, story[0][0])
    for heard, times, step in story:
        for _ in range(times):
            now += step
            told = hand.step(now, heard)
            time = step + TICK_S  # a step may hold one tick that the one before had left over
            assert abs(told.setpoint_deg - position) <= BOUNDS.velocity_deg_s * time + ROUNDING
            assert abs(told.velocity_deg_s - velocity) <= BOUNDS.acceleration_deg_s2 * time + ROUNDING
            assert abs(told.velocity_deg_s) <= BOUNDS.velocity_deg_s + ROUNDING
            assert BOUNDS.low_deg <= told.setpoint_deg <= BOUNDS.high_deg
            position, velocity = told.setpoint_deg, told.velocity_deg_s
            guide = hand.guide(16, 0)
            assert guide.phase in names("hand-back")
            assert abs(guide.distance) < 1 << 23


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.floats(-20, 320), st.integers(1, 300)), min_size=1, max_size=8), st.floats(0, 300))
def test_setpoint_brakes_within_the_travel_tick_by_tick(goals: list[tuple[float, int]], start: float) -> None:
    """The travel is kept by braking for it, not by being cut: each position follows from the velocity."""
    smooth = Smooth(start, BOUNDS)
    for goal, ticks in goals:
        for _ in range(ticks):
            before, speed = smooth.position_deg, smooth.velocity_deg_s
            smooth.go(goal, TICK_S)
            assert smooth.position_deg - before == pytest.approx(smooth.velocity_deg_s * TICK_S, abs=1e-9)
            assert abs(smooth.velocity_deg_s - speed) <= BOUNDS.acceleration_deg_s2 * TICK_S + ROUNDING
    last = min(max(goals[-1][0], 0.0), 300.0)
    for _ in range(2500):
        smooth.go(last, TICK_S)
    assert smooth.position_deg == pytest.approx(last, abs=1e-6)
    assert smooth.velocity_deg_s == pytest.approx(0.0, abs=1e-3)


def test_automatic_off_holds_until_the_control_comes_near_enough() -> None:
    hand, now = coupled()
    now, told = play(hand, now, 2.0, Heard(True, 180.0, 100.0))
    assert told.phase is Phase.AUTO
    assert told.setpoint_deg == pytest.approx(180.0, abs=0.01)
    now, told = play(hand, now, 1.0, Heard(False, None, 100.0))
    assert told.phase is Phase.AWAY
    assert told.setpoint_deg == pytest.approx(180.0, abs=0.01)
    guide = hand.guide(17, 1)
    assert (guide.target, guide.target_axis) == (17, 1)
    assert guide.distance == pytest.approx(80_000, abs=20)
    assert names("hand-back")[guide.phase] == "away"
    now, told = play(hand, now, 0.3, Heard(False, None, 178.5))  # outside the window of 1 deg
    assert told.phase is Phase.AWAY
    now, told = play(hand, now, 0.5, Heard(False, None, 179.5))
    assert told.phase is Phase.COUPLED
    assert told.setpoint_deg == pytest.approx(179.5, abs=0.01)


def test_a_control_that_passes_the_motor_between_two_readings_has_met_it() -> None:
    hand, now = coupled()
    now, _ = play(hand, now, 2.0, Heard(True, 180.0, 100.0))
    now, told = play(hand, now, 0.2, Heard(False, None, 170.0))
    assert told.phase is Phase.AWAY
    told = hand.step(now + STEP, Heard(False, None, 190.0))
    assert told.phase is Phase.BLENDING
    assert told.setpoint_deg == pytest.approx(180.0, abs=0.05)


def test_a_control_that_comes_back_on_the_other_side_has_not_met_the_motor() -> None:
    hand, now = coupled()
    now, told = play(hand, now, 1.0, Heard(False, None, None))
    assert told.phase is Phase.LOST
    assert told.setpoint_deg == pytest.approx(100.0, abs=0.01)
    assert names("hand-back")[hand.guide(16, 0).phase] == "lost"
    now, told = play(hand, now, 0.3, Heard(False, None, 90.0))
    assert told.phase is Phase.AWAY
    now, told = play(hand, now, 1.0, Heard(False, None, None))
    now, told = play(hand, now, 0.3, Heard(False, None, 110.0))
    assert told.phase is Phase.AWAY
    assert told.setpoint_deg == pytest.approx(100.0, abs=0.01)


@pytest.mark.parametrize("away", [5.0, 40.0, 150.0])
def test_asking_works_the_difference_off_in_the_stated_time(away: float) -> None:
    hand, now = coupled()
    now, _ = play(hand, now, 3.0, Heard(True, 100.0 + away, 100.0))
    now, _ = play(hand, now, 0.1, Heard(False, None, 100.0))
    asked_at = now
    now, told = play(hand, now, STEP, Heard(False, None, 100.0, asked=True))
    assert told.phase is Phase.BLENDING
    while told.phase is not Phase.COUPLED:
        now, told = play(hand, now, STEP, Heard(False, None, 100.0))
    assert now - asked_at <= hand.blending_s + 3 * STEP
    assert hand.blending_s == pytest.approx(max(0.2, 1.875 * away / 100.0, math.sqrt(5.7735 * away / 750.0)), rel=1e-3)
    assert told.setpoint_deg == pytest.approx(100.0, abs=0.5)


def test_a_control_that_jumps_is_followed_within_the_limits() -> None:
    hand, now = coupled()
    now, told = play(hand, now, 0.1, Heard(False, None, 250.0))
    assert told.setpoint_deg < 100.0 + 0.5 * BOUNDS.acceleration_deg_s2 * 0.1**2 + 1.0
    now, told = play(hand, now, 2.0, Heard(False, None, 250.0))
    assert told.setpoint_deg == pytest.approx(250.0, abs=0.01)


def test_poor_readings_hold_and_say_so() -> None:
    hand, now = coupled()
    now, _ = play(hand, now, 0.3, Heard(True, 200.0, 100.0))
    now, told = play(hand, now, 0.5, Heard(True, None, 100.0))
    held = told.setpoint_deg
    assert told.phase is Phase.AUTO_HELD
    assert 100.0 < held < 200.0
    assert "holds" in told.text
    now, told = play(hand, now, 0.5, Heard(True, None, 250.0))
    assert told.setpoint_deg == held  # the control is not followed either
    now, told = play(hand, now, 2.0, Heard(True, 200.0, 250.0))
    assert told.phase is Phase.AUTO
    assert told.setpoint_deg == pytest.approx(200.0, abs=0.01)


def test_values_that_make_no_sense_are_refused() -> None:
    with pytest.raises(ValueError, match="outside its travel"):
        HandBack(301.0, BOUNDS)
    with pytest.raises(ValueError, match="above 0"):
        HandBack(10.0, BOUNDS, window_deg=0.0)
    with pytest.raises(ValueError, match="above 0"):
        HandBack(10.0, Bounds(0.0, 1.0, 0.0, 300.0))
