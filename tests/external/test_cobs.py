"""COBS: the authors' example and rules, a decoder written afresh from the paper, and the library over random data.

Source: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2),
April 1999: Figure 3 (the start of an IP packet, before and after; the figures were taken from test suites of other
implementations that cite it, not from the paper itself), and the rules of section III: a code byte n of 1 to 254
stands for n - 1 bytes and a zero byte, 255 for 254 bytes and no zero byte; a zero byte is added in thought at the end.
"""

from __future__ import annotations

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from ringlet.protocol.serial_frame import StreamDecoder, WireError, crc16, decode_raw, encode_raw
from ringlet.protocol.wire import KINDS

FIGURE_3 = ("4500002C4C79000040064F37", "024501042C4C79010540064F37")


def stuff(data: bytes) -> bytes:
    """The rules of the paper, for data of at most 253 bytes: no code 255 is needed there."""
    return b"".join(bytes([len(run) + 1]) + run for run in data.split(b"\0"))


def test_example_of_the_authors() -> None:
    plain, stuffed = (bytes.fromhex(text) for text in FIGURE_3)
    assert cobs.encode(plain) == stuff(plain) == stuffed
    assert cobs.decode(stuffed) == plain


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [  # worked out by hand from the rules
        ("", "01"),
        ("00", "0101"),
        ("0000", "010101"),
        ("11220033", "0311220233"),
        ("11000000", "0211010101"),
        ("11223344", "0511223344"),
    ],
)
def test_small_cases(plain: str, stuffed: str) -> None:
    assert cobs.encode(bytes.fromhex(plain)).hex() == stuff(bytes.fromhex(plain)).hex() == stuffed
    assert cobs.decode(bytes.fromhex(stuffed)).hex() == plain


def test_long_runs_follow_the_rule_for_the_code_255() -> None:
    run = bytes(range(1, 255))
    assert cobs.encode(run) == b"\xff" + run
    assert cobs.encode(run + b"\x55") == b"\xff" + run + b"\x02\x55"


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=253))
def test_library_equals_the_rules_over_random_data(data: bytes) -> None:
    stuffed = cobs.encode(data)
    assert stuffed == stuff(data)
    assert 0 not in stuffed
    assert len(stuffed) == len(data) + 1
    assert cobs.decode(stuffed) == data


@settings(max_examples=300, deadline=None)
@given(st.integers(0, (1 << 29) - 1), st.binary(min_size=1, max_size=8))
def test_our_frames_are_the_rules_over_header_body_and_crc(ident: int, body: bytes) -> None:
    data = ident.to_bytes(4, "little") + body
    frame = encode_raw(ident, body)
    assert frame == stuff(data + crc16(data).to_bytes(2, "little")) + b"\0"
    assert decode_raw(frame[:-1]) == (ident, body)


@settings(max_examples=300, deadline=None)
@given(st.binary(min_size=1, max_size=24).map(lambda data: data.replace(b"\0", b"\7")))
def test_our_decoder_accepts_only_what_the_rules_give_back(piece: bytes) -> None:
    decoder = StreamDecoder()
    found = decoder.feed(piece + b"\0")
    for message in found:  # random bytes seldom get here; what does must be a frame to the last bit
        row = KINDS.by_code[message.kind]
        assert stuff(cobs.decode(piece)) == piece
        assert len(cobs.decode(piece)) >= 6 + row.min_size
    assert len(found) + decoder.lost.total() == 1
    if decoder.lost["cobs"]:
        with pytest.raises(WireError, match="no COBS"):
            decode_raw(piece)
