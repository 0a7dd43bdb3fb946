"""Captures: what went over a bus, as text lines of CAN frames or as the raw bytes of a serial line.

CAN frames are read and written in the text form that CAN log tools share: `(seconds) channel ID#DATA`, where an
identifier of eight hex digits is extended and one of three is not, `#R` is a remote frame and `##` a CAN FD frame.
A serial capture is the bytes of the line as they came, without times.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

from ringlet.protocol.codec import Packet, WireError, pack, unpack
from ringlet.protocol.header import IDENT_MAX
from ringlet.protocol.serial_frame import StreamDecoder, encode_raw
from ringlet.protocol.wire import BODY_MAX
from ringlet.tools.errors import UsageProblem

ERROR_BIT: Final = 1 << 29
"""Bit of the identifier that marks an error frame in such logs."""
CHANNEL: Final = "can0"
_LINE: Final = re.compile(r"\(\s*(\d+(?:\.\d+)?)\s*\)\s+(\S+)\s+(\S+)(?:\s+[RT])?")
_LOG: Final = re.compile(rb"^\s*\(\s*\d+(\.\d+)?\s*\)\s+\S+\s+[0-9A-Fa-f]{3,8}#", re.MULTILINE)
_LOOKED_AT: Final = 4096
"""Bytes in which the first frame of a log stands; headings and notes may come before it."""
_BOM: Final = b"\xef\xbb\xbf"
_PACKETS: Final = (b"\xa1\xb2\xc3\xd4", b"\xd4\xc3\xb2\xa1", b"\xa1\xb2<M", b"M<\xb2\xa1", b"\n\r\r\n")
"""How pcap files in either byte order and of either resolution begin, and pcapng files (from memory)."""
_FRAME: Final = re.compile(r"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(#?)(.*)")


class Seen(NamedTuple):
    """One message of a capture, whole: `extra` holds body bytes past the fields that this version knows."""

    packet: Packet
    extra: bytes = b""
    time: float | None = None
    """seconds, or None where the capture has no times"""

    @property
    def data(self) -> bytes:
        """The body as it was sent."""
        return pack(self.packet)[1] + self.extra


class Capture(NamedTuple):
    seen: list[Seen]
    lost: Counter[str]
    """what was no message, by its cause; the words of the two decoders, and not-a-frame and unended"""


def see(ident: int, data: bytes, time: float | None = None) -> Seen:
    """A message with all of its bytes. Raises WireError for what is no message of ours."""
    found = unpack(ident, data)
    return Seen(found, bytes(data[len(pack(found)[1]) :]), time)


def can_text(seen: Seen) -> str:
    """`ID#DATA` of one extended frame."""
    return f"{seen.packet.ident:08X}#{seen.data.hex().upper()}"


def serial_bytes(seen: Seen) -> bytes:
    """The frame on a serial line, the closing zero byte included."""
    return encode_raw(seen.packet.ident, seen.data)


def read_can(text: str, time: float | None = None) -> Seen:
    """One `ID#DATA`. Raises WireError, with a cause that can be counted, for all that is no message of ours."""
    match = _FRAME.fullmatch(text.strip())
    if match is None:
        raise WireError("not-a-frame", f"{text!r} is no frame; write ID#HEX with an identifier of 8 hex digits")
    number, double, rest = int(match[1], 16), match[2], match[3]
    if len(match[1]) == 3:
        raise WireError("standard-id", f"{text!r} has an 11-bit identifier; ours have 29 bits, in 8 hex digits")
    if double:
        raise WireError("fd", f"{text!r} is a CAN FD frame; ours are classic CAN frames")
    if rest[:1] in ("R", "r"):
        raise WireError("remote", f"{text!r} is a remote frame, which carries no data")
    if number & ERROR_BIT:
        raise WireError("error-frame", f"{text!r} is an error frame")
    try:
        data = bytes.fromhex(rest.replace(".", ""))
    except ValueError:
        raise WireError("not-a-frame", f"{text!r} has data that is not hex") from None
    if number > IDENT_MAX or not 1 <= len(data) <= BODY_MAX:
        raise WireError("length", f"{text!r} has {len(data)} data bytes; a message has 1 to {BODY_MAX}")
    return see(number, data, time)


def read_can_log(text: str) -> Capture:
    """All messages of a log of CAN frames; lines that are none are counted."""
    seen: list[Seen] = []
    lost: Counter[str] = Counter()
    for line in text.splitlines():
        if not line.strip():
            continue
        match = _LINE.fullmatch(line.strip())
        if match is None:
            lost["not-a-frame"] += 1
            continue
        try:
            seen.append(read_can(match[3], float(match[1])))
        except WireError as error:
            lost[error.cause] += 1
    return Capture(seen, lost)


def read_serial(data: bytes) -> Capture:
    """All messages in the bytes of a serial line; what is none is counted as the stream decoder counts it."""
    decoder, seen = StreamDecoder(), []
    ended, zero, rest = data.rpartition(b"\0")
    lost: Counter[str] = Counter()
    for ident, body in decoder.frames(ended + zero):
        try:
            seen.append(see(ident, body))
        except WireError as error:
            lost[error.cause] += 1
    lost += decoder.lost
    if rest:
        lost["unended"] += 1
    return Capture(seen, lost)


def read_file(path: Path) -> Capture:
    """A capture of either sort, told apart by how it begins. Raises UsageProblem when it cannot be read."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UsageProblem(f"{path} cannot be read ({error.strerror}); check the path.") from None
    if data.startswith(_PACKETS):
        raise UsageProblem(
            f"{path} is a capture for Wireshark: open it there with the emitted dissector; here a log of CAN frames or "
            "the raw bytes of a serial line can be read."
        )
    data = data.removeprefix(_BOM)
    if _LOG.search(data[:_LOOKED_AT]):
        return read_can_log(data.decode("ascii", errors="replace"))
    return read_serial(data)


def can_log(seen: Iterable[Seen], channel: str = CHANNEL) -> Iterator[str]:
    """Lines of a log of CAN frames; messages without a time get 0."""
    for one in seen:
        yield f"({one.time or 0.0:.6f}) {channel} {can_text(one)}\n"
