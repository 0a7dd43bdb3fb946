"""Tells what a busy machine does to a live run from what the protocol does: when a process was not given its time.

In each process a thread looks at the clock every five milliseconds; a longer gap is a hold-up. In the process of the
served rig it counts only while the rig was not stepped either, so that a rig that blocks by itself is not excused. What
goes wrong in a live run is put down to the machine only when hold-ups in that very time account for it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from contextlib import suppress
from ctypes import c_double
from multiprocessing.connection import Connection
from typing import Final, NamedTuple

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.tools.serve import TICK

HOLD_UP_S: Final = 0.02
"""A gap from which on it counts."""
LOOK_S: Final = 0.005
EXPLAINS_S: Final = {"repeat": 0.05, "unanswered": 0.15, "refused": 0.3, "unrested": 0.5}
"""Seconds of hold-ups that account for it: half of what a link adds for the host to each try, to three tries; the time
after which a keep-alive is due; what a move of the soak has to spare."""

HoldUp = tuple[float, float]
"""Begin and end on the monotonic clock, which all processes of a machine share."""


class Incident(NamedTuple):
    """Something that went wrong, and the time in which its cause lies."""

    what: str
    begin: float
    end: float


class Held(NamedTuple):
    """Hold-ups of a run together."""

    count: int
    total_s: float
    longest_s: float


def held(hold_ups: Iterable[HoldUp], begin: float, end: float) -> Held:
    """The hold-ups in this time; where two processes were held up at once, it counts once."""
    joined: list[list[float]] = []
    for first, last in sorted((max(a, begin), min(b, end)) for a, b in hold_ups if a < end and b > begin):
        if joined and first <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], last)
        else:
            joined.append([first, last])
    lengths = [last - first for first, last in joined]
    return Held(len(lengths), sum(lengths), max(lengths, default=0.0))


def both(some: Iterable[HoldUp], others: list[HoldUp]) -> list[HoldUp]:
    """The times that lie in one of these and in one of those."""
    pairs = ((max(a, c), min(b, d)) for a, b in some for c, d in others if a < d and c < b)
    return [(begin, end) for begin, end in pairs if end > begin]


def excused(incidents: Iterable[Incident], hold_ups: list[HoldUp]) -> list[Incident]:
    """Those that the machine's hold-ups account for."""
    return [one for one in incidents if held(hold_ups, one.begin, one.end).total_s >= EXPLAINS_S[one.what]]


class OwnTime:
    """Watches the process it runs in, from `start` to `stop`."""

    def __init__(self) -> None:
        self.hold_ups: list[HoldUp] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        before = time.monotonic()
        while not self._over.wait(LOOK_S):
            now = time.monotonic()
            if now - before > HOLD_UP_S + LOOK_S:
                self.hold_ups.append((before + LOOK_S, now))
            before = now


class Machine:
    """Both processes of a live run: this one, and the one that serves."""

    def __init__(self, served: int, behind: c_double) -> None:
        self.served, self._behind = served, behind
        self._own = OwnTime()
        self._own.start()

    def behind_s(self) -> float:
        """How far the served rig is behind the clock."""
        return float(self._behind.value)

    def trouble_s(self) -> float:
        """How long this process was held up so far, and how far the rig is behind."""
        return self.behind_s() + sum(end - begin for begin, end in self._own.hold_ups)

    def end(self, pipe: Connection) -> list[HoldUp]:
        """The hold-ups of both, when the other is told to end."""
        self._own.stop()
        while pipe.poll(10.0):
            try:
                told = pipe.recv()
            except EOFError:
                break
            if isinstance(told, list):  # or it is the link of a rig that came too late
                return told + self._own.hold_ups
        return self._own.hold_ups


class WatchedRig(SimRig):
    """A rig that notes when it was not stepped, and how far its time is behind the clock."""

    gaps: list[HoldUp]
    behind: c_double
    _begun = _before = 0.0
    _steps = 0

    def step(self) -> list[tuple[int, bytes]]:
        now = time.monotonic()
        if self._steps == 0:
            self._begun = self._before = now
        if now - self._before > HOLD_UP_S:
            self.gaps.append((self._before + TICK, now))
        said = super().step()
        self._steps += 1
        self._before = time.monotonic()
        self.behind.value = self._before - self._begun - TICK * self._steps
        return said


def serve_watched(name: str, ready: Connection, behind: c_double) -> None:
    """A process of its own: the rig against the wall clock until SIGTERM; then its hold-ups go through the pipe."""
    from ringlet.tools.serve import serve

    rig = WatchedRig(load_rig(name))
    rig.gaps, rig.behind = [], behind
    own = OwnTime()
    own.start()
    serve(rig, "tcp", ready.send, threading.Event())
    own.stop()
    with suppress(OSError):  # nobody may be there any more
        ready.send(both(rig.gaps, own.hold_ups))
