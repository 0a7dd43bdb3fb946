"""A take as motion: a path for each axis, and whether the motors' present limits allow it. Pure; nothing moves here.

What is played is the recorded setpoint. Where the ring was turned by hand or the samples were asked for one by one, the
record is rough and is smoothed over `SMOOTH_S` (Savitzky and Golay, Analytical Chemistry 36, 1964; from memory).
The check uses the filters of `bench.derivative`, which never show a peak above the true one by more than a known bound.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ringlet.hwsim.ramp import stop_distance
from ringlet.tools.axis_handle import MDEG
from ringlet.tools.bench.derivative import filter_for
from ringlet.tools.bench.ramp import SETPOINT_STEP_DEG, MotionLimits
from ringlet.tools.errors import UsageProblem
from ringlet.tools.takes.columns import Array, AxisColumns
from ringlet.tools.takes.layout import AxisInfo

STEP_S: Final = 0.01
"""Grid of the path in the take's time."""
GAP_S: Final = 0.25
"""A longer hole in the samples is not bridged: nobody knows what the ring did there."""
SMOOTH_S: Final = 0.2
LOCAL: Final = 7
"""Samples of the grid from which velocity and acceleration at one instant are taken."""
POLL_UNSURE_S: Final = 0.002
"""Time by which an asked-for sample may be off (common practice, no source)."""
SLACK: Final = 0.01
"""Share of a limit by which a take may pass it: it was recorded on clocks that differ a little."""
TRAVEL_SLACK_DEG: Final = 0.0011
"""A step of the protocol, and rounding."""
FREE: Final = frozenset({"released", "faulted", "starting"})
"""States in which the motor does not hold the ring: the setpoint follows what a hand does."""


class Motor(NamedTuple):
    """What the motor of an axis allows now."""

    limits: MotionLimits
    low_deg: float
    high_deg: float


@dataclass(frozen=True)
class Track:
    """Where an axis is to be at each time of the take."""

    key: str
    """axis of the take"""
    begin_s: float
    position: Array
    velocity: Array
    acceleration: Array
    quantum_deg: float
    """steps in which the recorded positions are known"""
    smoothed: bool

    @property
    def end_s(self) -> float:
        return self.begin_s + STEP_S * (len(self.position) - 1)

    def at(self, take_s: float) -> tuple[float, float, float]:
        """Position, velocity and acceleration in deg and s at a time of the take; at rest before and after it."""
        place = (take_s - self.begin_s) / STEP_S
        if place <= 0.0:
            return float(self.position[0]), 0.0, 0.0
        if place >= len(self.position) - 1:
            return float(self.position[-1]), 0.0, 0.0
        low = int(place)
        share = place - low
        one, two, three = (
            float(column[low] + share * (column[low + 1] - column[low]))
            for column in (self.position, self.velocity, self.acceleration)
        )
        return one, two, three

    def aim(self, take_s: float, speed: float, motor: Motor) -> float:
        """Setpoint to stream so that the motor is where the take was at `take_s`, played at `speed`.

        A motor brakes for the setpoint that it was last given, as if it were to stop there. So it is given the place
        where it would come to rest if it braked from the take's position and velocity: then it passes through them.
        """
        position, velocity, acceleration = self.at(take_s)
        limits = motor.limits
        ahead = stop_distance(
            MDEG * speed * velocity, MDEG * speed**2 * acceleration, MDEG * limits.deceleration, MDEG * limits.jerk
        )
        return min(motor.high_deg, max(motor.low_deg, position + ahead / MDEG))


class TooFast(NamedTuple):
    """One thing that the motor cannot follow, at its worst place in the take."""

    key: str
    what: str
    take_s: float
    value: float
    limit: float
    unit: str

    def sentence(self, where: Callable[[float], str]) -> str:
        """For people; `where` gives the time address of a time."""
        return (
            f"axis {self.key} at {where(self.take_s)}: {self.what} {self.value:.4g} {self.unit}, "
            f"and the limit is {self.limit:.4g} {self.unit}"
        )


def make_tracks(held: dict[str, AxisColumns], axes: dict[str, AxisInfo], polled: set[str]) -> dict[str, Track]:
    """A path for each axis, over the time in which all of them have samples. Raises UsageProblem."""
    begin = max(float(one.time_s[0]) for one in held.values())
    end = min(float(one.time_s[-1]) for one in held.values())
    steps = int((end - begin) / STEP_S)
    if steps < LOCAL:
        raise UsageProblem(f"the axes have {max(0.0, end - begin):.3g} s of the take in common; that is no motion.")
    grid: Array = begin + STEP_S * np.arange(steps + 1, dtype=np.float64)
    return {key: _track(key, one, axes[key], key in polled, grid) for key, one in held.items()}


def _track(key: str, one: AxisColumns, info: AxisInfo, polled: bool, at: Array) -> Track:
    from scipy.interpolate import PchipInterpolator
    from scipy.signal import savgol_filter

    inside = (one.time_s >= at[0] - GAP_S) & (one.time_s <= at[-1] + GAP_S)
    time_s, setpoint = one.time_s[inside], one.numbers["setpoint_deg"][inside]
    hole = int(np.argmax(np.diff(time_s)))
    if time_s[hole + 1] - time_s[hole] > GAP_S:
        raise UsageProblem(
            f"axis {key} has no samples from {time_s[hole]:.2f} to {time_s[hole + 1]:.2f} s of the take, and nobody "
            "knows what its ring did there; choose other axes with --axes, or another take."
        )
    position = np.asarray(PchipInterpolator(time_s, setpoint)(np.clip(at, time_s[0], time_s[-1])), dtype=np.float64)
    quantum = SETPOINT_STEP_DEG
    by_hand = bool(FREE & set(one.words["state"][inside].tolist()))
    if by_hand:
        quantum = max(quantum, info.count_deg)
    if polled:
        quantum = max(quantum, 2 * POLL_UNSURE_S * float(np.abs(one.numbers["velocity_deg_s"]).max()))
    window = min(2 * round(SMOOTH_S / STEP_S / 2) + 1, len(position) - 1 + len(position) % 2)
    if by_hand or polled:
        position = savgol_filter(position, window, 3)
    velocity, acceleration = (
        np.asarray(savgol_filter(position, LOCAL, 3, deriv=order, delta=STEP_S), dtype=np.float64) for order in (1, 2)
    )
    return Track(key, float(at[0]), position, velocity, acceleration, quantum, by_hand or polled)


def too_fast(path: Track, motor: Motor, speed: float = 1.0) -> list[TooFast]:
    """What of a path, played at `speed`, the motor's limits do not allow; one entry a limit, at its worst place."""
    found: list[TooFast] = []

    def judge(what: str, excess: Array, value: Array, limit: float | Array, unit: str) -> None:
        if not np.any(np.isfinite(excess)) or np.nanmax(excess) <= 0:
            return
        place = int(np.nanargmax(excess))
        worst = limit if isinstance(limit, float) else float(limit[place])
        found.append(TooFast(path.key, what, path.begin_s + STEP_S * place, float(value[place]), worst, unit))

    position, limits = path.position, motor.limits
    judge("position", motor.low_deg - TRAVEL_SLACK_DEG - position, position, motor.low_deg, "deg")
    judge("position", position - motor.high_deg - TRAVEL_SLACK_DEG, position, motor.high_deg, "deg")
    rate = 1.0 / STEP_S
    derived: dict[int, tuple[Array, float]] = {}
    half: dict[int, int] = {}
    for order, limit in ((1, limits.velocity), (2, max(limits.acceleration, limits.deceleration)), (3, limits.jerk)):
        chosen = filter_for(order, rate, path.quantum_deg, limit / speed**order)
        half[order] = max(5, len(chosen.coefficients) // 2)
        derived[order] = (speed**order * chosen(position), speed**order * chosen.error_bound(path.quantum_deg))
    velocity, bound = derived[1]
    judge("velocity", np.abs(velocity) - (1 + SLACK) * limits.velocity - bound, np.abs(velocity), limits.velocity,
          "deg/s")  # fmt: skip
    change, bound = derived[2]
    growing = velocity * change > 0
    # Around a reversal, speed falls and grows within one window: there the higher limit of the two counts.
    turning = np.abs(velocity) < np.abs(change) * half[2] * STEP_S / speed
    allowed = np.where(
        turning, max(limits.acceleration, limits.deceleration),
        np.where(growing, limits.acceleration, limits.deceleration),
    )  # fmt: skip
    judge("acceleration", np.abs(change) - (1 + SLACK) * allowed - bound, np.abs(change), allowed, "deg/s2")
    jerk, bound = derived[3]
    judge("jerk", np.abs(jerk) - (1 + SLACK) * limits.jerk - bound, np.abs(jerk), limits.jerk, "deg/s3")
    at, velocity_end, acceleration_end = float(position[-1]), float(path.velocity[-1]), float(path.acceleration[-1])
    rest = at + stop_distance(
        MDEG * speed * velocity_end, MDEG * speed**2 * acceleration_end, MDEG * limits.deceleration, MDEG * limits.jerk
    ) / MDEG  # fmt: skip
    past = motor.high_deg if rest > motor.high_deg + 1 else motor.low_deg if rest < motor.low_deg - 1 else None
    if past is not None and not any(one.what == "position" for one in found):
        found.append(TooFast(path.key, "after its end, place of rest", path.end_s, rest, past, "deg"))
    return found
