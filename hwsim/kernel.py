"""One source for the plain and the compiled path of the simulated motor.

Functions marked with `kernel` are ordinary Python: they take sequences of floats and plain numbers. `compiled(fn)`
gives the same function compiled by numba, when numba is installed (extra `fast`) and RINGLET_NO_NUMBA is not set;
otherwise it gives the plain function. numba is imported on the first call of `compiled` and not before, so that
starting the command line stays quick.
"""

from __future__ import annotations

import hashlib
import importlib.util
import inspect
import os
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

F = TypeVar("F", bound=Callable[..., Any])

_registered: list[Callable[..., Any]] = []
_known_to_numba: set[Callable[..., Any]] = set()


def kernel(function: F) -> F:
    """Mark a function as part of the kernel; it is returned unchanged."""
    _registered.append(function)
    return function


@cache
def _numba_installed() -> bool:
    return importlib.util.find_spec("numba") is not None


def can_compile() -> bool:
    """True when numba is installed and not switched off with RINGLET_NO_NUMBA."""
    return not os.environ.get("RINGLET_NO_NUMBA") and _numba_installed()


@cache
def _source_stamp() -> str:
    digest = hashlib.sha256()
    for path in sorted({inspect.getfile(function) for function in _registered}):
        digest.update(Path(path).read_bytes())
    return digest.hexdigest()


@cache
def _jit(function: Callable[..., Any]) -> Callable[..., Any]:
    import numba
    from numba.extending import register_jitable

    # Kernel functions call each other by their plain names; this tells numba how to compile such a call.
    for other in _registered:
        if other not in _known_to_numba:
            register_jitable(other)
            _known_to_numba.add(other)
    # numba's disk cache looks only at the file of the function itself, and at the values a closure holds. The stamp
    # over all kernel sources makes a change in any of them a change of the key.
    stamp = _source_stamp()

    def entry(*args: Any) -> Any:
        if stamp != "":
            return function(*args)
        return None

    # No fastmath and no parallel reduction: the compiled path must agree with the plain one to rounding.
    jitted: Callable[..., Any] = numba.njit(cache=True, nogil=True, error_model="numpy")(entry)
    return jitted


def compiled(function: F) -> F:
    """The compiled twin of a kernel function, or the function itself where numba is missing or switched off."""
    if not can_compile():
        return function
    return _jit(function)  # type: ignore[return-value]


def worth_compiling(axes: int) -> bool:
    """True where a live node of so many axes gains from the compiled path.

    Measured (see MODEL.md, "Speed"): a plain tick costs about 15 us an axis, so up to four axes the plant alone stays
    above 15 times real time, and the 0.4 s for importing numba (several seconds when nothing is cached) is not earned.
    """
    return axes > 4 and can_compile()
