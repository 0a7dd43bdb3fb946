"""A link that lets somebody look in between: whatever long work waits on it, a stop goes out within `SLICE`."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Final

from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.tools.link import Link

SLICE: Final = 0.005
"""Seconds at the most between two calls of `between`."""


class Stopped(KeyboardInterrupt):
    """Somebody pressed stop while long work was under way: it unwinds as after Ctrl-C."""


class WatchedLink(Link):
    """A link that two threads may use one after the other, each whole call on its own.

    `between` is called often while a call waits, by the thread that made it. It must not ask anything of the link
    that has an answer.
    """

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.lock = threading.RLock()
        self.between: Callable[[], None] = lambda: None

    def _pump(self, timeout: float) -> None:
        super()._pump(min(timeout, SLICE))
        self.between()

    def send(self, body: Any, *, node: int = EVERYONE, axis: int = ALL_AXES) -> None:
        """As the link's."""
        with self.lock:
            super().send(body, node=node, axis=axis)

    def stop(self, node: int = EVERYONE, axis: int = ALL_AXES) -> None:
        """As the link's."""
        with self.lock:
            super().stop(node, axis)

    def request(
        self, body: Any, *, node: int, axis: int = ALL_AXES, timeout: float | None = None, retries: int = 2
    ) -> Any:
        """As the link's."""
        with self.lock:
            return super().request(body, node=node, axis=axis, timeout=timeout, retries=retries)

    def wait(self, seconds: float) -> None:
        """As the link's."""
        with self.lock:
            super().wait(seconds)

    def wait_until(self, condition: Callable[[], bool], timeout: float) -> bool:
        """As the link's."""
        with self.lock:
            return super().wait_until(condition, timeout)
