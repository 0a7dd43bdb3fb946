"""Where the cameras of a mirror rig may stand without touching anything: a table of allowed interaxial and toe-in.

Each row allows a box of interaxial distance against toe-in; what no row allows is refused. A move is allowed together
only if every mix of both axes on the way is, because two motors do not keep step; otherwise one axis goes first.

`fence` finds one box inside all rows together. Written to both axes as travel limits, it lets the motors themselves
refuse what is outside, whoever asks. The table may also say how its two axes are geared ([interaxial], [convergence]).
"""

from __future__ import annotations

import tomllib
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, NamedTuple

from ringlet.tools.lens.twocamera import RigProblem
from ringlet.tools.places import place_in


class Box(NamedTuple):
    """What one row allows, ends included."""

    interaxial_from_mm: float
    interaxial_to_mm: float
    toe_in_from_deg: float
    toe_in_to_deg: float


    @property
    def text(self) -> str:
        """For people."""
        return (f"{self.interaxial_from_mm:.4g} to {self.interaxial_to_mm:.4g} mm with {self.toe_in_from_deg:.4g} to "
                f"{self.toe_in_to_deg:.4g} deg")  # fmt: skip

    def holds(self, place: Place) -> bool:
        """Whether a place lies inside, ends included."""
        return _inside(self, place.interaxial_mm, place.toe_in_deg)


class Span(NamedTuple):
    """From one end to the other."""

    low: float
    high: float


class Gearing(NamedTuple):
    """How an axis is geared to what it moves: interaxial distance in mm, or toe-in of each camera in degrees."""

    axis: str
    """NODE.AXIS"""
    deg_per_unit: float
    """degrees of the axis in one mm, or in one degree of toe-in"""
    zero_deg: float
    """where the axis stands at 0 mm, or with parallel cameras"""

    def ring_deg(self, value: float) -> float:
        """Degrees of the axis at an interaxial distance or a toe-in."""
        return self.zero_deg + self.deg_per_unit * value

    def value(self, ring_deg: float) -> float:
        """Interaxial distance, mm, or toe-in, deg, where the axis stands so."""
        return (ring_deg - self.zero_deg) / self.deg_per_unit

    def travel(self, low: float, high: float) -> Span:
        """Travel limits of the axis, in degrees and in rising order, that keep the value within both ends."""
        return Span(*sorted((self.ring_deg(low), self.ring_deg(high))))


class Place(NamedTuple):
    """Where both axes stand."""

    interaxial_mm: float
    toe_in_deg: float


NO_MARGIN: Final = Place(0.0, 0.0)
ORDERS: Final = ("together", "toe-in first", "interaxial first")


class Clearance(NamedTuple):
    """The table of one rig."""

    name: str
    allowed: tuple[Box, ...]
    interaxial: Gearing | None = None
    convergence: Gearing | None = None

    @property
    def gearing(self) -> tuple[Gearing, Gearing]:
        """Of the interaxial and the convergence axis. Raises RigProblem when the table does not state both."""
        if self.interaxial is None or self.convergence is None:
            raise RigProblem(
                f"the clearance table {self.name} does not say how its axes are geared; add [interaxial] with axis, "
                "deg_per_mm and zero_deg, and [convergence] with axis, deg_per_deg and zero_deg."
            )
        return self.interaxial, self.convergence

    def check(self, place: Place) -> None:
        """Raise RigProblem, one sentence, where no row allows a place."""
        if self._covers(place, place):
            return
        spans = [f"{box.toe_in_from_deg:g} to {box.toe_in_to_deg:g} deg" for box in self.allowed
                 if box.interaxial_from_mm <= place.interaxial_mm <= box.interaxial_to_mm]  # fmt: skip
        told = f"at this distance it allows {' and '.join(spans)}" if spans else (
            f"it allows interaxial distances of {min(b.interaxial_from_mm for b in self.allowed):g} to "
            f"{max(b.interaxial_to_mm for b in self.allowed):g} mm"
        )  # fmt: skip
        raise RigProblem(
            f"an interaxial distance of {place.interaxial_mm:.4g} mm with a toe-in of {place.toe_in_deg:.4g} deg is "
            f"not allowed by the clearance table {self.name}; {told}."
        )

    def order(self, start: Place, end: Place) -> str:
        """How to get from one place to another: one of `ORDERS`, the first that is allowed on the whole way.

        Raises RigProblem when the end is not allowed, the start is not, or no such way is.
        """
        self.check(end)
        self.check(start)
        ways = {
            "together": [(start, end)],
            "toe-in first": [
                (start, turned := Place(start.interaxial_mm, end.toe_in_deg)), (turned, end)
            ],
            "interaxial first": [
                (start, slid := Place(end.interaxial_mm, start.toe_in_deg)), (slid, end)
            ],
        }  # fmt: skip
        for name in ORDERS:
            if all(self._covers(one, other) for one, other in ways[name]):
                return name
        raise RigProblem(
            f"the clearance table {self.name} allows no straight way from {start.interaxial_mm:.4g} mm and "
            f"{start.toe_in_deg:.4g} deg to {end.interaxial_mm:.4g} mm and {end.toe_in_deg:.4g} deg; go in steps."
        )

    def fence(
        self, around: Place | None = None, interaxial: Span | None = None, toe_in: Span | None = None,
        margin: Place = NO_MARGIN,
    ) -> Box:  # fmt: skip
        """The largest box of which every mix of both axes is allowed, less a margin on each side.

        Largest: by its share of the table's whole interaxial distance times its share of the whole toe-in. `around`
        must lie inside; a span that is given is kept just so, and the other one becomes as wide as it can. Raises
        RigProblem when there is no such box.
        """
        found = [box for box in self._boxes(interaxial, toe_in) if around is None or box.holds(around)]
        if not found:
            asked = [f"{span.low:g} to {span.high:g} {unit}" for span, unit in ((interaxial, "mm"), (toe_in, "deg"))
                     if span is not None]  # fmt: skip
            if around is not None:
                asked.append(f"around {around.interaxial_mm:.4g} mm and {around.toe_in_deg:.4g} deg")
            raise RigProblem(
                f"the clearance table {self.name} has no box {' and '.join(asked)} in which every mix of both axes is "
                "allowed; ask for a smaller span, or go elsewhere first."
            )
        box = max(found, key=lambda one: (_area(one, margin), one.interaxial_to_mm - one.interaxial_from_mm))
        low, high = box.interaxial_from_mm + margin.interaxial_mm, box.interaxial_to_mm - margin.interaxial_mm
        least, most = box.toe_in_from_deg + margin.toe_in_deg, box.toe_in_to_deg - margin.toe_in_deg
        fenced = Box(low, high, least, most)
        if not (low < high and least < most and (around is None or fenced.holds(around))):
            raise RigProblem(
                f"a margin of {margin.interaxial_mm:g} mm and {margin.toe_in_deg:g} deg leaves no room in the box of "
                f"{box.text}" + (" around where the rig stands" if around is not None else "")
                + "; make it smaller."
            )
        return fenced

    def _boxes(self, interaxial: Span | None, toe_in: Span | None) -> list[Box]:
        """Candidates: from edge to edge across, and for each of these what all pieces between allow along."""
        edges = sorted({edge for box in self.allowed for edge in (box.interaxial_from_mm, box.interaxial_to_mm)})
        spans = [interaxial] if interaxial is not None else [
            Span(low, high) for at, low in enumerate(edges) for high in edges[at + 1 :]
        ]  # fmt: skip
        found = []
        for span in spans:
            for low, high in self._along(span, edges):
                if toe_in is None:
                    found.append(Box(*span, low, high))
                elif low <= toe_in.low and toe_in.high <= high:
                    found.append(Box(*span, *toe_in))
        return found

    def _along(self, span: Span, edges: list[float]) -> list[Span]:
        """Toe-in that is allowed at every interaxial distance of a span."""
        common: list[Span] | None = None
        for middle in _middles(span.low, span.high, edges):
            here: list[Span] = []
            for low, high in sorted(
                (box.toe_in_from_deg, box.toe_in_to_deg) for box in self.allowed
                if box.interaxial_from_mm <= middle <= box.interaxial_to_mm
            ):  # fmt: skip
                if here and low <= here[-1].high:
                    here[-1] = Span(here[-1].low, max(high, here[-1].high))
                else:
                    here.append(Span(low, high))
            common = here if common is None else [
                Span(max(one.low, two.low), min(one.high, two.high)) for one in common for two in here
                if max(one.low, two.low) < min(one.high, two.high)
            ]  # fmt: skip
        return common or []

    def _covers(self, one: Place, other: Place) -> bool:
        """Whether every mix of two places is allowed: the box that they span, cut at the rows' edges, cell by cell."""
        across = _middles(
            one.interaxial_mm, other.interaxial_mm,
            [edge for box in self.allowed for edge in (box.interaxial_from_mm, box.interaxial_to_mm)],
        )  # fmt: skip
        along = _middles(
            one.toe_in_deg, other.toe_in_deg,
            [edge for box in self.allowed for edge in (box.toe_in_from_deg, box.toe_in_to_deg)],
        )  # fmt: skip
        return all(any(_inside(box, x, y) for box in self.allowed) for x in across for y in along)


def _middles(one: float, other: float, edges: list[float]) -> list[float]:
    """Middles of the pieces into which the edges cut a span; the place itself where the span has no length."""
    low, high = sorted((one, other))
    if low == high:
        return [low]
    cuts = sorted({low, high, *(edge for edge in edges if low < edge < high)})
    return [0.5 * (a + b) for a, b in pairwise(cuts)]


def _inside(box: Box, interaxial: float, toe_in: float) -> bool:
    return (
        box.interaxial_from_mm <= interaxial <= box.interaxial_to_mm
        and box.toe_in_from_deg <= toe_in <= box.toe_in_to_deg
    )


def _area(box: Box, margin: Place) -> float:
    """Area of a box less its margin, mm deg: the widths of the table scale all alike."""
    wide = box.interaxial_to_mm - box.interaxial_from_mm - 2.0 * margin.interaxial_mm
    high = box.toe_in_to_deg - box.toe_in_from_deg - 2.0 * margin.toe_in_deg
    return wide * high if wide > 0 and high > 0 else 0.0


DEMO: Final = "mirror-demo"


def load(name_or_path: str) -> Clearance:
    """The table in a TOML file, or the invented one that is shipped as `mirror-demo`. Raises RigProblem."""
    try:
        if name_or_path == DEMO:
            text = resources.files("ringlet.hwsim.cards").joinpath(f"{DEMO}.toml").read_text("utf-8")
        else:
            text = Path(name_or_path).read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise RigProblem(f"{name_or_path}: the clearance table cannot be read ({reason}); check the path.") from None
    except tomllib.TOMLDecodeError as error:
        raise RigProblem(f"{name_or_path}: this is not valid TOML ({error}); correct that line.") from None
    rows = data.get("allowed")
    if not isinstance(rows, list) or not rows:
        raise RigProblem(f"{name_or_path}: there is no [[allowed]]; add one row for each box that is clear.")
    boxes = []
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict) or set(row) != set(Box._fields):
            raise RigProblem(f"{name_or_path}: row {number} of [[allowed]] needs just {', '.join(Box._fields)}.")
        if not all(type(value) in (int, float) and abs(value) < 1e6 for value in row.values()):
            raise RigProblem(f"{name_or_path}: row {number} of [[allowed]] has a value that is no number; correct it.")
        box = Box(**{key: float(value) for key, value in row.items()})
        if box.interaxial_from_mm > box.interaxial_to_mm or box.toe_in_from_deg > box.toe_in_to_deg:
            raise RigProblem(f"{name_or_path}: row {number} of [[allowed]] ends before it begins; turn it round.")
        boxes.append(box)
    strange = sorted(set(data) - {"name", "note", "allowed", *_GEARED})
    if strange:
        known = ", ".join(("name", "note", "[[allowed]]", *(f"[{name}]" for name in _GEARED)))
        raise RigProblem(f"{name_or_path}: {strange[0]!r} is not known here; there can be {known}.")
    geared = {name: _gearing(name_or_path, name, data[name]) for name in _GEARED if name in data}
    return Clearance(str(data.get("name", name_or_path)), tuple(boxes), **geared)


_GEARED: Final = {"interaxial": "deg_per_mm", "convergence": "deg_per_deg"}
"""Tables of the file that say how an axis is geared, and the key of the ratio."""


def _gearing(where: str, name: str, row: Any) -> Gearing:
    ratio = _GEARED[name]
    if not isinstance(row, dict) or set(row) != {"axis", ratio, "zero_deg"}:
        raise RigProblem(f"{where}: [{name}] needs just axis, {ratio} and zero_deg.")
    axis = str(row["axis"])
    if place_in(axis) is None:
        raise RigProblem(f'{where}: the axis of [{name}] is {row["axis"]!r}; write "NODE.AXIS", for example "19.0".')
    if not all(type(row[key]) in (int, float) and abs(row[key]) < 1e6 for key in (ratio, "zero_deg")) or not row[ratio]:
        raise RigProblem(f"{where}: {ratio} and zero_deg of [{name}] must be numbers, and {ratio} not 0; correct them.")
    return Gearing(axis, float(row[ratio]), float(row["zero_deg"]))
