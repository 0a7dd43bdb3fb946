"""Whether a take can be played, judged against motions whose figures are known; and what is streamed for it."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from takes_helpers import axis

from ringlet.hwsim.ramp import RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp
from ringlet.tools.bench.ramp import MotionLimits
from ringlet.tools.errors import UsageProblem
from ringlet.tools.takes.columns import AxisColumns
from ringlet.tools.takes.plan import Motor, Track, make_tracks, too_fast
from ringlet.tools.takes.replay import LEAD

LIMITS = MotionLimits(240.0, 1500.0, 1500.0, 30_000.0)
MOTOR = Motor(LIMITS, 0.0, 300.0)


def held(times: np.ndarray, positions: np.ndarray, state: str = "following") -> AxisColumns:
    words = np.array([state] * len(times), dtype=object)
    return AxisColumns(times, {"setpoint_deg": np.round(positions, 3), "velocity_deg_s": np.gradient(positions, times)},
                       {"state": words})  # fmt: skip


def track(motion: Callable[[np.ndarray], np.ndarray], seconds: float = 4.0, **how: str) -> Track:
    times = np.arange(0.0, seconds + 1e-9, 0.01)
    return make_tracks({"16.0": held(times, motion(times), **how)}, {"16.0": axis()}, set())["16.0"]


def ramped(targets: tuple[float, ...] = (200.0, 50.0, 250.0), limits: MotionLimits = LIMITS) -> Track:
    """What a motor records that obeys these limits: moves that interrupt each other."""
    ramp = FixedRamp(RampLimits(*(1000 * one for one in limits)))
    ramp.travel = (0, 300_000)
    ramp.reset(20_000)
    positions = []
    for number in range(4000):
        if number % 700 == 300 and number // 700 < len(targets):
            ramp.move(1000 * targets[number // 700])
        ramp.tick()
        if number % 10 == 0:
            positions.append(round(ramp.position) / 1000)
    times = 0.01 * np.arange(len(positions))
    return make_tracks({"16.0": held(times, np.array(positions))}, {"16.0": axis()}, set())["16.0"]


def swing(times: np.ndarray) -> np.ndarray:
    """40 deg to and fro at 1.2 Hz, with a smooth start and end."""
    window = np.clip(times, 0, 1) * np.clip(4.0 - times, 0, 1)
    smooth = window**3 * (10 - 15 * window + 6 * window**2)
    return np.asarray(150.0 + 40.0 * smooth * np.sin(2 * math.pi * 1.2 * times))


@pytest.mark.parametrize("which", ["velocity", "acceleration", "jerk"])
def test_a_lower_limit_is_named(which: str) -> None:
    lower = {"velocity": LIMITS._replace(velocity=200.0), "jerk": LIMITS._replace(jerk=20_000.0),
             "acceleration": LIMITS._replace(acceleration=1200.0, deceleration=1200.0)}[which]  # fmt: skip
    found = too_fast(ramped(), Motor(lower, 0.0, 300.0))
    assert [one.what for one in found] == [which]
    # What is shown is a mean over a short window: never above the true peak, and not far below.
    assert 0.9 * getattr(LIMITS, which) < found[0].value < 1.01 * getattr(LIMITS, which)
    assert found[0].limit == getattr(lower, which)


def test_growing_and_falling_speed_have_limits_of_their_own() -> None:
    soft = LIMITS._replace(deceleration=900.0)
    [found] = too_fast(ramped(), Motor(soft, 0.0, 300.0))
    assert (found.what, found.limit) == ("acceleration", 900.0)
    assert too_fast(ramped(limits=soft), Motor(soft, 0.0, 300.0)) == []


def test_the_place_of_the_worst_is_found() -> None:
    def motion(times: np.ndarray) -> np.ndarray:
        return 150.0 + 100.0 / (1.0 + np.exp(-(times - 2.7) * 20.0))  # fastest at 2.7 s: 100*20/4 = 500 deg/s
    found = {one.what: one for one in too_fast(track(motion), MOTOR)}
    assert found["velocity"].take_s == pytest.approx(2.7, abs=0.02)
    assert found["velocity"].value == pytest.approx(500.0, rel=0.03)
    text = found["velocity"].sentence(lambda at: f"<{at:.1f}>")
    assert text.startswith("axis 16.0 at <2.7>: velocity 4")
    assert text.endswith("and the limit is 240 deg/s")


def test_slower_play_divides_by_its_power() -> None:
    fine = np.arange(0.0, 4.0, 1e-4)
    speed = float(np.abs(np.gradient(swing(fine), fine)).max())
    change = float(np.abs(np.gradient(np.gradient(swing(fine), fine), fine)).max())
    for_speed, for_change = 240.0 / speed, math.sqrt(1500.0 / change)
    assert max(for_speed, for_change) < 0.9
    fast = track(swing)

    def whats(factor: float) -> set[str]:
        return {one.what for one in too_fast(fast, MOTOR, factor)}

    assert whats(1.0) == {"velocity", "acceleration"}
    assert whats(1.06 * max(for_speed, for_change)) == {"velocity", "acceleration"}
    assert whats(0.98 * min(for_speed, for_change)) == set()
    # A motor that turns faster leaves only the acceleration, which falls with the square.
    quick = Motor(LIMITS._replace(velocity=1000.0), 0.0, 300.0)
    assert {one.what for one in too_fast(fast, quick, 1.06 * for_change)} == {"acceleration"}
    assert too_fast(fast, quick, 0.98 * for_change) == []


@pytest.mark.parametrize("speed", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("limits", [LIMITS, LIMITS._replace(deceleration=900.0)], ids=["even", "soft braking"])
def test_faster_play_multiplies_by_its_power(speed: float, limits: MotionLimits) -> None:
    """Recorded at limits that become these at that speed: it just fits, and no limit may be a tenth lower."""
    slow = MotionLimits(*(
        one / speed**order for one, order in zip(limits, (1, 2, 2, 3), strict=True)
    ))  # fmt: skip
    one = ramped(limits=slow)
    assert too_fast(one, Motor(limits, 0.0, 300.0), speed) == []
    lower = {"velocity": limits.velocity * 0.9, "acceleration": limits.acceleration * 0.9,
             "deceleration": limits.deceleration * 0.9, "jerk": limits.jerk * 0.9}  # fmt: skip
    for name, value in lower.items():
        found = {this.what for this in too_fast(one, Motor(limits._replace(**{name: value}), 0.0, 300.0), speed)}
        if name != "acceleration" or limits.acceleration == limits.deceleration:
            assert found == {name.replace("deceleration", "acceleration")}, name


def test_travel_is_checked_at_both_ends() -> None:
    one = ramped()
    for motor, limit in ((Motor(LIMITS, 30.0, 300.0), 30.0), (Motor(LIMITS, 0.0, 240.0), 240.0)):
        [found] = too_fast(one, motor)
        assert (found.what, found.limit, found.unit) == ("position", limit, "deg")


def test_an_end_in_motion_must_leave_room_to_stop() -> None:
    def motion(times: np.ndarray) -> np.ndarray:
        return 100.0 + 0.5 * 60.0 * np.minimum(times, 3.0) ** 2 / 2 + 90.0 * np.maximum(0.0, times - 3.0)
    moving = track(motion, 3.7)
    assert too_fast(moving, Motor(LIMITS, 0.0, 310.0)) == []
    end = float(moving.position[-1])
    [found] = too_fast(moving, Motor(LIMITS, 0.0, end + 1.0))
    assert found.what == "after its end, place of rest"
    assert found.value > end + 2.0


def test_a_ring_turned_by_hand_is_smoothed_not_refused() -> None:
    """Counts of 0.02 deg would be 200 deg/s2 and more between samples."""
    def motion(times: np.ndarray) -> np.ndarray:
        return 0.02 * np.round((150.0 + 20.0 * np.sin(times)) / 0.02)
    by_hand = track(motion, state="released")
    assert by_hand.smoothed
    assert by_hand.quantum_deg == 0.02
    assert too_fast(by_hand, MOTOR) == []
    times = by_hand.begin_s + 0.01 * np.arange(len(by_hand.position))
    assert np.abs(by_hand.position - (150.0 + 20.0 * np.sin(times))).max() < 0.02
    assert not track(motion).smoothed


def test_nobody_knows_what_happened_in_a_hole() -> None:
    times = np.concatenate((np.arange(0, 1, 0.01), np.arange(1.4, 3, 0.01)))
    with pytest.raises(UsageProblem, match=r"no samples from 0\.99 to 1\.40 s"):
        make_tracks({"16.0": held(times, 0 * times)}, {"16.0": axis()}, set())


def test_axes_need_time_in_common() -> None:
    early, late = (held(begin + np.arange(0, 1, 0.01), np.zeros(100)) for begin in (0.0, 2.0))
    with pytest.raises(UsageProblem, match="in common"):
        make_tracks({"16.0": early, "16.1": late}, {"16.0": axis(), "16.1": axis("16.1")}, set())


@pytest.mark.parametrize(("room", "worst"), [(1.0, 0.9), (1.05, 0.5), (1.3, 0.4), (2.0, 0.4)])
def test_streamed_aims_keep_the_ramp_on_the_take(room: float, worst: float) -> None:
    """Setpoints sent as they stand leave the ramp 25 deg behind; aims keep it within tenths, at 240 deg/s."""
    one = ramped()
    limits = MotionLimits(*(room * limit for limit in LIMITS))
    motor = Motor(limits, 0.0, 300.0)
    errors = {}
    for name, aim in (("aims", lambda at: one.aim(at + LEAD * 0.01, 1.0, motor)), ("plain", lambda at: one.at(at)[0])):
        ramp = FixedRamp(RampLimits(*(1000 * limit for limit in limits)))
        ramp.travel = (0, 300_000)
        ramp.reset(1000 * one.at(0.0)[0])
        far = []
        for number in range(3950):
            if number % 10 == 0:
                ramp.move(1000 * aim(number / 1000))
            ramp.tick()
            far.append(abs(ramp.position / 1000 - one.at((number + 1) / 1000)[0]))
        errors[name] = max(far)
    assert errors["aims"] < worst
    assert errors["plain"] > 10.0


def test_aims_stay_inside_the_travel() -> None:
    one = ramped((300.0, 0.0, 300.0))
    for number in range(400):
        assert 0.0 <= one.aim(number / 100, 1.0, MOTOR) <= 300.0
