"""Pictures of lens work hold what they should: lines, limits and names; and the commands that only look."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from ringlet.tools.cli import main
from ringlet.tools.lens import budget, clearance, marksfile, plots, twocamera
from ringlet.tools.lens.field import optics
from ringlet.tools.lens.pair import compare, pair_of

Out = pytest.CaptureFixture[str]


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """The figures that are saved, kept to look into."""
    found: list[Figure] = []
    monkeypatch.setattr(Figure, "savefig", lambda self, path: found.append(self))
    return found


def labels(figure: Figure, axes: int) -> set[str]:
    return {str(line.get_label()) for line in figure.axes[axes].lines if not str(line.get_label()).startswith("_")}


def test_marks(drawn: list[Figure]) -> None:
    for name in ("focus-long", "iris", "zoom"):
        curve = marksfile.load(name).curve()
        plots.plot_marks(curve, Path("x.png"), name, 0.3)
        top, bottom = drawn[-1].axes
        assert len(top.lines[1].get_xdata()) == len(curve.ring_deg)
        assert len(bottom.lines[0].get_ydata()) == len(curve.ring_deg) - 2
    ticks = [text.get_text() for text in drawn[0].axes[0].get_xticklabels()]
    assert (ticks[0], "1" in ticks, ticks[-1]) == ("∞", True, "0.45")
    assert [text.get_text() for text in drawn[1].axes[0].get_xticklabels()][2] == "T2.8"


def test_marks_past_infinity_are_a_band_beyond_the_curve(drawn: list[Figure]) -> None:
    plots.plot_marks(marksfile.load("focus-short").curve(), Path("x.png"), "short", 0.3)
    [band] = drawn[0].axes[0].patches
    low, high = band.get_extents().transformed(drawn[0].axes[0].transData.inverted()).intervaly
    assert (low, high) == pytest.approx((90.0, 93.5))
    assert "no distance" in str(band.get_label())
    plots.plot_marks(marksfile.load("focus-long").curve(), Path("x.png"), "long", 0.3)
    assert not drawn[1].axes[0].patches


def test_limits_lie_inside_what_the_table_allows(drawn: list[Figure]) -> None:
    table = clearance.load("mirror-demo")
    place = clearance.Place(30.0, 0.5)
    plots.plot_limits(table, table.fence(place), place, Path("x.png"), "limits")
    *allowed, box = drawn[0].axes[0].patches
    assert [(one.get_x(), one.get_width(), one.get_height()) for one in allowed] == [
        (0.0, 20.0, 1.0), (20.0, 40.0, 2.5), (60.0, 30.0, 1.5)
    ]  # fmt: skip
    assert (box.get_x(), box.get_y(), box.get_width(), box.get_height()) == (20.0, 0.0, 70.0, 1.5)
    [stands] = drawn[0].axes[0].lines
    assert (stands.get_xdata(), stands.get_ydata()) == ([30.0], [0.5])


@pytest.mark.parametrize("lens", [optics(50, 2, 0.025), None])
def test_pair(drawn: list[Figure], lens: object) -> None:
    names = ("focus-long", "focus-long-right") if lens else ("iris", "iris-right")
    pair = pair_of(*map(marksfile.load, names))
    columns = compare(pair)
    plots.plot_pair(pair, columns, Path("x.png"), lens)  # type: ignore[arg-type]
    assert labels(drawn[0], 0) == {f"marks of {name}" for name in names}
    assert "residual with the motors' tables" in labels(drawn[0], 1)
    limits = [text.get_text() for text in drawn[0].axes[1].texts]
    assert limits == (["limit: 1 circle of confusion"] if lens else [])
    # The marks of either lens lie on the offset curve.
    curve, *marks = drawn[0].axes[0].lines
    assert max(abs(marks[0].get_ydata()) - 0) <= max(abs(curve.get_ydata())) + 0.05


def test_geometry(drawn: list[Figure]) -> None:
    rig = twocamera.two_cameras(60, 3, 35, 24.9)
    found = twocamera.limits(rig, 0.02, 0.01)
    plots.plot_geometry(rig, found, (0.02, 0.01), Path("x.png"), "t")
    texts = [text.get_text() for text in drawn[0].axes[0].texts]
    assert texts == ["limit in front of the screen -2 %", "limit behind the screen +1 %"]
    assert {"near limit 1.753 m", "far limit 4.656 m"} <= labels(drawn[0], 0)


def test_budget(drawn: list[Figure]) -> None:
    curve = marksfile.load("focus-long").curve()
    needed = budget.need(optics(50, 2, 0.025), curve, 1.0, 0.45, math.inf, 2.0)
    motor = budget.Motor("m", play_deg=budget.Figure(0.2, 0, ""), latency_s=budget.Figure(0.04, 0, ""))
    plots.plot_budget(budget.budget(needed, motor), Path("x.png"), "t")
    assert {"play", "latency", "all errors together", "worst place"} <= labels(drawn[0], 1)
    plots.plot_budget(budget.budget(needed, budget.Motor("")), Path("x.png"), "t")
    assert labels(drawn[1], 1) == {"allowed: smaller half of the depth of field"}


def test_commands_that_only_look(tmp_path: Path, capsys: Out) -> None:
    picture = tmp_path / "marks.svg"
    assert main(["marks", "show", "focus-long", "--motor", "medium", "--plot", str(picture), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["doubt_deg"] > 2 * told["fit_deg"] > 0
    assert told["marks"][-1]["value"] == told["marks"][-1]["high"] == "inf"
    assert "<svg" in picture.read_text()
    assert main(["marks", "show", "focus-long", "--feet"]) == 0
    assert "8'2 1/2\"" in capsys.readouterr().out
    assert main(["marks", "convert", "focus-long", "2.5m", "219.2deg", "inf", "--json"]) == 0
    there, back, far = json.loads(capsys.readouterr().out)
    assert there["ring_deg"] == pytest.approx(219.2, abs=1e-6)
    assert back["value"] == pytest.approx(2.5, abs=1e-6)
    assert far["value"] == "inf"
    assert there["low"] < 2.5 < there["high"]
    assert main(["marks", "convert", "iris", "T5.6", "20°"]) == 0
    assert "T2.78" in capsys.readouterr().out.replace("T2.77", "T2.78")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["convert", "focus-long", "T2"], "units are mixed"),
        (["convert", "focus-long", "0.1m"], "outside the marks"),
        (["convert", "focus-long", "400deg"], "outside the marks"),
        (["convert", "focus-long", "xdeg"], "the ring angle"),
        (["show", "nosuch"], "No lens card is called"),
        (["show", "focus-long", "--plot", "x.txt"], "no name for a picture"),
        (["upload", "focus-long"], "no link is given"),
        (["read", "--link", "sim:single"], "holds no marks"),
        (["upload", "iris", "--link", "sim:single"], "turns the focus ring"),
        (["read", "--node", "16", "--axis", "5", "--link", "sim:single"], "no axis 5"),
    ],
)
def test_bad_input_is_one_sentence(monkeypatch: pytest.MonkeyPatch, capsys: Out, words: list[str], said: str) -> None:
    monkeypatch.delenv("RINGLET_LINK", raising=False)
    assert main(["marks", *words]) == 2
    err = capsys.readouterr().err.strip()
    assert said in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("case", ["non-monotone", "duplicate", "mixed", "no infinity", "few"])
def test_tables_that_cannot_be_used_are_not_uploaded(tmp_path: Path, capsys: Out, case: str) -> None:
    rows, said = {
        "non-monotone": ("0,1 m\n10,3 m\n20,2 m\n30,inf", "turn back"),
        "duplicate": ("0,1 m\n10,2 m\n10,3 m\n30,inf", "two marks stand at 10 deg"),
        "mixed": ("0,1 m\n10,6'\n30,inf", "units are mixed"),
        "no infinity": ("0,1 m\n10,2 m\n20,3 m", "no mark for infinity"),
        "few": ("0,1 m\n30,inf", "too few"),
    }[case]
    path = tmp_path / "bad.csv"
    path.write_text(f"ring_deg,distance\n{rows}\n")
    for words in (["marks", "upload", str(path)], ["pair", "upload", str(path), "focus-long"]):
        assert main([*words, "--link", "sim:single"]) == 2
        err = capsys.readouterr().err.strip()
        assert said in err
        assert "bad.csv" in err or "bad:" in err
        assert len(err.splitlines()) == 1
