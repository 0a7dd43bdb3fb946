"""The libraries of the extra `take`: loaded when they are needed, and missed in one sentence."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from ringlet.tools.extras import MissingExtra


def needed(module: str) -> Any:
    """A module of the extra `take`. Raises MissingExtra, which says how to install it."""
    try:
        return import_module(module)
    except ImportError:
        raise MissingExtra("take", module.partition(".")[0]) from None
