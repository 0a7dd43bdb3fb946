"""Lens units on the page: the scale of each ring, moves to a value or mark, and one value for a matched pair."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from contextlib import suppress
from typing import Any, Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag
from ringlet.tools.axis_handle import MDEG, AxisHandle, counts
from ringlet.tools.errors import CheckFailed, DeviceRefused, RingletError, UsageProblem
from ringlet.tools.lens import transfer
from ringlet.tools.lens.curve import UNITS, MarkCurve, MarkProblem
from ringlet.tools.lens.marksfile import card_of, load
from ringlet.tools.lens.together import pace
from ringlet.tools.lens.values import parse, show
from ringlet.tools.link import Link
from ringlet.tools.places import Place, place_in
from ringlet.tools.takes.lens_values import EDGE_DEG

KINDS: Final = {"distance": "distance", "stop": "T-stop", "focal": "focal length"}
EXAMPLES: Final = {"distance": "2.5 m", "stop": "T2.8", "focal": "50 mm"}
LONGEST: Final = 40
"""Characters of a value that somebody types."""


class Scale(NamedTuple):
    """What the marks of one ring say."""

    unit: str
    """`distance`, `stop` or `focal`"""
    source: str
    """where the marks come from, for people"""
    curve: MarkCurve

    def text_at(self, ring_deg: float) -> str:
        """The value at a ring angle as people write it; empty outside the marks."""
        low, high = self.curve.low_deg, self.curve.high_deg
        if not low - EDGE_DEG <= ring_deg <= high + EDGE_DEG:
            return ""
        value = self.curve.value_at(min(max(ring_deg, low), high))
        if self.unit == "distance" and math.isfinite(value):
            return f"{show(value, self.unit)} · {show(value, self.unit, feet=True)}"
        return show(value, self.unit)

    def ring_of(self, text: str) -> float:
        """Ring angle in degrees for what somebody typed. Raises MarkProblem."""
        value = parse(text, self.unit).value
        near, far = self.curve.nearest, self.curve.farthest
        # Engraved T-stops are rounded, and so are the ends of a scale read from a motor.
        if near * (1 - 1e-3) <= value < near:
            value = near
        elif far < value <= far * (1 + 1e-3):
            value = far
        return self.curve.ring_at(value)

    def plain(self) -> dict[str, Any]:
        """For the page: kind, source and marks as text with their ring angles."""
        marks = [[show(float(value), self.unit), round(float(ring), 2)]
                 for ring, value in zip(self.curve.ring_deg, self.curve.values, strict=True)]  # fmt: skip
        return {"kind": KINDS[self.unit], "unit": UNITS[self.unit], "source": self.source, "marks": marks}


def place_of(text: Any) -> Place:
    """Node and axis from `NODE.AXIS`. Raises UsageProblem."""
    place = place_in(text) if isinstance(text, str) and len(text) <= 8 else None
    if place is None:
        raise UsageProblem("the name of an axis is NODE.AXIS, as in 16.0.")
    return place


def typed(value: Any) -> str:
    """What somebody typed, as text of a sensible length. Raises UsageProblem."""
    if not isinstance(value, str) or not value.strip() or len(value) > LONGEST:
        raise UsageProblem("type a value with its unit, as in 2.5 m, 6'3\", inf, T2.8 or 50 mm.")
    return value.strip()


def scales_of(link: Link, places: Iterable[Place], cards: Mapping[Place, str]) -> tuple[dict[Place, Scale], list[str]]:
    """The scale of each ring that has one, and what is wrong with others: from --card, the motor's own marks, or, for
    a simulated rig, the lens card of its file. Raises UsageProblem for a card that cannot be used."""
    found: dict[Place, Scale] = {}
    wrong: list[str] = []
    for place in places:
        handle = link.axis(*place)
        if place in cards:
            table = load(cards[place])
            transfer.fits_role(handle, table.unit)
            found[place] = Scale(table.unit, f"lens card {table.name}", table.curve())
            continue
        try:
            held = transfer.read(handle)
            if held is not None:
                curve = MarkCurve.from_marks(held.points, held.unit)
                found[place] = Scale(held.unit, "marks on the motor", curve)
                continue
        except DeviceRefused:
            pass  # a motor that knows no marks
        except (MarkProblem, CheckFailed) as error:
            wrong.append(f"the marks on axis {place[0]}.{place[1]} cannot be used: {error}")
            continue
        boards = zip(link.rig.nodes, link.rig.rig.nodes, strict=True) if link.rig is not None else ()
        card = card_of(((node.address, entry) for node, entry in boards), place)
        if card:
            table = load(card)
            role = str(handle.get("role"))
            if transfer.ROLES.get(role) == table.unit:
                found[place] = Scale(table.unit, f"lens card {table.name}, from the rig file", table.curve())
    return found, wrong


def pairs_of(link: Link, roles: Mapping[Place, str], named: Iterable[tuple[Place, Place]]) -> list[tuple[Place, Place]]:
    """Matched pairs: those that are named, else those of the rig file, else the two axes of one role on two boards."""
    chosen = list(named)
    for pair in chosen:
        if pair[0] == pair[1]:
            raise UsageProblem(f"--pair names axis {pair[0][0]}.{pair[0][1]} twice; a pair has two axes.")
        for place in pair:
            if place not in roles:
                raise UsageProblem(f"--pair names axis {place[0]}.{place[1]}, which is not here; see ringlet discover.")
    if chosen:
        return chosen
    if link.rig is not None and link.rig.rig.pairs:
        read = [(place_of(one.left), place_of(one.right)) for one in link.rig.rig.pairs]
        return [pair for pair in read if pair[0] in roles and pair[1] in roles]
    found = []
    for role in transfer.ROLES:
        same = [place for place, one in roles.items() if one == role]
        if len(same) == 2 and same[0][0] != same[1][0]:
            found.append((same[0], same[1]))
    return found


def _ready(handle: AxisHandle, ring_deg: float, text: str) -> None:
    """Raises UsageProblem when this axis may not go there now; nothing moves."""
    name, status = f"axis {handle.node}.{handle.axis}", handle.status()
    if status.owner != handle.link.source:
        raise UsageProblem(f"{name} does not obey this page; take it first.")
    if not status.flags >> Flag.CALIBRATED & 1:
        raise UsageProblem(f"the travel of {name} is not known; find its end stops first.")
    low, high = float(handle.get("travel-min")), float(handle.get("travel-max"))
    if not low <= ring_deg <= high:
        raise UsageProblem(
            f"{text} on {name} is {ring_deg:.2f} deg, past its travel of {low:g} to {high:g} deg; nothing moved."
        )


def move_to_value(handle: AxisHandle, scale: Scale, text: str) -> None:
    """Send one ring to a value of its scale. Raises MarkProblem, UsageProblem; does not wait."""
    ring = scale.ring_of(text)
    _ready(handle, ring, text)
    handle.move(ring, wait=False)


def move_pair(link: Link, pair: tuple[Place, Place], scales: Mapping[Place, Scale], text: str) -> None:
    """Send both rings of a pair to one value, each by its own scale, in one tick; does not wait.

    Everything is checked before: a value that one of them cannot reach moves neither. The ring with the shorter way
    goes slower in proportion. Raises MarkProblem, UsageProblem, DeviceRefused.
    """
    sides = []
    for place in pair:
        if place not in scales:
            raise UsageProblem(f"axis {place[0]}.{place[1]} has no marks; upload some, or start the page with --card.")
        sides.append((link.axis(*place), scales[place]))
    if sides[0][1].unit != sides[1][1].unit:
        raise UsageProblem("the two rings of this pair have marks of different kinds; choose two of one kind.")
    rings = []
    for handle, scale in sides:
        ring = scale.ring_of(text)
        _ready(handle, ring, text)
        rings.append(ring)
    speeds = pace([(handle, ring) for ring, (handle, _) in zip(rings, sides, strict=True)])
    staged: list[AxisHandle] = []
    try:
        for ring, speed, (handle, _) in zip(rings, speeds, sides, strict=True):
            body = m.Stage(0, counts(ring, "position", "deg"), round(speed * MDEG))
            staged.append(handle)  # before it: without an answer it may be staged all the same
            link.request(body, node=handle.node, axis=handle.axis)
    except RingletError as error:
        if isinstance(error, DeviceRefused):
            staged.pop()  # it does what it did before
        for handle in staged:  # else a later sync would start what was staged here
            with suppress(RingletError):
                handle.hold()
        raise
    link.send(m.Sync(0))
