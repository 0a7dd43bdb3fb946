"""Every kind through `cantools`, an independent reader of CAN databases (Vector's DBC model), built here in memory."""

from __future__ import annotations

import math
import random
from collections import OrderedDict

import pytest
from cantools.database.can import Database, Message, Signal
from cantools.database.conversion import BaseConversion

from ringlet.protocol.can_frame import encode_can
from ringlet.protocol.codec import IDENT_MAX, pack, unpack
from ringlet.protocol.codes import ENUMS
from ringlet.protocol.header import KIND_MASK, KIND_SHIFT
from ringlet.protocol.physical import from_counts, show_field
from ringlet.protocol.wire import KINDS, Kind, Spec

kinds = pytest.mark.parametrize("row", list(KINDS), ids=lambda row: row.name)
FRAMES = 200


def signal_of(spec: Spec) -> Signal:
    field = spec.field
    named = [(count, name) for count, name, _ in ENUMS[field.values]] if field.values else list(field.reserved)
    return Signal(
        spec.name,
        start=8 * spec.offset,
        length=8 * spec.codec.size,
        byte_order="little_endian",
        is_signed=spec.codec.signed,
        unit=field.unit or None,
        conversion=BaseConversion.factory(scale=float(field.scale), choices=OrderedDict(named) or None),
    )


def message_of(row: Kind) -> Message:
    signals = [signal_of(spec) for spec in row.fields]
    return Message(row.code << KIND_SHIFT, row.name, row.size, signals, is_extended_frame=True, strict=True)


DATABASE = Database([message_of(row) for row in KINDS], frame_id_mask=KIND_MASK << KIND_SHIFT)


def found(ident: int) -> Message:
    return DATABASE.get_message_by_frame_id(ident, force_extended_id=True)


def frames(row: Kind) -> list[tuple[int, bytes]]:
    rng = random.Random(row.code)
    edges = [bytes(row.size), b"\xff" * row.size, b"\x80" * row.size]
    bodies = edges + [rng.randbytes(row.size) for _ in range(FRAMES)]
    bodies += [bytes(rng.randrange(8) for _ in range(row.size)) for _ in range(FRAMES)]  # where the names are
    # any priority, addresses and axis: the mask of the database leaves only the kind
    return [(rng.getrandbits(29) & ~(KIND_MASK << KIND_SHIFT) | row.code << KIND_SHIFT, body) for body in bodies]


@kinds
def test_counts_are_what_cantools_reads(row: Kind) -> None:
    for ident, body in frames(row):
        assert ident <= IDENT_MAX
        ours = unpack(ident, body).body
        theirs = found(ident).decode(body, decode_choices=False, scaling=False)
        assert isinstance(theirs, dict)
        assert list(theirs) == list(ours._fields)
        for spec, value in zip(row.fields, ours, strict=True):
            count = int.from_bytes(value, "little") if spec.codec.is_text else value
            assert theirs[spec.name] == count, spec.name


@kinds
def test_physical_values_are_what_cantools_reads(row: Kind) -> None:
    for ident, body in frames(row):
        ours = unpack(ident, body).body
        theirs = found(ident).decode(body)
        assert isinstance(theirs, dict)
        for spec, value in zip(row.fields, ours, strict=True):
            other = theirs[spec.name]
            if spec.codec.is_text:
                assert other == int.from_bytes(value, "little")
            elif isinstance(other, (int, float)):
                assert math.isclose(other, float(from_counts(value, spec.field.scale)), rel_tol=1e-12)
                assert not isinstance(show_field(spec, value), str)
            else:
                assert str(other) == show_field(spec, value)


@kinds
def test_frames_that_cantools_builds_are_ours(row: Kind) -> None:
    for ident, body in frames(row)[:50]:
        values = found(ident).decode(body, decode_choices=False, scaling=False)
        built = found(ident).encode(values, scaling=False, strict=False)
        assert built == body
        assert encode_can(unpack(ident, built)) == (ident, body) == pack(unpack(ident, body))
