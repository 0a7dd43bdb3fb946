"""A simulated hand control: a knob with an encoder and an index, a mapping to its ring, and a wireless way to the bus.

Time is passed in. What the air does (loss, delay) comes from a seed, so that a run can be repeated.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Annotated, Final, Literal, NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ringlet.hwsim.course import Course
from ringlet.protocol import messages as m
from ringlet.protocol.codec import WireError, pack, packet, unpack
from ringlet.protocol.codes import names
from ringlet.protocol.header import (
    ALL_AXES,
    AXES_MAX,
    CONTROL_FIRST,
    CONTROL_LAST,
    EVERYONE,
    KIND_MASK,
    KIND_SHIFT,
    NODE_FIRST,
    NODE_LAST,
)
from ringlet.protocol.wire import KINDS

FULL: Final = 65535
"""Count of the whole travel of a control."""
_GUIDE: Final = KINDS.by_class[m.Guide].code


class Mapping(BaseModel):
    """From the knob's place (0 to 1 of its travel) to ring degrees: rising or falling, never back and forth."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    ring_low_deg: Annotated[float, Field(allow_inf_nan=False)]
    ring_high_deg: Annotated[float, Field(allow_inf_nan=False)]
    direction: Literal["right-handed", "left-handed"] = "right-handed"
    """right-handed: clockwise goes up the ring; left-handed: clockwise goes down"""
    curve: Annotated[float, Field(ge=0.2, le=5.0)] = 1.0
    """exponent: 1 is even, above 1 is finer at the lower end of the range"""
    soft_ends: Annotated[float, Field(ge=0.0, le=0.4)] = 0.0
    """share of the knob's travel at each end over which the ring's speed runs out to nothing"""

    @model_validator(mode="after")
    def _way_up(self) -> Self:
        if not self.ring_low_deg < self.ring_high_deg:
            raise ValueError("ring_low_deg must be below ring_high_deg; direction says which way it turns")
        return self

    def ring_at(self, place: float) -> float:
        """Ring position in degrees for a place of the knob, which is cut to 0..1."""
        x = min(max(place, 0.0), 1.0)
        if self.direction == "left-handed":
            x = 1.0 - x
        share = float(self._softened(x) ** self.curve)
        return self.ring_low_deg + (self.ring_high_deg - self.ring_low_deg) * share

    def _softened(self, x: float) -> float:
        """0..1 to 0..1 whose slope grows evenly from 0 over each soft end and is constant between."""
        end = self.soft_ends
        if end == 0.0:
            return x
        top = 1.0 / (1.0 - end)  # slope of the middle, so that the whole comes to 1
        if x < end:
            return top * x * x / (2.0 * end)
        if x > 1.0 - end:
            return 1.0 - top * (1.0 - x) ** 2 / (2.0 * end)
        return top * (x - end / 2.0)


class ControlEntry(BaseModel):
    """One control of a rig file: whose ring it turns, how it is built, and how it comes to the bus."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    name: str
    source: Annotated[int, Field(ge=CONTROL_FIRST, le=CONTROL_LAST)]
    """address of the control on the bus"""
    node: Annotated[int, Field(ge=NODE_FIRST, le=NODE_LAST)]
    axis: Annotated[int, Field(ge=0, lt=AXES_MAX)] = 0
    mapping: Mapping
    travel_deg: Annotated[float, Field(gt=0, le=3600)] = 300.0
    """turn of the knob from end to end"""
    counts_per_turn: Annotated[int, Field(ge=16, le=1_000_000)] = 4096
    index_deg: Annotated[float, Field(ge=0)] = 150.0
    """where on its travel the index lies; before passing it the knob does not know its place"""
    rate_hz: Annotated[float, Field(ge=1, le=500)] = 50.0
    loss: Annotated[float, Field(ge=0, le=1)] = 0.0
    """share of messages that the air swallows"""
    delay_s: Annotated[float, Field(ge=0, le=2)] = 0.0
    jitter_s: Annotated[float, Field(ge=0, le=2)] = 0.0
    """further delay, even between 0 and this"""
    gaps: list[Annotated[list[float], Field(min_length=2, max_length=2)]] = Field(default_factory=list)
    """[from, to] in s of the hand's course: the air swallows everything"""
    hand: Course | None = None
    """simulated only: what the operator's hand does, deg of the knob (invented); None: nobody turns it"""

    @model_validator(mode="after")
    def _index_on_it(self) -> Self:
        if self.index_deg > self.travel_deg:
            raise ValueError("index_deg lies past the end of travel_deg; put it on the travel")
        return self


class Arrival(NamedTuple):
    """A message that came through, and when."""

    time_s: float
    body: m.Knob


class SimControl:
    """The knob. Turn it with `turn_to`; `step` gives what arrives on the bus by then, in order of arrival.

    On the bus of a rig (`hear`, `say`) the hand of its entry turns it, and it shows the guide for its axis.
    """

    def __init__(self, entry: ControlEntry, *, start_deg: float | None = None, seed: int = 0) -> None:
        self.entry, self.source = entry, entry.source
        self.hand = entry.hand
        """None: only `turn_to` turns it"""
        self.begin_s = 0.0
        """when the hand's course begins"""
        self.shown: m.Guide | None = None
        """the guide that it shows"""
        if start_deg is None:
            start_deg = 0.0 if entry.hand is None else entry.hand.at(0.0)
        self._angle = min(max(start_deg, 0.0), entry.travel_deg)
        self._known = False
        self._chance = random.Random(seed)
        self._next_s, self._tag = 0.0, 0
        self._under_way: list[Arrival] = []
        self._to_show: list[tuple[float, m.Guide]] = []
        self.sent, self.lost = 0, 0
        self.on = True
        """switched off, it says nothing, and has forgotten its index when it comes back"""

    @property
    def place(self) -> float:
        """Where it stands, 0..1, as finely as its encoder tells."""
        step = 360.0 / self.entry.counts_per_turn
        return min(max(round(self._angle / step) * step / self.entry.travel_deg, 0.0), 1.0)

    @property
    def known(self) -> bool:
        """Whether it has passed its index since it was switched on."""
        return self._known

    def turn_to(self, angle_deg: float) -> None:
        """The operator's hand: turn it to an angle of its travel, which its end stops cut."""
        goal = min(max(angle_deg, 0.0), self.entry.travel_deg)
        low, high = sorted((self._angle, goal))
        self._known = self._known or (self.on and low <= self.entry.index_deg <= high)
        self._angle = goal

    def switch(self, on: bool) -> None:
        """Switch it off or on."""
        if not on:
            self._known, self._under_way, self._to_show, self.shown = False, [], [], None
        self.on = on

    def step(self, now_s: float) -> list[Arrival]:
        """Let time pass up to `now_s`: sends at its rate, gives what has arrived."""
        while self._next_s <= now_s + 1e-9:
            if self.on:
                self._send(self._next_s)
            self._next_s += 1.0 / self.entry.rate_hz
        due = sorted(one for one in self._under_way if one.time_s <= now_s + 1e-9)
        self._under_way = [one for one in self._under_way if one.time_s > now_s + 1e-9]
        return due

    def _send(self, now: float) -> None:
        entry = self.entry
        self._tag = self._tag + 1 & 0xFF
        self.sent += 1
        wait = self._through_the_air(now)
        if wait is None:
            self.lost += 1
            return
        body = m.Knob(self._tag, entry.node, entry.axis, round(FULL * self.place), int(self._known))
        self._under_way.append(Arrival(now + wait, body))

    def _through_the_air(self, now: float) -> float | None:
        """Seconds that a message takes, either way; None when it gets lost."""
        entry = self.entry
        gone, wait = self._chance.random() < entry.loss, self._chance.random()
        if entry.gaps and entry.hand is not None:
            moment = entry.hand.moment(now - self.begin_s)
            gone = gone or any(begin <= moment < end for begin, end in entry.gaps)
        return None if gone else entry.delay_s + entry.jitter_s * wait

    # --- on the bus of a rig ---------------------------------------------------------------------------------------

    def hear(self, now_s: float, ident: int, data: bytes) -> None:
        """A message on the bus: guides for its axis come to its display through the air, the newest last."""
        if ident >> KIND_SHIFT & KIND_MASK != _GUIDE or not self.on:
            return
        try:
            body: m.Guide = unpack(ident, data).body
        except WireError:
            return
        if (body.target, body.target_axis) == (self.entry.node, self.entry.axis):
            wait = self._through_the_air(now_s)
            if wait is not None:
                self._to_show.append((now_s + wait, body))

    def say(self, now_s: float) -> Sequence[tuple[int, bytes]]:
        """(header, body) of what comes to the bus by this time; the hand turns meanwhile."""
        if self.hand is not None:
            self.turn_to(self.hand.at(now_s - self.begin_s))
        for one in [one for one in self._to_show if one[0] <= now_s]:
            self._to_show.remove(one)
            self.shown = one[1]
        if self._next_s > now_s + 1e-9 and not self._under_way:
            return ()
        arrived = self.step(now_s)
        return [pack(packet(one.body, dst=EVERYONE, src=self.source, axis=ALL_AXES)) for one in arrived]

    def display(self) -> str:
        """What its display shows: which way and how far to turn the ring to meet the motor, or that they are one."""
        if self.shown is None:
            return "-"
        phase, deg = names("hand-back").get(self.shown.phase, "?"), self.shown.distance / 1000
        if phase != "away":
            return phase
        return f"{phase}, {'up' if deg > 0 else 'down'} {abs(deg):.1f} deg"


def newest(arrivals: Sequence[Arrival], last_tag: int | None) -> m.Knob | None:
    """The message that was sent last, None when all were overtaken by one heard before (`last_tag`)."""
    found: m.Knob | None = None
    for one in arrivals:
        before = found.tag if found is not None else last_tag
        if before is None or 0 < (one.body.tag - before & 0xFF) < 128:
            found = one.body
    return found


def ring_of(body: m.Knob, mapping: Mapping) -> float | None:
    """Ring degrees that a knob message asks for; None when the knob does not know its place."""
    return mapping.ring_at(body.place / FULL) if body.known else None
