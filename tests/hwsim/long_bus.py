"""Simulated CAN frames against the bounds of `ringlet bus`: none later than its bound, the worst near it.

Every frame has its real length, stuff bits and CRC included. Half of the runs are built to hurt: the longest frame of
lower priority has just begun when everything of higher priority comes at once, with the jitter that packs the next ones
closest, and with data that need the most stuff bits. The other half have random phases, jitter and data.
With --errors, bits are flipped too, never more than the plan's error model allows: in the runs that hurt a whole burst
at the critical instant and then as often as allowed, in the last bit that makes a sender repeat a frame that nobody has
taken; in the others anywhere, the very last bit of a frame included.
The tests run it short. By hand: python tests/hwsim/long_bus.py --frames 10000000 [--errors] [--seed 0]
Ends after that many frames; prints the slowest of each kind beside its bound. The rigs are invented.
"""

from __future__ import annotations

import argparse
import random
import time
from abc import ABC, abstractmethod
from collections import defaultdict, deque
from collections.abc import Callable, Sequence
from itertools import cycle

from ringlet.hwsim.bus import Delivery
from ringlet.hwsim.can_bits import frame_length
from ringlet.hwsim.can_bus import CanBus
from ringlet.protocol.header import EVERYONE, NODE_FIRST
from ringlet.tools.bus_load import Plan, Row, budget

PLANS = (
    Plan((2, 2, 2, 2)),
    Plan((1,) * 8, bitrate=250_000, rate=50, setpoints=50),
    Plan((3,), bitrate=125_000, rate=40, setpoints=40, telemetry=("motion", "status")),
    Plan((1, 1), bitrate=1_000_000, rate=500, setpoints=200, telemetry=("motion", "drive", "sample")),
)
ERROR_PLANS = (
    Plan((2, 2, 2, 2), errors=20, burst=3),
    Plan((1,) * 8, bitrate=250_000, rate=50, setpoints=50, errors=10, burst=2),
    Plan((1, 1), bitrate=1_000_000, rate=200, setpoints=200, telemetry=("motion", "drive"), errors=100),
)
SPAN_BOUNDS = 1.5
"""Messages are released for this many times the target's bound."""


class Slowest:
    """The slowest frame of each message, beside its bound."""

    def __init__(self) -> None:
        self.frames = 0
        self.errors = 0
        """error frames"""
        self.late: list[str] = []
        self.worst: dict[tuple[str, str], tuple[float, float, float]] = {}
        """(plan, message) -> (share of the bound, response, bound) in ms"""

    def note(self, plan: str, row: Row, response_ms: float, bound_ms: float) -> None:
        self.frames += 1
        share = response_ms / bound_ms
        key = (plan, row.name)
        if share > self.worst.get(key, (0.0, 0.0, 0.0))[0]:
            self.worst[key] = (share, response_ms, bound_ms)
        if response_ms > bound_ms + 1e-9:
            self.late.append(f"{plan}, {row.name} {row.node}.{row.axis}: {response_ms:.4f} ms, bound {bound_ms:.4f} ms")

    @property
    def nearest(self) -> float:
        return max((share for share, _, _ in self.worst.values()), default=0.0)


def name_of(plan: Plan) -> str:
    errors = f", {plan.errors:g} errors/s, {plan.burst} at once" if plan.errors else ""
    return f"{len(plan.axes)} nodes, {sum(plan.axes)} motors, {plan.bitrate // 1000} kbit/s{errors}"


class WithinModel:
    """Flips a bit of a frame where the error model allows it: a store of `burst` errors, one more in each gap."""

    def __init__(self, burst: int, gap: int, rng: random.Random) -> None:
        self.burst, self.gap, self.rng = burst, gap, rng
        self.full_at = 0
        """bit at which the store is full again"""
        self.attack: tuple[int, int] | None = None
        """(first bit, shortest frame worth it): hit as hard as allowed; None: anywhere, now and then"""
        self.doubled: set[int] = set()
        """bits at which frames ended whose last bit was hit: all have taken them, and they come once more"""

    def between(self, start: int, end: int) -> list[int]:
        if self.attack is None:
            place = self.rng.randrange(start, end)
            if self.rng.random() > 0.2 or not self._may(place):
                return []
        else:
            first, shortest = self.attack
            place = end - 2
            if start < first or (end - start < shortest and self.rng.random() < 0.7) or not self._may(place):
                return []
        self.full_at = max(self.full_at, place) + self.gap
        if place == end - 1:
            self.doubled.add(end)
        return [place]

    def _may(self, place: int) -> bool:
        return self.full_at - place <= (self.burst - 1) * self.gap


def long_data(row: Row, rng: random.Random) -> bytes:
    """Data that need many stuff bits under this identifier."""
    best = max(
        (bytes((fill,)) * row.size for fill in bytes.fromhex("00 FF 0F F0 83 7C 1E E1 C3 3C 87 78")),
        key=lambda data: frame_length(row.ident, data),
    )
    for _ in range(600):
        other = bytearray(best)
        other[rng.randrange(row.size)] = rng.randrange(256)
        if frame_length(row.ident, bytes(other)) >= frame_length(row.ident, best):
            best = bytes(other)
    return best


class Traffic(ABC):
    """The messages of one plan, planned for one burst after the other; who carries them is for the subclass to say."""

    def __init__(self, plan: Plan, rng: random.Random, name: str) -> None:
        self.plan, self.rng, self.name = plan, rng, name
        found = budget(plan)
        assert all(row.response_ms is not None for row in found.rows), "choose a plan that has bounds"
        self.rows = sorted(found.rows, key=lambda row: row.ident)
        bounds: dict[int, float] = defaultdict(float)
        for row in self.rows:  # copies of `stop` share an identifier, and so the bound of the last
            bounds[row.ident] = max(bounds[row.ident], row.response_ms or 0.0)
        self.bounds = dict(bounds)
        self.row_of = {row.ident: row for row in self.rows}
        self.now_us = 0
        self.pause_us = int(1000 * max(row.period_ms + row.jitter_ms for row in self.rows)) + 1000
        self.planned: list[tuple[int, Row, int, bytes]] = []
        """(when it is queued, message, its event, data)"""

    @abstractmethod
    def length(self, row: Row) -> int:
        """How long it holds the bus when it is at its worst, in any unit."""

    @abstractmethod
    def data(self, row: Row) -> bytes:
        """Data with which it is at its worst."""

    def _send(self, row: Row, event_us: int, queued_us: int, data: bytes) -> None:
        self.planned.append((queued_us, row, event_us, data))

    def _release(self, row: Row, first: int, span: int) -> None:
        """Periodic events with random jitter and data, queued in the order of their events."""
        event, before = self.now_us + first, 0
        while event < self.now_us + span:
            before = max(before, event + self.rng.randint(0, int(1000 * row.jitter_ms)))
            self._send(row, event, before, self.rng.randbytes(row.size))
            event += -(-int(1e6 * row.period_ms) // 1000)

    def calm(self, span: int) -> None:
        """Random phases."""
        self.planned = []
        for row in self.rows:
            self._release(row, self.rng.randrange(int(1000 * row.period_ms)), span)

    def hurt(self, target: int, begin: int, early_us: int, span: int) -> None:
        """The critical instant of one message: what is above it comes at `begin`, the longest below so much earlier."""
        self.planned = []
        lower = self.rows[target + 1 :]
        if lower:
            longest = max(lower, key=self.length)
            self._send(longest, begin - early_us, begin - early_us, self.data(longest))
        for row in self.rows[: target + 1]:
            event = begin - int(1000 * row.jitter_ms)
            period = -(-int(1e6 * row.period_ms) // 1000)
            while event < begin + span:
                self._send(row, event, max(begin, event), self.data(row))
                event += period

    def span(self, target: int) -> int:
        """For how long to send when this message is looked at, in microseconds."""
        return int(1000 * SPAN_BOUNDS * self.bounds[self.rows[target].ident]) + 2000

    @abstractmethod
    def run(self, slowest: Slowest) -> None:
        """One burst of traffic, from an idle bus to an idle bus."""


class Trial(Traffic):
    """One plan on one CAN bus."""

    def __init__(self, plan: Plan, rng: random.Random) -> None:
        super().__init__(plan, rng, name_of(plan))
        gap = -(-plan.bitrate // plan.errors) if plan.errors else 0
        self.flips = WithinModel(plan.burst, int(gap), rng) if plan.errors else None
        self.bus = CanBus(plan.bitrate, flips=self.flips)
        for number in range(len(plan.axes) + 1):
            self.bus.attach(str(number))
        self.repeated: set[int] = set()
        """identifiers whose next frame is one that all have taken already"""
        self.worst_data = {row.ident: long_data(row, rng) for row in self.rows}
        self.bit_us = 1_000_000 // plan.bitrate

    def length(self, row: Row) -> int:
        return frame_length(row.ident, self.worst_data[row.ident])

    def data(self, row: Row) -> bytes:
        return self.worst_data[row.ident]

    def run(self, slowest: Slowest) -> None:
        self.now_us += self.pause_us
        target = self.rng.randrange(len(self.rows))
        span = self.span(target)
        if self.flips is not None:
            self.flips.attack = None
            self.flips.doubled.clear()
        if self.rng.random() < 0.5:
            begin = self.now_us + 1000
            if self.flips is not None:
                self.flips.attack = begin // self.bit_us, max(self.length(row) for row in self.rows[: target + 1])
            self.hurt(target, begin, self.bit_us, span)
        else:
            self.calm(span)
        waiting: dict[int, deque[int]] = defaultdict(deque)
        errors = self.bus.errors
        for station in self.bus.stations:  # the good frames of the pause before are not simulated
            station.tec = station.rec = 0
        for queued, row, event, data in sorted(self.planned, key=lambda one: one[0]):
            station = 0 if row.node == EVERYONE or row.group in ("setpoint", "request") else 1 + row.node - NODE_FIRST
            self.bus.send(station, row.ident, data, queued)
            waiting[row.ident].append(event)
        self.now_us += span + 2_000_000
        for delivery in self.bus.advance(self.now_us):
            row = self.row_of[delivery.ident]
            if not self._again(delivery):
                event = waiting[delivery.ident].popleft()
                slowest.note(self.name, row, (delivery.at_us - event) / 1000, self.bounds[delivery.ident])
        assert not any(waiting.values()), "the bus lost a frame"
        assert not any(station.passive for station in self.bus.stations), "the bound is for error-active senders"
        slowest.errors += self.bus.errors - errors

    def _again(self, delivery: Delivery) -> bool:
        """Whether this frame was taken before: the one before it under its identifier was hit in its last bit."""
        again = delivery.ident in self.repeated
        self.repeated.discard(delivery.ident)
        if self.flips is not None and delivery.at_us // self.bit_us in self.flips.doubled:
            self.repeated.add(delivery.ident)
        return again


def simulate(
    frames: int, seed: int = 0, plans: Sequence[Plan] = PLANS, progress: bool = False,
    make: Callable[[Plan, random.Random], Traffic] = Trial,
) -> Slowest:  # fmt: skip
    """Run until so many frames have gone over the buses, the plans in turn."""
    slowest, begun, said = Slowest(), time.monotonic(), 0
    for trial in cycle([make(plan, random.Random(f"{seed} {place}")) for place, plan in enumerate(plans)]):
        if slowest.frames >= frames or slowest.late:
            return slowest
        trial.run(slowest)
        if progress and slowest.frames // 1_000_000 > said:
            said = slowest.frames // 1_000_000
            print(f"  {said} million frames, {time.monotonic() - begun:.0f} s", flush=True)
    raise AssertionError("there is always another trial")


def show(slowest: Slowest) -> int:
    """Print the figures; 1 when a bound is broken."""
    for (plan, name), (share, response, bound) in sorted(slowest.worst.items()):
        print(f"{plan:62} {name:14} slowest {response:8.3f} ms, bound {bound:8.3f} ms, {100 * share:5.1f} %")
    for text in slowest.late:
        print(f"LATE: {text}")
    errors = f"{slowest.errors} error frames, " if slowest.errors else ""
    print(
        f"{slowest.frames} frames, {errors}{len(slowest.late)} later than their bound, "
        f"nearest {100 * slowest.nearest:.1f} %"
    )
    return 1 if slowest.late else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=10_000_000)
    parser.add_argument("--errors", action="store_true", help="with errors on the bus, inside the plans' error model")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    plans = ERROR_PLANS if given.errors else PLANS
    return show(simulate(given.frames, given.seed, plans, progress=True))


if __name__ == "__main__":
    raise SystemExit(main())
