"""Marks: their curve, how values are written, files, the motor's table; and what cannot be, one sentence each."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringlet.hwsim.cardfile import CardError, load_lens, load_marks, shipped_lenses
from ringlet.protocol.items import INFINITE
from ringlet.tools.cli import main
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.lens import marksfile, transfer
from ringlet.tools.lens.curve import PAST, MarkCurve, MarkProblem, from_scale, ring_doubt_deg
from ringlet.tools.lens.values import guess, parse, show
from ringlet.tools.lens.wiretable import MOST, WireTable, count_of, residual, table_of, value_of
from ringlet.tools.link import Link

FOCUS = [(0.0, 0.45), (60.0, 0.6), (120.0, 0.9), (180.0, 1.5), (240.0, 3.5), (300.0, math.inf)]
SHIPPED = [name for name in shipped_lenses() if load_lens(name).marks]


def one_sentence(error: BaseException) -> str:
    said = str(error)
    assert "\n" not in said
    assert said.endswith(".")
    return said


# --- curve --------------------------------------------------------------------------------------------------------


def test_a_curve_goes_through_its_marks_both_ways() -> None:
    curve = MarkCurve.from_marks(reversed(FOCUS), "distance")
    for ring, value in FOCUS:
        assert curve.value_at(ring) == pytest.approx(value)
        assert curve.ring_at(value) == pytest.approx(ring, abs=1e-9)
    ring = np.linspace(0, 300, 601)
    assert np.abs(curve.rings_at(curve.values_at(ring)) - ring).max() < 1e-6
    assert (np.diff(curve.values_at(ring)[:-1]) > 0).all()
    assert (curve.nearest, curve.farthest, curve.low_deg, curve.high_deg) == (0.45, math.inf, 0.0, 300.0)


def test_outside_the_marks() -> None:
    curve = MarkCurve.from_marks(FOCUS, "distance")
    assert np.isnan(curve.values_at(np.array([-0.1, 300.1]))).all()
    assert np.isnan(curve.rings_at(np.array([0.44]))).all()
    for call in (
        lambda: curve.value_at(300.1),
        lambda: curve.ring_at(0.44),
        lambda: curve.slope_at(-1.0),
        lambda: curve.ring_at(-1.0),
        lambda: curve.ring_at(math.nan),
    ):
        with pytest.raises(MarkProblem) as caught:
            call()
        one_sentence(caught.value)


def test_slope_at_infinity_and_direction() -> None:
    curve = MarkCurve.from_marks(FOCUS, "distance")
    assert curve.slope_at(300.0) == math.inf
    assert curve.slope_at(100.0) > 0 > curve.rate_at(100.0)
    back = MarkCurve.from_marks([(300 - ring, value) for ring, value in FOCUS], "distance")
    assert back.slope_at(0.0) == -math.inf
    assert back.slope_at(200.0) == pytest.approx(-curve.slope_at(100.0))


def test_reading_widens_with_doubt_and_ends_at_the_marks() -> None:
    curve = MarkCurve.from_marks(FOCUS, "distance")
    exact, loose = curve.reading(150.0, 0.0), curve.reading(150.0, 1.0)
    assert exact.low == exact.value == exact.high
    assert loose.low < loose.value < loose.high
    assert loose.high == pytest.approx(curve.value_at(151.0))
    assert curve.reading(299.5, 1.0).high == math.inf
    assert curve.reading(0.0, 1.0).low == pytest.approx(0.45)


def test_doubt_of_a_ring_angle_adds_in_squares() -> None:
    # Even distributions of full width w have the standard uncertainty w / sqrt(12); k = 2.
    assert ring_doubt_deg(math.sqrt(12), 0) == pytest.approx(2.0)
    assert ring_doubt_deg(3 * math.sqrt(12), 4 * math.sqrt(12)) == pytest.approx(10.0)
    assert ring_doubt_deg(0, 0, 0.5) == pytest.approx(1.0)


def test_fewer_marks_are_more_doubtful() -> None:
    table = load_lens("focus-long").marks
    marks = [(mark.ring_deg, mark.value) for mark in table]
    full = MarkCurve.from_marks(marks, "distance").fit_doubt_deg()
    thin = MarkCurve.from_marks([*marks[::3], marks[-1]], "distance").fit_doubt_deg()
    assert 0 < full < 0.3
    assert thin > 3 * full


BAD = {
    "few": (FOCUS[:1] + FOCUS[-1:], "too few"),
    "none": ([], "infinity"),
    "no infinity": (FOCUS[:-1], "no mark for infinity"),
    "duplicate ring": ([*FOCUS, (60.0, 0.65)], "two marks stand at 60 deg"),
    "duplicate value": ([*FOCUS, (70.0, 0.6)], "60 and 70 deg both say 0.6 m"),
    "turns back": ([*FOCUS, (130.0, 0.8)], "turn back between 120 deg"),
    "infinity within": ([*FOCUS, (90.0, math.inf)], "turn back"),
    "negative": ([(-5.0, -1.0), *FOCUS], "must be above 0"),
    "nan": ([(-5.0, math.nan), *FOCUS], "must be above 0"),
    "no angle": ([(math.inf, 0.3), *FOCUS], "no angle"),
}


@pytest.mark.parametrize("case", BAD)
def test_marks_that_make_no_curve(case: str) -> None:
    marks, words = BAD[case]
    with pytest.raises(MarkProblem, match=words) as caught:
        MarkCurve.from_marks(marks, "distance")
    one_sentence(caught.value)


# --- past infinity --------------------------------------------------------------------------------------------------

BEYOND = [*FOCUS, (305.0, PAST)]


@pytest.mark.parametrize("mirrored", [False, True])
def test_past_infinity_a_ring_has_no_distance(mirrored: bool) -> None:
    """The curve is the same with the mark and without; beyond infinity are degrees, and a guess by the slope there."""

    def at(ring: float) -> float:
        return 300.0 - ring if mirrored else ring

    curve = MarkCurve.from_marks([(at(ring), value) for ring, value in BEYOND], "distance")
    plain = MarkCurve.from_marks([(at(ring), value) for ring, value in FOCUS], "distance")
    rings = np.linspace(0.0, 300.0, 301)
    assert (curve.values_at(rings) == plain.values_at(rings)).all()
    assert (curve.past_deg, plain.past_deg) == (at(305.0), None)
    assert curve.ring_at(PAST) == at(305.0)
    assert curve.farthest == math.inf
    assert np.isnan(curve.values_at(np.array([at(302.0)])))[0]
    assert curve.past_by(at(302.0)) == pytest.approx(2.0)
    assert curve.past_scale_at(at(302.0)) == pytest.approx(-2.0 * abs(curve.rate_at(at(300.0))))
    assert [curve.past_by(at(ring)) for ring in (300.0, 299.0, 0.0, 305.1, -2.0)] == [0.0] * 5
    assert plain.past_by(at(302.0)) == 0.0
    with pytest.raises(MarkProblem, match="2 deg past infinity: nothing in front"):
        curve.value_at(at(302.0))
    with pytest.raises(MarkProblem, match="outside the marks"):
        plain.value_at(at(302.0))
    with pytest.raises(MarkProblem, match="does not say whether the ring turns so far"):
        plain.ring_at(PAST)
    with pytest.raises(MarkProblem, match="does not lie past infinity"):
        curve.past_scale_at(at(299.0))
    assert table_of(curve).marks == table_of(plain).marks


def test_doubt_reaches_past_infinity_only_where_the_ring_turns_so_far() -> None:
    curve, plain = MarkCurve.from_marks(BEYOND, "distance"), MarkCurve.from_marks(FOCUS, "distance")
    assert curve.reading(299.9, 0.3).past
    assert curve.reading(299.9, 0.3)._replace(past=False) == plain.reading(299.9, 0.3)
    assert not curve.reading(299.5, 0.3).past
    assert not plain.reading(299.9, 0.3).past
    short = MarkCurve.from_marks([*FOCUS, (300.1, PAST)], "distance")
    assert short.reading(299.9, 5.0).past


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        ([*BEYOND, (307.0, PAST)], "2 marks lie past infinity, at 305 and 307 deg"),
        ([*FOCUS, (290.0, PAST)], "is not above the infinity mark at 300 deg"),
        ([(300 - ring, value) for ring, value in FOCUS] + [(3.0, PAST)], "is not below the infinity mark at 0 deg"),
        ([*FOCUS[:-1], (305.0, PAST)], "no mark for infinity"),
        ([*FOCUS, (math.inf, PAST)], "no angle"),
        ([(0.0, 2.0), (9.0, 4.0), (20.0, PAST)], "no mark for infinity"),
    ],
)
def test_marks_past_infinity_that_cannot_be(marks: list[tuple[float, float]], words: str) -> None:
    with pytest.raises(MarkProblem, match=words) as caught:
        MarkCurve.from_marks(marks, "distance")
    one_sentence(caught.value)


def test_marks_past_infinity_in_files(tmp_path: Path) -> None:
    table = marksfile.MarkTable("beyond", "distance", tuple(BEYOND))
    for name in ("t.toml", "t.csv"):
        marksfile.save(tmp_path / name, table)
        again = marksfile.load(str(tmp_path / name))
        assert again.marks == table.marks
        assert again.curve().past_deg == 305.0
    assert "past_infinity = true" in (tmp_path / "t.toml").read_text()
    feet = tmp_path / "f.csv"
    feet.write_text("ring_deg,distance_ft\n0,2\n100,6\n200,inf\n204,past infinity\n")
    assert marksfile.load(str(feet)).curve().past_deg == 204.0
    assert load_lens("focus-short").model_dump()["marks"][-1] == {"ring_deg": 93.5, "past_infinity": True}
    bad = tmp_path / "bad.toml"
    for text, words in (
        ("past_infinity = false", "can only be true"),
        ("past_infinity = true, distance_m = 3", "give one of"),
    ):
        bad.write_text(f'name = "x"\nmarks = [{{ ring_deg = 1, {text} }}]\n')
        with pytest.raises(CardError, match=words):
            marksfile.load(str(bad))
    stops = tmp_path / "s.csv"
    stops.write_text("ring_deg,t_stop\n0,2\n10,4\n20,past inf\n")
    with pytest.raises(MarkProblem, match="line 4: 'past inf' is a distance and a T-stop is wanted"):
        marksfile.load(str(stops))


def test_past_infinity_is_no_distance_to_go_to() -> None:
    for call in (lambda: guess("past inf"), lambda: parse("past infinity", "distance")):
        with pytest.raises(MarkProblem, match="nothing is sharp there; write inf"):
            call()
    assert parse("beyond", "distance", mark=True).value == PAST
    assert show(PAST, "distance") == "past inf"


def test_commands_tell_past_infinity_as_such(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["marks", "convert", "focus-short", "92deg", "90deg", "past inf", "3m", "--json"]) == 0
    past, infinite, end, near = json.loads(capsys.readouterr().out)
    assert (past["value"], past["past_infinity_deg"]) == ("past inf", 2.0)
    assert past["guess_per_m"] < 0
    assert (infinite["value"], infinite["or_past_infinity"]) == ("inf", True)
    assert (end["ring_deg"], near["or_past_infinity"]) == (93.5, False)
    assert main(["marks", "convert", "focus-short", "92deg", "89.9deg"]) == 0
    out = capsys.readouterr().out
    assert "past inf by 2 deg" in out
    assert "inf, past" in out
    assert main(["marks", "show", "focus-short"]) == 0
    assert "93.50  past inf" in capsys.readouterr().out
    assert main(["marks", "convert", "focus-short", "94deg"]) == 2
    assert main(["marks", "convert", "focus-long", "past inf"]) == 2
    assert "does not say whether the ring turns so far" in capsys.readouterr().err
    assert main(["marks", "upload", "focus-short", "--link", "sim:single"]) == 0
    assert "a motor's table ends at infinity" in capsys.readouterr().out


def test_kinds() -> None:
    with pytest.raises(MarkProblem, match="choose one of: distance, stop, focal"):
        MarkCurve.from_marks(FOCUS, "feet")
    with pytest.raises(MarkProblem, match="must be above 0"):
        MarkCurve.from_marks([(0, 2.0), (5, 4.0), (9, math.inf)], "stop")
    assert float(from_scale(np.array([1e-12]), "distance")[0]) == math.inf


# --- how values are written -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("1.9 m", 1.9),
        ("1.9m", 1.9),
        ("45 cm", 0.45),
        ("450mm", 0.45),
        ("2", 2.0),
        ("6'3\"", 1.905),
        ("6ft 3in", 1.905),
        ("6 feet 3 inches", 1.905),
        ("6' 3 1/2\"", 1.9177),
        ('1/2"', 0.0127),
        ("7'", 2.1336),
        ("6′3″", 1.905),
        ("inf", math.inf),
        ("∞", math.inf),
        ("Infinity", math.inf),
    ],
)
def test_distances(text: str, metres: float) -> None:
    assert parse(text, "distance").value == pytest.approx(metres)


@pytest.mark.parametrize(
    ("text", "stop"),
    [
        ("T2.8", 2**1.5),
        ("2.8", 2**1.5),
        ("t5.6", 2**2.5),
        ("T2.8 1/3", 2 ** (1.5 + 1 / 6)),
        ("T4 2/3", 2 ** (2 + 1 / 3)),
        ("T1.3", 1.3),
        ("T4 + 1/2", 2**2.25),
    ],
)
def test_stops(text: str, stop: float) -> None:
    assert parse(text, "stop").value == pytest.approx(stop)


@given(st.floats(0.05, 500))
def test_feet_and_inches_go_back(metres: float) -> None:
    shown = show(metres, "distance", feet=True)
    step = 0.0254 / (4 if metres < 3.048 else 1)
    assert abs(parse(shown, "distance").value - metres) <= step / 2 + 1e-9


@given(st.integers(-3, 36))
def test_thirds_of_a_stop_go_back(thirds: int) -> None:
    stop = 2.0 ** (thirds / 6)
    assert parse(show(stop, "stop"), "stop").value == pytest.approx(stop, rel=1e-9)


def test_shown_values() -> None:
    assert [show(v, "distance") for v in (0.4512, 12.346, 123.45, 1e4, math.inf)] == [
        "0.451 m",
        "12.35 m",
        "123.5 m",
        "10000 m",
        "inf",
    ]
    assert [show(v, "stop") for v in (2.0, 2.8, 2**1.5, 2 ** (1.5 + 1 / 6), 1.3)] == [
        "T2",
        "T2.8",
        "T2.8",
        "T2.8 1/3",
        "T1.3",
    ]
    assert show(50.0, "focal") == "50 mm"


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("T2.8", "distance", "units are mixed"),
        ("1.9m", "stop", "units are mixed"),
        ("2m", "focal", "units are mixed"),
        ("50 mm", "stop", "units are mixed"),
        ("", "distance", "is no distance"),
        ("far", "distance", "is no distance"),
        ("0", "distance", "above 0"),
        ("-1", "focal", "above 0"),
        ("nan", "stop", "is no T-stop"),
        ('1/0"', "distance", "no distance"),
        ("inf", "stop", "units are mixed"),
        ("6'3\" 4", "distance", "is no distance"),
    ],
)
def test_what_is_no_value(text: str, kind: str, words: str) -> None:
    with pytest.raises(MarkProblem, match=words) as caught:
        parse(text, kind)
    one_sentence(caught.value)


def test_guessing_needs_a_unit() -> None:
    assert [guess(t).kind for t in ("2.5m", "6'3\"", "inf", "T2.8", "50mm")] == ["distance"] * 3 + ["stop", "focal"]
    with pytest.raises(MarkProblem, match="no unit"):
        guess("5")


# --- files --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_marks_make_curves_over_the_travel(name: str) -> None:
    card = load_lens(name)
    curve = marksfile.load(name).curve()
    assert curve.unit == transfer.ROLES[card.role]
    assert (curve.low_deg, curve.high_deg) == (card.travel_min_deg, card.travel_max_deg)
    assert curve.fit_doubt_deg() < 0.005 * card.travel_deg
    assert "invented" in card.note


@pytest.mark.parametrize("suffix", [".toml", ".csv"])
@pytest.mark.parametrize("name", ["focus-long", "iris", "zoom"])
def test_files_go_back(tmp_path: Path, name: str, suffix: str) -> None:
    table = marksfile.load(name)
    path = tmp_path / f"copy{suffix}"
    marksfile.save(path, table, 'a "note"')
    again = marksfile.load(str(path))
    assert again.unit == table.unit
    for (ring, value), (wanted_ring, wanted) in zip(again.marks, table.marks, strict=True):
        assert ring == pytest.approx(wanted_ring, abs=5e-4)
        assert value == pytest.approx(wanted, rel=1e-5)
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]


def test_feet_in_files(tmp_path: Path) -> None:
    path = tmp_path / "feet.csv"
    path.write_text("ring_deg,distance_ft\n0,1'6\"\n50,2 1/2'\n100,5\n200,inf\n")
    assert [v for _, v in marksfile.load(str(path)).marks] == pytest.approx([0.4572, 0.762, 1.524, math.inf])
    path.write_text("ring_deg,distance_ft\n0,2\n50,6 1/2\n100,9.5\n200,inf\n")
    assert [v for _, v in marksfile.load(str(path)).marks] == pytest.approx([0.6096, 1.9812, 2.8956, math.inf])
    for text in ("1e1", "+5", "-3"):  # never metres by chance
        path.write_text(f"ring_deg,distance_ft\n0,2\n50,{text}\n200,inf\n")
        with pytest.raises(MarkProblem, match="line 3"):
            marksfile.load(str(path))
    card = tmp_path / "feet.toml"
    card.write_text(
        'name = "f"\nmarks = [{ ring_deg = 0, distance_ft = 1, distance_in = 6 }, { ring_deg = 9, distance_in = 30 },'
        " { ring_deg = 20, distance_m = inf }]"
    )
    assert [v for _, v in marksfile.load(str(card)).marks] == pytest.approx([0.4572, 0.762, math.inf])


CSV = {
    "head": ("angle,distance\n0,1\n", "first line"),
    "empty": ("", "first line"),
    "no marks": ("ring_deg,distance_m\n", "no marks after"),
    "cells": ("ring_deg,distance_m\n1,2,3\n", "line 2: there are 3 values"),
    "angle": ("ring_deg,distance_m\nx,2\n", "line 2: 'x' is no angle"),
    "value": ("ring_deg,distance_m\n1,far\n", "line 2: 'far' is no distance"),
    "stop in distances": ("ring_deg,distance\n0,1m\n5,T2\n", "line 3: 'T2' is a T-stop"),
    "feet and metres": ("ring_deg,distance\n0,1 m\n5,6ft\n9,inf\n", "units are mixed, m on line 2 and ft on line 3"),
}


@pytest.mark.parametrize("case", CSV)
def test_csv_that_cannot_be_used(tmp_path: Path, case: str) -> None:
    text, words = CSV[case]
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(MarkProblem, match=words) as caught:
        marksfile.load(str(path))
    assert "bad.csv" in one_sentence(caught.value)


TOML = {
    "mixed kinds": ("{ ring_deg = 0, distance_m = 1 }, { ring_deg = 9, t_stop = 2 }", "marks mix units"),
    "mixed units": ("{ ring_deg = 0, distance_m = 1 }, { ring_deg = 9, distance_ft = 9 }", "marks mix units"),
    "two values": ("{ ring_deg = 0, distance_m = 1, t_stop = 2 }", "give one of"),
    "no value": ("{ ring_deg = 0 }", "give one of"),
    "zero": ("{ ring_deg = 0, distance_ft = 0 }", "above 0"),
    "no angle": ("{ ring_deg = nan, distance_m = 1 }", "ring_deg"),
    "endless stop": ("{ ring_deg = 0, t_stop = inf }", "t_stop"),
    "unknown key": ("{ ring_deg = 0, metres = 1 }", "metres"),
    "none": ("", "marks"),
}


@pytest.mark.parametrize("case", TOML)
def test_cards_whose_marks_cannot_be_used(tmp_path: Path, case: str) -> None:
    text, words = TOML[case]
    path = tmp_path / "bad.toml"
    path.write_text(f'name = "bad"\nmarks = [{text}]\n')
    with pytest.raises(CardError, match=words) as caught:
        load_marks(str(path))
    assert "bad.toml" in one_sentence(caught.value)


def test_a_lens_card_without_marks_says_so(tmp_path: Path) -> None:
    whole = load_lens("iris").model_dump()
    path = tmp_path / "bare.toml"
    path.write_text(
        "\n".join(
            f"{key} = {list(v) if isinstance(v, tuple) else repr(v)}"
            for key, v in whole.items()
            if key != "marks" and v is not None
        ).replace("'", '"')
    )
    with pytest.raises(MarkProblem, match="no marks in this card"):
        marksfile.load(str(path))
    with pytest.raises(MarkProblem, match=r"end it in \.toml or \.csv"):
        marksfile.save(tmp_path / "marks.txt", marksfile.load("iris"))


# --- the motor's table ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SHIPPED)
def test_a_motors_straight_lines_follow_the_curve(name: str) -> None:
    curve = marksfile.load(name).curve()
    dense, bare = table_of(curve), table_of(curve, len(curve.ring_deg))
    assert len(dense.marks) <= MOST
    assert len(bare.marks) == len(curve.ring_deg)
    fine, coarse = residual(dense, curve).largest_deg, residual(bare, curve).largest_deg
    assert fine < 0.016
    assert fine < coarse / 15
    # Engraved marks are in it to half a count of the value.
    for ring, value in zip(curve.ring_deg, curve.values, strict=True):
        assert dense.ring_at(float(value)) == pytest.approx(float(ring), abs=0.26)


def test_a_long_table_is_thinned() -> None:
    ring = np.linspace(0, 300, 150)
    curve = MarkCurve.from_marks(
        [(float(r), 1 / (2.2 * (1 - r / 300) ** 1.2) if r < 300 else math.inf) for r in ring], "distance"
    )
    table = table_of(curve)
    assert len(table.marks) <= MOST
    assert residual(table, curve).largest_deg < 0.05
    assert table.marks[-1][1] == INFINITE


@pytest.mark.parametrize("most", [2, 5, 6, 7, 12, 32, 64])
def test_more_marks_are_never_worse_by_much(most: int) -> None:
    curve = MarkCurve.from_marks(FOCUS, "distance")
    table = table_of(curve, most)
    assert 2 <= len(table.marks) <= most
    assert (table.marks[0], table.marks[-1]) == ((0, 450), (300_000, INFINITE))
    if most >= 32:
        assert residual(table, curve).largest_deg < 0.2


def test_counts() -> None:
    assert (count_of(0.45, "distance"), count_of(2.8, "stop"), count_of(50, "focal")) == (450, 2800, 5000)
    assert count_of(16777.2, "distance") < count_of(17000, "distance") == INFINITE == count_of(math.inf, "distance")
    assert value_of(INFINITE, "distance") == math.inf
    for value, unit in ((0.0001, "distance"), (20000, "stop"), (0.0, "focal")):
        with pytest.raises(MarkProblem, match="cannot be sent"):
            count_of(value, unit)
    with pytest.raises(MarkProblem, match="2 to 64 marks"):
        table_of(MarkCurve.from_marks(FOCUS, "distance"), 65)
    close = [(float(n), 100 + n * 1e-4) for n in range(4)]
    with pytest.raises(MarkProblem, match="closer together than the wire"):
        table_of(MarkCurve.from_marks(close, "focal"))


def test_upload_is_read_back_and_the_same() -> None:
    table = table_of(marksfile.load("focus-long").curve())
    told: list[tuple[int, int]] = []
    with Link.open("sim:trio") as link:
        handle = link.axis(16, 0)
        assert transfer.read(handle) is None
        transfer.upload(handle, table, lambda done, total: told.append((done, total)))
        assert transfer.read(handle) == table
        assert transfer.differences(transfer.read(handle), table) == []
    assert told[-1] == (128, 128)


def test_marks_for_another_ring_are_not_sent() -> None:
    with (
        Link.open("sim:trio") as link,
        pytest.raises(UsageProblem, match="turns the iris ring"),
    ):
        transfer.upload(link.axis(16, 1), table_of(MarkCurve.from_marks(FOCUS, "distance")))


def test_a_motor_that_keeps_other_marks_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    table = table_of(MarkCurve.from_marks(FOCUS, "distance"), 8)
    with Link.open("sim:single") as link:
        uploads = link.rig.nodes[0].axes[0].uploads  # type: ignore[union-attr]
        handle = link.axis(16, 0)
        commit = uploads._commit_marks

        def forgetful(check: int) -> object:
            no = commit(check)
            uploads.marks[3] = (uploads.marks[3][0], uploads.marks[3][1] + 1)
            return no

        monkeypatch.setattr(uploads, "_commit_marks", forgetful)
        with pytest.raises(CheckFailed, match=r"holds other marks than were sent; mark 3 is"):
            transfer.upload(handle, table)


def test_differences_name_what_differs() -> None:
    one = WireTable("distance", ((0, 450), (10, 900)))
    assert transfer.differences(None, one) == ["there is no table"]
    assert "stop marks instead" in transfer.differences(WireTable("stop", one.marks), one)[0]
    assert "1 marks instead of 2" in transfer.differences(WireTable("distance", one.marks[:1]), one)[0]
