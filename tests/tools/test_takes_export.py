"""A row for each frame: right times, right values, and nothing where nothing is known."""

from __future__ import annotations

import csv
import json
import math
import random
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet
import pytest
from scipy.interpolate import PchipInterpolator
from takes_helpers import MARKS, axis, sample, write_take

from ringlet.tools.errors import UsageProblem
from ringlet.tools.lens.curve import MarkCurve
from ringlet.tools.takes.columns import columns
from ringlet.tools.takes.export import export
from ringlet.tools.takes.frames import runs
from ringlet.tools.takes.reader import Stamp, Take, open_take
from ringlet.tools.takes.timecodes import RATES, frame_of, text_of
from ringlet.tools.takes.writer import TakeWriter


def motion(time_s: float) -> float:
    return 100.0 + 20.0 * math.sin(2.0 * time_s)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def exported(folder: Path, rate: str, **how: Any) -> list[dict[str, str]]:
    export(open_take(folder / "a.mcap"), RATES[rate], folder / f"out{rate}", **how)
    return rows(folder / f"out{rate}.csv")


@pytest.mark.parametrize(("method", "error"), [("linear", 0.0021), ("cubic", 0.0021)])
def test_values_between_samples(tmp_path: Path, method: str, error: float) -> None:
    """At 100 samples a second a line is off by max|x''| h^2/8 = 80*1e-4/8 = 0.001 deg, and samples by half a step."""
    write_take(tmp_path / "a.mcap", motion)
    found = exported(tmp_path, "23.976", method=method)
    for number, row in enumerate(found):
        assert float(row["time_s"]) == pytest.approx(number * 1001 / 24000, abs=1e-6)
        assert float(row["focus_16_0_ring_deg"]) == pytest.approx(motion(float(row["time_s"])), abs=error)
    assert len(found) == 48
    assert [found[0]["timecode"], found[-1]["timecode"]] == ["00:00:00:00", "00:00:01:23"]


def test_the_monotone_cubic_does_not_overshoot(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", lambda t: 10.0 if t < 0.5 else 20.0, seconds=1.0, rate=20.0)
    values = [float(row["focus_16_0_ring_deg"]) for row in exported(tmp_path, "60", method="cubic")]
    assert min(values) == 10.0
    assert max(values) == 20.0
    assert values == sorted(values)


def test_gaps_stay_empty(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", motion, skip=lambda t: 0.5 < t < 0.9)
    found = exported(tmp_path, "50")
    for row in found:
        empty = 0.5 + 1e-9 < float(row["time_s"]) < 0.9 - 1e-9
        for column in ("ring_deg", "setpoint_deg", "distance_m", "state", "owner"):
            assert (row[f"focus_16_0_{column}"] == "") == empty, row["time_s"]
    wide = export(open_take(tmp_path / "a.mcap"), RATES["50"], tmp_path / "wide", gap_s=0.5)
    assert wide.empty == {"16.0": 0}


def test_the_frames_of_the_take_keep_their_addresses(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", motion, start="00:59:59;25", frame_rate="29.97df")
    found = exported(tmp_path, "29.97df")
    first = frame_of("00:59:59;25", RATES["29.97df"])
    assert [row["timecode"] for row in found] == [text_of(first + n, RATES["29.97df"]) for n in range(len(found))]
    assert float(found[10]["time_s"]) == pytest.approx(10 * 1001 / 30000, abs=1e-6)
    assert len(found) == 60


def test_another_rate_reads_the_same_second(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", motion, start="01:00:00:12", frame_rate="24")
    assert exported(tmp_path, "25")[0]["timecode"] == "01:00:00:12"
    assert exported(tmp_path, "48")[0]["timecode"] == "01:00:00:24"
    assert exported(tmp_path, "30", start=frame_of("05:00:00:00", RATES["30"]))[0]["timecode"] == "05:00:00:00"


def test_late_addresses_are_evened_out_and_jumps_part_the_take(tmp_path: Path) -> None:
    rate = RATES["25"]
    jitter = [0.0, 0.003, -0.002, 0.001, -0.002]
    stamps = [Stamp(0.04 * n * 1.00002 + jitter[n % 5], 100 + n, rate) for n in range(1000)]
    stamps += [Stamp(50.0 + 0.04 * n, 5000 + n, rate) for n in range(50)]
    one, other = runs(stamps)
    assert one.begin_s == pytest.approx(0.0, abs=5e-4)
    assert one.pace == pytest.approx(25.0 / 1.00002, rel=1e-6)  # a drift of 20 ppm is followed
    assert (other.first, other.begin_s) == (5000, pytest.approx(50.0))


def test_a_jump_leaves_no_invented_frames(tmp_path: Path) -> None:
    rate = RATES["25"]
    writer = TakeWriter(tmp_path / "a.mcap", [axis()], {"format": "1", "origin_ns": "0"})
    for number in range(301):
        writer.sample("16.0", sample(number / 100, 50.0))
        if number % 4 == 0 and not 100 <= number < 200:
            frame = number // 4 + (1000 if number >= 200 else 0)
            writer.timecode(number / 100, text_of(frame, rate), frame, rate.name)
    writer.close()
    found = exported(tmp_path, "25")
    assert len(found) == 51
    assert [row["timecode"] for row in found[23:27]] == ["00:00:00:23", "00:00:00:24", "00:00:42:00", "00:00:42:01"]
    assert float(found[25]["time_s"]) == pytest.approx(2.0)


def test_lens_values_go_through_the_marks(tmp_path: Path) -> None:
    axes = (axis(), axis("16.1", "iris", "stop"), axis("16.2", "zoom", ""))
    write_take(tmp_path / "a.mcap", lambda t: 150.0 * t, axes=axes)
    curve = MarkCurve.from_marks([(at, math.inf if value is None else value) for at, value in MARKS], "distance")
    found = exported(tmp_path, "24")
    for row in found[:-1]:
        ring = 150.0 * float(row["time_s"])
        assert float(row["focus_16_0_distance_m"]) == pytest.approx(curve.value_at(ring), rel=1e-3)
        assert (row["iris_16_1_t_stop"] == "") == (ring > 80.1)  # past the last mark
    assert found[-1]["focus_16_0_distance_m"] == "inf"
    assert not [name for name in found[0] if name.startswith("zoom_16_2_focal")]


def test_parquet_says_the_same_and_how(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", motion, skip=lambda t: 0.5 < t < 0.9)
    text = exported(tmp_path, "24")
    table = pyarrow.parquet.read_table(tmp_path / "out24.parquet")
    assert table.column_names == list(text[0])
    for name in ("focus_16_0_ring_deg", "time_s", "focus_16_0_distance_m"):
        assert [None if row[name] == "" else float(row[name]) for row in text] == table[name].to_pylist()
    about = json.loads(table.schema.metadata[b"ringlet"])
    assert about["interpolation"] == "cubic"
    assert about["gap_s"] == 0.1
    beside = json.loads((tmp_path / "out24.json").read_text())
    assert beside["columns"] == table.column_names
    assert beside["interpolation_is"] == about["interpolation_is"]


# --- long takes -----------------------------------------------------------------------------------------------------


def ragged(folder: Path, seconds: float = 12.0) -> Take:
    """Two axes with gaps, one of them late and gone early; time addresses with a jump."""
    chance = random.Random(3)
    writer = TakeWriter(folder / "a.mcap", [axis(), axis("16.1", "iris", "stop")], {"format": "1", "origin_ns": "0"})
    rate, silent = RATES["25"], 0
    for number in range(round(100 * seconds)):
        now = number / 100
        silent = silent - 1 if silent else chance.choice((0,) * 60 + (5, 15, 70))
        if number % 4 == 0:
            frame = number // 4 + (777 if number >= 600 else 0)
            writer.timecode(now, text_of(frame, rate), frame, rate.name)
        if not silent:
            writer.sample("16.0", sample(now, round(motion(now) + chance.choice((0.0, 0.0, 3.0)), 3)))
        if 3.0 < now < seconds - 4.0 and number % 7:
            writer.sample("16.1", sample(now, round(40.0 + 30.0 * math.sin(now), 3)))
    writer.close()
    return open_take(folder / "a.mcap")


@pytest.mark.parametrize("method", ["cubic", "linear"])
@pytest.mark.parametrize(("rate", "gap"), [("25", 0.1), ("60", 0.3), ("23.976", 0.01)])
def test_blocks_change_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, method: str, rate: str, gap: float
) -> None:
    """Written a few frames at a time or all at once: the same bytes; and the same as one curve for each stretch."""
    take = ragged(tmp_path)
    made = {}
    for name, block_s, group in (("long", 1e4, 1 << 14), ("short", 0.3, 50)):
        monkeypatch.setattr("ringlet.tools.takes.export.BLOCK_S", block_s)
        monkeypatch.setattr("ringlet.tools.takes.export.GROUP", group)
        made[name] = export(take, RATES[rate], tmp_path / name, method=method, gap_s=gap)
    assert (tmp_path / "long.csv").read_bytes() == (tmp_path / "short.csv").read_bytes()
    tables = [pyarrow.parquet.ParquetFile(tmp_path / f"{name}.parquet") for name in made]
    assert tables[0].read() == tables[1].read()
    assert [table.num_row_groups > 1 for table in tables] == [False, True]
    assert made["long"].empty == made["short"].empty
    found = rows(tmp_path / "short.csv")
    assert len(found) == made["short"].frames > 200
    for key, label in (("16.0", "focus_16_0"), ("16.1", "iris_16_1")):
        held = columns(take)[key]
        cuts = np.flatnonzero(np.diff(held.time_s) > gap) + 1
        parts = [
            (times, values) for times, values in
            zip(np.split(held.time_s, cuts), np.split(held.numbers["ring_deg"], cuts), strict=True)
        ]  # fmt: skip
        empty = 0
        for row in found:
            at = float(row["time_s"])
            within = [part for part in parts if part[0][0] - 1e-6 <= at <= part[0][-1] + 1e-6]
            if not within:
                empty += 1
                assert row[f"{label}_ring_deg"] == row[f"{label}_state"] == ""
                continue
            times, values = within[0]
            wanted = (
                float(PchipInterpolator(times, values)(np.clip(at, times[0], times[-1])))
                if method == "cubic" and len(times) > 2 else float(np.interp(at, times, values))
            )  # fmt: skip
            assert float(row[f"{label}_ring_deg"]) == pytest.approx(wanted, abs=2e-4)  # the time is rounded too
        assert empty == made["short"].empty[key] > 0


def test_memory_does_not_grow_with_the_take(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What Python holds at most, for a take and for one four times as long: only the file's own index of chunks grows,
    about a kilobyte for each half second. `bench_takes.py` measures an hour."""
    monkeypatch.setattr("ringlet.tools.takes.export.BLOCK_S", 1.0)
    monkeypatch.setattr("ringlet.tools.takes.export.GROUP", 48)
    most = []
    for number, seconds in enumerate((4.0, 15.0, 60.0)):  # the first one loads the libraries
        write_take(tmp_path / f"{number}.mcap", motion, seconds=seconds, start="01:00:00:00", frame_rate="48")
        take = open_take(tmp_path / f"{number}.mcap")
        tracemalloc.start()
        export(take, RATES["48"], tmp_path / f"{number}")
        most.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert most[2] - most[1] < 45.0 * 3000


def test_the_line_through_stamps_is_that_of_numpy() -> None:
    chance = random.Random(1)
    rate = RATES["29.97"]
    stamps = [Stamp(5000.0 + n / 29.97 * 1.00003 + chance.uniform(-0.01, 0.01), 70 + n, rate) for n in range(20_000)]
    [one] = runs(iter(stamps))
    slope, start = np.polyfit(np.arange(20_000.0), [stamp.time_s for stamp in stamps], 1)
    assert 1.0 / one.pace == pytest.approx(slope, rel=1e-11)
    assert one.begin_s == pytest.approx(start, abs=1e-7)
    assert one.end_s == pytest.approx(start + 20_000 * slope, abs=1e-6)


def test_a_damaged_take_leaves_no_half_table(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", motion, seconds=20.0)
    data = bytearray((tmp_path / "a.mcap").read_bytes())
    place = len(data) * 6 // 10
    data[place : place + 40] = bytes(40)
    (tmp_path / "a.mcap").write_bytes(data)
    with pytest.raises(UsageProblem, match="is damaged"):
        export(open_take(tmp_path / "a.mcap"), RATES["24"], tmp_path / "o")
    assert [file.name for file in tmp_path.iterdir()] == ["a.mcap"]


def test_a_full_disk_is_told_in_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_take(tmp_path / "a.mcap", motion)

    def full(self: object, table: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("ringlet.tools.takes.export._Files.add", full)
    with pytest.raises(UsageProblem, match=r"cannot be written.*check folder and space"):
        export(open_take(tmp_path / "a.mcap"), RATES["24"], tmp_path / "o")
    assert [file.name for file in tmp_path.iterdir()] == ["a.mcap"]


def test_what_cannot_be_exported(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", motion)
    take = open_take(tmp_path / "a.mcap")
    with pytest.raises(UsageProblem, match="no interpolation 'magic'"):
        export(take, RATES["24"], tmp_path / "o", method="magic")
    (tmp_path / "o.csv").write_text("mine")
    with pytest.raises(UsageProblem, match="is there already"):
        export(take, RATES["24"], tmp_path / "o")
    assert (tmp_path / "o.csv").read_text() == "mine"
    write_take(tmp_path / "e.mcap", motion, skip=lambda t: True)
    with pytest.raises(UsageProblem, match="no samples"):
        export(open_take(tmp_path / "e.mcap"), RATES["24"], tmp_path / "e")
    write_take(tmp_path / "s.mcap", motion, skip=lambda t: t > 0)
    with pytest.raises(UsageProblem, match="no two samples"):
        export(open_take(tmp_path / "s.mcap"), RATES["24"], tmp_path / "s")
