"""Range readings that do not come over the bus: lines of "seconds metres quality" from a file or as another program
writes them.

    # seconds metres quality (0 none to 255 full; 255 when left out)
    0.00 4.812 220
    0.02 4.790 220
    0.04 -     0        no reading

Seconds are when a reading was made. In a file they count from the beginning of the run; from another program they are
those of any clock.
"""

from __future__ import annotations

import math
import queue
import threading
from collections import deque
from collections.abc import Iterable
from contextlib import suppress
from io import TextIOWrapper
from pathlib import Path
from typing import Final, NamedTuple, Self, TextIO

from ringlet.hwsim.rangesource import MM, NO_READING
from ringlet.protocol import messages as m
from ringlet.protocol.codes import ENUMS
from ringlet.tools.errors import UsageProblem

QUALITY_MOST: Final = 255
OLDEST_MS: Final = 0xFFFF
_OTHER: Final = next(count for count, name, _ in ENUMS["source"] if name == "other")
NOTHING: Final = "-"
LATEST_S: Final = 3600.0
"""A file that begins later was not made for the run: its times are those of another clock (our choice)."""
WINDOW_S: Final = 10.0
"""Pipe: the fastest of so many seconds counts as having no age. Clocks drift apart by some 0.1 ms/s (common practice),
so the fastest of a whole day says nothing any more."""


class Line(NamedTuple):
    """One reading as it is written."""

    seconds: float
    metres: float | None
    quality: int


def parse(text: str) -> Line | None:
    """A line; None for an empty one or a remark. Raises ValueError, which says what is wrong with it."""
    words = text.partition("#")[0].replace(",", " ").split()
    if not words:
        return None
    if len(words) not in (2, 3):
        raise ValueError(f"it has {len(words)} values; write seconds, metres and quality")
    try:
        seconds = float(words[0])
        metres = None if words[1] == NOTHING else float(words[1])
        quality = int(words[2]) if len(words) == 3 else QUALITY_MOST
    except ValueError:
        raise ValueError("a value is no number; write seconds, metres (or -) and a whole quality") from None
    if not math.isfinite(seconds) or seconds < 0:
        raise ValueError(f"the time is {words[0]}; it must be 0 s or later")
    if metres is not None and not 0 < metres < math.inf:
        raise ValueError(f"the distance is {words[1]}; it must be above 0 m, or - for no reading")
    if not 0 <= quality <= QUALITY_MOST:
        raise ValueError(f"the quality is {quality}; it must be 0 to {QUALITY_MOST}")
    return Line(seconds, metres, quality)


def _message(line: Line, age_s: float) -> m.Range:
    count = NO_READING if line.metres is None else min(round(MM * line.metres), NO_READING - 1)
    return m.Range(0, count, line.quality, min(max(round(1000 * age_s), 0), OLDEST_MS), _OTHER)


class FileReadings:
    """A file played in its own time: second 0 of its clock is the beginning of the run."""

    def __init__(self, lines: Iterable[str], name: str) -> None:
        """Reads all of it before anything moves. Raises UsageProblem, which names the line."""
        self._lines: list[Line] = []
        for number, text in enumerate(lines, 1):
            try:
                line = parse(text)
            except ValueError as error:
                raise UsageProblem(f"{name}, line {number}: {error}.") from None
            if line is None:
                continue
            if self._lines and line.seconds < self._lines[-1].seconds:
                raise UsageProblem(f"{name}, line {number}: the time goes back to {line.seconds:g} s; sort the lines.")
            self._lines.append(line)
        if not self._lines:
            raise UsageProblem(f"{name} holds no readings; write lines of seconds, metres and quality.")
        self._name, self._next = name, 0
        self.wrong = 0

    def within(self, seconds: float) -> Self:
        """Itself. Raises UsageProblem when its first reading comes after a run of so many seconds (0: an hour)."""
        first, most = self._lines[0].seconds, seconds or LATEST_S
        if first >= most:
            raise UsageProblem(
                f"{self._name}: the first reading is at {first:.12g} s, after {most:g} s of the run, which begins at 0 "
                "s of the file; take the start off all its times."
            )
        return self

    @classmethod
    def open(cls, path: Path) -> FileReadings:
        """Raises UsageProblem when it cannot be read."""
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "it is not text in UTF-8"
            raise UsageProblem(f"{path}: the readings cannot be read ({reason}); check the path.") from None
        return cls(text.splitlines(), str(path))

    @property
    def ended(self) -> bool:
        """The last reading was taken."""
        return self._next >= len(self._lines)

    def take(self, run_s: float) -> list[m.Range]:
        """Readings made up to this time of the run, each with its age."""
        found = []
        while self._next < len(self._lines) and self._lines[self._next].seconds <= run_s:
            line = self._lines[self._next]
            found.append(_message(line, run_s - line.seconds))
            self._next += 1
        return found


class PipeReadings:
    """Lines as another program writes them. The one that came fastest lately counts as having no age; others are older.

    So a clock that drifts does no harm, and one that was set back none after `WINDOW_S`.
    """

    def __init__(self, stream: TextIO) -> None:
        self._came: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._offsets: deque[tuple[float, float]] = deque()
        """(run's clock, run's clock less the writer's), those that may yet be the smallest of the window"""
        self.wrong = 0
        """lines that made no sense"""
        self.ended = False
        """the writer has closed its end"""
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace")  # a byte that is no text makes one line wrong, and not an end
        threading.Thread(target=self._read, args=(stream,), daemon=True, name="readings").start()

    def _read(self, stream: TextIO) -> None:
        for text in stream:
            self._came.put(text)
        self.ended = True

    def take(self, run_s: float) -> list[m.Range]:
        """Readings that have come, each with its age; of several at once the latest was the fastest."""
        lines: list[Line] = []
        with suppress(queue.Empty):
            while True:
                try:
                    line = parse(self._came.get_nowait())
                except ValueError:
                    self.wrong += 1
                    continue
                if line is not None:
                    lines.append(line)
        if not lines:
            return []
        smallest = self._smallest(run_s, run_s - max(line.seconds for line in lines))
        return [_message(line, run_s - line.seconds - smallest) for line in lines]

    def _smallest(self, run_s: float, offset: float) -> float:
        """The smallest offset of the last `WINDOW_S`, this one among them."""
        while self._offsets and self._offsets[-1][1] >= offset:
            self._offsets.pop()
        self._offsets.append((run_s, offset))
        while self._offsets[0][0] < run_s - WINDOW_S:
            self._offsets.popleft()
        return self._offsets[0][1]
