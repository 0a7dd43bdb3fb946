"""A row for each frame: right times, right values, and nothing where nothing is known."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import pytest
from takes_helpers import MARKS, axis, write_take

from ringlet.tools.errors import UsageProblem
from ringlet.tools.lens.curve import MarkCurve
from ringlet.tools.takes.export import export
from ringlet.tools.takes.frames import runs
from ringlet.tools.takes.reader import Stamp, open_take
from ringlet.tools.takes.timecodes import RATES, frame_of, text_of


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
    from takes_helpers import sample

    from ringlet.tools.takes.writer import TakeWriter

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
    import pyarrow.parquet

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
