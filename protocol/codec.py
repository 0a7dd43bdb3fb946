"""Packets: a header and a typed body. Bytes in, values out; CAN frames in, values out."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import ringlet.protocol.messages
import ringlet.protocol.states  # noqa: F401  (both fill tables)
from ringlet.protocol.header import ALL_AXES, DST_SHIFT, IDENT_MAX, KIND_SHIFT, PRIORITY_SHIFT, SRC_SHIFT
from ringlet.protocol.wire import KINDS, Kind


class WireError(ValueError):
    """Bytes that are no message of ours. `cause` is a word to count by: unknown-kind or short-body."""

    def __init__(self, cause: str, text: str, ident: int = 0, size: int = 0) -> None:
        super().__init__(text)
        self.cause, self.ident, self.size = cause, ident, size


class Packet(NamedTuple):
    """A message with its header. `ident` is the 29-bit header; the parts are read from it."""

    ident: int
    body: Any

    @property
    def priority(self) -> int:
        return self.ident >> PRIORITY_SHIFT

    @property
    def kind(self) -> int:
        return self.ident >> KIND_SHIFT & 0xFF

    @property
    def dst(self) -> int:
        return self.ident >> DST_SHIFT & 0x7F

    @property
    def src(self) -> int:
        return self.ident >> SRC_SHIFT & 0x7F

    @property
    def axis(self) -> int:
        return self.ident & 0xF


_CLASSES: Final = KINDS.by_class
_CODES: Final = KINDS.by_code


def kind_of(body: Any) -> Kind:
    """The row of the table of kinds for a body. Raises KeyError for something that is no body."""
    return _CLASSES[type(body)]


def packet(body: Any, *, dst: int, src: int, axis: int = ALL_AXES) -> Packet:
    """Put the kind's own priority and code, and these addresses, before a body. Raises ValueError off range."""
    row = _CLASSES[type(body)]
    if not (0 <= dst < 128 and 0 <= src < 128 and 0 <= axis < 16):
        raise ValueError(f"addresses are 0 to 127 and axes 0 to 15: dst {dst}, src {src}, axis {axis}")
    return Packet(row.priority << PRIORITY_SHIFT | row.code << KIND_SHIFT | dst << DST_SHIFT | src << SRC_SHIFT | axis, body)


def pack(message: Packet) -> tuple[int, bytes]:
    """(29-bit header, body bytes). Raises struct.error when a value does not fit its field."""
    return message.ident, _CLASSES[type(message.body)].pack(message.body)


def unpack(ident: int, data: bytes | bytearray) -> Packet:
    """Typed message from header and body bytes. Raises WireError for unknown kinds and short bodies.

    A longer body comes from a newer sender: the known prefix is read.
    """
    row = _CODES.get(ident >> KIND_SHIFT & 0xFF)
    if row is None:
        raise WireError("unknown-kind", f"kind {ident >> KIND_SHIFT & 0xFF:#04x} is not in the table", ident, len(data))
    try:
        return Packet(ident, row.unpack(data))  # type: ignore[arg-type]
    except ValueError as error:
        raise WireError("short-body", f"{row.name}: {error}", ident, len(data)) from None


def pack_reference(message: Packet) -> bytes:
    """Body bytes by construct itself: the definition that the fast path is held against."""
    row = _CLASSES[type(message.body)]
    return bytes(row.struct.build(message.body._asdict()))


def unpack_reference(ident: int, data: bytes) -> Packet:
    """Typed message by construct itself. Needs a whole body."""
    row = _CODES[ident >> KIND_SHIFT & 0xFF]
    parsed = row.struct.parse(data)
    return Packet(ident, row.cls(**{spec.name: parsed[spec.name] for spec in row.fields}))


__all__ = ["IDENT_MAX", "Packet", "WireError", "kind_of", "pack", "pack_reference", "packet", "unpack", "unpack_reference"]
