"""The parameter table: every setting of an axis or node, with unit, scale, range, default, storage and states.

Values travel as 32-bit counts. Ranges and defaults are our choice (typical values: common practice, no source).
"""

# ruff: noqa: E501  (a row of the table is one line)

from __future__ import annotations

from typing import Final, NamedTuple

ANY: Final = "any"
"""May be written in every state."""
STILL: Final = "still"
"""May be written while the axis is released, holding or faulted: a change in motion could jump."""
NEVER: Final = "never"
"""Read only over the wire."""


class Param(NamedTuple):
    """One row. `scale` is the value of one count in `unit`; lo, hi and default are counts."""

    id: int
    name: str
    unit: str
    scale: str
    lo: int
    hi: int
    default: int
    write: str
    stored: bool
    scope: str
    """axis or node; a node parameter is read and written with axis 15"""
    values: str
    """name of the enumeration, or empty"""
    doc: str


def _p(
    id: int, name: str, unit: str, scale: str, lo: int, hi: int, default: int, write: str, doc: str,
    *, stored: bool = True, scope: str = "axis", values: str = "",
) -> Param:  # fmt: skip
    return Param(id, name, unit, scale, lo, hi, default, write, stored, scope, values, doc)


_RING = 2_000_000_000
"""Ring positions stay this far inside 32 bits, so that sums of two never overflow 33."""

PARAMETERS: Final[tuple[Param, ...]] = (
    _p(1, "travel-min", "deg", "0.001", -_RING, _RING, 0, STILL, "Lower travel limit, set by finding end stops, by hand, or here; after power-up it counts once the position is known again."),
    _p(2, "travel-max", "deg", "0.001", -_RING, _RING, 0, STILL, "Upper travel limit; not above the lower one means that the axis is not calibrated."),
    _p(3, "velocity-limit", "deg/s", "0.001", 1000, 3_600_000, 240_000, ANY, "Highest velocity of the ring. The four limits must fit together: all speed lost within 60 s, and either acceleration gained or lost within 60 s."),
    _p(4, "acceleration-limit", "deg/s2", "0.001", 10_000, 200_000_000, 1_500_000, ANY, "Highest acceleration while speed grows."),
    _p(5, "deceleration-limit", "deg/s2", "0.001", 10_000, 200_000_000, 1_500_000, ANY, "Highest acceleration while speed falls, in `stop` too."),
    _p(6, "jerk-limit", "deg/s3", "1", 100, 2_000_000, 30_000, ANY, "Highest change of acceleration."),
    _p(7, "torque-moving", "N.m", "0.001", 1, 5000, 150, ANY, "Torque limit at the motor's output shaft in motion."),
    _p(8, "torque-holding", "N.m", "0.001", 1, 5000, 100, ANY, "Torque limit at rest."),
    _p(9, "torque-finding", "N.m", "0.001", 1, 5000, 60, ANY, "Torque limit while finding end stops and before calibration."),
    _p(10, "direction", "", "1", 0, 1, 0, STILL, "Sense of the ring against the motor. A change ends the calibration.", values="direction"),
    _p(11, "motor-teeth", "teeth", "1", 8, 400, 35, STILL, "Teeth of the gear on the motor. A change ends the calibration."),
    _p(12, "ring-teeth", "teeth", "1", 8, 2000, 120, STILL, "Teeth of the ring on the lens. A change ends the calibration."),
    _p(13, "gear-module", "mm", "0.001", 100, 5000, 800, ANY, "Module of the gears; pitch diameter is module times teeth (DIN 780 series)."),
    _p(14, "encoder-counts", "counts", "1", 16, 10_000_000, 4096, STILL, "Encoder counts for one turn of the motor's output shaft. A change ends the calibration."),
    _p(15, "backlash", "deg", "0.001", 0, 20_000, 0, STILL, "Lost motion of the ring at a reversal, as measured."),
    _p(16, "backlash-compensation", "", "1", 0, 1, 0, STILL, "Take up the lost motion at each reversal.", values="onoff"),
    _p(17, "following-limit", "deg", "0.001", 100, 90_000, 10_000, ANY, "Distance between ring and setpoint that counts as a fault."),
    _p(18, "stall-time", "s", "0.001", 20, 5000, 300, ANY, "Time at the torque limit without motion that counts as a stall."),
    _p(19, "owner-timeout", "s", "0.001", 50, 60_000, 1000, ANY, "Silence after which the owner counts as lost."),
    _p(20, "on-loss", "", "1", 0, 1, 0, ANY, "What the axis does when its owner is lost.", values="loss"),
    _p(21, "telemetry-rate", "Hz", "1", 0, 1000, 0, ANY, "Telemetry sent unasked, 0 none; only on CAN and on a line with one node.", stored=False),
    _p(22, "telemetry-select", "", "1", 0, 31, 1, ANY, "Which telemetry messages are sent unasked: one bit each, in the order of `poll`.", stored=False),
    _p(23, "winding-limit", "degC", "0.1", 300, 2000, 1200, ANY, "Winding temperature that counts as a fault; torque is reduced in the 20 degC below."),
    _p(24, "case-limit", "degC", "0.1", 300, 1500, 700, ANY, "Case temperature that counts as a fault."),
    _p(25, "position-gain", "1/s", "0.01", 0, 100_000, 0, STILL, "Position loop: velocity asked for per distance off; 0 takes the maker's own."),
    _p(26, "velocity-gain", "%", "0.1", 0, 10_000, 0, STILL, "Velocity loop, as a share of the maker's own; 0 takes the maker's own."),
    _p(27, "finding-speed", "deg/s", "0.001", 500, 180_000, 30_000, ANY, "Speed while finding end stops, and the most before calibration."),
    _p(28, "finding-backoff", "deg", "0.001", 0, 20_000, 1_000, ANY, "Distance that the travel keeps from each end stop."),
    _p(29, "finding-reach", "deg", "0.001", 1000, 3_600_000, 720_000, ANY, "Longest search for one end stop."),
    _p(30, "role", "", "1", 0, 5, 0, ANY, "What the axis turns.", values="role"),
    _p(31, "supply-min", "V", "0.001", 0, 60_000, 8_000, ANY, "Supply voltage that counts as too low."),
    _p(64, "address", "", "1", 16, 126, 126, ANY, "Address that the node takes at power-up; 126 is none.", scope="node"),
    _p(65, "shared-line", "", "1", 0, 1, 0, ANY, "Several nodes share the serial line: never speak unasked.", scope="node", values="onoff"),
)  # fmt: skip

BY_ID: Final[dict[int, Param]] = {row.id: row for row in PARAMETERS}
BY_NAME: Final[dict[str, Param]] = {row.name: row for row in PARAMETERS}
