"""Signals that ask a program to end: a terminal that closes, a supervisor, Ctrl-Break of Windows; besides Ctrl-C."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final

NAMES: Final = ("SIGTERM", "SIGHUP", "SIGBREAK")
"""Not every system has each of them."""

Handler = Callable[[int, Any], Any]


def ending() -> list[int]:
    """Those of NAMES that this system has, without the ones that whoever started us wants ignored (as `nohup` does)."""
    found = [getattr(signal, name) for name in NAMES if hasattr(signal, name)]
    return [number for number in found if signal.getsignal(number) is not signal.SIG_IGN]


@contextmanager
def handled(numbers: list[int], handler: Handler) -> Iterator[None]:
    """These signals go to a handler for the body of the block. In another thread than the main one nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, handler) for number in numbers}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)


def as_ctrl_c() -> Any:
    """For the body of the block they all do what Ctrl-C does, so that moving axes are stopped and files are closed."""
    return handled(ending(), signal.default_int_handler)
