"""One tick of the integer ramp: what is proved, what is searched exhaustively, and what is only sampled.

By hand: python tests/hwsim/prove_ramp.py [--short]. The tests run the short form.

The claim: from every state inside the limits, with every allowed command, the next state is inside the limits and can
still stop before the travel ends. It is put together from parts; each says how it was come by.

Proved with z3 for all numbers, by running the code of `ramp_plan` and `ramp_fixed` itself on symbols (`ramp_symbolic`):

  step   `next_step` and `plan_end`, for every plan of valid form: a changes by no more than jerk; |a| is no more than
         the plan's level, or falls by jerk; the velocity still to come and the place of the end stay what they were; a
         velocity that braking takes to zero does not change its sign again. (Induction over the ticks left: the plan
         ends at the velocity asked for, where `plan_end` said.)
  plan   `make_plan`, whatever `root_level` gives: some level always fits, the plan has a valid form, gives exactly the
         velocity asked for, and its level is no more than the limit, or than the |a| that is there already.
  side   `cruise` and `brake` call `make_plan` only as it may be called.
  law    `FixedRamp.tick`, `_adopt` and `_aim` with plans of which only this is known: a step is at most jerk, and the
         rest of a plan reaches no further than the plan. Then the plan that is held after the tick reaches no further
         out of the travel than the one before, and from inside never out; p is inside it; a moves by at most jerk.
         (With one try of the search for a larger a instead of TRIES: a later try lies between the same two values, and
         what it leaves is a try's own plan or none, so that it could as well have been the first.)

Assumed there, and not proved: triangle and tetrahedron numbers are whole (so // 2 and // 6 are exact); that 64 bits are
enough (the lock-step run under UBSan samples it over the whole range); `turning_point`'s bisection, and that the
velocity limit holds, for which see:

Searched exhaustively, in the emitted C code, in small worlds with a unit of one mdeg (tests/c/ramp_states.c): every
state inside the limits that can stop inside the travel, and every state that comes of it, with every command in each.
There also the velocity limit, the reach (by walking to rest from each state) and changes between sets of limits and
travels are checked. The worlds searched are printed. That larger worlds behave alike is not proved by this.

Only sampled: full-size numbers in the velocity limit and the reach (long_ramp.py, test_ramp_fixed.py), and C against
Python (tests/c/ramp_lockstep.py).
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import z3
from ramp_symbolic import (
    NotProved,
    Num,
    Truth,
    assume,
    either,
    every_path,
    expect,
    fresh,
    greatest,
    least,
    prove,
    replaced,
)

from ringlet.hwsim import ramp_fixed, ramp_plan
from ringlet.hwsim.ramp_fixed import FixedRamp
from ringlet.hwsim.ramp_plan import Brake, Plan, Units

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build
import ramp_lockstep

Story = Callable[[], None]


def number(value: str | int) -> Num:
    return Num(z3.RealVal(value))


def triangle(n: Num) -> Num:
    return n * (n + 1) * number("1/2")


def tetrahedron(n: Num) -> Num:
    return n * (n + 1) * (n + 2) * number("1/6")


# ---- step --------------------------------------------------------------------------------------------------------


def whole(name: str) -> Num:
    """Any whole number from 0 on: 0, 1, or two and more. (The code compares with one step at most.)"""
    case = fresh("case")
    if case == 0:
        return number(0)
    if case == 1:
        return number(1)
    found = fresh(name)
    assume(found >= 2)
    return found


def steps(n: Num, jerk: Num) -> Num:
    """Any amount that takes n full steps and a last one of 1..jerk."""
    last = fresh("last")
    assume(last >= 1, last <= jerk)
    return n * jerk + last


def remaining(a: Num, plan: Plan, jerk: Num) -> Num:
    """Velocity that the rest of the plan adds: the series of its accelerations (`step` shows that they are these)."""
    side, approach, level, hold, rest = plan
    a = side * a
    total = hold * level + rest + ramp_plan.fall(level, jerk)
    if approach:
        n = ramp_plan.approach_ticks(a, level, jerk)
        total += n * a + (jerk if a < level else -jerk) * triangle(n)
    return side * total


STEP_CASES = [
    (side, where, rest, hold)
    for side in (1, -1)
    for where in ("falling", "at", "below", "above", "to zero")
    for rest in ((False,) if where == "to zero" else (False, True))
    for hold in ((True,) if where == "above" else (False,) if where == "to zero" else (False, True))
]


def step_story(side: int, where: str, with_rest: bool, with_hold: bool) -> Story:
    """One step of any plan of this form. where: a against the level; `falling`: no approach left."""

    def story() -> None:
        jerk, p = fresh("jerk"), fresh("p")
        assume(jerk >= 1)
        level, rest, hold = number(0), number(0), number(0)
        if where != "to zero":
            before = whole("steps before the put-in tick") if with_rest else number(0)
            after = whole("steps after it") + before
            level = steps(after, jerk)
            expect(jerk, after, after - 1)
            if with_rest:
                rest = level - steps(before, jerk)
                assume(rest >= 1)
                expect(jerk, before, before - 1, after - before, after - before - 1)
            if with_hold:
                hold = fresh("hold")
                assume(hold >= 1)
        if where == "falling":
            a = fresh("a")
        elif where == "at":
            a = level
        else:
            n = whole("steps to the level")
            expect(jerk, n, n - 1)
            a = level + steps(n, jerk) * (1 if where == "above" else -1)
        a = side * a
        plan = Plan(side, int(where != "falling"), level, hold, rest)
        v = -remaining(a, plan, jerk)  # a plan to velocity 0
        a1, plan1 = ramp_plan.next_step(a, plan, jerk)
        if where == "falling":
            # That of the step before, which was shown then (below: a2).
            assume(a1 - a <= jerk, a - a1 <= jerk)
        prove(a1 - a <= jerk, "a grows by at most jerk")
        prove(a - a1 <= jerk, "a falls by at most jerk")
        size = greatest(a, -a) - jerk
        prove(greatest(a1, -a1) <= greatest(level, size), "|a| is at most the level, or falls by jerk")
        v1 = v + a1
        rest_of_way = remaining(a1, plan1, jerk)
        prove(v1 + rest_of_way == 0, "the velocity still to come is what is left")
        end = ramp_plan.plan_end(p, v, a, plan, jerk)
        prove(end == ramp_plan.plan_end(p + v1, v1, a1, plan1, jerk), "the end stays where it was")
        prove(either(side * v > 0, side * v1 <= 0), "the velocity does not change its sign again")
        if not plan1.approach:
            a2, _ = ramp_plan.next_step(a1, plan1, jerk)
            prove(a2 - a1 <= jerk, "nor grows by more in the step after")
            prove(a1 - a2 <= jerk, "nor falls by more in the step after")
        if not plan1.level and not plan1.hold and not plan1.rest:
            prove(v1 == 0, "at the end the velocity is zero")

    def on_sums() -> None:
        with replaced(ramp_plan, triangle=triangle, tetrahedron=tetrahedron):
            story()

    return on_sums


# ---- plan, side --------------------------------------------------------------------------------------------------

PLAN_CASES = list(itertools.product((1, -1), ("above the limit", "pushing", "rising to zero")))


def plan_story(side: int, where: str) -> Story:
    """`make_plan` from any state, with any answer of `root_level`."""

    def story() -> None:
        jerk, limit, v, goal = fresh("jerk"), fresh("limit"), fresh("v"), fresh("goal")
        assume(jerk >= 1, limit >= 1)
        if where == "rising to zero":
            n = number(0)
            if fresh("case") > 0:
                n = fresh("steps to zero")
                assume(n >= 1)
            expect(jerk, n, n + 1)
            a = -steps(n, jerk) if fresh("case") > 0 else number(0)
        else:
            a = fresh("a")
            assume(a >= 1, a > limit if where == "above the limit" else a <= limit)
        assume(side * (goal - ramp_plan.settled(v, side * a, jerk)) >= 0)
        plan = ramp_plan.make_plan(v, side * a, goal, side, limit, jerk)
        _, approach, level, hold, rest = plan
        prove(v + remaining(side * a, plan, jerk) == goal, "the plan gives the velocity asked for")
        prove(hold >= 0, "the hold is not negative")
        if level == 0:
            prove(a <= 0, "only what must fall to zero gets level 0")
            prove(hold == 0, "and nothing else then")
            prove(rest == 0, "and nothing else then")
        else:
            prove(rest >= 0, "the put-in level is not negative")
            prove(rest < level, "the put-in level lies below the level")
            prove(level <= greatest(limit, a), "the level is within the limit, or where a is already")
        if approach and a > level:
            prove(hold >= 1, "a level met from above is held for a tick")
        if not approach:
            prove(level == a, "without an approach, a is at the level")

    def on_sums() -> None:
        with replaced(ramp_plan, triangle=triangle, root_level=lambda *_: fresh("root")):
            story()

    return on_sums


def side_story(braking: bool) -> Story:
    """The precondition of `make_plan` wherever it is called."""

    def story() -> None:
        v, a, goal = fresh("v"), fresh("a"), fresh("goal")
        units = Units(*(fresh(name) for name in Units._fields))
        assume(*(unit >= 1 for unit in units))
        after = fresh("settled")
        calls = 0

        def checked(v: Num, a: Num, goal: Any, side: int, limit: Num, jerk: Num) -> Plan:
            nonlocal calls
            calls += 1
            prove(side * (goal - after) >= 0, "the plan pushes towards its goal")
            prove(either(limit == units.acceleration, limit == units.deceleration), "with a limit of its own")
            return Plan(side, 1, limit, limit, limit)

        with replaced(ramp_plan, settled=lambda *_: after, fall=lambda *_: fresh("fall"), min=least,
                      make_plan=checked, plan_end=lambda *_: fresh("end"), reaching=lambda *given: None):  # fmt: skip
            if braking:
                ramp_plan.brake(fresh("p"), v, a, units.deceleration, units.jerk)
            else:
                ramp_plan.cruise(v, a, goal, units)
        prove(calls == 1, "one plan is made")

    return story


# ---- law ---------------------------------------------------------------------------------------------------------


def contracts(ramp: FixedRamp) -> dict[str, Any]:
    """In place of the plans: anything that keeps what `step`, `plan` and the search say of them."""
    held = ramp._brake
    rest_of_brake = (fresh("a"), Plan(1, 0, fresh("level"), fresh("hold"), fresh("rest")))
    after = ramp._p + ramp._v + rest_of_brake[0]
    assume(held.low <= after, after <= held.high)

    def next_step(a: Num, plan: Plan, jerk: Num) -> tuple[Num, Plan]:
        found = rest_of_brake if plan is held.plan else (fresh("a"), plan)
        assume(found[0] - a <= jerk, a - found[0] <= jerk)
        return found

    def a_brake(p: Num, plan: Plan) -> Brake:
        found = Brake(plan, fresh("end"), fresh("low"), fresh("high"))
        assume(found.low <= p, p <= found.high, found.low <= found.end, found.end <= found.high)
        return found

    def brake(p: Num, v: Any, a: Any, dec: Num, jerk: Num) -> Brake:
        found = a_brake(p, any_plan())
        if isinstance(v, int) and isinstance(a, int):  # at rest
            assume(found.low == p, found.high == p)
        return found

    def reaching(p: Num, v: Num, a: Num, plan: Plan, end: Num, jerk: Num) -> Brake:
        assert plan is rest_of_brake[1]
        found = a_brake(p, plan)._replace(end=end)
        assume(found.low >= held.low, found.high <= held.high)
        return found

    def between(low: Num, high: Num, part: Num, all_of_it: Num) -> Num:
        found = fresh("between")
        assume(least(low, high) <= found, found <= greatest(low, high))
        return found

    return {
        "TRIES": 1, "next_step": next_step, "brake": brake, "reaching": reaching, "between": between,
        "min": least, "max": greatest, "cruise": lambda *_: any_plan(),
        "fits": lambda *_: fresh("fits") > 0,
    }  # fmt: skip


def any_plan() -> Plan:
    return Plan(1, 1, fresh("level"), fresh("hold"), fresh("rest"))


def any_ramp(kind: type[FixedRamp], stopping: bool, waiting: bool, cruising: bool) -> FixedRamp:
    """A ramp in any state in which its plan holds its present place, and its goal lies in the travel."""
    ramp = kind.__new__(kind)
    for name in ("_p", "_v", "_a", "_goal", "_speed", "_low", "_high", "_sign", "_target"):
        setattr(ramp, name, fresh(name))
    ramp._run, ramp._idle, ramp._stopping, ramp._waiting = 1, False, stopping, waiting
    ramp._units, ramp._wanted_units = (Units(*(fresh(name) for name in Units._fields)) for _ in range(2))
    ramp._limits, ramp._asked = object(), object()  # type: ignore[assignment]
    ramp._brake = Brake(any_plan(), fresh("end"), fresh("low"), fresh("high"))
    ramp._cruise = any_plan() if cruising else None
    held = ramp._brake
    assume(*(unit >= 1 for unit in ramp._units), ramp._low <= ramp._high)
    assume(held.low <= ramp._p, ramp._p <= held.high, held.low <= held.end, held.end <= held.high)
    if not stopping:
        assume(ramp._low <= ramp._goal, ramp._goal <= ramp._high)
    return ramp


LAW_CASES = ["pushing", "stopping", "waiting", "adopt", "aim a move", "aim a run", "pushing on"]


def law_story(what: str, kind: type[FixedRamp] = FixedRamp) -> Story:
    """A tick, new limits or a new aim from any state."""

    def story() -> None:
        ramp = any_ramp(kind, what == "stopping", what == "waiting", what == "pushing on")
        p, v, a, held = ramp._p, ramp._v, ramp._a, ramp._brake
        lowest, highest = least(ramp._low, held.low), greatest(ramp._high, held.high)
        jerk = ramp._units.jerk
        with replaced(ramp_fixed, **contracts(ramp)):
            if what == "adopt":
                ramp._adopt()
            elif what.startswith("aim"):
                ramp._target, ramp._run = (fresh("target"), 0) if what == "aim a move" else (None, -1)
                ramp._aim()
                prove(ramp._low <= ramp._goal, "the goal lies in the travel")
                prove(ramp._goal <= ramp._high, "the goal lies in the travel")
                prove(ramp._brake is held, "a new aim leaves the plan alone")
            else:
                ramp.tick()
        after = ramp._brake
        prove(after.low >= lowest, "the plan reaches no further below the travel than before")
        prove(after.high <= highest, "the plan reaches no further above the travel than before")
        prove(after.low <= ramp._p, "the place lies in the plan's reach")
        prove(ramp._p <= after.high, "the place lies in the plan's reach")
        prove(ramp._a - a <= jerk, "a grows by at most jerk")
        prove(a - ramp._a <= jerk, "a falls by at most jerk")
        if what in ("pushing", "pushing on", "stopping", "waiting"):
            prove(ramp._v == v + ramp._a, "v is the sum of a")
            near = ramp._p - p - ramp._v
            prove(either(near == 0, Truth(z3.And((near <= ramp_fixed.NEAR).term, (near >= -ramp_fixed.NEAR).term,
                                                 (ramp._p == ramp._goal).term, (ramp._v == 0).term))),
                  "p is the sum of v, but for the last correction at rest")  # fmt: skip
        else:
            prove(Truth(z3.And((ramp._p == p).term, (ramp._v == v).term, (ramp._a == a).term)), "nothing moves")

    return story


# ---- all of it ---------------------------------------------------------------------------------------------------


def stories(short: bool) -> Iterator[tuple[str, Story]]:
    """(name, story). short: one side only, and without the slowest cases."""
    for step in STEP_CASES:
        side, where, rest, hold = step
        slow = rest and where != "falling"
        if not short or (side == 1 and not slow):
            words = f"step {'up' if side > 0 else 'down'}, {where}{', put-in tick' * rest}{', hold' * hold}"
            yield words, step_story(*step)
    for side, where in PLAN_CASES:
        if not short or (side == 1 and where == "above the limit"):
            yield f"plan {'up' if side > 0 else 'down'}, {where}", plan_story(side, where)
    yield "side of brake plans", side_story(True)
    yield "side of cruise plans", side_story(False)
    for what in LAW_CASES[:-1] if short else LAW_CASES:
        yield f"law, {what}", law_story(what)


SHORT_WORLDS = ["14 3 2 1 1", "12 5 1 4 1", "12 4 3 3 1 2 1 1 1"]


def worlds() -> Iterator[str]:
    """`N V A D J ...` for tests/c/ramp_states.c: one set of limits in all combinations, and pairs of sets."""
    for v, a, d in itertools.product((1, 2, 3, 5, 7), (1, 2, 3, 4), (1, 2, 3, 4)):
        for j in (1, 2, 3, 5):
            if j <= a + d:
                yield f"26 {v} {a} {d} {j}"
    sets = ["6 2 3 1", "6 3 1 2", "4 1 1 1", "3 4 2 3", "2 1 2 2"]
    for one, other in itertools.combinations(sets, 2):
        yield f"30 {one} {other}"
    yield "38 8 2 3 1"
    yield "38 8 3 2 1"
    yield "26 8 4 4 1 5 1 2 1 3 2 1 2"


def build_search(folder: Path, unit_bits: int = 0, near: int = 0, change: tuple[str, str] | None = None) -> Path:
    """Compile the search with units of 2^-unit_bits mdeg; `change` plants a fault: (right text, wrong text)."""
    ramp_lockstep.emit_ramp(folder)
    header = folder / "ringlet_ramp.h"
    text = header.read_text()
    if text.count("FRACTION_BITS 28") != 1:
        raise ValueError("the header does not say how many bits a unit has")
    header.write_text(text.replace("FRACTION_BITS 28", f"FRACTION_BITS {unit_bits}"))
    ramp_lockstep.plant(folder, "#define NEAR (ONE >> 10)", f"#define NEAR {near}")
    if change:
        ramp_lockstep.plant(folder, *change)
    search = c_build.HERE / "ramp_states.c"
    c_build.build("gcc", "-std=c99", "-O2", "-Wall", "-Wextra", "-Werror", "-I.", search, "-o", "states", cwd=folder)
    return folder / "states"


def search(program: Path, world: str) -> list[int]:
    """Starts, states, states with all commands, ticks, late |a|, ticks outside, ticks with waiting limits."""
    done = subprocess.run([program, *world.split()], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        said = done.stdout.strip() or done.stderr.strip() or f"the search ended with {done.returncode}"
        raise NotProved(f"world {world}: {said}")
    return [int(word) for word in done.stdout.split()]


def _story_job(job: tuple[int, bool]) -> tuple[str, tuple[int, int], float]:
    start = time.perf_counter()
    name, story = list(stories(job[1]))[job[0]]
    try:
        return name, every_path(story), time.perf_counter() - start
    except NotProved as claim:
        raise NotProved(f"{name}: {claim}") from None


def main() -> None:
    parser = argparse.ArgumentParser(description="Prove one tick of the integer ramp, and search small worlds.")
    parser.add_argument("--short", action="store_true", help="what the tests run")
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    begun = time.perf_counter()
    jobs = [(i, given.short) for i in range(len(list(stories(given.short))))]
    with multiprocessing.Pool(given.jobs) as pool:
        for name, (paths, questions), spent in pool.imap(_story_job, jobs):
            print(f"proved for all numbers: {name} ({paths} paths, {questions} questions, {spent:.1f} s)", flush=True)
    total = [0] * 7
    count = 0
    with tempfile.TemporaryDirectory() as name:
        for bits, near in ((0, 0), (1, 1)):
            folder = Path(name) / str(bits)
            folder.mkdir()
            program = build_search(folder, bits, near)
            for world in SHORT_WORLDS if given.short else worlds():
                found = search(program, world)
                count += 1
                total = [x + y for x, y in zip(total, found, strict=True)]
                if count % 50 == 0:
                    print(f"{count} worlds, {total[3]:,} ticks, {time.perf_counter() - begun:.0f} s", flush=True)
    words = ("starts", "states", "states with every command", "ticks", "ticks with |a| lowered one tick late",
             "ticks outside a shrunk travel", "ticks with limits waiting")  # fmt: skip
    sums = ", ".join(f"{number:,} {word}" for number, word in zip(total, words, strict=True))
    print(f"searched: {count} small worlds, units of a whole and a half mdeg: {sums}")
    print("sampled only (other commands): full-size velocity limit and reach, 64 bits, C against Python")


if __name__ == "__main__":
    try:
        main()
    except NotProved as failure:
        sys.exit(f"not proved: {failure}")
