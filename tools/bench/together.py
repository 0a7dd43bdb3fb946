"""Two axes together: the skew of a pair that starts on one `sync`, over speed and load.

Skew is the difference of the travel-normalised positions at the same bus time, first axis less second, times the travel
of the first: degrees of the first ring. Both nodes take one `clock` broadcast, so their samples carry one bus time. The
samples of the second are resampled at the times of the first by straight lines; at the rate of the recording that
adds at most a/8 T^2 for an acceleration a and an interval T (the error of linear interpolation: G. Dahlquist and A.
Bjorck, "Numerical Methods", 4.2; from memory), which is booked.

The time by which one runs behind the other is the shift that brings the two movements together best: least squares of
skew over slope, from the samples in motion.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Flag, names
from ringlet.tools.bench import latency
from ringlet.tools.bench.ramp import SETPOINT_STEP_DEG, MotionLimits
from ringlet.tools.bench.result import Array, Columns, Curve, Measurement, Plot, Quantity, Verdict, at_most, finished
from ringlet.tools.bench.session import Bench, Record, Script, on_bench
from ringlet.tools.errors import UsageProblem

TITLE: Final = "Two axes together"
SPEEDS: Final = (0.25, 0.5, 1.0)
"""Shares of the first axis's velocity limit."""
REACH: Final = 0.4
"""Share of the travel that a pass covers, about its middle."""
SPARE: Final = 1.5
"""Torque limit of the loaded pass as a multiple of the most that the second axis needed before."""
MOST_LOAD: Final = 250
"""A load figure above this is cut (it ends at 255 %)."""
CLOCK_ASKS: Final = 12
TICK_S: Final = 0.001
"""Nodes take a `clock` in their millisecond, so two may differ by one (hwsim/node.py; a board may do better)."""
DRIFT_SHARE: Final = 1e-4
"""Most by which two boards' clocks run apart: 50 ppm each, as crystals have it (common practice, no source)."""
SOURCE: Final = "telemetry of both, positions to 0.001 deg, on the bus clock"


class Side(NamedTuple):
    """One axis of a pair in a pass; arrays of one length, times on the bus clock, positions as shares of the travel."""

    time_s: Array
    setpoint: Array
    position: Array


class Skew(NamedTuple):
    """Figures of one pass, degrees of the first ring; positive when the first is ahead in the sense of the travel."""

    time_s: Array
    """from the first common sample"""
    ring_deg: Array
    setpoint_deg: Array
    peak_deg: float
    rms_deg: float
    setpoint_peak_deg: float
    behind_s: float
    """time by which the second is behind the first; negative when it is ahead"""
    uncertainty_deg: float
    """hard bound of the peak from counts, resampling and clocks"""
    behind_u_s: float


def skew(
    one: Side, two: Side, travel_deg: tuple[float, float], counts_deg: tuple[float, float], clock_u_s: float
) -> Skew:
    """Skew of a pass. `travel_deg` and `counts_deg`: travel and encoder count of each; `clock_u_s`: most by which the
    two bus times differ at the beginning, 0 for one clock.

    Raises ValueError when the records do not overlap or nothing moves.
    """
    if not len(one.time_s) or not len(two.time_s):
        raise ValueError("an axis sent no samples")
    begin, end = max(one.time_s[0], two.time_s[0]), min(one.time_s[-1], two.time_s[-1])
    use = (one.time_s >= begin) & (one.time_s <= end)
    if np.count_nonzero(use) < 8:
        raise ValueError("the records of the two axes have no time in common")
    time, span = one.time_s[use], travel_deg[0]
    setpoint, position = span * one.setpoint[use], span * one.position[use]
    other_setpoint = span * np.interp(time, two.time_s, two.setpoint)
    other = span * np.interp(time, two.time_s, two.position)
    ring, wanted = position - other, setpoint - other_setpoint
    tick = float(np.median(np.diff(two.time_s)))
    slope, other_slope = np.gradient(setpoint, time), np.gradient(other_setpoint, time)
    mean = 0.5 * (slope + other_slope)
    if not np.any(mean):
        raise ValueError("the setpoints do not move")
    if clock_u_s:
        clock_u_s += DRIFT_SHARE * float(end - begin)
    fastest = float(np.max(np.abs(other_slope)))
    bend = float(np.max(np.abs(np.gradient(other_slope, time)))) * tick**2 / 8.0
    grain = counts_deg[0] + counts_deg[1] * span / travel_deg[1] + 2.0 * SETPOINT_STEP_DEG
    uncertain = grain + bend + fastest * clock_u_s
    moving = np.abs(mean) > 0.2 * np.max(np.abs(mean))
    weight = float(mean[moving] @ mean[moving])
    behind = float(mean[moving] @ ring[moving]) / weight
    # The grain is not the same in each sample: a count adds at most its own share of the sum.
    behind_u = clock_u_s + (grain + bend) * float(np.abs(mean[moving]).sum()) / weight
    return Skew(
        time - time[0], ring, wanted, float(np.max(np.abs(ring))), float(np.sqrt(np.mean(ring[moving] ** 2))),
        float(np.max(np.abs(wanted))), behind, uncertain, behind_u,
    )  # fmt: skip


# --- procedure -----------------------------------------------------------------------------------------------------


class _Pass(NamedTuple):
    name: str
    speed: float
    skew: Skew
    load: tuple[int, int]
    """greatest load of each axis, per cent of its torque limit"""


def measure_together(bench: Bench) -> Measurement:
    """The pair that the plan names, or this axis with each other one of the same role."""
    here = (bench.handle.node, bench.handle.axis)
    pairs = [bench.plan.partner] if bench.plan.partner is not None else partners(bench)
    if here in pairs:
        raise UsageProblem("an axis makes no pair with itself; give another one with --with.")
    if bench.polled or any(bench.link.axis(*pair).get("shared-line") == "on" for pair in pairs):
        return _nothing("On a shared line nothing streams, so two axes cannot be seen at the same time.")
    if not pairs:
        role = bench.handle.get("role")
        return _nothing(f"No further axis with the role {role} is on this link; name one by --with NODE.AXIS.")
    found = {f"{node}.{axis}": _pair(bench, (node, axis)) for node, axis in pairs}
    if len(found) == 1:
        return next(iter(found.values()))
    return Measurement(
        "together", TITLE,
        tuple(replace(one, name=f"with {pair}, {one.name}") for pair, each in found.items() for one in each.quantities),
        tuple(replace(one, name=f"with {pair}, {one.name}") for pair, each in found.items() for one in each.verdicts),
        {name: columns for each in found.values() for name, columns in each.records.items()},
        tuple(one for each in found.values() for one in each.plots),
        tuple(one for each in found.values() for one in each.notes),
    )  # fmt: skip


def _nothing(why: str) -> Measurement:
    return Measurement("together", TITLE, (), (), notes=(f"Not measured: {why}",))


def partners(bench: Bench) -> list[tuple[int, int]]:
    """All other axes of the same role."""
    link, here = bench.link, (bench.handle.node, bench.handle.axis)
    role = bench.handle.get("role")
    if role == names("role")[0]:
        return []
    found = []
    for node in sorted(one.address for one in link.discover() if not one.fresh):
        for axis in range(link.request(m.Identify(0), node=node).axes):
            if (node, axis) != here and link.axis(node, axis).get("role") == role:
                found.append((node, axis))
    return found


def _pair(bench: Bench, pair: tuple[int, int]) -> Measurement:
    plan, link, handle = bench.plan, bench.link, bench.link.axis(*pair)
    if plan.partner is None:  # nobody asked for this one by name: leave it alone when it cannot take part
        status = handle.status()
        if not (status.flags >> Flag.CALIBRATED & 1 or plan.find):
            return _nothing(f"the travel of axis {pair[1]} of node {pair[0]} is not known; find its end stops first.")
        if status.owner not in (0, link.source) and not plan.force:
            return _nothing(f"control {status.owner} owns axis {pair[1]} of node {pair[0]}.")
    with on_bench(
        link, handle, acceptance=bench.acceptance, force=plan.force, find=plan.find, torque_nm=bench.lowered_torque,
        caution="",  # shown when this axis was taken
    ) as other:
        try:
            return _measure(bench, other)
        except BaseException:
            # Both at once: the blocks around would stop them one after the other.
            for one in (bench, other):
                link.stop(one.handle.node, one.handle.axis)
            raise


def _measure(bench: Bench, other: Bench) -> Measurement:
    label = f"{bench.handle.node}.{bench.handle.axis} and {other.handle.node}.{other.handle.axis}"
    clock_u, told = _one_clock(bench, other)
    spans = (bench.travel[1] - bench.travel[0], other.travel[1] - other.travel[0])
    counts = (bench.count_deg, other.count_deg)
    for one in (bench, other):
        one.fresh()
    passes: list[_Pass] = []
    records: dict[str, Columns] = {}
    top, trouble = bench.limits.velocity, None
    for name, share, loaded in (*((f"{100 * one:.0f} % speed", one, False) for one in SPEEDS), ("loaded", 1.0, True)):
        if loaded and not _load(other, passes):
            continue
        for way, sign in (("up", 1.0), ("down", -1.0)):
            title = f"{name}, {way}"
            sides, load = one_pass(bench, other, share * top, sign)
            trouble = bench.trouble or other.trouble
            if trouble:
                break
            try:
                found = skew(*sides, spans, counts, clock_u)
            except ValueError as error:
                trouble = str(error)
                break
            passes.append(_Pass(title, share * top, found, load))
            records[f"{label}, {title}"] = {
                "time_s": found.time_s, "skew_deg": found.ring_deg, "setpoint_skew_deg": found.setpoint_deg
            }  # fmt: skip
        if trouble:
            break
    return _report(bench, other, label, passes, records, trouble, told)


def one_pass(bench: Bench, other: Bench, speed: float, sign: float) -> tuple[tuple[Side, Side], tuple[int, int]]:
    """Stage the same share of both travels, sync, and record both; upwards for a `sign` of 1. `speed` is the first
    ring's in deg/s, and the second's in proportion to its travel. Trouble stands on the benches."""
    spans = [one.travel for one in (bench, other)]
    ends = [[low + (0.5 + way * REACH / 2) * (high - low) for way in (-sign, sign)] for low, high in spans]
    speeds = (speed, speed * (spans[1][1] - spans[1][0]) / (spans[0][1] - spans[0][0]))
    both = (bench, other)
    for one, (start, _) in zip(both, ends, strict=True):
        one.run(one.go(start))
    link = bench.link
    loads = [0, 0]

    def hear(heard: Packet, _: float) -> None:
        for number, one in enumerate(both):
            if (heard.src, heard.axis) == (one.handle.node, one.handle.axis):
                loads[number] = max(loads[number], heard.body.load)

    def inner() -> Script:
        yield from bench.pause(0.05)
        for one, (_, target), most in zip(both, ends, speeds, strict=True):
            one.stage(target, most)
        link.send(m.Sync(0))
        yield from bench.pause(0.03)
        for one in both:
            yield from one.at_rest()
        yield from bench.pause(0.1)

    first: list[Record] = []

    def outer() -> Script:
        first.append(bench.record(inner(), axes=2))
        yield

    link.send(m.Clock(0, round(1e6 * link.clock.now())))
    if bench.trouble or other.trouble:
        return _empty(), (0, 0)
    undo = link.subscribe(hear, ("drive",))
    try:
        second = other.record(outer(), axes=2)
    finally:
        undo()
    records = zip(both, (first[0], second), spans, strict=True)
    sides = tuple(
        Side(one.record_began_s + record.time_s, (record.setpoint_deg - low) / (high - low),
             (record.position_deg - low) / (high - low))
        for one, record, (low, high) in records
    )  # fmt: skip
    return (sides[0], sides[1]), (loads[0], loads[1])


def _empty() -> tuple[Side, Side]:
    none = np.empty(0)
    return Side(none, none, none), Side(none, none, none)


def _load(other: Bench, passes: list[_Pass]) -> bool:
    """Lower the second axis's torque limit to little more than what it needed; False where the load does not tell."""
    most = max((one.load[1] for one in passes), default=0)
    if not 0 < most < MOST_LOAD:
        return False
    now = float(other.handle.get("torque-moving"))
    wanted = SPARE * most / 100.0 * now
    if wanted >= now:
        return False
    other.change("torque-moving", max(0.001, round(wanted, 3)))
    return True


def _one_clock(bench: Bench, other: Bench) -> tuple[float, Verdict]:
    """(most by which the bus times of the two differ in a pass, s; whether the nodes' clocks agree)."""
    if bench.handle.node == other.handle.node:
        return 0.0, Verdict("one clock", True, None, None, "", "both axes are on one node and have its clock")
    link = bench.link
    link.send(m.Clock(0, round(1e6 * link.clock.now())))
    link.wait(0.01)
    fits = []
    for one in (bench, other):
        sent, received, told = [], [], []
        for _ in range(CLOCK_ASKS):
            sent.append(link.clock.now())
            answer: m.ClockIs = link.request(m.GetClock(0), node=one.handle.node)
            received.append(link.clock.now())
            told.append(answer.time / 1e6)
            link.wait(0.01)
        fits.append(latency.clock_fit(np.array(sent), np.array(received), np.array(told)))
    apart = abs(fits[1].offset_s - fits[0].offset_s)
    doubt = fits[0].offset_u_s + fits[1].offset_u_s
    follow = all(one.handle.status().flags >> Flag.CLOCK_SET & 1 for one in (bench, other))
    verdict = at_most("clocks of the two nodes apart", apart, TICK_S, "s", doubt)
    if not follow:
        verdict = Verdict(verdict.name, False, TICK_S, apart, "s", "a node does not follow the bus clock")
    return (TICK_S if verdict.ok else max(TICK_S, apart + doubt)), verdict


def _report(
    bench: Bench, other: Bench, label: str, passes: list[_Pass], records: dict[str, Columns], trouble: str | None,
    clocks: Verdict,
) -> Measurement:  # fmt: skip
    accept = bench.acceptance
    quantities: list[Quantity] = []
    for one in passes:
        found = one.skew
        how = (
            f"pair {label}; {one.speed:.3g} deg/s; greatest load {one.load[0]} and {one.load[1]} % of the torque limits"
        )
        quantities += [
            Quantity(f"{one.name}: greatest skew", found.peak_deg, "deg", found.uncertainty_deg, how, SOURCE),
            Quantity(f"{one.name}: skew in motion, rms", found.rms_deg, "deg", found.uncertainty_deg, how, SOURCE),
            Quantity(f"{one.name}: second behind first", found.behind_s, "s", found.behind_u_s,
                     f"best shift in motion; {how}", SOURCE),
            Quantity(f"{one.name}: greatest skew of the setpoints", found.setpoint_peak_deg, "deg",
                     found.uncertainty_deg, how, SOURCE),
        ]  # fmt: skip
    verdicts = [finished(f"passes, pair {label}", trouble), clocks]
    if passes:
        worst = max(passes, key=lambda one: one.skew.peak_deg)
        late = max(passes, key=lambda one: abs(one.skew.behind_s))
        for verdict, one in (
            (at_most("greatest skew", worst.skew.peak_deg, accept.skew_deg, "deg", worst.skew.uncertainty_deg), worst),
            (at_most("one behind the other", abs(late.skew.behind_s), accept.skew_s, "s", late.skew.behind_u_s), late),
        ):
            verdicts.append(replace(verdict, text=f"{verdict.text} ({one.name})"))
    limits = (("accepted", accept.skew_deg), ("accepted", -accept.skew_deg))
    by_speed = tuple(
        Curve(name, np.array([one.speed for one in group]), np.array([one.skew.peak_deg for one in group]), True)
        for name, group in (
            ("greatest", [one for one in passes if not one.name.startswith("loaded")]),
            ("greatest, little torque to spare", [one for one in passes if one.name.startswith("loaded")]),
        ) if group
    )  # fmt: skip
    plots = (
        *(
            Plot(f"Skew of the pair {label}, {way}wards", "time, s", "skew, deg",
                 tuple(Curve(one.name, one.skew.time_s, one.skew.ring_deg)
                       for one in passes if one.name.endswith(way)), limits)
            for way in ("up", "down")
        ),
        Plot(f"Greatest skew over speed, pair {label}", "speed of the first ring, deg/s", "skew, deg", by_speed,
             limits[:1]),
    ) if passes else ()  # fmt: skip
    notes = _notes(bench, other, label, passes)
    return Measurement("together", TITLE, tuple(quantities), tuple(verdicts), records, plots, tuple(notes))


def _notes(bench: Bench, other: Bench, label: str, passes: list[_Pass]) -> list[str]:
    span = [one.travel[1] - one.travel[0] for one in (bench, other)]
    notes = [
        f"Pair {label}: travels {span[0]:.2f} and {span[1]:.2f} deg; skew is in degrees of the first ring, and as the "
        "encoders see it, so play between motor and ring does not show."
    ]
    unlike = [
        name for name, one, two in zip(MotionLimits._fields, bench.limits, other.limits, strict=True)
        if abs(two * span[0] / span[1] / one - 1.0) > 0.01
    ]  # fmt: skip
    if unlike:
        notes.append(
            f"Not the same share of the travel on both: the limits of {', '.join(unlike)}; that makes skew in ramps."
        )
    if passes and not any(one.name.startswith("loaded") for one in passes):
        notes.append("No pass with less torque: the load figures do not tell how little would do.")
    return notes
