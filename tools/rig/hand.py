"""One control and the axis that it drives: ownership, hand-back, setpoints and guide messages over a link."""

from __future__ import annotations

from contextlib import suppress
from typing import Final

from ringlet.hwsim.control import Mapping, ring_of
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag
from ringlet.tools.axis_handle import MDEG, AxisHandle
from ringlet.tools.errors import RingletError, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.rig.handback import BLEND_S, WINDOW_DEG, HandBack, Heard, Told
from ringlet.tools.rig.partner import Partner
from ringlet.tools.rig.smooth import Bounds

SHARE: Final = 0.8
"""Of the motor's limits that setpoints use, so that its jerk-limited ramp keeps up (our choice)."""
AT_REST_DEG_S: Final = 0.01


def bounds_of(link: Link, node: int, axis: int) -> Bounds:
    """Bounds for setpoints, from the limits in force. Raises UsageProblem when the travel is not known."""
    handle = link.axis(node, axis)
    if not handle.status().flags >> Flag.CALIBRATED & 1:
        raise UsageProblem(f"the travel of axis {node}.{axis} is not known; add --find, or run `find-stops` first.")
    acceleration = min(float(handle.get("acceleration-limit")), float(handle.get("deceleration-limit")))
    return Bounds(
        SHARE * float(handle.get("velocity-limit")), SHARE * acceleration,
        float(handle.get("travel-min")), float(handle.get("travel-max")),
    )  # fmt: skip


class Hand:
    """A control on its axis, or on a pair of axes. It drives only while it owns them, and begins anew, uncoupled, each
    time it takes them.

    So a control that was put out by another, or lost, and comes back must first meet the motor again.
    """

    def __init__(
        self, link: Link, node: int, axis: int, mapping: Mapping | None, *, window_deg: float = WINDOW_DEG,
        blend_s: float = BLEND_S, partner: tuple[int, int] | None = None, pairing: Partner | None = None,
    ) -> None:  # fmt: skip
        """`mapping` None is an axis that only the automatic drives. `partner` follows it by `pairing`."""
        self.link, self.node, self.axis, self.mapping = link, node, axis, mapping
        self.window_deg, self.blend_s = window_deg, blend_s
        self.pairing = pairing
        self._partner = (partner, pairing) if partner is not None and pairing is not None else None
        self._back: HandBack | None = None
        self.bounds: Bounds | None = None
        """what the setpoint keeps to, once it was taken"""

    @property
    def places(self) -> list[tuple[int, int]]:
        """(node, axis) of what it drives."""
        return [(self.node, self.axis), *([self._partner[0]] if self._partner is not None else [])]

    @property
    def owns(self) -> bool:
        """Whether all of it still obeys this control, as far as the link knows."""
        return all(place in self.link.owned for place in self.places)

    def take(self, force: bool = False) -> None:
        """Own the axis, or both; the setpoint begins where the motor's own rests.

        Raises DeviceRefused, UsageProblem, CheckFailed; then nothing is owned.
        """
        for place in self.places:
            bounds_of(self.link, *place)  # refused before anything is taken
        handles = [self.link.axis(*place) for place in self.places]
        try:
            for handle in handles:
                handle.take(force=force)
            self.begin()
        except BaseException:
            for handle in handles:
                with suppress(RingletError):
                    if (handle.node, handle.axis) in self.link.owned:
                        handle.yield_()
            raise

    def begin(self) -> None:
        """Start from rest on axes that are owned already. A pair comes together first, as a move within its limits."""
        handle = self.link.axis(self.node, self.axis)
        bounds = bounds_of(self.link, self.node, self.axis)
        handle.hold()  # it may still follow, or ramp down from whoever was put out
        handle.rest()
        if self._partner is not None:
            (node, axis), pairing = self._partner
            bounds = pairing.bounds(bounds, bounds_of(self.link, node, axis))
        start = min(max(handle.setpoint(), bounds.low_deg), bounds.high_deg)
        if self._partner is not None:
            self._gather([(handle, start), (self.link.axis(node, axis), pairing.ring_at(start))])
        self.bounds = bounds
        self._back = HandBack(start, bounds, window_deg=self.window_deg, blend_s=self.blend_s)

    @staticmethod
    def _gather(goals: list[tuple[AxisHandle, float]]) -> None:
        for handle, goal in goals:
            handle.hold()
            handle.rest()
            handle.move(goal, wait=False)
        for handle, _ in goals:
            handle.rest()

    def yield_(self) -> None:
        """Give the axis up; it holds."""
        self._back = None
        trouble: RingletError | None = None
        for place in self.places:  # one that does not answer does not keep the other
            if place in self.link.owned:
                try:
                    self.link.axis(*place).yield_()
                except RingletError as error:
                    trouble = trouble or error
        if trouble is not None:
            raise trouble

    def tick(
        self, knob: m.Knob | None, *, auto_on: bool = False, auto_deg: float | None = None, asked: bool = False
    ) -> Told | None:
        """Take in what was heard, and send the setpoint and the guide. None, and nothing sent, when it does not own."""
        if self._back is None or not self.owns:
            self._back = None
            return None
        control = ring_of(knob, self.mapping) if knob is not None and self.mapping is not None else None
        told = self._back.step(self.link.clock.now(), Heard(auto_on, auto_deg, control, asked))
        self._send(told.setpoint_deg)
        if self.mapping is not None:
            self.link.send(self._back.guide(self.node, self.axis))
        return told

    def brake(self) -> bool:
        """Bring the setpoint to rest within its bounds; to be called again and again until it says that it is."""
        if self._back is None or not self.owns:
            return True
        told = self._back.brake(self.link.clock.now())
        self._send(told.setpoint_deg)
        return abs(told.velocity_deg_s) < AT_REST_DEG_S

    def _send(self, setpoint_deg: float) -> None:
        self.link.send(m.StreamRing(0, round(MDEG * setpoint_deg)), node=self.node, axis=self.axis)
        if self._partner is not None:
            (node, axis), pairing = self._partner
            self.link.send(m.StreamRing(0, round(MDEG * pairing.ring_at(setpoint_deg))), node=node, axis=axis)
