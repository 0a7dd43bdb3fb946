"""What goes wrong on a wire, by seed: flipped bits, alone and in bursts; messages lost, doubled, late, out of order."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Final, Protocol

from ringlet.hwsim.bus import Delivery

NEVER: Final = 1 << 62
BURST_FLIPS: Final = 0.5
"""Share of the bits that a burst flips: noise as strong as the signal."""


@dataclass(frozen=True, slots=True)
class Noise:
    """How a wire is disturbed. Rates are probabilities for each bit."""

    bit_errors: float = 0.0
    """single flipped bits"""
    bursts: float = 0.0
    """beginnings of bursts"""
    burst_bits: int = 20
    """mean length of a burst"""
    at_receivers: float = 0.0
    """on CAN: bits flipped at one receiver only, which its sender cannot see"""

    def __post_init__(self) -> None:
        for name in ("bit_errors", "bursts", "at_receivers"):
            if not 0.0 <= getattr(self, name) < 1.0:
                raise ValueError(f"{name} is {getattr(self, name)}; it is a probability, 0 or above and below 1")
        if self.burst_bits < 1:
            raise ValueError(f"burst_bits is {self.burst_bits}; a burst has at least one bit")

    @property
    def quiet(self) -> bool:
        return self.bit_errors == self.bursts == 0.0


QUIET: Final = Noise()


class Places(Protocol):
    """Says which bits of a wire flip."""

    def between(self, start: int, end: int) -> list[int]:
        """Places from `start` up to and without `end`, in rising order; asked in rising order."""


class Flips:
    """Places of flipped bits on an endless row of bits, in rising order. The gaps are drawn, not the bits."""

    def __init__(self, noise: Noise, rng: random.Random) -> None:
        self._noise, self._rng = noise, rng
        self._single = self._gap(-1, noise.bit_errors)
        self._burst = self._gap(-1, noise.bursts)
        self._queue: list[int] = []

    def _gap(self, after: int, rate: float) -> int:
        """The next place behind `after`: geometric gaps."""
        if rate <= 0.0:
            return NEVER
        return after + 1 + int(math.log(1.0 - self._rng.random()) / math.log1p(-rate))

    def between(self, start: int, end: int) -> list[int]:
        """Places from `start` up to and without `end`. What lies before `start` is forgotten: ask in rising order."""
        while min(self._single, self._burst) < end:
            if self._single <= self._burst:
                self._queue.append(self._single)
                self._single = self._gap(self._single, self._noise.bit_errors)
            else:
                length = 1 + int(self._rng.expovariate(1.0 / self._noise.burst_bits))
                self._queue += [self._burst + n for n in range(length) if self._rng.random() < BURST_FLIPS]
                self._burst = self._gap(self._burst + length, self._noise.bursts)
        if not self._queue:
            return []
        later = sorted({place for place in self._queue if place >= start})
        self._queue = [place for place in later if place >= end]
        return [place for place in later if place < end]


@dataclass(frozen=True, slots=True)
class Mischief:
    """What happens to whole messages, as behind a gateway or a radio link. Probabilities for each message."""

    drop: float = 0.0
    duplicate: float = 0.0
    delay: float = 0.0
    delay_us: int = 5000
    """longest delay, and the longest until a double comes"""
    swap: float = 0.0
    """it comes after the message behind it"""


class Mangler:
    """Applies `Mischief` to what a bus delivers, by seed."""

    def __init__(self, mischief: Mischief, seed: int = 0) -> None:
        self.mischief = mischief
        self._rng = random.Random(seed)
        self._late: list[Delivery] = []
        self._held: Delivery | None = None

    def treat(self, fresh: list[Delivery], until_us: int) -> list[Delivery]:
        """What arrives up to now, of the fresh messages and of earlier ones."""
        what, chance = self.mischief, self._rng.random
        passed: list[Delivery] = []
        for one in fresh:
            if chance() < what.drop:
                continue
            if chance() < what.duplicate:
                self._late.append(one._replace(at_us=one.at_us + self._rng.randint(1, what.delay_us)))
            if chance() < what.delay:
                self._late.append(one._replace(at_us=one.at_us + self._rng.randint(1, what.delay_us)))
            elif self._held is None and chance() < what.swap:
                self._held = one
            else:
                passed.append(one)
                if self._held is not None:
                    passed.append(self._held._replace(at_us=one.at_us))
                    self._held = None
        due = [one for one in self._late if one.at_us <= until_us]
        if due:
            self._late = [one for one in self._late if one.at_us > until_us]
            passed = sorted(passed + due, key=lambda one: one.at_us)
        return passed
