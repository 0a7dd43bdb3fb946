"""The libraries of the extra `take`: loaded when they are needed, and missed in one sentence."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from ringlet.tools.errors import UsageProblem


def needed(module: str) -> Any:
    """A module of the extra `take`. Raises UsageProblem that says how to install it."""
    try:
        return import_module(module)
    except ImportError:
        raise UsageProblem(
            f"takes need the library {module.partition('.')[0]!r}; install it with: pip install 'ringlet[take]'."
        ) from None
