"""Traces of one axis over time, in memory that is bounded from the start."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

COLUMNS: Final = ("position_deg", "setpoint_deg", "velocity_deg_s", "load_percent")
"""What a row holds beside its time in seconds."""


class Trace:
    """The last `capacity` samples; older ones are overwritten. A row takes 24 bytes."""

    def __init__(self, capacity: int) -> None:
        if capacity < 1:
            raise ValueError("a trace holds one sample at the least")
        self.capacity = capacity
        self.count = 0
        """samples ever added"""
        self._last = -1.0
        self._times = np.zeros(capacity, dtype=np.float64)
        self._rows = np.zeros((capacity, len(COLUMNS)), dtype=np.float32)

    @property
    def bytes(self) -> int:
        """Memory of the buffers; it never changes."""
        return self._times.nbytes + self._rows.nbytes

    def add(self, time_s: float, row: tuple[float, float, float, float]) -> None:
        """Append one sample. Times only rise: one that is not later (a clock was set) counts as just after the last."""
        place = self.count % self.capacity
        self._last = max(time_s, self._last + 1e-6)
        self._times[place] = self._last
        self._rows[place] = row
        self.count += 1

    def since(self, number: int) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
        """Samples from this number on that are still there: times (n,), rows (n, 4)."""
        first = max(number, self.count - self.capacity, 0)
        places = np.arange(first, max(first, self.count)) % self.capacity
        return self._times[places], self._rows[places]

    def part(self, begin: float, end: float, points: int) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
        """Samples from `begin` to `end` seconds, as `since`. More than `points` are thinned out: of each stretch its
        lowest and its highest position stay, so that no peak is lost."""
        times, rows = self.since(0)
        first, last = (int(np.searchsorted(times, at)) for at in (begin, end))
        times, rows = times[first:last], rows[first:last]
        stretch = -(-2 * len(times) // max(2, points))
        if stretch <= 2:
            return times, rows
        whole = len(times) // stretch * stretch
        place = rows[:whole, 0].reshape(-1, stretch)
        base = np.arange(0, whole, stretch)
        chosen = np.unique(np.concatenate((base + place.argmin(axis=1), base + place.argmax(axis=1), [len(times) - 1])))
        return times[chosen], rows[chosen]

    def csv(self) -> str:
        """All samples that are still there, as text with a heading; time in s of the link's clock."""
        times, rows = self.since(0)
        lines = [",".join(("time_s", *COLUMNS))]
        lines += [
            f"{at:.4f},{row[0]:.3f},{row[1]:.3f},{row[2]:.3f},{row[3]:.0f}" for at, row in zip(times, rows, strict=True)
        ]
        return "\n".join(lines) + "\n"
