"""Derived figures and their pictures: margins against the stepped loop, speed and time against the plant."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from ringlet.hwsim import figures, plant, plant_setup, sweep
from ringlet.hwsim.cardfile import LensCard, MotorCard, load_lens, load_motor, shipped_lenses, shipped_motors, vary
from ringlet.hwsim.drive import Drive, Supply, default_settings
from ringlet.tools.plant_plot import plot_torque_speed
from ringlet.tools.sweep_plot import label, outcome_names, plot_sweep

PNG = b"\x89PNG\r\n"


@pytest.mark.parametrize("motor", shipped_motors())
@pytest.mark.parametrize("lens", shipped_lenses())
def test_every_pair_has_finite_figures_and_sound_margins(motor: str, lens: str) -> None:
    found = figures.figures(load_motor(motor), load_lens(lens))
    names = [f.name for f in found]
    assert len(set(names)) == len(names)
    for need in ("rotor inertia at the ring", "top ring speed under load", "time across the travel",
                 "torque margin", "resolution", "lost motion", "lasting torque"):  # fmt: skip
        assert need in names
    assert all(math.isfinite(f.value) for f in found), [f for f in found if not math.isfinite(f.value)]
    for m in figures.margins(load_motor(motor), load_lens(lens)):
        # 45 degrees and a factor of 2 are the usual textbook demand (common practice).
        assert m.phase_margin_deg > 40.0
        assert m.gain_margin > 2.0


def _linear_pair(motor: str, lens: str) -> tuple[MotorCard, LensCard]:
    """The pair without friction, play and stops and with an encoder too fine to matter: the margins' own model."""
    m = vary(
        load_motor(motor),
        {
            "rotor_coulomb_mnm": 0,
            "rotor_breakaway_mnm": 0,
            "gearhead_efficiency": 1,
            "gearhead_backlash_deg": 0,
            "encoder_counts_per_rotor_turn": 1_000_000,
        },
    )
    ring = vary(load_lens(lens), {"coulomb_mnm": 0, "breakaway_mnm": 0, "mesh_backlash_deg": 0})
    return m, ring.model_copy(update={"stop_min_deg": None, "stop_max_deg": None})


@pytest.mark.parametrize(("motor", "lens"), [("medium", "focus-long"), ("strong", "zoom"), ("medium", "zoom-cold")])
def test_gain_margin_is_where_the_stepped_velocity_loop_becomes_unstable(motor: str, lens: str) -> None:
    m, ring = _linear_pair(motor, lens)
    limit = figures.margins(m, ring)[0].gain_margin
    settings = default_settings(m, ring)

    def late_speed(share: float) -> float:
        drive = Drive(
            m,
            ring,
            settings._replace(
                velocity_gain=settings.velocity_gain * limit * share,
                position_gain=0.0,
                rest_band_mdeg=0.0,
                peak_current_ma=1e6,
            ),
            Supply(100.0, 0.0),
            ring_start_deg=0.0,
        )
        drive._s[plant.S_W1] = drive._s[plant.S_W2] = 0.001
        speeds = []
        for _ in range(1500):
            drive.supply.begin_tick()
            drive.tick(True, 0.0, 0.0, 0.0, 1e9)
            speeds.append(abs(drive.truth.rotor_deg_s))
        return max(speeds[-100:])

    assert late_speed(0.85) < 0.03
    assert late_speed(1.2) > 10.0


def test_top_speed_and_stall_torque_are_reached_by_the_plant() -> None:
    motor, lens = load_motor("medium"), load_lens("focus-short")  # no stops: it can run for ever
    flat = lens.model_copy(update={"torque_over_travel": (1.0,)})
    curves = figures.torque_speed(motor, flat)
    p = plant_setup.plant_parameters(motor, flat)
    s = plant_setup.plant_state(0.0, 20.0, 1.0)
    for _ in range(2000):
        s[plant.S_TW] = 20.0  # the figures are for a cool winding
        plant.plant_tick(p, s, plant.CURRENT, motor.peak_current_a, motor.supply_nominal_v)
    assert math.degrees(s[plant.S_W2]) == pytest.approx(figures.top_speed_deg_s(curves), rel=0.01)
    s = plant_setup.plant_state(0.0, 20.0, 1.0)
    s[plant.S_BLOCK] = 2000.0
    for _ in range(300):
        plant.plant_tick(p, s, plant.CURRENT, motor.peak_current_a, motor.supply_nominal_v)
    # A blocked rotor creeps against its own friction: stall torque lies between full and no rotor friction.
    stall = 1e3 * s[plant.S_TMESH] * motor.gear_teeth / lens.ring_teeth
    assert stall == pytest.approx(float(curves.peak_mnm[0]), rel=0.03)


@pytest.mark.parametrize(("name", "ring"), [("medium", "focus-long"), ("small", "zoom"), ("small", "focus-long")])
def test_time_across_the_travel_is_what_the_plant_needs(name: str, ring: str) -> None:
    motor, lens = load_motor(name), load_lens(ring)
    want = figures.crossing_time_s(motor, lens, figures.torque_speed(motor, lens))
    p = plant_setup.plant_parameters(motor, lens)
    s = plant_setup.plant_state(0.0, 20.0, 1.0)
    s[plant.S_Q1] += p[plant.P_HALFLASH]
    # Full current to a switching point, then full current back: found by bisection so that it comes to rest at the end.
    low, high = 0.0, lens.travel_deg
    time = math.nan
    for _ in range(18):
        switch = 0.5 * (low + high)
        state = list(s)
        ticks = 0
        while state[plant.S_W2] >= 0.0 and ticks < 2000:
            sign = 1.0 if math.degrees(state[plant.S_Q2]) < switch else -1.0
            plant.plant_tick(p, state, plant.CURRENT, sign * motor.peak_current_a, motor.supply_nominal_v)
            ticks += 1
            if ticks > 5 and state[plant.S_W2] < 0.0:
                break
        if math.degrees(state[plant.S_Q2]) < lens.travel_deg:
            low = switch
        else:
            high = switch
        time = 1e-3 * ticks
    assert time == pytest.approx(want, rel=0.03)


def test_cautions_name_what_does_not_fit() -> None:
    motor, lens = load_motor("small"), load_lens("zoom-cold")
    assert any("less than twice" in c for c in figures.cautions(motor, lens))
    odd = vary(motor, {"gear_module_mm": 0.77})
    said = " ".join(figures.cautions(odd, lens))
    assert "do not mesh" in said
    assert "DIN 780" in said
    weak = vary(motor, {"peak_current_a": 0.4})
    assert any("cannot break" in c for c in figures.cautions(weak, lens))
    assert any("no hard stops" in c for c in figures.cautions(motor, load_lens("focus-short")))
    strong = load_motor("strong")
    assert not any("overheats" in c for c in figures.cautions(strong, load_lens("iris")))
    assert any("overheats" in c for c in figures.cautions(strong, load_lens("iris"), strong.winding_max_c - 1e-3))
    assert figures.crossing_time_s(weak, lens, figures.torque_speed(weak, lens)) == math.inf


def test_pictures_are_written(tmp_path: Path) -> None:
    motor, lens = load_motor("medium"), load_lens("focus-long")
    curves = plot_torque_speed(motor, lens, tmp_path / "plant.png")
    assert (tmp_path / "plant.png").read_bytes().startswith(PNG)
    assert curves.supply_v == 24.0
    plan = sweep.grid([sweep.parse_axis("motor.gear_teeth=30:60:3"), sweep.parse_axis("lens.coulomb_mnm=20:60:3")])
    columns = sweep.run_sweep(motor, lens, sweep.Moves(dwell_s=0.1), plan)
    columns["settle_s"][4] = np.nan
    plot_sweep(columns, tmp_path / "map.png")
    plot_sweep({k: v for k, v in columns.items() if k != "lens.coulomb_mnm"}, tmp_path / "line.svg", ["energy_j"])
    assert (tmp_path / "map.png").read_bytes().startswith(PNG)
    text = (tmp_path / "line.svg").read_text()
    assert "<svg" in text
    with pytest.raises(sweep.SweepError, match="not a column"):
        plot_sweep(columns, tmp_path / "no.png", ["joy"])
    with pytest.raises(sweep.SweepError, match="nothing to draw"):
        plot_sweep({"energy_j": columns["energy_j"]}, tmp_path / "no.png", ["energy_j"])
    assert set(outcome_names()) <= set(columns)
    assert label("move.acceleration_deg_s2") == "move: acceleration (deg/s²)"
    assert label("settings.velocity_gain") == "settings: velocity gain (mA per deg/s)"
