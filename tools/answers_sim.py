"""Answers of the commands that need no hardware; see `answers`."""

from __future__ import annotations

from typing import Annotated

from pydantic import RootModel

from ringlet.hwsim.cardfile import LensCard, MotorCard
from ringlet.hwsim.figures import Figure
from ringlet.hwsim.rigfile import RigFile
from ringlet.tools.answers import Also, Answer, says
from ringlet.tools.demo import Act, Step


class DemoMotor(Answer):
    """The story of one motor, over each transport."""

    rig: str
    passed: int
    total: int
    acts: list[Annotated[Act, Also(without=("steps",), steps=list[Annotated[Step, Also()]])]]


class DemoRig(Answer):
    """The story of a matched pair."""

    rig: str
    invented: bool
    passed: int
    total: int
    steps: list[Annotated[Step, Also()]]
    plot: str


Demo = RootModel[DemoMotor | DemoRig]
"""`ringlet demo`, or `ringlet demo rig`."""


class Sim(Answer):
    """A rig that is served; printed once, when it is ready."""

    link: str = says("The --link that reaches it.")


class Rigs(Answer):
    """The rigs that are shipped; invented."""

    rigs: list[Annotated[RigFile, Also()]]


class Cards(Answer):
    """Motor and lens cards that are shipped; invented."""

    cards: list[Annotated[MotorCard, Also(kind=str, file=str)] | Annotated[LensCard, Also(kind=str, file=str)]]


class Plant(Answer):
    """A motor on a lens."""

    motor: str
    lens: str
    figures: list[Annotated[Figure, Also(without=("value",), value=float | None)]]
    cautions: list[str]
    plot: str | None


class Range(Answer):
    """The ends of a column, in the unit of its name."""

    lowest: float
    highest: float


class Swept(Answer):
    """A sweep that was written."""

    rows: int
    out: str
    plot: str | None
    columns: dict[str, Range]


class Keys(Answer):
    """With --keys: what can be varied."""

    keys: list[str]


Sweep = RootModel[Swept | Keys]
