"""Checks of lens marks and texts: upload, commit and its check value, storage. What the device held goes back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.header import ALL_AXES
from ringlet.protocol.items import PART_SIZE, PARTS_MAX, TEXT_MAX, marks_check, text_check, text_of, text_parts
from ringlet.tools.conform.probe import Broken, Probe
from ringlet.tools.conform.table import check

PLACE: Final = "long-things"
Marks = list[tuple[int, int]]
TABLE: Final[Marks] = [(-5000, 450), (0, 1000), (0x123456, 0x0ABCDE), (0x200000, 0xFFFFFF)]
SECOND: Final[Marks] = [(100, 7), (200, 8)]
AXIS_NAME: Final = 2


def read_marks(p: Probe) -> tuple[int, Marks, int]:
    """(unit, marks, check told)."""
    head = p.must(m.GetMarks(0))
    table = []
    for index in range(head.count):
        mark = p.must(m.GetMark(0, index))
        if mark.index != index:
            raise Broken(f"mark {index} was asked for and {mark.index} came")
        table.append((mark.position, mark.value))
    return head.values, table, head.check


def put_marks(p: Probe, table: Marks, unit: int = 0, order: list[int] | None = None) -> None:
    """Upload without the commit."""
    p.must(m.OpenMarks(0, unit, len(table)))
    for index in order if order is not None else range(len(table)):
        p.must(m.PutMark(0, index, *table[index]))


def read_text(p: Probe, item: int, axis: int | None = None) -> list[bytes]:
    """The parts of a text."""
    parts: list[bytes] = []
    for part in range(PARTS_MAX):
        answer = p.ask(m.GetText(0, item << 4 | part), axis=axis)
        if not isinstance(answer, m.Text):
            break
        if answer.item != item << 4 | part:
            raise Broken(f"text part {item << 4 | part:#04x} was asked for and {answer.item:#04x} came")
        parts.append(answer.text)
        if b"\0" in answer.text:
            break
    return parts


def put_text(p: Probe, item: int, parts: list[bytes]) -> None:
    """Upload without the commit."""
    for number, part in enumerate(parts):
        p.must(m.PutText(0, item << 4 | number, part))


def put_text_back(p: Probe, item: int, parts: list[bytes]) -> None:
    """A text as it was read; an empty one is emptied, so that nothing is held in its place."""
    kept = parts if text_of(parts) else []
    put_text(p, item, kept)
    p.must(m.CommitText(0, item, len(kept), text_check(kept)))


@contextmanager
def kept_marks(p: Probe) -> Iterator[None]:
    """The table in use goes back after the block."""
    unit, table, _ = read_marks(p)
    try:
        yield
    finally:
        put_marks(p, table, unit)
        p.must(m.CommitMarks(0, marks_check(table)))


@contextmanager
def _kept_text(p: Probe, item: int = AXIS_NAME) -> Iterator[None]:
    before = read_text(p, item)
    try:
        yield
    finally:
        put_text_back(p, item, before)


@check("MARK-01", PLACE, "A table of marks is uploaded in any order, taken into use by the commit, and read back the "
    "same.",
       "A field of a mark is cut, or bytes change places.")  # fmt: skip
def upload(p: Probe) -> None:
    with kept_marks(p):
        put_marks(p, TABLE, 1, [2, 0, 3, 1])
        p.must(m.CommitMarks(0, marks_check(TABLE)))
        unit, table, told = read_marks(p)
        p.check(unit == 1, f"the table's unit was 1 and reads {unit}")
        p.check(table == TABLE, f"the table was {TABLE} and reads {table}")
        p.check(told == marks_check(TABLE), f"the check value is {marks_check(TABLE):#06x} and reads {told:#06x}")
        p.check(p.flag(Flag.MARKS), "a table is in use and the flag `marks` is not set")


@check("MARK-02", PLACE, "A commit whose check value is wrong is refused with `check-mismatch`, and the old table "
    "stays.",
       "The commit does not compute the check value.")  # fmt: skip
def wrong_check(p: Probe) -> None:
    with kept_marks(p):
        put_marks(p, TABLE)
        p.must(m.CommitMarks(0, marks_check(TABLE)))
        put_marks(p, SECOND)
        good = marks_check(SECOND)
        for wrong in (good ^ 1, good ^ 0x8000, 0, marks_check(TABLE)):
            p.no(m.CommitMarks(0, wrong), Refusal.CHECK_MISMATCH, len(SECOND), f"with check {wrong:#06x}")
        p.check(read_marks(p)[1] == TABLE, "a refused commit changed the table in use")


@check("MARK-03", PLACE, "A table with a mark missing, or not rising in position, is not taken into use.",
       "The commit looks at the check value only.")  # fmt: skip
def incomplete(p: Probe) -> None:
    with kept_marks(p):
        put_marks(p, SECOND)
        p.must(m.CommitMarks(0, marks_check(SECOND)))
        put_marks(p, TABLE, order=[0, 1, 3])
        present = [TABLE[0], TABLE[1], TABLE[3]]
        for value in (marks_check(TABLE), marks_check(present)):
            p.no(m.CommitMarks(0, value), Refusal.CHECK_MISMATCH, 3, "of three of four marks")
        for wrong in ([SECOND[1], SECOND[0]], [SECOND[0], SECOND[0]]):
            put_marks(p, wrong)
            p.no(m.CommitMarks(0, marks_check(wrong)), Refusal.CHECK_MISMATCH, 2, "of marks that do not rise")
        p.check(read_marks(p)[1] == SECOND, "a refused commit changed the table in use")


@check("MARK-04", PLACE, "The old table stays in use until the commit.", "Marks are written into the table in use.")
def old_stays(p: Probe) -> None:
    with kept_marks(p):
        put_marks(p, TABLE)
        p.must(m.CommitMarks(0, marks_check(TABLE)))
        p.must(m.OpenMarks(0, 0, len(SECOND)))
        p.check(read_marks(p)[1] == TABLE, "open-marks emptied the table in use")
        p.must(m.PutMark(0, 0, *SECOND[0]))
        p.check(read_marks(p)[1] == TABLE, "put-mark changed the table in use")
        p.check(p.flag(Flag.MARKS), "during an upload the flag `marks` went out")


@check("MARK-05", "refusals", "Marks without an open table are refused with `not-staged`; marks past its count, or "
    "past the "
       "table in use, with `unknown-item`.", "The index is compared with the greatest count only.")  # fmt: skip
def mark_refusals(p: Probe) -> None:
    with kept_marks(p):
        put_marks(p, SECOND)
        p.must(m.CommitMarks(0, marks_check(SECOND)))
        p.no(m.PutMark(0, 1, 0, 0), Refusal.NOT_STAGED, 1, "after the commit")
        p.no(m.CommitMarks(0, 0), Refusal.NOT_STAGED, None, "after the commit")
        p.no(m.GetMark(0, 2), Refusal.UNKNOWN_ITEM, 2, "past the table")
        p.must(m.OpenMarks(0, 0, 2))
        p.no(m.PutMark(0, 2, 0, 0), Refusal.UNKNOWN_ITEM, 2, "past the count")


@check("MARK-06", PLACE, "A table may have 64 marks, and one of none erases it.", "The table is shorter than the "
    "protocol's.")
def sizes(p: Probe) -> None:
    with kept_marks(p):
        full = [(1000 * number - 20_000, number * 257 + 3) for number in range(64)]
        put_marks(p, full)
        p.must(m.CommitMarks(0, marks_check(full)))
        p.check(read_marks(p)[1] == full, "a table of 64 marks does not read back the same")
        p.must(m.OpenMarks(0, 0, 0))
        p.must(m.CommitMarks(0, marks_check([])))
        p.check(read_marks(p)[1] == [], "a table of no marks did not erase the old one")
        p.check(not p.flag(Flag.MARKS), "there are no marks and the flag `marks` is set")


@check("MARK-07", PLACE, "`save` stores marks and texts with the settings, and `restore` brings them back.",
       "Only parameters are in the stored block.", needs="store")  # fmt: skip
def saved(p: Probe) -> None:
    with kept_marks(p), _kept_text(p):
        put_marks(p, TABLE, 2)
        p.must(m.CommitMarks(0, marks_check(TABLE)))
        name = text_parts("Conformance")
        put_text(p, AXIS_NAME, name)
        p.must(m.CommitText(0, AXIS_NAME, len(name), text_check(name)))
        p.must(m.Save(0))
        put_marks(p, SECOND)
        p.must(m.CommitMarks(0, marks_check(SECOND)))
        empty = text_parts("")
        put_text(p, AXIS_NAME, empty)
        p.must(m.CommitText(0, AXIS_NAME, len(empty), text_check(empty)))
        p.must(m.Restore(0, 0))
        unit, table, _ = read_marks(p)
        p.check((unit, table) == (2, TABLE), f"saved marks read {unit}, {table} after restore")
        p.check(text_of(read_text(p, AXIS_NAME)) == "Conformance", "a saved text is another one after restore")
    p.must(m.Save(0))


@check("TEXT-01", PLACE, "A text is uploaded in parts, taken into use by the commit, and read back the same.",
       "The last part, or one without a zero byte, is lost.")  # fmt: skip
def text(p: Probe) -> None:
    with _kept_text(p):
        for words in ("Focus", "sechs!", "Größe 35 mm, Brennweite läuft", "x" * TEXT_MAX, ""):
            parts = text_parts(words)
            put_text(p, AXIS_NAME, parts)
            p.must(m.CommitText(0, AXIS_NAME, len(parts), text_check(parts)))
            got = text_of(read_text(p, AXIS_NAME))
            p.check(got == words, f"the text {words!r} reads back as {got!r}")


@check("TEXT-02", PLACE, "A text commit with a wrong check value or a part missing is refused, and the old text stays.",
       "The commit does not compute the check value.")  # fmt: skip
def text_refused(p: Probe) -> None:
    with _kept_text(p):
        old = text_parts("old text")
        put_text(p, AXIS_NAME, old)
        p.must(m.CommitText(0, AXIS_NAME, len(old), text_check(old)))
        new = text_parts("a new text of parts")
        put_text(p, AXIS_NAME, new)
        p.no(m.CommitText(0, AXIS_NAME, len(new), text_check(new) ^ 1), Refusal.CHECK_MISMATCH, len(new), "wrong check")
        more = len(new) + 1
        p.no(m.CommitText(0, AXIS_NAME, more, text_check(new)), Refusal.CHECK_MISMATCH, len(new), "of too many parts")
        p.check(text_of(read_text(p, AXIS_NAME)) == "old text", "a refused commit changed the text in use")
        p.must(m.PutText(0, AXIS_NAME << 4, new[0]))
        p.no(m.CommitText(0, AXIS_NAME, len(new), text_check(new)), Refusal.CHECK_MISMATCH, 1, "after part 0 began "
            "anew")


@check("TEXT-03", "item", "Maker and model can be read from the node and not written; other items are refused with "
       "`unknown-item`.", "Items are not told apart by their place.")  # fmt: skip
def items(p: Probe) -> None:
    for item in (0, 1):
        parts = read_text(p, item, ALL_AXES)
        p.check(bool(parts) and b"\0" in parts[-1], f"text {item} of the node does not end with a zero byte: {parts}")
        words = b"".join(parts).split(b"\0")[0]
        p.check(words.decode(errors="replace").encode() == words, f"text {item} of the node is no UTF-8: {words!r}")
        p.no(m.PutText(0, item << 4, bytes(PART_SIZE)), Refusal.READ_ONLY, item, f"{item}", axis=ALL_AXES)
        p.no(m.GetText(0, item << 4), Refusal.UNKNOWN_ITEM, item, f"{item} of an axis")
    for item in (4, 9, 15):
        p.no(m.GetText(0, item << 4), Refusal.UNKNOWN_ITEM, item, str(item))
        p.no(m.PutText(0, item << 4, bytes(PART_SIZE)), Refusal.UNKNOWN_ITEM, item, str(item))
    p.no(m.GetText(0, AXIS_NAME << 4 | 15), Refusal.UNKNOWN_ITEM, AXIS_NAME, "part 15 of a short text")


@check("TEXT-04", "refusals", "A part of a text that was not begun with part 0 is refused with `not-staged`.",
       "Parts are written wherever they belong.")  # fmt: skip
def text_not_begun(p: Probe) -> None:
    with _kept_text(p):
        now = read_text(p, AXIS_NAME)
        put_text(p, AXIS_NAME, now)
        p.must(m.CommitText(0, AXIS_NAME, len(now), text_check(now)))
        p.no(m.PutText(0, AXIS_NAME << 4 | 1, b"abcdef"), Refusal.NOT_STAGED, AXIS_NAME, "part 1 first")
