"""Repeats, ownership, broadcasts, groups of axes, telemetry, texts and marks of a node."""

from __future__ import annotations

import pytest
from helpers import Bench

from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.codes import TIMING, Fault, Flag, Refusal
from ringlet.protocol.items import marks_check, text_check, text_of, text_parts
from ringlet.protocol.states import State

REPEAT = TIMING["repeat"].ms


def shared_line(name: str) -> RigFile:
    rig = load_rig(name)
    return rig.model_copy(update={"nodes": [node.model_copy(update={"shared_line": True}) for node in rig.nodes]})


# --- repeats -----------------------------------------------------------------------


def test_a_repeat_is_answered_again_and_not_done_again() -> None:
    bench = Bench()
    bench.calibrate()
    assert bench.ask(m.Move(0, 60_000, 0), tag=200) == m.Done(200, 0x10)
    bench.until(State.HOLDING)
    assert bench.axis.position == 60_000
    bench.do(m.Move(0, 40_000, 0))
    bench.until(State.HOLDING)
    assert bench.ask(m.Move(0, 60_000, 0), tag=200) == m.Done(200, 0x10)  # the late twin of the first
    assert bench.axis.state is State.HOLDING
    assert bench.axis.position == 40_000


def test_a_refusal_is_repeated_too() -> None:
    bench = Bench()
    assert bench.ask(m.Hold(0), tag=7).code == Refusal.NOT_OWNER
    bench.do(m.Take(0, 0))
    assert bench.ask(m.Hold(0), tag=7).code == Refusal.NOT_OWNER
    assert bench.axis.state is State.RELEASED
    assert bench.ask(m.Hold(0), tag=8) == m.Done(8, 0x13)


@pytest.mark.parametrize(("wait", "done"), [(REPEAT - 100, False), (REPEAT + 10, True)])
def test_after_the_repeat_time_it_is_a_new_request(wait: int, done: bool) -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Hold(0))
    bench.ask(m.Release(0), tag=50)
    bench.do(m.Hold(0))
    bench.step(wait, keep=1)
    assert bench.ask(m.Release(0), tag=50) == m.Done(50, 0x14)
    assert (bench.axis.state is State.RELEASED) is done


def test_other_source_axis_or_body_is_no_repeat() -> None:
    bench = Bench("trio")
    bench.do(m.Take(0, 0), None)
    assert bench.ask(m.Hold(0), 0, tag=9) == m.Done(9, 0x13)
    assert bench.ask(m.Hold(0), 1, tag=9) == m.Done(9, 0x13)
    assert bench.axes[1].state is State.HOLDING
    assert bench.ask(m.Hold(0), 0, src=2, tag=9).code == Refusal.OWNED
    bench.ask(m.Set(0, 18, 400), tag=60)
    bench.ask(m.Set(0, 18, 500), tag=60)
    assert bench.get("stall-time") == 500


def test_a_question_is_answered_anew_and_a_stop_never_passed_over() -> None:
    bench = Bench()
    bench.calibrate()
    assert bench.ask(m.GetStatus(0), tag=3).state == State.RELEASED
    bench.do(m.Run(0, 10_000))
    assert bench.ask(m.GetStatus(0), tag=3).state == State.RUNNING
    assert bench.ask(m.Stop(0), tag=4) == m.Done(4, 1)
    bench.until(State.HOLDING)
    bench.do(m.Run(0, 10_000))
    assert bench.ask(m.Stop(0), tag=4) == m.Done(4, 1)
    bench.until(State.HOLDING)


# --- ownership -----------------------------------------------------------------------


def test_take_and_yield() -> None:
    bench = Bench()
    assert bench.no(m.Move(0, 0, 0)) == (Refusal.NOT_OWNER, 0)
    bench.do(m.Take(0, 0), src=1)
    assert bench.no(m.Take(0, 0), src=2) == (Refusal.OWNED, 1)
    assert bench.no(m.Hold(0), src=2) == (Refusal.OWNED, 1)
    assert bench.no(m.Set(0, 3, 50_000), src=2) == (Refusal.OWNED, 1)
    bench.do(m.Take(0, 0), src=1)  # again by the owner
    assert bench.ask(m.GetOwner(0), src=2).owner == 1
    bench.do(m.Yield(0), src=1)
    assert bench.ask(m.GetOwner(0), src=2) == m.Owner(bench.tag, 0, 0)
    assert isinstance(bench.ask(m.Set(0, 3, 50_000), src=2), m.Parameter)  # free: anyone may set


def test_forced_take_ramps_the_old_motion_down() -> None:
    bench = Bench()
    bench.calibrate()
    bench.set("deceleration-limit", 100_000)
    bench.do(m.Run(0, 30_000))
    bench.step(200, keep=1)
    bench.do(m.Take(0, 1), src=2)
    assert bench.axis.state is State.STOPPING
    told = [one for one in bench.heard if isinstance(one.body, m.Owner) and one.dst == 1]
    assert [one.body.owner for one in told] == [2]
    speeds = []
    while bench.axis.state is State.STOPPING:
        speeds.append(abs(bench.axis.ramp.velocity))
        bench.step()
    assert len(speeds) > 250  # 30 deg/s at 100 deg/s2
    assert speeds == sorted(speeds, reverse=True)
    assert bench.axis.state is State.HOLDING
    assert bench.no(m.Hold(0), src=1) == (Refusal.OWNED, 2)


@pytest.mark.parametrize(("on_loss", "end"), [(0, State.HOLDING), (1, State.RELEASED)])
def test_owner_falls_silent(on_loss: int, end: State) -> None:
    bench = Bench()
    bench.calibrate()
    bench.set("on-loss", on_loss)
    bench.set("owner-timeout", 200)
    bench.set("deceleration-limit", 100_000)
    bench.do(m.Run(0, 20_000))
    bench.step(500, keep=1)  # keep-alives hold it
    assert bench.axis.state is State.RUNNING
    spent = bench.until(State.STOPPING, 250, keep=0)
    assert 150 <= spent <= 201
    assert bench.axis.owner == 0
    ticks = 0
    while bench.axis.state is State.STOPPING:
        assert bench.axis.ramp.acceleration >= -100_000
        bench.step()
        ticks += 1
    assert ticks > 150
    assert bench.axis.state is end
    bench.do(m.Take(0, 0), src=2)  # free for anyone


def test_keep_alive_of_another_control_does_not_count() -> None:
    bench = Bench()
    bench.do(m.Take(0, 0))
    bench.do(m.Hold(0))
    bench.step(1100, keep=2)
    assert bench.axis.owner == 0


def test_each_request_of_the_owner_is_a_sign_of_life() -> None:
    bench = Bench()
    bench.do(m.Take(0, 0))
    for _ in range(20):
        bench.step(100)
        bench.ask(m.GetStatus(0))
    assert bench.axis.owner == 1


def test_anyone_may_stop() -> None:
    for node, source in ((16, 2), (127, 2), (127, 0), (16, 0)):
        bench = Bench("trio")
        for axis in range(3):
            bench.calibrate(axis=axis)
            bench.do(m.Run(0, 10_000), axis)
        before = len(bench.heard)
        bench.cast(m.Stop(5), src=source, node=node)
        bench.step(2)
        assert all(axis.state is State.STOPPING for axis in bench.axes), (node, source)
        answers = [one.body for one in bench.heard[before:] if isinstance(one.body, m.Done)]
        assert answers == ([m.Done(5, 1)] if (node, source) == (16, 2) else []), (node, source)
        bench.until(State.HOLDING)


def test_nobody_owns_nothing() -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Yield(0))
    for source in (0, 127):
        for body in (m.Take(1, 1), m.Hold(2), m.Run(3, 5000), m.Move(4, 10_000, 0)):
            bench.cast(body, 0, src=source, node=16)
        bench.step(20)
        assert bench.axis.owner == 0
        assert bench.axis.state is State.RELEASED


# --- several axes -----------------------------------------------------------------------


def test_all_axes_or_none() -> None:
    bench = Bench("trio")
    bench.do(m.Take(0, 0), 1, src=2)
    assert bench.no(m.Take(0, 0), None, src=1) == (Refusal.OWNED, 2)
    assert [axis.owner for axis in bench.axes] == [0, 2, 0]
    bench.do(m.Yield(0), 1, src=2)
    bench.do(m.Take(0, 0), None)
    bench.do(m.Run(0, 5000), 2)
    assert bench.no(m.FindStops(0), None) == (Refusal.WRONG_STATE, State.RUNNING)
    assert [axis.state for axis in bench.axes] == [State.RELEASED, State.RELEASED, State.RUNNING]
    assert bench.no(m.Restore(0, 1), None)[0] is Refusal.WRONG_STATE
    bench.do(m.Stop(0), None)
    bench.until(State.HOLDING, axis=2)
    bench.do(m.Hold(0), None)
    assert {axis.state for axis in bench.axes} == {State.HOLDING}
    assert bench.no(m.Hold(0), 3) == (Refusal.UNKNOWN_AXIS, 3)
    assert bench.no(m.GetStatus(0), None) == (Refusal.UNKNOWN_AXIS, 15)


def test_staged_moves_start_in_one_tick_on_both_nodes() -> None:
    bench = Bench("pair")
    nodes, axes = bench.rig.nodes, [node.axes[0] for node in bench.rig.nodes]
    for node in nodes:
        bench.do(m.Take(0, 0), 0, node=node.address)
        bench.do(m.SetTravel(0, 0), 0, node=node.address)
        node.axes[0].drive.turn_by_hand(90.0)
        bench.step()
        bench.do(m.SetTravel(0, 1), 0, node=node.address)
        node.axes[0].drive.turn_by_hand(-45.0)
        bench.step()
        bench.do(m.Stage(0, 60_000, 0), 0, node=node.address)
        bench.step(7)
    assert all(axis.flags >> Flag.STAGED & 1 for axis in axes)
    bench.cast(m.Sync(0), src=2)  # another control's does not count
    bench.step(2)
    assert [axis.state for axis in axes] == [State.RELEASED] * 2
    bench.cast(m.Sync(0))
    traces: list[list[float]] = [[], []]
    for _ in range(600):
        bench.step()
        for trace, axis in zip(traces, axes, strict=True):
            trace.append(axis.ramp.position)
    assert traces[0] == traces[1]
    assert traces[0][-1] == 60_000
    assert traces[0][0] != traces[0][5]
    bench.cast(m.Sync(1))
    bench.step(3)
    assert [axis.state for axis in axes] == [State.HOLDING] * 2  # used up


def test_a_staged_move_does_not_outlive_its_numbers() -> None:
    for body in (m.SetReference(0, 10_000), m.FindStops(0), m.Yield(0), m.Stop(0)):
        bench = Bench()
        bench.calibrate()
        bench.do(m.Stage(0, 60_000, 0))
        bench.do(body)
        assert bench.axis.staged is None, body


# --- telemetry and settings -----------------------------------------------------------------------


def test_telemetry_rate_and_selection() -> None:
    bench = Bench("trio")
    bench.step(100)  # past the announcement
    bench.set("telemetry-rate", 100, 1)
    bench.set("telemetry-select", 0b01001, 1)
    bench.step(10)
    said = bench.step(1000)
    assert {(one.axis, type(one.body)) for one in said} == {(1, m.Motion), (1, m.Status)}
    assert {one.dst for one in said} == {127}
    motions = [one.body for one in said if isinstance(one.body, m.Motion)]
    assert len(motions) == 100
    assert [one.tag for one in motions] == [motions[0].tag + i & 0xFF for i in range(100)]
    bench.set("telemetry-select", 31, 1)
    bench.step(10)
    said = bench.step(10)
    assert [type(one.body) for one in said] == [m.Motion, m.Drive, m.Health, m.Status, m.Sample]
    assert len({one.body.tag for one in said}) == 1
    assert said[-1].body.time == bench.node.now_us - bench.node.now_us % 10_000
    bench.set("telemetry-rate", 0, 1)
    assert bench.step(100) == []


def test_a_node_on_a_shared_line_or_without_address_speaks_only_when_asked() -> None:
    for rig in (shared_line("single"), "single"):
        bench = Bench(rig)
        if rig == "single":
            bench.step(100)
            bench.node.address = 126
        bench.set("telemetry-rate", 1000)
        bench.do(m.Take(0, 0))
        bench.drive.case_c = 100.0
        assert bench.step(1500) == []  # no telemetry, fault, owner lost, announcement
        assert bench.axis.latched == {Fault.CASE_HOT}
        assert bench.axis.owner == 0


def test_parameters_have_their_scope_and_range() -> None:
    bench = Bench()
    assert bench.no(m.Get(0, 64), 0) == (Refusal.UNKNOWN_PARAMETER, 64)
    assert bench.no(m.Get(0, 3), None) == (Refusal.UNKNOWN_PARAMETER, 3)
    assert bench.no(m.Get(0, 200)) == (Refusal.UNKNOWN_PARAMETER, 200)
    assert bench.no(m.Set(0, 3, 999)) == (Refusal.OUT_OF_RANGE, 3)
    assert bench.no(m.Set(0, 64, 200), None) == (Refusal.OUT_OF_RANGE, 64)
    assert bench.get("address", None) == 16
    # Each in its range, but not together: the jerk ramp would last longer than the ramp can count.
    bench.set("jerk-limit", 100)
    assert bench.no(m.Set(0, 4, 200_000_000)) == (Refusal.OUT_OF_RANGE, 4)
    assert bench.get("acceleration-limit") == 1_500_000


def test_clock() -> None:
    bench = Bench()
    assert not bench.status().flags >> Flag.CLOCK_SET & 1
    bench.cast(m.Clock(0, 1_000_000_000))
    bench.step(10)
    assert bench.status().flags >> Flag.CLOCK_SET & 1
    assert abs(bench.ask(m.GetClock(0), None).time - 1_000_000_000 - 11_000) <= 2_000
    assert bench.ask(m.Poll(0, 4)).time > 1_000_000_000


# --- marks and texts -----------------------------------------------------------------------


def test_a_value_is_staged_through_the_table_of_marks() -> None:
    bench = Bench()
    bench.calibrate()
    assert bench.no(m.StageValue(0, 2000, 0)) == (Refusal.UNKNOWN_ITEM, 0)
    table = [(20_000, 1000), (60_000, 4000), (150_000, 0xFFFFFF)]
    bench.do(m.OpenMarks(0, 0, 3))
    for index, (position, value) in enumerate(table):
        bench.do(m.PutMark(0, index, position, value))
    bench.do(m.CommitMarks(0, marks_check(table)))
    assert bench.no(m.StageValue(0, 999, 0)) == (Refusal.OUT_OF_RANGE, 1)
    assert bench.no(m.StageValue(0, 0xFFFFFF, 0)) == (Refusal.PAST_TRAVEL, 1)
    bench.do(m.StageValue(0, 2000, 0))  # 1/2000 lies two thirds of the way from 1/1000 to 1/4000
    assert bench.axis.staged is not None
    assert bench.axis.staged[0] == 46_666
    bench.cast(m.Sync(0))
    bench.until(State.HOLDING)
    assert abs(bench.axis.position - 46_666) < 100


def test_marks_upload_commit_and_read_back() -> None:
    bench = Bench()
    table = [(1000 * i, 400 + 100 * i) for i in range(12)]
    assert bench.no(m.PutMark(0, 0, 0, 0)) == (Refusal.NOT_STAGED, 0)
    assert bench.no(m.CommitMarks(0, 0)) == (Refusal.NOT_STAGED, 0)
    bench.do(m.OpenMarks(0, 0, len(table)))
    for index, (position, value) in reversed(list(enumerate(table))):
        bench.do(m.PutMark(0, index, position, value))
    assert bench.no(m.PutMark(0, 12, 0, 0)) == (Refusal.UNKNOWN_ITEM, 12)
    assert bench.no(m.CommitMarks(0, marks_check(table) ^ 1)) == (Refusal.CHECK_MISMATCH, 12)
    assert bench.ask(m.GetMarks(0)).count == 0  # half a table is never used
    bench.do(m.CommitMarks(0, marks_check(table)))
    assert bench.ask(m.GetMarks(0)) == m.Marks(bench.tag, 0, 12, marks_check(table))
    read = [bench.ask(m.GetMark(0, index)) for index in range(12)]
    assert [(one.position, one.value) for one in read] == table
    assert bench.no(m.GetMark(0, 12)) == (Refusal.UNKNOWN_ITEM, 12)
    assert bench.axis.flags >> Flag.MARKS & 1

    # a new table that lacks a mark, or does not rise, leaves the old one
    bench.do(m.OpenMarks(0, 1, 2))
    bench.do(m.PutMark(0, 0, 500, 1))
    assert bench.no(m.CommitMarks(0, marks_check([(500, 1)]))) == (Refusal.CHECK_MISMATCH, 1)
    bench.do(m.PutMark(0, 1, 500, 2))
    assert bench.no(m.CommitMarks(0, marks_check([(500, 1), (500, 2)]))) == (Refusal.CHECK_MISMATCH, 2)
    assert bench.ask(m.GetMarks(0)).count == 12
    bench.do(m.OpenMarks(0, 1, 0))
    bench.do(m.CommitMarks(0, marks_check([])))
    assert bench.ask(m.GetMarks(0)).count == 0


def read_text(bench: Bench, item: int, axis: int | None) -> str:
    parts = []
    while not parts or b"\0" not in parts[-1]:
        parts.append(bench.ask(m.GetText(0, item << 4 | len(parts)), axis).text)
    return text_of(parts)


def test_texts() -> None:
    bench = Bench("trio")
    assert read_text(bench, 1, None) == "Bench node, three axes"
    assert read_text(bench, 2, 0) == ""
    text = "Fernlinse \u03b1, 50 bis 500 mm"
    parts = text_parts(text)
    assert bench.no(m.PutText(0, 2 << 4 | 1, parts[1])) == (Refusal.NOT_STAGED, 2)
    for number, part in enumerate(parts):
        bench.do(m.PutText(0, 2 << 4 | number, part))
    assert bench.no(m.CommitText(0, 2, len(parts), text_check(parts) ^ 1)) == (Refusal.CHECK_MISMATCH, len(parts))
    assert read_text(bench, 2, 0) == ""
    bench.do(m.CommitText(0, 2, len(parts), text_check(parts)))
    assert read_text(bench, 2, 0) == text
    assert read_text(bench, 2, 1) == ""
    bench.do(m.CommitText(0, 2, 0, text_check([])))
    assert read_text(bench, 2, 0) == ""
    assert not bench.axis.flags >> Flag.UNSAVED & 1
    assert bench.no(m.PutText(0, 0, b"abcdef"), None) == (Refusal.READ_ONLY, 0)
    assert bench.no(m.GetText(0, 4 << 4)) == (Refusal.UNKNOWN_ITEM, 4)
    assert bench.no(m.GetText(0, 2 << 4), None) == (Refusal.UNKNOWN_ITEM, 2)
    assert bench.no(m.GetText(0, 0)) == (Refusal.UNKNOWN_ITEM, 0)


def test_sources_of_streams() -> None:
    """A stream from somebody else, or to all nodes where that is not allowed, changes nothing and is counted."""
    bench = Bench()
    bench.calibrate()
    bench.do(m.Hold(0))
    before = bench.node.ignored
    bench.cast(m.StreamRing(0, 60_000), 0, src=2, node=16)
    bench.rig.send(*pack(packet(m.StreamRing(0, 60_000), dst=127, src=1, axis=0)))
    bench.cast(m.StreamRing(0, 60_000), 5, node=16)
    bench.step(3)
    assert bench.axis.state is State.HOLDING
    assert bench.node.ignored == before + 2
