"""Jerk-limited online ramp generator, floating point. Its integer twin is `ramp_fixed`.

Units everywhere: millidegrees (mdeg) and seconds. The setpoint is a triple integrator: jerk is piecewise constant and
the state (position p, velocity v, acceleration a) is continuous. Switches may fall inside a tick; at each tick the
state is the exact value of that continuous motion.

The law
-------
*Velocity law* (`advance`): reach (v = goal, a = 0) in the least time. With ve = v + a|a|/(2j), the velocity that would
be left if a went straight to zero, the sign of goal - ve tells which way to push. Seen in that direction, a rises with
+j to a peak, holds, and falls with -j to zero. From v' = a and a' = +-j follows d(v)/d(a) = +-a/j, so that the two
ramps change v by (peak^2 - a^2)/(2j) and peak^2/(2j), hence peak = sqrt(j (goal - v) + a^2/2) if no limit cuts it.

*Braking* is the velocity law with goal zero; integrating its three pieces gives `stop_distance`.

*Move law* (`step`): let S be the point where braking now would come to rest. Push towards sign(target - S) with the
velocity law at full speed, for as long as S has not reached the target; then brake. Braking keeps S, pushing moves it
monotonically, so S meets the target once, inside some tick, and the rest of the move is the braking curve, which ends
exactly there. This is bang-bang control on the switching surface S = target, the time-optimal law of the triple
integrator with bounded velocity and acceleration (compare Berscheid and Kroeger, "Jerk-limited Real-time Trajectory
Generation with Arbitrary Target States", Robotics: Science and Systems 2021, from memory). A velocity command is a move
to the travel limit that lies in its direction.

Acceleration and deceleration
-----------------------------
`acceleration` bounds |a| while the speed grows, `deceleration` while it falls. A reversal passes v = 0 with a != 0, and
there one bound takes over from the other. If deceleration is the larger, |a| is lowered *before* the crossing so
that it has come down to `acceleration` at v = 0: until the crossing the velocity law aims at no more than
acceleration^2/(2j), whose falling curve passes through (v = 0, a = acceleration). If it is the smaller, |a| rises only
after the crossing.

When a limit arrives that is already violated
---------------------------------------------
- velocity: braked to the new limit within deceleration and jerk.
- acceleration, deceleration: |a| is lowered with full jerk.
- jerk: in force at once. A lower jerk may therefore carry v past its limit by what the present a still adds.
- A weaker set of limits may make a *target* unreachable without overshoot: it is overshot and approached again.
- *Travel wins over limits*: a set of limits under which the ramp would run (further) out of the travel waits. The ramp
  brakes under the limits that it has until the new set can stop it inside, and only then takes the new set over.
- travel: if it shrinks so far that stopping inside is impossible, the ramp brakes as hard as allowed and comes back
  inside. `stop` does not come back (a stop never starts a motion), nor does a ramp at rest that has nothing to do.
"""

import math
from typing import NamedTuple

# A state within this distance of its target (absolute part in mdeg, plus a part of |target| for the rounding of p)
# counts as on it. It is the rounding of binary64 summed over a long braking, far below one encoder count.
_NEAR = 1e-6
_NEAR_RELATIVE = 1e-12
# The velocity law has reached its goal when a would be gone within this time (s) and v is off by no more than this
# (mdeg/s, plus a part of the goal): rounding, which would otherwise be chased to and fro.
_INSTANT = 1e-9
_SLOW = 1e-9
_SLOW_RELATIVE = 1e-12


class RampLimits(NamedTuple):
    """Magnitudes, all finite and above zero: mdeg/s, mdeg/s^2 (speed growing), mdeg/s^2 (speed falling), mdeg/s^3."""

    velocity: float
    acceleration: float
    deceleration: float
    jerk: float


def stop_distance(v: float, a: float, dec: float, jerk: float) -> float:
    """Signed distance (mdeg) from here to the point of rest when braking starts now from v (mdeg/s), a (mdeg/s^2)."""
    side = 1.0
    if v + a * abs(a) / (2.0 * jerk) > 0.0:
        side, v, a = -1.0, -v, -a
    # From here on the velocity left over is below zero and a is pushed up.
    if a > dec:
        t = (a - dec) / jerk
        distance = t * (v + t * (a / 2.0 - jerk * t / 6.0))
        v += t * (a + dec) / 2.0
        peak = dec
        hold = max(0.0, -v / dec - dec / (2.0 * jerk))
    else:
        square = max(0.0, a * a / 2.0 - jerk * v)
        if square <= dec * dec:
            peak, hold = math.sqrt(square), 0.0
        else:
            peak, hold = dec, (square - dec * dec) / (jerk * dec)
        t = (peak - a) / jerk
        distance = t * (v + t * (a / 2.0 + jerk * t / 6.0))
        v += t * (a + peak) / 2.0
    distance += hold * (v + peak * hold / 2.0)
    # The last piece, a falling from peak to 0 as v rises to 0: -peak^3/(6 j^2).
    return side * (distance - peak * peak * peak / (6.0 * jerk * jerk))


def turning_distance(v: float, a: float, jerk: float) -> float:
    """Signed distance (mdeg) to where v first changes sign while braking; 0 if it does not before rest.

    It happens when |a| is too large to be taken out before v has gone: the ramp then swings past v = 0 and back.
    """
    if v * a >= 0.0 or a * a <= 2.0 * jerk * abs(v):
        return 0.0
    side = 1.0 if v > 0.0 else -1.0
    v, a = side * v, side * a
    t = 2.0 * v / (-a + math.sqrt(a * a - 2.0 * jerk * v))
    return side * t * (v + t * (a / 2.0 + jerk * t / 6.0))


def advance(
    p: float, v: float, a: float, goal: float, dt: float, acc: float, dec: float, jerk: float
) -> tuple[float, float, float]:
    """The state (p, v, a) after dt seconds under the velocity law towards (v = goal, a = 0), exact in that time."""
    # Each pass finishes one piece of the law; no path has more than eight (a to zero, rise, hold, fall to the zero
    # crossing of v, lower a, rise, hold, fall), and the bound keeps the loop finite whatever the rounding does.
    for _ in range(10):
        if abs(a) <= _INSTANT * jerk and abs(v - goal) <= _SLOW + _SLOW_RELATIVE * abs(goal):
            return p + goal * dt, goal, 0.0
        side = 1.0 if v + a * abs(a) / (2.0 * jerk) <= goal else -1.0
        v1 = side * v
        a1 = side * a
        aim = side * goal
        j = jerk
        crossing = False
        end = a1
        if a1 < 0.0:
            t = -a1 / jerk
            end = 0.0
        else:
            limit = dec
            if aim > 0.0:
                if v1 < 0.0:
                    crossing = True
                    aim = min(aim, acc * acc / (2.0 * jerk))
                else:
                    limit = acc
            square = a1 * a1 / 2.0 + jerk * (aim - v1)
            if a1 > limit:
                t, end, j = (a1 - limit) / jerk, limit, -jerk
            else:
                end = limit if square >= limit * limit else math.sqrt(max(0.0, square))
                t = (end - a1) / jerk
                if t <= 1e-12:
                    # On the peak already: hold it, or fall from it.
                    t = (square - limit * limit) / (jerk * limit) if limit == end else 0.0
                    j, end = 0.0, a1
                    if t <= 1e-12:
                        t, j, end = a1 / jerk, -jerk, 0.0
        whole = t <= dt
        if not whole:
            t = dt
        v2 = v1 + t * (a1 + j * t / 2.0)
        if crossing and v2 > 0.0:
            # Up to the crossing only; the next pass goes on with the other limit. v1 + a1 t + j t^2/2 = 0.
            t = min(t, -2.0 * v1 / (a1 + math.sqrt(max(0.0, a1 * a1 - 2.0 * j * v1))))
            whole = False
            v2 = 0.0
        p += side * t * (v1 + t * (a1 / 2.0 + j * t / 6.0))
        if whole:
            a = side * end
            # The fall to a = 0 of the last piece ends on the goal by construction; drop the rounding.
            v = goal if end == 0.0 and j < 0.0 and not crossing and a1 <= limit else side * v2
        else:
            a = side * (a1 + j * t)
            v = side * v2
        dt -= t
        if dt <= 0.0:
            break
    return p, v, a


def step(
    p: float,
    v: float,
    a: float,
    rest: float,
    braking: bool,
    target: float,
    speed: float,
    dt: float,
    acc: float,
    dec: float,
    jerk: float,
) -> tuple[float, float, float, float, bool]:
    """One tick of the move law. `rest` is the stopping point of (p, v, a), target may be infinite.

    Returns (p, v, a, rest, braking); braking says that the stopping point is the target from here on.
    """
    if not braking and abs(target - rest) <= _NEAR + _NEAR_RELATIVE * abs(rest):
        braking = True
    if braking:
        p, v, a = advance(p, v, a, 0.0, dt, acc, dec, jerk)
        if v == 0.0 and a == 0.0:
            braking = False
            if abs(target - p) <= 2.0 * (_NEAR + _NEAR_RELATIVE * abs(p)):
                p = target
            rest = p
        return p, v, a, rest, braking
    side = 1.0 if target > rest else -1.0
    goal = side * speed
    p1, v1, a1 = advance(p, v, a, goal, dt, acc, dec, jerk)
    rest1 = p1 + stop_distance(v1, a1, dec, jerk)
    over = side * (rest1 - target)
    if over <= 0.0:
        return p1, v1, a1, rest1, False
    # The switch lies inside this tick: find the latest moment whose stopping point has not passed the target.
    low, f_low = 0.0, side * (rest - target)
    high, f_high = dt, over
    near = 0.25 * (_NEAR + _NEAR_RELATIVE * abs(target))
    p1, v1, a1, rest1 = p, v, a, rest
    for count in range(60):
        # False position with the Illinois weights; a bisection now and then bounds the count.
        middle = (low * f_high - high * f_low) / (f_high - f_low)
        if count % 4 == 3 or not low < middle < high:
            middle = (low + high) / 2.0
        p2, v2, a2 = advance(p, v, a, goal, middle, acc, dec, jerk)
        rest2 = p2 + stop_distance(v2, a2, dec, jerk)
        f = side * (rest2 - target)
        if f > 0.0:
            high, f_high = middle, f
            f_low /= 2.0
        else:
            low, f_low = middle, f
            f_high /= 2.0
            p1, v1, a1, rest1 = p2, v2, a2, rest2
            if f >= -near:
                break
        if high - low <= 1e-15:
            break
    p1, v1, a1 = advance(p1, v1, a1, 0.0, dt - low, acc, dec, jerk)
    if v1 == 0.0 and a1 == 0.0 and abs(target - p1) <= _NEAR + _NEAR_RELATIVE * abs(p1):
        return target, 0.0, 0.0, target, False
    return p1, v1, a1, rest1, True


def _checked(limits: RampLimits) -> RampLimits:
    for name, value in zip(limits._fields, limits, strict=True):
        if not 0.0 < value < math.inf:
            raise ValueError(f"the {name} limit must be a finite number above zero, not {value!r}")
    return RampLimits(*(float(value) for value in limits))


def _finite(name: str, value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a finite number, not {value!r}")
    return float(value)


class Ramp:
    """One axis' setpoint. Commands, limits and travel may change before any tick, in any state.

    Raises ValueError for a number that is not finite, a limit not above zero, or a travel with its ends exchanged;
    nothing has changed then.
    """

    def __init__(self, limits: RampLimits, position: float = 0.0, dt: float = 0.001) -> None:
        if not 0.0 < dt < math.inf:
            raise ValueError(f"the tick must be a finite number of seconds above zero, not {dt!r}")
        self.dt = float(dt)
        self._limits = _checked(limits)
        self._asked = self._limits
        self._travel: tuple[float, float] | None = None
        self.reset(position)

    # The setpoint state.
    position: float
    velocity: float
    acceleration: float
    _wanted: float | None  # the target of a move as asked, before the travel cuts it

    @property
    def limits(self) -> RampLimits:
        """The limits asked for. `limits_in_force` differs only while travel makes a weaker set wait."""
        return self._asked

    @limits.setter
    def limits(self, limits: RampLimits) -> None:
        self._asked = _checked(limits)
        self._adopt()

    @property
    def limits_in_force(self) -> RampLimits:
        """The limits that the ramp obeys in its next tick."""
        return self._limits

    @property
    def travel(self) -> tuple[float, float] | None:
        """Lowest and highest position (mdeg), or None for no travel limits."""
        return self._travel

    @travel.setter
    def travel(self, travel: tuple[float, float] | None) -> None:
        if travel is not None:
            low, high = _finite("the travel minimum", travel[0]), _finite("the travel maximum", travel[1])
            if low > high:
                raise ValueError(f"the travel minimum {low!r} lies above its maximum {high!r}")
            travel = (low, high)
        self._travel = travel
        if self._limits is not self._asked:
            self._adopt()
        self._aim()

    @property
    def target(self) -> float | None:
        """Where the present or finished move ends (mdeg, inside the travel); None after run, stop and reset."""
        return self._goal if self._wanted is not None else None

    @property
    def at_rest(self) -> bool:
        """Neither moving nor about to move."""
        return self._idle

    def move(self, target: float, speed: float | None = None) -> None:
        """Go to target (mdeg) and stop there, no faster than speed (mdeg/s, above zero). Clamped to the travel."""
        target = _finite("the target", target)
        if speed is not None and not 0.0 < speed < math.inf:
            raise ValueError(f"the speed must be a finite number above zero, not {speed!r}")
        self._wanted, self._run, self._speed = target, 0.0, math.inf if speed is None else float(speed)
        self._stopping = self._idle = False
        self._aim()

    def run(self, velocity: float) -> None:
        """Hold this velocity (mdeg/s, cut to the velocity limit), ending at rest exactly at the travel limit."""
        velocity = _finite("the velocity", velocity)
        if velocity == 0.0:
            self.stop()
            return
        self._wanted, self._run, self._speed = None, velocity, abs(velocity)
        self._stopping = self._idle = False
        self._aim()

    def stop(self) -> None:
        """Come to rest within the deceleration limit. Ends a move or a run."""
        self._wanted, self._run, self._speed = None, 0.0, math.inf
        self._stopping = True
        self._braking = False
        self._idle = self.velocity == 0.0 and self.acceleration == 0.0

    def reset(self, position: float) -> None:
        """At rest here from this instant, with no motion (the drive is off and the ring was turned by hand)."""
        self.position = _finite("the position", position)
        self.velocity = self.acceleration = 0.0
        self._rest = self.position
        self._goal = self.position
        self._limits = self._asked
        self.stop()

    def stopping_point(self) -> float:
        """Where the ramp would come to rest if it braked from now on (mdeg)."""
        return self._rest

    def tick(self) -> None:
        """Advance by one tick."""
        if self._idle:
            return
        speed, acc, dec, jerk = self._limits
        if self._stopping or self._limits is not self._asked:
            self.position, self.velocity, self.acceleration = advance(
                self.position, self.velocity, self.acceleration, 0.0, self.dt, acc, dec, jerk
            )
            if self.velocity == 0.0 and self.acceleration == 0.0:
                self._rest = self.position
                self._idle = self._stopping
            if self._limits is not self._asked:
                self._adopt()
            return
        self.position, self.velocity, self.acceleration, self._rest, self._braking = step(
            self.position,
            self.velocity,
            self.acceleration,
            self._rest,
            self._braking,
            self._goal,
            min(self._speed, speed),
            self.dt,
            acc,
            dec,
            jerk,
        )
        if self.position == self._goal and self.velocity == 0.0 and self.acceleration == 0.0:
            self._arrive()

    def _arrive(self) -> None:
        self._idle = True
        # A finished move stays finished whatever the travel does; a run goes on if its limit moves away.
        self._stopping = self._run == 0.0

    def _aim(self) -> None:
        """Work out the end of the motion from the command and the travel."""
        if self._stopping:
            return
        if self._wanted is not None:
            goal = self._wanted
            if self._travel is not None:
                goal = min(max(goal, self._travel[0]), self._travel[1])
        elif self._travel is not None:
            goal = self._travel[1] if self._run > 0.0 else self._travel[0]
        else:
            goal = math.copysign(math.inf, self._run)
        self._goal = goal
        self._braking = False
        self._idle = False
        if self.position == goal and self.velocity == 0.0 and self.acceleration == 0.0:
            self._arrive()

    def _adopt(self) -> None:
        """Put the limits asked for in force, unless they would carry the ramp (further) out of the travel."""
        if self._travel is not None and self._excess(self._asked) > max(0.0, self._excess(self._limits)):
            return
        self._limits = self._asked
        self._rest = self.position + stop_distance(
            self.velocity, self.acceleration, self._limits.deceleration, self._limits.jerk
        )
        self._braking = False

    def _excess(self, limits: RampLimits) -> float:
        """How far braking under these limits leaves the travel (mdeg; below zero: room to spare)."""
        assert self._travel is not None
        low, high = self._travel
        rest = self.position + stop_distance(self.velocity, self.acceleration, limits.deceleration, limits.jerk)
        turn = self.position + turning_distance(self.velocity, self.acceleration, limits.jerk)
        return max(rest - high, turn - high, low - rest, low - turn) - _NEAR - _NEAR_RELATIVE * abs(rest)
