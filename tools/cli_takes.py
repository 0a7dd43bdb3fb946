"""Commands for takes: record what the axes do, recover, show and export it, and play it as motion."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import (
    AxisOption,
    ForceOption,
    JsonOption,
    LinkOption,
    NodeOption,
    SourceOption,
)
from ringlet.tools.errors import CheckFailed, UsageProblem

if TYPE_CHECKING:
    from ringlet.tools.link import Link
    from ringlet.tools.takes.reader import Take
    from ringlet.tools.takes.recorder import Start
    from ringlet.tools.takes.replay import Plan

app = typer.Typer(
    name="take", help="Takes that were recorded: show, recover, export as a table.", no_args_is_help=True,
    rich_markup_mode=None, pretty_exceptions_enable=False,
)  # fmt: skip

TakeArgument = Annotated[Path, typer.Argument(metavar="TAKE", help="A file that `ringlet record` made.")]
FrameRateOption = Annotated[str, typer.Option("--frame-rate", metavar="RATE", help="Frame rate, as in 24 or 29.97df.")]


def _progress(what: str, as_json: bool) -> Callable[[float], None]:
    """Says how far a long job is, once in a while, where a person looks."""
    if as_json or not sys.stderr.isatty():
        return lambda seconds: None
    shown = [-1]

    def say(seconds: float) -> None:
        if int(seconds) != shown[0]:
            shown[0] = int(seconds)
            sys.stderr.write(f"\r{what}: {shown[0] // 3600}:{shown[0] // 60 % 60:02}:{shown[0] % 60:02} ")
            sys.stderr.flush()

    return say


def _start_of(start: str, frame_rate: str) -> Start | None:
    from ringlet.tools.takes.recorder import Start
    from ringlet.tools.takes.timecodes import frame_of, rate_named

    if not start and not frame_rate:
        return None
    if not start or not frame_rate:
        raise UsageProblem("--start and --frame-rate belong together; without both, time addresses come from the bus.")
    rate = rate_named(frame_rate)
    return Start(frame_of(start, rate), rate)


def record(
    take: Annotated[Path, typer.Argument(metavar="TAKE", help="New file, as in scene1.mcap.")],
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    seconds: Annotated[float, typer.Option(min=0, help="How long; 0 is until Ctrl-C.")] = 0.0,
    rate: Annotated[float, typer.Option(min=1, max=1000, help="Samples a second of each axis.")] = 100.0,
    start: Annotated[str, typer.Option(metavar="HH:MM:SS:FF", help="Time address at the start, which runs on.")] = "",
    frame_rate: FrameRateOption = "",
    note: Annotated[str, typer.Option(help="A sentence to keep with the take.")] = "",
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Record all axes (positions in ring degrees, and in distance, T-stop, focal length through their marks) into an
    MCAP file. Nothing moves, and nothing is owned: whoever drives goes on driving.

    After a kill or a power cut all but the last second is in the file; `ringlet take recover` makes it whole. Time
    addresses (SMPTE ST 12-1) come from the bus, or from --start and --frame-rate.

    Examples: ringlet record scene1.mcap --link can:socketcan:can0; ringlet record a.mcap --start 01:00:00:00
    --frame-rate 29.97df --seconds 10 --link sim:trio
    """
    from ringlet.tools.extras import needed
    from ringlet.tools.takes.interrupt import asked_to_end
    from ringlet.tools.takes.recorder import Recorder

    needed("take", "mcap.writer")
    begin = _start_of(start, frame_rate)
    with common.open_link(link, source) as bus:
        if bus.is_sim and not seconds:
            raise UsageProblem("a sim: link has no clock of its own; give --seconds, or serve it with `ringlet sim`.")
        places = _places(bus, node, axis)
        with Recorder(bus, take, places, rate=rate, start=begin, note=note) as recorder:
            if not as_json:
                _say_begin(recorder, rate)
            with asked_to_end() as asked:  # the ordinary end of a take
                recorder.run(seconds or None, _progress("recording", as_json), asked)
    writer = recorder.writer
    lost = sum(writer.lost.values())
    if as_json:
        common.emit({
            "take": str(take), "seconds": round(writer.last_s, 6), "samples": writer.samples, "lost": writer.lost,
            "timecode": recorder.stamps, "rate_hz": recorder.live.rate, "asked": recorder.live.polled,
        })  # fmt: skip
        return
    said = f", {recorder.stamps[0]} to {recorder.stamps[1]}" if recorder.stamps else ", without time addresses"
    typer.echo(f"{take}: {writer.last_s:.1f} s, {sum(writer.samples.values())} samples of {len(places)} axes{said}.")
    typer.echo(f"{lost} samples were lost on the way." if lost else "No sample was lost.")


def _places(bus: Link, node: int | None, axis: int | None) -> list[tuple[int, int]]:
    if axis is not None and node is None:
        node = common.one_node(bus, None)
    return [(one, place) for one in common.nodes(bus, node) for place in common.axes_of(bus, one, axis)]


def _say_begin(recorder: Any, wished: float) -> None:
    if recorder.live.rate < wished:
        common.note(
            f"This link carries {recorder.live.rate:.0f} samples a second of each axis, not {wished:g}; for more, name "
            "fewer axes."
        )
    for key in recorder.live.polled:
        common.note(f"Axis {key} is asked for each sample, as its node may not speak unasked or obeys another control.")
    common.note("Recording. Ctrl-C ends it.")


@app.command()
def show(take: TakeArgument, as_json: JsonOption = False) -> None:
    """What a take holds: axes, length, time addresses, what was lost and what happened.

    Example: ringlet take show scene1.mcap
    """
    from ringlet.tools import show as shown
    from ringlet.tools.takes.frames import runs
    from ringlet.tools.takes.reader import open_take
    from ringlet.tools.takes.timecodes import text_of

    held = open_take(take)
    found = runs(held.stamps())
    addresses = [
        {"rate": run.rate.name, "from": text_of(run.first, run.rate), "at_s": round(run.begin_s, 4) + 0.0,
         "frames": round((run.end_s - run.begin_s) * run.pace)} for run in found
    ]  # fmt: skip
    events = [event._asdict() for event in held.events()]
    if as_json:
        axes = [info._asdict() | {"key": key, "samples": held.samples.get(key, 0), "lost": held.lost.get(key, 0)}
                for key, info in held.axes.items()]  # fmt: skip
        common.emit({"take": str(take), "seconds": held.seconds, "about": held.about, "ended": held.tail["why"],
                     "axes": axes, "timecode": addresses, "events": events})  # fmt: skip
        return
    title = ", ".join(filter(None, (f"{take}: {held.seconds:.1f} s", held.tail["why"], held.about["note"])))
    grid = shown.table("axis", "role", "board", "marks", "samples", "lost", title=title, right=("samples", "lost"))
    for key, info in held.axes.items():
        marks = f"{len(info.marks)} {info.marks_kind}" if info.marks else "-"
        counts = (str(held.samples.get(key, 0)), str(held.lost.get(key, 0)))
        grid.add_row(key, info.role, info.unique_id, marks, *counts)
    screen = common.console()
    screen.print(grid)
    for one in addresses:
        typer.echo(f"Time addresses from {one['from']} at {one['rate']}, {one['frames']} frames, at {one['at_s']} s.")
    for event in events:
        typer.echo(f"{event['time_s']:10.3f} s  {event['text']}")


@app.command()
def recover(
    take: TakeArgument,
    out: Annotated[Path | None, typer.Option(help="New file; default: NAME-recovered.mcap beside it.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Save what is whole of a take that was cut short: each chunk is proven by its CRC. The old file stays as it is.

    Example: ringlet take recover scene1.mcap
    """
    from ringlet.tools.takes.recover import recover as run

    target = take.with_name(f"{take.stem}-recovered.mcap") if out is None else out
    found = run(take, target)
    if as_json:
        common.emit(found._asdict() | {"out": str(found.out), "damaged": [one._asdict() for one in found.damaged]})
        return
    typer.echo(
        f"{found.out}: {found.seconds:.3f} s in {found.chunks} whole chunks, {sum(found.samples.values())} samples of "
        f"{len(found.samples)} axes; the CRC of every chunk is right."
    )
    for key, count in found.samples.items():
        typer.echo(f"  axis {key}: {count} samples, {found.lost[key]} lost on the way when it was recorded")
    for one in found.damaged:
        typer.echo(f"  a chunk after {one.after_s:.3f} s is damaged; it said {one.claimed_s[0]:.3f} to "
                   f"{one.claimed_s[1]:.3f} s")  # fmt: skip
    typer.echo(
        "The take had its end." if found.was_whole
        else f"The take had no end; {found.dropped_bytes} bytes behind the last whole chunk were left out."
    )  # fmt: skip


@app.command()
def export(
    take: TakeArgument,
    rate: FrameRateOption,
    out: Annotated[Path | None, typer.Option(help="Name of the files, no ending; default: that of the take.")] = None,
    interpolation: Annotated[str, typer.Option(help="cubic (monotone) or linear.")] = "cubic",
    gap: Annotated[str, typer.Option(metavar="S", help="Between samples further apart frames stay empty.")] = "0.1",
    start: Annotated[str, typer.Option(metavar="HH:MM:SS:FF", help="Time address of the first frame.")] = "",
    form: Annotated[str, typer.Option("--format", help="csv, parquet or both.")] = "both",
    as_json: JsonOption = False,
) -> None:
    """Write a row for each frame: CSV and Parquet, units in the names of the columns, and a JSON file that says how.

    Nothing is invented: outside the samples and in gaps the row is empty.

    Examples: ringlet take export scene1.mcap --frame-rate 24; ringlet take export a.mcap --frame-rate 29.97df
    --format csv
    """
    from ringlet.tools.takes.export import export as run
    from ringlet.tools.takes.reader import open_take
    from ringlet.tools.takes.timecodes import frame_of, rate_named

    frames = rate_named(rate)
    forms = {"both": ("csv", "parquet"), "csv": ("csv",), "parquet": ("parquet",)}.get(form)
    if forms is None:
        raise UsageProblem(f"the format is {form!r}; choose csv, parquet or both.")
    gap_s = common.number(gap, "--gap", "s", 0.001, 60.0)
    first = frame_of(start, frames) if start else None
    held = open_take(take)
    target = take.with_suffix("") if out is None else out
    made = run(held, frames, target, method=interpolation, gap_s=gap_s, start=first, forms=forms)
    if as_json:
        files = [str(one) for one in made.files]
        common.emit(made.about | {"files": files, "frames": made.frames, "frames_are": made.about["frames"],
                                  "empty": made.empty})  # fmt: skip
        return
    typer.echo(f"{made.frames} frames at {frames.name}, {made.about['frames']}.")
    typer.echo(f"Between samples: {made.about['interpolation_is']}.")
    for key, count in made.empty.items():
        if count:
            typer.echo(f"Axis {key} is empty in {count} frames: its samples are more than {gap_s:g} s apart there; "
                       "--gap bridges longer ones.")  # fmt: skip
    typer.echo("Written: " + ", ".join(str(one) for one in made.files))


def replay(
    take: TakeArgument,
    link: LinkOption = None,
    axes: Annotated[str, typer.Option(metavar="A=B,...", help="Axes of the take, where they play: 16.0=17.0.")] = "",
    speed: Annotated[str, typer.Option("--speed", metavar="FACTOR", help="0.5 plays half as fast, 2 twice.")] = "1",
    check: Annotated[bool, typer.Option("--check", help="Only check whether it can be played; nothing moves.")] = False,
    timecode: Annotated[bool, typer.Option("--timecode", help="In step with the time addresses on the bus.")] = False,
    record: Annotated[Path | None, typer.Option(metavar="TAKE", help="Record what the axes then do.")] = None,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Play a take as motion. Limits are checked before anything moves; then the axes go to the first position, and
    follow the take in step with the clock or with the time addresses on the bus. Ctrl-C ramps down. A speed other than
    1 changes what is asked for: velocity with the speed, acceleration with its square, jerk with its third power.

    Examples: ringlet replay scene1.mcap --check --link can:socketcan:can0; ringlet replay scene1.mcap --speed 0.5;
    ringlet replay scene1.mcap --axes 16.0=17.0
    """
    from ringlet.tools.takes.reader import open_take
    from ringlet.tools.takes.replay import FASTEST, SLOWEST, make_plan, read_mapping
    from ringlet.tools.takes.replay import replay as run

    factor = common.number(speed, "--speed", "times the take", SLOWEST, FASTEST)
    held = open_take(take)
    where = read_mapping(axes, held)
    with common.open_link(link, source) as bus:
        plan = make_plan(bus, held, where, factor, named=bool(axes))
        for text in plan.notes:
            common.note(text)
        if plan.too_fast or check:
            _say_check(plan, held, as_json)
            return
        say = (lambda text: None) if as_json else common.note
        reached = run(bus, plan, force=force, chase=timecode, record=record, say=say,
                      progress=_progress("take", as_json))  # fmt: skip
    if as_json:
        common.emit({"played_s": round(plan.seconds, 3), "axes": {key: one._asdict() for key, one in reached.items()}})
        return
    typer.echo(f"Played {plan.seconds:.1f} s.")
    for key, one in reached.items():
        node, axis = where[key]
        typer.echo(
            f"Axis {node}.{axis}: setpoint within {one.setpoint_worst_deg:.3f} deg of the take, ring within "
            f"{one.ring_worst_deg:.3f} deg ({one.looks} looks)."
        )


def _say_check(plan: Plan, held: Take, as_json: bool) -> None:
    """The verdict. Raises CheckFailed when the take is too fast."""
    if as_json:
        common.emit({
            "fits": not plan.too_fast, "seconds": round(plan.seconds, 3), "speed": plan.speed,
            "too_fast": [one._asdict() | {"place": plan.place(one.take_s)} for one in plan.too_fast],
            "smoothed": [key for key, track in plan.tracks.items() if track.smoothed],
        })  # fmt: skip
    else:
        for one in plan.too_fast:
            typer.echo(f"Too fast: {one.sentence(plan.place)}.")
        for key, track in plan.tracks.items():
            if track.smoothed:
                typer.echo(f"Axis {key} was turned by hand or asked for each sample: it plays smoothed.")
    if plan.too_fast:
        slower = plan.fitting_speed()
        todo = "no slower speed helps, so" if slower is None else f"it fits with --speed {slower:g}, or"
        raise CheckFailed(
            f"{held.path} asks for more than the motors may do in {len(plan.too_fast)} places, so nothing was moved; "
            f"{todo} change the limits if motor and lens allow it."
        )
    if not as_json:
        typer.echo(f"{held.path} can be played: {plan.seconds:.1f} s, {len(plan.tracks)} axes. Nothing was moved.")


