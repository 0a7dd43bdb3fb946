"""`ringlet bus`: does everything arrive in time on this bus, at these rates, with this many motors?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import JsonOption, LinkOption, SourceOption
from ringlet.tools.cli_optics import picture
from ringlet.tools.errors import UsageProblem

if TYPE_CHECKING:
    from ringlet.tools.bit_timing import Timing
    from ringlet.tools.bus_load import Advice, Budget, Plan, Speaker

RATES = "Rates"
BUS_LINES = "Bus"


def bus(
    rig: Annotated[str, typer.Argument(help="A shipped rig or a rig file; or give --link or --motors.")] = "",
    link: LinkOption = None,
    motors: Annotated[int, typer.Option(min=0, max=64, help="So many motors, each on a node of its own.")] = 0,
    bitrate: Annotated[
        int, typer.Option(min=0, max=1_000_000, help="CAN, bit/s.", show_default="500000", rich_help_panel=BUS_LINES)
    ] = 0,
    baud: Annotated[
        int, typer.Option(min=0, max=10_000_000, help="A serial line instead of CAN, baud.", rich_help_panel=BUS_LINES)
    ] = 0,
    clock: Annotated[
        str, typer.Option(metavar="HZ", help="CAN controller's clock: shows bit timings.", rich_help_panel=BUS_LINES)
    ] = "",
    length: Annotated[
        float, typer.Option(min=0, max=1000, help="Length of the line for bit timings, m.", rich_help_panel=BUS_LINES)
    ] = 10.0,
    errors: Annotated[
        float, typer.Option(min=0, max=1000, help="CAN errors a second to allow for.", rich_help_panel=BUS_LINES)
    ] = 0.0,
    burst: Annotated[
        int, typer.Option(min=1, max=100, help="With --errors: so many may come at once.", rich_help_panel=BUS_LINES)
    ] = 1,
    reply: Annotated[
        float, typer.Option(min=0, max=1000, help="Serial: a node answers in so many ms.", rich_help_panel=BUS_LINES)
    ] = 2.0,
    rate: Annotated[
        float, typer.Option(min=0, max=1000, help="Telemetry of each axis, Hz.", rich_help_panel=RATES)
    ] = 100.0,
    telemetry: Annotated[
        str, typer.Option(help="Which telemetry, with commas.", rich_help_panel=RATES)
    ] = "motion",
    setpoints: Annotated[
        float, typer.Option(min=0, max=1000, help="Streamed setpoints to each axis, Hz.", rich_help_panel=RATES)
    ] = 100.0,
    polls: Annotated[
        float, typer.Option(min=0, max=1000, help="Status requests to each axis, Hz.", rich_help_panel=RATES)
    ] = 2.0,
    moves: Annotated[
        float, typer.Option(min=0, max=1000, help="Moves and the like to each axis, Hz.", rich_help_panel=RATES)
    ] = 2.0,
    jitter: Annotated[
        float, typer.Option(min=0, max=1000, help="How late a message may be queued, ms.", rich_help_panel=RATES)
    ] = 1.0,
    target: Annotated[
        list[str] | None, typer.Option("--target", metavar="GROUP=MS", help="Another latency target; see below.")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="Latency against motors, as PNG, SVG or PDF.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Every message, not the worst of each kind.")] = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Load and worst-case latency of every message on a bus, against targets; and what to change.

    Targets are stop, setpoint, telemetry, fault, request, answer and reading, in ms (defaults: common practice, no
    source). Exit code 1 when a target is missed. Hand controls and range sensors count where a rig file names them.

    Examples: ringlet bus eight --bitrate 250000; ringlet bus --motors 8 --rate 50 --plot latency.png;
    ringlet bus pair --baud 115200 --rate 20 --target telemetry=100; ringlet bus trio --clock 80MHz;
    ringlet bus pair --errors 20 --burst 3
    """
    from ringlet.tools import bus_load

    if bitrate and baud:
        raise UsageProblem("--bitrate is for CAN and --baud for a serial line; give one of them.")
    if plot is not None:
        picture(plot)
    axes, url_can, url_speed = _axes(rig, link, motors, source)
    is_can = url_can if not (bitrate or baud) else not baud
    plan = bus_load.Plan(
        axes=axes, is_can=is_can, bitrate=bitrate or baud or url_speed or (500_000 if is_can else 115_200), rate=rate,
        telemetry=tuple(dict.fromkeys(word.strip() for word in telemetry.split(",") if word.strip())),
        setpoints=setpoints, polls=polls, moves=moves, jitter_ms=jitter, errors=errors, burst=burst,
        reply_ms=reply, speakers=_speakers(rig), targets=_targets(target or []),
    )  # fmt: skip
    if errors and not is_can:
        raise UsageProblem("--errors is for CAN, which sends a damaged frame again; a serial line does not.")
    if burst > 1 and not errors:
        raise UsageProblem("--burst says how many of the --errors may come at once; give --errors too.")
    if clock and not is_can:
        raise UsageProblem("--clock is for CAN; a serial line has no bit timings.")
    found = bus_load.budget(plan)
    advice = bus_load.advise(plan, found)
    timings = _timings(clock, plan.bitrate, length)
    if plot is not None:
        _plot(plan, plot)
    if as_json:
        common.emit(_document(plan, found, advice, timings))
    else:
        _show(plan, found, advice, timings, every, clock, length)
        if plot is not None:
            typer.echo(f"Picture: {plot}")
    if not found.ok:
        raise typer.Exit(1)


def _axes(rig: str, link: str | None, motors: int, source: int) -> tuple[tuple[int, ...], bool, int]:
    """Axes of each node, whether the link is CAN, and its speed where the URL names one."""
    if bool(rig) + bool(motors) > 1:
        raise UsageProblem("give a rig or --motors, not both.")
    if motors:
        return (1,) * motors, True, 0
    if rig:
        from ringlet.hwsim.rigfile import load_rig

        nodes = load_rig(rig).nodes
        return tuple(len(node.axes) for node in nodes), not any(node.shared_line for node in nodes), 0
    if not link:
        raise UsageProblem("name a rig, such as `ringlet bus trio`, or give --motors or --link.")
    from ringlet.protocol.messages import Identify

    with common.open_link(link, source) as bus_link:
        axes = tuple(bus_link.request(Identify(0), node=node).axes for node in common.nodes(bus_link, None))
        speed = _speed(link, "bitrate" if bus_link.is_can else "baud")
        return axes, bus_link.is_can, speed


def _speakers(rig: str) -> tuple[Speaker, ...]:
    """Hand controls and range sensors that a rig file names."""
    if not rig:
        return ()
    from ringlet.hwsim.rigfile import load_rig
    from ringlet.tools.bus_load import Speaker

    file = load_rig(rig)
    return tuple(
        Speaker(kind, one.source, one.rate_hz, 1000 * one.jitter_s)
        for kind, those in (("knob", file.controls), ("range", file.ranges)) for one in those
    )  # fmt: skip


def _speed(url: str, name: str) -> int:
    from urllib.parse import parse_qs

    value = parse_qs(url.partition("?")[2]).get(name, ["0"])[-1]
    return int(value) if value.isdigit() else 0


def _targets(words: list[str]) -> dict[str, float]:
    from ringlet.tools.bus_load import TARGETS

    targets = {name: ms for name, (ms, _) in TARGETS.items()}
    for word in words:
        name, mark, text = word.partition("=")
        if name not in targets or not mark:
            raise UsageProblem(f"the target {word!r} is not GROUP=MS; groups are {', '.join(targets)}.")
        targets[name] = common.number(text, f"the target {name}", "ms", 0.001, 1e6)
    return targets


def _timings(clock: str, bitrate: int, length: float) -> list[Timing]:
    if not clock:
        return []
    from ringlet.tools import bit_timing

    return bit_timing.propose(bit_timing.hertz(clock), bitrate, length_m=length)


def _plot(plan: Plan, path: Path) -> None:
    from ringlet.tools.bus_plot import plot_latency

    plot_latency(plan, path, f"Worst-case latency\n{_says(plan)}")


def _says(plan: Plan) -> str:
    """The plan in a few words."""
    line = f"CAN at {plan.bitrate / 1000:g} kbit/s" if plan.is_can else f"serial line at {plan.bitrate} baud"
    asked = f"{', '.join(plan.telemetry)} at {plan.rate:g} Hz" if plan.rate and plan.telemetry else "no telemetry"
    others = ""
    for kind, name in (("knob", "hand control"), ("range", "range sensor")):
        if count := sum(one.kind == kind for one in plan.speakers):
            others += f", {count} {name}{'s' * (count != 1)}"
    return f"{line}, {asked}, setpoints at {plan.setpoints:g} Hz{others}"


def _document(plan: Plan, found: Budget, advice: list[Advice], timings: list[Timing]) -> dict[str, Any]:
    return {
        "bus": "can" if plan.is_can else "serial",
        "shared": plan.shared,
        "bitrate": plan.bitrate,
        "axes": list(plan.axes),
        "load": found.load,
        "ok": found.ok,
        "errors_per_s": plan.errors,
        "error_burst": plan.burst,
        "targets_ms": plan.targets,
        "messages": [{**row._asdict(), "ok": row.ok} for row in found.rows],
        "advice": [one._asdict() for one in advice],
        "bit_timings": [one._asdict() for one in timings],
    }


def _show(
    plan: Plan, found: Budget, advice: list[Advice], timings: list[Timing], every: bool, clock: str, length: float
) -> None:
    from ringlet.tools import show
    from ringlet.tools.bus_load import TARGETS

    screen = common.console()
    right = ("count", "bytes", "longest", "period", "worst case", "target")
    grid = show.table("message", "what", "count", "bytes", "longest", "period", "worst case", "target", "", right=right)
    for name, rows in _rows(found, every):
        worst = max(rows, key=lambda row: float("inf") if row.response_ms is None else row.response_ms)
        response = "without bound" if worst.response_ms is None else f"{worst.response_ms:.2f} ms"
        grid.add_row(
            name, worst.group, str(len(rows)), str(worst.size), f"{worst.length_ms:.3f} ms", f"{worst.period_ms:g} ms",
            response, f"{worst.target_ms:g} ms", "ok" if worst.ok else "TOO LATE",
        )  # fmt: skip
    screen.print(grid)
    axes = sum(plan.axes)
    nodes = f"{len(plan.axes)} node{'s' * (len(plan.axes) != 1)}, {axes} motor{'s' * (axes != 1)}"
    screen.print(f"{nodes}. {_says(plan)}. Load {100 * found.load:.1f} %, all frames at their longest.")
    if plan.is_can:
        screen.print(f"Holds when each node sends its most urgent message first{_errors_says(plan)}.")
    elif plan.shared:
        screen.print(f"Holds when the control sends the most urgent first and nodes answer in {plan.reply_ms:g} ms.")
    else:
        screen.print("Holds when the control sends the most urgent first; the node may send in any order.")
    missed = list(dict.fromkeys(row.group for row in found.rows if not row.ok))
    if missed:
        says = "; ".join(f"{group}: {TARGETS[group][1]}" for group in missed)
        screen.print(f"Missed: {says}. What helps, each by itself: {'; or '.join(one.text for one in advice)}.")
    else:
        screen.print(f"Every target is met. Room left: {'; '.join(one.text for one in advice)}.")
    if timings:
        _show_timings(timings, clock, plan.bitrate, length)


def _errors_says(plan: Plan) -> str:
    """Under which errors the figures hold."""
    if not plan.errors:
        return ", without errors on the bus"
    at_once = "one error comes" if plan.burst == 1 else f"{plan.burst} errors come"
    return f", at most {at_once} at once and one more every {1000 / plan.errors:g} ms, and no node is error passive"


def _rows(found: Budget, every: bool) -> list[tuple[str, list[Any]]]:
    """Rows by name: all messages of a kind together, or each by itself. The most urgent first."""
    from ringlet.protocol.header import EVERYONE

    grouped: dict[str, list[Any]] = {}
    for row in found.rows:
        place = "" if row.node == EVERYONE else f" {row.node}.{row.axis}"
        grouped.setdefault(row.name + place if every else row.name.partition(",")[0], []).append(row)
    return list(grouped.items())


def _show_timings(timings: list[Timing], clock: str, bitrate: int, length: float) -> None:
    from ringlet.tools import show

    columns = ("prescaler", "tseg1", "tseg2", "jump", "sample point", "clocks within", "line up to")
    grid = show.table(
        *columns, "", title=f"Bit timings for {clock}, {bitrate / 1000:g} kbit/s, {length:g} m", right=columns
    )
    for one in timings[:6]:
        grid.add_row(
            str(one.prescaler), str(one.tseg1), str(one.tseg2), str(one.sjw), f"{one.sample_point:.1f} %",
            f"{one.oscillator:.2f} %", f"{max(0.0, one.line_m):.0f} m", "; ".join(one.problems) or "ok",
        )  # fmt: skip
    common.console().print(grid)
    if all(one.problems for one in timings):
        common.console().print("None of these is good: take another clock, a lower bit rate or a shorter line.")
