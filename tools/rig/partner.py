"""The second ring of a pair: it stands where its own lens has the value that the first one's has. No clock, no I/O.

Both lenses have marks of their own, so the second ring turns faster or slower than the first, and by how much changes
on the way. What the first may do is cut so that the second keeps to its limits too.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ringlet.tools.errors import UsageProblem
from ringlet.tools.lens.curve import MarkCurve
from ringlet.tools.rig.smooth import Bounds

GRID_DEG: Final = 0.05
BENDING_SHARE: Final = 0.5
"""Of the second ring's acceleration that the bend of the offset curve may use up; the rest is for the first ring's."""

Array = NDArray[np.float64]


class Partner:
    """Where the second ring belongs for each place of the first, in degrees."""

    def __init__(self, first: MarkCurve, second: MarkCurve) -> None:
        """Raises UsageProblem for marks of two kinds, or with no value in common."""
        if first.unit != second.unit:
            raise UsageProblem(f"one lens of the pair has {first.unit} marks and the other {second.unit} marks.")
        ends = [np.sort(one.scale_at(np.array([one.low_deg, one.high_deg]))) for one in (first, second)]
        self.first, self.second = first, second
        low, high = max(float(one[0]) for one in ends), min(float(one[1]) for one in ends)
        if not low < high:
            raise UsageProblem("the marks of the two lenses have no value in common; choose two lenses of one type.")
        edges = sorted(float(one) for one in first.rings_at_scale(np.array([low, high])))
        count = max(3, math.ceil((edges[1] - edges[0]) / GRID_DEG))
        self._first: Array = np.linspace(edges[0], edges[1], count)
        scale = np.clip(first.scale_at(np.clip(self._first, first.low_deg, first.high_deg)), low, high)
        self._second: Array = second.rings_at_scale(scale)

    def ring_at(self, first_deg: float) -> float:
        """The second ring for a place of the first, which is cut to what both lenses have."""
        return float(np.interp(first_deg, self._first, self._second))

    def bounds(self, first: Bounds, second: Bounds) -> Bounds:
        """What the first ring may do so that both stay within their bounds.

        Raises UsageProblem when the travels of the two have no value in common.
        """
        inside = (self._first >= first.low_deg) & (self._first <= first.high_deg)
        inside &= (self._second >= second.low_deg) & (self._second <= second.high_deg)
        if inside.sum() < 3:
            raise UsageProblem("the travels of the two rings have no value in common; find their end stops again.")
        rate = np.gradient(self._second, self._first)
        # Between two grid places the second ring goes along a straight line.
        steps = np.diff(self._second) / np.diff(self._first)
        steepest = float(np.abs(steps[inside[:-1] | inside[1:]]).max())
        # From grid place to grid place the rate jumps by what the curve bends: over a step of the setpoint that is
        # spread by the motor's own ramp, so the mean bend over a degree counts.
        wide = max(1, round(1.0 / GRID_DEG))
        bend = np.abs(rate[wide:] - rate[:-wide]) / (self._first[wide:] - self._first[:-wide])
        bend_most = float(bend.max()) if len(bend) else 0.0
        velocity = min(first.velocity_deg_s, second.velocity_deg_s / steepest)
        if bend_most > 0:
            velocity = min(velocity, math.sqrt(BENDING_SHARE * second.acceleration_deg_s2 / bend_most))
        left = second.acceleration_deg_s2 - bend_most * velocity**2
        acceleration = min(first.acceleration_deg_s2, left / steepest)
        places = self._first[inside]
        return Bounds(velocity, acceleration, float(places[0]), float(places[-1]))
