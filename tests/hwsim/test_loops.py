"""Control as the board runs it: tracking, anti-windup, limits, compensation, stall, derating, rest without hunting."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest

from ringlet.hwsim import plant_setup, ramp
from ringlet.hwsim.cardfile import load_lens, load_motor, shipped_lenses, shipped_motors
from ringlet.hwsim.drive import Drive, DriveReading, DriveSettings, Supply, default_settings

LIMITS = ramp.RampLimits(180e3, 900e3, 900e3, 18e6)


class Run(NamedTuple):
    """What one axis did: readings and true ring angles, one a tick."""

    drive: Drive
    readings: list[DriveReading]
    ring_deg: list[float]
    setpoint_mdeg: list[float]


def follow(
    drive: Drive, target_mdeg: float, ticks: int, torque_mnm: float = 1e6, start: ramp.Ramp | None = None
) -> Run:
    generator = start or ramp.Ramp(LIMITS, 0.0)
    generator.move(target_mdeg)
    run = Run(drive, [], [], [])
    for _ in range(ticks):
        generator.tick()
        drive.supply.begin_tick()
        reading = drive.tick(
            True, generator.position, generator.velocity, generator.acceleration, torque_mnm
        )
        run.readings.append(reading)
        run.ring_deg.append(drive.truth.ring_deg)
        run.setpoint_mdeg.append(generator.position)
    return run


def build(motor: str = "medium", lens: str = "focus-long", start_deg: float = 50.0, **changes: float) -> Drive:
    m, ring = load_motor(motor), load_lens(lens)
    settings: DriveSettings = default_settings(m, ring)._replace(**changes)  # type: ignore[arg-type]
    return Drive(m, ring, settings, Supply(), ring_start_deg=start_deg)


@pytest.mark.parametrize("motor", shipped_motors())
@pytest.mark.parametrize("lens", shipped_lenses())
def test_default_gains_follow_a_move_on_every_pair(motor: str, lens: str) -> None:
    drive = build(motor, lens, 20.0)
    run = follow(drive, 40e3, 900)
    last = run.readings[-1]
    assert abs(last.position_mdeg - 40e3) < 30.0
    assert last.encoder_ok
    worst = max(abs(r.following_error_mdeg) for r in run.readings)
    assert worst < (2000.0 if lens == "zoom-cold" else 400.0)
    play = plant_setup.lost_motion_deg(drive.motor, drive.lens)
    assert abs(run.ring_deg[-1] - 60.0) < play + 0.1
    assert max(run.ring_deg) < 60.0 + play + 0.1


def test_torque_limit_bounds_the_current_and_is_reported() -> None:
    drive = build()
    limit = 40.0
    run = follow(drive, 60e3, 600, torque_mnm=limit)
    per_amp = drive.settings.torque_mnm_per_a
    # The current loop may pass its command by one sample.
    assert max(abs(r.current_ma) for r in run.readings) * 1e-3 * per_amp < 1.05 * limit
    assert any(r.torque_limited for r in run.readings)
    free = follow(build(), 60e3, 600)
    assert max(abs(r.torque_mnm) for r in free.readings) > 1.05 * limit


def test_anti_windup_lets_a_held_ring_catch_up_without_swinging_past() -> None:
    """The ring is held for a second under full torque. When it comes free, the integral must not throw it past."""
    drive = build()
    drive.faults.ring_blocked = True
    generator = ramp.Ramp(LIMITS, 0.0)
    follow(drive, 20e3, 1000, start=generator)
    assert abs(drive.truth.ring_deg - 50.0) < 0.2
    drive.faults.ring_blocked = False
    run = follow(drive, 20e3, 1500, start=generator)
    assert abs(run.readings[-1].position_mdeg - 20e3) < 30.0
    assert max(run.ring_deg) < 70.5


def test_backlash_compensation_takes_out_the_lost_motion() -> None:
    def gap(compensate: bool) -> float:
        drive = build(backlash_comp=compensate)
        places = []
        generator = ramp.Ramp(LIMITS, 0.0)
        for target in (30e3, 20e3, 10e3, 20e3):
            run = follow(drive, target, 800, start=generator)
            places.append(run.ring_deg[-1])
        return abs(places[3] - places[1])  # the same target from both sides

    play = plant_setup.lost_motion_deg(load_motor("medium"), load_lens("focus-long"))
    assert gap(False) == pytest.approx(play, rel=0.25)
    assert gap(True) < 0.25 * play


def test_stall_is_counted_while_the_ring_is_held_and_only_then() -> None:
    drive = build()
    assert max(r.stalled_ms for r in follow(drive, 20e3, 700).readings) == 0.0
    drive.faults.ring_blocked = True
    generator = ramp.Ramp(LIMITS, 20e3)
    run = follow(drive, 60e3, 1500, torque_mnm=150.0, start=generator)
    assert run.readings[-1].stalled_ms > 500.0
    assert run.readings[-1].torque_limited
    assert abs(run.readings[-1].following_error_mdeg) > 30e3


def test_derating_lowers_the_current_before_the_winding_reaches_its_limit() -> None:
    """A held ring at full current: the board lowers the current from `derate_from_c` and the winding stays below its
    limit for ever; without derating it passes it."""
    motor = load_motor("small")
    drive = Drive(
        motor, load_lens("iris"), default_settings(motor, load_lens("iris")), Supply(), ring_start_deg=30.0,
        compile_kernel=True,
    )  # fmt: skip
    drive.faults.ring_blocked = True
    readings = []
    for _ in range(200_000):
        drive.supply.begin_tick()
        readings.append(drive.tick(True, 60e3, 0.0, 0.0, 1e6))
    assert readings[0].winding_c == pytest.approx(20.0, abs=0.1)
    hottest = max(r.winding_c for r in readings)
    assert motor.derate_from_c < hottest < motor.winding_max_c
    assert drive.truth.winding_c < motor.winding_max_c
    assert drive.truth.winding_c == pytest.approx(readings[-1].winding_c, abs=2.0)
    assert abs(readings[5000].current_ma) > 1450.0
    assert abs(readings[-1].current_ma) < 1000.0
    heat = motor.peak_current_a**2 * motor.resistance_ohm
    assert heat * motor.winding_to_case_k_per_w + 20.0 > motor.winding_max_c  # without derating it would pass


@pytest.mark.parametrize(("motor", "lens"), [("medium", "focus-long"), ("small", "zoom-cold"), ("small", "iris")])
def test_no_limit_cycle_at_rest_and_one_without_the_rest_band(motor: str, lens: str) -> None:
    """Integral action against stiction hunts (Armstrong-Helouvry, Dupont, Canudas de Wit, "A survey of models, analysis
    tools and compensation methods for the control of machines with friction", Automatica 1994, from memory). The rest
    band stops it; taking the band away must bring it back, or this test sees nothing."""

    def swing(**changes: float) -> float:
        run = follow(build(motor, lens, 20.0, **changes), 40e3, 8000)
        return float(np.ptp([r.current_ma for r in run.readings[5000:]]))

    assert swing() < 0.5
    assert swing(rest_band_mdeg=0.0) > 5.0


def test_direction_turns_position_setpoint_and_current_round() -> None:
    there = follow(build(direction=-1), 20e3, 700)
    assert there.readings[-1].position_mdeg == pytest.approx(20e3, abs=20.0)
    assert there.ring_deg[-1] == pytest.approx(30.0, abs=0.3)
    assert max(r.current_ma for r in there.readings) > 100.0


@pytest.mark.parametrize("backlash", [0.0, 219.0])
def test_a_direction_turned_while_holding_leaves_the_motor_as_it_was(backlash: float) -> None:
    """The integral holds the gears against friction at rest: turned the wrong way it would push the ring off."""
    turned, left = (build(lens="zoom-cold", backlash_comp=backlash > 0.0, backlash_mdeg=backlash) for _ in range(2))
    held = follow(turned, 20e3, 1200).readings[-1]
    follow(left, 20e3, 1200)
    assert abs(held.current_ma) > 500.0
    turned.settings = turned.settings._replace(direction=-1)
    setpoint = 20e3
    for tick in range(300):
        for drive in (turned, left):
            drive.supply.begin_tick()
        there, here = (turned.tick(True, setpoint, 0.0, 0.0, 1e6), left.tick(True, 20e3, 0.0, 0.0, 1e6))
        if tick == 0:  # from now on in the numbers of the turned ring, with the same error as seen by the motor
            assert there.position_mdeg == pytest.approx(-here.position_mdeg, abs=1.0)
            setpoint += there.position_mdeg - here.position_mdeg - 2.0 * held.following_error_mdeg
        assert there.current_ma == pytest.approx(-here.current_ma, rel=0.02), tick
    assert turned.truth.ring_deg == pytest.approx(left.truth.ring_deg, abs=1e-3)


def test_wrong_gear_teeth_scale_the_travel() -> None:
    """The board believes its settings: with half the ring teeth the ring turns half as far."""
    run = follow(build(ring_teeth=67), 20e3, 900)
    assert run.ring_deg[-1] - 50.0 == pytest.approx(10.0, abs=0.3)


def test_shared_supply_sags_under_all_axes_and_browns_out() -> None:
    supply = Supply(24.0, 1.5)
    motor, lens = load_motor("strong"), load_lens("zoom")
    drives = [Drive(motor, lens, default_settings(motor, lens), supply, ring_start_deg=20.0) for _ in range(4)]
    lowest, off = 24.0, 0
    for tick in range(600):
        supply.begin_tick()
        lowest = min(lowest, supply.bus_v)
        off += supply.browned_out
        # A target far away all at once: every drive asks for its peak current.
        for drive in drives:
            reading = drive.tick(True, 100e3 if tick > 50 else 0.0, 0.0, 0.0, 1e6)
            assert reading.supply_mv == pytest.approx(1e3 * supply.bus_v)
            if supply.browned_out:
                assert reading.current_ma == 0.0
    assert lowest < supply.brownout_v
    assert off > 0
    assert not math.isnan(supply.bus_v)
    alone = Supply(24.0, 0.15)
    drive = Drive(motor, lens, default_settings(motor, lens), alone, ring_start_deg=20.0)
    follow(drive, 60e3, 500)
    assert not alone.browned_out
    assert alone.bus_v == pytest.approx(24.0, abs=0.3)
