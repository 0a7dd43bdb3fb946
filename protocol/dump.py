"""Every table of the protocol as plain values that JSON can hold: for `ringlet schema --json` and the emitters."""

from __future__ import annotations

from typing import Any

from ringlet.protocol import codes, header, params, serial_frame, states, wire
from ringlet.protocol.physical import show_parameter
from ringlet.protocol.wire import KINDS, Kind, Registry, Spec


def dump_schema(registry: Registry = KINDS) -> dict[str, Any]:
    """All tables as dicts and lists of text, whole numbers and booleans. Counts are raw; `scale` is exact text."""
    return {
        "protocol": {"major": codes.VERSION_MAJOR, "minor": codes.VERSION_MINOR},
        "header": _header(),
        "serial": {
            "framing": "COBS(header as 4 bytes little-endian, body, CRC-16 over both little-endian), zero byte",
            "crc": serial_frame.CRC_NAME,
            "longest_frame": serial_frame.FRAME_MAX,
        },
        "body_max": wire.BODY_MAX,
        "kinds": [_kind(row) for row in registry],
        "parameters": [_parameter(row) for row in params.PARAMETERS],
        "states": [
            {"code": int(state), "name": state.name.lower()} | rule._asdict() for state, rule in states.STATES.items()
        ],
        "events": {"requests": list(states.REQUESTS), "internal": dict(states.INTERNAL)},
        "transitions": [
            {
                "event": row.event,
                "from": [state.name.lower() for state in row.states],
                "to": None if row.to is None else row.to.name.lower(),
                "calibrated": row.calibrated,
                "doc": row.doc,
            }
            for row in states.TRANSITIONS
        ],
        "refusals": [
            {"code": int(code), "name": code.name.lower().replace("_", "-"), "doc": doc, "item": item}
            for code, (doc, item) in codes.REFUSALS.items()
        ],
        "faults": [
            {"code": int(code), "name": code.name.lower().replace("_", "-")} | rule._asdict()
            for code, rule in codes.FAULTS.items()
        ],
        "enumerations": {
            name: [{"count": count, "name": label, "doc": doc} for count, label, doc in rows]
            for name, rows in codes.ENUMS.items()
        },
        "timing": [{"name": name, "ms": row.ms, "doc": row.doc} for name, row in codes.TIMING.items()],
    }


def _header() -> dict[str, Any]:
    shift, fields = 29, []
    for name, width, doc in header.HEADER_FIELDS:
        shift -= width
        fields.append({"name": name, "width": width, "shift": shift, "doc": doc})
    return {
        "bits": 29,
        "fields": fields,
        "addresses": [{"first": low, "last": high, "doc": doc} for low, high, doc in header.ADDRESS_RANGES],
        "all_axes": header.ALL_AXES,
        "axes_max": header.AXES_MAX,
    }


def _kind(row: Kind) -> dict[str, Any]:
    return {
        "code": row.code,
        "name": row.name,
        "class": row.cls.__name__,
        "priority": row.priority,
        "role": row.role,
        "sender": row.sender,
        "scope": row.scope,
        "reply": row.reply,
        "broadcast": row.broadcast,
        "owner": row.owner,
        "since": row.since,
        "size": row.size,
        "min_size": row.min_size,
        "doc": row.doc,
        "fields": [_field(spec) for spec in row.fields],
    }


def _field(spec: Spec) -> dict[str, Any]:
    field, (low, high) = spec.field, spec.bounds
    return {
        "name": spec.name,
        "offset": spec.offset,
        "size": spec.codec.size,
        "type": "bytes" if spec.codec.is_text else "signed" if spec.codec.signed else "unsigned",
        "unit": field.unit,
        "scale": field.scale,
        "min": None if spec.codec.is_text else low,
        "max": None if spec.codec.is_text else high,
        "reserved": [{"count": count, "name": name} for count, name in field.reserved],
        "values": field.values,
        "parts": [part._asdict() for part in field.parts],
        "absent": field.absent,
        "doc": field.doc,
    }


def _parameter(row: params.Param) -> dict[str, Any]:
    """A row with its range and default in counts, and the default as people read it beside them."""
    found = row._asdict()
    found["min"], found["max"] = found.pop("lo"), found.pop("hi")
    found["default_value"] = show_parameter(row, row.default)
    return found
