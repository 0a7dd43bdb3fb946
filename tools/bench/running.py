"""Figures of long series in bounded memory: running statistics, a running straight line, and a trace thinned out."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from ringlet.tools.bench.result import COVERAGE, Array

TRACE_MOST: Final = 1024
"""Points that a trace keeps; a plot shows no more."""


class Running:
    """Count, mean, deviation and extremes of a series (B. P. Welford, Technometrics 4, 1962; from memory)."""

    def __init__(self) -> None:
        self.count = 0
        self.mean = 0.0
        self.low, self.high = math.inf, -math.inf
        self._square = 0.0

    def add(self, value: float) -> None:
        """One more value."""
        self.count += 1
        off = value - self.mean
        self.mean += off / self.count
        self._square += off * (value - self.mean)
        self.low, self.high = min(self.low, value), max(self.high, value)

    @property
    def deviation(self) -> float:
        """Standard deviation of the series (n - 1); NaN below two values."""
        return math.sqrt(self._square / (self.count - 1)) if self.count > 1 else math.nan

    @property
    def greatest(self) -> float:
        """Greatest absolute value; NaN without values."""
        return max(abs(self.low), abs(self.high)) if self.count else math.nan


class Line:
    """A straight line by least squares, point by point."""

    def __init__(self) -> None:
        self.count = 0
        self._x = self._y = self._xx = self._xy = self._yy = 0.0

    def add(self, x: float, y: float) -> None:
        """One more point."""
        self.count += 1
        dx, dy = x - self._x, y - self._y
        self._x += dx / self.count
        self._y += dy / self.count
        self._xx += dx * (x - self._x)
        self._xy += dx * (y - self._y)
        self._yy += dy * (y - self._y)

    @property
    def slope(self) -> float:
        """y per x; NaN while all x are alike."""
        return self._xy / self._xx if self._xx > 0 else math.nan

    @property
    def scatter(self) -> float:
        """Standard deviation of y about the line (n - 2); NaN below three points."""
        if self.count < 3 or self._xx <= 0:
            return math.nan
        return math.sqrt(max(0.0, self._yy - self._xy**2 / self._xx) / (self.count - 2))

    @property
    def slope_u(self) -> float:
        """Expanded uncertainty of the slope from the scatter; NaN below three points. Of few points the coverage factor
        is the one of Student's distribution (JCGM 100:2008 annex G.4, from memory)."""
        if self.count < 3 or self._xx <= 0:
            return math.nan
        return _student(self.count - 2) * self.scatter / math.sqrt(self._xx)


def _student(freedom: int) -> float:
    """Coverage factor for so many degrees of freedom, at the level that `COVERAGE` has for very many."""
    from scipy.special import ndtr, stdtrit

    return float(stdtrit(freedom, ndtr(COVERAGE)))


class Trace:
    """Rows over a series of any length: when full, every second row goes and only every second, fourth ... is kept."""

    def __init__(self, columns: int, most: int = TRACE_MOST) -> None:
        self._rows: list[tuple[float, ...]] = []
        self._columns, self._most = columns, most
        self._every, self._seen = 1, 0

    def add(self, *row: float) -> None:
        """One more row."""
        if self._seen % self._every == 0:
            self._rows.append(row)
            if len(self._rows) >= self._most:
                del self._rows[1::2]
                self._every *= 2
        self._seen += 1

    def columns(self) -> list[Array]:
        """What is kept, column by column."""
        return list(np.array(self._rows, dtype=np.float64).reshape(-1, self._columns).T)
