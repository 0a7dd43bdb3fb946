"""Following the time addresses on the bus: where in the take are we now?"""

from __future__ import annotations

from typing import Final

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.takes.frames import Run
from ringlet.tools.takes.timecodes import RATE_BY_CODE, Rate, frame_at, text_of

LOCK_FRAMES: Final = 10
"""Frames that must go on without a jump before they are believed."""
SLEW: Final = 0.05
"""Share of a difference that is taken over at each frame, so that late frames do not shake the rings."""
JUMP_FRAMES: Final = 2.0
LOST_S: Final = 0.5


class Chase:
    """Listens to `timecode`, and says what time of the take it is. Built from the first run of addresses of a take."""

    def __init__(self, link: Link, run: Run) -> None:
        self._link, self._run = link, run
        self._offset: float | None = None
        """time of the take less the link's clock, s"""
        self._heard_at = -1e9
        self._last: int | None = None
        self._good = 0
        self._foreign: Rate | None = None
        self.jumped = ""
        """one sentence, once the addresses have jumped while they were followed"""
        self.following = False
        self._undo = link.subscribe(self._hear, ("timecode",))

    def close(self) -> None:
        """Listen no more."""
        self._undo()

    def _hear(self, heard: Packet, now: float) -> None:
        body: m.Timecode = heard.body
        rate = RATE_BY_CODE.get(body.rate)
        if rate != self._run.rate:
            self._foreign = rate or self._foreign
            return
        try:
            frame = frame_at(body.hours, body.minutes, body.seconds, body.frames, rate)
        except UsageProblem:
            return
        day = rate.day
        since = (frame - self._run.first + day // 2) % day - day // 2
        offset = self._run.begin_s + since / self._run.pace - now
        goes_on = self._last is not None and (frame - self._last) % day == 1
        self._last, self._heard_at = frame, now
        if self._offset is not None and abs(offset - self._offset) * self._run.pace > JUMP_FRAMES:
            if self.following:
                self.jumped = self.jumped or f"the time address on the bus jumped to {text_of(frame, rate)}"
            self._offset, self._good = None, 0
        if self._offset is None:
            self._offset = offset
        # The first frames are averaged, later ones only pull.
        self._good = self._good + 1 if goes_on else 1
        self._offset += (offset - self._offset) * max(SLEW, 1.0 / self._good)

    def take_s(self) -> float | None:
        """The time of the take now; None while nothing is to be believed. Raises CheckFailed once it was lost."""
        now = self._link.clock.now()
        if self.jumped:
            raise CheckFailed(f"{self.jumped}.")
        if now - self._heard_at > LOST_S:
            if self.following:
                raise CheckFailed(f"no time address was heard on the bus for {LOST_S:g} s.")
            return None
        if self._offset is None or self._good < LOCK_FRAMES:
            return None
        return now + self._offset

    def why_not(self) -> str:
        """Why nothing is followed, for a sentence."""
        if self._foreign is not None:
            return f"the time addresses on the bus count at {self._foreign.name} and the take at {self._run.rate.name}"
        return "no time address is heard on the bus"
