"""Worst-case response times of messages that share a bus: fixed priority, never interrupted once begun.

R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis: Refuted,
revisited and revised", Real-Time Systems 35, 2007: the sufficient and necessary analysis over the whole busy period of
a priority level, with queuing jitter. Its term for errors on the bus, E(t) = F(t) (31 bits + the longest frame of this
priority or above), with F(t) = burst + ceil(t / gap) - 1 as K. W. Tindell and A. Burns have it ("Guaranteeing message
latencies on Controller Area Network", 1994), is from memory: no text of either could be looked up. tests/hwsim/
long_bus.py --errors holds it against a simulated bus. Numbers are of one unit and any exact type; Ringlet counts whole
nanoseconds.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

ERROR_BITS: Final = 31
"""Longest time from an error until the next frame may begin, in bits (Davis and others, on errors; from memory): two
error flags one behind the other, the delimiter, the gap, and the wait of an error-passive sender, 12 + 8 + 3 + 8."""
ROUNDS: Final = 100_000
"""Steps of one fixed-point iteration before it counts as endless; only a load within a hair of 1 comes near."""


class Load(NamedTuple):
    """One message, in the order of priority in which it is listed."""

    length: int
    """longest time on the bus, the gap behind it included"""
    period: int
    """shortest time between two"""
    jitter: int = 0
    """longest time from the event to the moment at which it is queued"""


@dataclass(frozen=True, slots=True)
class Errors:
    """At most `burst` errors at once, and one more in each `gap` of time; each costs `overhead` and a repeat.

    Holds while no sender is error passive: such a one waits longer after its good frames too.
    """

    burst: int
    gap: int
    overhead: int

    def cost(self, span: int, longest: int) -> int:
        """Time lost in a span in which nothing longer than `longest` is sent again."""
        return (self.burst + _up(span, self.gap) - 1) * (self.overhead + longest)


def utilisation(loads: Sequence[Load]) -> float:
    """Share of the time that the bus is busy at the most, errors not counted."""
    return sum(load.length / load.period for load in loads)


def response_times(loads: Sequence[Load], bit: int, errors: Errors | None = None) -> list[int | None]:
    """Worst-case response of each message, from its event to the end of its transmission; None: without bound.

    `loads` stand in falling priority. `bit` is the time in which a message that comes a little later still wins.
    """
    found: list[int | None] = []
    blocking = [0] * len(loads)
    for place in range(len(loads) - 1, 0, -1):
        blocking[place - 1] = max(blocking[place], loads[place].length)
    higher: Counter[Load] = Counter()  # alike messages are counted together
    longest, share = 0, 0.0
    for own, block in zip(loads, blocking, strict=True):
        longest, share = max(longest, own.length), share + own.length / own.period
        busy = share + ((errors.overhead + longest) / errors.gap if errors else 0.0)
        found.append(None if busy >= 1.0 else _response(own, higher, block, bit, errors, longest))
        higher[own] += 1
    return found


def _response(
    own: Load, higher: Counter[Load], blocking: int, bit: int, errors: Errors | None, longest: int
) -> int | None:
    others = [(count * load.length, load.period, load.jitter) for load, count in higher.items()]

    def lost(span: int) -> int:
        return errors.cost(span, longest) if errors else 0

    busy = own.length
    for _ in range(ROUNDS):  # the busy period of this priority
        longer = blocking + lost(busy) + sum(_up(busy + jitter, period) * length for length, period, jitter in others)
        longer += _up(busy + own.jitter, own.period) * own.length
        if longer == busy:
            break
        busy = longer
    else:
        return None
    worst, wait = 0, blocking
    for instance in range(_up(busy + own.jitter, own.period)):
        base = blocking + instance * own.length
        wait = max(wait, base)
        for _ in range(ROUNDS):  # how long this instance waits for its turn
            longer = base + lost(wait + own.length)
            longer += sum(_up(wait + jitter + bit, period) * length for length, period, jitter in others)
            if longer == wait:
                break
            wait = longer
        else:
            return None
        worst = max(worst, own.jitter + wait - instance * own.period + own.length)
    return worst


def _up(time: int, period: int) -> int:
    """How many periods begin within a time: its quotient, rounded up."""
    return -(-time // period)
