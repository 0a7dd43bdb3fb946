"""`ringlet conform`: does somebody's firmware keep the rules of the reference?

Exit codes as everywhere: 0 done, 1 a rule that must be kept is broken, 2 bad usage or input, 3 no link or no answer.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import AxisOption, ForceOption, JsonOption, LinkOption, NodeOption, SourceOption
from ringlet.tools.errors import CheckFailed, RingletError, UsageProblem
from ringlet.tools.files import check_target

if TYPE_CHECKING:
    from ringlet.tools.conform.run import Report, Result
    from ringlet.tools.conform.table import Check

OnlyOption = Annotated[
    list[str] | None,
    typer.Option("--only", metavar="NAME", help="Only checks of this name or pattern, e.g. TAG-01 or 'STOP-*'; "
        "repeatable."),
]
GentleOption = Annotated[bool, typer.Option("--gentle", help="Only checks that move nothing; the drive stays off.")]
YesOption = Annotated[bool, typer.Option("--yes", help="Do not ask before moving, nor for help with the supply.")]
ListOption = Annotated[bool, typer.Option("--list", help="Show the table of checks and run none.")]
StopsOption = Annotated[
    bool | None, typer.Option("--stops/--no-stops", help="Try the search for end stops too: the ring has hard stops.")
]
SpanOption = Annotated[float, typer.Option("--span", metavar="DEG", help="How far the ring may be turned, all in all.")]
TorqueOption = Annotated[
    float, typer.Option("--torque", metavar="NM", help="Highest torque limit for motion; the node's own is never "
        "raised.")
]
JUnitOption = Annotated[Path | None, typer.Option("--junit", metavar="FILE", help="Write JUnit XML for a build "
    "server.")]
HtmlOption = Annotated[Path | None, typer.Option("--html", metavar="FILE", help="Write one self-contained page.")]
SelfOption = Annotated[
    bool, typer.Option("--self-check", help="Run the suite on broken motors, each of which it must catch.")
]
RunsOption = Annotated[
    int, typer.Option("--runs", min=0, help="With --self-check: so many healthy devices, each of its own seed, must "
        "pass.")
]
AllOption = Annotated[bool, typer.Option("--all-checks", help="With --self-check: run every check on each broken "
    "motor.")]
JobsOption = Annotated[int, typer.Option("--jobs", min=1, max=64, help="With --self-check: processes side by side.")]


def conform(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    force: ForceOption = False,
    only: OnlyOption = None,
    gentle: GentleOption = False,
    yes: YesOption = False,
    list_: ListOption = False,
    stops: StopsOption = None,
    span: SpanOption = 40.0,
    torque: TorqueOption = 0.15,
    as_json: JsonOption = False,
    junit: JUnitOption = None,
    html: HtmlOption = None,
    self_check: SelfOption = False,
    runs: RunsOption = 3,
    all_checks: AllOption = False,
    jobs: JobsOption = 1,
) -> None:
    """Does a motor's firmware keep the rules of the reference? Each failure comes with bytes, times and likely cause.

    Without --gentle the ring is turned inside --span around where it stands, with no more torque than --torque and with
    low limits; the person at the bench is asked first. Settings, marks and texts are put back at the end.

    Examples:

    ringlet conform --gentle --link 'serial:/dev/ttyUSB0?baud=115200'

    ringlet conform --only 'STOP-0?' --only 'LIMIT-??' --html conform.html --link can:socketcan:can0

    ringlet conform --self-check

    The same under pytest, each check a test: pytest --ringlet-link=URL --pyargs ringlet.tools.conform (add
    --ringlet-motion to let the ring turn).
    """
    from ringlet.tools.conform.table import chosen

    if self_check:
        from ringlet.tools.conform.cli_self import self_check as run_self_check

        run_self_check(only or [], runs, all_checks=all_checks, jobs=jobs, gentle=gentle, as_json=as_json)
        return
    rows = chosen(only or [], gentle=gentle)
    if not rows:
        raise UsageProblem("with --gentle none of these checks is left; leave --gentle out.")
    if list_:
        _list(rows, as_json)
        return
    if not 4.0 <= span <= 360.0:
        raise UsageProblem(f"--span is {span:g} deg; it must be 4 to 360 deg.")
    if not 0.001 <= torque <= 5.0:
        raise UsageProblem(f"--torque is {torque:g} N.m; it must be 0.001 to 5 N.m.")
    for file in (junit, html):
        if file is not None:
            check_target(file)
    report, ended = _run(rows, link, node, axis or 0, source, force, yes, stops, span, torque, as_json)
    _tell(report, as_json, junit, html)
    if ended is not None:
        raise ended
    _judge(report)


def _run(
    rows: list[Check], link: str | None, node: int | None, axis: int, source: int, force: bool, yes: bool,
    stops: bool | None, span: float, torque: float, as_json: bool,
) -> tuple[Report, BaseException | None]:  # fmt: skip
    """The report, and what ended the run before its end."""
    from ringlet.tools.conform.probe import Room
    from ringlet.tools.conform.run import meet, run
    from ringlet.tools.conform.table import MOVES, Level
    from ringlet.tools.conform.wire import Wire
    from ringlet.tools.transports import open_transport

    if not link:
        raise UsageProblem("no link is given; add --link, for example --link sim:trio, or set RINGLET_LINK.")
    wire = Wire(open_transport(link))
    try:
        room = Room(round(1000 * span), round(1000 * torque))
        if not wire.is_sim and not yes and sys.stdin.isatty():
            room.ask_power = _ask_power
        probe, report, found = meet(wire, node, axis, source, force=force, room=room)
        report.link = link
        with_stops = wire.is_sim if stops is None else stops
        levels = {row.level for row in rows if row.level is not Level.STOPS or with_stops}
        common.note(common.CAUTION)
        if levels - {Level.NOTHING}:
            common.note(
                f"Moves the ring of axis {axis} of node {report.node} inside {span:g} deg around its present place "
                f"(where the travel is known, inside the travel), with at most {torque:g} N.m at the motor."
            )
            if not probe.room.known:
                common.note(
                    "Its travel is not known: the end stops are found first, slowly and with little "
                    "torque." if with_stops
                    else f"Its travel is not known: see that the ring is free for {span / 2:g} deg on both sides."
                )
            if Level.STOPS in levels:
                common.note(f"Then moves {MOVES[Level.STOPS]}. Not for a ring without hard stops.")
            for row in rows:
                if row.also and probe.axes > 1:
                    common.note(f"{row.id} moves {row.also} too.")
            common.confirm_motion(wire.is_sim, yes)
        try:
            with _Progress(len(rows), quiet=as_json) as step:
                run(probe, report, found, rows, stops=with_stops, find=with_stops, progress=step)
        except (KeyboardInterrupt, typer.Abort, RingletError) as error:
            return report, error
        return report, None
    finally:
        wire.close()


def _ask_power() -> None:
    typer.confirm("Switch the device's supply off, wait two seconds, switch it on. Done?", abort=True, err=True)


class _Progress:
    """A bar on a terminal, nothing elsewhere."""

    def __init__(self, total: int, *, quiet: bool) -> None:
        from rich.console import Console
        from rich.progress import Progress

        self._bar = Progress(console=Console(stderr=True), transient=True, disable=quiet or not sys.stderr.isatty())
        self._task = self._bar.add_task("conform", total=total)
        self._failed = 0

    def __enter__(self) -> Any:
        self._bar.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._bar.stop()

    def __call__(self, result: Result) -> None:
        self._failed += result.outcome == "fail"
        self._bar.update(self._task, advance=1, description=f"{result.check.id}, {self._failed} failed")


def _list(rows: list[Check], as_json: bool) -> None:
    from ringlet.tools.conform.report import check_data
    from ringlet.tools.conform.table import Level

    if as_json:
        common.emit([check_data(row) for row in rows])
        return
    from rich.markup import escape

    from ringlet.tools import show

    short = {Level.NOTHING: "nothing", Level.SPAN: "inside the span", Level.STOPS: "to both stops"}
    title = f"{len(rows)} checks; places are sections of protocol/REFERENCE.md"
    table = show.table("check", "severity", "moves", "rule", "place", title=title)
    for row in rows:
        table.add_row(row.id, row.severity, short[row.level], escape(row.rule), f"#{row.place}")
    common.console().print(table)


def _tell(report: Report, as_json: bool, junit: Path | None, html: Path | None) -> None:
    from ringlet.tools.conform import report as tell

    if as_json:
        common.emit(tell.to_json(report))
    else:
        tell.show(report, common.console())
    if junit is not None:
        tell.write(junit, tell.to_junit(report))
    if html is not None:
        tell.write(html, tell.to_html(report))


def _judge(report: Report) -> None:
    """Raises CheckFailed unless everything that was asked for ran, what must be kept is kept, and all was put back."""
    said = []
    if count := len(report.failed):
        names = ", ".join(one.check.id for one in report.failed)
        said.append(f"{count} rule{'s' if count > 1 else ''} that must be kept {'are' if count > 1 else 'is'} broken: "
            f"{names}")
    if report.cut:
        said.append(f"checks could not be run: {report.cut}")
    if report.left and not said:
        said.append(f"the device is not as it was found: {'; '.join(report.left)}")
    if said:
        raise CheckFailed(f"{'; '.join(said)}.")
