"""Plain numbers of how a node behaves that stand in no other table; the firmware core is written with them."""

from __future__ import annotations

from typing import Final, NamedTuple


class Number(NamedTuple):
    """One number, as a whole count of `unit`."""

    value: int
    unit: str
    doc: str


BEHAVIOUR: Final[dict[str, Number]] = {
    "contact": Number(60, "ms", "time at the torque limit and nearly at rest that counts as an end stop; our choice"),
    "slow-part": Number(10, "", "nearly at rest: below this part (1/n) of the finding speed; our choice"),
    "standing": Number(500, "0.001 deg/s", "slower than this counts as no motion when a stall is judged; our choice"),
    "derate-band": Number(200, "0.1 degC", "torque is reduced over this band below `winding-limit`; our choice"),
    "position-gain": Number(4000, "0.01/s", "the simulated board's own position gain, where the parameter is 0"),
    "velocity-gain": Number(1000, "0.1 %", "the maker's own velocity gain as a share of itself"),
    "travel-counts": Number(65535, "counts", "the whole travel as a share"),
    "announce-mix": Number(0x9E3779B97F4A7C15, "", "spreads unique ids over the announce window; our choice"),
    "answers-kept": Number(1024, "", "answers that the simulated node keeps for repeated requests"),
}

TRAVEL_COUNTS: Final = BEHAVIOUR["travel-counts"].value
"""The whole travel as a share, in counts."""
