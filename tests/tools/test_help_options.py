"""The same option means the same, in the same unit, on every command; and --help says the unit."""

from __future__ import annotations

import re
import tomllib
from collections import defaultdict
from typing import Any

import pytest
from help_tools import Leaf, leaves
from readme_blocks import ROOT

TABLE = tomllib.loads((ROOT / "tests" / "data" / "names.toml").read_text(encoding="utf-8"))
UNITS = {name: row["unit"] for row in TABLE["units"] for name in row["names"]}
HOMONYMS = {(row["option"], command): row["unit"] for row in TABLE["homonyms"] for command in row["commands"]}
SAYS = {
    "deg": r"\bDEG\b|\bdeg\b|[Dd]egrees",
    "deg/s": r"deg/s",
    "s": r"\bS\b|\bs\b|second|--seconds",
    "h": r"\bH\b|\bh\b|--hours",
    "ms": r"\bms\b|\bMS\b",
    "Hz": r"\bHZ\b|\bHz\b|a second",
    "mm": r"\bMM\b|\bmm\b",
    "m": r"\bM\b|, m\b",
    "m/s": r"m/s",
    "distance": r"DISTANCE|NEAR,FAR|\b\dm\b",
    "mm and deg": r"MM,DEG",
    "N.m": r"\bNM\b|N\.m",
    "V": r"\bV\b",
    "degC": r"degC",
    "bit/s": r"bit/s",
    "baud": r"baud",
    "%": r"%",
    "share": r"0 to 1",
    "degrees for a degree": r"[Dd]egrees .* degree",
    "T-stop": r"\bT\d?\b",
    "frame rate": r"RATE",
    "time address": r"HH:MM:SS:FF",
    "NODE.AXIS": r"\bN\.A\b|NODE\.AXIS|AXIS=AXIS|A=B",
    "times": r"FACTOR|times",
}
"""How metavar or help must name a unit, in an expression each; other kinds of values need no unit."""


def valued() -> list[tuple[Leaf, Any]]:
    """Options with a value, each on its command."""
    return [(one, option) for one in leaves() for option in one.options
            if not option.is_flag and option.opts[0] != "--help"]  # fmt: skip


def unit_of(option: str, command: str) -> str:
    """Raises KeyError for an option that the table does not have."""
    return HOMONYMS.get((option, command), UNITS[option])


def test_each_option_with_a_value_has_one_unit_everywhere() -> None:
    names = {option.opts[0] for _, option in valued()}
    assert not names - set(UNITS), f"options without a row in names.toml, [[units]]: {sorted(names - set(UNITS))}"
    homonyms = {name for name, _ in HOMONYMS}
    assert not set(UNITS) - names - homonyms, f"in [[units]] and on no command: {sorted(set(UNITS) - names)}"


def test_a_homonym_is_on_its_command() -> None:
    there = {(option.opts[0], one.name) for one, option in valued()}
    for pair in HOMONYMS:
        assert pair in there, f"[[homonyms]] tells of {pair[0]} on `{pair[1]}`, where it is not"
        assert HOMONYMS[pair] != UNITS.get(pair[0]), f"{pair} has its ordinary unit"


@pytest.mark.parametrize(("one", "option"), [pytest.param(one, option, id=f"{one.name} {option.opts[0]}")
                                             for one, option in valued()])  # fmt: skip
def test_help_says_the_unit(one: Leaf, option: Any) -> None:
    unit = unit_of(option.opts[0], one.name)
    if unit in SAYS:
        told = f"{option.opts[0]} {option.metavar or ''} {option.help or ''}"
        assert re.search(SAYS[unit], told), f"{one.name} {option.opts[0]} is in {unit}, and its help does not say it"
        others = {name for name in ("deg/s", "N.m", "degC", "bit/s", "m/s") if name != unit
                  and re.search(rf"(?<![\w/]){re.escape(name)}(?![\w/])", option.help or "")}  # fmt: skip
        assert not others, f"{one.name} {option.opts[0]} is in {unit}, and its help says {others}"


def test_every_option_and_argument_has_a_sentence() -> None:
    for one in leaves():
        for option in (*one.options, *one.arguments):
            text = option.help or ""
            whole = text[-1:] in (".", ")", "?") and text[:1] not in (" ", "-")
            assert whole or option.opts[0] == "--help", f"{one.name} {option.opts}: {text!r}"


SHARED = ("--link", "--source", "--json", "--find", "--node", "--resume", "--yes", "--focal", "--stop", "--coc",
          "--transmission", "--clearance")  # fmt: skip
"""Options that are one thing on all commands; the sentence is the same too."""


@pytest.mark.parametrize("name", SHARED)
def test_a_shared_option_has_one_sentence(name: str) -> None:
    told: dict[str, list[str]] = defaultdict(list)
    for one in leaves():
        for option in one.options:
            if name in option.opts:
                told[option.help].append(one.name)
    assert told
    if name != "--yes":
        assert len(told) == 1, dict(told)


def test_choices_of_one_option_have_one_spelling() -> None:
    """A flag and its opposite are both told; none is spelled with an underscore or in capitals."""
    for one in leaves():
        for option in one.options:
            for word in (*option.opts, *option.secondary_opts):
                assert re.fullmatch(r"--[a-z][a-z0-9-]*|-h", word), f"{one.name} {word}"
