"""A node whose firmware is the motor core in C, as a process, on the same simulated drives: it stands for a `Node`.

On a serial line it is also the node's end of the line (`bus.Framing`): the core's own decoder and encoder are at work.
"""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from ringlet.hwsim import firmware_link as fw
from ringlet.hwsim.drive import Drive
from ringlet.hwsim.node import MS, NodeCard
from ringlet.hwsim.ramp_plan import ONE
from ringlet.hwsim.settings import Pages, PowerCut
from ringlet.protocol.codec import Packet, unpack
from ringlet.protocol.wire import BODY_MAX

RATE = 1000
"""Ticks a second."""


class FirmwareAxis(NamedTuple):
    """What is left on this side of an axis: its drive."""

    drive: Drive


class FirmwareNode:
    """One board. `hear` takes what is on the bus, `tick` advances 1 ms and returns what the node says.

    `pages` holds the node's own pages, then those of each axis. Raises FirmwareProblem when the process fails.
    """

    def __init__(
        self, program: Path, card: NodeCard, drives: Sequence[Drive], factory: Sequence[dict[str, int]],
        pages: Sequence[Pages],
    ) -> None:  # fmt: skip
        self.card, self.axes, self.pages = card, [FirmwareAxis(drive) for drive in drives], pages
        self.own_settings = [drive.settings for drive in drives]
        self.now_us = 0
        self.address = 0
        self._found: list[tuple[int, bytes]] = []
        self._pipe = fw.Pipe(program)
        weakref.finalize(self, self._pipe.close)
        if len(drives) > self._pipe.axes:
            raise fw.FirmwareProblem(
                f"{self._pipe.path} has room for {self._pipe.axes} axes and the rig's node has {len(drives)}; "
                "build it with a larger RINGLET_AXES"
            )
        self._pipe.put(fw.config(card, factory))
        if self._pipe.loop:
            for index, own in enumerate(self.own_settings):
                self._pipe.put(fw.tuning(index, fw.tuning_of(own)))
        for number in range(2 * len(pages)):
            self._pipe.put(fw.page(number, pages[number // 2].read(number % 2)))
        self.start()

    def start(self) -> None:
        """Power-up."""
        self._pipe.put(fw.AT.pack(b"S", self.now_us))
        self._until_end()

    def hear(self, ident: int, data: bytes) -> None:
        """A message on the bus; what is no frame (over 8 bytes, over 29 bits) cannot be there."""
        if len(data) <= BODY_MAX and 0 <= ident < 1 << 32:
            self._pipe.put(fw.hear(ident, bytes(data)))
            self._serve_until(b"K")

    def tick(self) -> list[Packet]:
        """Advance 1 ms; returns what the node says."""
        self.now_us += MS
        self._pipe.put(fw.AT.pack(b"T", self.now_us))
        return [unpack(ident, data) for ident, data in self._until_end()]

    def frames(self, data: bytes) -> list[tuple[int, bytes]]:
        """(header, body) of the frames that the core's decoder completes with these bytes of a serial line."""
        self._found = []
        for start in range(0, len(data), fw.BYTES_MOST):
            self._pipe.put(fw.bytes_in(data[start : start + fw.BYTES_MOST]))
            self._serve_until(b"K")
        return self._found

    def encode(self, ident: int, body: bytes) -> bytes:
        """What the core puts on a serial line for a frame, the closing zero byte included."""
        self._pipe.put(fw.to_encode(ident, body))
        self._serve_until(b"U")
        return self._pipe.take(self._pipe.take(1)[0])

    def _until_end(self) -> list[tuple[int, bytes]]:
        """Serve the core until it has started or ticked; returns the frames that it said."""
        pipe = self._pipe
        self._serve_until(b"E")
        self.address, count = fw.END.unpack(pipe.take(fw.END.size))
        return [self._take_frame() for _ in range(count)]

    def _take_frame(self) -> tuple[int, bytes]:
        ident, size, body = fw.FRAME.unpack(self._pipe.take(fw.FRAME.size))
        return ident, body[:size]

    def _serve_until(self, end: bytes) -> None:
        """Give the core what it asks for until it says this letter."""
        pipe = self._pipe
        while (letter := pipe.take(1)) != end:
            match letter:
                case b"O":
                    self._step()
                case b"F":
                    self._found.append(self._take_frame())
                case b"G":
                    self._configure(*fw.DRIVE.unpack(pipe.take(fw.DRIVE.size)))
                case b"Q":
                    drive = self.axes[pipe.take(1)[0]].drive
                    drive.power_cycle()
                    if pipe.loop:
                        pipe.put(fw.measured([fw.measured_of(drive.tick_bridge(False, 0.0))]))
                    else:
                        pipe.put(fw.readings([fw.counts_of(drive.tick(False, 0.0, 0.0, 0.0, 0.0))]))
                case b"W":
                    self._write_page(*fw.PAGE.unpack(pipe.take(fw.PAGE.size)))
                case b"X":
                    raise pipe.error()
                case _:
                    raise fw.FirmwareProblem(f"{pipe.path} sent {letter!r}, which is no answer; emit it again and make")

    def _step(self) -> None:
        """One millisecond of the physics, towards the core's setpoints or under its currents."""
        if self._pipe.loop:
            self._step_bridges()
            return
        data = self._pipe.take(len(self.axes) * fw.OUTPUT.size)
        self.axes[0].drive.supply.begin_tick()
        counts = []
        for axis, (on, torque, p, v, a) in zip(self.axes, fw.OUTPUT.iter_unpack(data), strict=True):
            reading = axis.drive.tick(bool(on), p / ONE, v * RATE / ONE, a * RATE * RATE / ONE, torque / 1000.0)
            counts.append(fw.counts_of(reading))
        self._pipe.put(fw.readings(counts))

    def _step_bridges(self) -> None:
        data = self._pipe.take(len(self.axes) * fw.CURRENT.size)
        self.axes[0].drive.supply.begin_tick()
        found = []
        for axis, (on, current_ma) in zip(self.axes, fw.CURRENT.iter_unpack(data), strict=True):
            found.append(fw.measured_of(axis.drive.tick_bridge(bool(on), float(current_ma))))
        self._pipe.put(fw.measured(found))

    def _configure(self, axis: int, *values: int) -> None:
        drive, own = self.axes[axis].drive, self.own_settings[axis]
        drive.settings = drive_settings(own, fw.DriveCounts(*values))

    def _write_page(self, number: int, count: int) -> None:
        data = self._pipe.take(count)
        try:
            self.pages[number // 2].write(number % 2, data)
            result = fw.DONE, count
        except PowerCut:
            result = fw.CUT, len(self.pages[number // 2].read(number % 2))
        except OSError:
            result = fw.FAILED, 0
        self._pipe.put(fw.RESULT.pack(b"A", *result))


def drive_settings(own: Any, counts: fw.DriveCounts) -> Any:
    """Settings of a drive from the core's counts; `own` are the board's."""
    return own._replace(
        direction=-1 if counts.reversed else 1,
        motor_teeth=counts.motor_teeth,
        ring_teeth=counts.ring_teeth,
        encoder_counts=counts.encoder_counts,
        backlash_mdeg=float(counts.backlash),
        backlash_comp=bool(counts.backlash_compensation),
        position_gain=counts.position_gain / 100,
        velocity_gain=own.velocity_gain * (counts.velocity_gain / 1000),
    )
