"""A cheap drive and a small bus client for tests of the simulated firmware."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from ringlet.hwsim.axis import Axis
from ringlet.hwsim.drive import DriveReading
from ringlet.hwsim.node import Node
from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, kind_of, pack, packet, unpack
from ringlet.protocol.codes import Refusal
from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import State


class IdealDrive:
    """Where the real one has physics, this ring is at its setpoint at once, unless a stop or a block holds it."""

    def __init__(self, like: Any) -> None:
        self.settings, self.supply = like.settings, like.supply
        self.ring_mdeg = self.zero_mdeg = 0.0
        self.stops_mdeg: tuple[float, float] | None = None
        self.blocked = False
        self.encoder_ok = True
        self.winding_c = self.case_c = 20.0
        self.asked: list[tuple[bool, float, float]] = []
        """driven, setpoint, torque limit of each tick"""
        self.faults = SimpleNamespace(ambient_c=20.0, counts_lost=0.0)
        self.truth = SimpleNamespace(ring_deg=0.0, rotor_deg=0.0, winding_c=20.0, case_c=20.0, current_a=1.0)

    def power_cycle(self) -> None:
        self.zero_mdeg = self.ring_mdeg
        self.encoder_ok = True

    def turn_by_hand(self, ring_deg: float) -> None:
        self.ring_mdeg += 1000.0 * ring_deg

    def tick(self, enabled: bool, position: float, velocity: float, acceleration: float, torque: float) -> DriveReading:
        before, limited = self.ring_mdeg, False
        self.asked.append((enabled, position, torque))
        if enabled:
            wanted = position + self.zero_mdeg
            free = before if self.blocked else wanted
            low, high = self.stops_mdeg or (free, free)
            self.ring_mdeg = min(max(free, low), high)
            limited = abs(self.ring_mdeg - wanted) > 1.0
        return DriveReading(
            self.ring_mdeg - self.zero_mdeg, 1000.0 * (self.ring_mdeg - before), 0.0, 0.0, self.winding_c, self.case_c,
            1000.0 * self.supply.bus_v, self.encoder_ok, limited, 0.0, 0.0,
        )  # fmt: skip


class Bench:
    """A rig with a control on its bus. Requests return the reply's body; all that was heard is kept."""

    def __init__(self, rig: RigFile | str = "single", *, ideal: bool = True, **options: Any) -> None:
        self.rig = SimRig(load_rig(rig) if isinstance(rig, str) else rig, **options)
        if ideal:
            for axis in self.axes:
                drive: Any = IdealDrive(axis.drive)
                axis.drive, axis.own_settings = drive, drive.settings
                axis.start()
        self.heard: list[Packet] = []
        self.tag = 0

    @property
    def node(self) -> Node:
        return self.rig.nodes[0]

    @property
    def axes(self) -> list[Axis]:
        return [axis for node in self.rig.nodes for axis in node.axes]

    @property
    def axis(self) -> Axis:
        return self.axes[0]

    @property
    def drive(self) -> Any:
        return self.axis.drive

    def step(self, ms: int = 1, *, keep: int = 0) -> list[Packet]:
        """Advance; `keep` is the control that sends keep-alives. Returns what was said."""
        said: list[Packet] = []
        for count in range(ms):
            if keep and count % 40 == 0:
                self.cast(m.KeepAlive(0), src=keep)
            said += [unpack(*frame) for frame in self.rig.step()]
        self.heard += said
        return said

    def cast(self, body: Any, axis: int = ALL_AXES, *, src: int = 1, node: int = EVERYONE) -> None:
        """Send without waiting."""
        self.rig.send(*pack(packet(body, dst=node, src=src, axis=axis)))

    def ask(
        self, body: Any, axis: int | None = 0, *, src: int = 1, node: int | None = None, tag: int | None = None
    ) -> Any:
        """Send a request to an axis (None: to the node) and return the body of the answer, or None for silence."""
        if tag is None:
            self.tag = self.tag + 1 & 0xFF
        number = ALL_AXES if axis is None else axis
        body = body._replace(tag=self.tag if tag is None else tag)
        self.cast(body, number, src=src, node=self.node.address if node is None else node)
        for _ in range(3):
            for said in self.step():
                if said.dst == src and said.body.tag == body.tag and said.axis == number:
                    return said.body
        return None

    def do(self, body: Any, axis: int | None = 0, *, src: int = 1, node: int | None = None) -> None:
        """A request that must be done."""
        answer = self.ask(body, axis, src=src, node=node)
        assert isinstance(answer, m.Done), (body, answer)

    def no(self, body: Any, axis: int | None = 0, *, src: int = 1, node: int | None = None) -> tuple[Refusal, int]:
        """A request that must be refused: why, and the item."""
        answer = self.ask(body, axis, src=src, node=node)
        assert isinstance(answer, m.Refused), (body, answer)
        assert answer.of == kind_of(body).code
        return Refusal(answer.code), answer.item

    def set(self, name: str, value: int, axis: int | None = 0) -> None:
        answer = self.ask(m.Set(0, BY_NAME[name].id, value), axis)
        assert answer == m.Parameter(self.tag, BY_NAME[name].id, value), answer

    def get(self, name: str, axis: int | None = 0) -> int:
        return int(self.ask(m.Get(0, BY_NAME[name].id), axis).value)

    def status(self, axis: int = 0, *, node: int | None = None) -> m.Status:
        answer = self.ask(m.GetStatus(0), axis, src=9, node=node)
        assert isinstance(answer, m.Status)
        return answer

    def calibrate(self, travel_deg: float = 100.0, axis: int = 0, *, src: int = 1) -> None:
        """Take an axis of an ideal rig and set its travel by hand to 0..travel; the ring then stands in the middle."""
        drive: Any = self.axes[axis].drive
        self.do(m.Take(0, 0), axis, src=src)
        self.do(m.SetTravel(0, 0), axis, src=src)
        drive.turn_by_hand(travel_deg)
        self.step()
        self.do(m.SetTravel(0, 1), axis, src=src)
        drive.turn_by_hand(-travel_deg / 2)
        self.step()

    def until(self, state: State, ms: int = 5000, *, keep: int = 1, axis: int = 0) -> int:
        """Step until an axis is in this state; returns the milliseconds."""
        for count in range(ms):
            if self.axes[axis].state is state:
                return count
            self.step(keep=keep if count % 40 == 0 else 0)
        raise AssertionError(f"still {self.axes[axis].state.name} after {ms} ms")
