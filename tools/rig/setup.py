"""From options and a rig file to seats: which ring each control has, what readings drive, whose marks, which pairs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

from ringlet.hwsim.control import ControlEntry
from ringlet.hwsim.rigfile import RigFile
from ringlet.protocol.header import CONTROL_FIRST, CONTROL_LAST
from ringlet.tools.errors import UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.places import Place, known_place, name_of, place_in
from ringlet.tools.rig.hand import Hand
from ringlet.tools.rig.session import Order, Seat, Word

if TYPE_CHECKING:
    from ringlet.tools.lens.curve import MarkCurve

FOCUS: Final = "focus"
DISTANCE: Final = "distance"


class Wish(NamedTuple):
    """What a person asks for."""

    controls: Sequence[int] = ()
    """addresses of controls, whose axes and mappings are in the rig file"""
    ranged: bool = False
    focus: str = ""
    """axis that readings drive, NODE.AXIS; empty: the one that is clear"""
    paired: bool = False
    marks: Sequence[str] = ()
    """card or file, or NODE.AXIS=card"""
    window_deg: float = 1.0
    blend_s: float = 1.0
    by_hand: bool = False
    """begin with the hand where readings could drive"""


def place_of(text: str, label: str) -> Place:
    """NODE.AXIS. Raises UsageProblem."""
    place = place_in(text)
    if place is None:
        raise UsageProblem(f"{label} is {text!r}; write an axis as NODE.AXIS, as in 16.0.")
    return place


def orders_of(texts: Sequence[str]) -> list[Order]:
    """S=WORD or S=WORD:NODE.AXIS. Raises UsageProblem."""
    found = []
    for text in texts:
        time, equals, rest = text.partition("=")
        word, _, place = rest.partition(":")
        try:
            at = float(time)
        except ValueError:
            at = math.nan
        if not equals or word not in set(Word) or not 0 <= at < math.inf:
            words = ", ".join(Word)
            raise UsageProblem(f"--at is {text!r}; write seconds and a word, as in 7=hand; the words are {words}.")
        found.append(Order(at, Word(word), name_of(place_of(place, "the axis of --at")) if place else ""))
    return found


def check_orders(orders: Sequence[Order], seats: Sequence[Seat], seconds: float) -> None:
    """Raise UsageProblem for a word that would never be carried out. `seconds` is how long the run is, 0 for no end."""
    driven = ", ".join(seat.key for seat in seats)
    for one in orders:
        if one.place and one.place not in {seat.key for seat in seats}:
            raise UsageProblem(f"--at names axis {one.place}, and what is driven here is: {driven}; name one of these.")
        if seconds and one.at_s >= seconds:
            raise UsageProblem(
                f"--at asks for {one.word} at {one.at_s:g} s, and the run ends after {seconds:g} s; give more "
                "--seconds."
            )


def range_address(text: str) -> int | None:
    """`any`, or the address of a range sensor. Raises UsageProblem."""
    if text == "any":
        return None
    if not (text.isdigit() and CONTROL_FIRST <= int(text) <= CONTROL_LAST):
        raise UsageProblem(f"--range is {text!r}; write any, or an address of {CONTROL_FIRST} to {CONTROL_LAST}.")
    return int(text)


def controls_of(rig: RigFile | None, addresses: Sequence[int], source: int) -> list[ControlEntry]:
    """The controls of these addresses. Raises UsageProblem."""
    if addresses and rig is None:
        raise UsageProblem("a control's axis and mapping stand in a rig file; name it with --rig.")
    by_address = {one.source: one for one in rig.controls} if rig is not None else {}
    found: list[ControlEntry] = []
    for address in addresses:
        if address not in by_address:
            there = ", ".join(f"{one.source} ({one.name})" for one in by_address.values()) or "none"
            raise UsageProblem(f"the rig file has no control {address}; it has: {there}.")
        if address == source:
            raise UsageProblem(f"address {source} is that of a control; give this program another with --source.")
        if any((one.node, one.axis) == (by_address[address].node, by_address[address].axis) for one in found):
            raise UsageProblem(f"control {address} has the axis of another one; name one control for each axis.")
        found.append(by_address[address])
    return found


class Builder:
    """Makes seats; asks the motors for roles and marks, and moves nothing."""

    def __init__(self, link: Link, rig: RigFile | None, wish: Wish) -> None:
        self.link, self.rig, self.wish = link, rig, wish
        self._cards: dict[str, str] = {}
        self._used: set[str] = set()
        """axes whose marks were looked for"""
        for text in wish.marks:
            place, equals, card = text.rpartition("=")
            key = name_of(place_of(place, "the axis of --marks")) if equals else ""
            if key in self._cards:
                raise UsageProblem(f"--marks is given twice for {key or 'the focus ring'}; give one for each axis.")
            self._cards[key] = card

    def seats(self, nodes: dict[int, list[int]]) -> list[Seat]:
        """One for each control, and one for readings. `nodes` are those on the bus and their axes.

        Raises UsageProblem, and what the link raises.
        """
        wish = self.wish
        controls = controls_of(self.rig, wish.controls, self.link.source)
        places: dict[Place, ControlEntry | None] = {(one.node, one.axis): one for one in controls}
        for place in places:
            if place[1] not in nodes.get(place[0], []):
                raise UsageProblem(f"a control is for axis {name_of(place)}, which is not on the bus; see discover.")
        focus = self._focus(nodes, list(places)) if wish.ranged else None
        if focus is not None:
            places.setdefault(focus, None)
        seats = [self._seat(place, control, place == focus) for place, control in places.items()]
        taken = [place for seat in seats for place in seat.hand.places]
        for place in taken:
            if taken.count(place) > 1:
                raise UsageProblem(f"axis {name_of(place)} would be driven twice; leave --pair or a control out.")
        for key in self._cards:
            if key and key not in self._used:
                needing = ", ".join(sorted(self._used)) or "none"
                raise UsageProblem(
                    f"--marks is given for axis {key}, and marks are needed for: {needing}; leave it out."
                )
        return seats

    def _focus(self, nodes: dict[int, list[int]], controlled: list[Place]) -> Place:
        if self.wish.focus:
            place = place_of(self.wish.focus, "--focus")
            if place[1] not in nodes.get(place[0], []):
                raise UsageProblem(f"axis {name_of(place)} is not on the bus; choose one that `ringlet status` shows.")
            return place
        found = [(node, axis) for node, axes in nodes.items() for axis in axes if self._role((node, axis)) == FOCUS]
        for choice in ([place for place in found if place in controlled], self._lefts(found), found):
            if len(choice) == 1:
                return choice[0]
        what = ", ".join(name_of(one) for one in found) or "none"
        raise UsageProblem(f"readings drive one focus ring, and on the bus are: {what}; choose with --focus.")

    def _lefts(self, found: list[Place]) -> list[Place]:
        """With --pair: focus rings that a pair of the rig file names first."""
        if not self.wish.paired or self.rig is None:
            return []
        return [place for place in found if any(pair.left == name_of(place) for pair in self.rig.pairs)]

    def _role(self, place: Place) -> str:
        return str(self.link.axis(*place).get("role"))

    def _seat(self, place: Place, control: ControlEntry | None, ranged: bool) -> Seat:
        from ringlet.tools.lens import transfer
        from ringlet.tools.rig.partner import Partner

        partner = self._partner(place) if self.wish.paired else None
        curve = self._curve(place, first=ranged) if ranged or partner is not None else None
        if ranged and curve is not None and curve.unit != DISTANCE:
            raise UsageProblem(
                f"axis {name_of(place)} has {curve.unit} marks, and readings are distances; see --focus."
            )
        if ranged:
            transfer.fits_role(self.link.axis(*place), DISTANCE)  # marks may be named for whatever ring
        pairing = None
        if partner is not None and curve is not None:
            pairing = Partner(curve, self._curve(partner, first=False))
        hand = Hand(
            self.link, *place, control.mapping if control is not None else None, window_deg=self.wish.window_deg,
            blend_s=self.wish.blend_s, partner=partner, pairing=pairing,
        )  # fmt: skip
        return Seat(hand, self._role(place), control, curve, ranged, ranged and not self.wish.by_hand)

    def _partner(self, place: Place) -> Place | None:
        """The other axis of its pair, by the rig file."""
        if self.rig is None:
            raise UsageProblem("pairs stand in a rig file; name it with --rig.")
        for pair in self.rig.pairs:
            if name_of(place) in (pair.left, pair.right):
                other = pair.right if name_of(place) == pair.left else pair.left
                return known_place(other)
        return None

    def _curve(self, place: Place, *, first: bool) -> MarkCurve:
        """Marks that are named; those that the motor holds; those of the rig file's lens card."""
        from ringlet.tools.lens import marksfile, transfer
        from ringlet.tools.lens.marksfile import MarkTable

        key = name_of(place)
        self._used.add(key)
        named = self._cards.get(key, self._cards.get("") if first else None)
        if named is not None:
            return marksfile.load(named).curve()
        held = transfer.read(self.link.axis(*place))
        if held is not None:
            return MarkTable(f"axis {key}", held.unit, tuple(held.points)).curve()
        boards = self.rig.nodes if self.rig is not None else []
        card = marksfile.card_of(((node.address, node) for node in boards), place)
        if card:
            return marksfile.load(card).curve()
        raise UsageProblem(f"axis {key} holds no marks; send some with `ringlet marks upload`, or name --marks.")
