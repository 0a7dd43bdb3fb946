"""Checks that are generated from the state table: in each state that can be reached, every request of the table."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Fault, Flag, Refusal
from ringlet.protocol.items import marks_check
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import REQUESTS, STATES, TABLE, State
from ringlet.protocol.wire import KINDS
from ringlet.tools.conform.check_kinds import harmless
from ringlet.tools.conform.check_uploads import kept_marks, put_marks
from ringlet.tools.conform.probe import POLL, Broken, Probe, Skip, state_name
from ringlet.tools.conform.span import Span, motion
from ringlet.tools.conform.table import Level, check

PLACE: Final = "states-of-an-axis"
MARK_VALUE: Final = 1000
SUPPLY_LOW: Final = int(Fault.SUPPLY_LOW)


def reach(p: Probe, span: Span, state: State) -> None:
    """Bring the axis into a state, from rest inside the span. Raises Broken, Skip."""
    p.until_state(State.HOLDING, State.RELEASED, State.FAULTED)
    if state is State.FAULTED:
        make_fault(p)
        return
    if p.state() == State.FAULTED:
        raise Broken("the axis has a fault and cannot go on")
    if state is State.RELEASED:
        p.must(m.Release(0))
        return
    if state is State.FINDING:
        p.must(m.Hold(0))
        p.set("finding-speed", 3_000)
        p.must(m.FindStops(0))
    elif state is State.HOLDING:
        p.must(m.Hold(0))
    else:
        # From whichever end is nearer, so that there is way to go.
        near_low = p.setpoint() - span.low < span.high - p.setpoint()
        span.go(span.low if near_low else span.high)
        sign = 1 if near_low else -1
        slow = max(1000, span.speed // 4)
        if state is State.MOVING:
            p.must(m.Move(0, span.high if near_low else span.low, slow))
        elif state is State.FOLLOWING:
            p.cast(m.StreamRing(0, span.middle))
        else:
            p.must(m.Run(0, sign * slow))
        p.hear(0.02)
        if state is State.STOPPING:
            p.set("deceleration-limit", 50_000)
            p.hear(0.1)
            p.must(m.Hold(0))
    if p.state() != state:
        raise Broken(f"the axis should be {state.name.lower()} and is {state_name(p.state())}")


def make_fault(p: Probe) -> None:
    """A fault that hurts nobody: the supply is below a lowest voltage set above it."""
    supply = p.must(m.Poll(0, POLL["health"])).supply
    most = BY_NAME["supply-min"].hi
    if supply + 500 > most:
        raise Skip("the supply is above the highest lowest voltage, so a fault cannot be made without harm")
    p.set("supply-min", min(most, supply + 2000))
    if not p.until(lambda: p.state() == State.FAULTED, 5.0):
        raise Broken("with supply-min above the supply voltage the axis does not get a fault")


def end_fault(p: Probe) -> None:
    """The cause goes; the fault stays latched."""
    p.set("supply-min", 0)
    p.hear(0.02)


def body_for(event: str, p: Probe, span: Span | None) -> Any:
    """A request of the table with values that are in range here."""
    place = span.middle if span else p.setpoint()
    here = max(span.low, min(span.high, p.position())) if span else place  # so that places keep their numbers
    special = {
        "move": m.Move(0, place, 0), "stage": m.Stage(0, place, 0), "set-reference": m.SetReference(0, here),
        "move-travel": m.MoveTravel(0, 32768, 0), "run": m.Run(0, 1000), "set-travel": m.SetTravel(0, 0),
        "stream-ring": m.StreamRing(0, place), "stream-travel": m.StreamTravel(0, 32768),
        "stage-value": m.StageValue(0, MARK_VALUE, 0),
    }  # fmt: skip
    if event in special:
        return special[event]
    return harmless(KINDS.by_name[event], p)


def in_state(state: State) -> Callable[[Probe], None]:
    """A check that sends every request of the table in one state."""

    def run(p: Probe) -> None:
        with kept_marks(p), motion(p) as span:
            table = [(span.low, MARK_VALUE), (span.high, 2 * MARK_VALUE)]
            put_marks(p, table)
            p.must(m.CommitMarks(0, marks_check(table)))
            home = (p.get("travel-min"), p.get("travel-max"))
            limit = p.get("deceleration-limit")
            for event in REQUESTS:
                row = KINDS.by_name[event]
                reach(p, span, state)
                body = body_for(event, p, span)
                if event == "sync":
                    if state is State.FINDING or state is State.FAULTED:
                        _try_stream(p, event, body, state, None)
                        _home(p, span, home, limit)
                        continue
                    p.must(m.Stage(0, span.middle, 0))
                transition = TABLE.get((event, state))
                if row.role == "stream":
                    _try_stream(p, event, body, state, transition.to if transition else None)
                else:
                    _try_request(p, event, body, state)
                _home(p, span, home, limit)

    return run


def _try_request(p: Probe, event: str, body: Any, state: State) -> None:
    transition = TABLE.get((event, state))
    now = state_name(state)
    answer = p.ask(body)
    if transition is None:
        faulted = state is State.FAULTED
        code, item = (Refusal.FAULTED, SUPPLY_LOW) if faulted else (Refusal.WRONG_STATE, int(state))
        right = isinstance(answer, m.Refused) and (answer.code, answer.item) == (code, item)
        p.check(right, f"{event} while {now} was answered with {answer}; it should be refused: {code.name}, item "
            f"{item}")
        p.check(p.state() == state, f"{event} was refused while {now}, and the axis is {state_name(p.state())} now")
        return
    if event == "clear-fault" and state is State.FAULTED:
        right = isinstance(answer, m.Refused) and (answer.code, answer.item) == (Refusal.FAULTED, SUPPLY_LOW)
        p.check(right, f"clear-fault with its cause still there was answered with {answer}")
        end_fault(p)
        answer = p.ask(body)
    right = isinstance(answer, m.Done)
    if not p.check(right, f"{event} while {now} was answered with {answer}; the table allows it"):
        return
    wanted = {transition.to if transition.to is not None else state}
    if transition.to is None and state in (State.MOVING, State.RUNNING, State.STOPPING):
        wanted.add(State.HOLDING)  # it may have arrived meanwhile
    if transition.to is State.STOPPING:
        wanted |= {State.RELEASED if event == "release" else State.HOLDING}  # when it was slow already
    if transition.to is State.MOVING:
        wanted.add(State.HOLDING)
    got = p.state()
    names = " or ".join(sorted(one.name.lower() for one in wanted))
    p.check(got in wanted, f"{event} while {now}: the axis is {state_name(got)} after it; the table says {names}")
    if transition.to is State.STOPPING:
        end = State.RELEASED if event == "release" else State.HOLDING
        p.until_state(State.RELEASED, State.HOLDING, State.FAULTED)
        p.check(p.state() == end, f"after {event} while {now} the axis comes to rest {state_name(p.state())}, "
                f"not {end.name.lower()}")  # fmt: skip
    if event == "yield":
        p.check(p.owner().owner == 0, f"after yield while {now} the axis is not free")


def _try_stream(p: Probe, event: str, body: Any, state: State, to: State | None) -> None:
    p.cast(body)
    p.hear(0.005)
    got = p.state()
    wanted = {to if to is not None else state}
    if state in (State.MOVING, State.RUNNING, State.STOPPING) or to is State.MOVING:
        wanted.add(State.HOLDING)
    names = " or ".join(sorted(one.name.lower() for one in wanted))
    p.check(got in wanted, f"{event} while {state_name(state)}: the axis is {state_name(got)} after it; the table "
            f"says {names}")  # fmt: skip


def _home(p: Probe, span: Span, travel: tuple[int, int], limit: int) -> None:
    """Back to rest, owned, without fault, with the span as travel."""
    p.ask(m.Stop(0))
    p.until_state(State.RELEASED, State.HOLDING, State.FAULTED)
    if p.state() == State.FAULTED:
        end_fault(p)
        p.must(m.ClearFault(0))
    if p.owner().owner != p.me:
        p.take()
    p.set("deceleration-limit", limit)
    for name, value in zip(("travel-min", "travel-max"), travel, strict=True):
        p.set(name, value)
    if not p.flag(Flag.CALIBRATED):
        p.must(m.SetReference(0, max(travel[0], min(travel[1], p.position()))))


for _number, _state in enumerate(State):
    if _state is not State.STARTING:
        check(
            f"STATE-{_number:02}", PLACE,
            f"In the state `{_state.name.lower()}` each request does what the table says, or is refused with "
            f"{'`faulted`' if _state is State.FAULTED else '`wrong-state`'}.",
            "A handler does not ask the table, or goes to another state.", level=Level.SPAN,
        )(in_state(_state))  # fmt: skip


@check("STATE-10", PLACE, "Before the travel is known, requests that need it are refused with `not-calibrated`, item "
    "the "
       "axis.", "The flag is not looked at by one of them.")  # fmt: skip
def not_calibrated(p: Probe) -> None:
    if p.flag(Flag.CALIBRATED):
        here = p.position()
        p.set("travel-min", here)
        p.set("travel-max", here)
    with p.owned():
        for (event, state), row in TABLE.items():
            kind = KINDS.by_name.get(event)
            if state is State.RELEASED and row.calibrated and kind is not None and kind.role == "request":
                p.no(body_for(event, p, None), Refusal.NOT_CALIBRATED, p.axis)
    p.check(p.state() == State.RELEASED, f"the axis is {state_name(p.state())} after refused requests")


@check("FAULT-01", "faults", "A fault is latched, shown in `status` and `faults`, and told unasked where the node may "
       "speak.", "The fault shows only while its cause is there.")  # fmt: skip
def latched(p: Probe) -> None:
    first = len(p.trace)
    make_fault(p)
    status, faults = p.status(), p.must(m.GetFaults(0))
    p.check(status.fault == SUPPLY_LOW, f"status tells fault {status.fault}; it is {SUPPLY_LOW}")
    mask = 1 << SUPPLY_LOW
    p.check(bool(faults.present & mask), f"the cause is there and present is {faults.present:#x}")
    p.check(bool(faults.latched & mask), f"the fault is not latched: {faults.latched:#x}")
    if p.speaks:
        told = [p.body(one) for one in p.trace[first:] if not one.sent and p.is_ours(one)]
        events = [one for one in told if isinstance(one, m.FaultEvent)]
        p.check(any(one.fault == SUPPLY_LOW for one in events), f"the fault was not told unasked: {events}")
        p.check(len(events) <= 1, f"the fault was told {len(events)} times")
    end_fault(p)
    faults = p.must(m.GetFaults(0))
    p.check(not faults.present & mask, "the cause is gone and is still shown as present")
    p.check(bool(faults.latched & mask), "the fault was forgotten when its cause went, without clear-fault")
    p.check(p.state() == State.FAULTED, f"without clear-fault the axis is {state_name(p.state())}")


@check("FAULT-02", "faults", "`clear-fault`, which anyone may send, works only when no cause is left; the axis is "
    "released "
       "then.", "The latch is cleared though the cause is there, and the fault comes back at once.")  # fmt: skip
def cleared(p: Probe) -> None:
    make_fault(p)
    p.no(m.ClearFault(0), Refusal.FAULTED, SUPPLY_LOW, "with its cause still there", src=p.other)
    p.check(p.state() == State.FAULTED, "a refused clear-fault ended the fault")
    end_fault(p)
    p.must(m.ClearFault(0), src=p.other)
    p.check(p.state() == State.RELEASED, f"after clear-fault the axis is {state_name(p.state())}, not released")
    p.check(p.must(m.GetFaults(0)).latched == 0, "after clear-fault a fault is still latched")
    p.check(p.status().fault == 0, "after clear-fault the status still tells a fault")


@check("FAULT-03", "faults", "A fault that ramps down in motion ends faulted with the drive off; after `clear-fault` "
    "nothing "
       "moves by itself.", "A target or a staged move outlives the fault.", level=Level.SPAN)  # fmt: skip
def fault_in_motion(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()
        p.must(m.Stage(0, span.middle, 0))
        p.must(m.Move(0, span.high, max(1000, span.speed // 2)))
        p.hear(0.2)
        make_fault(p)
        p.check(not STATES[State.FAULTED].drive, "the table says that the drive is off")
        end_fault(p)
        p.must(m.ClearFault(0))
        place = p.position()
        p.check(not p.flag(Flag.STAGED), "a staged move outlived the fault")
        p.cast(m.Sync(0))
        p.hear(0.2)
        p.check(p.state() == State.RELEASED, f"after clear-fault the axis is {state_name(p.state())}")
        p.check(abs(p.position() - place) < 300, "after clear-fault the ring moved by itself")
        p.check(p.owner().owner == p.me, "the fault changed the owner")
        p.must(m.Hold(0))
        p.hear(0.05)
        p.check(p.state() == State.HOLDING, "after clear-fault the axis cannot be used")


@check("FAULT-04", PLACE, "A request to `get` and the like is answered in every state, also while faulted.",
       "A fault shuts the whole dispatcher.")  # fmt: skip
def answered_in_fault(p: Probe) -> None:
    make_fault(p)
    for row in KINDS:
        if row.role == "request" and row.name.startswith("get-") and row.scope == "axis":
            answer = p.ask(row.cls(*(2 << 4 if spec.name == "item" else 0 for spec in row.fields)))
            p.check(answer is not None, f"{row.name} was not answered while faulted")
    p.must(m.Get(0, BY_NAME["velocity-limit"].id))
    end_fault(p)
    p.must(m.ClearFault(0))


