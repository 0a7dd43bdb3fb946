"""The plant against outside sources: textbook transfer functions through scipy.signal and python-control, hand
formulas, matrix exponentials, and standards.

Sources: the DC motor and two-mass equations as in any servo textbook (for example G. Ellis, "Control System Design
Guide", chapters on motors and on compliance and resonance, from memory); IEC 60028 for copper; DIN 780 part 1 for gear
modules (first series, from memory).
"""

from __future__ import annotations

import math
from typing import Any

import control
import numpy as np
import pytest
import scipy.integrate
import scipy.linalg
import scipy.signal

from ringlet.hwsim import figures, plant, plant_setup
from ringlet.hwsim.cardfile import LensCard, MotorCard, load_lens, load_motor, shipped_lenses, shipped_motors, vary

KRPM = 1000.0 * math.tau / 60.0


def linear(motor: str, lens: str, **lens_changes: float) -> tuple[MotorCard, LensCard]:
    """A shipped pair with what is not linear taken away: Coulomb friction, play, stops, load loss, a warm winding."""
    m = vary(
        load_motor(motor),
        {
            "rotor_coulomb_mnm": 0,
            "rotor_breakaway_mnm": 0,
            "gearhead_efficiency": 1,
            "gearhead_backlash_deg": 0,
            "winding_heat_capacity_j_per_k": 1e9,
        },
    )
    ring = vary(load_lens(lens), {"coulomb_mnm": 0, "breakaway_mnm": 0, "mesh_backlash_deg": 0, **lens_changes})
    return m, ring.model_copy(update={"stop_min_deg": None, "stop_max_deg": None})


def textbook(m: MotorCard, ring: LensCard) -> tuple[np.ndarray, np.ndarray]:
    """State matrix and input of [i, w_rotor, play, w_ring] for a voltage, written from the cards, not from the plant:
    L di/dt = v - R i - kt w_r;  J_r dw_r/dt = kt i - c_r w_r - T/n;  dx/dt = w_r/n - w_l;  J_l dw_l/dt = T - c_l w_l;
    T = k x + d dx/dt, everything on the rotor's own side of the gears (n rotor turns a ring turn)."""
    n = m.gearhead_ratio * ring.ring_teeth / m.gear_teeth
    jr, jl = m.rotor_inertia_gcm2 * 1e-7, ring.ring_inertia_gcm2 * 1e-7
    kt, r, ell = m.torque_constant_mnm_per_a * 1e-3, m.resistance_ohm, m.inductance_mh * 1e-3
    cr = m.rotor_viscous_mnm_per_krpm * 1e-3 / KRPM
    cl = ring.viscous_mnm_s_per_rad * 1e-3
    k = ring.mesh_stiffness_nm_per_rad
    # Mesh damping is a tenth of critical (MODEL.md, "Gear mesh").
    d = 2.0 * 0.1 * math.sqrt(k / (1.0 / (jr * n * n) + 1.0 / jl))
    a = np.array(
        [
            [-r / ell, -kt / ell, 0.0, 0.0],
            [kt / jr, -cr / jr - d / (n * n * jr), -k / (n * jr), d / (n * jr)],
            [0.0, 1.0 / n, 0.0, -1.0],
            [0.0, d / (n * jl), k / jl, -(cl + d) / jl],
        ]
    )
    return a, np.array([[1.0 / ell], [0.0], [0.0], [0.0]])


def stepped(m: MotorCard, ring: LensCard, volts: float, ticks: int) -> np.ndarray:
    """Columns current, rotor speed at the ring, ring speed, at the end of each tick of a voltage step."""
    p = plant_setup.plant_parameters(m, ring)
    s = plant_setup.plant_state(0.0, 20.0, 1.0)
    rows = []
    for _ in range(ticks):
        plant.plant_tick(p, s, plant.VOLTAGE, volts, volts)
        rows.append((s[plant.S_I], s[plant.S_W1], s[plant.S_W2]))
    return np.array(rows)


@pytest.mark.parametrize("motor", shipped_motors())
@pytest.mark.parametrize("lens", shipped_lenses())
def test_voltage_step_against_scipy_signal(motor: str, lens: str) -> None:
    """Forced response: within 2 % of the final value at every tick, 0.1 % after the transient."""
    m, ring = linear(motor, lens)
    a, b = textbook(m, ring)
    n = plant_setup.gear_ratio(m, ring)
    system = scipy.signal.StateSpace(a, b, np.array([[0.0, 1.0 / n, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]]), np.zeros((2, 1)))
    time = np.arange(0, 1201) * 1e-3
    _, want = scipy.signal.step(system, T=time)
    got = stepped(m, ring, 6.0, 1200)
    final = 6.0 * want[-1, 1]
    assert final > 0.5
    assert np.max(np.abs(got[:, 1] - 6.0 * want[1:, 0])) < 0.02 * final
    assert np.max(np.abs(got[:, 2] - 6.0 * want[1:, 1])) < 0.03 * final
    assert np.max(np.abs(got[-200:, 2] - 6.0 * want[-200:, 1])) < 0.001 * final


def test_transfer_function_against_control() -> None:
    """The speed of one rigid inertia over voltage, kt / ((L s + R)(J s + c) + kt^2), as a transfer function of the
    python-control library; the plant with a stiff mesh and a light ring answers a step the same way."""
    m, ring = linear("medium", "focus-long", mesh_stiffness_nm_per_rad=1e6, viscous_mnm_s_per_rad=0.0)
    n = plant_setup.gear_ratio(m, ring)
    j = m.rotor_inertia_gcm2 * 1e-7 + ring.ring_inertia_gcm2 * 1e-7 / n**2
    kt = m.torque_constant_mnm_per_a * 1e-3
    c = m.rotor_viscous_mnm_per_krpm * 1e-3 / KRPM
    s: Any = control.tf("s")
    speed = kt / ((m.inductance_mh * 1e-3 * s + m.resistance_ohm) * (j * s + c) + kt**2)
    response = control.step_response(speed, T=np.arange(0, 301) * 1e-3)
    want = 6.0 * np.asarray(response.outputs)[1:] / n
    got = stepped(m, ring, 6.0, 300)[:, 2]
    assert np.max(np.abs(got - want)) < 0.015 * want[-1]


def test_free_ringing_has_the_textbook_frequency_and_decay() -> None:
    """Free response: rotor and ring pulled apart and let go with the bridge open. Frequency within 2 %, decay from the
    eigenvalues of the textbook matrix within 25 % (the step damps a little on its own)."""
    m, ring = linear("medium", "focus-long", viscous_mnm_s_per_rad=0.0)
    m = vary(m, {"rotor_viscous_mnm_per_krpm": 0})
    a, _ = textbook(m, ring)
    poles = np.linalg.eigvals(a[1:, 1:])  # bridge open: no current
    pole = poles[np.argmax(poles.imag)]
    p = plant_setup.plant_parameters(m, ring)
    s = plant_setup.plant_state(0.0, 20.0, 1.0)
    s[plant.S_Q1] += 1e-3
    trace = []
    for _ in range(60):
        plant.plant_tick(p, s, plant.COAST, 0.0, 24.0)
        trace.append(s[plant.S_W1] - s[plant.S_W2])
    t = 1e-3 * np.arange(1, 61)

    def model(t: np.ndarray, size: float, decay: float, pulse: float, phase: float) -> np.ndarray:
        return np.asarray(size * np.exp(-decay * t) * np.cos(pulse * t + phase))

    from scipy.optimize import curve_fit

    start = (np.max(np.abs(trace)), -pole.real, pole.imag, math.pi / 2)
    (_, decay, pulse, _), _ = curve_fit(model, t, trace, p0=start)
    assert pulse == pytest.approx(pole.imag, rel=0.02)
    assert decay == pytest.approx(-pole.real, rel=0.25)


def test_steady_speed_and_stall_by_hand() -> None:
    """w = v kt / (R c + kt^2) and i = v / R for a linear motor; Coulomb friction costs R T / kt^2 of speed."""
    m, ring = linear("strong", "focus-short")
    n = plant_setup.gear_ratio(m, ring)
    kt = m.torque_constant_mnm_per_a * 1e-3
    c = m.rotor_viscous_mnm_per_krpm * 1e-3 / KRPM + ring.viscous_mnm_s_per_rad * 1e-3 / n**2
    got = stepped(m, ring, 12.0, 1500)[-1]
    assert got[2] * n == pytest.approx(12.0 * kt / (m.resistance_ohm * c + kt**2), rel=1e-4)
    sliding = vary(ring, {"coulomb_mnm": 40, "breakaway_mnm": 40})
    sliding = sliding.model_copy(update={"torque_over_travel": (1.0,)})
    slower = stepped(m, sliding, 12.0, 1500)[-1]
    want = (12.0 * kt - m.resistance_ohm * 0.040 / n) / (m.resistance_ohm * c + kt**2)
    assert slower[2] * n == pytest.approx(want, rel=1e-3)
    p = plant_setup.plant_parameters(m, ring)
    s = plant_setup.plant_state(0.0, 20.0, 1.0)
    s[plant.S_BLOCK] = 1e5
    for _ in range(2000):
        plant.plant_tick(p, s, plant.VOLTAGE, 2.0, 2.0)
    assert s[plant.S_I] == pytest.approx(2.0 / m.resistance_ohm, rel=1e-3)
    assert s[plant.S_TMESH] == pytest.approx(2.0 / m.resistance_ohm * kt * n, rel=2e-3)


def test_gearhead_efficiency_forward_is_the_cards() -> None:
    """At steady speed the mesh gets efficiency times (motor torque minus rotor friction)."""
    motor, lens = load_motor("medium"), load_lens("focus-short")
    lens = lens.model_copy(update={"torque_over_travel": (1.0,)})
    p = plant_setup.plant_parameters(motor, lens)
    s = plant_setup.plant_state(0.0, 20.0, 1.0)
    for _ in range(1500):
        plant.plant_tick(p, s, plant.VOLTAGE, 12.0, 24.0)
    n = plant_setup.gear_ratio(motor, lens)
    w = s[plant.S_W1]
    rotor = (motor.rotor_coulomb_mnm + motor.rotor_viscous_mnm_per_krpm * w * n / KRPM) * 1e-3
    shaft = (motor.torque_constant_mnm_per_a * 1e-3 * s[plant.S_I] - rotor) * n
    assert s[plant.S_TMESH] == pytest.approx(motor.gearhead_efficiency * shaft, rel=0.01)


@pytest.mark.parametrize("motor", shipped_motors())
def test_heating_against_the_matrix_exponential(motor: str) -> None:
    """Ten minutes of constant heat, one tick at a time, against scipy.linalg.expm of the two-body matrix."""
    m = load_motor(motor)
    g1, g2 = 1.0 / m.winding_to_case_k_per_w, 1.0 / m.case_to_ambient_k_per_w
    cw, cc = m.winding_heat_capacity_j_per_k, m.case_heat_capacity_j_per_k
    a = np.array([[-g1 / cw, g1 / cw, 1.0 / cw], [g1 / cc, -(g1 + g2) / cc, 0.0], [0.0, 0.0, 0.0]])
    heat = 4.0
    want = (scipy.linalg.expm(a * 600.0) @ np.array([0.0, 0.0, heat]))[:2]
    step, gain = plant_setup.thermal_step(m, plant.TICK_S)
    tick_a = np.array(step).reshape(2, 2)
    tick_b = np.array(gain).reshape(2, 2) @ np.array([heat, 0.0])
    rise = np.zeros(2)
    for _ in range(600_000):
        rise = tick_a @ rise + tick_b
    assert rise == pytest.approx(want, rel=1e-6)
    fast, slow = figures.thermal_time_constants_s(m)
    poles = np.sort(np.linalg.eigvals(a[:2, :2]).real)
    assert (fast, slow) == pytest.approx((-1.0 / poles[0], -1.0 / poles[1]), rel=1e-9)


def test_one_body_warms_by_the_exact_exponential() -> None:
    """With a case that cannot warm, the winding alone: 1 - exp(-t / (R C))."""
    m = vary(load_motor("small"), {"case_heat_capacity_j_per_k": 1e9})
    step, gain = plant_setup.thermal_step(m, 10.0)
    tau = m.winding_to_case_k_per_w * m.winding_heat_capacity_j_per_k
    assert gain[0] * 3.0 == pytest.approx(3.0 * m.winding_to_case_k_per_w * (1.0 - math.exp(-10.0 / tau)), rel=1e-6)
    assert step[0] == pytest.approx(math.exp(-10.0 / tau), rel=1e-6)


def test_copper_follows_iec_60028() -> None:
    """Resistance rises by 0.00393 per kelvin of its value at 20 degrees C: seen as current at a standing rotor."""
    m, ring = linear("medium", "iris")
    p = plant_setup.plant_parameters(m, ring)

    def current(celsius: float) -> float:
        s = plant_setup.plant_state(10.0, 20.0, 1.0)
        s[plant.S_BLOCK] = 1e6
        s[plant.S_TW] = s[plant.S_TC] = celsius
        for _ in range(3000):
            s[plant.S_TW] = celsius
            plant.plant_tick(p, s, plant.VOLTAGE, 1.0, 24.0)
        return s[plant.S_I]

    assert current(20.0) / current(100.0) == pytest.approx(1.0 + 0.00393 * 80.0, rel=2e-4)


def test_gear_modules_and_pitch_diameters() -> None:
    """DIN 780 part 1, first series (from memory) holds 0.8 mm; pitch diameter = module x teeth (ISO 54 starts at 1 mm
    and so cannot be the source for lens gears)."""
    assert 0.8 in figures.DIN_780_SERIES_1
    assert 0.77 not in figures.DIN_780_SERIES_1
    found = {f.name: f.value for f in figures.figures(load_motor("medium"), load_lens("focus-long"))}
    assert found["pitch diameter, motor gear"] == pytest.approx(0.8 * 40)
    assert found["pitch diameter, ring"] == pytest.approx(0.8 * 134)


def test_inertia_is_reflected_through_the_ratio_squared() -> None:
    """By energy, J_ring w_ring^2 = J w_rotor^2 for the same motion; by motion, acceleration under a known torque."""
    m, ring = linear("medium", "focus-long", viscous_mnm_s_per_rad=0.0)
    m = vary(m, {"rotor_viscous_mnm_per_krpm": 0})
    n = 14.0 * 134 / 40
    assert plant_setup.rotor_inertia_at_ring(m, ring) == pytest.approx(9.0e-7 * n * n)
    p = plant_setup.plant_parameters(m, ring)
    s = plant_setup.plant_state(0.0, 20.0, 1.0)
    for _ in range(50):
        plant.plant_tick(p, s, plant.CURRENT, 0.5, 1000.0)
    start = s[plant.S_W1] * p[plant.P_J1] + s[plant.S_W2] * p[plant.P_J2]
    for _ in range(100):
        plant.plant_tick(p, s, plant.CURRENT, 0.5, 1000.0)
    gained = s[plant.S_W1] * p[plant.P_J1] + s[plant.S_W2] * p[plant.P_J2] - start
    assert gained == pytest.approx(0.022 * n * 0.5 * 0.1, rel=1e-4)
    both = 9.0e-7 * n * n + 4200e-7
    assert s[plant.S_W2] == pytest.approx((start + gained) / both, rel=0.01)


def test_stribeck_curve_is_that_of_hess_and_soom() -> None:
    """Friction over steady speed F = Fc + (Fs - Fc) / (1 + (v/vs)^2) + c v (Hess and Soom, "Friction at a lubricated
    line contact operating at oscillating sliding velocities", J. Tribology 1990, from memory), read off as power."""
    # A heavy ring alone in a wide play keeps its speed while it is measured.
    lens = vary(load_lens("zoom"), {"ring_inertia_gcm2": 1e6, "mesh_backlash_deg": 10})
    lens = lens.model_copy(update={"torque_over_travel": (1.0,)})
    p = plant_setup.plant_parameters(load_motor("medium"), lens)
    for speed_deg in (3.0, 8.0, 16.0, 40.0, 200.0):
        s = plant_setup.plant_state(30.0, 20.0, 1.0)
        s[plant.S_W2] = s[plant.S_U2] = math.radians(speed_deg)
        s[plant.S_Z2] = 1.0  # the bristle is bent as far as it goes
        s[plant.S_M2] = 1.0
        plant.plant_tick(p, s, plant.COAST, 0.0, 24.0)
        energy, place = s[plant.S_ERING] + 0.5 * p[plant.P_SIGMA2] * s[plant.S_Z2] ** 2, s[plant.S_Q2]
        for _ in range(5):
            plant.plant_tick(p, s, plant.COAST, 0.0, 24.0)
        v = math.degrees((s[plant.S_Q2] - place) / 0.005)
        spent = s[plant.S_ERING] + 0.5 * p[plant.P_SIGMA2] * s[plant.S_Z2] ** 2 - energy
        torque = spent / (s[plant.S_Q2] - place)
        want = 0.110 + 0.035 / (1.0 + (v / 8.0) ** 2) + 0.030 * math.radians(v)
        assert v == pytest.approx(speed_deg, rel=0.1)
        assert torque == pytest.approx(want, rel=0.005)


def test_smaller_reference_steps_by_an_adaptive_solver_agree_with_the_whole_nonlinear_plant() -> None:
    """The full plant with friction and play against scipy's LSODA on the same physics written anew, with sliding
    friction smoothed; the ring's way after a driven reversal agrees within 1 % of the way."""
    motor, lens = load_motor("medium"), load_lens("zoom")
    lens = lens.model_copy(update={"torque_over_travel": (1.0,)})
    p = plant_setup.plant_parameters(motor, lens)
    s = plant_setup.plant_state(40.0, 20.0, 1.0)
    volts = [6.0] * 200 + [-6.0] * 200
    for v in volts:
        plant.plant_tick(p, s, plant.VOLTAGE, v, 24.0)

    n = plant_setup.gear_ratio(motor, lens)
    j1, j2 = motor.rotor_inertia_gcm2 * 1e-7 * n * n, lens.ring_inertia_gcm2 * 1e-7
    kt, half = motor.torque_constant_mnm_per_a * 1e-3 * n, 0.5 * math.radians(0.10 + 0.4 * 40 / 140)
    k = lens.mesh_stiffness_nm_per_rad
    d = 0.2 * math.sqrt(k * j1 * j2 / (j1 + j2))
    vs = math.radians(8.0)

    def rate(t: float, x: np.ndarray) -> list[float]:
        i, q1, w1, q2, w2 = x
        v = volts[min(int(t * 1e3), 399)]
        play = q1 - q2
        mesh = 0.0
        if abs(play) > half:
            mesh = k * (play - math.copysign(half, play)) + d * (w1 - w2)
            mesh = mesh if mesh * play > 0.0 else 0.0

        def dry(w: float, low: float, high: float) -> float:
            return math.tanh(w / 0.002) * (low + (high - low) / (1.0 + (w / vs) ** 2))

        f1 = dry(w1, 0.7e-3 * n, 1.0e-3 * n) + 0.08e-3 / KRPM * n * n * w1
        f1 += (1.0 / 0.78 - 1.0) * abs(mesh) * math.tanh(w1 / 0.002)
        f2 = dry(w2, 0.110, 0.145) + 0.030 * w2
        return [(v - 4.2 * i - kt * w1) / 0.5e-3, w1, (kt * i - f1 - mesh) / j1, w2, (mesh - f2) / j2]

    q = math.radians(40.0)
    solved = scipy.integrate.solve_ivp(
        rate, (0.0, 0.4), [0.0, q, 0.0, q, 0.0], method="LSODA", rtol=1e-7, atol=1e-9, max_step=5e-4,
        t_eval=[0.2, 0.4],
    )  # fmt: skip
    way = math.degrees(solved.y[3, 0]) - 40.0
    assert way > 20.0
    assert math.degrees(s[plant.S_Q2]) == pytest.approx(math.degrees(solved.y[3, 1]), abs=0.01 * way)
