"""A rig with several controls, faults and time, and what must hold in every millisecond. Used short and long.

Controls 1, 2 and 3 send what they like to both axes of a node of the pair; nothing here knows how the firmware works.
The model keeps, from the answers alone, who owns each axis.
"""

from __future__ import annotations

import random
from typing import Any

from helpers import Bench
from ramp_guard import RampGuard

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Fault
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import State

CONTROLS = (1, 2, 3)
AXES = (0, 1)
TRAVEL_DEG = 100.0
LIMITS = {
    "velocity-limit": (2_000, 400_000), "acceleration-limit": (50_000, 4_000_000),
    "deceleration-limit": (50_000, 4_000_000), "jerk-limit": (2_000, 200_000),
}  # fmt: skip
STOP_MS = 60_000
"""No stop with these limits takes longer: 400 deg/s at 50 deg/s^2 is 8 s, and jerk ramps."""
DRIVEN = frozenset({State.MOVING, State.RUNNING, State.FOLLOWING})


class RigMachine:
    """Actions for a random program. Each checks what it must; `check` holds after each millisecond."""

    def __init__(self, guard: RampGuard) -> None:
        self.guard = guard
        self.steps = 0
        self.counts: dict[str, int] = {}
        self.bench = Bench("pair")
        self.node = self.bench.rig.nodes[0]
        self.owners = dict.fromkeys(AXES, 0)
        """who owns each axis, from what was said"""
        self.stopped = dict.fromkeys(AXES, -1)
        """milliseconds since a stop after which nothing was commanded; -1 for none"""
        for axis in AXES:
            self.place(axis)

    def place(self, axis: int) -> None:
        """Give an axis its travel again, by a control that takes it for that and gives it up."""
        drive: Any = self.node.axes[axis].drive
        self.bench.ask(m.Stop(0), axis, src=4)
        self.pass_time(STOP_MS, until_rest=axis)
        drive.encoder_ok, drive.blocked, drive.winding_c = True, False, 20.0
        drive.supply.volts = drive.supply.bus_v = 24.0
        self.pass_time(2)
        self.bench.ask(m.ClearFault(0), axis, src=4)
        self.ask(m.Take(0, 1), axis, 4)
        self.pass_time(STOP_MS, until_rest=axis)
        for body in (
            m.Hold(0), m.SetReference(0, 50_000), m.Set(0, BY_NAME["travel-min"].id, 0),
            m.Set(0, BY_NAME["travel-max"].id, round(1000 * TRAVEL_DEG)),
        ):  # fmt: skip
            answer = self.ask(body, axis, 4)
            assert not isinstance(answer, m.Refused | None), (body, answer)
        self.ask(m.Yield(0), axis, 4)

    # --- time ----------------------------------------------------------------------------------------------------

    def pass_time(self, ms: int, *, until_rest: int | None = None) -> None:
        for _ in range(ms):
            if until_rest is not None and self.node.axes[until_rest].ramp.at_rest:
                return
            self.note(self.bench.step())
            self.check()
        assert until_rest is None, f"axis {until_rest} does not come to rest"

    def note(self, said: list[Packet]) -> None:
        """What nodes say unasked changes what is known of ownership."""
        self.steps += 1
        self.bench.heard.clear()
        for one in said:
            if isinstance(one.body, m.Owner) and one.src == self.node.address and one.axis in AXES:
                assert self.owners[one.axis] == one.dst, "an owner was told of a loss that had nothing to lose"
                self.owners[one.axis] = one.body.owner

    def check(self) -> None:
        assert self.guard.broken == []
        for number in AXES:
            axis = self.node.axes[number]
            if axis.owner == 0 and self.owners[number]:
                self.owners[number] = 0  # its time-out, or a restart: the message may not have been heard
            assert axis.owner in (0, self.owners[number]), "somebody owns an axis who was never granted it"
            if self.stopped[number] >= 0:
                self.stopped[number] += 1
                assert axis.state not in DRIVEN, f"{axis.state.name} after a stop"
                assert self.stopped[number] < STOP_MS or axis.ramp.at_rest

    # --- what controls do ----------------------------------------------------------------------------------------

    def ask(self, body: Any, axis: int, source: int) -> Any:
        """A request; what its answer means for ownership is held against what was known."""
        self.count(type(body).__name__)
        before = self.owners[axis]
        if isinstance(body, m.Move | m.MoveTravel | m.Run | m.Hold | m.FindStops | m.StreamRing | m.Sync | m.Take):
            self.stopped[axis] = -1
        self.bench.tag = self.bench.tag + 1 & 0xFF
        body = body._replace(tag=self.bench.tag)
        self.bench.cast(body, axis, src=source, node=self.node.address)
        answer = None
        for _ in range(2):
            said = self.bench.step()
            for one in said:
                mine = (one.src, one.dst, one.axis) == (self.node.address, source, axis)
                if mine and one.body.tag == body.tag and not isinstance(one.body, m.Owner):
                    answer = one.body
            if answer is not None and isinstance(body, m.Take) and isinstance(answer, m.Done):
                if not body.force:
                    assert before in (0, source), "taken without force from another control"
                said = [one for one in said if not (isinstance(one.body, m.Owner) and one.axis == axis)]
                self.owners[axis] = source
            if answer is not None and isinstance(body, m.Yield) and isinstance(answer, m.Done):
                self.owners[axis] = 0
            self.note(said)
            self.check()
            if answer is not None:
                break
        if isinstance(answer, m.Done) and isinstance(body, m.Move | m.Run | m.Hold | m.FindStops | m.Release):
            assert before == source, "done for a control that does not own the axis"
        return answer

    def stop(self, axis: int, source: int, everyone: bool) -> None:
        """Anyone's stop: from its arrival on nothing moves but the ramp down, until somebody commands anew."""
        self.count("Stop")
        if everyone:
            self.bench.cast(m.Stop(self.steps & 0xFF), src=source)
        else:
            self.bench.cast(m.Stop(self.steps & 0xFF), axis, src=source, node=self.node.address)
        self.note(self.bench.step())
        for number in AXES if everyone else (axis,):
            self.stopped[number] = 0
        self.check()

    def keep_alive(self, source: int) -> None:
        self.bench.cast(m.KeepAlive(0), src=source)

    def stream(self, axis: int, source: int, position: int) -> None:
        self.count("StreamRing")
        self.stopped[axis] = -1
        self.bench.cast(m.StreamRing(self.steps & 0xFF, position), axis, src=source, node=self.node.address)

    # --- what befalls the rig ------------------------------------------------------------------------------------

    def fault(self, axis: int, which: str) -> None:
        self.count(which)
        drive: Any = self.node.axes[axis].drive
        match which:
            case "encoder lost":
                drive.encoder_ok = False
            case "stalled":
                drive.blocked = True
            case "hot":
                drive.winding_c = 130.0
            case "supply dip":
                drive.supply.volts = drive.supply.bus_v = 7.0
            case "reset":
                self.bench.rig.power_cycle(0)
                self.owners = dict.fromkeys(AXES, 0)
                self.stopped = dict.fromkeys(AXES, -1)
            case "twin":
                self.node.axes[axis].latch(Fault.ADDRESS_TAKEN)

    def count(self, what: str) -> None:
        self.counts[what] = self.counts.get(what, 0) + 1


FAULT_NAMES = ("encoder lost", "stalled", "hot", "supply dip", "reset", "twin")


def random_action(machine: RigMachine, rng: random.Random) -> None:
    """One action of the long form, drawn as the rules of the short one are."""
    axis, source = rng.choice(AXES), rng.choice(CONTROLS)
    owner = machine.owners[axis]
    who = owner if owner and rng.random() < 0.7 else source
    choice = rng.random()
    target = rng.randrange(-20_000, 120_000)
    if choice < 0.15:
        machine.ask(m.Take(0, int(rng.random() < 0.4)), axis, source)
    elif choice < 0.35:
        machine.ask(m.Move(0, target, rng.choice((0, rng.randrange(1, 300_000)))), axis, who)
    elif choice < 0.45:
        machine.ask(m.Run(0, rng.randrange(-400_000, 400_000)), axis, who)
    elif choice < 0.52:
        machine.stream(axis, who, target)
    elif choice < 0.60:
        machine.stop(axis, rng.choice((*CONTROLS, 9)), rng.random() < 0.5)
    elif choice < 0.66:
        machine.ask(rng.choice((m.Hold(0), m.Release(0), m.Yield(0), m.FindStops(0))), axis, who)
    elif choice < 0.76:
        name = rng.choice(sorted(LIMITS))
        machine.ask(m.Set(0, BY_NAME[name].id, rng.randint(*LIMITS[name])), axis, who)
    elif choice < 0.90:
        for one in CONTROLS:
            machine.keep_alive(one)
    elif choice < 0.92:
        machine.fault(axis, rng.choice(FAULT_NAMES))
    elif choice < 0.95:
        machine.place(axis)
    machine.pass_time(int(1.0 + rng.expovariate(1 / 40.0)))
