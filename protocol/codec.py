"""Packets: a header and a typed body. Bytes in, values out; CAN frames in, values out."""

from __future__ import annotations

from typing import Any, Final

import ringlet.protocol.messages
import ringlet.protocol.states  # noqa: F401  (both fill tables)
from ringlet.protocol.header import (
    ALL_AXES,
    AXIS_MASK,
    DST_SHIFT,
    IDENT_MAX,
    KIND_MASK,
    KIND_SHIFT,
    NODE_MASK,
    PRIORITY_SHIFT,
    SRC_SHIFT,
    Packet,
)
from ringlet.protocol.wire import KINDS, Kind


class WireError(ValueError):
    """Bytes that are no message of ours. `cause` is a word to count by: unknown-kind or short-body."""

    def __init__(self, cause: str, text: str, ident: int = 0, size: int = 0) -> None:
        super().__init__(text)
        self.cause, self.ident, self.size = cause, ident, size


_CLASSES: Final = KINDS.by_class
_CODES: Final = KINDS.by_code
_UNPACK: Final = KINDS.unpack_by_code
_PACK: Final = KINDS.pack_by_class


def kind_of(body: Any) -> Kind:
    """The row of the table of kinds for a body. Raises KeyError for something that is no body."""
    return _CLASSES[type(body)]


def packet(body: Any, *, dst: int, src: int, axis: int = ALL_AXES) -> Packet:
    """Put the kind's own priority and code, and these addresses, before a body. Raises ValueError off range."""
    row = _CLASSES[type(body)]
    if not (0 <= dst <= NODE_MASK and 0 <= src <= NODE_MASK and 0 <= axis <= AXIS_MASK):
        raise ValueError(f"addresses are 0 to {NODE_MASK}, axes 0 to {AXIS_MASK}: dst {dst}, src {src}, axis {axis}")
    head = row.priority << PRIORITY_SHIFT | row.code << KIND_SHIFT
    return Packet(head | dst << DST_SHIFT | src << SRC_SHIFT | axis, body)


def pack(message: Packet) -> tuple[int, bytes]:
    """(29-bit header, body bytes). Raises struct.error when a value does not fit its field."""
    body = message.body
    return message.ident, _PACK[type(body)](body)


def unpack(ident: int, data: bytes | bytearray) -> Packet:
    """Typed message from header and body bytes. Raises WireError for unknown kinds and short bodies.

    A longer body comes from a newer sender: the known prefix is read.
    """
    code = ident >> KIND_SHIFT & KIND_MASK
    try:
        return _UNPACK[code](ident, data)
    except KeyError:
        raise WireError("unknown-kind", f"kind {code:#04x} is not in the table", ident, len(data)) from None
    except ValueError as error:
        raise WireError("short-body", f"{_CODES[code].name}: {error}", ident, len(data)) from None


def pack_reference(message: Packet) -> bytes:
    """Body bytes by construct itself: the definition that the fast path is held against."""
    row = _CLASSES[type(message.body)]
    return bytes(row.struct.build(message.body._asdict()))


def unpack_reference(ident: int, data: bytes) -> Packet:
    """Typed message by construct itself. Needs a whole body."""
    row = _CODES[ident >> KIND_SHIFT & KIND_MASK]
    parsed = row.struct.parse(data)
    return Packet(ident, row.cls(**{spec.name: parsed[spec.name] for spec in row.fields}))


__all__ = [
    "IDENT_MAX",
    "Packet",
    "WireError",
    "kind_of",
    "pack",
    "pack_reference",
    "packet",
    "unpack",
    "unpack_reference",
]
