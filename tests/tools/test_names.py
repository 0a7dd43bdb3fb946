"""Every name that a person meets stands in tests/data/names.toml with its reason, and nothing stands there in vain."""

from __future__ import annotations

import ast
import colorsys
import re
import tomllib
import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import pytest
from help_tools import groups, leaves, spellings

from ringlet.protocol.dump import dump_schema
from ringlet.tools import emit_files, palette
from ringlet.tools.cli import _commands_built

ROOT = Path(__file__).parents[2]
TABLE = tomllib.loads((ROOT / "tests" / "data" / "names.toml").read_text(encoding="utf-8"))
REASONS = {"trade", "standard", "own"}
SOURCES = [path for folder in ("tools", "protocol", "hwsim") for path in sorted((ROOT / folder).rglob("*"))
           if path.suffix in (".py", ".css", ".js", ".j2", ".html")]  # fmt: skip


def listed(section: str) -> set[str]:
    return {name for row in TABLE[section] for name in row["names"]}


def audit(section: str, used: Iterable[str]) -> None:
    """Both ways: a name without a reason, and a reason without a name."""
    there, said = set(used), listed(section)
    assert not there - said, f"without a reason in names.toml, [[{section}]]: {sorted(there - said)}"
    assert not said - there, f"in names.toml, [[{section}]], and used nowhere: {sorted(said - there)}"


def test_the_table_gives_a_reason_to_each_name_once() -> None:
    for section, rows in TABLE.items():
        if section in ("units", "homonyms"):  # see test_help_options.py
            continue
        names = [name for row in rows for name in row["names"]]
        assert len(names) == len(set(names)), f"{section}: {sorted(one for one in names if names.count(one) > 1)}"
        for row in rows:
            assert row["reason"] in REASONS
            assert len(row["why"]) > 10


def test_commands() -> None:
    audit("commands", {word for one in leaves() for word in one.words} | set(groups()))


def test_options() -> None:
    own = {name for one in _commands_built().params for name in spellings(one)}
    audit("options", {name for one in leaves() for option in one.options for name in spellings(option)} | own
          | {"--help"})  # fmt: skip


def test_headings_of_help() -> None:
    panels = {getattr(option, "rich_help_panel", None) for one in leaves() for option in one.options}
    grouped = {getattr(one, "rich_help_panel", None) for one in _commands_built().commands.values()}
    audit("headings", {str(one) for one in panels | grouped if isinstance(one, str)})


def test_variables_of_the_environment() -> None:
    audit("environment", {name for path in SOURCES if path.suffix == ".py" and "tools" in path.parts
                          for text in strings(path) for name in re.findall(r"^RINGLET_[A-Z]+$", text)})  # fmt: skip


def test_states() -> None:
    audit("states", (row["name"] for row in dump_schema()["states"]))


def words(text: str) -> list[str]:
    return [word for word in re.split(r"[-_ ]", text) if word]


def test_words_of_the_wire() -> None:
    tables = dump_schema()
    named = [
        *(row["name"] for row in tables["kinds"]), *(row["name"] for row in tables["parameters"]),
        *(field["name"] for row in tables["kinds"] for field in row["fields"]),
        *(part["name"] for row in tables["kinds"] for field in row["fields"] for part in field["parts"]),
        *tables["enumerations"], *(one["name"] for rows in tables["enumerations"].values() for one in rows),
        *(row["name"] for part in ("states", "refusals", "faults", "timing") for row in tables[part]),
        *tables["events"]["requests"], *tables["events"]["internal"],
    ]  # fmt: skip
    audit("words", {word for name in named for word in words(name)})


ENDINGS = "png|svg|csv|json|html|toml|mcap|parquet|journal|xml|h|c|lua|dbc|md|part|log|bin|lock|jsonl|txt|css|js|pid"
FILE = re.compile(rf"[\w{{}}-]*\.(?:{ENDINGS})")
LIBRARIES = {"pyarrow.csv", "pyarrow.parquet"}


@cache
def strings(path: Path) -> tuple[str, ...]:
    """Text of the program, without its documentation; the holes of an f-string are {}."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    found: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            docs |= {id(one) for one in node.values}
            found.append("".join(str(one.value) if isinstance(one, ast.Constant) else "{}" for one in node.values))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            found.append(node.value)
    return tuple(found)


def test_names_of_files() -> None:
    """Literal names in the sources; those of emitted files are looked at where they are written."""
    found = {text for path in SOURCES if path.suffix == ".py" for text in strings(path) if FILE.fullmatch(text)}
    emitted = {one for one in found if one.startswith("ringlet_") or one in listed("emitted")}
    unnamed = {one for one in found if re.fullmatch(rf"[{{}}-]+\.(?:{ENDINGS})", one)}  # a person gives the name
    audit("files", found - emitted - unnamed - LIBRARIES)


def test_names_of_emitted_files(tmp_path: Path) -> None:
    audit("emitted", {path.name for path in emit_files.emit("all", tmp_path, False)})


def test_colours() -> None:
    hexes: set[str] = set()
    for path in SOURCES:
        for text in re.findall(r"#[0-9a-fA-F]{6}\b|#[0-9a-fA-F]{3}\b", path.read_text(encoding="utf-8")):
            long = text if len(text) == 7 else "#" + "".join(2 * digit for digit in text[1:])
            red, green, blue = (int(long[place : place + 2], 16) for place in (1, 3, 5))
            if max(red, green, blue) - min(red, green, blue) > 12:  # less is a grey
                hexes.add(long.lower())
    named = {word for path in SOURCES if path.suffix == ".py" for text in strings(path)
             for word in re.findall(r"\b(?:red|green|yellow|blue|cyan|magenta)\b", text) if text == word}  # fmt: skip
    audit("colours", hexes | named)


def hue(colour: str) -> float:
    red, green, blue = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    return 360.0 * colorsys.rgb_to_hsv(red, green, blue)[0]


def test_every_colour_has_a_hue_of_the_palette() -> None:
    """Shades and tints may differ in lightness, and a little in hue."""
    known = [hue(value) for name, value in vars(palette).items()
             if name.isupper() and name not in ("BLACK", "GREY")] + [56.0]  # the palette's yellow, #F0E442
    for colour in listed("colours"):
        if colour.startswith("#"):
            away = min(abs((hue(colour) - one + 180.0) % 360.0 - 180.0) for one in known)
            assert away <= 15.0, f"{colour} is {away:.0f} degrees of hue away from the palette"


def test_shapes() -> None:
    found = {letter for path in SOURCES for letter in path.read_text(encoding="utf-8")
             if ord(letter) > 127 and unicodedata.category(letter) in ("So", "Sm", "Sk", "Po", "No")}  # fmt: skip
    audit("shapes", found)


def page_names() -> tuple[set[str], set[str]]:
    """(regions and dialogs, buttons) of the page's sources, placeholders cut off."""
    text = "\n".join(path.read_text(encoding="utf-8") for path in sorted((ROOT / "tools" / "page").glob("*.py")))
    parts = re.findall(r'<section[^>]*?aria-label="([^"{]*)|ui\.dialog\(\)\.props\(\'aria-label="([^"]*)"', text)
    parts += re.findall(r"<summary><b>([^<{]*)()", text)
    parts += re.findall(r'role="group" aria-label="([^"{]*)()', text)
    buttons = re.findall(r"<button[^>]*>([^<>{]*[A-Za-z][^<>{]*)</button>", text)
    buttons += re.findall(r'ui\.button\("([^"{]*)"', text)
    return {(a or b).strip() for a, b in parts if (a or b).strip()}, {one.strip() for one in buttons}


@pytest.mark.parametrize("which", ["panels", "buttons"])
def test_names_on_the_page(which: str) -> None:
    audit(which, page_names()[which == "buttons"])


def test_a_new_name_is_found() -> None:
    with pytest.raises(AssertionError, match=r"without a reason.*frobnicate"):
        audit("commands", listed("commands") | {"frobnicate"})
    with pytest.raises(AssertionError, match=r"used nowhere.*jog"):
        audit("commands", listed("commands") - {"jog"})
