"""Emit the motor core and build its host program, in a folder that is kept for the whole test run."""

from __future__ import annotations

import os
from pathlib import Path

import c_build

from ringlet.hwsim.firmware_link import PROGRAM
from ringlet.protocol.emit import texts


def emit_firmware_into(folder: Path) -> list[str]:
    """Write the firmware target's files; returns the names of the core's sources, without the host program."""
    files = texts("firmware")
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return sorted(name for name in files if name.endswith(".c") and name != f"{PROGRAM}.c")


def build_host(folder: Path, *, sanitized: bool = False) -> Path:
    """The host program, built by the emitted Makefile; any word of the compiler fails."""
    emit_firmware_into(folder)
    done = c_build.run("make", "-s", "sanitized" if sanitized else "all", cwd=folder)
    said = (done.stdout + done.stderr).decode()
    assert (done.returncode, said) == (0, ""), said
    assert os.access(folder / PROGRAM, os.X_OK)
    return folder / PROGRAM
