"""Takes made for tests: in memory of a made-up motion, and from simulated rigs in virtual time."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.tools.link import Link
from ringlet.tools.takes.layout import AxisInfo, Sample
from ringlet.tools.takes.recorder import Recorder, Start
from ringlet.tools.takes.timecodes import RATES, fields_of, frame_of, text_of
from ringlet.tools.takes.writer import TakeWriter
from ringlet.tools.transports import SimTransport

MARKS = ((0.0, 0.5), (60.0, 0.8), (120.0, 1.5), (200.0, 4.0), (300.0, None))
"""Invented marks of a focus ring: ring deg, distance in m, None for infinity."""
BOARD = "52494E470011"
"""The board of sim:trio."""


def axis(place: str = "16.0", role: str = "focus", kind: str = "distance") -> AxisInfo:
    """An axis as a take keeps it."""
    node, number = place.split(".")
    marks = {"distance": MARKS, "stop": ((0.0, 2.0), (40.0, 4.0), (80.0, 8.0)), "": ()}[kind]
    return AxisInfo(int(node), int(number), BOARD, role, "", "invented lens", 0.02, kind, marks)


def sample(time_s: float, ring: float, lost: int = 0, state: str = "following") -> Sample:
    """A sample whose setpoint is where the ring is."""
    return Sample(time_s, ring, 0.0, ring, 0.1, state, 1, "none", lost)


def write_take(
    path: Path, motion: Callable[[float], float] = lambda t: 100.0 + 20.0 * math.sin(t), *, seconds: float = 2.0,
    rate: float = 100.0, axes: tuple[AxisInfo, ...] = (axis(),), skip: Callable[[float], bool] = lambda t: False,
    start: str = "", frame_rate: str = "24", close: bool = True, state: str = "following",
) -> TakeWriter:  # fmt: skip
    """A take of a motion: every axis does the same."""
    about = {"format": "1", "origin_ns": "0", "link": "made for a test", "note": "", "rate_hz": f"{rate:g}"}
    writer = TakeWriter(path, list(axes), about)
    rate_of = RATES[frame_rate]
    frame = 0
    for number in range(round(seconds * rate) + 1):
        now = number / rate
        while start and rate_of.seconds(frame) <= now:
            address = (frame_of(start, rate_of) + frame) % rate_of.day
            writer.timecode(rate_of.seconds(frame), text_of(address, rate_of), address, rate_of.name)
            frame += 1
        for info in axes:
            if not skip(now):
                writer.sample(info.key, sample(now, round(motion(now), 3), state=state))
        writer.tick(now)
    if close:
        writer.close()
    return writer


def ready(link: Link, places: tuple[tuple[int, int], ...] = ((16, 0),)) -> None:
    """Give focus rings of the shipped rigs, which start at 140 deg, their travel; leave them free at rest."""
    for place in places:
        handle = link.axis(*place)
        handle.take()
        link.request(m.SetReference(0, 140_000), node=handle.node, axis=handle.axis)
        handle.set("travel-min", 1.0)
        handle.set("travel-max", 301.0)
        handle.yield_()


def recorded_moves(
    link: Link, path: Path, targets: tuple[float, ...] = (120.0, 40.0), start: Start | None = None
) -> Path:
    """A take of sim:trio in which the focus ring makes moves; it is ready before, and free after."""
    focus = link.axis(16, 0)
    focus.take()
    focus.move(60.0)
    with Recorder(link, path, [(16, 0), (16, 1)], start=start) as recorder:
        recorder.run(0.3)
        for target in targets:
            focus.move(target, wait=False)
            recorder.run(recorder.live.now() + 1.5)
    focus.yield_()
    return path


class Addresses:
    """Another control that sends time addresses on the simulated bus, in its virtual time."""

    def __init__(
        self, link: Link, start: str, frame_rate: str, *, late_s: Callable[[int], float] = lambda number: 0.0
    ) -> None:
        assert isinstance(link.transport, SimTransport)
        self._transport, self._step = link.transport, link.transport.step
        self.rate = RATES[frame_rate]
        self.frame = frame_of(start, self.rate)
        self.on = True
        self._late = late_s
        self._begin, self._sent = link.clock.now(), 0
        self._transport.step = self.step  # type: ignore[method-assign]

    def step(self) -> None:
        """A millisecond, and the address of a frame that begins in it."""
        self._step()
        now = self._transport.clock.now() - self._begin
        if now < self.rate.seconds(self._sent) + self._late(self._sent):
            return
        if self.on:
            body = m.Timecode(self._sent & 0xFF, *fields_of(self.frame, self.rate), self.rate.code)
            self._transport._inbox.append(pack(packet(body, dst=EVERYONE, src=2, axis=ALL_AXES)))
        self._sent += 1
        self.frame = (self.frame + 1) % self.rate.day
