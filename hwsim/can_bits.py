"""The bits of a classic extended CAN data frame: CRC-15, stuff bits, lengths, and a receiver that reads them again.

ISO 11898-1 (layout of the frame, stuffing, polynomial 0x4599). The same in the public specification "CAN Specification
2.0, Part B" (1991), sections 3.1 to 5. Dominant is 0, recessive is 1.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final, NamedTuple

from crcmod import mkCrcFun

CRC_BITS: Final = 15
CRC_POLY: Final = 0x4599
_crc16: Final[Any] = mkCrcFun(1 << 16 | CRC_POLY << 1, initCrc=0, rev=False)
"""crcmod knows widths of 8, 16, 24 ...: a remainder by x times the polynomial is x times the remainder."""

HEAD_BITS: Final = 39
"""Start of frame to data length: 1 + 11 + SRR + IDE + 18 + RTR + 2 reserved + 4."""
TAIL_BITS: Final = 10
"""CRC delimiter, acknowledge slot and delimiter, seven bits of end of frame: never stuffed."""
GAP_BITS: Final = 3
"""Inter-frame space (intermission)."""
STUFF_RUN: Final = 5
FLAG_BITS: Final = 6
"""Error flag, active or passive."""
DELIMITER_BITS: Final = 8
"""Error delimiter."""
EOF_BITS: Final = 7


def crc15(data: bytes) -> int:
    """CRC of whole bytes, most significant bit first, begun from 0 (so that zero bits in front change nothing)."""
    return int(_crc16(data)) >> 1


def longest(size: int) -> int:
    """Bits that an extended data frame of `size` bytes takes at the most, the inter-frame space included.

    R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis: Refuted,
    revisited and revised", Real-Time Systems 35, 2007: 80 + 10 s.
    """
    stuffed = HEAD_BITS + CRC_BITS + 8 * size
    return stuffed + (stuffed - 1) // (STUFF_RUN - 1) + TAIL_BITS + GAP_BITS


def _head(ident: int, size: int) -> int:
    """The 39 bits before the data, as a number."""
    base, extension = ident >> 18, ident & 0x3FFFF
    return ((base << 2 | 0b11) << 18 | extension) << 7 | size


# Stuffing runs over bits as a small machine: the last bit and how often it has stood there. A state is
# 2 * (run - 1) + bit for runs of 1 to 4; a fifth equal bit brings the stuff bit, which begins a run of its own.
_START: Final = 8


def _one_bit(state: int, bit: int) -> tuple[int, int]:
    """(next state, stuff bits put in)."""
    run = 1 if state == _START or state & 1 != bit else (state >> 1) + 2
    return (bit ^ 1, 1) if run == STUFF_RUN else (2 * (run - 1) + bit, 0)


def _steps(bits: int) -> list[list[tuple[int, int]]]:
    """For each state and each number of this many bits: (next state, stuff bits put in)."""
    table = []
    for state in range(_START + 1):
        row = []
        for number in range(1 << bits):
            now, count = state, 0
            for place in reversed(range(bits)):
                now, more = _one_bit(now, number >> place & 1)
                count += more
            row.append((now, count))
        table.append(row)
    return table


_BY_BYTE: Final = _steps(8)
_BY_SEVEN: Final = _steps(7)
_CRC_TABLE: Final = [crc15(bytes((number,))) for number in range(256)]


@lru_cache(maxsize=65_536)
def _after_head(ident: int, size: int) -> tuple[int, int, int]:
    """(state, stuff bits, CRC) when the head of a frame has gone by."""
    head = _head(ident, size)
    state, count = _START, 0
    for place in reversed(range(HEAD_BITS)):
        state, more = _one_bit(state, head >> place & 1)
        count += more
    return state, count, crc15(head.to_bytes(5, "big"))


def frame_length(ident: int, data: bytes) -> int:
    """Bits from start of frame to the end of its end-of-frame, stuff bits counted from the real bits."""
    size = len(data)
    state, total, crc = _after_head(ident, size)
    for byte in data:
        state, more = _BY_BYTE[state][byte]
        total += more
        crc = (crc << 8 ^ _CRC_TABLE[crc >> 7 ^ byte]) & 0x7FFF
    state, more = _BY_SEVEN[state][crc >> 8]
    total += more + _BY_BYTE[state][crc & 0xFF][1]
    return HEAD_BITS + CRC_BITS + TAIL_BITS + 8 * size + total


class Bits(NamedTuple):
    """A frame as it stands on the bus, acknowledged."""

    bits: list[int]
    arbitration: int
    """bits in front that belong to the arbitration field, with RTR and stuff bits"""
    stuff: frozenset[int]
    """places of the stuff bits"""


def frame_bits(ident: int, data: bytes) -> Bits:
    """Every bit from start of frame to end of frame. Slower than `frame_length`, for frames that meet trouble."""
    size = len(data)
    head = _head(ident, size)
    content = head << 8 * size | int.from_bytes(data, "big")
    content = content << CRC_BITS | crc15(head.to_bytes(5, "big") + data)
    bits: list[int] = []
    stuff = set()
    state, arbitration = _START, 0
    for place in reversed(range(HEAD_BITS + 8 * size + CRC_BITS)):
        bit = content >> place & 1
        bits.append(bit)
        state, more = _one_bit(state, bit)
        if more:
            stuff.add(len(bits))
            bits.append(bit ^ 1)
        if place == 8 * size + CRC_BITS + 6:
            arbitration = len(bits)
    bits += [1, 0, 1] + [1] * EOF_BITS
    return Bits(bits, arbitration, frozenset(stuff))


class Read(NamedTuple):
    """What a receiver made of a row of bits."""

    fault: str
    """empty for a good frame; otherwise stuff, crc or form"""
    at: int
    """place of the bit at which the fault is known, or of the last bit"""
    ident: int = -1
    data: bytes = b""
    extended: bool = True
    remote: bool = False


class _Reader:
    """Takes the stuff bits out of a row of bits; behind its end the bus is recessive."""

    def __init__(self, bits: list[int], at: int) -> None:
        self.bits, self.at = bits, at
        self.content = self.width = 0
        """the bits taken so far, without stuff bits, as a number"""
        self._last, self._run = -1, 0

    def raw(self) -> int:
        bit = self.bits[self.at] if self.at < len(self.bits) else 1
        self.at += 1
        return bit

    def take(self, count: int) -> int:
        """So many bits as a number. Raises _StuffError at a sixth equal bit."""
        number = 0
        for _ in range(count):
            number = number << 1 | self._next()
        self.content = self.content << count | number
        self.width += count
        return number

    def _next(self) -> int:
        bit = self._see()
        if self._run == STUFF_RUN and self._see() == bit:
            raise _StuffError
        return bit

    def _see(self) -> int:
        bit = self.raw()
        self._run = self._run + 1 if bit == self._last else 1
        self._last = bit
        return bit


class _StuffError(Exception):
    pass


def read_bits(bits: list[int]) -> Read:
    """Read a frame as a receiver does that saw these bits: it begins at the first dominant one.

    Base frames are read too, for a damaged bit can turn one format into the other. A CRC error is known after the
    acknowledge delimiter, as ISO 11898-1 has it; the last bit of end-of-frame is not looked at by a receiver.
    """
    first = bits.index(0) if 0 in bits else len(bits)
    reader = _Reader(bits, first)
    try:
        head = reader.take(14)
        ident, rtr, extended = head >> 2 & 0x7FF, head >> 1 & 1, bool(head & 1)
        if extended:
            ident = ident << 18 | reader.take(18)
            rtr = reader.take(3) >> 2
        else:
            reader.take(1)
        code = reader.take(4)
        size = 0 if rtr else min(code, 8)
        data = reader.take(8 * size).to_bytes(size, "big") if size else b""
        row = reader.content.to_bytes((reader.width + 7) // 8, "big")
        found = reader.take(CRC_BITS)
    except _StuffError:
        return Read("stuff", reader.at - 1)
    if not reader.raw():
        return Read("form", reader.at - 1)
    reader.raw()  # the acknowledge slot
    if not reader.raw():
        return Read("form", reader.at - 1)
    if crc15(row) != found:
        return Read("crc", reader.at - 1)
    for _ in range(EOF_BITS - 1):
        if not reader.raw():
            return Read("form", reader.at - 1)
    return Read("", reader.at, ident, data, extended, bool(rtr))
