"""Who else speaks on a rig's bus: the simulated controls and sensors of its file, and how they share a serial line."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Final, Protocol

from ringlet.hwsim.control import SimControl
from ringlet.hwsim.rangesource import SimRange
from ringlet.hwsim.rigfile import RigFile
from ringlet.protocol.codes import TIMING
from ringlet.protocol.header import DST_SHIFT, EVERYONE, KIND_MASK, KIND_SHIFT, NODE_MASK
from ringlet.protocol.serial_frame import FRAME_MAX
from ringlet.protocol.wire import KINDS

WAITING_MOST: Final = 64
"""Messages kept while the line is not free; then the oldest go, for newer ones say more."""


class Talker(Protocol):
    """Something on the bus that is no node: it has an address of its own, hears, and speaks unasked."""

    source: int

    def hear(self, now_s: float, ident: int, data: bytes) -> None:
        """A message on the bus. Never raises."""

    def say(self, now_s: float) -> Sequence[tuple[int, bytes]]:
        """(header, body) of what it puts on the bus by this time, in order. Times do not go back."""


def controls_of(rig: RigFile, seed: int) -> dict[str, SimControl]:
    """The simulated controls of a rig file, by name."""
    return {one.name: SimControl(one, seed=1000 + seed + number) for number, one in enumerate(rig.controls)}


def ranges_of(rig: RigFile, seed: int) -> dict[str, SimRange]:
    """The simulated range sensors of a rig file, by name."""
    return {one.name: SimRange(one, seed=seed) for one in rig.ranges}


def _to_everyone(ident: int) -> bool:
    return ident >> DST_SHIFT & NODE_MASK == EVERYONE


class OneVoice:
    """Talkers at the control's end of a serial line, where one transmitter speaks for all.

    They wait until the line is free; on a shared line also until a request of the control is answered, or can be no
    more, so that no answer is garbled by them, and a search by who makes a sound hears only nodes. An ideal bus may be
    served as a serial line too, so it keeps to this; there frames take no time.
    """

    def __init__(self, frame_time: float, shared: bool) -> None:
        self._frame_us = round(1e6 * frame_time)
        self._shared = shared
        self._free_us = 0
        self._answered_us = 0
        """until here an answer may come"""
        self._waiting: deque[tuple[int, bytes]] = deque(maxlen=WAITING_MOST)

    def spoken(self, ident: int, now_us: int) -> None:
        """The control itself speaks."""
        self._free_us = max(self._free_us, now_us) + self._frame_us
        row, everyone = KINDS.by_code.get(ident >> KIND_SHIFT & KIND_MASK), _to_everyone(ident)
        if self._shared and row is not None and row.role == "request":
            last = "announce_window" if everyone else "save" if row.name == "save" else "reply"
            self._await(TIMING[last].ms + (TIMING["reply"].ms if everyone else 0))

    def spoken_bytes(self, count: int, now_us: int) -> None:
        """The control itself sends bytes, frames or not: the last ones may be a request."""
        self._free_us = max(self._free_us, now_us) + self._frame_us * -(-count // FRAME_MAX)
        if self._shared:
            self._await(TIMING["reply"].ms)

    def _await(self, wait_ms: int) -> None:
        self._answered_us = max(self._answered_us, self._free_us + 1000 * wait_ms + self._frame_us)

    def answered(self, ident: int, now_us: int) -> None:
        """A node was heard: the answer to the one request that may be open, unless it was for everyone."""
        if not _to_everyone(ident):
            self._answered_us = now_us

    def put(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """Talkers have something to say."""
        self._waiting.extend(frames)

    def next(self, now_us: int) -> tuple[int, bytes] | None:
        """What may be said now."""
        if not self._waiting or now_us < max(self._free_us, self._answered_us):
            return None
        self._free_us = now_us + self._frame_us
        return self._waiting.popleft()
