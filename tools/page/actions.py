"""What a page may ask of the bench, by name: the only door between the browser and the link."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import UsageProblem
from ringlet.tools.page import scales
from ringlet.tools.page.bench_thread import Bench


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
URGENT: Final = frozenset({"stop", "free", "beat", "record-end"})
"""What is done however late it comes."""
LATE: Final = 2.0
"""Seconds: what was asked on an older picture than this has hung on its way, and nobody expects it any more."""


def too_late(seen: Any) -> str:
    """The sentence that refuses what has hung on its way; empty when it may be done.

    `seen` is the time (monotonic, s) at which the last picture that the asking page had got was sent.
    """
    if isinstance(seen, bool) or not isinstance(seen, int | float):
        return ""
    old = time.monotonic() - seen
    return f"That came {old:.0f} s late, so nothing was done: look at the axis, then press again." if old > LATE else ""


def figure(value: Any, what: str) -> float:
    """A finite number. Raises UsageProblem."""
    try:
        if not isinstance(value, bool) and isinstance(value, int | float) and math.isfinite(value):
            return float(value)
    except OverflowError:
        pass  # a whole number beyond all floats
    raise UsageProblem(f"{what} is not a number.")


def act(bench: Bench, asked: dict[str, Any], who: str) -> Future[Any] | bool | None:
    """Do what a page asked; `who` tells pages apart. False when a heartbeat came for a jog that has ended.

    Raises UsageProblem for anything that is not in the tables here.
    """
    what = asked.get("do")
    if what == "stop":
        return bench.stop_all()
    if what == "record":
        return bench.start_take(asked.get("name"))
    if what == "record-end":
        return bench.end_take()
    if what in ("pair", "pair-take"):
        return _pair(bench, asked)
    place = scales.place_of(asked.get("axis"))
    if what == "value":
        text = scales.typed(asked.get("value"))
        scale = bench.scales.get(place)
        if scale is None:
            raise UsageProblem("this axis has no lens marks; upload some, or start the page with --card.")
        return bench.on_axis(place, lambda handle: scales.move_to_value(handle, scale, text))
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


def _pair(bench: Bench, asked: dict[str, Any]) -> Future[Any]:
    """One value for both rings of a pair, or both owned by this page."""
    number = asked.get("pair")
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < len(bench.pairs):
        raise UsageProblem("the page asked for a pair that does not exist.")
    pair = bench.pairs[number]
    if asked["do"] == "pair":
        text = scales.typed(asked.get("value"))
        return bench.on_axis(pair[0], lambda handle: scales.move_pair(handle.link, pair, bench.scales, text))

    def take(handle: AxisHandle) -> None:
        for place in pair:
            one = handle.link.axis(*place)
            one.take()
            one.hold()

    return bench.on_axis(pair[0], take)
