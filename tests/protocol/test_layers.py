"""Who may import whom: protocol nothing of ours and no I/O, clock or threads; hwsim only protocol and no clock."""

from __future__ import annotations

import ast
from importlib import import_module
from importlib.util import resolve_name
from pathlib import Path

import pytest

PARTS = ("protocol", "hwsim", "tools")
FORBIDDEN = {
    "protocol": {"ringlet.hwsim", "ringlet.tools"},
    "hwsim": {"ringlet.tools"},
    "tools": set[str](),
}
OUTSIDE = {
    # no I/O, no clock, no threads
    "protocol": {
        "asyncio", "can", "concurrent", "datetime", "io", "multiprocessing", "os", "pathlib", "queue", "select",
        "selectors", "serial", "signal", "socket", "subprocess", "tempfile", "termios", "threading", "time",
    },
    # never reads a clock: time is passed in
    "hwsim": {"asyncio", "datetime", "sched", "threading", "time"},
    "tools": set[str](),
}  # fmt: skip
BUILTINS = {"protocol": {"open", "input", "print"}, "hwsim": {"input"}, "tools": set[str]()}


def folder(part: str) -> Path:
    return Path(str(import_module(f"ringlet.{part}").__file__)).parent


def imports(tree: ast.AST, package: str) -> set[str]:
    """Every module that a file names, in functions too."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = resolve_name("." * node.level + (node.module or ""), package) if node.level else str(node.module)
            found |= {base} | {f"{base}.{alias.name}" for alias in node.names}
    return found


def under(name: str, roots: set[str]) -> bool:
    return any(name == root or name.startswith(f"{root}.") for root in roots)


def offences(source: str, part: str) -> set[str]:
    tree = ast.parse(source)
    names = {name for name in imports(tree, f"ringlet.{part}") if under(name, FORBIDDEN[part] | OUTSIDE[part])}
    called = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    return names | called & BUILTINS[part]


@pytest.mark.parametrize("part", PARTS)
def test_imports_point_one_way(part: str) -> None:
    files = sorted(folder(part).rglob("*.py"))
    assert files
    found = {str(file): offences(file.read_text(encoding="utf-8"), part) for file in files}
    assert {name: wrong for name, wrong in found.items() if wrong} == {}


@pytest.mark.parametrize(
    ("part", "source"),
    [
        ("protocol", "import socket"),
        ("protocol", "import time as t"),
        ("protocol", "from threading import Thread"),
        ("protocol", "import serial.tools.list_ports"),
        ("protocol", "from ringlet import hwsim"),
        ("protocol", "from ringlet.hwsim.ramp import Ramp"),
        ("protocol", "from ..tools import link"),
        ("protocol", "def f():\n    import ringlet.tools.link"),
        ("protocol", "open('x')"),
        ("hwsim", "from ringlet.tools.link import Link"),
        ("hwsim", "from time import monotonic"),
    ],
)
def test_the_check_itself_sees_offences(part: str, source: str) -> None:
    assert offences(source, part)


def test_allowed_imports_pass() -> None:
    assert offences("from ringlet.protocol import wire\nimport struct, decimal", "protocol") == set()
    assert offences("from ringlet.protocol.codec import pack\nimport timeit", "hwsim") == set()
    assert offences("from ringlet.hwsim import ramp\nimport time, socket, serial", "tools") == set()


@pytest.mark.parametrize("part", PARTS)
def test_packages_are_marked_as_typed(part: str) -> None:
    assert (folder(part) / "py.typed").is_file()
