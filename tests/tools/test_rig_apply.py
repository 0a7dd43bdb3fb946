"""`ringlet rig check` and `apply`: every difference is named, writing takes up where it broke off, nothing moves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from takes_helpers import ready

from ringlet.hwsim.rigfile import load_rig
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag, names
from ringlet.tools import setups
from ringlet.tools.cli import main
from ringlet.tools.errors import CheckFailed, DeviceRefused, NoAnswer, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.rig import survey

SHIPPED = (Path(__file__).parents[2] / "hwsim/rigs/pair.toml").read_text("utf-8")


def bus_rig(tmp_path: Path, *changes: tuple[str, str], store: bool = False) -> str:
    """A link to a rig whose boards differ from the shipped pair."""
    text = SHIPPED[: SHIPPED.index("[[pairs]]")]
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "bus.toml"
    path.write_text(text, "utf-8")
    return f"sim:{path}" + (f"?store={tmp_path / 'store'}" if store else "")


SWAPPED = (("address = 16", "address = 40"), ("address = 17", "address = 16"), ("address = 40", "address = 17"))
OTHER_ROLE = ('role = "iris"', 'role = "zoom"')


def told(link: Link) -> set[tuple[str, str, Any, Any]]:
    return {(one.place, one.what, one.now, one.then) for one in survey.compare(link, load_rig("pair"))}


def test_the_shipped_rigs_are_as_their_files_say() -> None:
    for name in ("two", "pair", "eight"):
        with Link.open(f"sim:{name}") as link:
            assert survey.compare(link, load_rig(name)) == []


def test_each_difference_is_named(tmp_path: Path) -> None:
    with Link.open(bus_rig(tmp_path, OTHER_ROLE, ("address = 17", "address = 19"))) as link:
        assert told(link) == {("16.1", "role", "zoom", "iris"), ("node 19", "address", 19, 17)}
        link.axis(16, 0).set("velocity-limit", 90.0)
        assert ("node 19", "address", 19, 17) in told(link)
        assert ("19.0", "pair with 16.0: velocity-limit", 240, 90) in told(link)
        assert ("16.0", "stored", "no", "yes") in told(link)


def test_missing_strange_and_fresh_boards_are_named(tmp_path: Path) -> None:
    changes = (("unique_id = 0x52494E470022", "unique_id = 0x52494E470099"), ("address = 16", "address = 126"))
    with Link.open(bus_rig(tmp_path, *changes)) as link:
        found = told(link)
        assert ("node 17", "board", "not on the bus", "in the file") in found
        assert ("node 17", "board", "on the bus", "not in the file") in found
        assert ("node 126", "address", 126, 16) in found
        with pytest.raises(UsageProblem, match="nothing was written"):
            survey.apply(link, load_rig("pair"))
        assert told(link) == found


@pytest.mark.parametrize(
    "changes",
    [
        SWAPPED, (("address = 17", "address = 16"),),
        (("address = 16", "address = 126"), ("address = 17", "address = 16")),
    ],
    ids=["swapped", "both at one address", "fresh and on the other's place"],
)
def test_apply_gives_addresses_by_unique_id_and_writes_what_differs(
    tmp_path: Path, changes: tuple[tuple[str, str], ...]
) -> None:
    url = bus_rig(tmp_path, OTHER_ROLE, *changes, store=True)
    with Link.open(url, notice=lambda text: None) as link:
        written, left = survey.apply(link, load_rig("pair"))
        assert left == []
        assert {"role", "address"} <= {one.what for one in written}
        assert link.nodes[16].id == 0x52494E470021
        assert link.nodes[17].id == 0x52494E470022
        assert survey.apply(link, load_rig("pair")) == ([], [])
        assert link.axis(16, 1).status().owner == 0
    with Link.open(url) as link:  # after a power cycle
        assert told(link) == set()


def test_apply_takes_up_where_it_broke_off_and_leaves_nothing_moving(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The link breaks at every place in turn, while the other axis is under way when it begins."""
    url = bus_rig(tmp_path, OTHER_ROLE, ("address = 17", "address = 30"))
    with Link.open(url) as link:
        whole, allowed, broken = Link.request, [0], 0

        def request(self: Link, body: Any, **where: Any) -> Any:
            if isinstance(body, m.Set | m.Save | m.Take):
                if allowed[0] == 0:
                    raise NoAnswer("the cable was pulled.")
                allowed[0] -= 1
            return whole(self, body, **where)

        ready(link)
        link.axis(16, 0).take()
        link.axis(16, 0).move(280.0, wait=False)
        link.wait(0.1)
        monkeypatch.setattr(Link, "request", request)
        for stop_after in range(40):
            allowed[0] = stop_after
            try:
                survey.apply(link, load_rig("pair"))
            except NoAnswer:
                broken += 1
                link.wait(0.3)
                states = [link.axis(one.address, axis).status().state for one in link.discover() for axis in (0, 1)]
                assert {names("state")[one] for one in states} <= {"holding", "released"}
            else:
                break
        assert broken >= 3
        assert told(link) == set()
        assert link.axis(16, 0).position() < 200.0


CHANGES = (m.Assign, m.Set, m.Save, m.Restore, m.Take, m.Yield)
"""Messages after which something is another way than before."""


def power_cycle(link: Link) -> None:
    """Every board loses what it has not stored."""
    assert link.rig is not None
    for node in link.rig.nodes:
        node.start()
    link.wait(0.2)


def broken_apply(changes: str, after: int, arrives: bool) -> tuple[bool, bool]:
    """Whether an apply broke at its step `after`, and whether another one and a power cycle mend all.

    `arrives`: the message of that step reaches the board, and only the answer does not come back.
    """
    steps = 0
    whole = Link._put
    with Link.open(changes, notice=lambda text: None) as link, pytest.MonkeyPatch.context() as patch:

        def put(self: Link, body: Any, node: int, axis: int) -> None:
            nonlocal steps
            if isinstance(body, CHANGES) and getattr(body, "address", 1):
                steps += 1
                if steps > after:
                    if arrives and steps == after + 1:
                        whole(self, body, node, axis)
                        self.clock.sleep(0.002)
                    raise NoAnswer("the cable was pulled.")
            whole(self, body, node, axis)

        patch.setattr(Link, "_put", put)
        try:
            survey.apply(link, load_rig("pair"))
            broke = False
        except NoAnswer:
            broke = True
        patch.undo()
        if broke:
            survey.apply(link, load_rig("pair"))
        power_cycle(link)
        return broke, told(link) == set()


@pytest.mark.parametrize("arrives", [False, True], ids=["lost on the way", "arrived, answer lost"])
@pytest.mark.parametrize("changes", [(("address = 17", "address = 30"),), SWAPPED], ids=["other address", "swapped"])
def test_an_apply_broken_off_at_any_step_is_mended_and_stored_by_the_next(
    tmp_path: Path, changes: tuple[tuple[str, str], ...], arrives: bool
) -> None:
    """An address that was given and not yet saved reads like a saved one: the next apply must store it all the same."""
    url = bus_rig(tmp_path, OTHER_ROLE, *changes)
    after = 0
    while True:
        broke, good = broken_apply(url, after, arrives)
        assert good, f"broken off after {after} steps"
        if not broke:
            break
        after += 1
    assert after >= 11  # address and its save, four axes taken, a role, two boards saved and read back


def test_apply_reads_back_what_is_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A board that says done and keeps nothing is found out, though all its settings are in force."""
    with Link.open(bus_rig(tmp_path, OTHER_ROLE, ("address = 17", "address = 30"))) as link:
        assert link.rig is not None
        for axis in link.rig.nodes[0].axes:
            monkeypatch.setattr(axis.store, "save", lambda content: None)
        with pytest.raises(CheckFailed, match=r"role of 16\.1 was written and reads differently"):
            survey.apply(link, load_rig("pair"))
    with Link.open(bus_rig(tmp_path, ("address = 17", "address = 30"))) as link:
        assert link.rig is not None
        monkeypatch.setattr(link.rig.nodes[1].store, "save", lambda content: None)
        with pytest.raises(CheckFailed, match="node 17 has stored the address 30"):
            survey.apply(link, load_rig("pair"))


def test_storing_keeps_a_travel_that_is_known_and_moves_nothing(tmp_path: Path) -> None:
    """Settings are put back from what was stored: the axis must not lose its place by that."""
    with Link.open(bus_rig(tmp_path, OTHER_ROLE)) as link:
        ready(link)
        focus = link.axis(16, 0)
        survey.apply(link, load_rig("pair"))
        at = focus.position()
        survey.apply(link, load_rig("pair"))
        assert focus.status().flags >> Flag.CALIBRATED & 1
        assert (focus.get("travel-min"), focus.get("travel-max")) == (1, 301)
        assert focus.position() == pytest.approx(at, abs=0.02)


def test_what_the_file_does_not_state_is_listed_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Link.open(bus_rig(tmp_path)) as link:
        rig = load_rig("pair")
        assert survey.compare(link, rig) == []
        assert survey.not_stated(link, rig) == []
        handle = link.axis(16, 0)
        handle.set("stall-time", 0.5)
        setups.put_text(link, 17, 1, "lens-name", "A lens")
        handle.save()
        found = {(one.place, one.what, one.now, one.then) for one in survey.not_stated(link, rig)}
        assert found == {("16.0", "stall-time", 0.5, 0.3), ("17.1", "lens-name", "A lens", "none")}
        assert {one.left for one in survey.not_stated(link, rig)} == {survey.NOT_STATED}
        assert {one.what for one in survey.compare(link, rig)} == {"stored"}  # the text, not the stall time
    url = bus_rig(tmp_path, store=True)
    assert main(["rig", "check", "pair", "--link", url]) == 0
    assert "--all lists what else" in capsys.readouterr().out
    with Link.open(url) as link:
        link.axis(16, 0).set("stall-time", 0.5)
        link.axis(16, 0).save()
    assert main(["rig", "check", "pair", "--link", url, "--all"]) == 0
    out = capsys.readouterr().out
    assert "stall-time" in out
    assert "0.3 s" in out
    assert main(["rig", "check", "pair", "--link", url, "--all", "--json"]) == 0
    assert [one["what"] for one in json.loads(capsys.readouterr().out)["not_stated"]] == ["stall-time"]


def test_an_axis_that_obeys_another_control_is_not_written(tmp_path: Path) -> None:
    with Link.open(bus_rig(tmp_path, OTHER_ROLE)) as link:
        other = link.beside(source=3)
        other.axis(16, 1).take()
        with pytest.raises(DeviceRefused, match="another control owns"):
            survey.apply(link, load_rig("pair"))
        assert link.axis(16, 1).get("role") == "zoom"
        survey.apply(link, load_rig("pair"), force=True)
        assert link.axis(16, 1).get("role") == "iris"
        other.close()


def test_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    url = bus_rig(tmp_path, OTHER_ROLE, store=True)
    assert main(["rig", "check", "pair", "--link", url, "--json"]) == 1
    out = capsys.readouterr()
    assert [one["what"] for one in json.loads(out.out)["differences"]] == ["role"]
    assert "differs from 'pair' in one place; `ringlet rig apply` writes it." in out.err
    assert main(["rig", "apply", "pair", "--link", url]) == 2  # nobody to ask
    assert "add --yes" in capsys.readouterr().err
    assert main(["rig", "apply", "pair", "--link", url, "--yes"]) == 0
    assert "1 differences are written; 2 boards have stored all" in capsys.readouterr().out
    assert main(["rig", "check", "pair", "--link", url]) == 0
    assert "as 'pair' says" in capsys.readouterr().out
    assert main(["rig", "apply", "pair", "--link", url, "--yes", "--json"]) == 0  # nothing differs: stored all the same
    assert json.loads(capsys.readouterr().out) == {"rig": "pair", "stored": True, "written": [], "left": []}
    bad = tmp_path / "bad.toml"
    bad.write_text("name = 3", "utf-8")
    for words, said in ((str(bad), "name"), ("nowhere", "there is no rig")):
        assert main(["rig", "check", words, "--link", url]) == 2
        err = capsys.readouterr().err
        assert said in err
        assert len(err.strip().splitlines()) == 1
    assert main(["rig", "apply", "two", "--link", url, "--yes"]) == 1
    assert "it is not there" in capsys.readouterr().err
    assert main(["rig", "check", "two", "--link", url]) == 1
    assert "put the boards right first, for until then `ringlet rig apply` writes nothing." in capsys.readouterr().err


def test_a_check_says_what_an_apply_would_not_write(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    url = f"sim:pair?store={tmp_path}"
    with Link.open(url) as link:
        for axis, limit in ((0, 100.0), (1, 110.0)):
            handle = link.axis(17, axis)
            handle.take()
            handle.set("velocity-limit", limit)  # no longer like that of the other lens, and the file does not state it
            if axis == 0:
                handle.set("role", "zoom")
            handle.save()
            handle.yield_()
    assert main(["rig", "check", "pair", "--link", url]) == 1
    err = capsys.readouterr().err
    assert "in 3 places; `ringlet rig apply` writes 1 of them, and the list says why it does not write the oth" in err
    assert main(["rig", "apply", "pair", "--link", url, "--yes"]) == 1
    capsys.readouterr()
    assert main(["rig", "check", "pair", "--link", url]) == 1
    assert "in 2 places; `ringlet rig apply` does not write this, and the list says why." in capsys.readouterr().err
