"""One tick of the ramp under z3 and under exhaustive search, in the short form of tests/hwsim/prove_ramp.py.

Sources: the SMT solver z3 (L. de Moura and N. Bjorner, "Z3: An Efficient SMT Solver", TACAS 2008), and explicit-state
search of the emitted C code. What is proved, searched and sampled stands in prove_ramp.py. Planted faults are found.
"""

from __future__ import annotations

import inspect
import sys
from pathlib import Path

import pytest

from ringlet.hwsim import ramp_plan
from ringlet.hwsim.ramp_fixed import FixedRamp
from ringlet.hwsim.ramp_plan import Brake

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
sys.path.insert(0, str(Path(__file__).parents[1] / "hwsim"))
import c_build
import prove_ramp
from ramp_symbolic import NotProved, Num, assume, every_path, expect, fresh, prove

gcc = pytest.mark.skipif(c_build.have("gcc") is not None, reason=c_build.have("gcc") or "")
STORIES = dict(prove_ramp.stories(short=True))


@pytest.mark.parametrize("name", STORIES)
def test_proved_for_all_numbers(name: str) -> None:
    paths, questions = every_path(STORIES[name])
    assert paths >= 2
    assert questions > paths


def test_the_symbols_do_not_prove_what_is_wrong() -> None:
    def sums() -> None:
        x, y = fresh("x"), fresh("y")
        assume(x >= 1, y >= 1)
        prove(x + y >= 2 if x > y else x * y >= 1, "true on both ways")

    assert every_path(sums) == (2, 4)

    def wrong_on_one_path() -> None:
        x = fresh("x")
        prove(x >= 0 if x > 3 else x <= 2, "wrong between 2 and 3")

    with pytest.raises(NotProved, match="between"):
        every_path(wrong_on_one_path)

    def divisions() -> None:
        n, r, by = fresh("n"), fresh("r"), fresh("by")
        assume(n >= 0, r >= 0, r < by)
        expect(by, n + 1, n)
        quotient, left = divmod(n * by + r, by)
        prove(quotient == n, "the quotient")
        prove(left == r, "the remainder")
        prove(n * by + r - (n * by + r) // Num((by + 1).term) * (by + 1) < by + 1, "a fresh one")

    every_path(divisions)

    def code_that_raises() -> None:
        assert fresh("x") > 0

    with pytest.raises(NotProved, match="raises"):
        every_path(code_that_raises)


class Late(FixedRamp):
    """Brakes one tick late: takes a tick whose plan passes goal and travel by no more than that tick's way."""

    def _allowed(self, held: Brake, side: int) -> bool:
        way = side * self._v
        return (side * (self._goal - held.end) >= -way and held.high <= max(self._high + way, self._brake.high)
                and held.low >= min(self._low + way, self._brake.low))  # fmt: skip


class Hasty(FixedRamp):
    """Takes limits over that it can only stop with outside."""

    def _adopt(self) -> None:
        units = self._wanted_units
        self._brake = ramp_plan.brake(self._p, self._v, self._a, units.deceleration, units.jerk)


def test_the_law_finds_planted_faults(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(NotProved, match=r"reaches no further (above|below) the travel"):
        every_path(prove_ramp.law_story("pushing", Late))

    def brake(p: Num, *_: object) -> Brake:
        low, high = fresh("low"), fresh("high")
        assume(low <= p, p <= high)
        return Brake(prove_ramp.any_plan(), p, low, high)

    monkeypatch.setattr(ramp_plan, "brake", brake)
    with pytest.raises(NotProved, match=r"reaches no further (above|below) the travel"):
        every_path(prove_ramp.law_story("adopt", Hasty))


PLAN_FAULTS = {
    "a put-in level is lost": ("next_step", "Plan(side, 0, level, hold - 1, rest)", "Plan(side, 0, level, hold - 1, 0)",
                               prove_ramp.step_story(1, "falling", True, True), "velocity still to come"),
    "a double step down": ("next_step", "return side * below, Plan(side, 0, below, 0, rest)",
                           "return side * max(0, below - jerk), Plan(side, 0, max(0, below - jerk), 0, rest)",
                           prove_ramp.step_story(1, "at", False, False), "a falls"),
    "the end without its put-in tick": ("plan_end", "        distance += v\n", "",
                                        prove_ramp.step_story(1, "falling", True, False), "the end stays"),
    "a tick too few at the limit": ("make_plan", "1 + left // limit", "left // limit",
                                    prove_ramp.plan_story(1, "above the limit"), "velocity asked for"),
    "the wrong side": ("brake", "1 if settled(v, a, jerk) <= 0 else -1", "-1 if settled(v, a, jerk) <= 0 else 1",
                       prove_ramp.side_story(True), "pushes towards"),
}  # fmt: skip


@pytest.mark.parametrize("fault", PLAN_FAULTS)
def test_the_plans_find_planted_faults(monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    name, good, bad, story, claim = PLAN_FAULTS[fault]
    source = inspect.getsource(getattr(ramp_plan, name))
    assert source.count(good) == 1
    # The faulty function sees the module's own names, also those that a story replaces.
    kept = getattr(ramp_plan, name)
    exec(source.replace(good, bad), ramp_plan.__dict__)
    monkeypatch.setattr(ramp_plan, name, kept)  # notes the faulty one as what to restore ...
    monkeypatch.undo()
    try:
        with pytest.raises(NotProved, match=claim):
            every_path(story)
    finally:
        setattr(ramp_plan, name, kept)


@gcc
def test_small_worlds_hold_every_promise(tmp_path: Path) -> None:
    for bits, near in ((0, 0), (1, 1)):
        program = prove_ramp.build_search(tmp_path, bits, near)
        for world in prove_ramp.SHORT_WORLDS:
            starts, states, cores, ticks, *_, outside, waiting = prove_ramp.search(program, world)
            assert states > starts > 200
            assert ticks > 40 * cores > 20_000
            assert outside > 1_000
            assert (waiting > 1_000) is (len(world.split()) > 5)


SEARCH_FAULTS = {
    "brakes one tick late": (
        "side * (ramp->goal - held->end) >= 0 && held->high <= higher(ramp->high, ramp->brake.high) &&\n"
        "           held->low >= lower(ramp->low, ramp->brake.low);",
        "side * (ramp->goal - held->end) >= -size_of(ramp->v);", "can no longer stop"),
    "limits in force whatever they do": (
        "    if (held.high > higher(ramp->high, ramp->brake.high) || held.low < lower(ramp->low, ramp->brake.low)) {",
        "    if (held.high > held.high + size_of(held.end)) {", "reach"),
    "a double step in one direction": ("side * (a - jerk);", "side * (a - 2 * jerk);", "jerk|sums|elsewhere"),
    "the swing past zero forgotten": (
        "turn = turning_point(p, v, a, jerk);", "turn = 0 * turning_point(p, v, a, jerk) + p;", "than its plan"),
    "a velocity limit off by one": (
        "side * lower(ramp->speed, units->velocity)", "side * (lower(ramp->speed, units->velocity) + 1)", "velocity"),
    "rest at the turning point": ("ramp->idle = ramp->v == 0 && ramp->a == 0;", "ramp->idle = ramp->v == 0;", "."),
}  # fmt: skip


@gcc
@pytest.mark.parametrize("fault", SEARCH_FAULTS)
def test_small_worlds_find_planted_faults(tmp_path: Path, fault: str) -> None:
    good, bad, claim = SEARCH_FAULTS[fault]
    program = prove_ramp.build_search(tmp_path, change=(good, bad))

    def search() -> None:
        for world in prove_ramp.SHORT_WORLDS:
            prove_ramp.search(program, world)

    with pytest.raises(NotProved, match=claim):
        search()
