"""Clocks that tools take: the wall clock on real links, virtual time on simulated ones."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Time in seconds from an arbitrary origin."""

    def now(self) -> float:
        """Seconds; never goes back."""

    def sleep(self, seconds: float) -> None:
        """Let this much time pass."""


class WallClock:
    """The machine's monotonic clock. One origin for all programs since the machine started, where the system has it."""

    def now(self) -> float:
        return time.perf_counter()  # monotonic() has steps of 16 ms on Windows before Python 3.13

    def sleep(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))
