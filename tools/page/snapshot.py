"""What the page shows, as values that never change once made: any thread may read them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from ringlet.tools.page.guide import GuideShot
from ringlet.tools.page.measuring import MeasureShot
from ringlet.tools.page.taking import TakeShot

LIMITS = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")
"""Parameters that bound a ramp, in the order of `AxisShot.limits`."""


@dataclass(frozen=True)
class AxisShot:
    """One axis at one instant: deg, deg/s, deg/s2, deg/s3, A, V, degC."""

    node: int
    axis: int
    role: str
    state: str = "starting"
    position: float = 0.0
    setpoint: float = 0.0
    velocity: float = 0.0
    current: float = 0.0
    load: int = 0
    """torque as a share of the limit in force, %"""
    calibrated: bool = False
    travel: tuple[float, float] = (0.0, 0.0)
    limits: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    finding_speed: float = 0.0
    owner: int = 0
    flags: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    supply: float = 0.0
    winding: float = 0.0
    case: float = 0.0
    held: bool = False
    """somebody jogs it by holding a button"""
    silent: bool = False
    """nothing was heard of it for a second"""
    value: str = ""
    """position in lens units, empty without marks"""
    aim: str = ""
    """setpoint in lens units"""
    guide: GuideShot | None = None
    """how a hand control stands to it; None where none was heard"""

    @property
    def key(self) -> str:
        """Node and axis as people write them."""
        return f"{self.node}.{self.axis}"


@dataclass(frozen=True)
class Snapshot:
    """All axes at one instant."""

    number: int = 0
    """counts up; a page that sees it stand still knows that the link's thread hangs"""
    source: int = 1
    link: str = ""
    problem: str = ""
    """what is wrong with the link, in one sentence; empty when it is well"""
    slipped: float = 0.0
    """seconds by which a simulated rig fell behind the wall clock, in all"""
    stops: int = 0
    """how often everything was stopped"""
    axes: tuple[AxisShot, ...] = ()
    take: TakeShot = field(default_factory=TakeShot)
    """the take that is recorded, or the last one"""
    measure: MeasureShot = field(default_factory=MeasureShot)
    """the measurement that is made, or the last one"""
    kept: int = 0
    """counts up when takes or reports in the folder have changed"""

    def plain(self) -> dict[str, Any]:
        """For JSON."""
        made = asdict(self)
        for shot, axis in zip(self.axes, made["axes"], strict=True):
            axis["key"] = shot.key
            if shot.guide is not None:
                axis["guide"]["met"] = shot.guide.met
        return made
