"""When messages of a regular stream were sent, though they come late and in heaps. No clock, no I/O.

An adapter, a radio or a busy machine holds messages back and hands over several at once; taken at the moment of their
arrival they would say that the subject stood still and then jumped. Their tags count up, so their places on the
sender's even beat are known: the beat's period is the slope of a straight line through the last arrivals (least
squares), and the messages that were held back least say where it lies.
"""

from __future__ import annotations

from collections import deque
from typing import Final

FEWEST, MOST = 16, 64
"""messages through which the line is laid"""
PAUSE_S: Final = 0.25
"""After such a pause the beat is found anew."""
BACK_S: Final = 0.1
"""A message is never put further back than this: a stream without an even beat does no more harm."""


class Beat:
    """One stream of tagged messages."""

    def __init__(self) -> None:
        self._heard: deque[tuple[int, float]] = deque(maxlen=MOST)
        """(count, time) of the last messages"""

    def sent(self, tag: int, came_s: float) -> float:
        """When a message was sent, from its tag and when it came; times do not go back by more than the age told."""
        if self._heard:
            count, before = self._heard[-1]
            step = tag - count & 0xFF
            if step >= 128:  # overtaken on its way: it says nothing about the beat
                return came_s
            if step == 0 or came_s - before > PAUSE_S:
                self._heard.clear()
            else:
                tag = count + step
        self._heard.append((tag, came_s))
        if len(self._heard) < FEWEST:
            return came_s
        period = self._period()
        earliest = min(came - period * count for count, came in self._heard)
        return min(max(earliest + period * tag, came_s - BACK_S), came_s)

    def _period(self) -> float:
        size = len(self._heard)
        middle = sum(count for count, _ in self._heard) / size
        mean = sum(came for _, came in self._heard) / size
        over = sum((count - middle) * (came - mean) for count, came in self._heard)
        return over / sum((count - middle) ** 2 for count, _ in self._heard)
