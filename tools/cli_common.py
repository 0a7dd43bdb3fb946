"""What the commands share: their options, opening a link, choosing an axis, driving it safely, and output."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from shlex import quote
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools.errors import CheckFailed, NoAnswer, RingletError, UsageProblem

if TYPE_CHECKING:
    from rich.console import Console

    from ringlet.tools.link import AxisHandle, Link

LINKS = "sim:trio, serial:/dev/ttyUSB0?baud=115200 or can:socketcan:can0"
BUS = "Bus"

LinkOption = Annotated[
    str | None,
    typer.Option("--link", envvar="RINGLET_LINK", help=f"Where the motors are: {LINKS}.", rich_help_panel=BUS),
]
SourceOption = Annotated[
    int,
    typer.Option("--source", envvar="RINGLET_SOURCE", min=1, max=15, help="Address of this control.",
                 rich_help_panel=BUS),
]  # fmt: skip
NodeOption = Annotated[
    int | None,
    typer.Option("--node", min=16, max=126, help="Address of the node; default: the only one.", rich_help_panel=BUS),
]
AxisOption = Annotated[
    int | None, typer.Option("--axis", min=0, max=7, help="Axis on the node; default: 0.", rich_help_panel=BUS)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Answer in JSON, for machines.")]
ForceOption = Annotated[bool, typer.Option("--force", help="Take the axis even from another control.")]
FindOption = Annotated[
    bool, typer.Option("--find", help="Find the end stops first when the travel is not known.")
]

NUMBERS = {"ignore_unknown_options": True}
"""Lets an argument be a negative number."""

CAUTION = (
    "Caution: gears pinch fingers, and a motor can break a lens that is stuck or has no end stops. A software stop is "
    "not an emergency stop: be able to cut the power in hardware. Follow the lens and motor makers' instructions and "
    "local codes, and ask qualified people."
)


def emit(data: Any) -> None:
    """Print one JSON document."""
    typer.echo(json.dumps(data, indent=2, allow_nan=False))


def console() -> Console:
    """Where people read: as wide as the screen, or 120 columns when there is none. NO_COLOR leaves bold out too."""
    from rich.console import Console

    return Console(
        highlight=False, soft_wrap=False, width=None if sys.stdout.isatty() else 120,
        color_system=None if os.environ.get("NO_COLOR") else "auto",
    )  # fmt: skip


def note(text: str) -> None:
    """One line for the person, on stderr, so that stdout stays clean for machines."""
    typer.echo(text, err=True)


def looks_like_number(text: str) -> bool:
    """Whether a word is a number, NaN and infinity too: these are refused as values and not as options."""
    try:
        float(text)
    except ValueError:
        return False
    return True


def number(text: str, label: str, unit: str, low: float = -math.inf, high: float = math.inf) -> float:
    """A finite number that a person typed. Raises UsageProblem."""
    try:
        value = float(text)
    except ValueError:
        raise UsageProblem(f"{label} is {text!r}, which is not a number; give it in {unit}.") from None
    if not math.isfinite(value):
        raise UsageProblem(f"{label} is {text}, which is not a finite number; give it in {unit}.")
    if not low <= value <= high:
        raise UsageProblem(f"{label} is {text} {unit}; it must be {low:g} to {high:g} {unit}.")
    return value


def open_link(url: str | None, source: int) -> Link:
    """The link that --link names. Raises UsageProblem when none is named, LinkProblem when it cannot be opened."""
    if not url:
        raise UsageProblem("no link is given; add --link, for example --link sim:trio, or set RINGLET_LINK.")
    from ringlet.tools.link import Link

    return Link.open(url, source=source)


def nodes(link: Link, node: int | None) -> list[int]:
    """Addresses to talk to: the one that is named, or all that are found. Raises NoAnswer when there is none."""
    if node is not None:
        return [node]
    found = link.discover()
    if not found:
        raise NoAnswer(nobody(link))
    if all(one.fresh for one in found):
        raise UsageProblem("the node that was found has no address yet; give it one with `ringlet discover --assign`.")
    if any(one.fresh for one in found):
        note("A node without an address is left out; `ringlet discover --assign` gives it one.")
    return sorted(one.address for one in found if not one.fresh)


def nobody(link: Link) -> str:
    """The sentence for a link on which no node answers."""
    look = f"; `ringlet doctor --link {quote(link.url)}` looks for the reason" if not link.is_sim else ""
    return f"no node answers on {link.url}; check power, wiring and the link's speed{look}."


def one_node(link: Link, node: int | None) -> int:
    """The address of the only node, or the one that is named. Raises UsageProblem when it is not clear which."""
    found = nodes(link, node)
    if len(found) > 1:
        raise UsageProblem(f"there are {len(found)} nodes; choose one with --node: {', '.join(map(str, found))}.")
    return found[0]


def axes_of(link: Link, node: int, axis: int | None) -> list[int]:
    """Axes of a node: the one that is named, or all. Raises UsageProblem for an axis that the node has not."""
    from ringlet.protocol.messages import Identify

    count = link.request(Identify(0), node=node).axes
    if axis is None:
        return list(range(count))
    if axis >= count:
        has = f"axes 0 to {count - 1}" if count > 1 else "only axis 0"
        raise UsageProblem(f"node {node} has no axis {axis}; it has {has}.")
    return [axis]


def one_axis(link: Link, node: int | None, axis: int | None) -> AxisHandle:
    """The axis that a command is for."""
    address = one_node(link, node)
    return link.axis(address, axes_of(link, address, axis or 0)[0])


def state_of(handle: AxisHandle) -> str:
    """Name of the axis's present state."""
    from ringlet.protocol.codes import names

    code = handle.status().state
    return names("state").get(code, f"state {code}")


@contextmanager
def driving(
    link: Link, handles: AxisHandle | Sequence[AxisHandle], force: bool = False, caution: str = CAUTION
) -> Iterator[None]:
    """Own one axis or several for the body of the block, and give up at the end. Whatever goes wrong, all ramp down.

    `caution` is shorter, or empty, only where the whole one has been shown for the same work before.
    """
    if caution:
        note(caution)
    several = isinstance(handles, Sequence)
    taken: list[AxisHandle] = []
    try:
        for handle in handles if isinstance(handles, Sequence) else (handles,):
            handle.take(force=force)
            taken.append(handle)
        yield
    except BaseException as cause:
        # Ctrl-C, or an answer that did not come: stop is sent blind, for it needs no answer. What another control has
        # taken meanwhile is its own, and what it drives is not stopped.
        ours = [one for one in taken if (one.node, one.axis) in link.owned]
        if not _stopped(link, ours):
            rest, one = ("all axes are", "one") if several else ("the axis is", "it")
            note(f"Stop was sent, and it is not sure that {rest} at rest: cut the power if {one} moves.")
        elif isinstance(cause, KeyboardInterrupt) and ours:
            note(f"Stopped: {'the axes are' if several else 'the axis is'} at rest.")
        raise
    finally:
        for handle in taken:
            with suppress(RingletError):
                handle.yield_()


def _stopped(link: Link, handles: Sequence[AxisHandle]) -> bool:
    """Send a stop to each; whether all are known to be at rest then, or have no drive any more. Raises nothing."""
    for handle in handles:
        with suppress(RingletError):  # the link may be gone: the other errors say so, and nothing may hide this stop
            link.stop(handle.node, handle.axis)
    resting = [_at_rest(handle) for handle in handles]
    return all(resting)


def _at_rest(handle: AxisHandle) -> bool:
    try:
        handle.rest(10.0)
    except CheckFailed:  # a fault takes the drive away; an axis that moves on does not have one
        with suppress(RingletError):
            return state_of(handle) == "faulted"
        return False
    except RingletError:
        return False
    return True


def agreed(question: str, yes: bool) -> bool:
    """Whether a person agrees. Raises UsageProblem when there is nobody to ask."""
    if yes:
        return True
    if not sys.stdin.isatty():
        raise UsageProblem("there is nobody to ask here; look at the list above and add --yes.")
    return typer.confirm(question, err=True)


def confirm_motion(link_is_sim: bool, yes: bool) -> None:
    """Ask before a measurement moves real motors. Raises Abort when the person does not agree."""
    if not yes and not link_is_sim:
        typer.confirm("Is everything clear of the gears, and may the motors move?", abort=True, err=True)


def make_ready(link: Link, handle: AxisHandle, find: bool) -> None:
    """Find the end stops if that is asked for and the travel is not known. To be called while driving."""
    from ringlet.protocol.codes import Flag

    if find and not handle.status().flags >> Flag.CALIBRATED & 1:
        note("Finding the end stops.")
        handle.find_stops(wait=True)
