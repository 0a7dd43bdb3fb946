"""Checks of tags and of repeats."""

from __future__ import annotations

from typing import Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import TIMING, Refusal
from ringlet.protocol.header import EVERYONE
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import State
from ringlet.tools.conform.probe import FORGOTTEN_S, Probe
from ringlet.tools.conform.span import motion
from ringlet.tools.conform.table import Level, check

PLACE: Final = "requests-tags-and-repeats"


@check("TAG-01", PLACE, "The reply has the tag of the request, whatever it is.",
       "The tag is not copied, or the node counts its own.")  # fmt: skip
def echoed(p: Probe) -> None:
    missing = []
    for tag in range(256):
        body = m.GetStatus(0) if tag % 2 else m.Identify(0)
        if not p.answered(*p.build(body, tag=tag)):
            missing.append(tag)
    p.check(not missing, f"requests with {len(missing)} of 256 tags have no answer with the same tag: {missing[:8]}")
    if not missing:
        for tag in (0, 1, 0x5A, 0xFF):
            ident, data = p.build(m.Move(0, 0, 0), tag=tag)
            found = p.answered(ident, data)
            p.check(bool(found), f"a refusal did not echo the tag {tag}")


@check("TAG-02", PLACE, f"A request that comes again within {TIMING['repeat'].ms} ms, with the same header and bytes, "
    "is "
       "answered as before and not carried out twice.", "The last answers are not kept, or are looked up by the tag "
       "alone.")  # fmt: skip
def not_twice(p: Probe) -> None:
    take, give = p.build(m.Take(0, 0)), p.build(m.Yield(0))
    p.check(bool(p.answered(*take)) and bool(p.answered(*give)), "take and yield were not answered")
    again = p.answered(*take)
    p.check(bool(again), "a repeated take was not answered")
    owner = p.owner().owner
    p.check(owner == 0, "a take that was repeated after a yield was carried out a second time: the axis has an owner")
    value = p.get("stall-time")
    p.remember("stall-time")
    first = p.build(m.Set(0, BY_NAME["stall-time"].id, value + 1))
    p.answered(*first)
    p.must(m.Set(0, BY_NAME["stall-time"].id, value + 2))
    found = p.answered(*first)
    p.check(p.get("stall-time") == value + 2, "a repeated set was carried out a second time")
    told = p.body(found[0]) if found else None
    p.check(isinstance(told, m.Parameter) and told.value == value + 1, f"a repeated set was answered with {told}")


@check("TAG-03", PLACE, "A refused request that comes again in the repeat time is answered as before.",
       "Refusals are not kept for repeats.")  # fmt: skip
def refused_again(p: Probe) -> None:
    frame = p.build(m.Hold(0))
    first = p.answered(*frame)
    p.take()
    second = p.answered(*frame)
    p.give()
    told = [p.body(one[0]) if one else None for one in (first, second)]
    p.check(isinstance(told[0], m.Refused), f"hold without ownership was answered with {told[0]}")
    p.check(told[0] == told[1], f"the repeat was answered with {told[1]}, the request itself with {told[0]}")


@check("TAG-04", PLACE, f"After more than {TIMING['repeat'].ms} ms the same bytes are a new request.",
       "Answers are kept for ever, or until the tag changes.")  # fmt: skip
def forgotten(p: Probe) -> None:
    take, give = p.build(m.Take(0, 0)), p.build(m.Yield(0))
    p.answered(*take)
    p.answered(*give)
    p.hear(FORGOTTEN_S)
    p.answered(*take)
    owner = p.owner().owner
    p.check(owner == p.me, "the same take, 1.1 s later, was not carried out")
    p.hear(FORGOTTEN_S)
    p.ask(m.Yield(0))


@check("TAG-05", PLACE, "Questions are answered anew, with the same tag too.",
       "Answers to questions are kept for repeats as well.")  # fmt: skip
def questions_anew(p: Probe) -> None:
    value = p.get("stall-time")
    frame = p.build(m.Get(0, BY_NAME["stall-time"].id))
    p.answered(*frame)
    p.set("stall-time", value + 7)
    found = p.answered(*frame)
    told = p.body(found[0]) if found else None
    p.check(isinstance(told, m.Parameter) and told.value == value + 7, f"the same question was answered with {told}, "
            f"though the value is {value + 7} now")  # fmt: skip


@check("TAG-06", PLACE, "Only the same header and the same bytes are a repeat: another source, axis, kind or value is "
    "a "
       "new request.", "Repeats are told by the tag alone.")  # fmt: skip
def near_repeats(p: Probe) -> None:
    value = p.get("stall-time")
    p.remember("stall-time")
    number = BY_NAME["stall-time"].id
    p.hear(FORGOTTEN_S)  # so that none of these fixed tags stands for a request of the check before
    p.answered(*p.build(m.Set(0, number, value + 1), tag=77))
    p.answered(*p.build(m.Set(0, number, value + 2), tag=77))
    got = p.get("stall-time")
    p.check(got == value + 2, f"a set with the same tag and another value was passed over: {got}")
    p.answered(*p.build(m.Set(0, number, value + 3), tag=78))
    p.answered(*p.build(m.Set(0, number, value + 4), tag=79))
    p.answered(*p.build(m.Set(0, number, value + 3), tag=78, src=p.other))
    got = p.get("stall-time")
    p.check(got == value + 3, f"a set with the same bytes from another control was passed over: {got}")
    p.answered(*p.build(m.Take(0, 0), tag=80))
    p.answered(*p.build(m.Yield(0), tag=80))
    p.check(p.owner().owner == 0, "yield with the tag of the take before was passed over")


@check("TAG-07", PLACE, "A `stop` is always carried out, with the tag of an earlier one too.",
       "Stop goes through the memory for repeats.", level=Level.SPAN)  # fmt: skip
def stop_again(p: Probe) -> None:
    with motion(p) as span:
        for turn in range(2):
            span.go_low()
            p.must(m.Run(0, span.speed))
            p.hear(0.15)
            p.check(p.state() == State.RUNNING, "run did not start")
            p.cast(m.Stop(0), tag=5, axis=p.axis, dst=EVERYONE if turn == 2 else p.node)
            stopped = p.until(lambda: p.state() in (State.STOPPING, State.HOLDING), 0.1)
            if not p.check(stopped, f"stop number {turn + 1} with the same tag was passed over"):
                p.cast(m.Stop(0), tag=6)
            p.until_state(State.HOLDING)


@check("TAG-08", PLACE, "A refused request has changed nothing.",
       "Values are written before the checks are done.")  # fmt: skip
def refused_changed_nothing(p: Probe) -> None:
    names = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit", "owner-timeout", "stall-time")
    for name in names:
        row, before = BY_NAME[name], p.get(name)
        p.remember(name)
        p.no(m.Set(0, row.id, row.hi + 1), Refusal.OUT_OF_RANGE, row.id, f"{name} above its range")
        p.no(m.Set(0, row.id, row.lo - 1), Refusal.OUT_OF_RANGE, row.id, f"{name} below its range")
        p.check(p.get(name) == before, f"a refused set changed {name} from {before} to {p.get(name)}")
    p.must(m.Take(0, 0), src=p.other)
    p.no(m.Take(0, 0), Refusal.OWNED, p.other)
    p.check(p.owner().owner == p.other, "a refused take changed the owner")
    p.must(m.Yield(0), src=p.other)
