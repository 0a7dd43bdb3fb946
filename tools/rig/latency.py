"""How late the ring is behind what the readings said: found by sliding one over the other. No clock, no I/O."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from ringlet.tools.rig.handback import Phase

if TYPE_CHECKING:
    from ringlet.tools.rig.session import Moment

SOONEST_S, LATEST_S, STEP_S = -0.3, 1.0, 0.002
FEWEST: Final = 20
CATCH_UP_S: Final = 1.5
"""Not counted after readings take the ring over, or come back: it is still on its way to them."""
MOVED_PER_M: Final = 0.3
"""A subject that went less far than this (1/m, all its ways added) says too little about time."""
APART_S: Final = 0.2
"""Readings further apart than this are not of one way."""

Array = NDArray[np.float64]


def lag_s(made_s: Array, seen_per_m: Array, ring_s: Array, ring_per_m: Array) -> float | None:
    """Seconds from when readings were made to when the ring stood there; below 0: ahead of them.

    The shift at which ring and readings (both in 1/m, each with its times) differ least in the mean square, between
    grid places by a parabola. None when there are too few, or nothing moved.
    """
    if len(made_s) < FEWEST or len(ring_s) < FEWEST:
        return None
    shifts = np.arange(SOONEST_S, LATEST_S + STEP_S / 2, STEP_S)
    inside = (made_s + SOONEST_S >= ring_s[0]) & (made_s + LATEST_S <= ring_s[-1])
    made, seen = made_s[inside], seen_per_m[inside]
    ways = np.split(seen, np.flatnonzero(np.diff(made) > APART_S) + 1)
    if len(made) < FEWEST or sum(float(np.ptp(one)) for one in ways) < MOVED_PER_M:
        return None
    off = np.array([float(np.mean((np.interp(made + one, ring_s, ring_per_m) - seen) ** 2)) for one in shifts])
    best = int(off.argmin())
    if not 0 < best < len(shifts) - 1:
        return None  # it lies outside what was tried
    before, at, after = off[best - 1 : best + 2]
    bend = before - 2 * at + after
    return float(shifts[best] + (0.5 * STEP_S * (before - after) / bend if bend > 0 else 0.0))


def while_automatic(moments: Iterable[Moment], made_s: Array) -> NDArray[np.bool_]:
    """Which readings were made while readings drove the ring: for a while before, and all through what is tried."""
    steps = [(one.time_s, one.told.phase is not Phase.AUTO) for one in moments]
    times = np.array([at for at, _ in steps])
    strayed = np.concatenate(([0], np.cumsum([other for _, other in steps])))
    first = np.searchsorted(times, made_s - CATCH_UP_S)
    last = np.searchsorted(times, made_s + LATEST_S)
    kept: NDArray[np.bool_] = (strayed[last] == strayed[first]) & (first > 0) & (last < len(times))
    return kept
