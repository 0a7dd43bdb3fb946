"""Whether moves hold velocity, acceleration, deceleration and jerk limits, and how long they take. Pure.

The setpoint that the node reports is judged against the limits; the ring itself is shown beside it, and its velocity is
judged with the overshoot that is allowed to a control loop. Peaks come from the filters of `derivative.py`, which can
show a peak too low but never too high by more than the error bound.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ringlet.hwsim.ramp import Ramp, RampLimits
from ringlet.tools.bench.derivative import Filter, even_grid, filter_for
from ringlet.tools.bench.result import Array

SETPOINT_STEP_DEG = 0.001
"""The schema's resolution of ring positions."""


class MotionLimits(NamedTuple):
    """Limits in force, of the ring: deg/s, deg/s2, deg/s2, deg/s3."""

    velocity: float
    acceleration: float
    deceleration: float
    jerk: float


class Peak(NamedTuple):
    """A measured peak and the hard bound on its error upwards; the filter's window and bandwidth."""

    value: float
    bound: float
    window_s: float
    bandwidth_hz: float


class MoveFigures(NamedTuple):
    """What one recorded move shows."""

    setpoint: dict[str, Peak]
    ring: dict[str, Peak]
    duration_s: float
    ideal_s: float
    settle_s: float
    """from the setpoint's arrival until the ring stays within the band"""
    end_error_deg: float
    worst_following_deg: float


def peaks(time_s: Array, position_deg: Array, limits: MotionLimits, quantum_deg: float) -> dict[str, Peak]:
    """Peaks of velocity, acceleration (speed growing), deceleration (speed falling) and jerk of one move."""
    rate, _, (position,) = even_grid(time_s, position_deg)
    lead = round(0.5 * rate)  # rest before and after, so that the filters see the whole move
    position = np.concatenate((np.full(lead, position[0]), position, np.full(lead, position[-1])))
    first = filter_for(1, rate, quantum_deg, limits.velocity)
    second = filter_for(2, rate, quantum_deg, min(limits.acceleration, limits.deceleration))
    third = filter_for(3, rate, quantum_deg, limits.jerk)
    velocity, acceleration, jerk = first(position), second(position), third(position)
    side = 1.0 if position[-1] >= position[0] else -1.0

    def peak(values: Array, by: Filter) -> Peak:
        return Peak(max(0.0, float(np.nanmax(values))), by.error_bound(quantum_deg), by.window_s, by.bandwidth_hz)

    return {
        "velocity": peak(np.abs(velocity), first),
        "acceleration": peak(side * acceleration, second),
        "deceleration": peak(-side * acceleration, second),
        "jerk": peak(np.abs(jerk), third),
    }


def ideal_duration(distance_deg: float, limits: MotionLimits, tick_s: float = 0.001) -> float:
    """Time of the same move by the reference ramp generator (`hwsim.ramp`), as it shows in positions to
    `SETPOINT_STEP_DEG`: the first and the last steps of a jerk-limited ramp are smaller and do not show."""
    ramp = Ramp(RampLimits(*(1000.0 * limit for limit in limits)), dt=tick_s)
    ramp.move(1000.0 * distance_deg)
    shown = [0]
    while not ramp.at_rest:
        ramp.tick()
        shown.append(round(ramp.position))
    seen = np.nonzero(np.diff(shown))[0]
    return float(seen[-1] + 1 - seen[0]) * tick_s


def move_figures(
    time_s: Array, setpoint_deg: Array, position_deg: Array, limits: MotionLimits, count_deg: float, band_deg: float,
    blur_s: float = 0.0,
) -> MoveFigures:  # fmt: skip
    """Figures of one move that is recorded from rest to rest. `count_deg` is one encoder count at the ring.

    `blur_s`: how far the time of a row may be off from that of its positions; at full speed it blurs the positions like
    a coarser step, and widens windows and bounds. Raises ValueError when the setpoint does not move.
    """
    moving = np.nonzero(np.abs(np.diff(setpoint_deg)) > 0)[0]
    if not len(moving):
        raise ValueError("the setpoint did not move")
    step = SETPOINT_STEP_DEG + blur_s * limits.velocity
    begin, end = moving[0], moving[-1] + 1
    off = np.abs(position_deg - setpoint_deg[-1])
    outside = np.nonzero(off > band_deg)[0]
    settled = time_s[min(len(time_s) - 1, outside[-1] + 1)] if len(outside) else time_s[0]
    return MoveFigures(
        setpoint=peaks(time_s, setpoint_deg, limits, step),
        ring=peaks(time_s, position_deg, limits, step + count_deg),
        duration_s=float(time_s[end] - time_s[begin]),
        ideal_s=ideal_duration(float(abs(setpoint_deg[-1] - setpoint_deg[0])), limits),
        settle_s=float(max(0.0, settled - time_s[end])),
        end_error_deg=float(position_deg[-1] - setpoint_deg[-1]),
        worst_following_deg=float(np.max(np.abs(position_deg - setpoint_deg))),
    )
