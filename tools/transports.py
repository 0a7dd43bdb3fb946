"""Ways to put messages on a bus and to hear them: a pyserial port, a python-can bus, a simulated rig in the process.

Nothing here is safe to share between threads: one thread, one link.
"""

from __future__ import annotations

import errno
import logging
import sys
from abc import ABC, abstractmethod
from collections import Counter, deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qsl

from ringlet.protocol.can_frame import CanDecoder
from ringlet.protocol.codec import Packet, WireError, unpack
from ringlet.protocol.serial_frame import FRAME_MAX, StreamDecoder, encode_raw
from ringlet.tools.clock import Clock, WallClock
from ringlet.tools.errors import LinkProblem, UsageProblem

if TYPE_CHECKING:
    from ringlet.hwsim.simrig import SimRig

BAUD: Final = 115_200
BITS_PER_BYTE: Final = 10
"""Start bit, eight data bits, stop bit."""
CAN_FRAME_BITS: Final = 160
"""Longest extended data frame with stuff bits and the gap behind it (ISO 11898-1; figure from memory)."""
CAN_BITRATE_ASSUMED: Final = 125_000
"""For time-outs only, where the URL names no bitrate: a slow one, so that nobody waits too short."""
HOST_SLACK: Final = 0.1
"""Seconds that the host may add to a reply: adapter latency timers of some 16 ms, a busy machine (common practice)."""
TURNAROUND: Final = 0.02
"""Seconds that the host may add in a search, where each window is waited out in full."""
WRITE_TIMEOUT: Final = 1.0

Notice = Callable[[str], None]


def to_stderr(sentence: str) -> None:
    """Say something aloud without touching the output of a command."""
    print(sentence, file=sys.stderr, flush=True)


class Transport(ABC):
    """A bus as a link sees it."""

    label: str = "the link"
    """how sentences name it"""
    is_can: bool = False
    shared: bool = False
    """several nodes on one serial line: bytes of two answers may garble each other"""
    slack: float = 0.0
    turnaround: float = 0.0
    frame_time: float = 0.0
    """seconds that the longest frame takes on the wire"""
    heard: int = 0
    """bytes (serial) or frames (CAN) that have come in so far, whether or not they are ours"""
    away: bool = False
    """the connection broke and did not come back; `reopen` tries once more"""
    reopened: int = 0
    """how often it was opened again: another device may answer then"""

    def __init__(self) -> None:
        self.clock: Clock = WallClock()
        self.notice: Notice = to_stderr

    @property
    @abstractmethod
    def lost(self) -> Counter[str]:
        """What came in and was no message of ours, by cause."""

    @abstractmethod
    def send(self, ident: int, data: bytes) -> None:
        """Put one message on the bus. Raises LinkProblem."""

    @abstractmethod
    def receive(self, timeout: float) -> list[Packet]:
        """Messages that are there, or the first that come within `timeout` seconds. Raises LinkProblem."""

    def reopen(self) -> None:  # noqa: B027 - most transports are never away
        """Open again what is away, in one try. Raises LinkProblem while it stays away."""

    @abstractmethod
    def close(self) -> None:
        """Give the bus back; may be called twice."""


class WiredTransport(Transport):
    """A transport with a cable that can be pulled: it is opened again a bounded number of times, and says so."""

    reconnect_tries = 10
    reconnect_pause = 0.5
    slack = HOST_SLACK
    turnaround = TURNAROUND

    @abstractmethod
    def _open(self) -> None: ...

    @abstractmethod
    def _shut(self) -> None: ...

    def reopen(self) -> None:
        """Open again what is away, in one try. Raises LinkProblem while it stays away."""
        if self.away:
            self._open()
            self.away = False
            self.reopened += 1

    def close(self) -> None:
        self._shut()

    def _closed(self) -> LinkProblem:
        if self.away:
            return LinkProblem(f"{self.label} is closed: its connection is away; check the cable and the supply.")
        return LinkProblem(f"{self.label} is closed; open the link again.")

    def _mend(self, error: Exception) -> None:
        """The connection broke: open it again. Raises LinkProblem when it stays away."""
        self._shut()
        self.notice(
            f"{self.label}: the connection broke ({_plain(error)}); "
            f"opening it again for up to {self.reconnect_tries * self.reconnect_pause:g} s."
        )
        for _ in range(self.reconnect_tries):
            self.clock.sleep(self.reconnect_pause)
            try:
                self._open()
            except LinkProblem:
                continue
            self.reopened += 1
            self.notice(f"{self.label}: the connection is back.")
            return
        self.away = True
        raise LinkProblem(f"{self.label}: the connection broke and did not come back; check the cable and the supply.")


class SerialTransport(WiredTransport):
    """Serial frames over anything that pyserial opens."""

    def __init__(self, url: str, *, baud: int = BAUD, shared: bool = False, label: str = "") -> None:
        super().__init__()
        self.label, self.shared = label or f"serial:{url}", shared
        if baud <= 0:
            raise UsageProblem(f"{self.label}: baud is {baud}; give bits a second, for example baud=115200.")
        self.frame_time = FRAME_MAX * BITS_PER_BYTE / baud
        self._url, self._baud = url, baud
        self._decoder = StreamDecoder()
        self._port: Any = None
        self._open()

    def _open(self) -> None:
        import serial

        try:
            self._port = serial.serial_for_url(
                self._url, baudrate=self._baud, timeout=0.0, write_timeout=WRITE_TIMEOUT, exclusive=True
            )
        except OSError as error:
            raise open_problem(self.label, error) from None
        except (ValueError, OverflowError) as error:
            raise UsageProblem(f"{self.label} cannot be used ({_plain(error)}); check address and baud rate.") from None

    def _shut(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with suppress(OSError):  # it may be gone already
                port.close()

    @property
    def lost(self) -> Counter[str]:
        return self._decoder.lost

    def send(self, ident: int, data: bytes) -> None:
        import serial

        frame = encode_raw(ident, data)
        if self.shared:
            self._decoder.frames(b"\0")  # what came before we speak and is no whole frame never becomes one
        try:
            self._live().write(b"\0" + frame)  # ends what noise has made in a node's receiver since the frame before
        except serial.SerialTimeoutException:
            raise LinkProblem(f"{self.label}: the port takes no more bytes; check cable and flow control.") from None
        except OSError as error:
            self._mend(error)

    def receive(self, timeout: float) -> list[Packet]:
        try:
            port = self._live()
            waiting = port.in_waiting
            wanted = 0.0 if waiting else max(0.0, timeout)
            if port.timeout != wanted:
                port.timeout = wanted
            data = port.read(max(1, waiting))
        except OSError as error:
            self._mend(error)
            return []
        self.heard += len(data)
        return self._decoder.feed(data)

    def _live(self) -> Any:
        if self._port is None:
            raise self._closed()
        return self._port


class CanTransport(WiredTransport):
    """Classic extended frames over any python-can bus."""

    is_can = True

    def __init__(self, interface: str, channel: str, options: dict[str, Any] | None = None, *, label: str = "") -> None:
        super().__init__()
        self.label = label or f"can:{interface}:{channel}"
        self._interface, self._channel, self._options = interface, channel, dict(options or {})
        bitrate = self._options.get("bitrate", CAN_BITRATE_ASSUMED)
        if not isinstance(bitrate, int) or bitrate <= 0:
            raise UsageProblem(f"{self.label}: bitrate is {bitrate!r}; give bits a second, for example bitrate=500000.")
        self.frame_time = CAN_FRAME_BITS / bitrate
        if interface == "slcan" and channel.startswith("/dev/pts/"):
            self._options.setdefault("sleep_after_open", 0.0)  # no board behind it that restarts when it is opened
        self._decoder = CanDecoder()
        self._bus: Any = None
        self._open()

    def _open(self) -> None:
        if self._interface == "slcan":
            self._check_free(self._channel.partition("@")[0])
        self._bus = open_can(self._interface, self._channel, self._options, self.label)
        port = getattr(self._bus, "serialPortOrig", None)
        if port is not None:
            port.exclusive = True

    def _check_free(self, port: str) -> None:
        """python-can does not lock the adapter's port; two programs would each get half of the frames."""
        import serial

        try:
            serial.serial_for_url(port, exclusive=True).close()
        except OSError as error:
            raise open_problem(self.label, error) from None
        except ValueError as error:
            raise UsageProblem(f"{self.label} cannot be used ({_plain(error)}); check the port.") from None

    def _shut(self) -> None:
        import can

        bus, self._bus = self._bus, None
        if bus is not None:
            with suppress(can.CanError, OSError):  # it may be gone already
                bus.shutdown()

    @property
    def lost(self) -> Counter[str]:
        return self._decoder.lost

    def send(self, ident: int, data: bytes) -> None:
        import can

        frame = can.Message(arbitration_id=ident, is_extended_id=True, data=data, check=False)
        try:
            self._live().send(frame, timeout=WRITE_TIMEOUT)
        except (can.CanTimeoutError, TimeoutError):
            raise LinkProblem(
                f"{self.label}: the bus takes no frames; check bitrate, termination, and that a node is powered."
            ) from None
        except (can.CanError, OSError) as error:
            self._mend(error)

    def receive(self, timeout: float) -> list[Packet]:
        import can

        try:
            frame = self._live().recv(max(0.0, timeout))
        except (can.CanError, OSError) as error:
            self._mend(error)
            return []
        except (ValueError, IndexError):
            self._decoder.lost["adapter"] += 1  # the adapter's own text was damaged
            return []
        if frame is None:
            return []
        self.heard += 1
        message = self._decoder.feed(frame)
        return [] if message is None else [message]

    def _live(self) -> Any:
        if self._bus is None:
            raise self._closed()
        return self._bus


def open_can(interface: str, channel: str, options: dict[str, Any], label: str) -> Any:
    """A python-can bus. Raises LinkProblem or UsageProblem."""
    import can

    logging.getLogger("can").addHandler(logging.NullHandler())  # our sentence is enough on a bare terminal
    try:
        return can.Bus(channel=channel, interface=interface, ignore_config=True, **options)
    except (can.CanError, OSError) as error:
        if not _no_driver(error):
            raise open_problem(label, error) from None
        reason = _plain(error)
    except (ValueError, TypeError) as error:
        raise UsageProblem(f"{label} cannot be used ({_plain(error)}); check channel and options.") from None
    except Exception as error:  # what is missing makes the drivers' modules fail in many ways
        reason = _plain(error)
    raise LinkProblem(
        f"{label}: python-can has no working driver {interface!r} here ({reason}); "
        "install the adapter's driver or choose another interface."
    )


def _no_driver(error: Exception) -> bool:
    missing = getattr(error, "errno", None) == errno.EAFNOSUPPORT or "library" in str(error).lower()
    return missing or isinstance(error, NotImplementedError)


class SimTransport(Transport):
    """A simulated rig in this process, in virtual time: waiting steps the rig. Bytes go to it and come from it."""

    def __init__(
        self, rig: SimRig, *, label: str = "the simulated rig", ports: list[SimTransport] | None = None
    ) -> None:
        super().__init__()
        self.rig, self.label = rig, label
        self.shared = len(rig.rig.nodes) > 1 and any(node.shared_line for node in rig.rig.nodes)
        self.is_can = not any(node.shared_line for node in rig.rig.nodes)
        self._bus = rig.bus
        if self._bus is not None:
            self.is_can, self.shared, self.frame_time = self._bus.is_can, self._bus.shared, self._bus.frame_time
        self.clock = SimClock(self)
        self._lost: Counter[str] = Counter()
        self._inbox: deque[tuple[int, bytes]] = deque()
        self._ports = [] if ports is None else ports
        self._ports.append(self)

    def beside(self) -> SimTransport:
        """Another control's way to the same rig; either may step it, both hear it."""
        return SimTransport(self.rig, label=self.label, ports=self._ports)

    @property
    def lost(self) -> Counter[str]:
        return self._lost if self._bus is None else self._lost + self._bus.lost

    def send(self, ident: int, data: bytes) -> None:
        self.rig.send(ident, data, self)

    def step(self) -> None:
        """Let one millisecond pass. Raises LinkProblem when a motor core in C that is run here has ended."""
        try:
            said = self.rig.step()
        except Exception as error:
            from ringlet.hwsim.firmware_link import FirmwareProblem

            if isinstance(error, FirmwareProblem):
                raise LinkProblem(f"{error}.") from None
            raise
        for port in self._ports:
            port._inbox.extend(said)
            port._inbox.extend((ident, data) for who, ident, data in self.rig.crossed if who is not port)
            if self._bus is not None:
                port.heard = self._bus.heard

    def receive(self, timeout: float) -> list[Packet]:
        end_us = self.rig.now_us + _micros(timeout)
        while not self._inbox and self.rig.now_us < end_us:
            self.step()
        found = []
        while self._inbox:
            ident, data = self._inbox.popleft()
            if self._bus is None:
                self.heard += 1 if self.is_can else len(data)
            try:
                found.append(unpack(ident, data))
            except WireError as error:
                self._lost[error.cause] += 1
        return found

    def close(self) -> None:
        if self in self._ports:
            self._ports.remove(self)


class SimClock:
    """Virtual time: the rig's own; to sleep is to step it."""

    def __init__(self, transport: SimTransport) -> None:
        self._transport = transport

    def now(self) -> float:
        return self._transport.rig.now_us / 1e6

    def sleep(self, seconds: float) -> None:
        end_us = self._transport.rig.now_us + _micros(seconds)
        while self._transport.rig.now_us < end_us:
            self._transport.step()


def _micros(seconds: float) -> int:
    """Whole microseconds; a time above zero is never none, so that whoever waits for its end gets there."""
    return max(1, round(1e6 * seconds)) if seconds > 0 else 0


def open_problem(label: str, error: Exception) -> LinkProblem:
    """The sentence for a port or bus that does not open."""
    number, text = getattr(error, "errno", None), str(error).lower()
    # pyserial on Windows gives its reason as the text of the system's error (serialwin32.py): a port in use is
    # PermissionError(13, ...) there, one that is not there FileNotFoundError(2, ...).
    in_use = ("exclusively lock", "permissionerror(13", "busy")
    if any(words in text for words in in_use) or number in (errno.EBUSY, errno.EAGAIN):
        return LinkProblem(f"{label} is in use by another program; close that program or choose another port.")
    if number in (errno.EACCES, errno.EPERM) or "permission denied" in text or "not permitted" in text:
        return LinkProblem(f"no permission to open {label}; join the group that owns it, or ask who runs the machine.")
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "no such" in text or "filenotfounderror(2" in text:
        return LinkProblem(f"there is no {label} here; check the name, the cable and the adapter.")
    if number == errno.ECONNREFUSED or "refused" in text:
        return LinkProblem(f"nothing listens at {label}; start the other side first, or check the number.")
    return LinkProblem(f"{label} does not open ({_plain(error)}); check that it is a port for this kind of link.")


def _plain(error: Exception) -> str:
    return " ".join(str(error).split()).rstrip(".") or type(error).__name__


def open_transport(url: str) -> Transport:
    """The transport that a link URL names. Raises UsageProblem or LinkProblem."""
    scheme, _, rest = url.partition(":")
    if not rest:
        raise UsageProblem(f"the link {url!r} is not complete; {FORMS}")
    if scheme == "serial":
        target, own = _split(rest, keep_others=True)
        if "?" in target and "://" not in target:  # a port of this machine; pyserial's own URLs have options of theirs
            others = ", ".join(sorted(set(own) - {"baud", "shared"}))
            raise UsageProblem(f"the link {url!r} has an option {others}; serial: knows baud and shared.")
        baud = _whole(own.get("baud", BAUD), "baud", url)
        shared = _whole(own.get("shared", 0), "shared", url)
        return SerialTransport(target, baud=baud, shared=bool(shared), label=f"serial:{target}")
    if scheme == "can":
        interface, _, channel = rest.partition(":")
        channel, options = _split(channel)
        if not interface or not channel:
            raise UsageProblem(f"the link {url!r} names no channel; {FORMS}")
        from can.util import cast_from_string

        return CanTransport(interface, channel, {key: cast_from_string(value) for key, value in options.items()})
    if scheme == "sim":
        return _open_sim(rest, url)
    raise UsageProblem(f"the link {url!r} begins with {scheme!r}, which is no kind of link; {FORMS}")


FORMS: Final = "write serial:PORT?baud=115200, can:INTERFACE:CHANNEL?bitrate=500000 or sim:RIG."


def _open_sim(rest: str, url: str) -> SimTransport:
    from ringlet.hwsim.rigfile import RigError, load_rig
    from ringlet.hwsim.simrig import SimRig
    from ringlet.tools.sim_bus import BUS_OPTIONS, bus_from, with_shared_line

    name, options = _split(rest)
    for key in options:
        if key not in ("seed", "store", "firmware", *BUS_OPTIONS):
            known = ", ".join(("seed", "store", "firmware", *BUS_OPTIONS))
            raise UsageProblem(f"the link {url!r} has an option {key!r}; sim: knows {known}.")
    try:
        rig = load_rig(name)
    except RigError as error:
        raise UsageProblem(str(error)) from None
    store = Path(options["store"]) if "store" in options else None
    seed = _whole(options.get("seed", 0), "seed", url)
    bus, mangler = bus_from(options, seed, url)
    if bus is not None and not bus.is_can:
        rig = with_shared_line(rig)
    firmware = Path(options["firmware"]) if "firmware" in options else None
    served = SimRig(rig, seed=seed, store=store, bus=bus, mangler=mangler, firmware=firmware)
    return SimTransport(served, label=url)


def _split(text: str, *, keep_others: bool = False) -> tuple[str, dict[str, str]]:
    """Target and options of a URL. pyserial has options of its own: with `keep_others` they stay in the target."""
    target, mark, query = text.partition("?")
    pairs = parse_qsl(query, keep_blank_values=True)
    if not keep_others:
        return target, dict(pairs)
    others = "&".join(part for part in query.split("&") if part.split("=")[0] not in ("baud", "shared"))
    return target + (mark + others if others else ""), dict(pairs)


def _whole(value: str | int, name: str, url: str) -> int:
    try:
        number = int(value)
    except ValueError:
        number = -1
    if number < 0:
        raise UsageProblem(f"the link {url!r} has {name}={value}; give a whole number.")
    return number
