"""How a message kind is written down: a typed tuple whose annotations carry construct definitions.

`@kind(...)` on a NamedTuple makes one entry of the schema. The class is the typed, immutable object that programs
hold; the construct Struct built from its annotations is the definition of its bytes; the fast path (precompiled
`struct` formats) is derived from that Struct, never written by hand, and a property test holds the two equal.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Final, NamedTuple, TypeVar, get_args, get_origin, get_type_hints

from construct import (
    Bytes,
    BytesInteger,
    FormatField,
    Int8sl,
    Int8ul,
    Int16sl,
    Int16ul,
    Int24sl,
    Int24ul,
    Int32sl,
    Int32ul,
    Struct,
)

from ringlet.protocol.header import Packet

BODY_MAX: Final = 8
"""Eight-byte rule: a body is at most the data field of one classic CAN frame."""

U48: Final[Any] = BytesInteger(6, signed=False, swapped=True)
TEXT6: Final[Any] = Bytes(6)
U8, I8, U16, I16, U24, I24, U32, I32 = (Int8ul, Int8sl, Int16ul, Int16sl, Int24ul, Int24sl, Int32ul, Int32sl)


class Part(NamedTuple):
    """A group of bits inside an integer field: a flag, a code or a small number."""

    name: str
    shift: int
    width: int
    doc: str


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a body: its bytes (construct), unit, scale, range and meaning.

    `scale` is the value of one count in `unit`. `lo` and `hi` are in counts, None means all that the type holds.
    `reserved` lists single counts with a meaning of their own. `values` names an enumeration, `parts` the bits.
    `absent` is what a receiver assumes when a sender of an older version leaves the field out.
    """

    con: Any
    doc: str
    unit: str = ""
    scale: str = "1"
    lo: int | None = None
    hi: int | None = None
    reserved: tuple[tuple[int, str], ...] = ()
    values: str = ""
    parts: tuple[Part, ...] = ()
    absent: int | None = None


class Codec(NamedTuple):
    """Size in bytes and struct format of one field."""

    size: int
    signed: bool
    format: str
    is_text: bool

    @property
    def bounds(self) -> tuple[int, int]:
        """Lowest and highest integer that the bytes hold."""
        bits = 8 * self.size
        return (-(1 << bits - 1), (1 << bits - 1) - 1) if self.signed else (0, (1 << bits) - 1)


def codec_of(con: Any) -> Codec:
    """Size and struct format of a construct field. Raises TypeError for a construct the fast path does not know."""
    if isinstance(con, FormatField):
        letter = str(con.fmtstr)[-1]
        if not str(con.fmtstr).startswith("<") and con.length > 1:
            raise TypeError("fields are little-endian")
        return Codec(int(con.length), letter.islower(), letter, False)
    if isinstance(con, BytesInteger):
        length, signed = int(con.length), bool(con.signed)
        if not con.swapped or length not in (3, 6):
            raise TypeError("only little-endian integers of 3 and 6 bytes")
        return Codec(length, signed, {3: "Hb" if signed else "HB", 6: "Ih" if signed else "IH"}[length], False)
    if isinstance(con, Bytes):
        return Codec(int(con.length), False, f"{con.length}s", True)
    raise TypeError(f"the fast path has no rule for {con!r}")


class Spec(NamedTuple):
    """A field with its place in the body."""

    name: str
    field: Field
    offset: int
    codec: Codec

    @property
    def bounds(self) -> tuple[int, int]:
        """Lowest and highest count that may be sent, reserved counts not included."""
        low, high = self.codec.bounds
        lo, hi = self.field.lo, self.field.hi
        return (low if lo is None else lo, high if hi is None else hi)

    def allows(self, count: int) -> bool:
        """Whether this count has a meaning."""
        lo, hi = self.bounds
        return lo <= count <= hi or any(count == value for value, _ in self.field.reserved)


class Kind(NamedTuple):
    """One row of the table of kinds."""

    code: int
    name: str
    cls: type[Any]
    priority: int
    role: str
    """request, reply, stream (counted, not answered) or event (sent by a node unasked)"""
    sender: str
    """control or node"""
    scope: str
    """axis: meant for one axis or for all; node: the axis field is 15"""
    reply: str
    """name of the kind that answers when all is well; empty when nothing answers"""
    broadcast: bool
    """may be sent to everyone; a request sent so is not answered unless its text says how"""
    owner: str
    """must: only from the control that owns the axis; unless-free: on a free axis from any control; empty: from any"""
    since: int
    """minor version that brought it"""
    doc: str
    fields: tuple[Spec, ...]
    struct: Any
    size: int
    """bytes of the body"""
    min_size: int
    """bytes that the oldest sender of this major version sends"""
    pack: Callable[[Any], bytes]
    """body to bytes; raises struct.error when a value does not fit its field"""
    unpack: Callable[[int, bytes | bytearray], Packet]
    """header and bytes to a message; raises ValueError when there are fewer than min_size bytes"""


class Registry:
    """The table of kinds, by code, name and class."""

    def __init__(self) -> None:
        self.by_code: dict[int, Kind] = {}
        self.by_name: dict[str, Kind] = {}
        self.by_class: dict[type[Any], Kind] = {}
        self.unpack_by_code: dict[int, Callable[[int, bytes | bytearray], Packet]] = {}
        self.pack_by_class: dict[type[Any], Callable[[Any], bytes]] = {}
        """both for the fast path: they save a look into the row for every message"""

    def add(self, row: Kind) -> None:
        if row.code in self.by_code or row.name in self.by_name:
            raise ValueError(f"kind {row.code:#x} {row.name!r} is there already")
        self.by_code[row.code], self.by_name[row.name], self.by_class[row.cls] = row, row, row
        self.unpack_by_code[row.code], self.pack_by_class[row.cls] = row.unpack, row.pack

    def remove(self, name: str) -> None:
        """Take a kind out again (tests add one at run time)."""
        row = self.by_name.pop(name)
        del self.by_code[row.code], self.by_class[row.cls]
        del self.unpack_by_code[row.code], self.pack_by_class[row.cls]

    def __iter__(self) -> Iterator[Kind]:
        return iter(sorted(self.by_code.values()))

    def __len__(self) -> int:
        return len(self.by_code)


KINDS: Final = Registry()

C = TypeVar("C", bound=type[Any])


def kind(
    code: int,
    name: str,
    *,
    priority: int,
    role: str,
    sender: str = "control",
    scope: str = "axis",
    reply: str = "",
    broadcast: bool = False,
    owner: str = "",
    since: int = 0,
    registry: Registry = KINDS,
) -> Callable[[C], C]:
    """Enter a NamedTuple class into the table of kinds.

    Raises ValueError when the entry breaks a rule: body too long, a field without text, first field not the tag.
    """

    def enter(cls: C) -> C:
        fields = tuple(_specs(cls))
        size = sum(spec.codec.size for spec in fields)
        doc = (cls.__doc__ or "").strip()
        if size > BODY_MAX:
            raise ValueError(f"{name}: a body of {size} bytes breaks the eight-byte rule")
        if not fields or fields[0].name != "tag":
            raise ValueError(f"{name}: the first field is the tag")
        if not doc or not all(spec.field.doc for spec in fields):
            raise ValueError(f"{name}: message and every field need a sentence of text")
        optional = [spec.field.absent is not None for spec in fields]
        if optional != sorted(optional):
            raise ValueError(f"{name}: fields are only appended")
        definition = Struct(*(spec.name / spec.field.con for spec in fields))
        min_size = sum(spec.codec.size for spec in fields if spec.field.absent is None)
        cls.__eq__ = _equal  # type: ignore[assignment]  # kinds with like fields must not compare equal
        cls.__ne__ = _differ  # type: ignore[assignment]
        cls.__hash__ = _hash  # type: ignore[assignment]
        pack, unpack = _fast_path(cls, fields, min_size)
        registry.add(
            Kind(code, name, cls, priority, role, sender, scope, reply, broadcast, owner, since, doc, fields,
                 definition, size, min_size, pack, unpack)
        )  # fmt: skip
        return cls

    return enter


def _equal(self: Any, other: Any) -> bool:
    return type(self) is type(other) and tuple(self) == tuple(other)


def _differ(self: Any, other: Any) -> bool:
    return not _equal(self, other)


def _hash(self: Any) -> int:
    return hash((type(self).__name__, tuple(self)))


def _specs(cls: type[Any]) -> Iterator[Spec]:
    offset = 0
    for name, hint in get_type_hints(cls, include_extras=True).items():
        if get_origin(hint) is not Annotated:
            raise ValueError(f"{cls.__name__}.{name} has no field definition")
        field = next(item for item in get_args(hint)[1:] if isinstance(item, Field))
        codec = codec_of(field.con)
        yield Spec(name, field, offset, codec)
        offset += codec.size


def _fast_path(
    cls: type[Any], fields: tuple[Spec, ...], min_size: int
) -> tuple[Callable[[Any], bytes], Callable[[int, bytes | bytearray], Packet]]:
    """Derive pack and unpack from the fields: one precompiled struct, and shifts for 3- and 6-byte integers."""
    layout = struct.Struct("<" + "".join(spec.codec.format for spec in fields))
    absent = b"".join(spec.field.con.build(spec.field.absent) for spec in fields if spec.field.absent is not None)
    ends = [spec.offset + spec.codec.size for spec in fields]
    into: list[str] = []  # raw struct items -> field values
    outof: list[str] = []  # field values -> raw struct items
    raw: list[str] = []
    checks: list[str] = []  # struct would cut or fill a text of another length
    for index, spec in enumerate(fields):
        if spec.codec.is_text:
            checks += [f"    if len(m[{index}]) != {spec.codec.size}:"]
            checks += [f"        raise error('{spec.name} holds {spec.codec.size} bytes')"]
        if spec.codec.is_text or len(spec.codec.format) == 1:
            raw.append(f"r{index}")
            into.append(f"r{index}")
            outof.append(f"m[{index}]")
        else:
            low = 16 if spec.codec.size == 3 else 32
            raw += [f"r{index}", f"h{index}"]
            into.append(f"r{index} | h{index} << {low}")
            outof += [f"m[{index}] & {(1 << low) - 1:#x}", f"m[{index}] >> {low}"]
    plain = raw == into
    lines = [
        "def pack_(m):",
        *checks,
        f"    return pack({', '.join(outof)})",
        "def unpack_(ident, body):",
        "    try:",
        f"        {'values' if plain else ', '.join(raw)} = unpack(body)",
        "    except error:",  # a body of another length
        "        return unpack_(ident, fit(body))",
        f"    return new(Packet, (ident, new(cls, {'values' if plain else '(' + ', '.join(into) + ',)'})))",
    ]

    def fit(body: bytes | bytearray) -> bytes:
        """The known prefix, filled up with what is assumed for fields that are absent; half a field is absent."""
        if len(body) < min_size:
            raise ValueError(f"body of {len(body)} bytes, at least {min_size} expected")
        whole = max((end for end in ends if end <= len(body)), default=0)
        return bytes(body[:whole]) + absent[whole - min_size :]

    space: dict[str, Any] = {
        "pack": layout.pack, "unpack": layout.unpack, "error": struct.error, "fit": fit,
        "new": tuple.__new__, "Packet": Packet, "cls": cls,  # Packet(...) itself takes twice as long
    }  # fmt: skip
    exec("\n".join(lines), space)
    return space["pack_"], space["unpack_"]


def problem(body: Any, registry: Registry = KINDS) -> tuple[int, str] | None:
    """First field whose count has no meaning: (index, sentence), or None when all is well."""
    for index, spec in enumerate(registry.by_class[type(body)].fields):
        value = body[index]
        if not spec.codec.is_text and not spec.allows(value):
            lo, hi = spec.bounds
            return index, f"{spec.name} is {value}; it must be {lo} to {hi} counts"
    return None
