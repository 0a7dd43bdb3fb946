"""Motion inside a span: a travel of the suite's own around the present place, limits that are not raised."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import State
from ringlet.tools.conform.probe import Broken, Probe, Samples

if TYPE_CHECKING:
    from ringlet.tools.bench.ramp import MotionLimits

WIRED_TIMEOUT_MS: Final = 3000
FIND_S: Final = 180.0
FENCE: Final = 30_000
"""How far outside the span the ring is taken for one that runs away, mdeg (our choice)."""
SPEED: Final = 60_000
ACCELERATION: Final = 600_000
DECELERATION: Final = 400_000
JERK: Final = 8_000
"""Limits of the suite (counts); a device's own lower ones stay. Unequal, so that one taken for another shows."""


@dataclass
class Span:
    """The travel of a check, mdeg."""

    p: Probe
    low: int
    high: int
    speed: int
    """velocity limit in force, mdeg/s"""

    @property
    def middle(self) -> int:
        return (self.low + self.high) // 2

    def go(self, mdeg: int, seconds: float = 30.0) -> None:
        """Move there and wait for rest. Raises Broken."""
        self.p.must(m.Move(0, mdeg, 0))
        self.p.until_state(State.HOLDING, State.FAULTED, seconds=seconds)
        status = self.p.status()
        if status.state == State.FAULTED:
            raise Broken(f"a move ended with fault {status.fault}")

    def go_low(self) -> None:
        self.go(self.low)


@contextmanager
def motion(p: Probe) -> Iterator[Span]:
    """Own the axis with a travel around the present place. Settings go back when the check is tidied up."""
    p.take()
    here = p.position()
    if p.room.home is None or abs(here - p.room.home) > p.room.span_mdeg // 2:
        p.room.home = here
    low, high = p.room.home - p.room.span_mdeg // 2, p.room.home + p.room.span_mdeg // 2
    if p.room.travel is not None and p.room.travel[1] - p.room.travel[0] > p.room.span_mdeg:
        shift = max(0, p.room.travel[0] - low) - max(0, high - p.room.travel[1])
        low, high = low + shift, high + shift
    elif p.room.travel is not None:
        low, high = p.room.travel
    if not p.wire.is_sim:  # the host may be held up for a moment
        p.set("owner-timeout", max(p.get("owner-timeout"), WIRED_TIMEOUT_MS))
    p.set("torque-moving", min(p.get("torque-moving"), p.room.torque_mnm))
    lower(p, SPEED, ACCELERATION, DECELERATION, JERK)
    p.set("travel-min", low)
    p.set("travel-max", high)
    if not p.flag(Flag.CALIBRATED):
        p.must(m.SetReference(0, max(low, min(high, p.position()))))
    if not p.flag(Flag.CALIBRATED):
        raise Broken("with both ends of the travel given and a reference set, the axis is not calibrated")
    span = Span(p, low, high, p.get("velocity-limit"))
    p.fence = low - FENCE, high + FENCE
    yield span
    p.fence = None
    p.must(m.Hold(0))
    p.until_state(State.HOLDING, State.FAULTED)
    if p.flag(Flag.CALIBRATED):
        span.go(max(low, min(high, p.room.home)))
    p.give()


def lower(p: Probe, speed: int, acceleration: int, deceleration: int, jerk: int) -> None:
    """The suite's limits, where the device's own are not lower. Jerk goes last: a low one does not fit a high speed."""
    for name, value in (("velocity-limit", speed), ("acceleration-limit", acceleration),
                        ("deceleration-limit", deceleration), ("jerk-limit", jerk)):  # fmt: skip
        p.set(name, min(p.get(name), value))


def lose_travel(p: Probe) -> None:
    """Where the travel was not known when the device was found: not known again."""
    if not p.room.known and p.flag(Flag.CALIBRATED):
        row = BY_NAME["direction"]
        now = p.get(row.name)
        for value in (1 - now, now):  # a change ends the calibration
            p.ask(m.Set(0, row.id, value))


def find_first(p: Probe) -> str:
    """Find the end stops, so that motion keeps away from them; why it could not be done, or an empty text."""
    p.clear()
    try:
        p.take()
        p.must(m.FindStops(0))
        p.until_state(State.HOLDING, State.FAULTED, seconds=FIND_S)
        if not p.flag(Flag.CALIBRATED):
            return "not run: the end stops were not found"
        p.room.travel, p.room.home = (p.get("travel-min"), p.get("travel-max")), None
        low, high = p.room.travel
        p.must(m.Move(0, (low + high) // 2, 0))
        p.until_state(State.HOLDING, State.FAULTED, seconds=FIND_S)
        p.give()
    except Broken as error:
        return f"not run: the end stops could not be found ({error})"
    finally:
        p.tidy()
    return ""


def limits_of(p: Probe) -> MotionLimits:
    """The motion limits in force, in deg and s."""
    from ringlet.tools.bench.ramp import MotionLimits

    velocity, acceleration, deceleration, jerk = (float(p.get(name)) for name in LIMITS)
    return MotionLimits(velocity / 1000, acceleration / 1000, deceleration / 1000, jerk)


def judge(p: Probe, samples: Samples, what: str, *keys: str) -> None:
    """Peaks of the setpoint against the limits in force: none may be higher by more than the filter's error bound."""
    import numpy as np

    from ringlet.tools.bench.ramp import SETPOINT_STEP_DEG, peaks

    limits = limits_of(p)
    found = peaks(np.array(samples.time_s), np.array(samples.setpoint_deg), limits, SETPOINT_STEP_DEG)
    for key in keys:
        peak, limit = found[key], getattr(limits, key)
        over = peak.value - peak.bound - 1e-6 * limit
        p.check(over <= limit, f"{what}: the setpoint's {key} reached {peak.value:.4g} (error at most "
                f"{peak.bound:.2g}); its limit is {limit:.4g}")  # fmt: skip


LIMITS: Final = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")
