"""Answers of the commands for a whole rig; see `answers`."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import RootModel

from ringlet.tools.answers import Also, Answer, Place, says
from ringlet.tools.setups import Difference

Differs = Annotated[Difference, Also()]


class RigCheck(Answer):
    """What on the bus is otherwise than the rig file says."""

    rig: str
    same: bool
    differences: list[Differs]
    not_stated: list[Differs] | None = says("With --all: what the file does not state and is not as from factory.")


class RigApply(Answer):
    """What was written, and what still differs."""

    rig: str
    stored: bool
    written: list[Differs]
    left: list[Differs]


class SetupSave(Answer):
    """A set-up that was saved."""

    saved: str = says("Its name.")
    file: str
    nodes: int = says("How many boards it holds.")
    axes: int = says("How many axes it holds.")


class SetupListed(Answer):
    """One set-up; null where its file cannot be read."""

    name: str
    readable: bool
    saved: str | None = says("Date and time, ISO 8601.")
    note: str | None
    boards: list[str] = says("Unique ids.")


class SetupList(Answer):
    """The set-ups that are kept."""

    folder: str
    setups: list[SetupListed]


class SavedMarks(Answer):
    """Marks of an axis."""

    kind: str
    table: list[tuple[float, float | None]] = says("Ring angle in deg, and m, T or mm; null is infinity.")


class SetupAxis(Answer):
    """One axis of a set-up."""

    axis: int
    parameters: dict[str, int | float | str] = says("By name, in the units of `ringlet schema parameters`.")
    marks: SavedMarks | None
    texts: dict[str, str]


class SetupNode(Answer):
    """One board of a set-up."""

    id: str = says("Unique id.")
    address: int
    maker: str
    model: str
    parameters: dict[str, int | float | str] = says("Those of the board itself.")
    axes: list[SetupAxis]


class SetupShow(Answer):
    """A set-up, as its file holds it."""

    format: Any = says("Of the file.")
    name: str
    note: str
    saved: str = says("Date and time, ISO 8601.")
    nodes: list[SetupNode]


class SetupApply(Answer):
    """What a set-up would change, and whether it did."""

    setup: str
    differences: list[Differs]
    applied: bool
    not_taken: list[Differs] = says("Written, and reads differently.")
    stored: bool


class RangeLook(Answer):
    """What is read of the subject."""

    source: str
    state: str
    distance_m: float | None = says("The last reading; null without")
    quality: int | None = says("Trust in it, 0 to 255.")
    age_s: float | None
    focus_m: float | None = says("Where focus is sent")
    predicted_s: float = says("How far that looks ahead of the reading")


class RingLook(Answer):
    """One ring, or both of a pair."""

    axis: Place
    partner: Place | None = says("The other axis of the pair.")
    role: str
    phase: str = says("Who says where the ring goes; `not ours` when another control owns it.")
    owner: int
    setpoint_deg: float | None
    velocity_deg_s: float | None
    ring_deg: float | None
    control_deg: float | None = says("Where the control stands, as an angle of the ring")
    difference_deg: float | None = says("How far the control must go to meet the ring")
    fault: str


class DriveLook(Answer):
    """One look."""

    time_s: float
    range: RangeLook | None
    axes: list[RingLook]


class DriveEvent(Answer):
    """Something that happened."""

    time_s: float
    axis: Place | None
    event: str


class ReadingCounts(Answer):
    """How many readings went where."""

    used: int
    outliers: int
    refused: int
    unreadable_lines: int


class DriveEnd(Answer):
    """The last line."""

    ended_s: float
    readings: ReadingCounts
    reading_to_ring_s: float | None = says("How late the ring is; null when it was not measured")
    plot: str | None


Drive = RootModel[DriveLook | DriveEvent | DriveEnd]
"""Looks and events as they come, and at last the end."""
