"""Marks that were read from a motor: the file says just what the motor holds, and the motor is known by it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from ringlet.tools.cli import main
from ringlet.tools.lens import marksfile
from ringlet.tools.lens.curve import PAST
from ringlet.tools.lens.wiretable import WireTable

Out = pytest.CaptureFixture[str]
FAR = "ring_deg,distance_m\n0,1\n10,10\n20,1234.567\n30,inf\n"
"""Invented; six digits do not hold its far end."""


@pytest.mark.parametrize("suffix", [".csv", ".toml"])
def test_a_table_that_was_read_out_is_the_one_that_is_held(tmp_path: Path, capsys: Out, suffix: str) -> None:
    card, held, link = tmp_path / "far.csv", tmp_path / f"held{suffix}", f"sim:single?store={tmp_path}"
    card.write_text(FAR)
    assert main(["marks", "upload", str(card), "--save", "--marks", "20", "--link", link]) == 0
    assert main(["marks", "read", "--out", str(held), "--link", link]) == 0
    assert any(1000 < value < 2000 for _, value in marksfile.load(str(held)).marks)
    for wanted, code in ((held, 0), (card, 1)):  # the card would make a table of 64
        assert main(["marks", "check", str(wanted), "--link", link]) == code
    held.write_text(held.read_text().replace("1234.567", "1234.568"))
    capsys.readouterr()
    assert main(["marks", "check", str(held), "--link", link]) == 1
    assert "does not hold these marks" in capsys.readouterr().err


def test_a_table_of_just_these_marks() -> None:
    marks = [(30.0, math.inf), (0.0005, 1.2344), (36.0, PAST)]
    assert WireTable.just("distance", marks).points == [(0.0, 1.234), (30.0, math.inf)]
