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
        self._times = np.zeros(capacity, dtype=np.float64)
        self._rows = np.zeros((capacity, len(COLUMNS)), dtype=np.float32)

    @property
    def bytes(self) -> int:
        """Memory of the buffers; it never changes."""
        return self._times.nbytes + self._rows.nbytes

    def add(self, time_s: float, row: tuple[float, float, float, float]) -> None:
        """Append one sample."""
        place = self.count % self.capacity
        self._times[place] = time_s
        self._rows[place] = row
        self.count += 1

    def since(self, number: int) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
        """Samples from this number on that are still there: times (n,), rows (n, 4)."""
        first = max(number, self.count - self.capacity, 0)
        places = np.arange(first, max(first, self.count)) % self.capacity
        return self._times[places], self._rows[places]

    def csv(self) -> str:
        """All samples that are still there, as text with a heading; time in s of the link's clock."""
        times, rows = self.since(0)
        lines = [",".join(("time_s", *COLUMNS))]
        lines += [
            f"{at:.4f},{row[0]:.3f},{row[1]:.3f},{row[2]:.3f},{row[3]:.0f}" for at, row in zip(times, rows, strict=True)
        ]
        return "\n".join(lines) + "\n"
