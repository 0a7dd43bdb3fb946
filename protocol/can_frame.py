"""CAN mapping: one message is one classic extended data frame (ISO 11898-1); what is not ours is told apart."""

from __future__ import annotations

from collections import Counter
from typing import Any

from ringlet.protocol.codec import Packet, WireError, pack, unpack
from ringlet.protocol.header import IDENT_MAX
from ringlet.protocol.wire import BODY_MAX


def encode_can(message: Packet) -> tuple[int, bytes]:
    """(extended identifier, data) of one classic CAN data frame."""
    return pack(message)


class CanDecoder:
    """Turn frames into messages. What is no message is counted in `lost` by its cause.

    Causes: error-frame, remote, standard-id, fd, length, unknown-kind, short-body.
    """

    def __init__(self) -> None:
        self.lost: Counter[str] = Counter()
        self.good = 0
        self.unknown: list[WireError] = []
        """data frames whose kind or length is not ours, newest last, 16 at the most"""

    def feed(self, frame: Any) -> Packet | None:
        """The message in a frame with the attributes of python-can's Message, or None when it is not ours."""
        if frame.is_error_frame:
            cause = "error-frame"
        elif frame.is_remote_frame:
            cause = "remote"
        elif not frame.is_extended_id:
            cause = "standard-id"
        elif frame.is_fd:
            cause = "fd"
        elif not 1 <= len(frame.data) <= BODY_MAX or not 0 <= frame.arbitration_id <= IDENT_MAX:
            cause = "length"
        else:
            try:
                message = unpack(frame.arbitration_id, frame.data)
                self.good += 1
                return message
            except WireError as error:
                cause = error.cause
                self.unknown = [*self.unknown[-15:], error]
        self.lost[cause] += 1
        return None
