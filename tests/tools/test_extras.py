"""The base install does the core jobs; what needs an extra says which, in one sentence, before anything moves."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from ringlet.tools import extras
from ringlet.tools.cli import BUG, main
from ringlet.tools.extras import EXTRAS, MissingExtra, extra_of, missing, need

ROOT = Path(__file__).parents[2]

BASE_ONLY = """
import json, sys
from importlib.machinery import PathFinder
BLOCKED = {"scipy", "matplotlib", "numba", "pyarrow", "dask", "distributed", "mcap", "timecode", "nicegui"}
find = PathFinder.find_spec
PathFinder.find_spec = classmethod(
    lambda cls, name, *more: None if name.partition(".")[0] in BLOCKED else find(name, *more)
)
import contextlib, io
from ringlet.tools.cli import main
from ringlet.tools.link import Link
opened = []
real = Link.open.__func__
Link.open = classmethod(lambda cls, url, **more: (opened.append(url), real(cls, url, **more))[1])
told = []
for words in json.load(sys.stdin):
    opened.clear()
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    told.append([code, err.getvalue(), list(opened)])
assert not BLOCKED & set(sys.modules), BLOCKED & set(sys.modules)
json.dump(told, sys.stdout)
"""


def in_a_base_install(commands: list[list[str]], folder: Path) -> list[tuple[int, str, list[str]]]:
    """Exit code, stderr and opened links of each command, in a process that finds no library of any extra."""
    done = subprocess.run(
        [sys.executable, "-c", BASE_ONLY], input=json.dumps(commands), capture_output=True, text=True, timeout=120,
        cwd=folder, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return [(int(code), str(err), list(opened)) for code, err, opened in json.loads(done.stdout)]


CORE = [
    "status --link sim:trio",
    "move 20 --find --link sim:single",
    "limits --find --link sim:single",
    "conform --gentle --link sim:single",
    "conform --yes --only LIMIT-04 --only LIMIT-08 --link sim:single",
    "get velocity-limit --link sim:single",
    "watch --seconds 0.2 --link sim:single",
    "rigs",
    "cards medium",
    "plant medium focus-long",
    "sweep small iris motor.gear_teeth=30 --move distance_deg=5 --move legs=1",
    "schema",
    "encode stop --can",
    "decode --can 00050801#01",
    "emit firmware --out firmware",
    "emit dbc --out out",
    "emit reference --out out",
    "emit vectors --out out",
    "bus pair",
    "doctor --link sim:single",
]


def test_the_core_jobs_need_no_extra(tmp_path: Path) -> None:
    commands = [line.split() for line in CORE]
    for line, (code, err, _) in zip(CORE, in_a_base_install(commands, tmp_path), strict=True):
        assert code == 0, f"{line}: {err}"
    assert (tmp_path / "firmware" / "Makefile").is_file()


NEEDS = {
    "ramp 60 --link sim:single": "bench",
    "bench ramp --find --link sim:single": "bench",
    "bench all --find --link sim:single --out run": "bench",
    "marks show focus-long": "bench",
    "marks take stop --out mine.toml --find --link sim:trio --axis 1": "bench",
    "marks upload focus-long --link sim:single": "bench",
    "pair curve focus-long focus-long-right": "bench",
    "pair upload focus-long focus-long-right --link sim:pair": "bench",
    "plant medium focus-long --plot a.png": "bench",
    "demo rig": "take",
    "record a.mcap --seconds 1 --link sim:single": "take",
    "page --link sim:single": "page",
}


def test_a_missing_extra_is_one_sentence_before_anything_is_opened(tmp_path: Path) -> None:
    commands = [line.split() for line in NEEDS]
    for (line, extra), (code, err, opened) in zip(
        NEEDS.items(), in_a_base_install(commands, tmp_path), strict=True
    ):
        assert (code, opened) == (2, []), f"{line}: {err}"
        assert err.startswith("ringlet: "), err
        assert err.count("\n") == 1, err
        assert f"pip install 'ringlet[{extra}]'" in err, f"{line}: {err}"


def test_the_table_of_extras_is_that_of_the_project() -> None:
    """Every distribution here has one import name, its own; only dask's extra in brackets goes off."""
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    assert set(listed) == set(EXTRAS)
    for extra, one in EXTRAS.items():
        if extra != "dev":
            assert {re.split(r"[\[<>=]", line)[0] for line in listed[extra]} == set(one.modules), extra
    held = re.fullmatch(r"ringlet\[(.*)\]", listed["dev"][0])
    assert held is not None
    assert set(held[1].split(",")) == set(EXTRAS) - {"dev"}


def test_no_extra_is_a_dependency_of_the_base() -> None:
    base = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    brought = {module for one in EXTRAS.values() for module in one.modules}
    assert not brought & {re.split(r"[\[<>=]", line)[0] for line in base}


def test_what_is_missing_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(EXTRAS, "page", extras.Extra("a job", ("json", "no_such_thing", "nor_this")))
    assert missing("page") == ["no_such_thing", "nor_this"]
    need("dev")
    with pytest.raises(MissingExtra, match=r"^no_such_thing is not installed; .*`page` \(a job\)"):
        need("dev", "page")
    assert extra_of("matplotlib.figure") == "bench"
    assert extra_of("mcap.writer") == "take"
    assert extra_of("jsonx") is None


def test_a_library_of_no_extra_stays_a_fault_of_ours(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise ModuleNotFoundError("No module named 'rich'", name="rich")

    monkeypatch.setattr("ringlet.tools.show.message", broken)
    monkeypatch.delenv("RINGLET_DEBUG", raising=False)
    assert main(["decode", "--can", "00050801#01"]) == BUG
    assert "a fault of ringlet itself" in capsys.readouterr().err
