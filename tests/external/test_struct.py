"""The bodies by Python's `struct` and `int.from_bytes`, against construct and the fast path: three ways, one result.

The formats here are made from sizes and signs alone, with no help from the codec's own.
"""

from __future__ import annotations

import random
import struct
from typing import Any

import pytest

from ringlet.protocol.codec import pack, pack_reference, unpack, unpack_reference
from ringlet.protocol.header import KIND_SHIFT
from ringlet.protocol.wire import KINDS, Kind, codec_of

kinds = pytest.mark.parametrize("row", list(KINDS), ids=lambda row: row.name)
LETTERS = {1: "b", 2: "h", 4: "i"}


def read(row: Kind, body: bytes) -> list[Any]:
    values: list[Any] = []
    for spec in row.fields:
        part, size = body[spec.offset : spec.offset + spec.codec.size], spec.codec.size
        if spec.codec.is_text:
            values.append(part)
        elif size in LETTERS:
            letter = LETTERS[size] if spec.codec.signed else LETTERS[size].upper()
            values.append(struct.unpack(f"<{letter}", part)[0])
        else:
            values.append(int.from_bytes(part, "little", signed=spec.codec.signed))
    return values


@kinds
def test_struct_construct_and_the_fast_path_agree(row: Kind) -> None:
    rng = random.Random(row.code)
    bodies = [bytes(row.size), b"\xff" * row.size, b"\x7f" * row.size, b"\x80" * row.size]
    bodies += [rng.randbytes(row.size) for _ in range(100)]
    for body in bodies:
        ident = row.code << KIND_SHIFT
        values = read(row, body)
        fast, reference = unpack(ident, body), unpack_reference(ident, body)
        assert list(fast.body) == list(reference.body) == values
        assert list(fast.body._asdict()) == [spec.name for spec in row.fields]
        assert pack(fast)[1] == pack_reference(reference) == body


@kinds
def test_struct_knows_the_same_sizes(row: Kind) -> None:
    assert struct.calcsize("<" + "".join(spec.codec.format for spec in row.fields)) == row.struct.sizeof() == row.size
    for spec in row.fields:
        assert struct.calcsize("<" + spec.codec.format) == spec.field.con.sizeof() == spec.codec.size
        assert codec_of(spec.field.con) == spec.codec
