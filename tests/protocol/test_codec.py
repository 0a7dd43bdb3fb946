"""The fast path is construct, only faster: held equal for every kind over random counts and random bytes."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import combinations
from typing import Annotated, Any, NamedTuple

import construct
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringlet.protocol import messages
from ringlet.protocol.codec import (
    IDENT_MAX,
    Packet,
    WireError,
    kind_of,
    pack,
    pack_reference,
    packet,
    unpack,
    unpack_reference,
)
from ringlet.protocol.header import KIND_SHIFT, Header, HeaderStruct, unpack_header
from ringlet.protocol.items import PARTS_MAX, TEXT_MAX, marks_check, text_check, text_of, text_parts
from ringlet.protocol.wire import KINDS, U8, U16, U24, Field, Kind, kind, problem

kinds = pytest.mark.parametrize("row", list(KINDS), ids=lambda row: row.name)


def counts(row: Kind) -> st.SearchStrategy[Any]:
    """Bodies of a kind: all that the bytes hold, not only what has a meaning."""
    one = [
        st.binary(min_size=spec.codec.size, max_size=spec.codec.size)
        if spec.codec.is_text
        else st.integers(*spec.codec.bounds)
        for spec in row.fields
    ]
    return st.tuples(*one).map(lambda values: row.cls(*values))


def ident_of(row: Kind, rest: int) -> int:
    return rest & ~(0xFF << KIND_SHIFT) | row.code << KIND_SHIFT


idents = st.integers(0, IDENT_MAX)


@kinds
@settings(max_examples=60, deadline=None)
@given(data=st.data(), rest=idents)
def test_random_counts(row: Kind, data: st.DataObject, rest: int) -> None:
    message = Packet(ident_of(row, rest), data.draw(counts(row)))
    ident, body = pack(message)
    assert (ident, body) == (message.ident, pack_reference(message))
    assert len(body) == row.size
    assert unpack(ident, body) == unpack_reference(ident, body) == message


@kinds
@settings(max_examples=60, deadline=None)
@given(data=st.data(), rest=idents)
def test_random_bytes(row: Kind, data: st.DataObject, rest: int) -> None:
    body = data.draw(st.binary(min_size=row.size, max_size=row.size))
    ident = ident_of(row, rest)
    message = unpack(ident, body)
    assert message == unpack_reference(ident, body)
    assert type(message.body) is row.cls
    assert pack(message) == (ident, body)
    assert unpack(ident, bytearray(body)) == message  # python-can hands out bytearrays


@kinds
def test_ends_of_each_field_and_one_past_them(row: Kind) -> None:
    calm = unpack(row.code << KIND_SHIFT, bytes(row.size)).body
    for spec in row.fields:
        if spec.codec.is_text:
            for wrong in (b"12345", b"1234567"):
                message = Packet(0, calm._replace(**{spec.name: wrong}))
                with pytest.raises(struct.error):
                    pack(message)
                with pytest.raises(construct.ConstructError):
                    pack_reference(message)
            continue
        low, high = spec.codec.bounds
        for count in (low, high):
            message = Packet(0, calm._replace(**{spec.name: count}))
            assert pack(message)[1] == pack_reference(message)
        for count in (low - 1, high + 1):
            message = Packet(0, calm._replace(**{spec.name: count}))
            with pytest.raises(struct.error):
                pack(message)
            with pytest.raises(construct.ConstructError):
                pack_reference(message)


@kinds
@settings(max_examples=20, deadline=None)
@given(data=st.data(), tail=st.binary(min_size=1, max_size=8))
def test_longer_body_is_read_as_its_prefix(row: Kind, data: st.DataObject, tail: bytes) -> None:
    body = data.draw(st.binary(min_size=row.size, max_size=row.size))
    ident = row.code << KIND_SHIFT
    assert unpack(ident, body + tail) == unpack(ident, body)


@kinds
def test_shorter_body_is_refused(row: Kind) -> None:
    for size in range(row.min_size):
        with pytest.raises(WireError, match=row.name) as caught:
            unpack(row.code << KIND_SHIFT | 5, bytes(size))
        assert (caught.value.cause, caught.value.ident, caught.value.size) == (
            "short-body",
            row.code << KIND_SHIFT | 5,
            size,
        )


def test_unknown_kinds_are_refused() -> None:
    for code in set(range(256)) - set(KINDS.by_code):
        with pytest.raises(WireError, match="not in the table") as caught:
            unpack(code << KIND_SHIFT, bytes(8))
        assert caught.value.cause == "unknown-kind"


# --- growing: a kind of our own, with fields that older senders leave out ---


class Grown(NamedTuple):
    """A kind with two fields that came later."""

    tag: Annotated[int, Field(U8, "Tag.")]
    first: Annotated[int, Field(U16, "There from the beginning.")]
    second: Annotated[int, Field(U16, "Came in version 1.1.", absent=0x1234)]
    third: Annotated[int, Field(U24, "Came in version 1.2.", absent=7)]


FREE_CODE = 0xFE


@pytest.fixture
def grown() -> Iterator[Kind]:
    kind(FREE_CODE, "grown", priority=6, role="stream", since=0)(Grown)
    yield KINDS.by_name["grown"]
    KINDS.remove("grown")


def test_missing_fields_take_what_absent_says(grown: Kind) -> None:
    body = bytes.fromhex("01 0200 0300 040000")
    ident = FREE_CODE << KIND_SHIFT
    assert (grown.size, grown.min_size) == (8, 3)
    expected = {
        8: Grown(1, 2, 3, 4),
        7: Grown(1, 2, 3, 7),  # half a field is no field
        6: Grown(1, 2, 3, 7),
        5: Grown(1, 2, 3, 7),
        4: Grown(1, 2, 0x1234, 7),
        3: Grown(1, 2, 0x1234, 7),
    }
    assert {size: unpack(ident, body[:size]).body for size in expected} == expected
    for size in range(3):
        with pytest.raises(WireError, match="at least 3 expected"):
            unpack(ident, body[:size])


def test_kind_added_at_run_time_is_known_until_removed() -> None:
    kind(FREE_CODE, "grown", priority=6, role="stream")(Grown)
    message = packet(Grown(1, 2, 3, 4), dst=16, src=1)
    assert unpack(*pack(message)) == message
    KINDS.remove("grown")
    with pytest.raises(WireError):
        unpack(message.ident, bytes(8))
    with pytest.raises(KeyError):
        pack(message)


# --- header ---


@given(st.tuples(*(st.integers(0, (1 << width) - 1) for width in (3, 8, 7, 7, 4))))
def test_header_equals_construct(parts: tuple[int, int, int, int, int]) -> None:
    header = Header(*parts)
    ident = header.pack()
    raw = HeaderStruct.build(header._asdict())
    assert raw == ident.to_bytes(4, "little")
    parsed = HeaderStruct.parse(raw)
    assert header == unpack_header(ident) == Header(*(parsed[name] for name in Header._fields))
    view = Packet(ident, messages.Stop(0))
    assert (view.priority, view.kind, view.dst, view.src, view.axis) == parts


@pytest.mark.parametrize("place", range(5))
def test_header_parts_off_their_width_are_refused(place: int) -> None:
    widths = (3, 8, 7, 7, 4)
    for wrong in (-1, 1 << widths[place]):
        parts = [0] * 5
        parts[place] = wrong
        with pytest.raises(ValueError, match=Header._fields[place]):
            Header(*parts).pack()


@pytest.mark.parametrize("ident", [-1, 1 << 29, 1 << 31])
def test_numbers_of_other_widths_are_no_header(ident: int) -> None:
    with pytest.raises(ValueError, match="29-bit"):
        unpack_header(ident)


@kinds
def test_packet_puts_the_kinds_own_priority_and_code(row: Kind) -> None:
    message = packet(unpack(row.code << KIND_SHIFT, bytes(row.size)).body, dst=100, src=3, axis=2)
    assert unpack_header(message.ident) == Header(row.priority, row.code, 100, 3, 2)


@pytest.mark.parametrize("wrong", [{"dst": 128}, {"src": -1}, {"axis": 16}, {"dst": -1}, {"src": 128}, {"axis": -1}])
def test_addresses_off_their_range_are_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="addresses"):
        packet(messages.Stop(0), **{"dst": 1, "src": 1, "axis": 1} | wrong)


# --- messages as values ---


def test_kinds_with_like_fields_never_compare_equal() -> None:
    calm = [unpack(row.code << KIND_SHIFT, bytes(row.size)).body for row in KINDS]
    for left, right in combinations(calm, 2):
        assert left != right
        assert (left == right) is False
    for body in calm:
        twin = type(body)(*body)
        assert body == twin
        assert (body != twin) is False
        assert hash(body) == hash(twin)
        assert body != tuple(body)
        assert tuple(body) != body
    assert len(set(calm)) == len(KINDS)


@kinds
def test_messages_are_immutable_and_small(row: Kind) -> None:
    body = unpack(row.code << KIND_SHIFT, bytes(row.size)).body
    with pytest.raises(AttributeError):
        body.tag = 1
    with pytest.raises(AttributeError):
        body.extra = 1
    assert not hasattr(body, "__dict__")
    assert kind_of(body) is row


def test_problem_names_the_first_field_without_meaning() -> None:
    assert problem(messages.Assign(0, 0, 16)) is None
    assert problem(messages.Assign(0, 0, 0)) is None  # reserved: keep
    found = problem(messages.Assign(0, 0, 15))
    assert found is not None
    assert found[0] == 2
    assert "address is 15; it must be 16 to 125" in found[1]
    assert problem(messages.Range(0, 0xFFFFFF, 0, 0, 0)) is None
    assert problem(messages.Timecode(0, 24, 60, 0, 0, 0)) == (1, "hours is 24; it must be 0 to 23 counts")


# --- long things in items ---


@given(st.text().filter(lambda text: "\0" not in text and len(text.encode()) <= TEXT_MAX))
def test_text_goes_in_parts_and_comes_back(text: str) -> None:
    parts = text_parts(text)
    assert len(parts) <= PARTS_MAX
    assert all(len(part) == 6 for part in parts)
    assert 0 in parts[-1]
    assert all(0 not in part for part in parts[:-1])
    assert text_of(parts) == text
    assert text_check(parts) == text_check(text_parts(text_of(parts)))


@pytest.mark.parametrize("text", ["x" * (TEXT_MAX + 1), "\u00e9" * 48, "a\0b"])
def test_text_that_does_not_fit_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="at most 95 bytes"):
        text_parts(text)


def test_check_value_of_marks_sees_order_position_and_value() -> None:
    marks = [(-1000, 450), (0, 900), (250_000, 0xFFFFFF)]
    check = marks_check(marks)
    # by hand: three bytes of position and three of value, little-endian, of each mark in order
    raw = b"".join(p.to_bytes(3, "little", signed=True) + v.to_bytes(3, "little") for p, v in marks)
    assert check == text_check([raw])
    others = [marks[::-1], marks[:2], [(-1001, 450), *marks[1:]], [(-1000, 451), *marks[1:]]]
    assert all(marks_check(other) != check for other in others)
