"""Target `dissector`: one Lua file for Wireshark, for CAN captures and for captures of a serial line.

CAN frames are claimed by a heuristic: extended, classic, a kind of ours with that kind's own priority, and long
enough. A serial capture has LINKTYPE_SERIAL, one record for each frame, as it stood on the line.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Final, NamedTuple

from ringlet.protocol import header
from ringlet.protocol.codes import ENUMS, FAULTS, REFUSALS
from ringlet.protocol.emit import VERSION, target, template
from ringlet.protocol.emit_common import PARAMETER_FIELD, VALUE_FIELD, count_names, identifier, one_line
from ringlet.protocol.params import PARAMETERS, Param
from ringlet.protocol.serial_frame import CRC, CRC_NAME, FRAME_MAX, HEADER_SIZE, PAYLOAD_MIN
from ringlet.protocol.wire import BODY_MAX, Kind, Registry, Spec

LINKTYPE_SERIAL: Final = 147
"""LINKTYPE_USER0 of the list of link-layer header types (tcpdump.org): private use, so we may say what it means."""

PREFIX: Final = "ringlet"


class Item(NamedTuple):
    """A ProtoField and what the Lua code needs to fill it in, each as Lua text."""

    key: str
    proto: str
    row: str


@target("dissector", doc="Lua dissector for Wireshark, CAN and serial captures")
def emit_dissector(registry: Registry) -> dict[str, str]:
    """One Lua file."""
    kinds = [(row, [_field(row, spec, registry) for spec in row.fields[1:]]) for row in registry]
    context = {
        "kinds": kinds,
        "parameters": [(param.id, _parameter(param)) for param in PARAMETERS],
        "header": _header(),
        "header_size": HEADER_SIZE,
        "all_axes": header.ALL_AXES,
        "ident_max": header.IDENT_MAX,
        "frame_max": FRAME_MAX,
        "payload_min": PAYLOAD_MIN,
        "body_max": BODY_MAX,
        "crc": crc_rule(),
        "crc_name": CRC_NAME,
        "version": VERSION,
        "link_type": LINKTYPE_SERIAL,
        "refusals": [(int(code), doc, item) for code, (doc, item) in REFUSALS.items()],
        "faults": [(int(fault), rule.doc) for fault, rule in FAULTS.items()],
        "lua": _text,
        "one_line": one_line,
    }
    return {"ringlet.lua": template("dissector/ringlet.lua.j2").render(context)}


def crc_rule() -> dict[str, int]:
    """Start value, polynomial both ways round and final XOR of the framing's CRC, from the library's own table."""
    poly = CRC.poly & 0xFFFF
    if not CRC.reverse:
        raise ValueError(f"{CRC_NAME} is not a reflected CRC; the Lua code has no rule for it")
    start, reflected = CRC.initCrc ^ CRC.xorOut, int(f"{poly:016b}"[::-1], 2)
    return {"start": start, "poly": poly, "reflected": reflected, "out": CRC.xorOut}


def _header() -> list[tuple[str, int, int, str]]:
    shift, found = 29, []
    for name, width, doc in header.HEADER_FIELDS:
        shift -= width
        found.append((name, shift, width, doc))
    return found


def _text(text: str) -> str:
    """A Lua string; JSON's escapes of plain ASCII text are Lua's."""
    return json.dumps(one_line(text).encode("ascii", "replace").decode())


def _names(pairs: list[tuple[int, str]]) -> str:
    return "{" + ", ".join(f"[{count}]={_text(name)}" for count, name in pairs) + "}"


def _integer(size: int, signed: bool) -> str:
    return ("int" if signed else "uint") + str({1: 8, 2: 16, 3: 24, 4: 32, 6: 64}[size])


def _proto(abbrev: str, name: str, sort: str, scale: str, base: str, names: list[tuple[int, str]], doc: str) -> str:
    if Fraction(scale) != 1:
        return f'ProtoField.double("{abbrev}", {_text(name)}, {_text(doc)})'
    values = _names(names) if names else "nil"
    return f'ProtoField.{sort}("{abbrev}", {_text(name)}, base.{base}, {values}, nil, {_text(doc)})'


def _field(row: Kind, spec: Spec, registry: Registry) -> list[Item]:
    """The field itself, then its parts."""
    key = f"{identifier(row.name)}_{spec.name}"
    abbrev = f"{PREFIX}.{identifier(row.name)}.{spec.name}"
    field, names = spec.field, count_names(spec, registry)
    place = f'key="{key}", name="{spec.name}", offset={spec.offset}, size={spec.codec.size}'
    if spec.codec.is_text:
        proto = f'ProtoField.bytes("{abbrev}", "{spec.name}", base.SPACE, {_text(field.doc)})'
        return [Item(key, proto, f"{place}, text=true")]
    scale, (lo, hi) = Fraction(field.scale), spec.bounds
    full = 1 << 8 * spec.codec.size
    extra = "".join(
        (
            ", signed=true" if spec.codec.signed else "",
            f", num={scale.numerator}, den={scale.denominator}" if scale != 1 else "",
            f', unit="{field.unit}"' if field.unit else "",
            f", names={_names(names)}" if names else "",
            ", mark=true" if field.reserved else "",
            f", lo={lo}, hi={hi}" if hi - lo + 1 < full else "",
            f', is="{field.values}"' if field.values in ("refusal", "fault") else "",
            ", number=true" if field is PARAMETER_FIELD else "",
            ", value=true" if field is VALUE_FIELD else "",
        )
    )
    sort = _integer(spec.codec.size, spec.codec.signed)
    base = "HEX" if field.parts or (sort == "uint64" and not field.unit) else "DEC"  # unique ids are read in hex
    listed = [] if field.reserved else names  # Wireshark calls every count outside a list unknown
    found = [Item(key, _proto(abbrev, spec.name, sort, field.scale, base, listed, field.doc), place + extra)]
    for part in field.parts:
        mask = ((1 << part.width) - 1) << part.shift
        what, display = ("bool", str(8 * spec.codec.size)) if part.width == 1 else (sort, "base.DEC")
        named = f'"{abbrev}_{part.name}", "{part.name}"'
        proto = f"ProtoField.{what}({named}, {display}, nil, {mask:#x}, {_text(part.doc)})"
        row_text = f'key="{key}_{part.name}", name="{part.name}"'
        found.append(Item(f"{key}_{part.name}", proto, row_text))
    return found


def _parameter(param: Param) -> Item:
    key = f"param_{identifier(param.name)}"
    names = [(count, name) for count, name, _ in ENUMS[param.values]] if param.values else []
    abbrev = f"{PREFIX}.value.{identifier(param.name)}"
    proto = _proto(abbrev, param.name, "int32", param.scale, "DEC", names, param.doc)
    scale = Fraction(param.scale)
    row = f'key="{key}", name="{param.name}", num={scale.numerator}, den={scale.denominator}'
    row += f", lo={param.lo}, hi={param.hi}"
    row += f', unit="{param.unit}"' if param.unit else ""
    row += f", names={_names(names)}" if names else ""
    return Item(key, proto, row)
