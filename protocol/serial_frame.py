"""Serial framing: COBS(header, body, CRC-16) and a zero byte; an incremental decoder that never raises.

COBS: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999;
done here by the library `cobs`. CRC: polynomial 0x3D65 (crcmod's `crc-16-dnp`), which keeps Hamming distance 6 at our
longest frame of 112 bits with the CRC; P. Koopman and T. Chakravarty, "Cyclic Redundancy Code (CRC) Polynomial
Selection for Embedded Networks", DSN 2004, and Koopman's tables; tests/external repeats the count.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from cobs import cobs
from crcmod.predefined import mkPredefinedCrcFun

from ringlet.protocol.codec import Packet, WireError, pack, unpack
from ringlet.protocol.header import IDENT_MAX
from ringlet.protocol.wire import BODY_MAX

CRC_NAME: Final = "crc-16-dnp"
crc16 = mkPredefinedCrcFun(CRC_NAME)

HEADER_SIZE: Final = 4
CRC_SIZE: Final = 2
PAYLOAD_MIN: Final = HEADER_SIZE + 1 + CRC_SIZE
PAYLOAD_MAX: Final = HEADER_SIZE + BODY_MAX + CRC_SIZE
FRAME_MAX: Final = PAYLOAD_MAX + 1 + 1
"""Longest frame on the line: COBS adds one byte below 255, and the zero byte ends it."""


def encode_frame(message: Packet) -> bytes:
    """The bytes of one message on a serial line, the closing zero byte included."""
    ident, body = pack(message)
    return encode_raw(ident, body)


def encode_raw(ident: int, body: bytes) -> bytes:
    """Frame any header and body, known kind or not."""
    data = ident.to_bytes(HEADER_SIZE, "little") + body
    return bytes(cobs.encode(data + crc16(data).to_bytes(CRC_SIZE, "little"))) + b"\0"


class StreamDecoder:
    """Feed any pieces of a byte stream, get messages. What is no message is counted in `lost` by its cause.

    Causes: overlong, cobs, short, crc, header, unknown-kind, short-body. Memory is bounded by one frame.
    """

    def __init__(self) -> None:
        self.lost: Counter[str] = Counter()
        self.good = 0
        self.unknown: list[WireError] = []
        """frames with a good CRC whose kind or length is not ours, newest last, 16 at the most"""
        self._rest = b""
        self._skip = False

    def feed(self, data: bytes) -> list[Packet]:
        """Messages completed by these bytes, in order."""
        pieces = (self._rest + data).split(b"\0")
        rest = pieces.pop()
        if self._skip and pieces:  # the tail of an overlong frame ends here
            pieces[0] = b""
            self._skip = False
        if len(rest) >= FRAME_MAX or self._skip:
            if not self._skip:
                self.lost["overlong"] += 1
            rest, self._skip = b"", True
        self._rest = rest
        found: list[Packet] = []
        for piece in pieces:
            if piece:
                self._one(piece, found)
        return found

    def _one(self, piece: bytes, found: list[Packet]) -> None:
        if len(piece) >= FRAME_MAX:
            self.lost["overlong"] += 1
            return
        try:
            data = cobs.decode(piece)
        except cobs.DecodeError:
            self.lost["cobs"] += 1
            return
        if len(data) < PAYLOAD_MIN:
            self.lost["short"] += 1
            return
        if crc16(data[:-2]) != data[-2] | data[-1] << 8:
            self.lost["crc"] += 1
            return
        ident = int.from_bytes(data[:HEADER_SIZE], "little")
        if ident > IDENT_MAX:
            self.lost["header"] += 1
            return
        try:
            found.append(unpack(ident, data[HEADER_SIZE:-2]))
        except WireError as error:
            self.lost[error.cause] += 1
            self.unknown = [*self.unknown[-15:], error]
            return
        self.good += 1
