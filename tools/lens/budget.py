"""What a focus motor must reach so that a lens stays sharp: from depth of field to counts, play, latency and scatter.

At each distance the depth of field spans a part of the ring; the smaller of its two halves is what the ring may be off.
The motor's errors are added as they are, the worst case: half a count, half the play (to either side), half the
repeatability (a whole width, ISO 230-2), and what the ring lags behind a subject that walks, latency times ring speed.
To say what each of them may be, the allowed error is dealt out by `SHARES`; the verdict is on their sum alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from ringlet.hwsim.cardfile import LensCard, MotorCard
from ringlet.tools.bench.result import Verdict, at_most
from ringlet.tools.errors import UsageProblem
from ringlet.tools.lens.curve import Array, MarkCurve
from ringlet.tools.lens.field import Optics, depth

SHARES: Final = {"count": 0.1, "play": 0.3, "repeatability": 0.2, "latency": 0.4}
"""Shares of the allowed error (our choice): play and latency get most, because they are dearest to lower."""
PLACES: Final = 160
_PLAY: Final = "play between motor and ring"
_REPEAT_ONE: Final = ("unidirectional repeatability, up", "unidirectional repeatability, down")
_REPEAT_BOTH: Final = ("repeatability R",)
_LATENCY: Final = "setpoint to ring, median"


class BudgetProblem(UsageProblem):
    """A budget that cannot be drawn up: one sentence."""


class Figure(NamedTuple):
    """One figure of a motor."""

    value: float
    uncertainty: float
    where: str
    """where it is from"""


class Motor(NamedTuple):
    """What is known of a motor on this lens; None where nothing is."""

    name: str
    count_deg: Figure | None = None
    play_deg: Figure | None = None
    repeat_deg: Figure | None = None
    """width within which it comes back, four standard deviations"""
    latency_s: Figure | None = None
    top_speed_deg_s: Figure | None = None


class Need(NamedTuple):
    """What the lens needs over distance; every array has one length. Angles in degrees of ring."""

    distance_m: Array
    ring_deg: Array
    near_m: Array
    far_m: Array
    span_deg: Array
    """ring angle that the depth of field spans; infinite where it reaches past infinity"""
    allowed_deg: Array
    """what the ring may be off to either side"""
    ring_speed_deg_s: Array
    """of a ring that follows a subject at the given speed"""


class Budget(NamedTuple):
    """A need, a motor's errors against it, and the verdict."""

    need: Need
    error_deg: dict[str, Array]
    """errors of the motor by name, those that are known"""
    total_deg: Array
    uncertainty_deg: Array
    unknown: tuple[str, ...]
    """errors that nothing is known of; they are not in the sum"""
    required: dict[str, float]
    """the most of each that keeps to its share everywhere: count, play, repeatability (deg), latency (s)"""
    worst: int
    """index of the distance at which the sum is the largest share of what is allowed"""
    verdicts: tuple[Verdict, ...]


def need(
    lens: Optics, curve: MarkCurve, subject_m_s: float, nearest_m: float, farthest_m: float, follow_m: float = 0.0
) -> Need:
    """What a lens needs between two distances. Subjects nearer than `follow_m` are taken to stand still.

    Raises BudgetProblem, FieldProblem or MarkProblem.
    """
    if curve.unit != "distance":
        raise BudgetProblem(f"a precision budget is for focus rings, and these are {curve.unit} marks.")
    if not nearest_m < farthest_m:
        raise BudgetProblem(f"the distances go from {nearest_m:g} to {farthest_m:g} m; give the nearer one first.")
    ends = sorted((curve.ring_at(nearest_m), curve.ring_at(farthest_m)))
    ring = np.linspace(ends[0], ends[1], PLACES)
    begins = [curve.ring_at(follow_m)] if nearest_m < follow_m < farthest_m else []
    marks = curve.ring_deg[(curve.ring_deg >= ends[0]) & (curve.ring_deg <= ends[1])]
    ring = np.unique(np.concatenate((ring, marks, begins)))
    distance = curve.values_at(ring)
    fields = [depth(lens, float(one)) for one in distance]
    near = np.array([one.near_m for one in fields])
    far = np.array([one.far_m for one in fields])
    before = np.abs(_ring(curve, near) - ring)
    behind = np.where(np.isinf(far), np.inf, np.abs(_ring(curve, far) - ring))
    rate = np.abs([curve.rate_at(float(one)) for one in ring])
    with np.errstate(divide="ignore"):
        still = np.isinf(distance) | (distance < follow_m * (1.0 - 1e-9))
        speed = np.where(still, 0.0, subject_m_s / distance**2) / rate
    return Need(distance, ring, near, far, before + behind, np.minimum(before, behind), speed)


def _ring(curve: MarkCurve, distance: Array) -> Array:
    """Ring angle at a distance; past the last mark the ring is taken to go on as it goes there."""
    with np.errstate(divide="ignore"):
        scale = np.where(np.isinf(distance), 0.0, 1.0 / distance)
    found = curve.rings_at_scale(scale)
    for end, outwards in ((curve.low_deg, -1.0), (curve.high_deg, 1.0)):
        past = (scale - float(curve.scale_at(np.array([end]))[0])) / curve.rate_at(end)
        found = np.where(np.isnan(found) & (outwards * past > 0), end + past, found)
    return found


def of_card(motor: MotorCard, lens: LensCard | None) -> Motor:
    """What a motor card says on a lens: count, play and top speed. Raises BudgetProblem without a lens card."""
    if lens is None:
        raise BudgetProblem("a motor card needs a whole lens card, for teeth and play of the mesh, not marks alone.")
    from ringlet.hwsim import figures, plant_setup

    count = 360.0 / (motor.encoder_counts_per_rotor_turn * plant_setup.gear_ratio(motor, lens))
    top = figures.top_speed_deg_s(figures.torque_speed(motor, lens))
    return Motor(
        motor.name,
        Figure(count, 0.0, "motor and lens card"),
        Figure(plant_setup.lost_motion_deg(motor, lens), 0.0, "motor and lens card, not compensated"),
        None,
        None,
        Figure(top, 0.0, "motor and lens card"),
    )


def of_bench(places: list[Path], axis: str = "") -> Motor:
    """What bench runs (folders of `ringlet bench --out`) say of one axis, NODE.AXIS; later runs count.

    Play between motor and ring is seen only with a gauge on the ring. Without one the repeatability is the
    bi-directional one, which holds what of the reversal the encoder sees, and play stays unknown. Raises BudgetProblem
    or UsageProblem.
    """
    from ringlet.tools.bench import run_folder

    found: dict[str, Figure] = {}
    names = set()
    for place in places:
        run = run_folder.load(place)
        axes = [one for one in run.axes if one.results and axis in ("", one.key)]
        names |= {one.key for one in axes}
        for one in axes:
            for result in one.results.values():
                for quantity in result.quantities:
                    if quantity.value is not None:
                        found[quantity.name] = Figure(quantity.value, quantity.uncertainty or 0.0, str(place))
            limit = one.parameters.get("velocity-limit", "").partition(" ")[0]
            if limit:
                found["velocity-limit"] = Figure(float(limit), 0.0, f"{place}: velocity-limit")
    if len(names) > 1:
        raise BudgetProblem(f"the bench runs are of several axes ({', '.join(sorted(names))}); choose one with --axis.")
    play, latency = found.get(_PLAY), found.get(_LATENCY)
    repeat = [found[name] for name in (_REPEAT_BOTH if play is None else _REPEAT_ONE) if name in found]
    if not repeat and play is None and latency is None:
        raise BudgetProblem(
            f"{', '.join(map(str, places))}: there is no figure of `ringlet bench repeat` or `latency`"
            f"{' for axis ' + axis if axis else ''}; run these."
        )
    return Motor(
        f"axis {names.pop()}", _count(found), play, max(repeat, key=lambda one: one.value) if repeat else None, latency,
        found.get("velocity-limit"),
    )  # fmt: skip


def _count(found: dict[str, Figure]) -> Figure | None:
    """One count, from the reversal value in degrees and in counts; None where there is no reversal."""
    degrees, counts = found.get("reversal value B"), found.get("reversal value in counts")
    if degrees is None or counts is None or counts.value <= 0:
        return None
    return Figure(degrees.value / counts.value, 0.0, degrees.where)


def together(card: Motor, measured: Motor) -> Motor:
    """A motor card and a bench run of it: what was measured counts, the card fills the gaps."""
    known = {name: value for name, value in measured._asdict().items() if value is not None}
    return card._replace(**known)._replace(name=card.name)


def budget(needed: Need, motor: Motor) -> Budget:
    """A motor's errors against what the lens needs."""
    half = np.full_like(needed.ring_deg, 0.5)
    parts = {
        "count": (motor.count_deg, half),
        "play": (motor.play_deg, half),
        "repeatability": (motor.repeat_deg, half),
        "latency": (motor.latency_s, needed.ring_speed_deg_s),
    }
    error = {name: figure.value * gain for name, (figure, gain) in parts.items() if figure is not None}
    doubt = [figure.uncertainty * gain for figure, gain in parts.values() if figure is not None]
    total = np.sum(list(error.values()), axis=0) if error else np.zeros_like(needed.ring_deg)
    uncertain = np.sum(doubt, axis=0) if doubt else np.zeros_like(needed.ring_deg)
    worst = int(np.argmax(total / needed.allowed_deg)) if error else int(np.argmin(needed.allowed_deg))
    return Budget(
        needed, error, total, uncertain, tuple(name for name, (figure, _) in parts.items() if figure is None),
        required(needed), worst, tuple(_verdicts(needed, motor, total, uncertain, worst) if error else ()),
    )  # fmt: skip


def required(needed: Need) -> dict[str, float]:
    """The most that count, play, repeatability (deg) and latency (s) may be to keep to their shares everywhere."""
    least = float(np.min(needed.allowed_deg))
    found = {name: 2.0 * SHARES[name] * least for name in ("count", "play", "repeatability")}
    moving = needed.ring_speed_deg_s > 0
    time = SHARES["latency"] * needed.allowed_deg[moving] / needed.ring_speed_deg_s[moving]
    return found | {"latency": float(time.min()) if len(time) else math.inf}


def _verdicts(needed: Need, motor: Motor, total: Array, uncertain: Array, worst: int) -> Iterator[Verdict]:
    """Sum of errors against the allowed one where it is worst, and the ring speed."""
    at = needed.distance_m[worst]
    yield at_most(
        "errors together at " + ("infinity" if math.isinf(at) else f"{at:.3g} m"), float(total[worst]),
        float(needed.allowed_deg[worst]), "deg", float(uncertain[worst]),
    )  # fmt: skip
    if motor.top_speed_deg_s is not None:
        yield at_most(
            "ring speed to follow the subject", float(needed.ring_speed_deg_s.max()), motor.top_speed_deg_s.value,
            "deg/s",
        )  # fmt: skip
