"""A take as a table with a row for each frame, as CSV or Parquet. Units stand in the names of the columns.

The take is read once from front to back and the table is written as it goes: in memory are the samples around one block
of frames and one row group of the Parquet file, however long the take is.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import Any, Final, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from ringlet.tools.errors import UsageProblem
from ringlet.tools.extras import needed
from ringlet.tools.files import write_whole
from ringlet.tools.takes.columns import QUANTITIES, Array, AxisColumns, Growing
from ringlet.tools.takes.frames import Block, Grid, grid
from ringlet.tools.takes.layout import AxisInfo, Sample
from ringlet.tools.takes.lens_values import LensValues
from ringlet.tools.takes.reader import Take
from ringlet.tools.takes.timecodes import Rate, text_of

METHODS: Final = {
    "linear": "a straight line between the two samples beside the frame",
    "cubic": "a monotone cubic through the samples (PCHIP: Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5, 1984, "
    "as scipy has it), which never overshoots them and does not cross a gap",
}
GAP_S: Final = 0.1
PLACES: Final = 6
"""Decimals: a thousandth of a degree is the step of the protocol, and what is between samples is not known better."""
BLOCK_S: Final = 20.0
"""Frames of so many seconds are made at a time."""
GROUP: Final = 1 << 14
"""Rows in a row group of the Parquet file."""
TINY: Final = 1e-9
"""Seconds of rounding."""
WORDS: Final = {"state": "string", "fault": "string", "owner": "int64"}


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
    Files appear whole or not at all.
    """
    if method not in METHODS:
        raise UsageProblem(f"there is no interpolation {method!r}; choose one of: {', '.join(METHODS)}.")
    files = [out.with_name(f"{out.name}.{form}") for form in (*forms, "json")]
    for file in files:
        if file.exists():
            raise UsageProblem(f"{file} is there already; give another name with --out, or remove it.")
    span = take.span()
    if span is None:
        raise UsageProblem(f"{take.path} has no samples; there is nothing to export.")
    frames = grid(take.each_stamp(), *span, rate, start)
    if frames.frames == 0:
        raise UsageProblem(f"{take.path} is shorter than one frame at {rate.name}; there is nothing to export.")
    axes = {key: _Axis(info, method, gap_s) for key, info in take.axes.items() if take.samples.get(key)}
    about = {
        "take": take.path.name, "rate": rate.name, "interpolation": method, "interpolation_is": METHODS[method],
        "gap_s": gap_s, "frames": frames.about,
        "empty": "frames outside the samples, or between two samples further apart than gap_s, are left empty",
        "infinity": "a focus distance of inf is infinity; empty is past the marks or in a gap",
        "state_owner_faults": "those of the last sample at or before the frame",
        "lens_values": "through the axis' marks from the interpolated ring position",
    }  # fmt: skip
    kinds = {"timecode": "string", "frame": "int64", "time_s": "float64"}
    for axis in axes.values():
        kinds |= axis.kinds
    try:
        _write(take, axes, frames, files, kinds, about)
    except OSError as error:
        raise UsageProblem(f"{out} cannot be written ({error.strerror or error}); check folder and space.") from None
    return Exported(files, frames.frames, {key: axis.empty for key, axis in axes.items()}, about)


def _write(
    take: Take, axes: dict[str, _Axis], frames: Grid, files: list[Path], kinds: dict[str, str], about: dict[str, Any]
) -> None:
    """The table block by block, then what its columns are. Raises OSError."""
    rate = frames.rate
    with _Files(files[:-1], kinds, about) as written:
        for block in _filled(take, axes, frames.blocks(max(1, round(BLOCK_S * rate.nominal)))):
            table: dict[str, Any] = {
                "timecode": [text_of(frame, rate) for frame in block.frame],
                "frame": block.frame,
                "time_s": np.round(block.time_s, PLACES),
            }
            for axis in axes.values():
                table |= axis.at(block)
            written.add(table)
        write_whole(files[-1], json.dumps(about | {"columns": list(kinds)}, indent=1).encode())


def _filled(take: Take, axes: dict[str, _Axis], blocks: Iterator[Block]) -> Iterator[Block]:
    """Each block of frames, when the axes hold all samples that it needs."""
    samples = take.read()
    heard = -np.inf
    for block in blocks:
        until = float(block.time_s[-1]) + max((axis.ahead_s for axis in axes.values()), default=0.0)
        while heard <= until:
            key, sample = next(samples, ("", None))
            if sample is None:
                heard = np.inf
            else:
                heard = sample.time_s
                if key in axes:
                    axes[key].add(sample)
        yield block
        for axis in axes.values():
            axis.forget(block.keep_s)


class _Axis:
    """One axis on its way through the take: the samples that frames still need."""

    def __init__(self, info: AxisInfo, method: str, gap_s: float) -> None:
        self.label, self.method, self.gap_s = info.label, method, gap_s
        self.values = LensValues(info)
        self.empty = 0
        self.ahead_s = 2 * gap_s + TINY
        """so far past a frame samples can matter: the two that follow it, if no gap parts them"""
        self.kinds: dict[str, str] = {}
        """columns and their types"""
        for name in QUANTITIES:
            self.kinds[f"{self.label}_{name}"] = "float64"
            if name == "ring_deg" and self.values.field:
                self.kinds[f"{self.label}_{self.values.field}"] = "float64"
        self.kinds |= {f"{self.label}_{name}": kind for name, kind in WORDS.items()}
        self._held = Growing()
        self._shared: dict[Any, Any] = {}

    def add(self, sample: Sample) -> None:
        """The next sample."""
        self._held.add(sample, self._shared)

    def forget(self, before_s: float) -> None:
        """No frame before this time is asked for any more. The two samples before it stay: the curve needs them."""
        times = np.frombuffer(self._held.time_s)
        many = int(np.searchsorted(times, before_s - TINY, side="left")) - 2
        del times  # a buffer that is looked at cannot shrink
        self._held.forget(many)

    def at(self, block: Block) -> dict[str, Any]:
        """Columns at the frames of a block."""
        one = self._held.done()
        if len(one.time_s) == 0:
            self.empty += len(block.time_s)
            return {name: [None] * len(block.time_s) for name in self.kinds}
        arrow = needed("take", "pyarrow")
        at = block.time_s
        after = np.searchsorted(one.time_s, at - TINY, side="left")
        before = np.searchsorted(one.time_s, at + TINY, side="right") - 1
        last = len(one.time_s) - 1
        inside = (after <= last) & (before >= 0)
        inside &= one.time_s[np.minimum(after, last)] - one.time_s[np.maximum(before, 0)] <= self.gap_s
        self.empty += int(np.count_nonzero(~inside))

        def column(values: Array, mask: Mask) -> Any:
            return arrow.array(np.round(values, PLACES), mask=mask)

        made: dict[str, Any] = {}
        for name in QUANTITIES:
            found = self._between(one, name, at)
            made[f"{self.label}_{name}"] = column(found, ~inside)
            if name == "ring_deg":
                lens = self.values.many(found)
                if lens is not None:
                    made[f"{self.label}_{self.values.field}"] = column(lens, ~inside | np.isnan(lens))
        for name in WORDS:
            chosen = one.words[name][np.maximum(before, 0)].tolist()
            made[f"{self.label}_{name}"] = [word if held else None for word, held in zip(chosen, inside, strict=True)]
        return made

    def _between(self, one: AxisColumns, name: str, at: Array) -> Array:
        """Values at other times, NaN outside the samples and in gaps. Each side of a gap has a curve of its own."""
        values = np.full(len(at), np.nan)
        cuts = np.flatnonzero(np.diff(one.time_s) > self.gap_s) + 1
        for begin, end in zip((0, *cuts), (*cuts, len(one.time_s)), strict=True):
            times = one.time_s[begin:end]
            low = np.searchsorted(at, times[0] - TINY, side="left")
            high = np.searchsorted(at, times[-1] + TINY, side="right")
            if low < high:
                values[low:high] = interpolate(times, one.numbers[name][begin:end], at[low:high], self.method)
        return values


def interpolate(time_s: Array, values: Array, at: Array, method: str) -> Array:
    """Values at other times; outside the samples the nearest one."""
    if method == "linear" or len(time_s) < 3:
        return np.interp(at, time_s, values)
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(time_s, values)(np.clip(at, time_s[0], time_s[-1])), dtype=np.float64)


class _Files:
    """The table's files while they are written, under other names until all of them are whole."""

    def __init__(self, files: list[Path], kinds: dict[str, str], about: dict[str, Any]) -> None:
        arrow = needed("take", "pyarrow")
        fields = [(name, getattr(arrow, kind)()) for name, kind in kinds.items()]
        self._schema = arrow.schema(fields, metadata={"ringlet": json.dumps(about)})
        self._files = {file: file.with_name(f".{file.name}.part") for file in files}
        self._rows: list[Any] = []
        self._open: list[tuple[Any, bool]] = []
        """writers, and whether each wants whole row groups"""

    def __enter__(self) -> Self:
        try:
            for file, part in self._files.items():
                if file.suffix == ".csv":
                    self._open.append((needed("take", "pyarrow.csv").CSVWriter(part, self._schema), False))
                else:
                    self._open.append((needed("take", "pyarrow.parquet").ParquetWriter(part, self._schema), True))
        except OSError:
            self._end(whole=False)
            raise
        return self

    def add(self, table: dict[str, Any]) -> None:
        """Some more rows."""
        arrow = needed("take", "pyarrow")
        made = arrow.table(table, schema=self._schema)
        for writer, grouped in self._open:
            if not grouped:
                writer.write_table(made)
        self._rows.append(made)
        if sum(one.num_rows for one in self._rows) >= GROUP:
            self._group()

    def _group(self) -> None:
        if self._rows:
            table = needed("take", "pyarrow").concat_tables(self._rows)
            for writer, grouped in self._open:
                if grouped:
                    writer.write_table(table, row_group_size=table.num_rows)
            self._rows = []

    def __exit__(self, kind: type[BaseException] | None, *exc: object) -> None:
        self._end(whole=kind is None)

    def _end(self, whole: bool) -> None:
        if whole:
            self._group()
        for writer, _ in self._open:
            with nullcontext() if whole else suppress(OSError):  # a full disk has been told of already
                writer.close()
        for file, part in self._files.items():
            if whole:
                os.replace(part, file)
            else:
                with suppress(FileNotFoundError):
                    part.unlink()
