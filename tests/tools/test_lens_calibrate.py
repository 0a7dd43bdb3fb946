"""A calibration session at the bench: marks one by one, undo, a journal to go on from, and what it refuses."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from ringlet.tools.cli import main
from ringlet.tools.lens import marksfile
from ringlet.tools.lens.calibrate import Session
from ringlet.tools.lens.curve import MarkCurve, MarkProblem
from ringlet.tools.link import Link

Out = pytest.CaptureFixture[str]


def test_the_journal_holds_what_was_taken(tmp_path: Path) -> None:
    journal = tmp_path / "marks.journal"
    session = Session("distance", journal)
    session.add(10.0, "0.5 m")
    session.add(60.0, "0.8m")
    assert session.undo() == (60.0, 0.8)
    session.add(61.0, "0.8m")
    again = Session("distance", journal)
    assert again.marks == session.marks == [(10.0, 0.5), (61.0, 0.8)]
    assert again.resumed == 2
    again.add(290.0, "inf")
    assert Session("distance", journal).resumed == 3


@pytest.mark.parametrize("cut", [1, 5, 17])
def test_a_line_cut_short_costs_only_itself(tmp_path: Path, cut: int) -> None:
    journal = tmp_path / "marks.journal"
    session = Session("stop", journal)
    session.add(1.0, "T2")
    whole = journal.read_bytes()
    session.add(12.0, "T2.8")
    journal.write_bytes(journal.read_bytes()[: len(whole) + cut])
    again = Session("stop", journal)
    assert again.marks == [(1.0, 2.0)]
    assert journal.read_bytes() == whole
    again.add(13.0, "T2.8")
    assert len(Session("stop", journal).marks) == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nonsense", "line 1: this is no entry"),
        ('{"ringlet_marks": 1, "unit": "stop"}', "holds stop marks"),
        ('{"ringlet_marks": 1, "unit": "distance"}\n{"sub": 1}', "line 2: this is no entry"),
        ('{"ringlet_marks": 1, "unit": "distance"}\n{"undo": true}', "line 2: this is no entry"),
        ("[]", "no journal"),
    ],
)
def test_another_file_is_no_journal(tmp_path: Path, text: str, words: str) -> None:
    journal = tmp_path / "x"
    journal.write_text(text + "\n")
    with pytest.raises(MarkProblem, match="journal") as caught:
        Session("distance", journal)
    assert words in str(caught.value)
    assert journal.read_text() == text + "\n"


REFUSED = {
    "another kind": (40.0, "T2", "units are mixed"),
    "another unit": (40.0, "2'", "keep to one unit"),
    "no value": (40.0, "near", "is no distance"),
    "taken already": (40.0, "0.8 m", "is taken already"),
    "ring not turned": (60.01, "0.81 m", "turn the ring"),
    "turns back": (40.0, "0.9 m", "does not fit between"),
    "no angle": (float("nan"), "0.6 m", "no angle"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused_changes_nothing(tmp_path: Path, case: str) -> None:
    journal = tmp_path / "j"
    session = Session("distance", journal)
    session.add(10.0, "0.5 m")
    session.add(60.0, "0.8 m")
    before = journal.read_bytes()
    ring, text, words = REFUSED[case]
    with pytest.raises(MarkProblem, match=words):
        session.add(ring, text)
    assert session.marks == [(10.0, 0.5), (60.0, 0.8)]
    assert journal.read_bytes() == before


def test_how_far_the_ring_turns_past_infinity_is_taken_too(tmp_path: Path) -> None:
    journal = tmp_path / "j"
    session = Session("distance", journal)
    session.add(300.0, "inf")
    session.add(305.0, "past inf")
    with pytest.raises(MarkProblem, match="does not fit between"):
        session.add(310.0, "5 m")
    session.add(100.0, "0.5 m")
    with pytest.raises(MarkProblem, match=r"past inf is taken already, at 305\.00 deg"):
        session.add(306.0, "past infinity")
    session.add(200.0, "2 m")
    with pytest.raises(MarkProblem, match="keep to one unit"):
        session.add(150.0, "4'")
    again = Session("distance", journal)
    assert again.marks == session.marks
    assert MarkCurve.from_marks(again.marks, "distance").past_deg == 305.0
    with pytest.raises(MarkProblem, match="does not fit between"):
        again.add(301.0, "9 m")


def test_nothing_to_undo_and_no_such_kind(tmp_path: Path) -> None:
    with pytest.raises(MarkProblem, match="no mark to take back"):
        Session("focal").undo()
    with pytest.raises(MarkProblem, match="choose one of"):
        Session("feet", tmp_path / "j")
    assert not (tmp_path / "j").exists()


# --- the command --------------------------------------------------------------------------------------------------


def typed(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


TAKE = ["marks", "take", "stop", "--find", "--link", "sim:trio", "--axis", "1", "--json"]


def test_a_session_from_start_to_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Out) -> None:
    out = tmp_path / "iris.toml"
    typed(
        monkeypatch,
        "to 5",
        "T2",
        "by 20",
        "T4",
        "undo",
        "T4",
        "1.9 m",
        "to 999",
        "to far",
        "T8",
        "T8",
        "where",
        "list",
        "to 60",
        "T11",
        "done",
    )
    assert main([*TAKE, "--out", str(out), "--name", "bench lens"]) == 0
    heard = capsys.readouterr()
    told = json.loads(heard.out)
    assert told["finished"] is True
    assert told["marks"] == 3
    table = marksfile.load(str(out))
    assert table.name == "bench lens"
    assert [ring for ring, _ in table.marks] == pytest.approx([5.0, 25.0, 60.0], abs=0.2)
    assert [value for _, value in table.marks] == pytest.approx([2.0, 4.0, 2**3.5], rel=1e-5)
    for words in (
        "gears pinch fingers",
        "Taken back: T4",
        "units are mixed",
        "past a travel limit",
        "is not a number",
        "no mark is taken, for `to far` was not carried out; look with `where`",
        "The ring stands at 2",
    ):
        assert words in heard.err
    assert not (tmp_path / "iris.toml.journal").exists()
    kept = out.read_bytes()
    typed(monkeypatch, "to 5", "T2")
    assert main([*TAKE, "--out", str(out)]) == 2
    assert "is there already; give the marks another name" in capsys.readouterr().err
    assert out.read_bytes() == kept


def test_after_a_look_a_mark_may_be_taken_where_a_turn_was_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Out
) -> None:
    out = tmp_path / "iris.csv"
    typed(monkeypatch, "to 5", "T2", "by 25", "to 999", "T4", "where", "T4", "to 60", "T11", "done")
    assert main([*TAKE, "--out", str(out)]) == 0
    assert capsys.readouterr().err.count("no mark is taken") == 1
    assert [ring for ring, _ in marksfile.load(str(out)).marks] == pytest.approx([5.0, 30.0, 60.0], abs=0.2)


def test_a_session_goes_on_where_it_was_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Out) -> None:
    out = tmp_path / "iris.csv"
    typed(monkeypatch, "to 5", "T2", "to 30", "T4", "quit")
    assert main([*TAKE, "--out", str(out)]) == 0
    heard = capsys.readouterr()
    assert json.loads(heard.out)["finished"] is False
    assert heard.err.count("Caution: gears pinch fingers") == 1  # not with each line
    assert not out.exists()
    typed(monkeypatch, "done", "to 60", "T11")  # done is refused with two marks; the input then ends
    assert main([*TAKE, "--out", str(out)]) == 0
    err = capsys.readouterr().err
    assert "too few" in err
    assert err.count("Caution as when this session began: gears pinch fingers") == 1
    assert "Caution: " not in err
    assert not out.exists()
    typed(monkeypatch, "done")
    assert main([*TAKE, "--out", str(out)]) == 0
    assert "Going on with 3 marks" in capsys.readouterr().err
    assert len(marksfile.load(str(out)).marks) == 3


def test_free_lets_the_ring_turn_by_hand_and_hold_keeps_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Out
) -> None:
    from ringlet.tools import cli_common, cli_lens
    from ringlet.tools.lens.calibrate import Session as Marks

    with Link.open("sim:trio") as link:
        handle = link.axis(16, 1)
        for word, state in (("free", "released"), ("hold", "holding")):
            typed(monkeypatch, word)
            assert cli_lens._Bench(link, handle, Marks("stop"), 20.0, False).lines() is None
            assert cli_common.state_of(handle) == state
            assert handle.status().owner == 0
    assert "gears pinch" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["take", "distance", "--out", "x.txt", "--link", "sim:single"], "end it in .toml or .csv"),
        (["take", "feet", "--out", "x.toml", "--link", "sim:single"], "choose one of: distance, stop, focal"),
        (["take", "stop", "--out", "x.toml", "--link", "sim:single"], "turns the focus ring, and these are stop marks"),
        (["take", "distance", "--out", "x.toml"], "no link is given"),
        (["take", "distance", "--out", "x.toml", "--speed", "fast", "--link", "sim:single"], "'fast'"),
    ],
)
def test_a_session_that_cannot_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Out, words: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("RINGLET_LINK", raising=False)
    typed(monkeypatch, "free")
    assert main(["marks", *words]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert "gears" not in err  # nothing was driven
