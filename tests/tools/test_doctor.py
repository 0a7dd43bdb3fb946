"""`ringlet doctor`: each thing that can be missing is named, with the next step; rates are guessed without harm."""

from __future__ import annotations

import json
import os
import pty
import threading
from pathlib import Path

import pytest

from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.serial_frame import encode_raw
from ringlet.tools import doctor
from ringlet.tools.cli import main
from ringlet.tools.doctor import BAD, GOOD, NOTE, Heard
from ringlet.tools.errors import LinkProblem
from ringlet.tools.link import Link


def test_a_working_bus_leads_to_the_next_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--link", "sim:trio", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["findings"]
    last = found[-1]
    assert (last["topic"], last["state"], last["next"]) == ("next", GOOD, "ringlet status --link sim:trio")
    assert any(one["topic"] == "node" and "52494E470011" in one["text"] for one in found)
    assert any(one["topic"] == "python" for one in found)


def test_without_a_link_it_says_how_to_name_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor"]) == 0
    assert "ringlet demo" in capsys.readouterr().out


def test_a_port_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--link", "serial:/dev/no-such-port"]) == 3
    assert "there is no serial:/dev/no-such-port here" in capsys.readouterr().out


def test_a_silent_line_is_asked_at_every_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    ours, theirs = pty.openpty()
    try:
        monkeypatch.setattr(doctor, "BAUDS", (9600,))
        found = doctor.answers(f"serial:{os.ttyname(theirs)}")
    finally:
        os.close(ours)
        os.close(theirs)
    assert [(one.topic, one.state) for one in found] == [("link", BAD), ("guess", NOTE)]
    assert "no node answers" in found[0].text
    assert "check power" in found[0].next


def test_missing_extras_and_packages_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    needs = ["pyserial>=3.5", "nothing-like-it>=1", 'no-such-viewer>=2; extra == "page"', 'pytest; extra == "dev"']
    monkeypatch.setattr(doctor.metadata, "requires", lambda name: needs)
    found = {one.topic: one for one in doctor.installed()}
    assert found["packages"].state == BAD
    assert found["packages"].next == "pip install nothing-like-it"
    assert found["extra page"].state == NOTE
    assert found["extra page"].text == "the bench page in the browser; missing: no-such-viewer"
    assert found["extra page"].next.startswith("pip install 'ringlet[page]'")
    assert found["extra dev"].state == GOOD


def test_ports_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = tmp_path / "ttyUSB7"
    port.touch()
    monkeypatch.setattr(doctor.os, "access", lambda path, mode: False)
    (found,) = doctor.serial_ports([(str(port), "Bench adapter")])
    assert found.state == BAD
    assert "may not open" in found.text
    assert "usermod -aG" in found.next
    (none,) = doctor.serial_ports([])
    assert none.state == NOTE


def test_can_interfaces_from_sysfs(tmp_path: Path) -> None:
    for name, kind, state in (("can0", "280", "up"), ("can1", "280", "down"), ("eth0", "1", "up")):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "type").write_text(kind + "\n")
        (folder / "operstate").write_text(state + "\n")
    found = doctor.can_interfaces(tmp_path)
    assert [(one.state, one.text) for one in found] == [(GOOD, "can0 is up"), (BAD, "can1 is there and down")]
    assert "ip link set can1 up type can bitrate" in found[1].next
    (empty,) = doctor.can_interfaces(tmp_path / "eth0")
    assert empty.state == NOTE
    (other,) = doctor.can_interfaces(tmp_path / "not-linux")
    assert "slcan" in other.next


QUIET = Heard(0, 0)


def test_the_rate_that_answers_is_found() -> None:
    tried = []

    def asks(url: str) -> bool:
        tried.append(url)
        if url.endswith("baud=57600"):
            raise LinkProblem("this rate cannot be set")
        return url.endswith("baud=19200")

    found = doctor.guess_serial("serial:/dev/ttyX?baud=1200&shared=1", lambda url: QUIET, asks)
    assert (found.state, found.text) == (GOOD, "something answers at 19200 baud")
    assert found.next == "ringlet status --link 'serial:/dev/ttyX?shared=1&baud=19200'"
    assert len(tried) == doctor.BAUDS.index(19200) + 1


@pytest.mark.parametrize(("at", "state", "says"), [
    ("38400", GOOD, "frames are heard at 38400 baud"),
    ("none", NOTE, "something speaks, and at no usual baud rate is it this protocol; it was only listened to"),
])  # fmt: skip
def test_a_line_where_something_speaks_is_only_listened_to(at: str, state: str, says: str) -> None:
    def asks(url: str) -> bool:
        raise AssertionError("nothing may be sent")

    found = doctor.guess_serial("serial:/dev/ttyX", lambda url: Heard(2 if url.endswith(at) else 0, 40), asks)
    assert (found.state, found.text) == (state, says)


def test_frames_on_a_line_are_told_from_other_bytes() -> None:
    """A node that streams, and then noise, over a pseudo-terminal."""
    ours, theirs = pty.openpty()
    try:
        url = f"serial:{os.ttyname(theirs)}"
        ident, body = pack(packet(m.ClockIs(0, 5), dst=1, src=16))
        for sent, frames in ((encode_raw(ident, body) * 3, 3), (b"\x55\xaa\x00" * 20, 0)):
            threading.Timer(0.1, os.write, (ours, sent)).start()
            heard = doctor._listens(url, 0.5)
            assert heard == (frames, len(sent))
    finally:
        os.close(ours)
        os.close(theirs)


def test_can_rates_are_only_listened_at() -> None:
    heard = doctor.guess_can("can:slcan:/dev/ttyX", lambda url: Heard(3, 3) if url.endswith("=125000") else QUIET)
    assert (heard.state, heard.text) == (GOOD, "frames are heard at 125000 bit/s")
    silent = doctor.guess_can("can:slcan:/dev/ttyX", lambda url: QUIET)
    assert silent.state == NOTE


IP_SAYS = """[{"ifname": "can0", "linkinfo": {"info_kind": "can", "info_data": {"state": "ERROR-ACTIVE",
 "berr_counter": {"tx": 0, "rx": 0}, "bittiming": {"bitrate": 250000, "sample_point": "0.875"}}}},
 {"ifname": "can1", "linkinfo": {"info_kind": "can", "info_data": {"state": "BUS-OFF",
 "bittiming": {"bitrate": 500000}}}}]"""
"""As iproute2 words it; from memory."""


def test_what_the_system_knows_of_a_can_interface(tmp_path: Path) -> None:
    for name in ("can0", "can1", "vcan0"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "type").write_text("280\n")
        (folder / "operstate").write_text("up\n")
    found = doctor.can_interfaces(tmp_path, lambda: IP_SAYS)
    assert [(one.state, one.text) for one in found] == [
        (GOOD, "can0 is up, 250000 bit/s, error-active"), (BAD, "can1 is up, 500000 bit/s, bus-off"),
        (GOOD, "vcan0 is up"),
    ]  # fmt: skip
    assert "another bit rate" in found[1].next
    for broken in ("", "not JSON", "[1]", '[{"ifname": "can0", "linkinfo": null}]'):
        assert [one.text for one in doctor.can_interfaces(tmp_path, lambda said=broken: said)] == [
            "can0 is up", "can1 is up", "vcan0 is up",
        ]  # fmt: skip


def test_a_port_that_may_not_be_opened_names_the_way_in(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(url: str) -> None:
        raise LinkProblem(f"no permission to open {url}; join the group that owns it.")

    ours, theirs = pty.openpty()
    try:
        monkeypatch.setattr(Link, "open", refused)
        monkeypatch.setattr(doctor.os, "access", lambda path, mode: False)
        (found,) = doctor.answers(f"serial:{os.ttyname(theirs)}?baud=9600")
        assert found.state == BAD
        assert found.next.startswith("sudo usermod -aG ")
        (tcp,) = doctor.answers("serial:socket://127.0.0.1:1")
        assert tcp.next == ""
    finally:
        os.close(ours)
        os.close(theirs)
