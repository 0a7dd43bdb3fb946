"""Ramps: derivatives against a known motion, and a picture that holds its limits."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from ringlet.tools.plots import SERIES, SMOOTH_S, Limits, Profile, plot_ramp, profile
from ringlet.tools.sweep_plot import plot_sweep

LIMITS = Limits(0.0, 300.0, 240.0, 1500.0, 1200.0)


def parabola(rate: float = 250.0, acceleration: float = 400.0) -> Profile:
    """Motion with constant acceleration, rounded to counts as the wire does."""
    time = np.arange(0.0, 0.5, 1 / rate)
    position = np.round(20 + 0.5 * acceleration * time**2, 3)
    return profile(time, position, position, np.round(acceleration * time, 3), np.zeros_like(time))


@pytest.mark.parametrize("rate", [100.0, 250.0, 1000.0])
def test_derivatives_of_a_known_motion(rate: float) -> None:
    """Newton: s = a t^2 / 2. Errors stay within what the rounding to counts can make."""
    data = parabola(rate)
    assert np.max(np.abs(data.setpoint_velocity_deg_s - 400 * data.time_s)) <= data.velocity_doubt_deg_s + 1e-6
    assert np.max(np.abs(data.setpoint_acceleration_deg_s2 - 400)) <= data.acceleration_doubt_deg_s2 + 1e-6
    assert np.max(np.abs(data.acceleration_deg_s2 - 400)) < 5.0
    assert 0 < data.velocity_doubt_deg_s < data.acceleration_doubt_deg_s2


def test_the_doubt_is_a_true_bound() -> None:
    """Positions that are off by half a count in the worst pattern reach the stated doubt and never pass it."""
    from scipy.signal import savgol_coeffs

    step = 1 / 250
    span = 2 * round(0.5 * SMOOTH_S / step) + 1
    time = np.arange(0, 60) * step
    signs = np.sign(savgol_coeffs(span, 2, deriv=2, delta=step, use="dot"))
    position = np.zeros(60)
    position[30 - span // 2 : 30 + span // 2 + 1] = 0.5e-3 * signs
    data = profile(time, position, position, np.zeros(60), np.zeros(60))
    assert data.setpoint_acceleration_deg_s2[30] == pytest.approx(data.acceleration_doubt_deg_s2)


def test_uneven_times_are_put_on_an_even_grid() -> None:
    rng = np.random.default_rng(1)
    time = np.sort(rng.uniform(0, 1, 400))
    data = profile(time, 50 * time, 50 * time, np.full(400, 50.0), np.zeros(400))
    assert np.allclose(np.diff(data.time_s), data.time_s[1])
    assert data.time_s[0] == 0.0
    assert np.allclose(data.position_deg, 50 * (data.time_s + time[0]), atol=1e-9)


def test_too_little_to_draw_is_refused() -> None:
    few = np.arange(5.0)
    with pytest.raises(ValueError, match="at least 8 samples"):
        profile(few, few, few, few, few)
    still = np.zeros(20)
    with pytest.raises(ValueError, match="rising time"):
        profile(still, still, still, still, still)


def test_the_picture_holds_measurement_limits_and_units(tmp_path: Path) -> None:
    path = tmp_path / "ramp.svg"
    plot_ramp(parabola(), LIMITS, path, "A title")
    import matplotlib

    with matplotlib.rc_context({"svg.fonttype": "none"}):
        plot_ramp(parabola(), LIMITS, path, "A title")
    text = path.read_text()
    for word in (
        "A title", "position (deg)", "velocity (deg/s)", "acceleration (deg/s²)", "time (s)", "measured", "setpoint",
        "lower travel limit 0", "upper travel limit 300", "velocity limit 240", "velocity limit -240",
        "acceleration limit 1500", "deceleration limit -1200",
    ):  # fmt: skip
        assert word in text, word


def test_limits_swap_sides_for_a_move_back(tmp_path: Path) -> None:
    import matplotlib

    time = np.arange(0.0, 0.5, 0.004)
    back = profile(time, 200 - 50 * time, 200 - 50 * time, np.full_like(time, -50.0), np.zeros_like(time))
    with matplotlib.rc_context({"svg.fonttype": "none"}):
        plot_ramp(back, LIMITS, tmp_path / "ramp.svg", "")
    text = (tmp_path / "ramp.svg").read_text()
    assert "acceleration limit -1500" in text
    assert "deceleration limit 1200" in text


def test_a_png_is_a_png(tmp_path: Path) -> None:
    plot_ramp(parabola(), LIMITS, tmp_path / "ramp.png", "A title")
    assert (tmp_path / "ramp.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert {len(getattr(parabola(), name)) for name in SERIES} == {125}


@pytest.mark.parametrize("further", [{}, {"lens.coulomb_mnm": [1.0, 2.0, 1.0, 2.0]}])
def test_rows_of_a_sweep_that_never_settled_are_drawn(further: dict[str, list[float]], tmp_path: Path) -> None:
    """Left out, the weakest motors would look as if nobody had tried them."""
    columns = {"motor.peak_current_a": [0.1, 0.1, 0.5, 0.5], "settle_s": [math.nan, 1.5, 0.5, 0.6]} | further
    picture = tmp_path / "sweep.svg"
    plot_sweep({name: np.array(column) for name, column in columns.items()}, picture, ["settle_s"])
    assert "never settled" in picture.read_text("utf-8")
    columns["settle_s"][0] = 1.6
    plot_sweep({name: np.array(column) for name, column in columns.items()}, picture, ["settle_s"])
    assert "never settled" not in picture.read_text("utf-8")
