"""Where the cameras of a mirror rig may stand without touching anything: a table of allowed interaxial and toe-in.

Each row allows a box of interaxial distance against toe-in; what no row allows is refused. A move is allowed together
only if every mix of both axes on the way is, because two motors do not keep step; otherwise one axis goes first.
"""

from __future__ import annotations

import tomllib
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Final, NamedTuple

from ringlet.tools.lens.twocamera import RigProblem


class Box(NamedTuple):
    """What one row allows, ends included."""

    interaxial_from_mm: float
    interaxial_to_mm: float
    toe_in_from_deg: float
    toe_in_to_deg: float


class Place(NamedTuple):
    """Where both axes stand."""

    interaxial_mm: float
    toe_in_deg: float


ORDERS: Final = ("together", "toe-in first", "interaxial first")


class Clearance(NamedTuple):
    """The table of one rig."""

    name: str
    allowed: tuple[Box, ...]

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
    return Clearance(str(data.get("name", name_or_path)), tuple(boxes))
