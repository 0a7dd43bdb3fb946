"""`ringlet report`: two bench runs side by side, and the page of a run again from its data."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import JsonOption

if TYPE_CHECKING:
    from ringlet.tools.bench.compare import Comparison, Row

app = typer.Typer(
    name="report", help="Bench runs on paper: two of them compared, or one shown again.", no_args_is_help=True,
    rich_markup_mode=None, pretty_exceptions_enable=False,
)  # fmt: skip

RunArgument = Annotated[Path, typer.Argument(help="Folder of a bench run, or its bench.json.")]


@app.command(
    help="Two runs side by side: checks that came out otherwise, what differs in the set-up, and every quantity with "
    "what changed beyond the combined uncertainty.\n\n"
    "Example: ringlet report compare before after --html compare.html\n\n"
    "Exit codes: 0 compared, whatever came out; 2 a run cannot be read."
)
def compare(
    a: RunArgument,
    b: RunArgument,
    as_json: JsonOption = False,
    html: Annotated[Path | None, typer.Option("--html", metavar="FILE", help="Write it as one HTML page, too.")] = None,
    whole: Annotated[bool, typer.Option("--all", help="Show what did not change, too.")] = False,
) -> None:
    """Compare runs A and B."""
    from ringlet.tools.bench import compare as job
    from ringlet.tools.bench.run_folder import load

    runs = load(a), load(b)
    found = job.compare(*runs)
    if html is not None:
        from ringlet.tools.bench.report import compare_page
        from ringlet.tools.files import write_whole

        write_whole(html, compare_page(found, (a, runs[0]), (b, runs[1])).encode())
        common.note(f"The page is {html}.")
    if as_json:
        common.emit(found.to_json())
        return
    _tell(found, whole)


@app.command(
    help="Write the page of a run again from its data, and say what it found; also of a run that was broken off.\n\n"
    "Example: ringlet report show ringlet-bench-2026-01-31-120000"
)
def show(run: RunArgument, as_json: JsonOption = False) -> None:
    """Render a run's page."""
    from ringlet.tools.bench.report import headline, render_again
    from ringlet.tools.bench.run_folder import load

    found = load(run)
    page = render_again(run)
    if as_json:
        common.emit({"page": str(page), "verdict": headline(found)[1], "failed": found.failures()})
        return
    typer.echo(headline(found)[1])
    for text in found.failures():
        typer.echo(f"  FAIL  {text}")
    typer.echo(f"The page is {page}.")


def _tell(found: Comparison, whole: bool) -> None:
    from ringlet.tools.bench import compare as job
    from ringlet.tools.show import table

    console = common.console()
    typer.echo(job.summary(found))
    if found.pairing:
        typer.echo(found.pairing)
    if found.turned:
        grid = table("axis", "measurement", "check", "A", "B", title="Checks that came out otherwise")
        for one in found.turned:
            grid.add_row(one.axis, one.measurement, one.name, one.a, one.b)
        console.print(grid)
    if found.settings:
        grid = table("where", "what", "A", "B", title="What differs in the set-up")
        for setting in found.settings:
            grid.add_row(setting.where, setting.name, setting.a, setting.b)
        console.print(grid)
    shown = [row for row in found.rows if whole or row.verdict != job.SAME]
    if shown:
        grid = table("", "axis", "measurement", "quantity", "A", "B", "B less A", "unit", "verdict",
                     title="Quantities" if whole else "Quantities that changed, or cannot be told",
                     right=("A", "B", "B less A"))  # fmt: skip
        for row in shown:
            grid.add_row("*" if row.verdict == job.CHANGED else "", row.axis, row.measurement, row.name, *_cells(row))
        console.print(grid)
    for text in (job.RULE, job.RULE_SOURCE, job.RULE_LIMITS):
        typer.echo(text)


def _cells(row: Row) -> tuple[str, ...]:
    from ringlet.tools.bench.report import value_text

    def pair(value: float | None, u: float | None) -> str:
        if value is None:
            return "-"
        return value_text(value, u) + (f" ± {value_text(u, u)}" if u else "")

    return pair(row.a, row.a_u), pair(row.b, row.b_u), pair(row.difference, row.difference_u), row.unit, row.verdict
