"""What the tests of the page share: a wall clock that can be hurried, and looks at the last snapshot."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from ringlet.tools.page.bench_thread import Bench, wait_for
from ringlet.tools.page.snapshot import AxisShot

Place = tuple[int, int]
STILL = ("holding", "released", "faulted")


class Wall:
    """A clock that runs `factor` times as fast as the wall's: a simulated rig then does too."""

    def __init__(self, factor: float = 1.0) -> None:
        self.factor, self._lock = factor, threading.Lock()
        self._at, self._now = time.monotonic(), 0.0

    def now(self) -> float:
        with self._lock:
            at = time.monotonic()
            self._now += (at - self._at) * self.factor
            self._at = at
            return self._now

    @contextmanager
    def hurried(self, factor: float = 12.0) -> Iterator[None]:
        """For what takes long. Heartbeats of held buttons do not last through it."""
        before, self.factor = self.factor, factor
        try:
            yield
        finally:
            self.factor = before

    def sleep(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds) / self.factor)


def shot(bench: Bench, place: Place) -> AxisShot:
    return next(one for one in bench.snapshot.axes if (one.node, one.axis) == place)


def fresh(bench: Bench) -> None:
    """Wait until the snapshot shows all that was done before."""
    number = bench.snapshot.number
    assert wait_for(lambda: bench.snapshot.number > number + 1, 5)


def own(bench: Bench, *places: Place) -> None:
    """Take and enable these axes."""
    for place in places:
        bench.on_axis(place, lambda handle: (handle.take(force=True), handle.hold())).result(5)
        assert wait_for(lambda place=place: shot(bench, place).state == "holding", 5)  # type: ignore[misc]


def find(bench: Bench, *places: Place) -> None:
    """Know the travel of these axes, all at once."""
    own(bench, *places)
    for place in places:
        bench.on_axis(place, lambda handle: handle.find_stops(wait=False)).result(5)
    assert wait_for(lambda: all(shot(bench, p).calibrated and shot(bench, p).state in STILL for p in places), 60)


def at_rest(bench: Bench, *places: Place) -> None:
    fresh(bench)
    assert wait_for(lambda: all(shot(bench, place).state in STILL for place in places), 30)
