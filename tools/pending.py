"""A request that waits for its answer, and what must not follow when none comes."""

from __future__ import annotations

from typing import Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, kind_of
from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.protocol.wire import Kind
from ringlet.tools.places import Place

STARTS: Final = frozenset(("move", "move-travel", "run", "stage", "stage-value", "find-stops"))
"""Requests that start a motion, or make one ready."""
ENDS: Final = frozenset(("hold", "release", "yield"))
"""Requests that end a motion."""


def reaches(node: int, axis: int, place: Place) -> bool:
    """Whether what is sent to this node (EVERYONE too) and axis is for a place; either axis may be ALL_AXES."""
    return node in (place[0], EVERYONE) and (axis == place[1] or ALL_AXES in (axis, place[1]))


class Pending(NamedTuple):
    """A request that waits for its answer."""

    kind: Kind
    node: int
    axis: int
    tag: int
    reply: str
    answers: list[Packet]
    restarts: list[Packet]
    """announcements that the node made unasked: it has just been powered up"""
    stops: list[Packet | None]
    """stops since it was sent, None for one of ours"""

    def answered_by(self, heard: Packet, source: int) -> bool:
        """Whether this is its answer."""
        body = heard.body
        if heard.src != self.node or heard.dst != source or body.tag != self.tag or heard.axis != self.axis:
            return False
        if isinstance(body, m.Refused | m.Done):
            return body.of == self.kind.code
        return kind_of(body).name == self.reply

    def overtaken_by(self, stop: Packet | None, node: int, axis: int) -> None:
        """Note a stop for this node and axis: it is younger, so a motion asked for before must not follow it."""
        if reaches(node, axis, (self.node, self.axis)):
            self.stops.append(stop)

    def stopped_text(self) -> str:
        """The sentence for a motion that is not asked for again."""
        heard = next((one for one in self.stops if one is not None), None)
        whose = "a stop" if heard is None else f"a stop of control {heard.src}"
        return f"{self.kind.name} was not answered by node {self.node} before {whose}, so it was not sent again."


def silence_text(what: str, heard: int, strange: int, unit: str) -> str:
    """The sentence for a request without an answer; so many bytes or frames came instead, so many of them not ours."""
    if heard == 0:
        return (
            f"{what}, and nothing at all was heard; check power, cable, port and bit rate, and with "
            "`ringlet discover` the address."
        )
    if strange:
        return (
            f"{what}; {heard} {unit} came and are not (all) of this protocol: wrong bit rate, "
            "another protocol on the line, or two nodes with one address."
        )
    return f"{what}, though others speak; run discover to see the addresses in use."


def lost_text(node: int, axis: int) -> str:
    """The sentence for an axis that was found not to be ours any more before it was driven."""
    return (
        f"axis {axis} of node {node} does not obey this program any more: another board is there, or it restarted, or "
        "another control has taken it; look at it, and take it again."
    )
