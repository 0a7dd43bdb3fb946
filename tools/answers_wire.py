"""Answers of the commands for the protocol; see `answers`."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, RootModel

from ringlet.tools.answers import Answer, says


class Part(Answer):
    """Bits of a number."""

    name: str
    shift: int
    width: int
    doc: str


class Reserved(Answer):
    """A count that stands for something else than a number."""

    count: int
    name: str


class FieldRow(Answer):
    """One field of a kind."""

    name: str
    offset: int = says("In bytes.")
    size: int = says("In bytes.")
    type: str
    unit: str
    scale: str = says("The unit that one count is, as a decimal.")
    min: int | None = says("In counts.")
    max: int | None = says("In counts.")
    reserved: list[Reserved]
    values: str = says("The enumeration of its values.")
    parts: list[Part]
    absent: Any = says("What a receiver puts where an older sender has not the field.")
    doc: str


class KindRow(Answer):
    """One kind of message."""

    code: int
    name: str
    class_: str = Field(alias="class")
    priority: int
    role: str
    sender: str
    scope: str
    reply: str
    broadcast: bool
    owner: str
    since: int
    size: int = says("In bytes.")
    min_size: int = says("In bytes.")
    doc: str
    fields: list[FieldRow]


class ParameterRow(Answer):
    """One parameter; counts times scale are the unit."""

    id: int
    name: str
    unit: str
    scale: str
    default: int
    write: Literal["any", "still", "never"]
    stored: bool
    scope: str
    values: str
    doc: str
    min: int
    max: int
    default_value: int | float | str = says("In the unit.")


class StateRow(Answer):
    """One state of an axis."""

    code: int
    name: str
    drive: bool
    torque: str
    still: bool
    doc: str


class Transition(Answer):
    """One way between states."""

    event: str
    since: list[str] = Field(alias="from")
    to: str | None = says("The state that it leads to; null when it stays.")
    calibrated: bool
    doc: str


class Refusal(Answer):
    """One refusal."""

    code: int
    name: str
    doc: str
    item: str


class Fault(Answer):
    """One fault."""

    code: int
    name: str
    reaction: str
    doc: str


class Named(Answer):
    """One value of an enumeration."""

    count: int
    name: str
    doc: str


class Timing(Answer):
    """One promise about time."""

    name: str
    ms: int = says("In ms.")
    doc: str


class HeaderField(Answer):
    """Bits of the header."""

    name: str
    width: int
    shift: int
    doc: str


class Addresses(Answer):
    """A range of addresses."""

    first: int
    last: int
    doc: str


class Header(Answer):
    """The header of every message."""

    bits: int
    fields: list[HeaderField]
    addresses: list[Addresses]
    all_axes: int
    axes_max: int


class Version(Answer):
    """Of the protocol."""

    major: int
    minor: int


class Serial(Answer):
    """Frames of a serial line."""

    framing: str
    crc: str
    longest_frame: int = says("In bytes.")


class Events(Answer):
    """What makes an axis change its state."""

    requests: list[str]
    internal: dict[str, str]


class Whole(Answer):
    """All tables."""

    protocol: Version
    header: Header
    serial: Serial
    body_max: int = says("In bytes.")
    kinds: list[KindRow]
    parameters: list[ParameterRow]
    states: list[StateRow]
    events: Events
    transitions: list[Transition]
    refusals: list[Refusal]
    faults: list[Fault]
    enumerations: dict[str, list[Named]]
    timing: list[Timing]


class Codes(Answer):
    """`ringlet schema codes`."""

    refusals: list[Refusal]
    faults: list[Fault]
    enumerations: dict[str, list[Named]]


class SchemaFiles(Answer):
    """With --json-of and --out: the JSON Schemas that were written."""

    files: list[str]


Schema = RootModel[
    SchemaFiles | Whole | KindRow | list[KindRow] | list[ParameterRow] | list[StateRow] | list[Transition]
    | list[Timing] | Codes | Header
]  # fmt: skip
"""All tables, one of them, or one kind. With --json-of a JSON Schema, which is not told here."""


class Message(Answer):
    """One message, as values and as bytes."""

    kind: str = says("Its name in `ringlet schema kinds`.")
    priority: int
    dst: int = says("Node that is addressed; 127 is everyone.")
    src: int = says("Who speaks.")
    axis: int = says("Axis; 15 is all axes or the node itself.")
    fields: dict[str, Any] = says("In the units beside.")
    units: dict[str, str]
    extra: str = says("Hex of body bytes past the known fields.")
    problem: str | None = says("Why a node would refuse it; null when it would not.")
    time: float | None = says("In s, of the capture; null without.")
    can: str = says("As a CAN frame, ID#HEX.")
    serial: str = says("As bytes of a serial line, hex.")
    arguments: list[str] = says("Words that make it again with `ringlet encode`.")


class Messages(Answer):
    """Messages, and what could not be read."""

    messages: list[Message]
    lost: dict[str, int] = says("How many frames were lost to each cause.")


class File(Answer):
    """A file that was written."""

    path: str
    bytes: int


class Emit(Answer):
    """What was written."""

    target: str
    files: list[File]
