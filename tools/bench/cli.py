"""`ringlet bench`: measurements of a motor on its lens, each a command, or all of them.

Exit codes as everywhere: 0 done, 1 a verdict failed, 2 bad usage or input, 3 no link or no answer.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

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
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.extras import need
from ringlet.tools.places import place_in

if TYPE_CHECKING:
    from ringlet.tools.bench.carry_out import Order
    from ringlet.tools.bench.run_folder import AxisTested, Finished, Folder, Run
    from ringlet.tools.bench.session import Acceptance, Plan

app = typer.Typer(
    name="bench", help="Measure a motor on its lens: limits, precision, friction, latency.", no_args_is_help=True,
    rich_markup_mode=None, pretty_exceptions_enable=False,
)  # fmt: skip

OutOption = Annotated[
    Path | None,
    typer.Option(
        "--out", metavar="DIR",
        help="Folder for the report (one HTML page) and its data (JSON, and CSV for each record).",
    ),
]
ResumeOption = Annotated[
    Path | None,
    typer.Option(
        "--resume", metavar="DIR", help="Go on with an interrupted run; its options hold, only --link may change."
    ),
]
YesOption = Annotated[bool, typer.Option("--yes", help="Do not ask before moving.")]
MotorOption = Annotated[
    str,
    typer.Option("--motor", metavar="CARD", help="Motor card, for the torque constant; default: what the node says."),
]
TorqueOption = Annotated[
    str, typer.Option("--torque", metavar="NM", help="Lower the torque limit for motion; it is never raised.")
]
AcceptOption = Annotated[
    list[str] | None, typer.Option("--accept", metavar="NAME=VALUE", help="What still passes, e.g. reversal_deg=0.3.")
]
NoStopsOption = Annotated[bool, typer.Option("--no-stops", help="The ring has no hard stops: do not look for them.")]
MarksOption = Annotated[
    str,
    typer.Option(
        "--marks", metavar="CARD", help="Lens card, or file of marks (TOML, CSV), for figures in distance at each mark."
    ),
]
HoursOption = Annotated[str, typer.Option("--hours", metavar="H", help="Length of the soak; default: a minute.")]
MovesOption = Annotated[int | None, typer.Option("--moves", min=1, help="Length of the soak as a number of moves.")]
CheckStopsOption = Annotated[
    bool, typer.Option("--check-stops", help="Find the end stops before and after the soak: has the count slipped?")
]
SeedOption = Annotated[int, typer.Option("--seed", min=0, help="Of the soak's random moves.")]
WithOption = Annotated[
    str,
    typer.Option("--with", metavar="NODE.AXIS", help="The other axis of the pair; default: others of the same role."),
]


def acceptance(pairs: list[str] | None) -> Acceptance:
    """The acceptance figures with what a person changed. Raises UsageProblem."""
    from ringlet.tools.bench.session import Acceptance

    known = [field.name for field in fields(Acceptance)]
    changed: dict[str, float] = {}
    for pair in pairs or []:
        name, mark, text = pair.partition("=")
        if not mark or name not in known:
            raise UsageProblem(f"--accept {pair} is not known; write NAME=VALUE with one of: {', '.join(known)}.")
        changed[name] = common.number(text, f"--accept {name}", "its unit", 0.0)
    return replace(Acceptance(), **changed)


class Asked(NamedTuple):
    """Options that only some of the measurements have."""

    no_stops: bool = False
    marks: str = ""
    hours: str = ""
    moves: int | None = None
    check_stops: bool = False
    seed: int = 1
    with_axis: str = ""


def order_of(
    job: str, link: str | None, node: int | None, axis: int | None, source: int, force: bool, find: bool, motor: str,
    torque: str, accept: list[str] | None, asked: Asked,
) -> Order:  # fmt: skip
    """What was asked for, checked. Raises UsageProblem, CardError."""
    from ringlet.hwsim.cardfile import load_motor
    from ringlet.tools.bench.carry_out import Order
    from ringlet.tools.bench.registry import MEASUREMENTS

    if not link:
        raise UsageProblem("no link is given; add --link, for example --link sim:trio, or set RINGLET_LINK.")
    if motor:
        load_motor(motor)
    if asked.marks:
        from ringlet.tools.lens.marksfile import load

        load(asked.marks).curve()
    every = job == "all"
    return Order(
        job, tuple(one for one in MEASUREMENTS if one != "stops" or not asked.no_stops) if every else (job,), link,
        node, axis, every, find, force, source, motor,
        common.number(torque, "--torque", "N.m", 0.001, 5.0) if torque else None, acceptance(accept), _plan(asked),
        asked.marks, not asked.no_stops,
    )  # fmt: skip


def _plan(asked: Asked) -> Plan:
    from ringlet.tools.bench.session import Plan

    plan = Plan(soak_moves=asked.moves, soak_stops=asked.check_stops, seed=asked.seed)
    if asked.hours and asked.moves is not None:
        raise UsageProblem("--hours and --moves do not go together; give one of them.")
    if asked.hours:
        plan = replace(plan, soak_s=3600 * common.number(asked.hours, "--hours", "h", 1e-3, 10000.0))
    if asked.with_axis:
        partner = place_in(asked.with_axis)
        if partner is None:
            raise UsageProblem(f"--with is {asked.with_axis!r}; write NODE.AXIS, for example 17.0.")
        plan = replace(plan, partner=partner)
    return plan


def order_again(job: str, run: Run, link: str | None, source: int, force: bool) -> Order:
    """What an interrupted run asked for; only the link to it may have another name. Raises UsageProblem."""
    from ringlet.tools.bench.carry_out import PLANNED, Order
    from ringlet.tools.bench.session import Acceptance, Plan

    known = {field.name for field in fields(Acceptance)}
    plan = {name: value for name, value in run.plan.items() if name in PLANNED}
    if plan.get("partner"):
        plan["partner"] = tuple(plan["partner"])
    return Order(
        job, tuple(run.measurements), link or run.link, every=job == "all", find=run.find, force=force, source=source,
        motor=run.motor, torque_nm=run.torque_nm, plan=Plan(**plan), marks=run.marks,
        acceptance=Acceptance(**{name: value for name, value in run.acceptance.items() if name in known}),
    )  # fmt: skip


def run_bench(order: Order, out: Path | None, resume: Path | None, as_json: bool, yes: bool) -> None:
    """Carry out an order, keep it in its folder, and tell. Raises CheckFailed when a verdict failed."""
    need("bench")
    from ringlet.tools.bench import carry_out
    from ringlet.tools.bench.registry import MEASUREMENTS
    from ringlet.tools.bench.run_folder import Folder, check_free

    folder = Folder.old(resume) if resume is not None else None
    if folder is not None and folder.run.job != order.job:
        raise UsageProblem(f"{resume} holds a run of `ringlet bench {folder.run.job}`; go on with that.")
    if resume is None and out is None and (order.every or "soak" in order.names):
        out = carry_out.default_folder(_now)
    if out is not None:
        check_free(out)
    with common.open_link(order.link, order.source) as bus:
        if folder is not None:
            carry_out.check_same(folder.run, bus)
            run = folder.run
        else:
            run = carry_out.begin(order, bus, _now)
        common.note(common.CAUTION)
        for name in dict.fromkeys(name for _, name in run.left()):
            one = MEASUREMENTS[name]
            common.note(" ".join(f"{one.title}: moves {one.moves}. {one.caution}".split()))
        common.confirm_motion(bus.is_sim, yes)
        if folder is None and out is not None:
            folder = Folder.new(out, run)
        with _keeping(folder, order):
            carry_out.carry_out(order, run, bus, folder, _now, resume is not None)
    _tell(run, as_json, brief=order.every)
    if folder is not None:
        common.note(f"The report is {_page(folder)}, and its data stands beside it.")
    if not order.every and not run.checks() and not run.failures():
        notes = [text for axis in run.axes for one in axis.results.values() for text in one.notes]
        raise UsageProblem(f"nothing was measured. {' '.join(notes).removeprefix('Not measured: ')}".rstrip())
    failed = run.failures()
    if failed:
        raise CheckFailed(f"{len(failed)} of the checks failed: {'; '.join(failed)}.")


def _now() -> datetime:
    return datetime.now().astimezone()


def _page(folder: Folder) -> Path:
    from ringlet.tools.bench.report import write_page

    return write_page(folder.path, folder.run)


@contextmanager
def _keeping(folder: Folder | None, order: Order) -> Iterator[None]:
    """However a run is broken off: what was finished has its page, and a person hears how to go on."""
    try:
        yield
    except BaseException:
        if folder is not None:
            run = folder.run
            done = len(run.axes) * len(run.measurements) - len(run.left())
            common.note(
                f"{done} finished measurements are kept in {folder.path}; "
                f"to go on: ringlet bench {order.job} --resume {folder.path}"
            )
            _page(folder)
        raise


def _tell(run: Run, as_json: bool, brief: bool) -> None:
    """`brief` shows how many checks passed, and those that did not; else every figure."""
    if as_json:
        common.emit({
            axis.key: [
                one.model_dump(mode="json", exclude={"plots", "records", "at"}) | {"ok": one.ok}
                for one in axis.results.values()
            ] for axis in run.axes
        })  # fmt: skip
        return
    console = common.console()
    if brief:
        from ringlet.tools.show import BAD, GOOD, table

        grid = table("measurement", *(f"{axis.key} {axis.role}" for axis in run.axes), title="Checks passed")
        for name, title in run.titles.items():
            cells = []
            for axis in run.axes:
                one = axis.results.get(name)
                if one is None or not one.verdicts:
                    cells.append("no checks" if one else "not done")
                    continue
                good = sum(verdict.ok for verdict in one.verdicts)
                cells.append(f"{GOOD if one.ok else BAD} {good} of {len(one.verdicts)}")
            grid.add_row(title, *cells)
        console.print(grid)
    for axis in run.axes:
        if axis.trouble:
            console.print(f"  FAIL  axis {axis.key}: {axis.trouble}", markup=False)
        for one in axis.results.values():
            _tell_one(axis, one, brief)


def _tell_one(axis: AxisTested, one: Finished, brief: bool) -> None:
    from ringlet.tools.bench.report import doubt_text, value_text
    from ringlet.tools.show import table

    console = common.console()
    if not brief:
        grid = table("quantity", "value", "uncertainty", "unit", title=f"{one.title}, axis {axis.key}",
                     right=("value", "uncertainty"))  # fmt: skip
        for quantity in one.quantities:
            grid.add_row(
                quantity.name, value_text(quantity.value, quantity.uncertainty), doubt_text(quantity), quantity.unit
            )
        console.print(grid)
    for verdict in one.verdicts:
        if brief and verdict.ok:
            continue
        figure = "" if verdict.measured is None or verdict.limit is None else (
            f" ({verdict.measured:.4g}, limit {f'{verdict.limit:.4g} {verdict.unit}'.rstrip()})"
        )  # fmt: skip
        where = f"{axis.key} {one.id}: " if brief else ""
        word = "pass" if verdict.ok else "FAIL"
        console.print(f"  {word}  {where}{verdict.name}{figure}: {verdict.text}", markup=False)
    if not brief:
        for text in one.notes:
            console.print(f"  note  {text}", markup=False)


SPECIAL: dict[str, frozenset[str]] = {
    "no_stops": frozenset({"all"}),
    "marks": frozenset({"repeat", "all"}),
    "hours": frozenset({"soak", "all"}),
    "moves": frozenset({"soak", "all"}),
    "check_stops": frozenset({"soak", "all"}),
    "seed": frozenset({"soak", "all"}),
    "with_axis": frozenset({"together", "all"}),
}
"""Options of `Asked`, and the commands that have them."""


def _command(name: str) -> Callable[..., None]:
    def command(
        link: LinkOption = None,
        node: NodeOption = None,
        axis: AxisOption = None,
        source: SourceOption = 1,
        force: ForceOption = False,
        find: FindOption = False,
        as_json: JsonOption = False,
        out: OutOption = None,
        yes: YesOption = False,
        motor: MotorOption = "",
        torque: TorqueOption = "",
        accept: AcceptOption = None,
        resume: ResumeOption = None,
        no_stops: NoStopsOption = False,
        marks: MarksOption = "",
        hours: HoursOption = "",
        moves: MovesOption = None,
        check_stops: CheckStopsOption = False,
        seed: SeedOption = 1,
        with_axis: WithOption = "",
    ) -> None:
        asked = Asked(no_stops, marks, hours, moves, check_stops, seed, with_axis)
        if resume is None:
            order = order_of(name, link, node, axis, source, force, find, motor, torque, accept, asked)
        else:
            given: dict[str, Any] = {
                "out": out, "node": node, "axis": axis, "find": find, "motor": motor, "torque": torque,
                "accept": accept, **asked._asdict(),
            }  # fmt: skip
            for option, value in given.items():
                if value is not None and value is not False and value not in ("", Asked._field_defaults.get(option)):
                    word = option.removesuffix("_axis").replace("_", "-")
                    raise UsageProblem(f"--{word} does not go with --resume; the run's own options hold.")
            from ringlet.tools.bench.run_folder import load

            order = order_again(name, load(resume), link, source, force)
        run_bench(order, out, resume, as_json, yes)

    # A command shows the options that mean something to it.
    whole = inspect.signature(command, eval_str=True)
    own = [one for one in whole.parameters.values() if name in SPECIAL.get(one.name, (name,))]
    command.__signature__ = whole.replace(parameters=own)  # type: ignore[attr-defined]
    return command


HELP = {
    "ramp": "Does it hold velocity, acceleration and jerk limits?",
    "limit": "Does it stop at its travel limits, however they are approached?",
    "step": "How fast and how closely does it follow? With a frequency response.",
    "repeat": "How precisely does it come back? Targets from both sides, after ISO 230-2.",
    "friction": "How stiff is this lens? Friction, inertia, torque over the travel.",
    "stops": "Are the end stops found at the same place each time?",
    "latency": "How late does it answer and move?",
    "together": "Do two axes move together? Skew of a pair over speed and load.",
    "soak": "Does it stay good over hours? Random moves, with drift, temperature and losses; may be interrupted.",
    "all": "All of them, on every axis of every node, with a report.",
}
EXAMPLES = {
    "together": "ringlet bench together --find --link sim:pair --node 16 --with 17.0",
    "soak": "ringlet bench soak --find --link sim:single --hours 0.2; then, after Ctrl-C, with --resume DIR",
    "all": "ringlet bench all --find --link sim:trio --out report; --node and --axis narrow it",
}
for _name, _help in HELP.items():
    app.command(
        _name,
        help=f"{_help}\n\nExample: {EXAMPLES.get(_name, f'ringlet bench {_name} --find --link sim:single')}",
        epilog=common.CAUTION,
        context_settings=common.NUMBERS,
    )(_command(_name))
