"""Readings from a file or a pipe, and the beat that tells when late messages were sent."""

from __future__ import annotations

import io
import math
import random
import time
from pathlib import Path
from typing import TextIO

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringlet.hwsim.rangesource import NO_READING
from ringlet.protocol.messages import Range
from ringlet.tools.errors import UsageProblem
from ringlet.tools.rig.beat import BACK_S, Beat
from ringlet.tools.rig.rangefocus import RangeFocus, Tuning
from ringlet.tools.rig.readings import LATEST_S, OLDEST_MS, WINDOW_S, FileReadings, Line, PipeReadings, parse


def test_lines_are_read_as_they_are_written() -> None:
    assert parse("0.02 4.790 220") == Line(0.02, 4.79, 220)
    assert parse("1, 12.5 , 3  # a remark") == Line(1.0, 12.5, 3)
    assert parse("2 3") == Line(2.0, 3.0, 255)
    assert parse("2 - 0") == Line(2.0, None, 0)
    assert parse("  # nothing") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [("1", "1 values"), ("1 2 3 4", "4 values"), ("x 2 3", "no number"), ("1 2 3.5", "no number"), ("1 0 3", "above 0"),
     ("-1 2 3", "0 s or later"), ("nan 2 3", "0 s or later"), ("1 inf 3", "above 0"), ("1 2 256", "0 to 255")],
)  # fmt: skip
def test_a_line_that_makes_no_sense_says_why(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse(text)


@given(st.text(max_size=30))
def test_no_line_does_more_than_be_refused(text: str) -> None:
    try:
        found = parse(text)
    except ValueError:
        return
    assert found is None or (found.seconds >= 0 and 0 <= found.quality <= 255)


def test_a_file_is_played_in_its_own_time(tmp_path: Path) -> None:
    path = tmp_path / "readings.txt"
    path.write_text("# invented\n0.0 3.0 200\n0.1 2.5 200\n\n0.2 - 0\n0.2 99999 9\n", encoding="utf-8")
    played = FileReadings.open(path)
    assert [one.distance for one in played.take(0.05)] == [3000]
    (late,) = played.take(0.15)
    assert (late.distance, late.age, late.quality) == (2500, 50, 200)
    assert [one.distance for one in played.take(9.0)] == [NO_READING, NO_READING - 1]
    assert played.take(10.0) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [("0.0 3 200\n0.1 two 200\n", "line 2: a value is no number"), ("1 3 2\n0.5 3 2\n", "line 2: the time goes back"),
     ("# empty\n", "holds no readings")],
)  # fmt: skip
def test_a_file_with_a_wrong_line_is_refused_as_a_whole(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "readings.txt"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageProblem, match=said):
        FileReadings.open(path)
    with pytest.raises(UsageProblem, match="cannot be read"):
        FileReadings.open(tmp_path / "none.txt")


def piped(stream: TextIO) -> PipeReadings:
    """All lines are in."""
    pipe = PipeReadings(stream)
    for _ in range(400):
        if pipe.ended:
            break
        time.sleep(0.005)  # the thread that reads
    assert pipe.ended
    return pipe


def test_a_pipe_tells_age_by_the_fastest_line_and_counts_what_it_cannot_read() -> None:
    pipe = piped(io.StringIO("100.00 3 200\nrubbish\n100.10 3 200\n100.20 3 200\n"))
    assert [one.age for one in pipe.take(5.2)] == [200, 100, 0]  # all came at once: the last one fastest
    assert pipe.wrong == 1
    assert [one.age for one in piped(io.StringIO("100.20 3 200\n100.00 3 200\n")).take(1.0)] == [0, 200]


class Fed(PipeReadings):
    """Lines are put in by the test."""

    def __init__(self) -> None:
        super().__init__(io.StringIO(""))

    def heard(self, run_s: float, text: str) -> int:
        """Age of the reading, ms."""
        self._came.put(text)
        (found,) = self.take(run_s)
        return found.age


def test_a_writers_clock_that_drifts_does_not_make_readings_old() -> None:
    pipe, chance = Fed(), random.Random(1)
    ages = []
    for step in range(3600):  # two hours, a clock that goes 0.1 ms/s too slow: 0.72 s in the end
        now = 2.0 * step + chance.uniform(0.0, 0.01)
        ages.append(pipe.heard(now, f"{500.0 + 2.0 * step * (1 - 1e-4):.6f} 3 200"))
    assert max(ages) <= 12
    assert len(pipe._offsets) < 10


def test_a_writers_clock_that_was_set_back_is_believed_again_soon() -> None:
    pipe = Fed()
    ages = [pipe.heard(0.1 * n, f"{1000 + 0.1 * n if n < 100 else 0.1 * n:.3f} 3 200") for n in range(250)]
    assert max(ages[:100]) == 0
    assert ages[100] == OLDEST_MS  # as far as one can tell it is very old
    assert max(ages[100 + round(WINDOW_S / 0.1) + 1 :]) == 0


def test_bytes_that_are_no_text_make_one_line_wrong() -> None:
    pipe = piped(io.TextIOWrapper(io.BytesIO(b"1.0 3 200\n\xff\xfe 3\n1.1 3 200\n"), encoding="utf-8"))
    assert [one.distance for one in pipe.take(2.0)] == [3000, 3000]
    assert pipe.wrong == 1


@pytest.mark.parametrize(("seconds", "most"), [(10.0, 10.0), (0.0, LATEST_S)])
def test_a_file_that_begins_after_the_run_is_refused(seconds: float, most: float) -> None:
    with pytest.raises(UsageProblem, match=f"first reading is at 1700000000.5 s, after {most:g} s of the run"):
        FileReadings(["1700000000.5 3 200"], "log.txt").within(seconds)
    kept = FileReadings([f"{most - 0.5} 3 200"], "log.txt")
    assert kept.within(seconds) is kept


def test_an_even_stream_keeps_its_times_and_one_in_heaps_gets_them_back() -> None:
    even, heaps = Beat(), Beat()
    off: list[float] = []
    for count in range(400):
        at = 0.02 * count
        assert even.sent(count & 0xFF, at) == pytest.approx(at, abs=1e-9)
        came = math.ceil(at / 0.07) * 0.07 + 0.001
        sent = heaps.sent(count & 0xFF, came)
        assert came - BACK_S <= sent <= came
        off.append(abs(sent - at))
    assert max(off[100:]) < 0.012
    assert max(off[:16]) > 0.05  # before the beat is known


def test_a_beat_begins_anew_after_a_pause_and_without_tags() -> None:
    beat = Beat()
    for count in range(40):
        beat.sent(count, 0.02 * count)
    assert beat.sent(40, 30.0) == 30.0
    assert [beat.sent(7, 30.0 + 0.3 * n) for n in range(30)] == [30.0 + 0.3 * n for n in range(30)]
    for count in range(40):
        beat.sent(count, 50.0 + 0.02 * count)
    assert beat.sent(20, 50.81) == 50.81  # overtaken


@given(st.lists(st.tuples(st.integers(0, 255), st.floats(0, 0.5)), max_size=120))
def test_a_beat_never_moves_a_message_far_or_into_the_future(story: list[tuple[int, float]]) -> None:
    beat, now = Beat(), 0.0
    for tag, wait in story:
        now += wait
        assert now - BACK_S <= beat.sent(tag, now) <= now


def test_readings_in_heaps_drive_as_well_as_even_ones() -> None:
    """An invented subject to and fro; the readings come in heaps of five, or each for itself."""

    def worst(heap_s: float) -> float:
        chance, focus, off = random.Random(2), RangeFocus(Tuning()), []
        for count in range(500):
            at = 0.02 * count + 0.001
            came = math.ceil(at / heap_s) * heap_s if heap_s else at
            seen = 0.5 + 0.3 * math.sin(1.26 * (at - 0.04)) + chance.gauss(0.0, 0.003)
            focus.take(came, Range(count & 0xFF, round(1000 / seen), 220, 40, 1))
            told = focus.focus(came)
            if at > 2.0 and told.distance_m is not None:
                off.append(abs(1 / told.distance_m - (0.5 + 0.3 * math.sin(1.26 * came))))
        assert len(off) > 350
        return max(off)

    assert worst(0.1) < 0.04
    assert worst(0.0) < 0.02
