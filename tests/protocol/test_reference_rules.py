"""What the words of the reference say a node does, the simulated node does: order of refusals, repeats, and more."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import pytest

from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of
from ringlet.protocol.codes import Fault, Refusal
from ringlet.protocol.emit_reference import example_of
from ringlet.protocol.header import ALL_AXES, EVERYONE, FRESH, Header
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import State
from ringlet.protocol.wire import KINDS

sys.path.insert(0, str(Path(__file__).parents[1] / "hwsim"))
from helpers import Bench

PAGE = (Path(__file__).parents[2] / "protocol" / "REFERENCE.md").read_text(encoding="utf-8")
WORDS = " ".join(PAGE.split())
NODE = 16


def raw(bench: Bench, kind: int, data: bytes, *, dst: int = NODE, src: int = 1, axis: int = 0) -> list[Any]:
    """Send bytes, known kind or not; what was said about it, within three ticks."""
    bench.rig.send(Header(3, kind, dst, src, axis).pack(), data)
    return [said.body for said in bench.step(3)]


def refusal(said: list[Any]) -> tuple[Refusal, int]:
    assert len(said) == 1, said
    assert isinstance(said[0], m.Refused), said
    return Refusal(said[0].code), said[0].item


def test_the_page_names_the_questions_and_only_those_are_answered_anew() -> None:
    found = re.search(r"Questions are answered anew: ([^.]*)\.", WORDS)
    assert found is not None
    named = set(re.findall(r"`([a-z-]+)`", found[1]))
    for row in KINDS:
        if row.role != "request" or row.name == "stop":
            continue
        bench = Bench()
        example = example_of(row, KINDS)
        bench.cast(example.body, example.axis, node=NODE)
        bench.step(3)
        assert (row.name in named) is (not bench.node._said), row.name


def test_answers_are_kept_by_header_and_bytes_and_not_only_the_last() -> None:
    assert "keeps all answers of that time, not only the last one" in WORDS
    bench = Bench()
    number = BY_NAME["stall-time"].id
    assert bench.ask(m.Set(0, number, 301), tag=69).value == 301
    assert bench.ask(m.Set(0, number, 302), tag=70).value == 302
    assert bench.ask(m.Set(0, number, 301), tag=69).value == 301  # late twin of the first
    assert bench.get("stall-time") == 302


def test_what_is_looked_at_first() -> None:
    """Each message is wrong in the named way and in some that come later in the page's list."""
    steps = PAGE.split("### What is looked at first")[1].split("\n## ")[0]
    named = [re.findall(r"`(unknown-kind|short-body|unknown-axis|out-of-range|owned|not-owner|wrong-state)`", line)
             for line in re.findall(r"^\d+\. .*$", steps, re.MULTILINE)]  # fmt: skip
    order = [code for line in named for code in line]
    assert order == [
        "unknown-kind", "short-body", "unknown-axis", "out-of-range", "owned", "not-owner", "wrong-state",
    ]  # fmt: skip
    bench = Bench()
    bench.step(70)  # it has announced itself
    move, take, unknown = 0x10, 0x20, 0xEE
    assert refusal(raw(bench, unknown, b"", axis=9)) == (Refusal.UNKNOWN_KIND, unknown)
    assert raw(bench, unknown, b"\1", src=17) == []  # from a node
    assert raw(bench, unknown, b"\1", dst=EVERYONE) == []
    assert refusal(raw(bench, take, b"", axis=9)) == (Refusal.SHORT_BODY, 0)
    assert refusal(raw(bench, take, b"\1", axis=9)) == (Refusal.SHORT_BODY, 1)
    assert refusal(raw(bench, take, b"\1\2", axis=9)) == (Refusal.UNKNOWN_AXIS, 9)
    assert raw(bench, move, b"\1\2", dst=EVERYONE) == []
    set_travel = 0x17
    assert refusal(raw(bench, set_travel, b"\1\7")) == (Refusal.OUT_OF_RANGE, 1)  # and nobody owns the axis
    assert bench.no(m.Move(0, 0, 0)) == (Refusal.NOT_OWNER, 0)  # and the travel is not known
    bench.do(m.Take(0, 0), src=2)
    assert bench.no(m.Move(0, 0, 0)) == (Refusal.OWNED, 2)
    assert bench.no(m.Set(0, 200, 0)) == (Refusal.OWNED, 2)  # and there is no such parameter
    assert bench.no(m.Set(0, BY_NAME["address"].id, 20), None) == (Refusal.OWNED, 2)
    assert bench.no(m.Move(0, 0, 0), src=2) == (Refusal.NOT_CALIBRATED, 0)
    assert raw(bench, 0x06, b"\1", src=2) == []  # a stream that is too short


def test_range_and_state_of_set_and_the_place_of_a_parameter() -> None:
    bench = Bench()
    bench.calibrate()
    low = BY_NAME["travel-min"]
    bench.do(m.Run(0, 5000))
    assert bench.no(m.Set(0, low.id, low.hi + 1)) == (Refusal.OUT_OF_RANGE, low.id)
    assert bench.no(m.Set(0, low.id, 0)) == (Refusal.WRONG_STATE, int(State.RUNNING))
    assert bench.no(m.Restore(0, 0)) == (Refusal.WRONG_STATE, int(State.RUNNING))
    assert bench.no(m.Get(0, low.id), None) == (Refusal.UNKNOWN_PARAMETER, low.id)
    assert bench.no(m.Get(0, BY_NAME["address"].id)) == (Refusal.UNKNOWN_PARAMETER, BY_NAME["address"].id)


def test_an_address_by_set_counts_from_the_next_power_up_and_one_by_assign_is_the_parameter() -> None:
    bench = Bench()
    bench.set("address", 33, None)
    assert bench.node.address == NODE
    assert bench.ask(m.GetStatus(0)) is not None
    unique = bench.node.card.unique_id
    bench.cast(m.Assign(9, unique, 40))
    assert [said.src for said in bench.step(3)] == [40]
    assert bench.get("address", None) == 40
    bench.rig.send(Header(7, 0x74, EVERYONE, 1, ALL_AXES).pack(), b"\5" + unique.to_bytes(6, "little") + b"\x7f")
    said = bench.step(3)
    assert [(one.src, one.body.code) for one in said] == [(40, Refusal.OUT_OF_RANGE)]  # though it went to everyone


def test_an_announce_to_a_control_tells_a_conflict_too() -> None:
    assert "the kind `announce` to any destination" in WORDS
    bench = Bench()
    bench.do(m.Take(0, 0))
    bench.cast(m.Announce(3, 0xABCDEF, 0x10), node=1, src=NODE)
    bench.step(3)
    assert bench.node.address == FRESH
    assert Fault.ADDRESS_TAKEN in bench.axis.latched
    assert bench.axis.owner == 0


@pytest.mark.parametrize("bits", [1, 8, 47, 48])
def test_the_leading_bits_are_the_highest(bits: int) -> None:
    assert "The first of them is the highest bit of the number, bit 47" in WORDS
    bench = Bench()
    unique = bench.node.card.unique_id
    mask = (1 << 48) - (1 << 48 - bits)
    for prefix, answered in ((unique & mask, True), (unique ^ 1 << 48 - bits, False)):
        bench.cast(m.Search(1, prefix, 0x80 | bits))
        assert bool(bench.step(3)) is answered


def test_what_is_sent_unasked_and_to_whom() -> None:
    bench = Bench()
    heard = bench.step(70)
    assert [(said.dst, said.axis, said.body.tag) for said in heard] == [(EVERYONE, ALL_AXES, 0)]
    assert kind_of(heard[0].body).name == "announce"
    bench.do(m.Take(0, 0), src=2)
    bench.do(m.Take(0, 1), src=1)
    told = [said for said in bench.heard if kind_of(said.body).name == "owner"]
    assert [(said.dst, said.axis, said.body.tag, said.body.owner) for said in told] == [(2, 0, 0, 1)]
    bench.axis.latch(Fault.STALL)
    told = [said for said in bench.step() if kind_of(said.body).name == "fault"]
    assert [(said.dst, said.axis, said.body.tag) for said in told] == [(EVERYONE, 0, 0)]
    bench.set("telemetry-select", 0b10001)
    bench.set("telemetry-rate", 80)  # 12.5 ms: halves to the even one
    start = bench.node.now_us
    ticks, tags, names = [], [], []
    for _ in range(60):
        for said in bench.step():
            if said.dst == EVERYONE:
                ticks.append(bench.node.now_us // 1000)
                tags.append(said.body.tag)
                names.append(kind_of(said.body).name)
    assert bench.node.now_us > start
    assert all(tick % 12 == 0 for tick in ticks)
    assert names[:4] == ["motion", "sample", "motion", "sample"]
    assert tags[:4] == [0, 0, 1, 1]


def test_a_cause_that_is_there_keeps_the_fault() -> None:
    bench = Bench()
    bench.set("supply-min", 60_000)
    bench.drive.winding_c = 150.0
    bench.until(State.FAULTED)
    bench.step(200)
    assert bench.status().fault == min(Fault.WINDING_HOT, Fault.SUPPLY_LOW)
    assert bench.no(m.ClearFault(0)) == (Refusal.FAULTED, int(Fault.WINDING_HOT))


def test_an_axis_that_brakes_for_a_fault_starts_nothing() -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Run(0, 30_000))
    bench.step(100, keep=1)
    bench.drive.case_c = 150.0
    bench.until(State.STOPPING)
    for body in (m.Move(0, 60_000, 0), m.Run(0, 0), m.Stage(0, 60_000, 0)):
        assert bench.no(body) == (Refusal.FAULTED, int(Fault.CASE_HOT))
    bench.do(m.Release(0))
    assert bench.axis.state is State.STOPPING
    bench.until(State.FAULTED)


def test_speeds_are_cut_and_a_run_at_zero_ends_holding() -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Move(0, 60_000, 16_777_215))
    bench.until(State.HOLDING)
    bench.do(m.Run(0, 8_388_607))
    bench.step(20)
    bench.do(m.Run(0, 0))
    bench.until(State.HOLDING)
    assert not bench.status().flags & 1 << 10  # no move has ended


def test_set_reference_outside_the_stored_travel_is_refused() -> None:
    bench = Bench()
    bench.calibrate()
    assert bench.no(m.SetReference(0, 100_001)) == (Refusal.PAST_TRAVEL, 1)
    assert bench.no(m.SetReference(0, -1)) == (Refusal.PAST_TRAVEL, 0)


def test_what_keeps_an_owner_and_what_does_not() -> None:
    assert "new request and setpoint for the axis with its values in range counts" in WORDS
    assert "a repeat does not" in WORDS
    bench = Bench()
    bench.do(m.Take(0, 0))
    bench.step(700)
    assert isinstance(bench.ask(m.GetStatus(0), tag=9), m.Status)
    bench.step(700)
    assert bench.axis.owner == 1
    assert refusal(raw(bench, 0x17, b"\1\7")) == (Refusal.OUT_OF_RANGE, 1)
    bench.step(310)
    assert bench.axis.owner == 0
    bench.do(m.Take(0, 0))
    bench.ask(m.Set(0, BY_NAME["stall-time"].id, 301), tag=70)
    bench.step(700)
    assert bench.ask(m.Set(0, BY_NAME["stall-time"].id, 301), tag=70).value == 301  # a repeat
    bench.step(310)
    assert bench.axis.owner == 0
