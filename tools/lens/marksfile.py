"""Tables of lens marks as files: lens cards (TOML), marks alone (TOML), and CSV; read and written."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable
from io import StringIO
from pathlib import Path
from typing import Final, NamedTuple

from ringlet.hwsim.cardfile import LensCard, load_marks
from ringlet.hwsim.rigfile import NodeEntry
from ringlet.tools.files import write_whole
from ringlet.tools.lens.curve import PAST, MarkCurve, MarkProblem
from ringlet.tools.lens.transfer import RINGS
from ringlet.tools.lens.values import AMOUNT, parse, show
from ringlet.tools.places import Place

COLUMNS: Final = {"distance": "distance", "distance_m": "distance", "distance_ft": "distance", "t_stop": "stop",
                  "focal_mm": "focal"}  # fmt: skip
"""Second column of a CSV file, after `ring_deg`, and the kind of its values. They may carry their unit."""
_KEYS: Final = {"distance": "distance_m", "stop": "t_stop", "focal": "focal_mm"}
_FOOT_COLUMN: Final = "distance_ft"
_PLAIN: Final = re.compile(AMOUNT)


class MarkTable(NamedTuple):
    """Marks of one ring as they stand in a file."""

    name: str
    unit: str
    """`distance`, `stop` or `focal`"""
    marks: tuple[tuple[float, float], ...]
    """(ring angle in degrees, value in m, T or mm)"""
    card: LensCard | None = None
    """the whole lens card, where the file is one"""

    def curve(self) -> MarkCurve:
        """The curve through the marks. Raises MarkProblem, which names the file."""
        try:
            return MarkCurve.from_marks(self.marks, self.unit)
        except MarkProblem as error:
            raise MarkProblem(f"{self.name}: {error}") from None


def load(name_or_path: str) -> MarkTable:
    """Marks from a shipped lens card, a TOML file or a CSV file. Raises MarkProblem or CardError, one sentence."""
    if name_or_path.endswith(".csv"):
        return _load_csv(Path(name_or_path))
    card = load_marks(name_or_path)
    if not card.marks:
        raise MarkProblem(f"{name_or_path}: there are no marks in this card; add them, or take them at the bench.")
    marks = tuple((mark.ring_deg, mark.value) for mark in card.marks)
    return MarkTable(card.name, card.marks[0].kind, marks, card if isinstance(card, LensCard) else None)


def card_of(boards: Iterable[tuple[int, NodeEntry]], place: Place) -> str:
    """The lens card of an axis on a rig, if it has marks, or nothing; each board comes with the address that it has."""
    for address, board in boards:
        if address == place[0] and place[1] < len(board.axes):
            name = board.axes[place[1]].lens
            return name if load_marks(name).marks else ""
    return ""


def _load_csv(path: Path) -> MarkTable:
    try:
        rows = list(csv.reader(StringIO(path.read_text(encoding="utf-8-sig"))))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or "it is not CSV in UTF-8"
        raise MarkProblem(f"{path}: the marks cannot be read ({reason}); check the path.") from None
    head = [name.strip() for name in rows[0]] if rows else []
    if len(head) != 2 or head[0] != "ring_deg" or head[1] not in COLUMNS:
        raise MarkProblem(
            f"{path}: the first line is not ring_deg and one of {', '.join(COLUMNS)}, with a comma between; write "
            "for example ring_deg,distance_m."
        )
    unit, marks = COLUMNS[head[1]], []
    written: dict[str, int] = {}
    """unit -> the first line in it"""
    for number, row in enumerate(rows[1:], 2):
        if not row or not any(cell.strip() for cell in row):
            continue
        if len(row) != 2:
            raise MarkProblem(f"{path}, line {number}: there are {len(row)} values instead of 2; correct the line.")
        try:
            ring = float(row[0])
        except ValueError:
            raise MarkProblem(f"{path}, line {number}: {row[0]!r} is no angle in degrees; correct it.") from None
        text = row[1].strip()
        # A plain number, or one with a fraction as in 6 1/2, is in feet; inf and past inf have no unit.
        if head[1] == _FOOT_COLUMN and (_PLAIN.fullmatch(text) or _is_number(text)):
            text += " ft"
        try:
            value = parse(text, unit, mark=True)
        except MarkProblem as error:
            raise MarkProblem(f"{path}, line {number}: {error}") from None
        if value.written_in or math.isfinite(value.value):
            written.setdefault(value.written_in or "m", number)
        marks.append((ring, value.value))
    if unit == "distance" and len(written) > 1:
        (one, first), (other, second) = sorted(written.items(), key=lambda item: item[1])[:2]
        raise MarkProblem(
            f"{path}: units are mixed, {one} on line {first} and {other} on line {second}; write the table in one."
        )
    if not marks:
        raise MarkProblem(f"{path}: there are no marks after the first line; add them.")
    return MarkTable(path.stem, unit, tuple(marks))


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def save(path: Path, table: MarkTable, note: str = "") -> None:
    """Write marks to a .toml or .csv file, whole or not at all. Raises MarkProblem for another ending, OSError."""
    rows = sorted(table.marks)
    if path.suffix == ".csv":
        text = f"ring_deg,{_KEYS[table.unit]}\n" + "".join(f"{ring:.3f},{_number(value)}\n" for ring, value in rows)
    elif path.suffix == ".toml":
        text = f"name = {_quoted(table.name)}\n" + (f"note = {_quoted(note)}\n" if note else "")
        text += f'role = "{RINGS[table.unit]}"\nmarks = [\n'
        for ring, value in rows:
            held = "past_infinity = true" if value == PAST else f"{_KEYS[table.unit]} = {_number(value)}"
            text += f"    {{ ring_deg = {ring:.3f}, {held} }},"
            text += f"  # {show(value, table.unit)}"
            if table.unit == "distance" and math.isfinite(value):
                text += f", {show(value, table.unit, feet=True)}"
            text += "\n"
        text += "]\n"
    else:
        raise MarkProblem(f"{path} is no name for a table of marks; end it in .toml or .csv.")
    write_whole(path, text.encode())


def _number(value: float) -> str:
    """To a millionth, which is finer than a count of any table."""
    return f"{value:.6f}".rstrip("0").rstrip(".") if math.isfinite(value) else show(value, "distance")


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0."""
    kept = "".join(c if c.isprintable() else " " for c in text)
    return '"' + kept.replace("\\", "\\\\").replace('"', '\\"') + '"'
