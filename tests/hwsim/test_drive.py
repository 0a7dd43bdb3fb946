"""The drive as the node sees it: power cycle, hand, injected faults, and the compiled path beside the plain one."""

from __future__ import annotations

import math
import os
import subprocess
import sys

import numpy as np
import pytest

from ringlet.hwsim import kernel, ramp
from ringlet.hwsim.cardfile import load_lens, load_motor
from ringlet.hwsim.drive import Drive, DriveReading, Supply, default_settings


def build(lens: str = "focus-long", start_deg: float | None = 50.0, *, compiled: bool = False, seed: int = 0) -> Drive:
    motor, ring = load_motor("medium"), load_lens(lens)
    settings = default_settings(motor, ring)
    return Drive(motor, ring, settings, Supply(), seed, start_deg, compile_kernel=compiled)


def move(drive: Drive, generator: ramp.Ramp, target: float, ticks: int, torque: float = 1e6) -> list[DriveReading]:
    generator.move(target)
    out = []
    for _ in range(ticks):
        generator.tick()
        drive.supply.begin_tick()
        out.append(drive.tick(True, generator.position, generator.velocity, generator.acceleration, torque))
    return out


def new_ramp() -> ramp.Ramp:
    return ramp.Ramp(ramp.RampLimits(180e3, 900e3, 900e3, 18e6), 0.0)


def test_power_up_position_is_zero_wherever_the_ring_stands() -> None:
    starts = set()
    for seed in range(5):
        drive = build(start_deg=None, seed=seed)
        reading = drive.tick(False, 0.0, 0.0, 0.0, 100.0)
        assert abs(reading.position_mdeg) < 10.0
        assert 0.0 <= drive.truth.ring_deg <= 300.0
        starts.add(round(drive.truth.ring_deg, 6))
    assert len(starts) == 5
    assert build(start_deg=None, seed=3).truth.ring_deg == build(start_deg=None, seed=3).truth.ring_deg


def test_power_cycle_loses_the_zero_and_not_the_physics() -> None:
    drive = build()
    last = move(drive, new_ramp(), 30e3, 700)[-1]
    assert last.position_mdeg == pytest.approx(30e3, abs=20)
    ring, winding = drive.truth.ring_deg, drive.truth.winding_c
    drive.power_cycle()
    reading = drive.tick(False, 0.0, 0.0, 0.0, 100.0)
    assert abs(reading.position_mdeg) < 20.0
    assert drive.truth.ring_deg == pytest.approx(ring, abs=0.1)
    assert drive.truth.winding_c == pytest.approx(winding, abs=0.01)
    assert reading.encoder_ok


def test_a_released_ring_turns_by_hand_and_the_encoder_sees_it() -> None:
    drive = build()
    drive.tick(False, 0.0, 0.0, 0.0, 100.0)
    drive.turn_by_hand(12.0)
    reading = drive.tick(False, 0.0, 0.0, 0.0, 100.0)
    assert reading.position_mdeg == pytest.approx(12e3, abs=10)
    assert drive.truth.ring_deg == pytest.approx(62.0, abs=0.01)
    drive.turn_by_hand(1000.0)
    drive.tick(False, 0.0, 0.0, 0.0, 100.0)
    stops = drive.truth.stops_deg
    assert stops is not None
    assert drive.truth.ring_deg == pytest.approx(stops[1], abs=0.01)
    assert build("focus-short", 10.0).truth.stops_deg is None
    assert reading.current_ma == 0.0


def test_released_means_no_torque() -> None:
    drive = build()
    for _ in range(200):
        drive.supply.begin_tick()
        reading = drive.tick(False, 90e3, 0.0, 0.0, 1e6)
        assert reading.current_ma == 0.0
    assert drive.truth.ring_deg == pytest.approx(50.0, abs=0.01)


def test_lost_counts_show_at_the_next_index_pulse() -> None:
    drive = build()
    generator = new_ramp()
    assert move(drive, generator, 20e3, 600)[-1].encoder_ok
    drive.faults.counts_lost = 40
    shifted = move(drive, generator, 20e3, 200)[-1]
    assert shifted.encoder_ok  # standing: no index pulse passes
    assert not move(drive, generator, 60e3, 700)[-1].encoder_ok
    drive.power_cycle()
    assert drive.faults.counts_lost == 40
    assert drive.tick(False, 0.0, 0.0, 0.0, 1.0).encoder_ok


def test_a_missing_index_pulse_shows_after_a_turn_and_a_half() -> None:
    drive = build()
    drive.faults.index_lost = True
    readings = move(drive, new_ramp(), 60e3, 700)
    first = next(n for n, r in enumerate(readings) if not r.encoder_ok)
    turn_mdeg = 360e3 / (14.0 * 134 / 40)
    assert readings[first].position_mdeg == pytest.approx(1.5 * turn_mdeg, rel=0.1)


def test_a_dead_encoder_is_found_before_the_ring_has_run_far() -> None:
    drive = build()
    generator = new_ramp()
    move(drive, generator, 10e3, 500)
    drive.faults.encoder_dead = True
    before = drive.truth.ring_deg
    readings = move(drive, generator, 60e3, 600)
    first = next(n for n, r in enumerate(readings) if not r.encoder_ok)
    assert first < 200
    assert readings[-1].position_mdeg == readings[0].position_mdeg
    assert drive.truth.ring_deg > before + 5.0  # it does run away if nobody stops it


def test_a_slipping_gear_leaves_the_ring_behind_unseen() -> None:
    drive = build()
    drive.faults.slip_torque_mnm = 30.0
    last = move(drive, new_ramp(), 60e3, 900)[-1]
    assert last.position_mdeg == pytest.approx(60e3, abs=50)
    assert last.encoder_ok
    assert drive.truth.ring_deg - 50.0 < 5.0
    assert drive.truth.losses_j["slip"] > 0.0
    drive.faults.slip_torque_mnm = None
    assert drive.faults.slip_torque_mnm is None


def test_hot_surroundings_warm_the_case() -> None:
    drive = build(compiled=True)
    drive.faults.ambient_c = 60.0
    case = 20.0
    for _ in range(100_000):
        case = drive.tick(False, 0.0, 0.0, 0.0, 1.0).case_c
    slow = 1085.0
    assert case == pytest.approx(60.0 - 40.0 * math.exp(-100.0 / slow), abs=1.0)


def test_cold_grease_needs_more_current() -> None:
    def current(ambient: float) -> float:
        motor, ring = load_motor("medium"), load_lens("zoom")
        drive = Drive(motor, ring, default_settings(motor, ring), Supply(), ring_start_deg=10.0, ambient_c=ambient)
        return float(np.mean([abs(r.current_ma) for r in move(drive, new_ramp(), 90e3, 600)[200:400]]))

    assert current(-20.0) > 1.6 * current(20.0)


@pytest.mark.skipif(not kernel.can_compile(), reason="numba is not installed or switched off")
@pytest.mark.parametrize("lens", ["focus-long", "focus-short", "zoom-cold"])
def test_compiled_and_plain_path_agree_to_rounding(lens: str) -> None:
    plain, fast = build(lens, 20.0), build(lens, 20.0, compiled=True)
    assert type(fast._s) is not type(plain._s)
    one, two = new_ramp(), new_ramp()
    for target, torque in ((40e3, 1e6), (-10e3, 1e6), (200e3, 300.0), (0.0, 1e6)):
        a, b = move(plain, one, target, 500, torque), move(fast, two, target, 500, torque)
        for left, right in zip(a, b, strict=True):
            assert left == pytest.approx(right, rel=1e-9, abs=1e-6)
    assert plain.truth.ring_deg == pytest.approx(fast.truth.ring_deg, rel=1e-12)
    assert plain.truth.losses_j == pytest.approx(fast.truth.losses_j, rel=1e-9)


def test_numba_is_neither_imported_early_nor_against_the_users_will() -> None:
    code = (
        "import sys; from ringlet.hwsim import drive, sweep, figures; from ringlet.hwsim.cardfile import *;"
        "m, l = load_motor('small'), load_lens('iris');"
        "d = drive.Drive(m, l, drive.default_settings(m, l), drive.Supply(), compile_kernel={});"
        "d.tick(False, 0, 0, 0, 1); print('numba' in sys.modules)"
    )

    def numba_there(compile_kernel: bool, **env: str) -> str:
        run = subprocess.run(
            [sys.executable, "-c", code.format(compile_kernel)],
            capture_output=True, text=True, check=True, env=os.environ | env,
        )  # fmt: skip
        return run.stdout.strip()

    assert numba_there(False) == "False"
    assert numba_there(True, RINGLET_NO_NUMBA="1") == "False"
    if kernel.can_compile():
        assert numba_there(True) == "True"


def test_compiling_pays_from_five_axes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RINGLET_NO_NUMBA", "1")
    assert not kernel.worth_compiling(8)
    monkeypatch.delenv("RINGLET_NO_NUMBA")
    assert not kernel.worth_compiling(3)
    assert kernel.worth_compiling(8) == kernel.can_compile()
