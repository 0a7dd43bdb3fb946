"""Serving a rig: the adapter's text protocol, wall-clock pace, programs that come and go, and a clean end."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import can
import pytest
import serial

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.serial_line import LineEnd
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Refusal
from ringlet.protocol.header import Header
from ringlet.protocol.serial_frame import StreamDecoder, encode_raw
from ringlet.tools.errors import LinkProblem, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.serve import PtyFace, open_face, serve
from ringlet.tools.slcan_server import SlcanServer

Serving = Callable[..., AbstractContextManager[Any]]


def told(server: SlcanServer, text: bytes) -> tuple[list[tuple[int, bytes]], bytes]:
    return server.feed(text), server.take_answers()


def test_adapter_commands_answer_as_the_convention_says() -> None:
    server = SlcanServer()
    assert told(server, b"T000000011AA\r") == ([], b"\a")  # closed
    assert told(server, b"S6\rO\r") == ([], b"\r\r")
    assert told(server, b"S6\r") == ([], b"\a")  # not while open
    assert told(server, b"T1234567") == ([], b"")
    assert told(server, b"83AABBCC\rT1FFFFFFF0\r") == ([(0x12345678, b"\xaa\xbb\xcc"), (0x1FFFFFFF, b"")], b"Z\rZ\r")
    assert told(server, b"t12320102\rr1230\r") == ([], b"z\rz\r")
    assert told(server, b"V\rN\rF\r") == ([], b"V0101\rNRING\rF00\r")
    for wrong in (b"T123456783AABB\r", b"T2000000000\r", b"Q\r", b"T1234567G0\r", b"t12390\r", b"x" * 500 + b"\r"):
        assert told(server, wrong) == ([], b"\a")
    assert server.frame(0x1F, b"\x01\xff") == b"T0000001F201FF\r"
    assert told(server, b"C\r") == ([], b"\r")
    assert server.frame(0x1F, b"\x01") == b""
    assert told(server, b"L\rT000000010\r") == ([], b"\r\a")
    assert server.lost == {"closed": 2, "foreign": 2, "command": 5, "overlong": 1}


def test_python_can_itself_speaks_to_the_adapter(served: Serving) -> None:
    with served(SimRig(load_rig("single")), "slcan") as there:
        channel = there.url.removeprefix("can:slcan:")
        with can.Bus(interface="slcan", channel=channel, sleep_after_open=0.0, bitrate=500_000) as bus:
            assert bus.get_version(0.5) == (1, 1)
            assert bus.get_serial_number(0.5) == "RING"
            bus.send(can.Message(arbitration_id=0x1DC3F81F, is_extended_id=True, data=[5]))  # discover by control 1
            heard = [bus.recv(0.2)]
            while heard[-1] is not None:
                heard.append(bus.recv(0.2))
        last = heard[-2]
        assert last is not None
        assert (last.arbitration_id >> 18 & 0xFF, last.arbitration_id >> 4 & 0x7F) == (0x71, 16)  # announce, node 16


def test_a_second_of_wall_time_is_a_second_on_the_rig() -> None:
    rig = SimRig(load_rig("single"))
    said: list[str] = []
    start = time.monotonic()
    dropped = serve(rig, "tcp", said.append, threading.Event(), max_seconds=0.6)
    length = time.monotonic() - start
    assert said[0].startswith("serial:socket://127.0.0.1:")
    assert 0.6 <= length < 3.0
    assert rig.now_us / 1e6 + dropped["late steps"] / 1e3 == pytest.approx(length, abs=0.1)


def test_nobody_reading_does_not_hold_the_rig_up(served: Serving) -> None:
    rig = SimRig(load_rig("single"))
    with served(rig, "serial") as there:
        with Link.open(there.url) as link:
            axis = link.axis(16, 0)
            axis.set("telemetry-select", 31)
            axis.set("telemetry-rate", 1000)
        before = rig.now_us
        time.sleep(0.6)  # 60 bytes a millisecond fill the terminal's buffer in a tenth of a second
        assert rig.now_us - before > 200_000
        with Link.open(there.url) as link:
            assert link.axis(16, 0).set("telemetry-rate", 0) == 0
            assert link.discover()[0].address == 16


def test_tcp_programs_come_and_go(served: Serving) -> None:
    rig = SimRig(load_rig("single"))
    with served(rig, "tcp") as there, Link.open(there.url) as first:
        port = int(there.url.rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", port)) as rude:
            rude.sendall(b"GET / HTTP/1.1\r\n\r\n")
        with Link.open(there.url, source=2) as second:
            second.axis(16, 0).take()
            assert first.axis(16, 0).status().owner == 2
        assert first.axis(16, 0).status().owner == 0
        with pytest.raises(LinkProblem, match="in use"):
            open_face("tcp", LineEnd(), port=port)


def test_the_terminal_does_not_echo_what_nodes_say() -> None:
    face = open_face("serial", LineEnd())
    face.say([(0x1DC3F81F, b"\x05")])
    assert isinstance(face, PtyFace)
    with pytest.raises(BlockingIOError):
        os.read(face._master, 100)
    face.close()


def test_ways_that_cannot_be() -> None:
    with pytest.raises(UsageProblem, match="choose serial, tcp"):
        open_face("smoke", LineEnd())  # type: ignore[arg-type]
    with pytest.raises(LinkProblem):
        open_face("socketcan", LineEnd(), channel="no-such-bus")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_end_the_serving_in_order(number: signal.Signals) -> None:
    program = (
        "import threading; from ringlet.hwsim.rigfile import load_rig; from ringlet.hwsim.simrig import SimRig;"
        "from ringlet.tools.serve import serve;"
        "serve(SimRig(load_rig('single')), 'serial', lambda s: print(s, flush=True), threading.Event()); print('end')"
    )
    child = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline().startswith("serial:/dev/")
    os.kill(child.pid, number)
    out, err = child.communicate(timeout=10)
    assert (child.returncode, out, err) == (0, "end\n", "")


def test_a_served_node_refuses_an_unknown_kind_with_its_tag(served: Serving) -> None:
    ident = Header(7, 0xEE, 16, 1, 15).pack()
    with served(SimRig(load_rig("single")), "serial") as there:
        port = serial.serial_for_url(there.url.removeprefix("serial:"), timeout=0.05)
        with port:
            port.write(encode_raw(ident, b"\x07\x01\x02"))
            decoder, heard, end = StreamDecoder(), [], time.monotonic() + 5
            while not heard and time.monotonic() < end:
                heard += [one.body for one in decoder.feed(port.read(64)) if isinstance(one.body, m.Refused)]
    assert heard == [m.Refused(7, 0xEE, Refusal.UNKNOWN_KIND, 0xEE)]


def test_programs_on_one_port_hear_each_other_and_the_rigs_controls(served: Serving) -> None:
    with (
        served(SimRig(load_rig("pair")), "tcp") as there, Link.open(there.url) as one,
        Link.open(there.url, source=9) as two,
    ):  # fmt: skip
        heard: list[tuple[int, str]] = []
        two.subscribe(lambda got, _: heard.append((got.src, type(got.body).__name__)), ("guide", "knob", "range"))
        own: list[Any] = []
        one.subscribe(lambda got, _: own.append(got), ("guide",))
        for _ in range(100):
            one.send(m.Guide(0, 16, 0, 700, 0))
            one.wait(0.01)
            two.wait(0.01)
            if len(set(heard)) == 4:
                break
        assert set(heard) == {(1, "Guide"), (2, "Knob"), (3, "Knob"), (5, "Range")}
        assert not own
