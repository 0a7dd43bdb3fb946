"""Two bench runs side by side, and what changed beyond what the measurements can tell. Pure: runs in, table out."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from ringlet.tools.bench.result import plain
from ringlet.tools.bench.run_folder import AxisTested, Finished, QuantityData, Run
from ringlet.tools.errors import UsageProblem

RULE: Final = (
    "A quantity counts as changed when its two values differ by more than the expanded uncertainty of the difference, "
    "the root of the sum of the squares of both expanded uncertainties (coverage factor 2, about 95 %)."
)
RULE_SOURCE: Final = (
    "The law of propagation for independent inputs, JCGM 100:2008 clause 5.1.2; the ratio is the number E_n of "
    "proficiency tests, changed where it is above 1 (ISO/IEC Guide 43-1; formula as quoted in doi "
    "10.1007/s00769-005-0021-8)."
)
RULE_LIMITS: Final = (
    "What both runs share (the same gauge, the same torque scale) cancels in a difference, so the rule is careful "
    "there. A hard bound is treated like an expanded uncertainty. Of quantities that did not change, up to about 1 in "
    "20 may be marked by chance. Uncertainties of one run do not hold what differs between set-ups: mounting, "
    "temperature, wear."
)

EXTENT: Final = {"soak": frozenset({"moves", "moving time", "way", "sessions", "messages heard"})}
"""Quantities that say how much was measured, and nothing about the device: they stand with the set-up."""
CHANGED, SAME, UNKNOWN, ONLY_A, ONLY_B = "changed", "same", "cannot tell", "only in A", "only in B"


@dataclass(frozen=True)
class Row:
    """One quantity in both runs; numbers are in `unit`, None where they are missing or not known."""

    axis: str
    measurement: str
    name: str
    unit: str
    a: float | None
    a_u: float | None
    b: float | None
    b_u: float | None
    difference: float | None
    difference_u: float | None
    verdict: str


@dataclass(frozen=True)
class Turned:
    """A check that came out otherwise, or is in one run only."""

    axis: str
    measurement: str
    name: str
    a: str
    b: str


@dataclass(frozen=True)
class Setting:
    """Something about what was tested, or how, that differs."""

    where: str
    name: str
    a: str
    b: str


@dataclass
class Comparison:
    """All of it."""

    settings: list[Setting] = field(default_factory=list)
    turned: list[Turned] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    pairing: str = ""
    """how axes of the two runs were matched, where their names differ"""

    def count(self, verdict: str) -> int:
        """How many quantities have this verdict."""
        return sum(row.verdict == verdict for row in self.rows)

    def to_json(self) -> dict[str, Any]:
        """Plain values for json.dumps."""
        return {
            "rule": RULE, "rule_source": RULE_SOURCE, "pairing": self.pairing,
            "counts": {name: self.count(name) for name in (CHANGED, SAME, UNKNOWN, ONLY_A, ONLY_B)},
            "settings": [asdict(one) for one in self.settings], "checks": [asdict(one) for one in self.turned],
            "quantities": [asdict(row) for row in self.rows],
        }  # fmt: skip


def compare(a: Run, b: Run) -> Comparison:
    """Both runs, axis by axis. Raises UsageProblem when they have no axis in common that can be told."""
    found = Comparison()
    pairs, found.pairing = _pairs(a, b)
    _run_settings(a, b, found)
    for one, other in pairs:
        _axis_settings(one, other, found)
        for name in dict.fromkeys((*one.results, *other.results)):
            _measurement(_label(one, other), name, one.results.get(name), other.results.get(name), found)
    return found


def summary(found: Comparison) -> str:
    """The whole comparison in one or two sentences."""
    worse = sum(one.b == "FAIL" for one in found.turned)
    better = sum(one.a == "FAIL" and one.b == "pass" for one in found.turned)
    told = found.count(CHANGED) + found.count(SAME)
    text = f"{found.count(CHANGED)} of {told} quantities changed beyond their uncertainty"
    unknown = found.count(UNKNOWN)
    text += f"; of {unknown} more it cannot be told" if unknown else ""
    alone = found.count(ONLY_A) + found.count(ONLY_B)
    text += f"; {alone} are in one run only" if alone else ""
    text += f". {worse} checks fail in B and did not in A" if worse else ". No check fails in B that did not in A"
    return text + (f"; {better} failed in A and pass in B." if better else ".")


def _pairs(a: Run, b: Run) -> tuple[list[tuple[AxisTested, AxisTested]], str]:
    theirs = {axis.key: axis for axis in b.axes}
    same = [(axis, theirs[axis.key]) for axis in a.axes if axis.key in theirs]
    if same:
        alone = [f"{axis.key} only in A" for axis in a.axes if axis.key not in theirs]
        alone += [f"{axis.key} only in B" for axis in b.axes if axis.key not in {one.key for one, _ in same}]
        return same, f"Axes left out: {', '.join(alone)}." if alone else ""
    if len(a.axes) == len(b.axes):
        pairs = list(zip(a.axes, b.axes, strict=True))
        told = ", ".join(f"{one.key} with {other.key}" for one, other in pairs)
        return pairs, f"The runs have other addresses; axes are compared in their order: {told}."
    raise UsageProblem(
        f"the runs have no axis in common: A has {', '.join(axis.key for axis in a.axes)}, "
        f"B has {', '.join(axis.key for axis in b.axes)}."
    )


def _label(one: AxisTested, other: AxisTested) -> str:
    return one.key if one.key == other.key else f"{one.key} / {other.key}"


def _run_settings(a: Run, b: Run, found: Comparison) -> None:
    def note(where: str, name: str, one: Any, other: Any) -> None:
        if one != other:
            found.settings.append(Setting(where, name, str(one), str(other)))

    note("run", "link", a.link, b.link)
    for name in dict.fromkeys((*a.tools, *b.tools)):
        note("tools", name, a.tools.get(name, "-"), b.tools.get(name, "-"))
    note("run", "torque limit lowered to", _torque(a), _torque(b))
    note("run", "motor card named", a.motor or "none", b.motor or "none")
    for name in dict.fromkeys((*a.acceptance, *b.acceptance)):
        note("acceptance", name, _number(a.acceptance.get(name)), _number(b.acceptance.get(name)))
    nodes = {one.node: one for one in b.nodes}
    for one in a.nodes:
        other = nodes.get(one.node) or (b.nodes[0] if len(a.nodes) == len(b.nodes) == 1 else None)
        if other is None:
            continue
        for name in ("id", "maker", "model", "firmware", "hardware", "protocol"):
            label = {"id": "unique id"}.get(name, name)
            note(f"node {one.node}", label, getattr(one, name), getattr(other, name))
        for name in dict.fromkeys((*one.parameters, *other.parameters)):
            note(f"node {one.node}", name, one.parameters.get(name, "-"), other.parameters.get(name, "-"))


def _axis_settings(one: AxisTested, other: AxisTested, found: Comparison) -> None:
    where = f"axis {_label(one, other)}"

    def note(name: str, a: str, b: str) -> None:
        if a != b:
            found.settings.append(Setting(where, name, a, b))

    for name in ("role", "name", "lens"):
        note(name, getattr(one, name), getattr(other, name))
    for kind in ("motor_card", "lens_card"):
        a, b = getattr(one, kind) or {}, getattr(other, kind) or {}
        for name in dict.fromkeys((*a, *b)):
            note(f"{kind.replace('_', ' ')}: {name}", str(a.get(name, "-")), str(b.get(name, "-")))
    for name in dict.fromkeys((*one.parameters, *other.parameters)):
        note(name, one.parameters.get(name, "-"), other.parameters.get(name, "-"))
    note("trouble", one.trouble, other.trouble)
    if bool(one.trouble) != bool(other.trouble):
        words = ["FAIL" if each.trouble else "pass" for each in (one, other)]
        found.turned.append(Turned(_label(one, other), "all", "the axis can be measured", words[0], words[1]))


def _measurement(axis: str, name: str, a: Finished | None, b: Finished | None, found: Comparison) -> None:
    ours = {verdict.name: verdict for verdict in a.verdicts} if a else {}
    theirs = {verdict.name: verdict for verdict in b.verdicts} if b else {}
    for check in dict.fromkeys((*ours, *theirs)):
        words = [("missing" if one is None else "pass" if one.ok else "FAIL")
                 for one in (ours.get(check), theirs.get(check))]  # fmt: skip
        if words[0] != words[1]:
            found.turned.append(Turned(axis, name, check, words[0], words[1]))
    mine = {one.name: one for one in a.quantities} if a else {}
    yours = {one.name: one for one in b.quantities} if b else {}
    for quantity in dict.fromkeys((*mine, *yours)):
        made = row(axis, name, quantity, mine.get(quantity), yours.get(quantity))
        if quantity not in EXTENT.get(name, ()) or made.a is None or made.b is None:
            found.rows.append(made)
        elif made.difference:
            amounts = (f"{plain(value)} {made.unit}".rstrip() for value in (made.a, made.b))
            found.settings.append(Setting(f"axis {axis}", f"{name}: {quantity}", *amounts))


def row(axis: str, measurement: str, name: str, a: QuantityData | None, b: QuantityData | None) -> Row:
    """One quantity of both runs, judged by `RULE`; units that differ cannot be compared."""
    unit = " / ".join(dict.fromkeys(one.unit for one in (a, b) if one is not None))
    va, vb = a.value if a else None, b.value if b else None
    ua, ub = a.uncertainty if a else None, b.uncertainty if b else None
    if a is None or b is None:
        verdict = ONLY_B if a is None else ONLY_A
        return Row(axis, measurement, name, unit, va, ua, vb, ub, None, None, verdict)
    if va is None or vb is None or a.unit != b.unit:
        verdict = SAME if va is None and vb is None and a.unit == b.unit else UNKNOWN
        return Row(axis, measurement, name, unit, va, ua, vb, ub, None, None, verdict)
    difference = vb - va
    if ua is None or ub is None:
        verdict = SAME if difference == 0 else UNKNOWN
        return Row(axis, measurement, name, unit, va, ua, vb, ub, difference, None, verdict)
    doubt = math.hypot(ua, ub)
    # Values are kept to about 16 digits; a difference in the last of them is none.
    verdict = CHANGED if abs(difference) > doubt + 1e-12 * max(abs(va), abs(vb)) else SAME
    return Row(axis, measurement, name, unit, va, ua, vb, ub, difference, doubt, verdict)


def _torque(run: Run) -> str:
    return "not lowered" if run.torque_nm is None else f"{run.torque_nm:g} N.m"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:g}"
