"""What a person with a motor or a few must not be misled about: what is stored, what is stopped, what went wrong."""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag
from ringlet.protocol.emit_dissector import LINKTYPE_SERIAL
from ringlet.protocol.header import ALL_AXES
from ringlet.protocol.states import State
from ringlet.protocol.wire import KINDS
from ringlet.tools import axis_handle, pcap
from ringlet.tools import cli_common as common
from ringlet.tools.cli import main
from ringlet.tools.errors import CheckFailed, LinkProblem, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport, WiredTransport, open_transport

Out = pytest.CaptureFixture[str]
Run = Callable[..., tuple[str, str]]
Serving = Callable[..., AbstractContextManager[Any]]


@pytest.fixture
def run(capsys: Out, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run one command on a link (default: a trio whose motors keep what is saved); what it said."""
    monkeypatch.delenv("RINGLET_LINK", raising=False)
    monkeypatch.setenv("RINGLET_SETUPS", str(tmp_path / "setups"))

    def go(*words: str, link: str = f"sim:trio?store={tmp_path / 'motors'}", code: int = 0) -> tuple[str, str]:
        got = main([*words, "--link", link])
        out, err = capsys.readouterr()
        assert got == code, (words, got, out, err)
        return out, err

    return go


def value(run: Run, name: str, *words: str, **how: Any) -> Any:
    return json.loads(run("get", name, *words, "--json", **how)[0])["parameters"][name]


# --- what is stored ----------------------------------------------------------------------------------------------


def test_save_stores_every_axis_and_what_belongs_to_the_node(run: Run, tmp_path: Path) -> None:
    url = f"sim:trio?store={tmp_path / 'motors'}"
    with Link.open(url) as link:
        link.axis(16, 0).set("address", 40)
        link.axis(16, 2).set("velocity-limit", 90)
        link.axis(16, ALL_AXES).save()  # as `ringlet save` does
    assert [one.address for one in Link.open(url).discover()] == [40]
    assert value(run, "velocity-limit", "--axis", "2") == 90
    out, _ = run("save")
    assert "all axes of node 40, and its own (address, shared-line)" in out
    assert json.loads(run("save", "--json")[0]) == {"node": 40, "axis": 15, "saved": True}
    assert json.loads(run("save", "--axis", "1", "--json")[0]) == {"node": 40, "axis": 1, "saved": True}


def test_the_command_save_sends_it_for_the_whole_node(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    real = Link.request

    def request(self: Link, body: Any, **how: Any) -> Any:
        if isinstance(body, m.Save):
            asked.append(how["axis"])
        return real(self, body, **how)

    monkeypatch.setattr(Link, "request", request)
    run("save")
    run("save", "--axis", "1")
    assert asked == [ALL_AXES, 1]


def test_set_with_save_stores_an_address_too(run: Run) -> None:
    _, err = run("set", "address=40", "--save")
    assert "The new address is taken at the next power-up." in err
    # Each command starts the simulated rig anew from what its motors have kept.
    assert [one["address"] for one in json.loads(run("discover", "--json")[0])["nodes"]] == [40]
    assert "at the next power-up, once it is saved" in run("set", "address=41")[1]
    assert value(run, "address") == 40


def test_set_says_when_it_ends_the_calibration(run: Run, served: Serving) -> None:
    with served(SimRig(load_rig("single")), "tcp") as there:
        for words in (["travel-min=-10", "travel-max=300"], ["velocity-limit=90"]):
            assert "not known any more" not in run("set", *words, link=there.url)[1]
        assert "The travel of axis 0 is not known any more" in run("set", "motor-teeth=41", link=there.url)[1]


def test_apply_again_with_save_stores_what_is_there_already(run: Run, served: Serving, tmp_path: Path) -> None:
    """`apply` without --save advises to add it: then nothing differs any more, and it must be stored all the same."""
    run("setup", "save", "a", link="sim:trio")
    store = tmp_path / "kept"
    with Link.open(f"sim:trio?store={store}") as link:
        link.axis(16, 1).set("velocity-limit", 99)
        link.axis(16, 1).save()
    with served(SimRig(load_rig("trio"), store=store), "tcp") as there:
        out, _ = run("setup", "apply", "a", "--yes", link=there.url)
        assert "lost at power-off; the same with --save stores them" in out
        run("setup", "apply", "a", "--save", "--check", link=there.url)
        assert value(run, "velocity-limit", "--axis", "1", link=f"sim:trio?store={store}") == 99  # only looked at
        said = json.loads(run("setup", "apply", "a", "--save", "--json", link=there.url)[0])
        assert (said["applied"], said["stored"]) == (False, True)
    assert value(run, "velocity-limit", "--axis", "1", link=f"sim:trio?store={store}") == 240


def test_apply_with_save_stores_the_address(run: Run, tmp_path: Path) -> None:
    run("setup", "save", "a")
    with Link.open(f"sim:trio?store={tmp_path / 'motors'}") as link:
        link.axis(16, 0).set("address", 40)
        link.request(m.Save(0), node=16, axis=ALL_AXES)
    run("setup", "apply", "a", "--also", "address", "--save", "--yes")
    assert value(run, "address") == 16


def test_discover_says_that_a_given_address_does_not_last(run: Run, tmp_path: Path) -> None:
    fresh = tmp_path / "fresh.toml"
    fresh.write_text('name = "f"\n[[nodes]]\nunique_id = 7\naxes = [{motor = "small", lens = "iris"}]\n')
    _, err = run("discover", "--assign", "--json", link=f"sim:{fresh}")
    assert "Address 16 lasts until power-off; `ringlet save --node 16` keeps it." in err
    assert "lasts" not in run("discover", "--assign", link="sim:single")[1]


def test_find_stops_does_not_promise_that_a_saved_travel_lasts(run: Run) -> None:
    _, err = run("find-stops", link="sim:single")
    assert "find the stops again, also when the travel was saved" in " ".join(err.split())


# --- what is stopped ---------------------------------------------------------------------------------------------


def test_a_pulled_cable_is_said_with_what_to_do(
    run: Run, served: Serving, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first error stays, and beside it that nobody knows whether the ring rests."""
    monkeypatch.setattr(WiredTransport, "reconnect_tries", 2)
    monkeypatch.setattr(WiredTransport, "reconnect_pause", 0.05)
    with served(SimRig(load_rig("single")), "tcp") as there:
        said: list[tuple[str, str]] = []
        real = Link.wait
        pulled = threading.Event()

        def wait(self: Link, seconds: float) -> None:
            if seconds == 30.0:
                real(self, 0.2)
                os_level = self.transport._port  # type: ignore[attr-defined]
                os_level._socket.shutdown(2)
                monkeypatch.setattr(type(self.transport), "_open", _no_port)
                pulled.set()
            real(self, seconds)

        monkeypatch.setattr(Link, "wait", wait)
        said.append(run("jog", "5", "--seconds", "30", link=there.url, code=3))
        assert pulled.is_set()
    err = said[0][1]
    assert "it is not sure that the axis is at rest: cut the power if it moves" in err
    assert "the connection broke and did not come back" in err.splitlines()[-1]


def _no_port(self: Any) -> None:
    raise LinkProblem("it is not there.")


def test_one_lost_link_keeps_no_other_axis_from_its_stop(monkeypatch: pytest.MonkeyPatch, capsys: Out) -> None:
    with Link.open("sim:trio") as link:
        handles = [link.axis(16, 0), link.axis(16, 1)]
        tried: list[int] = []

        def stop(self: Link, node: int, axis: int) -> None:
            tried.append(axis)
            raise LinkProblem("gone.")

        monkeypatch.setattr(Link, "stop", stop)
        with pytest.raises(ValueError, match="the first error"), common.driving(link, handles, caution=""):
            raise ValueError("the first error")
    assert tried == [0, 1]
    assert "not sure" not in capsys.readouterr().err  # both answer that they are at rest


def test_what_another_control_has_taken_is_not_stopped() -> None:
    with Link.open("sim:single") as link:
        handle = link.axis(16, 0)
        other = link.beside(source=2)
        taker = other.axis(16, 0)

        def lose_it() -> None:
            with common.driving(link, handle, caution=""):
                handle.run(5.0)
                taker.take(force=True)
                link.wait(0.5)
                taker.run(5.0)
                link.wait(0.2)
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            lose_it()
        assert taker.status().state == State.RUNNING


def test_what_is_ours_is_stopped() -> None:
    with Link.open("sim:single") as link:
        handle = link.axis(16, 0)

        def interrupted() -> None:
            with common.driving(link, handle, caution=""):
                handle.run(5.0)
                link.wait(0.2)
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            interrupted()
        assert handle.status().state == State.HOLDING


def test_a_fault_is_no_reason_to_cut_the_power(run: Run) -> None:
    """The simulated iris is driven into its end stop, far from where it starts: the drive is off then."""
    _, err = run("jog", "-20", "--seconds", "3", "--axis", "1", code=1)
    assert "stall" in err
    assert "cut the power if" not in err


def test_a_stop_that_could_not_be_sent_says_what_to_do(run: Run) -> None:
    _, err = run("stop", link="serial:/dev/no-such-port", code=3)
    assert err.startswith("ringlet: no stop was sent: there is no serial:/dev/no-such-port here")
    assert "cut the power" in err


# --- who owns it -------------------------------------------------------------------------------------------------


def test_own_take_says_when_another_control_has_taken_it(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    real = SimTransport.receive
    others: list[Link] = []

    def receive(self: SimTransport, timeout: float) -> Any:
        if not others and self.clock.now() > 2.0:
            others.append(Link(self.beside(), self.clock, source=2))
            others[0].axis(16, 0).take(force=True)
        return real(self, timeout)

    monkeypatch.setattr(SimTransport, "receive", receive)
    _, err = run("own", "take", "--seconds", "30", link="sim:single", code=1)
    assert "axis 0 of node 16 is not ours any more: control 2 has taken it." in err


def test_an_owned_axis_names_the_way_to_it(run: Run, served: Serving) -> None:
    with served(SimRig(load_rig("single")), "tcp") as there, Link.open(there.url, source=2) as other:
        other.axis(16, 0).set("owner-timeout", 20)
        other.axis(16, 0).take()
        _, err = run("set", "velocity-limit=90", link=there.url, code=1)
        assert "control 2 owns it" in err
        assert "`ringlet own take --force` in another window" in err
        _, err = run("own", "yield", link=there.url, code=1)
        assert "is not ours to give up: control 2 owns it." in err


# --- what went wrong ---------------------------------------------------------------------------------------------


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Little patience with ordinary moves, to keep the tests short."""
    monkeypatch.setattr(axis_handle, "MOVE_TIMEOUT", 2.0)
    monkeypatch.setattr(axis_handle, "FIND_TIMEOUT", 5.0)


@pytest.mark.usefixtures("hasty")
def test_slow_stops_and_moves_are_waited_for(run: Run) -> None:
    with Link.open("sim:single") as link:
        ring = link.axis(16, 0)
        ring.take()
        ring.find_stops()  # there and back takes 10 s each
        assert ring.status().flags >> Flag.CALIBRATED & 1
        assert link.clock.now() > 10.0
        ring.move(290.0, speed=5.0)  # from 302 deg
        ring.set("velocity-limit", 5)
        ring.move(280.0)
        with pytest.raises(CheckFailed, match="still moving after 1 s"):
            ring.move(200.0, timeout=1.0)
        ring.hold()
        ring.rest()
        ring.move_travel(0.85)
    moved = json.loads(run("move", "--travel", "0.95", "--speed", "5", "--find", "--json", link="sim:single")[0])
    assert abs(moved["travel"] - 0.95) < 0.01


def test_a_share_that_is_not_reached_says_so(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    real = SimTransport.send

    def send(self: SimTransport, ident: int, data: bytes) -> None:
        real(self, ident, data)
        if ident >> 18 & 0xFF == KINDS.by_name["move-travel"].code:
            link = Link(self.beside(), self.clock, source=3)
            link.stop()

    monkeypatch.setattr(SimTransport, "send", send)
    _, err = run("move", "--travel", "0.1", "--find", link="sim:single", code=1)
    assert "came to rest before its target" in err


def test_a_ramp_that_ends_in_a_fault_fails_and_is_kept(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from ringlet.tools import cli_ramp

    real = cli_ramp.limits_of

    def weak(handle: Any) -> Any:
        handle.set("torque-moving", 0.004)
        return real(handle)

    monkeypatch.setattr(cli_ramp, "limits_of", weak)
    out = tmp_path / "ramp"
    said, err = run("ramp", "200", "--find", "--out", str(out), "--json", link="sim:single", code=1)
    assert json.loads(said)["samples"] > 20
    assert "following" in err
    assert "the recording ends there" in err
    assert (out / "ramp.png").exists()


def test_limits_that_do_not_fit_are_said_with_what_is_in_force(run: Run) -> None:
    _, err = run("set", "velocity-limit=3600", "deceleration-limit=10", code=1)
    assert "In force already, and not stored: velocity-limit." in err
    assert "(deceleration-limit); `ringlet schema parameters` lists the ranges, and the four motion limits must" in err


def test_a_recording_that_breaks_off_tells_the_first_error(monkeypatch: pytest.MonkeyPatch) -> None:
    with Link.open("sim:single") as link:
        ring = link.axis(16, 0)
        ring.take()
        begin = link.clock.now()
        real = SimTransport.receive

        def receive(self: SimTransport, timeout: float) -> Any:
            if self.clock.now() > begin + 0.5:
                raise LinkProblem("the connection broke.")
            return real(self, timeout)

        def closed(*_: Any) -> None:
            raise LinkProblem("it is closed.")

        real_wait = Link.wait_until

        def wait_until(self: Link, *how: Any) -> bool:
            try:
                return real_wait(self, *how)
            except LinkProblem:
                monkeypatch.setattr(SimTransport, "send", closed)
                raise

        monkeypatch.setattr(SimTransport, "receive", receive)
        monkeypatch.setattr(Link, "wait_until", wait_until)
        with pytest.raises(LinkProblem, match="broke"):
            ring.record(2.0)


def test_an_error_of_the_system_without_a_name_is_told(capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(*_: Any) -> None:
        raise OSError("the disk went away")

    monkeypatch.setattr("ringlet.hwsim.rigfile.shipped_rigs", gone)
    assert main(["rigs"]) == 2
    assert "a file cannot be used (the disk went away); check the path." in capsys.readouterr().err


@pytest.mark.usefixtures("hasty")
def test_a_slow_ramp_is_recorded_to_its_end(run: Run, tmp_path: Path) -> None:
    words = ("ramp", "285", "--speed", "3", "--rate", "50", "--find", "--out", str(tmp_path / "ramp"), "--json")
    said = json.loads(run(*words, link="sim:single")[0])
    assert said["duration_s"] > 5.0
    assert abs(said["rest_error_deg"]) < 0.1


def test_a_folder_that_cannot_be_is_said_before_anything_moves(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    _, err = run("ramp", "20", "--find", "--out", str(tmp_path / "file" / "deep"), link="sim:single", code=2)
    assert "Caution" not in err
    assert "file is no folder that can be written to; give another one with --out." in err


def test_limits_of_a_faulted_axis_are_not_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    from ringlet.tools.cli_ramp import limits_of

    with Link.open("sim:trio") as link:
        iris = link.axis(16, 1)
        iris.take()
        iris.run(-20.0)
        with pytest.raises(CheckFailed, match="stall"):
            iris.rest()
        with pytest.raises(CheckFailed, match=r"nothing was tried.*ringlet clear-fault"):
            limits_of(iris)


def test_small_words(run: Run, capsys: Out) -> None:
    _, err = run("move", "30", link="sim:single", code=1)
    assert "the travel is not known yet; add --find" in err
    _, err = run("get", "velocty-limit", code=2)
    assert "or jerk-limit? `ringlet schema parameters` lists them." in err
    _, err = run("get", "role", "--axis", "1", link="sim:single", code=2)
    assert "it has only axis 0." in err
    assert main(["sim", "single", "--tcp", "--seconds", "0"]) == 0
    assert "1 node, 1 motor, invented" in capsys.readouterr().out


def test_a_mistyped_option_of_a_serial_link_is_named() -> None:
    with pytest.raises(UsageProblem, match="has an option baudrate; serial: knows baud and shared"):
        open_transport("serial:/dev/no-such-port?baudrate=9600")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_a_silent_port_names_the_doctor(run: Run) -> None:
    far, near = os.openpty()
    try:
        name = os.ttyname(near)
        _, err = run("discover", link=f"serial:{name}?baud=9600", code=3)
        assert f"`ringlet doctor --link 'serial:{name}?baud=9600'` looks for the reason" in err
    finally:
        os.close(far)
        os.close(near)


def test_what_a_message_is_has_a_line_of_its_own(capsys: Out) -> None:
    assert main(["decode", "--can", "0C408010#00D4300000000000"]) == 0
    head, about, *_ = capsys.readouterr().out.splitlines()
    assert head == "move  control 1 to node 16, axis 0, priority 3"
    assert about.startswith("Go to a ring position")


def test_a_file_without_a_message_is_an_error(capsys: Out, tmp_path: Path) -> None:
    screen = tmp_path / "screen.txt"
    screen.write_text("  can0  0C400810   [8]  00 D4 30 00 00 00 00 00\n")
    assert main(["decode", "--file", str(screen)]) == 2
    assert "it should be a log of CAN frames with lines as `(1.5) can0" in capsys.readouterr().err
    (tmp_path / "empty").write_bytes(b"")
    assert main(["decode", "--file", str(tmp_path / "empty")]) == 0


@pytest.mark.parametrize(("way", "link_type"), [("--can", pcap.LINKTYPE_CAN), ("--serial", LINKTYPE_SERIAL)])
def test_a_capture_named_for_wireshark_is_one(capsys: Out, tmp_path: Path, way: str, link_type: int) -> None:
    """Head and record are laid out as the draft says that `tools/pcap.py` names; tshark reads them elsewhere."""
    out = tmp_path / "a.pcap"
    assert main(["encode", "move", "position=12.5", "speed=0", way, "--out", str(out)]) == 0
    data = out.read_bytes()
    assert struct.unpack_from("<IHHiIII", data) == (0xA1B2C3D4, 2, 4, 0, 0, 65535, link_type)
    seconds, micros, kept, length = struct.unpack_from("<IIII", data, 24)
    assert (seconds, micros, kept) == (0, 0, length)
    assert len(data) == 40 + kept


# --- doctor ------------------------------------------------------------------------------------------------------


def test_the_doctor_does_not_call_a_strange_node_working(run: Run, tmp_path: Path) -> None:
    odd = tmp_path / "odd.toml"
    odd.write_text(
        'name = "o"\n[[nodes]]\nunique_id = 7\naddress = 20\nprotocol_major = 2\n'
        'axes = [{motor = "small", lens = "iris"}]\n'
    )
    found = json.loads(run("doctor", "--json", link=f"sim:{odd}")[0])["findings"]
    assert [one["state"] for one in found if one["topic"] == "node"] == ["note"]
    assert not [one for one in found if one["topic"] == "next"]


def test_the_doctors_next_step_can_be_pasted(run: Run, tmp_path: Path) -> None:
    link = "sim:trio?seed=1&bus=can"
    [step] = [one for one in json.loads(run("doctor", "--json", link=link)[0])["findings"] if one["topic"] == "next"]
    assert step["next"] == f"ringlet status --link '{link}'"
    fresh = tmp_path / "fresh.toml"
    fresh.write_text('name = "f"\n[[nodes]]\nunique_id = 7\naxes = [{motor = "small", lens = "iris"}]\n')
    found = json.loads(run("doctor", "--json", link=f"sim:{fresh}")[0])["findings"]
    assert [one["next"] for one in found if one["topic"] == "node"] == [f"ringlet discover --assign --link sim:{fresh}"]


def test_without_marks_the_doctor_uses_words() -> None:
    """On a terminal or pipe in ASCII all marks would be the same question mark."""
    words = [sys.executable, "-m", "ringlet.tools.cli", "doctor", "--link", "serial:/dev/no-such-port"]
    env = dict(os.environ, PYTHONIOENCODING="ascii", NO_COLOR="1")
    told = subprocess.run(words, capture_output=True, env=env, timeout=60, check=False).stdout.decode("ascii")
    assert {line.split()[0] for line in told.splitlines() if " python " in line} == {"ok"}
    assert {line.split()[0] for line in told.splitlines() if " link " in line} == {"BAD"}
    assert "?" not in told
