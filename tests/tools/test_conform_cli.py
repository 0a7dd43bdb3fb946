"""`ringlet conform` as a command, its files, and the checks under pytest."""

from __future__ import annotations

import json
import signal
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.serial_line import SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.hwsim.uploads import No
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Refusal
from ringlet.protocol.states import State
from ringlet.protocol.wire import Kind
from ringlet.tools.cli import main
from ringlet.tools.conform import span
from ringlet.tools.conform.bed import Bed, wrap
from ringlet.tools.conform.cli import _judge
from ringlet.tools.conform.probe import Broken, Probe, Problem
from ringlet.tools.conform.report import to_html, to_json, to_junit
from ringlet.tools.conform.run import FAIL, SKIP, Report, Result, Session, _instead, _patient, meet, run, run_one
from ringlet.tools.conform.selfcheck import mutants
from ringlet.tools.conform.table import Check, chosen
from ringlet.tools.errors import CheckFailed

pytest_plugins = ["pytester"]
Out = pytest.CaptureFixture[str]
SIM = ["--link", "sim:single"]


@pytest.fixture(scope="module")
def broken() -> Report:
    """A run on a motor with two faults; the second breaks a should."""
    bed = Bed(3, "trio")
    p, report, found = meet(bed.wire, 16, 0, 1)
    for name in ("refusal-tag", "header-masked"):
        mutants()[name].plant(bed)
    return run(p, report, found, chosen(["TAG-01", "TAG-04", "FRAME-0[78]"]))


def test_list_shows_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["conform", "--list", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {row["id"] for row in rows} >= {"FRAME-01", "STOP-04", "POWER-04"}
    assert next(row for row in rows if row["id"] == "STOP-04")["moves"].startswith("the ring, inside the span")
    assert main(["conform", "--list", "--only", "TAG-*"]) == 0
    out = capsys.readouterr().out
    assert "TAG-07" in out
    assert "KIND-01" not in out


def test_a_healthy_device_passes_and_files_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    junit, page = tmp_path / "c.xml", tmp_path / "c.html"
    words = ["conform", *SIM, "--only", "TAG-0[1-6]", "--only", "LIMIT-07", "--junit", str(junit), "--html", str(page)]
    assert main([*words, "--no-stops"]) == 0
    told = capsys.readouterr()
    assert "7 passed, 0 failed, 0 skipped." in told.out
    assert "Settings, marks and texts are as they were found." in told.out
    assert "Caution: gears pinch fingers" in told.err
    assert "inside 40 deg" in told.err
    assert ET.parse(junit).getroot()[0].attrib["tests"] == "7"
    assert "Every rule that was checked is kept." in page.read_text(encoding="utf-8")


def test_gentle_moves_nothing_and_says_nothing_of_motion(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["conform", *SIM, "--gentle", "--only", "TAG-*", "--json"]) == 0
    told = capsys.readouterr()
    data = json.loads(told.out)
    assert data["passed"] == 7
    assert data["ok"]
    assert data["left_different"] == []
    assert "Moves the ring" not in told.err
    assert "TAG-07" not in {one["id"] for one in data["results"]}


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        ([], 2, "no link is given"),
        ([*SIM, "--only", "NOPE-01"], 2, "no check is called NOPE-01"),
        ([*SIM, "--gentle", "--only", "STOP-01"], 2, "none of these checks is left"),
        ([*SIM, "--span", "2"], 2, "--span is 2 deg"),
        ([*SIM, "--torque", "9"], 2, "--torque is 9 N.m"),
        ([*SIM, "--node", "99", "--gentle"], 3, "does not answer identify"),
        (["--link", "serial:/dev/no-such-port", "--gentle"], 3, "there is no serial:/dev/no-such-port"),
    ],
)
def test_errors_are_one_sentence(
    words: list[str], code: int, sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip
    assert main(["conform", *words]) == code
    err = capsys.readouterr().err
    assert sentence in err
    assert "Traceback" not in err


def test_failures_come_with_rule_place_bytes_times_and_cause(broken: Report) -> None:
    data = to_json(broken)
    assert not data["ok"]
    assert data["failed"] == 2
    tag = next(one for one in data["results"] if one["id"] == "TAG-01")
    assert tag["place"] == "protocol/REFERENCE.md#requests-tags-and-repeats"
    frames = tag["problems"][0]["frames"]
    assert {"time_s", "way", "header", "bytes", "shown"} <= set(frames[0])
    assert any(one["way"] == "heard" and one["bytes"].startswith("00") for one in frames)
    assert tag["likely"]


def test_junit_tells_failures_and_skips(broken: Report) -> None:
    suite = ET.fromstring(to_junit(broken))[0]
    assert (suite.attrib["tests"], suite.attrib["failures"], suite.attrib["skipped"]) == ("4", "2", "1")
    failure = suite.find("testcase/failure")
    assert failure is not None
    assert failure.text is not None
    assert "likely cause:" in failure.text
    assert "place: protocol/REFERENCE.md#" in failure.text


def test_the_page_needs_nothing_else_and_shows_the_evidence(broken: Report) -> None:
    page = to_html(broken)
    assert "1 rules that it must keep are broken." in page or "1 rule that it must keep is broken." in page
    assert "http" not in page
    assert "<script" not in page
    assert "url(" not in page
    assert 'id="TAG-01"' in page
    assert "Likely cause" in page
    assert "Caution" in page
    assert "get-status" in page or "move" in page


def test_the_page_shows_names_as_code_and_nothing_raw(broken: Report) -> None:
    failed = [Result(row, FAIL, "", (Problem(f"`<{row.id}>` & more", ()),)) for row in chosen([])]
    every = replace(broken, results=failed + [Result(row, SKIP, "`why` not") for row in chosen([])])
    page = to_html(every)
    assert "`" in "".join(row.rule + row.likely for row in chosen([]))
    assert "`" not in page
    assert "<code>stage</code> keeps a move ready" in page
    assert "<code>&lt;TAG-01&gt;</code> &amp; more" in page
    assert "Skipped: <code>why</code> not." in page


def test_a_should_that_is_broken_does_not_fail_the_command(broken: Report) -> None:
    assert {one.check.id for one in broken.failed} == {"TAG-01"}


def test_self_check_shows_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["conform", "--self-check", "--only", "TAG-0[23]", "--runs", "1", "--gentle"]) == 0
    told = capsys.readouterr()
    assert "2 of 2 broken motors were caught" in told.out
    assert "No broken motors in C: with --gentle" in told.out
    assert "1 of 1 healthy devices failed nothing" in told.out
    assert "repeat-done-twice" in told.out
    assert "a repeated request is carried out again" in told.out.replace("\n", " ")


def test_self_check_in_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["conform", "--self-check", "--only", "FRAME-01", "--runs", "0", "--json", "--gentle"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["caught"] == 1
    assert data["missed"] == []
    assert data["mutants"][0]["caught_by"] == ["FRAME-01"]
    assert data["mutants"][0]["evidence"]


def test_the_checks_run_under_pytest(pytester: pytest.Pytester) -> None:
    suite = ["--pyargs", "ringlet.tools.conform", "-p", "no:cacheprovider", "-q"]
    found = pytester.runpytest_inprocess("--ringlet-link", "sim:single", *suite, "-k", "TAG or FRAME-08")
    found.assert_outcomes(passed=7, skipped=2)
    moving = pytester.runpytest_inprocess("--ringlet-link", "sim:single", "--ringlet-motion", *suite, "-k", "TAG-07")
    moving.assert_outcomes(passed=1)
    without = pytester.runpytest_inprocess(*suite, "-k", "TAG-01")
    without.assert_outcomes(skipped=1)


def _run_on(plant: Callable[[Bed], None], *only: str, find: bool = False) -> Report:
    """A run on a motor that misbehaves."""
    bed = Bed(3, "single")
    plant(bed)
    p, report, found = meet(bed.wire, 16, 0, 1)
    return run(p, report, found, chosen(list(only)), stops=True, find=find)


def _deaf_to(*events: str) -> Callable[[Bed], None]:
    """These requests are answered with done, and nothing is done."""

    def do(go: Any, event: str, body: Any, source: int) -> None:
        if event not in events:
            go(event, body, source)

    return lambda bed: wrap(bed.axis, "do", do)


def _refuses(*names: str) -> Callable[[Bed], None]:
    """These kinds are not implemented."""

    def request(message: Packet, kind: Kind, go: Any) -> Any:
        return No(Refusal.UNKNOWN_KIND, kind.code) if kind.name in names else go(message, kind)

    return lambda bed: bed.on_request(request)


def test_a_search_that_does_not_end_is_no_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(span, "FIND_S", 0.5)
    report = _run_on(_deaf_to("find-stops"), "MOVE-01", find=True)
    assert [one.outcome for one in report.results] == [SKIP]
    assert "end stops could not be found" in report.cut
    assert to_json(report)["ok"] is False
    assert "Not judged: checks could not be run." in to_html(report)
    with pytest.raises(CheckFailed, match="checks could not be run: the end stops could not be found"):
        _judge(report)


def test_a_motor_that_cannot_be_stopped_ends_the_run(capsys: pytest.CaptureFixture[str]) -> None:
    report = _run_on(_deaf_to("stop", "hold", "release", "yield", "owner-lost", "owner-silent"), "STOP-03", "STOP-04")
    assert [one.outcome for one in report.results] == [FAIL, SKIP]
    assert report.cut == "the axis cannot be stopped; cut its power"
    assert "neither stop nor release ended its motion" in report.results[0].problems[-1].text
    assert report.cut in report.left
    assert "STOP-03: the axis cannot be stopped; cut its power now." in capsys.readouterr().err


def test_a_ring_that_leaves_its_span_is_stopped() -> None:
    bed = Bed(3, "single")
    p, _, _ = meet(bed.wire, 16, 0, 1)
    with span.motion(p) as room:
        p.set("travel-max", room.high + 90_000)
        p.must(m.Run(0, room.speed))
        with pytest.raises(Broken, match="the ring ran away: it is at"):
            p.until_state(State.HOLDING)
        assert p.until(lambda: p.state() == State.HOLDING, 3.0)
        assert p.position() < room.high + span.FENCE + 20_000
    assert not p.tidy()


def test_a_motor_without_marks_gets_its_texts_and_travel_back() -> None:
    report = _run_on(_refuses("get-marks", "open-marks", "commit-marks", "get-mark", "put-mark"), "MOVE-01")
    assert report.left == []
    assert report.ok


def test_an_interrupted_run_is_shown_and_put_back(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: Out) -> None:
    real = Session.take

    def take(self: Session, row: Check) -> Result:
        if row.id != "TAG-01":
            self.p.set("torque-holding", 10)
            signal.raise_signal(signal.SIGINT)
        return real(self, row)

    monkeypatch.setattr(Session, "take", take)
    junit = tmp_path / "c.xml"
    assert main(["conform", *SIM, "--gentle", "--only", "TAG-0[12]", "--junit", str(junit)]) == 130
    told = capsys.readouterr()
    assert "1 passed, 0 failed, 1 skipped." in told.out
    assert "Not all was run: the run was interrupted." in told.out
    assert "Settings, marks and texts are as they were found." in told.out
    assert "Skipped: not run: the run was interrupted." in " ".join(told.out.replace("│", " ").split())
    assert ET.parse(junit).getroot()[0].attrib["skipped"] == "1"


def test_one_more_ctrl_c_does_not_end_the_putting_back(capsys: Out) -> None:
    with _patient():
        signal.raise_signal(signal.SIGINT)
        assert "putting its settings back" in capsys.readouterr().err
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)


def test_putting_back_that_is_broken_off_is_told(monkeypatch: pytest.MonkeyPatch, capsys: Out) -> None:
    def put_back(*_: object) -> list[str]:
        raise KeyboardInterrupt

    monkeypatch.setattr("ringlet.tools.conform.run.put_back", put_back)
    assert main(["conform", *SIM, "--gentle", "--only", "TAG-01"]) == 130
    out = capsys.readouterr().out
    assert "Not as it was found: putting it back was interrupted" in out
    assert "1 passed" in out


def test_a_file_that_cannot_be_written_is_told_before_the_run(tmp_path: Path, capsys: Out) -> None:
    assert main(["conform", *SIM, "--gentle", "--only", "TAG-01", "--html", str(tmp_path / "no" / "c.html")]) == 2
    told = capsys.readouterr()
    assert "c.html cannot be written" in told.err
    assert "Caution" not in told.err


def test_a_device_left_different_is_no_pass(broken: Report) -> None:
    left = replace(broken, results=[], left=["parameter torque-holding was 1 and is 2"])
    assert not left.ok
    with pytest.raises(CheckFailed, match="not as it was found: parameter torque-holding"):
        _judge(left)
    with pytest.raises(CheckFailed, match="1 rule that must be kept is broken: TAG-01"):
        _judge(broken)


def test_what_came_in_place_of_an_answer_is_told() -> None:
    bed = Bed(sim=SimRig(load_rig("single"), seed=1, bus=SerialLine(seed=1)))
    p = Probe(bed.wire, 16, 0, 1)
    p.hear(1.0)
    assert _instead(p, []) == ""
    p.cast(m.GetStatus(0))
    assert "a frame of node 16 came" in _instead(p, [])


def test_a_tag_that_was_used_a_moment_ago_does_not_blame_a_healthy_motor() -> None:
    bed = Bed(3, "single")
    p, _, _ = meet(bed.wire, 16, 0, 1)
    p.answered(*p.build(m.Take(0, 0), tag=81))
    p.answered(*p.build(m.Yield(0), tag=80))
    found = run_one(p, chosen(["TAG-06"])[0])
    assert found.problems == ()
