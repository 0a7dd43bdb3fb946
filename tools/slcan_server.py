"""The far side of a serial-line CAN adapter: the LAWICEL ASCII commands, an open convention, spoken by us.

Text in, frames out and the other way round; no I/O here. Each command ends with CR; the answer is CR (with a value
before it where one is asked for) or BEL when the command is refused. `T` and eight hex digits begin an extended
frame, `t` and three a standard one, then the length and the data. Source: LAWICEL CANUSB manual, as python-can's
`slcan` interface speaks it (from memory; tests hold it against python-can itself).
"""

from __future__ import annotations

import re
from collections import Counter
from typing import Final

CR: Final = b"\r"
BEL: Final = b"\a"
VERSION: Final = b"V0101"
SERIAL: Final = b"NRING"
LINE_MAX: Final = 32
"""Longest command with room to spare: T, 8, 1 and 16 digits. What is longer is dropped up to the next CR."""
_EXTENDED: Final = re.compile(rb"T([0-1][0-9A-Fa-f]{7})([0-8])((?:[0-9A-Fa-f]{2})*)")
_FOREIGN: Final = re.compile(
    rb"t[0-7][0-9A-Fa-f]{2}[0-8](?:[0-9A-Fa-f]{2})*|r[0-7][0-9A-Fa-f]{2}[0-8]|R[0-1][0-9A-Fa-f]{7}[0-8]"
)
"""Standard and remote frames: well-formed, and of no use to nodes."""


class SlcanServer:
    """An adapter with one CAN channel. `feed` takes what the program writes; `answers` holds what it must be told."""

    def __init__(self) -> None:
        self.is_open = False
        self.listen_only = False
        self.lost: Counter[str] = Counter()
        self.answers = bytearray()
        self._line = bytearray()

    def feed(self, data: bytes) -> list[tuple[int, bytes]]:
        """Extended data frames that the program sends, as (identifier, data); other frames are counted in `lost`."""
        frames: list[tuple[int, bytes]] = []
        for byte in data:
            if byte != CR[0]:
                if len(self._line) <= LINE_MAX:
                    self._line.append(byte)
                continue
            line = bytes(self._line).lstrip(b"\n")
            self._line.clear()
            if len(line) > LINE_MAX:
                self.lost["overlong"] += 1
                self.answers += BEL
            else:
                self.answers += self._command(line, frames)
        return frames

    def take_answers(self) -> bytes:
        """What is to be written to the program, once."""
        said = bytes(self.answers)
        self.answers.clear()
        return said

    def frame(self, ident: int, data: bytes) -> bytes:
        """The text of a frame that the program hears; empty while the channel is closed."""
        return b"T%08X%d%s\r" % (ident, len(data), data.hex().upper().encode()) if self.is_open else b""

    def _command(self, line: bytes, frames: list[tuple[int, bytes]]) -> bytes:
        match line[:1]:
            case b"":
                return CR  # an empty line clears the adapter's buffer
            case b"O" | b"L" if len(line) == 1:
                self.is_open, self.listen_only = True, line == b"L"
                return CR
            case b"C" if len(line) == 1:
                self.is_open = False
                return CR
            case b"S" | b"s" | b"Z" | b"X" | b"W" | b"M" | b"m" if len(line) > 1:
                return BEL if self.is_open else CR  # nothing here depends on bit rate, filters or time stamps
            case b"V" | b"v":
                return line[:1] + VERSION[1:] + CR
            case b"N":
                return SERIAL + CR
            case b"F":
                return b"F00\r" if self.is_open else BEL
            case b"T" | b"t" | b"r" | b"R":
                return self._transmit(line, frames)
        self.lost["command"] += 1
        return BEL

    def _transmit(self, line: bytes, frames: list[tuple[int, bytes]]) -> bytes:
        if not self.is_open or self.listen_only:
            self.lost["closed"] += 1
            return BEL
        found = _EXTENDED.fullmatch(line)
        if found is not None and len(found[3]) == 2 * int(found[2]):
            frames.append((int(found[1], 16), bytes.fromhex(found[3].decode())))
            return b"Z\r"
        if _FOREIGN.fullmatch(line):
            self.lost["foreign"] += 1
            return b"z\r" if line[:1] in b"tr" else b"Z\r"
        self.lost["command"] += 1
        return BEL
