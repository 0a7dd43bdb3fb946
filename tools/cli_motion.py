"""Commands that move a ring. Each shows the caution, owns the axis while it works, and ramps down on Ctrl-C."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import (
    AxisOption,
    FindOption,
    ForceOption,
    JsonOption,
    LinkOption,
    NodeOption,
    SourceOption,
)
from ringlet.tools.errors import CheckFailed, UsageProblem

if TYPE_CHECKING:
    from ringlet.tools.link import AxisHandle, Link

SpeedOption = Annotated[str, typer.Option("--speed", metavar="DEG_S", help="Highest speed, deg/s of the ring.")]


def _run(
    work: Callable[[Link, AxisHandle], None],
    link: str | None, node: int | None, axis: int | None, source: int, force: bool, as_json: bool,
    find: bool = False,
) -> None:  # fmt: skip
    """Open, choose, own, work, give up, and say where the ring came to rest."""
    from ringlet.tools import cli_bus, show

    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        with common.driving(bus, handle, force):
            common.make_ready(bus, handle, find)
            work(bus, handle)
        view = cli_bus.look(bus, handle.node, handle.axis, cli_bus.role(bus, handle.node, handle.axis))
    if as_json:
        common.emit(view._asdict())
    else:
        screen = common.console()
        screen.print(show.axes([view], width=screen.width))
    if view.faults:
        raise CheckFailed(f"axis {handle.axis} of node {handle.node} has a fault: {', '.join(view.faults)}.")


def move(
    to: Annotated[str | None, typer.Argument(metavar="DEG", help="Ring position, deg.")] = None,
    travel: Annotated[str, typer.Option("--travel", metavar="SHARE", help="Share of the travel instead, 0 to 1.")] = "",
    speed: SpeedOption = "",
    find: FindOption = False,
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Go to a ring position and stop there.

    Examples: ringlet move 30 --find --link sim:single; ringlet move -12.5 --speed 40; ringlet move --travel 0.5
    """
    if (to is None) == (not travel):
        raise UsageProblem("give either a position in degrees or --travel with a share of 0 to 1.")
    limit = common.number(speed, "--speed", "deg/s", 0.001, 3600.0) if speed else None
    goal = common.number(to, "The position", "deg", -2e6, 2e6) if to is not None else 0.0
    share = common.number(travel, "--travel", "shares of the travel", 0.0, 1.0) if travel else 0.0

    def work(bus: Link, handle: AxisHandle) -> None:
        if to is not None:
            handle.move(goal, limit)
        else:
            handle.move_travel(share, limit)

    _run(work, link, node, axis, source, force, as_json, find)


def jog(
    velocity: Annotated[str, typer.Argument(metavar="DEG_S", help="Velocity of the ring, deg/s; negative is back.")],
    seconds: Annotated[str, typer.Option("--seconds", metavar="S", help="How long, s.")] = "1",
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Turn at a velocity for a time, then ramp down and hold. Slow before calibration.

    Examples: ringlet jog 10 --seconds 2 --link sim:single; ringlet jog -5
    """
    rate = common.number(velocity, "The velocity", "deg/s", -3600.0, 3600.0)
    span = common.number(seconds, "--seconds", "s", 0.0, 3600.0)

    def work(bus: Link, handle: AxisHandle) -> None:
        handle.run(rate)
        bus.wait(span)
        handle.hold()
        handle.rest()

    _run(work, link, node, axis, source, force, as_json)


def hold(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Hold the ring where it is; ramp down first if it moves.

    Example: ringlet hold --link sim:single
    """

    def work(bus: Link, handle: AxisHandle) -> None:
        handle.hold()
        handle.rest()

    _run(work, link, node, axis, source, force, as_json)


def release(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Switch the drive off, so that the ring turns by hand; ramp down first if it moves.

    Example: ringlet release --link sim:single
    """

    def work(bus: Link, handle: AxisHandle) -> None:
        handle.release()
        handle.rest()

    _run(work, link, node, axis, source, force, as_json)


def find_stops(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Touch both end stops slowly, and set the travel inside them. Not for a ring without hard stops.

    To be done after each power-up. `ringlet set torque-finding=0.05 finding-speed=10` before it makes it gentler.

    Example: ringlet find-stops --link sim:single
    """

    def work(bus: Link, handle: AxisHandle) -> None:
        handle.find_stops(wait=True)
        low, high = handle.get("travel-min"), handle.get("travel-max")
        common.note(
            f"Travel: {low} to {high} deg. After a power-up the motor does not know where its ring stands: find the "
            "stops again, also when the travel was saved."
        )

    _run(work, link, node, axis, source, force, as_json)


def set_travel(
    end: Annotated[str, typer.Argument(metavar="low|high", help="Which end the ring stands at.")],
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Make the present ring position one end of the travel: for a ring without hard stops. Nothing moves.

    Examples: ringlet release; turn the ring by hand to its end; ringlet set-travel low
    """
    if end not in ("low", "high"):
        raise UsageProblem(f"{end!r} is no end of the travel; choose low or high.")

    def work(bus: Link, handle: AxisHandle) -> None:
        handle.set_travel(end)

    _run(work, link, node, axis, source, force, as_json)
