"""Optional parts of the installation, named by job: which libraries each brings, and the sentence when one is missing.

`pip install ringlet` alone finds, moves, limits, simulates, emits, decodes and judges firmware. What needs a large
library is an extra; a command asks for it with `need` before anything moves.
"""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from typing import Any, Final, NamedTuple

from ringlet.tools.errors import UsageProblem


class Extra(NamedTuple):
    """One extra of pyproject.toml."""

    job: str
    modules: tuple[str, ...] = ()
    """import names of what it brings; a test holds them against pyproject.toml"""


EXTRAS: Final[dict[str, Extra]] = {
    "bench": Extra("measurements, ramps, lens marks, pictures", ("scipy", "matplotlib")),
    "fast": Extra("compiled kernels for wide sweeps", ("numba",)),
    "sweep": Extra("sweeps as Parquet, or over several machines", ("pyarrow", "dask")),
    "take": Extra("takes in MCAP files, timecode, Parquet", ("mcap", "timecode", "pyarrow", "scipy")),
    "page": Extra("the bench page in the browser", ("nicegui", "scipy", "matplotlib")),
    "dev": Extra("the tests"),
}


class MissingExtra(UsageProblem):
    """A library is not installed; the sentence names the extra that brings it."""

    def __init__(self, extra: str, module: str) -> None:
        super().__init__(
            f"{module} is not installed; it comes with the extra `{extra}` ({EXTRAS[extra].job}): "
            f"pip install 'ringlet[{extra}]'."
        )


def missing(extra: str) -> list[str]:
    """Modules of an extra that are not installed. Nothing is imported."""
    return [module for module in EXTRAS[extra].modules if not _there(module)]


def _there(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except ImportError:
        return False


def need(*extras: str) -> None:
    """Raise MissingExtra, one sentence, unless everything that these extras bring is installed."""
    for extra in extras:
        for module in missing(extra):
            raise MissingExtra(extra, module)


def needed(extra: str, module: str) -> Any:
    """A module of an extra, loaded now. Raises MissingExtra."""
    try:
        return import_module(module)
    except ImportError:
        raise MissingExtra(extra, module.partition(".")[0]) from None


def extra_of(module: str) -> str | None:
    """The first extra that brings a module, by any of its submodules' names; None for a module of no extra."""
    top = module.partition(".")[0]
    return next((extra for extra, one in EXTRAS.items() if top in one.modules), None)
