"""The integer ramp generator: plans are exact, ranges hold, it agrees with the floating one and keeps every promise."""

import copy
import math
import multiprocessing
import random
from collections.abc import Iterator
from typing import Any

import pytest
from long_ramp import FIXED_SLACK, Broken, fixed_job, random_limits, reach, soak

from ringlet.hwsim import ramp_plan
from ringlet.hwsim.ramp import Ramp, RampLimits
from ringlet.hwsim.ramp_fixed import NEAR, FixedRamp
from ringlet.hwsim.ramp_plan import ONE, POSITION_LIMIT, Units

LIMITS = RampLimits(velocity=120_000.0, acceleration=600_000.0, deceleration=400_000.0, jerk=8e6)


def settle(ramp: FixedRamp | Ramp, most: int = 100_000) -> int:
    """Tick until at rest; returns the number of ticks."""
    ticks = 0
    while not ramp.at_rest:
        ramp.tick()
        ticks += 1
        assert ticks < most, "does not come to rest"
    return ticks


def ticking(ramp: FixedRamp, most: int = 100_000) -> Iterator[None]:
    """Tick until the caller breaks off; a ramp that never gets there fails."""
    for _ in range(most):
        ramp.tick()
        yield
    raise AssertionError("does not get there")


def log_int(rng: random.Random, low: float, high: float) -> int:
    return int(math.exp(rng.uniform(math.log(low), math.log(high))))


def random_units(rng: random.Random) -> Units:
    """Limits over the whole range that `units_of_limits` lets through at 1 kHz."""
    while True:
        velocity = log_int(rng, 1, ramp_plan.VELOCITY_MOST + 1)
        limits = RampLimits(
            velocity,
            log_int(rng, 10, ramp_plan.ACCELERATION_MOST + 1),
            log_int(rng, 10, ramp_plan.ACCELERATION_MOST + 1),
            log_int(rng, 10, ramp_plan.JERK_MOST + 1),
        )
        try:
            return ramp_plan.units_of_limits(limits, 1000)
        except ValueError:
            continue


def random_state(rng: random.Random, units: Units) -> tuple[int, int]:
    """(v, a), often beyond the limits, as after a change of limits, but such that `fits`."""
    while True:
        v = rng.choice((-1, 1)) * log_int(rng, 1, 3 * units.velocity + 2) * rng.choice((0, 1, 1, 1))
        a = rng.choice((-1, 1)) * log_int(rng, 1, 2 * max(units.acceleration, units.deceleration) + 2)
        a *= rng.choice((0, 1, 1))
        if ramp_plan.fits(v, a, units):
            return v, a


@pytest.mark.parametrize("seed", range(4))
def test_plans_are_executed_exactly(seed: int) -> None:
    """Run brake and velocity plans to the end: exact goal, exact end and reach, jerk and acceleration kept."""
    rng = random.Random(seed)
    done = 0
    while done < 300:
        units = random_units(rng)
        jerk = units.jerk
        v0, a0 = random_state(rng, units)
        goal = rng.choice((0, 0, rng.randint(-units.velocity, units.velocity)))
        limit = units.deceleration
        side = 1 if ramp_plan.settled(v0, a0, jerk) <= goal else -1
        plan = ramp_plan.make_plan(v0, a0, goal, side, limit, jerk)
        if plan.hold + abs(a0) // jerk + units.deceleration // jerk > 5000:
            continue  # too long to walk through
        done += 1
        p, v, a = 0, v0, a0
        low = high = 0
        ticks = 0
        rest = plan
        while (v, a) != (goal, 0) or rest.level or rest.hold or rest.rest:
            a1, rest = ramp_plan.next_step(a, rest, jerk)
            assert abs(a1 - a) <= jerk
            # Above the limit it falls with full jerk, but for the one put-in tick.
            assert abs(a1) <= limit or abs(a1) <= abs(a) - jerk or rest.rest < plan.rest
            a = a1
            v += a
            p += v
            low, high = min(low, p), max(high, p)
            ticks += 1
            assert ticks < 100_000
        if goal == 0:
            held = ramp_plan.brake(0, v0, a0, limit, jerk)
            assert (held.end, held.low, held.high) == (p, low, high)


class Word(int):
    """An integer whose arithmetic fails where a signed 64-bit word would overflow."""

    def _checked(self, value: Any) -> "Word":
        if value is NotImplemented or not -(1 << 63) <= value < 1 << 63:
            raise OverflowError(f"{value} does not fit 64 bits")
        return Word(value)


def _operation(name: str) -> Any:
    plain = getattr(int, f"__{name}__")
    return lambda self, *other: self._checked(plain(self, *other))


_OPERATIONS = ["add", "sub", "mul", "floordiv", "mod", "lshift", "rshift", "radd", "rsub", "rmul", "rfloordiv", "rmod"]
for _name in [*_OPERATIONS, "neg"]:
    setattr(Word, f"__{_name}__", _operation(_name))


def test_the_checked_word_checks() -> None:
    with pytest.raises(OverflowError):
        Word(1 << 62) * 2
    with pytest.raises(OverflowError):
        2 * Word(1 << 62)
    with pytest.raises(OverflowError):
        Word(1) << 63
    assert Word(7) // 2 == 3


def test_everything_fits_64_bits() -> None:
    """The core over its whole range of limits, states and positions, in words that complain."""
    rng = random.Random(7)
    widest = 0
    for _ in range(20_000):
        plain = random_units(rng)
        units = Units(*(Word(x) for x in plain))
        v, a = (Word(x) for x in random_state(rng, plain))
        assert ramp_plan.fits(v, a, units)
        p = Word(rng.choice((-1, 1)) * ramp_plan.POSITION_LIMIT * ONE)
        held = ramp_plan.brake(p, v, a, units.deceleration, units.jerk)
        widest = max(widest, abs(held.end))
        plan = ramp_plan.cruise(v, a, rng.choice((-1, 1)) * units.velocity, units)
        ramp_plan.next_step(a, plan, units.jerk)
        step = Word(2 * min(plain.jerk, plain.acceleration + plain.deceleration))
        ramp_plan.between(-step, step, Word(rng.randrange(1 << 60)), Word(1 << 61))
    assert widest > 1 << 59  # the positions used really lie at the end of the range
    limits = RampLimits(3_600_000.0, 200_000_000.0, 50_000_000.0, 2e11)
    for _ in range(20):
        # The whole generator, from one end of the range towards the other and back.
        ramp = FixedRamp(limits, POSITION_LIMIT - rng.randint(0, 1000))
        ramp._units = Units(*(Word(x) for x in ramp._units))
        ramp._p, ramp._v, ramp._a = Word(ramp._p), Word(0), Word(0)
        for target in (-POSITION_LIMIT, POSITION_LIMIT):
            ramp.move(float(target))
            ramp._goal = Word(ramp._goal)
            for _ in range(rng.randint(50, 400)):
                ramp.tick()
        settle(ramp)
        assert isinstance(ramp._v, Word)
        assert ramp.position == POSITION_LIMIT
    for rate in (100, 500, 1000, 10_000):
        for jerk in (ramp_plan.JERK_MOST, 1 << 35, (1 << 34) - 1):
            most = Word(ramp_plan.ACCELERATION_MOST)
            ramp_plan.scaled(Word(ramp_plan.VELOCITY_MOST), most, most, Word(jerk), rate)


def test_limits_in_units_are_rounded_down() -> None:
    units = ramp_plan.units_of_limits(RampLimits(1000.0, 1e6, 2e6, 1e9), 1000)
    assert units == Units(ONE, ONE, 2 * ONE, ONE)
    # More than acceleration + deceleration in one tick has no effect.
    assert ramp_plan.units_of_limits(RampLimits(1000.0, 1e6, 2e6, 2e11), 1000).jerk == 3 * ONE
    assert ramp_plan.units_of_limits(RampLimits(1001.0, 1e6, 2e6, 1e9), 1000).velocity == 1001 * ONE // 1000
    with pytest.raises(ValueError, match="too large"):
        ramp_plan.units_of_limits(RampLimits(3_600_000.0, 2e8, 2e8, 2e11), 500)


@pytest.mark.parametrize(
    "limits",
    [
        LIMITS._replace(velocity=3_600_001.0),
        LIMITS._replace(acceleration=2.1e8),
        LIMITS._replace(jerk=3e12),
        LIMITS._replace(jerk=1.0),
        LIMITS._replace(deceleration=1000.0),
        LIMITS._replace(jerk=math.nan),
        LIMITS._replace(velocity=0.0),
    ],
)
def test_limits_out_of_range_are_refused_and_change_nothing(limits: RampLimits) -> None:
    ramp = FixedRamp(LIMITS)
    with pytest.raises(ValueError, match=r"limit|ramp"):
        ramp.limits = limits
    assert ramp.limits == LIMITS
    ramp.move(1000.0)
    settle(ramp)
    assert ramp.position == 1000.0


def test_bad_numbers_are_refused() -> None:
    ramp = FixedRamp(LIMITS)
    for call in (ramp.move, ramp.reset):
        for bad in (math.nan, 3e9):
            with pytest.raises(ValueError, match="within"):
                call(bad)
    with pytest.raises(ValueError, match="finite"):
        ramp.run(math.inf)
    with pytest.raises(ValueError, match="whole mdeg"):
        ramp.travel = (0.25, 0.75)
    with pytest.raises(ValueError, match="speed"):
        ramp.move(0.0, speed=0.0)
    for dt in (0.0, math.nan, 0.0007, 0.02, 0.00005):
        with pytest.raises(ValueError, match="tick"):
            FixedRamp(LIMITS, 0.0, dt)
    assert ramp.at_rest


@pytest.mark.parametrize("target", [1.0, -37.0, 5_000.0, -200_000.0])
def test_moves_end_on_the_mdeg_and_agree_with_the_floating_ramp(target: float) -> None:
    exact, ramp = Ramp(LIMITS), FixedRamp(LIMITS)
    exact.move(target)
    ramp.move(target)
    widest = top = 0.0
    ticks = 0
    while not (exact.at_rest and ramp.at_rest):
        exact.tick()
        ramp.tick()
        ticks += 1
        widest = max(widest, abs(exact.position - ramp.position))
        top = max(top, abs(exact.velocity))
        assert ticks < 10_000
    assert ramp.position == target
    assert (ramp.velocity, ramp.acceleration) == (0.0, 0.0)
    # Whole ticks against a switch anywhere in a tick: up to three ticks' way apart.
    assert widest <= 3.0 * top * 0.001


def test_stopping_distance_in_closed_form() -> None:
    """v^2/(2d) + v d/(2j), derived in test_ramp.py, less up to two ticks' way (p += v counts the tick's last v)."""
    for speed in (120_000.0, 60_000.0):
        ramp = FixedRamp(LIMITS)
        ramp.run(speed)
        for _ in range(2000):
            ramp.tick()
        assert ramp.velocity == speed
        want = speed**2 / (2 * LIMITS.deceleration) + speed * LIMITS.deceleration / (2 * LIMITS.jerk)
        assert ramp.stopping_point() - ramp.position == pytest.approx(want, abs=2 * speed * 0.001)
        point = ramp.stopping_point()
        ramp.stop()
        settle(ramp)
        assert ramp.position == point


def test_full_speed_and_both_accelerations_are_used() -> None:
    for limits in (LIMITS, LIMITS._replace(acceleration=200_000.0, deceleration=900_000.0)):
        ramp = FixedRamp(limits)
        ramp.move(200_000.0)
        top = most = least = 0.0
        for _ in ticking(ramp):
            top, most, least = max(top, ramp.velocity), max(most, ramp.acceleration), min(least, ramp.acceleration)
            if ramp.at_rest:
                break
        assert (top, most, least) == pytest.approx((120_000.0, limits.acceleration, -limits.deceleration), rel=1e-6)


def test_a_reversal_takes_acceleration_and_deceleration_in_turn() -> None:
    for accel, decel in ((300_000.0, 900_000.0), (900_000.0, 300_000.0)):
        ramp = FixedRamp(RampLimits(120_000.0, accel, decel, 2e7))
        ramp.run(120_000.0)
        for _ in range(2000):
            ramp.tick()
        ramp.run(-120_000.0)
        falling = growing = 0.0
        for _ in ticking(ramp):
            if ramp.velocity > 0.0:
                falling = max(falling, -ramp.acceleration)
            else:
                growing = max(growing, -ramp.acceleration)
            if ramp.velocity <= -120_000.0:
                break
        assert (falling, growing) == pytest.approx((decel, accel), rel=1e-6)


def test_a_run_ends_exactly_at_the_travel_and_goes_on_when_it_grows() -> None:
    for sign in (1.0, -1.0):
        ramp = FixedRamp(LIMITS)
        ramp.travel = (-45_000.5, 61_234.25)
        assert ramp.travel == (-45_000.0, 61_234.0)
        ramp.run(sign * 1e9)
        settle(ramp)
        assert ramp.position == (61_234.0 if sign > 0 else -45_000.0)
        ramp.travel = (-46_000.0, 62_000.0)
        settle(ramp)
        assert ramp.position == (62_000.0 if sign > 0 else -46_000.0)
    ramp.move(1e6)
    assert ramp.target == 62_000.0
    settle(ramp)
    ramp.travel = (0.0, 10.0)
    assert ramp.at_rest


def test_travel_wins_over_weaker_limits() -> None:
    ramp = FixedRamp(LIMITS)
    ramp.run(120_000.0)
    for _ in range(1000):
        ramp.tick()
    end = float(math.ceil(ramp.stopping_point()))
    ramp.travel = (-1000.0, end)
    weak = LIMITS._replace(deceleration=50_000.0, jerk=1e6)
    ramp.limits = weak
    assert ramp.limits == weak
    assert ramp.limits_in_force == LIMITS
    highest = 0.0
    for _ in ticking(ramp):
        highest = max(highest, ramp.position)
        if ramp.at_rest:
            break
    assert ramp.limits_in_force == weak
    assert highest <= end
    assert ramp.position == end


def test_limits_too_weak_to_plan_with_wait() -> None:
    ramp = FixedRamp(LIMITS._replace(velocity=3_000_000.0, acceleration=2e8, jerk=2e10))
    ramp.run(3_000_000.0)
    for _ in range(12):
        ramp.tick()
    weak = RampLimits(3_000_000.0, 1e6, 1e6, 2e9)
    assert not ramp_plan.fits(ramp._v, ramp._a, ramp_plan.units_of_limits(weak, 1000))
    ramp.limits = weak
    assert ramp.limits_in_force != weak
    for _ in ticking(ramp):
        if ramp.limits_in_force == weak:
            break
    assert ramp_plan.fits(ramp._v, ramp._a, ramp_plan.units_of_limits(weak, 1000))


def test_states_that_no_plan_may_start_from() -> None:
    units = Units(1 << 30, 1 << 26, 1 << 26, 1000)
    assert ramp_plan.fits(0, 59_000_000, units)
    assert not ramp_plan.fits(0, 62_000_000, units)  # 62,000 ticks to take a out
    assert not ramp_plan.fits(ramp_plan.MOST_SPEED + 1, 0, units)
    assert not ramp_plan.fits(1 << 40, 0, units._replace(deceleration=1 << 20))  # 2^20 ticks to brake


def test_a_tick_that_would_reach_past_the_travel_is_refused() -> None:
    ramp = FixedRamp(LIMITS)
    ramp.travel = (-100.0, 100.0)
    ramp.move(50.0)
    plan = ramp._brake.plan
    inside = ramp_plan.Brake(plan, 10 * ONE, -100 * ONE, 100 * ONE)
    assert ramp._allowed(inside, 1)
    assert not ramp._allowed(inside._replace(high=100 * ONE + 1), 1)
    assert not ramp._allowed(inside._replace(low=-100 * ONE - 1), 1)
    assert not ramp._allowed(inside._replace(end=50 * ONE + 1), 1)


def test_the_last_correction_is_small() -> None:
    """At rest the position is put on the target from no further than NEAR, 2^-10 mdeg."""
    rng = random.Random(9)
    widest = 0
    for _ in range(60):
        ramp = FixedRamp(random_limits(rng))
        target = rng.randint(-100_000, 100_000)
        ramp.move(float(target))
        last = 0
        ticks = 0
        while not ramp.at_rest and ticks < 20_000:
            last = ramp._p
            ramp.tick()
            ticks += 1
        if ramp.at_rest:
            widest = max(widest, abs(target * ONE - last - ramp._v))
    assert 0 < widest <= NEAR


def test_random_traffic_keeps_every_promise() -> None:
    """One million ticks on two cores; 10^8 by hand: long_ramp.py --kind fixed --ticks 100000000."""
    total: dict[str, int] = {}
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        for seen in pool.starmap(fixed_job, [(50_000, seed) for seed in range(20)], chunksize=1):
            for name, count in seen.items():
                total[name] = total.get(name, 0) + count
    assert total["ticks"] >= 1_000_000
    for event in ("arrivals", "limit_hits", "outside", "limits", "waits", "travels", "reversals", "finished"):
        assert total[event] > 20, f"the traffic hardly contains any {event}: {total}"


def test_the_soak_notices_a_ramp_that_ignores_its_invariant() -> None:
    class Careless(FixedRamp):
        """Takes any tick whose plan ends less than 0.1 mdeg past the goal."""

        def _allowed(self, held: ramp_plan.Brake, side: int) -> bool:
            return side * (self._goal - held.end) >= -ONE // 10

    with pytest.raises(Broken):
        soak(Careless, 200_000, 3, FIXED_SLACK)


def test_the_soak_notices_limits_that_are_taken_over_too_early() -> None:
    """Where the travel was shrunk: weaker limits that carry the ramp further out than the plan that it held."""

    class Hasty(FixedRamp):
        """Takes any limits at once while its plan leaves the travel anyhow."""

        def _adopt(self) -> None:
            units = self._wanted_units
            out = self._brake.high > self._high or self._brake.low < self._low
            if out and ramp_plan.fits(self._v, self._a, units):
                self._brake = ramp_plan.brake(self._p, self._v, self._a, units.deceleration, units.jerk)
                self._limits, self._units, self._cruise, self._waiting = self._asked, units, None, False
            super()._adopt()

    with pytest.raises(Broken, match=r"outside the travel, allowed [1-9]"):
        soak(Hasty, 20_000, 8, FIXED_SLACK)


def test_limits_that_waited_and_were_replaced_are_no_promise() -> None:
    """What an earlier soak stumbled over: a copy must not count on limits that the ramp may never get."""
    ramp = FixedRamp(LIMITS)
    ramp.travel = (-200_000.0, 200_000.0)
    ramp.run(120_000.0)
    for _ in range(1000):
        ramp.tick()
    held = ramp.stopping_point()
    ramp.travel = (-200_000.0, float(math.ceil(ramp.position)))
    ramp.limits = LIMITS._replace(deceleration=4e6, jerk=2e6)  # too slow to begin with, then the quicker ones
    assert ramp.limits_in_force == LIMITS
    lucky = copy.copy(ramp)
    lucky.stop()
    settle(lucky)
    assert lucky.position < held - 50.0
    assert reach(ramp) == (ramp.position, held)
    ramp.limits = LIMITS
    ramp.stop()
    highest = 0.0
    for _ in ticking(ramp):
        highest = max(highest, ramp.position)
        if ramp.at_rest:
            break
    assert highest == held


def test_limits_that_are_in_force_already_change_nothing() -> None:
    ramp, other = FixedRamp(LIMITS), FixedRamp(LIMITS)
    for each in (ramp, other):
        each.move(30_000.0)
    for _ in ticking(ramp):
        other.tick()
        ramp.limits = RampLimits(*LIMITS)
        assert ramp.limits_in_force == LIMITS
        assert (ramp._p, ramp._v, ramp._a, ramp._cruise) == (other._p, other._v, other._a, other._cruise)
        if ramp.at_rest:
            break
