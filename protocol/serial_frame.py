"""Serial framing: COBS(header, body, CRC-16) and a zero byte; an incremental decoder that never raises.

COBS: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999;
done here by the library `cobs`. CRC: polynomial 0x3D65 (crcmod's `crc-16-dnp`), which keeps Hamming distance 6 at our
longest frame of 112 bits with the CRC; P. Koopman and T. Chakravarty, "Cyclic Redundancy Code (CRC) Polynomial
Selection for Embedded Networks", DSN 2004, and Koopman's tables of polynomials with HD 6; tests/external repeats the
count. Unlike `crc-16-dnp` it begins from all ones: begun from 0 it does not see zero bytes lost at the front of a
frame, and a lost or damaged first byte on the line does just that to a frame whose header begins with a zero byte.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, Final

from cobs import cobs
from crcmod import Crc, mkCrcFun
from crcmod.predefined import PredefinedCrc

from ringlet.protocol.codec import Packet, WireError, pack, unpack
from ringlet.protocol.header import IDENT_MAX
from ringlet.protocol.wire import BODY_MAX

CRC_NAME: Final = "crc-16-dnp begun from 0xffff"
_SHAPE: Final = {"initCrc": 0, "rev": True, "xorOut": 0xFFFF}
"""crcmod names the start by the CRC of no bytes: all ones, inverted at the end"""
CRC: Final[Any] = Crc(PredefinedCrc("crc-16-dnp").poly, **_SHAPE)
"""What the emitters derive tables from."""
crc16: Final[Any] = mkCrcFun(CRC.poly, **_SHAPE)

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


def decode_raw(piece: bytes) -> tuple[int, bytes]:
    """Header and body of what stands between two zero bytes, known kind or not: the opposite of `encode_raw`.

    Raises WireError with a cause to count by: overlong, cobs, short, crc or header.
    """
    if len(piece) >= FRAME_MAX:
        raise WireError("overlong", f"a frame has at most {FRAME_MAX - 1} bytes before its zero byte")
    try:
        data = cobs.decode(piece)
    except cobs.DecodeError as error:
        raise WireError("cobs", f"no COBS: {error}") from None
    if len(data) < PAYLOAD_MIN:
        raise WireError("short", f"{len(data)} bytes are no frame; the shortest has {PAYLOAD_MIN}")
    if crc16(data[:-CRC_SIZE]) != data[-2] | data[-1] << 8:
        raise WireError("crc", "the CRC does not fit")
    ident = int.from_bytes(data[:HEADER_SIZE], "little")
    if ident > IDENT_MAX:
        raise WireError("header", f"{ident:#x} has more than 29 bits")
    return ident, data[HEADER_SIZE:-CRC_SIZE]


class StreamDecoder:
    """Feed any pieces of a byte stream, get messages. What is no message is counted in `lost` by its cause.

    Causes: those of `decode_raw`, and unknown-kind and short-body. Memory is bounded by one frame. Nothing raises.

    Promise: a frame that follows a zero byte, or begins the stream, is found, whatever came before. Bytes that are
    no frame and end in no zero byte run into the frame after them, which is lost with them (counted once); the one
    after that is found. A sender that may have left such bytes on the line therefore sends a zero byte first.
    """

    def __init__(self) -> None:
        self.lost: Counter[str] = Counter()
        self.good = 0
        self.unknown: list[WireError] = []
        """frames with a good CRC whose kind or length is not ours, newest last, 16 at the most"""
        self._rest = b""
        self._skip = False

    def frames(self, data: bytes) -> list[tuple[int, bytes]]:
        """(header, body) of the frames completed by these bytes, in order, of known kind or not."""
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
        found: list[tuple[int, bytes]] = []
        for piece in pieces:
            if piece:
                try:
                    found.append(decode_raw(piece))
                except WireError as error:
                    self.lost[error.cause] += 1
        return found

    def feed(self, data: bytes) -> list[Packet]:
        """Messages completed by these bytes, in order."""
        found: list[Packet] = []
        for ident, body in self.frames(data):
            try:
                found.append(unpack(ident, body))
            except WireError as error:
                self.lost[error.cause] += 1
                self.unknown = [*self.unknown[-15:], error]
        self.good += len(found)
        return found
