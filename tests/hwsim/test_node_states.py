"""Every kind in every state is answered as the tables say. The expectation is worked out here from the tables."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from helpers import Bench

from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet, unpack
from ringlet.protocol.codes import Refusal
from ringlet.protocol.header import ALL_AXES
from ringlet.protocol.items import marks_check, text_check, text_parts
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import REQUESTS, TABLE, State
from ringlet.protocol.wire import KINDS, Kind

OWNER, OTHER = 1, 2
FREE_TEXT = text_parts("A lens")

# One good body for each kind that a control sends.
BODIES: dict[str, Any] = {
    "stop": m.Stop(0), "sync": m.Sync(0), "clock": m.Clock(0, 5), "timecode": m.Timecode(0, 1, 2, 3, 4, 1),
    "keep-alive": m.KeepAlive(0), "stream-ring": m.StreamRing(0, 70_000), "stream-travel": m.StreamTravel(0, 50_000),
    "range": m.Range(0, 2000, 255, 0, 1), "move": m.Move(0, 70_000, 0), "move-travel": m.MoveTravel(0, 50_000, 0),
    "run": m.Run(0, 5000), "hold": m.Hold(0), "release": m.Release(0), "stage": m.Stage(0, 70_000, 0),
    "find-stops": m.FindStops(0), "set-travel": m.SetTravel(0, 1), "set-reference": m.SetReference(0, 50_000),
    "clear-fault": m.ClearFault(0), "take": m.Take(0, 0), "yield": m.Yield(0), "get-owner": m.GetOwner(0),
    "get-status": m.GetStatus(0), "poll": m.Poll(0, 0), "get-faults": m.GetFaults(0), "get-clock": m.GetClock(0),
    "get": m.Get(0, 1), "set": m.Set(0, 3, 100_000), "save": m.Save(0), "restore": m.Restore(0, 1),
    "open-marks": m.OpenMarks(0, 0, 2), "put-mark": m.PutMark(0, 0, 5000, 1000),
    "commit-marks": m.CommitMarks(0, marks_check([(1000, 500)])), "get-marks": m.GetMarks(0),
    "get-mark": m.GetMark(0, 0), "get-text": m.GetText(0, 3 << 4), "put-text": m.PutText(0, 3 << 4, FREE_TEXT[0]),
    "commit-text": m.CommitText(0, 3, len(FREE_TEXT), text_check(FREE_TEXT)), "discover": m.Discover(0),
    "knob": m.Knob(0, 16, 0, 100, 1), "guide": m.Guide(0, 16, 0, -500, 0), "stage-value": m.StageValue(0, 500, 0),
    "search": m.Search(0, 0, 0x80), "assign": m.Assign(0, 0x52494E470001, 0), "identify": m.Identify(0),
}  # fmt: skip


def test_a_body_for_each_kind() -> None:
    assert set(BODIES) == {kind.name for kind in KINDS if kind.sender == "control"}
    assert set(REQUESTS) <= set(BODIES)


def bench_in(state: State, calibrated: bool) -> Bench:
    """A bench whose axis came into this state by requests; a table of marks and a text are being uploaded."""
    bench = Bench()
    if calibrated:
        bench.calibrate()
    else:
        bench.do(m.Take(0, 0))
    table = [(1000, 500)]
    for body in (
        m.OpenMarks(0, 0, 1), m.PutMark(0, 0, *table[0]), m.CommitMarks(0, marks_check(table)),
        m.OpenMarks(0, 0, 1), m.PutMark(0, 0, *table[0]),
        *(m.PutText(0, 3 << 4 | part, text) for part, text in enumerate(FREE_TEXT)),
    ):  # fmt: skip
        bench.do(body)
    match state:
        case State.RELEASED:
            bench.do(m.Release(0))
        case State.HOLDING:
            bench.do(m.Hold(0))
        case State.MOVING:
            bench.do(m.Move(0, 90_000, 1000))
        case State.RUNNING:
            bench.do(m.Run(0, 10_000))
        case State.FOLLOWING:
            bench.cast(m.StreamRing(0, 90_000), 0, node=16)
        case State.STOPPING:
            bench.set("deceleration-limit", 20_000)
            bench.do(m.Run(0, 20_000))
            bench.step(200, keep=1)
            bench.do(m.Stop(0))
        case State.FINDING:
            bench.do(m.FindStops(0))
        case State.FAULTED:
            bench.drive.encoder_ok = True
            bench.drive.case_c = 90.0
            bench.step(2)
            bench.drive.case_c = 20.0
    bench.step(3)
    assert bench.axis.state is state
    assert bench.axis.calibrated is calibrated
    assert bench.axis.owner == OWNER
    return bench


def expected(kind: Kind, state: State, src: int, owner: int, calibrated: bool) -> Refusal | str:
    """Name of the answering kind, or the refusal; "" where nothing answers."""
    if kind.role == "stream":
        return ""
    if kind.owner and owner not in (0, src):
        return Refusal.OWNED
    if kind.owner == "must" and owner == 0:
        return Refusal.NOT_OWNER
    if kind.name == "take" and owner not in (0, src):
        return Refusal.OWNED
    if kind.name in REQUESTS:
        row = TABLE.get((kind.name, state))
        if row is None:
            return Refusal.FAULTED if state is State.FAULTED else Refusal.WRONG_STATE
        return Refusal.NOT_CALIBRATED if row.calibrated and not calibrated else kind.reply
    if kind.name == "restore" and state not in (State.RELEASED, State.HOLDING, State.FAULTED):
        return Refusal.WRONG_STATE
    return kind.reply


def becomes(kind: Kind, state: State, src: int, owner: int, calibrated: bool) -> State:
    """State after the message."""
    row = TABLE.get((kind.name, state))
    allowed = expected(kind, state, src, owner, calibrated)
    if kind.role == "stream":
        allowed = Refusal.NOT_OWNER if owner != src or (row and row.calibrated and not calibrated) else "done"
        if kind.name == "sync":  # nothing is staged here
            return state
    if isinstance(allowed, Refusal) or row is None or kind.name not in REQUESTS or row.to is None:
        return state
    return row.to


CASES = [(state, calibrated) for state in State for calibrated in (True, False)]
REACHABLE = [
    case for case in CASES
    if case[0] is not State.STARTING and (case[1] or case[0] not in (State.MOVING, State.FOLLOWING))
]  # fmt: skip


@pytest.mark.parametrize(("state", "calibrated"), REACHABLE)
def test_each_kind(state: State, calibrated: bool) -> None:
    base = bench_in(state, calibrated)
    for kind in KINDS:
        if kind.sender == "node":
            continue
        for src, owner in ((OWNER, OWNER), (OTHER, OWNER), (OTHER, 0)):
            bench = copy.deepcopy(base)
            bench.axis.owner = owner
            axis = ALL_AXES if kind.scope == "node" else 0
            node = bench.node
            node.outbox.clear()
            node.hear(*pack(packet(BODIES[kind.name]._replace(tag=77), dst=node.address, src=src, axis=axis)))
            after, said = bench.axis.state, [unpack(*pack(one)) for one in node.outbox]
            where = f"{kind.name} in {state.name} from {src}, owner {owner}, calibrated {calibrated}"
            wanted = expected(kind, state, src, owner, calibrated)
            if wanted == "":
                assert said == [], where
            else:
                assert [one.body.tag for one in said] == [77], where
                body = said[0].body
                if isinstance(wanted, Refusal):
                    assert isinstance(body, m.Refused), where
                    assert (body.of, Refusal(body.code)) == (kind.code, wanted), where
                else:
                    assert KINDS.by_class[type(body)].name == wanted, (where, body)
            assert after is becomes(kind, state, src, owner, calibrated), where
            bench.step(20)  # and nothing breaks afterwards


@pytest.mark.parametrize("state", [state for state in State if state is not State.STARTING])
def test_settings_marked_still(state: State) -> None:
    bench = bench_in(state, True)
    still = state in (State.RELEASED, State.HOLDING, State.FAULTED)
    for name, value in (("direction", 1), ("encoder-counts", 4000), ("travel-max", 99_000)):
        answer = bench.ask(m.Set(0, BY_NAME[name].id, value))
        if still:
            assert isinstance(answer, m.Parameter), name
        else:
            assert (answer.code, answer.item) == (Refusal.WRONG_STATE, bench.axis.state), name
    assert isinstance(bench.ask(m.Set(0, BY_NAME["stall-time"].id, 400)), m.Parameter)


def test_a_fault_that_brakes_is_not_overtaken() -> None:
    """While the axis ramps down because of a fault nothing may start a motion, and the ring is freed at the end."""
    base = bench_in(State.RUNNING, True)
    base.set("deceleration-limit", 20_000)
    base.step(300, keep=1)
    base.drive.case_c = 90.0
    base.step(2)
    assert base.axis.state is State.STOPPING
    for name in ("move", "move-travel", "run", "stage", "stage-value"):
        assert base.no(BODIES[name])[0] is Refusal.FAULTED
    base.cast(BODIES["stream-ring"], 0, node=16)
    base.step(2)
    assert base.axis.state is State.STOPPING
    for name in ("stop", "hold", "release", "yield", "clear-fault"):
        bench = copy.deepcopy(base)
        bench.drive.case_c = 20.0
        bench.do(BODIES[name])
        bench.until(State.FAULTED)
        assert bench.axis.first_fault == 5
