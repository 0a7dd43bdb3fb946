"""Checks of ownership: take, yield, forced take, time-out, and who may do what meanwhile."""

from __future__ import annotations

from typing import Final

from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of
from ringlet.protocol.codes import TIMING, Refusal
from ringlet.protocol.header import ALL_AXES, EVERYONE, unpack_header
from ringlet.protocol.states import State
from ringlet.tools.conform.check_kinds import harmless, requests
from ringlet.tools.conform.probe import Probe
from ringlet.tools.conform.span import judge, motion
from ringlet.tools.conform.table import Level, check

PLACE: Final = "who-may-command-an-axis"
SHORT_MS: Final = 200


@check("OWN-01", PLACE, "Motion needs ownership: on a free axis it is refused with `not-owner`, item 0.",
       "Ownership is looked at only when somebody else owns the axis.")  # fmt: skip
def free_axis(p: Probe) -> None:
    for row in requests():
        if row.owner == "must":
            p.no(harmless(row, p), Refusal.NOT_OWNER, 0)
    p.check(p.state() in (State.RELEASED, State.HOLDING), "a refused request changed the state")


@check("OWN-02", PLACE, "`take` makes a control the owner of a free axis, `yield` gives it up; `owner` and `status` "
    "say so.",
       "The owner is kept in two places.")  # fmt: skip
def take_and_yield(p: Probe) -> None:
    for source in (p.me, p.other, 15):
        p.must(m.Take(0, 0), src=source)
        owner = p.owner()
        p.check(owner.owner == source, f"after take by {source} the owner is told as {owner.owner}")
        most = min(65535, p.get("owner-timeout"))
        p.check(0 < owner.left <= most, f"the owner has {owner.left} ms left; the time-out is {most} ms")
        told = p.status().owner
        p.check(told == source, f"after take by {source} the status tells owner {told}")
        p.must(m.Take(0, 0), src=source)
        p.must(m.Yield(0), src=source)
        p.check(p.owner().owner == 0, f"after yield by {source} the axis is not free")
        p.check(p.status().owner == 0, "after yield the status still tells an owner")


@check("OWN-03", PLACE, "What another control owns is refused with `owned`, item the owner: motion, settings, and a "
    "take "
       "without force.", "Settings are left out of the check of the owner.")  # fmt: skip
def owned_by_another(p: Probe) -> None:
    with p.owned():
        for row in requests():
            if row.owner:
                body = m.Save(0) if row.name == "save" else harmless(row, p)
                p.no(body, Refusal.OWNED, p.me, src=p.other)
        p.no(m.Take(0, 0), Refusal.OWNED, p.me, src=p.other)
        p.check(p.owner().owner == p.me, "the owner has changed")


@check("OWN-04", PLACE, "Reading is open to everyone, and so is clearing faults.",
       "All requests go through the check of the owner.")  # fmt: skip
def reading_open(p: Probe) -> None:
    with p.owned():
        for row in requests():
            if row.owner or row.scope == "node" or row.name == "take":
                continue
            answer = p.ask(harmless(row, p), src=p.other)
            refused = isinstance(answer, m.Refused) and answer.code in (Refusal.OWNED, Refusal.NOT_OWNER)
            p.check(answer is not None and not refused, f"{row.name} from another control was answered with {answer}")


@check("OWN-05", PLACE, "With force `take` takes the axis from another control, which is told where the node may "
    "speak.",
       "The force field is not read, or the one put out is not told.")  # fmt: skip
def forced(p: Probe) -> None:
    p.must(m.Take(0, 0))
    first = len(p.trace)
    p.must(m.Take(0, 1), src=p.other)
    p.hear(0.02)
    p.check(p.owner().owner == p.other, "after a forced take the owner is another one")
    if p.speaks:
        told = [p.body(one) for one in p.trace[first:] if not one.sent and unpack_header(one.ident).dst == p.me
                and unpack_header(one.ident).axis == p.axis]  # fmt: skip
        told = [one for one in told if isinstance(one, m.Owner)]
        p.check(bool(told), "the control that was put out was not told with `owner`")
        if told:
            p.check(told[0].owner == p.other, f"it was told that the owner is {told[0].owner}")
    p.no(m.Hold(0), Refusal.OWNED, p.other)
    p.must(m.Yield(0), src=p.other)


@check("OWN-06", PLACE, "An owner that is silent for `owner-timeout` is lost: not sooner, and then the axis is free.",
       "The watchdog is missing, or counts in other units.")  # fmt: skip
def timeout(p: Probe) -> None:
    p.set("owner-timeout", SHORT_MS)
    p.must(m.Take(0, 0))
    taken = p.now()
    first = len(p.trace)
    early = late = None
    while p.now() - taken < 2.5 * SHORT_MS / 1000:
        owner = p.owner().owner
        at = p.now() - taken
        if owner == p.me:
            late = at
        elif early is None:
            early = at
        p.hear(0.005)
    room = p.reply_s() + 0.01
    if p.check(early is not None, f"the owner was silent for {2.5 * SHORT_MS:.0f} ms and still owns the axis; its "
               f"time-out is {SHORT_MS} ms"):  # fmt: skip
        assert early is not None
        p.check(early >= SHORT_MS / 1000 - room, f"the owner was lost after {1e3 * early:.0f} ms of {SHORT_MS} ms")
        p.check((late or 0) <= SHORT_MS / 1000 + room, f"the owner was lost only after {1e3 * (late or 0):.0f} ms")
        if p.speaks:
            told = [one for one in p.trace[first:] if not one.sent and unpack_header(one.ident).dst == p.me
                    and isinstance(p.body(one), m.Owner)]  # fmt: skip
            p.check(bool(told), "the lost owner was not told with `owner`")


def _kept_by(p: Probe, what: str, send: object, *, kept: bool, by: int, to_all: bool = False) -> None:
    """Whether something sent every 60 ms, to the axis or to all, keeps the axis for longer than the time-out."""
    p.must(m.Take(0, 0))
    end = p.now() + 2 * SHORT_MS / 1000
    while p.now() < end:
        p.cast(send, src=by, axis=ALL_AXES if to_all else p.axis, dst=EVERYONE if to_all else p.node)
        p.hear(0.06)
    owner = p.owner().owner
    if kept:
        p.check(owner == p.me, f"{what} from the owner does not restart its time-out")
    else:
        p.check(owner != p.me, f"{what} from a control that does not own the axis restarts the owner's time-out")
    p.ask(m.Yield(0))


@check("OWN-07", PLACE, "`keep-alive` and any request or setpoint of the owner for the axis keep it.",
       "Only some kinds restart the time-out.")  # fmt: skip
def kept(p: Probe) -> None:
    p.set("owner-timeout", SHORT_MS)
    for body in (m.KeepAlive(0), m.GetStatus(0), m.Get(0, 3), m.StreamRing(0, 0), m.StreamTravel(0, 0)):
        _kept_by(p, kind_of(body).name, body, kept=True, by=p.me)
    _kept_by(p, "keep-alive to everyone", m.KeepAlive(0), kept=True, by=p.me, to_all=True)


@check("OWN-08", PLACE, "Other controls do not keep an owner's axis for it.",
       "The source of a keep-alive is not compared with the owner.")  # fmt: skip
def not_kept_by_others(p: Probe) -> None:
    p.set("owner-timeout", SHORT_MS)
    for body in (m.KeepAlive(0), m.GetStatus(0), m.StreamRing(0, 0)):
        _kept_by(p, kind_of(body).name, body, kept=False, by=p.other)
    _kept_by(p, "keep-alive to everyone", m.KeepAlive(0), kept=False, by=p.other, to_all=True)


@check("OWN-09", PLACE, "On a free axis anyone may write settings.", "Settings always need an owner.")
def settings_free(p: Probe) -> None:
    value = p.get("stall-time")
    for offset, source in ((1, p.me), (2, p.other)):
        p.set("stall-time", value + offset, src=source)


@check("OWN-10", PLACE, "When the owner falls silent in motion, the axis ramps down inside its limits, does what "
    "`on-loss` "
       "says, and is free.", "The drive is cut, goes on, or the axis stays owned.", level=Level.SPAN)  # fmt: skip
def lost_in_motion(p: Probe) -> None:
    for choice, end in ((0, State.HOLDING), (1, State.RELEASED)):
        with motion(p) as span:
            span.go_low()
            p.set("on-loss", choice)
            p.set("owner-timeout", SHORT_MS)

            def script() -> None:
                p.must(m.Run(0, span.speed // 2))
                p.forget()
                p.hear(SHORT_MS / 1000 + 0.05)
                state = p.state()
                p.check(state in (State.STOPPING, State.HOLDING, State.RELEASED),
                        f"50 ms after the time-out the axis is in state {state}")  # fmt: skip
                if state == State.RUNNING:
                    p.cast(m.Stop(0))
                p.until_state(State.HOLDING, State.RELEASED)
                p.hear(0.02)

            samples = p.record(script)
            if end is State.HOLDING:  # a ring set free takes its setpoint along
                judge(p, samples, "owner lost", "deceleration", "jerk")
            p.check(p.state() == end, f"with on-loss {choice} the axis ends in state {p.state()}")
            p.check(p.owner().owner == 0, "after its owner was lost the axis is not free")
            p.set("owner-timeout", 1000)
            p.take()
            p.must(m.Hold(0))


@check("OWN-11", PLACE, "A forced take in motion ramps the motion down first, inside the limits.",
       "The new owner gets an axis that still moves, or the motion is cut.", level=Level.SPAN)  # fmt: skip
def forced_in_motion(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()

        def script() -> None:
            p.must(m.Run(0, span.speed // 2))
            p.hear(0.25)
            p.forget()
            p.must(m.Take(0, 1), src=p.other)
            p.hear(0.01)
            state = p.state()
            p.check(state == State.STOPPING, f"10 ms after a forced take in motion the axis is in state {state}")
            if state == State.RUNNING:
                p.cast(m.Stop(0))
            p.until_state(State.HOLDING, State.RELEASED)
            p.must(m.Yield(0), src=p.other)
            p.hear(0.02)

        samples = p.record(script)
        judge(p, samples, "forced take", "deceleration", "jerk")
        p.take()


@check("OWN-12", "times", f"No owner time-out below {TIMING['owner_floor'].ms} ms can be set.",
       "The floor of the range is not checked.")  # fmt: skip
def floor(p: Probe) -> None:
    p.remember("owner-timeout")
    p.no(m.Set(0, 19, TIMING["owner_floor"].ms - 1), Refusal.OUT_OF_RANGE, 19, "owner-timeout below the floor")
    p.set("owner-timeout", TIMING["owner_floor"].ms)
