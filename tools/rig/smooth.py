"""A setpoint that never jumps: it goes to its goal within a velocity and an acceleration limit. No clock, no I/O."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

TICK_S: Final = 0.001
"""The setpoint is worked out at the motor's own rate, so that its bounds hold between the setpoints sent too."""
FOLLOW_S: Final = 0.06
"""From a setpoint to the ring: step, line and motor (tried on the simulated pair); readings are predicted so far."""
LONGEST_S: Final = 0.05
"""A step that comes later than this moves on by this much only: a program that hung does not make up leeway."""


class Bounds(NamedTuple):
    """What the setpoint keeps to."""

    velocity_deg_s: float
    acceleration_deg_s2: float
    low_deg: float
    """lower travel limit"""
    high_deg: float


class Smooth:
    """The setpoint. Position changes by at most velocity x TICK_S a tick, velocity by at most acceleration x TICK_S."""

    def __init__(self, start_deg: float, bounds: Bounds) -> None:
        """Raises ValueError for limits that are not above 0, or a start outside the travel."""
        if not (bounds.velocity_deg_s > 0 and bounds.acceleration_deg_s2 > 0 and bounds.low_deg <= bounds.high_deg):
            raise ValueError("the limits of a setpoint must be above 0 and its travel must not be upside down")
        if not bounds.low_deg <= start_deg <= bounds.high_deg:
            raise ValueError(f"a setpoint cannot start at {start_deg:g} deg, outside its travel")
        self.bounds = bounds
        self.position_deg, self.velocity_deg_s = start_deg, 0.0
        self._left_s = 0.0

    def go(self, goal_deg: float | None, seconds: float) -> None:
        """Let time pass on the way to a goal, which is cut to the travel; None brakes to rest where that is."""
        self._left_s += min(max(seconds, 0.0), LONGEST_S)
        ticks = int(self._left_s / TICK_S + 1e-9)
        self._left_s = max(0.0, self._left_s - ticks * TICK_S)
        for _ in range(ticks):
            self._tick(goal_deg)

    def _tick(self, goal_deg: float | None) -> None:
        low, high = self.bounds.low_deg, self.bounds.high_deg
        most = self.bounds.acceleration_deg_s2 * TICK_S
        wanted = 0.0
        if goal_deg is not None:
            away = min(max(goal_deg, low), high) - self.position_deg
            wanted = math.copysign(min(self.bounds.velocity_deg_s, self._brakeable(abs(away))), away)
        change = min(max(wanted - self.velocity_deg_s, -most), most)
        self.velocity_deg_s += change
        self.position_deg = min(max(self.position_deg + self.velocity_deg_s * TICK_S, low), high)

    def _brakeable(self, way_deg: float) -> float:
        """Highest velocity from which this way is enough to brake in whole ticks.

        Braking from n steps of a*T takes T * a*T * (n + (n-1) + ... + 1); below one step the way is made in one tick.
        Between whole n the bound is the straight line that joins them, which the sum itself gives.
        """
        step = self.bounds.acceleration_deg_s2 * TICK_S
        unit = step * TICK_S
        whole = int((math.sqrt(1.0 + 8.0 * way_deg / unit) - 1.0) / 2.0)
        return step * (way_deg / unit + whole * (whole + 1) / 2.0) / (whole + 1)
