"""The simulated node in Python and the motor core in C side by side, over random traffic: everything must be the same.

Both hear the same frames and get the same readings of one drive, which follows the setpoints of the Python node.
Compared in every tick: frames said (bytes and order), drive on or off, torque limit, and position, velocity and
acceleration of the ramp to the last unit; and every few ticks the whole state of each axis. Readings are whole counts,
as a board has them (`firmware_link.Counts`). Long form:

    python tests/c/fw_lockstep.py --program FOLDER --hours 24 --seed 1
"""

from __future__ import annotations

import argparse
import random
import struct
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from fw_traffic import Traffic

from ringlet.hwsim import firmware_link as fw
from ringlet.hwsim.axis import Axis
from ringlet.hwsim.drive import Drive, Supply, default_settings
from ringlet.hwsim.finding import Phase
from ringlet.hwsim.firmware_node import drive_settings
from ringlet.hwsim.loops import DriveReading
from ringlet.hwsim.node import Node, NodeCard
from ringlet.hwsim.ramp_plan import ONE
from ringlet.hwsim.rigfile import axis_cards, factory_values, load_rig
from ringlet.hwsim.settings import PowerCut, Store
from ringlet.protocol.codec import pack
from ringlet.protocol.header import KIND_MASK, KIND_SHIFT
from ringlet.protocol.wire import KINDS

BATCH = 400
"""Ticks sent to the process before its answers are read; what they hold must fit a pipe (64 KiB)."""
FULL = 40_000
"""Bytes in a batch after which it is sent anyway."""
LOOK_EVERY = 16
"""Ticks between two comparisons of the whole state."""
AFTER = {"hold": 0, "free": 1, "fault": 2}
PHASES = {None: 0, Phase.LOW: 1, Phase.LOW_BACK: 2, Phase.HIGH: 3, Phase.HIGH_BACK: 4}


class Difference(AssertionError):
    """The two nodes differ; the text says in what, in which tick, and after which frames."""


class FollowDrive:
    """A cheap drive: its ring stands at the setpoint at once, unless stops, a block or too little torque hold it."""

    def __init__(self, settings: Any, supply: Supply, rng: random.Random) -> None:
        self.settings, self.supply, self._own, self._rng = settings, supply, settings, rng
        self.ring = rng.uniform(-50_000.0, 50_000.0)
        self.zero = self.ring
        self.stops = (-150_000.0, 150_000.0)
        self.blocked = False
        self.encoder_ok = True
        self.winding = self.case = 25.0
        self.volts = 24.0
        self._last: tuple[Any, DriveReading | None] = (None, None)

    def _scale(self) -> float:
        now, own = self.settings, self._own
        share = (now.motor_teeth / own.motor_teeth) * (own.ring_teeth / now.ring_teeth)
        return now.direction * share * own.encoder_counts / now.encoder_counts

    def power_cycle(self) -> None:
        self.zero = self.ring
        self.encoder_ok = True

    def tick(self, enabled: bool, position: float, velocity: float, acceleration: float, torque: float) -> DriveReading:
        if not enabled:  # a free ring that nobody turns gives the same reading again and again
            key = (self.ring, self.zero, self.settings, self.winding, self.case, self.volts, self.encoder_ok)
            if self._last[0] == key and self._last[1] is not None:
                return self._last[1]
            reading = self._read(self.ring, False, 0.0)
            self._last = key, reading
            return reading
        before = self.ring
        wanted = self.zero + position / self._scale()
        free = before if self.blocked else wanted
        self.ring = min(max(free, self.stops[0]), self.stops[1])
        return self._read(before, abs(self.ring - wanted) > 1.0, torque * self._rng.uniform(-1.1, 1.1))

    def _read(self, before: float, limited: bool, push: float) -> DriveReading:
        scale = self._scale()
        return DriveReading(
            scale * (self.ring - self.zero), 1000.0 * scale * (self.ring - before), 7.0 * push, push, self.winding,
            self.case, 1000.0 * self.volts, self.encoder_ok, limited, 0.0, 0.0,
        )  # fmt: skip

    def trouble(self, rng: random.Random) -> None:
        """Something happens to the motor, or ends."""
        match rng.randrange(8):
            case 0:
                self.ring = min(max(self.ring + rng.gauss(0.0, 20_000.0), self.stops[0]), self.stops[1])
            case 1:
                self.blocked = rng.random() < 0.4
            case 2:
                self.encoder_ok = rng.random() < 0.5
            case 3:
                self.winding = rng.choice((25.0, rng.uniform(20.0, 210.0)))
            case 4:
                self.case = rng.choice((25.0, 25.0, rng.uniform(20.0, 160.0)))
            case 5:
                self.volts = rng.choice((24.0, 24.0, rng.uniform(0.0, 65.0)))
            case 6:
                low = rng.uniform(-200_000.0, 100_000.0)
                self.stops = rng.choice(((-1e12, 1e12), (low, low + rng.uniform(100.0, 300_000.0))))
            case _:
                self.heal()

    def heal(self) -> None:
        """All is well again."""
        self.blocked, self.encoder_ok, self.winding, self.case, self.volts = False, True, 25.0, 25.0, 24.0


class PlantTrouble:
    """The same for the real physics."""

    def __init__(self, drive: Drive) -> None:
        self._drive = drive

    def __call__(self, rng: random.Random) -> None:
        faults, supply = self._drive.faults, self._drive.supply
        match rng.randrange(6):
            case 0:
                faults.ring_blocked = rng.random() < 0.4
            case 1:
                faults.encoder_dead = rng.random() < 0.3
            case 2:
                faults.ambient_c = rng.uniform(-20.0, 60.0)
            case 3:
                supply.volts = rng.choice((24.0, rng.uniform(5.0, 30.0)))
            case 4:
                self._drive.turn_by_hand(rng.gauss(0.0, 5.0))
            case _:
                self.heal()

    def heal(self) -> None:
        """All is well again."""
        faults, supply = self._drive.faults, self._drive.supply
        faults.ring_blocked, faults.encoder_dead, supply.volts, faults.ambient_c = False, False, 24.0, 20.0


class Wire(list[bytes]):
    """What the drive and the pages of one node have told the Python side, for the C side."""


class CountedDrive:
    """A drive whose readings are whole counts and are kept for the other node, as are the setpoints it got."""

    def __init__(self, inner: Any) -> None:
        self.inner = inner
        self._last: DriveReading | None = None
        self._reading = DriveReading(0, 0, 0, 0, 0, 0, 0, True, False, 0, 0)
        self.counts = fw.counts_of(self._reading)
        self.told = b""
        self.asked = b""
        self.axis: Axis | None = None

    @property
    def settings(self) -> Any:
        return self.inner.settings

    @settings.setter
    def settings(self, settings: Any) -> None:
        self.inner.settings = settings

    @property
    def supply(self) -> Any:
        return self.inner.supply

    def power_cycle(self) -> None:
        self.inner.power_cycle()

    def tick(self, enabled: bool, position: float, velocity: float, acceleration: float, torque: float) -> DriveReading:
        axis = self.axis
        limit = round(1000.0 * torque)
        if axis is not None:
            ramp = axis.ramp
            self.asked = fw.OUTPUT.pack(enabled, limit, ramp._p - axis.offset * ONE, ramp._v, ramp._a)
        reading = self.inner.tick(enabled, position, velocity, acceleration, limit / 1000.0)
        if reading is not self._last:
            self._last = reading
            self.counts = fw.counts_of(reading)
            self.told = fw.READING.pack(*self.counts)
            self._reading = self.counts.reading()
        return self._reading


class NeverRests:
    """In place of the simulation's economy, which is no firmware."""

    def holds(self, *_: Any) -> bool:
        return False


class TwinAxis(Axis):
    """An axis that always looks at its drive."""

    def start(self) -> None:
        super().start()
        self._rest = NeverRests()  # type: ignore[assignment]


class TwinPages:
    """Two pages of the Python node; what became of each write is told to the C node too."""

    def __init__(self, wire: Wire) -> None:
        self.pages, self.wire = [b"", b""], wire
        self.failing = False
        self.cut_after: int | None = None

    def read(self, page: int) -> bytes:
        return self.pages[page]

    def write(self, page: int, data: bytes) -> None:
        if self.failing:
            self.wire.append(fw.RESULT.pack(b"A", fw.FAILED, 0))
            raise OSError("no space")
        kept = 0xFFFF if self.cut_after is None else min(self.cut_after, 0xFFFF)
        self.pages[page] = data[:kept]
        if self.cut_after is not None:
            self.cut_after = None
            self.wire.append(fw.RESULT.pack(b"A", fw.CUT, kept))
            raise PowerCut
        self.wire.append(fw.RESULT.pack(b"A", fw.DONE, kept))


class Twins:
    """One Python node and one C node."""

    def __init__(self, program: Path, *, rig: str = "single", seed: int = 0, physics: bool = False) -> None:
        self.rng = random.Random(seed)
        entry = load_rig(rig).nodes[0]
        self.wire = Wire()
        supply = Supply(24.0, 0.15)
        self.drives: list[CountedDrive] = []
        self.troubles: list[Any] = []
        self.heals: list[Any] = []
        axes, factory = [], []
        self.pages = [TwinPages(self.wire) for _ in range(1 + len(entry.axes))]
        for index, one in enumerate(entry.axes):
            motor, lens = axis_cards(one)
            settings = default_settings(motor, lens)
            inner: Any
            if physics:
                inner = Drive(motor, lens, settings, supply, seed + index, compile_kernel=True)
                trouble = PlantTrouble(inner)
                self.troubles.append(trouble)
                self.heals.append(trouble.heal)
            else:
                inner = FollowDrive(settings, supply, random.Random(seed + index))
                self.troubles.append(inner.trouble)
                self.heals.append(inner.heal)
            drive = CountedDrive(inner)
            self.drives.append(drive)
            factory.append(factory_values(one))
            axes.append(TwinAxis(index, drive, factory[-1], Store(self.pages[1 + index])))  # type: ignore[arg-type]
            drive.axis = axes[-1]
            self._keep_readings(drive)
        card = NodeCard(entry.unique_id, entry.maker, entry.model, factory={"address": entry.address})
        self.own = [axis.own_settings for axis in axes]
        self.told = list(self.own)
        self.node = Node(card, axes, Store(self.pages[0]))
        self.pipe = fw.Pipe(program)
        self.pipe.put(fw.config(card, factory))
        start = b"".join(fw.readings([drive.counts]) for drive in self.drives)
        self.pipe.put(fw.AT.pack(b"S", 0) + start)
        self._expect_end([], "power-up")
        self.ticks = 0
        self.frames = 0
        self.states: dict[str, int] = {}
        self.said: Counter[str] = Counter()
        """frames said by kind"""

    def _keep_readings(self, drive: CountedDrive) -> None:
        """At power-up each axis reads once: the C node needs that reading too."""
        inner_cycle = drive.power_cycle

        def cycle() -> None:
            inner_cycle()
            drive.starting = True  # type: ignore[attr-defined]

        tick = drive.tick

        def counted(*asked: Any) -> DriveReading:
            reading = tick(*asked)
            if getattr(drive, "starting", False):
                drive.starting = False  # type: ignore[attr-defined]
                self.wire.append(fw.readings([drive.counts]))
            return reading

        drive.power_cycle, drive.tick = cycle, counted  # type: ignore[method-assign]

    # --- a batch of ticks ----------------------------------------------------------------------------------------

    def run(self, ticks: int, traffic: Traffic) -> None:
        """So many ticks of this traffic. Raises Difference at the first one."""
        left = ticks
        while left > 0:
            count = min(BATCH, left)
            out: list[bytes] = []
            expected: list[tuple[Any, ...]] = []
            size = 0
            while count > 0 and size < FULL:
                begun = len(out)
                self._tick(traffic, out, expected)
                size += sum(map(len, out[begun:]))
                count -= 1
                left -= 1
            self.pipe.put(b"".join(out))
            for one in expected:
                self._compare(*one)

    def _tick(self, traffic: Traffic, out: list[bytes], expected: list[tuple[Any, ...]]) -> None:
        node, wire = self.node, self.wire
        self.ticks += 1
        heard: list[tuple[int, bytes]] = []
        traffic.disturb(self)
        if traffic.power_cycle():
            wire.clear()
            node.start()
            out += [fw.AT.pack(b"S", node.now_us), *wire]
            expected.append(("E", self.ticks, [], [], node.address))
        for ident, data in traffic.frames(node):
            heard.append((ident, data))
            wire.clear()
            node.hear(ident, data)
            out += [fw.hear(ident, data), *wire]
        node.now_us += traffic.jump_us()
        said = [pack(message) for message in node.tick()]
        self.frames += len(said)
        self.said.update(KINDS.by_code[ident >> KIND_SHIFT & KIND_MASK].name for ident, _ in said)
        out.append(fw.AT.pack(b"T", node.now_us))
        out.append(b"I" + b"".join([drive.told for drive in self.drives]))
        expected.append(("T", self.ticks, heard, said, node.address, b"".join(drive.asked for drive in self.drives)))
        if self.ticks % LOOK_EVERY == 0:
            out.append(b"D")
            expected.append(("D", self.ticks, heard, *self._state()))

    def _state(self) -> tuple[Any, ...]:
        found = []
        for axis in self.node.axes:
            self.states[axis.state.name] = self.states.get(axis.state.name, 0) + 1
            finding = None if axis.finding is None else axis.finding.phase
            found.append(
                fw.AxisState(
                    int(axis.state), AFTER[axis.after], axis.owner, int(axis.placed),
                    sum(1 << end for end in axis._ends_set), int(axis.staged is not None), PHASES[finding],
                    max(0, axis.owner_left), sum(1 << f for f in axis.latched),
                    sum(1 << f for f in axis.present), axis.flags,
                    axis.share_of_ring(axis.position), axis.offset, axis.position,
                )
            )  # fmt: skip
        return found, [axis.drive.settings for axis in self.node.axes], self.node.ignored

    # --- the C node's side ---------------------------------------------------------------------------------------

    def _compare(self, what: str, tick: int, heard: list[tuple[int, bytes]], *values: Any) -> None:
        where = f"tick {tick}, after {[(hex(ident), data.hex()) for ident, data in heard]}"
        if what == "D":
            self._expect_state(where, *values)
        elif what == "T":
            said, address, asked = values
            self._until(b"O", where)
            found = self.pipe.take(len(asked))
            if found != asked:
                pairs = zip(fw.OUTPUT.iter_unpack(asked), fw.OUTPUT.iter_unpack(found), strict=True)
                raise Difference(f"{where}: setpoints differ: {[(fw.Setpoint(*a), fw.Setpoint(*b)) for a, b in pairs]}")
            self._expect_end(said, where, address)
        else:
            said, address = values
            self._expect_end(said, where, address)

    def _until(self, wanted: bytes, where: str) -> None:
        pipe = self.pipe
        while (letter := pipe.take(1)) != wanted:
            if letter == b"G":
                axis, *values = fw.DRIVE.unpack(pipe.take(fw.DRIVE.size))
                self.told[axis] = drive_settings(self.own[axis], fw.DriveCounts(*values))
            elif letter == b"W":
                pipe.take(fw.PAGE.unpack(pipe.take(fw.PAGE.size))[1])
            elif letter == b"Q":
                pipe.take(1)
            elif letter == b"K":
                continue
            elif letter == b"X":
                raise Difference(f"{where}: {pipe.error()}")
            else:
                raise Difference(f"{where}: {letter!r} instead of {wanted!r}")

    def _expect_end(self, said: list[tuple[int, bytes]], where: str, address: int | None = None) -> None:
        self._until(b"E", where)
        there, count = fw.END.unpack(self.pipe.take(fw.END.size))
        frames = fw.FRAME.iter_unpack(self.pipe.take(count * fw.FRAME.size))
        found = [(ident, body[:size]) for ident, size, body in frames]
        if found != said:
            words = [[(hex(ident), data.hex()) for ident, data in those] for those in (said, found)]
            raise Difference(f"{where}: Python said {words[0]}, C said {words[1]}")
        if address is not None and there != address:
            raise Difference(f"{where}: address {address} in Python, {there} in C")

    def _expect_state(self, where: str, states: list[fw.AxisState], drives: list[Any], ignored: int) -> None:
        self._until(b"D", where)
        (passed,) = fw.IGNORED.unpack(self.pipe.take(fw.IGNORED.size))
        for index, state in enumerate(states):
            found = fw.AxisState(*fw.STATE.unpack(self.pipe.take(fw.STATE.size)))
            if found != state:
                raise Difference(f"{where}, axis {index}:\n  Python {state}\n  C      {found}")
            if drives[index] != self.told[index]:
                raise Difference(f"{where}, axis {index}: drive settings\n  {drives[index]}\n  {self.told[index]}")
        if passed != ignored:
            raise Difference(f"{where}: ignored {ignored} in Python, {passed} in C")

    def close(self) -> None:
        self.pipe.close()


def soak(program: Path, hours: float, seed: int, rig: str, physics: bool) -> None:
    """The long form: so many simulated hours, with what was done and how fast."""
    ticks = round(hours * 3_600_000)
    begun, done, part = time.monotonic(), 0, 1_000_000
    while done < ticks:
        count = min(part, ticks - done)
        twins = Twins(program, rig=rig, seed=seed, physics=physics)
        try:
            twins.run(count, Traffic(seed))
        except (Difference, fw.FirmwareProblem, struct.error) as error:
            print(f"seed {seed}, tick {twins.ticks} of its run: {error}")
            raise SystemExit(1) from None
        finally:
            twins.close()
        done += count
        seconds = time.monotonic() - begun
        print(f"seed {seed}: {done / 3_600_000:.2f} of {hours:g} simulated h without a difference, "
              f"{done / seconds:,.0f} ticks/s; states {twins.states}, said {dict(twins.said)}", flush=True)  # fmt: skip
        seed += 1000


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--program", type=Path, required=True, help="ringlet_host, or its folder")
    parser.add_argument("--hours", type=float, default=24.0, help="simulated hours")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rig", default="single")
    parser.add_argument("--physics", action="store_true", help="the simulated motor instead of the drive that follows")
    given = parser.parse_args()
    soak(given.program, given.hours, given.seed, given.rig, given.physics)
