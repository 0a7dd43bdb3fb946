"""Interrupted bench runs: what was finished is there, whole, and the run goes on where it stopped."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from bench_rigs import rig_file

from ringlet.tools.bench import cli as bench_cli
from ringlet.tools.bench import registry, run_folder
from ringlet.tools.bench.result import Measurement, Verdict
from ringlet.tools.bench.run_folder import load
from ringlet.tools.bench.session import Bench
from ringlet.tools.cli import main
from ringlet.tools.errors import NoAnswer, UsageProblem
from ringlet.tools.files import write_whole

NAMES = ("ramp", "limit", "latency")
PROGRAM = """
import sys
sys.path.insert(0, sys.argv.pop(1))
from bench_rigs import keep_only
keep_only(sys.argv.pop(1).split(","))
from ringlet.tools.cli import main
raise SystemExit(main(sys.argv[1:]))
"""


def start(rig: Path, out: Path) -> subprocess.Popen[str]:
    """`bench all` with few measurements in a process of its own."""
    command = ["bench", "all", "--link", f"sim:{rig}", "--find", "--yes", "--out", str(out)]
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(Path(__file__).parent), ",".join(NAMES), *command],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def wait_for_first(out: Path, process: subprocess.Popen[str]) -> None:
    """Until the first measurement is in the folder, and the next one is under way."""
    end = time.monotonic() + 120.0
    while time.monotonic() < end and process.poll() is None:
        if (out / "bench.json").exists() and any(axis.results for axis in load(out).axes):
            return
        time.sleep(0.005)
    raise AssertionError("no measurement was finished")


def few(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    monkeypatch.setattr(registry, "MEASUREMENTS", {name: registry.MEASUREMENTS[name] for name in names})


def test_a_killed_run_keeps_what_was_finished_and_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    with start(rig_file(tmp_path), out) as process:
        wait_for_first(out, process)
        process.kill()
        process.wait(30)
    assert process.returncode == -signal.SIGKILL
    before = load(out)
    kept = dict(before.axes[0].results)
    assert 0 < len(kept) < len(NAMES)
    assert before.ended is None
    for one in kept.values():
        assert all(len((out / record.file).read_bytes().splitlines()) == record.rows + 1 for record in one.records)
    (out / "16.0-ramp-long.csv.part").write_text("half a li")  # as a kill in the middle of writing leaves it
    few(monkeypatch, *NAMES)
    assert main(["report", "show", str(out)]) == 0
    assert "Not finished" in (out / "bench.html").read_text()
    assert main(["bench", "all", "--resume", str(out), "--yes"]) == 0
    after = load(out)
    assert list(after.axes[0].results) == list(NAMES)
    assert {name: after.axes[0].results[name] for name in kept} == kept
    assert after.began == before.began
    assert after.ended is not None
    assert after.command == before.command
    assert not list(out.glob("*.part"))
    assert "Pass: all" in (out / "bench.html").read_text()


def test_ctrl_c_writes_the_page_and_says_how_to_go_on(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with start(rig_file(tmp_path), out) as process:
        wait_for_first(out, process)
        process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=60)
    assert process.returncode == 130
    assert f"ringlet bench all --resume {out}" in told
    assert "is back as it was" in told
    assert "Traceback" not in told
    assert "not done" in (out / "bench.html").read_text()


# --- runs of made-up measurements: what the folder does, without motion ----------------------------------------------


def check(name: str, ok: bool = True) -> Measurement:
    return Measurement(name, name.title(), (), (Verdict("made up", ok, None, None, "", "so it is"),))


def table(lost: str = "") -> dict[str, registry.Procedure]:
    """Two measurements that always pass; in the one named by `lost` the link is lost."""

    def of(name: str) -> Callable[[Bench], Measurement]:
        def measure(bench: Bench) -> Measurement:
            if name == lost:
                raise NoAnswer("node 16 does not answer any more.")
            return check(name)

        return measure

    return {name: registry.MEASUREMENTS[name]._replace(measure=of(name)) for name in ("ramp", "step")}


@pytest.fixture(scope="module")
def lost(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a run whose link was lost in its second measurement of two."""
    folder = tmp_path_factory.mktemp("lost")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(registry, "MEASUREMENTS", table("step"))
        rig = rig_file(folder / "rig")
        command = ["bench", "all", "--link", f"sim:{rig}", "--find", "--yes", "--out", str(folder / "out")]
        assert main(command) == 3
    return folder / "out"


@pytest.fixture
def broken(lost: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it, and the link is back."""
    monkeypatch.setattr(registry, "MEASUREMENTS", table())
    return Path(shutil.copytree(lost, tmp_path / "out"))


def test_a_lost_link_keeps_what_was_finished(broken: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert list(load(broken).axes[0].results) == ["ramp"]
    assert main(["bench", "all", "--resume", str(broken), "--json"]) == 0
    said = capsys.readouterr()
    assert [one["id"] for one in json.loads(said.out)["16.0"]] == ["ramp", "step"]
    assert "Step and following (2 of 2)" in said.err
    assert main(["bench", "all", "--resume", str(broken)]) == 0  # a finished run has nothing left to do
    assert "(2 of 2)" not in capsys.readouterr().err


def change(folder: Path, where: tuple[str | int, ...], value: Any) -> None:
    data = json.loads((folder / "bench.json").read_text())
    part = data
    for key in where[:-1]:
        part = part[key]
    assert part[where[-1]] != value
    part[where[-1]] = value
    (folder / "bench.json").write_text(json.dumps(data))


@pytest.mark.parametrize(("where", "value", "sentence"), [
    (("nodes", 0, "firmware"), 2, "firmware of node 16 is 1, and was 2 when the run began"),
    (("nodes", 0, "id"), "0000000000AA", "the unique id of node 16 is 000000000007, and was 0000000000AA"),
    (("nodes", 0, "node"), 20, "node 20 of the run is not on this link"),
    (("nodes", 0, "parameters", "shared-line"), "on", "`ringlet set shared-line=on --node 16`"),
    (("axes", 0, "parameters", "velocity-limit"), "100 deg/s", "of axis 0 of node 16 is 240 deg/s, and was 100"),
    (("axes", 0, "axis"), 1, "axis 1 of node 16 is not there"),
])  # fmt: skip
def test_a_run_does_not_go_on_with_something_else(
    broken: Path, where: tuple[str | int, ...], value: Any, sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    change(broken, where, value)
    before = (broken / "bench.json").read_bytes()
    capsys.readouterr()
    assert main(["bench", "all", "--resume", str(broken)]) == 2
    said = capsys.readouterr().err
    assert "the run cannot go on" in said
    assert sentence in said
    assert said.count("\n") == 1
    assert (broken / "bench.json").read_bytes() == before


def test_all_settings_that_differ_are_told_at_once_with_one_command(
    broken: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A kill during a recording leaves telemetry on: nobody should have to find that out setting by setting."""
    change(broken, ("axes", 0, "parameters", "telemetry-rate"), "7 Hz")
    change(broken, ("axes", 0, "parameters", "telemetry-select"), "3")
    capsys.readouterr()
    assert main(["bench", "all", "--resume", str(broken)]) == 2
    said = capsys.readouterr().err
    assert "telemetry-rate of axis 0 of node 16 is 0 Hz, and was 7 Hz" in said
    assert "`ringlet set telemetry-rate=7 telemetry-select=3 --node 16 --axis 0`" in said


def test_the_travel_may_differ_as_two_searches_do(broken: Path) -> None:
    run = load(broken)
    axis = run.axes[0]

    def differs(was: bool, now: bool, by: float) -> bool:
        one = axis.model_copy(update={"calibrated": was})
        moved = dict(axis.parameters) | {"travel-max": f"{by} deg"}
        other = axis.model_copy(update={"calibrated": now, "parameters": moved})
        before = run.model_copy(update={"axes": [one]})
        return run_folder.difference(before, run.nodes, [other]) is not None

    assert axis.parameters["travel-max"] == "0 deg"
    assert not differs(True, True, 0.29)
    assert differs(True, True, 0.31)
    assert not differs(False, True, 75.0)  # found since


@pytest.mark.parametrize("option", [
    ("--out", "elsewhere"), ("--node", "16"), ("--axis", "0"), ("--find",), ("--motor", "small"), ("--torque", "0.1"),
    ("--accept", "reversal_deg=1"), ("--no-stops",), ("--hours", "1"), ("--seed", "2"), ("--with", "17.0"),
])  # fmt: skip
def test_options_of_the_run_hold(
    broken: Path, option: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", "all", "--resume", str(broken), *option]) == 2
    assert f"{option[0]} does not go with --resume" in capsys.readouterr().err


def test_another_job_does_not_go_on_with_it(broken: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "ramp", "--resume", str(broken)]) == 2
    assert "holds a run of `ringlet bench all`" in capsys.readouterr().err
    assert main(["bench", "all", "--resume", str(broken.parent)]) == 2
    assert "holds no bench run" in capsys.readouterr().err


def test_the_order_of_a_run_comes_back_from_its_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(bench_cli, "run_bench", lambda order, *rest: asked.append(order))
    words = ["--find", "--torque", "0.05", "--accept", "reversal_deg=0.2", "--hours", "0.5", "--with", "17.1",
             "--marks", "focus-long", "--motor", "small"]  # fmt: skip
    assert main(["bench", "all", "--link", "sim:single", *words]) == 0
    from datetime import UTC, datetime

    from ringlet.tools.bench import carry_out
    from ringlet.tools.link import Link

    with Link.open("sim:single") as link:
        run = carry_out.begin(asked[0], link, lambda: datetime.now(UTC))
    run_folder.Folder.new(tmp_path / "out", run)
    again = bench_cli.order_again("all", load(tmp_path / "out"), None, 1, False)
    assert again == asked[0]
    assert bench_cli.order_again("all", run, "can:socketcan:can1", 1, False).link == "can:socketcan:can1"


# --- files appear whole ----------------------------------------------------------------------------------------------


def test_a_file_is_whole_or_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bench.json"
    write_whole(path, b"old")

    def dies(_: int) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", dies)
        with pytest.raises(KeyboardInterrupt):
            write_whole(path, b"new and longer")
    assert path.read_bytes() == b"old"
    write_whole(path, b"new and longer")
    assert path.read_bytes() == b"new and longer"
    assert [one.name for one in tmp_path.iterdir()] == ["bench.json"]


def test_a_record_is_named_only_when_it_is_there(broken: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import numpy as np

    folder = run_folder.Folder.old(broken)
    order: list[str] = []
    real = write_whole

    def noted(path: Path, content: bytes) -> None:
        order.append(path.name)
        real(path, content)

    monkeypatch.setattr(run_folder, "write_whole", noted)
    columns = {"time_s": np.array([0.0, 1.0]), "position_deg": np.array([2.0, float("nan")])}
    measured = Measurement("step", "Step", (), (), {"A b": columns, "a.b": columns, "A  b": columns})
    folder.add(folder.run.axes[0], measured, folder.run.began)
    assert order == ["16.0-step-a-b.csv", "16.0-step-a.b.csv", "16.0-step-a-b-2.csv", "bench.json"]
    assert (broken / order[0]).read_text().splitlines() == ["time_s,position_deg", "0,2", "1,nan"]


def test_a_file_in_place_of_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageProblem, match="is a file"):
        run_folder.check_free(tmp_path / "file")
    shutil.rmtree(tmp_path, ignore_errors=True)
    run_folder.check_free(tmp_path / "not there yet")
