"""Shell completion: what the shells ask for, they get."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest


def complete(shell: str, words: str, at: int) -> set[str]:
    extra = {"COMP_WORDS": words, "COMP_CWORD": str(at)}  # bash
    extra |= {"_TYPER_COMPLETE_ARGS": words, "_TYPER_COMPLETE_FISH_ACTION": "get-args"}  # fish
    done = subprocess.run(
        [sys.executable, "-c", "from ringlet.tools.cli import main; raise SystemExit(main())"],
        env={**os.environ, "_RINGLET_COMPLETE": f"complete_{shell}", **extra},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.stderr == ""
    return set(done.stdout.split())


@pytest.mark.parametrize("shell", ["bash", "fish"])
def test_commands_are_completed(shell: str) -> None:
    found = complete(shell, "ringlet st", 1)
    assert {"stop", "status"} <= found
    assert "move" not in found


def test_subcommands_are_completed() -> None:
    assert {"ramp", "repeat"} <= complete("bash", "ringlet bench r", 2)
