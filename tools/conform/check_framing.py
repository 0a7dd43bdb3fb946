"""Checks of framing: bytes on a serial line, frames on CAN, and what the node itself puts on the bus."""

from __future__ import annotations

import random
from collections.abc import Iterable
from typing import Final

from cobs import cobs

from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of
from ringlet.protocol.header import (
    EVERYONE,
    KIND_MASK,
    KIND_SHIFT,
    NOBODY,
    NODE_FIRST,
    NODE_LAST,
    unpack_header,
)
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.serial_frame import CRC_SIZE, FRAME_MAX, HEADER_SIZE, crc16, encode_raw
from ringlet.protocol.wire import KINDS
from ringlet.tools.conform.probe import Frame, Probe
from ringlet.tools.conform.table import check
from ringlet.tools.conform.wire import LOST_FRAMING, CanFrame

LINE: Final = "serial-line"
CAN: Final = "can"
HEADER: Final = "header"
PROBE_NAME: Final = "stall-time"
"""A parameter that harmless writes go to."""


def _framed(ident: int, body: bytes, crc_flip: int = 0) -> bytes:
    """One frame with chosen bits of its CRC wrong."""
    data = ident.to_bytes(HEADER_SIZE, "little") + body
    return bytes(cobs.encode(data + (crc16(data) ^ crc_flip).to_bytes(CRC_SIZE, "little"))) + b"\0"


def _stuffed(data: bytes) -> bytes:
    return bytes(cobs.encode(data)) + b"\0"


def _set_frame(p: Probe, value: int) -> tuple[int, bytes]:
    return p.build(m.Set(0, BY_NAME[PROBE_NAME].id, value))


def _silent(p: Probe, data: bytes, note: str, what: str) -> None:
    """These bytes must be neither answered nor carried out."""
    before = len(p.trace)
    p.bytes_out(data, note)
    p.hear(p.reply_s())
    came = [one for one in p.trace[before:] if not one.sent and unpack_header(one.ident).dst == p.me]
    p.check(not came, f"{what} was answered")


def _answered(p: Probe, data: bytes, ident: int, body: bytes, note: str) -> list[Frame]:
    """Send bytes that end with this frame; its answers."""
    header = unpack_header(ident)
    before = len(p.trace)
    p.bytes_out(data, note)
    p.until(lambda: bool(_to(p, before, body)), p.reply_s())
    return [one for one in _to(p, before, body) if unpack_header(one.ident).dst == header.src]


def _to(p: Probe, before: int, body: bytes) -> list[Frame]:
    return [one for one in p.trace[before:] if not one.sent and one.data[:1] == body[:1]]


def _resynced(p: Probe, pieces: Iterable[tuple[bytes, str]]) -> None:
    """After each piece and a zero byte the next frame must be answered."""
    for piece, note in pieces:
        ident, body = p.build(m.GetStatus(0))
        found = _answered(p, piece + b"\0" + encode_raw(ident, body), ident, body, note)
        p.check(bool(found), f"a request after {note} and a zero byte was not answered")


@check("FRAME-01", LINE, "A frame whose CRC is wrong is dropped: not answered and not carried out.",
       "The CRC is not compared, or not over the whole of header and body.", needs="serial")  # fmt: skip
def bad_crc(p: Probe) -> None:
    p.remember(PROBE_NAME)
    before = p.get(PROBE_NAME)
    for bit in range(16):
        ident, body = _set_frame(p, before + 1 + bit)
        _silent(p, _framed(ident, body, 1 << bit), f"set with bit {bit} of the CRC flipped", "a frame with a wrong CRC")
    ident, body = _set_frame(p, before + 40)
    good = cobs.decode(encode_raw(ident, body)[:-1])
    for place in range(len(good) - CRC_SIZE):
        wrong = bytearray(good)
        wrong[place] ^= 0x10
        _silent(p, _stuffed(bytes(wrong)), f"set with a bit of byte {place} flipped", "a frame with a flipped bit")
    p.check(p.get(PROBE_NAME) == before, f"a frame with a wrong CRC changed {PROBE_NAME}")


@check("FRAME-02", LINE, "A receiver that loses its place waits for the next zero byte, and hears the frame behind it.",
       "Bytes before the zero byte are kept, or the decoder stays in an error state.", needs="serial")  # fmt: skip
def resync(p: Probe) -> None:
    rng = random.Random(2)
    pieces = [(bytes(rng.randrange(1, 256) for _ in range(size)), f"{size} bytes of noise") for size in (1, 3, 9, 15)]
    ident, body = p.build(m.GetStatus(0))
    whole = encode_raw(ident, body)
    pieces += [(whole[:size], f"the first {size} bytes of a frame") for size in range(1, len(whole) - 1)]
    _resynced(p, pieces)


@check("FRAME-03", LINE, "Frames are found wherever the bytes are split, and several may come at once.",
       "The decoder expects a whole frame in one read, or loses what follows the first zero byte.",
       needs="serial")  # fmt: skip
def split(p: Probe) -> None:
    ident, body = p.build(m.GetStatus(0))
    whole = encode_raw(ident, body)
    for byte in whole[:-1]:
        p.bytes_out(bytes([byte]), "one byte of a frame")
        p.hear(0.002)
    found = _answered(p, whole[-1:], ident, body, "its zero byte")
    p.check(len(found) == 1, f"a frame sent byte by byte was answered {len(found)} times")
    if p.wire.transport.shared:
        return  # the answer to the first would fall into the frames behind it
    frames = [p.build(m.GetStatus(0)) for _ in range(4)]
    before = len(p.trace)
    p.bytes_out(b"".join(encode_raw(*one) for one in frames), "four frames at once")
    p.hear(2 * p.reply_s())
    for _, body in frames:
        p.check(bool(_to(p, before, body)), f"of four frames in one piece the one with tag {body[0]} was not answered")


@check("FRAME-04", LINE, "The longest frame has 16 bytes: a longer one is dropped as a whole, and the next one is "
    "heard.",
       "Bytes past the buffer overwrite it, or the first 16 are taken for a frame.", needs="serial")  # fmt: skip
def overlong(p: Probe) -> None:
    p.remember(PROBE_NAME)
    before = p.get(PROBE_NAME)
    ident, body = _set_frame(p, before + 1)
    long_body = body + bytes(range(1, 5))
    _silent(p, _framed(ident, long_body), "a frame with a body of 10 bytes", "a body of more than 8 bytes")
    good = encode_raw(*_set_frame(p, before + 2))
    _silent(p, good[:-1] + b"\x01" * FRAME_MAX + b"\0", "a good frame that goes on", "an over-long frame")
    _silent(p, b"\x01" * FRAME_MAX + good[:-1] + b"\0", "a good frame at the end of a long one", "an over-long frame")
    p.check(p.get(PROBE_NAME) == before, f"an over-long frame changed {PROBE_NAME}")
    rng = random.Random(4)
    _resynced(p, ((bytes(rng.randrange(1, 256) for _ in range(size)), f"{size} bytes without a zero byte")
                  for size in (16, 17, 64, 255, 256, 257, 600)))  # fmt: skip


@check("FRAME-05", LINE, "A zero byte ends a frame; several in a row are no frame and do no harm.",
       "An empty frame is treated as an error or as a message.", needs="serial")  # fmt: skip
def zeros(p: Probe) -> None:
    for count in (1, 2, 16, 300):
        ident, body = p.build(m.GetStatus(0))
        found = _answered(p, b"\0" * count + encode_raw(ident, body), ident, body, f"{count} zero bytes and a frame")
        p.check(len(found) == 1, f"a request after {count} zero bytes was answered {len(found)} times")


def wrong_counts(good: bytes) -> list[tuple[int, int, bytes]]:
    """(place, value, frame) of frames whose first or last count points past the end; `good` is what COBS made."""
    last = 0
    while last + good[last] < len(good) - 1:  # from count to count
        last += good[last]
    places = ((0, 0xFF), (0, 0x20), (last, 0x30))
    return [(place, value, good[:place] + bytes((value,)) + good[place + 1 :]) for place, value in places]


@check("FRAME-06", LINE, "What is no byte-stuffed frame is dropped: counts that point past the end, and frames too "
    "short.",
       "A COBS count is followed past the end of the frame, or a length is not checked.", needs="serial")  # fmt: skip
def no_cobs(p: Probe) -> None:
    ident, body = p.build(m.GetStatus(0))
    good = encode_raw(ident, body)
    for place, value, wrong in wrong_counts(good):
        _silent(p, wrong, f"count {value} in place {place}", "a frame with a wrong count")
    for size in range(HEADER_SIZE + 1):
        data = ident.to_bytes(HEADER_SIZE, "little")[:size]
        _silent(p, _stuffed(data + crc16(data).to_bytes(2, "little")), f"{size} bytes with a good CRC", "a short frame")
    p.status()


@check("FRAME-07", LINE, "The header has 29 bits: a frame with one of the three bits above them set is dropped.",
       "The top three bits of the header are masked off instead of checked.", severity="should",
       needs="serial")  # fmt: skip
def header_bits(p: Probe) -> None:
    for bit in (29, 30, 31):
        ident, body = p.build(m.GetStatus(0))
        data = (ident | 1 << bit).to_bytes(HEADER_SIZE, "little") + body
        wire = _stuffed(data + crc16(data).to_bytes(CRC_SIZE, "little"))
        _silent(p, wire, f"a header with bit {bit}", "a header of more than 29 bits")


@check("FRAME-08", LINE, "What the node sends are whole frames with a right CRC and nothing else.",
       "Answers are cut off by a full buffer, or debug text goes to the same port.", needs="serial wired")  # fmt: skip
def clean_line(p: Probe) -> None:
    before = p.wire.lost.copy()
    for _ in range(20):
        p.must(m.GetStatus(0))
        p.must(m.Identify(0))
    bad = {cause: count for cause, count in (p.wire.lost - before).items() if cause in LOST_FRAMING}
    p.check(not bad, f"bytes came that are no frames: {bad}")


@check("CAN-01", CAN, "Remote frames, 11-bit identifiers and CAN FD frames are ignored.",
       "The receive filter looks at the identifier's bits and not at the frame's sort.", needs="can")  # fmt: skip
def foreign_can(p: Probe) -> None:
    p.remember(PROBE_NAME)
    before = p.get(PROBE_NAME)
    ident, body = _set_frame(p, before + 1)
    asked, question = p.build(m.GetStatus(0))
    frames = [
        ("a remote frame", CanFrame(asked, question, is_remote_frame=True)),
        ("an 11-bit identifier", CanFrame(asked & 0x7FF, question, is_extended_id=False)),
        ("an 11-bit identifier with the top bits of a request", CanFrame(ident >> 18, body, is_extended_id=False)),
    ]
    if p.wire.is_sim:
        frames.append(("a CAN FD frame", CanFrame(ident, body, is_fd=True)))
        frames.append(("a full identifier marked as 11-bit", CanFrame(ident, body, is_extended_id=False)))
    for note, frame in frames:
        first = len(p.trace)
        p.trace.append(Frame(p.now(), True, 0, frame.data, f"{note}, identifier {frame.arbitration_id:X}"))
        p.wire.send_can(frame)
        p.hear(p.reply_s())
        came = [one for one in p.trace[first:] if not one.sent and unpack_header(one.ident).dst == p.me]
        p.check(not came, f"{note} was answered")
    p.check(p.get(PROBE_NAME) == before, f"a frame that is none of ours changed {PROBE_NAME}")


@check("CAN-02", CAN, "All that the node sends are extended data frames of 1 to 8 bytes.",
       "The controller is set to standard identifiers, or the length is wrong.", needs="can wired")  # fmt: skip
def clean_can(p: Probe) -> None:
    before = p.wire.lost.copy()
    for _ in range(20):
        p.must(m.GetStatus(0))
        p.must(m.Identify(0))
    bad = {cause: count for cause, count in (p.wire.lost - before).items() if cause != "error-frame"}
    p.check(not bad, f"frames came that are none of ours: {bad}")


@check("HEAD-01", HEADER, "A node answers to its own address only, and not to a neighbour's.",
       "The destination is not compared, or compared under a mask.")  # fmt: skip
def addresses(p: Probe) -> None:
    others = {p.node ^ 1 << bit for bit in range(7)} | {NODE_FIRST, NODE_LAST}
    for address in sorted(others - {p.node, EVERYONE}):
        frame = p.build(m.Identify(0), dst=address)
        first = len(p.trace)
        p.answers(*frame)
        came = [one for one in p.trace[first:] if not one.sent and unpack_header(one.ident).src == p.node
                and one.data[:1] == frame[1][:1] and unpack_header(one.ident).dst == p.me]  # fmt: skip
        p.check(not came, f"identify to address {address} was answered by the node at {p.node}")
    p.must(m.Identify(0))


@check("HEAD-02", HEADER, "An answer goes to the source of the request, from the node's own address, with the same "
    "axis "
       "and the priority of its kind.", "A field of the request's header is not carried into the answer.")  # fmt: skip
def answer_header(p: Probe) -> None:
    for source in range(1, 16):
        for body in (m.GetStatus(0), m.Identify(0), m.Get(0, 3)):
            ident, data = p.build(body, src=source)
            asked = unpack_header(ident)
            first = len(p.trace)
            p.answers(ident, data)
            came = [unpack_header(one.ident) for one in p.trace[first:] if not one.sent
                    and one.data[:1] == data[:1] and unpack_header(one.ident).dst != EVERYONE]  # fmt: skip
            right = [one for one in came if (one.dst, one.src, one.axis) == (source, p.node, asked.axis)]
            if not p.check(bool(right), f"a request from control {source} to axis {asked.axis} was answered as {came}"):
                continue
            row = KINDS.by_code.get(right[0].kind)
            wanted = row.priority if row is not None else right[0].priority
            p.check(right[0].priority == wanted, f"the answer has priority {right[0].priority}; its kind has {wanted}")


@check("HEAD-03", HEADER, "Messages that nodes send are not answered when they come to a node.",
       "Kinds that are answers are treated as unknown requests.")  # fmt: skip
def node_kinds(p: Probe) -> None:
    for row in KINDS:
        if row.sender != "node" or row.name == "announce":
            continue
        ident, data = p.build(_zero(row.cls))
        first = len(p.trace)
        p.raw(ident, data)
        p.hear(p.reply_s())
        came = [one for one in p.trace[first:] if not one.sent and unpack_header(one.ident).dst == p.me
                and one.data[:1] == data[:1]]  # fmt: skip
        p.check(not came, f"{row.name}, which nodes send, was answered")


@check("HEAD-04", HEADER, "Requests from address 0 or 127 are not answered, and of them only `stop` is carried out.",
       "Nobody and everyone are taken for controls like others.")  # fmt: skip
def from_nobody(p: Probe) -> None:
    p.remember(PROBE_NAME)
    before = p.get(PROBE_NAME)
    number = BY_NAME[PROBE_NAME].id
    for source in (NOBODY, EVERYONE):
        asked = [(kind_of(body).name, p.build(body, src=source)) for body in
                 (m.GetStatus(0), m.Identify(0), m.Get(0, number), m.Set(0, number, before + 1), m.Take(0, 0),
                  m.Discover(0), m.Stop(0))]  # fmt: skip
        ident, data = p.build(m.Identify(0), src=source)
        unknown = next(code for code in range(256) if code not in KINDS.by_code)
        asked.append(("an unknown kind", (ident & ~(KIND_MASK << KIND_SHIFT) | unknown << KIND_SHIFT, data)))
        for name, frame in asked:
            first = len(p.trace)
            p.raw(*frame)
            p.hear(p.reply_s())
            heard = [(unpack_header(one.ident), one.data) for one in p.trace[first:] if not one.sent]
            came = [data for header, data in heard if header.src == p.node and header.dst in (NOBODY, EVERYONE)
                    and data[:1] == frame[1][:1]]  # fmt: skip
            p.check(not came, f"{name} from address {source} was answered")
    p.check(p.get(PROBE_NAME) == before, f"a set from nobody changed {PROBE_NAME}")
    p.check(p.owner().owner == 0, f"after a take from nobody the owner is {p.owner().owner}")


def _zero(cls: type) -> object:
    row = KINDS.by_class[cls]
    return cls(*(bytes(spec.codec.size) if spec.codec.is_text else 0 for spec in row.fields))
