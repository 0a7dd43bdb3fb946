"""The suite can fail: each broken motor is caught by the check that names the rule it breaks."""

from __future__ import annotations

from pathlib import Path

import pytest

from ringlet.protocol import emit
from ringlet.tools.conform.bed import Bed, mutant, wrap
from ringlet.tools.conform.mutants_c import C_MUTANTS, changed, compiler, try_all
from ringlet.tools.conform.run import FAIL
from ringlet.tools.conform.selfcheck import Mutant, mutants, try_mutant
from ringlet.tools.conform.table import load

ALL = mutants()


def test_there_are_many_and_every_check_has_one() -> None:
    assert len(ALL) >= 160
    assert set(load()) == {one.caught_by for one in ALL.values()}


@pytest.mark.parametrize("name", ALL)
def test_broken_motor_is_caught(name: str) -> None:
    caught = try_mutant(ALL[name])
    assert caught.ok, f"{name} ({caught.mutant.text}) was not caught by {caught.mutant.caught_by}"
    assert caught.text


def test_a_motor_without_a_mistake_counts_as_missed() -> None:
    for rule in ("TAG-01", "FRAME-01", "FRAME-08", "CAN-02", "OWN-06", "MARK-02"):
        planted: list[Bed] = []
        whole = Mutant("whole", "nothing is wrong", rule, planted.append)
        assert try_mutant(whole).by == ()
        assert len(planted) == 1


def test_tables_refuse_a_second_row_of_one_name() -> None:
    with pytest.raises(ValueError, match="there already"):
        mutant("crc-unchecked", "twice", "FRAME-01")(lambda bed: None)


def test_wrap_hands_the_healthy_way_on() -> None:
    class Thing:
        def double(self, value: int) -> int:
            return 2 * value

    thing = Thing()
    wrap(thing, "double", lambda go, value: go(value) + 1)
    assert thing.double(4) == 9


def test_each_mistake_in_c_has_one_place_in_the_emitted_core() -> None:
    texts = emit.texts("firmware")
    assert len({one.name for one in C_MUTANTS}) == len(C_MUTANTS) >= 10
    for one in C_MUTANTS:
        assert one.new in changed(texts, one)
        assert one.caught_by in load()


@pytest.mark.skipif(compiler() is None, reason="needs a C compiler")
def test_broken_motors_in_c_are_caught_and_the_healthy_core_is_not(tmp_path: Path) -> None:
    picked = [one for one in C_MUTANTS if one.caught_by in ("FRAME-01", "FRAME-04", "OWN-08", "LIMIT-04", "POWER-05")]
    found = try_all(tmp_path, picked)
    assert [(one.name, report.count(FAIL)) for one, report in found] == [(one.name, 1) for one in picked]


def test_a_mistake_without_its_place_fails_the_self_check() -> None:
    texts = {C_MUTANTS[0].file: f"{C_MUTANTS[0].old}\n{C_MUTANTS[0].old}"}
    with pytest.raises(RuntimeError, match=rf"2 places in {C_MUTANTS[0].file}"):
        changed(texts, C_MUTANTS[0])
