"""Simulated serial frames against the bounds of `ringlet bus`: none later than its bound, the worst near it.

The same proof as long_bus.py, on `hwsim/serial_line.py`. On a line with one node the control says what is most urgent
first, the node what it likes: most urgent first, in turn, in any order, or the message that is looked at last. On a
shared line the control begins one exchange after the other and waits for the end of each; nodes answer at once, or as
late as the plan allows. Half of the runs are built to hurt, as in long_bus.py; the moments do not fit the bits of the
line. Noise is left out: nothing sends a damaged frame again by itself, and so a bound holds for frames that arrive.
The tests run it short. By hand: python tests/hwsim/long_serial.py --frames 1000000 [--seed 0]
Ends after that many frames (requests and answers of a shared line count as one); prints the slowest of each kind.
"""

from __future__ import annotations

import argparse
import random
from collections import defaultdict, deque
from collections.abc import Callable
from heapq import heappop, heappush
from typing import Final

from long_bus import Slowest, Traffic, show, simulate

from ringlet.hwsim.bus import EAR, Delivery
from ringlet.hwsim.serial_line import SerialLine
from ringlet.protocol.header import CONTROL_FIRST, NODE_FIRST, Header, unpack_header
from ringlet.protocol.wire import KINDS
from ringlet.tools.bus_load import Plan, Row

SERIAL_PLANS = (
    Plan((2,), is_can=False, bitrate=115_200, rate=50, setpoints=50),
    Plan((3,), is_can=False, bitrate=230_400, rate=40, setpoints=40, telemetry=("motion", "status")),
    Plan((1, 1, 1), is_can=False, bitrate=115_200, rate=10, setpoints=20, polls=1, moves=1),
    Plan((1,) * 8, is_can=False, bitrate=1_000_000, rate=20, setpoints=20, reply_ms=1.0),
)
Order = Callable[[Row, int], tuple[int, int]]
"""By what a station chooses among what waits: the lowest first; the number counts up."""
_NEVER: Final = 1 << 62


def name_of(plan: Plan) -> str:
    line = "shared line" if plan.shared else "line with one node"
    return f"{len(plan.axes)} nodes, {sum(plan.axes)} motors, {line}, {plan.bitrate} baud"


def is_from_node(row: Row) -> bool:
    return unpack_header(row.ident).src >= NODE_FIRST


class _Queue:
    """What one station has to say, at its own choice."""

    def __init__(self, planned: list[tuple[int, Row, int, bytes]], order: Order) -> None:
        self._coming = deque(sorted(planned, key=lambda one: one[0]))
        self._ready: list[tuple[tuple[int, int], int, Row, int, bytes]] = []
        self._order, self._number = order, 0

    def next_us(self, free_us: int) -> int:
        """When it begins its next message, if it may speak from `free_us` on."""
        if self._ready:
            return free_us
        return max(free_us, self._coming[0][0]) if self._coming else _NEVER

    def choose(self, now_us: int) -> tuple[Row, int, bytes]:
        """(message, its event, data) of what it says now."""
        while self._coming and self._coming[0][0] <= now_us:
            _, row, event, data = self._coming.popleft()
            self._number += 1
            heappush(self._ready, (self._order(row, self._number), self._number, row, event, data))
        return heappop(self._ready)[2:]


class SerialTrial(Traffic):
    """One plan on one serial line."""

    def __init__(self, plan: Plan, rng: random.Random) -> None:
        super().__init__(plan, rng, name_of(plan))
        self.line = SerialLine(plan.bitrate)
        for number in range(len(plan.axes) + 1):
            self.line.attach(str(number))
        self.hurting = False
        self.waiting: dict[int, deque[tuple[Row, int]]] = defaultdict(deque)
        """by the identifier that ends it: message and event"""

    def length(self, row: Row) -> int:
        return round(1e6 * row.length_ms)

    def data(self, row: Row) -> bytes:
        return self.rng.randbytes(row.size)

    def run(self, slowest: Slowest) -> None:
        self.now_us += self.pause_us + self.rng.randrange(1000)
        target = self.rng.randrange(len(self.rows))
        span = self.span(target)
        self.hurting = self.rng.random() < 0.5
        if self.hurting:
            self.hurt(target, self.now_us + 1000, 1, span)
        else:
            self.calm(span)
        self._play(slowest, self.rows[target].ident)
        self.now_us += span + 2_000_000
        self._note(slowest, self.line.advance(self.now_us))
        assert not any(self.waiting.values()), "the line lost a frame"

    def _play(self, slowest: Slowest, target: int) -> None:
        """Every station says what it has, when it may."""
        by_station: dict[int, list[tuple[int, Row, int, bytes]]] = {EAR: [], EAR + 1: []}
        for one in self.planned:
            by_station[EAR + 1 if is_from_node(one[1]) else EAR].append(one)
        orders: list[Order] = [
            lambda row, number: (row.ident, number),
            lambda row, number: (number, 0),
            lambda row, number: (int(row.ident == target), number),
            lambda row, number: (row.ident * 7919 % 1009, number),
        ]
        queues = {
            EAR: _Queue(by_station[EAR], orders[0]), EAR + 1: _Queue(by_station[EAR + 1], self.rng.choice(orders)),
        }  # fmt: skip
        free = dict.fromkeys(queues, 0)
        while True:
            at, station = min((queue.next_us(free[number]), number) for number, queue in queues.items())
            if at == _NEVER:
                return
            self._note(slowest, self.line.advance(at))
            row, event, data = queues[station].choose(at)
            self.line.send(station, row.ident, data, at)
            free[station] = self.line.free_at(station)
            ends = row.ident
            if self.plan.shared and row.group in ("telemetry", "answer"):
                ends, free[station] = self._answer(row, free[station])
            self.waiting[ends].append((row, event))

    def _answer(self, row: Row, asked_us: int) -> tuple[int, int]:
        """The node answers. Identifier of the answer, and when it is over."""
        asked = row.name.removeprefix("poll ")
        kind = KINDS.by_name[asked if row.group == "telemetry" else KINDS.by_name[asked].reply]
        ident = Header(kind.priority, kind.code, CONTROL_FIRST, row.node, row.axis).pack()
        station = 1 + row.node - NODE_FIRST
        late = int(1000 * self.plan.reply_ms)
        after = late if self.hurting else self.rng.randint(0, late)
        self.line.send(station, ident, self.rng.randbytes(kind.size), asked_us + after)
        return ident, self.line.free_at(station)

    def _note(self, slowest: Slowest, heard: list[Delivery]) -> None:
        for one in heard:
            if self.waiting[one.ident]:  # or it is the request of an exchange, whose answer counts
                row, event = self.waiting[one.ident].popleft()
                slowest.note(self.name, row, (one.at_us - event) / 1000, self.bounds[row.ident])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    return show(simulate(given.frames, given.seed, SERIAL_PLANS, progress=True, make=SerialTrial))


if __name__ == "__main__":
    raise SystemExit(main())
