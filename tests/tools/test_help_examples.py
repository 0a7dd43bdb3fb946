"""Examples of every --help: each is understood by the parser, and what needs no hardware runs as printed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from help_tools import Leaf, examples, leaves, ringlet_commands, understand
from readme_blocks import promised

from ringlet.tools.cli import main

Out = pytest.CaptureFixture[str]
ALL = [pytest.param(one, line, id=line) for one in leaves() for line in examples(one)]
ELSEWHERE = {
    "demo": "its stories are told in test_demo.py and test_demo_rig.py",
    "page": "it serves until Ctrl-C; test_page_*.py",
    "sim": "it serves until Ctrl-C; test_serve.py",
    "bench": "each measurement runs in test_json_schemas.py",
    "conform": "test_conform_cli.py",
    "drive": "its examples run for a long time; test_json_schemas.py runs shorter ones",
}
"""Commands that other tests run; here their examples are parsed."""
NEEDS = {
    "ringlet move -12.5 --speed 40": "a motor whose travel is known",
    "ringlet move --travel 0.5": "a motor whose travel is known",
    "ringlet ramp 200 --from 20 --out wide --axis 1": "a motor whose travel is known",
    "ringlet limits --axis 2 --json": "a motor whose travel is known",
    "ringlet pair move T2.8 --axes 16.1,17.1": "a motor that holds marks",
    "ringlet pair move 2.5m --find --link sim:pair": "a motor that holds marks",
    "ringlet marks check focus-long --link sim:single": "a motor that holds marks",
    "ringlet marks read --out held.csv --link sim:single": "a motor that holds marks",
    "ringlet pair curve 16.0 17.0 --link sim:pair": "a motor that holds marks",
    "ringlet replay scene1.mcap --speed 0.5": "a motor whose travel is known",
    "ringlet replay scene1.mcap --axes 16.0=17.0": "a second board",
    "ringlet own take --seconds 5": "five seconds of a real clock",
    "ringlet own yield --source 2": "an axis that control 2 owns",
    "ringlet restore --factory --axis 2": "a person who agrees",
    "ringlet pair move 3m --linked --interaxial 60mm --ratio 20": "a motor that holds marks",
    "ringlet budget --lens focus-long --motor medium --bench run": "a run of `bench repeat`",
    "ringlet pair skew run --lens focus-long": "a run of `bench together`",
    "turn the ring by hand to its end": "a hand",
}
"""Examples that need more than a rig as it is delivered."""


def test_every_command_has_an_example() -> None:
    without = [one.name for one in leaves() if not examples(one)]
    assert not without


@pytest.mark.parametrize(("one", "line"), ALL)
def test_an_example_is_understood(one: Leaf, line: str) -> None:
    commands = ringlet_commands(line)
    if not commands:
        assert line in NEEDS or line.startswith(("then", "--")), f"{line!r} is neither a command nor explained"
        return
    for words in commands:
        understand(words)


@pytest.mark.parametrize("one", [pytest.param(one, id=one.name) for one in leaves()])
def test_the_examples_are_about_the_command(one: Leaf) -> None:
    assert any(words[: len(one.words)] == list(one.words) for line in examples(one) for words in ringlet_commands(line))


MISSED = {"ringlet bus eight --bitrate 250000", "ringlet bus pair --baud 115200 --rate 20 --target telemetry=100"}
"""Examples whose bus is too slow, so that what helps is shown; exit code 1."""


def runnable(line: str) -> bool:
    commands = ringlet_commands(line)
    if not commands or line in NEEDS or any(words[0] in ELSEWHERE for words in commands):
        return False
    return not any(sign in line for sign in ("/dev/", "can:socketcan", "serial:", "my-rig.toml", "printf", "|"))


def rig_for(line: str) -> str:
    """The smallest shipped rig that has the boards that an example names."""
    if "18." in line or "mirror-demo" in line:
        return "sim:eight"
    return "sim:pair" if "17." in line else "sim:trio"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With the files that the examples read, made by the commands that make them."""
    made = tmp_path_factory.mktemp("examples")
    (made / "mine.csv").write_text("ring_deg,distance_m\n0,1.0\n60,2.0\n120,4.0\n180,inf\n", encoding="utf-8")
    single = ["--link", "sim:single"]
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(made)
        patch.setenv("RINGLET_SETUPS", str(made / "kept"))
        assert main(["bench", "latency", "--find", "--out", "before", *single]) == 0
        assert main(["encode", "move", "position=12.5", "speed=0", "--can", "--out", "capture.log"]) == 0
        assert main(["setup", "save", "long lens", "--link", "sim:trio"]) == 0
        for take in ("scene1.mcap", "a.mcap"):
            assert main(["record", take, "--seconds", "0.5", *single]) == 0
    for copy in ("after", "ringlet-bench-2026-01-31-120000"):
        shutil.copytree(made / "before", made / copy)
    return made


@pytest.mark.parametrize("line", [
    pytest.param(line, id=line)
    for line in dict.fromkeys(one.values[1] for one in ALL) if runnable(str(line))
])  # fmt: skip
def test_an_example_runs_as_printed(
    line: str, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Out
) -> None:
    """Each in a fresh copy of the folder, on a rig as it is delivered."""
    place = tmp_path / "here"
    shutil.copytree(folder, place)
    monkeypatch.chdir(place)
    monkeypatch.setenv("RINGLET_SETUPS", str(place / "kept"))
    monkeypatch.delenv("RINGLET_SOURCE", raising=False)
    monkeypatch.delenv("RINGLET_LINK", raising=False)
    if not line.startswith("ringlet pair limits"):  # asks the motors only when there is a link
        monkeypatch.setenv("RINGLET_LINK", rig_for(line))
    for words in ringlet_commands(line):
        if words[0] == "record":
            (place / words[1]).unlink(missing_ok=True)
        assert main(words) == (1 if line in MISSED else 0), capsys.readouterr().err
    for name in promised(line) - {"."}:
        assert (place / name).exists(), name


def test_what_is_only_parsed_is_still_an_example() -> None:
    """So that the exceptions above do not outlive the examples that they are about."""
    there = {str(one.values[1]) for one in ALL}
    assert not (set(NEEDS) | MISSED) - there
