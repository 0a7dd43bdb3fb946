"""The commands as the parser has them, their examples, and a parse that runs nothing."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from functools import cache
from typing import Any, NamedTuple

from ringlet.tools.cli import _commands_built
from ringlet.tools.cli_common import looks_like_number
from ringlet.tools.errors import UsageProblem


class Leaf(NamedTuple):
    """One command that does something, as against a group of them."""

    words: tuple[str, ...]
    command: Any

    @property
    def name(self) -> str:
        return " ".join(self.words)

    @property
    def options(self) -> list[Any]:
        return [one for one in self.command.params if one.param_type_name == "option"]

    @property
    def arguments(self) -> list[Any]:
        return [one for one in self.command.params if one.param_type_name == "argument"]

    def has(self, option: str) -> bool:
        return any(option in spellings(one) for one in self.options)


def spellings(option: Any) -> tuple[str, ...]:
    return (*option.opts, *option.secondary_opts)


def _walk(command: Any, words: tuple[str, ...]) -> Iterator[Leaf]:
    if hasattr(command, "commands"):
        for name, one in command.commands.items():
            yield from _walk(one, (*words, name))
    else:
        yield Leaf(words, command)


@cache
def leaves() -> tuple[Leaf, ...]:
    """Every command, from the parser itself."""
    return tuple(_walk(_commands_built(), ()))


@cache
def groups() -> dict[str, Any]:
    """Commands that hold commands, by name."""
    return {name: one for name, one in _commands_built().commands.items() if hasattr(one, "commands")}


def leaf(words: list[str]) -> Leaf:
    """The command that words begin with. Raises UsageProblem when there is none."""
    found = [one for one in leaves() if words[: len(one.words)] == list(one.words)]
    if not found:
        raise UsageProblem(f"no command begins {' '.join(words)!r}")
    return found[0]


def understand(words: list[str]) -> dict[str, Any]:
    """Parse as the command line does, and run nothing. Gives the values; raises what the parser raises.

    Groups whose commands take negative numbers let unknown options pass as arguments, so these are refused here.
    """
    one = leaf(words)
    rest = words[len(one.words) :]
    known = {name for option in one.options for name in spellings(option)} | {"--help", "-h"}
    for word in rest:
        name = word.partition("=")[0]
        if word.startswith("-") and word.strip("-") and not looks_like_number(word) and name not in known:
            raise UsageProblem(f"{one.name} has no option {name}")
    with one.command.make_context(one.name, list(rest)) as context:
        values: dict[str, Any] = context.params
        return values


def examples(one: Leaf) -> list[str]:
    """Commands after "Example:" or "Examples:" of a command's help, parted by semicolons."""
    text = one.command.help or ""
    found = re.search(r"\bExamples?:(.*)\Z", text, re.S)
    if found is None:
        return []
    part = found[1].split("\n\nExit codes:")[0].strip()
    if part.startswith("ringlet") and "\n\nringlet" in part:  # a paragraph each
        return [" ".join(line.split()) for line in part.split("\n\n") if line.startswith("ringlet")]
    return [piece for piece in (" ".join(piece.split()) for piece in _parts(part)) if piece]


def _parts(text: str) -> list[str]:
    """Parted at semicolons that stand outside quotes."""
    parts, quote = [""], ""
    for letter in text:
        if letter in "'\"" and quote in ("", letter):
            quote = "" if quote else letter
        if letter == ";" and not quote:
            parts.append("")
        else:
            parts[-1] += letter
    return parts


def ringlet_commands(line: str) -> list[list[str]]:
    """The words of each `ringlet` of a line, which may be a pipe."""
    words = shlex.split(line)
    found: list[list[str]] = []
    current: list[str] | None = None
    for word in words:
        if word in ("|", "&&"):
            current = None
        elif word == "ringlet":
            current = []
            found.append(current)
        elif current is not None:
            current.append(word)
    return found
