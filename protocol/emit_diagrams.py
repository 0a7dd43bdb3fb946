"""Drawings of the reference page, as SVG text laid out from the tables: headers, frames, bodies, states.

Fills are light tints of the Okabe-Ito palette (M. Okabe, K. Ito, "Color Universal Design", 2008); every box also
carries its name, and the drawings read the same in grey.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final, NamedTuple

from ringlet.protocol.header import HEADER_FIELDS
from ringlet.protocol.states import REQUESTS, STATES, State, Transition
from ringlet.protocol.wire import Kind

SKY, ORANGE, GREEN, YELLOW, GREY = "#cfe8f7", "#fae3b8", "#c4e6da", "#fbf6c4", "#eeeeee"
INK, LINE, DARK = "#111111", "#555555", "#004c7a"
FONT: Final = "font-family='system-ui, sans-serif'"
CHAR: Final = 6.6
"""Width of a character of 12 px text, on the safe side."""


class Box(NamedTuple):
    name: str
    width: float
    """share of the row, in its own units"""
    fill: str
    above: str
    below: str = ""


def _text(x: float, y: float, text: str, size: int = 12, anchor: str = "middle", extra: str = "") -> str:
    look = f"font-size='{size}' text-anchor='{anchor}' fill='{INK}' {extra}"
    return f"<text x='{x:g}' y='{y:g}' {look}>{escape(text)}</text>"


def _svg(width: float, height: float, title: str, parts: Sequence[str]) -> str:
    """A drawing that shrinks with the page and never grows past its own size."""
    return (
        f"<svg viewBox='0 0 {width:g} {height:g}' style='--width:{width:g}px' role='img' "
        f"aria-label='{escape(title, quote=True)}' {FONT}>" + "".join(parts) + "</svg>"
    )


def row_of_boxes(title: str, boxes: Sequence[Box], unit: float) -> str:
    """Boxes side by side; `unit` is the width in px of one unit. Texts that do not fit widen their box."""
    parts, x = [], 1.0
    tall = 34
    for box in boxes:
        texts = max(len(box.name), len(box.below), len(box.above))
        width = max(box.width * unit, texts * CHAR + 12)
        parts.append(_text(x + width / 2, 12, box.above, 11))
        parts.append(f"<rect x='{x:g}' y='18' width='{width:g}' height='{tall}' fill='{box.fill}' stroke='{LINE}'/>")
        parts.append(_text(x + width / 2, 18 + tall / 2 + 4, box.name))
        if box.below:
            parts.append(_text(x + width / 2, 18 + tall + 14, box.below, 11))
        x += width
    return _svg(x + 1, 18 + tall + (20 if any(box.below for box in boxes) else 3), title, parts)


def header_drawing() -> str:
    """The 29 bits, most significant first."""
    fills = {"priority": ORANGE, "kind": SKY, "dst": GREEN, "src": YELLOW, "axis": GREY}
    boxes, top = [], sum(width for _, width, _ in HEADER_FIELDS)
    for name, width, _ in HEADER_FIELDS:
        boxes.append(Box(name, width, fills[name], f"bits {top - 1}-{top - width}", f"{width} bits"))
        top -= width
    return row_of_boxes("The 29-bit header", boxes, 24)


def body_drawing(row: Kind) -> str:
    """The bytes of a body: one box a field, as wide as its bytes."""
    boxes = []
    for index, spec in enumerate(row.fields):
        first, last = spec.offset, spec.offset + spec.codec.size - 1
        above = f"byte {first}" if first == last else f"bytes {first}-{last}"
        boxes.append(Box(spec.name, spec.codec.size, GREY if index == 0 else (SKY, ORANGE)[index % 2], above))
    return row_of_boxes(f"Bytes of {row.name}", boxes, 78)


# --- states -------------------------------------------------------------------------------------------------------

LABEL, COLUMN, ROW, TOP = 250, 82, 30, 64


class Bundle(NamedTuple):
    """All events that lead from the same states to the same state."""

    events: list[Transition]
    sources: tuple[State, ...]
    to: State | None


def bundles(transitions: Sequence[Transition]) -> list[Bundle]:
    """Rows of the table that differ in nothing but the event, requests apart from internal ones, by their target."""
    found: dict[tuple[tuple[State, ...], State | None, bool], list[Transition]] = {}
    for row in transitions:
        found.setdefault((row.states, row.to, row.event in REQUESTS), []).append(row)
    order = sorted(found, key=lambda key: (key[1] is None, key[1] or 0))
    return [Bundle(found[key], key[0], key[1]) for key in order]


def _lines(bundle: Bundle) -> list[str]:
    """Names of the events, broken into lines that fit the label column."""
    words = [row.event + ("*" if row.calibrated else "") for row in bundle.events]
    lines = [""]
    for index, word in enumerate(words):
        piece = word + (", " if index < len(words) - 1 else "")
        if lines[-1] and (len(lines[-1]) + len(piece)) * CHAR > LABEL - 14:
            lines.append("")
        lines[-1] += piece
    return lines


def _column(state: State) -> float:
    return LABEL + COLUMN * (int(state) + 0.5)


def state_drawing(transitions: Sequence[Transition]) -> str:
    """Each state is a column; each line leads from the dots to the arrow's name. Internal events are in italics."""
    rows = bundles(transitions)
    heights = [max(ROW, 15 * len(_lines(row)) + 12) for row in rows]
    width, height = LABEL + COLUMN * len(State) + 2, TOP + sum(heights) + 8
    parts = []
    for state in State:
        x = _column(state)
        powered = STATES[state].drive
        look = f"fill='{SKY}'" if powered else "fill='#ffffff' stroke-dasharray='4 3'"
        parts.append(
            f"<line x1='{x:g}' y1='{TOP - 12}' x2='{x:g}' y2='{height - 4}' stroke='#cccccc' stroke-dasharray='2 3'/>"
        )
        parts.append(
            f"<rect x='{x - COLUMN / 2 + 3:g}' y='6' width='{COLUMN - 6}' height='44' rx='10' {look} stroke='{INK}'/>"
        )
        parts.append(_text(x, 25, state.name.lower(), 12, extra="font-weight='600'"))
        parts.append(_text(x, 41, "powered" if powered else "drive off", 10))
    y = float(TOP)
    for index, (row, tall) in enumerate(zip(rows, heights, strict=True)):
        if index % 2 == 0:
            parts.insert(0, f"<rect x='0' y='{y:g}' width='{width}' height='{tall}' fill='#f5f5f5'/>")
        parts += _bundle(row, y, tall)
        y += tall
    return _svg(width, height, "State table as a drawing", parts)


def _bundle(row: Bundle, y: float, tall: float) -> list[str]:
    middle = y + tall / 2
    lines = _lines(row)
    internal = row.events[0].event not in REQUESTS
    style = "font-style='italic'" if internal else ""
    start = middle - 7.5 * (len(lines) - 1) + 4
    parts = [_text(8, start + 15 * i, line, 12, "start", style) for i, line in enumerate(lines)]
    columns = [_column(state) for state in (*row.sources, *(() if row.to is None else (row.to,)))]
    if row.to is not None:
        parts.append(
            f"<line x1='{min(columns):g}' y1='{middle:g}' x2='{max(columns):g}' y2='{middle:g}' "
            f"stroke='{DARK}' stroke-width='1.5'/>"
        )
    for state in row.sources:
        if state is not row.to:
            parts.append(
                f"<circle cx='{_column(state):g}' cy='{middle:g}' r='5' fill='{'#ffffff' if row.to is None else DARK}' "
                f"stroke='{DARK}' stroke-width='1.5'/>"
            )
    if row.to is not None:
        x, half = _column(row.to), COLUMN / 2 - 3
        parts.append(
            f"<rect x='{x - half:g}' y='{middle - 11:g}' width='{2 * half:g}' height='22' rx='8' fill='{DARK}'/>"
        )
        parts.append(
            f"<text x='{x:g}' y='{middle + 4:g}' font-size='12' text-anchor='middle' fill='#ffffff'>"
            f"{'↻ ' if row.to in row.sources else '→ '}{row.to.name.lower()}</text>"
        )
    return parts
