"""The table of measurements: what each is called, what it moves, and what does it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, NamedTuple

from ringlet.tools.bench import loading, moving, soak, timing, together
from ringlet.tools.bench.result import Measurement
from ringlet.tools.bench.session import Bench


class Procedure(NamedTuple):
    """One measurement of one axis whose travel is known."""

    title: str
    moves: str
    """what it moves and how far, for the caution"""
    measure: Callable[[Bench], Measurement]
    caution: str = ""


MEASUREMENTS: Final[dict[str, Procedure]] = {
    "ramp": Procedure(
        "Ramps against their limits", "the ring over most of the travel, at full speed", moving.measure_ramp
    ),
    "limit": Procedure(
        "Travel limits", "the ring to both travel limits, at full speed", moving.measure_limit,
        "If the travel limits lie outside the stops, the ring runs into a stop.",
    ),
    "step": Procedure(
        "Step and following", "the ring over 80 per cent of the travel, then fast to and fro about its middle",
        moving.measure_step,
    ),
    "repeat": Procedure(
        "Repeatability and backlash", "the ring over the whole travel, to and fro", loading.measure_repeat
    ),
    "friction": Procedure(
        "Friction and inertia", "the ring over the whole travel, at full speed and slowly", loading.measure_friction
    ),
    "stops": Procedure(
        "End stops", "the ring against both end stops, slowly and with little torque", loading.measure_stops,
        "Not for a ring without hard stops. The travel found replaces the one known before.",
    ),
    "latency": Procedure("Latency", "the ring by 1 degree about the middle of the travel", timing.measure_latency),
    "together": Procedure(
        together.TITLE, "this ring and that of a second axis, over 40 per cent of their travels at up to full speed",
        together.measure_together,
    ),
    "soak": Procedure(
        soak.TITLE, "the ring over the whole travel, at random and at up to full speed, for as long as it is told",
        soak.measure_soak, "Do not leave it alone unless the power is cut by itself when something goes wrong.",
    ),
}  # fmt: skip


def measure(name: str, bench: Bench) -> Measurement:
    """Carry out one measurement, and say on it what holds for the whole link. Raises KeyError."""
    found = MEASUREMENTS[name].measure(bench)
    if not bench.polled:
        return found
    note = (
        "On this shared line each sample is asked for, message by message: setpoint, position and time of a row are a "
        "few milliseconds apart, and peaks shorter than the interval between rows do not show."
    )
    return replace(found, notes=(*found.notes, note))
