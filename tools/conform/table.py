"""The table of checks: what rule each enforces, where it stands in the reference, what it moves, and what does it."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from fnmatch import fnmatchcase
from typing import Final, NamedTuple

from ringlet.tools.conform.probe import Probe
from ringlet.tools.errors import UsageProblem


class Level(IntEnum):
    """What a check moves, and how far. `--gentle` takes the first only."""

    NOTHING = 0
    SPAN = 1
    STOPS = 2


MOVES: Final = {
    Level.NOTHING: "nothing; the drive stays off",
    Level.SPAN: "the ring, inside the span around its present place",
    Level.STOPS: "the ring over its whole travel and against both end stops, slowly and with little torque",
}


class Check(NamedTuple):
    """One row. `place` is the anchor of a heading of the reference."""

    id: str
    place: str
    rule: str
    likely: str
    """the likely cause when it fails, one sentence"""
    level: Level
    severity: str
    """must or should"""
    needs: frozenset[str]
    """serial, can, wired, speaks, power, store, axes, sim: see `run`"""
    run: Callable[[Probe], None]
    also: str = ""
    """what it moves beside that"""

    @property
    def moves(self) -> str:
        """What it moves, and how far."""
        return MOVES[self.level] + (f"; also {self.also}" if self.also else "")


CHECKS: Final[dict[str, Check]] = {}

Function = Callable[[Probe], None]


def check(
    id: str, place: str, rule: str, likely: str, *, level: Level = Level.NOTHING, severity: str = "must",
    needs: str = "", also: str = "",
) -> Callable[[Function], Function]:  # fmt: skip
    """Enter a function into the table of checks. Raises ValueError for an identifier that is there already."""

    def enter(run: Function) -> Function:
        if id in CHECKS:
            raise ValueError(f"check {id} is there already")
        CHECKS[id] = Check(id, place, rule, likely, level, severity, frozenset(needs.split()), run, also)
        return run

    return enter


def load() -> dict[str, Check]:
    """The whole table, in the order in which checks run: those that move nothing first."""
    from ringlet.tools.conform import (  # noqa: F401  (each fills the table)
        check_address,
        check_framing,
        check_kinds,
        check_limits,
        check_motion,
        check_owner,
        check_params,
        check_power,
        check_states,
        check_stops,
        check_tags,
        check_telemetry,
        check_uploads,
    )

    return dict(sorted(CHECKS.items(), key=lambda row: (row[1].level, "power" in row[1].needs)))


def chosen(only: list[str], *, gentle: bool = False) -> list[Check]:
    """Checks whose identifier matches one of the patterns (all without any). Raises UsageProblem for a useless one."""
    rows = load()
    patterns = [pattern.upper() for pattern in only]
    for pattern in patterns:
        if not any(fnmatchcase(name, pattern) for name in rows):
            raise UsageProblem(f"no check is called {pattern}; `ringlet conform --list` shows them.")
    picked = [
        row for name, row in rows.items() if not patterns or any(fnmatchcase(name, pattern) for pattern in patterns)
    ]
    return [row for row in picked if not gentle or row.level is Level.NOTHING]
