"""The folder of one bench run: `bench.json` with everything but the samples, and a CSV for each record.

Every file appears whole or not at all (written beside, synced, renamed), and `bench.json` names a record only after its
file is there. So a run that is killed at any moment leaves all measurements that were finished, and can go on.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import re
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ringlet.tools.bench.result import Array, Columns, Measurement, Plot
from ringlet.tools.errors import UsageProblem
from ringlet.tools.files import write_whole

DATA: Final = "bench.json"
PAGE: Final = "bench.html"
FORMAT: Final = "ringlet bench run 1"
POINTS: Final = 500
"""Most points of a drawn line that are kept; the record itself is kept whole."""


class _Table(BaseModel):
    """Numbers that are not finite are null in the file."""

    model_config = ConfigDict(ser_json_inf_nan="null")


class QuantityData(_Table):
    """One quantity. `uncertainty` is in `unit`; None is not known, and a value of None could not be measured."""

    name: str
    value: float | None
    unit: str
    uncertainty: float | None
    method: str
    source: str


class VerdictData(_Table):
    """One verdict."""

    name: str
    ok: bool
    limit: float | None
    measured: float | None
    unit: str
    text: str


class CurveData(_Table):
    """A line, or points, of a drawing."""

    label: str
    x: list[float | None]
    y: list[float | None]
    points: bool = False


class PlotData(_Table):
    """A plot as it is kept: at most about `POINTS` points a line. `limits` are (label, y value)."""

    title: str
    x_label: str
    y_label: str
    curves: list[CurveData]
    limits: list[tuple[str, float]] = []
    log_x: bool = False


class RecordFile(_Table):
    """A CSV beside `bench.json`."""

    name: str
    file: str
    rows: int
    sha256: str


class Finished(_Table):
    """A finished measurement of one axis."""

    id: str
    title: str
    at: datetime
    quantities: list[QuantityData]
    verdicts: list[VerdictData]
    plots: list[PlotData]
    notes: list[str]
    records: list[RecordFile]

    @property
    def ok(self) -> bool:
        """True when no check failed."""
        return all(check.ok for check in self.verdicts)


class NodeTested(_Table):
    """A board as it was when the run began."""

    node: int
    id: str
    maker: str
    model: str
    protocol: str
    firmware: int
    hardware: int
    parameters: dict[str, str]


class AxisTested(_Table):
    """An axis as it was when the run began, and what was measured on it."""

    node: int
    axis: int
    role: str
    name: str
    lens: str
    parameters: dict[str, str]
    """with their units, as `ringlet get` shows them"""
    calibrated: bool
    travel: tuple[float, float] | None = None
    """in force when its first measurement began, deg"""
    motor_card: dict[str, Any] | None = None
    lens_card: dict[str, Any] | None = None
    trouble: str = ""
    """why nothing could be measured on it"""
    results: dict[str, Finished] = Field(default_factory=dict)

    @property
    def key(self) -> str:
        """As in file names: 16.0."""
        return f"{self.node}.{self.axis}"


class Run(_Table):
    """A whole run."""

    format: Literal["ringlet bench run 1"] = FORMAT
    tools: dict[str, str]
    """what measured: version by name"""
    began: datetime
    ended: datetime | None = None
    job: str
    """the word after `ringlet bench`"""
    command: str
    """the whole command, to repeat it"""
    link: str
    simulated: bool
    find: bool
    torque_nm: float | None
    motor: str
    """motor card that was named for the torque constant"""
    acceptance: dict[str, float]
    usual_acceptance: dict[str, float]
    measurements: list[str]
    titles: dict[str, str]
    """of the measurements"""
    plan: dict[str, Any]
    """how far the measurements go that have no end of their own, and with what"""
    marks: str
    """lens marks that were named: card or file"""
    nodes: list[NodeTested]
    axes: list[AxisTested]

    def left(self) -> list[tuple[AxisTested, str]]:
        """What is still to be measured, in order."""
        return [(axis, name) for axis in self.axes for name in self.measurements if name not in axis.results]

    def failures(self) -> list[str]:
        """Checks that failed, each as `AXIS MEASUREMENT: CHECK`; axes that could not be measured come with them."""
        found = []
        for axis in self.axes:
            found += [f"{axis.key} {axis.trouble}"] if axis.trouble else []
            found += [
                f"{axis.key} {one.id}: {check.name}"
                for one in axis.results.values() for check in one.verdicts if not check.ok
            ]  # fmt: skip
        return found

    def checks(self) -> int:
        """How many checks were made."""
        return sum(len(one.verdicts) for axis in self.axes for one in axis.results.values())


def load(where: Path) -> Run:
    """The run in a folder, or in its JSON file. Raises UsageProblem when there is none."""
    path = where / DATA if where.is_dir() else where
    try:
        text = path.read_bytes()
    except OSError as error:
        raise UsageProblem(f"{where} holds no bench run ({path.name}: {error.strerror}).") from None
    try:
        return Run.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the file"
        raise UsageProblem(f"{path} is no bench run of this version: {place}: {first['msg']}.") from None


class Folder:
    """A run and the folder that holds it."""

    def __init__(self, path: Path, run: Run) -> None:
        self.path, self.run = path, run

    @classmethod
    def new(cls, path: Path, run: Run) -> Folder:
        """Begin a run in a folder, which is made. Raises UsageProblem when it holds a run already."""
        check_free(path)
        path.mkdir(parents=True, exist_ok=True)
        made = cls(path, run)
        made.save()
        return made

    @classmethod
    def old(cls, path: Path) -> Folder:
        """The folder of a run that is there, cleared of files that were not finished. Raises UsageProblem."""
        run = load(path)
        for left in path.glob("*.part"):
            left.unlink()
        return cls(path, run)

    def add(self, axis: AxisTested, measured: Measurement, at: datetime) -> None:
        """Keep a finished measurement: its records first, then the entry that names them. Raises OSError."""
        stem = f"{axis.key}-{measured.id}"
        records, taken = [], set[str]()
        for name, columns in measured.records.items():
            file = _file_name(stem, name, taken)
            text = _csv(columns)
            write_whole(self.path / file, text)
            rows = len(next(iter(columns.values()), ()))
            records.append(RecordFile(name=name, file=file, rows=rows, sha256=hashlib.sha256(text).hexdigest()))
        axis.results[measured.id] = finished(measured, at, records)
        self.save()

    def save(self) -> None:
        """Write `bench.json` anew. Raises OSError."""
        write_whole(self.path / DATA, self.run.model_dump_json(indent=1).encode())


def finished(measured: Measurement, at: datetime, records: list[RecordFile]) -> Finished:
    """A measurement as it is kept."""
    data = measured.to_json(records=False)
    return Finished(
        id=measured.id, title=measured.title, at=at, quantities=data["quantities"], verdicts=data["verdicts"],
        plots=[_plot_data(plot) for plot in measured.plots], notes=list(measured.notes), records=records,
    )  # fmt: skip


def check_free(path: Path) -> None:
    """Raises UsageProblem when a folder holds a run, or is none."""
    if (path / DATA).exists():
        raise UsageProblem(f"{path} holds a run already; choose another folder, or go on with it by --resume {path}.")
    if path.exists() and not path.is_dir():
        raise UsageProblem(f"{path} is a file; --out names a folder.")


def _file_name(stem: str, name: str, taken: set[str]) -> str:
    plain = f"{stem}-{re.sub('[^a-z0-9.]+', '-', name.lower()).strip('-')}"
    found, number = plain, 2
    while found in taken:
        found, number = f"{plain}-{number}", number + 1
    taken.add(found)
    return f"{found}.csv"


def _csv(columns: Columns) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(columns)
    writer.writerows([f"{value:.9g}" for value in row] for row in zip(*columns.values(), strict=True))
    return stream.getvalue().encode()


def _plot_data(plot: Plot) -> PlotData:
    lines = []
    for curve in plot.curves:
        use = np.arange(len(curve.x)) if curve.points else thinned(curve.y)
        lines.append(CurveData(label=curve.label, x=_short(curve.x[use]), y=_short(curve.y[use]), points=curve.points))
    return PlotData(
        title=plot.title, x_label=plot.x_label, y_label=plot.y_label, curves=lines, log_x=plot.log_x,
        limits=[(label, value) for label, value in plot.limits if math.isfinite(value)],
    )  # fmt: skip


def thinned(values: Array, most: int = POINTS) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    """Indices of at most about `most` samples that draw the same picture: least and greatest of each stretch."""
    count = len(values)
    if count <= most:
        return np.arange(count)
    edges = np.linspace(0, count, most // 2 + 1).astype(np.intp)
    keep = {0, count - 1}
    for begin, end in pairwise(edges.tolist()):
        part = values[begin:end]
        if np.all(np.isnan(part)):
            keep.add(begin)
        else:
            keep |= {int(begin + np.nanargmin(part)), int(begin + np.nanargmax(part))}
    return np.array(sorted(keep), dtype=np.intp)


def _short(values: Array) -> list[float | None]:
    return [float(f"{value:.6g}") if math.isfinite(value) else None for value in values.tolist()]


def difference(run: Run, nodes: Sequence[NodeTested], axes: Sequence[AxisTested]) -> str | None:
    """What is not as it was when the run began, in one sentence with what to do; None when all is the same.

    The travel may differ as far as the run accepts of two searches for the end stops.
    """
    return next(_differences(run, nodes, axes), None)


def _differences(run: Run, nodes: Sequence[NodeTested], axes: Sequence[AxisTested]) -> Iterator[str]:
    begin_anew = "begin a new run."
    there = {one.node: one for one in nodes}
    for was in run.nodes:
        now = there.get(was.node)
        if now is None:
            yield f"node {was.node} of the run is not on this link; connect it, or {begin_anew}"
            return
        for what in ("id", "maker", "model", "protocol", "firmware", "hardware"):
            old, new = getattr(was, what), getattr(now, what)
            if old != new:
                name = {"id": "the unique id"}.get(what, what)
                yield f"{name} of node {was.node} is {new}, and was {old} when the run began; {begin_anew}"
        yield from _parameters(f"node {was.node}", f"--node {was.node}", was.parameters, now.parameters, 0.0)
    present = {one.key: one for one in axes}
    for one in run.axes:
        if one.key not in present:
            yield f"axis {one.axis} of node {one.node} is not there any more; {begin_anew}"
            return
        other = present[one.key]
        travel = run.acceptance.get("travel_deg", 0.0) if one.calibrated and other.calibrated else math.inf
        yield from _parameters(
            f"axis {one.axis} of node {one.node}", f"--node {one.node} --axis {one.axis}", one.parameters,
            other.parameters, travel,
        )  # fmt: skip


def _parameters(
    where: str, options: str, was: dict[str, str], now: dict[str, str], travel_deg: float
) -> Iterator[str]:
    told: list[str] = []
    back: list[str] = []
    for name, old in was.items():
        new = now.get(name, "not there")
        if old == new:
            continue
        if name in ("travel-min", "travel-max") and abs(_number(old) - _number(new)) <= travel_deg:
            continue
        told.append(f"{name} of {where} is {new}, and was {old} when the run began")
        back.append(f"{name}={old.split()[0]}")
    if told:
        it = "it" if len(told) == 1 else "them"
        yield f"{'; '.join(told)}; set {it} back with `ringlet set {' '.join(back)} {options}`, or begin a new run."


def _number(shown: str) -> float:
    """The number of a parameter that is shown with its unit."""
    try:
        return float(shown.split()[0])
    except ValueError:
        return math.inf
