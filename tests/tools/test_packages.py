"""Wheel and source distribution hold what they should, and the wheel works as `pipx` would install it.

Built from a copy, so that nothing is left in the folder; pip's cache is shared. Needs the network or that cache.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[2]
PARTS = ("protocol", "hwsim", "tools")
BESIDE = ("pyproject.toml", "README.md", "LICENSE", "DEVELOPERS.md", "MANIFEST.in")
PAPERS = {"ringlet/protocol/REFERENCE.md", "ringlet/hwsim/MODEL.md"}
"""Read in the repository; a wheel has no use for them."""
NO_NETWORK = re.compile(r"No matching distribution|Connection|name resolution|unreachable|timed out", re.I)

pytestmark = pytest.mark.slow


class Built(NamedTuple):
    wheel: Path
    source: Path


def run(*words: str | Path, cwd: Path, path: str | None = None) -> str:
    """Output of a program that must succeed, away from this repository and its settings."""
    env = {key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "RINGLET"))}
    env["PATH"] = path or env["PATH"]
    done = subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, timeout=120, cwd=cwd, env=env, check=False
    )
    if done.returncode and NO_NETWORK.search(done.stderr + done.stdout):
        pytest.skip("no package index can be reached, and pip's cache has not what is needed")
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    copy = tmp_path_factory.mktemp("source")
    keep_out = shutil.ignore_patterns("__pycache__", "*.pyc", ".hypothesis")
    for name in (*PARTS, "tests", ".ci"):
        shutil.copytree(ROOT / name, copy / name, ignore=keep_out)
    for name in BESIDE:
        shutil.copy(ROOT / name, copy / name)
    run(sys.executable, "-m", "build", ".", cwd=copy)
    (wheel,), (source,) = (copy / "dist").glob("*.whl"), (copy / "dist").glob("*.tar.gz")
    return Built(wheel, source)


def ours(*folders: str) -> set[str]:
    """Files of the repository under some folders."""
    return {
        str(path.relative_to(ROOT))
        for folder in folders for path in (ROOT / folder).rglob("*")
        if path.is_file() and not {"__pycache__", ".hypothesis"} & set(path.parts) and path.suffix != ".pyc"
    }  # fmt: skip


def test_the_wheel_holds_every_file_of_the_three_folders(built: Built) -> None:
    held = {name for name in zipfile.ZipFile(built.wheel).namelist() if ".dist-info/" not in name}
    assert held == {f"ringlet/{name}" for name in ours(*PARTS)} - PAPERS
    for kind in ("hwsim/rigs/trio.toml", "hwsim/cards/motor-small.toml", "tools/examples/own_script.py",
                 "protocol/templates/firmware/Makefile.j2", "tools/page/page.js", "tools/py.typed"):  # fmt: skip
        assert f"ringlet/{kind}" in held


def test_the_source_distribution_holds_the_tests_too(built: Built) -> None:
    with tarfile.open(built.source) as archive:
        held = {name.partition("/")[2] for name in archive.getnames()}
    missing = (ours(*PARTS, "tests", ".ci") | set(BESIDE)) - held
    assert not missing


def test_the_wheel_works_as_pipx_installs_it(built: Built, tmp_path: Path) -> None:
    """An environment of its own, its one command on PATH, used from a folder of the user's."""
    python = tmp_path / "venv" / "bin" / "python"
    run(sys.executable, "-m", "venv", "--without-pip", tmp_path / "venv", cwd=tmp_path)
    run(sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-compile", built.wheel, cwd=tmp_path)
    on_path, work = tmp_path / "bin", tmp_path / "work"
    on_path.mkdir()
    work.mkdir()
    (on_path / "ringlet").symlink_to(tmp_path / "venv" / "bin" / "ringlet")

    def ringlet(*words: str) -> str:
        return run("ringlet", *words, cwd=work, path=f"{on_path}:/usr/bin:/bin")

    assert re.fullmatch(r"ringlet \d+\.\d+\.\d+, protocol \d+\.\d+\n", ringlet("--version"))
    ringlet("demo")
    page = (work / "ringlet-demo" / "demo.html").read_text(encoding="utf-8")
    assert "14 of 14 steps" in page
    assert "The ramp was not drawn" in page
    assert "<img" not in page
    ringlet("emit", "firmware", "--out", "firmware")
    assert {"Makefile", "ringlet_axis.c", "ringlet_board.h"} <= {one.name for one in (work / "firmware").iterdir()}
    assert "trio" in ringlet("rigs")
    there = run(python, "-c",
                "import importlib.util as u; print([m for m in ('scipy', 'matplotlib') if u.find_spec(m)])",
                cwd=work)  # fmt: skip
    assert there == "[]\n"
