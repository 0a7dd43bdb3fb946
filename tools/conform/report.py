"""What a run found, for people and machines: a table, JSON, JUnit XML, and one self-contained HTML page."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ringlet.tools.cli_common import CAUTION
from ringlet.tools.conform.probe import EVIDENCE_MOST, Problem
from ringlet.tools.conform.run import FAIL, PASS, SKIP, Report, Result
from ringlet.tools.conform.table import Check

if TYPE_CHECKING:
    from markupsafe import Markup
    from rich.console import Console

REFERENCE: Final = "protocol/REFERENCE.md"
MARKS: Final = {PASS: "pass", FAIL: "FAIL", SKIP: "skip"}
STYLES: Final = {PASS: "green", FAIL: "bold red", SKIP: "dim"}
SHOWN: Final = 4
"""Problems of one check shown on a screen; files hold all."""


def check_data(row: Check) -> dict[str, Any]:
    """A row of the table as plain values."""
    return {
        "id": row.id, "rule": row.rule, "place": f"{REFERENCE}#{row.place}", "severity": row.severity,
        "moves": row.moves, "needs": sorted(row.needs), "likely": row.likely,
    }  # fmt: skip


def problem_data(one: Problem, began: float) -> dict[str, Any]:
    """A problem with its evidence: exact bytes and times (s from the beginning of the check)."""
    return {
        "text": one.text,
        "frames": [
            {"time_s": round(frame.time - began, 6), "way": "sent" if frame.sent else "heard",
             "header": None if frame.note else f"{frame.ident:08X}", "bytes": frame.data.hex().upper(),
             "shown": frame.show(began)}
            for frame in one.frames
        ],
    }  # fmt: skip


def result_data(one: Result) -> dict[str, Any]:
    """A result as plain values."""
    return check_data(one.check) | {
        "outcome": one.outcome, "reason": one.reason, "seconds": round(one.seconds, 4),
        "problems": [problem_data(problem, one.began) for problem in one.problems],
    }  # fmt: skip


def to_json(report: Report) -> dict[str, Any]:
    """The whole run as plain values."""
    return {
        "link": report.link, "node": report.node, "axis": report.axis,
        "identity": dict(report.identity._asdict()),
        "passed": report.count(PASS), "failed": report.count(FAIL), "skipped": report.count(SKIP),
        "ok": report.ok, "left_different": report.left,
        "repeats": report.repeats,
        "results": [result_data(one) for one in report.results],
    }  # fmt: skip


def to_junit(report: Report) -> str:
    """JUnit XML as build servers read it (the format has no standard; the common subset, from memory)."""
    suite = ET.Element(
        "testsuite", name=f"ringlet conform {report.link} node {report.node} axis {report.axis}",
        tests=str(len(report.results)), failures=str(report.count(FAIL)), errors="0", skipped=str(report.count(SKIP)),
        time=f"{sum(one.seconds for one in report.results):.3f}",
    )  # fmt: skip
    for one in report.results:
        group = one.check.id.rpartition("-")[0]
        case = ET.SubElement(suite, "testcase", classname=f"conform.{group}", name=f"{one.check.id} {one.check.rule}",
                             time=f"{one.seconds:.3f}")  # fmt: skip
        if one.outcome == SKIP:
            ET.SubElement(case, "skipped", message=one.reason)
        elif one.outcome == FAIL:
            failure = ET.SubElement(case, "failure", message=one.problems[0].text, type=one.check.severity)
            failure.text = _xml_safe("\n".join(evidence(one)))
    root = ET.Element("testsuites")
    root.append(suite)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _xml_safe(text: str) -> str:
    """XML 1.0 allows no control characters."""
    return "".join(one if one >= " " or one in "\n\t" else "?" for one in text)


def evidence(one: Result, most: int = 1 << 30) -> list[str]:
    """Lines of a failure: rule, place, problems with their frames, and the likely cause."""
    row = one.check
    lines = [f"rule ({row.severity}): {row.rule}", f"place: {REFERENCE}#{row.place}"]
    for problem in one.problems[:most]:
        lines.append(f"problem: {problem.text}")
        lines += [f"    {frame.show(one.began)}" for frame in problem.frames[-EVIDENCE_MOST:]]
    if len(one.problems) > most:
        lines.append(f"and {len(one.problems) - most} more problems of this check; --json has all")
    lines.append(f"likely cause: {row.likely}")
    return lines


def _coded(text: str) -> Markup:
    """Text for HTML, in which what stands between back-quotes is shown as code."""
    from markupsafe import Markup, escape

    return Markup(re.sub("`([^`]+)`", r"<code>\1</code>", str(escape(text))))


def to_html(report: Report) -> str:
    """One page that needs nothing else."""
    from jinja2 import Environment

    folder = resources.files("ringlet.tools.conform") / "templates"
    source = (folder / "conform.html.j2").read_text(encoding="utf-8")
    space = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    space.filters["coded"] = _coded
    page = space.from_string(source)
    groups: dict[str, list[Result]] = {}
    for one in report.results:
        groups.setdefault(one.check.id.rpartition("-")[0], []).append(one)
    return page.render(
        report=report, caution=CAUTION, passed=report.count(PASS), failed=report.count(FAIL),
        skipped=report.count(SKIP), failures=[one for one in report.results if one.outcome == FAIL], groups=groups,
        total=len(report.results), reference=REFERENCE, loses=loses(report),
    )  # fmt: skip


def loses(report: Report) -> str:
    """What stands behind the number of repeated requests."""
    return (f"request{'s' if report.repeats > 1 else ''} had to be sent again: frames get lost or come late on the "
        "link, in this computer or in the device. Failures may come from that.")


def write(path: Path, text: str) -> None:
    """Raises OSError."""
    path.write_text(text, encoding="utf-8")


def show(report: Report, console: Console) -> None:
    """The table, then each failure with its evidence."""
    from rich.markup import escape
    from rich.table import Table

    table = Table(title=f"Node {report.node}, axis {report.axis} on {report.link}", title_justify="left")
    for heading in ("check", "", "severity", "rule"):
        table.add_column(heading, no_wrap=heading != "rule")
    for one in report.results:
        rule = escape(one.check.rule if one.outcome != SKIP else f"{one.check.rule} Skipped: {one.reason}.")
        table.add_row(one.check.id, f"[{STYLES[one.outcome]}]{MARKS[one.outcome]}[/]", one.check.severity, rule)
    console.print(table)
    for one in report.results:
        if one.outcome == FAIL:
            console.print(f"\n{one.check.id} FAILED", style="bold")
            for line in evidence(one, SHOWN):
                console.print(line, markup=False, soft_wrap=True)
    console.print(
        f"\n{report.count(PASS)} passed, {report.count(FAIL)} failed, {report.count(SKIP)} skipped.", markup=False
    )
    if report.cut:
        console.print(f"Not all was run: {report.cut}.", markup=False)
    if report.repeats:
        console.print(f"{report.repeats} {loses(report)}", markup=False)
    if report.left:
        console.print("Not as it was found: " + "; ".join(report.left) + ".", markup=False)
    else:
        console.print("Settings, marks and texts are as they were found.", markup=False)
