"""A take as a table with a row for each frame, as CSV or Parquet. Units stand in the names of the columns."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ringlet.tools.errors import UsageProblem
from ringlet.tools.takes.columns import QUANTITIES, Array, AxisColumns, columns
from ringlet.tools.takes.extra import needed
from ringlet.tools.takes.frames import Grid, grid
from ringlet.tools.takes.lens_values import LensValues
from ringlet.tools.takes.reader import Take
from ringlet.tools.takes.timecodes import Rate, text_of

METHODS: Final = {
    "linear": "a straight line between the two samples beside the frame",
    "cubic": "a monotone cubic through the samples (PCHIP: Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5, 1984, "
    "as scipy has it), which never overshoots them",
}
GAP_S: Final = 0.1
PLACES: Final = 6
"""Decimals: a thousandth of a degree is the step of the protocol, and what is between samples is not known better."""


Mask = NDArray[np.bool_]


class Exported(NamedTuple):
    """What was written."""

    files: list[Path]
    frames: int
    empty: dict[str, int]
    """frames of each axis that lie in a gap"""
    about: dict[str, Any]


def export(
    take: Take, rate: Rate, out: Path, *, method: str = "cubic", gap_s: float = GAP_S, start: int | None = None,
    forms: tuple[str, ...] = ("csv", "parquet"),
) -> Exported:  # fmt: skip
    """Write `out`.csv and `out`.parquet, and `out`.json with what their columns are.

    Raises UsageProblem for a method that there is none of, files that are there already, or a take without samples.
    """
    if method not in METHODS:
        raise UsageProblem(f"there is no interpolation {method!r}; choose one of: {', '.join(METHODS)}.")
    arrow = needed("pyarrow")
    files = [out.with_name(f"{out.name}.{form}") for form in (*forms, "json")]
    for file in files:
        if file.exists():
            raise UsageProblem(f"{file} is there already; give another name with --out, or remove it.")
    held = columns(take)
    if not held:
        raise UsageProblem(f"{take.path} has no samples; there is nothing to export.")
    begin, end = (pick(float(one.time_s[place]) for one in held.values()) for pick, place in ((min, 0), (max, -1)))
    frames = grid(take.stamps(), begin, end, rate, start)
    if len(frames.time_s) == 0:
        raise UsageProblem(f"{take.path} is shorter than one frame at {rate.name}; there is nothing to export.")
    table: dict[str, Any] = {
        "timecode": [text_of(frame, rate) for frame in frames.frame],
        "frame": frames.frame,
        "time_s": np.round(frames.time_s, PLACES),
    }
    empty = {}
    for key, one in held.items():
        made, inside = _axis(one, frames, method, gap_s, LensValues(take.axes[key]))
        label = take.axes[key].label
        table |= {f"{label}_{name}": column for name, column in made.items()}
        empty[key] = int(np.count_nonzero(~inside))
    about = {
        "take": take.path.name, "rate": rate.name, "interpolation": method, "interpolation_is": METHODS[method],
        "gap_s": gap_s, "frames": frames.about,
        "empty": "frames outside the samples, or between two samples further apart than gap_s, are left empty",
        "infinity": "a focus distance of inf is infinity; empty is past the marks or in a gap",
        "state_owner_faults": "those of the last sample at or before the frame",
        "lens_values": "through the axis' marks from the interpolated ring position",
    }  # fmt: skip
    made_table = arrow.table(table).replace_schema_metadata({"ringlet": json.dumps(about)})
    for file, form in zip(files, forms, strict=False):
        if form == "csv":
            needed("pyarrow.csv").write_csv(made_table, file)
        else:
            needed("pyarrow.parquet").write_table(made_table, file)
    files[-1].write_text(json.dumps(about | {"columns": list(table)}, indent=1), encoding="utf-8")
    return Exported(files, len(frames.time_s), empty, about)


def _axis(
    one: AxisColumns, frames: Grid, method: str, gap_s: float, values: LensValues
) -> tuple[dict[str, Any], Mask]:
    """Columns of one axis at the frames, and at which frames it has any."""
    arrow = needed("pyarrow")
    at = frames.time_s
    after = np.searchsorted(one.time_s, at - 1e-9, side="left")
    before = np.searchsorted(one.time_s, at + 1e-9, side="right") - 1
    last = len(one.time_s) - 1
    inside = (after <= last) & (before >= 0)
    span = one.time_s[np.minimum(after, last)] - one.time_s[np.maximum(before, 0)]
    inside &= span <= gap_s

    def column(values: Array, mask: Mask) -> Any:
        return arrow.array(np.round(values, PLACES), mask=mask)

    made: dict[str, Any] = {}
    for name in QUANTITIES:
        found = interpolate(one.time_s, one.numbers[name], at, method)
        made[name] = column(found, ~inside)
        if name == "ring_deg":
            lens = values.many(found)
            if lens is not None:
                made[values.field] = column(lens, ~inside | np.isnan(lens))
    for name, words in one.words.items():
        chosen = words[np.maximum(before, 0)].tolist()
        made[name] = [word if held else None for word, held in zip(chosen, inside, strict=True)]
    return made, inside


def interpolate(time_s: Array, values: Array, at: Array, method: str) -> Array:
    """Values at other times; outside the samples the nearest one, which the caller leaves out."""
    if method == "linear" or len(time_s) < 3:
        return np.interp(at, time_s, values)
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(time_s, values)(np.clip(at, time_s[0], time_s[-1])), dtype=np.float64)
