"""What commands print fits the place it goes to: pipes, NO_COLOR, dumb terminals, narrow and wide screens.

NO_COLOR is the convention of no-color.org; a screen's width comes from COLUMNS (POSIX, Environment Variables).
"""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from help_tools import leaves

from ringlet.tools import show
from ringlet.tools.cli import main

ESCAPE = "\x1b"
COLOUR = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-9]|4[0-8]|9[0-7]|10[0-7])(?:;\d+)*m")
"""Select Graphic Rendition with a colour (ECMA-48, 8.3.117)."""
TABLES = [
    "rigs", "cards", "cards medium", "schema", "schema kinds", "schema move", "bus pair --clock 80MHz",
    "budget --lens focus-long --motor medium", "marks show focus-long", "marks convert focus-long 2.5m inf",
    "pair curve iris iris-right", "pair limits --clearance mirror-demo --toe-in 0,2", "plant small iris",
    "status --link sim:pair", "status --link sim:eight", "discover --link sim:pair", "identify --link sim:pair",
    "get --link sim:single", "rig check trio --link sim:pair", "doctor", "conform --list",
    "conform --gentle --only TAG-0* --link sim:single", "decode --can 0C400810#00D4300000000000",
    "setup save one --folder kept --replace --link sim:pair", "setup list --folder kept",
    "setup show one --folder kept", "stop --link sim:single", "own --link sim:single",
    "sweep small iris motor.gear_teeth=30,40 --move legs=1",
]  # fmt: skip
"""A command for each kind of output, quick ones."""
RULE = "─" * 3
BY_DESIGN = re.compile(r"^status ")
"""Leaves columns out on narrow screens, and says so in its documentation."""


class Terminal(io.StringIO):
    """Where a person looks."""

    def isatty(self) -> bool:
        return True


class Shown(NamedTuple):
    out: str
    err: str


Run = Callable[..., Shown]


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    monkeypatch.chdir(tmp_path)
    for name in ("NO_COLOR", "FORCE_COLOR", "RINGLET_LINK", "RINGLET_SOURCE", "LINES"):
        monkeypatch.delenv(name, raising=False)

    def run(line: str, *, terminal: bool = True, columns: int = 120, term: str = "xterm-256color", **env: str) -> Shown:
        with monkeypatch.context() as patch:
            out, err = ((Terminal if terminal else io.StringIO)() for _ in range(2))
            patch.setattr("sys.stdout", out)
            patch.setattr("sys.stderr", err)
            for name, value in {"COLUMNS": str(columns), "TERM": term, **env}.items():
                patch.setenv(name, value)
            code = main(line.split())
        assert code in (0, 1), err.getvalue()
        return Shown(out.getvalue(), err.getvalue())

    return run


@pytest.fixture
def made(shown: Run, tmp_path: Path) -> Run:
    """With a set-up to show."""
    shown("setup save one --folder kept --link sim:single", terminal=False)
    return shown


@pytest.mark.parametrize("line", TABLES)
def test_no_escapes_where_nobody_or_a_plain_screen_reads(made: Run, line: str) -> None:
    for told in (
        made(line, terminal=False),
        made(line, term="dumb"),
    ):
        assert ESCAPE not in told.out
        assert ESCAPE not in told.err
        assert told.out.strip()
    assert ESCAPE not in made(line, NO_COLOR="1").out


def test_looking_on_in_a_pipe_or_on_a_dumb_terminal_draws_nothing_over(shown: Run) -> None:
    """A live table is moved about by escapes; elsewhere it must not be."""
    line = "watch --seconds 0.4 --link sim:single"
    for told in (shown(line, terminal=False), shown(line, term="dumb")):
        assert ESCAPE not in told.out
        assert "released" in told.out


COLOURED = ["status --link sim:pair", "doctor", "conform --gentle --only TAG-0* --link sim:single"]


@pytest.mark.parametrize("line", COLOURED)
def test_there_is_emphasis_where_a_person_reads_and_where_it_is_forced(shown: Run, line: str) -> None:
    assert ESCAPE in shown(line).out
    assert ESCAPE in shown(line, terminal=False, FORCE_COLOR="1").out
    assert ESCAPE not in shown(line, terminal=False, FORCE_COLOR="1", NO_COLOR="1").out


@pytest.mark.parametrize("line", TABLES)
def test_tables_lose_nothing_on_narrow_screens(made: Run, line: str) -> None:
    """Every letter and digit is still there, no mark says that something was cut off, and no short word is broken."""
    def letters(text: str) -> Counter[str]:
        return Counter(one for one in text if one.isalnum())

    wide = made(line, columns=200, NO_COLOR="1").out
    middle = made(line, columns=80, NO_COLOR="1").out
    narrow = made(line, columns=40, NO_COLOR="1").out
    assert "…" not in middle + narrow
    for told, columns in ((middle, 80), (narrow, 40)):
        if RULE in told:
            rows = told.split(RULE)[-1].splitlines()[1:]
            for row in rows[: next((n for n, one in enumerate(rows) if not one.strip()), 0)]:
                assert len(row) <= columns
    if BY_DESIGN.match(line):
        return
    assert letters(middle) == letters(wide)
    below = wide.partition(RULE)[2]  # the headings above are said otherwise
    assert not {word for word in below.split() if len(word) <= 12 and RULE not in word} - set(narrow.split())


def test_axes_on_a_very_narrow_screen_are_told_whole(shown: Run) -> None:
    text = " ".join(shown("status --link sim:pair", columns=40, NO_COLOR="1").out.split())
    for place in ("16.0 focus", "17.1 iris"):
        assert place in text
    for what in ("released", "0.00 deg", "travel unknown", "load 0 %"):
        assert text.count(what) == 4, what


def test_a_fault_is_said_by_shape_and_word_too() -> None:
    view = show.AxisView(16, 0, "focus", "faulted", 1.0, 1.0, 0.0, 0.5, 0, ("clamped",), ("stall",), 0.1, 3, 12.0, 20.0,
                         20.0)  # fmt: skip
    for width in (40, 200):
        grid = show.axes([view], width=width)
        cells = " ".join(str(cell) for column in grid.columns for cell in column.cells)
        assert f"{show.BAD} stall, clamped" in cells


@pytest.mark.parametrize("name", ["", *(one.name for one in leaves())])
def test_help_has_no_escapes_in_a_pipe_and_no_colours_with_no_color(shown: Run, name: str) -> None:
    assert ESCAPE not in shown(f"{name} --help", terminal=False).out
    assert not COLOUR.search(shown(f"{name} --help", NO_COLOR="1").out)
