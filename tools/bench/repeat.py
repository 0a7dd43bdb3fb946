"""Positioning by the scheme of ISO 230-2 and lost motion at a reversal. Pure: arrays in, figures out.

Quantities and symbols as in ISO 230-2:2014, "Determination of accuracy and repeatability of positioning of numerically
controlled axes" (clause 3; from memory). x[i, j] is the deviation, reached less target, at target i in run j, once
approached upwards and once downwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ringlet.tools.bench.result import COVERAGE, Array

SOURCE = "ISO 230-2:2014 clause 3 (from memory)"


class Positioning(NamedTuple):
    """All in the unit of the deviations. Arrays have one value a target."""

    mean_up: Array
    """mean unidirectional deviation: (1/n) sum of x"""
    mean_down: Array
    mean: Array
    """mean bi-directional deviation: half of both together"""
    reversal_at: Array
    """B_i = mean_up - mean_down"""
    reversal: float
    """B: the greatest |B_i|"""
    mean_reversal: float
    """mean of B_i, with its sign"""
    reversal_u: float
    """expanded uncertainty of B from the scatter of both means and the gauge's resolution"""
    deviation_up: Array
    """s_i = sqrt(sum (x - mean)^2 / (n - 1))"""
    deviation_down: Array
    repeatability_up: float
    """greatest 4 s_i upwards"""
    repeatability_down: float
    repeatability: float
    """R: greatest of max(2 s_up + 2 s_down + |B_i|, R_up, R_down)"""
    systematic: float
    """E: greatest less least of the mean unidirectional deviations, both directions"""
    mean_range: float
    """M: greatest less least of the mean bi-directional deviations"""
    accuracy: float
    """A: max(mean + 2 s) - min(mean - 2 s) over both directions"""


def targets(
    low_deg: float, high_deg: float, count: int, seed_shares: Sequence[float] = (0.13, -0.21, 0.29, -0.08)
) -> Array:
    """Target positions inside the travel, unevenly spaced so that periodic errors show: P_i = (i - 1) p + r.

    The first and last keep a tenth of their spacing from the ends.
    """
    pitch = (high_deg - low_deg) / count
    even = low_deg + pitch * (np.arange(count) + 0.5)
    return even + 0.5 * pitch * np.resize(np.asarray(seed_shares), count)


def target_count(travel_deg: float) -> int:
    """Least number of targets for a rotary axis: 3 up to 90 degrees, 5 up to 180, 8 beyond (ISO 230-2, from memory)."""
    return 3 if travel_deg <= 90 else 5 if travel_deg <= 180 else 8


def positioning(up: Array, down: Array, resolution: float = 0.0) -> Positioning:
    """The figures from deviations of shape (targets, runs) for each direction. Raises ValueError for other shapes or
    fewer than 2 runs."""
    if up.shape != down.shape or up.ndim != 2 or up.shape[1] < 2:
        raise ValueError("deviations must be two tables of targets by runs, with at least two runs")
    runs = up.shape[1]
    mean_up, mean_down = up.mean(axis=1), down.mean(axis=1)
    s_up, s_down = up.std(axis=1, ddof=1), down.std(axis=1, ddof=1)
    mean = 0.5 * (mean_up + mean_down)
    reversal = mean_up - mean_down
    at = int(np.argmax(np.abs(reversal)))
    scatter = (s_up[at] ** 2 + s_down[at] ** 2) / runs
    both = np.maximum.reduce([2 * s_up + 2 * s_down + np.abs(reversal), 4 * s_up, 4 * s_down])
    ends = np.concatenate((mean_up, mean_down))
    return Positioning(
        mean_up, mean_down, mean, reversal, float(abs(reversal[at])), float(reversal.mean()),
        COVERAGE * float(np.sqrt(scatter + resolution**2 / 6.0)), s_up, s_down,
        float(4 * s_up.max()), float(4 * s_down.max()), float(both.max()),
        float(ends.max() - ends.min()), float(mean.max() - mean.min()),
        float(max((mean_up + 2 * s_up).max(), (mean_down + 2 * s_down).max())
              - min((mean_up - 2 * s_up).min(), (mean_down - 2 * s_down).min())),
    )  # fmt: skip


ELASTIC_DEG = 0.16
"""Most that teeth and grease are taken to give way at a reversal on top of the play; our assumption, from simulated
plants. A very stiff ring on soft gears gives more."""


def play(behind_up: Array, behind_down: Array, count_deg: float) -> tuple[float, float]:
    """(play between motor and ring, its uncertainty) in deg from the gap ring less motor after approaches both ways.

    The gap changes at a reversal by the play and by what teeth and grease give way; the latter lies between 0 and
    `ELASTIC_DEG`, so half of that is taken off and counted as uncertainty, with one encoder count.
    """
    change = abs(float(behind_up.mean() - behind_down.mean()))
    return max(0.0, change - 0.5 * ELASTIC_DEG), 0.5 * ELASTIC_DEG + count_deg
