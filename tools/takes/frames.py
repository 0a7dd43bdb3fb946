"""The frames of a take: when each begins and what its time address is. Nothing here grows with the length of a take."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple

import numpy as np

from ringlet.tools.errors import UsageProblem
from ringlet.tools.takes.columns import Array
from ringlet.tools.takes.reader import Stamp
from ringlet.tools.takes.timecodes import Rate, relabel

TINY: Final = 1e-9
"""Seconds of rounding."""
SHORTEST: Final = 2
"""Stamps that make a run of time addresses; a single one between two jumps is left out."""


class Run(NamedTuple):
    """Time addresses that go on without a jump: frame = first + rate * (time - begin), on the clock of the take."""

    begin_s: float
    end_s: float
    """where the last frame ends"""
    first: int
    rate: Rate
    pace: float
    """frames in a second of the take's clock, beside which the clock of the frames may drift"""


class _Line:
    """A stretch of stamps without a jump, as sums from which its least-squares line follows (B. P. Welford, "Note on a
    method for calculating corrected sums of squares and products", Technometrics 4, 1962; from memory)."""

    def __init__(self, first: Stamp) -> None:
        self.first, self.last, self.count = first, first, 0
        self._place = self._time = self._square = self._product = 0.0
        self.add(first)

    def add(self, stamp: Stamp) -> None:
        """The next stamp."""
        place = float(self.count)
        self.count += 1
        off = place - self._place
        self._place += off / self.count
        self._time += (stamp.time_s - self._time) / self.count
        self._square += off * (place - self._place)
        self._product += off * (stamp.time_s - self._time)
        self.last = stamp

    def goes_on(self, stamp: Stamp) -> bool:
        """Whether this stamp is the next frame."""
        last = self.last
        return stamp.rate == last.rate and stamp.frame == (last.frame + 1) % last.rate.day

    def run(self) -> Run:
        """The line through all of them, which evens out when they arrived."""
        rate = self.first.rate
        slope = 1.0 / float(rate.fps)
        if self.count > 10 * rate.nominal:  # a shorter stretch says nothing about drift that its jitter does not hide
            slope = self._product / self._square
        start = self._time - slope * self._place
        return Run(start, start + slope * self.count, self.first.frame, rate, 1.0 / slope)


def runs(stamps: Iterable[Stamp]) -> list[Run]:
    """Stretches between jumps, each a straight line."""
    found: list[_Line] = []
    for stamp in stamps:
        if found and found[-1].goes_on(stamp):
            found[-1].add(stamp)
        else:
            if found and found[-1].count < SHORTEST:
                found.pop()
            found.append(_Line(stamp))
    return [one.run() for one in found if one.count >= SHORTEST]


class Piece(NamedTuple):
    """Frames without a jump: number k, from `start` on, begins at begin_s + k / pace and has the address first + k."""

    begin_s: float
    pace: float
    first: int
    start: int
    size: int

    def time_s(self, place: int) -> float:
        """When the frame at this place of the piece begins."""
        return self.begin_s + (self.start + place) / self.pace


def _piece(begin_s: float, pace: float, first: int, most: float, first_s: float, last_s: float) -> Piece:
    """The frames of at most `most` that begin between two times, ends included."""
    start = max(0, math.ceil((first_s - TINY - begin_s) * pace))
    end = min(most, math.floor((last_s + TINY - begin_s) * pace) + 1)
    return Piece(begin_s, pace, first, start, max(0, round(end - start)))


class Block(NamedTuple):
    """Some frames of an export, one after the other."""

    time_s: Array
    frame: list[int]
    """frames since 00:00:00:00 of the count"""
    keep_s: float
    """no frame of a later block begins before this"""


class Grid(NamedTuple):
    """Frames of an export, in rising time."""

    pieces: list[Piece]
    rate: Rate
    about: str

    @property
    def frames(self) -> int:
        """How many there are."""
        return sum(piece.size for piece in self.pieces)

    def blocks(self, most: int) -> Iterator[Block]:
        """All frames, at most so many at a time."""
        later = [math.inf] * (len(self.pieces) + 1)
        for number in range(len(self.pieces) - 1, -1, -1):  # lines through neighbouring runs may overlap a little
            later[number] = min(later[number + 1], self.pieces[number].time_s(0))
        for number, piece in enumerate(self.pieces):
            for begin in range(0, piece.size, most):
                count = piece.start + np.arange(begin, min(begin + most, piece.size))
                end = begin + len(count)
                after = piece.time_s(end) if end < piece.size else math.inf
                yield Block(
                    piece.begin_s + count / piece.pace, [int((piece.first + one) % self.rate.day) for one in count],
                    min(after, later[number + 1]),
                )  # fmt: skip


def grid(stamps: Iterable[Stamp], first_s: float, last_s: float, rate: Rate, start: int | None = None) -> Grid:
    """Frames at `rate` from the first to the last sample. `start` is the address of the first one, if it is given.

    With time addresses of the same rate the frames are those of the take. At another rate they begin at the take's
    first address, read at the new rate (same hour, minute and second). Without any they begin at `start`, or 0.
    """
    if last_s <= first_s:
        raise UsageProblem("the take has no two samples at different times; there is nothing to export.")
    found = runs(stamps)
    if start is None and found and all(run.rate == rate for run in found):
        pieces = [
            _piece(run.begin_s, run.pace, run.first, round((run.end_s - run.begin_s) * run.pace), first_s, last_s)
            for run in found
        ]
        return Grid([piece for piece in pieces if piece.size], rate, "the frames of the take")
    begin, first = first_s, 0 if start is None else start
    about = "frames from the first sample on, numbered from " + ("00:00:00:00" if start is None else "--start")
    if start is None and found:
        # The first address of the take that begins a frame of both rates is the take's first one.
        run = found[0]
        begin, first = max(run.begin_s, 0.0), relabel(run.first, run.rate, rate)
        about = f"frames from the take's first time address on, which counts at {run.rate.name}, read at {rate.name}"
        skip = max(0, int(np.ceil((first_s - begin) * float(rate.fps) - TINY)))
        begin, first = begin + skip / float(rate.fps), first + skip
    piece = _piece(begin, float(rate.fps), first, math.inf, begin, last_s)
    return Grid([piece] if piece.size else [], rate, about)
