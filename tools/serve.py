"""Serve a simulated rig against the wall clock, so that other programs reach it as they would reach a real one.

Ways: `serial` (a pseudo-terminal), `tcp` (on 127.0.0.1 only), `slcan` (a pseudo-terminal that speaks as a serial-line
CAN adapter), `socketcan` and `virtual` (python-can buses; `virtual` stays inside this process). A millisecond of wall
time is a millisecond on the rig; after a hold-up it catches up a little and lets the rest go.
"""

from __future__ import annotations

import os
import selectors
import signal
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final, Literal

from ringlet.hwsim.bus import Framing
from ringlet.hwsim.serial_line import LineEnd
from ringlet.hwsim.simrig import SimRig
from ringlet.tools.errors import LinkProblem, UsageProblem
from ringlet.tools.signals import ending, handled
from ringlet.tools.slcan_server import SlcanServer
from ringlet.tools.transports import open_can, open_problem

How = Literal["serial", "tcp", "slcan", "socketcan", "virtual"]
TICK: Final = 0.001
"""Seconds of one step of the rig."""
NAP: Final = 0.002
"""Longest sleep between two looks at the clock, s."""
CATCH_UP: Final = 50
"""Steps done in one go after a hold-up; what is beyond them is let go."""
BACKLOG: Final = 65_536
"""Bytes kept for a reader that is slow or gone; then whole frames are dropped."""
CLIENTS: Final = 8
LOOPBACK: Final = "127.0.0.1"

Message = tuple[int, bytes]


class Face(ABC):
    """The rig's side of a connection."""

    link: str
    """the --link that reaches it"""

    def __init__(self) -> None:
        self.dropped: Counter[str] = Counter()

    @abstractmethod
    def hear(self, timeout: float) -> list[Message]:
        """What programs have sent; waits up to `timeout` seconds for it."""

    @abstractmethod
    def say(self, messages: list[Message]) -> None:
        """Send what nodes have said. Never blocks."""

    @abstractmethod
    def close(self) -> None: ...


class _Outgoing:
    """Bytes on their way to a file descriptor that must never block us."""

    def __init__(self, write: Callable[[bytes], int]) -> None:
        self._write, self._rest = write, bytearray()

    def put(self, frames: list[bytes], dropped: Counter[str]) -> None:
        for frame in frames:
            if len(self._rest) + len(frame) > BACKLOG:
                dropped["reader too slow or gone"] += 1
            else:
                self._rest += frame
        while self._rest:
            try:
                sent = self._write(bytes(self._rest))
            except BlockingIOError:
                return
            del self._rest[:sent]


def _serial(end: Framing, messages: list[Message]) -> list[bytes]:
    """Serial frames, each behind a zero byte, as on a line with one node."""
    return [b"\0" + end.encode(ident, data) for ident, data in messages]


class PtyFace(Face):
    """A pseudo-terminal. With `adapter` it speaks as a serial-line CAN adapter, otherwise in serial frames, which the
    rig's end of the line makes and finds."""

    def __init__(self, end: Framing, *, adapter: bool) -> None:
        super().__init__()
        import tty

        # We keep the far end open too: the port stays there between two programs.
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        name = os.ttyname(self._slave)
        self.link = f"can:slcan:{name}" if adapter else f"serial:{name}"
        self._adapter = SlcanServer() if adapter else None
        self._end = end
        self._out = _Outgoing(lambda data: os.write(self._master, data))
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._master, selectors.EVENT_READ)

    def hear(self, timeout: float) -> list[Message]:
        if not self._selector.select(timeout):
            return []
        data = os.read(self._master, 65_536)
        if self._adapter is None:
            return self._end.frames(data)
        messages = self._adapter.feed(data)
        self._out.put([self._adapter.take_answers()], self.dropped)
        return messages

    def say(self, messages: list[Message]) -> None:
        if self._adapter is None:
            self._out.put(_serial(self._end, messages), self.dropped)
        else:
            self._out.put([self._adapter.frame(ident, data) for ident, data in messages], self.dropped)

    def close(self) -> None:
        self._selector.close()
        os.close(self._master)
        os.close(self._slave)


class TcpFace(Face):
    """Serial frames over TCP on the loopback address; each program that connects hears everything, what the other
    programs say too. Each has an end of the line for itself, so a motor core in C has no hand in it."""

    def __init__(self, port: int) -> None:
        super().__init__()
        try:
            self._server = socket.create_server((LOOPBACK, port))
        except (OSError, OverflowError) as error:
            raise open_problem(f"port {port} on {LOOPBACK}", error) from None
        self._server.setblocking(False)
        self.link = f"serial:socket://{LOOPBACK}:{self._server.getsockname()[1]}"
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._server, selectors.EVENT_READ)
        self._clients: dict[socket.socket, tuple[Framing, _Outgoing]] = {}

    def hear(self, timeout: float) -> list[Message]:
        messages: list[Message] = []
        for key, _ in self._selector.select(timeout):
            if key.fileobj is self._server:
                self._accept()
            elif isinstance(key.fileobj, socket.socket):
                heard = self._read(key.fileobj)
                if heard:
                    self._tell(heard, besides=key.fileobj)
                messages += heard
        return messages

    def _accept(self) -> None:
        client, _ = self._server.accept()
        if len(self._clients) >= CLIENTS:
            client.close()
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._clients[client] = (LineEnd(), _Outgoing(client.send))
        self._selector.register(client, selectors.EVENT_READ)

    def _read(self, client: socket.socket) -> list[Message]:
        try:
            data = client.recv(65_536)
        except BlockingIOError:
            return []
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return []
        return self._clients[client][0].frames(data)

    def _drop(self, client: socket.socket) -> None:
        self._selector.unregister(client)
        del self._clients[client]
        client.close()

    def say(self, messages: list[Message]) -> None:
        self._tell(messages)

    def _tell(self, messages: list[Message], besides: socket.socket | None = None) -> None:
        for client, (end, out) in list(self._clients.items()):
            if client is besides:
                continue
            try:
                out.put(_serial(end, messages), self.dropped)
            except OSError:
                self._drop(client)

    def close(self) -> None:
        for client in list(self._clients):
            self._drop(client)
        self._selector.close()
        self._server.close()


class CanFace(Face):
    """A python-can bus: the rig takes part in it as its nodes would."""

    def __init__(self, interface: str, channel: str) -> None:
        super().__init__()
        self.link = f"can:{interface}:{channel}"
        self._bus = open_can(interface, channel, {}, self.link)

    def hear(self, timeout: float) -> list[Message]:
        messages: list[Message] = []
        frame = self._bus.recv(timeout)
        while frame is not None:
            if frame.is_extended_id and not (frame.is_remote_frame or frame.is_error_frame or frame.is_fd):
                messages.append((frame.arbitration_id, bytes(frame.data)))
            frame = self._bus.recv(0)
        return messages

    def say(self, messages: list[Message]) -> None:
        import can

        for ident, data in messages:
            try:
                self._bus.send(can.Message(arbitration_id=ident, is_extended_id=True, data=data), timeout=0)
            except (can.CanError, OSError):
                self.dropped["bus takes no frames"] += 1

    def close(self) -> None:
        self._bus.shutdown()


def has_terminals() -> bool:
    """Whether this system has pseudo-terminals."""
    return hasattr(os, "openpty")


def open_face(how: How, end: Framing, *, port: int = 0, channel: str = "") -> Face:
    """The connection of this kind; `end` is the rig's of a serial line. Raises UsageProblem or LinkProblem."""
    if how in ("serial", "slcan"):
        if not has_terminals():
            raise LinkProblem(f"this system has no pseudo-terminals for {how}; serve over tcp.")
        return PtyFace(end, adapter=how == "slcan")
    if how == "tcp":
        return TcpFace(port)
    if how in ("socketcan", "virtual"):
        return CanFace(how, channel or {"socketcan": "vcan0", "virtual": "ringlet"}[how])
    raise UsageProblem(f"a rig cannot be served as {how!r}; choose serial, tcp, slcan, socketcan or virtual.")


def serve(
    rig: SimRig,
    how: How,
    announce: Callable[[str], None],
    stop: threading.Event,
    port: int = 0,
    channel: str = "",
    max_seconds: float | None = None,
    speed: float = 1.0,
) -> Counter[str]:
    """Serve the rig until `stop` is set, Ctrl-C or SIGTERM comes, or `max_seconds` of wall time are over.

    `speed` is how many times as fast as the wall clock the rig's clock runs, for demonstrations.
    `announce` gets the link that reaches the rig, before anything else. Returns what was dropped, by cause
    ("late steps" are milliseconds that a busy machine did not keep up with).
    """
    face = open_face(how, rig.line_end(), port=port, channel=channel)
    try:
        with _signals_set(stop):
            announce(face.link)
            _run(rig, face, stop, max_seconds, speed)
    finally:
        face.close()
    return face.dropped


def _run(rig: SimRig, face: Face, stop: threading.Event, max_seconds: float | None, speed: float) -> None:
    start = origin = time.monotonic()
    steps = 0
    while not stop.is_set():
        for ident, data in face.hear(NAP):
            rig.send(ident, data)
        now = time.monotonic()
        if max_seconds is not None and now - start >= max_seconds:
            return
        due = int((now - origin) * speed / TICK) - steps
        if due > CATCH_UP:
            face.dropped["late steps"] += due - CATCH_UP
            origin += (due - CATCH_UP) * TICK / speed
            due = CATCH_UP
        for _ in range(due):
            said = rig.step()
            if said:
                face.say(said)
        steps += due
        face.say([])  # what could not be written before


@contextmanager
def _signals_set(stop: threading.Event) -> Iterator[None]:
    """Ctrl-C and other requests to end are carried out in order."""
    with handled([signal.SIGINT, *ending()], lambda *_: stop.set()):
        yield
