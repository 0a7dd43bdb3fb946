"""Test vectors as JSON: every message at its boundaries, and what a receiver makes of broken bytes.

They are for whoever writes a codec in another language: hex, counts, physical values and words side by side.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

from cobs import cobs

from ringlet.protocol.codes import ENUMS
from ringlet.protocol.emit import STAMP, VERSION, target
from ringlet.protocol.header import ALL_AXES, CONTROL_FIRST, EVERYONE, HEADER_FIELDS, IDENT_MAX, NODE_FIRST, Header
from ringlet.protocol.physical import show_body
from ringlet.protocol.serial_frame import CRC_NAME, CRC_SIZE, FRAME_MAX, HEADER_SIZE, crc16, encode_raw
from ringlet.protocol.wire import BODY_MAX, Kind, Registry, Spec, problem

ABOUT: Final = (
    "Test vectors of the Ringlet protocol. `messages`: one message each; `ident` and `body` are the CAN identifier and "
    "data, `serial` the bytes on a serial line. `counts` are the integers sent, `values` the same in their units. "
    "`verdict` is ok, or range and the `field` (index) whose count has no meaning: a receiver refuses it, and a sender "
    "must not send it. `bodies`: what a receiver makes of a body that is shorter, longer or of no known kind. "
    "`streams`: bytes on a serial line and what ends in them, in order. A body of no bytes can come on CAN only."
)


def _holds(spec: Spec) -> tuple[int, int]:
    """Lowest and highest count that the field's bytes hold."""
    bits = 8 * spec.codec.size
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if spec.codec.signed else (0, (1 << bits) - 1)


def _plain(row: Kind, spec: Spec) -> Any:
    """An ordinary count of a field, its bytes all different where there are several."""
    lo, hi = spec.bounds
    if spec.codec.is_text:
        return "Ringlet"[: spec.codec.size].encode().ljust(spec.codec.size, b"\0")
    if spec.field.values:
        return ENUMS[spec.field.values][-1][0]
    if spec.field.parts:
        return 1 << spec.field.parts[-1].shift
    return row.code if spec.name == "tag" else lo + (hi - lo) * 37 // 100


def _cases(spec: Spec) -> Iterator[tuple[str, Any]]:
    """(why, count) of what is worth trying in one field."""
    if spec.codec.is_text:
        yield "all bytes zero", bytes(spec.codec.size)
        yield "all bytes 255", b"\xff" * spec.codec.size
        return
    (lo, hi), (low, high) = spec.bounds, _holds(spec)
    cases: dict[int, str] = {}
    for count, name in spec.field.reserved:
        cases.setdefault(count, f"the count that means {name}")
    for count, name, doc in ENUMS[spec.field.values] if spec.field.values else ():
        cases.setdefault(count, f"{name}: {doc}")
    for part in spec.field.parts:
        cases.setdefault(((1 << part.width) - 1) << part.shift, f"{part.name}, all its bits: {part.doc}")
    ends = (
        (lo, "lowest count"), (hi, "highest count"), (lo - 1, "one below the range"), (hi + 1, "one above the range"),
        (low, "lowest that the bytes hold"), (high, "highest that the bytes hold"), (0, "zero"), (-1, "minus one"),
    )  # fmt: skip
    for count, why in ends:
        if low <= count <= high:
            cases.setdefault(count, why)
    yield from ((why, count) for count, why in cases.items())


def _ident(row: Kind) -> int:
    """A header as a control or a node sends this kind."""
    dst, src = (NODE_FIRST, CONTROL_FIRST) if row.sender == "control" else (CONTROL_FIRST, NODE_FIRST)
    axis = ALL_AXES if row.scope == "node" else 0
    return Header(row.priority, row.code, EVERYONE if row.broadcast else dst, src, axis).pack()


def _parts(ident: int) -> dict[str, int]:
    parts, rest = {}, ident
    for name, width, _ in reversed(HEADER_FIELDS):
        parts[name], rest = rest & (1 << width) - 1, rest >> width
    return dict(reversed(parts.items()))


def words(row: Kind, ident: int, shown: dict[str, Any]) -> str:
    """A message in a sentence for people."""
    units = {spec.name: spec.field.unit for spec in row.fields}
    parts = _parts(ident)
    said = []
    for name, value in shown.items():
        if isinstance(value, dict):
            value = "+".join(f"{part}={bits}" for part, bits in value.items() if bits) or "none"
        plain = isinstance(value, int | float) and units[name]
        said.append(f"{name} {value}{' ' + units[name] if plain else ''}")
    return f"{row.name} from {parts['src']} to {parts['dst']}, axis {parts['axis']}: {', '.join(said)}"


def _headers() -> Iterator[tuple[str, dict[str, int]]]:
    """(why, parts) of headers at the ends of each part that names somebody: no mask may be too narrow."""
    for name, width, _ in HEADER_FIELDS:
        if name != "kind":
            yield f"header: lowest {name}", {name: 0}
            yield f"header: highest {name}", {name: (1 << width) - 1}


def _message(row: Kind, why: str, body: Any, kinds: Registry, parts: dict[str, int] | None = None) -> dict[str, Any]:
    ident, data = Header(**{**_parts(_ident(row)), **(parts or {})}).pack(), row.pack(body)
    bad = problem(body, kinds)
    counts = {name: value.hex() if isinstance(value, bytes) else value for name, value in body._asdict().items()}
    shown = show_body(body, kinds)
    return {
        "kind": row.name, "why": why, "words": words(row, ident, shown), "header": _parts(ident),
        "ident": f"{ident:08x}", "body": data.hex(), "serial": encode_raw(ident, data).hex(),
        "counts": counts, "values": shown, "verdict": "ok" if bad is None else "range",
        **({} if bad is None else {"field": bad[0]}),
    }  # fmt: skip


def _messages(kinds: Registry) -> Iterator[dict[str, Any]]:
    for row in kinds:
        plain = [_plain(row, spec) for spec in row.fields]
        yield _message(row, "ordinary", row.cls(*plain), kinds)
        for index, spec in enumerate(row.fields):
            for why, count in _cases(spec):
                if count != plain[index]:
                    body = row.cls(*plain[:index], count, *plain[index + 1 :])
                    yield _message(row, f"{spec.name}: {why}", body, kinds)
    row = next(iter(kinds))
    for why, parts in _headers():
        yield _message(row, why, row.cls(*(_plain(row, spec) for spec in row.fields)), kinds, parts)


def _bodies(kinds: Registry) -> Iterator[dict[str, Any]]:
    for row in kinds:
        body = row.cls(*(_plain(row, spec) for spec in row.fields))
        data = row.pack(body)
        cuts = [(size, "ok" if size >= row.min_size else "short-body") for size in range(row.size)]
        for size, verdict in cuts:
            yield {"why": f"{row.name} cut to {size} bytes", "ident": f"{_ident(row):08x}", "body": data[:size].hex(),
                   "verdict": verdict}  # fmt: skip
        if row.size < BODY_MAX:
            yield {"why": f"{row.name} from a newer sender", "ident": f"{_ident(row):08x}",
                   "body": (data + b"\xa5" * (BODY_MAX - row.size)).hex(), "verdict": "ok"}  # fmt: skip
    unknown = next(code for code in range(255, 0, -1) if code not in kinds.by_code)
    ident = Header(7, unknown, NODE_FIRST, CONTROL_FIRST, 0).pack()
    yield {"why": "no such kind", "ident": f"{ident:08x}", "body": "00", "verdict": "unknown-kind"}


def _streams(kinds: Registry) -> Iterator[dict[str, Any]]:
    row = next(iter(kinds))
    data = row.pack(row.cls(*(_plain(row, spec) for spec in row.fields)))
    ident = _ident(row)
    good = encode_raw(ident, data)
    payload = ident.to_bytes(HEADER_SIZE, "little") + data
    wrong = bytes(cobs.encode(payload + (crc16(payload) ^ 1).to_bytes(CRC_SIZE, "little"))) + b"\0"
    tiny = payload[: HEADER_SIZE - 1]
    short = bytes(cobs.encode(tiny + crc16(tiny).to_bytes(CRC_SIZE, "little"))) + b"\0"
    cases: tuple[tuple[str, bytes, list[str]], ...] = (
        ("one frame", good, ["ok"]),
        ("nothing but zero bytes", bytes(4), []),
        ("two frames and idle zero bytes", b"\0" + good + b"\0\0" + good, ["ok", "ok"]),
        ("a frame that never ends", good[:-1], []),
        ("one bit of the CRC wrong", wrong, ["crc"]),
        ("a broken frame, then a good one", wrong + good, ["crc", "ok"]),
        ("a length that points past the end", b"\x09\x01\x00" + good, ["cobs", "ok"]),
        ("too few bytes for a header", short + good, ["short", "ok"]),
        ("a header and no body", encode_raw(ident, b"") + good, ["short", "ok"]),
        ("the longest frame and a byte more", b"\x01" * FRAME_MAX + b"\0" + good, ["overlong", "ok"]),
        ("a line that went mad", b"\x55" * 100 + b"\0" + good, ["overlong", "ok"]),
        ("header bits above the 29th", encode_raw(IDENT_MAX + 1 | ident, data) + good, ["header", "ok"]),
    )
    for why, stream, verdicts in cases:
        yield {"why": why, "serial": stream.hex(), "verdicts": verdicts}


@target("vectors", doc="test vectors in JSON: messages at their boundaries, cut bodies, broken streams")
def emit_vectors(kinds: Registry) -> dict[str, str]:
    """One JSON file, one vector a line."""
    check = b"123456789"
    lists = {"messages": _messages(kinds), "bodies": _bodies(kinds), "streams": _streams(kinds)}
    lines = [f'"stamp": {json.dumps(STAMP)}', f'"version": "{VERSION}"', f'"about": {json.dumps(ABOUT)}']
    lines.append(f'"crc": {{"name": "{CRC_NAME}", "of": "{check.hex()}", "is": {crc16(check)}}}')
    for name, rows in lists.items():
        lines.append(f'"{name}": [\n' + ",\n".join(json.dumps(row, ensure_ascii=False) for row in rows) + "\n]")
    return {"ringlet_vectors.json": "{\n" + ",\n".join(lines) + "\n}\n"}
