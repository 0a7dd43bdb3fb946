"""A serial line in virtual time: bytes that take their time, and garble where two speak at once.

With two stations (a control and one node) the line has a pair of wires for each direction; with more it is half-duplex
and shared, and nobody listens before it speaks. Who speaks unasked (controls; a node on a pair of wires) begins each
frame with a zero byte, which ends what noise has made on the line since the frame before. Time is counted in bit times;
a byte takes ten (start, eight, stop).
What a receiver makes of damaged bits is simplified: a flipped start or stop bit loses the byte, a flipped bit on the
idle line is heard as 0xFF, and each of several bytes that overlap is heard as a random one or not at all (by seed).
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable
from typing import Final, NamedTuple

from ringlet.hwsim.bus import EAR, Delivery, Framing
from ringlet.hwsim.noise import QUIET, Flips, Noise
from ringlet.protocol.serial_frame import FRAME_MAX, StreamDecoder, encode_raw

BYTE_BITS: Final = 10
LOST_IN_CLASH: Final = 0.25
"""Share of overlapping bytes that a receiver does not take for one."""
DEPTH: Final = 4096
"""Bytes that a station keeps for sending; frames beyond them are dropped."""
_NOBODY: Final = -1


class _Byte(NamedTuple):
    start: int
    """bit at which its start bit begins"""
    value: int
    station: int


class _Wire:
    """Bytes on one wire, or pair of wires, and what flips on it."""

    def __init__(self, noise: Noise, seed: str) -> None:
        self.pending: list[_Byte] = []
        self._flips = Flips(noise, random.Random(f"flips {seed}"))
        self._quiet = noise.quiet
        self._rng = random.Random(f"wire {seed}")
        self._done = 0
        self._damage: list[int] = []
        self.garbled = self.spurious = 0

    def run(self, end: int) -> list[tuple[int, int, frozenset[int]]]:
        """(end, value, stations that spoke then) of each byte heard up to this bit, in order."""
        self.pending.sort()
        if not self._quiet:
            self._take_flips(end)
        self._done = end
        heard: list[tuple[int, int, frozenset[int]]] = []
        first = 0
        while first < len(self.pending):
            last, stop = first + 1, self.pending[first].start + BYTE_BITS
            while last < len(self.pending) and self.pending[last].start < stop:
                stop = self.pending[last].start + BYTE_BITS
                last += 1
            if stop > end:
                break
            heard += self._hear(self.pending[first:last])
            first = last
        del self.pending[:first]
        if not self.pending:
            self._damage.clear()
        return heard

    def _take_flips(self, end: int) -> None:
        """Flipped bits up to here: inside a byte they damage it, outside they are heard as one."""
        for place in self._flips.between(self._done, end):
            if any(one.start <= place < one.start + BYTE_BITS for one in self.pending):
                self._damage.append(place)
            else:
                self.pending.append(_Byte(place, 0xFF, _NOBODY))
                self.spurious += 1
        self.pending.sort()

    def _hear(self, together: list[_Byte]) -> list[tuple[int, int, frozenset[int]]]:
        """Bytes that overlap, or one alone."""
        first = together[0]
        finish = first.start + BYTE_BITS
        if len(together) == 1 or all(one[:2] == first[:2] for one in together):
            value = self._damaged(first)
            return [] if value is None else [(finish, value, frozenset(one.station for one in together))]
        self.garbled += len(together)
        speakers = frozenset(one.station for one in together)
        return [
            (one.start + BYTE_BITS, self._rng.randrange(256), speakers)
            for one in together
            if self._rng.random() >= LOST_IN_CLASH
        ]

    def _damaged(self, one: _Byte) -> int | None:
        """The byte as its flipped bits leave it; None when it is lost."""
        value = one.value
        for place in self._damage:
            bit = place - one.start
            if bit in (0, BYTE_BITS - 1):
                return None
            if 0 < bit < BYTE_BITS:
                value ^= 1 << bit - 1
        return value


class LineEnd(StreamDecoder):
    """An end of the line as the simulated node and the tools have it."""

    def encode(self, ident: int, body: bytes) -> bytes:
        """The bytes of a frame, the closing zero byte included."""
        return encode_raw(ident, body)


class SerialLine:
    """The line. See `ringlet.hwsim.bus.Bus` for what a rig asks of it. Noise is that of the wire."""

    is_can = False

    def __init__(self, baud: int = 115_200, noise: Noise = QUIET, *, seed: int = 0) -> None:
        if baud <= 0:
            raise ValueError(f"baud is {baud}; give bits a second")
        self.baud, self.noise = baud, noise
        self.heard = 0
        self.dropped = 0
        """messages that found no room"""
        self.names: list[str] = []
        self._seed = seed
        self._wires: list[_Wire] = []
        self._ear = LineEnd()
        self._ends: list[Framing] = []
        self._busy: list[int] = []
        """bit up to which a station's transmitter is busy"""
        self._now = 0

    @property
    def shared(self) -> bool:
        return len(self.names) > 2

    @property
    def frame_time(self) -> float:
        lead = 0 if self.shared else 1  # both directions of an exchange have it on a pair of wires
        return (lead + FRAME_MAX) * BYTE_BITS / self.baud

    def free_at(self, station: int) -> int:
        """When a station has said all that it was given, in microseconds; a frame given then follows without a gap."""
        return self._busy[station] * 1_000_000 // self.baud

    @property
    def lost(self) -> Counter[str]:
        return self._ear.lost

    @property
    def garbled(self) -> int:
        """Bytes that overlapped others so far."""
        return sum(wire.garbled for wire in self._wires)

    @property
    def spurious(self) -> int:
        """Bytes that noise made on the idle line so far."""
        return sum(wire.spurious for wire in self._wires)

    def attach(self, name: str) -> int:
        self.names.append(name)
        self._ends.append(LineEnd() if self._ends else self._ear)
        self._busy.append(0)
        self._wires.append(_Wire(self.noise, f"{len(self.names)} {self._seed}"))
        if self.shared:
            del self._wires[1:]
        return len(self.names) - 1

    def end_with(self, station: int, end: Framing) -> None:
        """Give a station an end of its own."""
        self._ends[station] = end

    def send(self, station: int, ident: int, data: bytes, at_us: int) -> None:
        frame = self._ends[station].encode(ident, data)
        if station == EAR or not self.shared:
            frame = b"\0" + frame
        if station == EAR and self.shared:
            self._ear.frames(b"\0")  # what garbled before never becomes a frame, as in the links
        self.put(station, frame, at_us)

    def put(self, station: int, data: bytes, at_us: int) -> None:
        """Queue bytes as they are."""
        start = max(-(-at_us * self.baud // 1_000_000), self._busy[station])
        if start - self._now > DEPTH * BYTE_BITS:
            self.dropped += 1
            return
        pending = self._wires[0 if self.shared else station].pending
        for value in data:
            pending.append(_Byte(start, value, station))
            start += BYTE_BITS
        self._busy[station] = start

    def advance(self, until_us: int) -> list[Delivery]:
        self._now = end = until_us * self.baud // 1_000_000
        found: list[tuple[int, int, bytes, int, int]] = []
        for number, wire in enumerate(self._wires):
            if wire.pending or not self.noise.quiet:
                listeners = range(len(self.names)) if self.shared else (1 - number,)
                found += self._listen(wire.run(end), listeners)
        return self._merge(found)

    def _listen(
        self, heard: list[tuple[int, int, frozenset[int]]], listeners: Iterable[int]
    ) -> list[tuple[int, int, bytes, int, int]]:
        """What each station makes of bytes: (end, header, body, speaker or -1, listener)."""
        found: list[tuple[int, int, bytes, int, int]] = []
        for station in listeners:
            end, piece = self._ends[station], bytearray()
            for finish, value, speakers in heard:
                if station in speakers:  # its receiver is off while it speaks
                    continue
                self.heard += station == EAR
                piece.append(value)
                if value == 0:
                    speaker = next(iter(speakers)) if len(speakers) == 1 else _NOBODY
                    found += [(finish, *frame, speaker, station) for frame in end.frames(bytes(piece))]
                    piece.clear()
            if piece:
                end.frames(bytes(piece))
        return found

    def _merge(self, found: list[tuple[int, int, bytes, int, int]]) -> list[Delivery]:
        """One delivery for all who heard the same frame at the same time."""
        by_frame: dict[tuple[int, int, bytes, int], set[int]] = {}
        for finish, ident, data, speaker, listener in found:
            by_frame.setdefault((finish, ident, data, speaker), set()).add(listener)
        everyone = frozenset(range(len(self.names)))
        return [
            Delivery(
                finish * 1_000_000 // self.baud, ident, data, (speaker,) if speaker >= 0 else (),
                everyone - listeners - {speaker},
            )
            for (finish, ident, data, speaker), listeners in sorted(by_frame.items(), key=lambda item: item[0][:3])
        ]  # fmt: skip
