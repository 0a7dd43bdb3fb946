"""Emit the C files, build them in several ways, and read their structs from Python. Shared by tests and benchmarks."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np

from ringlet.protocol.emit import texts
from ringlet.protocol.emit_c import RESULTS, c_name
from ringlet.protocol.serial_frame import crc16
from ringlet.protocol.wire import KINDS, Kind, Registry

HERE = Path(__file__).parent
STRICT = ("-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Wpedantic", "-Werror")
CODES = {name: code for code, (name, _) in enumerate(RESULTS)}
RANGE = len(RESULTS)
FRAME = np.dtype({"names": ["ident", "size", "body"], "formats": ["<u4", "u1", ("u1", 8)]}, align=True)


def have(*programs: str) -> str | None:
    """Why a test that needs these programs is skipped, or None."""
    missing = [name for name in programs if shutil.which(name) is None]
    return f"not installed here: {', '.join(missing)}" if missing else None


def run(*command: str | Path, cwd: Path, data: bytes | None = None) -> subprocess.CompletedProcess[bytes]:
    """Run a program and keep what it says; the caller looks at the return code."""
    space = {**os.environ, "PWD": str(cwd)}  # Frama-C looks there, not at its real working folder
    return subprocess.run(
        [str(part) for part in command], cwd=cwd, env=space, input=data, capture_output=True, check=False
    )


def build(*command: str | Path, cwd: Path) -> None:
    """Run a compiler; anything that it says, and any other return code than 0, fails the test."""
    done = run(*command, cwd=cwd)
    said = (done.stdout + done.stderr).decode()
    assert (done.returncode, said) == (0, ""), f"{' '.join(map(str, command))}\n{said}"


def emit_into(folder: Path, kinds: Registry = KINDS) -> list[str]:
    """Write the C target's files; returns the names of those to compile."""
    files = texts("c", kinds)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return [name for name in files if name.endswith(".c")]


class Library:
    """The emitted codec as a shared library, one call for a whole array."""

    def __init__(self, folder: Path, kinds: Registry = KINDS, *flags: str) -> None:
        sources = emit_into(folder, kinds)
        shared = ("gcc", "-std=c99", "-O2", "-fPIC", "-shared", "-I.", *flags)
        build(*shared, HERE / "driver.c", *sources, "-o", "codec.so", cwd=folder)
        self.c: Any = ctypes.CDLL(str(folder / "codec.so"))
        self.c.drive_size.restype = self.c.drive_offset.restype = self.c.drive_feed.restype = ctypes.c_size_t
        self.c.ringlet_crc.restype = ctypes.c_uint16
        self.size, self.offset = int(self.c.drive_size()), int(self.c.drive_offset())

    def dtype(self, row: Kind) -> np.dtype[Any]:
        """numpy's view of a ringlet_message that holds this kind: natural alignment, as C lays it out."""
        formats: list[Any] = [("u1", spec.codec.size) if spec.codec.is_text else np.dtype(
            f"<{'i' if spec.codec.signed else 'u'}{next(n for n in (1, 2, 4, 8) if n >= spec.codec.size)}")
            for spec in row.fields]  # fmt: skip
        names = [c_name(spec.name) for spec in row.fields]
        body = np.dtype({"names": names, "formats": formats}, align=True)
        return np.dtype({"names": ["ident", "body"], "formats": ["<u4", body], "offsets": [0, self.offset],
                         "itemsize": self.size})  # fmt: skip

    def unpack(self, frames: np.ndarray[Any, Any], row: Kind) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
        out = np.zeros(len(frames), self.dtype(row))
        verdicts = np.full(len(frames), 255, np.uint8)
        self.c.drive_unpack(_at(frames), ctypes.c_size_t(len(frames)), _at(out), _at(verdicts))
        return out, verdicts

    def pack(self, messages: np.ndarray[Any, Any]) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
        out = np.zeros(len(messages), FRAME)
        verdicts = np.full(len(messages), 255, np.uint8)
        self.c.drive_pack(_at(messages), ctypes.c_size_t(len(messages)), _at(out), _at(verdicts))
        return out, verdicts

    def encode(self, frames: np.ndarray[Any, Any]) -> list[bytes]:
        lines, lengths = np.zeros((len(frames), 16), np.uint8), np.zeros(len(frames), np.uint8)
        self.c.drive_encode(_at(frames), ctypes.c_size_t(len(frames)), _at(lines), _at(lengths))
        return [line.tobytes()[:length] for line, length in zip(lines, lengths.tolist(), strict=True)]

    def feed(self, stream: bytes) -> tuple[np.ndarray[Any, Any], list[int], list[int]]:
        """(frames, verdicts, index of the byte that ended each); one row a verdict, a frame counts at `ok` only."""
        data = np.frombuffer(stream, np.uint8)
        most = len(data) + 1
        out, verdicts, where = np.zeros(most, FRAME), np.zeros(most, np.uint8), np.zeros(most, np.uintp)
        found = self.c.drive_feed(_at(data), ctypes.c_size_t(len(data)), _at(out), _at(verdicts), _at(where))
        return out[:found], verdicts[:found].tolist(), where[:found].tolist()

    def crc(self, data: bytes, before: int = crc16(b"")) -> int:
        return int(self.c.ringlet_crc(ctypes.c_uint16(before), data, ctypes.c_size_t(len(data))))


def _at(array: np.ndarray[Any, Any]) -> ctypes.c_void_p:
    assert array.flags.c_contiguous
    return ctypes.c_void_p(array.ctypes.data)


def verdict_name(code: int) -> str:
    """The cause as Python counts it; `range` for any count out of range."""
    return "range" if code >= RANGE else RESULTS[code][0]
