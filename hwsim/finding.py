"""The search for end stops: touch each with little torque and speed, back off, keep the travel inside them.

The encoder sits on the motor, so the travel found is longer than the true one between the back-offs: by the lost motion
of the gears, and by what gears and stops give way under the finding torque, once at each end. Each end of it keeps the
back-off less about half of that from its stop; the torque should be small and the back-off larger than this sum.
"""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from ringlet.hwsim.ramp_fixed import FixedRamp

CONTACT_MS = 60
"""Time at the torque limit and nearly at rest that counts as a stop; our choice."""
SLOW_SHARE = 0.1
"""Nearly at rest: below this share of the finding speed."""


class Phase(Enum):
    LOW = "seeking the lower stop"
    LOW_BACK = "backing off the lower stop"
    HIGH = "seeking the upper stop"
    HIGH_BACK = "backing off the upper stop"


class Found(NamedTuple):
    """Ring positions of the travel, inside the stops by the back-off, in mdeg of the present count."""

    low: int
    high: int


class Finding:
    """One search. Feed it every tick; it drives the ramp and says when it is done."""

    def __init__(self, ramp: FixedRamp, speed: int, backoff: int, reach: int) -> None:
        self.ramp, self.speed, self.backoff, self.reach = ramp, speed, backoff, reach
        self.phase = Phase.LOW
        self.low = self.high = 0
        self.failed = False
        self._pushing = 0
        self._start = round(ramp.position)
        ramp.travel = None
        ramp.run(-speed)

    @property
    def pushing(self) -> bool:
        """Against something now: at the torque limit and nearly at rest."""
        return self._pushing > 0

    def tick(self, position: float, velocity: float, torque_limited: bool) -> Found | None:
        """One tick with the measured ring (mdeg, mdeg/s): the travel when both ends are known, else None."""
        if self.phase in (Phase.LOW, Phase.HIGH):
            slow = abs(velocity) < SLOW_SHARE * self.speed
            self._pushing = self._pushing + 1 if torque_limited and slow else 0
            if self._pushing >= CONTACT_MS:
                self._touch(round(position))
            elif abs(position - self._start) > self.reach:
                self.failed = True
        elif self.ramp.at_rest:
            if self.phase is Phase.HIGH_BACK:
                return Found(self.low, self.high)
            self.phase, self._start = Phase.HIGH, round(position)
            self.ramp.run(self.speed)
        return None

    def _touch(self, position: int) -> None:
        # The setpoint has run on past the stop: it starts again from where the ring really is.
        self.ramp.reset(position)
        self._pushing = 0
        if self.phase is Phase.LOW:
            self.phase, self.low = Phase.LOW_BACK, position + self.backoff
            self.ramp.move(self.low, self.speed)
        else:
            self.phase, self.high = Phase.HIGH_BACK, position - self.backoff
            self.ramp.move(self.high, self.speed)
