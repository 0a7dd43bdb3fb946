"""The report of a bench run: data, page, what a person can repeat; bad motors fail in the right place."""

from __future__ import annotations

import hashlib
import json
import re
import shlex
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_rigs import rig_file

from ringlet.hwsim.axis import Axis
from ringlet.tools.bench import carry_out, figures_svg, registry, report, run_folder
from ringlet.tools.bench import cli as bench_cli
from ringlet.tools.bench.result import Curve, Measurement, Plot, Quantity, Verdict, plain
from ringlet.tools.bench.run_folder import AxisTested, Folder, NodeTested, QuantityData, Run
from ringlet.tools.bench.session import Bench
from ringlet.tools.cli import main
from ringlet.tools.link import Link

NOW = datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)


def few(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    """Runs of all measurements are runs of these."""
    monkeypatch.setattr(registry, "MEASUREMENTS", {name: registry.MEASUREMENTS[name] for name in names})


def bench_all(rig: Path, out: Path, *options: str) -> int:
    return main(["bench", "all", "--link", f"sim:{rig}", "--find", "--yes", "--out", str(out), *options])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a run of two measurements on two nodes."""
    folder = tmp_path_factory.mktemp("report")
    with pytest.MonkeyPatch.context() as patch:
        few(patch, "ramp", "latency")
        rig = rig_file(folder / "rig", nodes=2)
        assert bench_all(rig, folder / "out", "--accept", "following_deg=1.5") == 0
    return folder / "out"


@pytest.fixture(scope="module")
def page(made: Path) -> str:
    return (made / "bench.html").read_text("utf-8")


class Links(HTMLParser):
    """Everything on a page that leads somewhere, and every place."""

    def __init__(self) -> None:
        super().__init__()
        self.to: list[tuple[str, str]] = []
        self.ids: list[str] = []
        self.tags: set[str] = set()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if tag not in ("meta", "br", "path", "use", "rect", "line"):
            self.open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            elif name in ("href", "src", "xlink:href", "action", "srcset", "data"):
                self.to.append((tag, value or ""))
            elif name in ("style", "clip-path"):
                self.to += [(tag, one) for one in re.findall(r"url\(([^)]+)\)", value or "")]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if self.open and self.open[-1] == tag:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, tag
        if tag not in ("path", "use", "rect", "line"):
            assert self.open.pop() == tag


def links(text: str) -> Links:
    found = Links()
    found.feed(text)
    found.close()
    return found


# --- data ------------------------------------------------------------------------------------------------------------


def test_every_axis_of_every_node_has_every_measurement(made: Path) -> None:
    run = run_folder.load(made)
    assert [axis.key for axis in run.axes] == ["16.0", "17.0"]
    assert all(list(axis.results) == ["ramp", "latency"] for axis in run.axes)
    assert run.left() == []
    assert run.ended is not None
    assert run.began <= run.axes[0].results["ramp"].at <= run.ended
    assert [node.id for node in run.nodes] == ["000000000007", "000000000008"]


def test_records_are_beside_the_data_and_as_it_says(made: Path) -> None:
    run, seen = run_folder.load(made), 0
    for axis in run.axes:
        for one in axis.results.values():
            assert one.records
            for record in one.records:
                content = (made / record.file).read_bytes()
                assert hashlib.sha256(content).hexdigest() == record.sha256
                assert len(content.splitlines()) == record.rows + 1
                seen += 1
    assert seen == len(list(made.glob("*.csv"))) == 2 * (6 + 3)
    assert not list(made.glob("*.part"))


def test_a_folder_holds_one_run(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_all(rig_file(tmp_path), made) == 2
    assert "holds a run already" in capsys.readouterr().err


def test_a_run_without_a_folder_names_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    few(monkeypatch, "latency")
    monkeypatch.chdir(tmp_path)
    assert main(["bench", "all", "--link", f"sim:{rig_file(tmp_path / 'rig')}", "--find", "--yes"]) == 0
    (folder,) = tmp_path.glob("ringlet-bench-*")
    assert f"The report is {folder.name}/bench.html" in capsys.readouterr().err
    assert (folder / "bench.html").exists()


# --- page ------------------------------------------------------------------------------------------------------------


def test_the_page_is_whole_and_asks_nobody_for_anything(made: Path, page: str) -> None:
    found = links(page)
    assert not found.tags & {"script", "link", "iframe", "img", "object", "base"}
    assert found.open == []
    assert len(found.ids) == len(set(found.ids)) > 40
    for tag, target in found.to:
        assert not re.match(r"[a-z]+:|//", target), (tag, target)
        if target.startswith("#"):
            assert target[1:] in found.ids, target
        else:
            assert (made / target).exists(), target
    assert "http" not in page
    assert "@import" not in page


def test_the_page_has_what_settles_an_argument(page: str) -> None:
    places = [page.index(f">{title}<") for title in (
        "Verdict", "What was tested", "Axis 16.0 iris", "Axis 17.0 iris", "Methods and sources", "How to repeat it",
        "Raw data", "All parameters",
    )]  # fmt: skip
    assert places == sorted(places)
    assert page.index("<svg") > places[1]
    for text in (
        "Pass: all 24 checks passed.", "Simulated.", "000000000007", "000000000008", "velocity-limit", "240 deg/s",
        "30000 deg/s³", "--accept following_deg=1.5", "(changed; usually 1)", "guarded rejection", "Savitzky and Golay",
        "coverage factor 2", "gears pinch fingers", "not an emergency stop", "velocity limit 240",
        "motor card", "rotor_inertia_gcm2", "16.0-ramp-*.csv", "ringlet report compare", "from memory",
    ):  # fmt: skip
        assert text in page, text
    run_ = re.search(r"<pre>(.*?)</pre>", page, re.DOTALL)
    assert run_ is not None
    assert run_[1].startswith("ringlet bench all --link sim:")


def test_every_figure_leads_to_its_method(page: str) -> None:
    shown = set(re.findall(r'<a href="#(w\d+)">', page))
    listed = re.findall(r'<li id="(w\d+)">', page)
    assert shown == set(listed)
    assert len(listed) == len(set(listed)) > 5


def test_the_page_comes_back_from_its_data(made: Path, page: str, capsys: pytest.CaptureFixture[str]) -> None:
    (made / "bench.html").unlink()
    assert main(["report", "show", str(made)]) == 0
    assert "Pass: all 24 checks passed." in capsys.readouterr().out
    assert (made / "bench.html").read_text("utf-8") == page
    assert main(["report", "show", str(made / "bench.json"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["failed"] == []


def test_a_folder_without_a_run_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "show", str(tmp_path)]) == 2
    assert "holds no bench run" in capsys.readouterr().err
    (tmp_path / "bench.json").write_text('{"format": "something else"}')
    assert main(["report", "show", str(tmp_path)]) == 2
    assert "is no bench run of this version: format" in capsys.readouterr().err


# --- repeating -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [
    ("all", "--find"),
    ("all", "--node", "16", "--axis", "1", "--no-stops", "--torque", "0.05", "--accept", "reversal_deg=0.2"),
    ("all", "--hours", "0.25", "--seed", "7", "--check-stops", "--with", "17.0", "--marks", "focus-long"),
    ("soak", "--moves", "40", "--source", "3"),
    ("ramp", "--motor", "small"),
])  # fmt: skip
def test_the_command_on_the_page_asks_for_the_same(words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(bench_cli, "run_bench", lambda order, *rest: asked.append(order))
    assert main(["bench", *words, "--link", "sim:trio"]) == 0
    again = shlex.split(asked[0].command())
    assert main(again[1:]) == 0
    assert asked[1] == asked[0]
    for word in words[1:]:
        assert word in again


@pytest.mark.parametrize(("words", "sentence"), [
    (("all", "--hours", "1", "--moves", "5"), "do not go together"),
    (("all", "--with", "17"), "write NODE.AXIS"),
    (("soak", "--hours", "x"), "--hours is 'x'"),
    (("repeat", "--marks", "nonsense.csv"), "nonsense.csv"),
    (("ramp", "--hours", "1"), "--hours"),
])  # fmt: skip
def test_wrong_options_are_a_usage_problem(
    words: tuple[str, ...], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", *words, "--link", "sim:trio"]) == 2
    assert sentence in capsys.readouterr().err


@pytest.mark.parametrize(("narrow", "axes"), [
    ({}, ["16.0", "16.1", "17.0", "17.1"]),
    ({"node": 17}, ["17.0", "17.1"]),
    ({"axis": 1}, ["16.1", "17.1"]),
    ({"node": 16, "axis": 0}, ["16.0"]),
])  # fmt: skip
def test_all_axes_of_all_nodes_unless_narrowed(narrow: dict[str, int], axes: list[str]) -> None:
    order = carry_out.Order("all", ("ramp",), "sim:pair", every=True, find=True, **narrow)  # type: ignore[arg-type]
    with Link.open("sim:pair") as link:
        run = carry_out.begin(order, link, lambda: NOW)
    assert [axis.key for axis in run.axes] == axes
    assert [axis.role for axis in run.axes] == [{"0": "focus", "1": "iris"}[key[-1]] for key in axes]
    assert {axis.node for axis in run.axes} == {node.node for node in run.nodes}


def test_a_lowered_torque_limit_stays_lowered_through_every_measurement(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[float] = []

    def look(bench: Bench) -> Measurement:
        seen.append(float(bench.handle.get("torque-moving")))
        bench.change("velocity-limit", 100.0)
        bench.restore()
        return Measurement("ramp", "Ramp", (), ())

    def looks(*names: str) -> dict[str, registry.Procedure]:
        return {
            name: registry.MEASUREMENTS[name]._replace(measure=lambda bench, name=name: replace(look(bench), id=name))
            for name in names
        }  # fmt: skip

    monkeypatch.setattr(registry, "MEASUREMENTS", looks("ramp", "step", "latency"))
    assert bench_all(rig_file(tmp_path), tmp_path / "out", "--torque", "0.05") == 0
    assert seen == [0.05] * 3


def test_nothing_begins_where_the_travel_is_not_known(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert main(["bench", "all", "--link", f"sim:{rig_file(tmp_path)}", "--yes", "--out", str(out)]) == 2
    assert "add --find" in capsys.readouterr().err
    assert not out.exists()


# --- bad motors ------------------------------------------------------------------------------------------------------


def bench_by_hand(monkeypatch: pytest.MonkeyPatch, rig: Path, out: Path, low: float, high: float) -> int:
    """A run on a ring whose travel was set by hand."""
    real = bench_cli.common.open_link

    def calibrated(url: str | None, source: int) -> Link:
        link = real(url, source)
        link.axis(16, 0).set("travel-min", low)
        link.axis(16, 0).set("travel-max", high)
        return link

    monkeypatch.setattr(bench_cli.common, "open_link", calibrated)
    return main(["bench", "all", "--link", f"sim:{rig}", "--yes", "--out", str(out)])


def failures(out: Path) -> set[str]:
    return set(run_folder.load(out).failures())


def test_a_motor_too_weak_fails_what_it_cannot_follow(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    few(monkeypatch, "ramp", "latency")
    rig = rig_file(tmp_path, {"peak_current_a": 0.065})
    assert bench_by_hand(monkeypatch, rig, tmp_path / "out", -30.0, 30.0) == 1
    found = failures(tmp_path / "out")
    assert "16.0 ramp: following error" in found
    assert not any("setpoint" in one for one in found)
    assert {one for one in found if "latency" in one} == {"16.0 latency: steps by stream"}  # too weak for 1 degree, too
    page = (tmp_path / "out" / "bench.html").read_text("utf-8")
    assert f"FAIL: {len(found)} of " in page
    assert page.index("What failed") < page.index("What was tested")


def test_a_motor_too_weak_to_find_the_stops_is_a_failure_of_its_axis(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    few(monkeypatch, "ramp")
    assert bench_all(rig_file(tmp_path, {"peak_current_a": 0.03}), tmp_path / "out") == 1
    (found,) = failures(tmp_path / "out")
    assert "no end stop was met" in found
    assert "not done" in capsys.readouterr().out
    assert "no end stop was met" in (tmp_path / "out" / "bench.html").read_text("utf-8")


def test_too_much_backlash_fails_the_repeatability_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    few(monkeypatch, "repeat", "latency")
    assert bench_all(rig_file(tmp_path, {"gearhead_backlash_deg": 3.0}), tmp_path / "out") == 1
    assert failures(tmp_path / "out") == {"16.0 repeat: reversal value B", "16.0 repeat: repeatability R"}


def test_a_limit_one_degree_past_the_stop_fails_the_limit_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    few(monkeypatch, "limit", "latency")
    # The stop lies at 76.0 - 37.5 = 38.5 deg of the firmware's count.
    assert bench_by_hand(monkeypatch, rig_file(tmp_path), tmp_path / "out", -30.0, 39.5) == 1
    found = failures(tmp_path / "out")
    assert found & {"16.0 limit: approaches", "16.0 limit: rest away from the limit"}
    assert all(one.startswith("16.0 limit") for one in found)


def test_firmware_with_a_limit_one_degree_off_fails_the_limit_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    few(monkeypatch, "limit", "latency")

    def wide(axis: Axis) -> None:
        low, high = axis.travel
        axis.ramp.travel = (low, high + 1000) if axis.calibrated and axis.finding is None else None

    monkeypatch.setattr(Axis, "_apply_travel", wide)
    assert bench_all(rig_file(tmp_path), tmp_path / "out") == 1
    found = failures(tmp_path / "out")
    assert {"16.0 limit: setpoint past a limit", "16.0 limit: ring past a limit"} <= found
    assert all(one.startswith("16.0 limit") for one in found)


# --- pieces ----------------------------------------------------------------------------------------------------------


def made_up(measured: Measurement | None, **changes: Any) -> Run:
    """A run that nobody made, of one axis."""
    axis = AxisTested(
        node=16, axis=0, role="focus", name="<b>name</b>", lens="", parameters={"velocity-limit": "240 deg/s"},
        calibrated=True,
    )  # fmt: skip
    if measured is not None:
        axis.results[measured.id] = run_folder.finished(measured, NOW, [])
    node = NodeTested(
        node=16, id="000000000001", maker="<script>alert(1)</script>", model="m", protocol="1.0", firmware=1,
        hardware=1, parameters={},
    )  # fmt: skip
    about: dict[str, Any] = {
        "tools": {"ringlet": "0"}, "began": NOW, "job": "all", "command": "ringlet bench all", "link": "serial:x",
        "simulated": False,
        "find": False, "torque_nm": 0.05, "motor": "", "acceptance": {"travel_deg": 0.3, "new": 1.0},
        "usual_acceptance": {"travel_deg": 0.3}, "measurements": ["ramp", "step"], "plan": {}, "marks": "",
        "titles": {"ramp": "Ramp", "step": "Step"}, "nodes": [node], "axes": [axis],
    }  # fmt: skip
    return Run(**(about | changes))


def odd() -> Measurement:
    """Everything that a measurement may hand back and that is hard to show."""
    nan = float("nan")
    empty = np.zeros(0)
    return Measurement(
        "ramp", "Ramp & <i>more</i>",
        (Quantity("a", nan, "deg", None, "m<1>", "s"), Quantity("b", 0.0, "", 0.0, "m", "s"),
         Quantity("c", 3.2e-7, "kg.m2", 1.2e-8, "m", "s"), Quantity("d", 1.0, "N.m", nan, "m", "s")),
        (Verdict("v", True, None, None, "", "fine"), Verdict("w", False, 2.0, nan, "deg/s2", "could not be measured")),
        {}, (
            Plot("empty", "x, s", "y", (Curve("none", empty, empty),)),
            Plot("gaps", "x, s", "y, deg/s2", (Curve("ring", np.array([0.0, 1.0, nan]), np.array([nan, 2.0, 3.0])),
                 Curve("setpoint", np.arange(3.0), np.ones(3))), (("limit", 4.0), ("no limit", float("inf")))),
            Plot("log", "f, Hz", "y", (Curve("p", np.array([1.0, 10.0]), np.array([1.0, 2.0]), True),), (), True),
        ), ("a note with <angle> brackets",),
    )  # fmt: skip


def test_what_is_hard_to_show_is_shown_and_nothing_runs_as_html() -> None:
    text = report.page(made_up(odd()))
    found = links(text)
    assert found.open == []
    assert "script" not in found.tags
    assert "i" not in found.tags or "<i>more" not in text
    for word in (
        "could not be measured", "not known", "&lt;script&gt;", "&lt;angle&gt;", "Ramp &amp; &lt;i&gt;more", "kg·m²",
        "(changed; usually not set)", "0.05 N·m", "not done", "deg/s²",
    ):  # fmt: skip
        assert word in text, word
    assert "Simulated." not in text


def test_the_headline_tells_failed_from_open_from_passed() -> None:
    good = Measurement("ramp", "Ramp", (), (Verdict("v", True, None, None, "", "fine"),))
    assert report.headline(made_up(odd())) == ("bad", "FAIL: 1 of 2 checks failed; 1 of 2 measurements are not done.")
    assert report.headline(made_up(good))[0] == "open"
    assert report.headline(made_up(good, measurements=["ramp"])) == ("good", "Pass: all 1 checks passed.")
    nothing = made_up(None)
    nothing.axes[0].trouble = "it does not answer."
    assert report.headline(nothing)[0] == "bad"
    assert "it does not answer." in report.page(nothing)


def test_a_run_goes_through_its_file_unchanged(tmp_path: Path) -> None:
    run = made_up(odd())
    Folder.new(tmp_path, run)
    again = run_folder.load(tmp_path)
    assert again == run
    assert again.axes[0].results["ramp"].quantities[0].value is None
    assert again.axes[0].results["ramp"].plots[1].limits == [("limit", 4.0)]
    json.loads((tmp_path / "bench.json").read_text(), parse_constant=pytest.fail)


@pytest.mark.parametrize(("value", "u", "shown", "doubt"), [
    (120.004, 0.5, "120.00", "0.50"), (1510.4, 26.2, "1510", "26"), (15050.0, 299.0, "15050", "300"),
    (-0.0079, 0.002, "-0.0079", "0.0020"), (0.0, 0.0037, "0.0000", "0.0037"), (3.21e-7, 1.2e-8, "3.21e-07", "1.2e-08"),
    (5.25, None, "5.25", "not known"), (5.25, 0.0, "5.25", "0"), (None, None, "could not be measured", "not known"),
    (99.96, 0.0996, "99.96", "0.10"), (-1e-6, 0.0013, "0.0000", "0.0013"), (-0.0, None, "0", "not known"),
    (7.0, 250.0, "10", "250"),
])  # fmt: skip
def test_numbers_have_the_digits_that_their_uncertainty_allows(
    value: float | None, u: float | None, shown: str, doubt: str
) -> None:
    figure = QuantityData(name="x", value=value, unit="deg", uncertainty=u, method="", source="")
    assert (report.value_text(value, u), report.doubt_text(figure)) == (shown, doubt)


@pytest.mark.parametrize(("value", "digits", "shown"), [
    (15050.0, 4, "15050"), (15000.0, 4, "15000"), (0.5, 2, "0.5"), (299.3, 2, "300"), (0.0123456, 3, "0.0123"),
    (0.0, 4, "0"), (1e-9, 2, "1e-09"), (-1234567.0, 3, "-1.23e+06"), (240.0, 4, "240"),
])  # fmt: skip
def test_plain_numbers_have_no_exponent_near_one(value: float, digits: int, shown: str) -> None:
    assert plain(value, digits) == shown


def test_units_are_written_as_people_do() -> None:
    for plain_text, shown in (
        ("deg/s2", "deg/s²"), ("peak of deg/s3, long", "peak of deg/s³, long"), ("kg.m2", "kg·m²"),
        ("0.15 N.m", "0.15 N·m"), ("N.m.s/rad", "N·m·s/rad"), ("NTP, RFC 5905. m and s", "NTP, RFC 5905. m and s"),
    ):  # fmt: skip
        assert figures_svg.pretty(plain_text) == shown


def test_thinning_keeps_the_extremes_and_the_ends() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(size=20000)
    values[7777], values[12345], values[100:400] = 50.0, -60.0, np.nan
    keep = run_folder.thinned(values, 500)
    assert len(keep) <= 502
    assert {0, 7777, 12345, 19999} <= set(keep.tolist())
    assert np.all(np.diff(keep) > 0)
    assert run_folder.thinned(values[:500], 500).tolist() == list(range(500))


def test_a_drawing_has_no_colour_of_its_own_and_no_place_of_another() -> None:
    drawing = run_folder.finished(odd(), NOW, []).plots[1]
    first, second = figures_svg.svg(drawing, "one"), figures_svg.svg(drawing, "two")
    assert not re.search(r"#[0-9a-fA-F]{6}", first)
    for name in ("ink", "faint", "sky", "vermilion"):
        assert f"var(--{name})" in first
    assert 'role="img"' in first
    assert "limit at 4" in first
    assert ">limit 4<" in first
    assert all(one.startswith("one-") for one in links(first).ids)
    assert not set(links(first).ids) & set(links(second).ids)
    assert figures_svg.svg(drawing, "one") == first
