"""The demo tells its whole story over both transports, and leaves what it promises."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from answer_check import valid

from ringlet.tools import demo
from ringlet.tools.errors import CheckFailed


def test_demo_runs_over_serial_and_can(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    demo.run_demo(tmp_path, as_json=True)
    told = valid("demo", capsys.readouterr().out)
    assert [act["url"].split(":")[0] for act in told["acts"]] == ["serial", "can"]
    for act in told["acts"]:
        whats = [step["what"] for step in act["steps"]]
        for what in ("found", "calibrated", "moved", "run ended at the limit", "stopped"):
            assert what in whats
        assert all(step["ok"] for step in act["steps"]), act["steps"]
    assert (tmp_path / "ramp.png").read_bytes().startswith(b"\x89PNG")
    rows = list(csv.DictReader((tmp_path / "ramp.csv").open()))
    assert abs(float(rows[-1]["position_deg"]) - demo.RAMP_TO) < 0.2
    page = (tmp_path / "demo.html").read_text()
    assert "15 of 15 steps" in page
    assert "http" not in page.replace("http-equiv", "")  # needs no network


def test_a_failed_step_fails_the_demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "WAYS", demo.WAYS[:1])
    monkeypatch.setattr(demo, "TARGETS", (60.0, 30.0, 500.0))  # past the zoom's travel
    with pytest.raises(CheckFailed):
        demo.run_demo(tmp_path, as_json=True)
    steps = json.loads((tmp_path / "demo.json").read_text())["acts"][0]["steps"]
    assert [step["what"] for step in steps if not step["ok"]] == ["moved"]


def test_without_pseudo_terminals_it_runs_over_tcp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a system that has none; `test_platforms` holds that this way is then chosen."""
    monkeypatch.setattr(demo, "WAYS", (("over serial frames on TCP", "--tcp"),))
    demo.run_demo(tmp_path, as_json=True)
    told = json.loads((tmp_path / "demo.json").read_text())
    assert (told["passed"], told["total"]) == (8, 8)
    assert told["acts"][0]["url"].startswith("serial:socket://127.0.0.1:")
    assert "stopped\nover serial frames on TCP." in (tmp_path / "demo.html").read_text()
