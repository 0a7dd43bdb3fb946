"""Bench analyses against outside sources: worked examples by hand, control, scipy, numpy."""

from __future__ import annotations

import control
import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.signal import cont2discrete, dfreqresp, dlsim, savgol_filter

from ringlet.tools.bench import derivative, friction, latency, repeat, response


def test_iso_230_2_worked_by_hand() -> None:
    """ISO 230-2:2014 clause 3, formulas from memory; two targets, three runs, worked with pencil and paper.

    Target 1 up 1, 2, 3: mean 2, s = 1. Down 5, 5, 8: mean 6, s = sqrt((1 + 1 + 4) / 2) = sqrt 3.
    Target 2 up 0, 0, 3: mean 1, s = sqrt 3. Down 2, 3, 4: mean 3, s = 1.
    B1 = 2 - 6 = -4, B2 = 1 - 3 = -2. B = 4, mean reversal -3.
    R up = 4 sqrt 3, R down = 4 sqrt 3. R1 = 2 + 2 sqrt 3 + 4, R2 = 2 sqrt 3 + 2 + 2, so R = 6 + 2 sqrt 3.
    E = 6 - 1 = 5. M = (2 + 6) / 2 - (1 + 3) / 2 = 4 - 2 = 2.
    A = max(2 + 2, 1 + 2 sqrt 3, 6 + 2 sqrt 3, 3 + 2) - min(2 - 2, 1 - 2 sqrt 3, 6 - 2 sqrt 3, 3 - 2)
      = 6 + 2 sqrt 3 - 1 + 2 sqrt 3 = 5 + 4 sqrt 3.
    """
    up = np.array([[1.0, 2.0, 3.0], [0.0, 0.0, 3.0]])
    down = np.array([[5.0, 5.0, 8.0], [2.0, 3.0, 4.0]])
    found, root = repeat.positioning(up, down), 3.0**0.5
    assert found.reversal_at == pytest.approx([-4.0, -2.0])
    assert found.reversal == pytest.approx(4.0)
    assert found.mean_reversal == pytest.approx(-3.0)
    assert found.deviation_up == pytest.approx([1.0, root])
    assert found.repeatability_up == pytest.approx(4 * root)
    assert found.repeatability_down == pytest.approx(4 * root)
    assert found.repeatability == pytest.approx(6 + 2 * root)
    assert found.systematic == pytest.approx(5.0)
    assert found.mean_range == pytest.approx(2.0)
    assert found.accuracy == pytest.approx(5 + 4 * root)


@pytest.mark.parametrize(("frequency", "damping"), [(5.0, 0.3), (8.0, 0.7), (3.0, 0.9)])
def test_step_figures_against_control(frequency: float, damping: float) -> None:
    """control.step_info: rise from 10 to 90 per cent, settling to 2 per cent, overshoot in per cent."""
    w = 2 * np.pi * frequency
    time = np.arange(0.0, 4.0, 1e-3)
    _, out = control.step_response(control.tf([w * w], [1.0, 2 * damping * w, w * w]), T=time)
    theirs = control.step_info(out, T=time, yfinal=1.0)
    ours = response.step_figures(time, np.asarray(out), 0.0, 1.0)
    assert ours.rise_s == pytest.approx(theirs["RiseTime"], abs=1.1e-3)
    assert ours.settling_s == pytest.approx(theirs["SettlingTime"], abs=1.1e-3)
    assert 100 * ours.overshoot == pytest.approx(theirs["Overshoot"], abs=0.01)


def test_bode_against_the_exact_response_of_scipy() -> None:
    """scipy.signal.dfreqresp gives the discrete system's response without any estimate."""
    w, damping = 2 * np.pi * 6.0, 0.6
    b, a, dt = cont2discrete(([w * w], [1.0, 2 * damping * w, w * w]), 1e-3, method="zoh")
    wave = np.random.default_rng(5).normal(size=40000)
    _, out = dlsim((b.ravel(), a, dt), wave)
    found = response.bode(np.arange(40000) / 1e3, wave, out.ravel(), 0.5, 12.0)
    _, exact = dfreqresp((b.ravel(), a, dt), 2 * np.pi * found.frequency_hz * 1e-3)
    assert found.magnitude_db == pytest.approx(20 * np.log10(np.abs(exact)), abs=0.4)
    assert found.phase_deg == pytest.approx(np.degrees(np.unwrap(np.angle(exact))), abs=4.0)


def test_friction_fit_against_scipy_optimize() -> None:
    """scipy.optimize.least_squares on the same rows, all parameters at once, ws free too."""
    rng = np.random.default_rng(3)
    nodes = np.linspace(0.0, 100.0, friction.NODES)
    rows = []
    for n in range(8):
        side = 1.0 if n % 2 else -1.0
        place = np.linspace(0.0, 100.0, 300)
        speed = side * np.radians(np.abs(np.linspace(2.0, 30.0 + 20 * n, 300)))
        push = side * np.radians(np.linspace(0.0, 1500.0, 300)) * np.abs(np.sin(np.arange(300.0)))
        torque = side * (0.05 + 1e-4 * place) + side * 0.02 / (1 + (speed / np.radians(8.0)) ** 2)
        torque = torque + 0.012 * speed + 0.0015 * push + rng.normal(0.0, 5e-4, 300)
        rows.append(friction.Sample(place, speed, push, torque))
    ours, ws, left = friction.fit(rows, nodes)

    def off(parameters: np.ndarray) -> np.ndarray:
        matrix, torque = friction.design(rows, nodes, float(np.exp(parameters[0])))
        return np.asarray(torque - matrix @ parameters[1:])

    start = np.concatenate(([np.log(6.0)], np.full(friction.NODES, 0.1), [0.01, 0.0, 0.0]))
    theirs = least_squares(off, start, x_scale="jac", xtol=1e-12, ftol=1e-12)
    assert left == pytest.approx(float(np.sqrt(np.mean(theirs.fun**2))), rel=0.02)
    assert ours[-1] == pytest.approx(theirs.x[-1], rel=0.01)
    assert ours[-2] == pytest.approx(theirs.x[-2], rel=0.02)
    assert ours[: friction.NODES] == pytest.approx(theirs.x[1 : 1 + friction.NODES], rel=0.02)
    assert ws == pytest.approx(float(np.exp(theirs.x[0])), rel=0.25)


def test_percentiles_against_numpy() -> None:
    """numpy.percentile with its default method, which is definition 7 of Hyndman and Fan."""
    for count in (1, 2, 7, 200):
        values = np.random.default_rng(count).exponential(size=count)
        for share, found in latency.percentiles(values, (0.0, 12.5, 50.0, 90.0, 99.0, 100.0)).items():
            assert found == pytest.approx(float(np.percentile(values, share)), rel=1e-12)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_derivatives_against_scipy_savgol(order: int) -> None:
    """scipy.signal.savgol_filter with the same window and degree."""
    values = np.cumsum(np.random.default_rng(order).normal(size=400))
    found = derivative.make_filter(order, 31, 1000.0)(values)
    theirs = savgol_filter(values, 31, order, deriv=order, delta=1e-3)
    inside = np.isfinite(found)
    assert inside.sum() == 400 - 30
    assert found[inside] == pytest.approx(theirs[inside], rel=1e-9, abs=1e-6)


def test_sine_fit_against_the_fourier_sum() -> None:
    """Over whole periods the least-squares sine is the Fourier coefficient (numpy.fft)."""
    time = np.arange(2000) / 1e3
    value = 3.0 * np.cos(2 * np.pi * 5.0 * time + 0.7) + 1.5 + 0.2 * np.sin(2 * np.pi * 40 * time)
    amplitude, phase, mean = response.sine_fit(time, value, 5.0)
    line = np.fft.rfft(value)[10] / 1000
    assert amplitude == pytest.approx(abs(line))
    assert phase == pytest.approx(float(np.angle(line)))
    assert mean == pytest.approx(1.5)
