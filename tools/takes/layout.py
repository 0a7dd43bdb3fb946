"""What stands in a take: an MCAP file (the open container format of that name) with JSON messages under JSON Schema.

One channel for each axis (`/axis/NODE.AXIS`), one for time addresses (`/timecode`), one for what happened (`/events`).
Times of messages are nanoseconds; they start at the wall clock's time of day on a real link and at 0 on a simulated
one. Metadata record `take` stands at the start, `take-end` at the end; a take without the second was cut short.
"""

from __future__ import annotations

import json
from typing import Any, Final, NamedTuple

PROFILE: Final = "ringlet-take"
FORMAT: Final = 1
HEAD, TAIL = "take", "take-end"
TIMECODE, EVENTS = "/timecode", "/events"
AXIS_PREFIX: Final = "/axis/"
VALUE_FIELDS: Final = {"distance": "distance_m", "stop": "t_stop", "focal": "focal_mm"}
"""Field of a sample that an axis with marks of this kind fills."""


def _schema(title: str, about: str, **fields: tuple[str | list[str], str]) -> dict[str, Any]:
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "description": about,
        "type": "object",
        "properties": {name: {"type": kind, "description": doc} for name, (kind, doc) in fields.items()},
        "required": list(fields),
    }


AXIS_SCHEMA: Final = _schema(
    "ringlet.AxisSample", "One axis at one instant.",
    ring_deg=("number", "Measured ring position, deg."),
    velocity_deg_s=("number", "Measured velocity of the ring, deg/s."),
    setpoint_deg=("number", "Where the ring should be, deg."),
    current_a=("number", "Motor current, A."),
    state=("string", "State of the axis."),
    owner=("integer", "Address of the control that owns the axis, 0 when free."),
    fault=("string", "First latched fault, or none."),
    distance_m=(["number", "null"], "Focus distance, m; null for infinity, past the marks, or without distance marks."),
    at_infinity=("boolean", "The focus distance is infinite."),
    t_stop=(["number", "null"], "T-stop; null past the marks or without iris marks."),
    focal_mm=(["number", "null"], "Focal length, mm; null past the marks or without zoom marks."),
    lost_before=("integer", "Samples of this axis that were lost just before this one."),
)  # fmt: skip
TIMECODE_SCHEMA: Final = _schema(
    "ringlet.Timecode", "Time address of the frame that begins now (SMPTE ST 12-1).",
    timecode=("string", "HH:MM:SS:FF; ;FF where frame numbers are dropped."),
    frame=("integer", "Frames since 00:00:00:00 of the count."),
    rate=("string", "Frame rate and counting, by the name in the protocol's table."),
)  # fmt: skip
EVENT_SCHEMA: Final = _schema(
    "ringlet.Event", "Something that happened during the take.",
    what=("string", "Kind of event: lost, fault, owner, timecode, link, polled, marks, clock."),
    axis=("string", "NODE.AXIS, or empty."),
    text=("string", "One sentence."),
    count=("integer", "How many, where that has a meaning; else 0."),
)  # fmt: skip
SCHEMAS: Final = {"axis": AXIS_SCHEMA, "timecode": TIMECODE_SCHEMA, "event": EVENT_SCHEMA}


class AxisInfo(NamedTuple):
    """An axis of a take, as it was when the take began."""

    node: int
    axis: int
    unique_id: str
    """of the board, 12 hex digits"""
    role: str
    axis_name: str = ""
    lens_name: str = ""
    count_deg: float = 0.001
    """one encoder count at the ring, deg"""
    marks_kind: str = ""
    """distance, stop or focal; empty without marks"""
    marks: tuple[tuple[float, float | None], ...] = ()
    """(ring deg, value in m, T or mm); None is infinity"""

    @property
    def key(self) -> str:
        """NODE.AXIS."""
        return f"{self.node}.{self.axis}"

    @property
    def label(self) -> str:
        """For column names."""
        return f"{self.role}_{self.node}_{self.axis}"

    def metadata(self) -> dict[str, str]:
        """As text, for the channel."""
        return {name: value if isinstance(value, str) else json.dumps(value) for name, value in self._asdict().items()}

    @classmethod
    def of(cls, data: dict[str, str]) -> AxisInfo:
        """From the channel's text. Raises KeyError or ValueError for what is none."""
        marks = tuple((float(at), None if value is None else float(value)) for at, value in json.loads(data["marks"]))
        return cls(
            int(data["node"]), int(data["axis"]), data["unique_id"], data["role"], data["axis_name"],
            data["lens_name"], float(data["count_deg"]), data["marks_kind"], marks,
        )  # fmt: skip


class Sample(NamedTuple):
    """One axis at one instant."""

    time_s: float
    """from the start of the take"""
    ring_deg: float
    velocity_deg_s: float
    setpoint_deg: float
    current_a: float
    state: str
    owner: int
    fault: str
    lost_before: int = 0
