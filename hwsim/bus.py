"""What a rig asks of a bus, whichever it is: stations that queue messages, and deliveries at the end of each frame."""

from __future__ import annotations

from collections import Counter
from typing import Final, NamedTuple, Protocol

EAR: Final = 0
"""Number of the station through which controls speak and hear; nodes come after it."""


class Delivery(NamedTuple):
    """A message that has gone over a bus."""

    at_us: int
    """end of its frame"""
    ident: int
    data: bytes
    senders: tuple[int, ...]
    """stations that sent it: several when their frames were alike to the bit"""
    missed: frozenset[int] = frozenset()
    """stations that did not get it"""


class Framing(Protocol):
    """One end of a serial line: frames from bytes, and bytes from a frame."""

    def frames(self, data: bytes) -> list[tuple[int, bytes]]:
        """(header, body) of the frames completed by these bytes."""

    def encode(self, ident: int, body: bytes) -> bytes:
        """The bytes of a frame, the closing zero byte included."""


class Bus(Protocol):
    """A bus in virtual time. Stations are numbered from 0 in the order in which they were attached."""

    @property
    def is_can(self) -> bool: ...

    @property
    def shared(self) -> bool:
        """Several nodes on one serial line: bytes of two answers may garble each other."""

    @property
    def frame_time(self) -> float:
        """Seconds that the longest frame takes."""

    @property
    def heard(self) -> int:
        """Frames (CAN) or bytes (serial) that have come to station 0, whether or not they are ours."""

    @property
    def lost(self) -> Counter[str]:
        """What came to station 0 and was no message, by cause."""

    def attach(self, name: str) -> int:
        """One more station; returns its number."""

    def send(self, station: int, ident: int, data: bytes, at_us: int) -> None:
        """Queue a message. Times do not lie before the last `advance`."""

    def advance(self, until_us: int) -> list[Delivery]:
        """Let the bus run; what arrived up to then, in the order of its arrival."""
