"""What people see in a terminal: tables of the schema, messages, axes. Values never stand without their unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from rich import box
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.markup import escape
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from ringlet.protocol import header, physical
from ringlet.protocol.behaviour import TRAVEL_COUNTS
from ringlet.protocol.codec import Packet, kind_of
from ringlet.protocol.wire import Spec

if TYPE_CHECKING:
    from ringlet.tools.capture import Seen

Row = Mapping[str, Any]

GOOD, BAD, LIMIT = "✓", "✗", "!"
"""Shapes that say the verdict without colour."""
TIGHT: Final = 60
"""On screens with fewer columns a table that does not fit is told line by line: rich would break words in it."""


class _Fitting(Table):
    """A table that is told line by line, heading and value, on a narrow screen that it does not fit."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        wide = options.update(max_width=1000)
        if options.max_width >= TIGHT or Measurement.get(console, wide, self).maximum <= options.max_width:
            yield from super().__rich_console__(console, options)
            return
        if self.title:
            yield Text.from_markup(str(self.title), style="bold")
        heads = [" ".join(str(column.header).split()) for column in self.columns]
        for row, cells in zip(self.rows, zip(*(column.cells for column in self.columns), strict=True), strict=True):
            lines = Table.grid(padding=(0, 1))
            for _ in range(2):
                lines.add_column(overflow="fold")
            for head, cell in zip(heads, cells, strict=True):
                if cell:
                    lines.add_row(head, cell, style=row.style)
            yield lines
            yield ""


def table(*columns: str, title: str = "", right: tuple[str, ...] = ()) -> Table:
    """An empty table in the look that all of them share; columns named in `right` hold numbers."""
    made = _Fitting(
        title=title or None, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False,
        collapse_padding=True,
    )  # fmt: skip
    for name in columns:
        made.add_column(name, justify="right" if name in right else "left", overflow="fold")
    return made


def address(number: int) -> str:
    """What an address is, in words."""
    if number == header.EVERYONE:
        return "everyone"
    if number == header.NOBODY:
        return "nobody"
    if number <= header.CONTROL_LAST:
        return f"control {number}"
    return "a fresh node" if number == header.FRESH else f"node {number}"


def axis(number: int) -> str:
    """What an axis number is, in words."""
    return "all axes" if number == header.ALL_AXES else f"axis {number}"


def value(spec: Spec, count: Any) -> str:
    """A field's value with its unit."""
    shown = physical.show_argument(spec, count)
    if spec.name == "id" and spec.codec.size == 6:
        return f"0x{count:012X}"
    if spec.field.unit == "travel":
        return f"{100 * count / TRAVEL_COUNTS:.2f} % of the travel"
    if spec.field.values or any(shown == name for _, name in spec.field.reserved) or not spec.field.unit:
        return shown
    return f"{shown} {spec.field.unit}"


def message(packet: Packet, extra: bytes = b"") -> tuple[RenderableType, ...]:
    """One message with its header and every field."""
    row = kind_of(packet.body)
    head = Text.assemble(
        (row.name, "bold"),
        f"  {address(packet.src)} to {address(packet.dst)}, {axis(packet.axis)}, priority {packet.priority}",
    )
    grid = table("field", "value", "meaning")
    for spec, count in zip(row.fields, packet.body, strict=True):
        grid.add_row(spec.name, escape(value(spec, count)), escape(spec.field.doc))
    if extra:
        grid.add_row("(more)", extra.hex(), "Bytes of a newer version, kept as they are.")
    return head, Text(row.doc.splitlines()[0]), grid


def message_line(seen: Seen) -> str:
    """One message on one line."""
    packet = seen.packet
    row = kind_of(packet.body)
    fields = "  ".join(f"{spec.name}={value(spec, count)}" for spec, count in zip(row.fields, packet.body, strict=True))
    when = "" if seen.time is None else f"{seen.time:.6f} s  "
    more = f"  (more)={seen.extra.hex()}" if seen.extra else ""
    return f"{when}{packet.src}>{packet.dst}.{packet.axis}  {row.name}  {fields}{more}"


def _kinds(tables: Row) -> list[RenderableType]:
    grid = table(
        "code", "kind", "pr", "from", "answer", "bytes", "meaning", title="Kinds", right=("code", "pr", "bytes")
    )  # fmt: skip
    for row in tables["kinds"]:
        grid.add_row(
            f"0x{row['code']:02X}", row["name"], str(row["priority"]), row["sender"], row["reply"] or "-",
            str(row["size"]), escape(row["doc"].splitlines()[0]),
        )  # fmt: skip
    return [grid, "One kind with its fields: ringlet schema KIND"]


def one_kind(row: Row) -> RenderableType:
    """Fields of one kind with byte offsets, units, steps and ranges."""
    about = [f"{row['role']} from a {row['sender']}", f"priority {row['priority']}", f"{row['size']} bytes"]
    if row["reply"]:
        about.append(f"answered by {row['reply']}")
    about += ["may go to everyone"] * row["broadcast"]
    about += {"must": ["only from the owner"], "unless-free": ["only from the owner unless the axis is free"]}.get(
        row["owner"], []
    )
    grid = table(
        "byte", "field", "type", "unit", "step", "lowest", "highest", "meaning",
        title=f"{row['name']} (0x{row['code']:02X}): {', '.join(about)}", right=("byte", "lowest", "highest"),
    )  # fmt: skip
    for field in row["fields"]:
        scale = field["scale"]
        low, high = (
            ("", "") if field["min"] is None
            else (str(physical.from_counts(field[end], scale)) for end in ("min", "max"))
        )  # fmt: skip
        doc = field["doc"]
        if field["values"]:
            doc += f" Values: {field['values']}."
        doc += "".join(f" {one['count']}: {one['name']}." for one in field["reserved"])
        doc += "".join(f" Bit {part['shift']}: {part['name']}." for part in field["parts"] if part["width"] == 1)
        doc += "".join(
            f" Bits {part['shift']} to {part['shift'] + part['width'] - 1}: {part['name']}."
            for part in field["parts"] if part["width"] > 1
        )  # fmt: skip
        grid.add_row(
            str(field["offset"]), field["name"], f"{field['type']} {8 * field['size']}", field["unit"] or "-",
            scale, low, high, escape(doc),
        )  # fmt: skip
    return grid


def _parameters(tables: Row) -> list[RenderableType]:
    grid = table(
        "no", "parameter", "unit", "lowest", "highest", "default", "writable", "meaning",
        title="Parameters", right=("no", "lowest", "highest", "default"),
    )  # fmt: skip
    for row in tables["parameters"]:
        low, high = (str(physical.from_counts(row[end], row["scale"])) for end in ("min", "max"))
        doc = row["doc"] + " Not stored." * (not row["stored"]) + " Of the node." * (row["scope"] == "node")
        grid.add_row(
            str(row["id"]), row["name"], row["unit"] or "-", low, high, str(row["default_value"]),
            {"any": "always", "still": "at rest", "never": "never"}[row["write"]], escape(doc),
        )  # fmt: skip
    return [grid]


def _states(tables: Row) -> list[RenderableType]:
    grid = table("code", "state", "drive", "torque limit", "meaning", title="States of an axis", right=("code",))
    for row in tables["states"]:
        grid.add_row(str(row["code"]), row["name"], "on" if row["drive"] else "off", row["torque"] or "-", row["doc"])
    return [grid]


def _transitions(tables: Row) -> list[RenderableType]:
    grid = table("event", "in the states", "leads to", "calibrated", "meaning", title="Transitions")
    for row in tables["transitions"]:
        grid.add_row(
            row["event"], ", ".join(row["from"]), row["to"] or "(same)", "needed" if row["calibrated"] else "-",
            row["doc"],
        )  # fmt: skip
    return [grid]


def _codes(tables: Row) -> list[RenderableType]:
    refusals = table("code", "refusal", "meaning", "item", title="Refusals", right=("code",))
    for row in tables["refusals"]:
        refusals.add_row(str(row["code"]), row["name"], row["doc"], row["item"])
    faults = table("code", "fault", "reaction", "meaning", title="Faults", right=("code",))
    for row in tables["faults"]:
        faults.add_row(str(row["code"]), row["name"], row["reaction"], row["doc"])
    names = table("values", "count", "name", "meaning", title="Enumerations", right=("count",))
    for enum, rows in tables["enumerations"].items():
        if enum in ("refusal", "fault", "state"):
            continue
        for place, row in enumerate(rows):
            names.add_row("" if place else enum, str(row["count"]), row["name"], row["doc"])
    return [refusals, faults, names]


def _timing(tables: Row) -> list[RenderableType]:
    grid = table("name", "time", "promise", title="Timing", right=("time",))
    for row in tables["timing"]:
        grid.add_row(row["name"], f"{row['ms']} ms", row["doc"])
    return [grid]


def _addresses(tables: Row) -> list[RenderableType]:
    ranges = table("address", "who", title="Addresses", right=("address",))
    for row in tables["header"]["addresses"]:
        same = row["first"] == row["last"]
        ranges.add_row(str(row["first"]) if same else f"{row['first']} to {row['last']}", row["doc"])
    bits = table("bits", "part", "meaning", title="Header, 29 bits", right=("bits",))
    for row in tables["header"]["fields"]:
        bits.add_row(f"{row['shift']} to {row['shift'] + row['width'] - 1}", row["name"], row["doc"])
    return [ranges, bits]


TABLES: Final[dict[str, Callable[[Row], list[RenderableType]]]] = {
    "kinds": _kinds,
    "parameters": _parameters,
    "states": _states,
    "transitions": _transitions,
    "codes": _codes,
    "timing": _timing,
    "addresses": _addresses,
}

_PARTS: Final = {"codes": ("refusals", "faults", "enumerations"), "addresses": ("header",)}


def part(tables: Row, name: str) -> Any:
    """The part of the dumped schema that a table shows."""
    keys = _PARTS.get(name, (name,))
    return tables[keys[0]] if len(keys) == 1 else {key: tables[key] for key in keys}


class AxisView(NamedTuple):
    """What one axis says of itself, in units."""

    node: int
    axis: int
    role: str
    state: str
    position_deg: float
    setpoint_deg: float
    velocity_deg_s: float
    travel: float | None
    """share of the calibrated travel, None before calibration"""
    owner: int
    flags: tuple[str, ...]
    faults: tuple[str, ...]
    current_a: float
    load_percent: int
    supply_v: float
    winding_c: float
    case_c: float


NARROW: Final = 105
"""Screens with fewer columns than this do without supply and temperature; `--json` has everything."""


def axes(views: list[AxisView], title: str = "", width: int = 120) -> Table:
    """Axes as a table, one row each, for a screen of `width` columns; a sentence each where not even numbers fit."""
    numbers = ("position\ndeg", "velocity\ndeg/s", "travel\n%", "load\n%")
    health = ("supply\nV", "winding\ndegC") if width >= NARROW else ()
    grid = table("axis", "role", "state", *numbers, *health, "owner", "says", title=title, right=numbers + health)
    for column in grid.columns[:-1]:
        column.no_wrap = True
    for one in views:
        cells = [
            f"{one.position_deg:.2f}", f"{one.velocity_deg_s:.1f}",
            "unknown" if one.travel is None else f"{100 * one.travel:.1f}", str(one.load_percent),
        ]  # fmt: skip
        if health:
            cells += [f"{one.supply_v:.2f}", f"{one.winding_c:.1f}"]
        grid.add_row(
            f"{one.node}.{one.axis}", one.role, one.state, *cells, _owner(one), _says(one),
            style="bold" if one.faults else None,
        )  # fmt: skip
    wide = Console(width=1000)
    if Measurement.get(wide, wide.options, grid).minimum <= width:
        return grid
    grid = table("axis", "", title=title)
    for one in views:
        travel = "unknown" if one.travel is None else f"{100 * one.travel:.1f} %"
        told = [
            one.state, f"{one.position_deg:.2f} deg", f"{one.velocity_deg_s:.1f} deg/s", f"travel {travel}",
            f"load {one.load_percent} %", _owner(one), *filter(None, [_says(one)]),
        ]  # fmt: skip
        grid.add_row(f"{one.node}.{one.axis} {one.role}", ", ".join(told), style="bold" if one.faults else None)
    return grid


def _owner(one: AxisView) -> str:
    return "free" if one.owner == 0 else address(one.owner)


def _says(one: AxisView) -> str:
    return ", ".join([*(f"{BAD} {fault}" for fault in one.faults), *(flag.replace("_", " ") for flag in one.flags)])
