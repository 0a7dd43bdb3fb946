"""Ctrl-C at a place of our choosing, so that it never comes in the middle of writing a take."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any


@contextmanager
def asked_to_end() -> Iterator[Callable[[], bool]]:
    """For the body of the block Ctrl-C, and a request to terminate, only answer this question with yes.

    A second Ctrl-C interrupts as usual. Outside the main thread the question stays unanswered.
    """
    asked = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield asked.is_set
        return

    def note(number: int, frame: Any) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()

    before = {number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked.is_set
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
