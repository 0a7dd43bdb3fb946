"""The frames of a take: when each begins and what its time address is."""

from __future__ import annotations

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


def runs(stamps: list[Stamp]) -> list[Run]:
    """Stretches between jumps. The line through each is a least-squares fit, which evens out when stamps arrived."""
    found: list[Run] = []
    begin = 0
    for place in range(1, len(stamps) + 1):
        if place < len(stamps):
            one, before = stamps[place], stamps[place - 1]
            if one.rate == before.rate and one.frame == (before.frame + 1) % one.rate.day:
                continue
        part = stamps[begin:place]
        begin = place
        if len(part) >= SHORTEST:
            found.append(_run(part))
    return found


def _run(part: list[Stamp]) -> Run:
    rate = part[0].rate
    count = np.arange(len(part), dtype=np.float64)
    times = np.array([stamp.time_s for stamp in part])
    nominal = 1.0 / float(rate.fps)
    slope, start = nominal, float(np.mean(times - nominal * count))
    if len(part) > 10 * rate.nominal:  # a shorter stretch says nothing about drift that its jitter does not hide
        slope, start = (float(one) for one in np.polyfit(count, times, 1))
    return Run(start, start + slope * len(part), part[0].frame, rate, 1.0 / slope)


class Grid(NamedTuple):
    """Frames of an export, in rising time."""

    time_s: Array
    frame: list[int]
    rate: Rate
    about: str


def grid(stamps: list[Stamp], first_s: float, last_s: float, rate: Rate, start: int | None = None) -> Grid:
    """Frames at `rate` from the first to the last sample. `start` is the address of the first one, if it is given.

    With time addresses of the same rate the frames are those of the take. At another rate they begin at the take's
    first address, read at the new rate (same hour, minute and second). Without any they begin at `start`, or 0.
    """
    if last_s <= first_s:
        raise UsageProblem("the take has no two samples at different times; there is nothing to export.")
    found = runs(stamps)
    if start is None and found and all(run.rate == rate for run in found):
        times: list[Array] = []
        frames: list[int] = []
        for run in found:
            count = np.arange(round((run.end_s - run.begin_s) * run.pace))
            at = run.begin_s + count / run.pace
            count = count[(at >= first_s - TINY) & (at <= last_s + TINY)]
            times.append(run.begin_s + count / run.pace)
            frames += [int((run.first + one) % rate.day) for one in count]
        return Grid(np.concatenate(times), frames, rate, "the frames of the take")
    begin, first = first_s, 0 if start is None else start
    about = "frames from the first sample on, numbered from " + ("00:00:00:00" if start is None else "--start")
    if start is None and found:
        # The first address of the take that begins a frame of both rates is the take's first one.
        run = found[0]
        begin, first = max(run.begin_s, 0.0), relabel(run.first, run.rate, rate)
        about = f"frames from the take's first time address on, which counts at {run.rate.name}, read at {rate.name}"
        skip = max(0, int(np.ceil((first_s - begin) * float(rate.fps) - TINY)))
        begin, first = begin + skip / float(rate.fps), first + skip
    count = np.arange(int(np.floor((last_s - begin) * float(rate.fps) + TINY)) + 1)
    return Grid(begin + count / float(rate.fps), [int((first + one) % rate.day) for one in count], rate, about)
