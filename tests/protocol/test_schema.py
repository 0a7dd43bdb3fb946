"""The schema keeps its own rules: sizes, texts, names, ranges, codes and addresses."""

from __future__ import annotations

import re
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, NamedTuple

import pytest

from ringlet.protocol import codes, header, params
from ringlet.protocol.codec import kind_of
from ringlet.protocol.codes import ENUMS, FAULTS, FLAG_PARTS, REFUSALS, Fault, Flag, Refusal
from ringlet.protocol.header import HEADER_FIELDS
from ringlet.protocol.messages import Assign, Faults, Stop
from ringlet.protocol.states import STATES
from ringlet.protocol.wire import BODY_MAX, KINDS, U8, U16, U32, U48, Field, Kind, Registry, Spec, kind

ALL_KINDS = list(KINDS)
ALL_FIELDS = [(row, spec) for row in ALL_KINDS for spec in row.fields]
SENTENCE = re.compile(r"[A-Z].*[.?]", re.DOTALL)

kinds = pytest.mark.parametrize("row", ALL_KINDS, ids=lambda row: row.name)
fields = pytest.mark.parametrize(
    ("row", "spec"), ALL_FIELDS, ids=[f"{row.name}.{spec.name}" for row, spec in ALL_FIELDS]
)
parameters = pytest.mark.parametrize("param", params.PARAMETERS, ids=lambda param: param.name)

Tag = Annotated[int, Field(U8, "Tag.")]


# --- kinds and fields ---


@kinds
def test_body_fits_one_classic_can_frame(row: Kind) -> None:
    assert 1 <= row.size <= BODY_MAX == 8
    assert row.size == sum(spec.codec.size for spec in row.fields) == row.struct.sizeof()
    assert 1 <= row.min_size <= row.size


@kinds
def test_message_has_a_sentence_and_begins_with_the_tag(row: Kind) -> None:
    assert SENTENCE.fullmatch(row.doc)
    first = row.fields[0]
    assert (first.name, first.offset, first.codec.size, first.codec.signed) == ("tag", 0, 1, False)


@fields
def test_field_has_a_sentence_a_place_and_a_range(row: Kind, spec: Spec) -> None:
    assert SENTENCE.fullmatch(spec.field.doc)
    lowest, highest = spec.codec.bounds
    low, high = spec.bounds
    assert lowest <= low < high <= highest
    assert Decimal(spec.field.scale) > 0
    assert all(lowest <= count <= highest and name for count, name in spec.field.reserved)
    before = [other for other in row.fields if other.offset < spec.offset]
    assert spec.offset == sum(other.codec.size for other in before)


@fields
def test_field_names_an_enumeration_that_fits(row: Kind, spec: Spec) -> None:
    if not spec.field.values:
        return
    assert spec.field.values in ENUMS, f"{row.name}.{spec.name}"
    assert all(spec.bounds[0] <= count <= spec.bounds[1] for count, _, _ in ENUMS[spec.field.values])


@fields
def test_parts_of_a_field_fit_and_do_not_overlap(row: Kind, spec: Spec) -> None:
    taken = 0
    for part in spec.field.parts:
        mask = ((1 << part.width) - 1) << part.shift
        assert part.width >= 1
        assert SENTENCE.fullmatch(part.doc)
        assert mask >> 8 * spec.codec.size == 0, f"{row.name}.{spec.name}.{part.name}"
        assert not taken & mask
        taken |= mask
    assert len({part.name for part in spec.field.parts}) == len(spec.field.parts)


@kinds
def test_kind_is_described_with_the_words_of_the_design(row: Kind) -> None:
    assert 0 <= row.code <= header.KIND_MASK
    assert 0 <= row.priority <= 7
    assert row.role in {"request", "reply", "stream", "event"}
    assert row.sender == ("node" if row.role in {"reply", "event"} else "control")
    assert row.scope in {"axis", "node"}
    assert row.owner in {"", "must", "unless-free"}
    assert 0 <= row.since <= codes.VERSION_MINOR
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", row.name)


@kinds
def test_every_request_has_a_reply_that_exists(row: Kind) -> None:
    if row.role != "request":
        assert row.reply == ""
        return
    assert KINDS.by_name[row.reply].role == "reply"


def test_every_poll_names_a_reply() -> None:
    for _, name, _ in ENUMS["poll"]:
        assert KINDS.by_name[name].role == "reply"
    assert KINDS.by_name[KINDS.by_name["poll"].reply].role == "reply"


def test_every_reply_answers_something() -> None:
    answers = {row.reply for row in ALL_KINDS} | {name for _, name, _ in ENUMS["poll"]} | {"refused"}
    assert {row.name for row in ALL_KINDS if row.role == "reply"} == answers - {""}


def test_tables_agree_with_each_other() -> None:
    assert len(KINDS) == len(ALL_KINDS) == len(KINDS.by_name) == len(KINDS.by_class) == len(KINDS.unpack_by_code)
    assert [row.code for row in ALL_KINDS] == sorted(row.code for row in ALL_KINDS)
    for row in ALL_KINDS:
        assert KINDS.by_code[row.code] is KINDS.by_name[row.name] is KINDS.by_class[row.cls] is row


def test_stop_beats_everything_and_asks_nobody() -> None:
    stop = kind_of(Stop(0))
    assert [row.name for row in ALL_KINDS if row.priority == 0] == ["stop"]
    assert (stop.priority, stop.owner, stop.broadcast) == (0, "", True)
    assert stop.code == min(row.code for row in ALL_KINDS)


# --- what the table refuses ---


def enter(cls: type, **more: object) -> Registry:
    registry = Registry()
    kind(1, "trial", priority=1, role="request", reply="done", registry=registry, **more)(cls)  # type: ignore[arg-type]
    return registry


def test_a_body_of_nine_bytes_is_refused() -> None:
    class Long(NamedTuple):
        """Too long."""

        tag: Tag
        id: Annotated[int, Field(U48, "Six.")]
        more: Annotated[int, Field(U16, "Two.")]

    with pytest.raises(ValueError, match="9 bytes breaks the eight-byte rule"):
        enter(Long)


def test_a_body_without_the_tag_first_is_refused() -> None:
    class Untagged(NamedTuple):
        """No tag."""

        value: Annotated[int, Field(U8, "Value.")]
        tag: Tag

    with pytest.raises(ValueError, match="first field is the tag"):
        enter(Untagged)


def test_a_message_or_field_without_text_is_refused() -> None:
    class Silent(NamedTuple):
        tag: Tag

    class SilentField(NamedTuple):
        """A text."""

        tag: Tag
        value: Annotated[int, Field(U8, "")]

    class Bare(NamedTuple):
        """A text."""

        tag: int

    Silent.__doc__ = None  # a NamedTuple writes one for itself
    for cls in (Silent, SilentField):
        with pytest.raises(ValueError, match="need a sentence"):
            enter(cls)
    with pytest.raises(ValueError, match="no field definition"):
        enter(Bare)


def test_a_field_may_not_be_added_before_older_ones() -> None:
    class Inserted(NamedTuple):
        """Not appended."""

        tag: Tag
        new: Annotated[int, Field(U8, "New.", absent=0)]
        old: Annotated[int, Field(U8, "Old.")]

    with pytest.raises(ValueError, match="only appended"):
        enter(Inserted)


def test_a_code_or_a_name_is_given_once() -> None:
    class One(NamedTuple):
        """One."""

        tag: Tag

    registry = enter(One)
    with pytest.raises(ValueError, match="is there already"):
        kind(1, "other", priority=1, role="stream", registry=registry)(One)
    with pytest.raises(ValueError, match="is there already"):
        kind(2, "trial", priority=1, role="stream", registry=registry)(One)
    registry.remove("trial")
    assert len(registry) == 0
    assert [registry.by_class, registry.by_name, registry.unpack_by_code, registry.pack_by_class] == [{}, {}, {}, {}]


def test_big_endian_and_floating_fields_are_refused() -> None:
    from construct import Float32b, Int16ub

    for con, error in ((Int16ub, "little-endian"), (Float32b, "little-endian")):

        class Foreign(NamedTuple):
            """Foreign."""

            tag: Tag

        Foreign.__annotations__["value"] = Annotated[int, Field(con, "Value.")]
        with pytest.raises(TypeError, match=error):
            enter(Foreign)


def test_no_field_is_a_float() -> None:
    assert not {letter for _, spec in ALL_FIELDS for letter in spec.codec.format} & set("efd")


# --- header and addresses ---


def test_header_widths_fill_the_extended_identifier() -> None:
    assert sum(width for _, width, _ in HEADER_FIELDS) == 29
    assert header.IDENT_MAX == 0x1FFFFFFF
    assert [name for name, _, _ in HEADER_FIELDS] == list(header.Header._fields)
    assert all(SENTENCE.fullmatch(doc) for _, _, doc in HEADER_FIELDS)
    shifts = (header.PRIORITY_SHIFT, header.KIND_SHIFT, header.DST_SHIFT, header.SRC_SHIFT)
    assert shifts == (26, 18, 11, 4)  # as the design's widths 3, 8, 7, 7, 4 give by hand
    assert (header.KIND_MASK, header.NODE_MASK, header.AXIS_MASK) == (255, 127, 15)


def test_addresses_are_shared_out_without_gap() -> None:
    ranges = header.ADDRESS_RANGES
    assert ranges[0][0] == 0
    assert ranges[-1][1] == header.EVERYONE == header.NODE_MASK
    assert all(left[1] + 1 == right[0] for left, right in pairwise(ranges))
    address = params.BY_NAME["address"]
    assert (address.lo, address.hi, address.default) == (header.NODE_FIRST, header.FRESH, header.FRESH)
    given = next(spec for spec in kind_of(Assign(0, 0, 0)).fields if spec.name == "address")
    assert given.bounds == (header.NODE_FIRST, header.NODE_LAST)


# --- codes ---


def test_enumerations_give_each_count_and_name_once() -> None:
    for name, rows in ENUMS.items():
        assert len({count for count, _, _ in rows}) == len(rows), name
        assert len({label for _, label, _ in rows}) == len(rows), name
        assert all(label and doc for _, label, doc in rows), name


def test_every_fault_and_refusal_is_explained() -> None:
    assert set(REFUSALS) == set(Refusal)
    assert set(FAULTS) == set(Fault)
    assert all(rule.reaction in {"coast", "ramp", "note"} and rule.doc for rule in FAULTS.values())
    assert all(text and item for text, item in REFUSALS.values())
    masks = kind_of(Faults(0, 0, 0)).fields[1:]
    assert all(1 << fault <= spec.bounds[1] for fault in Fault for spec in masks)


def test_flags_are_named_once_and_fit_the_status() -> None:
    assert [part.shift for part in FLAG_PARTS] == [int(flag) for flag in Flag]
    assert [part.name for part in FLAG_PARTS] == [flag.name.lower() for flag in Flag]


def test_telemetry_selection_has_one_bit_for_each_message() -> None:
    assert params.BY_NAME["telemetry-select"].hi == (1 << len(ENUMS["poll"])) - 1
    assert [part.shift for part in codes.SELECT_PARTS] == [count for count, _, _ in ENUMS["poll"]]


# --- parameters ---


@parameters
def test_parameter_is_whole(param: params.Param) -> None:
    assert 0 <= param.id <= 255
    assert -(1 << 31) <= param.lo <= param.default <= param.hi < 1 << 31
    assert param.lo < param.hi
    assert Decimal(param.scale) > 0
    assert param.write in {params.ANY, params.STILL, params.NEVER}
    assert param.scope in {"axis", "node"}
    assert SENTENCE.fullmatch(param.doc)
    if param.values:
        assert [count for count, _, _ in ENUMS[param.values]] == list(range(param.lo, param.hi + 1))


def test_parameter_numbers_and_names_are_given_once() -> None:
    assert len(params.BY_ID) == len(params.BY_NAME) == len(params.PARAMETERS)


def test_other_tables_name_parameters_that_exist() -> None:
    assert {rule.torque for rule in STATES.values()} - {""} <= set(params.BY_NAME)
    timeout = params.BY_NAME["owner-timeout"]
    assert timeout.lo * Decimal(timeout.scale) * 1000 == codes.TIMING["owner_floor"].ms


def test_widest_parameter_types_are_what_set_carries() -> None:
    value = next(spec for spec in KINDS.by_name["set"].fields if spec.name == "value")
    assert all(value.bounds[0] <= row.lo and row.hi <= value.bounds[1] for row in params.PARAMETERS)
    assert U32.length == value.codec.size
