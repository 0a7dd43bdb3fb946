"""The demo of a matched pair does every step that it promises, and leaves what it says."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from answer_check import valid

from ringlet.tools.cli import main


def test_demo_rig(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("mcap")
    pytest.importorskip("pyarrow")
    assert main(["demo", "rig", "--out", str(tmp_path), "--json"]) == 0
    told = valid("demo", capsys.readouterr().out)
    assert told["invented"]
    assert told["passed"] == told["total"] == 11
    assert (tmp_path / "rig.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "replayed.mcap").stat().st_size > 10_000
    rows = list(csv.DictReader((tmp_path / "frames.csv").open(encoding="utf-8")))
    assert len(rows) in range(382, 386)
    # Where the automatic left focus at 6.9 s: on the subject, who stands at 1.2 m from 6 s on.
    assert float(rows[166]["focus_16_0_distance_m"]) == pytest.approx(1.2, rel=0.02)
    assert float(rows[166]["focus_17_0_distance_m"]) == pytest.approx(1.2, rel=0.02)


def test_there_is_no_third_story(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "boat"]) == 2
    assert "choose motor or rig" in capsys.readouterr().err
