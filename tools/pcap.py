"""Captures that Wireshark opens: classic pcap files of CAN frames, or of the frames of a serial line.

File format: the IETF draft "PCAP Capture File Format" (opsawg-pcap). Link types: the list of link-layer header types
at tcpdump.org, LINKTYPE_CAN_SOCKETCAN for CAN, LINKTYPE_USER0 for serial frames, which the emitted dissector reads.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from ringlet.protocol.emit_dissector import LINKTYPE_SERIAL
from ringlet.tools.errors import UsageProblem

LINKTYPE_CAN: Final = 227
EXTENDED_BIT: Final = 1 << 31
"""Marks a 29-bit identifier in a SocketCAN frame."""
SNAP_LENGTH: Final = 65535
_FILE: Final = struct.Struct("<IHHiIII")
_RECORD: Final = struct.Struct("<IIII")
_CAN: Final = struct.Struct(">IBBBB")
_MAGIC: Final = 0xA1B2C3D4
"""Times in microseconds, in the byte order of the magic number itself."""


def can_record(ident: int, data: bytes, *, extended: bool = True) -> bytes:
    """One classic data frame in the form of LINKTYPE_CAN_SOCKETCAN: identifier big-endian, length, three zeros."""
    return _CAN.pack(ident | (EXTENDED_BIT if extended else 0), len(data), 0, 0, 0) + data


def write_can(path: Path, frames: Iterable[tuple[float, int, bytes]]) -> int:
    """Write (seconds, 29-bit identifier, data) frames; the number written. Raises UsageProblem for a bad path."""
    return _write(path, LINKTYPE_CAN, ((time, can_record(ident, data)) for time, ident, data in frames))


def write_serial(path: Path, pieces: Iterable[tuple[float, bytes]]) -> int:
    """Write the bytes of a serial line as (seconds, bytes), cut in any way; one record a frame, zero byte included.

    A record has the time of the piece that closed it; bytes without a closing zero byte make the last record.
    Returns the number of records. Raises UsageProblem for a bad path.
    """
    return _write(path, LINKTYPE_SERIAL, _frames(pieces))


def _frames(pieces: Iterable[tuple[float, bytes]]) -> Iterable[tuple[float, bytes]]:
    rest, time = b"", 0.0
    for time, piece in pieces:
        *whole, rest = (rest + piece).split(b"\0")
        yield from ((time, frame + b"\0") for frame in whole)
    if rest:
        yield time, rest


def _write(path: Path, link_type: int, records: Iterable[tuple[float, bytes]]) -> int:
    count = 0
    try:
        with path.open("wb") as file:
            file.write(_FILE.pack(_MAGIC, 2, 4, 0, 0, SNAP_LENGTH, link_type))
            for time, data in records:
                seconds, micro = divmod(round(time * 1_000_000), 1_000_000)
                file.write(_RECORD.pack(seconds, micro, len(data), len(data)) + data)
                count += 1
    except OSError as error:
        raise UsageProblem(f"{path} cannot be written ({error.strerror}); choose another path.") from None
    return count
