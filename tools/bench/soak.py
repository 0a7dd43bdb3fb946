"""Soak: hours of random moves, in bounded form, that can be interrupted at any moment and gone on with.

Every move that is done stands in a journal on the disk before the next begins (journal.py); only the move that was
under way when the power went is made once more.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import ENUMS
from ringlet.tools import cli_common as common
from ringlet.tools.bench.journal import HOME_EVERY, Course, Journal, Totals, begin
from ringlet.tools.bench.result import (
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
from ringlet.tools.bench.session import Bench
from ringlet.tools.errors import CheckFailed, DeviceRefused, NoAnswer

TITLE: Final = "Soak"
HOME_LEAD: Final = 0.05
"""Share of the travel below the home mark from which it is always approached, so that the play does not count."""
STREAM_HZ: Final = 50
REST_S: Final = 0.25
"""Rest before the place of the ring counts, as after the moves of `ramp`."""
DERATING_BAND_K: Final = 20.0
"""Torque is reduced this far below the winding limit (parameter `winding-limit`)."""
STEP_K: Final = 0.1
"""Step of the temperatures in the schema."""
TROUBLES_MOST: Final = 3
"""So many faults end a soak."""
SILENCES: Final = 3
"""So many tries are made to reach a node that fell silent."""
NOTES: Final = 10
"""Lines of progress over a whole soak."""
_POLL: Final = {name: number for number, name, _ in ENUMS["poll"]}


# --- procedure -----------------------------------------------------------------------------------------------------


class _Ears:
    """What is heard of the axis while it moves: messages, losses, greatest following error and lowest supply."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._handle = bench.handle
        self.following: float | None = None
        self.supply = math.inf
        self.heard = 0
        self._lost = bench.link.losses.total()
        self._setpoints: dict[int, int] = {}

    def hear(self, message: Packet, _: float) -> None:
        if message.src != self._handle.node or message.axis != self._handle.axis:
            return
        self.heard += 1
        body = message.body
        if isinstance(body, m.Motion):
            self._setpoints = {body.tag: body.position}
        elif isinstance(body, m.Drive) and body.tag in self._setpoints:
            off = abs(body.setpoint - self._setpoints[body.tag]) / 1000.0
            self.following = max(self.following or 0.0, off)
        elif isinstance(body, m.Health):
            self.supply = min(self.supply, body.supply / 1000.0)

    def take(self) -> dict[str, Any]:
        """What has come since the last time, for a line of the journal."""
        lost = self._bench.link.losses.total()
        line = {"lost": lost - self._lost, "heard": self.heard}
        self._lost, self.heard, self.following, self.supply = lost, 0, None, math.inf
        return line


@contextmanager
def _listening(bench: Bench) -> Iterator[_Ears]:
    """Telemetry on where the node may speak unasked; `restore` puts its settings back."""
    if not bench.polled:
        bench.change("telemetry-select", sum(1 << _POLL[name] for name in ("motion", "drive", "health")))
        bench.change("telemetry-rate", STREAM_HZ)
    ears = _Ears(bench)
    undo = bench.link.subscribe(ears.hear)
    try:
        yield ears
    finally:
        undo()


def measure_soak(bench: Bench) -> Measurement:
    """Random moves until the time or the number of the plan is reached, counted over all sessions of the journal."""
    handle = bench.handle
    low, high = bench.travel
    totals, path, plan = begin(bench.plan, Course(handle.node, handle.axis, bench.plan.seed, low, high))
    if totals.sessions:
        common.note(f"The journal holds {totals.moves} moves in {totals.seconds / 60:.1f} minutes; the soak goes on.")
    bench.fresh()
    journal = Journal(path)

    def note(line: dict[str, Any]) -> None:
        journal.write(line)
        totals.add(line)

    def done() -> float:
        """Share of the plan that is done."""
        return totals.moves / plan.soak_moves if plan.soak_moves else totals.seconds / plan.soak_s

    gave_up: str | None = None
    began = totals.moves
    try:
        if done() < 1.0:
            gave_up = _session(bench, totals, note, done, plan.soak_stops)
    except BaseException:
        if path is not None and totals.moves > began:
            common.note(f"{totals.moves} moves are in {path}; --resume goes on from there.")
        raise
    finally:
        journal.close()
    return report(bench, totals, gave_up, path)


def _session(
    bench: Bench, totals: Totals, note: Callable[[dict[str, Any]], None], done: Callable[[], float], search: bool
) -> str | None:
    """Moves until the plan is done; returns why it ended early, or None."""
    stops = _searched(bench) if search else None
    low, high = bench.travel
    home = low + 0.5 * (high - low)
    told = int(NOTES * done())
    with _listening(bench) as ears:
        at = _visit(bench, home)
        if bench.trouble:
            note({"what": "trouble", "text": bench.trouble, **ears.take()})
            return bench.trouble
        note({"what": "session", "home": at, **ears.take()})
        bench.run(bench.go(low + totals.course.start(totals.moves) * (high - low)))
        while done() < 1.0:
            number = totals.moves
            try:
                if number and number % HOME_EVERY == 0:
                    at = _visit(bench, home)
                    if not bench.trouble:
                        note({"what": "home", "home": at, **ears.take()})
                line = _move(bench, totals.course, number, low, high, ears)
            except NoAnswer:
                note({"what": "silent", **ears.take()})
                _reach(bench)
                continue
            note(line)
            if bench.trouble:
                note({"what": "trouble", "text": bench.trouble})
                if totals.troubles >= TROUBLES_MOST:
                    return f"{totals.troubles} faults; the last: {bench.trouble}"
                try:
                    bench.fresh()
                except DeviceRefused as error:  # the cause is still there
                    return str(error)
                if bench.trouble:
                    return bench.trouble
            if int(NOTES * done()) > told:
                told = int(NOTES * done())
                common.note(
                    f"  {min(1.0, done()):4.0%}  {totals.moves} moves, {totals.seconds / 60:.1f} min, winding "
                    f"{totals.winding.high:.0f} degC at most, {totals.lost} messages lost, {totals.troubles} faults"
                )
    if stops is not None:
        found = _search(bench)
        if bench.trouble:
            return bench.trouble
        note({"what": "slip", "deg": found - stops[0], "u": stops[1]})
    return None


def _move(bench: Bench, course: Course, number: int, low: float, high: float, ears: _Ears) -> dict[str, Any]:
    share, speed = course.move(number)
    target = low + share * (high - low)
    began = bench.link.clock.now()
    bench.run(bench.go(target, speed * bench.limits.velocity, settle_s=REST_S))
    line: dict[str, Any] = {
        "what": "move", "move": number, "s": bench.link.clock.now() - began, "off": None, "following": ears.following,
        "winding": None, "case": None, "supply": None,
    }  # fmt: skip
    if not bench.trouble:
        line["off"] = bench.handle.position() - target
        health: m.Health = bench.link.request(
            m.Poll(0, _POLL["health"]), node=bench.handle.node, axis=bench.handle.axis
        )
        supply = min(health.supply / 1000.0, ears.supply)
        line |= {"winding": health.winding / 10.0, "case": health.case / 10.0, "supply": supply}
    return line | ears.take()


def _visit(bench: Bench, home: float) -> float:
    """The home mark, approached from below: where the ring stands then, by a gauge or the encoder, deg."""
    low, high = bench.travel
    bench.run(bench.go(home - HOME_LEAD * (high - low)))
    bench.run(bench.go(home, settle_s=0.2))
    return 0.0 if bench.trouble else (bench.gauge() or bench.handle.position)()


def _reach(bench: Bench) -> None:
    """The node fell silent, so that it may have lost its owner: try to take it again. Raises NoAnswer."""
    for left in reversed(range(SILENCES)):
        bench.link.wait(1.0)
        try:
            bench.handle.take()
            bench.fresh()
            return
        except NoAnswer:
            if not left:
                raise


def _searched(bench: Bench) -> tuple[float, float]:
    """(where the lower stop is met, deg; its uncertainty) from two searches, of which the second is measured."""
    _search(bench)
    if bench.trouble:
        return 0.0, 0.0
    first = _search(bench)
    back = float(bench.handle.get("finding-backoff"))
    return first, 2.0 * bench.count_deg + abs(first + back)


def _search(bench: Bench) -> float:
    """Find the stops; returns where the lower one was met, in the numbers that held before the search."""

    def script() -> Iterator[None]:
        yield from bench.pause(0.02)
        bench.handle.find_stops(wait=False)
        yield from bench.at_rest(180.0)

    try:
        record = bench.record(script(), rate=200.0, torque="torque-finding")
    except CheckFailed as error:
        bench.trouble = str(error)
        return 0.0
    return float(np.min(record.position_deg)) if len(record.position_deg) else 0.0


# --- report --------------------------------------------------------------------------------------------------------


def report(bench: Bench, totals: Totals, gave_up: str | None, path: Path | None) -> Measurement:
    """Figures, verdicts and plots of what has been counted."""
    accept, count = bench.acceptance, bench.count_deg
    get, gauge = bench.handle.get, bench.gauge() is not None
    hours = totals.seconds / 3600.0
    drift_u = 2.0 * count  # of two readings; scatter of the visits is the motor's own
    messages = totals.lost + totals.heard
    share = totals.lost / messages if messages else float("nan")
    by = "the simulated ring, which stands for a gauge" if gauge else "encoder; a slip of the gears does not show"
    journal = "counted from the journal, all sessions together" if path else "counted as it went"
    source = "telemetry and answers of the node"
    quantities = [
        Quantity("moves", float(totals.moves), "", 0.0, f"{journal}; seed {totals.course.seed}", source),
        Quantity("moving time", totals.seconds, "s", None, journal, "tool's clock"),
        Quantity("way", totals.way_deg, "deg", 0.0, "sum of the moves asked for", source),
        Quantity("sessions", float(totals.sessions), "", 0.0, "one, and one more after each interruption", source),
        Quantity("faults", float(totals.troubles), "", 0.0, journal, source),
        Quantity("messages heard", float(totals.heard), "", 0.0, journal, source),
        Quantity("messages lost", float(totals.lost), "", 0.0,
                 "gaps in the tags of streams, requests asked again, damaged frames", source),
        Quantity("silences", float(totals.silent), "", 0.0, "requests that three tries did not get answered", source),
    ]  # fmt: skip
    verdicts = [
        finished("soak", gave_up),
        at_most("faults", float(totals.troubles), 0.0, ""),
        at_most("silences", float(totals.silent), 0.0, ""),
        at_most("lost messages", share, accept.lost_share, "of all"),
    ]
    if totals.drift.count:
        worst = totals.drift.greatest
        quantities.append(Quantity(
            "home mark, greatest change", worst, "deg", drift_u,
            f"{totals.drift.count} visits from below against the first of their session; {by}", source,
        ))  # fmt: skip
        if totals.drift.count > 2:
            trend = totals.drift_line
            blur = drift_u / float(np.ptp(totals.homes.columns()[0]))
            quantities.append(Quantity(
                "home mark, trend", 3600.0 * trend.slope, "deg/h", 3600.0 * float(np.hypot(trend.slope_u, blur)),
                "straight line", by,
            ))  # fmt: skip
        verdicts.append(at_most("drift of the home mark", worst, accept.drift_deg, "deg", drift_u))
    if totals.slip:
        slip = max(totals.slip, key=abs)
        quantities.append(Quantity(
            "lower stop, greatest change over a session", slip, "deg", totals.slip_u,
            "place of contact in searches before and after", source,
        ))  # fmt: skip
        verdicts.append(at_most("slip against the lower stop", abs(slip), accept.drift_deg, "deg", totals.slip_u))
    if totals.rest.count:
        quantities.append(Quantity(
            "rest beside the target, greatest", totals.rest.greatest, "deg", count,
            f"mean {totals.rest.mean:.4f} deg, deviation {totals.rest.deviation:.4f} deg", source,
        ))  # fmt: skip
        verdicts.append(at_most("rest beside the target", totals.rest.greatest, accept.end_error_deg, "deg", count))
    if totals.following.count:
        quantities.append(Quantity("following error, greatest", totals.following.greatest, "deg", count,
                                   f"samples at {STREAM_HZ} Hz", source))  # fmt: skip
        verdicts.append(at_most("following error", totals.following.greatest, accept.following_deg, "deg", count))
    if totals.winding.count:
        when = "at rest after each move" if bench.polled else f"at rest after each move, and {STREAM_HZ} times a second"
        _warmth(totals, get, when, quantities, verdicts)
    time, drift = totals.homes.columns()
    warm_time, winding, case = totals.heat.columns()
    rest_time, rest = totals.rests.columns()
    records: dict[str, Columns] = {
        "home mark": {"time_s": time, "change_deg": drift},
        "temperatures": {"time_s": warm_time, "winding_degc": winding, "case_degc": case},
        "rest": {"time_s": rest_time, "off_deg": rest},
    }
    limit = accept.drift_deg
    plots = (
        Plot("Home mark over the soak", "moving time, min", "change, deg",
             (Curve("home mark", time / 60, drift, True),), (("accepted", limit), ("accepted", -limit))),
        Plot("Temperatures over the soak", "moving time, min", "temperature, degC",
             (Curve("winding", warm_time / 60, winding), Curve("case", warm_time / 60, case)),
             (("winding limit", float(get("winding-limit"))), ("case limit", float(get("case-limit"))))),
    )  # fmt: skip
    notes = [f"{totals.moves} moves in {hours:.3g} h of moving time; longer soaks: --hours or --moves."]
    if totals.sessions > 1:
        notes.append(f"{totals.sessions} sessions: drift counts within each, and the motor cooled in the breaks.")
    if not totals.drift.count:
        notes.append(f"Drift was not judged: the home mark is visited again after {HOME_EVERY} moves only.")
    if bench.polled:
        notes.append("The line is shared, so nothing streams: only unanswered requests can be counted.")
    if path is not None:
        notes.append(f"Every move is in {path.name}.")
    return Measurement("soak", TITLE, tuple(quantities), tuple(verdicts), records, plots, tuple(notes))


def _warmth(
    totals: Totals, get: Callable[[str], Any], when: str, quantities: list[Quantity], verdicts: list[Verdict]
) -> None:  # fmt: skip
    source = "the node's own figures; the winding's is an estimate of the board"
    time, winding, case = totals.heat.columns()
    late = time >= 0.75 * time[-1]
    for name, seen, column in (("winding", totals.winding, winding), ("case", totals.case, case)):
        line = Line()
        for x, y in zip(time[late], column[late], strict=True):
            line.add(float(x) / 3600.0, float(y))
        quantities.append(Quantity(f"{name}, hottest", seen.high, "degC", STEP_K, "at rest after each move", source))
        if line.count > 2:
            blur = STEP_K / float(np.ptp(time[late]) / 3600.0)  # the figures come in steps
            quantities.append(Quantity(
                f"{name}, trend at the end", line.slope, "K/h", float(np.hypot(line.slope_u, blur)),
                "straight line through the last quarter", source,
            ))  # fmt: skip
    quantities.append(Quantity("supply, lowest", totals.supply.low, "V", 0.001, when, source))
    verdicts += [
        at_most("winding, before torque is reduced", totals.winding.high,
                float(get("winding-limit")) - DERATING_BAND_K, "degC", STEP_K),
        at_most("case", totals.case.high, float(get("case-limit")), "degC", STEP_K),
        at_least("supply", totals.supply.low, float(get("supply-min")), "V", 0.001),
    ]  # fmt: skip
