"""A bus below the typed link: any bytes may be sent, right or wrong, and every frame that comes in is handed on.

Built on the transports of `ringlet.tools.transports`. A simulated serial line gets the bytes as they are. On other
simulated rigs the receiving side of a board is here too (`DevicePort`: bytes of a serial line, or CAN frames, to
messages), so that framing is tried in virtual time as well.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from ringlet.hwsim.bus import Framing
from ringlet.hwsim.serial_line import SerialLine
from ringlet.protocol.can_frame import CanDecoder
from ringlet.protocol.serial_frame import StreamDecoder
from ringlet.tools.errors import UsageProblem
from ringlet.tools.transports import CanTransport, SerialTransport, SimTransport, Transport

if TYPE_CHECKING:
    from ringlet.hwsim.simrig import SimRig
    from ringlet.tools.clock import Clock

Message = tuple[int, bytes]


class CanFrame(NamedTuple):
    """A CAN frame of any sort, with the attributes of python-can's Message."""

    arbitration_id: int
    data: bytes
    is_extended_id: bool = True
    is_remote_frame: bool = False
    is_fd: bool = False
    is_error_frame: bool = False


class _RawStream(StreamDecoder):
    """Frames with a good CRC, of known kind or not."""

    def feed(self, data: bytes) -> list[Any]:
        found = self.frames(data)
        self.good += len(found)
        return found


class _RawCan(CanDecoder):
    """Extended data frames, of known kind or not."""

    def feed(self, frame: Any) -> Any:
        before = self.lost.copy()
        super().feed(frame)
        causes = set(self.lost - before)
        if causes & {"error-frame", "remote", "standard-id", "fd", "length"}:
            return None
        self.lost = before  # unknown kinds and short bodies are the suite's to judge
        return frame.arbitration_id, bytes(frame.data)


class DevicePort:
    """The port of a simulated board: what it makes of bytes on a serial line and of CAN frames, and which frames it
    sends on a CAN bus."""

    def __init__(self, end: Framing) -> None:
        self.decoder = end

    def bytes_in(self, data: bytes) -> list[Message]:
        """Messages completed by these bytes."""
        return self.decoder.frames(data)

    def can_in(self, frame: CanFrame) -> list[Message]:
        """The message in a CAN frame, as `serve` passes it on."""
        ours = frame.is_extended_id and not (frame.is_remote_frame or frame.is_error_frame or frame.is_fd)
        return [(frame.arbitration_id, frame.data)] if ours else []

    def can_out(self, ident: int, data: bytes) -> list[CanFrame]:
        """The CAN frames that a message goes out as."""
        return [CanFrame(ident, data)]


class Wire:
    """One bus with a device on it. Raises LinkProblem as its transport does."""

    def __init__(self, transport: Transport) -> None:
        self.transport = transport
        self.port: DevicePort | None = None
        self.rig: SimRig | None = None
        self._sim_can: _RawCan | None = None
        if isinstance(transport, SimTransport):
            self.rig, self.port = transport.rig, DevicePort(transport.rig.line_end())
            if not self.ideal and transport.is_can:
                self._sim_can = _RawCan()
        elif isinstance(transport, SerialTransport):
            transport._decoder = _RawStream()
        elif isinstance(transport, CanTransport):
            transport._decoder = _RawCan()
        else:
            raise UsageProblem(f"{transport.label} cannot be used for conformance checks.")

    @property
    def clock(self) -> Clock:
        return self.transport.clock

    @property
    def is_sim(self) -> bool:
        return self.rig is not None

    @property
    def ideal(self) -> bool:
        """Whether no frame is ever lost or late: a simulated rig without a bus of its own."""
        return self.rig is not None and self.rig.bus is None

    def shows_wire(self, *, can: bool) -> bool:
        """Whether the very frames can be seen that the device puts on CAN, or on a serial line."""
        if self.rig is not None:
            return self.rig.bus is not None and self.transport.is_can == can
        return self.has_can if can else self.has_bytes

    @property
    def has_bytes(self) -> bool:
        """Whether bytes of a serial line can be sent."""
        return self.is_sim or isinstance(self.transport, SerialTransport)

    @property
    def has_can(self) -> bool:
        """Whether CAN frames of any sort can be sent."""
        return self.is_sim or self.transport.is_can

    @property
    def lost(self) -> Counter[str]:
        """What came in and was no frame, by cause."""
        return self.transport.lost if self._sim_can is None else self.transport.lost + self._sim_can.lost

    @property
    def slack(self) -> float:
        """Seconds that the host may add to an answer."""
        return self.transport.slack or 0.002

    def send(self, ident: int, data: bytes) -> None:
        self.transport.send(ident, data)

    def send_bytes(self, data: bytes) -> None:
        """Bytes on a serial line, as they are."""
        if self.rig is not None and isinstance(self.rig.bus, SerialLine):
            self.rig.send_bytes(data)
        elif self.port is not None:
            for ident, body in self.port.bytes_in(data):
                self.transport.send(ident, body)
        elif isinstance(self.transport, SerialTransport):
            self.transport._live().write(data)

    def send_can(self, frame: CanFrame) -> None:
        """A CAN frame of any sort."""
        if self.port is not None:
            for ident, body in self.port.can_in(frame):
                self.transport.send(ident, body)
        elif isinstance(self.transport, CanTransport):
            import can

            self.transport._live().send(
                can.Message(
                    arbitration_id=frame.arbitration_id, data=None if frame.is_remote_frame else frame.data,
                    dlc=len(frame.data), is_extended_id=frame.is_extended_id, is_remote_frame=frame.is_remote_frame,
                )
            )  # fmt: skip

    def receive(self, timeout: float) -> list[Message]:
        """(header, body) of what is there, or comes within `timeout` seconds."""
        if not isinstance(self.transport, SimTransport):
            raw: list[Any] = list(self.transport.receive(timeout))  # the decoders above give header and body
            return raw
        inbox = self.transport._inbox
        end_us = self.transport.rig.now_us + max(1, round(1e6 * timeout))
        while not inbox and self.transport.rig.now_us < end_us:
            self.transport.step()
        found = list(inbox)
        inbox.clear()
        if self._sim_can is None or self.port is None:
            return found
        frames = [frame for one in found for frame in self.port.can_out(*one)]
        return [one for one in map(self._sim_can.feed, frames) if one is not None]

    def close(self) -> None:
        self.transport.close()


LOST_FRAMING: Final = ("crc", "cobs", "short", "overlong", "header", "length")
