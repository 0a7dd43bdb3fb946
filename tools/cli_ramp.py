"""Commands that check motion: one ramp drawn against its limits, and whether the travel limits hold."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, NamedTuple

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import (
    AxisOption,
    FindOption,
    ForceOption,
    JsonOption,
    LinkOption,
    NodeOption,
    SourceOption,
)
from ringlet.tools.cli_motion import SpeedOption
from ringlet.tools.errors import CheckFailed, DeviceRefused, NoAnswer, UsageProblem, fault_text
from ringlet.tools.extras import need

if TYPE_CHECKING:
    from ringlet.tools.heed import Heed
    from ringlet.tools.link import AxisHandle, Link
    from ringlet.tools.plots import Limits, Profile


def limits_of(handle: AxisHandle) -> Limits:
    """Limits in force. Raises UsageProblem when the travel is not known, CheckFailed when a fault is latched."""
    from ringlet.protocol.codes import Flag
    from ringlet.protocol.states import State
    from ringlet.tools.plots import Limits

    status = handle.status()
    if status.state == State.FAULTED:
        raise CheckFailed(
            f"axis {handle.axis} of node {handle.node} has a fault, {fault_text(status.fault)}; nothing was tried: "
            "look for its cause, then `ringlet clear-fault`."
        )
    if not status.flags >> Flag.CALIBRATED & 1:
        raise UsageProblem(
            f"the travel of axis {handle.axis} of node {handle.node} is not known; add --find to find its end stops, "
            "or set it by hand with `ringlet set-travel`."
        )
    names = ("travel-min", "travel-max", "velocity-limit", "acceleration-limit", "deceleration-limit")
    return Limits(*(float(handle.get(name)) for name in names))


def ramp(
    to: Annotated[str, typer.Argument(metavar="DEG", help="Ring position to go to, deg.")],
    out: Annotated[Path, typer.Option("--out", help="Folder for ramp.png, ramp.csv and ramp.json.")] = Path("ramp"),
    begin: Annotated[str, typer.Option("--from", metavar="DEG", help="Go here first; default: where it stands.")] = "",
    speed: SpeedOption = "",
    rate: Annotated[float, typer.Option(min=10, max=1000, help="Samples a second, at the most.")] = 250.0,
    find: FindOption = False,
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Record one move, and draw position, velocity and acceleration beside their limits.

    Examples: ringlet ramp 60 --find --link sim:single; ringlet ramp 200 --from 20 --out wide --axis 1
    """
    need("bench")
    goal = common.number(to, "The position", "deg", -2e6, 2e6)
    first = common.number(begin, "--from", "deg", -2e6, 2e6) if begin else None
    limit = common.number(speed, "--speed", "deg/s", 0.001, 3600.0) if speed else None
    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        _check_folder(out)
        with common.driving(bus, handle, force):
            common.make_ready(bus, handle, find)
            bounds = limits_of(handle)
            out.mkdir(parents=True, exist_ok=True)
            if first is not None:
                handle.move(first)
            length = handle.patience(goal, limit)
            data = record_move(bus, handle, rate, lambda: handle.move(goal, limit, wait=False), length)
            failed = _failed(handle, length)
        summary = _summary(data, bounds, goal)
    title = f"Axis {handle.axis} of node {handle.node} at {bus.url}: move to {goal:g} deg"
    write_ramp(data, bounds, summary, out, title)
    if as_json:
        common.emit(summary)
    else:
        _tell(summary)
    if failed:
        raise CheckFailed(failed)


def _check_folder(out: Path) -> None:
    """Raise UsageProblem for a folder that cannot be made: before anything moves, and nothing is made for it yet."""
    there = next(one for one in (out.absolute(), *out.absolute().parents) if one.exists())
    if not there.is_dir() or not os.access(there, os.W_OK):
        raise UsageProblem(f"{there} is no folder that can be written to; give another one with --out.")


def _failed(handle: AxisHandle, length: float) -> str:
    """Why a recorded move did not end on its target, empty when it did. What came until then is shown all the same."""
    if common.state_of(handle) == "moving":
        name = f"axis {handle.axis} of node {handle.node}"
        return f"{name} was still moving after {length:.0f} s; the recording ends there"
    try:
        handle.arrive(0.0)
    except CheckFailed as error:
        return f"{str(error).rstrip('.')}; the recording ends there"
    return ""


LEAD_S, REST_S = 0.03, 0.2
"""How long to record before the move begins, and after the setpoint has arrived, for the ring to settle."""


def record_move(
    bus: Link, handle: AxisHandle, rate: float, go: Callable[[], None], timeout: float | None = None
) -> Profile:
    """Record the motion that `go` begins until it rests, for `timeout` seconds (default: MOVE_TIMEOUT) at the most.

    Raises CheckFailed when there was too little of it.
    """
    from ringlet.tools.axis_handle import MOVE_TIMEOUT
    from ringlet.tools.plots import profile

    marks: list[float] = []  # begin of the recording, of the move, of the rest

    def over() -> bool:
        now = bus.clock.now()
        if not marks:
            marks.append(now)
        elif len(marks) == 1 and now - marks[0] >= LEAD_S:
            go()
            marks.append(now)
        elif len(marks) == 2 and common.state_of(handle) != "moving":
            marks.append(now)
        return len(marks) == 3 and now - marks[2] >= REST_S

    taken = handle.record(until=over, rate=rate, timeout=MOVE_TIMEOUT if timeout is None else timeout)
    try:
        return profile(taken.time_s, taken.setpoint_deg, taken.position_deg, taken.velocity_deg_s, taken.current_a)
    except ValueError as error:
        raise CheckFailed(f"the move was too short to draw: {error}.") from None


def _summary(data: Profile, bounds: Limits, goal: float) -> dict[str, Any]:
    import numpy as np

    def top(series: Any) -> float:
        return round(float(np.max(np.abs(series))), 3)

    return {
        "goal_deg": goal,
        "duration_s": round(float(data.time_s[-1]), 3),
        "samples": len(data.time_s),
        "rest_error_deg": round(float(data.position_deg[-1]) - goal, 3),
        "largest_following_error_deg": top(data.position_deg - data.setpoint_deg),
        "peak_velocity_deg_s": {
            "setpoint": top(data.setpoint_velocity_deg_s),
            "measured": top(data.velocity_deg_s),
            "doubt": data.velocity_doubt_deg_s,
            "limit": bounds.velocity_deg_s,
        },
        "peak_acceleration_deg_s2": {
            "setpoint": top(data.setpoint_acceleration_deg_s2),
            "measured": top(data.acceleration_deg_s2),
            "doubt": data.acceleration_doubt_deg_s2,
            "limit": max(bounds.acceleration_deg_s2, bounds.deceleration_deg_s2),
        },
        "peak_current_a": top(data.current_a),
    }


def write_ramp(data: Profile, bounds: Limits, summary: dict[str, Any], out: Path, title: str) -> None:
    """Write ramp.png, ramp.csv and ramp.json to a folder."""
    import numpy as np

    from ringlet.tools.plots import SERIES, plot_ramp

    out.mkdir(parents=True, exist_ok=True)
    table = np.column_stack([getattr(data, name) for name in SERIES])
    np.savetxt(out / "ramp.csv", table, fmt="%.6g", delimiter=",", header=",".join(SERIES), comments="")
    everything = summary | {
        "title": title,
        "limits": bounds._asdict(),
        "series": {name: [round(float(v), 6) for v in getattr(data, name)] for name in SERIES},
    }
    (out / "ramp.json").write_text(json.dumps(everything), encoding="utf-8")
    plot_ramp(data, bounds, out / "ramp.png", title)
    summary["files"] = [str(out / name) for name in ("ramp.png", "ramp.csv", "ramp.json")]


def _tell(summary: dict[str, Any]) -> None:
    from ringlet.tools import show

    grid = show.table("", "setpoint", "measured", "limit", right=("setpoint", "measured", "limit"))
    for name, label, unit in (
        ("peak_velocity_deg_s", "highest velocity", "deg/s"),
        ("peak_acceleration_deg_s2", "highest acceleration", "deg/s2"),
    ):
        row = summary[name]
        setpoint = f"{row['setpoint']:.2f} ± {row['doubt']:.2f} {unit}"
        grid.add_row(label, setpoint, *(f"{row[key]:.1f} {unit}" for key in ("measured", "limit")))
    screen = common.console()
    screen.print(grid)
    screen.print(
        f"{summary['duration_s']:.3f} s, {summary['samples']} samples; at its end {summary['rest_error_deg']:+.3f} deg "
        f"off the goal; largest following error {summary['largest_following_error_deg']:.3f} deg; "
        f"highest current {summary['peak_current_a']:.2f} A."
    )
    screen.print("Setpoint figures are derived from positions in steps of 0.001 deg; ± is the most that can be off.")
    screen.print("Written: " + ", ".join(summary["files"]), soft_wrap=True)


class Check(NamedTuple):
    """One way past a limit that was tried."""

    name: str
    passed: bool
    found: str


BEYOND_DEG = 5.0
"""How far past each travel limit the checks aim."""


def limits(
    find: FindOption = False,
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Check that the travel limits hold: against a move, a velocity and streamed setpoints past each of them.

    The ring turns to both ends. Exit code 1 when a limit does not hold.

    Examples: ringlet limits --find --link sim:single; ringlet limits --axis 2 --json
    """
    from ringlet.tools import show
    from ringlet.tools.heed import Heed

    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        with Heed(handle) as heed, common.driving(bus, handle, force):
            common.make_ready(bus, handle, find)
            bounds = limits_of(handle)
            checks = []
            for end in ("lower", "upper"):
                for check, what in _CHECKS:
                    checks.append(_judged(check, what, heed, handle, bounds, end))
                    heed.look()
    failed = [one for one in checks if not one.passed]
    if as_json:
        common.emit(
            {
                "node": handle.node,
                "axis": handle.axis,
                "passed": not failed,
                "checks": [one._asdict() for one in checks],
            }
        )
    else:
        grid = show.table("", "check", "found", title=f"Axis {handle.axis} of node {handle.node}: travel "
                          f"{bounds.travel_min_deg:g} to {bounds.travel_max_deg:g} deg")  # fmt: skip
        for one in checks:
            grid.add_row(f"{show.GOOD} holds" if one.passed else f"{show.BAD} FAILS", one.name, one.found)
        common.console().print(grid)
    if failed:
        raise CheckFailed(f"{len(failed)} of {len(checks)} checks failed; do not run this axis on a lens.")


_Checker = Callable[["Heed", "AxisHandle", "Limits", str], Check]


def _judged(check: _Checker, what: str, heed: Heed, handle: AxisHandle, bounds: Limits, end: str) -> Check:
    """The check's verdict; an axis that faults or refuses in the middle of it has failed it."""
    try:
        return check(heed, handle, bounds, end)
    except (CheckFailed, DeviceRefused) as error:
        handle.stop()
        return Check(f"{what} the {end} limit", False, str(error))


def _edge(bounds: Limits, end: str) -> tuple[float, int]:
    """Position of a travel limit, and the direction that leads past it."""
    return (bounds.travel_max_deg, 1) if end == "upper" else (bounds.travel_min_deg, -1)


def _by_move(heed: Heed, handle: AxisHandle, bounds: Limits, end: str) -> Check:
    from ringlet.protocol.codes import Refusal

    edge, way = _edge(bounds, end)
    name = f"a move {BEYOND_DEG:g} deg past the {end} limit is refused"
    before = handle.position()
    try:
        handle.move(edge + way * BEYOND_DEG, wait=False)
    except DeviceRefused as refused:
        right = refused.code == Refusal.PAST_TRAVEL and refused.item == (way > 0)
        moved = abs(handle.position() - before)
        return Check(name, right and moved < 0.5, f"{refused}; the ring moved {moved:.3f} deg")
    handle.hold()
    handle.rest()
    return Check(name, False, "it was accepted")


def _by_run(heed: Heed, handle: AxisHandle, bounds: Limits, end: str) -> Check:
    bus = handle.link
    edge, way = _edge(bounds, end)
    name = f"a velocity towards the {end} limit ends at it"
    speed = min(bounds.velocity_deg_s, 0.5 * (bounds.travel_max_deg - bounds.travel_min_deg))
    handle.run(way * speed)
    longest = max(30.0, handle.patience(edge, speed))
    worst, deadline = 0.0, bus.clock.now() + longest
    while common.state_of(handle) == "running":
        worst = max(worst, way * (handle.setpoint() - edge))
        if bus.clock.now() > deadline:
            handle.hold()
            raise NoAnswer(f"the ring still runs after {longest:.0f} s; stop it with `ringlet stop`, or cut the power.")
        bus.wait(0.005)
    at = handle.setpoint()
    ring = handle.position()
    found = f"setpoint came to rest at {at:.3f} deg, {worst:.3f} deg past it at the most; ring {ring:.3f} deg"
    return Check(name, abs(at - edge) < 0.0015 and worst < 0.0015, found)


def _by_stream(heed: Heed, handle: AxisHandle, bounds: Limits, end: str) -> Check:
    from ringlet.protocol.codes import Flag
    from ringlet.protocol.messages import StreamRing

    bus = handle.link
    edge, way = _edge(bounds, end)
    name = f"setpoints streamed up to {BEYOND_DEG:g} deg past the {end} limit are cut to it and flagged"
    reach = min(20.0, 0.5 * (bounds.travel_max_deg - bounds.travel_min_deg))
    start = edge - way * reach
    handle.move(start)
    worst, flagged, early, period = 0.0, False, False, 0.02
    steps = round(1.5 / period)
    for step in range(steps + 25):
        target = start + way * (reach + BEYOND_DEG) * min(1.0, step / steps)
        heed.look()
        bus.send(StreamRing(0, round(1000 * target)), node=handle.node, axis=handle.axis)
        bus.wait(period)
        clamped = bool(handle.status().flags >> Flag.CLAMPED & 1)
        past = way * (target - edge) > 0
        flagged, early = flagged or (clamped and past), early or (clamped and not past)
        worst = max(worst, way * (handle.setpoint() - edge))
    at = handle.setpoint()
    handle.hold()
    handle.rest()
    found = (
        f"setpoint at {at:.3f} deg, {worst:.3f} deg past the limit at the most; "
        f"{'flagged' if flagged else 'not flagged'}{', flagged inside the travel too' if early else ''}"
    )
    return Check(name, worst < 0.0015 and flagged and not early, found)


_CHECKS: Final[tuple[tuple[_Checker, str], ...]] = (
    (_by_move, "a move past"),
    (_by_run, "a velocity towards"),
    (_by_stream, "setpoints streamed past"),
)
