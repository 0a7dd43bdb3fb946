"""A whole simulated rig: nodes on one bus, stepped a millisecond at a time.

Without a bus of its own the rig has an ideal one: what is said in one millisecond is heard in the next, by everyone
else. On a `CanBus` or a `SerialLine` a message is heard in the step in which its frame ends, by those whom it reaches,
and each node's millisecond begins at a moment of its own.
"""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from ringlet.hwsim.axis import Axis
from ringlet.hwsim.bus import EAR, Bus
from ringlet.hwsim.drive import Drive, Supply, default_settings
from ringlet.hwsim.firmware_node import FirmwareNode
from ringlet.hwsim.kernel import worth_compiling
from ringlet.hwsim.node import MS, Node, NodeCard
from ringlet.hwsim.noise import Mangler
from ringlet.hwsim.rigfile import NodeEntry, RigFile, axis_cards, factory_values
from ringlet.hwsim.settings import FilePages, MemoryPages, Pages, Store
from ringlet.protocol.codec import pack


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
        self._waiting: list[tuple[int, bytes, Node | FirmwareNode | None]] = []
        if bus is not None:
            bus.attach("controls")
            self._stations = [bus.attach(f"node {number}") for number in range(len(self.nodes))]
            rng = random.Random(f"phases {seed}")
            self._phase_us = [rng.randrange(MS) for _ in self.nodes]

    def send(self, ident: int, data: bytes) -> None:
        """Somebody on the bus sends this now; nodes hear it at the next step."""
        if self.bus is not None:
            self.bus.send(EAR, ident, data, self.now_us)
        else:
            self._waiting.append((ident, data, None))

    def step(self) -> list[tuple[int, bytes]]:
        """Advance 1 ms. Returns what nodes have said in it, as (header, body)."""
        if self.bus is not None:
            return self._step_on(self.bus)
        self.now_us += MS
        waiting, self._waiting = self._waiting, []
        for ident, data, speaker in waiting:
            for node in self.nodes:
                if node is not speaker:
                    node.hear(ident, data)
        heard: list[tuple[int, bytes]] = []
        for node in self.nodes:
            others = set(heard)
            for message in node.tick():
                frame = pack(message)
                if frame not in others:  # frames of two nodes that are alike to the bit merge into one
                    heard.append(frame)
                self._waiting.append((*frame, node))
        return heard

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
            if EAR not in senders and EAR not in missed:
                heard.append((ident, data))
        for station, node, phase in zip(self._stations, self.nodes, self._phase_us, strict=True):
            for message in node.tick():
                bus.send(station, *pack(message), self.now_us + phase)
        return heard

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
