"""The floating ramp generator: exact ends, the distances to stop, and the stated rules for limits and travel."""

import math
from collections.abc import Iterator

import pytest
from long_ramp import FLOAT_SLACK, Broken, float_job, random_limits, soak

from ringlet.hwsim.ramp import Ramp, RampLimits

LIMITS = RampLimits(velocity=120_000.0, acceleration=600_000.0, deceleration=400_000.0, jerk=8e6)
DT = 0.001


def settle(ramp: Ramp, most: int = 100_000) -> int:
    """Tick until at rest; returns the number of ticks."""
    ticks = 0
    while not ramp.at_rest:
        ramp.tick()
        ticks += 1
        assert ticks < most, "does not come to rest"
    return ticks


def ticking(ramp: Ramp, most: int = 100_000) -> Iterator[None]:
    """Tick until the caller breaks off; a ramp that never gets there fails."""
    for _ in range(most):
        ramp.tick()
        yield
    raise AssertionError("does not get there")


def test_a_move_ends_exactly() -> None:
    ramp = Ramp(LIMITS, 1000.0)
    ramp.move(-70_001.25)
    assert not ramp.at_rest
    settle(ramp)
    assert (ramp.position, ramp.velocity, ramp.acceleration) == (-70_001.25, 0.0, 0.0)
    assert ramp.target == -70_001.25


def test_speed_caps_a_move() -> None:
    ramp = Ramp(LIMITS)
    ramp.move(50_000.0, speed=30_000.0)
    top = 0.0
    for _ in ticking(ramp):
        top = max(top, ramp.velocity)
        if ramp.at_rest:
            break
    assert top == pytest.approx(30_000.0, rel=1e-12)


def test_full_speed_and_both_accelerations_are_used() -> None:
    ramp = Ramp(LIMITS)
    ramp.move(200_000.0)
    top = most = least = 0.0
    for _ in ticking(ramp):
        top, most, least = max(top, ramp.velocity), max(most, ramp.acceleration), min(least, ramp.acceleration)
        if ramp.at_rest:
            break
    assert (top, most, least) == pytest.approx((120_000.0, 600_000.0, -400_000.0), rel=1e-12)


@pytest.mark.parametrize("jerk", [8e6, 2e6])
def test_stopping_distance_in_closed_form(jerk: float) -> None:
    """From v at a = 0: the fall of v is a ramp of a to d, a hold, and a ramp back, symmetric in time about its middle.

    By that symmetry the mean velocity is v/2 and the distance v T/2. The ramps take d/j each and together change v by
    d^2/j, the hold takes (v - d^2/j)/d, so T = v/d + d/j and the distance is v^2/(2d) + v d/(2j). When v < d^2/j the
    peak is sqrt(v j) instead of d, T = 2 sqrt(v/j), and the distance is v sqrt(v/j).
    """
    limits = LIMITS._replace(jerk=jerk)
    d = limits.deceleration
    for speed in (120_000.0, 60_000.0, 5_000.0):
        ramp = Ramp(limits)
        ramp.run(speed)
        for _ in range(2000):
            ramp.tick()
        assert ramp.velocity == speed
        assert ramp.acceleration == 0.0
        ahead = ramp.stopping_point() - ramp.position
        want = speed**2 / (2 * d) + speed * d / (2 * jerk) if speed >= d * d / jerk else speed * math.sqrt(speed / jerk)
        assert ahead == pytest.approx(want, rel=1e-9)
        point = ramp.stopping_point()
        ramp.stop()
        settle(ramp)
        assert ramp.position == pytest.approx(point, abs=1e-5)


def test_a_run_ends_exactly_at_the_travel() -> None:
    for sign in (1.0, -1.0):
        ramp = Ramp(LIMITS)
        ramp.travel = (-45_000.5, 61_234.25)
        ramp.run(sign * 1e9)
        assert ramp.target is None
        settle(ramp)
        assert ramp.position == (61_234.25 if sign > 0 else -45_000.5)


def test_a_run_goes_on_when_its_limit_moves_away_and_a_finished_move_does_not() -> None:
    ramp = Ramp(LIMITS)
    ramp.travel = (0.0, 1000.0)
    ramp.run(50_000.0)
    settle(ramp)
    ramp.travel = (0.0, 2000.0)
    settle(ramp)
    assert ramp.position == 2000.0
    ramp.move(1500.0)
    settle(ramp)
    ramp.travel = (0.0, 1200.0)
    assert ramp.at_rest


def test_a_new_target_while_braking_takes_effect_in_the_next_tick() -> None:
    for farther in (True, False):
        ramp = Ramp(LIMITS)
        ramp.move(60_000.0)
        for _ in ticking(ramp):
            if ramp.acceleration <= -LIMITS.deceleration:
                break
        ramp.move(90_000.0 if farther else -10_000.0)
        before = ramp.acceleration
        ramp.tick()
        # Full jerk forwards; backwards it is at its bound already and stays there through v = 0.
        assert ramp.acceleration == pytest.approx(before + LIMITS.jerk * DT if farther else before, rel=1e-9)
        for _ in ticking(ramp):
            if not farther and ramp.velocity < 0.0:
                assert ramp.acceleration <= -LIMITS.deceleration
                break
            if ramp.at_rest:
                break
        settle(ramp)
        assert ramp.position == (90_000.0 if farther else -10_000.0)


def test_a_target_outside_the_travel_is_clamped() -> None:
    ramp = Ramp(LIMITS)
    ramp.travel = (-10.0, 5000.0)
    ramp.move(9000.0)
    assert ramp.target == 5000.0
    settle(ramp)
    assert ramp.position == 5000.0


def cruising(limits: RampLimits = LIMITS) -> Ramp:
    ramp = Ramp(limits)
    ramp.run(limits.velocity)
    for _ in range(1000):
        ramp.tick()
    assert ramp.velocity == limits.velocity
    return ramp


def test_travel_wins_over_weaker_limits() -> None:
    ramp = cruising()
    end = ramp.stopping_point() + 100.0
    ramp.travel = (-1000.0, end)
    weak = LIMITS._replace(deceleration=50_000.0, jerk=1e6)
    ramp.limits = weak
    assert ramp.limits == weak
    assert ramp.limits_in_force == LIMITS
    highest = 0.0
    taken_over = None
    for tick in range(100_000):
        if ramp.at_rest:
            break
        ramp.tick()
        highest = max(highest, ramp.position)
        if taken_over is None and ramp.limits_in_force == weak:
            taken_over = tick
            assert abs(ramp.velocity) > 0.0, "the weaker set should come into force before rest"
    assert taken_over is not None
    assert ramp.position == end
    assert highest <= end


def test_a_weaker_deceleration_may_overshoot_a_target_but_comes_back() -> None:
    ramp = Ramp(LIMITS)
    ramp.move(60_000.0)
    for _ in ticking(ramp):
        if ramp.acceleration <= -200_000.0:
            break
    ramp.limits = LIMITS._replace(deceleration=100_000.0)
    assert ramp.stopping_point() > 60_000.0
    settle(ramp)
    assert ramp.position == 60_000.0


def test_a_shrunk_travel_brakes_hard_and_comes_back() -> None:
    ramp = cruising()
    shortest = ramp.stopping_point()
    ramp.travel = (-1000.0, ramp.position - 10.0)
    end = ramp.position - 10.0
    highest = -math.inf
    for _ in ticking(ramp):
        highest = max(highest, ramp.position)
        if ramp.at_rest:
            break
    # Turning round may reach less far than stopping: a is not taken back to zero on the way.
    assert end < highest <= shortest + 1e-6
    assert ramp.position == end


def test_a_lower_velocity_limit_is_met_in_the_least_time() -> None:
    ramp = cruising()
    low = 40_000.0
    ramp.limits = LIMITS._replace(velocity=low)
    ticks = 0
    for _ in ticking(ramp):
        ticks += 1
        if ramp.velocity <= low:
            break
    # As in the stopping distance: T = dv/d + d/j.
    want = (120_000.0 - low) / LIMITS.deceleration + LIMITS.deceleration / LIMITS.jerk
    assert want <= ticks * DT <= want + DT
    assert ramp.velocity == low


def test_lower_acceleration_and_jerk_are_obeyed_at_once() -> None:
    ramp = Ramp(LIMITS)
    ramp.run(120_000.0)
    for _ in ticking(ramp):
        if ramp.acceleration >= LIMITS.acceleration:
            break
    less = LIMITS._replace(acceleration=100_000.0, jerk=4e6)
    ramp.limits = less
    expected = LIMITS.acceleration
    for _ in ticking(ramp):
        expected = max(expected - less.jerk * DT, less.acceleration)
        assert ramp.acceleration == pytest.approx(expected, rel=1e-9)
        if expected <= less.acceleration:
            break


def test_a_reversal_takes_acceleration_and_deceleration_in_turn() -> None:
    for accel, decel in ((300_000.0, 900_000.0), (900_000.0, 300_000.0)):
        limits = RampLimits(120_000.0, accel, decel, 2e7)
        ramp = cruising(limits)
        ramp.run(-120_000.0)
        falling = growing = 0.0
        for _ in ticking(ramp):
            if ramp.velocity > 0.0:
                falling = max(falling, -ramp.acceleration)
            else:
                growing = max(growing, -ramp.acceleration)
            if ramp.velocity <= -120_000.0:
                break
        assert (falling, growing) == pytest.approx((decel, accel), rel=1e-9)


def test_stop_beats_a_move_and_reset_beats_all() -> None:
    ramp = Ramp(LIMITS)
    ramp.move(100_000.0)
    for _ in range(300):
        ramp.tick()
    point = ramp.stopping_point()
    ramp.stop()
    assert ramp.target is None
    settle(ramp)
    assert ramp.position == pytest.approx(point, abs=1e-5)
    ramp.move(0.0)
    for _ in range(100):
        ramp.tick()
    ramp.reset(123.5)
    assert ramp.at_rest
    ramp.tick()
    assert (ramp.position, ramp.velocity, ramp.acceleration) == (123.5, 0.0, 0.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, 0.0, -1.0])
def test_bad_numbers_are_refused_and_change_nothing(bad: float) -> None:
    ramp = Ramp(LIMITS)
    for name in LIMITS._fields:
        with pytest.raises(ValueError, match=name):
            ramp.limits = LIMITS._replace(**{name: bad})
    with pytest.raises(ValueError, match="speed"):
        ramp.move(1.0, speed=bad)
    with pytest.raises(ValueError, match="tick"):
        Ramp(LIMITS, 0.0, bad)
    assert ramp.limits == LIMITS
    assert ramp.at_rest


def test_targets_and_travels_must_be_numbers_in_order() -> None:
    ramp = Ramp(LIMITS)
    for call in (ramp.move, ramp.run, ramp.reset):
        with pytest.raises(ValueError, match="finite"):
            call(math.nan)
    with pytest.raises(ValueError, match="above its maximum"):
        ramp.travel = (1.0, 0.0)
    with pytest.raises(ValueError, match="finite"):
        ramp.travel = (0.0, math.inf)
    assert ramp.travel is None
    assert ramp.at_rest


def test_random_traffic_keeps_every_promise() -> None:
    """One million ticks; 10^8 by hand: python tests/hwsim/long_ramp.py --ticks 100000000."""
    total: dict[str, int] = {}
    for seed in range(9):
        for name, count in float_job(112_000, seed).items():
            total[name] = total.get(name, 0) + count
    assert total["ticks"] >= 1_000_000
    for event in ("arrivals", "limit_hits", "outside", "limits", "waits", "travels", "reversals"):
        assert total[event] > 50, f"the traffic hardly contains any {event}: {total}"


def test_the_soak_notices_a_broken_ramp() -> None:
    class TooStrong(Ramp):
        """Obeys a deceleration that is 1 % above what it says."""

        def tick(self) -> None:
            kept = self._limits
            self._limits = kept._replace(deceleration=kept.deceleration * 1.01)
            if self._asked is kept:
                self._asked = self._limits
            super().tick()
            if self._asked is self._limits:
                self._asked = kept
            self._limits = kept

    with pytest.raises(Broken):
        soak(lambda limits, position: TooStrong(limits, position), 100_000, 3, FLOAT_SLACK)


def test_the_random_limits_cover_both_asymmetries() -> None:
    import random

    rng = random.Random(4)
    ratios = [x.acceleration / x.deceleration for x in (random_limits(rng) for _ in range(200))]
    assert min(ratios) < 0.2
    assert max(ratios) > 5.0
