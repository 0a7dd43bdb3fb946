"""What is heard of the axes, kept as the last picture of each and as traces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Flag, flag_names
from ringlet.protocol.codes import names as names_of
from ringlet.tools import cli_bus
from ringlet.tools.axis_handle import MDEG
from ringlet.tools.link import Link
from ringlet.tools.page.guide import Guides
from ringlet.tools.page.scales import Scale
from ringlet.tools.page.snapshot import LIMITS, AxisShot
from ringlet.tools.page.traces import Trace
from ringlet.tools.places import Place, known_place
from ringlet.tools.takes.layout import Sample

KINDS: Final = ("drive", "status", "motion", "guide", "knob")
"""Messages that are heard beside the samples of `Live`."""
_STATES: Final = names_of("state")


class Ears:
    """Pictures and traces of all axes. Written by the thread that has the link; `shots` are values, for anybody."""

    def __init__(self, link: Link, roles: Mapping[Place, str], capacity: int, rate: float) -> None:
        self.shots: dict[Place, AxisShot] = {place: AxisShot(*place, role=role) for place, role in roles.items()}
        self.traces = {shot.key: Trace(capacity) for shot in self.shots.values()}
        self.scales: dict[Place, Scale] = {}
        self.guides = Guides(_controls(link))
        self.measured: Place | None = None
        """an axis that a measurement records: its samples are taken from what passes by"""
        self._link, self._every = link, 1 / rate
        self._began = link.clock.now()
        self._setpoint: dict[Place, float] = {}
        self._traced: dict[Place, float] = {}
        self._texts: dict[tuple[Place, str], tuple[float, str]] = {}

    def begin(self, now: float) -> None:
        """Second 0 of the traces."""
        self._began = now

    def look(self, place: Place) -> None:
        """All that one axis says of itself, and the settings that bound it. Raises what the link raises."""
        link = self._link
        view = cli_bus.look(link, *place, self.shots[place].role)
        handle = link.axis(*place)
        values = [float(handle.get(name)) for name in ("travel-min", "travel-max", *LIMITS, "finding-speed")]
        self.shots[place] = replace(
            self.shots[place], state=view.state, position=view.position_deg, setpoint=view.setpoint_deg,
            velocity=view.velocity_deg_s, current=view.current_a, load=view.load_percent,
            calibrated=view.travel is not None, travel=(values[0], values[1]),
            limits=(values[2], values[3], values[4], values[5]), finding_speed=values[6], owner=view.owner,
            flags=view.flags, faults=view.faults, supply=view.supply_v, winding=view.winding_c, case=view.case_c,
        )  # fmt: skip

    def sample(self, key: str, sample: Sample) -> None:
        """A whole sample of an axis."""
        place = known_place(key)
        shot = self.shots[place]
        first = () if sample.fault == "none" else (sample.fault,)
        faults = shot.faults if first and sample.fault in shot.faults else first
        self.shots[place] = replace(
            shot, state=sample.state, position=sample.ring_deg, setpoint=sample.setpoint_deg,
            velocity=sample.velocity_deg_s, current=sample.current_a, owner=sample.owner, faults=faults, silent=False,
        )  # fmt: skip
        self._trace(place, sample.time_s)

    def tell(self, at: float, what: str, key: str, text: str, count: int) -> None:
        """What `Live` says of an axis."""
        if what == "link":
            place = known_place(key)
            self.shots[place] = replace(self.shots[place], silent=True)

    def hear(self, heard: Packet, now: float) -> None:
        """A message that passes by."""
        body: Any = heard.body
        if isinstance(body, m.Guide | m.Knob):
            shot = self.shots.get((body.target, body.target_axis))
            if shot is not None:
                travel = shot.travel if shot.calibrated else (0.0, 0.0)
                self.guides.hear(heard.src, body, now, shot.position, travel)
            return
        place = (heard.src, heard.axis)
        shot = self.shots.get(place)
        if shot is None:
            return
        if isinstance(body, m.Drive):
            self._setpoint[place] = body.setpoint / MDEG
            self.shots[place] = replace(shot, load=body.load)
        elif isinstance(body, m.Status):
            flags = body.flags
            state = _STATES.get(body.state, str(body.state)) if place == self.measured else shot.state
            calibrated = bool(flags >> Flag.CALIBRATED & 1)
            self.shots[place] = replace(
                shot, flags=flag_names(flags), calibrated=calibrated, state=state, owner=body.owner
            )
        elif place == self.measured:
            self.shots[place] = replace(
                shot, position=body.position / MDEG, velocity=body.velocity / MDEG,
                setpoint=self._setpoint.get(place, shot.setpoint), silent=False,
            )  # fmt: skip
            if now - self._traced.get(place, -1.0) >= self._every:
                self._traced[place] = now
                self._trace(place, now - self._began)

    def _trace(self, place: Place, at: float) -> None:
        shot = self.shots[place]
        self.traces[shot.key].add(at, (shot.position, shot.setpoint, shot.velocity, float(shot.load)))

    def shown(self, now: float) -> list[AxisShot]:
        """All axes with their values in lens units and their guides."""
        found = []
        for place, shot in self.shots.items():
            value, aim = self._text(place, "value", shot.position), self._text(place, "aim", shot.setpoint)
            found.append(replace(shot, value=value, aim=aim, guide=self.guides.shot(place, now)))
        return found

    def _text(self, place: Place, what: str, ring: float) -> str:
        scale = self.scales.get(place)
        if scale is None:
            return ""
        last = self._texts.get((place, what))
        if last is None or last[0] != ring:  # a ring at rest keeps its text
            self._texts[place, what] = last = (ring, scale.text_at(ring))
        return last[1]


def _controls(link: Link) -> dict[tuple[int, Place], tuple[str, Any]]:
    """Controls that the rig file of a simulated link names."""
    if link.rig is None:
        return {}
    return {(one.source, (one.node, one.axis)): (one.name, one.mapping) for one in link.rig.rig.controls}
