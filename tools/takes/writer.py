"""Writing a take: chunks that are on the disk within half a second, so that a power cut loses no more than that.

Memory holds one chunk and the index of the chunks before it, which grows by about a kilobyte a chunk.
"""

from __future__ import annotations

import json
import os
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, Self

from ringlet.tools.errors import RingletError, UsageProblem
from ringlet.tools.extras import needed
from ringlet.tools.takes.layout import (
    AXIS_PREFIX,
    EVENTS,
    HEAD,
    PROFILE,
    SCHEMAS,
    TAIL,
    TIMECODE,
    AxisInfo,
    Sample,
)
from ringlet.tools.takes.lens_values import LensValues

CHUNK_S: Final = 0.5
"""Seconds of the take in one chunk: what a kill or a power cut can lose, with the time that the disk takes."""
CHUNK_BYTES: Final = 4 << 20
"""A chunk never grows beyond this."""
NS: Final = 1_000_000_000


class TakeFull(RingletError):
    """The take could not be written further: what was written is kept."""


class TakeWriter:
    """Writes one take. Raises TakeFull when the disk takes no more; what is in finished chunks stays."""

    def __init__(
        self, path: Path, axes: list[AxisInfo], about: dict[str, str], *, origin_ns: int = 0
    ) -> None:
        """`about` goes into the metadata at the start; `origin_ns` is the time of the take's second 0."""
        writer = needed("take", "mcap.writer")
        self.path, self.origin_ns = path, origin_ns
        self.samples = dict.fromkeys((info.key for info in axes), 0)
        self.lost = dict.fromkeys(self.samples, 0)
        self.first_s: float | None = None
        self.last_s = 0.0
        self._values = {info.key: LensValues(info) for info in axes}
        self.problems = {key: values.problem for key, values in self._values.items() if values.problem}
        self._disk = Disk(path)
        self._sync = ThreadPoolExecutor(1)
        self._syncing: Future[None] | None = None
        self._kept = 0
        self._due = 0.0
        self._mcap: Any = writer.Writer(self._disk, chunk_size=CHUNK_BYTES)
        try:
            self._mcap.start(profile=PROFILE, library="ringlet")
            self._mcap.add_metadata(HEAD, about)
            schemas = {
                name: self._mcap.register_schema(schema["title"], "jsonschema", json.dumps(schema).encode())
                for name, schema in SCHEMAS.items()
            }

            def channel(topic: str, schema: str, data: dict[str, str] | None = None) -> int:
                return int(self._mcap.register_channel(topic, "json", schemas[schema], data or {}))

            self._timecode, self._events = channel(TIMECODE, "timecode"), channel(EVENTS, "event")
            self._channels = {info.key: channel(AXIS_PREFIX + info.key, "axis", info.metadata()) for info in axes}
            self.event(0.0, "link", f"The take begins with {len(axes)} axes.")
            self._put_out()
        except OSError as error:
            raise self._full(error) from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        if not self._disk.closed:
            self.close()

    # --- what comes in -----------------------------------------------------------------------------------------

    def sample(self, key: str, sample: Sample) -> None:
        """One sample of the axis NODE.AXIS."""
        _, ring, velocity, setpoint, current, state, owner, fault, lost = sample
        body = {
            "ring_deg": ring, "velocity_deg_s": velocity, "setpoint_deg": setpoint, "current_a": current,
            "state": state, "owner": owner, "fault": fault,
            "distance_m": None, "at_infinity": False, "t_stop": None, "focal_mm": None, "lost_before": lost,
        } | self._values[key].at(ring)  # fmt: skip
        self.samples[key] += 1
        self.lost[key] += lost
        self._add(self._channels[key], sample.time_s, body, self.samples[key])

    def timecode(self, time_s: float, text: str, frame: int, rate: str) -> None:
        """The frame that begins at this time."""
        self._add(self._timecode, time_s, {"timecode": text, "frame": frame, "rate": rate})

    def event(self, time_s: float, what: str, text: str, axis: str = "", count: int = 0) -> None:
        """Something that happened."""
        self._add(self._events, time_s, {"what": what, "axis": axis, "text": text, "count": count})

    def _add(self, channel: int, time_s: float, body: dict[str, Any], sequence: int = 0) -> None:
        at = self.origin_ns + max(0, round(time_s * NS))
        if self.first_s is None:
            self.first_s = time_s
        self.last_s = max(self.last_s, time_s)
        try:
            self._mcap.add_message(channel, at, json.dumps(body, separators=(",", ":")).encode(), at, sequence)
        except OSError as error:
            raise self._full(error) from None

    # --- onto the disk -----------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> None:
        """To be called often with the time of the take: every half second a chunk is closed and put on the disk."""
        if now_s < self._due:
            return
        self._due = now_s + CHUNK_S
        try:
            self._put_out()
        except OSError as error:
            raise self._full(error) from None

    def _put_out(self) -> None:
        self._mcap.flush()
        self._kept = self._disk.tell()
        if self._syncing is not None:
            if not self._syncing.done():
                return  # the disk is slow: do not make the bus wait for it
            self._syncing.result()
        self._syncing = self._sync.submit(self._disk.sync)

    def close(self, why: str = "ended") -> None:
        """Write index, summary and the metadata of the end. Raises TakeFull."""
        try:
            self._mcap.flush()
            self._kept = self._disk.tell()
            self._mcap.add_metadata(TAIL, self.tail(why))
            self._mcap.finish()
            self._sync.shutdown()
            self._disk.sync()
            self._disk.close()
        except OSError as error:
            raise self._full(error) from None

    def tail(self, why: str) -> dict[str, str]:
        """Counts of this take, as text."""
        return {
            "why": why,
            "seconds": f"{self.last_s:.6f}",
            "samples": json.dumps(self.samples),
            "lost": json.dumps(self.lost),
        }

    def _full(self, error: OSError) -> TakeFull:
        """Give up the piece that is not whole, keep the rest."""
        self._sync.shutdown(wait=False)
        self._disk.keep(self._kept)
        return TakeFull(
            f"{self.path} cannot be written further ({error.strerror or error}) after {self.last_s:.1f} s; what was "
            f"written is kept: make room, then `ringlet take recover {self.path}`. The motors are not affected."
        )


def check_new(path: Path) -> None:
    """Raise UsageProblem when a new file could not be made here, in the words of `Disk`, and leave no file."""
    Disk(path).close()
    path.unlink()


class Disk:
    """A new file that is there after a power cut too. Nothing is held back in memory, so a full disk shows at once."""

    def __init__(self, path: Path) -> None:
        """Raises UsageProblem when it is there already or cannot be made."""
        try:
            self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)
        except FileExistsError:
            raise UsageProblem(f"{path} is there already; give the take another name, or remove that file.") from None
        except OSError as error:
            raise UsageProblem(f"{path} cannot be written ({error.strerror}); check the folder.") from None
        self._at = 0
        if hasattr(os, "O_DIRECTORY"):
            folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
            with suppress(OSError):  # not every file system does this for folders
                os.fsync(folder)
            os.close(folder)

    def write(self, data: bytes) -> int:
        """All of it. Raises OSError."""
        rest = memoryview(data)
        while rest:
            done = os.write(self._file, rest)
            self._at += done
            rest = rest[done:]
        return len(data)

    def tell(self) -> int:
        """Bytes written."""
        return self._at

    def flush(self) -> None:
        """Nothing is held back."""

    def sync(self) -> None:
        """Return when everything is on the disk. Raises OSError."""
        os.fsync(self._file)

    def keep(self, size: int) -> None:
        """Cut the file to what is whole, and close it."""
        with suppress(OSError):  # recovery reads it as it is
            os.ftruncate(self._file, size)
            self.sync()
        self.close()

    def close(self) -> None:
        """May be called twice."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    @property
    def closed(self) -> bool:
        return self._file < 0
