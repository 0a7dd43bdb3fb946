"""Frames through python-can's own loop-back bus: what one end sends, the other end decodes."""

from __future__ import annotations

import random
from collections.abc import Iterator

import can
import pytest

from ringlet.protocol.can_frame import CanDecoder, encode_can
from ringlet.protocol.codec import Packet, unpack
from ringlet.protocol.header import KIND_SHIFT
from ringlet.protocol.wire import KINDS, Kind

Ends = tuple[can.BusABC, can.BusABC]


@pytest.fixture
def ends() -> Iterator[Ends]:
    with (
        can.Bus(interface="virtual", channel="ringlet-test-python-can", protocol=can.CanProtocol.CAN_FD) as left,
        can.Bus(interface="virtual", channel="ringlet-test-python-can", protocol=can.CanProtocol.CAN_FD) as right,
    ):
        yield left, right


def through(ends: Ends, frame: can.Message) -> can.Message:
    ends[0].send(frame)
    found = ends[1].recv(timeout=1.0)
    assert found is not None
    assert found is not frame
    return found


def frame_of(message: Packet) -> can.Message:
    ident, data = encode_can(message)
    return can.Message(arbitration_id=ident, data=data, is_extended_id=True, check=True)


@pytest.mark.parametrize("row", list(KINDS), ids=lambda row: row.name)
def test_every_kind_crosses_the_bus(row: Kind, ends: Ends) -> None:
    rng, decoder = random.Random(row.code), CanDecoder()
    for _ in range(20):
        ident = rng.getrandbits(29) & ~(0xFF << KIND_SHIFT) | row.code << KIND_SHIFT
        message = unpack(ident, rng.randbytes(row.size))
        found = through(ends, frame_of(message))
        assert (found.arbitration_id, found.dlc, found.is_extended_id, found.is_fd) == (ident, row.size, True, False)
        assert decoder.feed(found) == message
    assert (decoder.good, decoder.lost.total()) == (20, 0)


def test_foreign_frames_of_python_can_are_told_apart(ends: Ends) -> None:
    ours = frame_of(unpack(KINDS.by_name["stop"].code << KIND_SHIFT, b"\5"))
    ident, data = ours.arbitration_id, bytes(ours.data)
    foreign = {
        "standard-id": can.Message(arbitration_id=0x123, data=data, is_extended_id=False, check=True),
        "remote": can.Message(arbitration_id=ident, is_remote_frame=True, dlc=1, check=True),
        "error-frame": can.Message(is_error_frame=True),
        "fd": can.Message(arbitration_id=ident, data=bytes(12), is_fd=True, check=True),
        "length": can.Message(arbitration_id=ident, data=b"", check=True),
        "unknown-kind": can.Message(arbitration_id=0xFF << KIND_SHIFT, data=bytes(8), check=True),
        "short-body": can.Message(arbitration_id=KINDS.by_name["move"].code << KIND_SHIFT, data=b"\1", check=True),
    }
    decoder = CanDecoder()
    for frame in foreign.values():
        assert decoder.feed(through(ends, frame)) is None
        assert decoder.feed(through(ends, ours)) == unpack(ident, data)
    assert dict(decoder.lost) == dict.fromkeys(foreign, 1)
    assert decoder.good == len(foreign)
