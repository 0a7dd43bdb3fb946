"""Answers of the commands for takes; see `answers`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, RootModel

from ringlet.tools.answers import Also, Answer, Place, says
from ringlet.tools.takes.layout import AxisInfo
from ringlet.tools.takes.plan import TooFast
from ringlet.tools.takes.reader import Event
from ringlet.tools.takes.recover import Damage, Recovered
from ringlet.tools.takes.replay import Reached


class Record(Answer):
    """A take that was recorded. Counts are by NODE.AXIS."""

    take: str
    seconds: float
    samples: dict[str, int]
    lost: dict[str, int]
    timecode: list[str] = says("First and last time address; empty without.")
    rate_hz: float
    asked: list[Place] = says("Axes that were asked for each sample.")


class Played(Answer):
    """A take that was played, and how near each axis came to it."""

    played_s: float
    axes: dict[str, Annotated[Reached, Also()]] = says("By the take's NODE.AXIS.")


class Judged(Answer):
    """Whether a take can be played."""

    fits: bool
    seconds: float
    speed: float = says("Times the take's own.")
    too_fast: list[Annotated[TooFast, Also(place=str)]]
    smoothed: list[Place]


Replay = RootModel[Played | Judged]
"""What was played; with --check, or when it is too fast, the judgement."""


class Run(Answer):
    """Time addresses without a gap."""

    rate: str
    since: str = Field(alias="from")
    at_s: float
    frames: int


class TakeShow(Answer):
    """What a take holds."""

    take: str
    seconds: float
    about: dict[str, str]
    ended: str = says("How the recording ended.")
    axes: list[Annotated[AxisInfo, Also(key=str, samples=int, lost=int)]]
    timecode: list[Run]
    events: list[Annotated[Event, Also()]]


TakeRecover = Annotated[Recovered, Also(damaged=list[Annotated[Damage, Also()]])]


class TakeExport(Answer):
    """A table that was written, and how it was made. Counts are by NODE.AXIS."""

    take: str
    rate: str
    interpolation: str
    interpolation_is: str
    gap_s: float
    frames: int
    frames_are: str
    empty: dict[str, int] = says("Frames of each axis without a value.")
    infinity: str
    state_owner_faults: str
    lens_values: str
    files: list[str]
