"""One value, several motors: each finds the place in its own table, and all start in one tick.

Everything that can be known before is checked before: the tables, the value in each, the travel limits. So a value that
one of the motors cannot reach moves none of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from typing import Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag
from ringlet.tools.axis_handle import MDEG, AxisHandle
from ringlet.tools.errors import CheckFailed, RingletError, UsageProblem
from ringlet.tools.lens import transfer
from ringlet.tools.lens.curve import UNITS
from ringlet.tools.lens.values import show
from ringlet.tools.lens.wiretable import WireTable, count_of
from ringlet.tools.link import Link

SLOWEST_DEG_S: Final = 0.1
"""A ring that has next to no way to go is still given this speed."""
SAME_DEG: Final = 0.0015
"""A setpoint this near to the target is the target: a step of the protocol, and rounding."""


class Target(NamedTuple):
    """One axis and where a value sends it."""

    handle: AxisHandle
    role: str
    table: WireTable
    ring_deg: float

    @property
    def name(self) -> str:
        return f"{self.handle.node}.{self.handle.axis}"


class Arrived(NamedTuple):
    """Where an axis came to rest."""

    name: str
    role: str
    wanted_deg: float
    setpoint_deg: float
    position_deg: float


def axes_of_role(link: Link, nodes: list[int], count_axes: dict[int, list[int]], roles: set[str]) -> list[AxisHandle]:
    """The axes that turn one of these rings, in order of address."""
    found = [link.axis(node, axis) for node in nodes for axis in count_axes[node]]
    return [handle for handle in found if str(handle.get("role")) in roles]


def targets(handles: list[AxisHandle], value: float, unit: str) -> list[Target]:
    """Where each axis would go, read from its own table. Raises UsageProblem; nothing moves.

    The travel limits are not looked at here: before the end stops are found they are not known.
    """
    found = []
    for handle in handles:
        name = f"axis {handle.axis} of node {handle.node}"
        table = transfer.read(handle)
        if table is None:
            raise UsageProblem(f"{name} holds no marks, so it cannot go to {show(value, unit)}; upload some first.")
        if table.unit != unit:
            raise UsageProblem(
                f"{name} holds {table.unit} marks and {show(value, unit)} is a {unit}; choose axes of one kind."
            )
        ring = table.ring_at(value)
        if math.isnan(ring):
            values = [one for _, one in table.points]
            raise UsageProblem(
                f"{show(value, unit)} lies outside the marks of {name}, which go from {show(min(values), unit)} to "
                f"{show(max(values), unit)} ({UNITS[unit]}); choose a value that every axis has."
            )
        found.append(Target(handle, str(handle.get("role")), table, ring))
    return found


def within_travel(wanted: list[Target]) -> None:
    """Raise UsageProblem when a target lies past a travel limit, or the travel is not known; nothing moves."""
    for one in wanted:
        name = f"axis {one.handle.axis} of node {one.handle.node}"
        if not one.handle.status().flags >> Flag.CALIBRATED & 1:
            raise UsageProblem(f"the travel of {name} is not known; add --find, or run `ringlet find-stops` first.")
        low, high = float(one.handle.get("travel-min")), float(one.handle.get("travel-max"))
        if not low <= one.ring_deg <= high:
            raise UsageProblem(
                f"{name} would go to {one.ring_deg:.2f} deg, past its travel of {low:g} to {high:g} deg; nothing moved."
            )


def pace(ways: Sequence[tuple[AxisHandle, float]], speed_deg_s: float | None = None) -> list[float]:
    """Speeds, deg/s, with which rings are under way to these angles (deg) for about the same time.

    The longest way goes at `speed_deg_s` (default and highest: the lowest velocity limit), the others slower in
    proportion.
    """
    lengths = [abs(ring - handle.position()) for handle, ring in ways]
    longest = max(lengths)
    top = min(float(handle.get("velocity-limit")) for handle, _ in ways)
    most = top if speed_deg_s is None else min(speed_deg_s, top)
    return [max(SLOWEST_DEG_S, most * length / longest) if longest else most for length in lengths]


def go(link: Link, wanted: list[Target], value: float, speed_deg_s: float | None) -> list[Arrived]:
    """Stage the value on every axis, which this control must own, start all with one `sync`, and wait.

    Their speeds are those of `pace`. Raises CheckFailed when one ends elsewhere, or did not start. Whatever goes wrong
    all are stopped, and nothing stays staged.
    """
    speeds = pace([(one.handle, one.ring_deg) for one in wanted], speed_deg_s)
    longest = max(one.handle.patience(one.ring_deg, speed) for one, speed in zip(wanted, speeds, strict=True))
    before = [one.handle.setpoint() for one in wanted]
    count = count_of(value, wanted[0].table.unit)
    try:
        for one, speed in zip(wanted, speeds, strict=True):
            body = m.StageValue(0, count, round(speed * MDEG))
            link.request(body, node=one.handle.node, axis=one.handle.axis)
        link.send(m.Sync(0))
        link.wait(0.01)
        _arrive(wanted, before, longest)
    except BaseException:
        for one in wanted:  # what it owns: a ring that another control has taken meanwhile is that control's
            if (one.handle.node, one.handle.axis) in link.owned:
                with suppress(RingletError):
                    one.handle.stop()
        raise
    return [
        Arrived(one.name, one.role, one.ring_deg, one.handle.setpoint(), one.handle.position()) for one in wanted
    ]


def _arrive(wanted: list[Target], before: list[float], longest: float) -> None:
    """Wait until each is at rest where it belongs. Raises CheckFailed."""
    for one, stood in zip(wanted, before, strict=True):
        on_target = one.handle.rest(longest).flags >> Flag.ON_TARGET & 1
        setpoint = one.handle.setpoint()
        if on_target and abs(setpoint - one.ring_deg) <= SAME_DEG:
            continue
        name = f"axis {one.handle.axis} of node {one.handle.node}"
        if abs(setpoint - stood) <= SAME_DEG:  # the start has no answer, so a line may lose it
            raise CheckFailed(
                f"{name} did not start and stands at {one.handle.position():.2f} deg instead of {one.ring_deg:.2f} "
                "deg; the line may have lost the start, so send the value again."
            )
        raise CheckFailed(f"{name} came to rest before its target; somebody or something stopped it.")
