"""A whole simulated rig: nodes on one bus, stepped a millisecond at a time.

Without a bus of its own the rig has an ideal one: what is said in one millisecond is heard in the next, by everyone
else. On a `CanBus` or a `SerialLine` a message is heard in the step in which its frame ends, by those whom it reaches,
and each node's millisecond begins at a moment of its own.

Controls and range sensors that the rig file names are on the bus too: on CAN each is a station; on a serial line they
stand at the control's end, where one transmitter speaks for all. Several programs may share the rig, each with its own
source address (`send`): what one of them says the others find in `crossed`.
"""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from ringlet.hwsim.axis import Axis
from ringlet.hwsim.bus import EAR, Bus, Framing
from ringlet.hwsim.drive import Drive, Supply, default_settings
from ringlet.hwsim.firmware_node import FirmwareNode
from ringlet.hwsim.kernel import worth_compiling
from ringlet.hwsim.node import MS, Node, NodeCard
from ringlet.hwsim.noise import Mangler
from ringlet.hwsim.rigfile import NodeEntry, RigFile, axis_cards, factory_values
from ringlet.hwsim.serial_line import LineEnd, SerialLine
from ringlet.hwsim.settings import FilePages, MemoryPages, Pages, Store
from ringlet.hwsim.talkers import OneVoice, Talker, controls_of, ranges_of
from ringlet.protocol.codec import pack
from ringlet.protocol.header import NODE_MASK, SRC_SHIFT


class SimRig:
    """Nodes and their bus. `send` puts a message on the bus, `step` advances 1 ms and returns what controls hear."""

    def __init__(
        self, rig: RigFile, *, seed: int = 0, store: Path | None = None, bus: Bus | None = None,
        mangler: Mangler | None = None, firmware: Path | None = None,
    ) -> None:  # fmt: skip
        """`bus` None is the ideal one; `mangler` disturbs whole messages on any other. With `firmware` each node is a
        process of the motor core in C at that path (see `firmware_node`)."""
        self.rig = rig
        self.bus, self._mangler = bus, mangler
        self.now_us = 0
        compile_kernel = worth_compiling(sum(len(entry.axes) for entry in rig.nodes))
        self.nodes: list[Any] = [
            _build(rig, entry, seed + 100 * number, store, compile_kernel, firmware)
            for number, entry in enumerate(rig.nodes)
        ]
        """each a Node, or a FirmwareNode"""
        self.controls, self.ranges = controls_of(rig, seed), ranges_of(rig, seed)
        """the simulated controls and range sensors, by name"""
        self.talkers: list[Talker] = [*self.controls.values(), *self.ranges.values()]
        self.crossed: list[tuple[Any, int, bytes]] = []
        """(who, header, body) of what programs on this rig said that the others hear in this step"""
        self._who: dict[int, Any] = {}
        """source address -> the program that last sent under it"""
        self._waiting: list[tuple[int, bytes, Any]] = []
        if bus is not None:
            bus.attach("controls")
            self._stations = [bus.attach(f"node {number}") for number in range(len(self.nodes))]
            if isinstance(bus, SerialLine):
                for number, station in enumerate(self._stations):
                    bus.end_with(station, self.line_end(number))
            on_can = self.talkers if bus.is_can else []
            self._talker_stations = [bus.attach(f"control or sensor {one.source}") for one in on_can]
            rng = random.Random(f"phases {seed}")
            self._phase_us = [rng.randrange(MS) for _ in self.nodes]
        self._voice: OneVoice | None = None
        if self.talkers and not (bus is not None and bus.is_can):
            self._voice = OneVoice(0.0, True) if bus is None else OneVoice(bus.frame_time, bus.shared)

    def line_end(self, number: int = 0) -> Framing:
        """What a node ends a serial line with: a motor core in C with its own decoder and encoder."""
        node = self.nodes[number]
        return node if isinstance(node, FirmwareNode) else LineEnd()

    def send(self, ident: int, data: bytes, who: Any = None) -> None:
        """Somebody on the bus sends this now; nodes hear it at the next step. `who` tells programs on the rig apart."""
        self._who[ident >> SRC_SHIFT & NODE_MASK] = who
        if self._voice is not None:
            self._voice.spoken(ident, self.now_us)
        if self.bus is None:
            self._waiting.append((ident, data, None))
        else:
            self.bus.send(EAR, ident, data, self.now_us)

    def send_bytes(self, data: bytes) -> None:
        """Put bytes on the rig's serial line as they are, frames or not."""
        assert isinstance(self.bus, SerialLine)
        if self._voice is not None:
            self._voice.spoken_bytes(len(data), self.now_us)
        self.bus.put(EAR, data, self.now_us)

    def step(self) -> list[tuple[int, bytes]]:
        """Advance 1 ms. Returns what nodes, controls and sensors have said in it, as (header, body)."""
        self.crossed.clear()
        if self.bus is not None:
            return self._step_on(self.bus)
        self.now_us += MS
        waiting, self._waiting = self._waiting, []
        for ident, data, speaker in waiting:
            for node in self.nodes:
                if node is not speaker:
                    node.hear(ident, data)
            if speaker is None:
                self._cross(ident, data)
            self._tell_talkers(ident, data)
        heard: list[tuple[int, bytes]] = []
        for node in self.nodes:
            others = set(heard)
            for message in node.tick():
                frame = pack(message)
                if frame not in others:  # frames of two nodes that are alike to the bit merge into one
                    heard.append(frame)
                self._waiting.append((*frame, node))
        return heard + self._talk_ideally(heard)

    def _talk_ideally(self, heard: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
        """What controls and sensors say in this step; `heard` is what nodes have said."""
        if self._voice is None:
            return []
        for ident, _ in heard:
            self._voice.answered(ident, self.now_us)
        for talker in self.talkers:
            self._voice.put(talker.say(self.now_us / 1e6))
        said: list[tuple[int, bytes]] = []
        while (may := self._voice.next(self.now_us)) is not None:
            said.append(may)
            self._waiting.append((*may, self))
        return said

    def _cross(self, ident: int, data: bytes) -> None:
        self.crossed.append((self._who.get(ident >> SRC_SHIFT & NODE_MASK), ident, data))

    def _tell_talkers(self, ident: int, data: bytes) -> None:
        for talker in self.talkers:
            if talker.source != ident >> SRC_SHIFT & NODE_MASK:
                talker.hear(self.now_us / 1e6, ident, data)

    def _step_on(self, bus: Bus) -> list[tuple[int, bytes]]:
        self.now_us += MS
        arrived = bus.advance(self.now_us)
        if self._mangler is not None:
            arrived = self._mangler.treat(arrived, self.now_us)
        heard: list[tuple[int, bytes]] = []
        for _, ident, data, senders, missed in arrived:
            for station, node in zip(self._stations, self.nodes, strict=True):
                if station not in senders and station not in missed:
                    node.hear(ident, data)
            if EAR in senders:
                src = ident >> SRC_SHIFT & NODE_MASK
                if self._voice is not None and any(src == one.source for one in self.talkers):
                    heard.append((ident, data))
                else:
                    self._cross(ident, data)
            elif EAR not in missed:
                heard.append((ident, data))
                if self._voice is not None:
                    self._voice.answered(ident, self.now_us)
            if self._voice is not None:
                self._tell_talkers(ident, data)
            for station, talker in zip(self._talker_stations, self.talkers, strict=False):
                if station not in senders and station not in missed:
                    talker.hear(self.now_us / 1e6, ident, data)
        for station, node, phase in zip(self._stations, self.nodes, self._phase_us, strict=True):
            for message in node.tick():
                bus.send(station, *pack(message), self.now_us + phase)
        self._let_talk(bus)
        return heard

    def _let_talk(self, bus: Bus) -> None:
        said = [talker.say(self.now_us / 1e6) for talker in self.talkers]
        for station, frames in zip(self._talker_stations, said, strict=False):
            for frame in frames:
                bus.send(station, *frame, self.now_us)
        if self._voice is not None:
            for frames in said:
                self._voice.put(frames)
            if (may := self._voice.next(self.now_us)) is not None:
                bus.send(EAR, *may, self.now_us)

    def power_cycle(self, node: int | None = None) -> None:
        """Take the supply away and give it back, from one node or from all."""
        for index, board in enumerate(self.nodes):
            if node in (None, index):
                board.start()


def _build(
    rig: RigFile, entry: NodeEntry, seed: int, folder: Path | None, compile_kernel: bool, firmware: Path | None
) -> Node | FirmwareNode:
    def pages(name: str) -> Pages:
        return MemoryPages() if folder is None else FilePages(folder, f"{entry.unique_id:012x}-{name}")

    supply = Supply(rig.supply_v, rig.supply_ohm)
    drives, factory = [], []
    for index, axis in enumerate(entry.axes):
        motor, lens = axis_cards(axis)
        drive = Drive(
            motor, lens, default_settings(motor, lens), supply, seed + index, axis.ring_start_deg, rig.ambient_c,
            compile_kernel=compile_kernel,
        )  # fmt: skip
        drives.append(drive)
        factory.append(factory_values(axis))
    card = NodeCard(
        unique_id=entry.unique_id,
        maker=entry.maker,
        model=entry.model,
        major=entry.protocol_major,
        factory={"address": entry.address, "shared-line": int(entry.shared_line)},
    )
    if firmware is not None:  # its pages have a content of their own
        names = ("core-node", *(f"core-axis{index}" for index in range(len(drives))))
        return FirmwareNode(firmware, card, drives, factory, [pages(name) for name in names])
    axes = [
        Axis(index, drive, values, Store(pages(f"axis{index}")))
        for index, (drive, values) in enumerate(zip(drives, factory, strict=True))
    ]
    return Node(card, axes, Store(pages("node")))
