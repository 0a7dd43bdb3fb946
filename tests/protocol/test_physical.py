"""Between counts and what people read: exact both ways, and one sentence for what has no count."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringlet.protocol import messages, physical
from ringlet.protocol.codec import unpack
from ringlet.protocol.header import KIND_SHIFT
from ringlet.protocol.params import BY_NAME, PARAMETERS, Param
from ringlet.protocol.physical import ValueProblem
from ringlet.protocol.wire import KINDS, Kind, Spec

kinds = pytest.mark.parametrize("row", list(KINDS), ids=lambda row: row.name)
parameters = pytest.mark.parametrize("param", PARAMETERS, ids=lambda param: param.name)


def spec_of(kind: str, field: str) -> Spec:
    return next(spec for spec in KINDS.by_name[kind].fields if spec.name == field)


@kinds
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_every_body_goes_through_json_and_back(row: Kind, data: st.DataObject) -> None:
    body = unpack(row.code << KIND_SHIFT, data.draw(st.binary(min_size=row.size, max_size=row.size))).body
    shown = json.loads(json.dumps(physical.show_body(body)))
    assert list(shown) == [spec.name for spec in row.fields]
    assert physical.read_body(row, shown) == body


@kinds
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_every_field_goes_through_typed_text_and_back(row: Kind, data: st.DataObject) -> None:
    body = unpack(row.code << KIND_SHIFT, data.draw(st.binary(min_size=row.size, max_size=row.size))).body
    for spec, value in zip(row.fields, body, strict=True):
        typed = physical.show_argument(spec, value)
        assert isinstance(typed, str)
        assert physical.read_field(spec, typed) == value


@parameters
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_every_parameter_goes_through_json_and_back(param: Param, data: st.DataObject) -> None:
    count = data.draw(st.one_of(st.integers(param.lo, param.hi), st.sampled_from([param.lo, param.default, param.hi])))
    shown = json.loads(json.dumps(physical.show_parameter(param, count)))
    assert physical.read_parameter(param, shown) == count
    assert physical.read_parameter(param, str(shown)) == count


def test_values_are_in_the_units_that_people_use() -> None:
    shown = physical.show_body(messages.Move(1, -90_500, 30_000))
    assert shown == {"tag": 1, "position": -90.5, "speed": 30}
    assert physical.show_body(messages.Health(0, 12_400, 415, -5)) == {
        "tag": 0, "supply": 12.4, "winding": 41.5, "case": -0.5,
    }  # fmt: skip
    assert physical.show_body(messages.Range(0, 0xFFFFFF, 0, 0, 1))["distance"] == "no reading"
    assert physical.show_body(messages.Take(0, 1))["force"] == "on"
    assert physical.show_body(messages.Announce(0, 1, 0x21))["version"] == {"minor": 1, "major": 2}
    assert physical.show_body(messages.Text(0, 0x32, b"abc\0\0\0"))["text"] == "616263000000"


def test_flags_are_named_bits_and_spare_bits_are_kept() -> None:
    flags = spec_of("status", "flags")
    shown = physical.show_field(flags, 0x8003)
    assert (shown["calibrated"], shown["in_motion"], shown["at_low"], shown["reserved"]) == (1, 1, 0, 0x8000)
    assert physical.read_field(flags, shown) == 0x8003
    assert physical.read_field(flags, "calibrated=1+at_high=1") == 0b1001


def test_counts_are_exact() -> None:
    assert physical.to_counts("0.001", "0.001", 0, 10, "x") == 1
    assert physical.to_counts(0.3, "0.1", 0, 10, "x") == 3
    assert physical.to_counts("1e3", "1", 0, 1000, "x") == 1000
    assert physical.from_counts(-1, "0.001") == Decimal("-0.001")
    assert physical.number(Decimal("2.000")) == 2
    assert isinstance(physical.number(Decimal("2.000")), int)


@given(st.integers(-(1 << 47), 1 << 47), st.sampled_from(["1", "0.1", "0.01", "0.001"]))
def test_count_to_number_and_back(count: int, scale: str) -> None:
    shown = physical.number(physical.from_counts(count, scale))
    assert physical.to_counts(shown, scale, -(1 << 48), 1 << 48, "x") == count


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ("fast", "not a number"),
        ("", "not a number"),
        (None, "not a number"),
        ("nan", "not a finite number"),
        ("sNaN", "number"),
        (float("nan"), "not a finite number"),
        (float("inf"), "not a finite number"),
        ("-inf", "not a finite number"),
        ("0.0005", "steps are 0.001 deg"),
        ("1e-30", "steps are 0.001 deg"),
        ("1e-9999999", "position is"),
        ("1e999999", "position is"),
        ("0.0010000000000000000000000000000000000001", "position is"),
        ("2147483.648", "must be -2147483.648 to 2147483.647 deg"),
        (1e300, "must be"),
        (True, "not a number"),
        ([1], "not a number"),
    ],
)
def test_a_number_without_a_count_is_refused_in_one_sentence(given_: Any, words: str) -> None:
    with pytest.raises(ValueProblem, match=words) as caught:
        physical.read_field(spec_of("move", "position"), given_)
    assert "position" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("kind", "field", "given_", "words"),
    [
        ("take", "force", "perhaps", "choose one of: off, on"),
        ("take", "force", 256, "must be 0 to 255"),
        ("status", "flags", {"shiny": 1}, "no part 'shiny'"),
        ("status", "flags", {"calibrated": 2}, "must be 0 to 1"),
        ("status", "flags", {"reserved": "abc"}, "not a number"),
        ("status", "flags", {"reserved": -1}, "must be"),
        ("status", "flags", {"reserved": 1}, "give these by name"),
        ("status", "flags", "calibrated=1+x", "name=value"),
        ("status", "flags", "0xfffff", "flags"),
        ("text", "text", "xyz", "not hex text"),
        ("text", "text", 5, "not hex text"),
        ("text", "text", None, "not hex text"),
        ("text", "text", "00" * 7, "has 7 bytes; it holds 6"),
        ("move", "position", "0xzz", "position"),
    ],
)
def test_a_wrong_field_is_refused_in_one_sentence(kind: str, field: str, given_: Any, words: str) -> None:
    with pytest.raises(ValueProblem, match=words) as caught:
        physical.read_field(spec_of(kind, field), given_)
    assert "\n" not in str(caught.value)


def test_a_body_says_what_it_lacks_and_what_it_does_not_know() -> None:
    move = KINDS.by_name["move"]
    with pytest.raises(ValueProblem, match="move needs the field 'speed'"):
        physical.read_body(move, {"position": 1})
    with pytest.raises(ValueProblem, match="no field 'torque'; its fields are: tag, position, speed"):
        physical.read_body(move, {"position": 1, "speed": 0, "torque": 1})
    assert physical.read_body(move, {"position": 1, "speed": 0}) == messages.Move(0, 1000, 0)


@pytest.mark.parametrize(
    ("name", "given_", "words"),
    [
        ("velocity-limit", "0.5", "must be 1.000 to 3600.000 deg/s"),
        ("velocity-limit", "nan", "not a finite number"),
        ("direction", "sideways", "choose one of: same, reversed"),
        ("direction", "7", "must be 0 to 1"),
        ("motor-teeth", "20.5", "steps are 1 teeth"),
    ],
)
def test_a_wrong_parameter_is_refused_in_one_sentence(name: str, given_: str, words: str) -> None:
    with pytest.raises(ValueProblem, match=words):
        physical.read_parameter(BY_NAME[name], given_)


def test_parameters_read_names_and_numbers() -> None:
    assert physical.read_parameter(BY_NAME["direction"], "reversed") == 1
    assert physical.read_parameter(BY_NAME["velocity-limit"], "120.5") == 120_500
    assert physical.show_parameter(BY_NAME["on-loss"], 1) == "release"
    assert physical.show_parameter(BY_NAME["velocity-limit"], 120_500) == 120.5
