"""Velocity, acceleration and jerk from sampled positions, with bandwidth and a hard bound on the error.

The filter for the n-th derivative is a sliding least-squares fit of a polynomial of degree n (A. Savitzky and
M. Golay, Analytical Chemistry 36 (1964) 1627, doi 10.1021/ac60214a047). With this degree the result is a weighted mean
of the true n-th derivative over the window, and no weight is negative (the Peano kernel of the fit). So it can never
show more than the true peak, apart from what the quantisation of the positions adds, and that is bounded by half a step
times the sum of the absolute coefficients. A peak shorter than the window is shown too low.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from ringlet.tools.bench.result import Array


class Filter(NamedTuple):
    """A differentiating filter for one sample rate."""

    order: int
    """which derivative"""
    coefficients: Array
    """in the order of the samples, per s^order"""
    kernel: Array
    """weights of the true derivative between the samples; they sum to 1"""
    window_s: float
    bandwidth_hz: float
    """where the weighted mean has fallen by 3 dB"""

    def error_bound(self, quantum: float) -> float:
        """Most that positions rounded to `quantum` can add, in the units of the derivative."""
        return 0.5 * quantum * float(np.abs(self.coefficients).sum())

    def __call__(self, values: Array) -> Array:
        """The derivative at each sample with a whole window around it; NaN near the ends."""
        return _slide(values, self.coefficients)

    def mean(self, values: Array) -> Array:
        """Another signal weighted as the true derivative was, for comparison with it sample by sample."""
        return _slide(values, self.kernel)


def _slide(values: Array, weights: Array) -> Array:
    out = np.full(len(values), np.nan)
    if len(values) >= len(weights):
        half = (len(weights) - 1) / 2
        inner = np.convolve(values, weights[::-1], mode="valid")
        first = int(half)
        out[first : first + len(inner)] = inner
    return out


def _coefficients(order: int, window: int, rate_hz: float) -> Array:
    if window % 2 == 0 or window <= order or order < 1:
        raise ValueError(f"a window of {window} samples does not give derivative {order}")
    # What each sample adds to the leading coefficient of the fit. numpy's own least squares, so that judging firmware
    # needs no scipy; a test holds the result against scipy.signal.savgol_filter.
    half = (window - 1) / 2
    leading = np.linalg.pinv(np.vander(np.linspace(-1.0, 1.0, window), order + 1))[0]
    return np.asarray(leading * math.factorial(order) * (rate_hz / half) ** order, dtype=np.float64)


@lru_cache(maxsize=256)
def make_filter(order: int, window: int, rate_hz: float) -> Filter:
    """The filter for derivative `order` over `window` samples (odd, more than `order`). Raises ValueError."""
    tick = 1.0 / rate_hz
    coefficients = _coefficients(order, window, rate_hz)
    # Summation by parts, `order` times: sum c_k x_k = sum w_k D^n x_k / T^n.
    weights = coefficients * tick**order
    for _ in range(order):
        weights = -np.cumsum(weights)[:-1]
    frequencies = np.linspace(1e-3, 0.5, 4000)
    indices = np.arange(window) - (window - 1) / 2
    response = np.abs(np.exp(2j * np.pi * np.outer(frequencies, indices)) @ (coefficients * tick**order))
    response /= (2 * np.pi * frequencies) ** order
    below = np.nonzero(response < np.sqrt(0.5))[0]
    bandwidth = frequencies[below[0]] * rate_hz if len(below) else 0.5 * rate_hz
    kernel = weights
    if order % 2:  # differences of odd order lie between samples: share each weight between its two neighbours
        kernel = 0.5 * (np.append(weights, 0.0) + np.append(0.0, weights))
    return Filter(order, coefficients, kernel, (window - 1) * tick, float(bandwidth))


@lru_cache(maxsize=256)
def filter_for(order: int, rate_hz: float, quantum: float, limit: float, share: float = 0.02) -> Filter:
    """The shortest window whose error bound is within `share` of `limit`, but no longer than a second."""
    window = order + 1 + order % 2
    window += 1 - window % 2
    most = max(window, int(rate_hz) | 1)
    low, high = window // 2, most // 2
    while low < high:
        middle = (low + high) // 2
        if 0.5 * quantum * np.abs(_coefficients(order, 2 * middle + 1, rate_hz)).sum() <= share * limit:
            high = middle
        else:
            low = middle + 1
    return make_filter(order, 2 * low + 1, rate_hz)


def even_grid(time_s: Array, *columns: Array) -> tuple[float, Array, list[Array]]:
    """(rate in Hz, even times, columns on them): what was lost is filled by straight lines. Raises ValueError."""
    if len(time_s) < 8 or not bool(np.all(np.diff(time_s) > 0)):
        raise ValueError("a record needs at least 8 samples in rising time")
    tick = float(np.median(np.diff(time_s)))
    even = time_s[0] + tick * np.arange(round((time_s[-1] - time_s[0]) / tick) + 1)
    return round(1.0 / tick, 6), even, [np.interp(even, time_s, column) for column in columns]
