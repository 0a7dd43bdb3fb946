"""Integer plans for the ramp generator: what the firmware core computes, function by function.

Numbers
-------
Every quantity is a signed 64-bit integer. Positions count units of 2^-28 mdeg; velocity v, acceleration a and jerk
count these units per tick, tick^2 and tick^3. One tick does

    a += u (|u| <= J),   v += a,   p += v

so that v and a are exactly the first differences of p and v, and each limit can be read off a recorded motion. No
floats, no loop without a fixed bound; products stay within 64 bits for (checked by `units_of_limits` and `fits`)

    position +-2^31 mdeg, velocity <= 3,600,000 mdeg/s, acceleration and deceleration <= 200,000,000 mdeg/s^2,
    jerk <= 2^31 * 1000 mdeg/s^3 (what exceeds acceleration + deceleration in one tick is cut, as it has no effect),
    velocity / deceleration <= 60,000 ticks, acceleration / jerk and deceleration / jerk <= 60,000 ticks.

Limits are rounded down to whole units: 2^-28 mdeg a tick^3 is 3.7 mdeg/s^3 at 1 kHz.

Plans
-----
A plan takes (v, a) to (goal, 0) exactly, in whole ticks. Seen in the direction in which it pushes: a approaches a
level h in steps of J (values short of h), stays m ticks at h, and falls in steps of J to zero; on the way down one more
tick is spent at the level r < h, put in at its place in the order, so that no two neighbours differ by more than J.
The velocity that approach and fall give, base(h), is an arithmetic series; goal - v - base(h) = m h + r is one
division with remainder, so every velocity is met to the last unit. h is the largest level that the limit and the
velocity to gain allow (a square root, rounded to the safe side). Where the plan ends is again a finite sum
(`plan_end`): sum k = n(n+1)/2, sum k(k+1)/2 = n(n+1)(n+2)/6.
"""

import math
from typing import NamedTuple

from ringlet.hwsim.ramp import RampLimits

FRACTION_BITS = 28
ONE = 1 << FRACTION_BITS  # one mdeg
POSITION_LIMIT = 1 << 31  # mdeg
LONGEST = 60_000  # ticks
MOST_SPEED = 1 << 41  # units a tick that a plan may start from or swing to

VELOCITY_MOST = 3_600_000
ACCELERATION_MOST = 200_000_000
JERK_MOST = (1 << 31) * 1000


class Units(NamedTuple):
    """The limits in units per tick, tick^2, tick^3."""

    velocity: int
    acceleration: int
    deceleration: int
    jerk: int


class Plan(NamedTuple):
    """What is left of a plan: direction, whether a still approaches, level, ticks at it, and the level put in."""

    side: int
    approach: int
    level: int
    hold: int
    rest: int


class Brake(NamedTuple):
    """A brake plan with its end and the lowest and highest position on the way there."""

    plan: Plan
    end: int
    low: int
    high: int


def triangle(n: int) -> int:
    """1 + 2 + ... + n."""
    return n * (n + 1) // 2


def tetrahedron(n: int) -> int:
    """triangle(1) + ... + triangle(n)."""
    return n * (n + 1) * (n + 2) // 6


def fall(a: int, jerk: int) -> int:
    """Velocity that a >= 0 still adds while it falls to zero in steps of jerk: (a-J) + (a-2J) + ... as far as > 0."""
    if a <= jerk:
        return 0
    n = (a - 1) // jerk
    return n * a - jerk * triangle(n)


def settled(v: int, a: int, jerk: int) -> int:
    """The velocity when a has gone straight to zero."""
    return v + fall(a, jerk) if a >= 0 else v - fall(-a, jerk)


def approach_ticks(a: int, level: int, jerk: int) -> int:
    """Ticks spent on values strictly between a and the level."""
    gap = level - a if level >= a else a - level
    return (gap - 1) // jerk if gap > jerk else 0


def base(a: int, level: int, jerk: int) -> int:
    """Velocity from approaching the level from below and falling from it."""
    n = approach_ticks(a, level, jerk)
    return n * a + jerk * triangle(n) + fall(level, jerk)


def root_level(delta: int, a: int, jerk: int) -> int:
    """sqrt(jerk * (delta + a/2) + a^2 / 2) to about 30 bits, rounded down: the peak whose two slopes give delta.

    The continuous law (`ramp`) says jerk * delta + a^2 / 2 = h^2. Sums at whole ticks make it (Euler and Maclaurin)
    jerk * (delta + a/2) + a^2 / 2 = h^2 - jerk * h + at most jerk^2 / 4; leaving out jerk * h stays on the safe side.
    """
    delta += a // 2
    big = delta if delta >= 0 else -delta
    shift_j = shift_d = 0
    while (jerk >> shift_j) >= 1 << 30:
        shift_j += 1
    while (big >> shift_d) >= 1 << 30:
        shift_d += 1
    if (shift_j + shift_d) & 1:
        shift_d += 1
    half = (shift_j + shift_d) // 2
    size = a if a >= 0 else -a
    while (size >> half) >= 1 << 30:
        half += 1
        shift_d += 2
    size >>= half
    square = (jerk >> shift_j) * (delta >> shift_d) + size * size // 2
    return math.isqrt(square) << half if square > 0 else 0


def make_plan(v: int, a: int, goal: int, side: int, limit: int, jerk: int) -> Plan:
    """The plan from (v, a) to (goal, 0) that pushes to `side`; the limit is for a on that side.

    Needs side * (goal - settled(v, a)) >= 0.
    """
    a *= side
    delta = side * (goal - v)
    if a > limit:
        # Down to the limit, at least one tick there (else two steps would follow each other there), and on.
        n = approach_ticks(a, limit, jerk)
        left = delta - (n * a - jerk * triangle(n) + limit + fall(limit, jerk))
        if left >= 0:
            return Plan(side, 1, limit, 1 + left // limit, left % limit)
        left = delta - fall(a, jerk)
        return Plan(side, 0, a, left // a, left % a)
    left = delta - base(a, limit, jerk)
    if left >= 0:
        return Plan(side, 1, limit, left // limit, left % limit)
    level = root_level(delta, a, jerk)
    if level > limit:
        level = limit
    if level > a:
        left = delta - base(a, level, jerk)
    if level <= a or level <= 0 or left < 0:
        # What always fits: fall from a; or, if a must first rise to zero, one low step beyond it.
        level = a
        left = delta - fall(a, jerk) if a > 0 else delta + fall(-a, jerk)
        if a <= 0:
            level = min(left, jerk, limit)
            if level == 0:
                return Plan(side, 1, 0, 0, 0)
            left = delta - base(a, level, jerk)
    if left < 0:
        raise AssertionError("no level fits")
    return Plan(side, 1, level, left // level, left % level)


def next_step(a: int, plan: Plan, jerk: int) -> tuple[int, Plan]:
    """The plan's next acceleration, and what is left of the plan. A finished plan gives 0 for ever."""
    side, approach, level, hold, rest = plan
    a *= side
    if approach:
        if a + jerk < level:
            return side * (a + jerk), plan
        if a - jerk > level:
            return side * (a - jerk), plan
    if hold > 0:
        return side * level, Plan(side, 0, level, hold - 1, rest)
    below = level - jerk if level > jerk else 0
    if rest > 0 and rest >= below:
        return side * rest, Plan(side, 0, level, 0, 0)
    return side * below, Plan(side, 0, below, 0, rest)


def plan_end(p: int, v: int, a: int, plan: Plan, jerk: int) -> int:
    """Where the position stands when a plan to goal 0 has run from (p, v, a)."""
    side, approach, level, hold, rest = plan
    v *= side
    a *= side
    distance = 0
    if approach:
        n = approach_ticks(a, level, jerk)
        u = jerk if a < level else -jerk
        distance = n * v + a * triangle(n) + u * tetrahedron(n)
        v += n * a + u * triangle(n)
    distance += hold * v + level * triangle(hold)
    v += hold * level
    n = (level - 1) // jerk if level > jerk else 0
    if rest > 0:
        k = (level - rest - 1) // jerk if level - rest > jerk else 0
        distance += k * v + level * triangle(k) - jerk * tetrahedron(k)
        v += k * level - jerk * triangle(k) + rest
        level -= k * jerk
        distance += v
        n -= k
    distance += n * v + level * triangle(n) - jerk * tetrahedron(n)
    return p + side * distance


def turning_point(p: int, v: int, a: int, jerk: int) -> int:
    """The last position before v changes sign while a goes straight to zero; p if it does not.

    v_k = v - k|a| + J k(k+1)/2 falls while k <= |a|/J, and v_k <= v - k|a|/2 there: bisection for its last value > 0.
    """
    side = 1
    if v < 0:
        side, v, a = -1, -v, -a
    if v == 0 or a >= 0 or v >= fall(-a, jerk):
        return p
    low, high = 0, min(-a // jerk + 1, 2 * v // -a + 1)
    for _ in range(17):
        if high - low <= 1:
            break
        k = (low + high) // 2
        if v + k * a + jerk * triangle(k) > 0:
            low = k
        else:
            high = k
    return p + side * (low * v + a * triangle(low) + jerk * tetrahedron(low))


def brake(p: int, v: int, a: int, dec: int, jerk: int) -> Brake:
    """The brake plan from (p, v, a)."""
    side = 1 if settled(v, a, jerk) <= 0 else -1
    plan = make_plan(v, a, 0, side, dec, jerk)
    return reaching(p, v, a, plan, plan_end(p, v, a, plan, jerk), jerk)


def reaching(p: int, v: int, a: int, plan: Plan, end: int, jerk: int) -> Brake:
    """A brake plan with its end and its reach from (p, v, a) on."""
    turn = turning_point(p, v, a, jerk)
    return Brake(plan, end, min(p, turn, end), max(p, turn, end))


def cruise(v: int, a: int, goal: int, units: Units) -> Plan:
    """The plan to the velocity goal; where it passes v = 0 it holds only until then and must be made anew."""
    jerk, acc, dec = units.jerk, units.acceleration, units.deceleration
    after = settled(v, a, jerk)
    side = 1 if after < goal or (after == goal and a <= 0) else -1
    limit = dec
    aim = side * goal
    if aim > 0:
        start = side * v if side * a >= 0 else side * after
        if start >= 0:
            limit = acc
        elif dec > acc:
            aim = min(aim, fall(acc, jerk))
            if side * after > aim:
                return make_plan(v, a, side * aim, -side, dec, jerk)
    return make_plan(v, a, side * aim, side, limit, jerk)


def fits(v: int, a: int, units: Units) -> bool:
    """Whether plans from (v, a) with these limits stay within 64 bits."""
    size = a if a >= 0 else -a
    if size // units.jerk > LONGEST:
        return False
    swing = fall(size, units.jerk) + (v if v >= 0 else -v)
    return swing <= MOST_SPEED and swing // units.deceleration <= 2 * LONGEST


def between(low: int, high: int, part: int, whole: int) -> int:
    """low + (high - low) * part / whole for 0 <= part <= whole, whole > 0; part and whole cut to 24 bits."""
    shift = 0
    while (whole >> shift) >= 1 << 24:
        shift += 1
    distance = (high - low) * (part >> shift)
    whole >>= shift
    return low + (distance // whole if distance >= 0 else -(-distance // whole))


def per_tick(value: int, rate: int) -> int:
    """value * 2^28 / rate, rounded down."""
    return (value << FRACTION_BITS) // rate


def scaled(velocity: int, acceleration: int, deceleration: int, jerk: int, rate: int) -> Units:
    """Limits in mdeg and seconds as units at `rate` ticks a second, rounded down."""
    square = rate * rate
    cube = square * rate
    acc = per_tick(acceleration, square)
    dec = per_tick(deceleration, square)
    # Two steps where the product would pass 64 bits.
    j = per_tick(jerk, cube) if jerk < 1 << 34 else ((jerk << 20) // cube) << 8
    return Units(per_tick(velocity, rate), acc, dec, min(j, acc + dec))


def units_of_limits(limits: RampLimits, rate: int) -> Units:
    """Limits in units. Raises ValueError for what this generator cannot hold (see the module text)."""
    for name, value, most in zip(
        limits._fields, limits, (VELOCITY_MOST, ACCELERATION_MOST, ACCELERATION_MOST, JERK_MOST), strict=True
    ):
        if not 0.0 < value <= most:
            raise ValueError(f"the {name} limit must be above zero and at most {most}, not {value!r}")
    velocity, acceleration, deceleration, jerk = (int(value) for value in limits)
    units = scaled(velocity, acceleration, deceleration, jerk, rate)
    for name, unit in zip(units._fields, units, strict=True):
        if unit < 1:
            raise ValueError(f"the {name} limit is less than one unit a tick: {limits!r}")
    v, acc, dec, j = units
    if v > 1 << 40 or acc > 1 << 36 or dec > 1 << 36:
        raise ValueError(f"limits too large for a tick of 1/{rate} s: {limits!r}")
    if v // dec > LONGEST or acc // j > LONGEST or dec // j > LONGEST:
        raise ValueError(f"braking or a jerk ramp would last more than {LONGEST} ticks: {limits!r}")
    return units
