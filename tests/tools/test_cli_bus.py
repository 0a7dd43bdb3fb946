"""Commands over simulated rigs in virtual time: what they say, to people and to machines, and what they change."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from ringlet.tools import cli_motion, cli_ramp
from ringlet.tools.cli import main
from ringlet.tools.link import Link

Out = pytest.CaptureFixture[str]
Run = Callable[..., tuple[str, str]]


@pytest.fixture
def run(capsys: Out, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run one command, on sim:trio unless told otherwise; check its exit code; what it said."""
    monkeypatch.delenv("RINGLET_LINK", raising=False)

    def go(*words: str, link: str = "sim:trio", code: int = 0) -> tuple[str, str]:
        got = main([*words, "--link", link])
        out, err = capsys.readouterr()
        assert got == code, (words, got, err)
        return out, err

    return go


@pytest.fixture
def ask(run: Run) -> Callable[..., dict[str, Any]]:
    def go(*words: str, **how: Any) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(run(*words, "--json", **how)[0])
        return found

    return go


Ask = Callable[..., dict[str, Any]]


def test_discover_finds_every_node(ask: Ask, run: Run) -> None:
    assert [one["address"] for one in ask("discover", link="sim:pair")["nodes"]] == [16, 17]
    out, _ = run("discover", link="sim:pair")
    assert "0x52494E470021" in out
    assert "1.0" in out


def test_the_link_may_come_from_the_environment(capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RINGLET_LINK", "sim:single")
    assert main(["discover", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["nodes"]) == 1


def test_identify_names_maker_and_roles(ask: Ask, run: Run) -> None:
    [node] = ask("identify")["nodes"]
    assert node["maker"] == "Invented Works"
    assert [axis["role"] for axis in node["axes"]] == ["focus", "iris", "zoom"]
    out, _ = run("identify")
    assert "Invented Works" in out
    assert "zoom" in out


def test_status_of_all_axes_in_units(ask: Ask, run: Run) -> None:
    axes = ask("status")["axes"]
    assert [(axis["node"], axis["axis"]) for axis in axes] == [(16, 0), (16, 1), (16, 2)]
    assert all(axis["state"] == "released" and axis["travel"] is None and axis["owner"] == 0 for axis in axes)
    assert 20.0 < axes[0]["supply_v"] < 25.0
    out, _ = run("status", "--axis", "1")
    assert "16.1" in out
    assert "16.0" not in out
    assert all(unit in out.split() for unit in ("deg", "deg/s", "%", "V", "degC", "unknown"))


def test_watch_gives_a_json_line_a_look(run: Run) -> None:
    out, _ = run("watch", "--seconds", "1", "--rate", "4", "--json")
    times = [json.loads(line)["time_s"] for line in out.splitlines()]
    assert len(times) == 4
    assert all(abs(time - number / 4) < 0.02 for number, time in enumerate(times))
    out, _ = run("watch", "--seconds", "0.3")
    assert "16.2" in out


def test_stop_goes_out_first_and_alone(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[int] = []
    from ringlet.tools import transports

    real = transports.SimTransport.send

    def send(self: Any, ident: int, data: bytes) -> None:
        sent.append(ident)
        real(self, ident, data)

    monkeypatch.setattr(transports.SimTransport, "send", send)
    out, _ = run("stop")
    assert "not an emergency stop" in out
    assert [ident >> 18 & 0xFF for ident in sent] == [0x01] * 3
    assert {ident >> 11 & 0x7F for ident in sent} == {127}
    sent.clear()
    run("stop", "--node", "16", "--axis", "1")
    assert {(ident >> 11 & 0x7F, ident & 15) for ident in sent} == {(16, 1)}


def test_get_all_and_some(ask: Ask, run: Run) -> None:
    from ringlet.protocol.params import PARAMETERS

    found = ask("get")["parameters"]
    assert list(found) == [row.name for row in PARAMETERS]
    assert ask("get", "all")["parameters"] == found
    some = ask("get", "jerk-limit", "role", "--axis", "2")
    assert some["parameters"]["role"] == "zoom"
    assert some["units"] == {"jerk-limit": "deg/s3"}
    out, _ = run("get", "velocity-limit")
    assert "240 deg/s" in out


def test_set_changes_what_get_reads(run: Run, ask: Ask, tmp_path: Path) -> None:
    kept = f"sim:trio?store={tmp_path}"
    found = ask("set", "velocity-limit=90.5", "role=iris", "--axis", "2", "--save", link=kept)["parameters"]
    assert found == {"velocity-limit": 90.5, "role": "iris"}
    assert ask("get", "velocity-limit", "--axis", "2", link=kept)["parameters"] == {"velocity-limit": 90.5}
    back = ask("restore", "--factory", "--yes", "--axis", "2", link=kept)
    assert back == {"node": 16, "axis": 2, "restored": "factory"}
    # Restoring to the factory's is not saved: the next power-up has the stored ones again.
    assert ask("get", "velocity-limit", "--axis", "2", link=kept)["parameters"] == {"velocity-limit": 90.5}
    run("save", "--axis", "2", link=kept)
    run("restore", "--axis", "2", link=kept)


def test_one_bad_value_and_nothing_is_sent(run: Run, tmp_path: Path) -> None:
    kept = f"sim:trio?store={tmp_path}"
    _, err = run("set", "velocity-limit=90", "jerk-limit=nan", "--save", link=kept, code=2)
    assert "jerk-limit is nan, which is not a finite number" in err
    out, _ = run("get", "velocity-limit", link=kept)
    assert "not the default" not in out


def test_own_show_take_yield(ask: Ask, run: Run) -> None:
    assert ask("own")["owner"] == 0
    assert ask("own", "take", "--seconds", "3")["owner"] == 0  # given up at its end
    _, err = run("own", "yield", code=1)
    assert "axis 0 of node 16 is not ours to give up: nobody owns it." in err


def test_own_take_outlasts_the_time_out(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    owners: list[int] = []
    real = Link.wait

    def wait(self: Link, seconds: float) -> None:
        real(self, seconds)
        rig = self.rig
        assert rig is not None
        if self.clock.now() > 4.0:
            owners.append(rig.nodes[0].axes[0].owner)

    monkeypatch.setattr(Link, "wait", wait)
    run("own", "take", "--seconds", "5", "--source", "3")  # the owner time-out is 1 s
    assert set(owners) == {3}


def test_clear_fault_answers(ask: Ask) -> None:
    assert ask("clear-fault", "--axis", "1") == {"node": 16, "axis": 1, "state": "released"}


# --- motion ------------------------------------------------------------------------------------------------------


def test_find_stops_and_move(run: Run, ask: Ask) -> None:
    out, err = run("find-stops", "--json")
    assert json.loads(out)["flags"][:1] == ["calibrated"]
    assert "Travel: 0 to 302." in err
    assert err.count("Caution: gears pinch fingers") == 1
    moved = ask("move", "30", "--find")
    assert moved["state"] == "holding"
    assert abs(moved["position_deg"] - 30) < 0.3
    assert moved["setpoint_deg"] == 30.0
    assert moved["owner"] == 0  # given up at the end


def test_move_by_share_of_the_travel(ask: Ask) -> None:
    moved = ask("move", "--travel", "0.5", "--speed", "200", "--find", "--axis", "1")
    assert moved["axis"] == 1
    assert abs(moved["travel"] - 0.5) < 0.01


def test_jog_goes_as_far_as_told(ask: Ask) -> None:
    moved = ask("jog", "10", "--seconds", "2")
    assert 19.0 < moved["position_deg"] < 22.0
    assert moved["state"] == "holding"
    back = ask("jog", "-10", "--seconds", "0.5", link="sim:single")
    assert -6.5 < back["position_deg"] < -4.0


def test_hold_release_and_set_travel(ask: Ask) -> None:
    assert ask("hold")["state"] == "holding"
    assert ask("release")["state"] == "released"
    assert ask("set-travel", "low")["state"] == "released"


def test_a_move_is_refused_before_calibration_and_past_the_travel(run: Run) -> None:
    _, err = run("move", "30", code=1)
    assert "the travel is not known yet" in err
    assert "--find" in err
    _, err = run("move", "400", "--find", code=1)
    assert "past a travel limit (the upper one)" in err
    assert "ringlet get travel-min travel-max" in err


def test_ctrl_c_stops_the_ring_and_gives_it_up(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    links: list[Link] = []
    real_open, real_wait = Link.open, Link.wait

    def opened(url: str, **how: Any) -> Link:
        links.append(real_open(url, **how))
        return links[0]

    def wait(self: Link, seconds: float) -> None:
        if seconds == 30.0:
            real_wait(self, 1.0)
            raise KeyboardInterrupt
        real_wait(self, seconds)

    monkeypatch.setattr(Link, "open", opened)
    monkeypatch.setattr(Link, "wait", wait)
    _, err = run("jog", "20", "--seconds", "30", code=130)
    assert "Stopped: the axis is at rest." in err
    assert err.endswith("ringlet: interrupted.\n")
    assert links[0].rig is not None
    axis = links[0].rig.nodes[0].axes[0]
    assert axis.state.name == "HOLDING"
    assert axis.owner == 0
    assert axis.position < 30_000  # it did not go on for 30 s


def test_ramp_leaves_picture_and_data(ask: Ask, tmp_path: Path) -> None:
    out = tmp_path / "deep" / "ramp"
    said = ask("ramp", "120", "--from", "20", "--find", "--out", str(out), "--axis", "0")
    assert [Path(name).name for name in said["files"]] == ["ramp.png", "ramp.csv", "ramp.json"]
    assert (out / "ramp.png").read_bytes()[:4] == b"\x89PNG"
    speed, acceleration = said["peak_velocity_deg_s"], said["peak_acceleration_deg_s2"]
    assert 0.99 * speed["limit"] < speed["setpoint"] <= speed["limit"] + speed["doubt"] + 0.01
    assert 0.9 * acceleration["limit"] < acceleration["setpoint"] <= acceleration["limit"] + acceleration["doubt"]
    assert abs(said["rest_error_deg"]) < 0.3
    lines = (out / "ramp.csv").read_text().splitlines()
    assert lines[0].split(",")[:3] == ["time_s", "setpoint_deg", "position_deg"]
    assert len(lines) == said["samples"] + 1
    data = json.loads((out / "ramp.json").read_text())
    assert data["series"]["setpoint_deg"][0] == 20.0
    assert data["series"]["setpoint_deg"][-1] == 120.0
    assert data["limits"]["velocity_deg_s"] == 240.0


def test_ramp_needs_the_travel(run: Run, tmp_path: Path) -> None:
    _, err = run("ramp", "20", "--out", str(tmp_path / "ramp"), code=2)
    assert "add --find" in err
    assert not (tmp_path / "ramp").exists()


def test_limits_hold_on_a_rig(ask: Ask) -> None:
    said = ask("limits", "--find", "--axis", "1")
    assert said["passed"] is True
    assert len(said["checks"]) == 6


@pytest.mark.parametrize("fault", ["move", "velocity", "setpoints", "flag"])
def test_limits_find_a_node_that_breaks_them(ask: Ask, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    """A node whose travel limits do not hold, in one of four ways, fails just these checks, with exit code 1."""
    from ringlet.hwsim.axis import Axis
    from ringlet.protocol.codes import Flag

    may, do, flags = Axis.may, Axis.do, Axis.flags
    wide_at = {"velocity": "run", "setpoints": "stream-ring"}.get(fault)
    true: dict[int, tuple[int, int]] = {}

    def free(self: Axis, event: str, body: Any) -> Any:
        return None if event == fault == "move" else may(self, event, body)

    def wide(self: Axis, event: str, body: Any, source: int) -> None:
        values = self.settings.values
        low, high = true.setdefault(id(self), (values["travel-min"], values["travel-max"]))
        if event in ("run", "stream-ring", "move"):  # wider by 3 deg for the event in question, and true for others
            more = 3000 if event == wide_at else 0
            if (low - more, high + more) != (values["travel-min"], values["travel-max"]):
                values["travel-min"], values["travel-max"] = low - more, high + more
                self._apply_travel()
        do(self, event, body, source)
        if event == "find-stops":
            true.clear()

    monkeypatch.setattr(Axis, "may", free)
    monkeypatch.setattr(Axis, "do", wide)
    if fault == "flag":
        monkeypatch.setattr(Axis, "flags", property(lambda self: flags.fget(self) & ~(1 << Flag.CLAMPED)))
    said = ask("limits", "--find", "--axis", "1", code=1)
    failed = {check["name"].removeprefix("a ").split()[0] for check in said["checks"] if not check["passed"]}
    assert failed == {"setpoints" if fault == "flag" else fault}
    assert sum(not check["passed"] for check in said["checks"]) == 2
    assert said["passed"] is False


# --- choosing ----------------------------------------------------------------------------------------------------


def test_two_nodes_and_none_named(run: Run, ask: Ask) -> None:
    _, err = run("get", "role", link="sim:pair", code=2)
    assert "there are 2 nodes; choose one with --node: 16, 17." in err
    assert ask("get", "role", "--node", "17", "--axis", "1", link="sim:pair")["parameters"] == {"role": "iris"}
    assert len(ask("status", link="sim:pair")["axes"]) == 4


def test_an_axis_that_is_not_there(run: Run) -> None:
    _, err = run("get", "role", "--axis", "3", code=2)
    assert "node 16 has no axis 3; it has axes 0 to 2." in err


def test_a_node_that_is_not_there(run: Run) -> None:
    _, err = run("get", "role", "--node", "50", code=3)
    assert "node 50" in err


def test_motion_modules_do_not_move_without_a_link(capsys: Out) -> None:
    for command in (cli_motion.hold, cli_motion.release, cli_ramp.limits):
        assert main([command.__name__]) == 2
        assert "no link is given; add --link, for example --link sim:trio" in capsys.readouterr().err


# --- odd rigs ----------------------------------------------------------------------------------------------------

BOARD = '[[nodes]]\nunique_id = {id}\n{more}\naxes = [{{motor = "small", lens = "iris"}}]\n'


def rig_of(folder: Path, *boards: str) -> str:
    """The --link of a rig with these boards (lines of their own in the rig file)."""
    path = folder / "odd.toml"
    path.write_text('name = "odd"\n' + "".join(BOARD.format(id=77 + n, more=more) for n, more in enumerate(boards)))
    return f"sim:{path}"


def test_fresh_nodes_are_found_and_given_addresses(ask: Ask, run: Run, tmp_path: Path) -> None:
    link = rig_of(tmp_path, "", "")
    assert [(one["address"], one["fresh"]) for one in ask("discover", link=link)["nodes"]] == [(126, True)] * 2
    out, _ = run("discover", link=link)
    assert out.count("discover --assign gives one") == 2
    _, err = run("get", "role", link=link, code=2)
    assert "`ringlet discover --assign`" in err
    given = ask("discover", "--assign", link=link)["nodes"]
    assert len({one["address"] for one in given}) == 2
    assert not any(one["fresh"] for one in given)
    assert {one["id"] for one in given} == {77, 78}


def test_another_major_version_is_shown_and_not_driven(run: Run, tmp_path: Path) -> None:
    link = rig_of(tmp_path, "address = 20\nprotocol_major = 2")
    out, _ = run("discover", link=link)
    assert "2.0" in out
    assert "another major version than ours (1): shown, not driven" in out.replace("\n", " ")
    for words in (["jog", "5"], ["hold"], ["set", "role=iris"]):
        _, err = run(*words, link=link, code=1)
        assert "it is shown and not driven" in err
        assert "Traceback" not in err


def test_of_two_nodes_with_one_address_one_steps_aside(ask: Ask, run: Run, tmp_path: Path) -> None:
    link = rig_of(tmp_path, "address = 20", "address = 20")
    found = ask("discover", link=link)["nodes"]
    assert sorted((one["address"], one["fresh"]) for one in found) == [(20, False), (126, True)]
    out, err = run("status", "--json", link=link)
    assert [axis["node"] for axis in json.loads(out)["axes"]] == [20]
    assert "A node without an address is left out; `ringlet discover --assign` gives it one." in err
