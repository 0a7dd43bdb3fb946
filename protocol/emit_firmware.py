"""A whole motor in C99: the core that answers as the simulated node does, with a host program and a Makefile (0BSD).

Algorithms and wording are in templates/firmware/; this module says which rows of the tables they need beside those that
`emit_c` writes.
"""

from __future__ import annotations

from typing import Any, Final

from ringlet.protocol import codes, header, items, messages, params, states
from ringlet.protocol.behaviour import BEHAVIOUR
from ringlet.protocol.emit import VERSION, target, template
from ringlet.protocol.emit_c import c_macro, c_name, comment, emit_c
from ringlet.protocol.wire import Kind, Registry, Spec

CORE: Final = (
    "rules", "plan", "ramp", "store", "items", "watch", "settings", "events", "axis", "say", "keep", "request", "node",
)  # fmt: skip
"""Parts of the core beside the codec's, in the order in which they need each other; each is a .c and a .h."""
OPTIONAL: Final = ("loop",)
"""Parts that a board may take or leave: position and velocity loop."""
ALONE: Final = (
    "ringlet_whole.h", "ringlet_board.h", "ringlet_host_pipe.h", "ringlet_host.c", "Makefile", "README.md",
)  # fmt: skip
NODE_TEXTS: Final = 2
"""Texts of the table of items that belong to the node (`get-text` says which): maker and model."""
CRC32: Final = 0xEDB88320
"""IEEE 802.3's polynomial 0x04C11DB7, reflected; zlib and the simulated node's store use it."""


def _crc32_table() -> list[int]:
    def step(value: int) -> int:
        for _ in range(4):
            value = value >> 1 ^ (CRC32 if value & 1 else 0)
        return value

    return [step(value) for value in range(16)]


def no_choice(spec: Spec) -> str:
    """C condition that is true when the count of an enumerated field of `message` has no meaning."""
    counts = sorted(codes.names(spec.field.values))
    name = f"m->{c_name(spec.name)}"
    if counts == list(range(len(counts))):
        return f"{name} > {counts[-1]}u"
    return " && ".join(f"{name} != {count}u" for count in counts)


def _choices(row: Kind) -> dict[str, Any]:
    fields = [
        {"index": index, "bad": no_choice(spec).replace("m->", f"message->body.{c_name(row.name)}.")}
        for index, spec in enumerate(row.fields)
        if spec.field.values
    ]
    return {"row": row, "fields": fields}


def _space(kinds: Registry) -> dict[str, Any]:
    """What the templates are filled with."""
    scopes = {scope: [row for row in params.PARAMETERS if row.scope == scope] for scope in ("axis", "node")}
    places = {row.name: place for place, row in enumerate(scopes["axis"])}
    mark = kinds.by_class[messages.PutMark]
    position = next(spec for spec in mark.fields if spec.name == "position")
    value = next(place for place, spec in enumerate(kinds.by_class[messages.StageValue].fields) if spec.name == "value")
    most = next(spec for spec in kinds.by_class[messages.OpenMarks].fields if spec.name == "count")
    return {
        "version": VERSION, "macro": c_macro, "comment": comment, "behaviour": BEHAVIOUR,
        "axis_row": {row.name: row for row in scopes["axis"]},
        "axis_params": scopes["axis"], "node_params": scopes["node"],
        "axis_rows": [params.PARAMETERS.index(row) for row in scopes["axis"]],
        "node_rows": [params.PARAMETERS.index(row) for row in scopes["node"]],
        "torque_slots": [places[rule.torque] if rule.torque else "RINGLET_NO_SLOT" for rule in states.STATES.values()],
        "write_words": {row.write for row in params.PARAMETERS},
        "choices": [found for row in kinds if row.sender == "control" and (found := _choices(row))["fields"]],
        "node_texts": NODE_TEXTS, "axis_texts": len(codes.ENUMS["item"]) - NODE_TEXTS, "text_max": items.TEXT_MAX,
        "marks_max": most.bounds[1], "mark_offset": position.offset, "mark_bytes": mark.size - position.offset,
        "stage_value_field": value, "crc32_table": _crc32_table(), "news_max": 4 * len(codes.FAULTS),
        "axes_max": header.AXES_MAX,
        "answers_kept": BEHAVIOUR["answers-kept"].value, "save_ms": codes.TIMING["save"].ms,
        "core": ["ringlet.c", "ringlet_serial.c", "ringlet_tables.c", *(f"ringlet_{part}.c" for part in CORE)],
    }  # fmt: skip


@target("firmware", doc="a whole motor core in C99 that answers as the simulated one, with a host program")
def emit_firmware(kinds: Registry) -> dict[str, str]:
    """Texts of the codec, of CORE, of OPTIONAL and of ALONE."""
    space = _space(kinds)
    names = [f"ringlet_{part}.{end}" for part in (*CORE, *OPTIONAL) for end in "hc"]
    return emit_c(kinds) | {name: template(f"firmware/{name}.j2").render(space) for name in (*names, *ALONE)}
