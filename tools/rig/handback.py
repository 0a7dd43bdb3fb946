"""From automatic back to the hand, and never a jump: which phase follows which event, as a table. No clock, no I/O.

While the automatic drives, the operator's control stands somewhere else. Handing back, the motor holds until the
control meets it (comes within a window of it, or passes it), or until the operator asks for the difference to be
blended away. Whatever happens in whatever order, the setpoint goes through `Smooth`, so it keeps to a velocity and an
acceleration bound.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codes import ENUMS
from ringlet.tools.axis_handle import MDEG
from ringlet.tools.rig.smooth import Bounds, Smooth

WINDOW_DEG: Final = 1.0
BLEND_S: Final = 1.0
SILENT_S: Final = 0.5
"""Defaults: common practice, no source."""
PEAK: Final = 1.875
"""Peak velocity of a minimum-jerk course over its mean (15/8: T. Flash and N. Hogan, "The coordination of arm
movements", J. Neurosci. 5, 1985, eq. 3; from memory)."""
BENDING: Final = 5.7735
"""Peak acceleration of the same course, times T**2 over the way: 10/sqrt(3), by differentiating it."""
SHARE: Final = 0.5
"""Of the limits that blending may use; the rest is for the operator's own motion."""


class Phase(StrEnum):
    """Who says where the motor goes."""

    AUTO = "auto"
    AUTO_HELD = "auto-held"
    AWAY = "away"
    BLENDING = "blending"
    COUPLED = "coupled"
    LOST = "lost"


class Event(StrEnum):
    """What can happen. `heard`, `silent`, `good` and `poor` are told again at each step while they hold."""

    AUTO_ON = "auto-on"
    AUTO_OFF = "auto-off"
    GOOD = "good"
    POOR = "poor"
    HEARD = "heard"
    SILENT = "silent"
    MET = "met"
    ASKED = "asked"
    WORKED_OFF = "worked-off"


class Aim(StrEnum):
    """What the setpoint seeks in a phase."""

    AUTOMATIC = "automatic"
    REST = "rest"
    BLEND = "blend"
    CONTROL = "control"


class PhaseRow(NamedTuple):
    """What holds in a phase."""

    aim: Aim
    guide: str
    """phase that the guide message tells, a name of `hand-back`"""
    told: str
    """for people"""


P, E = Phase, Event
PHASES: Final[dict[Phase, PhaseRow]] = {
    P.AUTO: PhaseRow(Aim.AUTOMATIC, "away", "the automatic drives; the control is not followed"),
    P.AUTO_HELD: PhaseRow(Aim.REST, "away", "the automatic is on and has no good reading: the motor holds"),
    P.AWAY: PhaseRow(Aim.REST, "away", "the motor holds until the control meets it"),
    P.BLENDING: PhaseRow(Aim.BLEND, "blending", "the motor follows the control, and the difference is worked off"),
    P.COUPLED: PhaseRow(Aim.CONTROL, "coupled", "the motor follows the control"),
    P.LOST: PhaseRow(Aim.REST, "lost", "nothing is heard of the control: the motor holds"),
}
NEXT: Final[dict[tuple[Phase, Event], Phase]] = {
    (P.AUTO, E.AUTO_OFF): P.AWAY,
    (P.AUTO, E.POOR): P.AUTO_HELD,
    (P.AUTO_HELD, E.AUTO_OFF): P.AWAY,
    (P.AUTO_HELD, E.GOOD): P.AUTO,
    (P.AWAY, E.AUTO_ON): P.AUTO_HELD,
    (P.AWAY, E.SILENT): P.LOST,
    (P.AWAY, E.MET): P.BLENDING,
    (P.AWAY, E.ASKED): P.BLENDING,
    (P.BLENDING, E.AUTO_ON): P.AUTO_HELD,
    (P.BLENDING, E.SILENT): P.LOST,
    (P.BLENDING, E.WORKED_OFF): P.COUPLED,
    (P.COUPLED, E.AUTO_ON): P.AUTO_HELD,
    (P.COUPLED, E.SILENT): P.LOST,
    (P.LOST, E.AUTO_ON): P.AUTO_HELD,
    (P.LOST, E.HEARD): P.AWAY,
}
"""(phase, event) -> next phase. A pair that is not here changes nothing."""
_GUIDE: Final = {name: count for count, name, _ in ENUMS["hand-back"]}
_I24: Final = (1 << 23) - 1


class Heard(NamedTuple):
    """What came in since the last step."""

    auto_on: bool
    auto_deg: float | None = None
    """where the automatic wants the ring; None: no good reading"""
    control_deg: float | None = None
    """where the control stands, on the ring; None: nothing new, or its place is not sure"""
    asked: bool = False
    """the operator asks for the difference to be blended away now"""


class Told(NamedTuple):
    """What a step gives."""

    setpoint_deg: float
    velocity_deg_s: float
    phase: Phase
    difference_deg: float | None
    """motor less control, None while no place of the control is known"""
    text: str
    """for people"""


class HandBack:
    """One axis between the automatic and one control. Times are given to `step`; the setpoint comes out of it."""

    def __init__(
        self, start_deg: float, bounds: Bounds, *, window_deg: float = WINDOW_DEG, blend_s: float = BLEND_S,
        silent_s: float = SILENT_S,
    ) -> None:  # fmt: skip
        """Starts with the automatic off and no control heard: holding. Raises ValueError for values not above 0."""
        if min(window_deg, blend_s, silent_s) <= 0:
            raise ValueError("window, blending time and silence must be above 0")
        self.window_deg, self.blend_s, self.silent_s = window_deg, blend_s, silent_s
        self.phase = Phase.LOST
        self._smooth = Smooth(start_deg, bounds)
        self._now: float | None = None
        self._auto_on = False
        self._control: float | None = None
        self._heard_at = 0.0
        self._side: float | None = None
        """motor less control when last seen, for a control that passes the motor between two readings"""
        self._gap, self._blend_began, self._blend_for = 0.0, 0.0, blend_s

    @property
    def setpoint_deg(self) -> float:
        return self._smooth.position_deg

    @property
    def blending_s(self) -> float:
        """How long the present or last blending takes: the stated time, longer only where the limits need it."""
        return self._blend_for

    def step(self, now_s: float, heard: Heard) -> Told:
        """Take in what was heard and let time pass up to `now_s`, which must not go back."""
        now, seconds = self._pass(now_s)
        for event in self._events(now, heard):
            self._happen(event, now)
        self._smooth.go(self._goal(now, heard), seconds)
        return self._told()

    def brake(self, now_s: float) -> Told:
        """Let time pass up to `now_s` and bring the setpoint to rest, whatever was heard: the end of a run."""
        self._smooth.go(None, self._pass(now_s)[1])
        return self._told()

    def _pass(self, now_s: float) -> tuple[float, float]:
        """Now, and the seconds since the last step."""
        seconds = 0.0 if self._now is None else max(0.0, now_s - self._now)
        self._now = now_s if self._now is None else max(now_s, self._now)
        return self._now, seconds

    def _told(self) -> Told:
        row = PHASES[self.phase]
        return Told(self._smooth.position_deg, self._smooth.velocity_deg_s, self.phase, self._difference(), row.told)

    def guide(self, node: int, axis: int) -> m.Guide:
        """The message for the control's display or light; the tag is filled in when it is sent."""
        counts = round(MDEG * (self._difference() or 0.0))
        code = _GUIDE[PHASES[self.phase].guide]
        return m.Guide(0, node, axis, min(max(counts, -_I24), _I24), code)

    def _events(self, now: float, heard: Heard) -> list[Event]:
        found: list[Event] = []
        if heard.auto_on != self._auto_on:
            self._auto_on = heard.auto_on
            found.append(Event.AUTO_ON if heard.auto_on else Event.AUTO_OFF)
        found.append(Event.POOR if heard.auto_deg is None else Event.GOOD)
        met = False
        if heard.control_deg is not None:
            silent_before = self._control is None or now - self._heard_at > self.silent_s
            self._control, self._heard_at = heard.control_deg, now
            difference = self.setpoint_deg - heard.control_deg
            # A control that comes back on the other side has not passed the motor under the operator's eyes.
            passed = not silent_before and self._side is not None and self._side * difference < 0
            met = abs(difference) <= self.window_deg or passed
            self._side = difference
        fresh = self._control is not None and now - self._heard_at <= self.silent_s
        found.append(Event.HEARD if fresh else Event.SILENT)
        if fresh and met:
            found.append(Event.MET)
        if fresh and heard.asked:
            found.append(Event.ASKED)
        if self.phase is Phase.BLENDING and now - self._blend_began >= self._blend_for:
            found.append(Event.WORKED_OFF)
        return found

    def _happen(self, event: Event, now: float) -> None:
        before, self.phase = self.phase, NEXT.get((self.phase, event), self.phase)
        if self.phase is Phase.BLENDING and before is not Phase.BLENDING:
            self._gap, self._blend_began = self._difference() or 0.0, now
            bounds, way = self._smooth.bounds, abs(self._gap)
            self._blend_for = max(
                self.blend_s, PEAK * way / (SHARE * bounds.velocity_deg_s),
                (BENDING * way / (SHARE * bounds.acceleration_deg_s2)) ** 0.5,
            )  # fmt: skip

    def _goal(self, now: float, heard: Heard) -> float | None:
        match PHASES[self.phase].aim:
            case Aim.AUTOMATIC:
                return heard.auto_deg
            case Aim.BLEND if self._control is not None:
                done = min(max((now - self._blend_began) / self._blend_for, 0.0), 1.0)
                left = 1.0 - done**3 * (10.0 - 15.0 * done + 6.0 * done**2)
                return self._control + self._gap * left
            case Aim.CONTROL:
                return self._control
            case _:
                return None

    def _difference(self) -> float | None:
        return None if self._control is None else self.setpoint_deg - self._control
