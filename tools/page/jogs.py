"""Jogs: rings that turn while somebody holds a button, and what makes sure that they end."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ringlet.tools.clock import Clock
from ringlet.tools.errors import UsageProblem
from ringlet.tools.page.snapshot import AxisShot
from ringlet.tools.places import Place

HEARTBEAT: Final = 0.1
"""Seconds between two signs of life of a held button."""
DEAD_MAN: Final = 0.3
"""Seconds without a sign of life after which a jog is stopped."""
STOP_AGAIN: Final = 0.1
"""Seconds between two stops of a jog that nobody holds, while its ring is still heard to turn."""


@dataclass
class _Hold:
    """A button that somebody holds."""

    id: str
    beat: float


class Jogs:
    """Held buttons by axis; any thread may call. `wall` is the clock of their heartbeats."""

    def __init__(self, wall: Clock) -> None:
        self._wall, self._lock = wall, threading.Lock()
        self._holds: dict[Place, _Hold] = {}
        self._dead: dict[Place, float] = {}
        """stopped, until their rings are heard not to turn -> when to stop them again, monotonic s"""

    def begin(self, place: Place, hold: str) -> None:
        """A button is pressed. Raises UsageProblem while somebody else holds one of this axis."""
        with self._lock:
            if place in self._holds:
                raise UsageProblem("somebody else is jogging this axis; wait until it is let go.")
            self._holds[place] = _Hold(hold, self._wall.now())

    def holds(self, place: Place, hold: str) -> bool:
        """Whether that button is still held."""
        with self._lock:
            held = self._holds.get(place)
            return held is not None and held.id == hold

    def beat(self, place: Place, hold: str) -> bool:
        """A sign of life. False when that jog has ended."""
        with self._lock:
            held = self._holds.get(place)
            if held is None or held.id != hold:
                return False
            held.beat = self._wall.now()
            return True

    def end(self, place: Place, hold: str) -> bool:
        """The button is free. False when that jog has ended already."""
        with self._lock:
            held = self._holds.get(place)
            if held is None or held.id != hold:
                return False
            del self._holds[place]
            return True

    def clear(self) -> None:
        """Nothing is held any more."""
        with self._lock:
            self._holds.clear()

    def held(self) -> frozenset[Place]:
        """Axes with a button that is held."""
        with self._lock:
            return frozenset(self._holds)

    def dead(self) -> list[Place]:
        """Axes to stop now, because nobody has given a sign of life: said once, then see `again`."""
        with self._lock:
            now = self._wall.now()
            found = [place for place, hold in self._holds.items() if now - hold.beat > DEAD_MAN]
            for place in found:
                del self._holds[place]
                self._dead[place] = time.monotonic() + STOP_AGAIN
            return found

    def again(self, shots: Mapping[Place, AxisShot], source: int) -> list[Place]:
        """Axes to stop once more: a stop has no answer, and theirs are heard to turn on by our doing."""
        found = []
        for place, due in list(self._dead.items()):
            if shots[place].state != "running" or shots[place].owner != source:
                del self._dead[place]
            elif time.monotonic() >= due:
                self._dead[place] = time.monotonic() + STOP_AGAIN
                found.append(place)
        return found

    def anew(self, place: Place) -> None:
        """Something else is asked of this axis from now on."""
        self._dead.pop(place, None)
