"""Travel limits of a two-camera rig from its clearance table: the box is clear, the largest, and kept by the motors."""

from __future__ import annotations

import itertools
import json
import random
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringlet.protocol import messages as m
from ringlet.tools.cli import main
from ringlet.tools.errors import DeviceRefused, UsageProblem
from ringlet.tools.lens import clearance, marksfile, mirror, transfer
from ringlet.tools.lens.clearance import Box, Clearance, Place, Span
from ringlet.tools.lens.twocamera import RigProblem, toe_in_deg
from ringlet.tools.lens.wiretable import table_of
from ringlet.tools.link import Link

Out = pytest.CaptureFixture[str]
DEMO = clearance.load("mirror-demo")
HERE = Place(30.0, 0.5)


@st.composite
def tables(draw: st.DrawFn) -> Clearance:
    """A few boxes that overlap, touch or lie apart, on a coarse grid so that edges often meet."""
    ends = st.tuples(st.integers(0, 6), st.integers(1, 4))
    rows = draw(st.lists(st.tuples(ends, ends), min_size=1, max_size=5))
    return Clearance("t", tuple(Box(x, x + w, y, y + h) for (x, w), (y, h) in rows))


def area(box: Box) -> float:
    return (box.interaxial_to_mm - box.interaxial_from_mm) * (box.toe_in_to_deg - box.toe_in_from_deg)


@settings(max_examples=60, deadline=None)
@given(tables())
def test_the_box_is_clear_and_none_is_larger(table: Clearance) -> None:
    """All edges are whole numbers, so a box is clear when each cell of one by one in it lies in a row."""
    clear = np.array([
        [any(box.holds(Place(x + 0.5, y + 0.5)) for box in table.allowed) for y in range(10)] for x in range(10)
    ])  # fmt: skip
    found = table.fence()
    a, b, c, d = (int(one) for one in found)
    assert (a, b, c, d) == found
    assert clear[a:b, c:d].all()
    ends = list(itertools.combinations(range(11), 2))
    assert area(found) == max((b - a) * (d - c) for a, b in ends for c, d in ends if clear[a:b, c:d].all())


def test_boxes_of_the_demo_worked_by_hand() -> None:
    # Rows: 0-20 mm to 1 deg, 20-60 mm to 2.5 deg, 60-90 mm to 1.5 deg. 70 x 1.5 = 105 beats 40 x 2.5 and 90 x 1.
    assert DEMO.fence() == Box(20, 90, 0, 1.5)
    assert DEMO.fence(Place(10, 0.5)) == Box(0, 90, 0, 1)
    assert DEMO.fence(Place(30, 2)) == Box(20, 60, 0, 2.5)
    assert DEMO.fence(interaxial=Span(30, 80)) == Box(30, 80, 0, 1.5)
    assert DEMO.fence(toe_in=Span(0.5, 2)) == Box(20, 60, 0.5, 2)
    assert DEMO.fence(margin=Place(2, 0.25)) == Box(22, 58, 0.25, 2.25)  # 36 x 2 beats 66 x 1
    for words, why in (
        ({"around": Place(10, 2)}, "around 10 mm and 2 deg"),
        ({"toe_in": Span(0, 3)}, "0 to 3 deg"),
        ({"interaxial": Span(10, 95)}, "10 to 95 mm"),
        ({"around": Place(89.5, 0.5), "margin": Place(1, 0)}, "no room .* around where the rig stands"),
        ({"margin": Place(50, 0)}, "leaves no room"),
    ):
        with pytest.raises(RigProblem, match=why):
            DEMO.fence(**words)  # type: ignore[arg-type]


@pytest.fixture
def between(tmp_path: Path) -> str:
    """The two axes of sim:eight that move the cameras, alone."""
    text = (resources.files("ringlet.hwsim.rigs") / "eight.toml").read_text("utf-8")
    rig = tmp_path / "between.toml"
    nodes = text[text.index("[[nodes]]") : text.index("[[pairs]]")].split("[[nodes]]\n")
    rig.write_text('name = "between"\n[[nodes]]\n' + next(one for one in nodes if "address = 19" in one), "utf-8")
    return f"sim:{rig}"


def fenced(link: Link, box: Box | None = None) -> Box:
    """sim:eight, told where it stands, with the limits of the demo's box."""
    made = DEMO.fence(HERE) if box is None else box
    mirror.write(link, mirror.plan(link, DEMO, made, False, HERE), reference=True)
    return made


def test_the_motors_keep_both_cameras_inside_the_table_whoever_drives(between: str) -> None:
    """Moves, velocities and streamed setpoints to anywhere, both axes at once; a second control is no other matter."""
    chance = random.Random(5)
    slide, turn = DEMO.gearing
    with Link.open(between) as link:
        made = fenced(link, DEMO.fence(HERE, margin=Place(0.2, 0.02)))
        other = link.beside(source=3)
        axes = (other.axis(19, 0), other.axis(19, 1))
        for axis in axes:
            axis.take()
        refused = 0
        for number in range(40):
            for axis in axes:
                wild = chance.uniform(-60.0, 360.0)
                try:
                    match (number + axis.axis) % 3:
                        case 0:
                            axis.move(wild, wait=False)
                        case 1:
                            axis.run(chance.choice((-200.0, 200.0)))
                        case _:
                            other.send(m.StreamRing(0, round(1000 * wild)), node=19, axis=axis.axis)
                except DeviceRefused:
                    refused += 1
            for _ in range(5):
                other.wait(0.05)
                apart, turned = slide.value(axes[0].position()), turn.value(axes[1].position())
                DEMO.check(Place(apart, turned))
                assert made.interaxial_from_mm - 0.2 <= apart <= made.interaxial_to_mm + 0.2
        assert refused > 3
        other.close()


def test_limits_count_again_after_a_power_cycle_once_the_rig_is_measured(between: str) -> None:
    with Link.open(between) as link:
        mirror.write(link, mirror.plan(link, DEMO, DEMO.fence(HERE), False, HERE), reference=True, save=True)
        assert link.rig is not None
        link.rig.nodes[0].start()
        link.wait(0.2)
        with pytest.raises(UsageProblem, match=r"position of axis 19\.0 is not known"):
            mirror.stands(link, DEMO)
        fenced(link)
        place = mirror.stands(link, DEMO)
        assert place.interaxial_mm == pytest.approx(30.0, abs=0.02)
        assert place.toe_in_deg == pytest.approx(0.5, abs=0.001)


def test_tighter_limits_are_kept_and_an_axis_outside_is_refused(between: str) -> None:
    with Link.open(between) as link:
        fenced(link)
        link.axis(19, 0).set("travel-max", 150.0)
        found = mirror.plan(link, DEMO, DEMO.fence(HERE), widen=False)
        assert (found[0].then.high, found[0].kept) == (150.0, True)
        found = mirror.plan(link, DEMO, DEMO.fence(HERE), widen=True)
        assert (found[0].then.high, found[0].kept) == (285.0, False)
        with pytest.raises(RigProblem, match=r"stands at 105.00 deg, outside the limits of 135 to 150 deg"):
            mirror.plan(link, DEMO, Box(40, 60, 0, 1), widen=False)
        with pytest.raises(RigProblem, match="nothing in common"):
            mirror.plan(link, DEMO, Box(60, 90, 0, 1), widen=False)
        swapped = DEMO._replace(interaxial=DEMO.convergence, convergence=DEMO.interaxial)
        with pytest.raises(UsageProblem, match=r"axis 19.1 is the interaxial axis, and its role is convergence"):
            mirror.plan(link, swapped, Box(20, 60, 0, 1), widen=False)


def test_an_axis_that_runs_the_other_way_gets_its_limits_the_other_way_round() -> None:
    turn = clearance.Gearing("19.1", -100.0, 200.0)
    assert turn.travel(0.0, 1.5) == Span(50.0, 200.0)
    assert turn.value(turn.ring_deg(0.7)) == pytest.approx(0.7)


def test_command(tmp_path: Path, capsys: Out) -> None:
    link = f"sim:eight?store={tmp_path}"
    words = ["pair", "limits", "--clearance", "mirror-demo"]
    assert main([*words, "--toe-in", "0,2", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["box"]["interaxial_to_mm"] == 60
    assert [one["then"] for one in told["axes"]] == [[75.0, 195.0], [25.0, 225.0]]
    assert not told["written"]
    assert main([*words, "--here", "30,0.5", "--link", link]) == 0
    out = capsys.readouterr().out
    assert "the motors keep to them" in out
    assert "finding end stops" in out
    assert "Written" not in out
    assert main([*words, "--here", "30,0.5", "--write", "--link", link]) == 2  # nobody to ask
    heard = capsys.readouterr()
    assert "add --yes" in heard.err
    assert "gears pinch fingers" in heard.err
    assert main([*words, "--here", "30,0.5", "--write", "--save", "--yes", "--link", link, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["axes"][0]["then"] == [75.0, 285.0]
    with Link.open(link) as bus:
        assert [float(bus.axis(19, 0).get(f"travel-{end}")) for end in ("min", "max")] == [75.0, 285.0]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--toe-in", "2"], "--toe-in is '2'; write both ends"),
        (["--toe-in", "2,1"], "write both ends"),
        (["--interaxial", "a,b"], "not a number"),
        (["--margin", "-1,0"], "cannot be below 0"),
        (["--margin", "1"], "--margin is '1'"),
        (["--write"], "add --link"),
        (["--here", "10,2"], "not allowed by the clearance table"),
        (["--save", "--link", "sim:eight"], "--save keeps what --write"),
        (["--link", "sim:eight"], "position of axis 19.0 is not known"),
        (["--here", "30,0.5", "--link", "sim:pair"], "node 19"),
    ],
)
def test_bad_input_is_one_sentence(capsys: Out, words: list[str], said: str) -> None:
    assert main(["pair", "limits", "--clearance", "mirror-demo", *words]) in (2, 3)
    err = capsys.readouterr().err.strip()
    assert said in err
    assert len(err.splitlines()) == 1


BOX = "[[allowed]]\ninteraxial_from_mm = 0\ninteraxial_to_mm = 9\ntoe_in_from_deg = 0\ntoe_in_to_deg = 1\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[interaxial]\naxis = '19.0'\n", "needs just axis, deg_per_mm and zero_deg"),
        ("[convergence]\naxis = '19'\ndeg_per_deg = 1\nzero_deg = 0\n", "write \"NODE.AXIS\""),
        ("[convergence]\naxis = '19.1'\ndeg_per_deg = 0\nzero_deg = 0\n", "and deg_per_deg not 0"),
        ("[convergence]\naxis = '19.1'\ndeg_per_deg = '1'\nzero_deg = 0\n", "must be numbers"),
        ("interaxal = 1\n", "'interaxal' is not known here"),
    ],
)
def test_gearing_that_cannot_be_used(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(text + BOX if "=" in text.splitlines()[0] else BOX + text)
    with pytest.raises(RigProblem, match=said):
        clearance.load(str(path))
    path.write_text(BOX)
    with pytest.raises(RigProblem, match="does not say how its axes are geared"):
        _ = clearance.load(str(path)).gearing


def linked_rig(tmp_path: Path, base_mm: float) -> str:
    """sim:eight with limits and marks: focus on the left lens, convergence for an interaxial distance."""
    link = f"sim:eight?store={tmp_path}"
    with Link.open(link) as bus:
        fenced(bus)
        bus.axis(19, 0).save()
        bus.axis(19, 1).save()
        transfer.upload(bus.axis(16, 0), table_of(marksfile.load("focus-long").curve()))
        bus.axis(16, 0).save()
    words = ["pair", "converge", "--interaxial", f"{base_mm}mm", "--near", "1m", "--clearance", "mirror-demo", "--save"]
    assert main([*words, "--link", link]) == 0
    return link


def test_linked_moves_know_the_interaxial_distance(tmp_path: Path, capsys: Out) -> None:
    link = linked_rig(tmp_path, 30.0)
    move = ["pair", "move", "2m", "--linked", "--axes", "16.0", "--find", "--link", link]
    capsys.readouterr()
    assert main(move) == 2
    assert "--linked needs the interaxial distance" in capsys.readouterr().err
    assert main([*move, "--interaxial", "60mm", "--ratio", "100", "--zero", "25"]) == 2
    err = capsys.readouterr().err
    assert f"belongs at {25 + 100 * toe_in_deg(0.06, 2):.2f} deg: they are those of another distance" in err
    assert main([*move, "--clearance", "mirror-demo"]) == 2  # a new process: nobody has said where the rig stands
    assert "position of axis 19.0 is not known" in capsys.readouterr().err
    assert main(["pair", "move", "2m", "--interaxial", "30mm", "--link", link]) == 2
    assert "are for --linked" in capsys.readouterr().err


def test_a_linked_move_goes_where_table_and_marks_agree(
    tmp_path: Path, capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = linked_rig(tmp_path, 30.0)
    with Link.open(url) as bus:
        fenced(bus)
        monkeypatch.setattr("ringlet.tools.cli_common.open_link", lambda *_: bus)
        monkeypatch.setattr(Link, "close", lambda self: None)
        capsys.readouterr()
        move = ["pair", "move", "2m", "--linked", "--axes", "16.0", "--find", "--clearance", "mirror-demo"]
        assert main([*move, "--json"]) == 0
        told = {one["role"]: one for one in json.loads(capsys.readouterr().out)["axes"]}
        assert told["convergence"]["position_deg"] == pytest.approx(25 + 100 * toe_in_deg(0.03, 2), abs=0.5)
        assert main([*move, "--interaxial", "40mm"]) == 2  # the axis knows better, and what is judged hangs on it
        assert "given as 40 mm, and axis 19.0 stands at 30 mm; measure it" in capsys.readouterr().err
        assert main([*move, "--interaxial", "30.4mm", "--json"]) == 0
        slide = bus.axis(19, 0)
        slide.take()
        slide.move(DEMO.gearing[0].ring_deg(60.0))
        slide.yield_()
        assert main(move) == 2
        assert "60 mm it belongs at" in capsys.readouterr().err
        assert bus.axis(19, 1).position() == pytest.approx(told["convergence"]["position_deg"], abs=0.1)
        monkeypatch.undo()
