"""Friction and inertia of lens and motor together, from the torque that motion takes. Pure: arrays in, quantities out.

What is identified is what the motor feels while it drives, referred to the lens ring:

    torque = s * coulomb(position) + s * (breakaway - coulomb) / (1 + (w / ws)^2) + viscous * w + inertia * dw/dt

with s the sense of rotation. The second term is the Stribeck curve of Hess and Soom (J. Tribology 112, 1990; from
memory). `coulomb` is piecewise linear over the travel, so one fit gives the torque map too. Only samples are used in
which the motor drives and the speed does not fall: braking through a gearhead obeys another efficiency.

Velocity and acceleration come from the filters of `derivative.py`; torque and velocity are averaged with the very
weights of the acceleration, so that the linear terms of the fit are not biased by the filter. The fit is linear least
squares for each of a row of ws; the uncertainty comes from leaving out one pass at a time (jackknife: B. Efron, "The
jackknife, the bootstrap and other resampling plans", SIAM 1982; from memory), with coverage factor 2, and the
uncertainty of the torque scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ringlet.tools.bench.derivative import even_grid, make_filter
from ringlet.tools.bench.result import COVERAGE, Array

WINDOW_S: Final = 0.024
NODES: Final = 9
"""Points of the torque map over the travel."""
STRIBECK_DEG_S: Final = tuple(float(x) for x in np.geomspace(2.0, 40.0, 14))
SLOWEST_DEG_S: Final = 1.0
"""Slower samples stick and slip; they are left out of the fit."""
MODEL_SHARE: Final = 0.04
"""Part of each figure that is booked as uncertainty of the model: bristles, mesh and current ripple are not in it.
Our choice, from simulated plants (tests/tools/test_bench_plants.py)."""


BREAKAWAY_S: Final = 0.03
SCALE_FLOOR: Final = 0.001
"""Least relative uncertainty of a torque scale from the load: rounding errors of neighbours are not independent."""


class Pass(NamedTuple):
    """One move in one direction, from rest; arrays of one length. Torque is at the ring, as the motor gives it."""

    time_s: Array
    position_deg: Array
    torque_nm: Array


class Sample(NamedTuple):
    """Rows for the fit, from one pass."""

    position_deg: Array
    velocity_rad_s: Array
    acceleration_rad_s2: Array
    torque_nm: Array


@dataclass(frozen=True)
class Friction:
    """Everything at the ring; each `_u` is the uncertainty of the figure before it."""

    coulomb_nm: float
    coulomb_u: float
    viscous_nm_s: float
    viscous_u: float
    inertia_kg_m2: float
    inertia_u: float
    stribeck_nm: float
    """breakaway less Coulomb, as the slow passes show it"""
    stribeck_deg_s: float
    map_deg: Array
    map_nm: Array
    map_u: Array
    residual_nm: float
    """root mean square of what the fit leaves"""
    rows: int


def samples(record: Pass, play_deg: float = 1.0) -> Sample:
    """What of a pass is fit for the fit: driving, past the play, not slowing down. Raises ValueError."""
    rate, _, (position, torque) = even_grid(record.time_s, record.position_deg, record.torque_nm)
    window = max(5, round(WINDOW_S * rate) | 1)
    second, first = make_filter(2, window, rate), make_filter(1, max(3, window // 2 | 1), rate)
    acceleration = second(position)
    velocity = second.mean(first(position))
    mean_torque = second.mean(torque)
    mean_position = second.mean(position)
    side = 1.0 if position[-1] >= position[0] else -1.0
    with np.errstate(invalid="ignore"):
        keep = (
            (side * (position - position[0]) > play_deg)
            & (side * velocity > SLOWEST_DEG_S)
            & (side * acceleration > -0.02 * np.nanmax(np.abs(acceleration)))
            & (side * mean_torque > 0.0)
        )
    keep &= np.isfinite(acceleration) & np.isfinite(velocity) & np.isfinite(mean_torque)
    keep = np.nonzero(keep)[0][:: max(1, window // 4)]  # neighbours share most of their window and tell little new
    return Sample(mean_position[keep], np.radians(velocity[keep]), np.radians(acceleration[keep]), mean_torque[keep])


def _hats(position: Array, nodes: Array) -> Array:
    """Weight of each node at each position, for straight lines between the nodes."""
    step = nodes[1] - nodes[0]
    away: Array = np.abs((np.clip(position, nodes[0], nodes[-1])[:, None] - nodes) / step)
    return np.asarray(np.maximum(0.0, 1.0 - away), dtype=np.float64)


def design(rows: Sequence[Sample], nodes: Array, stribeck_deg_s: float) -> tuple[Array, Array]:
    """Matrix and torques of the linear fit. Columns: map nodes, Stribeck, viscous, inertia."""
    position, velocity, acceleration, torque = (np.concatenate(parts) for parts in zip(*rows, strict=True))
    side = np.sign(velocity)
    bump = 1.0 / (1.0 + (velocity / np.radians(stribeck_deg_s)) ** 2)
    matrix = np.column_stack((side[:, None] * _hats(position, nodes), side * bump, velocity, acceleration))
    return matrix, torque


class _Normal(NamedTuple):
    """Normal equations of one pass for one ws; those of several passes add up."""

    gram: Array
    right: Array
    square: float
    rows: int


def _normal(row: Sample, nodes: Array, stribeck_deg_s: float) -> _Normal:
    matrix, torque = design([row], nodes, stribeck_deg_s)
    return _Normal(matrix.T @ matrix, matrix.T @ torque, float(torque @ torque), len(torque))


def _solve(parts: Sequence[_Normal]) -> tuple[Array, float]:
    """(parameters, rms residual) of the least squares over these passes."""
    gram, right = np.sum([one.gram for one in parts], axis=0), np.sum([one.right for one in parts], axis=0)
    keep = np.ones(len(right), dtype=bool)
    while True:
        solution = np.zeros(len(right))
        solution[keep] = np.linalg.lstsq(gram[np.ix_(keep, keep)], right[keep], rcond=None)[0]
        if not keep[-3] or solution[-3] >= 0.0:
            break
        keep[-3] = False  # friction that rises with speed is the viscous term's: fit without the Stribeck term
    left = sum(one.square for one in parts) - 2.0 * solution @ right + solution @ gram @ solution
    return solution, float(np.sqrt(max(0.0, left) / sum(one.rows for one in parts)))


def _best(parts: Sequence[Sequence[_Normal]]) -> tuple[Array, float, float]:
    """(parameters, ws in deg/s, rms residual) of the ws that fits best; `parts` has a row for each ws."""
    solved = [(*_solve(row), ws) for row, ws in zip(parts, STRIBECK_DEG_S, strict=True)]
    solution, left, ws = min(solved, key=lambda one: one[1])
    return solution, ws, left


def fit(rows: Sequence[Sample], nodes: Array) -> tuple[Array, float, float]:
    """(parameters as in `design`, ws in deg/s, rms residual): least squares for each ws, the best of them."""
    return _best([[_normal(row, nodes, ws) for row in rows] for ws in STRIBECK_DEG_S])


def identify(passes: Sequence[Pass], low_deg: float, high_deg: float, scale_share: float = 0.0) -> Friction:
    """Friction and inertia from passes over the travel. `scale_share`: relative uncertainty of the torque scale.

    Raises ValueError when there are fewer than 4 usable passes.
    """
    rows = [one for one in (samples(record) for record in passes) if len(one.torque_nm) >= 5]
    if len(rows) < 4:
        raise ValueError("fewer than four passes can be used; friction cannot be told from them")
    nodes = np.linspace(low_deg, high_deg, NODES)
    parts = [[_normal(row, nodes, ws) for row in rows] for ws in STRIBECK_DEG_S]
    solution, ws, left = _best(parts)

    def figures(parameters: Array) -> Array:
        ends = parameters[:NODES]
        mean = (ends.sum() - 0.5 * (ends[0] + ends[-1])) / (NODES - 1)
        return np.concatenate(([mean], parameters[NODES:], ends))

    whole = figures(solution)
    part = np.array([figures(_best([one[:n] + one[n + 1 :] for one in parts])[0]) for n in range(len(rows))])
    count = len(rows)
    spread = np.sqrt((count - 1) / count * ((part - part.mean(axis=0)) ** 2).sum(axis=0))
    # The model's share is of the torque that the term stands in for, not of a term that may be nearly nothing.
    matrix, torque = design(rows, nodes, ws)
    typical = float(np.sqrt(np.mean(torque**2)))
    reach = np.concatenate(([1.0, 1.0], np.abs(matrix[:, -2:]).max(axis=0), np.ones(NODES)))
    model = MODEL_SHARE * typical / reach
    uncertain = np.sqrt((COVERAGE * spread) ** 2 + model**2 + (COVERAGE * scale_share * whole) ** 2)
    return Friction(
        float(whole[0]), float(uncertain[0]), float(whole[2]), float(uncertain[2]), float(whole[3]),
        float(uncertain[3]), float(whole[1]), ws, nodes, whole[4:], uncertain[4:], left, len(torque),
    )  # fmt: skip


def breakaway(record: Pass) -> float:
    """Largest torque (N.m at the ring) of a slow start from rest with the play taken up; mean of `BREAKAWAY_S`, so that
    the ripple of the velocity loop does not count. Raises ValueError for a record shorter than that."""
    rate, _, (position, torque) = even_grid(record.time_s, record.position_deg, record.torque_nm)
    width = max(1, round(BREAKAWAY_S * rate))
    if len(torque) < width:
        raise ValueError("the start is shorter than the smoothing")
    smooth = np.convolve(torque, np.ones(width) / width, mode="valid")
    side = 1.0 if position[-1] >= position[0] else -1.0
    return float(np.max(side * smooth))


def torque_scale(current_a: Array, load_percent: Array, limit_nm: Array) -> tuple[float, float]:
    """(torque at the gear per ampere, its relative standard uncertainty) from the node's own load figure.

    The load is a whole per cent of the limit in force (cut at 255). Slope through the origin by least squares over the
    rows with more than a tenth of the greatest current: chosen by current, for a choice by the rounded load would lean
    upwards. Raises ValueError when the load is too small to tell.
    """
    current = np.abs(current_a)
    use = (current > 0.1 * np.max(current, initial=0.0)) & (load_percent < 255.0)
    if use.sum() < 10 or np.median(load_percent[use]) < 5.0:
        raise ValueError("the load is too small to tell the torque scale")
    current, torque = current[use], (load_percent / 100.0 * limit_nm)[use]
    slope = float((current @ torque) / (current @ current))
    left = torque - slope * current
    spread = float(np.sqrt((left @ left) / (len(left) - 1) / (current @ current)))
    return slope, max(spread / slope, SCALE_FLOOR)
