"""Latency, jitter and the offset between two clocks. Pure: arrays in, figures out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ringlet.tools.bench.result import Array

PERCENTILES = (50.0, 90.0, 99.0, 100.0)


class ClockFit(NamedTuple):
    """Node's clock = tool's clock + offset at `at_s`, and how fast they drift apart."""

    at_s: float
    offset_s: float
    offset_u_s: float
    """hard bound: half the shortest round trip, whatever the split between way and way back, and the tick"""
    drift_ppm: float
    drift_u_ppm: float
    round_trip_s: float
    """the shortest"""


def percentiles(values: Array, wanted: tuple[float, ...] = PERCENTILES) -> dict[float, float]:
    """Percentiles by linear interpolation between order statistics (definition 7 of Hyndman and Fan, The American
    Statistician 50, 1996; see numpy.percentile). Raises ValueError without values."""
    if not len(values):
        raise ValueError("no values")
    ordered = np.sort(values)
    out = {}
    for share in wanted:
        place = (len(ordered) - 1) * share / 100.0
        low = int(place)
        high = min(low + 1, len(ordered) - 1)
        out[share] = float(ordered[low] + (place - low) * (ordered[high] - ordered[low]))
    return out


def jitter(times_s: Array, period_s: float) -> tuple[float, float]:
    """(root mean square, greatest) deviation of intervals from the period, in s. Raises ValueError under 3 times."""
    if len(times_s) < 3:
        raise ValueError("jitter needs at least three times")
    off = np.round(np.diff(times_s) - period_s, 9)  # finer differences are those of floating point
    return float(np.sqrt(np.mean(off**2))), float(np.max(np.abs(off)))


def clock_fit(sent_s: Array, received_s: Array, node_s: Array, tick_s: float = 0.001) -> ClockFit:
    """Offset and drift from requests for the node's clock (sent, answer received, node's time at the request).

    Each answer bounds the offset: sent + offset <= node <= received + offset. The shortest round trip gives the
    estimate, as the clock filter of NTP does (RFC 5905 section 10); the drift is a straight line through
    the better half of the answers. `tick_s`: grain of the node's clock. Raises ValueError with fewer than 4.
    """
    if len(sent_s) < 4:
        raise ValueError("the clock offset needs at least four answers")
    trip = received_s - sent_s
    middle, offset = 0.5 * (sent_s + received_s), node_s - 0.5 * (sent_s + received_s)
    best = int(np.argmin(trip))
    use = trip <= np.median(trip)
    span = middle[use] - middle[use].mean()
    square = float(span @ span)
    drift = float(span @ (offset[use] - offset[use].mean())) / square if square else 0.0
    reach = float(middle[use].max() - middle[use].min())
    worst = float(0.5 * np.max(trip[use])) + tick_s
    return ClockFit(
        float(middle[best]), float(offset[best]), float(0.5 * trip[best]) + tick_s, 1e6 * drift,
        1e6 * 3.0 * worst / reach if reach else float("inf"), float(trip[best]),
    )  # fmt: skip


def first_motion(time_s: Array, value: Array, since_s: float, threshold: float) -> float:
    """Time from `since_s` until `value` is farther than `threshold` from what it was then; NaN if it never is."""
    start = int(np.searchsorted(time_s, since_s, side="right")) - 1
    start = max(0, start)
    moved = np.nonzero(np.abs(value[start:] - value[start]) > threshold)[0]
    return float(time_s[start + moved[0]] - since_s) if len(moved) else float("nan")
