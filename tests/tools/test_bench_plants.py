"""Analyses recover what the test put into 50 random simulated plants, within their own stated uncertainty.

Most plants run on the drive alone (no bus): setpoints in, what telemetry would carry out. Stable seeds.
"""

from __future__ import annotations

import functools
import math
import random
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from ringlet.hwsim import plant, plant_setup, rigfile, simrig
from ringlet.hwsim.cardfile import LensCard, MotorCard, load_lens, load_motor, vary
from ringlet.hwsim.drive import Drive, Supply, default_settings
from ringlet.hwsim.ramp import Ramp, RampLimits
from ringlet.tools.bench import friction, latency, ramp, repeat, response, timing
from ringlet.tools.bench.session import on_bench
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

PLANTS = 50
LIMITS = RampLimits(240e3, 1500e3, 1500e3, 30e6)
START_DEG, LOW_DEG, HIGH_DEG = 1.0, 2.0, 118.0
FRICTION_MOVES = (
    (117.0, 240.0), (1.0, 240.0), (117.0, 120.0), (1.0, 120.0), (117.0, 60.0), (1.0, 60.0), (70.0, 120.0),
    (90.0, 120.0), (50.0, 120.0), (70.0, 10.0), (60.0, 10.0), (64.0, 2.0), (66.0, 2.0),
)  # fmt: skip


class Run(NamedTuple):
    """What telemetry shows of a run, and where each move begins and ends; `ring_deg` is the truth."""

    setpoint_deg: np.ndarray
    position_deg: np.ndarray
    current_a: np.ndarray
    ring_deg: np.ndarray
    spans: list[tuple[int, int]]


@functools.cache
def _setpoints(
    moves: tuple[tuple[float, float], ...], pause_ms: int
) -> tuple[list[tuple[float, ...]], list[tuple[int, int]]]:
    path = Ramp(LIMITS)
    rows: list[tuple[float, ...]] = []
    spans = []
    for target, speed in moves:
        begin, rest = len(rows), 0
        path.move(1e3 * target, 1e3 * speed)
        while rest < pause_ms:
            path.tick()
            rows.append((path.position, path.velocity, path.acceleration))
            rest += path.at_rest
        spans.append((begin, len(rows)))
    return rows, spans


def drive(
    motor: MotorCard, lens: LensCard, moves: tuple[tuple[float, float], ...], seed: int, pause_ms: int = 100
) -> Run:
    axis = Drive(motor, lens, default_settings(motor, lens), Supply(), seed, START_DEG, compile_kernel=True)
    rows, spans = _setpoints(moves, pause_ms)
    table = np.empty((len(rows), 4))
    for n, (position, velocity, acceleration) in enumerate(rows):
        axis.supply.begin_tick()
        reading = axis.tick(True, position, velocity, acceleration, 900.0)
        table[n] = position, reading.position_mdeg, reading.current_ma, axis._s[plant.S_Q2]
    shown = np.round(table[:, :3]) / 1e3
    return Run(shown[:, 0], shown[:, 1], shown[:, 2], np.degrees(table[:, 3]) - START_DEG, spans)


def random_plant(seed: int) -> tuple[MotorCard, LensCard]:
    rng = random.Random(seed)
    motor = load_motor(rng.choice(("small", "medium", "strong")))
    rotor = motor.rotor_coulomb_mnm * rng.uniform(0.6, 1.4)
    motor = vary(motor, {
        "rotor_inertia_gcm2": motor.rotor_inertia_gcm2 * rng.uniform(0.7, 1.4),
        "rotor_viscous_mnm_per_krpm": motor.rotor_viscous_mnm_per_krpm * rng.uniform(0.7, 1.4),
        "rotor_coulomb_mnm": rotor, "rotor_breakaway_mnm": rotor * rng.uniform(1.1, 1.5),
        "gearhead_backlash_deg": rng.uniform(0.1, 1.0), "gearhead_efficiency": rng.uniform(0.7, 0.95),
    })  # fmt: skip
    ring = rng.uniform(25.0, 100.0)
    lens = vary(load_lens(rng.choice(("focus-long", "zoom", "iris", "focus-short"))), {
        "coulomb_mnm": ring, "breakaway_mnm": ring * rng.uniform(1.1, 1.5),
        "viscous_mnm_s_per_rad": rng.uniform(3.0, 30.0), "ring_inertia_gcm2": rng.uniform(1000.0, 6000.0),
        "stribeck_deg_per_s": rng.uniform(5.0, 12.0), "mesh_backlash_deg": rng.uniform(0.05, 0.6),
        "travel_min_deg": 0.0, "travel_max_deg": 120.0, "stop_min_deg": -2.0, "stop_max_deg": 122.0,
        "torque_over_travel": tuple(rng.uniform(0.85, 1.25) for _ in range(5)),
    })  # fmt: skip
    return motor, lens


def mean_factor(lens: LensCard) -> float:
    place = np.linspace(LOW_DEG, HIGH_DEG, 500) / 120.0 * (len(lens.torque_over_travel) - 1)
    return float(np.interp(place, range(len(lens.torque_over_travel)), lens.torque_over_travel).mean())


@functools.cache
def friction_run(seed: int) -> tuple[MotorCard, LensCard, list[friction.Pass]]:
    motor, lens = random_plant(seed)
    run = drive(motor, lens, FRICTION_MOVES, seed)
    scale = 1e-3 * default_settings(motor, lens).torque_mnm_per_a * lens.ring_teeth / motor.gear_teeth
    time = np.arange(len(run.position_deg)) / 1e3
    passes = [friction.Pass(time[a:b], run.position_deg[a:b], scale * run.current_a[a:b]) for a, b in run.spans]
    return motor, lens, passes


@pytest.mark.parametrize("seed", range(PLANTS))
def test_friction_and_inertia_of_a_random_plant(seed: int) -> None:
    motor, lens, passes = friction_run(seed)
    found = friction.identify(passes, LOW_DEG - START_DEG, HIGH_DEG - START_DEG)
    p, eta, factor = plant_setup.plant_parameters(motor, lens), motor.gearhead_efficiency, mean_factor(lens)
    # Driving forward the mesh gets eta of what the rotor gives (hwsim/MODEL.md), so the rotor's share counts eta fold.
    truth = {
        "coulomb": eta * p[plant.P_FC1] + factor * p[plant.P_FC2],
        "viscous": eta * p[plant.P_C1] + p[plant.P_C2],
        "inertia": eta * p[plant.P_J1] + p[plant.P_J2],
    }
    assert abs(found.coulomb_nm - truth["coulomb"]) <= found.coulomb_u
    assert abs(found.viscous_nm_s - truth["viscous"]) <= found.viscous_u
    assert abs(found.inertia_kg_m2 - truth["inertia"]) <= found.inertia_u
    # An uncertainty that covers everything would prove nothing.
    assert found.coulomb_u < 0.15 * truth["coulomb"]
    assert found.inertia_u < 0.25 * truth["inertia"]


@pytest.mark.parametrize("seed", range(PLANTS))
def test_breakaway_of_a_random_plant(seed: int) -> None:
    from ringlet.tools.bench.loading import BREAKAWAY_SHARE

    motor, lens, passes = friction_run(seed)
    p = plant_setup.plant_parameters(motor, lens)
    place = 65.0 / 120.0 * (len(lens.torque_over_travel) - 1)
    factor = float(np.interp(place, range(len(lens.torque_over_travel)), lens.torque_over_travel))
    truth = motor.gearhead_efficiency * p[plant.P_FS1] + factor * p[plant.P_FS2]
    found = friction.breakaway(passes[-1])
    assert abs(found - truth) <= BREAKAWAY_SHARE * found


@pytest.mark.parametrize("seed", range(PLANTS))
def test_play_of_a_random_plant(seed: int) -> None:
    motor, lens = random_plant(seed)
    run = drive(motor, lens, ((30.0, 120.0), (60.0, 120.0), (30.0, 120.0)), seed, 150)
    at = [end - 1 for _, end in run.spans]
    behind = run.ring_deg - run.position_deg
    count_deg = 360.0 / default_settings(motor, lens).encoder_counts * motor.gear_teeth / lens.ring_teeth
    found, uncertain = repeat.play(behind[at[:1]], behind[at[2:]], count_deg)
    assert abs(found - plant_setup.lost_motion_deg(motor, lens)) <= uncertain
    assert uncertain < 0.09


@pytest.mark.parametrize("seed", range(PLANTS))
def test_peaks_of_random_ramps_never_pass_the_true_ones(seed: int) -> None:
    rng = random.Random(seed)
    limits = ramp.MotionLimits(
        rng.uniform(30, 400), rng.uniform(300, 4000), rng.uniform(300, 4000), rng.uniform(5e3, 8e4)
    )
    path = Ramp(RampLimits(*(1e3 * limit for limit in limits)))
    distance = rng.uniform(5.0, 150.0)
    path.move(1e3 * distance)
    rows = [(0.0, 0.0, 0.0)] * 50
    while not path.at_rest:
        path.tick()
        rows.append((path.position, path.velocity, path.acceleration))
    rows += [rows[-1]] * 50
    position, velocity, acceleration = (np.array(column) / 1e3 for column in zip(*rows, strict=True))
    found = ramp.peaks(np.arange(len(rows)) / 1e3, np.round(position, 3), limits, 0.001)
    truth = {
        "velocity": velocity.max(), "acceleration": acceleration.max(), "deceleration": -acceleration.min(),
        "jerk": limits.jerk,
    }  # fmt: skip
    for name, peak in found.items():
        assert peak.value <= truth[name] + peak.bound, name
    assert found["velocity"].value >= truth["velocity"] - found["velocity"].bound - 0.05 * truth["velocity"]
    # A ramp 10 per cent too fast must show as such: the same record against limits that are lower.
    assert found["velocity"].value - found["velocity"].bound > truth["velocity"] / 1.1


@pytest.mark.parametrize("seed", range(PLANTS))
def test_latency_and_offset_that_were_put_in(seed: int) -> None:
    rng = np.random.default_rng(seed)
    offset, drift, base = rng.uniform(-1e3, 1e3), rng.uniform(-100, 100) * 1e-6, rng.uniform(0.5e-3, 5e-3)
    sent = np.cumsum(rng.uniform(0.02, 0.05, 60))
    way, back = base + rng.exponential(2e-3, 60), base + rng.exponential(2e-3, 60)
    node = np.floor((sent + way) * (1 + drift) * 1e3 + offset * 1e3) / 1e3
    fit = latency.clock_fit(sent, sent + way + back, node)
    assert abs(fit.offset_s - (offset + drift * fit.at_s)) <= fit.offset_u_s
    best = int(np.argmin(way + back))
    # Only unequal ways and the grain of the node's clock can hurt the estimate.
    assert abs(fit.offset_s - (offset + drift * fit.at_s)) <= 0.5 * abs(way[best] - back[best]) + 1.01e-3
    assert abs(fit.drift_ppm - 1e6 * drift) <= fit.drift_u_ppm
    assert fit.offset_u_s < 0.01
    delay = rng.uniform(0.002, 0.05)
    time = np.arange(2000) / 1e3
    moved = np.where(time >= 0.5 + delay, np.round(30.0 * (time - 0.5 - delay), 3), 0.0)
    assert abs(latency.first_motion(time, moved, 0.5, 0.0005) - delay) <= 0.002


@pytest.mark.parametrize("seed", range(PLANTS))
def test_frequency_response_and_step_of_a_random_loop(seed: int) -> None:
    from scipy.signal import chirp, cont2discrete, dlsim

    rng = random.Random(seed)
    w, zeta = 2 * math.pi * rng.uniform(2.0, 8.0), rng.uniform(0.4, 1.0)
    b, a, dt = cont2discrete(([w * w], [1.0, 2 * zeta * w, w * w]), 1e-3, method="foh")
    time = np.arange(10000) / 1e3
    wave = chirp(time, 0.5, 10.0, 20.0, method="logarithmic")
    _, out = dlsim((b.ravel(), a, dt), wave)
    found = response.bode(time, np.round(wave, 3), np.round(out.ravel(), 3), 0.5, 20.0)
    # |H| = 1/sqrt(2) of the second-order loop, solved by hand for w.
    half = 1 - 2 * zeta**2
    truth = w / (2 * math.pi) * math.sqrt(half + math.sqrt(half**2 + 10**0.3 - 1))
    assert abs(found.bandwidth_hz - truth) <= found.bandwidth_u_hz
    _, out = dlsim((b.ravel(), a, dt), np.ones(3000))
    step = response.step_figures(time[:3000], out.ravel(), 0.0, 1.0)
    overshoot = math.exp(-math.pi * zeta / math.sqrt(1 - zeta**2)) if zeta < 1 else 0.0
    assert step.overshoot == pytest.approx(overshoot, abs=1e-3)


@pytest.mark.parametrize("seed", range(PLANTS))
def test_latency_and_offset_of_a_random_rig_over_the_link(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole measurement, shortened, on a random motor and lens: each way takes its own time, and the node's clock
    is off by some amount."""
    rng = random.Random(seed)
    there, back, offset_us = rng.randint(0, 4), rng.randint(0, 3), rng.randrange(10**9)
    cards = random_plant(seed)
    for module in (simrig, rigfile):
        monkeypatch.setattr(module, "axis_cards", lambda _: cards)
    for name, value in (("POLLS", 20), ("CLOCKS", 8), ("STEPS", 3)):
        monkeypatch.setattr(timing, name, value)
    sent: list[tuple[int, int, bytes]] = []
    said: list[tuple[int, tuple[int, bytes]]] = []
    step = SimTransport.step

    def send(self: SimTransport, ident: int, data: bytes) -> None:
        sent.append((self.rig.now_us + 1000 * there, ident, data))

    def slow(self: SimTransport) -> None:
        for one in [one for one in sent if one[0] <= self.rig.now_us]:
            sent.remove(one)
            self.rig.send(*one[1:])
        step(self)
        said.extend((self.rig.now_us + 1000 * back, one) for one in self._inbox)
        self._inbox.clear()
        while said and said[0][0] <= self.rig.now_us:
            self._inbox.append(said.pop(0)[1])

    monkeypatch.setattr(SimTransport, "send", send)
    monkeypatch.setattr(SimTransport, "step", slow)
    rig = tmp_path / "rig.toml"
    rig.write_text(
        'name = "one"\n[[nodes]]\nunique_id = 7\naddress = 16\n[[nodes.axes]]\nmotor = "small"\nlens = "iris"\n'
    )
    with Link.open(f"sim:{rig}") as link:
        handle = link.axis(16, 0)
        handle.set("travel-min", -10.0)
        handle.set("travel-max", 10.0)
        assert link.rig is not None
        link.rig.nodes[0].clock_offset = offset_us
        with on_bench(link, handle) as bench:
            found = timing.measure_latency(bench)
    truths = {
        # A message is heard in the millisecond after it is sent, and answered in that one.
        "request to reply, 50 per cent": (there + back + 1) / 1e3,
        "clock offset, node less tool": offset_us / 1e6,
        "setpoint to ramp, median": (there + 2) / 1e3,
    }
    for name, truth in truths.items():
        quantity = found.quantity(name)
        assert quantity.uncertainty is not None
        assert abs(quantity.value - truth) <= quantity.uncertainty + 1e-9, name
        assert quantity.uncertainty < 0.008
