"""A take that is recorded from the page, and what is said of it while it runs and once it has ended."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ringlet.tools.errors import LinkProblem, RingletError
from ringlet.tools.takes.writer import CHUNK_S

if TYPE_CHECKING:
    from ringlet.tools.link import Link
    from ringlet.tools.page.keeping import Keeping
    from ringlet.tools.takes.layout import Sample
    from ringlet.tools.takes.recorder import Recorder

LOOK_EVERY: Final = 1.0
"""Seconds between two looks at the disk."""
IF_FULL: Final = (
    f"If the disk fills, the take ends there: all but its last {CHUNK_S:g} s stays in the file, and the motors are not "
    "affected. Nothing is moved by recording."
)


@dataclass(frozen=True)
class TakeShot:
    """A take at one instant."""

    name: str = ""
    running: bool = False
    seconds: float = 0.0
    samples: int = 0
    lost: int = 0
    bytes: int = 0
    free: int = 0
    """bytes that the disk still takes"""
    lasts_s: float | None = None
    """seconds until the disk is full at this rate; None while that cannot be told"""
    problem: str = ""
    """why it ended before it was asked to, and what is lost"""


class Taking:
    """One take. Everything is called by the thread that has the link."""

    def __init__(self, link: Link, path: Path, places: list[tuple[int, int]], rate: float, keeping: Keeping) -> None:
        """Raises UsageProblem, and what the link raises."""
        from ringlet.tools.takes.recorder import Recorder

        self._keeping, self._name = keeping, path.stem
        # On a shared line samples are asked for, and asking twice would halve the rate: the take hands its own on.
        self.alone = link.transport.shared
        self.heard: list[tuple[str, Sample]] = []
        self._recorder: Recorder = Recorder(
            link, path, places, rate=rate, note="recorded from the bench page",
            on_sample=(lambda key, sample: self.heard.append((key, sample))) if self.alone else None,
        )  # fmt: skip
        self._look_at, self._bytes, self._free = 0.0, 0, keeping.free()
        self._problem, self._open = "", True

    @property
    def open(self) -> bool:
        """Whether it still records."""
        return self._open

    def step(self) -> None:
        """Do what is due. A full disk or a broken link ends it, and is said in `shot`."""
        try:
            self._recorder.tick()
        except RingletError as error:
            self._fail(error)

    def end(self) -> None:
        """The ordinary end. What goes wrong is said in `shot`."""
        if not self._open:
            return
        try:
            self._recorder.close()
        except RingletError as error:
            self._fail(error)
        self._open = False
        self._look()

    def _fail(self, error: RingletError) -> None:
        self._problem, self._open = str(error), False
        if isinstance(error, LinkProblem):
            try:
                self._recorder.close("link lost")
            except RingletError as worse:
                self._problem = f"{error} {worse}"
        self._look()

    def _look(self) -> None:
        self._look_at = time.monotonic() + LOOK_EVERY
        try:
            self._bytes, self._free = self._recorder.path.stat().st_size, self._keeping.free()
        except OSError as error:
            self._problem = self._problem or f"the take cannot be seen any more ({error.strerror}); check the folder."

    def shot(self) -> TakeShot:
        """How it stands."""
        if self._open and time.monotonic() >= self._look_at:
            self._look()
        writer = self._recorder.writer
        seconds = writer.last_s
        lasts = self._free / (self._bytes / seconds) if seconds > 2 and self._bytes else None
        return TakeShot(
            self._name, self._open, round(seconds, 2), sum(writer.samples.values()), sum(writer.lost.values()),
            self._bytes, self._free, None if lasts is None else round(lasts), self._problem,
        )  # fmt: skip
