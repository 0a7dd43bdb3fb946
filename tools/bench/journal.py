"""The soak's journal, its course, and what is counted from its lines. See soak.py.

Every move is a function of the seed and its number alone. Lines that were written in earlier sessions are read again,
and those of this one are counted as they are written, by the same code: so a soak in pieces has the totals of one
without a break.
"""

from __future__ import annotations

import json
import os
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, NamedTuple

from ringlet.tools.bench.running import Line, Running, Trace
from ringlet.tools.bench.session import Plan
from ringlet.tools.errors import UsageProblem

EDGE: Final = 0.02
"""Share of the travel that the moves keep from each end."""
SLOWEST: Final = 0.2
"""Least speed of a move, as a share of the velocity limit."""
HOME_EVERY: Final = 20
"""Moves between two visits of the home mark in the middle of the travel."""


class Course(NamedTuple):
    """What the moves of a soak follow from. It heads the journal, and a later session must have the same."""

    node: int
    axis: int
    seed: int
    low: float
    high: float
    """travel at the beginning, deg"""

    def move(self, number: int) -> tuple[float, float]:
        """(target as a share of the travel, speed as a share of the velocity limit) of a move."""
        draw = random.Random(f"{self.seed}:{number}")
        return EDGE + (1.0 - 2.0 * EDGE) * draw.random(), SLOWEST + (1.0 - SLOWEST) * draw.random()

    def start(self, number: int) -> float:
        """Share of the travel where a move begins: at the home mark, or where the one before has ended."""
        return 0.5 if number % HOME_EVERY == 0 else self.move(number - 1)[0]

    def deg(self, share: float) -> float:
        """A share of the travel in degrees."""
        return self.low + share * (self.high - self.low)


class Totals:
    """Everything that a soak counts, from the lines of its journal. Bounded, however long it goes on."""

    def __init__(self, course: Course) -> None:
        self.course = course
        self.sessions = self.moves = self.troubles = self.silent = self.lost = self.heard = self.owner_lost = 0
        self.seconds = self.way_deg = 0.0
        self.last_trouble = ""
        self.rest, self.following = Running(), Running()
        self.winding, self.case, self.supply, self.drift = Running(), Running(), Running(), Running()
        self.drift_line = Line()
        self.slip: list[float] = []
        self.slip_u = 0.0
        self.heat = Trace(3)
        self.homes = Trace(2)
        self.rests = Trace(2)
        self._home = 0.0

    def add(self, line: dict[str, Any]) -> None:
        """One line of the journal. Raises KeyError or TypeError when it is not one of ours."""
        match line["what"]:
            case "session":
                self.sessions += 1
                self._home = line["home"]
                self.homes.add(self.seconds, 0.0)
            case "home":
                drift = line["home"] - self._home
                self.drift.add(drift)
                self.drift_line.add(self.seconds, drift)
                self.homes.add(self.seconds, drift)
            case "slip":
                self.slip.append(line["deg"])
                self.slip_u = max(self.slip_u, line["u"])
            case "trouble":
                self.troubles += 1
                self.last_trouble = line["text"]
            case "silent":
                self.silent += 1
            case _:
                self._move(line)
        self.lost += line.get("lost", 0)
        self.heard += line.get("heard", 0)

    def _move(self, line: dict[str, Any]) -> None:
        number = line["move"]
        self.moves = number + 1
        self.seconds += line["s"]
        self.way_deg += abs(self.course.deg(self.course.move(number)[0]) - self.course.deg(self.course.start(number)))
        if line["off"] is not None:
            self.rest.add(line["off"])
            self.rests.add(self.seconds, line["off"])
        if line["following"] is not None:
            self.following.add(line["following"])
        if line["winding"] is not None:
            self.winding.add(line["winding"])
            self.case.add(line["case"])
            self.supply.add(line["supply"])
            self.heat.add(self.seconds, line["winding"], line["case"])


class Journal:
    """Lines of JSON in a file, each on the disk before the next thing happens. Without a path it keeps nothing."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._stream = None if path is None else path.open("a", encoding="utf-8")

    def write(self, line: dict[str, Any]) -> None:
        """Append one line. Raises UsageProblem when the disk does not take it."""
        if self._stream is None:
            return
        try:
            self._stream.write(json.dumps(line, allow_nan=False) + "\n")
            self._stream.flush()
            os.fsync(self._stream.fileno())
        except OSError as error:
            raise UsageProblem(
                f"{self.path} cannot be written ({error.strerror}); make room, or choose another --out."
            ) from None

    def close(self) -> None:
        """No more lines."""
        if self._stream is not None:
            self._stream.close()


def read_journal(path: Path) -> Iterator[dict[str, Any]]:
    """Whole lines of a journal, one by one; half a last line, as a power cut leaves it, is passed over.

    Raises UsageProblem for anything else that is not a journal.
    """
    with path.open("rb") as stream:
        for number, text in enumerate(stream, 1):
            if not text.endswith(b"\n"):
                return
            try:
                line = json.loads(text)
                if not isinstance(line["what"], str):
                    raise TypeError
            except (ValueError, KeyError, TypeError):
                raise UsageProblem(
                    f"{path}, line {number}: this is no journal of a soak; choose another folder with --out."
                ) from None
            yield line


def cut_half_line(path: Path) -> None:
    """Take off what stands behind the last line end, so that the next line begins on its own."""
    with path.open("rb+") as stream:
        end = stream.seek(0, os.SEEK_END)
        while end:
            begin = max(0, end - 4096)
            stream.seek(begin)
            found = stream.read(end - begin).rfind(b"\n")
            if found >= 0:
                stream.truncate(begin + found + 1)
                return
            end = begin
        stream.truncate(0)


def journal_path(folder: Path, node: int, axis: int) -> Path:
    """Where the journal of an axis is in a run folder."""
    return folder / f"{node}.{axis}-soak-journal.jsonl"


class Begun(NamedTuple):
    """A soak that may begin or go on."""

    totals: Totals
    path: Path | None
    """of the journal; None keeps none"""
    plan: Plan
    """how far it goes: when it goes on, as far as it was told at first"""


def begin(plan: Plan, course: Course) -> Begun:
    """A new soak, or the one whose journal is in the plan's folder. Raises UsageProblem."""
    if plan.folder is None:
        if plan.resume:
            raise UsageProblem("a soak goes on from the journal in its folder; name that with --out.")
        return Begun(Totals(course), None, plan)
    path = journal_path(plan.folder, course.node, course.axis)
    plan.folder.mkdir(parents=True, exist_ok=True)
    if path.exists():
        cut_half_line(path)
    if not path.exists() or not path.stat().st_size:
        _start(path, course, plan)
        return Begun(Totals(course), path, plan)
    if not plan.resume:
        raise UsageProblem(f"{path} holds an earlier soak; add --resume to go on with it, or choose another --out.")
    lines = read_journal(path)
    try:
        head = next(lines)
        known = Course(**head["course"])
        plan = replace(plan, seed=known.seed, **head["plan"])
        totals = Totals(known)
        for line in lines:
            totals.add(line)
    except (KeyError, TypeError, StopIteration):
        raise UsageProblem(f"{path} is no journal of a soak; choose another folder with --out.") from None
    return Begun(totals, path, plan)


def _start(path: Path, course: Course, plan: Plan) -> None:
    journal = Journal(path)
    told = {name: getattr(plan, name) for name in ("soak_s", "soak_moves", "soak_stops")}
    journal.write({"what": "soak", "course": course._asdict(), "plan": told})
    journal.close()
