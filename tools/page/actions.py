"""What a page may ask of the bench, by name: the only door between the browser and the link."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import UsageProblem
from ringlet.tools.page.bench_thread import Bench, Place


def _take(handle: AxisHandle, force: bool = False) -> None:
    handle.take(force=force)


def _clear(handle: AxisHandle) -> None:
    handle.link.request(m.ClearFault(0), node=handle.node, axis=handle.axis)


PLAIN: Final[dict[str, Callable[[AxisHandle], None]]] = {
    "take": _take,
    "take-force": lambda handle: _take(handle, force=True),
    "yield": lambda handle: handle.yield_(),
    "hold": lambda handle: handle.hold(),
    "release": lambda handle: handle.release(),
    "clear-fault": _clear,
    "find-stops": lambda handle: handle.find_stops(wait=False),
}
"""Actions on one axis without a value."""


def place_of(text: Any) -> Place:
    """Node and axis from `NODE.AXIS`. Raises UsageProblem."""
    node, dot, axis = str(text).partition(".")
    if not (dot and node.isascii() and node.isdecimal() and axis.isascii() and axis.isdecimal()) or len(text) > 8:
        raise UsageProblem("the name of an axis is NODE.AXIS, as in 16.0.")
    return int(node), int(axis)


def figure(value: Any, what: str) -> float:
    """A finite number. Raises UsageProblem."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UsageProblem(f"{what} is not a number.")
    return float(value)


def act(bench: Bench, asked: dict[str, Any], who: str) -> Future[Any] | bool | None:
    """Do what a page asked; `who` tells pages apart. False when a heartbeat came for a jog that has ended.

    Raises UsageProblem for anything that is not in the tables here.
    """
    what = asked.get("do")
    if what == "stop":
        return bench.stop_all()
    place = place_of(asked.get("axis"))
    if what in ("press", "beat", "free"):
        hold = f"{who}/{asked.get('hold')}"
        if what == "press":
            return bench.press(place, figure(asked.get("deg_s"), "the velocity"), hold)
        return bench.heartbeat(place, hold) if what == "beat" else bench.let_go(place, hold)
    if what == "move":
        goal, speed = figure(asked.get("deg"), "the position"), asked.get("speed")
        limit = None if speed is None else figure(speed, "the speed")
        return bench.on_axis(place, lambda handle: handle.move(goal, limit, wait=False))
    work = PLAIN.get(str(what))
    if work is None:
        raise UsageProblem("the page asked for something that does not exist.")
    return bench.on_axis(place, work)
