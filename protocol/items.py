"""Long things in numbered items: tables of lens marks and texts, and the check value that commits them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from ringlet.protocol.codes import ENUMS
from ringlet.protocol.messages import PutMark
from ringlet.protocol.serial_frame import crc16
from ringlet.protocol.wire import KINDS

INFINITE: Final = 0xFFFFFF
"""The value of a mark that means infinity."""
UNIT_DISTANCE: Final = next(count for count, name, _ in ENUMS["unit-kind"] if name == "distance")
PART_SIZE: Final = 6
PARTS_MAX: Final = 16
TEXT_MAX: Final = PART_SIZE * PARTS_MAX - 1
"""Bytes of UTF-8 text; one zero byte always ends it."""


def marks_check(marks: Sequence[tuple[int, int]]) -> int:
    """Check value of a table: CRC-16 over position (3 bytes) and value (3 bytes) of each mark, in order."""
    row = KINDS.by_class[PutMark]
    return int(crc16(b"".join(row.pack(PutMark(0, 0, position, value))[2:] for position, value in marks)))


def ring_of_value(marks: Sequence[tuple[int, int]], values: int, value: int) -> int | None:
    """The ring position, in counts, at which a table of marks has this value; None where no two marks enclose it.

    Between marks the position follows the value in a straight line; for distances (`values` 0) it follows the
    reciprocal, as focus rings do roughly (common practice, no source), which also reaches infinity. Whole numbers only,
    with 16 bits for the share of a segment, so that a small processor finds the same count.
    """
    for position, at in marks:
        if at == value:
            return position
    for (start, low), (end, high) in pairwise(marks):
        if low > high:
            start, end, low, high = end, start, high, low
        if not low < value < high:
            continue
        if values == UNIT_DISTANCE:
            over, under = (1, value) if high == INFINITE else (high, (high - low) * value)
        elif high == INFINITE:
            continue
        else:
            over, under = 1, high - low
        share = ((value - low) * over << 16) // under
        return start + ((end - start) * share + (1 << 15) >> 16)
    return None


def text_parts(text: str) -> list[bytes]:
    """A text as parts of six bytes; the last holds a zero byte. Raises ValueError when it is too long."""
    data = text.encode()
    if len(data) > TEXT_MAX or b"\0" in data:
        raise ValueError(f"a text is at most {TEXT_MAX} bytes of UTF-8 without zero bytes; this one has {len(data)}")
    data += b"\0" * (PART_SIZE - len(data) % PART_SIZE)
    return [data[start : start + PART_SIZE] for start in range(0, len(data), PART_SIZE)]


def text_of(parts: Sequence[bytes]) -> str:
    """The text in parts; bytes that are no UTF-8 are shown as replacement characters."""
    return b"".join(parts).split(b"\0", 1)[0].decode(errors="replace")


def text_check(parts: Sequence[bytes]) -> int:
    """Check value of a text: CRC-16 over its parts in order."""
    return int(crc16(b"".join(parts)))
