"""Links over real ports of this machine: pseudo-terminals, TCP on loopback, python-can; and what is wrong with them."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, suppress
from typing import Any

import can
import pytest
import serial

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.states import State
from ringlet.tools.errors import LinkProblem, NoAnswer, RingletError, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.transports import SerialTransport, open_transport

Serving = Callable[..., AbstractContextManager[Any]]


@pytest.fixture
def pty_pair() -> Iterator[tuple[int, str]]:
    """The far end of a pseudo-terminal as a file descriptor, and the near end's name."""
    tty = pytest.importorskip("tty")
    far, near = os.openpty()
    tty.setraw(near)
    os.set_blocking(far, False)
    yield far, os.ttyname(near)
    for one in (far, near):
        with suppress(OSError):
            os.close(one)


@pytest.mark.parametrize("how", ["serial", "tcp", "slcan", "virtual"])
def test_the_same_program_drives_a_rig_over_every_wire(served: Serving, how: str) -> None:
    rig = SimRig(load_rig("single"))
    with served(rig, how, channel="wires" if how == "virtual" else "") as there, Link.open(there.url) as link:
        assert link.is_can == (how in ("slcan", "virtual"))
        start = time.monotonic()
        assert [one.address for one in link.discover()] == [16]
        assert time.monotonic() - start < 1.0  # 0.2 s on an idle machine
        axis = link.axis(16, 0)
        axis.take()
        axis.run(20.0)
        link.wait(0.3)
        assert axis.status().state == State.RUNNING
        link.stop()
        assert axis.rest(2.0).state == State.HOLDING
        assert axis.status().owner == 1


@pytest.mark.parametrize(
    ("url", "kind", "says"),
    [
        ("nonsense", UsageProblem, "not complete; write serial:PORT"),
        ("usb:1", UsageProblem, "begins with 'usb'"),
        ("can:slcan", UsageProblem, "names no channel"),
        ("serial:/dev/no-such-port", LinkProblem, "there is no serial:/dev/no-such-port here; check"),
        ("serial:/dev/null", LinkProblem, "does not open"),
        ("serial:socket://127.0.0.1:1", LinkProblem, "nothing listens at"),
        ("serial:foo://x", UsageProblem, "cannot be used"),
        ("serial:/dev/null?baud=0", UsageProblem, "baud is 0"),
        ("serial:/dev/null?baud=fast", UsageProblem, "baud=fast; give a whole number"),
        ("can:slcan:/dev/no-such-port", LinkProblem, "there is no can:slcan:/dev/no-such-port here"),
        ("can:no-driver:0", LinkProblem, "no working driver 'no-driver'"),
        ("can:virtual:x?bitrate=fast", UsageProblem, "bitrate is 'fast'"),
        ("sim:no-such-rig", UsageProblem, "shipped rigs are"),
        ("sim:trio?speed=2", UsageProblem, "knows seed, store"),
    ],
)
def test_links_that_cannot_be_opened(url: str, kind: type[RingletError], says: str) -> None:
    with pytest.raises(kind, match=says) as caught:
        Link.open(url)
    assert type(caught.value) is kind
    assert caught.value.exit_code == (2 if kind is UsageProblem else 3)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("url", ["serial:{}", "can:slcan:{}"])
def test_a_busy_port_is_left_alone(pty_pair: tuple[int, str], url: str) -> None:
    far, name = pty_pair
    with serial.serial_for_url(name, exclusive=True), pytest.raises(LinkProblem, match="in use by another program"):
        Link.open(url.format(name))
    with pytest.raises(BlockingIOError):
        os.read(far, 10)  # nothing was said into the other program's port


@pytest.mark.parametrize(
    ("number", "says"),
    [(errno.EACCES, "no permission to open"), (errno.EBUSY, "in use by another"), (errno.ENOENT, "there is no")],
)
def test_what_the_system_refuses(monkeypatch: pytest.MonkeyPatch, number: int, says: str) -> None:
    def refuse(*args: object, **options: object) -> None:
        raise serial.SerialException(number, os.strerror(number))

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(LinkProblem, match=says):
        Link.open("serial:/dev/ttyX")


@pytest.mark.parametrize(("url", "says"), [("can:slcan:{}?bitrate=7", "Invalid bitrate"), ("can:kvaser:0", "kvaser")])
def test_a_failing_driver_gives_one_sentence_and_nothing_else(pty_pair: tuple[int, str], url: str, says: str) -> None:
    program = (
        "import sys; from ringlet.tools.link import Link; from ringlet.tools.errors import RingletError\n"
        "try: Link.open(sys.argv[1])\n"
        "except RingletError as error: print(error)"
    )
    command = [sys.executable, "-c", program, url.format(pty_pair[1])]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert says in ran.stdout
    assert ran.stdout.count("\n") == 1
    assert ran.stderr == ""


@pytest.mark.parametrize(
    ("noise", "says"),
    [
        (b"", "nothing at all was heard; check power"),
        (bytes(range(1, 256)) * 2, "wrong bit rate, another protocol"),
        (b"$GPGGA,123519,4807.038,N*47\r\n" * 3, "wrong bit rate, another protocol"),
        (b"\0\0garbage\0more\0", "wrong bit rate, another protocol"),
    ],
)
def test_silent_and_foreign_lines(pty_pair: tuple[int, str], noise: bytes, says: str) -> None:
    far, name = pty_pair
    with Link.open(f"serial:{name}") as link:
        os.write(far, noise)
        with pytest.raises(NoAnswer, match=says) as caught:
            link.axis(16, 0).take()
        assert caught.value.exit_code == 3
        assert link.owned == frozenset()


def test_another_protocol_on_a_can_bus() -> None:
    with can.Bus(interface="virtual", channel="foreign") as other, Link.open("can:virtual:foreign") as link:
        other.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=b"hi"))
        with pytest.raises(NoAnswer, match="1 frames came and are not"):
            link.axis(16, 0).take()
        assert link.losses["standard-id"] == 1


def test_a_pulled_cable_is_said_and_the_link_comes_back(served: Serving) -> None:
    rig = SimRig(load_rig("single"))
    said: list[str] = []
    with served(rig, "tcp") as there:
        link = Link.open(there.url, notice=said.append)
        assert isinstance(link.transport, SerialTransport)
        link.transport.reconnect_pause = 0.05
        link.axis(16, 0).status()
    port = int(there.url.rpartition(":")[2])
    with served(rig, "tcp", port=port):
        link.wait(0.2)
        assert link.axis(16, 0).status().state == State.RELEASED
    assert len(said) == 2
    assert "the connection broke" in said[0]
    assert "is back" in said[1]
    assert link.transport.reopened == 1  # so each board is looked at again before it is driven
    link.transport.reconnect_tries = 3
    start = time.monotonic()
    with pytest.raises(LinkProblem, match="did not come back; check the cable"):
        link.wait(1.0)
    assert time.monotonic() - start < 2.0
    with pytest.raises(LinkProblem, match="is closed"):
        link.stop()
    link.close()


def test_a_pty_whose_far_end_goes_away(pty_pair: tuple[int, str]) -> None:
    far, name = pty_pair
    transport = SerialTransport(name)
    transport.reconnect_tries, transport.reconnect_pause = 2, 0.01
    said: list[str] = []
    transport.notice = said.append
    os.close(far)
    with pytest.raises(LinkProblem, match="did not come back"):
        transport.receive(0.01)
    assert len(said) == 1


def test_a_few_bytes_are_not_kept_back_until_the_time_is_over(pty_pair: tuple[int, str]) -> None:
    far, name = pty_pair
    transport = SerialTransport(name)
    threading.Timer(0.1, os.write, (far, b"abc")).start()
    start = time.monotonic()
    transport.receive(20.0)
    assert transport.heard > 0
    assert time.monotonic() - start < 10.0
    transport.close()


def test_options_of_a_serial_link(pty_pair: tuple[int, str]) -> None:
    transport = open_transport(f"serial:{pty_pair[1]}?baud=57600&shared=1")
    assert transport.shared
    assert transport.frame_time == pytest.approx(160 / 57600)
    assert transport.label == f"serial:{pty_pair[1]}"
    transport.close()
