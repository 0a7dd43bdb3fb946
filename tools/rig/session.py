"""Rings driven live: range readings, controls on the bus and a person's orders in; setpoints and guides out.

One loop for the command, the demo and the tests, over a link whose clock is the wall's or a simulated rig's. Several
seats (one ring, or a pair of rings that move as one) are driven at once.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

from ringlet.hwsim.control import ControlEntry, ring_of
from ringlet.hwsim.rangesource import MM, NO_READING
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.tools.errors import CheckFailed, DeviceRefused, NoAnswer, RingletError, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.pending import reaches
from ringlet.tools.rig.hand import Hand
from ringlet.tools.rig.handback import SILENT_S, Told
from ringlet.tools.rig.rangefocus import Focus, RangeFocus, RangeState, Tuning
from ringlet.tools.rig.rangefocus import ring_of as ring_of_distance
from ringlet.tools.takes.layout import Sample
from ringlet.tools.takes.live import Live

if TYPE_CHECKING:
    from ringlet.tools.lens.curve import MarkCurve

STEP_S: Final = 0.02
TELEMETRY_HZ: Final = 50.0
KEPT: Final = 30_000
"""Steps and readings that are kept for the picture and for the measured lag: ten minutes."""
STRANGE_S: Final = 0.3
"""After samples have said for so long that an axis is not ours, it is asked."""
BRAKE_S: Final = 10.0
"""Longest that the setpoints may take to come to rest at the end."""


class Word(StrEnum):
    """What a person may order."""

    AUTO = "auto"
    HAND = "hand"
    BLEND = "blend"
    TAKE = "take"
    FORCE = "force"
    YIELD = "yield"
    END = "end"


WORDS: Final[dict[Word, str]] = {
    Word.AUTO: "range readings drive",
    Word.HAND: "back to the control: hold until it meets the motor",
    Word.BLEND: "take over now, and work the difference off",
    Word.TAKE: "take the axis, if it is free",
    Word.FORCE: "take the axis from another control",
    Word.YIELD: "give the axis up",
    Word.END: "ramp down and end",
}


class Order(NamedTuple):
    """A word for one seat, or for all, at a time of the run."""

    at_s: float
    word: Word
    place: str = ""


class Readings(Protocol):
    """Readings from elsewhere than the bus."""

    def take(self, run_s: float) -> list[m.Range]:
        """Readings that have come by this time of the run."""


class Reading(NamedTuple):
    """One that came."""

    time_s: float
    made_s: float
    metres: float
    """NaN: it carried none"""
    quality: int
    used: bool


class Moment(NamedTuple):
    """One step of a seat that was driven."""

    time_s: float
    told: Told
    control_deg: float
    """NaN while the place of the control is not known"""


@dataclass
class Seat:
    """One ring, or a pair as one: what may drive it, and what was last seen of it."""

    hand: Hand
    role: str = ""
    control: ControlEntry | None = None
    curve: MarkCurve | None = None
    """marks of its lens: needed for readings"""
    ranged: bool = False
    """whether range readings may drive it"""
    auto_on: bool = False
    told: Told | None = None
    """None while it is not ours"""
    owner: int = 0
    faults: dict[str, str] = field(default_factory=dict)
    """axis -> its fault, where it has one"""
    rings: dict[str, deque[tuple[float, float]]] = field(default_factory=dict)
    """axis -> (time, measured ring in deg)"""
    moments: deque[Moment] = field(default_factory=lambda: deque(maxlen=KEPT))
    stopped_by: int | None = None
    """address of a control that sent a stop since the last step"""
    strange: dict[str, float] = field(default_factory=dict)
    """axis -> since when samples say that it obeys somebody else, or nobody"""
    asked: bool = False
    knob: m.Knob | None = None
    """heard since the last step"""
    control_deg: float = float("nan")
    knob_tag: int = 0
    knob_at: float = -1e9
    astray: bool = False
    """the control said that it is for another axis"""

    @property
    def key(self) -> str:
        return f"{self.hand.node}.{self.hand.axis}"

    @property
    def fault(self) -> str:
        """The first fault of what it drives, or none."""
        return next(iter(self.faults.values()), "none")

    @property
    def ring_deg(self) -> float | None:
        """Where the ring was last measured."""
        seen = self.rings.get(self.key)
        return seen[-1][1] if seen else None

    def hear(self, body: m.Knob, now: float) -> None:
        """The newest message counts; one that was overtaken on its way does not."""
        if now - self.knob_at <= SILENT_S and not 0 < (body.tag - self.knob_tag & 0xFF) < 128:
            return
        self.knob, self.knob_tag, self.knob_at = body, body.tag, now


Tell = Callable[[float, str, str], None]
"""time of the run, axis or nothing, sentence"""


class Session:
    """The loop. Axes are owned already when it starts (see `Seat.hand.begin`); `close` brings them to rest."""

    def __init__(
        self, link: Link, seats: Sequence[Seat], *, readings: Readings | None = None, range_from: int | None = None,
        tuning: Tuning | None = None, orders: Sequence[Order] = (), tell: Tell = lambda at, axis, text: None,
    ) -> None:  # fmt: skip
        """`range_from` is the address whose readings count, None for any; with `readings` those of the bus are left."""
        self.link, self.seats, self.tell = link, list(seats), tell
        self.focus = RangeFocus(tuning)
        self.seen: Focus = self.focus.focus(0.0)
        self.last: Reading | None = None
        self.readings: deque[Reading] = deque(maxlen=KEPT)
        self.ended = False
        self._elsewhere, self._range_from = readings, range_from
        self._orders = deque(sorted(orders, key=lambda one: one.at_s))
        self._begin = link.clock.now()
        self._live: Live | None = None
        self._undo: Callable[[], None] = lambda: None
        self._phases: dict[str, str] = {}
        self._state: RangeState | None = None

    def now(self) -> float:
        """Seconds of the run."""
        return self.link.clock.now() - self._begin

    def start(self) -> None:
        """Begin each seat from rest, switch telemetry on, and listen."""
        for seat in self.seats:
            seat.hand.begin()
        places = list(dict.fromkeys(place for seat in self.seats for place in seat.hand.places))
        self._live = Live(self.link, places, TELEMETRY_HZ, self.sample, lambda *told: None)
        self._live.start()
        self.listen(self._live)

    def listen(self, live: Live) -> None:
        """Hear controls and sensors from now on. Second 0 of the run is that of these samples.

        For whoever has samples of the axes anyway, and hands them to `sample`; seats have begun already.
        """
        self._begin = self.link.clock.now() - live.now()
        self._undo = self.link.subscribe(self._hear, ("knob", "range", "stop"))

    # --- what comes in -------------------------------------------------------------------------------------------

    def sample(self, key: str, sample: Sample) -> None:
        """What an axis (NODE.AXIS) was seen to do."""
        for seat in self.seats:
            if any(key == f"{node}.{axis}" for node, axis in seat.hand.places):
                seen = seat.rings.setdefault(key, deque(maxlen=KEPT))
                seen.append((sample.time_s, sample.ring_deg))
                if key == seat.key:
                    seat.owner = sample.owner
                if sample.owner == self.link.source:
                    seat.strange.pop(key, None)
                else:
                    seat.strange.setdefault(key, self.now())
                self._note_fault(seat, key, sample.fault)

    def _note_fault(self, seat: Seat, key: str, fault: str) -> None:
        if fault == "none":
            if seat.faults.pop(key, None) is not None:
                self.tell(self.now(), key, f"axis {key} has no fault any more; the word take drives it again")
        elif key not in seat.faults:
            seat.faults[key] = fault
            self.tell(self.now(), key, f"axis {key} has a fault, {fault}: it is not driven")

    def _hear(self, heard: Packet, now: float) -> None:
        body = heard.body
        if isinstance(body, m.Range):
            if self._elsewhere is None and self._range_from in (None, heard.src):
                self._read(body)
            return
        if isinstance(body, m.Stop):
            for seat in self.seats:
                if any(reaches(heard.dst, heard.axis, place) for place in seat.hand.places):
                    seat.stopped_by = heard.src
            return
        for seat in self.seats:
            if seat.control is None or seat.control.source != heard.src:
                continue
            if (body.target, body.target_axis) == (seat.hand.node, seat.hand.axis):
                seat.hear(body, now)
            elif not seat.astray:
                seat.astray = True
                self.tell(
                    self.now(), seat.key,
                    f"control {heard.src} says that it is for axis {body.target}.{body.target_axis}, so axis "
                    f"{seat.key} does not follow it; mend the rig file or the control",
                )  # fmt: skip

    def _read(self, body: m.Range) -> None:
        now = self.now()
        used = self.focus.take(now, body)
        metres = float("nan") if body.distance == NO_READING else body.distance / MM
        self.last = Reading(now, self.focus.made_s, metres, body.quality, used)
        self.readings.append(self.last)

    # --- a step ----------------------------------------------------------------------------------------------------

    def order(self, word: Word, place: str = "") -> None:
        """Carry out a word now, for the seat of this axis or for all."""
        if word is Word.END:
            self.ended = True
            return
        for seat in self.seats:
            if place in ("", seat.key):
                self._order(seat, word)

    def _order(self, seat: Seat, word: Word) -> None:
        match word:
            case Word.AUTO:
                seat.auto_on = seat.ranged
            case Word.HAND:
                seat.auto_on = False
            case Word.BLEND:
                seat.auto_on, seat.asked = False, True
            case Word.YIELD if seat.hand.owns:
                self._try(seat, seat.hand.yield_)
            case Word.TAKE | Word.FORCE if not seat.hand.owns:
                self._try(seat, lambda: seat.hand.take(force=word is Word.FORCE))
            case _:
                pass

    def _try(self, seat: Seat, order: Callable[[], None]) -> None:
        """What an axis refuses, or does not answer, is told; the others are driven on."""
        try:
            order()
        except (DeviceRefused, NoAnswer, CheckFailed, UsageProblem) as error:
            self.tell(self.now(), seat.key, str(error).rstrip("."))

    def step(self) -> None:
        """Orders that are due, what was heard, and a setpoint for each seat that is ours."""
        while self._orders and self._orders[0].at_s <= self.now():
            one = self._orders.popleft()
            self.order(one.word, one.place)
        now = self.now()
        if self._elsewhere is not None:
            for body in self._elsewhere.take(now):
                self._read(body)
        self.seen = self.focus.focus(now)
        for seat in self.seats:
            self._look_at_owner(seat, now)
            self._drive(seat)
        if self._live is not None:
            self._live.step()
        self._say_changes()

    def _drive(self, seat: Seat) -> None:
        knob, asked, stopped_by = seat.knob, seat.asked, seat.stopped_by
        seat.knob, seat.asked, seat.stopped_by = None, False, None
        if knob is not None and seat.hand.mapping is not None:
            place = ring_of(knob, seat.hand.mapping)
            seat.control_deg = float("nan") if place is None else place
        if stopped_by is not None and any(place in self.link.owned for place in seat.hand.places):
            self.tell(
                self.now(), seat.key,
                f"control {stopped_by} sent a stop: axis {seat.key} is given up; the word take drives it again",
            )  # fmt: skip
            seat.told = None
            self._let_go(seat)
            return
        if seat.faults:
            seat.told = None
            self._let_go(seat)
            return
        goal = ring_of_distance(seat.curve, self.seen.distance_m) if seat.ranged and seat.curve is not None else None
        before = seat.told
        seat.told = seat.hand.tick(knob, auto_on=seat.auto_on and seat.ranged, auto_deg=goal, asked=asked)
        if seat.told is not None:
            seat.moments.append(Moment(self.now(), seat.told, seat.control_deg))
        elif before is not None:
            self._let_go(seat)

    def _look_at_owner(self, seat: Seat, now: float) -> None:
        """Nobody may have told us that an axis was lost: where nodes speak only when asked, or a message was lost."""
        for node, axis in seat.hand.places:
            key = f"{node}.{axis}"
            if (node, axis) in self.link.owned and now - seat.strange.get(key, now) > STRANGE_S:
                seat.strange[key] = now  # the next look is as far away
                with suppress(NoAnswer, DeviceRefused):
                    self.link.check_owned(node, axis)

    def _let_go(self, seat: Seat) -> None:
        """Half of a pair is not driven alone, and after a fault each axis begins anew."""
        for place in seat.hand.places:
            if place in self.link.owned:
                with suppress(RingletError):
                    self.link.axis(*place).yield_()

    def _say_changes(self) -> None:
        for seat in self.seats:
            phase = str(seat.told.phase) if seat.told is not None else "not ours"
            if self._phases.get(seat.key) != phase:
                self._phases[seat.key] = phase
                text = seat.told.text if seat.told is not None else "this program does not drive it (any more)"
                self.tell(self.now(), seat.key, f"{phase}: {text}")
        if self.seen.state is not self._state and any(seat.ranged for seat in self.seats):
            self._state = self.seen.state
            self.tell(self.now(), "", self.seen.text)

    # --- the run -----------------------------------------------------------------------------------------------------

    def run(
        self, seconds: float | None, asked: Callable[[], bool] = lambda: False,
        look: Callable[[], None] = lambda: None,
    ) -> None:  # fmt: skip
        """Drive for so long, or until asked to end; `look` is called after each step.

        When it breaks off what is ours is stopped, and telemetry is put back.
        """
        due = self.now()
        try:
            while not (self.ended or asked() or (seconds is not None and self.now() >= seconds)):
                self.step()
                look()
                due = max(due + STEP_S, self.now())
                self.link.wait(max(0.001, due - self.now()))
        except BaseException:
            for place in [place for seat in self.seats for place in seat.hand.places if place in self.link.owned]:
                with suppress(RingletError):
                    self.link.stop(*place)
            self._hush()
            raise

    def close(self) -> None:
        """Bring every setpoint to rest within its bounds, and put telemetry back. The axes are still owned."""
        end = self.now() + BRAKE_S
        try:
            while self.now() < end and sum(  # a ring that somebody stops ramps down by itself
                seat.stopped_by is None and not seat.hand.brake() for seat in self.seats
            ):
                self.link.wait(STEP_S)
        finally:
            self._hush()

    def _hush(self) -> None:
        self._undo()
        live, self._live = self._live, None
        if live is not None:
            with suppress(RingletError):
                for key in live.stop():
                    self.tell(self.now(), key, f"telemetry of axis {key} could not be put back as it was")

    # --- measured --------------------------------------------------------------------------------------------------

    def lag_s(self) -> float | None:
        """Seconds from when a reading was made to when the ring stood there, while readings drove; see `latency`."""
        import numpy as np

        from ringlet.tools.rig.latency import lag_s, while_automatic

        for seat in self.seats:
            if not (seat.ranged and seat.curve is not None and seat.curve.unit == "distance" and seat.moments):
                continue
            used = [(one.made_s, 1.0 / one.metres) for one in self.readings if one.used]
            ring = [
                one for one in seat.rings.get(seat.key, ()) if seat.curve.low_deg <= one[1] <= seat.curve.high_deg
            ]  # fmt: skip
            if not used or not ring:
                return None
            made, seen = np.array(used).T
            times, degrees = np.array(ring).T
            kept = while_automatic(seat.moments, made)
            return lag_s(made[kept], seen[kept], times, seat.curve.scale_at(degrees))
        return None
