"""Matched pairs: offset and residual, one value for both motors; and where a mirror rig may stand."""

from __future__ import annotations

import json
import math
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from ringlet.hwsim.rigfile import load_rig
from ringlet.tools.cli import main
from ringlet.tools.errors import UsageProblem
from ringlet.tools.lens import clearance, marksfile, transfer
from ringlet.tools.lens.clearance import Box, Clearance, Place
from ringlet.tools.lens.curve import MarkCurve
from ringlet.tools.lens.field import blur_m, from_lens, optics
from ringlet.tools.lens.marksfile import MarkTable
from ringlet.tools.lens.pair import PairProblem, compare, in_circles, pair_of, skew_circles
from ringlet.tools.lens.twocamera import RigProblem
from ringlet.tools.lens.wiretable import table_of
from ringlet.tools.link import Link

Out = pytest.CaptureFixture[str]
FOCUS = ("focus-long", "focus-long-right")


def pair_named(left: str, right: str) -> object:
    return pair_of(marksfile.load(left), marksfile.load(right))


# --- offset and residual --------------------------------------------------------------------------------------------


def test_offset_is_the_difference_of_the_marks() -> None:
    pair = pair_of(*map(marksfile.load, FOCUS))
    columns = compare(pair)
    left, right = ({v: r for r, v in marksfile.load(name).marks} for name in FOCUS)
    for value in (0.6, 0.9, 1.5, 4.0):
        found = np.interp(value, columns.value[:-1], columns.offset_deg[:-1])
        assert found == pytest.approx(right[value] - left[value], abs=0.05)
    assert columns.value[-1] == math.inf


@pytest.mark.parametrize(("names", "most"), [(FOCUS, 0.0005), (("iris", "iris-right"), 0.002)])
def test_tables_leave_a_small_residual_and_far_less_than_one_angle(names: tuple[str, str], most: float) -> None:
    pair = pair_of(*map(marksfile.load, names))
    columns = compare(pair)
    residual, bare = np.abs(columns.residual_scale).max(), np.abs(columns.same_ring_scale).max()
    assert 0 < residual < most
    assert bare > 50 * residual
    # The residual is what the motors' own rule does with the tables: checked at one place by hand.
    n = len(columns.value) // 3
    value = float(columns.value[n])
    reached = [c.value_at(t.ring_at(value)) for c, t in zip(pair.curves, pair.tables, strict=True)]
    assert columns.residual_value[n] == pytest.approx(reached[1] - reached[0], abs=1e-12)


def test_circles_are_the_blur_of_one_lens_where_the_other_is_sharp() -> None:
    lens = optics(50, 2, 0.025)
    pair = pair_of(*map(marksfile.load, FOCUS))
    columns = compare(pair, (0.004, 0.2))
    residual, doubt, same = in_circles(columns, pair, lens)
    assert residual.max() < 0.01
    assert same.max() > 1.0  # without tables this pair is visibly apart
    assert 0.1 < doubt.max() < 1.0
    n = int(np.argmax(same))
    subject = float(columns.value[n])
    focus = pair.curves[1].value_at(float(columns.left_deg[n]))
    blur = blur_m(lens, from_lens(lens, focus), from_lens(lens, subject))
    assert same[n] == pytest.approx(blur / lens.coc_m, rel=1e-6)
    iris = pair_of(marksfile.load("iris"), marksfile.load("iris-right"))
    stops = compare(iris)
    with pytest.raises(PairProblem, match="for distances"):
        in_circles(stops, iris, lens)


def test_doubt_grows_with_play() -> None:
    pair = pair_of(*map(marksfile.load, FOCUS))
    small, large = compare(pair), compare(pair, (0.0, 1.0))
    assert (large.doubt_scale > small.doubt_scale).all()


def test_equal_lenses_have_no_offset() -> None:
    one = marksfile.load("zoom")
    columns = compare(pair_of(one, one))
    assert not columns.offset_deg.any()
    assert not columns.residual_value.any()


def test_skew_in_circles() -> None:
    lens = optics(50, 2, 0.025)
    curve = marksfile.load("focus-long").curve()
    distance, circles = skew_circles(curve, 1.0, lens)
    n = 100
    here = curve.ring_at(float(distance[n]))
    apart = 1 / (1 / float(distance[n]) + abs(curve.rate_at(here)))
    blur = blur_m(lens, from_lens(lens, apart), from_lens(lens, float(distance[n])))
    assert circles[n] == pytest.approx(blur / lens.coc_m, rel=1e-9)
    assert skew_circles(curve, 0.0, lens)[1].max() == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(skew_circles(curve, -1.0, lens)[1], circles)


@pytest.mark.parametrize(
    ("left", "right", "words"),
    [
        (marksfile.load("iris"), marksfile.load("focus-long"), "needs two of one kind"),
        (
            MarkTable("a", "focal", ((0, 18), (9, 24), (20, 35))),
            MarkTable("b", "focal", ((0, 50), (9, 70), (20, 90))),
            "have no value in common",
        ),
        (
            marksfile.load("focus-long"),
            MarkTable("b", "distance", ((0, 1), (9, 2), (20, 3))),
            "b: the table has no mark for inf",
        ),
    ],
)
def test_what_is_no_pair(left: MarkTable, right: MarkTable, words: str) -> None:
    with pytest.raises(UsageProblem, match=words) as caught:
        pair_of(left, right)
    assert "\n" not in str(caught.value)


# --- one value, both motors -----------------------------------------------------------------------------------------


def test_the_commands_over_a_rig_that_remembers(tmp_path: Path, capsys: Out) -> None:
    link = f"sim:pair?store={tmp_path}"
    assert main(["pair", "upload", *FOCUS, "--save", "--link", link, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["axes"] == ["16.0", "17.0"]
    assert max(told["line_error_deg"]) < 0.02
    assert main(["marks", "check", FOCUS[1], "--node", "17", "--link", link]) == 0
    assert main(["marks", "check", FOCUS[0], "--node", "17", "--link", link]) == 1
    assert "does not hold these marks: mark" in capsys.readouterr().err
    assert main(["pair", "curve", "16.0", "17.0", "--link", link, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["largest"]["residual_circles"] < 0.02
    assert main(["pair", "move", "6'3\"", "--find", "--link", link, "--json"]) == 0
    heard = capsys.readouterr()
    assert "gears pinch fingers" in heard.err
    for one, name in zip(json.loads(heard.out)["axes"], FOCUS, strict=True):
        assert marksfile.load(name).curve().value_at(one["setpoint_deg"]) == pytest.approx(1.905, abs=2e-3)


def test_the_zooms_of_the_eight_motor_rig_are_a_pair(tmp_path: Path, capsys: Out) -> None:
    """Both zooms go to one focal length, each by its own marks; roles find the axes."""
    text = (resources.files("ringlet.hwsim.rigs") / "eight.toml").read_text("utf-8")
    whole = load_rig("eight")
    lenses = {f"{node.address}.{n}": axis.lens for node in whole.nodes for n, axis in enumerate(node.axes)}
    pairs = [(lenses[one.left], lenses[one.right]) for one in whole.pairs]
    assert pairs == [("focus-long", "focus-long-right"), ("iris", "iris-right"), ("zoom", "zoom-right")]
    for left, right in pairs:
        pair_of(marksfile.load(left), marksfile.load(right))
    assert {(one.node, one.axis) for one in whole.controls} == {(16, 0), (16, 1), (17, 0)}
    rig = tmp_path / "zooms.toml"
    nodes = text[text.index("[[nodes]]") : text.index("[[pairs]]")].split("[[nodes]]\n")
    rig.write_text('name = "zooms"\n[[nodes]]\n' + next(one for one in nodes if "address = 17" in one), "utf-8")
    link = f"sim:{rig}?store={tmp_path}"
    assert main(["pair", "upload", "zoom", "zoom-right", "--save", "--link", link]) == 0
    capsys.readouterr()
    assert main(["pair", "move", "50mm", "--find", "--link", link, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["axes"]
    rings = []
    for one, name in zip(told, ("zoom", "zoom-right"), strict=True):
        assert marksfile.load(name).curve().value_at(one["setpoint_deg"]) == pytest.approx(50.0, abs=0.02)
        rings.append(one["setpoint_deg"])
    assert rings[0] - rings[1] == pytest.approx(1.0, abs=0.05)  # 77.6 and 76.6 deg on the cards


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["pair", "move", "5"], "has no unit"),
        (["pair", "move", "2m"], "holds no marks"),
        (["pair", "move", "50mm"], "0 axes turn such a ring (zoom)"),
        (["pair", "move", "T2", "--linked"], "--linked is for dist"),
        (["pair", "move", "2m", "--axes", "16.0,16.0"], "write different axes"),
        (["pair", "move", "2m", "--axes", "16"], "NODE.AXIS"),
        (["pair", "upload", "iris", "focus-long"], "needs two of one kind"),
        (["pair", "upload", "zoom", "zoom-cold"], "there are 0"),
        (["pair", "upload", "iris", "iris-right", "--axes", "16.0,17.0"], "turns the focus ring"),
        (["pair", "curve", "16.0", "iris"], "not one of each"),
        (["pair", "curve", "16.0", "17.0"], "holds no marks"),
    ],
)
def test_bad_input_is_one_sentence_and_nothing_moves(
    monkeypatch: pytest.MonkeyPatch, capsys: Out, words: list[str], said: str
) -> None:
    drives: list[str] = []
    monkeypatch.setattr("ringlet.tools.axis_handle.AxisHandle.take", lambda *a, **k: drives.append("took"))
    assert main([*words, "--link", "sim:pair"]) == 2
    err = capsys.readouterr().err.strip()
    assert said in err
    assert len(err.splitlines()) == 1
    assert not drives


# --- two cameras --------------------------------------------------------------------------------------------------

TABLE = Clearance("t", (Box(0, 20, 0, 1), Box(20, 60, 0, 2.5), Box(60, 90, 0, 1.5)))


def test_what_a_mirror_rig_may_do() -> None:
    for place in (Place(0, 0), Place(20, 2.5), Place(60, 2.5), Place(90, 1.5)):
        TABLE.check(place)
    for place, words in (
        (Place(10, 1.2), "at this distance it allows 0 to 1 deg"),
        (Place(95, 0), "distances of 0 to 90 mm"),
        (Place(30, -0.1), "0 to 2.5 deg"),
    ):
        with pytest.raises(RigProblem, match=words):
            TABLE.check(place)


@pytest.mark.parametrize(
    ("start", "end", "order"),
    [
        (Place(30, 0), Place(50, 2), "together"),
        (Place(10, 1), Place(80, 1), "together"),
        (Place(10, 0.5), Place(40, 2), "interaxial first"),
        (Place(40, 2), Place(80, 1), "toe-in first"),
        (Place(40, 2), Place(10, 0.5), "toe-in first"),
    ],
)
def test_the_way_matters_too(start: Place, end: Place, order: str) -> None:
    assert TABLE.order(start, end) == order
    # Every mix of both axes on the way that was found is allowed: tried on a grid.
    ways = {
        "together": [(start, end)],
        "toe-in first": [
            (start, Place(start.interaxial_mm, end.toe_in_deg)),
            (Place(start.interaxial_mm, end.toe_in_deg), end),
        ],
        "interaxial first": [
            (start, Place(end.interaxial_mm, start.toe_in_deg)),
            (Place(end.interaxial_mm, start.toe_in_deg), end),
        ],
    }[order]
    for one, other in ways:
        for x in np.linspace(one.interaxial_mm, other.interaxial_mm, 13):
            for y in np.linspace(one.toe_in_deg, other.toe_in_deg, 13):
                TABLE.check(Place(float(x), float(y)))


def test_no_way_across_a_gap() -> None:
    split = Clearance("s", (Box(0, 20, 0, 1), Box(40, 60, 0, 1)))
    with pytest.raises(RigProblem, match="allows no straight way"):
        split.order(Place(10, 0.5), Place(50, 0.5))
    both_ways = Clearance("d", (Box(0, 20, 0, 3), Box(20, 40, 2, 5)))
    with pytest.raises(RigProblem, match="allows no straight way"):
        both_ways.order(Place(10, 1), Place(30, 4))  # only through a place between


def box(first: str) -> str:
    return f"[[allowed]]\ninteraxial_from_mm = {first}\ninteraxial_to_mm = 1\ntoe_in_from_deg = 0\ntoe_in_to_deg = 1\n"


BAD = {
    "nothing": ("", r"no \[\[allowed\]\]"),
    "keys": ("[[allowed]]\ninteraxial_from_mm = 0\n", "row 1"),
    "text": (box('"a"'), "no number"),
    "order": (box("9"), "before it begins"),
    "toml": ("[[", "not valid TOML"),
}


@pytest.mark.parametrize("case", BAD)
def test_clearance_tables_that_cannot_be_used(tmp_path: Path, case: str) -> None:
    text, words = BAD[case]
    path = tmp_path / "rig.toml"
    path.write_text(text)
    with pytest.raises(RigProblem, match=words) as caught:
        clearance.load(str(path))
    assert "rig.toml" in str(caught.value)
    with pytest.raises(RigProblem, match="cannot be read"):
        clearance.load(str(tmp_path / "none.toml"))


def test_two_cameras_at_one_place_have_no_parallax(tmp_path: Path, capsys: Out) -> None:
    """Where a mirror rig begins: both cameras see the same."""
    plot = tmp_path / "zero.png"
    words = ["pair", "geometry", "--interaxial", "0mm", "--convergence", "3m", "--scene", "2m,10m", "--plot", str(plot)]
    assert main([*words, "--screen", "10", "--clearance", "mirror-demo", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["near_m"], told["far_m"], told["toe_in_deg"]) == (0.0, "inf", 0.0)
    assert told["corner_vertical_percent"] == told["parallax_at_infinity_percent"] == 0.0
    assert told["greatest_interaxial_mm"] == pytest.approx(30.5, abs=0.1)
    assert plot.exists()


def test_geometry_command(tmp_path: Path, capsys: Out) -> None:
    words = ["pair", "geometry", "--interaxial", "6cm", "--convergence", "3m"]
    assert main([*words, "--clearance", "mirror-demo", "--from", "10,0.2", "--screen", "10", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["toe_in_deg"] == pytest.approx(math.degrees(math.atan(0.03 / 3)))
    assert told["way"] == "together"
    assert told["near_m"] < 3 < told["far_m"]
    scene = f"{told['near_m']}m,{told['far_m']}m"
    assert main([*words, "--scene", scene, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["greatest_interaxial_mm"] == pytest.approx(60.0, rel=1e-6)
    assert main([*words, "--scene", "2m"]) == 2
    assert main(["pair", "geometry", "--interaxial", "80mm", "--convergence", "1m", "--clearance", "mirror-demo"]) == 2
    assert "not allowed by the clearance table mirror-demo" in capsys.readouterr().err
    assert main([*words, "--from", "10,0.2"]) == 2
    assert main([*words, "--clearance", "mirror-demo", "--from", "10"]) == 2
    assert main(["pair", "geometry", "--interaxial", "60mm", "--convergence", "T2"]) == 2
    assert main([*words, "--towards", "0"]) == 2


RIG = """
name = "stereo"
[[nodes]]
unique_id = 0x52494E4700AA
address = 18
[[nodes.axes]]
motor = "medium"
lens = "focus-long"
role = "focus"
[[nodes.axes]]
motor = "small"
lens = "iris"
role = "convergence"
"""


def test_convergence_goes_with_focus_or_stays(
    tmp_path: Path, capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG)
    link = f"sim:{rig}?store={tmp_path}"
    focus = table_of(marksfile.load("focus-long").curve())
    with Link.open(link) as bus:
        transfer.upload(bus.axis(18, 0), focus)
        bus.axis(18, 0).save()
    words = [
        "pair",
        "converge",
        "--interaxial",
        "60mm",
        "--axis",
        "18.1",
        "--near",
        "1m",
        "--ratio",
        "20",
        "--link",
        link,
    ]
    assert main([*words, "--clearance", "mirror-demo", "--save", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["line_error_deg"] < 0.05
    assert main(["pair", "move", "2.5m", "--link", link]) == 2  # free: focus alone is no pair
    assert "1 axes" in capsys.readouterr().err
    linked = ["pair", "move", "2.5m", "--linked", "--interaxial", "60mm", "--ratio", "20", "--find", "--link", link]
    assert main(linked) == 2  # cameras are not driven to their stops on the side
    assert "run `ringlet find-stops --node 18 --axis 1`" in capsys.readouterr().err
    assert main(["pair", "move", "2.5m", "--axes", "18.0,18.1", "--find", "--link", link]) == 2
    assert "axis 18.1 is a convergence axis, which goes along by --linked only" in capsys.readouterr().err
    with Link.open(link) as bus:
        turn = bus.axis(18, 1)
        turn.take()
        turn.find_stops()
        turn.yield_()
        with monkeypatch.context() as patch:
            patch.setattr("ringlet.tools.cli_common.open_link", lambda *_: bus)
            patch.setattr(Link, "close", lambda self: None)
            assert main([*linked, "--json"]) == 0
    one, other = json.loads(capsys.readouterr().out)["axes"]
    assert one["role"] == "focus"
    assert other["role"] == "convergence"
    assert other["setpoint_deg"] == pytest.approx(20 * math.degrees(math.atan(0.03 / 2.5)), abs=0.06)
    near = [*words, "--near", "0.5m"]
    assert main([*near, "--clearance", "mirror-demo"]) == 2  # toe-in of 3.4 deg
    for extra in (["--ratio", "0"], ["--near", "inf"], ["--axis", "18"], ["--interaxial", "0mm"]):
        assert main([*words, *extra]) == 2
        assert len(capsys.readouterr().err.strip().splitlines()) <= 2


def test_the_curve_of_a_motor_is_a_curve_too() -> None:
    table = table_of(marksfile.load("focus-short").curve())
    again = MarkCurve.from_marks(table.points, table.unit)
    assert again.value_at(45.0) == pytest.approx(marksfile.load("focus-short").curve().value_at(45.0), rel=2e-3)
