"""Commands in README's tables and prose: each program is there, and its parser takes the options that are printed."""

from __future__ import annotations

import re
import runpy
import shlex
import sys

import pytest
from help_tools import groups, leaf, leaves, spellings, understand
from readme_blocks import FENCE, ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")
PROSE = FENCE.sub("", README)


def section(name: str) -> str:
    return PROSE.split(f"\n## {name}\n", 1)[1].split("\n## ", 1)[0]


def in_tables(name: str) -> list[str]:
    """Code in the rows of a section's table that begins like a program of the repo or an option of the one before."""
    rows = [line for line in section(name).splitlines() if line.startswith("|")]
    found: list[str] = []
    for row in rows:
        folder, program = "", ""
        for code in re.findall(r"`([^`]+)`", row):
            words = shlex.split(code)
            if code.startswith("tests/"):
                continue  # a mention; test_paths_in_the_text_are_there
            if "tests/" in code:
                found.append(code)
                path = next(word for word in words if "tests/" in word)
                folder, program = path.rpartition("/")[0], path
            elif words[0].endswith(".py") and folder:
                program = f"{folder}/{words[0]}"
                found.append(shlex.join(["python", program, *words[1:]]))
            elif code.startswith("--") and program:
                found.append(shlex.join(["python", program, *words]))
    return found


PRINTED = list(dict.fromkeys(in_tables("Reliability") + in_tables("Longer runs")))


def test_the_tables_are_read() -> None:
    assert len(PRINTED) >= 15
    assert any("fresh_motors.py" in one for one in PRINTED)


@pytest.mark.parametrize("printed", PRINTED)
def test_a_program_of_the_tables_takes_its_options(
    printed: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Values and spellings are tried by the program's own parser, which --help ends before anything runs."""
    words = shlex.split(printed)
    where = next(place for place, word in enumerate(words) if "tests/" in word)
    path, rest = ROOT / words[where], words[where + 1 :]
    assert path.is_file()
    settings, caller = words[:where], words[where - 1]
    if caller == "pytest":
        for setting in settings[:-1]:
            name = setting.partition("=")[0]
            assert name in path.read_text(encoding="utf-8"), f"nothing in {path.name} heeds {name}"
        return
    assert settings == ["python"]
    text = path.read_text(encoding="utf-8")
    assert '__name__ == "__main__"' in text
    if "argparse" not in text:
        assert not rest, f"{path.name} takes no options"
        return
    monkeypatch.setattr(sys, "argv", [str(path), *rest, "--help"])
    monkeypatch.syspath_prepend(str(path.parent))
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(str(path), run_name="__main__")
    out, err = capsys.readouterr()
    assert ended.value.code == 0, err
    for word in rest:
        if word.startswith("--"):
            assert re.search(rf"{re.escape(word)}\b", out), f"{path.name} has no option {word}"


def inline() -> list[str]:
    """Commands in the running text of all documents, whole ones: `ringlet ...` with its words."""
    documents = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "protocol" / "REFERENCE.md",
                 ROOT / "hwsim" / "MODEL.md", *sorted((ROOT / "tools" / "examples").rglob("*.md"))]  # fmt: skip
    prose = "\n\n".join(FENCE.sub("", path.read_text(encoding="utf-8")) for path in documents)
    found = [" ".join(code.split()) for code in re.findall(r"`([^`]+)`", prose)]
    return [code for code in dict.fromkeys(found) if code.startswith("ringlet ")]


@pytest.mark.parametrize("printed", inline())
def test_a_command_in_the_text_is_understood(printed: str) -> None:
    """Its name and options are right. A mention may leave out what else the command needs; blocks may not."""
    words = [word for word in shlex.split(printed)[1:] if word != "..."]
    if words and words[0].startswith("--"):
        if not words[0].endswith("completion"):
            assert words[0] == "--help"
        return
    if words and words[-1] == "--link":
        words.append("sim:trio")
    assert words, printed
    try:
        understand(words)
    except Exception as error:
        if type(error).__name__ != "MissingParameter":
            raise


def commands_of_the_table() -> list[tuple[str, ...]]:
    """First column of the table of commands, with `a|b|c` spread out."""
    found: list[tuple[str, ...]] = []
    for line in section("Commands").splitlines():
        if not line.startswith("| `"):
            continue
        for code in re.findall(r"`([^`]+)`", line.split(" | ")[0]):
            first, _, others = code.replace("\\|", "|").partition(" ")
            found += [(first, other) for other in others.split("|")] if others else [(first,)]
    return found


def test_every_command_is_in_the_table_and_no_other() -> None:
    table = commands_of_the_table()
    real = {one.words for one in leaves()}
    for words in table:
        known = words in real or words[0] in groups() or (words == ("demo", "rig"))
        assert known, f"README's table names {' '.join(words)}, which is no command"
    alone = {words[0] for words in table if len(words) == 1 and words[0] in groups()}
    missing = {words for words in real if words not in table and words[0] not in alone}
    assert not missing, f"README's table of commands lacks {missing}"


def test_options_in_the_table_belong_to_a_command_of_their_row() -> None:
    for line in section("Commands").splitlines():
        if not line.startswith("| `"):
            continue
        first, _, job = line.partition(" | ")
        names = {code.split()[0] for code in re.findall(r"`([^`]+)`", first)}
        options = {name for one in leaves() if one.words[0] in names for option in one.options
                   for name in spellings(option)}  # fmt: skip
        for word in re.findall(r"`(--[a-z-]+)", job):
            assert word in options, f"{word} in the row of {sorted(names)}"


def test_the_readme_names_real_parts_of_a_group() -> None:
    """`rig apply` and the like, without the word ringlet before it."""
    for code in re.findall(r"`([a-z][a-z -]*)`", PROSE):
        words = code.split()
        if len(words) >= 2 and words[0] in groups():
            leaf(words)


def test_paths_in_the_text_are_there() -> None:
    for path in re.findall(r"\b((?:tests|tools|protocol|hwsim)/[\w/.-]+\.(?:py|md|png|toml))", README):
        assert (ROOT / path).is_file(), path
