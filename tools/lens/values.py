"""Distances, T-stops and focal lengths as people write them, both ways.

`1.9 m`, `45 cm`, `6'3"`, `6ft 3in`, `6' 3 1/2"`, `inf`; `T2.8`, `T2.8 1/3`; `50 mm`. A mark past infinity: `past inf`.
A full stop means the power of the square root of 2 that it is rounded from: T5.6 is 5.657, and so it is sent.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Final, NamedTuple

from ringlet.hwsim.cardfile import FOOT_M, FULL_STOPS, INCH_M, exact_stop
from ringlet.tools.lens.curve import PAST, UNITS, MarkProblem

FOOT: Final = FOOT_M
INCH: Final = INCH_M
_PAST: Final = re.compile(r"(past|beyond)( (inf|infinity|∞))?", re.I)
_INFINITE: Final = frozenset({"inf", "infinity", "∞"})
_METRIC: Final = {"m": 1.0, "cm": 0.01, "mm": 0.001}
AMOUNT: Final = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d*\.\d+|\d+\.?)"
"""A number of feet or inches: 6, 6.5, 1/2 or 6 1/2."""
_FEET: Final = re.compile(
    rf"(?:(?P<ft>{AMOUNT})\s*(?:'|′|ft|feet|foot))?\s*(?:(?P<inch>{AMOUNT})\s*(?:\"|″|''|in|inch|inches))?", re.I
)
_WITH_UNIT: Final = re.compile(r"(?P<number>\d*\.\d+|\d+\.?)\s*(?P<unit>m|cm|mm)", re.I)
_STOP: Final = re.compile(r"T\s*/?\s*(?P<number>\d*\.\d+|\d+\.?)(?:\s+(?:\+\s*)?(?P<part>[12]/3|1/2))?", re.I)


class Written(NamedTuple):
    """A value that somebody wrote."""

    value: float
    """m, T or mm"""
    kind: str
    """`distance`, `stop` or `focal`; a plain number has the kind that was asked for"""
    written_in: str
    """unit in which it stood: `m`, `ft`, `T`, `mm`, or nothing where it had none (infinity, a plain number)"""


def parse(text: str, kind: str, *, mark: bool = False) -> Written:
    """What somebody wrote where a value of `kind` is expected; a plain number is in m, T or mm.

    With `mark` it may also be a mark past infinity, `PAST`. Raises MarkProblem, one sentence: not readable, or a value
    of another kind (units mixed).
    """
    if _PAST.fullmatch(" ".join(text.split())):
        if not mark:
            raise MarkProblem(f"{text!r} is no distance, for nothing is sharp there; write inf for the infinity mark.")
        if kind != "distance":
            raise MarkProblem(f"{text!r} is a distance and a {_WORDS[kind]} is wanted; units are mixed.")
        return Written(PAST, "distance", "")
    found = _read(" ".join(text.split()), kind)
    if found is None:
        raise MarkProblem(f"{text!r} is no {_WORDS[kind]}; write it like {_EXAMPLES[kind]}.")
    if found.kind != kind:
        raise MarkProblem(f"{text!r} is a {_WORDS[found.kind]} and a {_WORDS[kind]} is wanted; units are mixed.")
    if not found.value > 0:
        raise MarkProblem(f"{text!r} is no {_WORDS[kind]}; it must be above 0.")
    return found


def guess(text: str) -> Written:
    """What somebody wrote, of any kind, told by its unit; `mm` is a focal length. Raises MarkProblem."""
    if _PAST.fullmatch(" ".join(text.split())):
        return parse(text, "distance")
    found = _read(" ".join(text.split()), "focal")
    if found is None or (not found.written_in and math.isfinite(found.value)):
        raise MarkProblem(f"{text!r} has no unit that says what it is; write it like 2.5m, 6'3\", inf, T2.8 or 50mm.")
    return parse(text, found.kind)


_WORDS: Final = {"distance": "distance", "stop": "T-stop", "focal": "focal length"}
_EXAMPLES: Final = {"distance": "1.9 m, 6'3\", 6ft 3in or inf", "stop": "T2.8 or T2.8 1/3", "focal": "50 mm"}


def _read(text: str, kind: str) -> Written | None:
    if text.lower() in _INFINITE:
        return Written(math.inf, "distance", "")
    if match := _STOP.fullmatch(text):
        stop = exact_stop(float(match["number"])) * 2.0 ** (float(Fraction(match["part"] or 0)) / 2.0)
        return Written(stop, "stop", "T")
    if match := _WITH_UNIT.fullmatch(text):
        unit = match["unit"].lower()
        if unit == "mm" and kind != "distance":
            return Written(float(match["number"]), "focal", "mm")
        return Written(float(match["number"]) * _METRIC[unit], "distance", "m")
    if text and (match := _FEET.fullmatch(text)):
        feet, inches = _amount(match["ft"]), _amount(match["inch"])
        return None if feet is None or inches is None else Written(feet * FOOT + inches * INCH, "distance", "ft")
    try:
        plain = float(text)
    except ValueError:
        return None
    if kind == "stop" and plain > 0:
        plain = exact_stop(plain)
    return Written(plain, kind, "") if math.isfinite(plain) else None


def _amount(text: str | None) -> float | None:
    """A number, a fraction, or a number and a fraction; 0 for nothing, None when it divides by 0."""
    if not text:
        return 0.0
    try:
        return float(sum(Fraction(part) for part in text.split()))
    except ZeroDivisionError:
        return None


def show(value: float, kind: str, feet: bool = False) -> str:
    """A value as people write it, to about a thousandth: `1.90 m`, `6'3"`, `inf`, `past inf`, `T2.8 1/3`, `50 mm`."""
    if kind == "distance":
        if not math.isfinite(value):
            return "past inf" if value < 0 else "inf"
        return _show_feet(value) if feet else _show_metres(value)
    if kind == "stop":
        return show_stop(value)
    return f"{value:.4g} {UNITS[kind]}"


def _show_metres(metres: float) -> str:
    places = 3 if metres < 10 else 2 if metres < 100 else 1 if metres < 1000 else 0
    return f"{metres:.{places}f} m"


def _show_feet(metres: float) -> str:
    """Feet and inches; to a quarter of an inch below 10 feet, to an inch above."""
    parts = 4 if metres < 10 * FOOT else 1
    count = round(metres / INCH * parts)
    feet, rest = divmod(count, 12 * parts)
    inches = Fraction(rest, parts)
    whole, part = divmod(inches, 1)
    shown = f"{whole} {part}" if whole and part else str(part or whole)
    return f"{feet}'{shown}\"" if feet else f'{shown}"'


def show_stop(stop: float) -> str:
    """A T-stop as full stop and thirds, where it lies within 1/20 stop of one; otherwise as a number."""
    stops = 2.0 * math.log2(stop)
    thirds = round(3.0 * stops)
    if abs(thirds / 3.0 - stops) > 0.05:
        return f"T{stop:.3g}"
    full, part = divmod(thirds, 3)
    near = 2.0 ** (full / 2.0)
    engraved = min(FULL_STOPS, key=lambda one: abs(math.log(one / near)))
    if abs(math.log2(engraved / near)) > 0.1:
        return f"T{stop:.3g}"
    return f"T{engraved:g}" + (f" {part}/3" if part else "")
