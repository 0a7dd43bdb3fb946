"""The pipe to a motor core in C that runs as a process (`ringlet emit firmware`, `make`): bytes of it, and its life.

The core runs in lock step: it hears, ticks, hands out setpoints, and waits for readings. Since it never looks at a
clock, virtual time works for it too. Numbers are little-endian; the other end is `ringlet_host.c.j2` in
protocol/templates/firmware.
"""

from __future__ import annotations

import math
import os
import select
import struct
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from ringlet.hwsim.drive import VELOCITY_FILTER, DriveSettings
from ringlet.hwsim.loops import BridgeReading, DriveReading
from ringlet.hwsim.node import NodeCard
from ringlet.hwsim.plant import TICK_S
from ringlet.protocol.codes import VERSION_MAJOR, VERSION_MINOR
from ringlet.protocol.params import PARAMETERS
from ringlet.protocol.wire import BODY_MAX

PROGRAM: Final = "ringlet_host"
"""Name of the program that the emitted Makefile builds."""
PIPE_VERSION: Final = 4
PATIENCE: Final = 10.0
"""Seconds of wall time without a byte after which the process counts as hung."""
FAILED, DONE, CUT = range(3)
"""Results of a page write."""

READY: Final = struct.Struct("<c7B")
CONFIG: Final = struct.Struct("<cBQBHH")
HEAR: Final = struct.Struct(f"<cIB{BODY_MAX}s")
AT: Final = struct.Struct("<cQ")
READING: Final = struct.Struct("<7i2B")
OUTPUT: Final = struct.Struct("<Bi3q")
MEASURED: Final = struct.Struct("<4iB")
CURRENT: Final = struct.Struct("<Bi")
TUNING: Final = struct.Struct("<cB15i")
DRIVE: Final = struct.Struct("<B8i")
PAGE: Final = struct.Struct("<BH")
RESULT: Final = struct.Struct("<cBH")
END: Final = struct.Struct("<BH")
BYTES: Final = struct.Struct("<cH")
BYTES_MOST: Final = 4096
"""Bytes of a serial line in one command: the frames in them, which are longer on the pipe, must fit it (64 KiB)."""
FRAME: Final = struct.Struct(f"<IB{BODY_MAX}s")
STATE: Final = struct.Struct("<7BiII2H2q")
IGNORED: Final = struct.Struct("<I")

AXIS_ROWS: Final = [row for row in PARAMETERS if row.scope == "axis"]
NODE_ROWS: Final = [row for row in PARAMETERS if row.scope == "node"]


class FirmwareProblem(Exception):
    """Why the motor core in C cannot go on, in one sentence that says what to do."""


class Setpoint(NamedTuple):
    """What an axis of the core asks of its drive; angles in 2^-28 mdeg, a tick, and a tick squared."""

    on: int
    torque: int
    """limit at the motor's output shaft, 0.000001 N.m"""
    position: int
    velocity: int
    acceleration: int


class DriveCounts(NamedTuple):
    """Drive settings as the core tells them, in the parameters' counts."""

    reversed: int
    motor_teeth: int
    ring_teeth: int
    encoder_counts: int
    backlash: int
    backlash_compensation: int
    position_gain: int
    velocity_gain: int


class AxisState(NamedTuple):
    """State of one axis of the core, as far as another one can be compared by it."""

    state: int
    after: int
    owner: int
    placed: int
    ends_set: int
    staged: int
    finding: int
    owner_left: int
    latched: int
    present: int
    flags: int
    share: int
    offset: int
    position: int


class Counts(NamedTuple):
    """A reading as it goes to the core. Torque is told in odd 1/2048 mN.m: then no share of a limit lies just between
    two whole per cent, where floats and whole numbers could round apart."""

    position: int
    velocity: int
    current: int
    torque: int
    winding: int
    housing: int
    supply: int
    encoder_ok: int
    torque_limited: int

    def reading(self) -> DriveReading:
        """The reading as the simulated firmware takes it."""
        return DriveReading(
            float(self.position), float(self.velocity), float(self.current), self.torque / 2048.0, self.winding / 10.0,
            self.housing / 10.0, float(self.supply), bool(self.encoder_ok), bool(self.torque_limited), 0.0, 0.0,
        )  # fmt: skip


class Measured(NamedTuple):
    """What a program with the loop gets in place of a reading: bare measurements, in the motor's sense."""

    counts: int
    """of the encoder; only the lowest 32 bits go out, as of a counter"""
    current: int
    housing: int
    supply: int
    encoder_ok: int


class LoopTuning(NamedTuple):
    """Tuning of the loop in C, in the counts and the order of `ringlet_loop_tuning`."""

    velocity_gain: int
    integral_corner: int
    inertia_feed: int
    friction_feed: int
    rest_band: int
    velocity_filter: int
    torque_per_amp: int
    back_emf: int
    peak_current: int
    resistance: int
    winding_heat: int
    winding_to_case: int
    derate_from: int
    winding_max: int
    runaway_speed: int


RUNAWAY_DEG_S: Final = 30.0
"""Speed above which the guard of the loop in C looks; our choice, as in `ringlet_loop.c.j2`."""


def tuning_of(own: DriveSettings) -> LoopTuning:
    """The board's own settings and gains for the loop in C; back-EMF 0, since the bridge has a current loop."""
    return LoopTuning(
        _fit(1e4 * own.velocity_gain), _fit(1e3 * own.velocity_integral), _fit(1e4 * own.inertia_feed),
        _fit(1e3 * own.friction_feed_ma), _fit(1e3 * own.rest_band_mdeg),
        _fit(65536.0 * (1.0 - math.exp(-VELOCITY_FILTER * TICK_S))), _fit(1e3 * own.torque_mnm_per_a), 0,
        _fit(own.peak_current_ma), _fit(own.resistance_mohm), _fit(1e3 * own.winding_heat_j_per_k),
        _fit(1e3 * own.winding_to_case_k_per_w), _fit(10.0 * own.derate_from_c), _fit(10.0 * own.winding_max_c),
        _fit(1e3 * RUNAWAY_DEG_S),
    )  # fmt: skip


def measured_of(reading: BridgeReading) -> Measured:
    """What a bridge and its sensors would give, in whole counts."""
    return Measured(
        (reading.counts + (1 << 31)) % (1 << 32) - (1 << 31), _fit(reading.current_ma), _fit(10.0 * reading.case_c),
        _fit(reading.supply_mv), int(reading.encoder_ok),
    )  # fmt: skip


def counts_of(reading: DriveReading) -> Counts:
    """A reading in whole counts: what an encoder, an ammeter and thermometers on a board would give."""
    return Counts(
        _fit(reading.position_mdeg), _fit(reading.velocity_mdeg_s), _fit(reading.current_ma),
        2 * _fit(1024.0 * reading.torque_mnm - 0.5, 30) + 1, _fit(10.0 * reading.winding_c),
        _fit(10.0 * reading.case_c), _fit(reading.supply_mv), int(reading.encoder_ok), int(reading.torque_limited),
    )  # fmt: skip


def _fit(value: float, bits: int = 31) -> int:
    most = (1 << bits) - 1
    return max(-most, min(most, round(value)))


def config(card: NodeCard, factory: Sequence[Mapping[str, int]]) -> bytes:
    """The command that says what the node is, with the factory values of its axes."""
    data = CONFIG.pack(b"C", len(factory), card.unique_id, card.major, card.firmware, card.hardware)
    for rows, own in ((NODE_ROWS, card.factory), *((AXIS_ROWS, values) for values in factory)):
        data += struct.pack(f"<{len(rows)}i", *(own.get(row.name, row.default) for row in rows))
    for text in (card.maker, card.model):
        data += bytes([len(text.encode())]) + text.encode()
    return data


def page(number: int, data: bytes) -> bytes:
    """The command that puts bytes into a page of the core's memory."""
    return b"P" + PAGE.pack(number, len(data)) + data


def hear(ident: int, data: bytes) -> bytes:
    """The command that lets the core hear a frame of at most 8 bytes."""
    return HEAR.pack(b"H", ident, len(data), data)


def bytes_in(data: bytes) -> bytes:
    """The command that gives the core's decoder at most `BYTES_MOST` bytes of a serial line."""
    return BYTES.pack(b"B", len(data)) + data


def to_encode(ident: int, data: bytes) -> bytes:
    """The command that asks for the bytes of a frame on a serial line."""
    return HEAR.pack(b"U", ident, len(data), data)


def readings(counts: Sequence[Counts]) -> bytes:
    """The answer to a wish for readings."""
    return b"I" + b"".join(READING.pack(*one) for one in counts)


def tuning(axis: int, values: LoopTuning) -> bytes:
    """The command that tunes the loop of one axis, for a program that has loops."""
    return TUNING.pack(b"L", axis, *values)


def measured(values: Sequence[Measured]) -> bytes:
    """The answer to a wish for readings of a program that has loops."""
    return b"I" + b"".join(MEASURED.pack(*one) for one in values)


def find_program(path: Path) -> Path:
    """The program at a path, or in the folder there. Raises FirmwareProblem."""
    found = path / PROGRAM if path.is_dir() else path
    if not found.is_file():
        raise FirmwareProblem(f"there is no program {found}; `ringlet emit firmware --out FOLDER` and `make` make it")
    if not os.access(found, os.X_OK):
        raise FirmwareProblem(f"{found} is not a program; give the one that `make` built, or its folder")
    return found


class Pipe:
    """The process and its two pipes."""

    def __init__(self, path: Path) -> None:
        self.path = find_program(path)
        if not hasattr(select, "poll"):
            raise FirmwareProblem("a motor core in C needs a system that can wait for pipes (Linux, macOS)")
        try:
            self._process = subprocess.Popen(
                [str(self.path.resolve())], stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0
            )
        except OSError as error:
            raise FirmwareProblem(f"{self.path} cannot be run ({error.strerror}); build it on this machine") from None
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._to, self._from = self._process.stdin.fileno(), self._process.stdout.fileno()
        self._poll = select.poll()
        self._poll.register(self._from, select.POLLIN)
        self._held = b""
        self._at = 0
        try:
            self._greet()
        except BaseException:
            self.close()
            raise

    def _greet(self) -> None:
        letter, pipe, major, minor, self.axes, of_axis, of_node, loop = READY.unpack(self.take(READY.size))
        self.loop = bool(loop)
        """the program closes position and velocity loop itself: it gives currents and takes measurements"""
        if letter != b"R" or pipe != PIPE_VERSION:
            raise FirmwareProblem(f"{self.path} is no motor core for this pipe; give what `ringlet emit firmware` made")
        if (major, minor, of_axis, of_node) != (VERSION_MAJOR, VERSION_MINOR, len(AXIS_ROWS), len(NODE_ROWS)):
            raise FirmwareProblem(f"{self.path} was made from other tables; emit the firmware again and build it")

    def put(self, data: bytes) -> None:
        """Send bytes."""
        while data:
            try:
                data = data[os.write(self._to, data) :]
            except OSError:
                raise self._ended() from None

    def take(self, count: int) -> bytes:
        """So many bytes from the process; waits for them."""
        end = self._at + count
        while len(self._held) < end:
            if not self._poll.poll(1000.0 * PATIENCE):
                raise FirmwareProblem(f"{self.path} has hung: no byte from it for {PATIENCE:g} s; look into its loops")
            data = os.read(self._from, 65_536)
            if not data:
                raise self._ended()
            self._held = self._held[self._at :] + data
            self._at, end = 0, count
        start, self._at = self._at, end
        return self._held[start:end]

    def error(self) -> FirmwareProblem:
        """What the process said behind the letter X."""
        text = self.take(int.from_bytes(self.take(2), "little")).decode(errors="replace")
        return FirmwareProblem(f"{self.path} ended: {text}")

    def _ended(self) -> FirmwareProblem:
        rest = self._held[self._at :]
        while self._poll.poll(0) and (data := os.read(self._from, 65_536)):
            rest += data
        place = rest.rfind(b"X")  # its last words, if it had any
        if place >= 0 and int.from_bytes(rest[place + 1 : place + 3], "little") == len(rest) - place - 3:
            return FirmwareProblem(f"{self.path} ended: {rest[place + 3 :].decode(errors='replace')}")
        try:
            code = self._process.wait(PATIENCE)
        except subprocess.TimeoutExpired:
            code = None
        how = f"by signal {-code}" if code is not None and code < 0 else f"with code {code}"
        return FirmwareProblem(f"{self.path} ended {how}; run it in a debugger, or build it with `make sanitized`")

    def close(self) -> None:
        """End the process."""
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()
        try:
            self._process.wait(1.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
