"""`ringlet bench`: measurements of a motor on its lens, each a command, or all of them.

Exit codes as everywhere: 0 done, 1 a verdict failed, 2 bad usage or input, 3 no link or no answer.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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

if TYPE_CHECKING:
    from ringlet.tools.bench.result import Measurement
    from ringlet.tools.bench.session import Acceptance

app = typer.Typer(
    name="bench", help="Measure a motor on its lens: limits, precision, friction, latency.", no_args_is_help=True,
    rich_markup_mode=None, pretty_exceptions_enable=False,
)  # fmt: skip

OutOption = Annotated[Path | None, typer.Option("--out", help="Folder for the data: JSON, and CSV for each record.")]
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


def _run(
    names: list[str], link: str | None, node: int | None, axis: int | None, source: int, force: bool, find: bool,
    as_json: bool, out: Path | None, yes: bool, motor: str, torque: str, accept: list[str] | None,
) -> None:  # fmt: skip
    from ringlet.hwsim.cardfile import load_motor
    from ringlet.tools.bench.registry import MEASUREMENTS, measure
    from ringlet.tools.bench.session import on_bench

    judge = acceptance(accept)
    card = load_motor(motor) if motor else None
    most = common.number(torque, "--torque", "N.m", 0.001, 5.0) if torque else None
    done: dict[str, list[Measurement]] = {}
    with common.open_link(link, source) as bus:
        address = common.one_node(bus, node)
        axes = common.axes_of(bus, address, axis)
        common.note(common.CAUTION)
        for name in names:
            one = MEASUREMENTS[name]
            common.note(" ".join(f"{one.title}: moves {one.moves}. {one.caution}".split()))
        if not yes and not bus.is_sim:
            typer.confirm("Is everything clear of the gears, and may the motors move?", abort=True, err=True)
        for number in axes:
            results = done.setdefault(f"{address}.{number}", [])
            with on_bench(
                bus, bus.axis(address, number), acceptance=judge, motor=card, torque_nm=most, force=force, find=find
            ) as bench:
                for name in names:
                    common.note(f"Axis {number} of node {address}: {MEASUREMENTS[name].title}.")
                    measured = measure(name, bench)
                    results.append(measured)
                    if out is not None:
                        write(out, f"{address}.{number}", measured)
    _tell(done, as_json)
    failed = [
        f"{name} {one.id}: {verdict.name}"
        for name, results in done.items() for one in results for verdict in one.verdicts if not verdict.ok
    ]  # fmt: skip
    if failed:
        raise CheckFailed(f"{len(failed)} of the checks failed: {'; '.join(failed)}.")


def write(out: Path, axis: str, measured: Measurement) -> None:
    """A measurement as files: AXIS-ID.json, and AXIS-ID-RECORD.csv for each record. Raises OSError."""
    out.mkdir(parents=True, exist_ok=True)
    stem = f"{axis}-{measured.id}"
    data = measured.to_json(records=False)
    data["records"] = {}
    for name, columns in measured.records.items():
        path = out / f"{stem}-{re.sub('[^a-z0-9.]+', '-', name.lower())}.csv"
        with path.open("w", newline="", encoding="utf-8") as stream:
            writer = csv.writer(stream)
            writer.writerow(columns)
            writer.writerows([f"{value:.9g}" for value in row] for row in zip(*columns.values(), strict=True))
        data["records"][name] = path.name
    (out / f"{stem}.json").write_text(json.dumps(data, indent=1, allow_nan=False), encoding="utf-8")


def _tell(done: dict[str, list[Measurement]], as_json: bool) -> None:
    if as_json:
        common.emit({axis: [one.to_json(records=False) for one in results] for axis, results in done.items()})
        return
    from rich.table import Table

    console = common.console()
    for axis, results in done.items():
        for one in results:
            table = Table(title=f"{one.title}, axis {axis}", title_justify="left", expand=False)
            for heading in ("quantity", "value", "uncertainty", "unit"):
                table.add_column(heading, justify="right" if heading in ("value", "uncertainty") else "left")
            for quantity in one.quantities:
                doubt = "not known" if quantity.uncertainty is None else f"{quantity.uncertainty:.2g}"
                table.add_row(quantity.name, f"{quantity.value:.5g}", doubt, quantity.unit)
            console.print(table)
            for verdict in one.verdicts:
                figure = "" if verdict.measured is None or verdict.limit is None else (
                    f" ({verdict.measured:.4g}, limit {verdict.limit:.4g} {verdict.unit})"
                )  # fmt: skip
                console.print(
                    f"  {'pass' if verdict.ok else 'FAIL'}  {verdict.name}{figure}: {verdict.text}", markup=False
                )
            for text in one.notes:
                console.print(f"  note  {text}", markup=False)


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
        no_stops: NoStopsOption = False,
    ) -> None:
        from ringlet.tools.bench.registry import MEASUREMENTS

        names = [one for one in MEASUREMENTS if one != "stops" or not no_stops] if name == "all" else [name]
        chosen: Any = axis if name == "all" else axis or 0
        _run(names, link, node, chosen, source, force, find, as_json, out, yes, motor, torque, accept)

    return command


HELP = {
    "ramp": "Does it hold velocity, acceleration and jerk limits?",
    "limit": "Does it stop at its travel limits, however they are approached?",
    "step": "How fast and how closely does it follow? With a frequency response.",
    "repeat": "How precisely does it come back? Targets from both sides, after ISO 230-2.",
    "friction": "How stiff is this lens? Friction, inertia, torque over the travel.",
    "stops": "Are the end stops found at the same place each time?",
    "latency": "How late does it answer and move?",
    "all": "All of them, on every axis of the node.",
}
for _name, _help in HELP.items():
    app.command(
        _name,
        help=f"{_help}\n\nExample: ringlet bench {_name} --find --link sim:single",
        context_settings=common.NUMBERS,
    )(_command(_name))
