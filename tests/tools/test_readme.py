"""README says what is so: its script runs, its tables name every command, its links lead somewhere."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from ringlet.tools.cli import COMMANDS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.S)


def test_the_script_runs_as_printed() -> None:
    script = next(block for block in blocks("python") if "Link.open" in block)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    degrees = float(done.stdout.split()[0])
    assert abs(degrees - 120.0) < 0.1


@pytest.mark.parametrize("rows", [[name for rows in COMMANDS.values() for name, _ in rows]])
def test_every_command_is_in_the_table(rows: list[str]) -> None:
    table = README.split("## Commands", 1)[1].split("\n## ", 1)[0]
    named = set(re.findall(r"`([a-z-]+)`", table))
    assert set(rows) <= named, set(rows) - named


def test_the_two_commands_stand_where_ci_looks_for_them() -> None:
    first, second = (
        README.split(f"<!-- {number} command -->\n```sh\n", 1)[1].split("\n```", 1)[0] for number in ("first", "second")
    )
    assert first.endswith("ringlet demo")
    assert "pytest" in second
    assert "second command" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_links_and_pictures_are_there() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


def test_named_programs_of_the_repo_are_there() -> None:
    for path in re.findall(r"python (tests/\S+\.py)", README):
        assert (ROOT / path).is_file(), path
