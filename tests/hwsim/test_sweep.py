"""Sweeps: plans, the batch path against the scalar paths, outcomes that make sense, files, and bad input."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from ringlet.hwsim import kernel, ramp, sweep
from ringlet.hwsim import sweep_kernel as sk
from ringlet.hwsim.cardfile import CardError, load_lens, load_motor
from ringlet.hwsim.drive import Drive, Supply, default_settings
from ringlet.hwsim.plant import S_Q1, S_Q2
from ringlet.hwsim.sweep import Moves, SweepError, parse_axis

MOTOR, LENS = load_motor("medium"), load_lens("focus-long")
MOVES = Moves(distance_deg=30.0, dwell_s=0.15)


def test_axes_are_read_as_values_counts_or_ranges() -> None:
    assert parse_axis("motor.gear_teeth=20,30,40").values == (20.0, 30.0, 40.0)
    assert parse_axis("move.acceleration_deg_s2=100:500:5").values == (100.0, 200.0, 300.0, 400.0, 500.0)
    ranged = parse_axis("lens.coulomb_mnm=80:20")
    assert (ranged.values, ranged.low, ranged.high) == ((), 20.0, 80.0)
    assert {"settings.velocity_gain", "lens.stop_min_deg", "move.supply_v"} <= set(sweep.keys())


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("gear_teeth=1,2", "does not begin with a key"),
        ("motor.gear_teeth", "does not begin with a key"),
        ("motor.gear_teeth=a,b", "no number"),
        ("motor.gear_teeth=nan", "not finite"),
        ("motor.gear_teeth=1:2:2.5", "whole count"),
        ("motor.gear_teeth=1:2:3:4", "whole count"),
        ("motor.name=1", "does not begin with a key"),
    ],
)
def test_a_wrong_axis_is_refused_in_one_sentence(text: str, word: str) -> None:
    with pytest.raises(SweepError, match=word) as caught:
        parse_axis(text)
    assert "\n" not in str(caught.value)


def test_a_grid_holds_every_combination_and_a_hypercube_one_row_a_stratum() -> None:
    axes = [parse_axis("motor.gear_teeth=20,30,40"), parse_axis("move.jerk_deg_s3=1e3,1e4")]
    plan = sweep.grid(axes)
    assert len({tuple(row) for row in plan.rows}) == 6
    with pytest.raises(SweepError, match="low:high:count"):
        sweep.grid([parse_axis("lens.coulomb_mnm=20:80")])
    cube = sweep.latin_hypercube([parse_axis("lens.coulomb_mnm=20:60"), parse_axis("move.jerk_deg_s3=1e3:5e3")], 40, 7)
    for column, (low, high) in zip(cube.rows.T, ((20.0, 60.0), (1e3, 5e3)), strict=True):
        strata = np.floor((column - low) / (high - low) * 40)
        assert sorted(strata) == list(range(40))
    again = sweep.latin_hypercube([parse_axis("lens.coulomb_mnm=20:60"), parse_axis("move.jerk_deg_s3=1e3:5e3")], 40, 7)
    assert np.array_equal(cube.rows, again.rows)
    with pytest.raises(SweepError, match="at least one axis"):
        sweep.latin_hypercube([], 4)


def _plan() -> sweep.Plan:
    return sweep.latin_hypercube(
        [
            parse_axis("motor.gear_teeth=20:70"),
            parse_axis("motor.supply_nominal_v=12:24"),
            parse_axis("move.acceleration_deg_s2=300:6000"),
            parse_axis("move.supply_ohm=0:2"),
            parse_axis("lens.mesh_backlash_deg=0:0.4"),
            parse_axis("settings.velocity_gain=1:20"),
        ],
        12,
        3,
    )


@pytest.mark.skipif(not kernel.can_compile(), reason="numba is not installed or switched off")
def test_batch_path_and_scalar_path_agree_to_rounding() -> None:
    batch = sweep.prepare(MOTOR, LENS, MOVES, _plan())
    many = sweep.run_batch(batch)
    for row in range(len(many)):
        one = sweep.run_plain(batch, row)
        assert one[0] == pytest.approx(many[row], rel=1e-9, abs=1e-9)
    assert np.ptp(many[:, sk.O_CURRENT]) > 0.01  # the rows do differ


def test_a_row_is_what_ramp_supply_and_drive_do_together() -> None:
    """The same moves with the objects that a live node uses."""
    batch = sweep.prepare(MOTOR, LENS, MOVES, sweep.grid([parse_axis("move.supply_ohm=0.8")]))
    row = sweep.outcome(sweep.run_batch(batch))
    supply = Supply(24.0, 0.8)
    drive = Drive(MOTOR, LENS, default_settings(MOTOR, LENS), supply, ring_start_deg=15.0)
    drive._s[S_Q1] = drive._s[S_Q2]
    drive.power_cycle()
    acc = 1e3 * MOVES.acceleration_deg_s2
    generator = ramp.Ramp(ramp.RampLimits(1e3 * MOVES.velocity_deg_s, acc, acc, 1e3 * MOVES.jerk_deg_s3), 0.0)
    current, following, lowest, places, ticks = [], [], 24.0, [], 0
    for target in (30e3, 0.0):
        generator.move(target)
        resting = 0
        while resting < 150:
            resting += generator.at_rest
            generator.tick()
            supply.begin_tick()
            lowest = min(lowest, supply.bus_v)
            reading = drive.tick(True, generator.position, generator.velocity, generator.acceleration, 1e6)
            current.append(abs(reading.current_ma) * 1e-3)
            following.append(abs(reading.following_error_mdeg) * 1e-3)
            ticks += 1
        places.append(drive.truth.ring_deg - 15.0 - 1e-3 * target)
    assert row["time_s"][0] == pytest.approx(1e-3 * ticks)
    assert row["peak_current_a"][0] == pytest.approx(max(current), rel=1e-9)
    assert row["rms_current_a"][0] == pytest.approx(math.sqrt(np.mean(np.square(current))), rel=1e-9)
    assert row["following_error_deg"][0] == pytest.approx(max(following), rel=1e-9)
    assert row["lowest_supply_v"][0] == pytest.approx(lowest, rel=1e-9)
    assert row["energy_j"][0] == pytest.approx(drive.truth.energy_in_j, rel=1e-9)
    assert row["lost_motion_deg"][0] == pytest.approx(abs(places[1] - places[0]), rel=1e-6)


def test_outcomes_move_the_right_way() -> None:
    columns = sweep.run_sweep(
        MOTOR, LENS, Moves(jerk_deg_s3=2e5), sweep.grid([parse_axis("move.acceleration_deg_s2=300,600,1200,2400,4800")])
    )
    torque, ramp_s = columns["peak_torque_mnm"], columns["ramp_s"]
    assert (np.diff(torque) > 0).all()
    assert (np.diff(ramp_s) < 0).all()
    assert (columns["finished"] == 1.0).all()
    assert (columns["settle_s"] > 0.9 * (ramp_s - 0.1)).all()
    lost = sweep.run_sweep(MOTOR, LENS, MOVES, sweep.grid([parse_axis("lens.mesh_backlash_deg=0,0.2,0.4")]))
    assert np.diff(lost["lost_motion_deg"]) == pytest.approx([0.2, 0.2], rel=0.25)
    cold = sweep.run_sweep(MOTOR, load_lens("zoom"), MOVES, sweep.grid([parse_axis("move.ambient_c=20,-20")]))
    assert cold["rms_current_a"][1] > 1.4 * cold["rms_current_a"][0]


def test_a_motor_that_is_too_weak_never_settles_and_says_so() -> None:
    columns = sweep.run_sweep(
        load_motor("small"), load_lens("zoom-cold"), MOVES, sweep.grid([parse_axis("move.torque_limit_mnm=60,250")])
    )
    assert math.isnan(columns["settle_s"][0])
    assert columns["unsettled_legs"][0] >= 1.0
    assert columns["longest_stall_s"][0] > 0.1
    assert columns["unsettled_legs"][1] == 0.0
    assert columns["settle_s"][1] > 0.0


def test_without_numba_the_same_columns_come_out(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = sweep.grid([parse_axis("motor.gear_teeth=30,50")])
    first = sweep.run_sweep(MOTOR, LENS, MOVES, plan)
    monkeypatch.setenv("RINGLET_NO_NUMBA", "1")
    assert not kernel.can_compile()
    second = sweep.run_sweep(MOTOR, LENS, MOVES, plan)
    for name, column in first.items():
        assert second[name] == pytest.approx(column, rel=1e-9, abs=1e-9, nan_ok=True)


def test_progress_counts_every_row_and_chunks_change_nothing() -> None:
    plan = sweep.grid([parse_axis("motor.gear_teeth=20:60:9")])
    seen: list[tuple[int, int]] = []
    whole = sweep.run_sweep(MOTOR, LENS, MOVES, plan)
    parts = sweep.run_sweep(MOTOR, LENS, MOVES, plan, chunk=2, progress=lambda done, of: seen.append((done, of)))
    assert seen == [(2, 9), (4, 9), (6, 9), (8, 9), (9, 9)]
    for name in whole:
        assert np.array_equal(whole[name], parts[name], equal_nan=True)


@pytest.mark.parametrize(
    ("axis", "error", "word"),
    [
        ("motor.gear_teeth=2,3", CardError, "gear_teeth"),
        ("lens.coulomb_mnm=500", CardError, "breakaway_mnm"),
        ("move.acceleration_deg_s2=-1", SweepError, "acceleration_deg_s2"),
        ("move.velocity_deg_s=0", SweepError, "velocity_deg_s"),
        ("move.dwell_s=-1", SweepError, "dwell_s"),
        ("settings.direction=0", SweepError, "direction"),
        ("move.legs=0.3", SweepError, "legs"),
        ("move.start_deg=900", SweepError, "start_deg"),
    ],
)
def test_values_that_are_not_allowed_are_refused(axis: str, error: type[Exception], word: str) -> None:
    with pytest.raises(error, match=word) as caught:
        sweep.run_sweep(MOTOR, LENS, MOVES, sweep.grid([parse_axis(axis)]))
    assert "\n" not in str(caught.value)


def test_what_can_only_be_whole_is_told_as_it_was_simulated() -> None:
    for plan in (sweep.grid([parse_axis("motor.gear_teeth=30:60:8")]),
                 sweep.latin_hypercube([parse_axis("motor.gear_teeth=30:60")], 8)):  # fmt: skip
        assert np.array_equal(plan.rows, np.round(plan.rows))
        assert len(set(plan.rows[:, 0])) > 4
    halves = sweep.grid([parse_axis("motor.resistance_ohm=1:2:3")])
    assert halves.rows[:, 0].tolist() == [1.0, 1.5, 2.0]


def test_files_hold_the_columns(tmp_path: Path) -> None:
    columns = sweep.run_sweep(MOTOR, LENS, MOVES, sweep.grid([parse_axis("motor.gear_teeth=30,50")]))
    sweep.write(columns, tmp_path / "out.csv")
    with (tmp_path / "out.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["motor.gear_teeth"]) for row in rows] == [30.0, 50.0]
    assert float(rows[1]["energy_j"]) == pytest.approx(columns["energy_j"][1], rel=1e-8)
    with pytest.raises(SweepError, match=r"\.csv or \.parquet"):
        sweep.write(columns, tmp_path / "out.xls")
    parquet = pytest.importorskip("pyarrow.parquet")
    sweep.write(columns, tmp_path / "out.parquet")
    table = parquet.read_table(tmp_path / "out.parquet").to_pydict()
    assert list(table) == list(columns)
    assert table["energy_j"] == list(columns["energy_j"])


def test_missing_helpers_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    columns = {"motor.gear_teeth": np.array([1.0])}

    def refuse(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(sweep, "import_module", refuse)
    with pytest.raises(SweepError, match="Parquet needs pyarrow"):
        sweep.write(columns, tmp_path / "out.parquet")
    with pytest.raises(SweepError, match="dask is not installed"):
        sweep.run_sweep(MOTOR, LENS, MOVES, sweep.grid([parse_axis("motor.gear_teeth=30")]), dask="local")


def test_dask_gives_the_same_rows() -> None:
    pytest.importorskip("dask.distributed")
    plan = sweep.grid([parse_axis("motor.gear_teeth=20:60:9")])
    here = sweep.run_sweep(MOTOR, LENS, MOVES, plan)
    there = sweep.run_sweep(MOTOR, LENS, MOVES, plan, chunk=3, dask="local")
    for name in here:
        assert np.array_equal(here[name], there[name], equal_nan=True)
    with pytest.raises(SweepError, match="No dask scheduler answers"):
        sweep.run_sweep(MOTOR, LENS, MOVES, plan, dask="tcp://127.0.0.1:1")
