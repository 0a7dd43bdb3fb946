"""Procedures that look at what the lens asks of the motor: positioning, friction and inertia, end stops."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from ringlet.tools.bench import friction, marks, repeat
from ringlet.tools.bench.friction import Friction, Pass
from ringlet.tools.bench.moving import TELEMETRY
from ringlet.tools.bench.result import (
    COVERAGE,
    Columns,
    Curve,
    Measurement,
    Plot,
    Quantity,
    Verdict,
    at_least,
    at_most,
    finished,
)
from ringlet.tools.bench.running import Line
from ringlet.tools.bench.session import Bench, Record, Script
from ringlet.tools.errors import CheckFailed

RUNS: Final = 5
"""ISO 230-2 asks for five runs in each direction (from memory)."""
BREAKAWAY_SHARE: Final = 0.06
"""Part of the breakaway torque that is booked as its uncertainty: a start at 2 deg/s already slides a little, and the
rotor breaks loose before the ring. Our choice, from simulated plants."""
SEARCHES: Final = 3
SEARCH_HZ: Final = 200.0
CONTACT_SHARE: Final = 0.3
"""Part of the way from the running current to the greatest at which the stop counts as met, above the ripple; so much
of the give is booked as its uncertainty. Our choice, from simulated stops."""


def measure_repeat(bench: Bench) -> Measurement:
    """Targets approached from both sides; with a gauge on the ring the lost motion shows as the reversal value."""
    low, high = bench.travel
    span, count = high - low, bench.count_deg
    gauge = bench.gauge()
    places = repeat.targets(low + 0.03 * span, high - 0.03 * span, repeat.target_count(span))
    read = gauge or bench.handle.position
    off = np.full((2, len(places), RUNS), np.nan)
    behind = np.zeros_like(off)  # ring less motor, as the gauge and the encoder show them
    bench.fresh()
    for run in range(RUNS):
        bench.run(bench.go(low, settle_s=0.0))
        for way, order in enumerate((range(len(places)), range(len(places) - 1, -1, -1))):
            if way:
                bench.run(bench.go(high, settle_s=0.0))
            for i in order:
                bench.run(bench.go(places[i], settle_s=0.15))
                if bench.trouble:
                    return Measurement(
                        "repeat", "Repeatability and backlash", (), (finished("approaches", bench.trouble),)
                    )
                off[way, i, run] = read() - places[i]
                if gauge:
                    behind[way, i, run] = gauge() - bench.handle.position()
    off -= off[0, 0, 0]  # the gauge is zeroed at the first target
    step = 0.0 if gauge else count
    found = repeat.positioning(off[0], off[1], step)
    method = (
        "gauge: the simulated ring itself, which stands for a gauge on the ring" if gauge
        else "the node's own encoder, which does not see play between motor and ring"
    )  # fmt: skip
    scatter = COVERAGE / float(np.sqrt(2.0 * (RUNS - 1)))  # relative, of a standard deviation from n runs
    widest = 4.0 * float(max(found.deviation_up.max(), found.deviation_down.max()))
    uncertain = float(np.hypot(found.reversal_u, scatter * widest)) + step

    def quantity(name: str, value: float, u: float) -> Quantity:
        return Quantity(name, value, "deg", u, method, repeat.SOURCE)

    quantities = [
        quantity("reversal value B", found.reversal, found.reversal_u),
        quantity("mean reversal value", found.mean_reversal, found.reversal_u),
        quantity("repeatability R", found.repeatability, uncertain),
        quantity("unidirectional repeatability, up", found.repeatability_up, scatter * widest + step),
        quantity("unidirectional repeatability, down", found.repeatability_down, scatter * widest + step),
        quantity("systematic deviation E", found.systematic, found.reversal_u),
        quantity("mean bi-directional range M", found.mean_range, found.reversal_u),
        quantity("accuracy A", found.accuracy, uncertain),
        Quantity("reversal value in counts", found.reversal / count, "counts", found.reversal_u / count, method,
                 "reversal value over one encoder count at the ring"),
    ]  # fmt: skip
    if gauge:
        slack, slack_u = repeat.play(behind[0], behind[1], count)
        quantities.append(Quantity(
            "play between motor and ring", slack, "deg", slack_u, method + ", against the encoder",
            f"change of the gap at a reversal, less 0 to {repeat.ELASTIC_DEG:g} deg of elastic give (our assumption)",
        ))  # fmt: skip
        line = Line()
        for place, deviation in zip(places, found.mean, strict=True):
            line.add(float(place), float(deviation))
        scale_u = float(np.hypot(line.slope_u, count / span))
        quantities.append(Quantity("scale, ring over node", 1.0 + line.slope, "", scale_u, method,
                                   "straight line through the mean deviations"))  # fmt: skip
    curve, told = (bench.curve, "the lens's own marks") if bench.curve else marks.read_marks(bench)
    tables: dict[str, Columns] = {}
    shown: tuple[Plot, ...] = ()
    if curve is not None:
        named = {
            "reversal value B": (found.reversal, found.reversal_u), "repeatability R": (found.repeatability, uncertain)
        }  # fmt: skip
        at_marks, tables["marks"], plot = marks.figures(curve, told, named)
        quantities += at_marks
        shown = (plot,)
    verdicts = [
        finished("approaches", bench.trouble),
        at_most("reversal value B", found.reversal, bench.acceptance.reversal_deg, "deg", found.reversal_u),
        at_most("repeatability R", found.repeatability, bench.acceptance.repeatability_deg, "deg", uncertain),
    ]
    if gauge:
        off_scale = at_most("scale of the ring against the node", abs(line.slope), bench.acceptance.scale_share,
                            "of the turn", scale_u)  # fmt: skip
        advice = "" if off_scale.ok else "; compare motor-teeth, ring-teeth and encoder-counts with motor and gears"
        verdicts.append(replace(off_scale, text=off_scale.text + advice))
    records: dict[str, Columns] = {
        f"deviation run {run + 1}": {"target_deg": places, "up_deg": off[0, :, run], "down_deg": off[1, :, run]}
        for run in range(RUNS)
    } | tables
    curves = (
        Curve("approached upwards", places, found.mean_up, True),
        Curve("approached downwards", places, found.mean_down, True),
    )  # fmt: skip
    plots = (Plot("Mean deviation at each target", "target, deg", "deviation, deg", curves), *shown)
    notes = (
        () if gauge else ("Without a gauge on the ring this shows the motor's side only; lost motion does not show.",)
    )
    if curve is None:
        notes = (*notes, told)
    return Measurement(
        "repeat", "Repeatability and backlash", tuple(quantities), tuple(verdicts), records, plots, notes
    )


# --- friction and inertia ------------------------------------------------------------------------------------------


def measure_friction(bench: Bench) -> Measurement:
    """Passes over the travel at several speeds, starts at full acceleration, and slow starts."""
    low, high = bench.travel
    span, limits, ratio = high - low, bench.limits, bench.tooth_ratio
    begin, end, middle = low + 0.01 * span, high - 0.01 * span, 0.5 * (low + high)
    top = min(limits.velocity, 0.5 * float(np.sqrt(limits.acceleration * span)))
    wide, near = 0.2 * span, min(6.0, 0.1 * span)
    moves: list[tuple[float, float]] = []
    for speed in (top, top / 2, top / 4):
        moves += [(end, speed), (begin, speed)]
    for _ in range(2):
        moves += [(middle + wide, top), (middle - wide, top)]
    slow = 2.0
    moves += [(middle + near, 10.0), (middle - near, 10.0)]
    first, then = min(4.0, 0.25 * span), min(6.0, 0.4 * span)
    for side in (1.0, -1.0):
        moves += [(middle, 10.0), (middle + side * first, slow), (middle + side * then, slow)]
    bench.fresh()
    bench.run(bench.go(begin))
    records: dict[str, Record] = {}
    for number, (to, speed) in enumerate(moves):

        def script(to: float = to, speed: float = speed) -> Script:
            yield from bench.pause(0.03)
            yield from bench.go(to, speed)

        records[f"pass {number + 1}, {speed:.3g} deg/s"] = bench.record(script())
        if bench.trouble:
            break
    verdicts = [finished("passes", bench.trouble)]
    columns = {name: record.columns() for name, record in records.items()}
    try:
        per_a, share, how = bench.torque_per_a()
        scale = per_a * ratio
        passes = [Pass(one.time_s, one.position_deg, one.current_a * scale) for one in records.values()]
        found = friction.identify(passes, begin, end, share)
    except ValueError as error:
        verdicts.append(finished("identification", str(error)))
        return Measurement("friction", "Friction and inertia", (), tuple(verdicts), columns)
    quantities = _figures(found, how)
    if not bench.trouble:
        # The second slow start each way goes on in the same direction: the play is taken up.
        starts = [friction.breakaway(passes[-1]), friction.breakaway(passes[-4])]
        quantities.append(Quantity(
            "breakaway torque", float(np.mean(starts)), "N.m", float(np.ptp(starts)) + BREAKAWAY_SHARE * max(starts),
            "greatest torque in slow starts from rest, middle of the travel, both ways", how,
        ))  # fmt: skip
    need = float(found.map_nm.max()) + found.stribeck_nm + found.viscous_nm_s * float(np.radians(limits.velocity))
    need = (need + found.inertia_kg_m2 * float(np.radians(limits.acceleration))) / ratio
    advice = bench.acceptance.torque_margin * need
    parts = (found.map_u.max(), found.viscous_u * np.radians(limits.velocity),
             found.inertia_u * np.radians(limits.acceleration))  # fmt: skip
    uncertain = float(np.linalg.norm(parts)) / ratio
    limit = float(bench.handle.get("torque-moving"))
    quantities += [
        Quantity("torque that motion needs", need, "N.m", uncertain,
                 "at the motor gear: stiffest place, full speed and acceleration",
                 "friction and inertia above"),
        Quantity("advised torque limit", advice, "N.m", bench.acceptance.torque_margin * uncertain,
                 f"{bench.acceptance.torque_margin:g} times what motion needs; never above what the lens maker allows",
                 "margin: common practice, no source"),
    ]  # fmt: skip
    binding = float(found.map_nm.max() / np.median(found.map_nm))
    place = float(found.map_deg[int(np.argmax(found.map_nm))])
    verdicts.append(at_least(
        "torque limit against the advice", limit, advice, "N.m", bench.acceptance.torque_margin * uncertain
    ))  # fmt: skip
    binds = at_most("friction, stiffest place over median", binding, bench.acceptance.binding, "x",
                    float(found.map_u.max() / np.median(found.map_nm)))  # fmt: skip
    text = binds.text if binds.ok else f"the lens binds at {place:.0f} deg: {binds.text}"
    verdicts.append(Verdict(binds.name, binds.ok, binds.limit, binds.measured, binds.unit, text))
    up, down = _one_way(passes, begin, end, 1.0), _one_way(passes, begin, end, -1.0)
    plot = Plot(
        "Torque over the travel", "position, deg", "torque at the ring, N.m",
        (Curve("Coulomb friction, fit", found.map_deg, found.map_nm), *(
            Curve(name, curve[0], curve[1], True) for name, curve in (("upwards", up), ("downwards", down)))),
        (("torque limit", limit * ratio),),
    )  # fmt: skip
    return Measurement("friction", "Friction and inertia", tuple(quantities), tuple(verdicts), columns, (plot,))


def _figures(found: Friction, how: str) -> list[Quantity]:
    source = "least squares, see tools/bench/friction.py"
    method = f"at the ring, as the motor feels it while driving; torque scale: {how}"
    return [
        Quantity(
            "Coulomb friction", found.coulomb_nm, "N.m", found.coulomb_u, method + "; mean over the travel", source
        ),
        Quantity("viscous friction", found.viscous_nm_s, "N.m.s/rad", found.viscous_u, method, source),
        Quantity("total inertia", found.inertia_kg_m2, "kg.m2", found.inertia_u, method, source),
    ]


def _one_way(
    passes: list[Pass], low: float, high: float, side: float
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], ...]:
    """Mean torque of the slowest whole pass in one direction, in equal parts of the travel."""
    whole = [one for one in passes if side * (one.position_deg[-1] - one.position_deg[0]) > 0.9 * (high - low)]
    edges = np.linspace(low, high, 25)
    if not whole:
        return edges[:0], edges[:0]
    slowest = max(whole, key=lambda one: len(one.time_s))
    part = np.digitize(slowest.position_deg, edges)
    used = [n for n in range(2, len(edges) - 1) if np.any(part == n)]
    middle = np.array([0.5 * (edges[n - 1] + edges[n]) for n in used])
    return middle, np.array([side * float(slowest.torque_nm[part == n].mean()) for n in used])


# --- end stops -----------------------------------------------------------------------------------------------------


def measure_stops(bench: Bench) -> Measurement:
    """Finds the end stops several times. The travel found last stays in force: it is what the node stored."""
    low, high = bench.travel
    known = high - low
    limit = float(bench.handle.get("torque-finding"))
    bench.fresh()
    widths: list[float] = []
    records: dict[str, Record] = {}
    for number in range(SEARCHES):

        def script() -> Script:
            yield from bench.pause(0.02)
            bench.handle.find_stops(wait=False)
            yield from bench.at_rest(180.0)

        try:
            records[f"search {number + 1}"] = bench.record(script(), rate=SEARCH_HZ, torque="torque-finding")
        except CheckFailed as error:
            bench.trouble = str(error)
        if bench.trouble:
            break
        first, last = bench.travel
        widths.append(last - first)
    verdicts = [finished("searches", bench.trouble)]
    quantities: list[Quantity] = []
    notes = [f"The travel is now the one found last; before it was {low:.3f} to {high:.3f} deg."] if widths else []
    if widths:
        count = bench.count_deg
        spread, mean = max(widths) - min(widths), float(np.mean(widths))
        accept = bench.acceptance.travel_deg
        quantities += [
            Quantity("travel found", mean, "deg", spread + 2 * count,
                     f"mean of {len(widths)} searches, inside the stops", TELEMETRY),
            Quantity("spread of the travel found", spread, "deg", 2 * count, "greatest less least", TELEMETRY),
            Quantity("travel known before", known, "deg", 0.001, "settings of the node", TELEMETRY),
        ]  # fmt: skip
        verdicts += [
            at_most("spread of the travel found", spread, accept, "deg", 2 * count),
            at_most("travel found against the one known before", abs(mean - known), accept, "deg", spread + 2 * count),
        ]
        notes += _contact(bench, records, limit, quantities, verdicts)
        give, doubt = max(_give(one, sign) for one in records.values() for sign in (-1.0, 1.0))
        quantities.append(Quantity(
            "give of the stops", give, "deg", doubt, "greatest way that the ring goes on while the current rises at a "
            "stop, teeth included", TELEMETRY,
        ))  # fmt: skip
        soft = at_most("give of the stops against the back-off", give, float(bench.handle.get("finding-backoff")),
                       "deg", doubt)  # fmt: skip
        why = "" if soft.ok else "; the travel ends inside a soft stop: raise finding-backoff, or set it by hand"
        verdicts.append(replace(soft, text=soft.text + why))
    columns = {name: record.columns() for name, record in records.items()}
    curves = tuple(Curve(name, one.time_s, one.current_a) for name, one in records.items())
    plots = (Plot("Current while finding the stops", "time, s", "current, A", curves),)
    return Measurement("stops", "End stops", tuple(quantities), tuple(verdicts), columns, plots, tuple(notes))


def _contact(
    bench: Bench, records: dict[str, Record], limit: float, quantities: list[Quantity], verdicts: list[Verdict]
) -> list[str]:
    """Adds the torque at contact; returns why it is not known."""
    try:
        per_a, share, how = bench.torque_per_a()
    except ValueError as error:
        return [f"The torque at contact was not judged: {error}; name a motor card with --motor."]
    current = max(float(np.max(np.abs(one.current_a))) for one in records.values())
    torque, uncertain = current * per_a, current * per_a * max(0.01, COVERAGE * share)
    quantities.append(Quantity(
        "greatest torque while finding", torque, "N.m", uncertain, f"at the motor gear, from current; scale: {how}",
        TELEMETRY,
    ))  # fmt: skip
    allowed = bench.acceptance.contact_torque * limit
    verdicts.append(at_most("torque at contact", torque, allowed, "N.m", uncertain))
    return []


def _give(record: Record, sign: float) -> tuple[float, float]:
    """(way in deg from the contact with the upper (1) or lower (-1) stop to the farthest point, its uncertainty)."""
    place, current, speed = sign * record.position_deg, sign * record.current_a, sign * record.velocity_deg_s
    farthest = int(np.argmax(place))
    running = speed > 0.5 * np.max(speed)
    level = float(np.median(current[running])) if np.any(running) else 0.0
    met = level + CONTACT_SHARE * (float(np.max(current)) - level)
    before = np.nonzero(current[: farthest + 1] <= met)[0]
    contact = int(before[-1]) if len(before) else 0
    give = float(place[farthest] - place[contact])
    return give, float(np.max(speed)) * record.interval_s + CONTACT_SHARE * give
