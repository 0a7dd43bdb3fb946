"""Set-ups: saved, compared and put back by board; what is left alone is left alone; factory settings show the loss."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from takes_helpers import ready

from ringlet.tools import cli_setups, setups
from ringlet.tools.cli import main
from ringlet.tools.errors import CheckFailed, DeviceRefused, UsageProblem
from ringlet.tools.lens import transfer
from ringlet.tools.lens.curve import MarkCurve
from ringlet.tools.lens.wiretable import table_of
from ringlet.tools.link import Link

Out = pytest.CaptureFixture[str]
CURVE = MarkCurve.from_marks([(0.0, 0.5), (100.0, 1.0), (200.0, 3.0), (300.0, math.inf)], "distance")


@pytest.fixture
def run(capsys: Out, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., tuple[str, str]]:
    monkeypatch.setenv("RINGLET_SETUPS", str(tmp_path / "setups"))
    monkeypatch.setenv("RINGLET_LINK", f"sim:trio?store={tmp_path / 'motors'}")

    def go(*words: str, code: int = 0) -> tuple[str, str]:
        got = main(list(words))
        out, err = capsys.readouterr()
        assert got == code, (words, got, err)
        return out, err

    return go


Run = Callable[..., tuple[str, str]]


def changed(link: Link) -> None:
    """Settings, marks and texts that are not the shipped ones."""
    focus = link.axis(16, 0)
    for name, value in (("velocity-limit", 120), ("jerk-limit", 12_345), ("role", "free"), ("stall-time", 0.123),
                        ("direction", "reversed"), ("owner-timeout", 2.5)):  # fmt: skip
        focus.set(name, value)
    setups.put_text(link, 16, 0, "lens-name", "Erfundene Linse, 50 mm, ø 114")
    zoom = MarkCurve.from_marks([(0.0, 24.0), (90.0, 50.0), (140.0, 70.0)], "focal")
    transfer.upload(link.axis(16, 2), table_of(zoom))


def test_all_of_it_comes_back(tmp_path: Path) -> None:
    with Link.open("sim:trio") as link:
        changed(link)
        held = setups.take(link, [16])
    setups.write(tmp_path / "one.json", held)
    held = setups.read(tmp_path / "one.json")
    with Link.open("sim:trio") as link:
        found = setups.differences(held, setups.take(link, [16]))
        assert {(one.place, one.what) for one in found} == {
            ("16.0", "velocity-limit"), ("16.0", "jerk-limit"), ("16.0", "role"), ("16.0", "stall-time"),
            ("16.0", "direction"), ("16.0", "owner-timeout"), ("16.0", "lens-name"), ("16.2", "marks"),
        }  # fmt: skip
        assert [one.what for one in found if setups.ends_calibration(one)] == ["direction"]
        with setups.quiet(link, [(16, 0), (16, 2)]):
            setups.put_back(link, found)
        assert setups.take(link, [16]) == held
        held["nodes"][0]["axes"][2]["marks"] = None  # and marks that were not there go away again
        setups.put_back(link, setups.differences(held, setups.take(link, [16])))
        assert setups.take(link, [16]) == held
        assert setups.differences(held, setups.take(link, [16])) == []
        assert not link.owned


def test_every_stored_parameter_is_held() -> None:
    from ringlet.protocol.params import PARAMETERS

    with Link.open("sim:single") as link:
        [node] = setups.take(link, [16])["nodes"]
    assert set(node["parameters"]) == {row.name for row in PARAMETERS if row.scope == "node" and row.stored}
    assert set(node["axes"][0]["parameters"]) == {row.name for row in PARAMETERS if row.scope == "axis" and row.stored}


def test_travel_and_address_only_when_named() -> None:
    with Link.open("sim:single") as link:
        ready(link)
        held = setups.take(link, [16])
    held["nodes"][0]["parameters"]["address"] = 33
    with Link.open("sim:single") as link:
        now = setups.take(link, [16])
        found = {one.what: one.left for one in setups.differences(held, now)}
        words = {"address": "address", "travel-min": "travel", "travel-max": "travel"}
        assert found == {name: f"put back only with --also {word}" for name, word in words.items()}
        setups.put_back(link, setups.differences(held, now))
        assert setups.take(link, [16]) == now
        assert not link.axis(16, 0).status().flags & 1  # a travel in wrong numbers would let the motor hit the stop
        with setups.quiet(link, [(16, 0)]):
            setups.put_back(link, setups.differences(held, now, ["travel"]))
        assert link.axis(16, 0).get("travel-max") == 301.0
        assert link.axis(16, 0).get("address") == 16


def test_boards_are_told_apart_by_their_ids() -> None:
    with Link.open("sim:pair") as link:
        held = setups.take(link, [16, 17])
        link.axis(17, 0).set("velocity-limit", 50)
        left, right = held["nodes"]
        left["address"], right["address"] = 17, 16  # as if they had changed places on the bus since
        [found] = setups.differences(held, setups.take(link, [16, 17]))
        assert (found.place, found.unique_id, found.what) == ("17.0", right["id"], "velocity-limit")
        right["id"] = "0000000000AA"
        found_here = setups.differences(held, setups.take(link, [16, 17]))
        assert [(one.what, one.left) for one in found_here] == [("board", setups.MISSING), ("board", setups.UNKNOWN)]
        left["id"] = "0000000000AB"
        with pytest.raises(UsageProblem, match=r"none of the boards.*nothing was changed"):
            setups.differences(held, setups.take(link, [16, 17]))


def test_limits_that_must_fit_together_find_their_order() -> None:
    """The high set is refused if it is written over the low one in the order of the table."""
    low = {"velocity-limit": 20, "acceleration-limit": 10, "deceleration-limit": 10, "jerk-limit": 100}
    high = {"velocity-limit": 3000, "acceleration-limit": 60_000, "deceleration-limit": 60_000, "jerk-limit": 900_000}
    with Link.open("sim:single") as link:
        focus = link.axis(16, 0)
        now = setups.take(link, [16])
        for limits in (low, high, low):
            wanted = json.loads(json.dumps(now))
            wanted["nodes"][0]["axes"][0]["parameters"] |= limits
            found = setups.differences(wanted, setups.take(link, [16]))
            if limits is high:
                with pytest.raises(DeviceRefused):
                    focus.set(found[0].what, found[0].then)
            setups.put_back(link, found)
            assert {name: focus.get(name) for name in limits} == limits


def test_a_moving_axis_or_a_stranger_stops_it_before_anything() -> None:
    with Link.open("sim:trio") as link, link.beside(source=3) as hand:
        ready(link)
        before = setups.take(link, [16])
        focus = link.axis(16, 0)
        focus.take()
        focus.run(20.0)
        with pytest.raises(UsageProblem, match="is moving"), setups.quiet(link, [(16, 1), (16, 0)]):
            raise AssertionError
        focus.hold()
        focus.rest()
        focus.yield_()
        hand.axis(16, 1).take()
        with pytest.raises(DeviceRefused, match="control 3 owns it"), setups.quiet(link, [(16, 0), (16, 1)]):
            raise AssertionError
        assert not link.owned
        hand.axis(16, 1).yield_()
        assert setups.take(link, [16]) == before


def test_what_will_not_go_in_is_said() -> None:
    with Link.open("sim:single") as link:
        held = setups.take(link, [16])
        held["nodes"][0]["axes"][0]["parameters"] |= {"deceleration-limit": 10, "velocity-limit": 3600}
        with pytest.raises(CheckFailed, match=r"could not be put back.*goes on from there"):
            setups.put_back(link, setups.differences(held, setups.take(link, [16])))


def test_commands(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "There are no set-ups" in run("setup", "list")[0]
    assert "3 axes on 1 boards" in run("setup", "save", "long lens", "--note", "as built")[0]
    assert "is a set-up 'long lens' already" in run("setup", "save", "long lens", code=2)[1]
    run("setup", "save", "long lens", "--replace", "--note", "as built")
    [listed] = json.loads(run("setup", "list", "--json")[0])["setups"]
    assert (listed["name"], listed["note"], listed["boards"]) == ("long lens", "as built", ["52494E470011"])
    run("set", "velocity-limit=99", "role=free", "--axis", "1", "--save")
    out, err = run("setup", "apply", "long lens", code=2)
    assert "there is nobody to ask" in err
    for word in ("16.1", "velocity-limit", "99 deg/s", "240 deg/s", "role", "free", "iris"):
        assert word in out
    assert json.loads(run("get", "role", "--axis", "1", "--json")[0])["parameters"] == {"role": "free"}
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(cli_setups.typer, "confirm", lambda *words, **how: False)  # type: ignore[attr-defined]
    run("setup", "apply", "long lens")
    assert json.loads(run("get", "role", "--axis", "1", "--json")[0])["parameters"] == {"role": "free"}
    run("setup", "apply", "long lens", "--check")
    assert "2 settings are back" in run("setup", "apply", "long lens", "--yes", "--save")[0]
    # Stored: each command starts the simulated rig anew from what its motors have kept.
    assert json.loads(run("get", "role", "--axis", "1", "--json")[0])["parameters"] == {"role": "iris"}
    assert "nothing to change" in run("setup", "apply", "long lens")[0]
    assert "focus" in run("setup", "show", "long lens")[0]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("{", "cannot be read as a set-up"),
        ("[]", "is no set-up"),
        ('{"format": 9, "nodes": []}', "format 9"),
        ('{"format": 1, "nodes": [{"id": "AA", "parameters": {"speed": 1}, "axes": []}]}', "a parameter 'speed'"),
        ('{"format": 1, "nodes": [{"id": "AA", "parameters": {"address": 999}, "axes": []}]}', "be used: address"),
        ('{"format": 1, "nodes": [{"id": "xy", "parameters": {}, "axes": []}]}', "is no set-up"),
    ],
)
def test_bad_files(run: Run, tmp_path: Path, content: str, says: str) -> None:
    (tmp_path / "setups").mkdir()
    (tmp_path / "setups" / "bad.json").write_text(content)
    _, err = run("setup", "apply", "bad", "--yes", code=2)
    assert says in err
    assert err.count("\n") == 1
    assert "cannot be read" in run("setup", "list")[0]


@pytest.mark.parametrize("name", ["../x", "", ".hidden", "a/b", "x" * 80, "a "])
def test_bad_names(run: Run, name: str) -> None:
    assert "is no name for a set-up" in run("setup", "save", name, code=2)[1]


def test_unknown_words_and_names(run: Run) -> None:
    assert "there is no set-up 'none'" in run("setup", "apply", "none", code=2)[1]
    run("setup", "save", "a")
    assert "--also knows address and travel, not 'marks'" in run("setup", "apply", "a", "--also", "marks", code=2)[1]


def test_factory_settings_show_what_is_lost(run: Run, tmp_path: Path) -> None:
    with Link.open(f"sim:trio?store={tmp_path / 'motors'}") as link:
        changed(link)
        transfer.upload(link.axis(16, 0), table_of(CURVE))
        link.axis(16, 0).save()
    _, err = run("restore", "--factory", code=2)
    for text in ("velocity-limit 120 deg/s (default 240 deg/s)", "direction reversed (default same)", "distance marks",
                 "lens-name 'Erfundene Linse"):  # fmt: skip
        assert text in err
    found: dict[str, Any] = json.loads(run("get", "velocity-limit", "--json")[0])
    assert found["parameters"] == {"velocity-limit": 120}
    run("restore", "--factory", "--yes")
