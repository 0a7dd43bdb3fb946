"""What a bench measurement hands back: quantities with uncertainty, verdicts, curves to draw and the raw records.

Uncertainties are expanded ones with coverage factor 2, see `COVERAGE_SOURCE`, unless a method says that it is a hard
bound.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Columns = dict[str, Array]
"""Columns of one length; each name ends in its unit."""

COVERAGE: Final = 2.0
COVERAGE_SOURCE: Final = (
    "Uncertainties are expanded ones with coverage factor 2, about 95 % (B. N. Taylor and C. E. Kuyatt, NIST "
    "Technical Note 1297, 1994, section 6.2; JCGM 100:2008 clause 6.2, from memory), unless a method says that it is "
    "a hard bound."
)
DECISION: Final = (
    "A limit counts as broken only when the measured value lies past it by more than the uncertainty: the doubt is for "
    "the device (guarded rejection: IUPAC Recommendations 2021, Pure and Applied Chemistry 93, page 1025, term "
    "“guard band”; JCGM 106:2012, from memory)."
)


@dataclass(frozen=True)
class Quantity:
    """One measured figure. `uncertainty` is in `unit`; None means that it is not known."""

    name: str
    value: float
    unit: str
    uncertainty: float | None
    method: str
    source: str


@dataclass(frozen=True)
class Verdict:
    """One check. `limit` and `measured` are in `unit`; where there is no number they are None and `text` says all."""

    name: str
    ok: bool
    limit: float | None
    measured: float | None
    unit: str
    text: str


@dataclass(frozen=True)
class Curve:
    """One line, or points, of a plot."""

    label: str
    x: Array
    y: Array
    points: bool = False


@dataclass(frozen=True)
class Plot:
    """A plot with its limits drawn in. `limits` are (label, y value)."""

    title: str
    x_label: str
    y_label: str
    curves: tuple[Curve, ...]
    limits: tuple[tuple[str, float], ...] = ()
    log_x: bool = False


@dataclass(frozen=True)
class Measurement:
    """One finished measurement of one axis."""

    id: str
    title: str
    quantities: tuple[Quantity, ...]
    verdicts: tuple[Verdict, ...]
    records: dict[str, Columns] = field(default_factory=dict)
    plots: tuple[Plot, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """True when no verdict failed."""
        return all(verdict.ok for verdict in self.verdicts)

    def quantity(self, name: str) -> Quantity:
        """The quantity of that name. Raises KeyError."""
        for quantity in self.quantities:
            if quantity.name == name:
                return quantity
        raise KeyError(name)

    def to_json(self, *, records: bool = True) -> dict[str, Any]:
        """Plain values for json.dumps; numbers that are not finite become null."""
        data = asdict(self)
        data["ok"] = self.ok
        if not records:
            del data["records"], data["plots"]
        plain: dict[str, Any] = _plain(data)
        return plain


def _plain(value: Any) -> Any:
    match value:
        case dict():
            return {key: _plain(one) for key, one in value.items()}
        case list() | tuple():
            return [_plain(one) for one in value]
        case np.ndarray():
            return [_plain(one) for one in value.tolist()]
        case np.floating() | np.integer() | np.bool_():
            return _plain(value.item())
        case float():
            return value if math.isfinite(value) else None
        case _:
            return value


def plain(value: float, digits: int = 4) -> str:
    """A number as people write it: so many significant digits, and an exponent only far from 1."""
    if value and 1e-4 <= abs(value) < 1e6:
        places = digits - 1 - math.floor(math.log10(abs(value)))
        text = f"{round(value, places):.{max(0, places)}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{value + 0.0:.{digits}g}"


def at_most(name: str, measured: float, limit: float, unit: str, uncertainty: float = 0.0) -> Verdict:
    """Whether a measured value keeps to an upper limit, by the rule `DECISION`."""
    return _judge(name, measured, limit, unit, uncertainty, measured - limit, "above")


def at_least(name: str, measured: float, limit: float, unit: str, uncertainty: float = 0.0) -> Verdict:
    """Whether a measured value keeps to a lower limit, by the rule `DECISION`."""
    return _judge(name, measured, limit, unit, uncertainty, limit - measured, "below")


def _judge(name: str, measured: float, limit: float, unit: str, uncertainty: float, past: float, side: str) -> Verdict:
    if not math.isfinite(past):
        return Verdict(name, False, limit, None, unit, "could not be measured")
    if past > uncertainty:
        text = f"{plain(past, 3)} {unit} {side} the limit, more than the uncertainty of {plain(uncertainty, 2)} {unit}"
    elif past > 0:
        text = f"{side} the limit, but by less than the uncertainty of {plain(uncertainty, 2)} {unit}: not proven"
    elif past > -uncertainty:
        text = f"kept, but closer to the limit than the uncertainty of {plain(uncertainty, 2)} {unit}"
    else:
        text = "kept"
    return Verdict(name, past <= uncertainty, limit, measured, unit, text)


def finished(name: str, trouble: str | None) -> Verdict:
    """Whether the device went through the procedure; `trouble` is one sentence when it did not."""
    return Verdict(name, trouble is None, None, None, "", trouble or "went through without a fault")
