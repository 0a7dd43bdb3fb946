"""Recording: what the axes do and the time addresses that go with it, into a take."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple, Self

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.tools.errors import LinkProblem, RingletError, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.takes.layout import FORMAT, AxisInfo, Sample
from ringlet.tools.takes.live import Live
from ringlet.tools.takes.survey import survey
from ringlet.tools.takes.timecodes import RATE_BY_CODE, Rate, frame_at, text_of
from ringlet.tools.takes.writer import TakeWriter

LOOK_EVERY: Final = 0.05
"""Seconds between two looks at what is due: chunks, frames, clocks."""
RATE: Final = 100.0


class Start(NamedTuple):
    """A time address that runs with the clock from the start of the take."""

    frame: int
    rate: Rate


class Recorder:
    """Records while the link waits, whoever makes it wait. Moves nothing and owns nothing. A context manager.

    `tick` is to be called often (20 times a second); `run` does so for a time. On a rig in this process another
    control may drive meanwhile: see `Link.beside`.
    """

    def __init__(
        self, link: Link, path: Path, places: list[tuple[int, int]], *, rate: float = RATE, start: Start | None = None,
        note: str = "", on_sample: Callable[[str, Sample], None] | None = None, origin_ns: int | None = None,
    ) -> None:  # fmt: skip
        """Raises UsageProblem when `path` is there already, and what the link raises."""
        if not places:
            raise UsageProblem("there is no axis to record; name one with --node and --axis.")
        self.link, self.path = link, path
        self.axes: list[AxisInfo] = survey(link, places)
        self._start, self._on_sample = start, on_sample
        self._frames = 0
        self._stamp: tuple[int, Rate] | None = None
        self.stamps: list[str] = []
        """first and last time address"""
        self.live = Live(link, places, rate, self._sample, self._tell)
        about = {
            "format": str(FORMAT), "link": link.url, "rate_hz": f"{self.live.rate:g}", "note": note,
            "timecode": "from the start" if start else "from the bus",
        }  # fmt: skip
        if origin_ns is None:  # virtual time has no date
            origin_ns = 0 if link.is_sim else round(datetime.now(UTC).timestamp() * 1e9)
        about["origin_ns"] = str(origin_ns)
        about["began"] = "" if origin_ns == 0 else datetime.fromtimestamp(origin_ns / 1e9, UTC).isoformat()
        self.writer = TakeWriter(path, self.axes, about, origin_ns=origin_ns)
        self._trouble: RingletError | None = None
        self._open = True
        self._undo: Callable[[], None] = lambda: None
        try:
            self.live.start()
        except BaseException:
            self.writer.close("failed")
            raise
        for key in self.live.polled:
            self._tell(0.0, "polled", key, f"Axis {key} is asked for each sample; its times are less exact.", 0)
        for key, problem in self.writer.problems.items():
            self._tell(0.0, "marks", key, f"The marks of axis {key} cannot be used: {problem}", 0)
        if start is None:
            self._undo = link.subscribe(self._heard_timecode, ("timecode",))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *rest: object) -> None:
        if self._open:
            self.close("link lost" if kind is not None and issubclass(kind, LinkProblem) else "ended")

    # --- what comes in -------------------------------------------------------------------------------------------

    def _sample(self, key: str, sample: Sample) -> None:
        if self._trouble is None:
            self._guard(lambda: self.writer.sample(key, sample))
        if self._on_sample is not None:
            self._on_sample(key, sample)

    def _tell(self, time_s: float, what: str, axis: str, text: str, count: int) -> None:
        if self._trouble is None:
            self._guard(lambda: self.writer.event(time_s, what, text, axis, count))

    def _guard(self, write: Callable[[], None]) -> None:
        """A full disk must not reach into the middle of somebody's exchange with a motor: it is kept for `tick`."""
        try:
            write()
        except RingletError as error:
            self._trouble = error

    def _heard_timecode(self, heard: Packet, now: float) -> None:
        body: m.Timecode = heard.body
        rate, at = RATE_BY_CODE.get(body.rate), self.live.now()
        if rate is None:
            return
        try:
            frame = frame_at(body.hours, body.minutes, body.seconds, body.frames, rate)
        except UsageProblem as problem:
            self._tell(at, "timecode", "", f"A time address on the bus was left out: {problem}", 0)
            return
        if self._stamp is not None and (frame, rate) != ((self._stamp[0] + 1) % rate.day, self._stamp[1]):
            text = f"The time address went from {text_of(*self._stamp)} to {text_of(frame, rate)}."
            self._tell(at, "timecode", "", text, 0)
        self._put_stamp(at, frame, rate)

    def _put_stamp(self, at: float, frame: int, rate: Rate) -> None:
        text = text_of(frame, rate)
        self._stamp = (frame, rate)
        self.stamps = [self.stamps[0] if self.stamps else text, text]
        if self._trouble is None:
            self._guard(lambda: self.writer.timecode(at, text, frame, rate.name))

    # --- time passes -----------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Do what is due. Raises TakeFull once the disk takes no more, LinkProblem when the link broke."""
        if self._trouble is not None:
            trouble, self._trouble = self._trouble, None
            self._give_up()
            raise trouble
        self.live.step()
        now = self.live.now()
        if self._start is not None:
            rate = self._start.rate
            while rate.seconds(self._frames) <= now:
                self._put_stamp(rate.seconds(self._frames), (self._start.frame + self._frames) % rate.day, rate)
                self._frames += 1
        self._guard(lambda: self.writer.tick(now))

    def run(
        self, seconds: float | None, progress: Callable[[float], None] = lambda now: None,
        asked: Callable[[], bool] = lambda: False,
    ) -> None:  # fmt: skip
        """Record for so long, or until asked to end."""
        while not asked() and (seconds is None or self.live.now() < seconds):
            left = LOOK_EVERY if seconds is None else min(LOOK_EVERY, seconds - self.live.now())
            self.link.wait(max(0.001, min(left, self.live.next_due())))
            self.tick()
            progress(self.live.now())

    def close(self, why: str = "ended") -> None:
        """End the take. Raises TakeFull."""
        if not self._open:
            return
        if self._trouble is not None:
            trouble = self._trouble
            self._give_up()
            raise trouble
        try:
            left = self._give_up()
        except BaseException:  # Ctrl-C once more: what there is of the take is kept
            self.writer.close("interrupted")
            raise
        for node, unsure in self.live.clock_unsure.items():
            self._tell(self.live.now(), "clock", "", f"Times of node {node} are known to +-{1e3 * unsure:.1f} ms.", 0)
        for key in left:
            self._tell(self.live.now(), "link", key, f"Telemetry of axis {key} could not be put back as it was.", 0)
        self.writer.close(why)

    def _give_up(self) -> list[str]:
        self._open = False
        self._undo()
        try:
            return self.live.stop()
        except LinkProblem:  # the link is gone, and what the nodes still send concerns nobody
            return []
