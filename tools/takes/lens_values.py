"""Ring degrees as distance, T-stop or focal length, through an axis' own table of marks."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from ringlet.tools.lens.curve import Array, MarkCurve, MarkProblem
from ringlet.tools.takes.layout import VALUE_FIELDS, AxisInfo

EDGE_DEG: Final = 0.1
"""So far past the last mark a ring still stands at it: it was put there by hand, and is read in counts (our choice)."""


class LensValues:
    """Value of an axis at its ring position; nothing where there are no marks, or outside them."""

    def __init__(self, info: AxisInfo) -> None:
        self.field = VALUE_FIELDS.get(info.marks_kind, "")
        self.problem = ""
        """why marks that are there cannot be used"""
        self._curve: MarkCurve | None = None
        if not info.marks:
            self.field = ""
            return
        try:
            table = [(at, math.inf if value is None else value) for at, value in info.marks]
            self._curve = MarkCurve.from_marks(table, info.marks_kind)
        except MarkProblem as problem:
            self.field, self.problem = "", str(problem)
        self._ring: float | None = None
        self._value: dict[str, Any] = {}

    def at(self, ring_deg: float) -> dict[str, Any]:
        """The fields of a sample that this axis fills: JSON has no infinity, so that is null and a flag."""
        if self._curve is None:
            return {}
        if ring_deg != self._ring:  # a ring at rest keeps its value
            self._ring = ring_deg
            value = float(self._read(self._curve, np.array([ring_deg]))[0])
            endless = math.isinf(value)
            self._value = {self.field: None if endless or math.isnan(value) else round(value, 6)}
            if self.field == VALUE_FIELDS["distance"]:
                self._value["at_infinity"] = endless
        return self._value

    def many(self, ring_deg: Array) -> Array | None:
        """Values at many ring positions, NaN outside the marks, infinity as such; None without marks."""
        return None if self._curve is None else self._read(self._curve, ring_deg)

    @staticmethod
    def _read(curve: MarkCurve, ring_deg: Array) -> Array:
        inside = np.clip(ring_deg, curve.low_deg, curve.high_deg)
        return curve.values_at(np.where(np.abs(inside - ring_deg) <= EDGE_DEG, inside, ring_deg))
