"""Checks of the search for end stops, and of the travel set by hand."""

from __future__ import annotations

from typing import Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Fault, Flag
from ringlet.protocol.states import State
from ringlet.tools.conform.probe import POLL, Probe, state_name
from ringlet.tools.conform.span import motion
from ringlet.tools.conform.table import Level, check

FIND: Final = "find-stops-0x16"
LONGEST_S: Final = 180.0


@check("FIND-01", "set-travel-0x17", "The travel set by hand is known when both ends have been set, and not before.",
       "One end is enough, or an old end counts.", level=Level.SPAN)  # fmt: skip
def by_hand(p: Probe) -> None:
    with motion(p) as span:
        span.go(span.middle)
        now = p.get("direction")
        for value in (1 - now, now):
            p.set("direction", value)
        p.check(not p.flag(Flag.CALIBRATED), "a change of direction did not end the calibration")
        p.must(m.SetTravel(0, 0))
        p.check(not p.flag(Flag.CALIBRATED), "with the lower end alone the axis is calibrated")
        low = p.get("travel-min")
        p.check(abs(low - p.position()) <= 300, f"set-travel stored {low}; the ring is at {p.position()}")
        p.must(m.Run(0, 3000))
        p.hear(0.7)
        p.must(m.Hold(0))
        p.until_state(State.HOLDING)
        p.must(m.SetTravel(0, 1))
        p.check(p.flag(Flag.CALIBRATED), "with both ends set the axis is not calibrated")
        high = p.get("travel-max")
        p.check(abs(high - p.position()) <= 300, f"set-travel stored {high}; the ring is at {p.position()}")
        p.check(p.get("travel-min") == low, "setting the upper end changed the lower one")
        for name, value in (("travel-min", span.low), ("travel-max", span.high)):
            p.set(name, value)


@check("FIND-02", "parameters", "A search ends with the fault `no-stop-found` when no stop is met within "
    "`finding-reach`.",
       "The reach is not counted.", level=Level.SPAN)  # fmt: skip
def reach_kept(p: Probe) -> None:
    with motion(p) as span:
        span.go(span.middle)
        reach = min(4000, (span.high - span.low) // 4)
        p.set("finding-reach", reach)
        p.set("finding-speed", 10_000)
        place = p.position()
        p.must(m.FindStops(0))
        p.hear(0.05)
        p.check(p.state() == State.FINDING, f"after find-stops the axis is {state_name(p.state())}")
        ended = p.until(lambda: p.state() == State.FAULTED, 0.5 + 3 * reach / 10_000)
        went = abs(p.position() - place)
        p.check(ended, f"a search without a stop went {went / 1000:g} deg; finding-reach is {reach / 1000:g}")
        if not ended:
            p.must(m.Hold(0))
            p.until_state(State.HOLDING, State.FAULTED)
        else:
            fault = p.status().fault
            p.check(fault == Fault.NO_STOP_FOUND, f"the search ended with fault {fault}")
            p.check(went <= reach + 1500, f"the search went {went / 1000:g} deg; finding-reach is {reach / 1000:g}")
            p.must(m.ClearFault(0))
            p.must(m.Hold(0))


@check("FIND-03", FIND, "`find-stops` touches both stops with reduced speed and torque, backs off, calls the lower "
    "end 0, and "
       "ends holding, calibrated.", "The back-off, the speed or the torque of the search is another one.",
       level=Level.STOPS)  # fmt: skip
def find(p: Probe) -> None:
    before = [p.get(name) for name in ("travel-min", "travel-max")]
    known = p.flag(Flag.CALIBRATED)
    p.take()
    for name in ("travel-min", "travel-max"):
        p.remember(name)
    speed, backoff = p.get("finding-speed"), p.get("finding-backoff")
    torque = p.get("torque-finding")
    p.check(torque <= p.get("torque-moving"), "the torque for finding is above that for moving", 2)
    p.must(m.FindStops(0))
    fastest, lowest, highest, loads = 0, 1 << 31, -(1 << 31), 0
    end = p.now() + LONGEST_S
    while p.state() == State.FINDING and p.now() < end:
        motion_now = p.must(m.Poll(0, POLL["motion"]))
        fastest = max(fastest, abs(motion_now.velocity))
        lowest, highest = min(lowest, motion_now.position), max(highest, motion_now.position)
        loads = max(loads, p.must(m.Poll(0, POLL["drive"])).load)
        p.hear(0.02)
    status = p.status()
    if not p.check(status.state == State.HOLDING, f"the search ended {state_name(status.state)}, fault {status.fault}"):
        return
    p.check(bool(status.flags >> Flag.CALIBRATED & 1), "after the search the travel is not known")
    low, high = p.get("travel-min"), p.get("travel-max")
    p.check(low == 0, f"after the search the lower end is {low}; it is 0 by rule")
    span = highest - lowest
    short = span - (high - low)
    p.check(abs(short - 2 * backoff) <= 400 + backoff // 2, f"the ring went over {span} mdeg and the travel is "
            f"{high - low}; twice the back-off is {2 * backoff}")  # fmt: skip
    p.check(fastest <= 1.25 * speed + 2000, f"the search reached {fastest / 1000:g} deg/s; finding-speed is "
        f"{speed / 1000:g}")
    p.check(loads <= 130, f"in the search the load reached {loads} % of the limit for finding")
    if known:  # back to the numbers of before
        at = p.position()
        for name, value in zip(("travel-min", "travel-max"), before, strict=True):
            p.set(name, value)
        p.must(m.SetReference(0, max(before[0], min(before[1], at + before[0]))))
    p.give()
