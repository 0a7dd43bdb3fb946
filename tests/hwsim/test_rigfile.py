"""Rig files: the shipped ones load; a mistake is one sentence that names file, key and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from ringlet.hwsim.rigfile import RigError, factory_values, load_rig, shipped_rigs
from ringlet.hwsim.simrig import SimRig

GOOD = """
name = "bench"
[[nodes]]
unique_id = 1
address = 20
[[nodes.axes]]
motor = "medium"
lens = "zoom"
role = "zoom"
parameters = { torque-finding = 0.12, direction = "reversed", stall-time = 1 }
"""


def load(tmp_path: Path, text: str) -> str:
    path = tmp_path / "my.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(RigError) as caught:
        load_rig(str(path))
    return str(caught.value)


def test_shipped_rigs() -> None:
    sizes = {name: [len(node.axes) for node in load_rig(name).nodes] for name in shipped_rigs()}
    assert sizes == {"single": [1], "two": [2], "trio": [3], "pair": [2, 2], "eight": [2, 2, 2, 2]}
    for name in shipped_rigs():
        assert "invented" in load_rig(name).about
        SimRig(load_rig(name)).step()


def test_a_good_file(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text(GOOD)
    axis = load_rig(str(path)).nodes[0].axes[0]
    values = factory_values(axis)
    assert (values["torque-finding"], values["direction"], values["stall-time"], values["role"]) == (120, 1, 1000, 3)
    rig = SimRig(load_rig(str(path)))
    assert rig.nodes[0].address == 20
    assert rig.nodes[0].axes[0].settings["torque-finding"] == 120


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "bench"', 'nam = "bench"', ("key nam is not known", "remove it or mend")),
        ('name = "bench"', "", ("key name is missing", "add it")),
        ('name = "bench"', "name = 5", ("name: ", "string")),
        ("address = 20", "address = 5", ("nodes.0.address", "16")),
        ("address = 20", "adress = 20", ("nodes.0.adress is not known",)),
        ("address = 20", 'address = "20"', ("nodes.0.address", "integer")),
        ("unique_id = 1", "unique_id = 281474976710656", ("nodes.0.unique_id",)),
        ("unique_id = 1", "unique_id = true", ("nodes.0.unique_id", "integer")),
        ("unique_id = 1", "", ("nodes.0.unique_id is missing",)),
        ('name = "bench"', 'name = "bench"\nsupply_v = nan', ("supply_v",)),
        ('name = "bench"', 'name = "bench"\nambient_c = 200', ("ambient_c", "70")),
        ('role = "zoom"', 'role = "zom"', ("nodes.0.axes.0", "role", "focus, iris, zoom")),
        ('motor = "medium"', 'motor = "huge"', ("nodes.0.axes.0", "motor card", "huge", "medium")),
        ('lens = "zoom"', 'lens = "no/such.toml"', ("nodes.0.axes.0", "no/such.toml")),
        ("stall-time = 1", "stall-tim = 1", ("nodes.0.axes.0", "'stall-tim' is not a parameter")),
        ("stall-time = 1", "address = 30", ("nodes.0.axes.0", "'address' is not a parameter of an axis")),
        ("stall-time = 1", "stall-time = 100", ("stall-time is 100", "0.020 to 5.000 s")),
        ("stall-time = 1", "stall-time = nan", ("stall-time", "not a finite number")),
        ("stall-time = 1", 'stall-time = "long"', ("stall-time", "not a number")),
        ("stall-time = 1", "stall-time = true", ("nodes.0.axes.0.parameters.stall-time",)),
        ("stall-time = 1", "jerk-limit = 100, acceleration-limit = 200000", ("over 60 s",)),
        ('role = "zoom"', "ring_start_deg = inf", ("nodes.0.axes.0.ring_start_deg",)),
        ('role = "zoom"', "ring_start_deg = 200", ("ring_start_deg is 200", "-1.5 to 131.5")),
        ("address = 20", f'maker = "{"x" * 96}"', ("nodes.0.maker", "at most 95 bytes")),
        ("[[nodes.axes]]", "[[nodes.axes", ("not TOML", "mend that line")),
    ],
)
def test_mistakes(tmp_path: Path, old: str, new: str, words: tuple[str, ...]) -> None:
    assert old in GOOD
    text = load(tmp_path, GOOD.replace(old, new))
    assert text.startswith(str(tmp_path / "my.toml"))
    for word in words:
        assert word in text
    assert "\n" not in text
    assert "Value error" not in text
    assert any(remedy in text for remedy in ("mend", "add it", "remove it", "use one of", "check the path"))


def test_two_nodes_with_one_id(tmp_path: Path) -> None:
    body = GOOD.split("\n", 2)[2]
    text = load(tmp_path, GOOD + body)
    assert "two nodes have one unique_id; give each its own" in text


def test_nine_axes_or_none(tmp_path: Path) -> None:
    axis = '[[nodes.axes]]\nmotor = "small"\nlens = "iris"\n'
    head = 'name = "n"\n[[nodes]]\nunique_id = 1\n'
    assert "nodes.0.axes" in load(tmp_path, head + 9 * axis)
    assert "nodes.0.axes" in load(tmp_path, head)


def test_no_such_rig_and_unreadable_file(tmp_path: Path) -> None:
    with pytest.raises(RigError, match=r"no rig or file 'quartet'; shipped rigs are: eight, pair, single, trio"):
        load_rig("quartet")
    (tmp_path / "my.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RigError, match="cannot be read"):
        load_rig(str(tmp_path / "my.toml"))
