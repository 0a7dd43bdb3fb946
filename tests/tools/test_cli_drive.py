"""`ringlet drive`: what it needs, what it says, what it draws, and how it ends."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.header import KIND_MASK, KIND_SHIFT
from ringlet.protocol.wire import KINDS
from ringlet.tools import cli_drive
from ringlet.tools.cli import main
from ringlet.tools.link import Link
from ringlet.tools.rig.session import WORDS, Session, Word

Serving = Callable[..., AbstractContextManager[Any]]
LINK = ["--link", "sim:pair"]


def ask(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["drive", *words])
    told = capsys.readouterr()
    return code, told.out, told.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "nothing drives; add --control"),
        (["--range", "any", "--readings", "x"], "leave --range or --readings out"),
        (["--range", "16"], "write any, or an address of 1 to 15"),
        (["--control", "9"], "has no control 9; it has: 2 (focus knob), 3 (iris knob)"),
        (["--control", "2", "--source", "2"], "give this program another with --source"),
        (["--control", "2", "--control", "2"], "one control for each axis"),
        (["--range", "any", "--at", "7"], "write seconds and a word"),
        (["--range", "any", "--at", "7=faster"], "the words are auto, hand"),
        (["--range", "any", "--at", "7=hand:16"], "write an axis as NODE.AXIS"),
        (["--range", "any", "--window", "0"], "--window is 0 deg"),
        (["--range", "any", "--plot", "a.txt"], "no name for a picture"),
        (["--readings", "no-such-file"], "the readings cannot be read"),
        (["--range", "any", "--focus", "19.0"], "axis 19.0 is not on the bus"),
        (["--range", "any"], "on the bus are: 16.0, 17.0; choose with --focus"),
        (["--range", "any", "--focus", "16.1"], "has stop marks, and readings are distances"),
        (["--range", "any", "--focus", "16.0", "--marks", "a", "--marks", "b"], "given twice for the focus ring"),
        (["--control", "2", "--range", "any"], "the travel of axis 16.0 is not known; add --find"),
        (["--control", "2", "--at", "1=yield:99.9"], "--at names axis 99.9, and what is driven here is: 16.0"),
        (["--control", "2", "--pair", "--at", "1=yield:17.0"], "--at names axis 17.0, and what is driven here is"),
        (["--control", "2", "--at", "9=hand"], "--at asks for hand at 9 s, and the run ends after 1 s"),
        (["--range", "any", "--focus", "16.0", "--marks", "17.0=iris"], "for axis 17.0, and marks are needed for: 16"),
        (["--control", "2", "--marks", "16.0=focus-long"], "given for axis 16.0, and marks are needed for: none"),
        (["--range", "any", "--focus", "16.1", "--marks", "focus-long"], "turns the iris ring, and these are distance"),
        (["--control", "2", "--plot", "no-such-folder/a.png"], "there is no folder no-such-folder"),
    ],
)
def test_what_cannot_be_is_one_sentence_and_nothing_moves(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = ask(capsys, *words, "--seconds", "1", *LINK)
    assert code == 2
    assert said in err.splitlines()[-1]
    assert "coupled" not in out


def test_a_simulated_link_needs_a_length(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = ask(capsys, "--range", "any", *LINK)
    assert (code, "give --seconds" in err) == (2, True)


def test_a_real_link_needs_the_rig_file_for_its_controls(
    served: Serving, capsys: pytest.CaptureFixture[str]
) -> None:
    with served(SimRig(load_rig("single")), "tcp") as there:
        code, _, err = ask(capsys, "--control", "2", "--seconds", "1", "--link", there.url)
    assert (code, "name it with --rig" in err) == (2, True)


def test_two_controls_and_readings_drive_both_lenses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--range", "5", "--control", "2", "--control", "3", "--pair", "--find", "--at", "5=hand:16.0",
             "--at", "5.5=blend", "--seconds", "8", "--plot", str(tmp_path / "drive.png"), "--json"]  # fmt: skip
    code, out, err = ask(capsys, *words, *LINK)
    assert code == 0
    assert "gears pinch fingers" in err
    lines = [json.loads(line) for line in out.splitlines()]
    looks = [one for one in lines if "axes" in one]
    assert len(looks) == pytest.approx(80, abs=8)
    assert [one["axis"] for one in looks[0]["axes"]] == ["16.0", "16.1"]
    assert [one["partner"] for one in looks[0]["axes"]] == ["17.0", "17.1"]
    early, last = looks[20], looks[-1]
    assert early["axes"][0]["phase"] == "auto"
    assert early["range"]["state"] == "good"
    assert early["range"]["focus_m"] == pytest.approx(5.0, rel=0.2)
    assert last["axes"][0]["phase"] in ("blending", "coupled")
    assert {one["axes"][1]["phase"] for one in looks} >= {"away", "blending", "coupled"}
    assert any(one.get("event", "").startswith("away") and one["axis"] == "16.0" for one in lines)
    assert lines[-1]["readings"]["used"] > 300
    assert lines[-1]["plot"]
    assert (tmp_path / "drive.png").read_bytes().startswith(b"\x89PNG")


def test_readings_from_a_file_with_one_line_a_second_for_people(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "readings.txt"
    path.write_text("".join(f"{0.05 * n:.2f} {2.0 if n < 40 else 1.0} 200\n" for n in range(60)), encoding="utf-8")
    words = ["--readings", str(path), "--find", "--seconds", "4", "--link", "sim:single"]
    code, out, _ = ask(capsys, *words)
    assert code == 0
    assert "readings.txt: 2.000 m q200" in out
    assert "(2.0" in out  # the ring, by its marks
    assert "no range readings: focus holds" in out
    assert out.count("readings.txt has no more readings") == 1
    assert "Readings: 60 used, 3 outliers, 0 not usable." in out or "Readings: 58 used" in out


def test_the_end_brings_the_setpoint_to_rest_on_its_way(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[float] = []
    real = SimRig.send

    def send(self: SimRig, ident: int, data: bytes, who: Any = None) -> None:
        if ident >> KIND_SHIFT & KIND_MASK == KINDS.by_class[m.StreamRing].code:
            sent.append(int.from_bytes(data[1:5], "little", signed=True) / 1000)
        real(self, ident, data, who)

    monkeypatch.setattr(SimRig, "send", send)
    path = tmp_path / "readings.txt"
    path.write_text("".join(f"{0.02 * n:.2f} {5.0 if n < 50 else 0.6} 200\n" for n in range(100)), encoding="utf-8")
    words = ["--readings", str(path), "--find", "--at", "1.4=end", "--seconds", "4", "--json", "--link", "sim:single"]
    code, out, _ = ask(capsys, *words)
    assert code == 0
    steps = [abs(b - a) for a, b in pairwise(sent)]
    assert max(steps[-40:]) > 2.0  # it was on its way, fast
    assert steps[-1] < 0.5  # the last of the braking
    assert json.loads(out.splitlines()[-1])["ended_s"] < 2.0


def test_a_run_in_which_nothing_was_driven_has_no_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Link.open("sim:single") as link:
        cli_drive._end(Session(link, []), None, tmp_path / "a.png", True)
    told = capsys.readouterr()
    assert json.loads(told.out)["plot"] is None
    assert "there is no picture" in told.err
    assert list(tmp_path.iterdir()) == []


def test_readings_that_end_are_said(
    served: Serving, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("0.0 3 200\n"))
    with served(SimRig(load_rig("single")), "tcp") as there:
        with Link.open(there.url) as link:  # told where it stands, which is quicker than finding its stops
            handle = link.axis(16, 0)
            handle.take()
            handle.set("travel-max", 300.0)
            link.request(m.SetReference(0, 150_000), node=16, axis=0)
            handle.yield_()
        words = ["--readings", "-", "--marks", "focus-long", "--seconds", "1", "--link", there.url]
        code, out, _ = ask(capsys, *words)
    assert code == 0
    assert out.count("standard input has no more readings") == 1


def test_ctrl_c_ramps_down_gives_up_and_is_no_error(served: Serving, tmp_path: Path) -> None:
    """In a process of its own, with readings through a pipe, against a rig on the wall clock."""
    rig = SimRig(load_rig("single"))
    axis = rig.nodes[0].axes[0]
    with served(rig, "tcp") as there:
        command = [sys.executable, "-m", "ringlet.tools.cli", "drive", "--readings", "-", "--marks", "focus-long",
                   "--find", "--json", "--link", there.url]  # fmt: skip
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                              env=os.environ | {"PYTHONUNBUFFERED": "1"}) as run:  # fmt: skip
            assert run.stdin is not None
            assert run.stdout is not None
            for line in run.stdout:
                if "axes" in line:
                    break
            begin = time.monotonic()
            for number in range(40):
                run.stdin.write(f"{time.monotonic() - begin:.3f} {2.0 + 0.02 * number} 200\n")
                run.stdin.flush()
                time.sleep(0.02)
            assert axis.owner == 1
            run.send_signal(signal.SIGINT)
            out, err = run.communicate(timeout=60)
    assert run.returncode == 0, err
    assert json.loads(out.splitlines()[-1])["readings"]["used"] > 20
    assert axis.owner == 0


def test_every_word_has_a_key_and_is_explained() -> None:
    assert set(cli_drive.KEYS.values()) == set(Word) == set(WORDS)
    doc = cli_drive.drive.__doc__ or ""
    assert all(str(word) in doc for word in Word)
