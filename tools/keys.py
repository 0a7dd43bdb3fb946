"""Single keys from a terminal, without Enter, while a command works."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def keys(wanted: bool = True) -> Iterator[Callable[[], str]]:
    """For the body of the block: a question for the keys pressed since the last one. Ctrl-C stays what it is.

    Where nobody is at a terminal, or the system has no such terminals, there are none.
    """
    try:
        import termios
        import tty
    except ImportError:  # not on this system
        wanted = False
    if not (wanted and sys.stdin.isatty()):
        yield lambda: ""
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)

    def pressed() -> str:
        found = b""
        while select.select([descriptor], [], [], 0)[0]:
            piece = os.read(descriptor, 64)
            if not piece:
                break
            found += piece
        return found.decode("utf-8", "ignore")

    try:
        tty.setcbreak(descriptor)
        yield pressed
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
