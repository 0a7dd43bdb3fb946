"""Commands that need no bus: the tables, bytes to values, values to bytes."""

from __future__ import annotations

import json
import sys
from collections import Counter
from operator import index
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools.cli_common import JsonOption, console, emit, note
from ringlet.tools.errors import UsageProblem

if TYPE_CHECKING:
    from ringlet.tools.capture import Capture, Seen

TIME_END = 2.0**32
"""Times of a capture in s: what a pcap file can hold."""


def schema(
    table: Annotated[
        str, typer.Argument(help="kinds, parameters, states, transitions, codes, timing, addresses, or one kind.")
    ] = "all",
    json_of: Annotated[
        str, typer.Option(metavar="COMMAND", help="JSON Schema of what a command answers with --json; or all.")
    ] = "",
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="With --json-of: write files to this folder.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Show every table of the protocol; or with --json-of what commands answer to machines.

    Examples: ringlet schema; ringlet schema move; ringlet schema parameters; ringlet schema --json;
    ringlet schema --json-of status; ringlet schema --json-of all --out schemas
    """
    if json_of:
        _schemas(json_of, out, as_json)
        return
    if out is not None:
        raise UsageProblem("--out belongs to --json-of; add that, or leave it out.")
    from ringlet.protocol.dump import dump_schema
    from ringlet.tools import show

    tables = dump_schema()
    kinds = {row["name"]: row for row in tables["kinds"]}
    if table not in ("all", *show.TABLES, *kinds):
        raise UsageProblem(f"{table!r} is neither a table nor a kind; tables are: {', '.join(show.TABLES)}.")
    if as_json:
        emit(tables if table == "all" else kinds[table] if table in kinds else show.part(tables, table))
        return
    screen = console()
    if table in kinds:
        screen.print(show.one_kind(kinds[table]))
        return
    for name in show.TABLES if table == "all" else (table,):
        screen.print(*show.TABLES[name](tables))


def _schemas(command: str, out: Path | None, as_json: bool) -> None:
    """Print JSON Schemas, or write a file for each command. They are JSON with or without --json."""
    from ringlet.tools.answers import ANSWERS, schema_of

    name = " ".join(command.split())
    if name not in ("all", *ANSWERS):
        near = [one for one in ANSWERS if set(one.split()) & set(name.split())] or list(ANSWERS)
        raise UsageProblem(f"{name!r} is no command that answers in JSON; choose all or one of: {', '.join(near)}.")
    found = {one: schema_of(one) for one in (ANSWERS if name == "all" else [name])}
    if out is None:
        emit(found if name == "all" else found[name])
        return
    out.mkdir(parents=True, exist_ok=True)
    files = []
    for one, made in found.items():
        files.append(out / f"{one.replace(' ', '-')}.schema.json")
        files[-1].write_text(json.dumps(made, indent=2) + "\n", encoding="utf-8")
    if as_json:
        emit({"files": [str(one) for one in files]})
    else:
        typer.echo(f"Written: {len(files)} schemas to {out}")


def encode(
    words: Annotated[
        list[str] | None, typer.Argument(metavar="KIND FIELD=VALUE...", help="Kind and fields, in the schema's units.")
    ] = None,
    can: Annotated[bool, typer.Option("--can", help="As a CAN frame, ID#HEX.")] = False,
    serial: Annotated[bool, typer.Option("--serial", help="As bytes of a serial line.")] = False,
    dst: Annotated[int, typer.Option(min=0, max=127, help="Node that is addressed; 127 is everyone.")] = 16,
    src: Annotated[int, typer.Option(min=0, max=127, help="Who speaks.")] = 1,
    axis: Annotated[int | None, typer.Option(min=0, max=15, help="Axis; 15 is all axes or the node itself.")] = None,
    priority: Annotated[int | None, typer.Option(min=0, max=7, help="Default: the kind's own.")] = None,
    extra: Annotated[str, typer.Option(help="Hex of body bytes past the known fields.")] = "",
    given: Annotated[str, typer.Option("--from", help="JSON that decode or encode gave: a file, or - for stdin.")] = "",
    out: Annotated[Path | None, typer.Option(help="Write a capture file instead; FILE.pcap for Wireshark.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Make the bytes of a message; the opposite of decode.

    A value is given in the field's unit; 0x.. is a raw count; bits are a=1+b=1; texts are hex.

    Examples: ringlet encode move position=12.5 speed=0 --can; ringlet encode stop --dst 127 --serial;
    ringlet decode --file a.log --json | ringlet encode --from - --can --out a.pcap
    """
    from ringlet.tools import capture

    if bool(words) == bool(given):
        raise UsageProblem("give either a kind with its fields or --from with a file; `ringlet schema` lists kinds.")
    if can == serial and not as_json:
        raise UsageProblem("choose one of --can and --serial.")
    if words:
        seen = [from_words(words, dst, src, axis, priority, extra)]
    else:
        seen = [from_json(entry) for entry in _entries(given)]
    for one in seen:
        _warn(one)
    if out is not None:
        if can == serial:
            raise UsageProblem("choose one of --can and --serial for the file.")
        if out.suffix == ".pcap":
            _pcap(out, seen, can)
        elif can:
            out.write_text("".join(capture.can_log(seen)), encoding="ascii")
        else:
            out.write_bytes(b"".join(map(capture.serial_bytes, seen)))
        note(f"{len(seen)} messages written to {out}.")
    elif as_json:
        emit({"messages": [to_json(one) for one in seen], "lost": {}})
    else:
        for one in seen:
            typer.echo(capture.can_text(one) if can else capture.serial_bytes(one).hex())


def _pcap(out: Path, seen: list[Seen], can: bool) -> None:
    """A capture that Wireshark opens, and reads with the emitted dissector."""
    from ringlet.tools import capture, pcap

    if can:
        pcap.write_can(out, ((one.time or 0.0, one.packet.ident, one.data) for one in seen))
    else:
        pcap.write_serial(out, ((one.time or 0.0, capture.serial_bytes(one)) for one in seen))


def decode(
    can: Annotated[str, typer.Option("--can", metavar="ID#HEX", help="One CAN frame.")] = "",
    serial: Annotated[str, typer.Option("--serial", metavar="HEX", help="Bytes of a serial line.")] = "",
    file: Annotated[
        Path | None, typer.Option("--file", metavar="CAPTURE", help="A log of CAN frames, or raw serial bytes.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show what bytes mean; the opposite of encode.

    Examples: ringlet decode --can 0C408010#00D4300000000000; ringlet decode --file capture.log --json
    """
    from ringlet.protocol.wire import problem
    from ringlet.tools import capture, show

    if bool(can) + bool(serial) + (file is not None) != 1:
        raise UsageProblem("give one of --can ID#HEX, --serial HEX and --file CAPTURE.")
    if can:
        found = capture.Capture([capture.read_can(can)], Counter())
    elif serial:
        try:
            data = bytes.fromhex(serial)
        except ValueError:
            raise UsageProblem(f"{serial!r} is not hex text; give two hex digits for each byte.") from None
        found = capture.read_serial(data)
        if not found.seen:
            raise UsageProblem(f"no message is in these {len(data)} bytes ({_causes(found)}); a frame ends with 00.")
    elif file is not None:
        found = capture.read_file(file)
        if found.lost and not found.seen:
            raise UsageProblem(
                f"no message is in {file} ({_causes(found)}); it should be a log of CAN frames with lines as "
                "`(1.5) can0 0C408010#00D4300000000000`, or the raw bytes of a serial line."
            )
    if as_json:
        emit({"messages": [to_json(one) for one in found.seen], "lost": dict(found.lost)})
        return
    screen = console()
    if len(found.seen) == 1:
        screen.print(*show.message(found.seen[0].packet, found.seen[0].extra), sep="\n")
        _warn(found.seen[0])
    else:
        for one in found.seen:
            mark = " (!)" if problem(one.packet.body) else ""
            screen.print(show.message_line(one) + mark, markup=False, soft_wrap=True)
    if file is not None or found.lost:
        note(f"{len(found.seen)} messages; lost: {_causes(found)}.")


def _causes(found: Capture) -> str:
    return ", ".join(f"{count} {cause}" for cause, count in sorted(found.lost.items())) or "nothing"


def _warn(seen: Seen) -> None:
    """Say it when a value has no meaning; such bytes are made and shown all the same, for tests of nodes."""
    from ringlet.protocol.wire import problem

    wrong = problem(seen.packet.body)
    if wrong is not None:
        note(f"ringlet: a node will refuse this: {wrong[1]}.")


def to_json(seen: Seen) -> dict[str, Any]:
    """A message as JSON values in their units, its bytes on both transports, and the words that encode it."""
    from ringlet.protocol.codec import kind_of
    from ringlet.protocol.physical import show_argument, show_body
    from ringlet.protocol.wire import problem
    from ringlet.tools import capture

    packet = seen.packet
    row = kind_of(packet.body)
    wrong = problem(packet.body)
    shown = [f"{spec.name}={show_argument(spec, value)}" for spec, value in zip(row.fields, packet.body, strict=True)]
    return {
        "kind": row.name,
        "priority": packet.priority,
        "dst": packet.dst,
        "src": packet.src,
        "axis": packet.axis,
        "fields": show_body(packet.body),
        "units": {spec.name: spec.field.unit for spec in row.fields if spec.field.unit},
        "extra": seen.extra.hex(),
        "problem": None if wrong is None else wrong[1],
        "time": seen.time,
        "can": capture.can_text(seen),
        "serial": capture.serial_bytes(seen).hex(),
        "arguments": [row.name, *shown],
    }


def from_words(words: list[str], dst: int, src: int, axis: int | None, priority: int | None, extra: str) -> Seen:
    """A message from what a person typed. Raises UsageProblem or ValueProblem."""
    name, *pairs = words
    fields: dict[str, Any] = {}
    for pair in pairs:
        field, equals, value = pair.partition("=")
        if not equals:
            raise UsageProblem(f"{pair!r} is no field; write FIELD=VALUE, as in position=12.5.")
        if field in fields:
            raise UsageProblem(f"the field {field!r} is given twice; give it once.")
        fields[field] = value
    return _build(name, fields, dst, src, axis, priority, extra)


def _build(
    name: str, fields: dict[str, Any], dst: int, src: int, axis: int | None, priority: int | None, extra: str,
    time: float | None = None,
) -> Seen:  # fmt: skip
    from ringlet.protocol import codec
    from ringlet.protocol.header import ALL_AXES, Header
    from ringlet.protocol.physical import read_body
    from ringlet.protocol.wire import BODY_MAX, KINDS
    from ringlet.tools import capture

    row = KINDS.by_name.get(name)
    if row is None:
        raise UsageProblem(f"there is no kind {name!r}; `ringlet schema kinds` lists them.")
    if axis is None:
        axis = 0 if row.scope == "axis" else ALL_AXES
    body = read_body(row, fields)
    try:
        more = bytes.fromhex(extra)
    except ValueError:
        raise UsageProblem(f"the extra bytes {extra!r} are not hex text; give two hex digits for each byte.") from None
    if row.size + len(more) > BODY_MAX:
        raise UsageProblem(f"{name} with {len(more)} extra bytes is longer than the {BODY_MAX} bytes of a body.")
    head = Header(row.priority if priority is None else priority, row.code, dst, src, axis)
    return capture.Seen(codec.Packet(head.pack(), body), more, time)


def _entries(source: str) -> list[Any]:
    try:
        text = sys.stdin.read() if source == "-" else Path(source).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise UsageProblem(f"{source} cannot be read ({reason}); check the path.") from None
    try:
        data = json.loads(text)
    except ValueError as error:
        raise UsageProblem(f"{source} is no JSON ({error}); give what decode --json printed.") from None
    entries = data.get("messages") if isinstance(data, dict) else None
    if not isinstance(entries, list):
        raise UsageProblem(f"{source} has no list of messages; give what decode --json printed.")
    return entries


def from_json(entry: Any) -> Seen:
    """A message from what `to_json` gave. Raises UsageProblem."""
    try:
        head = {name: index(entry[name]) for name in ("dst", "src", "axis", "priority")}
        kind, fields, extra, time = str(entry["kind"]), dict(entry["fields"]), str(entry["extra"]), entry["time"]
        if time is not None:
            time = float(time)
            if not 0.0 <= time < TIME_END:
                raise ValueError
    except (TypeError, KeyError, ValueError):
        raise UsageProblem(f"{entry!r:.80} is no message; give what decode --json printed.") from None
    try:
        return _build(kind, fields, **head, extra=extra, time=time)
    except UsageProblem:
        raise
    except ValueError as error:
        raise UsageProblem(f"a message of kind {kind} cannot be made: {error}.") from None
