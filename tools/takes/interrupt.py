"""Ctrl-C at a place of our choosing, so that it never comes in the middle of writing a take."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from ringlet.tools.signals import ending, handled


@contextmanager
def asked_to_end() -> Iterator[Callable[[], bool]]:
    """For the body of the block Ctrl-C, and a request to terminate, only answer this question with yes.

    A second Ctrl-C interrupts as usual. Outside the main thread the question stays unanswered.
    """
    asked = threading.Event()

    def note(number: int, frame: Any) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()

    with handled([signal.SIGINT, *ending()], note):
        yield asked.is_set
