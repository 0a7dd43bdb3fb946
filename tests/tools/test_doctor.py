"""`ringlet doctor`: each thing that can be missing is named, with the next step; rates are guessed without harm."""

from __future__ import annotations

import json
import os
import pty
from pathlib import Path

import pytest

from ringlet.tools import doctor
from ringlet.tools.cli import main
from ringlet.tools.doctor import BAD, GOOD, NOTE
from ringlet.tools.errors import LinkProblem


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
    assert found["extra page"].text == "for the bench page in the browser; missing: no-such-viewer"
    assert found["extra page"].next.startswith("pip install 'ringlet[page]'")
    assert found["extra dev"].state == GOOD


def test_every_extra_has_its_job_named() -> None:
    extras = {one.topic.removeprefix("extra ") for one in doctor.installed() if one.topic.startswith("extra ")}
    assert extras == set(doctor.JOBS)


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


def test_the_rate_that_answers_is_found() -> None:
    tried = []

    def asks(url: str) -> bool:
        tried.append(url)
        if url.endswith("baud=57600"):
            raise LinkProblem("this rate cannot be set")
        return url.endswith("baud=19200")

    found = doctor.guess_serial("serial:/dev/ttyX?baud=1200&shared=1", asks)
    assert (found.state, found.text) == (GOOD, "something answers at 19200 baud")
    assert found.next == "ringlet status --link 'serial:/dev/ttyX?shared=1&baud=19200'"
    assert len(tried) == doctor.BAUDS.index(19200) + 1


def test_can_rates_are_only_listened_at() -> None:
    heard = doctor.guess_can("can:slcan:/dev/ttyX", lambda url: 3 if url.endswith("bitrate=125000") else 0)
    assert (heard.state, heard.text) == (GOOD, "frames are heard at 125000 bit/s")
    silent = doctor.guess_can("can:slcan:/dev/ttyX", lambda url: 0)
    assert silent.state == NOTE
