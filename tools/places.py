"""An axis as people write it, NODE.AXIS, and as two numbers."""

from __future__ import annotations

Place = tuple[int, int]
"""Address of the node, number of the axis."""


def place_in(text: str) -> Place | None:
    """The axis that a text names, as in `16.0`; None for any other text."""
    node, dot, axis = text.partition(".")
    if not (dot and text.isascii() and node.isdecimal() and axis.isdecimal()):
        return None
    return int(node), int(axis)


def known_place(name: str) -> Place:
    """The axis of a name that this program or a checked file made. Raises ValueError for another text."""
    place = place_in(name)
    if place is None:
        raise ValueError(f"{name!r} is no NODE.AXIS")
    return place


def name_of(place: Place) -> str:
    """NODE.AXIS."""
    return f"{place[0]}.{place[1]}"
