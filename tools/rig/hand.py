"""One control and the axis that it drives: ownership, hand-back, setpoints and guide messages over a link."""

from __future__ import annotations

from typing import Final

from ringlet.hwsim.control import Mapping, ring_of
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag
from ringlet.tools.axis_handle import MDEG
from ringlet.tools.errors import UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.rig.handback import BLEND_S, WINDOW_DEG, HandBack, Heard, Told
from ringlet.tools.rig.smooth import Bounds

SHARE: Final = 0.8
"""Of the motor's limits that setpoints use, so that its jerk-limited ramp keeps up (our choice)."""


def bounds_of(link: Link, node: int, axis: int) -> Bounds:
    """Bounds for setpoints, from the limits in force. Raises UsageProblem when the travel is not known."""
    handle = link.axis(node, axis)
    if not handle.status().flags >> Flag.CALIBRATED & 1:
        raise UsageProblem(f"the travel of axis {node}.{axis} is not known; run `ringlet find-stops` first.")
    acceleration = min(float(handle.get("acceleration-limit")), float(handle.get("deceleration-limit")))
    return Bounds(
        SHARE * float(handle.get("velocity-limit")), SHARE * acceleration,
        float(handle.get("travel-min")), float(handle.get("travel-max")),
    )  # fmt: skip


class Hand:
    """A control on its axis. It drives only while it owns the axis, and begins anew, uncoupled, each time it takes it.

    So a control that was put out by another, or lost, and comes back must first meet the motor again.
    """

    def __init__(
        self, link: Link, node: int, axis: int, mapping: Mapping, *, window_deg: float = WINDOW_DEG,
        blend_s: float = BLEND_S,
    ) -> None:  # fmt: skip
        self.link, self.node, self.axis, self.mapping = link, node, axis, mapping
        self.window_deg, self.blend_s = window_deg, blend_s
        self._back: HandBack | None = None

    @property
    def owns(self) -> bool:
        """Whether the axis still obeys this control, as far as the link knows."""
        return (self.node, self.axis) in self.link.owned

    def take(self, force: bool = False) -> None:
        """Own the axis; the setpoint begins where the motor's own rests. Raises DeviceRefused, UsageProblem."""
        handle = self.link.axis(self.node, self.axis)
        bounds = bounds_of(self.link, self.node, self.axis)
        handle.take(force=force)
        handle.rest()  # one that was put out may still ramp down
        start = min(max(handle.setpoint(), bounds.low_deg), bounds.high_deg)
        self._back = HandBack(start, bounds, window_deg=self.window_deg, blend_s=self.blend_s)

    def yield_(self) -> None:
        """Give the axis up; it holds."""
        self._back = None
        self.link.axis(self.node, self.axis).yield_()

    def tick(
        self, knob: m.Knob | None, *, auto_on: bool = False, auto_deg: float | None = None, asked: bool = False
    ) -> Told | None:
        """Take in what was heard, and send the setpoint and the guide. None, and nothing sent, when it does not own."""
        if self._back is None or not self.owns:
            self._back = None
            return None
        control = ring_of(knob, self.mapping) if knob is not None else None
        told = self._back.step(self.link.clock.now(), Heard(auto_on, auto_deg, control, asked))
        self.link.send(m.StreamRing(0, round(MDEG * told.setpoint_deg)), node=self.node, axis=self.axis)
        self.link.send(self._back.guide(self.node, self.axis))
        return told
