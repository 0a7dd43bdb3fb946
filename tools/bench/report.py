"""A bench run as one self-contained HTML page: verdicts, what was tested, the figures, and how to repeat it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from ringlet.tools.bench import compare
from ringlet.tools.bench.compare import Comparison
from ringlet.tools.bench.figures_svg import pretty, svg
from ringlet.tools.bench.result import COVERAGE_SOURCE, DECISION, plain
from ringlet.tools.bench.run_folder import PAGE, AxisTested, Finished, QuantityData, Run, VerdictData, load
from ringlet.tools.cli_common import CAUTION
from ringlet.tools.files import write_whole

SHOWN_PARAMETERS = (
    "velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit", "torque-moving", "torque-holding",
    "torque-finding", "following-limit", "motor-teeth", "ring-teeth", "encoder-counts",
)  # fmt: skip
"""Parameters that bind what is measured; the others follow in a table of their own."""
DIGITS = 2
"""Digits of an uncertainty."""


class Way(NamedTuple):
    """How a figure was come by."""

    method: str
    source: str


def write_page(folder: Path, run: Run) -> Path:
    """The page of a run, into its folder. Raises OSError."""
    path = folder / PAGE
    write_whole(path, page(run).encode())
    return path


def render_again(where: Path) -> Path:
    """The page of a run from its data. Raises UsageProblem where there is none, OSError."""
    folder = where if where.is_dir() else where.parent
    return write_page(folder, load(where))


def page(run: Run) -> str:
    """The whole page. Nothing in it asks the network for anything."""
    ways = _ways(run)
    return render(
        "report.html.j2", run=run, failures=list(failed(run)), decision=DECISION, coverage=COVERAGE_SOURCE,
        caution=CAUTION, ways=ways, number={way: place for place, way in enumerate(ways, 1)}, Way=Way,
        shown_parameters=[name for name in SHOWN_PARAMETERS if any(name in axis.parameters for axis in run.axes)],
        verdict=headline(run), drawn=drawn, pattern=pattern, span=_span(run), simulated_text=SIMULATED,
        cards=_cards(run),
    ).lstrip()  # fmt: skip


SIMULATED = (
    "The rig of this run is simulated and invented: the figures show what the simulated motors do, and say nothing "
    "about a real one."
)


def render(template: str, **values: Any) -> str:
    """A page from one of the bench's templates, with the helpers that they share."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("ringlet.tools.bench", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {"pretty": pretty, "clock": clock, "value": value_text, "doubt": doubt_text, "plain": plain}
    return environment.get_template(template).render(**values)


def compare_page(found: Comparison, a: tuple[Path, Run], b: tuple[Path, Run]) -> str:
    """Two runs side by side as one page; each comes with where it was read."""
    rows = found.rows
    groups = (
        ("Quantities that changed", [row for row in rows if row.verdict == compare.CHANGED]),
        ("Quantities of which it cannot be told", [
            row for row in rows if row.verdict not in (compare.CHANGED, compare.SAME)
        ]),
        ("Quantities that are the same within their uncertainty", [row for row in rows if row.verdict == compare.SAME]),
    )  # fmt: skip
    return render(
        "compare.html.j2", found=found, groups=groups, summary=compare.summary(found), rule=compare.RULE,
        rule_source=compare.RULE_SOURCE, rule_limits=compare.RULE_LIMITS,
        runs=[(letter, path, run, headline(run)) for letter, (path, run) in (("A", a), ("B", b))],
        worse=any(one.b == "FAIL" for one in found.turned), moved=found.count(compare.CHANGED),
        simulated=SIMULATED if a[1].simulated or b[1].simulated else "",
    )  # fmt: skip


# --- words and numbers ---------------------------------------------------------------------------------------------


def headline(run: Run) -> tuple[str, str]:
    """(class of the page's style, sentence) of the whole run."""
    bad, checks, left = len(run.failures()), run.checks(), len(run.left())
    if bad:
        word, text = "bad", f"FAIL: {bad} of {checks} checks failed" if checks else "FAIL: nothing could be measured"
    elif left:
        word, text = "open", f"Not finished: {checks} checks passed so far"
    else:
        word, text = "good", f"Pass: all {checks} checks passed"
    planned = len(run.axes) * len(run.measurements)
    return word, text + (f"; {left} of {planned} measurements are not done." if left else ".")


def failed(run: Run) -> Iterable[tuple[AxisTested, Finished, VerdictData]]:
    """Checks that failed, with where."""
    for axis in run.axes:
        for one in axis.results.values():
            for check in one.verdicts:
                if not check.ok:
                    yield axis, one, check


def clock(at: datetime | None) -> str:
    """A time as people read it, with its offset from UTC."""
    if at is None:
        return "not yet"
    return at.strftime("%Y-%m-%d %H:%M:%S ") + ("UTC" if not at.utcoffset() else f"UTC{at:%z}")


def decimals(uncertainty: float) -> int:
    """Places after the point that an uncertainty of two digits has; negative for tens.

    At most two significant digits (B. Taylor and C. Kuyatt, NIST Technical Note 1297, 1994; JCGM 100:2008 7.2.6, both
    from memory).
    """
    return DIGITS - 1 - math.floor(math.log10(float(f"{abs(uncertainty):.{DIGITS - 1}e}")))


def value_text(value: float | None, uncertainty: float | None = None) -> str:
    """A number with as many digits as its uncertainty lets it have; four where it is not known."""
    if value is None:
        return "could not be measured"
    if not uncertainty:
        return plain(value)
    places = decimals(uncertainty)
    rounded = round(value, places) + 0.0  # no minus before nothing
    if rounded and abs(rounded) < 1e-4:
        return f"{value:.3g}"
    return f"{rounded:.{max(0, places)}f}"


def doubt_text(figure: QuantityData) -> str:
    """An uncertainty; never one without the other."""
    u = figure.uncertainty
    if u is None:
        return "not known"
    if figure.value is None:
        return "-"
    if not u:
        return "0"
    value = figure.value
    if value is not None and round(value, decimals(u)) and abs(value) < 1e-4:
        return f"{u:.2g}"
    return value_text(u, u)


def pattern(one: Finished, key: str) -> str:
    """What the names of its records have in common."""
    return f"{key}-{one.id}-*.csv"


def drawn(one: Finished, key: str) -> list[tuple[str, str]]:
    """(title, SVG) of each drawing."""
    return [
        (drawing.title, svg(drawing, f"d{key.replace('.', '-')}-{one.id}-{place}"))
        for place, drawing in enumerate(one.plots)
    ]


def _cards(run: Run) -> list[tuple[str, dict[str, Any]]]:
    """Every card once, with its kind and name."""
    found: dict[str, dict[str, Any]] = {}
    for axis in run.axes:
        for kind, card in (("Motor card", axis.motor_card), ("Lens card", axis.lens_card)):
            if card is not None:
                found[f"{kind} {card['name']}"] = card
    return sorted(found.items())


def _ways(run: Run) -> list[Way]:
    """Methods and sources in the order in which they are first used."""
    return list(dict.fromkeys(
        Way(figure.method, figure.source)
        for axis in run.axes for one in axis.results.values() for figure in one.quantities
    ))  # fmt: skip


def _span(run: Run) -> str:
    """From when to when."""
    times = [one.at for axis in run.axes for one in axis.results.values()]
    last = run.ended or max(times, default=None)
    return clock(run.began) + (f" to {clock(last)}" if last else "")
