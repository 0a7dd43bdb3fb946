"""The firmware side in C99: codec, serial framing and tables as a few files to copy into a project (0BSD).

This module only says how a row of a table reads in C; the wording and the algorithms are in templates/c/.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any, Final

from ringlet.protocol import codes, header, items, params, serial_frame, states
from ringlet.protocol.emit import VERSION, target, template
from ringlet.protocol.wire import BODY_MAX, Kind, Registry, Spec

FILES: Final = tuple(f"{stem}.{end}" for stem in ("ringlet", "ringlet_serial", "ringlet_tables") for end in "hc")

RESULTS: Final[tuple[tuple[str, str], ...]] = (
    ("ok", "done"),
    ("more", "no frame ends at this byte"),
    ("overlong", "more bytes than any frame has; skipped up to the next zero byte"),
    ("cobs", "the bytes are no COBS"),
    ("short", "too few bytes for header, one byte of body and CRC"),
    ("crc", "the CRC does not fit the bytes"),
    ("header", "a part of the header, or the size, is out of its range"),
    ("unknown-kind", "the kind is not in the table: refuse it"),
    ("short-body", "the body is shorter than the kind's fields: refuse it"),
)
"""Result codes in order; a count out of range is told with the field's index on top, behind all of these."""

# Words that C99 or C++ keep for themselves (ISO/IEC 9899:1999 6.4.1, ISO/IEC 14882 [lex.key]): from memory, and the
# test compiles every name that the tables hold.
_TAKEN: Final = """
alignas alignof and and_eq asm auto bitand bitor bool break case catch char class compl concept const const_cast
constexpr continue co_await co_return co_yield decltype default delete do double dynamic_cast else enum explicit
export extern false final float for friend goto if inline int long mutable namespace new noexcept not not_eq
nullptr operator or or_eq override private protected public register reinterpret_cast requires restrict return
short signed sizeof static static_assert static_cast struct switch template this thread_local throw true try
typedef typeid typename typeof union unsigned using virtual void volatile wchar_t while xor xor_eq
"""
_PREFIXES: Final = {"0.1": "deci_", "0.01": "centi_", "0.001": "milli_", "0.000001": "micro_"}


def c_name(name: str) -> str:
    """A name of the tables as an identifier in C and C++."""
    slug = re.sub(r"\W", "_", name.lower())
    return f"{slug}_" if slug in _TAKEN.split() else slug


def c_macro(*parts: str) -> str:
    """Parts of a macro's name behind the common prefix."""
    return "_".join(("RINGLET", *(re.sub(r"\W", "_", part).upper() for part in parts)))


def c_type(spec: Spec) -> str:
    """The C type that holds a field's count."""
    width = next(bits for bits in (8, 16, 32, 64) if bits >= 8 * spec.codec.size)
    return f"{'' if spec.codec.signed else 'u'}int{width}_t"


def literal(value: int, *, signed: bool) -> str:
    """An integer constant. The lowest 32-bit number is written as a sum, since C has no negative constants."""
    if signed:
        return "(-2147483647 - 1)" if value == -(1 << 31) else str(value)
    return f"{value}u"


def comment(text: str, indent: int = 0) -> str:
    """Text as a C comment of at most 110 columns."""
    plain = " ".join(text.replace("*/", "* /").replace("/*", "/ *").split())
    lines = textwrap.wrap(plain, 110 - indent - 6, break_long_words=False, break_on_hyphens=False)
    return "/* " + f"\n{' ' * indent} * ".join(lines) + " */"


def unit_macro(unit: str, scale: str) -> tuple[str, int, int]:
    """(name, numerator, denominator) of the macros for one unit and the value of one count in it."""
    word = unit.replace("%", "percent").replace("/", "_per_").strip("_")
    num, den = Decimal(scale).as_integer_ratio()
    prefix = _PREFIXES.get(scale, f"x{num}_{den}_")
    return c_macro(prefix + word), num, den


def bad_when(spec: Spec) -> str:
    """C condition that is true when the count of a field of `m` has no meaning; empty when its type says it all."""
    if spec.codec.is_text:
        return ""
    bits = int("".join(filter(str.isdigit, c_type(spec))))
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if spec.codec.signed else (0, (1 << bits) - 1)
    lo, hi = spec.bounds
    name = f"m->{c_name(spec.name)}"
    tests = [f"{name} < {literal(lo, signed=spec.codec.signed)}"] if lo > low else []
    tests += [f"{name} > {literal(hi, signed=spec.codec.signed)}"] if hi < high else []
    apart = [value for value, _ in spec.field.reserved if not lo <= value <= hi]
    if not tests or not apart:
        return " || ".join(tests)
    return " && ".join(
        [f"({' || '.join(tests)})", *(f"{name} != {literal(value, signed=spec.codec.signed)}" for value in apart)]
    )


def _field(row: Kind, index: int, spec: Spec) -> dict[str, Any]:
    field, signed = spec.field, spec.codec.signed
    lo, hi = spec.bounds
    note = []
    if field.unit:
        note.append(field.unit if field.scale == "1" else f"{field.unit}, {unit_macro(field.unit, field.scale)[0]}")
    if field.values:
        note.append(f"{c_macro(field.values)}_...")
    macros = [(c_macro(row.name, spec.name, part.name), f"{((1 << part.width) - 1) << part.shift:#x}u", part.doc)
              for part in field.parts]  # fmt: skip
    macros += [(c_macro(row.name, spec.name, part.name, "shift"), f"{part.shift}u", "lowest bit of it")
               for part in field.parts if part.width > 1]  # fmt: skip
    if field.lo is not None:
        macros.append((c_macro(row.name, spec.name, "min"), literal(lo, signed=signed), "lowest count"))
    if field.hi is not None:
        macros.append((c_macro(row.name, spec.name, "max"), literal(hi, signed=signed), "highest count"))
    macros += [(c_macro(row.name, spec.name, name), literal(value, signed=signed), "count with a meaning of its own")
               for value, name in field.reserved]  # fmt: skip
    return {
        "index": index, "name": c_name(spec.name), "offset": spec.offset, "size": spec.codec.size, "signed": signed,
        "text": spec.codec.is_text, "declare": f"uint8_t {c_name(spec.name)}[{spec.codec.size}]" if spec.codec.is_text
        else f"{c_type(spec)} {c_name(spec.name)}", "type": c_type(spec),
        "doc": f"{field.doc}{' (' + '; '.join(note) + ')' if note else ''}", "bad": bad_when(spec), "macros": macros,
    }  # fmt: skip


def _kind(row: Kind, kinds: Registry) -> dict[str, Any]:
    fields = [_field(row, index, spec) for index, spec in enumerate(row.fields)]
    absent = b"".join(spec.field.con.build(spec.field.absent) for spec in row.fields if spec.field.absent is not None)
    events = (*states.REQUESTS, *states.INTERNAL)
    return {
        "row": row, "name": c_name(row.name), "fields": fields, "bad": any(field["bad"] for field in fields),
        "ends": [spec.offset + spec.codec.size for spec in row.fields if spec.field.absent is not None],
        "fill": [f"{byte:#04x}u" for byte in b"\0" * row.min_size + absent],
        "reply": c_macro("kind", row.reply) if row.reply in kinds.by_name else "0",
        "event": c_macro("event", row.name) if row.name in events else c_macro("no_event"),
    }  # fmt: skip


def _constants() -> Iterator[tuple[str, str, str]]:
    """(name, value, text) of the plain numbers that a node needs."""
    yield c_macro("version_major"), f"{codes.VERSION_MAJOR}u", "another major version is shown and not driven"
    yield c_macro("version_minor"), f"{codes.VERSION_MINOR}u", "minor version: only appended fields and new kinds"
    for name in ("NOBODY", "CONTROL_FIRST", "CONTROL_LAST", "NODE_FIRST", "NODE_LAST", "FRESH", "EVERYONE"):
        value = getattr(header, name)
        doc = next(doc for low, high, doc in header.ADDRESS_RANGES if low <= value <= high)
        yield c_macro("address", name), f"{value}u", doc
    yield c_macro("all_axes"), f"{header.ALL_AXES}u", "axis field: all axes, or the node itself"
    yield c_macro("axes_max"), f"{header.AXES_MAX}u", "most axes of a node"
    yield c_macro("text_part"), f"{items.PART_SIZE}u", "bytes of a text in one part"
    yield c_macro("text_parts_max"), f"{items.PARTS_MAX}u", "most parts of a text"
    for name, timing in codes.TIMING.items():
        yield c_macro("ms", name), f"{timing.ms}u", timing.doc


def _columns(prefix: str, rows: Iterable[Any], *names: str) -> list[tuple[str, list[str]]]:
    """The words that appear in columns of a table, in order of appearance, for an enumeration each."""
    held = list(rows)
    return [(f"{prefix}_{name}", list(dict.fromkeys(getattr(row, name) or "none" for row in held))) for name in names]


def _crc() -> dict[str, Any]:
    """Start, end and both tables of the framing's CRC, worked out as the serial framing defines it."""
    crc = serial_frame.CRC
    if not crc.reverse or crc.digest_size != 2:
        raise ValueError("the C template knows reflected 16-bit CRCs only")
    poly = int(f"{crc.poly & 0xFFFF:016b}"[::-1], 2)

    def step(value: int, bits: int) -> int:
        for _ in range(bits):
            value = value >> 1 ^ (poly if value & 1 else 0)
        return value

    return {
        "name": serial_frame.CRC_NAME, "poly": poly, "start": crc.initCrc, "xor": crc.xorOut,
        "table": [step(value, 8) for value in range(256)], "small": [step(value, 4) for value in range(16)],
    }  # fmt: skip


def _header_parts() -> list[dict[str, Any]]:
    parts, shift = [], sum(width for _, width, _ in header.HEADER_FIELDS)
    for name, width, doc in header.HEADER_FIELDS:
        shift -= width
        parts.append({"name": c_name(name), "shift": shift, "max": (1 << width) - 1, "doc": doc,
                      "limited": width not in (8, 32), "type": "uint8_t" if width <= 8 else "uint32_t"})  # fmt: skip
    return parts


@target("c", doc="C99 codec, serial framing and tables for firmware: copy the files into a project")
def emit_c(kinds: Registry) -> dict[str, str]:
    """Texts of FILES. Raises ValueError when two rows of the tables give the same name in C."""
    rows = [_kind(row, kinds) for row in kinds]
    specs = [spec for row in kinds for spec in row.fields]
    scales = dict.fromkeys((spec.field.unit, spec.field.scale) for spec in specs)
    scales |= dict.fromkeys((row.unit, row.scale) for row in params.PARAMETERS)
    widths = {spec.codec.size for spec in specs if not spec.codec.is_text}
    space = {
        "version": VERSION, "kinds": rows, "tag_doc": specs[0].field.doc, "constants": list(_constants()),
        "enums": codes.ENUMS, "results": RESULTS, "header": _header_parts(), "ident_max": header.IDENT_MAX,
        "units": sorted(unit_macro(*pair) for pair in scales if pair[0] and pair[1] != "1"),
        "widths": widths, "widest": max(widths), "any_signed": any(spec.codec.signed for spec in specs),
        "has_text": any(spec.codec.is_text for spec in specs), "body_max": BODY_MAX, "crc": _crc(),
        "frame_max": serial_frame.FRAME_MAX, "payload_max": serial_frame.PAYLOAD_MAX,
        "payload_min": serial_frame.PAYLOAD_MIN, "header_size": serial_frame.HEADER_SIZE,
        "crc_size": serial_frame.CRC_SIZE, "params": params.PARAMETERS, "states": states.STATES,
        "requests": states.REQUESTS, "internal": states.INTERNAL, "transitions": states.TRANSITIONS,
        "faults": codes.FAULTS,
        "columns": [*_columns("k", kinds, "role", "sender", "scope", "owner"),
                    *_columns("p", params.PARAMETERS, "write", "scope"),
                    *_columns("f", codes.FAULTS.values(), "reaction")],
        "state_bits": lambda held: sum(1 << state for state in held),
        "macro": c_macro, "literal": literal, "comment": comment,
    }  # fmt: skip
    files = {name: template(f"c/{name}.j2").render(space) for name in FILES}
    defined = re.findall(r"^(?:#define |    )(RINGLET_\w+)(?: = |\(| |$)", "\n".join(files.values()), re.MULTILINE)
    defined += [f"ringlet_msg_{row['name']}" for row in rows]
    twice = sorted({name for name in defined if defined.count(name) > 1})
    if twice:
        raise ValueError(f"two rows of the tables give the same name in C: {', '.join(twice)}")
    return files
