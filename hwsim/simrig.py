"""A whole simulated rig: nodes on one bus, stepped a millisecond at a time.

The bus here is ideal: what is said in one millisecond is heard in the next, by everyone else.
"""

from __future__ import annotations

from pathlib import Path

from ringlet.hwsim.axis import Axis
from ringlet.hwsim.drive import Drive, Supply, default_settings
from ringlet.hwsim.kernel import worth_compiling
from ringlet.hwsim.node import MS, Node, NodeCard
from ringlet.hwsim.rigfile import NodeEntry, RigFile, axis_cards, factory_values
from ringlet.hwsim.settings import FilePages, MemoryPages, Pages, Store
from ringlet.protocol.codec import pack


class SimRig:
    """Nodes and their bus. `send` puts a message on the bus, `step` advances 1 ms and returns what controls hear."""

    def __init__(self, rig: RigFile, *, seed: int = 0, store: Path | None = None) -> None:
        self.rig = rig
        self.now_us = 0
        compile_kernel = worth_compiling(sum(len(entry.axes) for entry in rig.nodes))
        self.nodes = [
            _build(rig, entry, seed + 100 * number, store, compile_kernel) for number, entry in enumerate(rig.nodes)
        ]
        self._waiting: list[tuple[int, bytes, Node | None]] = []

    def send(self, ident: int, data: bytes) -> None:
        """Somebody on the bus sends this now; nodes hear it at the next step."""
        self._waiting.append((ident, data, None))

    def step(self) -> list[tuple[int, bytes]]:
        """Advance 1 ms. Returns what nodes have said in it, as (header, body)."""
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

    def power_cycle(self, node: int | None = None) -> None:
        """Take the supply away and give it back, from one node or from all."""
        for index, board in enumerate(self.nodes):
            if node in (None, index):
                board.start()


def _build(rig: RigFile, entry: NodeEntry, seed: int, folder: Path | None, compile_kernel: bool) -> Node:
    def pages(name: str) -> Pages:
        return MemoryPages() if folder is None else FilePages(folder, f"{entry.unique_id:012x}-{name}")

    supply = Supply(rig.supply_v, rig.supply_ohm)
    axes = []
    for index, axis in enumerate(entry.axes):
        motor, lens = axis_cards(axis)
        drive = Drive(
            motor, lens, default_settings(motor, lens), supply, seed + index, axis.ring_start_deg, rig.ambient_c,
            compile_kernel=compile_kernel,
        )  # fmt: skip
        axes.append(Axis(index, drive, factory_values(axis), Store(pages(f"axis{index}"))))
    card = NodeCard(
        unique_id=entry.unique_id,
        maker=entry.maker,
        model=entry.model,
        major=entry.protocol_major,
        factory={"address": entry.address, "shared-line": int(entry.shared_line)},
    )
    return Node(card, axes, Store(pages("node")))
