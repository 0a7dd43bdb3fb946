"""What an axis watches each millisecond: the causes of faults, and whether a resting drive needs stepping at all."""

from __future__ import annotations

from typing import Any

from ringlet.hwsim.drive import Drive, DriveReading
from ringlet.protocol.codes import Fault

STANDING_MDEG_S = 500.0
"""Slower than this counts as no motion when a stall is judged; our choice."""
NONE: frozenset[Fault] = frozenset()
REST_TICKS = 50
"""Ticks without any change after which a free drive is no longer stepped; our choice."""
AMBIENT_K = 0.05
"""Closer than this to the ambient counts as cooled down; our choice."""


class Watch:
    """Causes of faults that are there now. The settings are those of the axis, in counts."""

    def __init__(self) -> None:
        self._stalled_ms = 0

    def look(self, s: dict[str, int], reading: DriveReading, moving: bool, off_mdeg: float) -> frozenset[Fault]:
        """One tick. `moving`: the setpoint moves under power; `off_mdeg`: distance to it, 0 where none counts."""
        if moving and reading.torque_limited and abs(reading.velocity_mdeg_s) < STANDING_MDEG_S:
            self._stalled_ms += 1
        else:
            self._stalled_ms = 0
        hot_winding = 10.0 * reading.winding_c > s["winding-limit"]
        hot_case = 10.0 * reading.case_c > s["case-limit"]
        low = reading.supply_mv < s["supply-min"]
        stalled = self._stalled_ms >= s["stall-time"]
        far = off_mdeg > s["following-limit"]
        if reading.encoder_ok and not (hot_winding or hot_case or low or stalled or far):
            return NONE  # nearly every tick
        causes = (
            (Fault.STALL, stalled),
            (Fault.FOLLOWING, far),
            (Fault.ENCODER, not reading.encoder_ok),
            (Fault.WINDING_HOT, hot_winding),
            (Fault.CASE_HOT, hot_case),
            (Fault.SUPPLY_LOW, low),
        )
        return frozenset(fault for fault, there in causes if there)


class Rest:
    """Economy of the simulation, not firmware: a free drive in which nothing changes any more gives the same reading.

    After REST_TICKS ticks with the drive off, the ring and rotor still and all at the ambient temperature, the plant is
    no longer stepped, until the drive is switched on, the ring is turned, the ambient or a setting changes, or counts
    are lost. Only the supply voltage of the reading goes on.
    """

    def __init__(self) -> None:
        self._seen: Any = None
        self.ticks = 0
        """ticks without a change; whoever steps the drive under power sets it to 0"""

    def holds(self, drive: Drive) -> bool:
        """Whether this tick of a drive that is off can be left out."""
        truth, faults = drive.truth, drive.faults
        seen = (truth.ring_deg, truth.rotor_deg, faults.ambient_c, faults.counts_lost, drive.settings)
        if seen != self._seen:
            self._seen, self.ticks = seen, 0
            return False
        self.ticks += 1
        if self.ticks == REST_TICKS:
            warm = max(abs(truth.winding_c - faults.ambient_c), abs(truth.case_c - faults.ambient_c)) > AMBIENT_K
            if warm or truth.current_a != 0.0:
                self.ticks = 0
        return self.ticks > REST_TICKS
