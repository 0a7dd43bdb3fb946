"""`ringlet conform --self-check`: the table of broken motors, and runs on healthy ones."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from fnmatch import fnmatchcase
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from ringlet.tools import cli_common as common
from ringlet.tools.conform.bed import Mutant
from ringlet.tools.conform.run import FAIL, Report
from ringlet.tools.conform.selfcheck import Caught, healthy, mutants, try_mutant
from ringlet.tools.conform.table import CHECKS, Level, chosen
from ringlet.tools.errors import CheckFailed


def _one(name: str, all_checks: bool) -> Caught:
    """In a process of its own: mutants by name, for functions do not travel."""
    rows = chosen([]) if all_checks else None
    found = try_mutant(mutants()[name], rows)
    return found._replace(mutant=found.mutant._replace(plant=_nothing))


def _nothing(_: object) -> None:
    """Stands for a fault that was planted elsewhere."""


def _healthy(seed: int, only: list[str], gentle: bool) -> dict[str, Any]:
    rig = ("single", "trio", "pair")[seed % 3]
    report = healthy(seed, chosen(only, gentle=gentle), rig)
    failed = [f"{one.check.id}: {one.problems[0].text}" for one in report.results if one.outcome == "fail"]
    return {"seed": seed, "rig": rig, "node": report.node, "axis": report.axis, "passed": report.count("pass"),
            "failed": failed, "left": report.left}  # fmt: skip


def self_check(
    only: list[str], runs: int, *, all_checks: bool, jobs: int, gentle: bool, as_json: bool
) -> None:  # fmt: skip
    """Run the table of broken motors, then healthy devices. Raises CheckFailed when a motor is not judged rightly."""
    chosen(only)  # complains of a name that is none
    names = [name for name, one in mutants().items() if _wanted(one.caught_by, only)]
    if gentle:
        names = [name for name in names if CHECKS[mutants()[name].caught_by].level is Level.NOTHING]
    rows: list[Caught] = []
    reports: list[dict[str, Any]] = []
    with ProcessPoolExecutor(jobs) as pool:
        for number, one in enumerate(pool.map(_one, names, [all_checks] * len(names)), 1):
            rows.append(one)
            _say(f"broken motor {number} of {len(names)}: {one.mutant.name} "
                f"{'caught' if one.ok else 'MISSED'}", as_json)
        for found in pool.map(_healthy, range(runs), [only] * runs, [gentle] * runs):
            reports.append(found)
            told = f"failed {found['failed']}" if found["failed"] else f"{found['passed']} checks passed"
            _say(f"healthy device {len(reports)} of {runs}, rig {found['rig']}, seed {found['seed']}: {told}", as_json)
    c_rows, why_not = _in_c(only, as_json) if not gentle else ([], "with --gentle those in C are left out")
    rows += c_rows
    missed = [one.mutant.name for one in rows if not one.ok]
    wrong = [found for found in reports if found["failed"] or found["left"]]
    if as_json:
        common.emit({
            "mutants": [{"name": one.mutant.name, "mistake": one.mutant.text, "rule": one.mutant.caught_by,
                         "caught_by": list(one.by), "caught": one.ok, "evidence": one.text} for one in rows],
            "in_c": len(c_rows), "in_c_left_out": why_not, "caught": len(rows) - len(missed), "missed": missed,
            "healthy_runs": len(reports), "healthy_failed": wrong,
        })  # fmt: skip
    else:
        _table(rows)
        if why_not:
            print(f"No broken motors in C: {why_not}.")
        print(f"{len(rows) - len(missed)} of {len(rows)} broken motors were caught by the check that names their rule.")
        if runs:
            print(f"{runs - len(wrong)} of {runs} healthy devices failed nothing and were left as found.")
    if missed or wrong:
        raise CheckFailed(f"the suite misjudged {len(missed)} broken and {len(wrong)} healthy devices: "
                          f"{', '.join([*missed, *(str(one['seed']) for one in wrong)])}.")  # fmt: skip


def _in_c(only: list[str], quiet: bool) -> tuple[list[Caught], str]:
    """Broken motors in C, and why there are none where that is so. Raises CheckFailed when the core does not build."""
    from ringlet.tools.conform.mutants_c import C_MUTANTS, CMutant, compiler, try_all

    picked = [one for one in C_MUTANTS if _wanted(one.caught_by, only)]
    if compiler() is None:
        return [], "there is no C compiler here; install gcc"
    if not picked:
        return [], "none breaks these rules"

    def told(one: CMutant, report: Report) -> None:
        _say(f"broken motor in C: {one.name} {'caught' if report.count(FAIL) else 'MISSED'}", quiet)

    try:
        with TemporaryDirectory() as folder:
            found = try_all(Path(folder), picked, told)
    except RuntimeError as error:
        raise CheckFailed(f"the broken motors in C cannot be tried ({error}).") from None
    rows = []
    for one, report in found:
        failed = [result for result in report.results if result.outcome == FAIL]
        text = failed[0].problems[0].text if failed else ""
        shown = Mutant(one.name, one.text, one.caught_by, _nothing)
        rows.append(Caught(shown, tuple(result.check.id for result in failed), text, 1))
    return rows, ""


def _wanted(rule: str, only: list[str]) -> bool:
    return not only or any(fnmatchcase(rule, pattern.upper()) for pattern in only)


def _say(text: str, quiet: bool) -> None:
    if not quiet:
        common.note(text)


def _table(rows: list[Caught]) -> None:
    from rich.markup import escape

    from ringlet.tools import show

    table = show.table("broken motor", "its mistake", "rule", "caught by", title="Broken motors")
    for one in rows:
        table.add_row(one.mutant.name, escape(one.mutant.text), one.mutant.caught_by,
                      ", ".join(one.by) if one.ok else f"MISSED ({', '.join(one.by) or 'nothing'})")  # fmt: skip
    common.console().print(table)
