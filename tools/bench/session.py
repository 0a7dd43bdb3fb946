"""What every bench procedure shares: driving one axis safely, recording it, and leaving its settings as they were.

Time comes from the link's clock only, so that the same procedures run on simulated rigs in virtual time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from ringlet.hwsim.cardfile import MotorCard
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Flag
from ringlet.protocol.states import STATES, State
from ringlet.tools import cli_common as common
from ringlet.tools.axis_handle import AxisHandle, counts
from ringlet.tools.bench.friction import torque_scale
from ringlet.tools.bench.ramp import MotionLimits
from ringlet.tools.bench.result import Array, Columns
from ringlet.tools.errors import CheckFailed, DeviceRefused, RingletError, UsageProblem, fault_text
from ringlet.tools.heed import Heed
from ringlet.tools.link import Link
from ringlet.tools.takes.live import affordable

if TYPE_CHECKING:
    from ringlet.tools.lens.curve import MarkCurve

Script = Iterator[None]
"""What happens during a recording: it runs on at each look, and gives way with `yield`."""
LOOK_S: Final = 0.02
LONGEST_S: Final = 3600.0
"""No procedure goes on longer without an end of its own."""
REST_S: Final = 60.0
"""A motion may take this, and twice what its way takes at its speed."""
LEAST_SAMPLES: Final = 8


@dataclass(frozen=True)
class Acceptance:
    """What still passes. Our own choice for a bench (common practice, no source); change it for the job."""

    ring_velocity_over: float = 0.10
    """share by which the ring may pass the velocity limit, for the loop's overshoot"""
    duration_over_s: float = 0.010
    end_error_deg: float = 0.10
    past_travel_deg: float = 0.05
    overshoot: float = 0.10
    following_deg: float = 1.0
    reversal_deg: float = 0.50
    repeatability_deg: float = 0.60
    scale_share: float = 0.003
    """share by which the ring may turn more or less than the node says; one wrong tooth makes more"""
    torque_margin: float = 2.0
    binding: float = 2.0
    """greatest friction over the travel as a multiple of the median"""
    travel_deg: float = 0.30
    """by how much the travel found may differ from run to run, and from the one known before"""
    contact_torque: float = 1.25
    """greatest torque at contact as a multiple of the limit for finding"""
    drift_deg: float = 0.20
    """by how much a home mark may wander in a soak"""
    lost_share: float = 1e-4
    """lost messages in a soak over all of them"""
    skew_deg: float = 0.50
    """greatest skew of a pair, in degrees of the first ring"""
    skew_s: float = 0.005
    """time by which one of a pair may run behind the other"""


@dataclass(frozen=True)
class Plan:
    """How far the measurements go that have no end of their own, and with what. Defaults are those of `bench all`."""

    soak_s: float = 60.0
    """moving time of a soak, s, over all its sessions"""
    soak_moves: int | None = None
    """number of moves instead of a time"""
    soak_stops: bool = False
    """find the end stops before and after, to see whether the count has slipped"""
    seed: int = 1
    """of the soak's random moves"""
    folder: Path | None = None
    """run folder; the soak keeps its journal here"""
    resume: bool = False
    """go on with the journal in the folder"""
    partner: tuple[int, int] | None = None
    """(node, axis) that makes a pair with the axis under test; None looks for axes of the same role"""
    force: bool = False
    """take the partner even from another control"""
    find: bool = False
    """find the partner's end stops when its travel is not known"""


class Record(NamedTuple):
    """A recording; arrays of one length, times on the node's clock from the first sample."""

    time_s: Array
    setpoint_deg: Array
    position_deg: Array
    velocity_deg_s: Array
    current_a: Array

    def columns(self) -> Columns:
        """As it goes into the data files."""
        return dict(self._asdict())

    @property
    def interval_s(self) -> float:
        """What lies between two samples, median."""
        return float(np.median(np.diff(self.time_s)))

    def part(self, begin: float, end: float) -> Record:
        """Samples from `begin` to `end` seconds."""
        use = (self.time_s >= begin) & (self.time_s <= end)
        return Record(*(column[use] for column in self))


@dataclass
class Bench:
    """One axis under test. Built by `on_bench`."""

    link: Link
    handle: AxisHandle
    acceptance: Acceptance = field(default_factory=Acceptance)
    motor: MotorCard | None = None
    rate: float = 1000.0
    """samples a second of a recording, where the bus carries them"""
    plan: Plan = field(default_factory=Plan)
    curve: MarkCurve | None = None
    """the lens's own marks, in place of those that the node holds"""
    lowered_torque: float | None = None
    """what a person lowered the torque limit for motion to, N.m"""
    trouble: str | None = None
    """why the device did not go on, one sentence; cleared by `fresh`"""
    heed: Heed = field(init=False)
    """a stop of another control ends the measurement, and the run"""
    _before: dict[str, Any] = field(default_factory=dict)
    _lowered: dict[str, Any] = field(default_factory=dict)
    _loads: list[tuple[float, float, float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.heed = Heed(self.handle)

    # --- what is known -----------------------------------------------------------------------------------------

    @property
    def travel(self) -> tuple[float, float]:
        """Travel limits in deg."""
        return float(self.handle.get("travel-min")), float(self.handle.get("travel-max"))

    @property
    def limits(self) -> MotionLimits:
        """Motion limits now in force."""
        names = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")
        return MotionLimits(*(float(self.handle.get(name)) for name in names))

    @property
    def polled(self) -> bool:
        """True on a shared line, where samples are asked for and not streamed."""
        return bool(self.handle.get("shared-line") == "on")

    @property
    def count_deg(self) -> float:
        """One encoder count at the ring, deg."""
        get = self.handle.get
        return 360.0 / float(get("encoder-counts")) * float(get("motor-teeth")) / float(get("ring-teeth"))

    @property
    def tooth_ratio(self) -> float:
        """Ring torque over torque at the motor gear."""
        return float(self.handle.get("ring-teeth")) / float(self.handle.get("motor-teeth"))

    def gauge(self) -> Callable[[], float] | None:
        """Reads the ring itself in deg where something can: on simulated rigs, where the plant stands for a gauge."""
        if self.link.rig is None:
            return None
        board = next(node for node in self.link.rig.nodes if node.address == self.handle.node)
        truth = board.axes[self.handle.axis].drive.truth
        sense = 1.0 if self.handle.get("direction") == "same" else -1.0
        return lambda: sense * truth.ring_deg

    def torque_per_a(self) -> tuple[float, float, str]:
        """(N.m at the motor gear per ampere, relative standard uncertainty, how it is known) from the motor card, or
        from the load that the node reported in the recordings so far. Raises ValueError when neither tells."""
        if self.motor is not None:
            card = self.motor
            scale = 1e-3 * card.torque_constant_mnm_per_a * card.gearhead_ratio * card.gearhead_efficiency
            return scale, 0.0, f"motor card {card.name}, taken as exact"
        table = np.array(self._loads, dtype=np.float64).reshape(-1, 4)
        # At rest another limit is in force; the load counts while the setpoint moves on.
        moving = np.concatenate((np.diff(table[:, 0]) != 0, [False]))[: len(table)]
        scale, share = torque_scale(*table[moving, 1:].T)
        return scale, share, "the node's own load figure against its current"

    # --- settings ----------------------------------------------------------------------------------------------

    def change(self, name: str, value: float) -> None:
        """Change a setting for the measurement; `restore` puts it back."""
        self._before.setdefault(name, self.handle.get(name))
        self.handle.set(name, value)

    def lower_torque(self, torque_nm: float) -> None:
        """Lower the torque limit for motion until the block of `on_bench` ends, through every `restore`."""
        before = self.handle.get("torque-moving")
        if torque_nm < float(before):
            self._lowered["torque-moving"] = before
            self.handle.set("torque-moving", torque_nm)

    def restore(self) -> list[str]:
        """Put every changed setting back; returns those that could not be."""
        return self._put_back(self._before)

    def leave(self) -> list[str]:
        """Put back what was changed and what was lowered; returns those that could not be."""
        return self.restore() + self._put_back(self._lowered)

    def _put_back(self, settings: dict[str, Any]) -> list[str]:
        left = []
        for name, value in settings.items():
            try:
                self.handle.set(name, value)
            except RingletError:
                left.append(f"{name} (was {value})")
        settings.clear()
        return left

    # --- moving ------------------------------------------------------------------------------------------------

    def fresh(self) -> None:
        """Begin a measurement: forget trouble, clear faults whose cause is gone, hold."""
        self.trouble = None
        if self.handle.status().state == State.FAULTED:
            self.link.request(m.ClearFault(0), node=self.handle.node, axis=self.handle.axis)
        self.run(self.halt())

    def pause(self, seconds: float) -> Script:
        """Let time pass."""
        end = self.link.clock.now() + seconds
        while self.link.clock.now() < end:
            yield
        self.heed.look()

    def at_rest(self, timeout: float | None = None, speed: float | None = None) -> Script:
        """Until the axis is at rest; a fault, or no rest in time, becomes `trouble`. By default a slow motion has the
        time that it takes; `speed` is the one that was asked for, deg/s."""
        began, longest = self.link.clock.now(), timeout or REST_S
        while True:
            yield from self.pause(LOOK_S)
            status = self.handle.status()
            state = State(status.state)
            if state is State.FAULTED:
                self.trouble = self.trouble or f"the axis stopped with a fault, {fault_text(status.fault)}"
                return
            if STATES[state].still:
                return
            if self.link.clock.now() > began + longest:
                if timeout is None and longest == REST_S:
                    low, high = self.travel
                    longest += 2.0 * (high - low) / min(speed or math.inf, self.limits.velocity)
                    continue
                self.trouble = self.trouble or f"the axis was not at rest after {longest:.3g} s"
                return

    def halt(self) -> Script:
        """Ramp down, hold, and wait for rest; a fault becomes `trouble`."""
        try:
            self.handle.hold()
        except DeviceRefused as error:
            self.trouble = self.trouble or str(error)
        yield from self.at_rest()

    def go(self, deg: float, speed: float | None = None, settle_s: float = 0.1) -> Script:
        """Move there and rest for a moment. Nothing is done any more once there is trouble."""
        if self.trouble:
            return
        low, high = self.travel
        self.heed.look()
        try:
            self.handle.move(min(high, max(low, deg)), speed, wait=False)
        except DeviceRefused as error:
            self.trouble = str(error)
            return
        yield from self.at_rest(speed=speed)
        yield from self.pause(settle_s)

    def stage(self, deg: float, speed: float) -> None:
        """Keep a move ready until `sync`; a refusal becomes `trouble`."""
        self.heed.look()
        velocity = counts(speed, "speed", "deg/s", lo=1, hi=(1 << 24) - 1)
        try:
            self.link.request(
                m.Stage(0, counts(deg, "position", "deg"), velocity), node=self.handle.node, axis=self.handle.axis
            )
        except DeviceRefused as error:
            self.trouble = self.trouble or str(error)

    def run(self, script: Script) -> None:
        """Carry out a script without recording."""
        self.link.wait_until(lambda: next(script, self) is self, LONGEST_S)

    def record(
        self, script: Script, *, rate: float | None = None, torque: str = "torque-moving", axes: int = 1
    ) -> Record:
        """Carry out a script and record it, as often as the bus carries samples of so many axes. `torque` names the
        torque limit that is in force while it moves. Raises CheckFailed when next to no samples come in."""
        rate = min(rate or self.rate, affordable(self.link, axes))
        limit = float(self.handle.get(torque))

        def hear(heard: Packet, _: float) -> None:
            if heard.src != self.handle.node or heard.axis != self.handle.axis:
                return
            body: m.Drive = heard.body
            self._loads.append((body.setpoint, body.current / 1e3, body.load, limit))

        undo = self.link.subscribe(hear, ("drive",))
        try:
            made = self.handle.record(
                until=lambda: next(script, self) is self, rate=rate, timeout=LONGEST_S
            )
        finally:
            undo()
        if len(made.time_s) < LEAST_SAMPLES and not self.trouble:
            raise CheckFailed(
                f"axis {self.handle.axis} of node {self.handle.node} sent {len(made.time_s)} whole samples of "
                "position, setpoint and time while it was recorded; its telemetry or the line is at fault."
            )
        return Record(*made)

    @property
    def record_began_s(self) -> float:
        """The node's clock at the first sample of the last recording."""
        return self.handle.record_began_s


@contextmanager
def on_bench(
    link: Link, handle: AxisHandle, *, acceptance: Acceptance | None = None, motor: MotorCard | None = None,
    torque_nm: float | None = None, force: bool = False, find: bool = False, plan: Plan | None = None,
    curve: MarkCurve | None = None, caution: str = common.CAUTION,
) -> Iterator[Bench]:  # fmt: skip
    """Own an axis for measurements. However the block ends, the axis ramps down, settings go back, the axis is free.

    Torque limits are the node's own and never raised; `torque_nm` lowers the one for motion. `caution` as in
    `cli_common.driving`. Raises UsageProblem when the travel is not known.
    """
    plan = replace(plan or Plan(), force=force, find=find)
    bench = Bench(
        link, handle, acceptance or Acceptance(), motor, plan=plan, curve=curve, lowered_torque=torque_nm
    )  # fmt: skip
    with bench.heed, common.driving(link, handle, force, caution):
        common.make_ready(link, handle, find)
        if not handle.status().flags >> Flag.CALIBRATED & 1:
            raise UsageProblem(
                f"the travel of axis {handle.axis} of node {handle.node} is not known; add --find, or set it by hand."
            )
        try:
            if torque_nm is not None:
                bench.lower_torque(torque_nm)
            yield bench
        except BaseException:
            link.stop(handle.node, handle.axis)
            with suppress(RingletError):
                handle.rest(10.0)
            raise
        finally:
            left = bench.leave()
            where = f"axis {handle.axis} of node {handle.node}"
            common.note(
                f"Could not be put back on {where}: {', '.join(left)}." if left
                else f"What the bench set on {where} for its measurements is back as it was."
            )  # fmt: skip
