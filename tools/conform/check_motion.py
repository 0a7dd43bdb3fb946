"""Checks of what motion does: targets, travel limits, streams, stop, stage and sync."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.behaviour import TRAVEL_COUNTS
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.protocol.items import marks_check
from ringlet.protocol.states import State
from ringlet.tools.conform.check_states import reach
from ringlet.tools.conform.check_uploads import kept_marks, put_marks
from ringlet.tools.conform.probe import POLL, Probe, Room, Skip, state_name
from ringlet.tools.conform.span import Span, find_first, judge, lose_travel, motion
from ringlet.tools.conform.table import Level, check

PLACE: Final = "motion-limits-and-ramps"
STOP: Final = "stop-0x01"
TWIN_SPAN: Final = 4_000
"""How far a second axis is moved, mdeg."""


def _share(span: Span, share: int) -> int:
    return span.low + ((span.high - span.low) * share + TRAVEL_COUNTS // 2) // TRAVEL_COUNTS


@check("MOVE-01", PLACE, "`move` ends at its target, holding, with the flag `on_target`.",
       "The ramp stops where rounding leaves it.", level=Level.SPAN)  # fmt: skip
def on_target(p: Probe) -> None:
    with motion(p) as span:
        for target in (span.low, span.high, span.middle + 1, span.middle - 12_345 % (span.high - span.middle)):
            p.must(m.Move(0, target, 0))
            p.until_state(State.HOLDING, State.FAULTED, seconds=30.0)
            at = p.setpoint()
            p.check(at == target, f"a move to {target} ends with the setpoint at {at}")
            p.check(p.flag(Flag.ON_TARGET), "at the end of a move the flag `on_target` is not set")
            p.check(not p.flag(Flag.IN_MOTION), "at the end of a move the flag `in_motion` is set")


@check("MOVE-02", PLACE, "`move` and `stage` past a travel limit are refused with `past-travel`, by one count too; "
       "the limit itself is allowed.", "The comparison is off by one, or one end is not looked at.",
       level=Level.SPAN)  # fmt: skip
def past_travel(p: Probe) -> None:
    with motion(p) as span:
        for cls in (m.Move, m.Stage):
            for target, item in ((span.low - 1, 0), (span.high + 1, 1), (span.high + 5000, 1), (span.low - 5000, 0),
                                 ((1 << 31) - 1, 1), (-(1 << 31), 0)):  # fmt: skip
                p.no(cls(0, target, 0), Refusal.PAST_TRAVEL, item, f"to {target}, travel {span.low} to {span.high}")
        for target in (span.low, span.high):
            answer = p.ask(m.Stage(0, target, 0))
            p.check(isinstance(answer, m.Done), f"stage to the limit {target} was answered with {answer}")


@check("MOVE-03", PLACE, "`run` ends exactly at the travel limit, holding there, with the flags of that end.",
       "The run stops where braking began too late or too soon.", level=Level.SPAN)  # fmt: skip
def run_to_limit(p: Probe) -> None:
    with motion(p) as span:
        span.go(span.middle)
        for sign, limit, flag, other in ((-1, span.low, Flag.AT_LOW, Flag.AT_HIGH),
                                         (1, span.high, Flag.AT_HIGH, Flag.AT_LOW)):  # fmt: skip
            p.must(m.Run(0, sign * span.speed))
            p.until_state(State.HOLDING, State.FAULTED, seconds=30.0)
            at = p.setpoint()
            p.check(at == limit, f"a run to the limit {limit} ends with the setpoint at {at}")
            p.check(p.flag(flag), f"at the limit the flag {flag.name.lower()} is not set")
            p.check(not p.flag(other), f"at the other limit the flag {other.name.lower()} is set")


@check("MOVE-04", PLACE, "A streamed setpoint past a travel limit is cut to it and flagged; the next one inside is "
    "not.",
       "The stream goes to the ramp without a look at the travel.", level=Level.SPAN)  # fmt: skip
def stream_cut(p: Probe) -> None:
    with motion(p) as span:
        span.go(span.middle)
        for limit, past in ((span.high, span.high + 3000), (span.low, span.low - 3000)):
            seen = []
            for _ in range(400):
                p.cast(m.StreamRing(0, past))
                p.hear(0.01)
                seen.append(p.setpoint())
                if len(seen) > 3 and len(set(seen[-3:])) == 1:
                    break
            outside = max(seen) if limit == span.high else min(seen)
            over = outside - limit if limit == span.high else limit - outside
            p.check(over <= 0, f"a streamed setpoint {past} took the axis {over} counts past the limit {limit}")
            p.check(seen[-1] == limit, f"a stream past the limit {limit} comes to rest at {seen[-1]}")
            p.check(p.flag(Flag.CLAMPED), "the setpoint was cut and the flag `clamped` is not set")
            p.cast(m.StreamRing(0, span.middle))
            p.hear(0.01)
            p.check(not p.flag(Flag.CLAMPED), "a setpoint inside the travel left the flag `clamped` set")
            p.check(p.state() == State.FOLLOWING, f"while streaming the axis is {state_name(p.state())}")
        p.must(m.Hold(0))


@check("MOVE-05", "move-travel-0x11", "Shares of the travel: 0 is the lower limit, 65535 the upper, and between them "
    "in "
       "proportion.", "The share is scaled by 65536, or rounded down at the top.", level=Level.SPAN)  # fmt: skip
def shares(p: Probe) -> None:
    with motion(p) as span:
        for share in (0, TRAVEL_COUNTS, 32768, 1000):
            p.must(m.MoveTravel(0, share, 0))
            p.until_state(State.HOLDING, State.FAULTED, seconds=30.0)
            wanted, at = _share(span, share), p.setpoint()
            room = 0 if share in (0, TRAVEL_COUNTS) else 1
            p.check(abs(at - wanted) <= room, f"share {share} of the travel is {wanted}; the setpoint is {at}")
            told = p.status().travel
            room = TRAVEL_COUNTS * 600 // (span.high - span.low)
            p.check(abs(told - share) <= room, f"at share {share} the status tells {told}")
        for share in (0, 20000):
            for _ in range(300):
                p.cast(m.StreamTravel(0, share))
                p.hear(0.01)
                if abs(p.setpoint() - _share(span, share)) <= 1:
                    break
            wanted, at = _share(span, share), p.setpoint()
            p.check(abs(at - wanted) <= 1, f"a stream to share {share} is {wanted}; the setpoint is {at}")


@check("MOVE-06", PLACE, "The ring follows the setpoint, in the same sense and by the same amount.",
       "The gear ratio or the direction is applied on one side only.", level=Level.SPAN)  # fmt: skip
def ring_follows(p: Probe) -> None:
    with motion(p) as span:
        for target in (span.low, span.high):
            span.go(target)
            p.hear(0.2)
            at = p.position()
            p.check(abs(at - target) <= 500, f"after a move to {target} the ring is at {at} mdeg")

        def script() -> None:
            span.go(span.low)

        p.record(script) if p.speaks else script()
        velocities = [one.velocity for one in (p.body(f) for f in p.trace if not f.sent) if isinstance(one, m.Motion)]
        if p.speaks:
            p.check(min(velocities) < -3000, f"on the way down the velocity is told as {min(velocities)} mdeg/s at the "
                    "least; it should be negative")  # fmt: skip


@check("MOVE-07", "set-reference-0x18", "`set-reference` calls the present place by the given number, without motion, "
    "and "
       "refuses one outside the travel.", "The setpoint stays in the old numbers, and the ring jumps.",
       level=Level.SPAN)  # fmt: skip
def reference(p: Probe) -> None:
    with motion(p) as span:
        span.go(span.middle)
        p.hear(0.2)
        for target, item in ((span.low - 1, 0), (span.high + 1, 1)):
            p.no(m.SetReference(0, target), Refusal.PAST_TRAVEL, item, f"{target}, travel {span.low} to {span.high}")
        before = p.position()
        for shift in (2000, 0):
            p.must(m.SetReference(0, span.middle + shift))
            p.hear(0.1)
            at, wanted = p.position(), p.setpoint()
            p.check(abs(at - (span.middle + shift)) <= 300, f"after set-reference {span.middle + shift} the ring is "
                    f"told at {at}")  # fmt: skip
            p.check(abs(at - wanted) <= 300, f"after set-reference the ring is at {at} and its setpoint at {wanted}")
            p.check(p.flag(Flag.CALIBRATED), "set-reference ended the calibration")
        p.check(abs(p.position() - before) <= 600, "set-reference and back moved the ring")


WAYS: Final[dict[str, Callable[[Probe], None]]] = {
    "the owner": lambda p: _stop(p, src=p.me),
    "a control that does not own the axis": lambda p: _stop(p, src=p.other),
    "everyone's address": lambda p: _stop(p, src=p.other, dst=EVERYONE, axis=ALL_AXES),
}


def _stop(p: Probe, **where: Any) -> None:
    p.cast(m.Stop(0), **where)


def _stops(state: State) -> Callable[[Probe], None]:
    def run(p: Probe) -> None:
        for way, send in WAYS.items():
            with motion(p) as span:
                reach(p, span, state)
                send(p)
                p.hear(0.006)
                now = p.state()
                if not p.check(now in (State.STOPPING, State.HOLDING), f"stop by {way} while "
                               f"{state.name.lower()}: the axis is {state_name(now)}"):  # fmt: skip
                    p.must(m.Hold(0))
                p.until_state(State.HOLDING, State.RELEASED, State.FAULTED)
                p.check(p.state() == State.HOLDING, f"after a stop the axis is {state_name(p.state())}")
                place = p.setpoint()
                p.hear(0.1)
                p.check(p.setpoint() == place, "after a stop the setpoint moves on")
                p.check(p.owner().owner == p.me, "stop changed the owner")

    return run


for _number, _state in enumerate((State.MOVING, State.RUNNING, State.FOLLOWING, State.FINDING, State.STOPPING)):
    check(
        f"STOP-{_number + 1:02}", STOP, f"`stop` ends motion in the state `{_state.name.lower()}`, from anyone, and "
        "when it is "
        "sent to everyone.", "Stop is refused to others, or one state does not look at it.", level=Level.SPAN,
    )(_stops(_state))  # fmt: skip


@check("STOP-06", STOP, "`stop` ramps down within the deceleration limit, and not much slower than it allows.",
       "The setpoint is frozen at once, or another limit is used.", level=Level.SPAN, needs="speaks")  # fmt: skip
def stop_ramp(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()
        took = [0.0]

        def script() -> None:
            p.must(m.Run(0, span.speed))
            p.hear(0.3)
            p.cast(m.Stop(0), src=p.other)
            sent = p.now()
            p.until(lambda: p.state() != State.RUNNING, 0.3)
            p.until_state(State.HOLDING, State.RELEASED)
            took[0] = p.now() - sent
            p.hear(0.02)

        judge(p, p.record(script), "stop", "deceleration", "jerk")
        deceleration, jerk = p.get("deceleration-limit") / 1000, p.get("jerk-limit")
        most = span.speed / 1000 / deceleration + 2 * max(deceleration, p.get("acceleration-limit") / 1000) / jerk
        room = 0.05 + 3 * p.reply_s()
        p.check(took[0] <= 1.2 * most + room, f"stop took {took[0]:.3f} s; the limits allow {most:.3f} s")


@check("STOP-07", STOP, "`stop` to one node is answered with `done`, to everyone it is not answered; at rest it does "
    "nothing.",
       "Stop is handled outside the dispatcher and forgets the answer.")  # fmt: skip
def stop_answered(p: Probe) -> None:
    state = p.state()
    for source in (p.me, p.other):
        answer = p.ask(m.Stop(0), src=source)
        p.check(isinstance(answer, m.Done), f"stop from control {source} was answered with {answer}")
    answer = p.ask(m.Stop(0), axis=ALL_AXES)
    p.check(isinstance(answer, m.Done), f"stop to all axes of the node was answered with {answer}")
    found = p.answers(*p.build(m.Stop(0), dst=EVERYONE, axis=ALL_AXES))
    p.check(not found, "stop to everyone was answered")
    p.check(p.state() == state, f"stop at rest changed the state to {state_name(p.state())}")


@check("SYNC-01", PLACE, "`stage` keeps a move ready without motion; `sync` starts it, once.",
       "Stage moves at once, or the staged move stays.", level=Level.SPAN)  # fmt: skip
def stage_and_sync(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()
        p.cast(m.Sync(0))
        p.hear(0.05)
        p.check(p.state() == State.HOLDING, "sync without a staged move started one")
        p.must(m.Stage(0, span.middle, 0))
        p.hear(0.1)
        p.check(p.flag(Flag.STAGED), "after stage the flag `staged` is not set")
        p.check(p.state() == State.HOLDING and p.setpoint() == span.low, "stage moved the axis")
        p.cast(m.Sync(0), dst=EVERYONE, axis=ALL_AXES)
        p.hear(0.01)
        p.check(p.state() == State.MOVING, f"after sync the axis is {state_name(p.state())}")
        p.check(not p.flag(Flag.STAGED), "after sync the flag `staged` is still set")
        p.until_state(State.HOLDING, State.FAULTED)
        p.check(p.setpoint() == span.middle, f"the staged move to {span.middle} ended at {p.setpoint()}")
        span.go_low()
        p.cast(m.Sync(0))
        p.hear(0.05)
        p.check(p.state() == State.HOLDING, "a second sync started the old move again")


@check("SYNC-02", "sync-0x02", "Only the control that staged a move starts it with `sync`.",
       "The source of sync is not compared.", level=Level.SPAN)  # fmt: skip
def sync_of_others(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()
        p.must(m.Stage(0, span.middle, 0))
        p.cast(m.Sync(0), src=p.other, dst=EVERYONE, axis=ALL_AXES)
        p.hear(0.05)
        p.check(p.state() == State.HOLDING, "a sync from another control started the staged move")
        p.check(p.flag(Flag.STAGED), "a sync from another control took the staged move away")
        p.cast(m.Sync(0), dst=EVERYONE, axis=ALL_AXES)
        p.until_state(State.MOVING, State.HOLDING, seconds=0.1)
        # A stage left by an owner that was put out is nobody's.
        p.until_state(State.HOLDING)
        span.go_low()
        p.must(m.Stage(0, span.middle, 0))
        p.forget()
        p.must(m.Take(0, 1), src=p.other)
        p.cast(m.Sync(0), src=p.other, dst=EVERYONE, axis=ALL_AXES)
        p.hear(0.05)
        p.check(p.state() in (State.HOLDING, State.STOPPING), "a new owner's sync started a move that another had "
            "staged")
        p.must(m.Yield(0), src=p.other)
        p.take()


@check("SYNC-05", PLACE, "`stop`, `hold`, `release` and `yield` forget a staged move.",
       "The staged move is forgotten only when `sync` takes it.", level=Level.SPAN)  # fmt: skip
def stage_forgotten(p: Probe) -> None:
    def in_motion() -> None:
        p.must(m.Move(0, span.high, 0))
        p.must(m.Stop(0))
        p.until_state(State.HOLDING, State.FAULTED)

    def given_and_taken() -> None:
        p.give()
        p.take()

    ways: dict[str, Callable[[], object]] = {
        "stop": lambda: p.must(m.Stop(0)),
        "stop from another control": lambda: p.must(m.Stop(0), src=p.other),
        "stop in motion": in_motion,
        "hold": lambda: p.must(m.Hold(0)),
        "yield": given_and_taken,
        "release": lambda: p.must(m.Release(0)),
    }
    with motion(p) as span:
        span.go_low()
        for way, act in ways.items():
            p.must(m.Stage(0, span.middle, 0))
            act()
            p.check(not p.flag(Flag.STAGED), f"a staged move outlived {way}")
            p.cast(m.Sync(0))
            p.hear(0.05)
            if not p.check(p.state() != State.MOVING, f"after {way} a sync started the move staged before it"):
                p.must(m.Hold(0))
                p.until_state(State.HOLDING, State.FAULTED)


@check("SYNC-04", "stage-value-0x1a", "`stage-value` stages the place that the marks give for a value; without a "
    "table it is refused "
       "with `unknown-item`, and between no two marks with `out-of-range`.", "The value is looked up outside the "
       "table.",
       level=Level.SPAN)  # fmt: skip
def by_value(p: Probe) -> None:
    with kept_marks(p), motion(p) as span:
        span.go_low()
        p.must(m.OpenMarks(0, 0, 0))
        p.must(m.CommitMarks(0, marks_check([])))
        p.no(m.StageValue(0, 1000, 0), Refusal.UNKNOWN_ITEM, None, "without a table")
        table = [(span.low, 1000), (span.middle, 2000), (span.high, 3000)]
        put_marks(p, table)
        p.must(m.CommitMarks(0, marks_check(table)))
        index = m.StageValue._fields.index("value")
        for value in (900, 3100):
            p.no(m.StageValue(0, value, 0), Refusal.OUT_OF_RANGE, index, f"{value}, marks 1000 to 3000")
        p.must(m.StageValue(0, 2000, 0))
        p.cast(m.Sync(0))
        p.until_state(State.MOVING, seconds=0.1)
        p.until_state(State.HOLDING, State.FAULTED)
        at = p.setpoint()
        p.check(at == span.middle, f"the value of the mark at {span.middle} took the axis to {at}")


@check("SYNC-03", PLACE, "`sync` starts the staged moves of all axes in the same tick.",
       "Axes are started one after the other, each in its own tick.", level=Level.SPAN, needs="axes speaks",
       also="the ring of the node's next axis, by 4 degrees")  # fmt: skip
def same_tick(p: Probe) -> None:
    twin = Probe(p.wire, p.node, (p.axis + 1) % p.axes, p.me)
    twin.axes = p.axes
    twin.room = Room(TWIN_SPAN, p.room.torque_mnm, stops=p.room.stops, known=twin.flag(Flag.CALIBRATED))
    try:
        _bound(twin)
        twin.trace, twin.problems = p.trace, p.problems
        with motion(p) as span, motion(twin) as other:
            span.go_low()
            other.go_low()
            starts = []
            for one, place in ((p, span), (twin, other)):
                one.set("telemetry-select", 1 << POLL["drive"] | 1 << POLL["sample"])
                one.set("telemetry-rate", p.rate_hz())
                one.must(m.Stage(0, place.middle, 0))
            first = len(p.trace)
            p.cast(m.Sync(0), dst=EVERYONE, axis=ALL_AXES)
            p.hear(0.3)
            for one, place in ((p, span), (twin, other)):
                one.set("telemetry-rate", 0)
                starts.append(_start(one, first, place.low))
            p.check(None not in starts and starts[0] == starts[1], f"the two axes started at {starts} us")
            for one in (p, twin):
                one.until_state(State.HOLDING)
    finally:
        twin.tidy()
        lose_travel(twin)


def _bound(twin: Probe) -> None:
    """The travel of the second axis, inside which it is moved. Raises Skip where it is not known."""
    for name in ("travel-min", "travel-max"):
        twin.remember(name)
    if twin.room.known:
        twin.room.travel = twin.get("travel-min"), twin.get("travel-max")
        return
    if not twin.room.stops:
        raise Skip("the travel of the node's next axis is not known; find its end stops first")
    remembered = dict(twin._changed)
    why_not = find_first(twin)
    twin._changed = remembered
    if why_not:
        raise Skip(f"the node's next axis cannot be moved: {why_not}")


def _start(p: Probe, first: int, low: int) -> int | None:
    """Node time of the first sample away from `low`."""
    moved: set[int] = set()
    for frame in p.trace[first:]:
        if frame.sent or not p.is_ours(frame):
            continue
        body = p.body(frame)
        if isinstance(body, m.Drive) and body.setpoint != low:
            moved.add(body.tag)
        elif isinstance(body, m.Sample) and body.tag in moved:
            return body.time
    return None
