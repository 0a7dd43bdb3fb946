"""Step figures, following error and frequency response of the ring. Pure: arrays in, figures out.

Step terms follow IEEE Std 181 ("Transitions, pulses, and related waveforms"; from memory): transition duration from 10
to 90 per cent between the two states, overshoot as a share of their difference, settling duration until the waveform
stays inside a band about the second state. The standard counts the settling duration from the half-way instant; here
it counts from the beginning of the record, which is the setpoint's first motion, as control engineers do.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.signal import coherence, csd, welch

from ringlet.tools.bench.derivative import even_grid
from ringlet.tools.bench.result import Array


class StepFigures(NamedTuple):
    """Times in s, overshoot as a share of the step. NaN where the record does not get there."""

    rise_s: float
    overshoot: float
    settling_s: float
    final: float


class Bode(NamedTuple):
    """Response of the ring to its setpoint; arrays of one length. Only where the coherence is good."""

    frequency_hz: Array
    magnitude_db: Array
    phase_deg: Array
    coherence: Array
    bandwidth_hz: float
    """first crossing of -3 dB; NaN when the record does not reach it"""
    bandwidth_u_hz: float


def _crossing(time_s: Array, level: Array, share: float) -> float:
    above = np.nonzero(level >= share)[0]
    if not len(above):
        return float("nan")
    n = int(above[0])
    if n == 0:
        return float(time_s[0])
    part = (share - level[n - 1]) / (level[n] - level[n - 1])
    return float(time_s[n - 1] + part * (time_s[n] - time_s[n - 1]))


def step_figures(time_s: Array, value: Array, first: float, last: float, band: float = 0.02) -> StepFigures:
    """Figures of a step from state `first` to state `last`, the record beginning with the step.

    `band` is the settling band to each side, as a share of the step. Raises ValueError when the states are equal.
    """
    if first == last:
        raise ValueError("a step needs two different states")
    level = (value - first) / (last - first)
    rise = _crossing(time_s, level, 0.9) - _crossing(time_s, level, 0.1)
    outside = np.nonzero(np.abs(level - 1.0) > band)[0]
    if not len(outside):
        settling = 0.0
    elif outside[-1] == len(level) - 1:
        settling = float("nan")
    else:
        settling = float(time_s[outside[-1] + 1] - time_s[0])
    return StepFigures(rise, max(0.0, float(level.max()) - 1.0), settling, float(value[-1]))


def steady_part(time_s: Array, setpoint_deg: Array, settle_s: float = 0.1) -> slice:
    """The longest stretch of constant setpoint velocity, less `settle_s` at its beginning. Raises ValueError."""
    speed = np.gradient(setpoint_deg, time_s)
    top = float(np.median(speed[np.abs(speed) > 0.9 * np.max(np.abs(speed))])) if np.any(speed) else 0.0
    inside = np.concatenate(([False], np.abs(speed - top) < 0.02 * abs(top), [False]))
    edges = np.nonzero(np.diff(inside.astype(int)))[0]
    if top == 0.0 or not len(edges):
        raise ValueError("no part of the record has a constant velocity")
    length = edges[1::2] - edges[::2]
    longest = int(np.argmax(length))
    begin, end = int(edges[2 * longest]), int(edges[2 * longest + 1])
    begin = int(np.searchsorted(time_s, time_s[begin] + settle_s))
    if end - begin < 5:
        raise ValueError("the part of constant velocity is too short")
    return slice(begin, end)


def sine_fit(time_s: Array, value: Array, frequency_hz: float) -> tuple[float, float, float]:
    """(amplitude, phase in rad, mean): least squares for a known frequency (three-parameter fit of IEEE Std 1057)."""
    angle = 2 * np.pi * frequency_hz * time_s
    matrix = np.column_stack((np.cos(angle), np.sin(angle), np.ones_like(angle)))
    a, b, mean = np.linalg.lstsq(matrix, value, rcond=None)[0]
    return float(np.hypot(a, b)), float(np.arctan2(-b, a)), float(mean)


def bode(
    time_s: Array, setpoint_deg: Array, position_deg: Array, low_hz: float, high_hz: float, least_coherence: float = 0.9
) -> Bode:
    """Frequency response from a record with a chirp from `low_hz` to `high_hz`.

    H1 = Sxy / Sxx from averaged periodograms (P. Welch, IEEE Trans. Audio Electroacoustics 15, 1967; see
    scipy.signal.welch), Hann windows of a quarter of the record at the most. The uncertainty of the bandwidth is one
    and a half lines of the spectrum: the Hann window's half width. Raises ValueError for a record that is too short.
    """
    rate, _, (setpoint, position) = even_grid(time_s, setpoint_deg, position_deg)
    length = min(len(setpoint) // 4, round(4.0 * rate))
    if length < 64:
        raise ValueError("the record is too short for a frequency response")
    about = {"fs": rate, "nperseg": length, "noverlap": length // 2, "detrend": "linear"}
    frequency, cross = csd(setpoint, position, **about)
    _, power = welch(setpoint, **about)
    _, trust = coherence(setpoint, position, **about)
    use = (frequency >= low_hz) & (frequency <= high_hz) & (trust >= least_coherence)
    frequency, trust = frequency[use], trust[use]
    response = cross[use] / power[use]
    level = 20.0 * np.log10(np.maximum(np.abs(response), 1e-9))
    below = np.nonzero(level < -3.0)[0]
    bandwidth = float("nan")
    if len(below) and below[0] > 0:
        n = int(below[0])
        part = (level[n - 1] + 3.0) / (level[n - 1] - level[n])
        bandwidth = float(frequency[n - 1] + part * (frequency[n] - frequency[n - 1]))
    phase = np.degrees(np.unwrap(np.angle(response)))
    return Bode(frequency, level, phase, trust, bandwidth, 1.5 * rate / length)
