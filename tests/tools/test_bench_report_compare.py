"""Two runs side by side: the rule by hand and by chance, settings, checks, text, JSON and page."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_rigs import rig_file

from ringlet.tools.bench import compare, registry, report, run_folder
from ringlet.tools.bench.compare import CHANGED, ONLY_A, ONLY_B, SAME, UNKNOWN, Row
from ringlet.tools.bench.result import Measurement, Quantity, Verdict
from ringlet.tools.bench.run_folder import AxisTested, Folder, NodeTested, QuantityData, Run
from ringlet.tools.cli import main
from ringlet.tools.errors import UsageProblem

NOW = datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)


def figure(value: float | None, u: float | None, unit: str = "deg") -> QuantityData:
    return QuantityData(name="x", value=value, unit=unit, uncertainty=u, method="m", source="s")


def judged(a: QuantityData | None, b: QuantityData | None) -> Row:
    return compare.row("16.0", "ramp", "x", a, b)


def test_the_rule_by_hand() -> None:
    """3 and 4 make 5: a difference of 5 is not more than that, one of 5.01 is."""
    row = judged(figure(10.0, 3.0), figure(15.0, 4.0))
    assert (row.difference, row.difference_u, row.verdict) == (5.0, 5.0, SAME)
    assert judged(figure(10.0, 3.0), figure(15.01, 4.0)).verdict == CHANGED
    assert judged(figure(15.01, 4.0), figure(10.0, 3.0)).verdict == CHANGED
    assert judged(figure(10.0, 0.0), figure(10.0, 0.0)).verdict == SAME
    assert judged(figure(10.0, 0.0), figure(10.001, 0.0)).verdict == CHANGED
    assert judged(figure(0.1 + 0.2, 0.0), figure(0.3, 0.0)).verdict == SAME


@pytest.mark.parametrize(("a", "b", "verdict"), [
    (figure(1.0, None), figure(2.0, 0.1), UNKNOWN), (figure(1.0, None), figure(1.0, None), SAME),
    (figure(None, 0.1), figure(1.0, 0.1), UNKNOWN), (figure(None, None), figure(None, 0.1), SAME),
    (figure(1.0, 0.1), figure(1.0, 0.1, "s"), UNKNOWN), (None, figure(1.0, 0.1), ONLY_B),
    (figure(1.0, 0.1), None, ONLY_A),
])  # fmt: skip
def test_what_cannot_be_told_is_not_told(a: QuantityData | None, b: QuantityData | None, verdict: str) -> None:
    assert judged(a, b).verdict == verdict


def test_chance_marks_as_many_as_the_rule_says() -> None:
    """Normal errors with known deviations, expanded by 2: outside two deviations lie 4.55 per cent."""
    rng = np.random.default_rng(11)
    count, marked = 4000, 0
    for _ in range(count):
        one, other = rng.uniform(0.5, 3.0, 2)
        a, b = rng.normal(7.0, one), rng.normal(7.0, other)
        marked += judged(figure(a, 2 * one), figure(b, 2 * other)).verdict == CHANGED
    assert marked / count == pytest.approx(0.0455, abs=4 * (0.0455 * 0.9545 / count) ** 0.5)


def made_up(address: int = 16, value: float = 1.0, ok: bool = True, **axis_changes: Any) -> Run:
    measured = Measurement(
        "ramp", "Ramp", (Quantity("peak", value, "deg", 0.1, "m", "s"), Quantity("other", 5.0, "s", 0.1, "m", "s")),
        (Verdict("peak", ok, 2.0, value, "deg", "text"), Verdict("fixed", True, None, None, "", "fine")),
    )  # fmt: skip
    about: dict[str, Any] = {"parameters": {"velocity-limit": "240 deg/s"}, "role": "focus", "lens": ""} | axis_changes
    axis = AxisTested(node=address, axis=0, name="", calibrated=True, **about)
    axis.results["ramp"] = run_folder.finished(measured, NOW, [])
    node = NodeTested(
        node=address, id="000000000001", maker="a", model="m", protocol="1.0", firmware=1, hardware=1,
        parameters={"supply-min": "9 V"},
    )  # fmt: skip
    return Run(
        tools={"ringlet": "0"}, began=NOW, job="ramp", command="ringlet bench ramp", link="serial:x", simulated=False,
        find=False, torque_nm=None, motor="", acceptance={"travel_deg": 0.3}, usual_acceptance={"travel_deg": 0.3},
        measurements=["ramp"], titles={"ramp": "Ramp"}, plan={}, marks="", nodes=[node], axes=[axis],
    )  # fmt: skip


def test_a_run_beside_itself_has_no_news() -> None:
    found = compare.compare(made_up(), made_up())
    assert (found.settings, found.turned, found.pairing) == ([], [], "")
    assert found.count(SAME) == len(found.rows) == 2
    assert compare.summary(found) == (
        "0 of 2 quantities changed beyond their uncertainty. No check fails in B that did not in A."
    )


def test_changes_of_figures_checks_and_settings_are_found() -> None:
    a = made_up()
    b = made_up(value=2.5, ok=False, parameters={"velocity-limit": "100 deg/s"}, motor_card={"name": "small"})
    b.nodes[0] = b.nodes[0].model_copy(update={"firmware": 2, "parameters": {"supply-min": "8 V"}})
    b.acceptance["travel_deg"], b.torque_nm, b.tools = 0.5, 0.05, {"ringlet": "1"}
    found = compare.compare(a, b)
    assert [(row.name, row.verdict) for row in found.rows] == [("peak", CHANGED), ("other", SAME)]
    assert [(one.name, one.a, one.b) for one in found.turned] == [("peak", "pass", "FAIL")]
    assert {(one.where, one.name, one.a, one.b) for one in found.settings} == {
        ("tools", "ringlet", "0", "1"), ("run", "torque limit lowered to", "not lowered", "0.05 N.m"),
        ("acceptance", "travel_deg", "0.3", "0.5"), ("node 16", "firmware", "1", "2"),
        ("node 16", "supply-min", "9 V", "8 V"), ("axis 16.0", "motor card: name", "-", "small"),
        ("axis 16.0", "velocity-limit", "240 deg/s", "100 deg/s"),
    }  # fmt: skip
    assert "1 of 2 quantities changed" in compare.summary(found)
    assert "1 checks fail in B and did not in A." in compare.summary(found)
    back = compare.compare(b, a)
    assert "1 failed in A and pass in B." in compare.summary(back)


def test_how_much_was_measured_is_no_change_of_the_device() -> None:
    def soaked(way: float, rest: float) -> Run:
        run = made_up()
        figures = [Quantity("way", way, "deg", 0.0, "m", "s"), Quantity("moving time", way / 80, "s", None, "m", "s"),
                   Quantity("rest", rest, "deg", 0.004, "m", "s")]  # fmt: skip
        run.axes[0].results = {"soak": run_folder.finished(Measurement("soak", "Soak", tuple(figures), ()), NOW, [])}
        return run

    found = compare.compare(soaked(4627.0, 0.01), soaked(4638.0, 0.02))
    assert [(row.name, row.verdict) for row in found.rows] == [("rest", CHANGED)]
    assert ("axis 16.0", "soak: way", "4627 deg", "4638 deg") in {
        (one.where, one.name, one.a, one.b) for one in found.settings
    }  # fmt: skip
    assert compare.compare(soaked(4627.0, 0.01), soaked(4627.0, 0.01)).settings == []


def test_an_axis_that_cannot_be_measured_any_more_fails_in_b() -> None:
    b = made_up()
    b.axes[0].trouble = "axis 0 of node 16 has a fault, stall."
    b.axes[0].results.clear()
    found = compare.compare(made_up(), b)
    assert ("all", "the axis can be measured", "pass", "FAIL") in {
        (one.measurement, one.name, one.a, one.b) for one in found.turned
    }  # fmt: skip
    assert "1 checks fail in B and did not in A" in compare.summary(found)


def test_a_check_that_is_in_one_run_only_is_told() -> None:
    b = made_up()
    del b.axes[0].results["ramp"].verdicts[1]
    found = compare.compare(made_up(), b)
    assert [(one.name, one.a, one.b) for one in found.turned] == [("fixed", "pass", "missing")]


def test_a_measurement_of_one_run_only() -> None:
    a, b = made_up(), made_up()
    b.axes[0].results.clear()
    found = compare.compare(a, b)
    assert {row.verdict for row in found.rows} == {ONLY_A}
    assert [(one.a, one.b) for one in found.turned] == [("pass", "missing")] * 2


def test_axes_are_matched_by_address_or_else_by_order() -> None:
    found = compare.compare(made_up(16), made_up(40))
    assert "16.0 with 40.0" in found.pairing
    assert {row.axis for row in found.rows} == {"16.0 / 40.0"}
    two = made_up(40)
    two.axes.append(made_up(41).axes[0])
    with pytest.raises(UsageProblem, match=r"no axis in common: A has 16\.0, B has 40\.0, 41\.0"):
        compare.compare(made_up(16), two)
    two.axes.append(made_up(16).axes[0])
    found = compare.compare(made_up(16), two)
    assert found.pairing == "Axes left out: 40.0 only in B, 41.0 only in B."
    assert len(found.rows) == 2


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Runs of one motor before and after its gearhead has worn (invented)."""
    folder = tmp_path_factory.mktemp("compare")
    with pytest.MonkeyPatch.context() as patch:
        table = {name: registry.MEASUREMENTS[name] for name in ("repeat", "latency")}
        patch.setattr(registry, "MEASUREMENTS", table)
        for name, play in (("before", 0.8), ("after", 3.0)):
            rig = rig_file(folder / f"rig-{name}", {"gearhead_backlash_deg": play})
            command = ["bench", "all", "--link", f"sim:{rig}", "--find", "--yes", "--out", str(folder / name)]
            assert main(command) == (name == "after")
    return folder / "before", folder / "after"


def test_wear_shows_as_backlash_and_nothing_else(two_runs: tuple[Path, Path]) -> None:
    found = compare.compare(*(run_folder.load(one) for one in two_runs))
    changed = {row.name for row in found.rows if row.verdict == CHANGED}
    assert {"reversal value B", "play between motor and ring"} <= changed
    assert {row.measurement for row in found.rows if row.verdict == CHANGED} == {"repeat"}
    assert {(one.name, one.a, one.b) for one in found.turned} == {
        ("reversal value B", "pass", "FAIL"), ("repeatability R", "pass", "FAIL")
    }  # fmt: skip
    assert any(one.name == "motor card: gearhead_backlash_deg" for one in found.settings)


def test_the_command_tells_in_text_in_json_and_on_a_page(
    two_runs: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a, b = (str(one) for one in two_runs)
    assert main(["report", "compare", a, b]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for text in ("2 checks fail in B", "reversal value B", "root of the sum of the squares", "JCGM 100:2008"):
        assert text in said, text
    assert "request to reply, 50" not in said
    assert main(["report", "compare", a, b, "--all"]) == 0
    assert "request to reply, 50" in capsys.readouterr().out
    page = tmp_path / "two.html"
    assert main(["report", "compare", a + "/bench.json", b, "--json", "--html", str(page)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["counts"][CHANGED] == sum(row["verdict"] == CHANGED for row in data["quantities"]) > 2
    text = page.read_text("utf-8")
    assert text.count("✱ changed") == data["counts"][CHANGED]
    assert "http" not in text
    assert not re.search(r"<(script|link|img|iframe)", text)
    assert text.index("Checks that came out otherwise") < text.index("Quantities that changed") < text.index("The rule")


def test_runs_that_cannot_be_read_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Folder.new(tmp_path / "a", made_up())
    assert main(["report", "compare", str(tmp_path / "a"), str(tmp_path / "b")]) == 2
    assert f"{tmp_path / 'b'} holds no bench run" in capsys.readouterr().err


def test_texts_of_a_run_do_not_run_on_the_page() -> None:
    bad = made_up(lens="<script>alert(1)</script>")
    found = compare.compare(made_up(), bad)
    text = report.compare_page(found, (Path("<a>"), made_up()), (Path("b"), bad))
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert "<code>&lt;a&gt;</code>" in text
