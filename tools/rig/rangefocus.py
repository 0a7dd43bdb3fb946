"""Range readings to a focus distance: filter, prediction with a stated reach, and honest words when there is none.

Everything is worked out in reciprocal distance (1/m): a focus ring turns nearly in proportion to it, and a reading at
300 m then weighs as little as it matters. No clock, no I/O: times are given.
"""

from __future__ import annotations

from collections import deque
from enum import StrEnum
from statistics import median
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from ringlet.hwsim.rangesource import NO_READING
from ringlet.protocol import messages as m
from ringlet.tools.rig.beat import Beat

if TYPE_CHECKING:
    from ringlet.tools.lens.curve import MarkCurve

NEAREST_M: Final = 0.3
"""Readings below are not believed: the range that the work is for begins here."""
MM: Final = 1000.0
SHORTEST_S: Final = 0.002
"""Two readings closer than this say nothing about speed."""


class RangeState(StrEnum):
    """What the readings are worth just now."""

    GOOD = "good"
    POOR = "poor"
    LOST = "lost"


TOLD: Final[dict[RangeState, str]] = {
    RangeState.GOOD: "range readings are good",
    RangeState.POOR: "range readings are poor (low quality, too old, jumping, or nearer than "
    f"{NEAREST_M:g} m): focus holds",
    RangeState.LOST: "no range readings: focus holds",
}


class Tuning(NamedTuple):
    """How readings are treated. Defaults: our choice, tried on the invented scene of the tests."""

    alpha: float = 0.3
    """share of a surprise that the distance takes over; the rate takes alpha**2 / (2 - alpha), the relation of
    T. R. Benedict and G. W. Bordner, "Synthesis of an optimal set of radar track-while-scan smoothing equations",
    IRE Trans. Automatic Control 7, 1962 (from memory)"""
    gate_per_m: float = 0.05
    """a reading further off than this (1/m) is an outlier, if the next ones do not agree with it"""
    gate_rate: float = 0.5
    """what the gate opens by for each second since the last good reading, 1/m per s"""
    agree: int = 3
    """so many outliers in a row that agree are a new subject"""
    quality: int = 64
    """least quality, of 255"""
    oldest_s: float = 0.3
    """a reading older than this when it comes is not used"""
    poor_s: float = 0.15
    """after so long without a good reading they count as poor"""
    lost_s: float = 0.5
    """after so long without any reading they count as lost"""
    latency_s: float = 0.0
    """of the sensor, on top of the age that it tells"""
    ahead_s: float = 0.0
    """how far to look ahead of now: the delay of line and motor"""
    reach_s: float = 0.4
    """prediction never goes further than this past the last good reading"""
    rate_per_m_s: float = 2.0
    """fastest change that is believed, 1/m per s"""


class Focus(NamedTuple):
    """What the readings come to."""

    distance_m: float | None
    """None: there is no good reading, hold"""
    state: RangeState
    predicted_s: float
    """how far the distance is predicted past the moment of the last good reading: the latency made good"""
    text: str


class RangeFocus:
    """Takes readings in, and says where the subject is."""

    def __init__(self, tuning: Tuning | None = None) -> None:
        self.tuning = Tuning() if tuning is None else tuning
        if not (0 < self.tuning.alpha < 1 and self.tuning.lost_s >= self.tuning.poor_s > 0 and self.tuning.agree > 1):
            raise ValueError("alpha is between 0 and 1, lost comes after poor, and two outliers at least must agree")
        self._place, self._rate = 0.0, 0.0
        self._made: float | None = None
        """when the last good reading was made"""
        self._came: float | None = None
        self._good_came = -np.inf
        self._odd: deque[tuple[float, float]] = deque(maxlen=self.tuning.agree)
        self._beat = Beat()
        self.made_s = 0.0
        """when the last reading, good or not, was made"""
        self.used, self.outliers, self.refused = 0, 0, 0

    def take(self, now_s: float, reading: m.Range) -> bool:
        """Take in a reading that arrived at `now_s`; whether it was used."""
        tuning, distance_m = self.tuning, reading.distance / MM
        age = reading.age / 1000 + tuning.latency_s
        made = self.made_s = self._beat.sent(reading.tag, now_s - age)
        if reading.distance == NO_READING:
            self.refused += 1
            return False
        self._came = now_s if self._came is None else max(now_s, self._came)
        if reading.quality < tuning.quality or age > tuning.oldest_s or distance_m < NEAREST_M:
            self.refused += 1
            return False
        if self._made is not None and made <= self._made:
            self.refused += 1  # overtaken on its way
            return False
        seen = 1.0 / distance_m
        if self._made is None or now_s - self._good_came > tuning.lost_s:
            return self._begin(made, now_s, seen)
        wait = made - self._made
        surprise = seen - (self._place + self._rate * wait)
        if abs(surprise) > tuning.gate_per_m + tuning.gate_rate * wait:
            return self._outlier(made, now_s, seen)
        self._odd.clear()
        beta = tuning.alpha**2 / (2.0 - tuning.alpha)
        self._place += self._rate * wait + tuning.alpha * surprise
        rate = self._rate + beta * surprise / max(wait, SHORTEST_S)
        self._rate = min(max(rate, -tuning.rate_per_m_s), tuning.rate_per_m_s)
        return self._good(made, now_s)

    def _outlier(self, made: float, now: float, seen: float) -> bool:
        """Not believed alone; several that agree are a new subject, which begins at their median."""
        self.outliers += 1
        self._odd.append((made, seen))
        values = [one for _, one in self._odd]
        spread = self.tuning.gate_per_m + self.tuning.gate_rate * (made - self._odd[0][0])
        if len(values) < self.tuning.agree or max(values) - min(values) > spread:
            return False
        return self._begin(made, now, median(values))

    def _begin(self, made: float, now: float, seen: float) -> bool:
        self._place, self._rate = seen, 0.0
        self._odd.clear()
        return self._good(made, now)

    def _good(self, made: float, now: float) -> bool:
        self._made, self._good_came = made, now
        self.used += 1
        return True

    def focus(self, now_s: float) -> Focus:
        """Where the subject is at `now_s` and the stated time ahead, or None to hold."""
        tuning = self.tuning
        if self._came is None or now_s - self._came > tuning.lost_s:
            state = RangeState.LOST
        elif self._made is None or now_s - self._good_came > tuning.poor_s:
            state = RangeState.POOR
        else:
            ahead = min(max(now_s + tuning.ahead_s - self._made, 0.0), tuning.reach_s)
            place = min(max(self._place + self._rate * ahead, 0.0), 1.0 / NEAREST_M)
            distance = 1.0 / place if place > 0 else float("inf")
            return Focus(distance, RangeState.GOOD, ahead, TOLD[RangeState.GOOD])
        return Focus(None, state, 0.0, TOLD[state])


def ring_of(curve: MarkCurve, distance_m: float | None) -> float | None:
    """Ring angle for a distance, which is cut to what the marks reach; None stays None (hold)."""
    if distance_m is None:
        return None
    return curve.ring_at(min(max(distance_m, curve.nearest), curve.farthest))
