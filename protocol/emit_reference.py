"""Target `reference`: the protocol for someone who has never seen it, as one HTML page and as Markdown.

The facts come from the tables, the bytes from the codec; the words around them are in the two templates.
"""

from __future__ import annotations

import re
from decimal import Decimal
from itertools import pairwise
from typing import Any, Final, NamedTuple

from markdown_it import MarkdownIt
from markupsafe import Markup

from ringlet.protocol import codes, header, messages, params, serial_frame, states, wire
from ringlet.protocol.behaviour import BEHAVIOUR
from ringlet.protocol.codec import Packet, pack, packet
from ringlet.protocol.codes import ENUMS, TIMING
from ringlet.protocol.emit import VERSION, target, template
from ringlet.protocol.emit_common import KIND_FIELD, PARAMETER_FIELD, VALUE_FIELD, count_names, one_line
from ringlet.protocol.emit_dbc import MASK, base_ident
from ringlet.protocol.emit_diagrams import (
    GREEN,
    GREY,
    ORANGE,
    SKY,
    YELLOW,
    Box,
    body_drawing,
    header_drawing,
    row_of_boxes,
    state_drawing,
)
from ringlet.protocol.emit_dissector import LINKTYPE_SERIAL, crc_rule
from ringlet.protocol.items import TEXT_MAX
from ringlet.protocol.physical import from_counts, show_field
from ringlet.protocol.wire import Kind, Registry, Spec

TAG: Final = 7
EXAMPLES: Final = {
    "deg": "123.456", "deg/s": "60", "mm": "2500", "V": "14.4", "degC": "41.5", "mA": "850", "%": "40",
    "us": "1500000", "ms": "20", "travel": "32768", "h": "10", "min": "20", "s": "30", "frames": "12",
}  # fmt: skip
"""A likely value of each unit, for the examples of the page; invented."""
SECTIONS: Final = {"refusal": "refusals", "fault": "faults", "state": "states-of-an-axis"}
"""Enumerations that have a section of their own."""
EXAMPLE_ID: Final = 0x0A1B2C3D4E5F
EXAMPLE_PARAMETER: Final = "velocity-limit"

CAN_BITS: Final = 160
"""Longest classic CAN data frame with 29-bit identifier and 8 data bytes, stuff bits and the gap after it included:
R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis: Refuted,
revisited and revised", Real-Time Systems 35, 2007: (80 + 10 n) bits for n data bytes."""
SERIAL_BITS: Final = 10
"""Bits of one byte on a serial line with one start and one stop bit."""


class Row(NamedTuple):
    """One field as the page shows it."""

    name: str
    place: str
    type: str
    unit: str
    range: str
    doc: str
    hex: str
    example: str


class Byte(NamedTuple):
    hex: str
    text: str


@target("reference", doc="the protocol's reference as an HTML page and as Markdown")
def emit_reference(registry: Registry) -> dict[str, str]:
    """`reference.html`, self-contained, and `REFERENCE.md`."""
    context, page = _context(registry), template("reference/reference.md.j2")
    contents, body = _html(page.render(context, html=True))
    shell = template("reference/reference.html.j2", escape=True)
    return {
        "reference.html": shell.render(version=VERSION, contents=contents, body=Markup(body)),
        "REFERENCE.md": page.render(context, html=False),
    }


def _html(text: str) -> tuple[list[tuple[str, str]], str]:
    """The sections as (anchor, title), and the page's body, from Markdown with drawings as HTML blocks in it."""
    markdown = MarkdownIt("commonmark", {"html": True}).enable("table")
    tokens = markdown.parse(text)
    contents = []
    for before, token in pairwise(tokens):
        if before.type == "heading_open":
            anchor = re.sub(r"[^\w\- ]", "", token.content.lower()).replace(" ", "-")
            before.attrSet("id", anchor)
            if before.tag == "h2":
                contents.append((anchor, token.content))
        elif before.type == "paragraph_open" and token.content.startswith("**Caution.**"):
            before.attrSet("class", "caution")
    return contents, str(markdown.renderer.render(tokens, markdown.options, {}))


def _context(registry: Registry) -> dict[str, Any]:
    kinds = [_kind(row, registry) for row in registry]
    return {
        "version": VERSION,
        "codes": codes,
        "header": header,
        "wire": wire,
        "serial": serial_frame,
        "timing": TIMING,
        "kinds": kinds,
        "lengths": (min(row.size for row in registry), max(row.size for row in registry)),
        "parameters": [_parameter(row) for row in params.PARAMETERS],
        "enums": [(name, rows) for name, rows in ENUMS.items() if name not in ("refusal", "fault", "state")],
        "refusals": [(int(code), _name(code.name), *text) for code, text in codes.REFUSALS.items()],
        "faults": [
            (number, name, codes.FAULTS[codes.Fault(number)].reaction if number else "", doc)
            for number, name, doc in ENUMS["fault"]
        ],
        "states": [(int(state), state.name.lower(), rule) for state, rule in states.STATES.items()],
        "internal": states.INTERNAL,
        "transitions": [
            (row.event, row.event in states.INTERNAL, ", ".join(s.name.lower() for s in row.states),
             row.to.name.lower() if row.to is not None else "stays", row.calibrated, row.doc)
            for row in states.TRANSITIONS
        ],
        "search": _search(),
        "frame": _frame_example(),
        "answers": _answers(),
        "drawings": {"header": header_drawing(), "states": state_drawing(states.TRANSITIONS)},
        "mask": MASK,
        "questions": ", ".join(f"`{row.name}`" for row in registry if row.role == "request" and not _once(row)),
        "text_max": TEXT_MAX,
        "travel_counts": BEHAVIOUR["travel-counts"].value,
        "link_type": LINKTYPE_SERIAL,
        "parameter_names": params.BY_NAME,
        "cell": _cell,
        "crc": crc_rule() | {"check": int(serial_frame.crc16(b"123456789"))},
        "shown": lambda name: _with_unit(params.BY_NAME[name].default, params.BY_NAME[name]),
    }  # fmt: skip


def _name(text: str) -> str:
    return text.lower().replace("_", "-")


def _cell(text: str) -> str:
    """Text that is safe inside a Markdown table."""
    return one_line(text).replace("|", "\\|").replace("<", "&lt;")


# --- messages -----------------------------------------------------------------------------------------------------


def _kind(row: Kind, registry: Registry) -> dict[str, Any]:
    example = example_of(row, registry)
    ident, data = pack_with(row, example)
    first, _, rest = one_line(row.doc).partition(". ")
    return {
        "row": row,
        "ident": base_ident(row),
        "summary": first if first.endswith((".", "?")) else first + ".",
        "rest": rest,
        "facts": _facts(row),
        "fields": [
            _row(spec)._replace(
                hex=data[spec.offset : spec.offset + spec.codec.size].hex(" ").upper(),
                example=_explain(spec, value, registry),
            )
            for spec, value in zip(row.fields, example.body, strict=True)
        ],
        "parts": [(spec.name, part) for spec in row.fields for part in spec.field.parts],
        "drawing": body_drawing(row),
        "example": example,
        "can": f"{ident:08X}",
        "data": data.hex(" ").upper(),
        "serial": serial_frame.encode_raw(ident, data).hex(" ").upper(),
        "to": f"from {example.src} to {'everyone' if example.dst == header.EVERYONE else example.dst}, "
        + ("all axes or the node" if example.axis == header.ALL_AXES else f"axis {example.axis}"),
    }


def _once(row: Kind) -> bool:
    """Whether a repeat of this request is not carried out again; questions may be answered anew."""
    return row.reply == "done" or row.owner != ""


def _facts(row: Kind) -> str:
    """Who sends it, and what follows, in one line."""
    found = [f"{row.role} from a {row.sender}", f"priority {row.priority}"]
    if row.reply:
        found.append(f"answered by `{row.reply}`")
    if row.scope == "node":
        found.append(f"for the node, axis {header.ALL_AXES}")
    if row.broadcast:
        found.append("may go to everyone")
    if row.owner:
        found.append("only from the owner" if row.owner == "must" else "only from the owner, or on a free axis")
    if row.since:
        found.append(f"since minor version {row.since}")
    return ", ".join(found)


def _row(spec: Spec) -> Row:
    field, size = spec.field, spec.codec.size
    last = spec.offset + size - 1
    place = f"{spec.offset}" if size == 1 else f"{spec.offset}-{last}"
    doc = one_line(field.doc)
    if field.reserved:
        doc += " " + " ".join(f"{count} means {name}." for count, name in field.reserved)
    if field.absent is not None:
        doc += f" An older sender leaves it out: take {field.absent} counts."
    lo, hi = spec.bounds
    text = f"{_plain(from_counts(lo, field.scale))} to {_plain(from_counts(hi, field.scale))}"
    if spec.codec.is_text or (size == 6 and not field.unit):
        text = ""
    elif field.parts:
        text = "bits, below"
    elif field.values:
        text = f"[{field.values}](#{SECTIONS.get(field.values, field.values)})"
    elif field is KIND_FIELD:
        text = "[a kind](#messages)"
    elif field is PARAMETER_FIELD:
        text = "[a parameter](#parameters)"
    elif field is VALUE_FIELD:
        text = "the parameter's"
    unit = f"{field.scale} {field.unit}".strip() if field.unit else ("" if field.scale == "1" else field.scale)
    sort = "bytes" if spec.codec.is_text else f"{'i' if spec.codec.signed else 'u'}{8 * size}"
    return Row(spec.name, place, sort, unit, text, doc, "", "")


def example_of(row: Kind, registry: Registry) -> Packet:
    """A likely message of a kind; every count has a meaning."""
    body = row.cls(*(_example(spec, registry) for spec in row.fields))
    control, node = header.CONTROL_FIRST, header.NODE_FIRST
    from_node = row.sender == "node"
    to_all = row.broadcast and row.scope == "node"
    src = header.NOBODY if row.cls is messages.Here else node if from_node else control
    dst = control if from_node else header.EVERYONE if to_all else node
    axis = header.ALL_AXES if row.scope == "node" else 0
    return Packet(header.Header(row.priority, row.code, dst, src, axis).pack(), body)


def pack_with(row: Kind, message: Packet) -> tuple[int, bytes]:
    """Header and body bytes of a message of a kind that need not be in the shared table."""
    return message.ident, row.pack(message.body)


def _example(spec: Spec, registry: Registry) -> Any:
    field, (lo, hi) = spec.field, spec.bounds
    if spec.name == "tag":
        return TAG
    if spec.codec.is_text:
        return b"Focus".ljust(spec.codec.size, b"\0")[: spec.codec.size]
    if field is KIND_FIELD:
        return next((row.code for row in registry if row.owner == "must"), 0)
    if field is PARAMETER_FIELD:
        return params.BY_NAME[EXAMPLE_PARAMETER].id
    if field is VALUE_FIELD:
        return params.BY_NAME[EXAMPLE_PARAMETER].default
    if field.values:
        return ENUMS[field.values][1][0]
    if field.parts:
        return 1 << field.parts[0].shift | 1 << field.parts[-1].shift if field.parts[0].width == 1 else (
            1 << field.parts[-1].shift
        )  # fmt: skip
    if field.unit in EXAMPLES:
        return min(hi, max(lo, int(Decimal(EXAMPLES[field.unit]) / Decimal(field.scale))))
    if spec.codec.size == 6:
        return EXAMPLE_ID
    return min(hi, max(lo, 0) + 1)


def _explain(spec: Spec, value: Any, registry: Registry) -> str:
    """A field's bytes in words."""
    field = spec.field
    if spec.codec.is_text:
        return f'"{value.split(bytes(1))[0].decode()}" and zero bytes'
    shown = dict(count_names(spec, registry)).get(value)
    if shown is not None:
        return f"{value}: {shown}"
    if field.parts:
        return ", ".join(f"{name} {count}" for name, count in show_field(spec, value).items() if count)
    if field is VALUE_FIELD:
        param = params.BY_NAME[EXAMPLE_PARAMETER]
        return f"{value} counts of {param.scale} {param.unit}: {_with_unit(value, param)}"
    if spec.codec.size == 6 and not field.unit:
        return f"{value:012X}, low byte first"
    if field.scale != "1":
        return f"{value} counts: {_plain(from_counts(value, field.scale))} {field.unit}"
    return f"{value} {field.unit}".rstrip()


# --- the other tables ---------------------------------------------------------------------------------------------


def _with_unit(count: int, row: params.Param) -> str:
    if row.values:
        return codes.names(row.values)[count]
    return f"{_plain(from_counts(count, row.scale))} {row.unit}".rstrip()


def _plain(value: Decimal) -> str:
    """Without zeros at the end of a fraction."""
    return format(value.normalize(), "f") if value != value.to_integral_value() else str(int(value))


def _parameter(row: params.Param) -> dict[str, Any]:
    ends = ", ".join(codes.names(row.values).values()) if row.values else (
        f"{_with_unit(row.lo, row._replace(unit=''))} to {_with_unit(row.hi, row)}"
    )  # fmt: skip
    return {
        "row": row,
        "step": f"{row.scale} {row.unit}".strip() if row.unit else "",
        "range": ends,
        "default": _with_unit(row.default, row),
        "write": {params.ANY: "always", params.STILL: "at rest", params.NEVER: "never"}[row.write],
    }


def _search() -> dict[str, Any]:
    """Worst-case time of the search for nodes without an address, from the table of times."""
    bits = 8 * next(spec for spec in wire.KINDS.by_class[messages.Search].fields if spec.name == "id").codec.size

    def seconds(nodes: int, exchange_ms: float, last: int) -> float:
        questions, assigns = (bits + 1) * nodes + last, nodes
        waits = questions * TIMING["search_reply"].ms + assigns * TIMING["reply"].ms
        return (waits + (questions + assigns) * exchange_ms) / 1000

    serial = 2 * serial_frame.FRAME_MAX * SERIAL_BITS
    links = {  # two longest frames in ms, and last questions: a serial line is asked twice
        "CAN, 250 kbit/s": (2 * CAN_BITS / 250, 2),
        "CAN, 500 kbit/s": (2 * CAN_BITS / 500, 2),
        "serial, 115 200 baud": (serial / 115.2, 4),
        "serial, 1 000 000 baud": (serial / 1000, 4),
    }
    return {
        "bits": bits,
        "per_node": bits + 1,
        "wait_ms": (bits + 1) * TIMING["search_reply"].ms + TIMING["reply"].ms,
        "end_ms": 2 * TIMING["search_reply"].ms,
        "can_bits": CAN_BITS,
        "rows": [(name, *(f"{seconds(nodes, *link):.2f} s" for nodes in (1, 2, 4, 8))) for name, link in links.items()],
    }


def _frame_example() -> dict[str, Any]:
    """One message on both transports, every byte explained, drawn before and after byte stuffing."""
    message = packet(messages.Move(TAG, 45000, 60000), dst=header.NODE_FIRST, src=header.CONTROL_FIRST, axis=0)
    ident, body = pack(message)
    head = ident.to_bytes(serial_frame.HEADER_SIZE, "little")
    crc = int(serial_frame.crc16(head + body)).to_bytes(serial_frame.CRC_SIZE, "little")
    plain = head + body + crc
    line = serial_frame.encode_frame(message)

    def hexed(data: bytes) -> str:
        return data.hex(" ").upper()

    sections = ((head, "header", YELLOW), (body, "body", SKY), (crc, "CRC-16", ORANGE))
    plain_boxes = [Box(hexed(data), len(data), fill, name) for data, name, fill in sections]
    line_boxes, stuffed = [], []
    code_at = 0
    for place, byte in enumerate(line):
        if place == len(line) - 1:
            why, fill, above = "zero byte: the frame ends here", GREY, "end"
        elif place == code_at:
            code_at += byte
            why = f"COBS count: {byte - 1} bytes follow as they are" + (
                ", then a zero byte was taken out" if code_at < len(line) - 1 else ", then the data ends"
            )
            fill, above = GREEN, "count"
        else:
            why, fill, above = "", "#ffffff", ""
        line_boxes.append(Box(f"{byte:02X}", 1, fill, above))
        if why:
            stuffed.append(Byte(f"{byte:02X}", why))
        else:
            if stuffed and stuffed[-1].text == "data as it is":
                stuffed[-1] = Byte(f"{stuffed[-1].hex} {byte:02X}", "data as it is")
            else:
                stuffed.append(Byte(f"{byte:02X}", "data as it is"))
    parts = header.unpack_header(ident)
    return {
        "ident": f"{ident:08X}",
        "parts": parts._asdict(),
        "head": hexed(head),
        "body": hexed(body),
        "crc": hexed(crc),
        "line": hexed(line),
        "bytes": stuffed,
        "plain": row_of_boxes("Header, body and CRC", plain_boxes, 40),
        "stuffed": row_of_boxes("The same on the line", line_boxes, 40),
        "bits": 8 * len(plain),
        "longest_bits": 8 * serial_frame.PAYLOAD_MAX,
    }


def _answers() -> list[tuple[str, str, str, str]]:
    """The first exchanges of a new motor: (what, who, CAN, serial)."""
    control, node = header.CONTROL_FIRST, header.NODE_FIRST
    node_axis, move = header.ALL_AXES, wire.KINDS.by_class[messages.Move].code
    flow: list[tuple[str, str, Packet]] = [
        ("What are you?", "control", packet(messages.Identify(1), dst=node, src=control, axis=node_axis)),
        ("One axis, this protocol, firmware 1, hardware 1.", "node",
         packet(messages.Identity(1, 1, codes.VERSION_MAJOR, codes.VERSION_MINOR, 1, 1), dst=control, src=node,
                axis=node_axis)),
        ("How is axis 0?", "control", packet(messages.GetStatus(2), dst=node, src=control, axis=0)),
        ("Released, nothing wrong, free, travel not known.", "node",
         packet(messages.Status(2, int(states.State.RELEASED), 0, 0, 0, 0), dst=control, src=node, axis=0)),
        ("Move to 45 deg.", "control", packet(messages.Move(3, 45000, 0), dst=node, src=control, axis=0)),
        ("Refused: kind not known here, not yet.", "node",
         packet(messages.Refused(3, move, int(codes.Refusal.UNKNOWN_KIND), move), dst=control, src=node, axis=0)),
    ]  # fmt: skip
    found: list[tuple[str, str, str, str]] = []
    for text, who, message in flow:
        ident, data = pack(message)
        can = f"{ident:08X}  {data.hex(' ').upper()}"
        found.append((text, who, can, serial_frame.encode_frame(message).hex(" ").upper()))
    return found
