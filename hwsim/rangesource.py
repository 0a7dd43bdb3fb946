"""A simulated range sensor: an invented subject walks, and readings of it come late, noisy, wrong, or not at all.

Time is passed in. What goes wrong comes from a seed, so that a run can be repeated.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ringlet.hwsim.course import Course, Number
from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.codes import ENUMS
from ringlet.protocol.header import ALL_AXES, CONTROL_FIRST, CONTROL_LAST, EVERYONE
from ringlet.protocol.wire import KINDS

MM: Final = 1000.0
FARTHEST_M: Final = 16_000.0
"""Just below the last count of a reading (16777.214 m)."""
NO_READING: Final = next(one.field.reserved[0][0] for one in KINDS.by_class[m.Range].fields if one.name == "distance")
"""What stands for a distance when there is none, by the schema."""
_KINDS: Final = {name: count for count, name, _ in ENUMS["source"]}


class RangeEntry(BaseModel):
    """One range sensor of a rig file: its address, what it sees, and how badly."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    name: str
    source: Annotated[int, Field(ge=CONTROL_FIRST, le=CONTROL_LAST)]
    """address on the bus; sensors take theirs from those of controls"""
    kind: Literal["other", "sensor", "hand"] = "sensor"
    """where readings come from, as the message tells it"""
    subject: Course
    """distance of the subject, m (invented)"""
    rate_hz: Annotated[float, Field(ge=1, le=500)] = 50.0
    latency_s: Annotated[float, Field(ge=0, le=5)] = 0.03
    """from the light to the message; the message tells it as its age"""
    jitter_s: Annotated[float, Field(ge=0, le=2)] = 0.0
    """further delay, even between 0 and this, which the message does not know of"""
    noise_per_m: Annotated[float, Field(ge=0, le=1)] = 0.0
    """standard deviation, in 1/m: what blurs a picture is even on that scale"""
    wrong: Annotated[float, Field(ge=0, le=1)] = 0.0
    """share of readings that are of something else"""
    wrong_m: Annotated[float, Field(gt=0, le=FARTHEST_M)] = 20.0
    """how far something else is"""
    none: Annotated[float, Field(ge=0, le=1)] = 0.0
    """share of messages that carry no reading"""
    gaps: list[Annotated[list[Number], Field(min_length=2, max_length=2)]] = Field(default_factory=list)
    """[from, to] in s of the course: nothing is said at all"""
    quality: Annotated[int, Field(ge=0, le=255)] = 220

    @model_validator(mode="after")
    def _in_front(self) -> Self:
        if not all(0 < value <= FARTHEST_M for _, value in self.subject.points):
            raise ValueError(f"a subject stands at 0 to {FARTHEST_M:g} m")
        if any(end <= begin for begin, end in self.gaps):
            raise ValueError("a gap ends after it begins")
        return self


class SimRange:
    """The sensor on its bus. `say` gives what it puts on the bus by then."""

    def __init__(self, entry: RangeEntry, *, seed: int = 0) -> None:
        self.entry, self.source = entry, entry.source
        self.begin_s = 0.0
        """when the subject's course begins"""
        self._chance = random.Random(f"range {entry.name} {seed}")
        self._next_s, self._tag = 0.0, 0
        self._under_way: list[tuple[float, m.Range]] = []

    def subject_m(self, now_s: float) -> float:
        """Where the subject truly is, m."""
        return self.entry.subject.at(now_s - self.begin_s)

    def hear(self, now_s: float, ident: int, data: bytes) -> None:
        """A sensor heeds nothing."""

    def say(self, now_s: float) -> Sequence[tuple[int, bytes]]:
        """(header, body) of what it says up to this time, in order."""
        while self._next_s <= now_s + 1e-9:
            self._read(self._next_s)
            self._next_s += 1.0 / self.entry.rate_hz
        if not self._under_way or min(at for at, _ in self._under_way) > now_s + 1e-9:
            return ()
        due = sorted((one for one in self._under_way if one[0] <= now_s + 1e-9), key=lambda one: one[0])
        self._under_way = [one for one in self._under_way if one[0] > now_s + 1e-9]
        return [pack(packet(body, dst=EVERYONE, src=self.source, axis=ALL_AXES)) for _, body in due]

    def _read(self, now: float) -> None:
        entry, chance = self.entry, self._chance
        # As many draws for each reading, whatever becomes of it: a changed share leaves the rest of a run as it was.
        noise = chance.gauss(0.0, entry.noise_per_m)
        wrong, none, late = chance.random(), chance.random(), chance.random()
        moment = entry.subject.moment(now - self.begin_s)
        if any(begin <= moment < end for begin, end in entry.gaps):
            return
        seen = 1.0 / max(1.0 / self.subject_m(now - entry.latency_s) + noise, 1.0 / FARTHEST_M)
        if wrong < entry.wrong:
            seen = entry.wrong_m
        self._tag = self._tag + 1 & 0xFF
        distance = NO_READING if none < entry.none else round(MM * seen)
        body = m.Range(self._tag, distance, entry.quality, round(MM * entry.latency_s), _KINDS[entry.kind])
        self._under_way.append((now + entry.jitter_s * late, body))
