"""The command line as a program: light to start, one sentence for each error, the right exit code, no traceback."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ringlet.tools.cli import BUG, COMMANDS, MOVING, main

Out = pytest.CaptureFixture[str]
RINGLET = [sys.executable, "-m", "ringlet.tools.cli"]
HEAVY = ("numpy", "matplotlib", "scipy", "can", "serial", "nicegui", "mcap", "pyarrow")
NAMES = [name for rows in COMMANDS.values() for name, _ in rows]


@pytest.fixture(autouse=True)
def _no_link(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RINGLET_LINK", raising=False)
    monkeypatch.delenv("RINGLET_SOURCE", raising=False)


@pytest.mark.parametrize(
    "words", [["--help"], ["move", "--help"], ["schema"], ["decode", "--can", "00050801#01"]], ids=" ".join
)
def test_heavy_libraries_stay_out(words: list[str]) -> None:
    """Newer typer loads pydantic itself to parse a command, so that only the bare help is asked to do without."""
    heavy = (*HEAVY, "pydantic", "construct") if words == ["--help"] else HEAVY
    code = (
        "import sys\nfrom ringlet.tools.cli import main\n"
        f"code = main({words!r})\nprint([m for m in {heavy!r} if m in sys.modules], code, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.splitlines()[-1] == "[] 0"


@pytest.mark.parametrize("name", NAMES)
def test_help_has_an_example(name: str, capsys: Out) -> None:
    assert main([name, "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"ringlet {name}" in text.split("Usage:")[1].split("Example")[1]
    assert ("gears pinch fingers" in text) == (name in MOVING)


def test_no_word_at_all_shows_the_commands(capsys: Out) -> None:
    assert main([]) == 0
    out = capsys.readouterr().out
    assert all(f" {name} " in out for name in NAMES)


ONE_SENTENCE = {
    "no link": (["status"], 2, "no link is given; add --link, for example --link sim:trio"),
    "unknown rig": (["status", "--link", "sim:quartet"], 2, "quartet"),
    "unknown port": (["status", "--link", "serial:/dev/ttyNOWHERE"], 3, "/dev/ttyNOWHERE"),
    "unknown scheme": (["status", "--link", "usb:1"], 2, "usb"),
    "no scheme": (["status", "--link", "trio"], 2, "trio"),
    "unknown CAN interface": (["status", "--link", "can:warp:can0"], 3, "warp"),
    "unknown CAN channel": (["status", "--link", "can:socketcan:nocan9"], 3, "nocan9"),
    "bad baud": (["status", "--link", "serial:/dev/null?baud=fast"], 2, "fast"),
    "source off range": (["status", "--source", "16", "--link", "sim:trio"], 2, "--source"),
    "node off range": (["status", "--node", "4", "--link", "sim:trio"], 2, "--node"),
    "axis no number": (["status", "--axis", "x", "--link", "sim:trio"], 2, "--axis"),
    "unknown parameter": (["get", "velocity", "--link", "sim:trio"], 2, "did you mean velocity-"),
    "far parameter": (["get", "xyzzy", "--link", "sim:trio"], 2, "`ringlet schema parameters` lists them"),
    "set no pair": (["set", "velocity-limit", "--link", "sim:trio"], 2, "write NAME=VALUE"),
    "set twice": (["set", "role=iris", "role=zoom", "--link", "sim:trio"], 2, "given twice"),
    "set text": (["set", "velocity-limit=fast", "--link", "sim:trio"], 2, "which is not a number"),
    "set nan": (["set", "velocity-limit=nan", "--link", "sim:trio"], 2, "not a finite number"),
    "set inf": (["set", "velocity-limit=-inf", "--link", "sim:trio"], 2, "not a finite number"),
    "set high": (["set", "velocity-limit=3601", "--link", "sim:trio"], 2, "must be 1.000 to 3600.000 deg/s"),
    "set off grid": (["set", "jerk-limit=100.5", "--link", "sim:trio"], 2, "steps are 1 deg/s3"),
    "set name": (["set", "role=gaffer", "--link", "sim:trio"], 2, "choose one of: free, focus, iris"),
    "move nan": (["move", "nan", "--link", "sim:trio"], 2, "not a finite number"),
    "move text": (["move", "far", "--link", "sim:trio"], 2, "'far', which is not a number"),
    "move huge": (["move", "1e12", "--link", "sim:trio"], 2, "must be -2e+06 to 2e+06 deg"),
    "move both": (["move", "1", "--travel", "0.5", "--link", "sim:trio"], 2, "give either a position"),
    "move share": (["move", "--travel", "1.5", "--link", "sim:trio"], 2, "must be 0 to 1 shares of the travel"),
    "move speed": (["move", "1", "--speed", "0", "--link", "sim:trio"], 2, "--speed is 0 deg/s"),
    "jog nan": (["jog", "NaN", "--link", "sim:trio"], 2, "not a finite number"),
    "jog time": (["jog", "5", "--seconds", "-1", "--link", "sim:trio"], 2, "--seconds is -1 s"),
    "end": (["set-travel", "left", "--link", "sim:trio"], 2, "choose low or high"),
    "own": (["own", "steal", "--link", "sim:trio"], 2, "choose show, take or yield"),
    "own for ever": (["own", "take", "--link", "sim:trio"], 2, "give --seconds"),
    "watch for ever": (["watch", "--link", "sim:trio"], 2, "give --seconds"),
    "option": (["status", "--lnk", "sim:trio"], 2, "there is no option --lnk"),
    "missing": (["jog", "--link", "sim:trio"], 2, "Missing argument"),
    "sim rig": (["sim", "quartet"], 2, "quartet"),
    "sim ways": (["sim", "trio", "--tcp", "--can"], 2, "choose one of --serial, --tcp and --can"),
    "sim port": (["sim", "trio", "--port", "7000"], 2, "--port to --tcp"),
    "card": (["cards", "nothing"], 2, "there is no card 'nothing'"),
    "plant card": (["plant", "nothing", "iris"], 2, "nothing"),
    "plant picture": (["plant", "small", "iris", "--plot", "a.doc"], 2, "end it in .png, .svg or .pdf"),
    "sweep nothing": (["sweep"], 2, "--keys lists"),
    "sweep key": (["sweep", "small", "iris", "motor.colour=1,2"], 2, "motor.colour"),
    "sweep value": (["sweep", "small", "iris", "motor.gear_teeth=1,x"], 2, "no number"),
    "sweep move": (["sweep", "small", "iris", "motor.gear_teeth=30", "--move", "far=1"], 2, "its keys are"),
    "sweep file": (["sweep", "small", "iris", "motor.gear_teeth=30", "--out", "a.doc"], 2, ".csv or .parquet"),
}


@pytest.mark.parametrize("case", ONE_SENTENCE, ids=str)
def test_one_sentence_and_the_exit_code(
    case: str, capsys: Out, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words, code, part = ONE_SENTENCE[case]
    got = main(words)
    out, err = capsys.readouterr()
    assert (got, out) == (code, ""), err
    assert part in err
    assert err.startswith("ringlet: ")
    assert err.count("\n") == 1
    assert err.endswith(".\n")
    assert list(tmp_path.iterdir()) == []


def test_a_rig_file_with_a_wrong_key_names_it(capsys: Out, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    axes = 'axes = [{motor = "small", lens = "iris"}]'
    path.write_text(f'name = "mine"\n[[nodes]]\nunique_id = 1\ncolour = "red"\n{axes}\n')
    assert main(["status", "--link", f"sim:{path}"]) == 2
    err = capsys.readouterr().err
    assert "colour" in err
    assert err.count("\n") == 1


def test_an_unwritable_folder_is_a_sentence(capsys: Out, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert main(["encode", "stop", "--can", "--out", str(tmp_path / "file" / "a.log")]) == 2
    err = capsys.readouterr().err
    assert "cannot be used (Not a directory); check the path." in err
    assert err.count("\n") == 1


def test_a_fault_of_our_own_is_a_sentence_too(capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("oops")

    monkeypatch.setattr("ringlet.tools.show.message", broken)
    monkeypatch.delenv("RINGLET_DEBUG", raising=False)
    assert main(["decode", "--can", "00050801#01"]) == BUG
    err = capsys.readouterr().err
    assert err == "ringlet: this is a fault of ringlet itself (ZeroDivisionError: oops); RINGLET_DEBUG=1 shows where.\n"
    monkeypatch.setenv("RINGLET_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        main(["decode", "--can", "00050801#01"])


def test_a_closed_pipe_is_no_error() -> None:
    with subprocess.Popen([*RINGLET, "schema", "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        err = process.stderr.read()
    assert (process.returncode, err) == (0, b"")


def test_a_served_rig_is_driven_and_ctrl_c_stops_the_ring() -> None:
    """Two programs: one serves, the other jogs and is interrupted; the ring comes to rest long before its time."""
    words = [*RINGLET, "sim", "single", "--tcp", "--seconds", "60"]
    served = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    try:
        assert served.stdout is not None
        link = served.stdout.readline().strip()
        words = [*RINGLET, "jog", "20", "--seconds", "40", "--link", link]
        jog = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
        deadline = time.monotonic() + 20
        while _status(link)["state"] != "running" and time.monotonic() < deadline:
            time.sleep(0.1)
        jog.send_signal(signal.SIGINT)
        err = jog.communicate(timeout=20)[1]
        assert jog.returncode == 130, err
        assert err.endswith("Stopped: the axis is at rest.\nringlet: interrupted.\n")
        after = _status(link)
        assert (after["state"], after["owner"]) == ("holding", 0)
    finally:
        served.send_signal(signal.SIGTERM)
        assert served.wait(timeout=20) == 0


def _status(link: str) -> dict[str, object]:
    words = [*RINGLET, "status", "--json", "--source", "2", "--link", link]
    done = subprocess.run(words, capture_output=True, check=True)
    found: dict[str, object] = json.loads(done.stdout)["axes"][0]
    return found


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_silent_port_is_no_answer(capsys: Out) -> None:
    """Nobody at the far end of the cable: exit code 3, and nothing is left hanging."""
    ours, theirs = os.openpty()
    try:
        for words in (["discover"], ["status", "--node", "16"], ["move", "3", "--node", "16"]):
            assert main([*words, "--link", f"serial:{os.ttyname(theirs)}"]) == 3
            err = capsys.readouterr().err
            assert err.count("\n") == 1
            assert "check power" in err
    finally:
        os.close(ours)
        os.close(theirs)


def test_sim_prints_its_link_first(capsys: Out) -> None:
    assert main(["sim", "trio", "--tcp", "--seconds", "0"]) == 0
    first, second, *_ = capsys.readouterr().out.splitlines()
    assert first.startswith("serial:socket://127.0.0.1:")
    assert "3 motors, invented" in second
    assert main(["sim", "trio", "--tcp", "--seconds", "0", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["link"].startswith("serial:socket://127.0.0.1:")


def test_rigs_and_cards_are_listed(capsys: Out) -> None:
    assert main(["rigs", "--json"]) == 0
    rigs = {rig["name"] for rig in json.loads(capsys.readouterr().out)["rigs"]}
    assert {"single", "trio", "pair", "eight"} <= rigs
    assert main(["rigs"]) == 0
    out = capsys.readouterr().out
    assert all(name in out for name in rigs)
    assert main(["cards", "--json"]) == 0
    cards = {(card["kind"], card["file"]) for card in json.loads(capsys.readouterr().out)["cards"]}
    assert {("motor", "medium"), ("lens", "iris")} <= cards
    assert main(["cards", "medium"]) == 0
    assert "resistance_ohm" in capsys.readouterr().out


def test_plant_gives_figures_with_units_and_cautions(capsys: Out, tmp_path: Path) -> None:
    path = tmp_path / "torque.png"
    assert main(["plant", "medium", "focus-long", "--plot", str(path)]) == 0
    out = capsys.readouterr().out
    assert " deg/s" in out
    assert " mNm" in out
    assert path.read_bytes()[:4] == b"\x89PNG"
    assert main(["plant", "medium", "focus-long", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert all({"name", "value", "unit", "how"} == set(one) for one in data["figures"])
    assert data["cautions"] == [line[2:] for line in out.splitlines() if line.startswith("! ")]


def test_sweep_writes_a_row_for_each_value(capsys: Out, tmp_path: Path) -> None:
    out, picture = tmp_path / "sweep.csv", tmp_path / "sweep.png"
    words = ["sweep", "small", "iris", "motor.gear_teeth=30,40", "--move", "distance_deg=10", "--move", "legs=1"]
    assert main([*words, "--out", str(out), "--plot", str(picture), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["rows"] == 2
    assert said["columns"]["motor.gear_teeth"] == {"lowest": 30.0, "highest": 40.0}
    assert len(out.read_text().splitlines()) == 3
    assert picture.read_bytes()[:4] == b"\x89PNG"
    assert main(["sweep", "--keys"]) == 0
    assert "motor.gear_teeth" in capsys.readouterr().out.splitlines()
