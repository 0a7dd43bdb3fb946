"""The emitted bus database against cantools (library cantools, its DBC reader and decoder), which reads it strictly.

cantools multiplies by the scale in binary floating point, Ringlet's own values are exact decimals: they must agree to
the last bits of a double, and give the same count when divided by the scale again.
"""

from __future__ import annotations

import logging
import math
import random
import warnings
from typing import Annotated, Any, NamedTuple

import pytest
from cantools.database import load_string
from cantools.database.can import Database
from cantools.database.namedsignalvalue import NamedSignalValue

from ringlet.protocol import emit
from ringlet.protocol.codec import Packet, pack, packet, unpack
from ringlet.protocol.emit_common import PARAMETER_FIELD, VALUE_FIELD, carries_parameter
from ringlet.protocol.emit_dbc import MASK, emit_dbc
from ringlet.protocol.header import KIND_SHIFT
from ringlet.protocol.params import BY_ID, PARAMETERS
from ringlet.protocol.physical import show_body, show_parameter
from ringlet.protocol.wire import I16, KINDS, U8, Field, Kind, Registry, kind


def _load(text: str) -> Database:
    found = load_string(text, "dbc", frame_id_mask=MASK, strict=True)
    assert isinstance(found, Database)
    return found


@pytest.fixture(scope="module")
def database() -> Database:
    return _load(emit.texts("dbc")["ringlet.dbc"])


def _same(ours: Any, theirs: Any) -> bool:
    if isinstance(theirs, NamedSignalValue):
        return bool(ours in (theirs.name, theirs.value))
    if isinstance(ours, float):
        return math.isclose(ours, theirs, rel_tol=4e-16)
    return bool(ours == theirs and not isinstance(ours, str))


def _expected(row: Kind, body: Any) -> dict[str, tuple[Any, str]]:
    """signal name -> (value, unit), from Ringlet's own physical values."""
    found: dict[str, tuple[Any, str]] = {}
    shown = show_body(body)
    for spec, count in zip(row.fields, body, strict=True):
        value = shown[spec.name]
        if spec.codec.is_text:
            found |= {f"{spec.name}_{index}": (byte, "") for index, byte in enumerate(bytes.fromhex(value))}
        elif spec.field.parts:
            found |= {f"{spec.name}_{part.name}": (value[part.name], "") for part in spec.field.parts}
        elif spec.field is VALUE_FIELD and body.parameter in BY_ID:
            param = BY_ID[body.parameter]
            found[param.name.replace("-", "_")] = (show_parameter(param, count), param.unit)
        else:
            found[spec.name] = (value, spec.field.unit)
    return found


def _check(database: Database, message: Packet) -> None:
    row = KINDS.by_code[message.kind]
    ident, data = pack(message)
    theirs = database.get_message_by_frame_id(ident, force_extended_id=True)
    assert theirs.name == row.name.replace("-", "_")
    assert theirs.length == row.size
    decoded = theirs.decode(data)
    assert isinstance(decoded, dict)
    expected = _expected(row, message.body)
    assert decoded.keys() == expected.keys()
    for name, (value, unit) in expected.items():
        assert _same(value, decoded[name]), (row.name, name, value, decoded[name])
        assert (theirs.get_signal_by_name(name).unit or "") == unit, (row.name, name)
    assert theirs.encode(theirs.decode(data), strict=False)[: len(data)] == _without_spare(row, data)


def _without_spare(row: Kind, data: bytes) -> bytes:
    """Bits that no part names are sent zero."""
    out = bytearray(data)
    for spec in row.fields:
        if spec.field.parts:
            known = sum(((1 << part.width) - 1) << part.shift for part in spec.field.parts)
            value = int.from_bytes(out[spec.offset : spec.offset + spec.codec.size], "little") & known
            out[spec.offset : spec.offset + spec.codec.size] = value.to_bytes(spec.codec.size, "little")
    return bytes(out)


def _bodies(row: Kind, dice: random.Random) -> list[Any]:
    """Lowest, highest and named counts of each field, and random bytes."""

    def body(data: bytes) -> Any:
        return unpack(row.code << KIND_SHIFT, data).body

    zero = body(bytes(row.size))
    found = [zero, body(b"\xff" * row.size)]
    for spec in row.fields:
        if not spec.codec.is_text:
            counts = [*spec.bounds, *(count for count, _ in spec.field.reserved)]
            found += [zero._replace(**{spec.name: count}) for count in counts]
    return found + [body(dice.randbytes(row.size)) for _ in range(50)]


def test_loads_with_no_warning(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG), warnings.catch_warnings():
        warnings.simplefilter("error")
        database = _load(emit.texts("dbc")["ringlet.dbc"])
    assert not [record for record in caplog.records if record.levelno >= logging.WARNING]
    assert len(database.messages) == len(KINDS)
    assert {m.frame_id for m in database.messages} == {row.priority << 26 | row.code << 18 for row in KINDS}
    assert all(m.is_extended_frame for m in database.messages)
    assert database.dbc is not None
    assert database.dbc.attributes["RingletIdMask"].value == MASK


@pytest.mark.parametrize("name", [row.name for row in KINDS])
def test_frames_decode_to_our_own_values(database: Database, name: str) -> None:
    row, dice = KINDS.by_name[name], random.Random(name)
    for body in _bodies(row, dice):
        message = packet(body, dst=dice.randrange(128), src=dice.randrange(128), axis=dice.randrange(16))
        _check(database, message)


@pytest.mark.parametrize("name", [row.name for row in KINDS if carries_parameter(row)])
def test_each_parameter_has_its_own_unit_and_scale(database: Database, name: str) -> None:
    row = KINDS.by_name[name]
    for param in PARAMETERS:
        for count in (param.lo, param.hi, param.default):
            _check(database, packet(row.cls(9, param.id, count), dst=16, src=1, axis=0))
    message = database.get_message_by_name(name)
    ours = {param.id for param in PARAMETERS}
    assert message.get_signal_by_name("value").multiplexer_ids == [n for n in range(256) if n not in ours]
    assert [s.name for s in message.signals if s.is_multiplexer] == ["parameter"]
    _check(database, packet(row.cls(9, 255, -5), dst=16, src=1, axis=0))


def test_documents_ranges_and_names(database: Database) -> None:
    position = database.get_message_by_name("move").get_signal_by_name("position")
    assert (position.scale, position.is_signed, position.byte_order) == (0.001, True, "little_endian")
    assert position.comment == "Position of the lens ring."
    for row in KINDS:
        for spec in row.fields:
            if spec.field is PARAMETER_FIELD:
                signal = database.get_message_by_name(row.name.replace("-", "_")).get_signal_by_name(spec.name)
                assert signal.choices is not None
                assert {int(k): str(v) for k, v in signal.choices.items()} == {p.id: p.name for p in PARAMETERS}
    assert str((database.get_message_by_name("mark").get_signal_by_name("value").choices or {})[0xFFFFFF]) == "infinity"


def test_a_message_added_at_run_time_arrives() -> None:
    registry = Registry()

    @kind(0xE0, "tilt-test", priority=5, role="reply", sender="node", registry=registry)
    class Tilt(NamedTuple):
        """Tilt of the housing."""

        tag: Annotated[int, Field(U8, "Tag.")]
        tilt: Annotated[int, Field(I16, "Tilt against level.", "deg", "0.01")]
        speed: Annotated[int, Field(U8, "How fast it tilts.", absent=0)]

    database = _load(emit.stamped(emit_dbc(registry)["ringlet.dbc"]))
    message = database.get_message_by_frame_id(5 << 26 | 0xE0 << 18 | 0x1234, force_extended_id=True)
    assert message.name == "tilt_test"
    assert message.comment is not None
    assert message.comment.startswith("Tilt of the housing.")
    assert message.decode(bytes([7, 0x18, 0xFC, 1])) == {"tag": 7, "tilt": -10.0, "speed": 1}
    short = message.decode(bytes([7, 0x18, 0xFC]), allow_truncated=True)
    assert short == {"tag": 7, "tilt": -10.0}
