"""Ramp durations against the library `ruckig`: time-optimal, jerk-limited (Berscheid and Kroeger, RSS 2021).

The floating ramp arrives at a tick, so its duration may be up to one tick longer than the continuous optimum, and
beyond that by no more than 1 %. It can never be shorter: that would mean that a limit was broken.

The integer ramp switches at ticks only (a, v and p are first differences): up to five ticks on top of the 1 %
(measured: 4.9 on a move of 5 mdeg whose optimum lasts 4 ticks, otherwise below 3). Its state is known to within one
tick: its v is the mean over the last tick, its a lies one tick back. From a random state it is held against the
fastest and the slowest of the continuous states within one tick of it, with three ticks on top of the 1 %.
"""

import math
import random

import pytest
import ruckig

from ringlet.hwsim.ramp import Ramp, RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp
from ringlet.hwsim.ramp_plan import ONE

DT = 0.001
LONGEST = 5.0  # s; longer trajectories are mostly cruise and prove little


def log_uniform(rng: random.Random, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def optimum(p: float, v: float, a: float, target: float, limits: RampLimits) -> float | None:
    """ruckig's duration (s), None where it finds no solution.

    ruckig bounds a from above and below, which is acceleration and deceleration for a motion in the positive
    direction; other motions are mirrored. Lengths are given to it in units of one second at full speed.
    """
    side = (1.0 if target >= p else -1.0) / limits.velocity
    given = ruckig.InputParameter(1)
    given.current_position, given.current_velocity, given.current_acceleration = [p * side], [v * side], [a * side]
    given.target_position, given.target_velocity, given.target_acceleration = [target * side], [0.0], [0.0]
    given.max_velocity = [1.0]
    given.max_acceleration = [limits.acceleration / limits.velocity]
    given.min_acceleration = [-limits.deceleration / limits.velocity]
    given.max_jerk = [limits.jerk / limits.velocity]
    trajectory = ruckig.Trajectory(1)
    try:
        result = ruckig.Ruckig(1).calculate(given, trajectory)
    except ruckig.RuckigError:
        return None
    if result not in (ruckig.Result.Working, ruckig.Result.Finished):
        return None
    return float(trajectory.duration)


def duration(ramp: Ramp | FixedRamp, target: float) -> float:
    """Seconds until the ramp is at rest on the target."""
    ramp.move(target)
    ticks = 0
    while not ramp.at_rest:
        ramp.tick()
        ticks += 1
        assert ticks < 100 * LONGEST / DT, "never arrives"
    assert ramp.position == target
    return ticks * DT


def compare(cases: list[tuple[float, float]], ticks: float = 1.0) -> None:
    """Durations and their optima: at most 1 % and this number of ticks longer, never shorter."""
    for got, want in cases:
        assert got >= want * (1.0 - 1e-9) - 1e-9, "faster than the optimum: a limit must have been broken"
        assert got <= 1.01 * want + ticks * DT, f"{got} s against {want} s"


def random_limits(rng: random.Random, symmetric: bool) -> RampLimits:
    velocity = log_uniform(rng, 1e3, 1.5e6)
    acceleration = velocity / log_uniform(rng, 0.02, 1.0)
    deceleration = acceleration if symmetric else velocity / log_uniform(rng, 0.02, 1.0)
    jerk = max(acceleration, deceleration) / log_uniform(rng, 0.005, 0.5)
    return RampLimits(velocity, acceleration, deceleration, jerk)


def rest_to_rest() -> list[tuple[RampLimits, float, float]]:
    """2,000 random limit sets, targets (whole mdeg) and ruckig's durations."""
    rng = random.Random(20)
    cases: list[tuple[RampLimits, float, float]] = []
    unsolved = 0
    while len(cases) < 2000:
        limits = random_limits(rng, symmetric=False)
        target = float(round(rng.choice((-1.0, 1.0)) * log_uniform(rng, 1.0, 360_000.0)))
        want = optimum(0.0, 0.0, 0.0, target, limits)
        unsolved += want is None
        if want is not None and want < LONGEST:
            cases.append((limits, target, want))
    assert unsolved < 100
    return cases


def test_rest_to_rest_durations_are_optimal() -> None:
    compare([(duration(Ramp(limits, 0.0, DT), target), want) for limits, target, want in rest_to_rest()])


def test_rest_to_rest_durations_of_the_integer_ramp_are_optimal() -> None:
    cases = [(duration(FixedRamp(limits, 0.0, DT), target), want) for limits, target, want in rest_to_rest()]
    compare(cases, ticks=5.0)


def random_state(rng: random.Random) -> tuple[RampLimits, float, float, float]:
    """Symmetric limits, v, a and target; v and a such that the velocity limit can be kept."""
    while True:
        limits = random_limits(rng, symmetric=True)
        v = rng.uniform(-1.0, 1.0) * limits.velocity
        a = rng.uniform(-1.0, 1.0) * limits.acceleration
        if abs(v + a * abs(a) / (2.0 * limits.jerk)) <= limits.velocity:
            return limits, v, a, float(round(rng.choice((-1.0, 1.0)) * log_uniform(rng, 1.0, 360_000.0)))


def test_durations_from_random_states_are_optimal() -> None:
    rng = random.Random(21)
    cases: list[tuple[float, float]] = []
    while len(cases) < 2000:
        limits, v, a, target = random_state(rng)
        want = optimum(0.0, v, a, target, limits)
        if want is None or want > LONGEST:
            continue
        ramp = Ramp(limits, 0.0, DT)
        ramp.velocity, ramp.acceleration = v, a
        ramp.limits = limits  # works out the stopping point of the state just set
        cases.append((duration(ramp, target), want))
    compare(cases)


def test_durations_of_the_integer_ramp_from_random_states_are_optimal() -> None:
    rng = random.Random(22)
    cases = 0
    while cases < 2000:
        limits, v, a, target = random_state(rng)
        step = limits.jerk * DT
        near = [
            optimum(
                0.0,
                v + dv * abs(a) * DT / 2.0,
                min(max(a + da * step, -limits.acceleration), limits.acceleration),
                target,
                limits,
            )
            for dv in (-1.0, 0.0, 1.0)
            for da in (-1.0, 0.0, 1.0)
        ]
        wants = [want for want in near if want is not None]
        if not wants or max(wants) > LONGEST:
            continue
        cases += 1
        ramp = FixedRamp(limits, 0.0, DT)
        ramp._v, ramp._a = round((v - a * DT / 2.0) * DT * ONE), round(a * DT * DT * ONE)
        ramp._adopt()  # makes the brake plan of this state
        got = duration(ramp, target)
        assert 0.99 * min(wants) <= got <= 1.01 * max(wants) + 3.0 * DT


@pytest.mark.parametrize("dt", [0.0001, 0.01])
def test_other_ticks_give_the_same_motion(dt: float) -> None:
    limits = RampLimits(90_000.0, 400_000.0, 250_000.0, 9e6)
    ticks = round(duration(Ramp(limits, 0.0, dt), 100_000.0) / DT)
    want = optimum(0.0, 0.0, 0.0, 100_000.0, limits)
    assert want is not None
    assert want <= ticks * dt <= want + dt
