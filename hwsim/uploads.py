"""Lens marks and texts of one axis: uploaded in items, used after a commit whose check value is right."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of
from ringlet.protocol.codes import Refusal
from ringlet.protocol.items import marks_check, ring_of_value, text_check, text_parts


class No(NamedTuple):
    """A refusal: why, and the offending item."""

    code: Refusal
    item: int


class Uploads:
    """Tables in use, and those that are being uploaded beside them."""

    def __init__(self) -> None:
        self.marks: list[tuple[int, int]] = []
        self.marks_unit = 0
        self.texts: dict[int, list[bytes]] = {}
        self._new_marks: tuple[int, int, dict[int, tuple[int, int]]] | None = None
        self._new_texts: dict[int, dict[int, bytes]] = {}

    def content(self) -> dict[str, Any]:
        """What a save keeps."""
        return {
            "marks": [list(mark) for mark in self.marks],
            "unit": self.marks_unit,
            "texts": {str(item): [part.hex() for part in parts] for item, parts in self.texts.items()},
        }

    def load(self, content: dict[str, Any]) -> None:
        """Take what `content` gave; what is missing is empty. Uploads under way go on."""
        self.marks = [(int(a), int(b)) for a, b in content.get("marks", [])]
        self.marks_unit = int(content.get("unit", 0))
        self.texts = {int(item): [bytes.fromhex(p) for p in parts] for item, parts in content.get("texts", {}).items()}

    # --- marks -------------------------------------------------------------------------------------------------

    def answer_marks(self, body: Any) -> Any:
        """The answer to a request about marks: a body or a refusal."""
        match body:
            case m.OpenMarks():
                self._new_marks = (body.values, body.count, {})
            case m.PutMark():
                if self._new_marks is None:
                    return No(Refusal.NOT_STAGED, body.index)
                if body.index >= self._new_marks[1]:
                    return No(Refusal.UNKNOWN_ITEM, body.index)
                self._new_marks[2][body.index] = (body.position, body.value)
            case m.CommitMarks():
                no = self._commit_marks(body.check)
                if no is not None:
                    return no
            case m.GetMark():
                if body.index >= len(self.marks):
                    return No(Refusal.UNKNOWN_ITEM, body.index)
                return m.Mark(body.tag, body.index, *self.marks[body.index])
            case _:
                return m.Marks(body.tag, self.marks_unit, len(self.marks), marks_check(self.marks))
        return m.Done(body.tag, kind_of(body).code)

    def place_of(self, value: int) -> Any:
        """The ring position of a value in the table in use, or a refusal."""
        if not self.marks:
            return No(Refusal.UNKNOWN_ITEM, 0)
        place = ring_of_value(self.marks, self.marks_unit, value)
        return No(Refusal.OUT_OF_RANGE, m.StageValue._fields.index("value")) if place is None else place

    def _commit_marks(self, check: int) -> No | None:
        if self._new_marks is None:
            return No(Refusal.NOT_STAGED, 0)
        unit, count, held = self._new_marks
        table = [held[i] for i in range(count) if i in held]
        rising = all(a[0] < b[0] for a, b in pairwise(table))
        if len(table) != count or not rising or marks_check(table) != check:
            return No(Refusal.CHECK_MISMATCH, len(table))
        self.marks, self.marks_unit, self._new_marks = table, unit, None
        return None

    # --- texts -------------------------------------------------------------------------------------------------

    def answer_text(self, body: Any) -> Any:
        """The answer to a request about one of the axis' texts: a body or a refusal."""
        if isinstance(body, m.CommitText):
            no = self._commit_text(body.item, body.parts, body.check)
            return no if no is not None else m.Done(body.tag, kind_of(body).code)
        item, part = body.item >> 4, body.item & 0xF
        if isinstance(body, m.GetText):
            return text_reply(body, self.texts.get(item) or text_parts(""))
        if part == 0:
            self._new_texts[item] = {}
        if item not in self._new_texts:
            return No(Refusal.NOT_STAGED, item)
        self._new_texts[item][part] = body.text
        return m.Done(body.tag, kind_of(body).code)

    def _commit_text(self, item: int, count: int, check: int) -> No | None:
        held = self._new_texts.get(item)
        if held is None and count:
            return No(Refusal.NOT_STAGED, item)
        parts = [(held or {})[i] for i in range(count) if i in (held or {})]
        if len(parts) != count or text_check(parts) != check:
            return No(Refusal.CHECK_MISMATCH, len(parts))
        self._new_texts.pop(item, None)
        if parts:
            self.texts[item] = parts
        else:
            self.texts.pop(item, None)
        return None


def text_reply(body: m.GetText, parts: list[bytes]) -> Any:
    """The part of a text that was asked for, or a refusal."""
    part = body.item & 0xF
    if part >= len(parts):
        return No(Refusal.UNKNOWN_ITEM, body.item >> 4)
    return m.Text(body.tag, body.item, parts[part])
