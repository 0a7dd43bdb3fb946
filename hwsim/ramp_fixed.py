"""Jerk-limited online ramp generator in integers, the form of the firmware core. Same interface as `ramp.Ramp`.

Numbers, ranges and plans are those of `ramp_plan`; this module is the law that uses them.

The law and its safety
----------------------
The ramp always holds a *brake plan* for its present state, with the exact place where it ends and how far it reaches
on both sides. In each tick it asks the *cruise plan* (to the wanted velocity) for the next a. If the brake plan of the
state after that tick stays inside travel and does not pass the target, the tick is taken; otherwise the largest a
between this and the brake plan's own next a is sought that does (a few tries of false position); if none does, the
ramp takes one tick of the brake plan that it holds. In each of the three cases the plan that the ramp holds afterwards
ends inside the travel: in the first two because it was computed and compared, in the third because the rest of a plan
ends where the plan ends. So no rounding, and no mistake in choosing h, can carry the ramp past its travel.

Rules for asymmetric limits, reversals, late limits and shrunk travel are those of `ramp`. In addition a new set of
limits waits (braking) while the present v and a are too large to be planned for with it (`fits`).
"""

import math

from ringlet.hwsim.ramp import RampLimits
from ringlet.hwsim.ramp_plan import (
    ONE,
    POSITION_LIMIT,
    VELOCITY_MOST,
    Brake,
    Plan,
    between,
    brake,
    cruise,
    fits,
    next_step,
    reaching,
    units_of_limits,
)

NEAR = ONE >> 10  # a plan that ends this close to the target counts as ending on it, and is put on it at rest
TRIES = 4  # brake plans computed beyond the first in a tick that switches to braking


def _mdeg(name: str, value: float) -> int:
    if not -POSITION_LIMIT <= value <= POSITION_LIMIT:
        raise ValueError(f"{name} must lie within {POSITION_LIMIT} mdeg, not {value!r}")
    return round(value)


class FixedRamp:
    """One axis' setpoint in integers. Interface and rules as `ramp.Ramp`.

    Targets, resets and travel are whole mdeg (targets rounded, travel rounded inwards); fractions of limits are
    dropped. The tick must be a whole part of a second, 0.1 to 10 ms. The floats of the interface are made at the
    border; no step of the motion uses one.
    """

    def __init__(self, limits: RampLimits, position: float = 0.0, dt: float = 0.001) -> None:
        rate = round(1.0 / dt) if 0.0001 <= dt <= 0.01 else 0
        if rate == 0 or abs(rate * dt - 1.0) > 1e-9:
            raise ValueError(f"the tick must be a whole part of a second from 0.1 to 10 ms, not {dt!r}")
        self.dt = 1.0 / rate
        self._rate = rate
        self._asked = limits
        self._limits = limits
        self._wanted_units = self._units = units_of_limits(limits, rate)
        self._travel: tuple[float, float] | None = None
        self._low, self._high = -POSITION_LIMIT * ONE, POSITION_LIMIT * ONE
        self.reset(position)

    _target: int | None  # mdeg, of a move as asked

    @property
    def position(self) -> float:
        """mdeg."""
        return self._p / ONE

    @property
    def velocity(self) -> float:
        """mdeg/s."""
        return self._v * self._rate / ONE

    @property
    def acceleration(self) -> float:
        """mdeg/s^2."""
        return self._a * self._rate * self._rate / ONE

    @property
    def limits(self) -> RampLimits:
        """The limits asked for."""
        return self._asked

    @limits.setter
    def limits(self, limits: RampLimits) -> None:
        units = units_of_limits(limits, self._rate)
        self._asked, self._wanted_units = limits, units
        self._waiting = units != self._units
        if self._waiting:
            self._adopt()
        else:  # what is in force already needs no new plan
            self._limits = limits

    @property
    def limits_in_force(self) -> RampLimits:
        """The limits that the ramp obeys in its next tick."""
        return self._limits

    @property
    def travel(self) -> tuple[float, float] | None:
        """Lowest and highest position (mdeg), or None for the whole range of +-2^31 mdeg."""
        return self._travel

    @travel.setter
    def travel(self, travel: tuple[float, float] | None) -> None:
        low, high = -POSITION_LIMIT, POSITION_LIMIT
        if travel is not None:
            _mdeg("the travel minimum", travel[0])
            _mdeg("the travel maximum", travel[1])
            low, high = math.ceil(travel[0]), math.floor(travel[1])
            if low > high:
                raise ValueError(f"no whole mdeg lies in the travel {travel!r}")
            travel = (float(low), float(high))
        self._travel = travel
        self._low, self._high = low * ONE, high * ONE
        if self._waiting:
            self._adopt()
        self._aim()

    @property
    def target(self) -> float | None:
        """Where the present or finished move ends (mdeg, inside the travel); None after run, stop and reset."""
        return self._goal / ONE if self._target is not None else None

    @property
    def at_rest(self) -> bool:
        """Neither moving nor about to move."""
        return self._idle

    def move(self, target: float, speed: float | None = None) -> None:
        """Go to target (mdeg) and stop there, no faster than speed (mdeg/s, above zero). Clamped to the travel."""
        wanted = _mdeg("the target", target)
        if speed is not None and not 0.0 < speed < math.inf:
            raise ValueError(f"the speed must be a finite number above zero, not {speed!r}")
        self._target, self._run = wanted, 0
        self._speed = self._speed_units(VELOCITY_MOST if speed is None else speed)
        self._stopping = self._idle = False
        self._aim()

    def run(self, velocity: float) -> None:
        """Hold this velocity (mdeg/s, cut to the velocity limit), ending at rest exactly at the travel limit."""
        if not math.isfinite(velocity):
            raise ValueError(f"the velocity must be a finite number, not {velocity!r}")
        if velocity == 0.0:
            self.stop()
            return
        self._target, self._run = None, 1 if velocity > 0.0 else -1
        self._speed = self._speed_units(abs(velocity))
        self._stopping = self._idle = False
        self._aim()

    def stop(self) -> None:
        """Come to rest within the deceleration limit. Ends a move or a run."""
        self._target, self._run = None, 0
        self._stopping = True
        self._idle = self._v == 0 and self._a == 0

    def reset(self, position: float) -> None:
        """At rest here (rounded to whole mdeg) from this instant, with no motion."""
        self._p = _mdeg("the position", position) * ONE
        self._v = self._a = 0
        self._goal = self._p
        self._speed = 1
        self._cruise: Plan | None = None
        self._sign = 0
        self._limits, self._units, self._waiting = self._asked, self._wanted_units, False
        self._brake = brake(self._p, 0, 0, self._units.deceleration, self._units.jerk)
        self.stop()

    def stopping_point(self) -> float:
        """Where the ramp would come to rest if it braked from now on (mdeg)."""
        return self._brake.end / ONE

    def tick(self) -> None:
        """Advance by one tick."""
        if self._idle:
            return
        waiting = self._waiting
        gap = self._goal - self._brake.end
        if self._stopping or waiting or -NEAR <= gap <= NEAR:
            self._follow_brake()
        else:
            self._push(1 if gap > 0 else -1)
        if self._v == 0 and self._a == 0:
            if self._stopping:
                self._idle = True
            elif -NEAR <= self._goal - self._p <= NEAR:
                self._p = self._goal
                self._brake = brake(self._p, 0, 0, self._units.deceleration, self._units.jerk)
                self._arrive()
        if waiting:
            self._adopt()

    def _follow_brake(self) -> None:
        a, plan = next_step(self._a, self._brake.plan, self._units.jerk)
        v = self._v + a
        # The end stays; what has been passed no longer counts for how far the rest reaches.
        self._take(a, reaching(self._p + v, v, a, plan, self._brake.end, self._units.jerk))
        self._cruise = None

    def _take(self, a: int, held: Brake) -> None:
        self._a = a
        self._v += a
        self._p += self._v
        self._brake = held

    def _push(self, side: int) -> None:
        """One tick of the law towards the goal, which lies on this side of the place where braking would end."""
        units = self._units
        sign = (self._v > 0) - (self._v < 0)
        if self._cruise is None or sign != self._sign:
            self._cruise = cruise(self._v, self._a, side * min(self._speed, units.velocity), units)
            self._sign = sign
        want, rest_of_cruise = next_step(self._a, self._cruise, units.jerk)
        held = self._brake_after(want)
        if self._allowed(held, side):
            self._cruise = rest_of_cruise
            self._take(want, held)
            return
        # Between the brake plan's own next value, which is safe, and this one, which is not.
        safe, _ = next_step(self._a, self._brake.plan, units.jerk)
        best: Brake | None = None
        gap, over = side * (self._goal - self._brake.end), side * (held.end - self._goal)
        for _ in range(TRIES):
            if over <= 0 or gap <= NEAR:
                break
            # A little short of the chord, as a try that passes the goal gains nothing.
            middle = between(safe, want, gap - (gap >> 5), gap + over)
            if middle == safe:
                break
            held = self._brake_after(middle)
            if self._allowed(held, side):
                safe, best, gap = middle, held, side * (self._goal - held.end)
            else:
                want, over = middle, side * (held.end - self._goal)
        if best is None:
            self._follow_brake()
        else:
            self._cruise = None
            self._take(safe, best)

    def _brake_after(self, a: int) -> Brake:
        v = self._v + a
        if a == 0 and self._a == 0:  # at constant speed the plan stays, and its places go on by v
            plan, end, low, high = self._brake
            return Brake(plan, end + v, low + v, high + v)
        return brake(self._p + v, v, a, self._units.deceleration, self._units.jerk)

    def _allowed(self, held: Brake, side: int) -> bool:
        """The new plan passes neither the goal nor, further than the present plan does, the travel."""
        return (
            side * (self._goal - held.end) >= 0
            and held.high <= max(self._high, self._brake.high)
            and held.low >= min(self._low, self._brake.low)
        )

    def _speed_units(self, speed: float) -> int:
        return max(1, int(min(speed, float(VELOCITY_MOST)) * ONE / self._rate))

    def _arrive(self) -> None:
        self._idle = True
        self._stopping = self._run == 0

    def _aim(self) -> None:
        if self._stopping:
            return
        if self._target is not None:
            self._goal = min(max(self._target * ONE, self._low), self._high)
        else:
            self._goal = self._high if self._run > 0 else self._low
        self._cruise = None
        self._idle = False
        if self._p == self._goal and self._v == 0 and self._a == 0:
            self._arrive()

    def _adopt(self) -> None:
        """Put the limits asked for in force if the ramp can stop inside the travel with them, or no further outside."""
        units = self._wanted_units
        if not fits(self._v, self._a, units):
            return
        held = brake(self._p, self._v, self._a, units.deceleration, units.jerk)
        if held.high > max(self._high, self._brake.high) or held.low < min(self._low, self._brake.low):
            return
        self._limits, self._units, self._brake, self._cruise = self._asked, units, held, None
        self._waiting = False
