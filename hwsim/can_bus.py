"""A CAN bus in virtual time: arbitration, real frame lengths, errors, retransmission, error counters, bus-off.

ISO 11898-1; the rules of the error counters as in the public "CAN Specification 2.0, Part B" (1991), section 8, "Fault
confinement". Time is counted in whole bits, as on a real bus. The bus jumps from frame to frame; only frames that meet
trouble are looked at bit by bit. Each station sends its message of the highest priority first, as a controller with
sorted mailboxes does; one that sends in the order of its queue is slower than any bound of `ringlet bus` says.

Simplified: no overload frames; a bus-off station comes back by itself after 128 times 11 recessive bits (where that
counts idle time in whole groups of 11); wires have no length.
"""

from __future__ import annotations

import random
from collections import Counter, deque
from dataclasses import dataclass, field
from heapq import heappop, heappush
from typing import Final, NamedTuple

from ringlet.hwsim.bus import EAR, Delivery
from ringlet.hwsim.can_bits import (
    DELIMITER_BITS,
    FLAG_BITS,
    GAP_BITS,
    TAIL_BITS,
    frame_bits,
    frame_length,
    longest,
    read_bits,
)
from ringlet.hwsim.noise import QUIET, Flips, Noise, Places
from ringlet.protocol.wire import BODY_MAX

PASSIVE: Final = 128
"""From here on a counter makes a station error passive."""
BUS_OFF: Final = 256
REC_TOP: Final = 127
"""Where a receive counter above it goes at the next good frame."""
SUSPEND_BITS: Final = 8
"""Extra wait of an error-passive sender."""
RECOVERY: Final = 128
RECOVERY_BITS: Final = 11
DEPTH: Final = 256
"""Messages that a station keeps while it cannot send; more are dropped."""
_ACK_SLOT: Final = TAIL_BITS - 1
"""bits from the acknowledge slot to the end of the frame, itself counted"""
_SILENCE: Final = (1,) * (longest(BODY_MAX) + FLAG_BITS)
_NEVER: Final = 1 << 62


@dataclass(slots=True)
class Station:
    """A CAN controller."""

    name: str
    tec: int = 0
    """transmit error counter"""
    rec: int = 0
    """receive error counter"""
    plugged: bool = True
    off: bool = False
    """bus-off"""
    off_left: int = 0
    """groups of 11 recessive bits until it comes back"""
    suspended: int = 0
    """bit before which it must not begin"""
    dropped: int = 0
    """messages that found no room"""
    waiting: int = 0
    held: list[_Frame] = field(default_factory=list)

    @property
    def passive(self) -> bool:
        return self.tec >= PASSIVE or self.rec >= PASSIVE


class _Frame(NamedTuple):
    """A message that waits. Sorts by priority, then by age."""

    ident: int
    number: int
    station: int
    data: bytes


class CanBus:
    """The bus. See `ringlet.hwsim.bus.Bus` for what a rig asks of it."""

    is_can = True
    shared = False

    def __init__(
        self, bitrate: int = 500_000, noise: Noise = QUIET, *, seed: int = 0, flips: Places | None = None
    ) -> None:
        """`flips`, given in the place of noise that everybody sees, is asked once for each frame that begins."""
        if bitrate <= 0:
            raise ValueError(f"bitrate is {bitrate}; give bits a second")
        self.bitrate, self.noise = bitrate, noise
        self.frame_time = longest(BODY_MAX) / bitrate
        self.stations: list[Station] = []
        self.heard = 0
        self.lost: Counter[str] = Counter()
        self.errors = 0
        """error frames so far"""
        self.frames = 0
        """good frames so far"""
        self.wrong = 0
        """times a receiver took a damaged frame for a good one"""
        self.busy_bits = 0
        """bits that frames, error frames and the gaps behind them have taken"""
        self._seed = seed
        self._flips: Places = flips or Flips(noise, random.Random(f"wire {seed}"))
        self._still = flips is None and noise.quiet
        self._local: list[Flips] = []
        self._future: list[tuple[int, _Frame]] = []
        self._ready: list[_Frame] = []
        self._numbers = 0
        self._free = 0
        """bit at which the next frame may begin"""
        self._flight: deque[tuple[int, Delivery]] = deque()
        self._counting = False
        """some error counter is not zero"""

    # --- what a rig asks -----------------------------------------------------------------------------------------

    def attach(self, name: str) -> int:
        self.stations.append(Station(name))
        if self.noise.at_receivers:
            noise = Noise(bit_errors=self.noise.at_receivers)
            self._local.append(Flips(noise, random.Random(f"{name} {len(self.stations)} {self._seed}")))
        return len(self.stations) - 1

    def send(self, station: int, ident: int, data: bytes, at_us: int) -> None:
        one = self.stations[station]
        if one.waiting >= DEPTH:
            one.dropped += 1
            return
        one.waiting += 1
        self._numbers += 1
        heappush(self._future, (-(-at_us * self.bitrate // 1_000_000), _Frame(ident, self._numbers, station, data)))

    def advance(self, until_us: int) -> list[Delivery]:
        end = until_us * self.bitrate // 1_000_000
        done: list[Delivery] = []
        while True:
            while self._flight:
                if self._flight[0][0] > end:
                    return done
                delivery = self._flight.popleft()[1]
                done.append(delivery)
                if EAR not in delivery.senders and EAR not in delivery.missed:
                    self.heard += 1
            start = self._next_start()
            if start >= end:
                return done
            self._recover(start)
            future = self._future
            while future and future[0][0] <= start:
                heappush(self._ready, heappop(future)[1])
            self._begin(start)

    def plug(self, station: int, plugged: bool = True) -> None:
        """Pull a station's cable, or put it back: it then hears nothing, and what it says waits in its controller."""
        one = self.stations[station]
        one.plugged = plugged
        if plugged and not one.off:
            self._release(one, self._free)

    # --- when the next frame begins --------------------------------------------------------------------------------

    def _next_start(self) -> int:
        if self._ready:
            return self._free
        start = max(self._free, self._future[0][0]) if self._future else _NEVER
        for one in self.stations if self._counting else ():
            if one.off and one.held:
                start = min(start, self._free + RECOVERY_BITS * one.off_left)
        return start

    def _recover(self, start: int) -> None:
        """Idle bits bring bus-off stations back."""
        if not self._counting:
            return
        groups = (start - self._free) // RECOVERY_BITS
        for one in self.stations:
            if one.off:
                self._count_off(one, groups, start)

    def _count_off(self, one: Station, groups: int, at: int) -> None:
        one.off_left -= groups
        if one.off_left <= 0:
            one.off, one.off_left, one.tec, one.rec = False, 0, 0, 0
            if one.plugged:
                self._release(one, at)

    def _release(self, one: Station, at: int) -> None:
        for frame in one.held:
            heappush(self._future, (at, frame))
        one.held.clear()

    def _contenders(self, start: int) -> list[_Frame]:
        """The frames that win arbitration: one, or several under one identifier. Takes them from the queue."""
        ready = self._ready
        found: list[_Frame] = []
        aside: list[_Frame] = []
        wake = _NEVER
        while ready and (not found or ready[0].ident == found[0].ident):
            frame = heappop(ready)
            one = self.stations[frame.station]
            if one.off or not one.plugged:
                one.held.append(frame)
            elif one.suspended > start or any(other.station == frame.station for other in found):
                aside.append(frame)
                wake = min(wake, one.suspended)
            else:
                found.append(frame)
        for frame in aside:
            heappush(ready, frame)
        if not found and aside:
            self._free = max(start + 1, wake)
        return found

    # --- one frame ---------------------------------------------------------------------------------------------------

    def _begin(self, start: int) -> None:
        frames = self._contenders(start)
        if not frames:
            return
        first = frames[0]
        length = frame_length(first.ident, first.data)
        alone = len(frames) == 1
        flips = [] if self._still else self._flips.between(start, start + length)
        if not flips and not self._local and (alone or all(one.data == first.data for one in frames)):
            senders = (first.station,) if alone else tuple(one.station for one in frames)
            if self._somebody_hears(senders):
                self._succeed(start, length, frames, senders)
                return
        self._look_closely(start, frames, [place - start for place in flips])

    def _somebody_hears(self, senders: tuple[int, ...]) -> bool:
        return any(
            number not in senders and one.plugged and not one.off for number, one in enumerate(self.stations)
        )

    def _succeed(
        self, start: int, length: int, frames: list[_Frame], senders: tuple[int, ...],
        missed: frozenset[int] = frozenset(),
    ) -> None:  # fmt: skip
        finish = start + length
        first = frames[0]
        self.frames += 1
        for number in senders:
            self.stations[number].waiting -= 1
        if self._counting:
            missed |= self._count_success(senders, missed, finish + GAP_BITS)
        elif not all(one.plugged for one in self.stations):
            missed |= {number for number, one in enumerate(self.stations) if not one.plugged}
        delivery = Delivery(finish * 1_000_000 // self.bitrate, first.ident, first.data, senders, missed)
        self._flight.append((finish, delivery))
        self._pass(start, finish + GAP_BITS)

    def _pass(self, start: int, free: int) -> None:
        self.busy_bits += free - start
        self._free = free
        if self._counting:
            for one in self.stations:
                if one.off:
                    self._count_off(one, 1, free)

    def _count_success(self, senders: tuple[int, ...], missed: frozenset[int], free: int) -> frozenset[int]:
        """Counters after a good frame. Returns the stations that were away."""
        counting, away = False, set()
        for number, one in enumerate(self.stations):
            if one.off or not one.plugged:
                away.add(number)
            elif number in senders:
                if one.passive:
                    one.suspended = free + SUSPEND_BITS
                one.tec = max(0, one.tec - 1)
            elif number not in missed and one.rec:
                one.rec = REC_TOP if one.rec > REC_TOP else one.rec - 1
            counting = counting or one.off or one.tec > 0 or one.rec > 0
        self._counting = counting
        return frozenset(away)

    # --- trouble -----------------------------------------------------------------------------------------------------

    def _look_closely(self, start: int, frames: list[_Frame], flips: list[int]) -> None:
        """A frame that meets other data under its identifier, flipped bits, or nobody who acknowledges it."""
        frames, clash = self._same_identifier(frames, flips[0] if flips else _NEVER)
        senders = tuple(one.station for one in frames)
        first = frames[0]
        row, arbitration, stuff = frame_bits(first.ident, first.data)
        length = len(row)
        if clash >= 0:  # a recessive bit came back dominant, and its sender cries out
            self._fail(start, clash, _flag(row[: clash + 1]), frames)
            return
        flip = flips[0] if flips else _NEVER
        early, missed, wrong = self._at_receivers(start, row, senders, first)
        if early < flip and early < length - 1:
            if early == length - 2:  # too late: the others have taken the frame
                self._deliver_damaged(start, length, first, senders, missed)
            self._fail(start, early, _flag(row[: early + 1]), frames, receivers=missed)
        elif flip < length - 1:
            seen = [*row[:flip], row[flip] ^ 1]
            if flip < arbitration and row[flip] == 1 and flip not in stuff:
                # Its senders take themselves for beaten and fall silent; the sixth recessive bit is a stuff error.
                self._fail(start, read_bits([*seen, *_SILENCE]).at, FLAG_BITS, frames, blame=False)
            elif flip == length - _ACK_SLOT:  # those who acknowledged see it with the sender
                self._fail(start, flip, FLAG_BITS, frames)
            else:
                self._fail(start, flip, self._flag_of(senders, seen), frames)
        elif not self._somebody_hears(senders):
            self._fail(start, length - _ACK_SLOT, FLAG_BITS, frames, blame=not self.stations[senders[0]].passive)
        elif flip == length - 1:
            # A flipped last bit: receivers have taken the frame and see an overload, senders see an error.
            self._deliver_damaged(start, length, first, senders, missed)
            self._fail(start, flip, FLAG_BITS + 1, frames, receivers=frozenset())
        else:
            for number, read_ident, read_data in wrong:
                self.wrong += 1
                others = frozenset(range(len(self.stations))) - {number}
                at_us = (start + length) * 1_000_000 // self.bitrate
                self._flight.append((start + length, Delivery(at_us, read_ident, read_data, senders, others)))
            self._succeed(start, length, frames, senders, missed)

    def _deliver_damaged(
        self, start: int, length: int, first: _Frame, senders: tuple[int, ...], missed: frozenset[int]
    ) -> None:
        away = {number for number, one in enumerate(self.stations) if one.off or not one.plugged}
        at_us = (start + length) * 1_000_000 // self.bitrate
        self._flight.append((start + length, Delivery(at_us, first.ident, first.data, senders, missed | away)))

    def _same_identifier(self, frames: list[_Frame], limit: int) -> tuple[list[_Frame], int]:
        """Senders of different data under one identifier: who is left, and the bit at which they destroy each other.

        An error-passive sender that loses cannot destroy the frame of the other: it steps aside. -1: no collision, or
        noise comes first.
        """
        while len({one.data for one in frames}) > 1:
            rows = [frame_bits(one.ident, one.data).bits for one in frames]
            place = next(n for n, column in enumerate(zip(*rows, strict=False)) if len(set(column)) > 1)
            if place >= limit:
                return frames, -1
            beaten = [one for one, row in zip(frames, rows, strict=True) if row[place]]
            left = [one for one, row in zip(frames, rows, strict=True) if not row[place]]
            if any(not self.stations[one.station].passive for one in beaten):
                return left + beaten, place
            for one in beaten:
                self._blame(one.station)
                self._again(one)
            frames = left
        return frames, -1

    def _at_receivers(
        self, start: int, row: list[int], senders: tuple[int, ...], sent: _Frame
    ) -> tuple[int, frozenset[int], list[tuple[int, int, bytes]]]:
        """Bits flipped at one receiver: where the first of them cries out, who misses the frame, who misreads."""
        early, missed, wrong = _NEVER, set(), []
        for number, flips in enumerate(self._local):
            one = self.stations[number]
            places = flips.between(start, start + len(row))
            if not places or number in senders or one.off or not one.plugged:
                continue
            seen = list(row)
            for place in places:
                seen[place - start] ^= 1
            read = read_bits(seen)
            if read.fault:
                missed.add(number)
                if one.passive:
                    one.rec += 1
                else:
                    early = min(early, read.at)
            elif (read.ident, read.data, read.extended, read.remote) != (sent.ident, sent.data, True, False):
                missed.add(number)
                if read.extended and not read.remote:
                    wrong.append((number, read.ident, read.data))
        return early, frozenset(missed), wrong

    def _flag_of(self, senders: tuple[int, ...], seen: list[int]) -> int:
        """Bits of the error flags when senders see the last of these bits as wrong."""
        if not all(self.stations[number].passive for number in senders):
            return _flag(seen)
        if not any(not one.passive and one.plugged and not one.off for one in self.stations):
            return FLAG_BITS
        return _flag(seen, passive=True)

    def _fail(
        self, start: int, at: int, flag: int, frames: list[_Frame], *, blame: bool = True,
        receivers: frozenset[int] | None = None,
    ) -> None:  # fmt: skip
        """An error frame after bit `at`; everything is sent again. `receivers`: those that saw the error first."""
        self.errors += 1
        self.lost["error-frame"] += 1
        self._counting = True
        free = start + at + 1 + flag + DELIMITER_BITS + GAP_BITS
        senders = {one.station for one in frames}
        for number, one in enumerate(self.stations):
            if (number not in senders or not blame) and one.plugged and not one.off:
                one.rec += 9 if receivers and number in receivers else 1
        for frame in frames:
            if blame:
                self._blame(frame.station)
            one = self.stations[frame.station]
            if one.passive:
                one.suspended = free + SUSPEND_BITS
            self._again(frame)
        self._pass(start, free)

    def _blame(self, number: int) -> None:
        one = self.stations[number]
        one.tec += 8
        self._counting = True
        if one.tec >= BUS_OFF:
            one.off, one.off_left = True, RECOVERY

    def _again(self, frame: _Frame) -> None:
        heappush(self._ready, frame)


def _flag(seen: list[int], *, passive: bool = False) -> int:
    """Bits that error flags cover together, when one station flags the last of these bits as wrong.

    The others see its flag break a rule a little later, at the sixth equal bit or in the fixed bits at the end of the
    frame, and their flags follow. Nobody sees a passive flag: they see the silence.
    """
    read = read_bits([*seen, *([] if passive else [0] * FLAG_BITS), *_SILENCE])
    others = read.at if read.fault else len(seen)  # an overload flag behind the last bit but one
    return max(FLAG_BITS, others + 1 + FLAG_BITS - len(seen))
