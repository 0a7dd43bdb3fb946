"""Fenced blocks of the documents, and the commands in them, for the tests that run what is printed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.M | re.S)
COMMENT = re.compile(r"<!--((?:(?!-->).)*)-->\s*\Z", re.S)
HARDWARE = "needs hardware:"
"""A comment that begins so, just before a block, keeps the block from being run and says why."""


class Block(NamedTuple):
    """One fenced block."""

    name: str
    """FILE:LINE of its fence"""
    language: str
    text: str
    mark: str
    """the HTML comment just before it, or nothing"""
    heading: str

    @property
    def lines(self) -> list[str]:
        """Command lines, with those that a backslash goes on joined to one."""
        return [line for line in self.text.replace("\\\n", " ").splitlines() if line.strip()]

    @property
    def hardware(self) -> str:
        """What it needs that no machine of the tests has; nothing when it can run."""
        return self.mark.removeprefix(HARDWARE).strip() if self.mark.startswith(HARDWARE) else ""

    @property
    def installs(self) -> bool:
        return self.mark in ("first command", "second command")


def blocks(path: Path, name: str = "") -> list[Block]:
    """All fenced blocks of a Markdown file."""
    text = path.read_text(encoding="utf-8")
    found = []
    for fence in FENCE.finditer(text):
        before = text[: fence.start()]
        comment = COMMENT.search(before)
        headings = re.findall(r"^#+ (.+)$", FENCE.sub("", before), re.M)
        found.append(
            Block(
                f"{name or path.name}:{before.count(chr(10)) + 1}", fence[1], fence[2],
                comment[1].strip() if comment else "", headings[-1] if headings else "",
            )
        )  # fmt: skip
    return found


def environment() -> dict[str, str]:
    """This Python's programs come first, and nothing of the person who runs the tests changes a command."""
    env = {key: value for key, value in os.environ.items() if not key.startswith(("RINGLET_", "PYTEST_"))}
    return env | {"PATH": os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])}


def shell(line: str, folder: Path, timeout: float = 300.0) -> subprocess.CompletedProcess[str]:
    """One command line as a person types it."""
    return subprocess.run(
        ["bash", "-c", line], cwd=folder, env=environment(), capture_output=True, text=True, timeout=timeout,
        check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip


PROMISE = re.compile(r"--(?:out|html|junit|plot)[ =]('[^']+'|\S+)")
NAMED = re.compile(r"[\w./-]+\.(?:html|png|svg|csv|json|lua|h|c|dbc|mcap|toml)\b")


def promised(line: str) -> set[str]:
    """Files and folders that a command line says it writes: by its options, and by name in its comment."""
    command, _, comment = line.partition("  #")
    found = {match.strip("'") for match in PROMISE.findall(command)}
    if command.split()[:2] == ["ringlet", "record"]:
        found.add(command.split()[2])
    return found | set(NAMED.findall(comment))
