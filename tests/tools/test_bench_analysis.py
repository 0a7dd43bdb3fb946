"""The pure parts of the bench: filters and their bounds, decisions, and what they refuse."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from ringlet.tools.bench import derivative, friction, latency, ramp, repeat, response
from ringlet.tools.bench.result import Curve, Measurement, Plot, Quantity, at_least, at_most, finished


@pytest.mark.parametrize("order", [1, 2, 3])
@pytest.mark.parametrize("window", [5, 21, 63])
def test_filter_weights_are_a_mean(order: int, window: int) -> None:
    made = derivative.make_filter(order, window, 1000.0)
    assert made.kernel.sum() == pytest.approx(1.0)
    assert made.kernel.min() >= -1e-9
    time = np.arange(200) / 1e3
    exact = made(time**order)
    assert exact[100] == pytest.approx(math.factorial(order), rel=1e-6)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_quantisation_never_adds_more_than_the_bound(order: int) -> None:
    made = derivative.make_filter(order, 31, 1000.0)
    rng = np.random.default_rng(order)
    worst = max(
        float(np.nanmax(np.abs(made(np.round(wave, 3)) - made(wave)))) for wave in rng.normal(0, 5, size=(20, 500))
    )
    assert 0 < worst <= made.error_bound(0.001)
    # The bound is reached by the positions that are rounded as badly as can be.
    bad = 0.0005 * np.sign(made.coefficients)
    assert made(bad)[15] == pytest.approx(made.error_bound(0.001))


def test_bandwidth_is_where_a_sine_is_down_by_three_decibels() -> None:
    made = derivative.make_filter(2, 41, 1000.0)
    w = 2 * np.pi * made.bandwidth_hz
    time = np.arange(4000) / 1e3
    shown = made(np.sin(w * time))
    assert float(np.nanmax(np.abs(shown))) / w**2 == pytest.approx(0.5**0.5, rel=0.01)


def test_filter_for_takes_the_shortest_window_within_the_share() -> None:
    made = derivative.filter_for(2, 1000.0, 0.001, 1500.0)
    assert made.error_bound(0.001) <= 0.02 * 1500.0
    shorter = derivative.make_filter(2, len(made.coefficients) - 2, 1000.0)
    assert shorter.error_bound(0.001) > 0.02 * 1500.0


def test_filters_refuse_windows_that_do_not_fit() -> None:
    for order, window in ((2, 4), (3, 3), (0, 5)):
        with pytest.raises(ValueError, match="does not give"):
            derivative.make_filter(order, window, 1000.0)


def test_lost_rows_are_filled_and_short_records_refused() -> None:
    time = np.delete(np.arange(100) / 1e3, [20, 21, 50])
    rate, even, (value,) = derivative.even_grid(time, 2.0 * time)
    assert rate == pytest.approx(1000.0)
    assert len(even) == 100
    assert value == pytest.approx(2.0 * even)
    with pytest.raises(ValueError, match="8 samples"):
        derivative.even_grid(time[:5], time[:5])


@pytest.mark.parametrize(
    ("measured", "ok", "word"),
    [(9.0, True, "kept"), (9.9, True, "closer"), (10.1, True, "not proven"), (10.3, False, "more than")],
)
def test_decisions_give_the_doubt_to_the_device(measured: float, ok: bool, word: str) -> None:
    verdict = at_most("x", measured, 10.0, "deg", 0.2)
    assert verdict.ok is ok
    assert word in verdict.text
    assert at_least("x", 20.0 - measured, 10.0, "deg", 0.2).ok is ok


def test_what_could_not_be_measured_does_not_pass() -> None:
    assert not at_most("x", math.nan, 1.0, "s").ok
    assert not finished("x", "it stopped").ok
    assert finished("x", None).ok


def test_results_become_plain_json() -> None:
    curve = Curve("a", np.array([0.0, 1.0]), np.array([math.nan, 2.0]))
    made = Measurement(
        "x", "X", (Quantity("q", math.inf, "s", None, "m", "s"),), (at_most("v", 1.0, 2.0, "s"),),
        {"r": {"time_s": np.array([0.0, 1.0])}}, (Plot("p", "x", "y", (curve,)),),
    )  # fmt: skip
    data = json.loads(json.dumps(made.to_json(), allow_nan=False))
    assert data["ok"] is True
    assert data["quantities"][0]["value"] is None
    assert data["plots"][0]["curves"][0]["y"] == [None, 2.0]
    assert "records" not in made.to_json(records=False)
    with pytest.raises(KeyError):
        made.quantity("none")


def test_a_ramp_past_its_jerk_limit_is_seen() -> None:
    limits = ramp.MotionLimits(240.0, 1500.0, 1500.0, 30000.0)
    time = np.arange(600) / 1e3
    # Constant acceleration from rest and back, no jerk limit at all.
    position = np.interp(time, [0, 0.1], [0, 0]) + np.where(
        time < 0.3, 0.5 * 1000 * np.maximum(0, time - 0.1) ** 2,
        np.where(time < 0.5, 40 - 0.5 * 1000 * (0.5 - np.minimum(time, 0.5)) ** 2, 40.0),
    )  # fmt: skip
    found = ramp.peaks(time, np.round(position, 3), limits, 0.001)
    assert found["acceleration"].value == pytest.approx(1000.0, rel=0.05)
    assert found["velocity"].value == pytest.approx(200.0, rel=0.02)
    assert found["jerk"].value - found["jerk"].bound > 30000.0 * 0.5


def test_ideal_duration_by_the_closed_form() -> None:
    # With jerk so high that it does not count, 100 degrees at 200 deg/s and 1000 deg/s2 take 100/200 + 200/1000 s.
    limits = ramp.MotionLimits(200.0, 1000.0, 1000.0, 2e9)
    assert ramp.ideal_duration(100.0, limits) == pytest.approx(0.7, abs=0.002)


def test_targets_lie_inside_and_are_uneven() -> None:
    for travel in (75.0, 130.0, 300.0):
        places = repeat.targets(0.0, travel, repeat.target_count(travel))
        assert places.min() > 0
        assert places.max() < travel
        assert np.all(np.diff(places) > 0)
        assert len(set(np.round(np.diff(places), 6))) > 1


def test_step_figures_of_a_straight_ramp() -> None:
    time = np.arange(1001) / 1e3
    found = response.step_figures(time, np.minimum(time / 0.5, 1.0) * 4.0 + 1.0, 1.0, 5.0)
    assert found.rise_s == pytest.approx(0.4)
    assert found.settling_s == pytest.approx(0.49, abs=0.002)
    assert found.overshoot == 0.0
    never = response.step_figures(time, 0.5 * time, 0.0, 1.0)
    assert math.isnan(never.rise_s)
    assert math.isnan(never.settling_s)


def test_steady_part_of_a_move() -> None:
    time = np.arange(3000) / 1e3
    setpoint = np.clip(time - 0.5, 0.0, 2.0) * 50.0
    part = response.steady_part(time, setpoint)
    assert time[part][0] == pytest.approx(0.6, abs=0.005)
    assert time[part][-1] == pytest.approx(2.5, abs=0.005)
    with pytest.raises(ValueError, match="constant velocity"):
        response.steady_part(time, np.zeros(3000))


def test_torque_scale_from_the_load() -> None:
    current = np.linspace(-0.5, 0.5, 400)
    load = np.round(100 * np.abs(current) * 0.2 / 0.15)
    scale, share = friction.torque_scale(current, load, np.full(400, 0.15))
    assert abs(scale - 0.2) <= 3 * share * scale
    assert share < 0.01
    with pytest.raises(ValueError, match="too small"):
        friction.torque_scale(current, 0 * load, np.full(400, 0.15))


def test_too_little_is_refused() -> None:
    with pytest.raises(ValueError, match="four passes"):
        friction.identify([], 0.0, 1.0)
    with pytest.raises(ValueError, match="two runs"):
        repeat.positioning(np.zeros((3, 1)), np.zeros((3, 1)))
    with pytest.raises(ValueError, match="four answers"):
        latency.clock_fit(np.zeros(3), np.ones(3), np.ones(3))
    with pytest.raises(ValueError, match="no values"):
        latency.percentiles(np.zeros(0))
    with pytest.raises(ValueError, match="three times"):
        latency.jitter(np.zeros(2), 0.1)
    time = np.arange(20) / 1e3
    with pytest.raises(ValueError, match="did not move"):
        ramp.move_figures(time, 0 * time, 0 * time, ramp.MotionLimits(1, 1, 1, 1), 0.01, 0.1)


def test_jitter_of_known_intervals() -> None:
    rms, worst = latency.jitter(np.array([0.0, 0.010, 0.022, 0.030]), 0.010)
    assert rms == pytest.approx(math.sqrt((0.0 + 4e-6 + 4e-6) / 3))
    assert worst == pytest.approx(0.002)
