"""Targets that are derived from the tables: a registry of them, their texts, and the stamp in each emitted file.

A target is one function from a table of kinds to texts. It lives in a module `emit_<something>` of this package, which
`targets` finds by itself. Nothing here touches a disk: `ringlet.tools.emit_files` writes.
"""

from __future__ import annotations

import hashlib
import importlib
import pkgutil
import re
from collections.abc import Callable
from importlib import resources
from typing import TYPE_CHECKING, Final, NamedTuple

from ringlet import protocol
from ringlet.protocol.codes import VERSION_MAJOR, VERSION_MINOR
from ringlet.protocol.wire import KINDS, Registry

if TYPE_CHECKING:
    from jinja2 import Template

Emitter = Callable[[Registry], dict[str, str]]
"""table of kinds -> {relative path: text}. Each text holds STAMP once, in a comment of its own language."""


class Target(NamedTuple):
    """One thing that can be emitted."""

    name: str
    doc: str
    emit: Emitter


TARGETS: Final[dict[str, Target]] = {}
VERSION: Final = f"{VERSION_MAJOR}.{VERSION_MINOR}"

_BLANK: Final = "0" * 64
_MARK: Final = re.compile(r"Ringlet protocol [0-9.]+, SHA-256 of this file with zeros here: ([0-9a-f]{64})")
STAMP: Final = f"Ringlet protocol {VERSION}, SHA-256 of this file with zeros here: {_BLANK}"
"""The line that an emitter puts into a comment; `texts` fills in the hash."""


def target(name: str, *, doc: str) -> Callable[[Emitter], Emitter]:
    """Enter a function into the table of targets. Raises ValueError for a name that is taken."""

    def enter(emitter: Emitter) -> Emitter:
        if name in TARGETS or name == "all":
            raise ValueError(f"target {name!r} is there already")
        TARGETS[name] = Target(name, doc, emitter)
        return emitter

    return enter


def targets() -> dict[str, Target]:
    """All targets by name, in the order of their names; loads every `emit_*` module first."""
    for module in pkgutil.iter_modules(protocol.__path__):
        if module.name.startswith("emit_"):
            importlib.import_module(f"{protocol.__name__}.{module.name}")
    return dict(sorted(TARGETS.items()))


def texts(name: str, kinds: Registry = KINDS) -> dict[str, str]:
    """Stamped texts of one target by relative path. The same tables give the same bytes.

    Raises KeyError for an unknown target and ValueError for a text that has no place for the stamp, or two.
    """
    found = TARGETS.get(name) or targets()[name]
    return {path: stamped(text, path) for path, text in sorted(found.emit(kinds).items())}


def stamped(text: str, path: str = "text") -> str:
    """Put the hash of a text into its stamp."""
    if text.count(STAMP) != 1:
        raise ValueError(f"{path} needs the stamp exactly once and has it {text.count(STAMP)} times")
    digest = hashlib.sha256(text.encode()).hexdigest()
    return text.replace(STAMP, STAMP.replace(_BLANK, digest))


def is_untouched(text: str) -> bool:
    """Whether a text is as some version of Ringlet emitted it: one stamp, and its hash is right."""
    marks = list(_MARK.finditer(text))
    if len(marks) != 1:
        return False
    start, end = marks[0].span(1)
    return hashlib.sha256((text[:start] + _BLANK + text[end:]).encode()).hexdigest() == text[start:end]


def template(path: str, *, escape: bool = False) -> Template:
    """A jinja2 template of this package, by its path in `templates/`. `escape` is for HTML."""
    import jinja2  # only emitting needs it

    folder = resources.files(protocol) / "templates"
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: folder.joinpath(name).read_text(encoding="utf-8")),
        undefined=jinja2.StrictUndefined, autoescape=escape, trim_blocks=True, lstrip_blocks=True,
        keep_trailing_newline=True,
    )  # fmt: skip
    environment.globals["STAMP"] = STAMP
    return environment.get_template(path)
