"""Target `dbc`: the bus database for CAN tools. One BO_ for each kind, with destination, source and axis zero.

A frame on the bus has its addresses in the low 18 bits of the identifier, so a reader must mask: MASK keeps what a
DBC identifier names. The value of a parameter is multiplexed by the parameter's number, and the extended form
(SG_MUL_VAL_) gives the numbers of no parameter to a plain `value`, so that every frame decodes.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from ringlet.protocol import header
from ringlet.protocol.codes import ENUMS, REFUSALS
from ringlet.protocol.emit import VERSION, target, template
from ringlet.protocol.emit_common import (
    PARAMETER_FIELD,
    VALUE_FIELD,
    carries_parameter,
    count_names,
    identifier,
    one_line,
)
from ringlet.protocol.header import IDENT_MAX, KIND_SHIFT, PRIORITY_SHIFT
from ringlet.protocol.params import PARAMETERS, Param
from ringlet.protocol.physical import from_counts
from ringlet.protocol.wire import Kind, Registry, Spec

EXTENDED: Final = 1 << 31
"""A DBC marks a 29-bit identifier with this bit."""
MASK: Final = IDENT_MAX & ~((1 << KIND_SHIFT) - 1)
"""Bits of an identifier that the database names: priority and kind."""


class Signal(NamedTuple):
    name: str
    mux: str
    """`M` multiplexes, `m3` is multiplexed, empty is neither"""
    start: int
    width: int
    sign: str
    scale: str
    low: str
    high: str
    unit: str
    doc: str
    names: list[tuple[int, str]]
    ranges: str
    """`signal numbers` of the multiplexor for SG_MUL_VAL_, or empty"""


class Message(NamedTuple):
    ident: int
    name: str
    size: int
    sender: str
    receiver: str
    doc: str
    signals: list[Signal]
    row: Kind


def base_ident(row: Kind) -> int:
    """Identifier of a kind with destination, source and axis zero."""
    return row.priority << PRIORITY_SHIFT | row.code << KIND_SHIFT


@target("dbc", doc="bus database for CAN tools")
def emit_dbc(registry: Registry) -> dict[str, str]:
    """One DBC file. Raises nothing."""
    messages = [
        Message(
            base_ident(row) | EXTENDED, identifier(row.name), row.size, row.sender,
            "control" if row.sender == "node" else "node", _message_doc(row), list(_signals(row, registry)), row,
        )
        for row in registry
    ]  # fmt: skip
    text = template("dbc/ringlet.dbc.j2").render(messages=messages, version=VERSION, mask=MASK, header=header)
    return {"ringlet.dbc": text}


def _message_doc(row: Kind) -> str:
    return _quoted(f"{row.doc} {row.role} from {row.sender}" + (f", answered by {row.reply}." if row.reply else "."))


def _quoted(text: str) -> str:
    return one_line(text).replace("\\", "/").replace('"', "'")


def _signals(row: Kind, registry: Registry) -> list[Signal]:
    found: list[Signal] = []
    number = next((spec.name for spec in row.fields if spec.field is PARAMETER_FIELD), "")
    for spec in row.fields:
        if spec.codec.is_text:
            found += [_byte(spec, index) for index in range(spec.codec.size)]
        elif spec.field.parts:
            found += _parts(spec)
        elif carries_parameter(row) and spec.field is VALUE_FIELD:
            found += [_parameter(spec, param, number) for param in PARAMETERS]
            others = _foreign()
            plain = _plain(spec, registry)
            found.append(plain._replace(mux=f"m{others[0]}", ranges=f"{number} {_ranges(others)}"))
        else:
            is_mux = carries_parameter(row) and spec.field is PARAMETER_FIELD
            found.append(_plain(spec, registry)._replace(mux="M" if is_mux else ""))
    return found


def _foreign() -> list[int]:
    """Numbers of no parameter."""
    known = {param.id for param in PARAMETERS}
    return [number for number in range(256) if number not in known]


def _ranges(numbers: list[int]) -> str:
    starts = [n for n in numbers if n - 1 not in numbers]
    ends = [n for n in numbers if n + 1 not in numbers]
    return ", ".join(f"{start}-{end}" for start, end in zip(starts, ends, strict=True))


def _plain(spec: Spec, registry: Registry) -> Signal:
    field, (lo, hi) = spec.field, spec.bounds
    doc = field.doc
    if field.values == "refusal":
        doc += " Item by code: " + "; ".join(f"{int(code)} {item}" for code, (_, item) in REFUSALS.items()) + "."
    return Signal(
        spec.name, "", spec.offset * 8, spec.codec.size * 8, "-" if spec.codec.signed else "+", field.scale,
        str(from_counts(lo, field.scale)), str(from_counts(hi, field.scale)), field.unit, _quoted(doc),
        count_names(spec, registry), "",
    )  # fmt: skip


def _byte(spec: Spec, index: int) -> Signal:
    return Signal(
        f"{spec.name}_{index}", "", (spec.offset + index) * 8, 8, "+", "1", "0", "255", "",
        _quoted(f"{spec.field.doc} Byte {index}."), [], "",
    )  # fmt: skip


def _parts(spec: Spec) -> list[Signal]:
    return [
        Signal(
            f"{spec.name}_{part.name}", "", spec.offset * 8 + part.shift, part.width, "+", "1", "0",
            str((1 << part.width) - 1), "", _quoted(part.doc), [], "",
        )
        for part in spec.field.parts
    ]  # fmt: skip


def _parameter(spec: Spec, param: Param, number: str) -> Signal:
    names = [(count, name) for count, name, _ in ENUMS[param.values]] if param.values else []
    return Signal(
        identifier(param.name), f"m{param.id}", spec.offset * 8, spec.codec.size * 8, "-", param.scale,
        str(from_counts(param.lo, param.scale)), str(from_counts(param.hi, param.scale)), param.unit,
        _quoted(param.doc), names, f"{number} {param.id}-{param.id}",
    )  # fmt: skip
