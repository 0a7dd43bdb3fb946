"""Looks at every tick of every ramp in the process: its limits, its travel, and whether a motion was cut off."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from long_ramp import FIXED_SLACK, settling

from ringlet.hwsim.ramp import RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp


class RampGuard:
    """What was seen since the guard began."""

    def __init__(self) -> None:
        self.ticks = 0
        """ticks of ramps that were not at rest"""
        self.cuts = 0
        """motions that ended at once without a ramp: the drive was switched off, or searching at a stop"""
        self.broken: list[str] = []
        """limits that were exceeded, in words; must stay empty"""

    def look(self, ramp: FixedRamp, was_at: tuple[float, float, float], limits: RampLimits, inside: bool) -> None:
        """One tick, judged by the limits that were in force at its beginning; `inside`: it could end in its travel."""
        p, v, a = was_at
        p1, v1, a1 = ramp.position, ramp.velocity, ramp.acceleration
        slack, dt = FIXED_SLACK, ramp.dt
        step = limits.jerk * dt
        found = []
        if abs(a1 - a) > step * (1.0 + slack.jerk) + slack.acceleration:
            found.append("jerk")
        bound = limits.acceleration if v1 * a1 > 0.0 else limits.deceleration
        if abs(a1) > max(bound, abs(a) - step) + slack.acceleration + slack.seam * step:
            found.append("acceleration")
        speed = max(abs(v1), abs(v1 + settling(a1, limits.jerk, dt)))
        was = max(abs(v), abs(v + settling(a, limits.jerk, dt)))
        rounded = slack.unit / limits.jerk * abs(settling(a, limits.jerk, 0.0))
        if speed > max(limits.velocity, was) + slack.velocity + rounded:
            found.append("velocity")
        if abs(v1 - v - a1 * dt) > slack.velocity:
            found.append("velocity is not the sum of accelerations")
        if abs(p1 - p - v1 * dt) > 1e-3:
            found.append("a jump")
        travel = ramp.travel
        if travel is not None and inside and not _ends_inside(ramp, travel):  # so it holds for the next tick too
            found.append("travel")
        if found:
            self.broken.append(f"{' and '.join(found)}: from {was_at} to {(p1, v1, a1)}, {limits}, travel {travel}")


def _ends_inside(ramp: FixedRamp, travel: tuple[float, float]) -> bool:
    """Whether it is inside its travel, and would come to rest inside."""
    return all(travel[0] <= at <= travel[1] for at in (ramp.position, ramp.stopping_point()))


@contextmanager
def guarded() -> Iterator[RampGuard]:
    """Watch all ramps while this is open."""
    guard = RampGuard()
    tick, reset = FixedRamp.tick, FixedRamp.reset

    def watched_tick(ramp: FixedRamp) -> None:
        if ramp.at_rest:
            tick(ramp)
            return
        travel = ramp.travel
        inside = travel is not None and _ends_inside(ramp, travel)
        was_at, limits = (ramp.position, ramp.velocity, ramp.acceleration), ramp.limits_in_force
        tick(ramp)
        guard.ticks += 1
        guard.look(ramp, was_at, limits, inside)

    def watched_reset(ramp: FixedRamp, position: float) -> None:
        if getattr(ramp, "_v", 0):  # none yet while it is being made
            guard.cuts += 1
        reset(ramp, position)

    FixedRamp.tick, FixedRamp.reset = watched_tick, watched_reset  # type: ignore[method-assign]
    try:
        yield guard
    finally:
        FixedRamp.tick, FixedRamp.reset = tick, reset  # type: ignore[method-assign]
