"""Random commands, targets, limits and travels against a ramp generator, every promise checked at every tick.

The tests run it short. By hand: python tests/hwsim/long_ramp.py --ticks 100000000 [--kind float|fixed|c] [--jobs 2]
`c` is the emitted C ramp with the same promises checked in C (tests/c/ramp_soak.c), some hundred times as fast.
"""

import argparse
import copy
import functools
import math
import multiprocessing
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from ringlet.hwsim.ramp import Ramp, RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp

AnyRamp = Ramp | FixedRamp

SPAN = 400_000.0  # mdeg of ring that the random travels lie in: a little over one turn


class Slack(NamedTuple):
    """What one tick's arithmetic may add to each limit, and how p, v and a hang together in one tick."""

    acceleration: float  # mdeg/s^2, on |a| and |dv/dt|
    jerk: float  # part of the jerk limit, on |da/dt|
    velocity: float  # mdeg/s
    position: float  # mdeg
    seam: float  # ticks of full jerk by which |a| may pass a limit where the limit changes or is new
    unit: float  # mdeg/s^3 by which the jerk limit may have been rounded down
    sampled: bool  # False: exact motion with bounded jerk; True: v += a, p += v


# Rounding of binary64 only.
FLOAT_SLACK = Slack(acceleration=1e-4, jerk=1e-5, velocity=1e-5, position=1e-5, seam=0.0, unit=0.0, sampled=False)
# The put-in tick of a plan may delay the lowering of an |a| above its limit by one tick.
FIXED_SLACK = Slack(acceleration=0.01, jerk=1e-9, velocity=1e-5, position=0.0, seam=1.0, unit=3.8, sampled=True)


def _log(rng: random.Random, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def random_limits(rng: random.Random) -> RampLimits:
    """From a crawling rig axis to a fast focus motor; ramps of 5 ms to 1 s, jerk ramps of 2 ms to 0.3 s."""
    velocity = _log(rng, 500.0, 1_500_000.0)
    acceleration = velocity / _log(rng, 0.02, 1.0)
    deceleration = velocity / _log(rng, 0.02, 1.0)
    jerk = min(max(acceleration, deceleration) / _log(rng, 0.004, 0.3), 2e9)
    return RampLimits(*(float(round(x)) for x in (velocity, acceleration, deceleration, jerk)))


EVENTS = ("ticks", "arrivals", "limit_hits", "outside", "limits", "waits", "travels", "reversals", "finished")
"""`finished` is not done in C."""


class Broken(AssertionError):
    """A promise was not kept."""


def soak(make: Callable[[RampLimits, float], AnyRamp], ticks: int, seed: int, slack: Slack) -> dict[str, int]:
    """Run random traffic for so many ticks. Returns what happened, so that a caller can see that everything did.

    Raises Broken at the first promise that is not kept.
    """
    rng = random.Random(seed)
    seen = dict.fromkeys(EVENTS, 0)
    low, high = -SPAN / 2, SPAN / 2
    ramp = make(random_limits(rng), 0.0)
    ramp.travel = (low, high)
    dt = ramp.dt
    limits = ramp.limits_in_force
    allowed_out = 0.0  # how far a shrunk travel lets the ramp be outside
    command = "none"
    p = v = a = 0.0

    def check(condition: bool, what: str) -> None:
        if not condition:
            state = (ramp.position, ramp.velocity, ramp.acceleration)
            raise Broken(f"seed {seed} tick {seen['ticks']}: {what}; was {p, v, a}, is {state}, {limits}, "
                         f"travel {ramp.travel}, target {ramp.target}, last {command}")

    while seen["ticks"] < ticks:
        choice = rng.random()
        if choice < 0.40:
            command = "move"
            kind = rng.random()
            goal = rng.uniform(low, high)
            if kind < 0.15:
                goal = rng.choice((low, high))
            elif kind < 0.4:
                goal = min(max(ramp.position + rng.uniform(-50.0, 50.0), low), high)
            elif kind < 0.5:
                goal = min(max(ramp.stopping_point() + rng.choice((-1, 1)) * _log(rng, 1e-3, 1e3), low), high)
            pace = ramp.limits.velocity * rng.uniform(0.05, 1.5)
            ramp.move(float(round(goal)), rng.choice((None, pace)))
            if rng.random() < 0.02:
                # It must get there from whatever state it is in; long ways are left out to save time.
                twin = copy.copy(ramp)
                weakest = min(*ramp.limits[1:3], *ramp.limits_in_force[1:3])
                jerk = min(ramp.limits.jerk, ramp.limits_in_force.jerk)
                swing = abs(ramp.velocity) + ramp.acceleration**2 / jerk + ramp.limits.velocity
                longest = 20.0 * swing / weakest + 20.0 * abs(ramp.acceleration) / jerk + 2.0
                way = abs(goal - ramp.position) + swing * longest / 20.0
                longest += 2.0 * way / min(pace, ramp.limits.velocity)
                if longest < 60.0:
                    while not twin.at_rest and longest > 0.0:
                        twin.tick()
                        longest -= dt
                    check(twin.at_rest and twin.position == twin.target, "never arrives")
                    seen["finished"] += 1
        elif choice < 0.65:
            command = "run"
            ramp.run(rng.choice((-1.0, 1.0)) * rng.uniform(0.02, 1.3) * ramp.limits.velocity)
        elif choice < 0.72:
            command = "stop"
            ramp.stop()
        elif choice < 0.90:
            command = "limits"
            seen["limits"] += 1
            ramp.limits = random_limits(rng)
        elif choice < 0.96:
            # A travel that still holds the whole way to rest, or any (one time in seven).
            command = "travel"
            seen["travels"] += 1
            low = float(math.floor(rng.uniform(-SPAN, SPAN)))
            high = low + float(math.ceil(_log(rng, 10.0, SPAN)))
            if rng.random() < 0.85:
                room = rng.uniform(0.0, 20.0)
                lowest, highest = reach(ramp)
                low = float(math.floor(min(low, lowest - room)))
                high = float(math.ceil(max(high, highest + room)))
            ramp.travel = (low, high)
            lowest, highest = reach(ramp)
            allowed_out = max(0.0, highest - high, low - lowest)
        else:
            command = "rest"
            ramp.reset(float(round(rng.uniform(low, high))))
            allowed_out = 0.0
        for _ in range(min(int(_log(rng, 1.0, 700.0)), ticks - seen["ticks"])):
            p, v, a = ramp.position, ramp.velocity, ramp.acceleration
            was_at_rest, limits = ramp.at_rest, ramp.limits_in_force
            ramp.tick()
            seen["ticks"] += 1
            if was_at_rest:
                check((ramp.position, ramp.velocity, ramp.acceleration) == (p, v, a), "moved while at rest")
                break
            seen["waits"] += limits != ramp.limits
            p1, v1, a1 = ramp.position, ramp.velocity, ramp.acceleration
            seen["reversals"] += v * v1 < 0.0
            out = max(0.0, p1 - high, low - p1)
            check(out <= allowed_out + slack.position, f"{out} mdeg outside the travel, allowed {allowed_out}")
            seen["outside"] += out > slack.position
            if allowed_out and seen["ticks"] % 64 == 0:
                # It may only come nearer: neither pushing nor new limits may make a plan that reaches further out.
                lowest, highest = reach(ramp)
                allowed_out = min(allowed_out, max(0.0, highest - high, low - lowest))
            step = limits.jerk * dt
            check(abs(a1 - a) <= step * (1.0 + slack.jerk) + slack.acceleration, "jerk limit")
            # Where |a| was above its bound (only just set, or met as v crossed 0) it must fall with full jerk.
            bound = limits.acceleration if v1 * a1 > 0.0 else limits.deceleration
            bound = max(bound, abs(a) - step) + slack.acceleration + slack.seam * step
            check(abs(a1) <= bound, f"acceleration limit {bound}")
            mean = abs(v1 - v) / dt
            widest = max(limits.acceleration, limits.deceleration, abs(a))
            check(mean <= widest + slack.acceleration + slack.velocity / dt, f"dv/dt {mean}")
            speed = max(abs(v1), abs(v1 + settling(a1, limits.jerk, slack.sampled * dt)))
            before = max(abs(v), abs(v + settling(a, limits.jerk, slack.sampled * dt)))
            rounded = slack.unit / limits.jerk * abs(settling(a, limits.jerk, 0.0))
            check(speed <= max(limits.velocity, before) + slack.velocity + rounded, "velocity limit")
            if slack.sampled:
                check(abs(v1 - v - a1 * dt) <= slack.velocity, "v from a")
                check(abs(p1 - p - v1 * dt) <= 1e-9 or (abs(p1 - p - v1 * dt) <= 1e-3 and ramp.at_rest), "p from v")
            else:
                # A motion of bounded jerk cannot stray further than this from the trapezoid rule.
                check(abs(v1 - v - (a + a1) / 2.0 * dt) <= step * dt / 4.0 * 1.000001 + slack.velocity, "v from a")
                check(abs(p1 - p - (v + v1) / 2.0 * dt) <= step * dt**2 / 12.0 * 1.000001 + slack.position, "p from v")
            if ramp.at_rest:
                check(v1 == 0.0 and a1 == 0.0, "at rest but moving")
                if ramp.target is not None:
                    seen["arrivals"] += 1
                    check(p1 == ramp.target, "missed the target")
                elif command == "run":
                    seen["limit_hits"] += 1
                    check(p1 in (low, high), "a run ended off the limit")
                break
    return seen


def settling(a: float, jerk: float, dt: float) -> float:
    """Velocity (mdeg/s) that a still adds while full jerk takes it to zero; dt is 0 for the exact motion.

    In whole ticks it adds (|a| - J) + (|a| - 2J) + ... with J = jerk dt, each for one tick.
    """
    size = abs(a)
    if dt == 0.0:
        return math.copysign(size * size / (2.0 * jerk), a)
    n = math.floor(size / (jerk * dt))
    return math.copysign((n * size - jerk * dt * n * (n + 1) / 2.0) * dt, a)


def reach(ramp: AnyRamp) -> tuple[float, float]:
    """Lowest and highest position (mdeg) on the way to rest if the ramp braked from now on, found on a copy.

    The copy brakes under the limits in force to the end, and what waits is withdrawn from it. Limits that wait are no
    promise: the copy would take them over at the tick at which it can stop sooner with them, but the ramp may have been
    given others by then, and so go on with the plan it has. (That was seed 34, tick 128,048 of `--kind fixed`: limits
    that would have saved 9 mdeg were replaced four ticks after the travel had shrunk.) What the ramp does promise is
    that no plan it ever changes to reaches further out than the one it holds, and the copy runs that one.
    """
    twin = copy.copy(ramp)
    twin.limits = twin.limits_in_force
    twin.stop()
    lowest = highest = twin.position
    while not twin.at_rest:
        twin.tick()
        lowest, highest = min(lowest, twin.position), max(highest, twin.position)
    return lowest, highest


def float_job(ticks: int, seed: int) -> dict[str, int]:
    """Soak the floating generator at a tick of 1 ms, or, one job in three, another tick."""
    dt = (0.001, 0.0002, 0.005)[seed % 3]
    return soak(lambda limits, position: Ramp(limits, position, dt), ticks, seed, FLOAT_SLACK)


def fixed_job(ticks: int, seed: int) -> dict[str, int]:
    """Soak the integer generator at a tick of 1 ms."""
    return soak(FixedRamp, ticks, seed, FIXED_SLACK)


def build_c_soak(folder: Path) -> Path:
    """Compile the emitted C ramp with its soak; needs gcc."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
    import ramp_lockstep

    ramp_lockstep.emit_ramp(folder)
    return ramp_lockstep.build_with(folder, "ramp_soak.c", "gcc", "-O2")


def c_job(program: Path, ticks: int, seed: int) -> dict[str, int]:
    """Soak the emitted C ramp at a tick of 1 ms."""
    done = subprocess.run([program, str(seed), str(ticks)], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise Broken(done.stdout.strip() or done.stderr.strip())
    return dict(zip(EVENTS, (int(word) for word in done.stdout.split()), strict=False))


JOBS = {"float": float_job, "fixed": fixed_job}


def main() -> None:
    parser = argparse.ArgumentParser(description="Soak a ramp generator with random traffic.")
    parser.add_argument("--ticks", type=int, default=100_000_000)
    parser.add_argument("--kind", choices=[*sorted(JOBS), "c"], default="float")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    share = min(given.ticks, 10_000_000 if given.kind == "c" else 200_000)
    rounds = -(-given.ticks // share)
    start = time.perf_counter()
    total: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as folder, multiprocessing.Pool(given.jobs) as pool:
        job = functools.partial(c_job, build_c_soak(Path(folder))) if given.kind == "c" else JOBS[given.kind]
        work = [pool.apply_async(job, (share, given.seed + i)) for i in range(rounds)]
        for i, result in enumerate(work):
            for name, count in result.get().items():
                total[name] = total.get(name, 0) + count
            if i % 10 == 9 or i == rounds - 1:
                print(f"{total['ticks']:,} ticks, {time.perf_counter() - start:.0f} s, {total}", flush=True)


if __name__ == "__main__":
    main()
