"""Simulated CAN frames against the bounds of `ringlet bus`: none later than its bound, the worst near it.

Every frame has its real length, stuff bits and CRC included. Half of the runs are built to hurt: the longest frame of
lower priority has just begun when everything of higher priority comes at once, with the jitter that packs the next ones
closest, and with data that need the most stuff bits. The other half have random phases, jitter and data.
The tests run it short. By hand: python tests/hwsim/long_bus.py --frames 10000000 [--seed 0]
Ends after that many frames; prints the slowest of each kind beside its bound. The rigs are invented.
"""

from __future__ import annotations

import argparse
import random
import time
from collections import defaultdict, deque
from collections.abc import Iterator, Sequence

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
SPAN_BOUNDS = 1.5
"""Messages are released for this many times the target's bound."""


class Slowest:
    """The slowest frame of each message, beside its bound."""

    def __init__(self) -> None:
        self.frames = 0
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
    return f"{len(plan.axes)} nodes, {sum(plan.axes)} motors, {plan.bitrate // 1000} kbit/s"


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


class Trial:
    """One plan on one bus."""

    def __init__(self, plan: Plan, rng: random.Random) -> None:
        self.plan, self.rng, self.name = plan, rng, name_of(plan)
        found = budget(plan)
        assert all(row.response_ms is not None for row in found.rows), "choose a plan that has bounds"
        self.rows = sorted(found.rows, key=lambda row: row.ident)
        bounds: dict[int, float] = defaultdict(float)
        for row in self.rows:  # copies of `stop` share an identifier, and so the bound of the last
            bounds[row.ident] = max(bounds[row.ident], row.response_ms or 0.0)
        self.bounds = dict(bounds)
        self.row_of = {row.ident: row for row in self.rows}
        self.bus = CanBus(plan.bitrate)
        for number in range(len(plan.axes) + 1):
            self.bus.attach(str(number))
        self.now_us = 0
        self.worst_data = {row.ident: long_data(row, rng) for row in self.rows}
        self.bit_us = 1_000_000 // plan.bitrate
        self.pause_us = int(1000 * max(row.period_ms + row.jitter_ms for row in self.rows)) + 1000

    def _send(self, row: Row, event_us: int, queued_us: int, data: bytes) -> None:
        self.planned.append((queued_us, row, event_us, data))

    def run(self, slowest: Slowest) -> None:
        """One burst of traffic, from an idle bus to an idle bus."""
        self.planned: list[tuple[int, Row, int, bytes]] = []
        self.now_us += self.pause_us
        target = self.rng.randrange(len(self.rows))
        span = int(1000 * SPAN_BOUNDS * self.bounds[self.rows[target].ident]) + 2000
        if self.rng.random() < 0.5:
            self._hurt(target, span)
        else:
            for row in self.rows:
                self._release(row, self.rng.randrange(int(1000 * row.period_ms)), span)
        waiting: dict[int, deque[int]] = defaultdict(deque)
        for queued, row, event, data in sorted(self.planned, key=lambda one: one[0]):
            station = 0 if row.node == EVERYONE or row.group in ("setpoint", "request") else 1 + row.node - NODE_FIRST
            self.bus.send(station, row.ident, data, queued)
            waiting[row.ident].append(event)
        self.now_us += span + 2_000_000
        for delivery in self.bus.advance(self.now_us):
            row = self.row_of[delivery.ident]
            event = waiting[delivery.ident].popleft()
            slowest.note(self.name, row, (delivery.at_us - event) / 1000, self.bounds[delivery.ident])
        assert not any(waiting.values()), "the bus lost a frame"

    def _release(self, row: Row, first: int, span: int) -> None:
        """Periodic events with random jitter and data, queued in the order of their events."""
        event, before = self.now_us + first, 0
        while event < self.now_us + span:
            before = max(before, event + self.rng.randint(0, int(1000 * row.jitter_ms)))
            self._send(row, event, before, self.rng.randbytes(row.size))
            event += -(-int(1e6 * row.period_ms) // 1000)

    def _hurt(self, target: int, span: int) -> None:
        """The critical instant of one message."""
        begin = self.now_us + 1000
        lower = self.rows[target + 1 :]
        if lower:
            longest = max(lower, key=lambda row: frame_length(row.ident, self.worst_data[row.ident]))
            self._send(longest, begin - self.bit_us, begin - self.bit_us, self.worst_data[longest.ident])
        for row in self.rows[: target + 1]:
            event = begin - int(1000 * row.jitter_ms)
            period = -(-int(1e6 * row.period_ms) // 1000)
            while event < begin + span:
                self._send(row, event, max(begin, event), self.worst_data[row.ident])
                event += period


def trials(plans: Sequence[Plan], seed: int) -> Iterator[Trial]:
    """The plans in turn, for ever."""
    made = [Trial(plan, random.Random(f"{seed} {place}")) for place, plan in enumerate(plans)]
    while True:
        yield from made


def simulate(frames: int, seed: int = 0, plans: Sequence[Plan] = PLANS, progress: bool = False) -> Slowest:
    """Run until so many frames have gone over the buses."""
    slowest, begun, said = Slowest(), time.monotonic(), 0
    for trial in trials(plans, seed):
        if slowest.frames >= frames or slowest.late:
            return slowest
        trial.run(slowest)
        if progress and slowest.frames // 1_000_000 > said:
            said = slowest.frames // 1_000_000
            print(f"  {said} million frames, {time.monotonic() - begun:.0f} s", flush=True)
    raise AssertionError("there is always another trial")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    slowest = simulate(given.frames, given.seed, progress=True)
    for (plan, name), (share, response, bound) in sorted(slowest.worst.items()):
        print(f"{plan:38} {name:14} slowest {response:8.3f} ms, bound {bound:8.3f} ms, {100 * share:5.1f} %")
    for text in slowest.late:
        print(f"LATE: {text}")
    print(f"{slowest.frames} frames, {len(slowest.late)} later than their bound, nearest {100 * slowest.nearest:.1f} %")
    return 1 if slowest.late else 0


if __name__ == "__main__":
    raise SystemExit(main())
