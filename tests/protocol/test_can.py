"""CAN mapping: our frames become messages, foreign ones are told apart and counted; CAN and serial translate."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringlet.protocol import messages
from ringlet.protocol.can_frame import CanDecoder, encode_can
from ringlet.protocol.codec import IDENT_MAX, Packet, packet
from ringlet.protocol.header import KIND_SHIFT
from ringlet.protocol.serial_frame import StreamDecoder, decode_raw, encode_frame, encode_raw
from ringlet.protocol.wire import KINDS, Kind

MOVE = packet(messages.Move(7, -90_000, 1000), dst=16, src=1, axis=0)


def frame(ident: int, data: bytes, **other: Any) -> Any:
    """The attributes of python-can's Message that the decoder reads."""
    plain = {"is_extended_id": True, "is_remote_frame": False, "is_error_frame": False, "is_fd": False}
    return SimpleNamespace(arbitration_id=ident, data=bytearray(data), **plain | other)


def test_our_frame_becomes_its_message() -> None:
    decoder = CanDecoder()
    assert decoder.feed(frame(*encode_can(MOVE))) == MOVE
    assert (decoder.good, decoder.lost.total(), decoder.unknown) == (1, 0, [])


MOVE_IDENT, MOVE_DATA = encode_can(MOVE)
FOREIGN = {
    "standard-id": frame(0x123, MOVE_DATA, is_extended_id=False),
    "remote": frame(MOVE_IDENT, b"", is_remote_frame=True),
    "error-frame": frame(MOVE_IDENT, bytes(8), is_error_frame=True),
    "fd": frame(MOVE_IDENT, MOVE_DATA, is_fd=True),
    "length": frame(MOVE_IDENT, b""),
    "unknown-kind": frame(0xFF << KIND_SHIFT, bytes(8)),
    "short-body": frame(MOVE_IDENT, MOVE_DATA[:-1]),
}


@pytest.mark.parametrize("cause", FOREIGN)
def test_foreign_frame_is_counted_by_its_cause(cause: str) -> None:
    decoder = CanDecoder()
    assert decoder.feed(FOREIGN[cause]) is None
    assert dict(decoder.lost) == {cause: 1}
    assert decoder.good == 0
    assert [error.cause for error in decoder.unknown] == ([cause] if cause in ("unknown-kind", "short-body") else [])


@pytest.mark.parametrize(
    "wrong", [frame(MOVE_IDENT, bytes(9)), frame(1 << 29 | MOVE_IDENT, MOVE_DATA), frame(-1, MOVE_DATA)]
)
def test_frames_that_no_classic_bus_carries_are_counted(wrong: Any) -> None:
    decoder = CanDecoder()
    assert decoder.feed(wrong) is None
    assert dict(decoder.lost) == {"length": 1}


def test_counts_add_up_and_good_frames_go_on() -> None:
    decoder = CanDecoder()
    found = []
    for foreign in FOREIGN.values():
        found.append(decoder.feed(foreign))
        found.append(decoder.feed(frame(MOVE_IDENT, MOVE_DATA)))
    assert found == [None, MOVE] * len(FOREIGN)
    assert decoder.good == len(FOREIGN)
    assert dict(decoder.lost) == dict.fromkeys(FOREIGN, 1)


def test_memory_of_unknown_frames_is_bounded() -> None:
    decoder = CanDecoder()
    for axis in range(100):
        decoder.feed(frame(0xFF << KIND_SHIFT | axis, bytes(8)))
    assert [error.ident & 0x7F for error in decoder.unknown] == list(range(84, 100))
    assert decoder.lost["unknown-kind"] == 100


@given(
    st.integers(-1, 1 << 30),
    st.binary(max_size=9),
    st.booleans(),
    st.booleans(),
    st.booleans(),
    st.booleans(),
)
def test_no_frame_raises(ident: int, data: bytes, extended: bool, remote: bool, error: bool, fd: bool) -> None:
    decoder = CanDecoder()
    message = decoder.feed(
        frame(ident, data, is_extended_id=extended, is_remote_frame=remote, is_error_frame=error, is_fd=fd)
    )
    assert (message is None) == (decoder.good == 0)
    assert decoder.good + decoder.lost.total() == 1


# --- one capture, two transports ---


@pytest.mark.parametrize("row", list(KINDS), ids=lambda row: row.name)
@given(data=st.data(), rest=st.integers(0, IDENT_MAX))
def test_every_kind_translates_both_ways_without_loss(row: Kind, data: st.DataObject, rest: int) -> None:
    ident = rest & ~(0xFF << KIND_SHIFT) | row.code << KIND_SHIFT
    body = data.draw(st.binary(min_size=row.size, max_size=row.size))
    from_can = CanDecoder().feed(frame(ident, body))
    assert isinstance(from_can, Packet)
    line = encode_frame(from_can)
    (from_line,) = StreamDecoder().feed(line)
    assert from_line == from_can
    assert encode_can(from_line) == (ident, body)
    assert encode_frame(from_line) == line


@given(st.integers(0, IDENT_MAX), st.binary(min_size=1, max_size=8))
def test_frames_of_any_kind_and_length_translate_without_loss(ident: int, body: bytes) -> None:
    line = encode_raw(ident, body)
    assert line.count(0) == 1
    assert decode_raw(line[:-1]) == (ident, body)
