"""The 29-bit header, shared by both transports.

On CAN it is the extended identifier; on serial it is sent as four little-endian bytes. Priority stands in the top
bits, so that a lower number wins arbitration (ISO 11898-1: dominant bits win).
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from construct import BitsInteger, BitStruct, ByteSwapped, Padding

# Widths in bits, most significant first. The sum is 29.
HEADER_FIELDS: Final[tuple[tuple[str, int, str], ...]] = (
    ("priority", 3, "Lower wins arbitration; each kind has its own."),
    ("kind", 8, "What the message is: see the table of kinds."),
    ("dst", 7, "Node that is addressed; 127 is everyone."),
    ("src", 7, "Node or control that speaks; 0 is a node that has no address of its own yet."),
    ("axis", 4, "Axis on the node, 0 to 7; 15 is all axes, or the node itself."),
)

HeaderStruct: Final[Any] = ByteSwapped(
    BitStruct(Padding(3), *(name / BitsInteger(width) for name, width, _ in HEADER_FIELDS))
)
"""The reference definition in construct: 4 bytes, little-endian, top three bits zero."""

NOBODY: Final = 0
"""Source address of a node that answers a search: all of them send the same frame, so that it survives on CAN."""
CONTROL_FIRST: Final = 1
CONTROL_LAST: Final = 15
NODE_FIRST: Final = 16
NODE_LAST: Final = 125
FRESH: Final = 126
"""Default address of a node that has never been given one, or that met its own address on the bus."""
EVERYONE: Final = 127
ALL_AXES: Final = 15
AXES_MAX: Final = 8

ADDRESS_RANGES: Final[tuple[tuple[int, int, str], ...]] = (
    (NOBODY, NOBODY, "nobody: source of the answers to a search"),
    (CONTROL_FIRST, CONTROL_LAST, "controls"),
    (NODE_FIRST, NODE_LAST, "nodes"),
    (FRESH, FRESH, "a node without an address"),
    (EVERYONE, EVERYONE, "everyone"),
)

_WIDTHS: Final = [width for _, width, _ in HEADER_FIELDS]
PRIORITY_SHIFT, KIND_SHIFT, DST_SHIFT, SRC_SHIFT, _ = (sum(_WIDTHS[place + 1 :]) for place in range(5))
_, KIND_MASK, NODE_MASK, _, AXIS_MASK = ((1 << width) - 1 for width in _WIDTHS)
IDENT_MAX: Final = (1 << sum(_WIDTHS)) - 1


class Header(NamedTuple):
    """The five parts of the 29-bit header, as plain integers."""

    priority: int
    kind: int
    dst: int
    src: int
    axis: int

    def pack(self) -> int:
        """The 29-bit number. Raises ValueError when a part does not fit its width."""
        ident = 0
        for (name, width, _), value in zip(HEADER_FIELDS, self, strict=True):
            if not 0 <= value < 1 << width:
                raise ValueError(f"header {name} is {value}; it must be 0 to {(1 << width) - 1}")
            ident = ident << width | value
        return ident


def unpack_header(ident: int) -> Header:
    """Split a 29-bit number. Raises ValueError outside 0..2^29-1."""
    if not 0 <= ident <= IDENT_MAX:
        raise ValueError(f"{ident:#x} is not a 29-bit header")
    return Header(
        ident >> PRIORITY_SHIFT,
        ident >> KIND_SHIFT & KIND_MASK,
        ident >> DST_SHIFT & NODE_MASK,
        ident >> SRC_SHIFT & NODE_MASK,
        ident & AXIS_MASK,
    )


class Packet(NamedTuple):
    """A message with its header. `ident` is the 29-bit header; the parts are read from it."""

    ident: int
    body: Any

    @property
    def priority(self) -> int:
        return self.ident >> PRIORITY_SHIFT

    @property
    def kind(self) -> int:
        return self.ident >> KIND_SHIFT & KIND_MASK

    @property
    def dst(self) -> int:
        return self.ident >> DST_SHIFT & NODE_MASK

    @property
    def src(self) -> int:
        return self.ident >> SRC_SHIFT & NODE_MASK

    @property
    def axis(self) -> int:
        return self.ident & AXIS_MASK
