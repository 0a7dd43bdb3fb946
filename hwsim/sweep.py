"""Sweeps: the same moves with thousands of variations of motor card, lens card, limits, gains, supply or room.

A plan is a table of varied keys; every row becomes one simulated axis (`sweep_kernel.py`). Nothing here prints, and
nothing reads a clock.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from itertools import product
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ringlet.hwsim import loops, plant, plant_setup
from ringlet.hwsim import sweep_kernel as sk
from ringlet.hwsim.cardfile import LensCard, MotorCard, vary
from ringlet.hwsim.drive import (
    BOARD_A,
    BROWNOUT_BACK,
    BROWNOUT_V,
    CAPACITOR_UF,
    DriveSettings,
    default_settings,
    firmware_parameters,
)
from ringlet.hwsim.kernel import compiled

Table = NDArray[np.float64]
MOST_SECONDS = 120.0  # a row that takes longer is cut and says finished = 0


class SweepError(ValueError):
    """A sweep that cannot be run; one sentence that says what to do."""


class Moves(NamedTuple):
    """What every row does, at the lens ring: out and back `legs` times in all, resting `dwell_s` after each leg."""

    distance_deg: float = 60.0
    velocity_deg_s: float = 180.0
    acceleration_deg_s2: float = 900.0
    deceleration_deg_s2: float = 0.0  # 0: as acceleration_deg_s2
    jerk_deg_s3: float = 18000.0
    torque_limit_mnm: float = 1e6  # at the motor gear; the board's peak current limits it too
    legs: float = 2.0
    dwell_s: float = 0.3
    band_deg: float = 0.3  # settled = the ring stays inside this band round the target
    supply_v: float = 0.0  # 0: the motor card's
    supply_ohm: float = 0.15
    ambient_c: float = 20.0
    start_deg: float = math.nan  # on the lens card's scale; not given: at a twentieth of the travel


class Axis(NamedTuple):
    """One varied key with its values (a grid), or with its range (Latin hypercube) where `values` is empty."""

    key: str
    values: tuple[float, ...]
    low: float
    high: float


class Plan(NamedTuple):
    """Varied keys and one row of values for each simulated axis; `rows` is (n, len(keys))."""

    keys: tuple[str, ...]
    rows: Table


_NUMBERS_MOTOR = tuple(k for k, f in MotorCard.model_fields.items() if f.annotation in (float, int))
_NUMBERS_LENS = tuple(
    k for k, f in LensCard.model_fields.items() if f.annotation in (float, int, float | None)
)


def keys() -> list[str]:
    """Every key that a sweep may vary."""
    return (
        [f"motor.{k}" for k in _NUMBERS_MOTOR]
        + [f"lens.{k}" for k in _NUMBERS_LENS]
        + [f"settings.{k}" for k in DriveSettings._fields]
        + [f"move.{k}" for k in Moves._fields]
    )


def parse_axis(text: str) -> Axis:
    """An axis from `key=v1,v2`, `key=low:high:count` (grid) or `key=low:high` (range for a Latin hypercube)."""
    key, equals, rest = text.partition("=")
    key = key.strip()
    if not equals or key not in keys():
        raise SweepError(f"'{text}' does not begin with a key that can be varied and '='; see the list of keys.")
    try:
        parts = [float(part) for part in rest.split(":" if ":" in rest else ",")]
    except ValueError:
        raise SweepError(f"'{text}' has a value that is no number; write {key}=1,2 or {key}=low:high:count.") from None
    if not all(math.isfinite(part) for part in parts):
        raise SweepError(f"'{text}' has a value that is not finite; write {key}=1,2,3 or {key}=low:high:count.")
    if ":" not in rest:
        return Axis(key, tuple(parts), min(parts), max(parts))
    if len(parts) == 2:
        return Axis(key, (), min(parts), max(parts))
    if len(parts) == 3 and parts[2] >= 1 and parts[2] == int(parts[2]):
        return Axis(key, tuple(float(v) for v in np.linspace(parts[0], parts[1], int(parts[2]))), *sorted(parts[:2]))
    raise SweepError(f"'{text}' is not low:high or low:high:count with a whole count above zero; correct it.")


def grid(axes: Sequence[Axis]) -> Plan:
    """Every combination of the axes' values."""
    for axis in axes:
        if not axis.values:
            raise SweepError(f"{axis.key} is a range; a grid needs values or a count, as in {axis.key}=low:high:count.")
    rows = np.array(list(product(*(axis.values for axis in axes))), dtype=float)
    return _whole(Plan(tuple(axis.key for axis in axes), rows.reshape(-1, len(axes))))


def latin_hypercube(axes: Sequence[Axis], count: int, seed: int = 0) -> Plan:
    """`count` rows, each axis divided into `count` equal strata with one row in each (scipy.stats.qmc)."""
    from scipy.stats import qmc

    if count < 1 or not axes:
        raise SweepError("A Latin hypercube needs at least one axis and one row; give both.")
    unit = np.asarray(qmc.LatinHypercube(d=len(axes), rng=seed).random(count))
    low = np.array([axis.low for axis in axes])
    high = np.array([axis.high for axis in axes])
    return _whole(Plan(tuple(axis.key for axis in axes), low + unit * (high - low)))


_WHOLE = {
    "motor_teeth", "ring_teeth", "direction", "encoder_counts", "gear_teeth", "encoder_counts_per_rotor_turn", "legs",
}  # fmt: skip


def _whole(plan: Plan) -> Plan:
    """The plan with whole numbers where only these can be simulated, so that the table tells what was."""
    whole = np.array([key.partition(".")[2] in _WHOLE for key in plan.keys])
    return plan._replace(rows=np.where(whole, np.round(plan.rows), plan.rows))


class Batch(NamedTuple):
    """Rows ready to run: parameters, state, commands, run state; one row an axis."""

    p: Table
    s: Table
    c: Table
    r: Table


def prepare(motor: MotorCard, lens: LensCard, moves: Moves, plan: Plan) -> Batch:
    """Turn a plan into rows; raises CardError or SweepError for a value that is not allowed."""
    n = len(plan.rows)
    batch = Batch(
        np.zeros((n, loops.PARAMETERS)),
        np.zeros((n, loops.STATES)),
        np.zeros((n, sk.COMMANDS)),
        np.zeros((n, sk.RUN_STATES)),
    )
    for row, values in enumerate(plan.rows):
        changes: dict[str, dict[str, Any]] = {"motor": {}, "lens": {}, "settings": {}, "move": {}}
        for key, value in zip(plan.keys, values, strict=True):
            group, _, name = key.partition(".")
            changes[group][name] = round(value) if name in _WHOLE else float(value)
        m = vary(motor, changes["motor"]) if changes["motor"] else motor
        ring = vary(lens, changes["lens"]) if changes["lens"] else lens
        settings = default_settings(m, ring)._replace(**changes["settings"])
        _fill(batch, row, m, ring, settings, moves._replace(**changes["move"]))
    return batch


_ABOVE_ZERO = {"velocity_deg_s", "acceleration_deg_s2", "deceleration_deg_s2", "jerk_deg_s3", "legs", "band_deg"}
_NOT_BELOW_ZERO = {"dwell_s", "supply_v", "supply_ohm", "torque_limit_mnm"}


def _fill(batch: Batch, row: int, motor: MotorCard, lens: LensCard, settings: DriveSettings, moves: Moves) -> None:
    dec = moves.deceleration_deg_s2 or moves.acceleration_deg_s2
    for name, value in moves._replace(deceleration_deg_s2=dec)._asdict().items():
        if name in _ABOVE_ZERO and not 0.0 < value < math.inf:
            raise SweepError(f"move.{name} is {value:g}; it must be a finite number above zero.")
        if name in _NOT_BELOW_ZERO and not 0.0 <= value < math.inf:
            raise SweepError(f"move.{name} is {value:g}; it must be a finite number not below zero.")
    if settings.encoder_counts < 1 or abs(settings.direction) != 1:
        raise SweepError("settings.encoder_counts must be 1 or more and settings.direction +1 or -1; correct the plan.")
    start = lens.travel_min_deg + lens.travel_deg / 20.0 if math.isnan(moves.start_deg) else moves.start_deg
    low = lens.travel_min_deg if lens.stop_min_deg is None else lens.stop_min_deg
    high = lens.travel_max_deg if lens.stop_max_deg is None else lens.stop_max_deg
    if not low <= start <= high:
        raise SweepError(f"move.start_deg is {start:g}; on this lens it is {low:g} to {high:g}.")
    volts = moves.supply_v or motor.supply_nominal_v
    p = plant_setup.plant_parameters(motor, lens)
    p += firmware_parameters(settings, motor.gearhead_ratio)
    s = plant_setup.plant_state(start, moves.ambient_c, plant_setup.cold_factor(lens, moves.ambient_c))
    s += [0.0] * (loops.STATES - plant.PLANT_STATES)
    s[loops.S_COUNT] = s[loops.S_ZERO] = math.floor(s[plant.S_Q1] * p[plant.P_COUNTS])
    s[loops.S_TWEST] = moves.ambient_c
    c = [0.0] * sk.COMMANDS
    c[sk.C_DISTANCE] = 1e3 * moves.distance_deg
    c[sk.C_VELOCITY] = 1e3 * moves.velocity_deg_s
    c[sk.C_ACC] = 1e3 * moves.acceleration_deg_s2
    c[sk.C_DEC] = 1e3 * dec
    c[sk.C_JERK] = 1e3 * moves.jerk_deg_s3
    c[sk.C_TORQUE] = moves.torque_limit_mnm
    c[sk.C_LEGS] = round(moves.legs)
    c[sk.C_DWELL] = round(moves.dwell_s / plant.TICK_S)
    c[sk.C_BAND] = 1e3 * moves.band_deg
    c[sk.C_VOLTS] = volts
    c[sk.C_OHMS] = moves.supply_ohm
    c[sk.C_DECAY] = plant.supply_decay(moves.supply_ohm, CAPACITOR_UF)
    c[sk.C_BOARD] = BOARD_A
    c[sk.C_BROWNOUT] = BROWNOUT_V
    c[sk.C_BROWNOUT_BACK] = BROWNOUT_BACK * BROWNOUT_V
    c[sk.C_START] = 1e3 * start
    c[sk.C_NM_PER_A] = settings.torque_mnm_per_a
    r = [0.0] * sk.RUN_STATES
    r[sk.R_BUS] = r[sk.O_SUPPLY] = volts
    r[sk.O_HOTTEST] = moves.ambient_c
    batch.p[row], batch.s[row], batch.c[row], batch.r[row] = p, s, c, r


OUTCOMES = {
    "settle_s": (sk.O_SETTLE, 1.0),
    "unsettled_legs": (sk.O_UNSETTLED, 1.0),
    "ramp_s": (sk.O_RAMP, 1.0),
    "overshoot_deg": (sk.O_OVERSHOOT, 1e-3),
    "peak_torque_mnm": (sk.O_TORQUE, 1.0),
    "peak_current_a": (sk.O_CURRENT, 1.0),
    "following_error_deg": (sk.O_FOLLOWING, 1.0),
    "rest_error_deg": (sk.O_FINAL, 1e-3),
    "lost_motion_deg": (sk.O_LOST, 1e-3),
    "lowest_supply_v": (sk.O_SUPPLY, 1.0),
    "hottest_winding_c": (sk.O_HOTTEST, 1.0),
    "longest_stall_s": (sk.O_STALL, 1e-3),
    "brownouts": (sk.O_BROWNOUTS, 1.0),
    "energy_j": (sk.O_ENERGY, 1.0),
    "time_s": (sk.O_TIME, 1.0),
    "finished": (sk.O_FINISHED, 1.0),
}
"""What a row yields: column name to (run state, factor). `settle_s` and the errors are the worst over the legs, counted
on the ring itself; `rms_current_a` comes on top."""


def outcome(r: Table) -> dict[str, Table]:
    """Columns of results from the run states of finished rows (n, RUN_STATES)."""
    columns = {name: factor * r[:, index] for name, (index, factor) in OUTCOMES.items()}
    columns["rms_current_a"] = np.sqrt(r[:, sk.O_SQUARES] * plant.TICK_S / np.maximum(r[:, sk.O_TIME], plant.TICK_S))
    # A row that was cut, or whose ring was outside the band at the end of a dwell, has no settling time.
    columns["settle_s"][(columns["finished"] == 0.0) | (columns["unsettled_legs"] > 0.0)] = math.nan
    return columns


def run_plain(batch: Batch, row: int) -> Table:
    """One row in plain Python, whether or not numba is there (the scalar path); its run state (1, RUN_STATES)."""
    p, s, c, r = (table[row].tolist() for table in batch)
    sk.run_axis(p, s, c, r, round(MOST_SECONDS / plant.TICK_S))
    return np.array([r])


def run_batch(batch: Batch) -> Table:
    """All rows one after the other on this core; their run states (n, RUN_STATES)."""
    rows = compiled(sk.run_rows)
    most = round(MOST_SECONDS / plant.TICK_S)
    if rows is sk.run_rows:
        return np.concatenate([run_plain(batch, row) for row in range(len(batch.p))])
    p, s, c, r = (np.ascontiguousarray(table) for table in batch)
    s, r = s.copy(), r.copy()
    rows(p, s, c, r, most)
    return r


def run_sweep(
    motor: MotorCard,
    lens: LensCard,
    moves: Moves,
    plan: Plan,
    *,
    progress: Callable[[int, int], None] | None = None,
    chunk: int = 64,
    workers: int | None = None,
    dask: str | None = None,
) -> dict[str, Table]:
    """Run a plan and give its columns: the varied keys, then the outcomes.

    Chunks of rows go to threads on all cores (the compiled kernel holds no lock), or, with `dask`, to the scheduler at
    that address ("local": processes on this machine). `progress` gets (rows done, rows in all).
    """
    batch = prepare(motor, lens, moves, plan)
    total = len(batch.p)
    if total == 0:
        raise SweepError("The plan has no rows; give every varied key at least one value.")
    parts = [Batch(*(table[first : first + chunk] for table in batch)) for first in range(0, total, chunk)]
    compiled(sk.run_rows)
    done: list[Table] = []

    def note(result: Table) -> None:
        done.append(result)
        if progress is not None:
            progress(sum(len(d) for d in done), total)

    if dask is not None:
        for result in _over_dask(parts, dask):
            note(result)
    else:
        with ThreadPoolExecutor(max_workers=workers or os.cpu_count() or 1) as pool:
            for result in pool.map(run_batch, parts):
                note(result)
    columns = {key: plan.rows[:, index] for index, key in enumerate(plan.keys)}
    return columns | outcome(np.concatenate(done))


def _over_dask(parts: list[Batch], address: str) -> Any:
    try:
        distributed = import_module("dask.distributed")
    except ImportError:
        raise SweepError("dask is not installed; pip install 'ringlet[sweep]', or leave dask out.") from None
    if address == "local":
        with (
            distributed.LocalCluster(host="127.0.0.1", threads_per_worker=1, dashboard_address=None) as cluster,
            distributed.Client(cluster) as client,
        ):
            yield from client.gather(client.map(run_batch, parts, pure=False))
        return
    try:
        client = distributed.Client(address, timeout=5)
    except (OSError, TimeoutError, ValueError):
        raise SweepError(f"No dask scheduler answers at {address}; start one there or use 'local'.") from None
    with client:
        yield from client.gather(client.map(run_batch, parts, pure=False))


def write(columns: Mapping[str, Table], path: Path) -> None:
    """Write the columns as CSV or, by the suffix .parquet, as Parquet (needs pyarrow)."""
    if path.suffix == ".parquet":
        try:
            pyarrow = import_module("pyarrow")
            parquet = import_module("pyarrow.parquet")
        except ImportError:
            raise SweepError("Parquet needs pyarrow; pip install 'ringlet[sweep]', or write to a .csv file.") from None
        parquet.write_table(pyarrow.table(dict(columns)), path)
        return
    if path.suffix != ".csv":
        raise SweepError(f"{path.name}: a sweep is written as .csv or .parquet; choose one of these endings.")
    table = np.column_stack(list(columns.values()))
    np.savetxt(path, table, fmt="%.9g", delimiter=",", header=",".join(columns), comments="")
