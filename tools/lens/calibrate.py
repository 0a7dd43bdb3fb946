"""A calibration session: marks taken one by one at the bench, with undo, kept in a journal so that it can be resumed.

The journal has one JSON object a line, written and flushed to the disk before the next mark is taken. A last line that
was cut short is left out, so after a power cut at most the mark that was being written is missing.
"""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any, Final

from ringlet.tools.lens.curve import PAST, UNITS, MarkProblem
from ringlet.tools.lens.values import parse, show

VERSION: Final = 1
SAME_DEG: Final = 0.05
"""Two marks closer than this were taken at one place: the ring was not turned in between."""


class Session:
    """Marks taken so far. Raises MarkProblem for what cannot be, and changes nothing then."""

    def __init__(self, unit: str, journal: Path | None = None) -> None:
        """Begin, or go on where the journal ends."""
        if unit not in UNITS:
            raise MarkProblem(f"marks are of kind {unit!r}; choose one of: {', '.join(UNITS)}.")
        self.unit = unit
        self.marks: list[tuple[float, float]] = []
        self.written_in = ""
        self.resumed = 0
        """marks that the journal held"""
        self._journal = journal
        if journal is not None and journal.exists():
            self._replay(journal)
        elif journal is not None:
            self._write({"ringlet_marks": VERSION, "unit": unit})

    def add(self, ring_deg: float, text: str) -> tuple[float, float]:
        """Take a mark: what the lens says (as written) at this ring angle."""
        mark = self._checked(ring_deg, text)
        self._write({"add": [ring_deg, text]})
        self._take(mark, text)
        return mark

    def undo(self) -> tuple[float, float]:
        """Take the last mark back."""
        if not self.marks:
            raise MarkProblem("there is no mark to take back.")
        self._write({"undo": True})
        return self.marks.pop()

    def _checked(self, ring_deg: float, text: str) -> tuple[float, float]:
        found = parse(text, self.unit, mark=True)
        if not math.isfinite(ring_deg):
            raise MarkProblem(f"the ring stands at {ring_deg:g} deg, which is no angle.")
        if self._mixed(found.written_in, found.value):
            unit = found.written_in or "m"
            raise MarkProblem(f"{text!r} is in {unit} and the marks so far are in {self.written_in}; keep to one unit.")
        for ring, value in self.marks:
            if value == found.value:
                raise MarkProblem(f"{show(value, self.unit)} is taken already, at {ring:.2f} deg; undo it first.")
            if abs(ring - ring_deg) < SAME_DEG:
                raise MarkProblem(
                    f"{show(value, self.unit)} was taken at {ring:.2f} deg, where the ring still stands; turn the ring."
                )
        # A ring that rises must go on rising: the new mark must fit between its neighbours.
        around = sorted([*self.marks, (ring_deg, found.value)])
        values = [self._order(value) for _, value in around]
        if values not in (sorted(values), sorted(values, reverse=True)):
            raise MarkProblem(
                f"{text} at {ring_deg:.2f} deg does not fit between the marks so far, which only rise or only fall; "
                "look at it again, or undo the mark before it."
            )
        return ring_deg, found.value

    def _mixed(self, written_in: str, value: float) -> bool:
        if self.unit != "distance" or math.isinf(value):
            return False
        return bool(self.written_in) and (written_in or "m") != self.written_in

    def _order(self, value: float) -> float:
        """What rises or falls all along a ring: past infinity comes after infinity."""
        if self.unit != "distance":
            return value
        return -1.0 if value == PAST else 1.0 / value

    def _take(self, mark: tuple[float, float], text: str) -> None:
        found = parse(text, self.unit, mark=True)
        if math.isfinite(found.value):
            self.written_in = self.written_in or found.written_in or UNITS[self.unit]
        self.marks.append(mark)

    def _write(self, entry: dict[str, Any]) -> None:
        if self._journal is None:
            return
        with self._journal.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(entry) + "\n")
            stream.flush()
            os.fsync(stream.fileno())

    def _replay(self, journal: Path) -> None:
        try:
            text = journal.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            raise MarkProblem(f"{journal}: the journal cannot be read; name another file.") from None
        whole, _, cut = text.rpartition("\n")
        entries = []
        for number, line in enumerate(whole.splitlines(), 1):
            try:
                entries.append(json.loads(line))
            except json.JSONDecodeError:
                raise _no_entry(journal, number) from None
        head = entries[0] if entries else {}
        if not isinstance(head, dict) or head.get("ringlet_marks") != VERSION:
            raise MarkProblem(f"{journal}: this is no journal of marks; name another file.")
        if head.get("unit") != self.unit:
            held = head.get("unit")
            raise MarkProblem(f"{journal}: the journal holds {held} marks, not {self.unit}; name another file.")
        for number, entry in enumerate(entries[1:], 2):
            match entry:
                case {"add": [int() | float() as ring, str() as text_]}:
                    self._take(self._checked(float(ring), text_), text_)
                case {"undo": True} if self.marks:
                    self.marks.pop()
                case _:
                    raise _no_entry(journal, number)
        if cut:  # a line that a power cut left half written
            with journal.open("r+", encoding="utf-8") as stream:
                stream.truncate(len((whole + "\n").encode()))
        self.resumed = len(self.marks)


def _no_entry(journal: Path, number: int) -> MarkProblem:
    return MarkProblem(f"{journal}, line {number}: this is no entry of a journal; name another file.")
