"""Playing a take as motion. Everything is checked before anything moves; however it ends, the axes ramp down."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Flag, names
from ringlet.protocol.header import EVERYONE
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import STATES, State
from ringlet.tools import cli_common as common
from ringlet.tools.axis_handle import MDEG
from ringlet.tools.bench.ramp import MotionLimits
from ringlet.tools.errors import CheckFailed, DeviceRefused, UsageProblem
from ringlet.tools.lens.wiretable import NUMBERS, WireTable
from ringlet.tools.link import Link
from ringlet.tools.places import name_of, place_in
from ringlet.tools.takes.chase import Chase
from ringlet.tools.takes.columns import columns
from ringlet.tools.takes.frames import runs
from ringlet.tools.takes.interrupt import asked_to_end
from ringlet.tools.takes.layout import AxisInfo, Sample
from ringlet.tools.takes.live import Live
from ringlet.tools.takes.plan import Motor, TooFast, Track, make_tracks, too_fast
from ringlet.tools.takes.reader import Take
from ringlet.tools.takes.recorder import RATE, Recorder
from ringlet.tools.takes.survey import id_of
from ringlet.tools.takes.timecodes import text_of
from ringlet.tools.takes.writer import check_new

PERIOD_S: Final = 0.01
"""Between two setpoints of one axis."""
SHARE: Final = 0.3
"""Of the bus that setpoints may fill (common practice, no source)."""
LEAD: Final = 0.75
"""Setpoints are sent for this share of a period ahead: half a period because they stand still for one, and the rest
because at its limits a motor cannot catch up (found by trying on the ramp generator; see test_takes_plan)."""
FASTEST: Final = 10.0
"""Times the speed of the take: then setpoints are 0.1 s of the take apart (our choice). The check says what fits."""
SLOWEST: Final = 0.01
ORDERS: Final = {"velocity": 1, "acceleration": 2, "jerk": 3}
"""What of a take shrinks with its speed, and with which power of it."""
_TRIES: Final = 12
LOOK_HZ: Final = 50.0
ASK_HZ: Final = 4.0
"""Looks a second at each axis on a line where every look is an exchange that setpoints must wait for."""
APPROACH_DEG: Final = 3.0
"""More than the lost motion of usual gears (common practice, no source)."""
SETTLE_S: Final = 0.2
CHASE_WAIT_S: Final = 120.0
GONE: Final = frozenset({"stopping", "released", "faulted", "starting"})
"""States that an axis that plays does not have."""
Mapping = dict[str, tuple[int, int]]
"""axis of the take -> (node, axis) of the rig"""


class Reached(NamedTuple):
    """How near an axis came to the take."""

    setpoint_worst_deg: float
    """largest difference between the motor's setpoint and the take"""
    ring_worst_deg: float
    """largest difference between the ring and the take"""
    looks: int


@dataclass
class Plan:
    """A take that fits a rig, ready to be played."""

    take: Take
    tracks: dict[str, Track]
    motors: dict[str, Motor]
    where: Mapping
    speed: float
    too_fast: list[TooFast] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    """what a person should know before it plays, one sentence each"""

    @property
    def begin_s(self) -> float:
        return next(iter(self.tracks.values())).begin_s

    @property
    def end_s(self) -> float:
        return next(iter(self.tracks.values())).end_s

    @property
    def seconds(self) -> float:
        """How long it plays."""
        return (self.end_s - self.begin_s) / self.speed

    def fitting_speed(self) -> float | None:
        """A speed at which the take fits, in hundredths and near the highest; None where a slower one does not help."""
        speed = self.speed
        for _ in range(_TRIES):
            found = [one for key, track in self.tracks.items() for one in too_fast(track, self.motors[key], speed)]
            if not found:
                return speed
            if any(one.what not in ORDERS for one in found):
                return None
            share = min((one.limit / abs(one.value)) ** (1.0 / ORDERS[one.what]) for one in found)
            speed = min(math.floor(100.0 * speed * share), round(100.0 * speed) - 1) / 100.0
            if speed < SLOWEST:
                return None
        return None

    def place(self, take_s: float) -> str:
        """A time of the take as people look for it: its time address, if it has any, and seconds."""
        for run in runs(self.take.stamps()):
            if run.begin_s <= take_s < run.end_s:
                frame = run.first + int((take_s - run.begin_s) * run.pace + 1e-6)
                return f"{text_of(frame % run.rate.day, run.rate)} ({take_s:.2f} s)"
        return f"{take_s:.2f} s"


def read_mapping(text: str, take: Take) -> Mapping:
    """`16.0,16.1=17.0`: axes of the take, each with the axis of the rig that plays it, the same one if none is named.

    Raises UsageProblem.
    """
    found: Mapping = {}
    for piece in filter(None, (part.strip() for part in text.split(","))) if text else take.axes:
        source, _, target = piece.partition("=")
        if source not in take.axes:
            raise UsageProblem(f"the take has no axis {source!r}; it has: {', '.join(take.axes)}.")
        place = place_in(target or source)
        if place is None:
            raise UsageProblem(f"{piece!r} names no axis of the rig; write NODE.AXIS, as in {source}=17.0.")
        if source in found or place in found.values():
            raise UsageProblem(f"{piece!r} names an axis twice; each axis of the take plays one axis of the rig.")
        found[source] = place
    return found


def make_plan(link: Link, take: Take, where: Mapping, speed: float = 1.0, *, named: bool = False) -> Plan:
    """Check a take against the rig; nothing moves. `named`: the person chose the axes, so boards may differ.

    Raises UsageProblem where take and rig do not match. What is too fast stands in the plan.
    """
    if not 0 < speed <= FASTEST:
        raise UsageProblem(f"the speed is {speed:g}; it must be above 0 and at most {FASTEST:g} times the take.")
    motors = {source: _motor(link, take, source, place, named) for source, place in where.items()}
    held = columns(take)
    for source in where:
        if source not in held:
            raise UsageProblem(f"axis {source} has no samples in the take; leave it out with --axes.")
    polled = {event.axis for event in take.events() if event.what == "polled"}
    tracks = make_tracks({source: held[source] for source in where}, take.axes, polled)
    plan = Plan(take, tracks, motors, where, speed)
    for source, place in where.items():
        if other_marks(link, take.axes[source], place):
            plan.notes.append(
                f"Axis {name_of(place)} holds other marks than axis {source} of the take had: the ring plays in "
                f"degrees, so its {take.axes[source].marks_kind} will be another one."
            )
    plan.too_fast = [one for source, track in tracks.items() for one in too_fast(track, motors[source], speed)]
    return plan


def other_marks(link: Link, info: AxisInfo, place: tuple[int, int]) -> bool:
    """Whether an axis has marks now, and other ones than the axis of the take had; asks for their check value only."""
    if not info.marks or info.marks_kind not in NUMBERS:
        return False
    had = WireTable.just(info.marks_kind, ((at, math.inf if x is None else x) for at, x in info.marks))
    try:
        held: m.Marks = link.request(m.GetMarks(0), node=place[0], axis=place[1])
    except DeviceRefused:  # a board without marks
        return False
    return held.count > 0 and (held.values, held.count, held.check) != (NUMBERS[had.unit], len(had.marks), had.check)


def _motor(link: Link, take: Take, source: str, place: tuple[int, int], named: bool) -> Motor:
    node, axis = place
    info, shown = take.axes[source], f"{node}.{axis}"
    if link.request(m.Identify(0), node=node).axes <= axis:
        raise UsageProblem(f"there is no axis {shown} for axis {source} ({info.role}) of the take; map it with --axes.")
    handle = link.axis(node, axis)
    board, role = id_of(link, node), str(handle.get("role"))
    if not named and board != info.unique_id:
        raise UsageProblem(
            f"axis {source} of the take was on board {info.unique_id} and at address {node} there is board {board}; "
            f"if it shall play there, say so with --axes {source}={shown}."
        )
    if role != info.role:
        raise UsageProblem(
            f"axis {source} of the take turns the {info.role} ring and axis {shown} of the rig the {role} ring; "
            "choose another with --axes."
        )
    status = handle.status()
    state = State(status.state)
    if not status.flags >> Flag.CALIBRATED & 1:
        raise UsageProblem(f"the travel of axis {shown} is not known; run `ringlet find-stops` or `set-travel` for it.")
    if not STATES[state].still or state is State.FAULTED:
        raise UsageProblem(f"axis {shown} is {names('state')[status.state]}; bring it to rest without fault first.")
    limits = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")
    return Motor(
        MotionLimits(*(float(handle.get(name)) for name in limits)),
        float(handle.get("travel-min")), float(handle.get("travel-max")),
    )  # fmt: skip


def replay(
    link: Link, plan: Plan, *, force: bool = False, chase: bool = False, record: Path | None = None,
    say: Callable[[str], None] = lambda text: None, progress: Callable[[float], None] = lambda take_s: None,
) -> dict[str, Reached]:  # fmt: skip
    """Play a plan. With `chase` in step with the time addresses on the bus, otherwise with the clock.

    Raises UsageProblem when the file to record to cannot be made and CheckFailed when it is too fast for the motors
    (nothing has moved then), and when an axis does not go on.
    """
    if plan.too_fast:
        raise CheckFailed(
            f"nothing was moved, because the take is too fast: {plan.too_fast[0].sentence(plan.place)}"
            + (f" (and {len(plan.too_fast) - 1} more)" if len(plan.too_fast) > 1 else "") + "."
        )  # fmt: skip
    if record is not None:
        check_new(record)  # before anything moves
    found = runs(plan.take.stamps())
    if chase and (not found or plan.speed != 1.0):
        raise UsageProblem("following time addresses needs a take that has some, played at speed 1.")
    return _Player(link, plan, Chase(link, found[0]) if chase else None, say, progress).play(force, record)


class _Player:
    def __init__(
        self, link: Link, plan: Plan, chase: Chase | None, say: Callable[[str], None], progress: Callable[[float], None]
    ) -> None:
        self.link, self.plan, self.chase, self.say, self.progress = link, plan, chase, say, progress
        self.handles = {source: link.axis(*place) for source, place in plan.where.items()}
        self.sources = {f"{node}.{axis}": source for source, (node, axis) in plan.where.items()}
        self.period = max(PERIOD_S, link.transport.frame_time * len(self.handles) / SHARE)
        self.lead = LEAD * self.period * plan.speed
        self.began: float | None = None
        """link's clock at the first time of the tracks"""
        self.trouble = ""
        self.worst = {source: [0.0, 0.0, 0.0] for source in self.handles}

    def play(self, force: bool, record: Path | None) -> dict[str, Reached]:
        places = list(self.plan.where.values())
        asked = any(handle.get("shared-line") == "on" for handle in self.handles.values())
        rate = ASK_HZ if asked else LOOK_HZ if record is None else RATE
        undo: list[Callable[[], None]] = []
        try:
            with common.driving(self.link, list(self.handles.values()), force):
                undo.append(self.link.subscribe(self._stopped, ("stop",)))
                self._keep_fed()
                self._approach()
                if record is None:
                    live = Live(self.link, places, rate, self._seen, lambda *told: None)
                    live.start()
                    try:
                        self._stream(live, live.step)
                    finally:
                        for key in live.stop():
                            self.say(f"Telemetry of axis {key} could not be put back as it was.")
                else:
                    with Recorder(self.link, record, places, rate=rate, on_sample=self._seen) as recorder:
                        self._stream(recorder.live, recorder.tick)
        finally:
            for one in undo:
                one()
            if self.chase is not None:
                self.chase.close()
        return {source: Reached(one[0], one[1], int(one[2])) for source, one in self.worst.items()}

    def _stopped(self, heard: Packet, _: float) -> None:
        """Anyone may stop, a second program at our own address too, and the next setpoint must not undo it."""
        concerned = heard.dst in (EVERYONE, *(node for node, _ in self.plan.where.values()))
        if concerned:
            self.trouble = self.trouble or f"control {heard.src} sent a stop"

    def _keep_fed(self) -> None:
        """Setpoints keep an axis alive only as often as they come."""
        shortest = min(float(handle.get("owner-timeout")) for handle in self.handles.values())
        if shortest < 4 * self.period:
            low = float(BY_NAME["owner-timeout"].lo) / 1000
            raise UsageProblem(
                f"an axis loses its owner after {shortest:g} s and this link carries a setpoint every "
                f"{self.period:.3g} s; set owner-timeout to {max(low, 4 * self.period):.2g} s or more."
            )

    def _approach(self) -> None:
        self.say("Going to the first position of the take.")
        for back in (APPROACH_DEG, 0.0):  # always from the same side, so that play and friction are the same each time
            longest = 0.0
            for source, handle in self.handles.items():
                motor = self.plan.motors[source]
                first = self.plan.tracks[source].at(self.plan.begin_s)[0]
                goal = first - back if first - back >= motor.low_deg else first + back
                goal = min(motor.high_deg, max(motor.low_deg, goal))
                longest = max(longest, handle.patience(goal))
                handle.move(goal, wait=False)
            for handle in self.handles.values():
                handle.rest(longest)
        self.link.wait(SETTLE_S)

    def _stream(self, live: Live, step: Callable[[], None]) -> None:
        with asked_to_end() as asked:
            self._follow(live, step, asked)

    def _follow(self, live: Live, step: Callable[[], None], asked: Callable[[], bool]) -> None:
        self._live = live
        link, plan = self.link, self.plan
        if self.chase is not None:
            self._await_address(step, asked)
        else:
            self.began = link.clock.now()
            self.say("Playing.")
        due = link.clock.now()
        while True:
            now = self._take_s()
            self._watch()  # before the next setpoint, which would undo a stop
            for source, handle in self.handles.items():
                aim = plan.tracks[source].aim(now + self.lead, plan.speed, plan.motors[source])
                link.send(m.StreamRing(0, round(MDEG * aim)), node=handle.node, axis=handle.axis)
            if now >= plan.end_s:
                break
            if asked():
                self.say(f"Interrupted at {plan.place(now)} of the take.")
                raise KeyboardInterrupt
            step()
            self.progress(now)
            due = max(due + self.period, link.clock.now())
            link.wait(due - link.clock.now())
        for handle in self.handles.values():
            handle.hold()
        for handle in self.handles.values():
            handle.rest()

    def _await_address(self, step: Callable[[], None], asked: Callable[[], bool]) -> None:
        assert self.chase is not None
        self.say(f"Waiting for the time address {self.plan.place(self.plan.begin_s)}.")
        end = self.link.clock.now() + CHASE_WAIT_S
        while (now := self.chase.take_s()) is None or now < self.plan.begin_s:
            if self.link.clock.now() > end:
                raise CheckFailed(f"waited {CHASE_WAIT_S:g} s for the start of the take, and {self.chase.why_not()}.")
            if asked():
                raise KeyboardInterrupt
            self.link.wait(0.002)
            step()
        if now > self.plan.begin_s + SETTLE_S:
            raise CheckFailed("the time address on the bus is past the start of the take; start it before that.")
        self.chase.following = True
        self.say("Playing in step with the time addresses on the bus.")

    def _take_s(self) -> float:
        """The time of the take now."""
        if self.chase is not None:
            now = self.chase.take_s()
            if now is None:
                raise CheckFailed("the time addresses on the bus went away.")
            return now
        assert self.began is not None
        return self.plan.begin_s + (self.link.clock.now() - self.began) * self.plan.speed

    def _seen(self, key: str, sample: Sample) -> None:
        """A sample of an axis that plays."""
        source = self.sources[key]
        if sample.state in GONE:
            why = f"has the fault {sample.fault}" if sample.fault != "none" else f"is {sample.state}"
            self.trouble = self.trouble or f"axis {key} {why}"
        if self.began is None and (self.chase is None or not self.chase.following):
            return
        behind = self._live.now() - sample.time_s
        with suppress(CheckFailed):
            at = self._take_s() - behind * self.plan.speed
            if self.plan.begin_s <= at <= self.plan.end_s:
                wanted = self.plan.tracks[source].at(at)[0]
                one = self.worst[source]
                one[0] = max(one[0], abs(sample.setpoint_deg - wanted))
                one[1] = max(one[1], abs(sample.ring_deg - wanted))
                one[2] += 1

    def _watch(self) -> None:
        """Stop when an axis does not go on. Samples tell it; Ctrl-C and a broken link come as what they are."""
        if self.trouble:
            raise CheckFailed(f"{self.trouble}: the replay was stopped at {self.plan.place(self._take_s())}.")
        if self.link.owned >= set(self.plan.where.values()):
            return
        raise CheckFailed(f"an axis was taken away: the replay was stopped at {self.plan.place(self._take_s())}.")
