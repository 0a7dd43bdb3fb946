"""Hand-back guide: how far, and which way, a hand control must go to meet its ring before it takes over.

Whoever hands back tells it in `guide` messages, and these are shown as they are. Where nobody does, the place of a
control (`knob`) is compared here with the ring: through the mapping of the rig file where there is one, else as a
share of the travel.
"""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass
from typing import Final

from ringlet.hwsim.control import Mapping, ring_of
from ringlet.protocol import messages as m
from ringlet.protocol.codes import ENUMS
from ringlet.tools.axis_handle import MDEG
from ringlet.tools.rig.handback import SILENT_S, WINDOW_DEG

Place = tuple[int, int]
_PHASES: Final = {code: (name, told) for code, name, told in ENUMS["hand-back"]}


@dataclass(frozen=True)
class GuideShot:
    """One control and its ring at one instant."""

    control: int
    """its address"""
    name: str
    """as the rig file calls it; empty where there is none"""
    distance: float | None
    """ring less control, deg; above 0: the control must go up. None: its place is not sure"""
    phase: str
    """a name of `hand-back`"""
    told: str
    fresh: bool
    """heard within the last half second"""

    @property
    def met(self) -> bool:
        """The control stands where its ring stands."""
        return self.distance is not None and abs(self.distance) <= WINDOW_DEG


@dataclass(frozen=True)
class _Heard:
    at: float
    control: int
    distance: float | None
    phase: int
    from_guide: bool


class Guides:
    """What is heard of hand controls, by axis. `controls` are (name, mapping) by their address and axis."""

    def __init__(self, controls: MappingOf[tuple[int, Place], tuple[str, Mapping]]) -> None:
        self._controls = controls
        self._heard: dict[Place, _Heard] = {}

    def hear(
        self, source: int, body: m.Guide | m.Knob, now: float, ring_deg: float, travel: tuple[float, float]
    ) -> None:
        """Take in a message; `ring_deg` and `travel` are those of the axis that it is for."""
        place = (body.target, body.target_axis)
        if isinstance(body, m.Guide):
            self._heard[place] = _Heard(now, source, body.distance / MDEG, body.phase, True)
            return
        last = self._heard.get(place)
        if last is not None and last.from_guide and now - last.at <= SILENT_S:
            return
        entry = self._controls.get((source, place))
        mapping = entry[1] if entry else None
        if mapping is None and travel[1] > travel[0]:
            mapping = Mapping(ring_low_deg=travel[0], ring_high_deg=travel[1])
        at = ring_of(body, mapping) if mapping is not None else None
        away = next(code for code, (name, _) in _PHASES.items() if name == "away")
        self._heard[place] = _Heard(now, source, None if at is None else ring_deg - at, away, False)

    def shot(self, place: Place, now: float) -> GuideShot | None:
        """The guide of an axis; None where no control was ever heard."""
        heard = self._heard.get(place)
        if heard is None:
            return None
        fresh = now - heard.at <= SILENT_S
        phase, told = _PHASES.get(heard.phase, (str(heard.phase), "this version does not know this phase"))
        if not fresh:
            phase, told = next(row for row in _PHASES.values() if row[0] == "lost")
        elif heard.distance is None:
            told = "the place of the control is not sure: turn it over its index"
        entry = self._controls.get((heard.control, place))
        distance = None if heard.distance is None else round(heard.distance, 2)
        return GuideShot(heard.control, entry[0] if entry else "", distance, phase, told, fresh)
