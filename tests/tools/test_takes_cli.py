"""`ringlet record`, `take` and `replay` as a person or a machine calls them; and over real wires."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from takes_helpers import ready, write_take

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.tools import extras
from ringlet.tools.cli import main
from ringlet.tools.link import Link
from ringlet.tools.takes.reader import open_take
from ringlet.tools.takes.recorder import Recorder
from ringlet.tools.takes.recover import recover
from ringlet.tools.takes.replay import make_plan, read_mapping, replay

Out = pytest.CaptureFixture[str]
Served = Callable[..., AbstractContextManager[Any]]


@pytest.fixture
def run(capsys: Out, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., tuple[str, str]]:
    """Run one command in an empty folder; check its exit code; what it said."""
    monkeypatch.delenv("RINGLET_LINK", raising=False)
    monkeypatch.chdir(tmp_path)

    def go(*words: str, code: int = 0) -> tuple[str, str]:
        got = main(list(words))
        out, err = capsys.readouterr()
        assert got == code, (words, got, err)
        if code:
            assert err.splitlines()[-1].startswith("ringlet: ")
            assert "Traceback" not in err
        return out, err

    return go


Run = Callable[..., tuple[str, str]]


def test_from_record_to_table(run: Run) -> None:
    out, err = run("record", "a.mcap", "--seconds", "1", "--link", "sim:trio", "--start", "10:00:00;00",
                   "--frame-rate", "29.97df", "--note", "a test")  # fmt: skip
    assert "3 axes, 10:00:00;00 to 10:00:00;29" in out
    assert "No sample was lost." in out
    assert "Ctrl-C ends it" in err
    out, _ = run("take", "show", "a.mcap")
    assert "a test" in out
    assert "Time addresses from 10:00:00;00 at 29.97df, 30 frames" in out
    about = json.loads(run("take", "show", "a.mcap", "--json")[0])
    assert [one["role"] for one in about["axes"]] == ["focus", "iris", "zoom"]
    assert about["timecode"][0]["at_s"] == 0.0
    out, _ = run("take", "export", "a.mcap", "--frame-rate", "29.97df", "--format", "csv")
    assert "29 frames at 29.97df" in out
    assert Path("a.csv").exists()
    assert not Path("a.parquet").exists()
    made = json.loads(run("take", "export", "a.mcap", "--frame-rate", "24", "--out", "b", "--json")[0])
    assert made["files"] == ["b.csv", "b.parquet", "b.json"]
    found = json.loads(run("take", "recover", "a.mcap", "--json")[0])
    assert found["was_whole"]
    assert found["out"] == "a-recovered.mcap"
    made = json.loads(run("record", "c.mcap", "--seconds", "0.5", "--link", "sim:single", "--json")[0])
    assert made["lost"] == {"16.0": 0}
    run("record", "d.mcap", "--seconds", "2", "--rate", "5", "--link", "sim:single")
    export = ("take", "export", "d.mcap", "--frame-rate", "24", "--format", "csv")
    assert "its samples are more than 0.1 s apart there; --gap bridges longer ones." in run(*export)[0]
    assert "is empty" not in run(*export, "--gap", "0.25", "--out", "e")[0]
    assert made["samples"] == {"16.0": 50}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("record", "x.mcap", "--link", "sim:trio"), "give --seconds"),
        (("record", "x.mcap", "--seconds", "1"), "no link is given"),
        (("record", "x.mcap", "--seconds", "1", "--start", "01:00:00:00"), "belong together"),
        (("record", "x.mcap", "--start", "00:01:00;00", "--frame-rate", "29.97df"), "does not exist"),
        (("record", "x.mcap", "--start", "00:01:00:00", "--frame-rate", "31"), "there is no frame rate '31'"),
        (("record", "no/where.mcap", "--link", "sim:trio", "--seconds", "1"), "cannot be written"),
        (("record", "good.mcap", "--link", "sim:trio", "--seconds", "1"), "is there already"),
        (("take", "show", "none.mcap"), "cannot be read"),
        (("take", "export", "good.mcap", "--frame-rate", "26"), "there is no frame rate '26'"),
        (("take", "export", "good.mcap", "--frame-rate", "24", "--format", "xml"), "choose csv, parquet or both"),
        (("take", "export", "good.mcap", "--frame-rate", "24", "--gap", "inf"), "not a finite number"),
        (("take", "export", "good.mcap", "--frame-rate", "29.97df", "--start", "00:01:00;01"), "does not exist"),
        (("take", "export", "cut.mcap", "--frame-rate", "24"), "was cut short"),
        (("take", "recover", "text.mcap"), "is no take"),
        (("replay", "cut.mcap", "--link", "sim:trio"), "was cut short"),
        (("replay", "text.mcap", "--link", "sim:trio"), "is no take"),
        (("replay", "good.mcap", "--link", "sim:trio", "--speed", "11"), "it must be 0.01 to 10 times"),
        (("replay", "good.mcap", "--link", "sim:pair"), "there is board 52494E470021"),
        (("replay", "good.mcap", "--link", "sim:trio"), "travel of axis 16.0 is not known"),
        (("replay", "good.mcap", "--link", "sim:trio", "--axes", "16.0=16.7"), "there is no axis 16.7"),
    ],
)  # fmt: skip
def test_bad_input_is_one_sentence(run: Run, words: tuple[str, ...], says: str) -> None:
    write_take(Path("good.mcap"), seconds=0.5)
    Path("cut.mcap").write_bytes(Path("good.mcap").read_bytes()[:-200])
    Path("text.mcap").write_text("frame,ring\n")
    before = sorted(Path().iterdir())
    _, err = run(*words, code=2)
    assert says in err.splitlines()[-1]
    assert sorted(Path().iterdir()) == before


def test_without_the_extra_it_says_which(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(module: str) -> Any:
        raise ImportError(module)

    monkeypatch.setattr(extras, "import_module", missing)
    for words in (("record", "x.mcap", "--link", "sim:trio", "--seconds", "1"), ("take", "show", __file__)):
        assert "pip install 'ringlet[take]'" in run(*words, code=2)[1]


def test_replay_over_a_can_bus(run: Run, served: Served, tmp_path: Path) -> None:
    """Over python-can and the wall clock: checked, too fast, then played; the machine's own delays included."""
    def swing(time_s: float) -> float:
        return 140.0 + 20.0 * min(time_s, 1.0) ** 2 * (3.0 - 2.0 * min(time_s, 1.0))

    write_take(Path("a.mcap"), swing, seconds=1.2)
    rig = SimRig(load_rig("trio"))
    with served(rig, "slcan") as at:
        with Link.open(at.url) as link:
            ready(link)
            link.axis(16, 0).set("velocity-limit", 20.0)
        out, err = run("replay", "a.mcap", "--link", at.url, code=1)
        assert "Too fast: axis 16.0 at 0." in out
        assert "nothing was moved" in err
        with Link.open(at.url) as link:
            link.axis(16, 0).set("velocity-limit", 240.0)
        checked = json.loads(run("replay", "a.mcap", "--link", at.url, "--check", "--json")[0])
        assert checked["fits"] is True
        found = json.loads(run("replay", "a.mcap", "--link", at.url, "--record", "r.mcap", "--json")[0])
        assert found["axes"]["16.0"]["setpoint_worst_deg"] < 3.0  # loose: how fast a busy machine is says nothing
        assert abs(rig.nodes[0].axes[0].position / 1000 - 160.0) < 0.1
    assert open_take(Path("r.mcap")).seconds > 1.1


def test_recording_over_wires_and_a_kill(served: Served, tmp_path: Path) -> None:
    """`ringlet record` in a process of its own on a serial port, killed: what it had written is a take."""
    path = tmp_path / "k.mcap"
    with served(SimRig(load_rig("trio")), "serial") as at:
        command = [sys.executable, "-m", "ringlet.tools.cli", "record", str(path), "--link", at.url]
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
            assert process.stderr is not None
            for line in process.stderr:
                if line.startswith("Recording."):
                    break
            with pytest.raises(subprocess.TimeoutExpired):
                process.wait(2.0)
            process.kill()
    found = recover(path, tmp_path / "w.mcap")
    assert found.seconds > 1.0 - 0.2
    assert min(found.samples.values()) > 30
    assert not found.was_whole


def test_ctrl_c_ends_a_take_properly(served: Served, tmp_path: Path) -> None:
    path = tmp_path / "c.mcap"
    with served(SimRig(load_rig("single")), "serial") as at:
        command = [sys.executable, "-m", "ringlet.tools.cli", "record", str(path), "--link", at.url, "--json"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            while not path.exists() or path.stat().st_size < 3000:
                with pytest.raises(subprocess.TimeoutExpired):
                    process.wait(0.05)
            os.kill(process.pid, signal.SIGINT)
            assert process.stdout is not None
            said = json.loads(process.stdout.read())
        assert process.returncode == 0
    assert open_take(path).samples == said["samples"]


def test_eight_motors_play_together(tmp_path: Path) -> None:
    """A take of both focus rings of a pair is played by the other pair of boards, named by --axes."""
    with Link.open("sim:pair") as link:
        both = ((16, 0), (17, 0))
        ready(link, both)
        handles = [link.axis(*place) for place in both]
        for handle in handles:
            handle.take()
        with Recorder(link, tmp_path / "p.mcap", list(both)) as recorder:
            recorder.run(0.2)
            for handle in handles:
                handle.move(170.0, speed=60.0, wait=False)
            recorder.run(1.5)
        for handle in handles:
            handle.yield_()
    take = open_take(tmp_path / "p.mcap")
    with Link.open("sim:eight") as link:
        ready(link, ((16, 0), (18, 0)))
        plan = make_plan(link, take, read_mapping("16.0=18.0,17.0=16.0", take), named=True)
        assert plan.too_fast == []
        reached = replay(link, plan)
        assert max(one.setpoint_worst_deg for one in reached.values()) < 0.6
        assert link.axis(18, 0).position() == pytest.approx(170.0, abs=0.1)
