"""The interaxial and the convergence axis of a two-camera rig: where they stand, and travel limits from its clearance.

A motor knows only its own travel limits, so what both refuse together is a box. That box lies inside the clearance
table, so every mix of both axes is clear in it, whoever moves them. `NOT_COVERED` says what this does not prevent.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag
from ringlet.tools import setups
from ringlet.tools.axis_handle import MDEG, AxisHandle
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.lens.clearance import Box, Clearance, Gearing, Place, Span
from ringlet.tools.lens.twocamera import RigProblem, toe_in_deg
from ringlet.tools.link import Link
from ringlet.tools.places import known_place

COVERED: Final = (
    "Inside these limits every mix of both axes is clear by the table, and the motors keep to them whoever asks: a "
    "move past one is refused, a streamed setpoint is cut, a velocity ends at the limit."
)
NOT_COVERED: Final = (
    "an axis whose position is not known (after power-up, until --here): slowly, it turns wherever it is sent",
    "finding end stops: it drives to the stops, past these limits, and writes the travel anew",
    "a table, a gearing or a zero that is wrong, play, and a lens, filter or cable that was changed since",
    "places that the table allows outside this box: they are out of reach until other limits are written",
    "whoever writes other limits or turns an axis by hand",
)
AGREES_DEG: Final = 0.05
"""Toe-in by which marks in a motor may differ from the geometry: between marks there are straight lines."""
AGREES_MM: Final = 1.0
"""By which a measured interaxial distance may differ from where its axis stands (our choice)."""


def known(handle: AxisHandle) -> float:
    """Where an axis stands, deg. Raises UsageProblem when its position is not known."""
    if not handle.status().flags >> Flag.CALIBRATED & 1:
        raise UsageProblem(
            f"the position of axis {handle.node}.{handle.axis} is not known; measure where the rig stands and give it "
            "to `ringlet pair limits --here MM,DEG` (finding end stops may drive the cameras into something)."
        )
    return handle.position()


def standing(handles: Sequence[AxisHandle]) -> None:
    """Raise UsageProblem for a convergence axis whose position is not known: its stops are not found on the side."""
    for handle in handles:
        if not handle.status().flags >> Flag.CALIBRATED & 1:
            raise UsageProblem(
                f"the position of the convergence axis {handle.node}.{handle.axis} is not known, and --find finds the "
                "stops of lenses only, for cameras may touch something on the way: measure it for `ringlet pair limits "
                f"--here`, or, where the way is clear, run `ringlet find-stops --node {handle.node} --axis "
                f"{handle.axis}`."
            )


def handle_of(link: Link, gearing: Gearing, role: str) -> AxisHandle:
    """The axis that a table names. Raises UsageProblem when it turns something else."""
    handle = link.axis(*known_place(gearing.axis))
    held = str(handle.get("role"))
    if held != role:
        raise UsageProblem(
            f"by the clearance table axis {gearing.axis} is the {role} axis, and its role is {held}; correct one."
        )
    return handle


def stands(link: Link, table: Clearance) -> Place:
    """Where a rig stands, from the positions of both axes. Raises UsageProblem, RigProblem."""
    slide, turn = table.gearing
    apart, turned = known(handle_of(link, slide, "interaxial")), known(handle_of(link, turn, "convergence"))
    return Place(slide.value(apart), turn.value(turned))


def apart_mm(link: Link, table: Clearance | None, given: float | None) -> float:
    """Interaxial distance as it is now: as given, else from the position of the table's interaxial axis.

    A distance that is given is held against that axis, where its position is known: everything that is judged hangs on
    it. Raises UsageProblem.
    """
    gearing = None if table is None else table.interaxial
    if gearing is None:
        assert given is not None
        return given
    handle = handle_of(link, gearing, "interaxial")
    if given is None:
        return gearing.value(known(handle))
    if handle.status().flags >> Flag.CALIBRATED & 1:
        seen = gearing.value(handle.position())
        if abs(seen - given) > AGREES_MM:
            raise UsageProblem(
                f"the interaxial distance is given as {given:.4g} mm, and axis {gearing.axis} stands at {seen:.4g} mm; "
                "measure it, and correct one of them (`ringlet pair limits --here` tells the axis)."
            )
    return given


class Fenced(NamedTuple):
    """One axis and its limits, deg."""

    axis: str
    role: str
    now: Span
    then: Span
    position_deg: float
    kept: bool
    """a limit that was tighter has been kept"""


def plan(link: Link, table: Clearance, box: Box, widen: bool, here: Place | None = None) -> list[Fenced]:
    """The travel limits that a box means for both axes. Without `widen` no present limit is moved outwards.

    `here` is where the rig stands, as measured; without it the motors' own positions count. Raises
    UsageProblem when a position is not known, RigProblem when an axis stands outside or no travel is left.
    """
    slide, turn = table.gearing
    wanted = (
        (slide, "interaxial", slide.travel(box.interaxial_from_mm, box.interaxial_to_mm)),
        (turn, "convergence", turn.travel(box.toe_in_from_deg, box.toe_in_to_deg)),
    )
    found = []
    for gearing, role, span in wanted:
        handle = handle_of(link, gearing, role)
        at = known(handle) if here is None else gearing.ring_deg(here[0] if gearing is slide else here[1])
        now = Span(float(handle.get("travel-min")), float(handle.get("travel-max")))
        span = _inwards(span)
        then = span if widen or not now.low < now.high else Span(max(span.low, now.low), min(span.high, now.high))
        if not then.low < then.high:
            raise RigProblem(
                f"axis {gearing.axis} has a travel of {now.low:g} to {now.high:g} deg and the box means {span.low:g} "
                f"to {span.high:g} deg, which have nothing in common; check its gearing in the table."
            )
        if not then.low <= at <= then.high:
            raise RigProblem(
                f"axis {gearing.axis} stands at {at:.2f} deg, outside the limits of {then.low:g} to {then.high:g} deg; "
                "bring it inside first."
            )
        found.append(Fenced(gearing.axis, role, now, then, at, then != span))
    return found


def _inwards(span: Span) -> Span:
    """Whole counts of a parameter, never outside the span."""
    return Span(math.ceil(MDEG * span.low - 1e-6) / MDEG, math.floor(MDEG * span.high + 1e-6) / MDEG)


def write(
    link: Link, fenced: list[Fenced], *, reference: bool = False, force: bool = False, save: bool = False
) -> None:
    """Write the limits to both axes at rest, owned meanwhile, and read them back. Nothing moves. Raises CheckFailed.

    With `reference` each axis is told that it stands where `fenced` says, so that its limits count.
    """
    places = [known_place(one.axis) for one in fenced]
    with setups.quiet(link, places, force):
        for one, place in zip(fenced, places, strict=True):
            handle = link.axis(*place)
            ends = [("travel-min", one.then.low), ("travel-max", one.then.high)]
            if one.now.low < one.now.high <= one.then.low:  # the upper end first: a travel turned round is none
                ends.reverse()
            for name, value in ends:
                if round(MDEG * float(handle.set(name, value))) != round(MDEG * value):
                    raise CheckFailed(f"{name} of axis {one.axis} was written and reads differently; write it again.")
            if reference:
                link.request(m.SetReference(0, round(MDEG * one.position_deg)), node=place[0], axis=place[1])
        for one, place in zip(fenced, places, strict=True):
            handle = link.axis(*place)
            held = Span(float(handle.get("travel-min")), float(handle.get("travel-max")))
            if held != one.then or not handle.status().flags >> Flag.CALIBRATED & 1:
                raise CheckFailed(f"the limits of axis {one.axis} do not read back as written; write them again.")
            if save:
                handle.save()


def fits(
    handles: list[tuple[AxisHandle, float]], distance_m: float, base_mm: float, ratio: float, zero: float,
    table: Clearance | None,
) -> None:  # fmt: skip
    """Whether marks of convergence axes are those of this interaxial distance, and the way there is clear.

    `handles` are these axes and where their marks send them, deg. Raises UsageProblem, RigProblem; nothing moves.
    """
    toe_in = toe_in_deg(base_mm / 1000.0, distance_m)
    wanted = zero + ratio * toe_in
    for handle, ring in handles:
        name = f"axis {handle.node}.{handle.axis}"
        if abs(ring - wanted) > AGREES_DEG * abs(ratio):
            raise UsageProblem(
                f"the marks of {name} send it to {ring:.2f} deg, and at an interaxial distance of {base_mm:.4g} mm it "
                f"belongs at {wanted:.2f} deg: they are those of another distance; run `ringlet pair converge` anew."
            )
        if table is not None:
            table.order(Place(base_mm, (known(handle) - zero) / ratio), Place(base_mm, toe_in))
