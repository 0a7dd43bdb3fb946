"""Broken motors: mistakes in framing, addressing, dispatch and growth."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from cobs import cobs

from ringlet.hwsim.bus import EAR
from ringlet.hwsim.serial_line import BYTE_BITS, LineEnd, _Byte
from ringlet.hwsim.uploads import No
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Refusal
from ringlet.protocol.header import (
    ALL_AXES,
    AXIS_MASK,
    DST_SHIFT,
    EVERYONE,
    IDENT_MAX,
    KIND_SHIFT,
    NOBODY,
    PRIORITY_SHIFT,
    SRC_SHIFT,
    Header,
    unpack_header,
)
from ringlet.protocol.serial_frame import CRC_SIZE, FRAME_MAX, HEADER_SIZE
from ringlet.protocol.wire import KINDS
from ringlet.tools.conform.bed import Bed, mutant, wrap
from ringlet.tools.conform.wire import CanFrame


class _Loose(LineEnd):
    """Takes a frame apart and leaves a check out."""

    def __init__(self, *, crc: bool = True, header: bool = True, lenient: bool = False) -> None:
        super().__init__()
        self.crc, self.header, self.lenient = crc, header, lenient

    def frames(self, data: bytes) -> list[tuple[int, bytes]]:
        found = []
        for piece in data.split(b"\0")[:-1] if data.endswith(b"\0") else ():
            good = LineEnd().frames(piece + b"\0")
            if good:
                found += good
                continue
            try:
                plain = _sloppy(piece) if self.lenient else cobs.decode(piece)
            except cobs.DecodeError:
                continue
            crc = not self.crc and HEADER_SIZE + CRC_SIZE < len(plain) <= FRAME_MAX
            header = not self.header and len(plain) > 6 and bool(plain[3] >> 5)
            if crc or header or (self.lenient and len(plain) > 6):
                found.append((int.from_bytes(plain[:4], "little") & IDENT_MAX, plain[4:-2]))
        return found


def _sloppy(piece: bytes) -> bytes:
    """Byte-unstuffing that believes a count that points past the end."""
    out, place = bytearray(), 0
    while place < len(piece):
        count = piece[place]
        out += piece[place + 1 : place + count]
        place += max(1, count)
        if place < len(piece):
            out.append(0)
    return bytes(out)


@mutant("crc-unchecked", "frames with a wrong CRC are carried out", "FRAME-01")
def _(bed: Bed) -> None:
    bed.port.decoder = _Loose(crc=False)


@mutant("no-resync", "after a damaged frame the next one is lost too", "FRAME-02")
def _(bed: Bed) -> None:
    class Slow(LineEnd):
        def frames(self, data: bytes) -> list[tuple[int, bytes]]:
            before = self.lost.total()
            found = super().frames(data)
            return found[1:] if self.lost.total() > before else found

    bed.port.decoder = Slow()


@mutant("whole-reads-only", "a frame that comes in two reads is lost", "FRAME-03")
def _(bed: Bed) -> None:
    class Whole(LineEnd):
        def frames(self, data: bytes) -> list[tuple[int, bytes]]:
            return LineEnd().frames(data)

    bed.port.decoder = Whole()


@mutant("overlong-cut", "the first bytes of an over-long frame are taken for a frame", "FRAME-04")
def _(bed: Bed) -> None:
    class Cut(LineEnd):
        def frames(self, data: bytes) -> list[tuple[int, bytes]]:
            pieces = data.split(b"\0")
            found = []
            for piece in pieces[:-1]:
                size = len(piece) - FRAME_MAX
                for end in (len(piece), size) if size > 0 else (len(piece),):
                    found += super().frames(piece[:end] + b"\0")
            return found + super().frames(pieces[-1])

    bed.port.decoder = Cut()


@mutant("zero-is-an-error", "after an empty frame the next one is dropped", "FRAME-05")
def _(bed: Bed) -> None:
    class Nervous(LineEnd):
        def frames(self, data: bytes) -> list[tuple[int, bytes]]:
            found = super().frames(data)
            return found[1:] if data.startswith(b"\0\0") else found

    bed.port.decoder = Nervous()


@mutant("count-past-the-end", "a byte-stuffing count that points past the end is believed", "FRAME-06")
def _(bed: Bed) -> None:
    bed.port.decoder = _Loose(lenient=True)


@mutant("header-masked", "the bits above the header's 29 are masked off", "FRAME-07")
def _(bed: Bed) -> None:
    bed.port.decoder = _Loose(header=False)


@mutant("stuck-decoder", "after 64 bytes without a zero byte nothing is heard any more", "HOST-02")
def _(bed: Bed) -> None:
    class Stuck(LineEnd):
        full = False

        def frames(self, data: bytes) -> list[tuple[int, bytes]]:
            self.full = self.full or max(map(len, data.split(b"\0"))) > 64
            return [] if self.full else super().frames(data)

    bed.port.decoder = Stuck()


def _each_eighth(bed: Bed, spoil: Callable[[list[_Byte]], object]) -> None:
    """Each eighth frame of the node on its serial line: `spoil` changes the bytes that wait to be sent."""
    line, count = bed.line, [0]

    def send(go: Any, station: int, ident: int, data: bytes, at_us: int) -> None:
        go(station, ident, data, at_us)
        if station != EAR:
            count[0] += 1
            if count[0] % 8 == 0:
                spoil(line._wires[station].pending)

    wrap(line, "send", send)


@mutant("debug-text", "debug text goes to the same port", "FRAME-08")
def _(bed: Bed) -> None:
    def spoil(waiting: list[_Byte]) -> None:
        start, _, station = waiting[-1]
        text = enumerate(b"ok\r\n", 1)
        waiting += [_Byte(start + place * BYTE_BITS, value, station) for place, value in text]
        bed.line._busy[station] = waiting[-1].start + BYTE_BITS

    _each_eighth(bed, spoil)


@mutant("cut-by-full-buffer", "a full send buffer drops the last byte of a frame", "FRAME-08")
def _(bed: Bed) -> None:
    _each_eighth(bed, lambda waiting: waiting.pop(-2))


@mutant("eleven-bit-heartbeat", "a heartbeat of another protocol goes out on an 11-bit identifier", "CAN-02")
def _(bed: Bed) -> None:
    bed.port.can_out = lambda ident, data: [  # type: ignore[method-assign]
        CanFrame(ident, data), CanFrame(0x700 + bed.node.address, b"\5", is_extended_id=False)]  # fmt: skip


@mutant("empty-frames", "a frame without data goes out before each answer", "CAN-02")
def _(bed: Bed) -> None:
    bed.port.can_out = lambda ident, data: [CanFrame(ident, b""), CanFrame(ident, data)]  # type: ignore[method-assign]


@mutant("eleven-bit-taken", "CAN frames with an 11-bit identifier are taken for ours", "CAN-01")
def _(bed: Bed) -> None:
    bed.port.can_in = lambda frame: [] if frame.is_remote_frame else [frame[:2]]  # type: ignore[method-assign]


@mutant("remote-answered", "a remote frame is answered as if it held data", "CAN-01")
def _(bed: Bed) -> None:
    def can_in(frame: CanFrame) -> list[tuple[int, bytes]]:
        return [(frame.arbitration_id, frame.data)] if frame.is_extended_id else []

    bed.port.can_in = can_in  # type: ignore[method-assign]


# --- header -------------------------------------------------------------------------------------------------


@mutant("neighbour-heard", "the lowest bit of the destination is not compared", "HEAD-01")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        if ident >> DST_SHIFT & 0x7E == bed.node.address & 0x7E:
            ident = ident & ~(0x7F << DST_SHIFT) | bed.node.address << DST_SHIFT
        go(ident, data)

    bed.on_hear(hear)


@mutant("answer-to-control-1", "answers go to control 1, whoever asked", "HEAD-02")
def _(bed: Bed) -> None:
    bed.on_say(lambda one: one if one.dst == EVERYONE else one._replace(
        ident=one.ident & ~(0x7F << DST_SHIFT) | 1 << DST_SHIFT))  # fmt: skip


@mutant("priority-of-request", "an answer has the priority of its request and not of its kind", "HEAD-02")
def _(bed: Bed) -> None:
    bed.on_say(lambda one: one._replace(ident=one.ident & ~(7 << PRIORITY_SHIFT) | 4 << PRIORITY_SHIFT))


@mutant("axis-not-carried", "answers tell axis 0, whatever was asked", "HEAD-02")
def _(bed: Bed) -> None:
    bed.on_say(lambda one: one._replace(ident=one.ident & ~AXIS_MASK) if one.dst != EVERYONE else one)


def _refused_as_unknown(bed: Bed, wrongly: Callable[[Header], bool]) -> None:
    """What this holds for, and is sent to the node, is refused as an unknown kind."""

    def hear(ident: int, data: bytes, go: Any) -> None:
        header = unpack_header(ident)
        if header.dst == bed.node.address and wrongly(header):
            bed.node._refuse(header.src, header.axis, data[0], header.kind, No(Refusal.UNKNOWN_KIND, header.kind))
        else:
            go(ident, data)

    bed.on_hear(hear)


@mutant("nobody-answered", "requests from address 0 are answered like others", "HEAD-04")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        if unpack_header(ident).src != NOBODY:
            go(ident, data)
            return
        outbox = bed.node.outbox
        first = len(outbox)
        go(ident | 1 << SRC_SHIFT, data)
        outbox[first:] = [one._replace(ident=one.ident & ~(0x7F << DST_SHIFT)) for one in outbox[first:]]

    bed.on_hear(hear)


@mutant("nobody-obeyed", "what address 127 sets is carried out, without an answer", "HEAD-04")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        header = unpack_header(ident)
        if header.src == EVERYONE and header.kind == KINDS.by_name["set"].code:
            first = len(bed.node.outbox)
            go(ident & ~(0x7F << SRC_SHIFT) | 1 << SRC_SHIFT, data)
            del bed.node.outbox[first:]
        else:
            go(ident, data)

    bed.on_hear(hear)


@mutant("answers-refused", "what another node says is refused as an unknown request", "HEAD-03")
def _(bed: Bed) -> None:
    def from_a_node(header: Header) -> bool:
        kind = KINDS.by_code.get(header.kind)
        return kind is not None and kind.sender == "node" and header.src != 0

    _refused_as_unknown(bed, from_a_node)


# --- kinds and refusals -------------------------------------------------------------------------------------


@mutant("kind-without-handler", "`get-faults` is known and never answered", "KIND-01")
def _(bed: Bed) -> None:
    bed.on_request(lambda message, kind, go: None if kind.name == "get-faults" else go(message, kind))


@mutant("unknown-kind-silent", "unknown kinds are passed over in silence", "KIND-02")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        if ident >> KIND_SHIFT & 0xFF in KINDS.by_code:
            go(ident, data)

    bed.on_hear(hear)


def _refused(bed: Bed, code: Refusal, change: Any) -> None:
    """Change the refusals of one code on their way out."""

    def say(one: Packet) -> Packet:
        body = one.body
        return one._replace(body=change(body)) if isinstance(body, m.Refused) and body.code == code else one

    bed.on_say(say)


@mutant("unknown-kind-item", "the refusal of an unknown kind has item 0", "KIND-02")
def _(bed: Bed) -> None:
    _refused(bed, Refusal.UNKNOWN_KIND, lambda body: body._replace(item=0))


@mutant("short-body-item", "the refusal of a short body tells the length wanted and not the one received", "KIND-03")
def _(bed: Bed) -> None:
    _refused(bed, Refusal.SHORT_BODY, lambda body: body._replace(item=KINDS.by_code[body.of].min_size))


@mutant("short-body-read", "a short body is filled up with zeros and carried out", "KIND-03")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        kind = KINDS.by_code.get(ident >> KIND_SHIFT & 0xFF)
        go(ident, data if kind is None else data + bytes(max(0, kind.min_size - len(data))))

    bed.on_hear(hear)


@mutant("range-item", "an out-of-range field is refused with the wrong index", "KIND-04")
def _(bed: Bed) -> None:
    _refused(bed, Refusal.OUT_OF_RANGE, lambda body: body._replace(item=0))


@mutant("choice-unchecked", "`take` takes any number for its force field", "KIND-04")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        if ident >> KIND_SHIFT & 0xFF == KINDS.by_class[m.Take].code and len(data) > 1:
            data = data[:1] + bytes([min(1, data[1])]) + data[2:]
        go(ident, data)

    bed.on_hear(hear)


@mutant("axis-masked", "the axis number is cut to three bits before it is checked", "KIND-05")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        axis = ident & AXIS_MASK
        go(ident if axis == ALL_AXES else ident & ~8, data)

    bed.on_hear(hear)


@mutant("first-axis-for-all", "a question to all axes is answered by the first", "KIND-06")
def _(bed: Bed) -> None:
    wrap(bed.node, "_one", lambda go, message, axes, reply: reply(axes[0]))


@mutant("stream-answered", "streamed setpoints are answered with done", "KIND-07")
def _(bed: Bed) -> None:
    def stream(go: Any, message: Packet, kind: Any) -> None:
        go(message, kind)
        bed.node._say(m.Done(message.body.tag, kind.code), message.src, message.axis)

    wrap(bed.node, "_stream", stream)


@mutant("broadcast-answered", "a request to everyone is answered", "KIND-07")
def _(bed: Bed) -> None:
    def heed(go: Any, message: Packet, kind: Any, data: bytes) -> None:
        if message.dst == EVERYONE and kind.name == "stop":
            message = message._replace(ident=message.ident & ~(0x7F << DST_SHIFT) | bed.node.address << DST_SHIFT)
        go(message, kind, data)

    wrap(bed.node, "_heed", heed)


@mutant("stale-flag-bits", "bits of the status that are reserved hold what was in memory", "KIND-08")
def _(bed: Bed) -> None:
    bed.on_body(m.Status, lambda body: body._replace(flags=body.flags | 0x2000))


@mutant("byte-order", "the winding's temperature is sent with its high byte first", "KIND-09")
def _(bed: Bed) -> None:
    def swap(body: m.Health) -> m.Health:
        turned = int.from_bytes((body.winding & 0xFFFF).to_bytes(2, "big"), "little")
        return body._replace(winding=turned - (turned >> 15 << 16))

    bed.on_body(m.Health, swap)


@mutant("byte-order-check", "the check value of the marks is sent with its high byte first", "MARK-01")
def _(bed: Bed) -> None:
    def swap(body: m.Marks) -> m.Marks:
        return body._replace(check=(body.check & 0xFF) << 8 | body.check >> 8)

    bed.on_body(m.Marks, swap)


@mutant("own-codes", "refusals use a number of the firmware's own", "KIND-10")
def _(bed: Bed) -> None:
    _refused(bed, Refusal.UNKNOWN_PARAMETER, lambda body: body._replace(code=0x81))


@mutant("slow-answer", "answers wait 20 ms for a slow main loop", "TIME-01")
def _(bed: Bed) -> None:
    waiting: list[tuple[int, Packet]] = []

    def tick(go: Any) -> list[Packet]:
        waiting.extend((bed.rig.now_us + 20_000, one) for one in go())
        due = [one for at, one in waiting if at <= bed.rig.now_us]
        waiting[:] = [entry for entry in waiting if entry[0] > bed.rig.now_us]
        return due

    wrap(bed.node, "tick", tick)


@mutant("longer-body-refused", "a body longer than the kind's is refused", "GROW-01")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        header = unpack_header(ident)
        kind = KINDS.by_code.get(header.kind)
        if kind is not None and kind.role == "request" and len(data) > kind.size and header.dst == bed.node.address:
            bed.node._refuse(header.src, header.axis, data[0], header.kind, No(Refusal.SHORT_BODY, len(data)))
        else:
            go(ident, data)

    bed.on_hear(hear)


@mutant("reserved-bits-minded", "a search with a reserved bit set is passed over", "GROW-02")
def _(bed: Bed) -> None:
    bed.on_request(lambda message, kind, go: None if kind.name == "search" and message.body.bits & 0x40
                   else go(message, kind))  # fmt: skip


@mutant("version-nibbles", "`announce` tells major and minor version swapped", "GROW-03")
def _(bed: Bed) -> None:
    bed.on_body(m.Announce, lambda body: body._replace(version=(body.version & 15) << 4 | body.version >> 4))


@mutant("newer-node-refused", "unknown kinds from nodes are refused", "GROW-04")
def _(bed: Bed) -> None:
    _refused_as_unknown(bed, lambda header: header.kind not in KINDS.by_code)


@mutant("length-opens-the-door", "the owner is not looked at when a body is longer than its kind's", "HOST-01")
def _(bed: Bed) -> None:
    long = [False]

    def hear(ident: int, data: bytes, go: Any) -> None:
        kind = KINDS.by_code.get(ident >> KIND_SHIFT & 0xFF)
        long[0] = kind is not None and len(data) > kind.size
        go(ident, data)

    bed.on_hear(hear)
    wrap(bed.node, "_owner_check", lambda go, axis, src, kind: None if long[0] else go(axis, src, kind))


@mutant("four-frames-a-tick", "only four frames a millisecond are taken from the buffer", "LOAD-01")
def _(bed: Bed) -> None:
    seen = [0, 0]

    def hear(ident: int, data: bytes, go: Any) -> None:
        if seen[0] != bed.rig.now_us:
            seen[:] = [bed.rig.now_us, 0]
        seen[1] += 1
        if seen[1] <= 4:
            go(ident, data)

    bed.on_hear(hear)
