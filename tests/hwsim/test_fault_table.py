"""Each fault of the table is injected into a rig on a CAN bus, with every tick of every ramp watched."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator

import pytest
from fault_table import FAULTS_TABLE, TESTS
from ramp_guard import RampGuard, guarded

from ringlet.hwsim import loops
from ringlet.hwsim.can_bus import BUS_OFF, CanBus
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of, pack, packet
from ringlet.protocol.codes import Fault, Refusal
from ringlet.protocol.states import State
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import CheckFailed, DeviceRefused, NoAnswer
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

NODE = 1
"""Station of the first node; 0 is that of the controls."""


class Scene:
    """A matched pair on a 500 kbit/s bus; its first focus ring turns at 10 deg/s between 40 and 160 deg."""

    def __init__(self, guard: RampGuard) -> None:
        self.guard = guard
        self.bus = CanBus(500_000)
        self.rig = SimRig(load_rig("pair"), bus=self.bus)
        transport = SimTransport(self.rig)
        self.link = Link.over(transport, transport.clock, notice=lambda text: None)
        self.axis = self.rig.nodes[0].axes[0]
        self.focus = self.ready(self.link.axis(16, 0))
        self.focus.set("stall-time", 0.5)
        self.focus.save()
        self.focus.run(10.0)
        self.link.wait(0.3)
        assert self.axis.state is State.RUNNING
        assert self.axis.ramp.velocity == pytest.approx(10_000, abs=1)
        guard.ticks = guard.cuts = 0

    def ready(self, handle: AxisHandle) -> AxisHandle:
        handle.take()
        self.link.request(m.SetReference(0, 100_000), node=handle.node, axis=handle.axis)
        handle.set("travel-min", 40.0)
        handle.set("travel-max", 160.0)
        return handle

    def silence(self, ms: int) -> None:
        """Time without a control."""
        for _ in range(ms):
            self.rig.step()

    def until(self, state: State, ms: int = 3000) -> None:
        for _ in range(ms):
            if self.axis.state is state:
                return
            self.rig.step()
        raise AssertionError(f"still {self.axis.state.name}")

    def lost_its_owner(self) -> None:
        """Ramped down inside its limits, holds, is free; what was acknowledged is still there."""
        assert self.axis.state is State.HOLDING
        assert self.axis.owner == 0
        assert self.axis.ramp.velocity == 0.0
        assert self.guard.cuts == 0
        self.kept()

    def kept(self) -> None:
        """The setting that was saved before is in force, and in memory."""
        assert self.axis.settings["stall-time"] == 500
        assert self.axis.store.load()[0]["parameters"]["stall-time"] == 500  # type: ignore[index]

    def rogue(self, ident: int) -> Callable[[int], None]:
        """A station that keeps the bus full of its own frames for some milliseconds."""
        station = self.bus.attach("rogue")

        def flood(ms: int) -> None:
            for _ in range(ms):
                while self.bus.stations[station].waiting < 40:  # they take over 10 ms
                    self.bus.send(station, ident, b"\xff" * 8, self.rig.now_us)
                self.rig.step()

        return flood


@pytest.fixture
def scene() -> Iterator[Scene]:
    with guarded() as guard:
        scene = Scene(guard)
        yield scene
        assert guard.broken == []
        assert guard.ticks > 0


def test_each_row_names_tests_that_exist() -> None:
    wanted = (
        "cable pulled and back", "tool killed while moving", "node reset while moving", "node reset while saving",
        "supply dip", "encoder lost", "motor stalled", "hot winding", "bus-off", "stuck sender that floods",
        "clock drift", "duplicated addresses", "another tool on the bus", "full disk while recording",
        "adapter removed",
    )  # fmt: skip
    assert tuple(row.name for row in FAULTS_TABLE) == wanted
    named = {name for row in FAULTS_TABLE for name in row.tests}
    for name in named:
        file, _, function = name.partition("::")
        tree = ast.parse((TESTS / file).read_text("utf-8"))
        assert function in {one.name for one in tree.body if isinstance(one, ast.FunctionDef)}, name
    assert all(row.tests and row.promised and row.injected and row.stands for row in FAULTS_TABLE)


def test_cable_pulled_and_back(scene: Scene) -> None:
    scene.bus.plug(NODE, False)
    with pytest.raises(NoAnswer, match="not answered by node 16"):
        scene.focus.status()
    scene.link.wait(1.5)
    scene.lost_its_owner()
    scene.bus.plug(NODE)
    assert State(scene.focus.status().state) is State.HOLDING
    with pytest.raises(DeviceRefused) as told:
        scene.focus.run(10.0)
    assert told.value.code == Refusal.NOT_OWNER
    assert scene.focus.get("stall-time") == 0.5
    scene.focus.take()
    scene.focus.move(100.0)


def test_tool_killed_while_moving(scene: Scene) -> None:
    left = scene.axis.owner_left
    assert 600 < left <= 1000  # the last keep-alive may be a third of the time-out old
    scene.silence(left - 1)
    assert scene.axis.state is State.RUNNING
    scene.silence(1)
    assert scene.axis.state is State.STOPPING
    assert scene.axis.owner == 0
    scene.until(State.HOLDING)
    scene.lost_its_owner()
    other = scene.link.beside(source=2)
    other.axis(16, 0).take()
    other.axis(16, 0).move(100.0)


def test_node_reset_while_moving(scene: Scene) -> None:
    ticks = 0
    step = scene.rig.step

    def resets() -> list[tuple[int, bytes]]:
        nonlocal ticks
        ticks += 1
        if ticks == 300:
            scene.rig.power_cycle(0)
        return step()

    scene.rig.step = resets  # type: ignore[method-assign]
    with pytest.raises(CheckFailed, match="came to rest before its target"):
        scene.focus.move(150.0, speed=20.0)
    assert scene.axis.state is State.RELEASED
    assert scene.axis.owner == 0
    assert not scene.axis.calibrated
    assert scene.rig.nodes[1].axes[0].state is State.RELEASED  # the other node noticed nothing
    scene.kept()
    with pytest.raises(DeviceRefused):
        scene.focus.move(100.0)


@pytest.mark.parametrize("offset", [0, 1, 11, 12, 40, 100_000])
def test_node_reset_while_saving(scene: Scene, offset: int) -> None:
    scene.focus.set("stall-time", 0.9)
    scene.axis.store.pages.cut_after = offset  # type: ignore[attr-defined]
    with pytest.raises(NoAnswer, match="save was not answered by node 16, which restarted"):
        scene.focus.save()
    scene.link.wait(0.2)
    assert scene.focus.get("stall-time") == (0.9 if offset == 100_000 else 0.5)
    assert scene.axis.latched == set()
    assert scene.axis.state is State.RELEASED


def test_supply_dip(scene: Scene) -> None:
    supply = scene.axis.drive.supply
    supply.volts = 7.5
    scene.link.wait(0.02)
    supply.volts = 24.0
    assert scene.axis.state is State.STOPPING
    with pytest.raises(CheckFailed, match="has a fault, supply-low"):
        scene.focus.rest()
    assert scene.guard.cuts == 0
    scene.kept()
    _mended(scene)
    scene.focus.move(100.0)


def test_encoder_lost(scene: Scene) -> None:
    scene.axis.drive.faults.encoder_dead = True
    with pytest.raises(CheckFailed, match=r"has a fault, (encoder|following|stall)"):
        scene.focus.rest()
    if Fault.ENCODER in scene.axis.latched:
        assert not scene.axis.calibrated
    _let_go(scene)


def test_motor_stalled(scene: Scene) -> None:
    scene.axis.drive.faults.ring_blocked = True
    with pytest.raises(CheckFailed, match=r"has a fault, (stall|following)"):
        scene.focus.rest()
    _let_go(scene)
    scene.axis.drive.faults.ring_blocked = False
    _mended(scene)
    scene.focus.move(100.0)


def test_hot_winding(scene: Scene) -> None:
    scene.axis.drive._s[loops.S_TWEST] = 125.0
    scene.link.wait(0.005)
    assert scene.axis.state is State.STOPPING
    with pytest.raises(CheckFailed, match="has a fault, winding-hot"):
        scene.focus.rest()
    assert scene.guard.cuts == 0
    with pytest.raises(DeviceRefused) as told:
        scene.link.request(m.ClearFault(0), node=16, axis=0)
    assert told.value.code == Refusal.FAULTED
    scene.axis.drive._s[loops.S_TWEST] = 60.0
    scene.link.wait(0.01)
    _mended(scene)


def test_bus_off_once(scene: Scene) -> None:
    _bus_off(scene)
    assert scene.bus.stations[NODE].off
    scene.link.wait(2.0)
    assert not scene.bus.stations[NODE].off
    assert scene.axis.state is State.RUNNING  # nothing was missed that matters
    assert scene.axis.owner == 1
    assert scene.focus.status().owner == 1


def test_bus_off_for_good(scene: Scene) -> None:
    for _ in range(1500):
        if not scene.bus.stations[NODE].off:
            _bus_off(scene)
        scene.link.wait(0.001)
    scene.until(State.HOLDING)
    scene.lost_its_owner()
    scene.link.wait(0.1)
    assert scene.focus.status().owner == 0


def test_stuck_sender_that_floods(scene: Scene) -> None:
    flood = scene.rogue(0x000000FF)
    flood(50)
    scene.link.stop()  # it waits behind the flood
    flood(5)
    assert scene.axis.state is State.RUNNING
    flood(1500)
    scene.lost_its_owner()
    before = scene.link.transport.heard
    scene.link.wait(0.05)
    assert scene.link.transport.heard > before
    assert scene.link.losses["unknown-kind"] > 30
    assert scene.focus.status().owner == 0
    scene.focus.take()
    scene.focus.move(100.0)


def test_a_flood_of_low_priority_does_no_harm(scene: Scene) -> None:
    flood = scene.rogue(0x1FFFFFFF)
    for _ in range(30):
        scene.link.send(m.KeepAlive(0))
        flood(50)
    assert scene.axis.state is State.RUNNING
    scene.link.stop()
    flood(5)
    assert scene.axis.state is State.STOPPING
    assert scene.bus.stations[0].dropped == 0


def test_clock_drift(scene: Scene) -> None:
    scene.focus.run(-2.0)
    node = scene.rig.nodes[0]
    for count in range(200):
        scene.link.wait(0.02)
        assert node.tick() == []  # one millisecond more than passes for everyone else: 5 %
        assert scene.axis.owner == 1, count
    assert scene.axis.state is State.RUNNING
    assert node.now_us - scene.rig.now_us >= 200_000


def test_another_tool_on_the_bus(scene: Scene) -> None:
    other = scene.link.beside(source=2)
    hand = other.axis(16, 0)
    with pytest.raises(DeviceRefused, match="control 1 owns it"):
        hand.take()
    with pytest.raises(DeviceRefused, match="control 1 owns it"):
        hand.run(-10.0)
    assert scene.axis.state is State.RUNNING
    hand.stop()
    assert scene.axis.state is State.STOPPING
    assert scene.axis.owner == 1
    scene.until(State.HOLDING)
    scene.focus.run(-10.0)
    scene.link.wait(0.3)
    hand.take(force=True)
    assert scene.axis.state is State.STOPPING
    assert scene.axis.owner == 2
    scene.link.wait(0.05)
    assert (16, 0) not in scene.link.owned  # it was told
    with pytest.raises(DeviceRefused, match="control 2 owns it"):
        scene.focus.run(10.0)
    other.wait(0.5)
    hand.run(10.0)
    other.wait(0.2)
    assert scene.axis.ramp.velocity > 0
    assert scene.guard.cuts == 0


# --- small things ----------------------------------------------------------------------------------------------------


def _bus_off(scene: Scene) -> None:
    while scene.bus.stations[NODE].tec < BUS_OFF:
        scene.bus._blame(NODE)


def _let_go(scene: Scene) -> None:
    """A fault after which the drive is off at once."""
    assert scene.axis.state is State.FAULTED
    assert scene.axis.ramp.velocity == 0.0
    assert scene.guard.cuts == 1
    assert scene.axis.torque_limit() == 0.0
    scene.kept()


def _mended(scene: Scene) -> None:
    scene.link.wait(0.05)
    scene.link.request(m.ClearFault(0), node=16, axis=0)
    assert scene.axis.latched == set()
    scene.focus.take()


def test_the_guard_sees_what_it_should(scene: Scene) -> None:
    """A ramp that brakes too hard, and one that leaves its travel."""
    assert scene.guard.broken == []
    ramp = scene.axis.ramp
    at = (ramp.position, ramp.velocity, ramp.acceleration)
    tight = ramp.limits_in_force._replace(jerk=1.0)
    scene.guard.look(ramp, (at[0] - 10.0, at[1], -500.0), tight, True)
    assert "jerk" in scene.guard.broken.pop()
    ramp.travel = (200_000.0, 300_000.0)
    scene.guard.look(ramp, at, ramp.limits_in_force, True)
    assert "travel" in scene.guard.broken.pop()
    scene.focus.stop()


def test_the_packets_of_the_floods_are_what_they_claim() -> None:
    stop = pack(packet(m.Stop(0), dst=127, src=1))[0]
    assert 0x000000FF < stop < 0x1FFFFFFF
    assert kind_of(m.Stop(0)).priority == 0
