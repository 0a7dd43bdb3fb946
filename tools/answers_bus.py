"""Answers of the commands that look, move and set; see `answers`."""

from __future__ import annotations

from typing import Annotated, Literal

from ringlet.tools.answers import Also, Answer, says
from ringlet.tools.bit_timing import Timing
from ringlet.tools.bus_load import Advice, Row
from ringlet.tools.doctor import Finding
from ringlet.tools.show import AxisView

Axis = Annotated[AxisView, Also()]
Percent = Annotated[float, says("In %.")]
Hz = Annotated[float | None, says("Telemetry of each axis that fits, in Hz; null where that is not the remedy.")]


class StopTo(Answer):
    """Where the stop was sent."""

    node: int = says("Address; 127 is everyone.")
    axis: int = says("Axis; 15 is all axes.")


class Stop(Answer):
    """A stop that was sent; it has no answer."""

    stop: StopTo


class Node(Answer):
    """A board on the bus."""

    address: int
    id: int = says("Unique id, 48 bits.")
    major: int = says("Version of its protocol.")
    minor: int = says("Version of its protocol, behind the point.")
    fresh: bool = says("It has no address of its own yet.")


class Discover(Answer):
    """All boards that answer."""

    nodes: list[Node]


class NamedAxis(Answer):
    """What an axis turns."""

    axis: int
    role: str
    axis_name: str
    lens_name: str


class NodeAbout(Answer):
    """What a board says of itself."""

    node: int
    maker: str
    model: str
    protocol: str = says("MAJOR.MINOR")
    firmware: int
    hardware: int
    axes: list[NamedAxis]


class Identify(Answer):
    """What each board is."""

    nodes: list[NodeAbout]


class Status(Answer):
    """Every axis, as it is now."""

    axes: list[Axis]


class Watch(Answer):
    """One look at every axis."""

    time_s: float = says("From the first look.")
    axes: list[Axis]


class Page(Answer):
    """Where the bench page is; printed once, when it is ready."""

    page: str = says("Address for the browser; with --token the token is part of it.")
    link: str
    exposed: bool = says("Others than this machine may reach it.")
    folder: str | None = says("Where takes and reports go; null when there are none.")


class Doctor(Answer):
    """What was found, and the next step in words."""

    findings: list[Annotated[Finding, Also()]]


class OfAxis(Answer):
    """Answers that are about one axis."""

    node: int
    axis: int


class Parameters(OfAxis):
    """Parameters of an axis, as they are in force."""

    parameters: dict[str, int | float | str] = says("By name, in the unit that stands beside; names for choices.")
    units: dict[str, str] = says("Units of those that have one.")


class Saved(OfAxis):
    """Settings were stored; axis 15 is all axes and the node itself."""

    saved: Literal[True]


class Restored(OfAxis):
    """Settings were put back."""

    restored: Literal["stored", "factory"]


class Owned(OfAxis):
    """Who owns the axis."""

    owner: int = says("Address of the control; 0 is nobody.")
    left_s: float | None = says("Until it is free without a sign of life; null when it is free.")


class Cleared(OfAxis):
    """Faults were cleared."""

    state: str


class Bus(Answer):
    """Load and latency of every message of a plan."""

    bus: Literal["can", "serial"]
    shared: bool = says("Several nodes on one serial line.")
    bitrate: int = says("In bit/s or baud.")
    axes: list[int] = says("Axes of each node.")
    load: float = says("Share of the time that the busiest wire is in use, 0 to 1 and above.")
    ok: bool
    errors_per_s: float = says("CAN errors in a second that are allowed for.")
    error_burst: int = says("How many of them may come at once.")
    targets_ms: dict[str, float]
    messages: list[Annotated[Row, Also(ok=bool)]] = says("Times in ms; a response of null is without bound.")
    advice: list[Annotated[Advice, Also(rate=Hz)]]
    bit_timings: list[Annotated[Timing, Also(sample_point=Percent, oscillator=Percent)]]
