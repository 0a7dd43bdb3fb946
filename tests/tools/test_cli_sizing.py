"""Sizing a motor and a bus before gears are cut: `bus`, `plant`, `sweep`, `cards` and `rigs`."""

from __future__ import annotations

import csv
import warnings
from itertools import pairwise
from pathlib import Path
from typing import Any

import matplotlib.figure
import numpy as np
import pytest

from ringlet.hwsim import sweep as engine
from ringlet.hwsim.cardfile import load_lens, load_motor
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.talkers import controls_of, ranges_of
from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.header import EVERYONE
from ringlet.tools import bit_timing, cli_sim
from ringlet.tools.bus_load import Plan, Speaker, advise, budget
from ringlet.tools.bus_plot import plot_latency
from ringlet.tools.cli import main
from ringlet.tools.cli_busload import _speakers
from ringlet.tools.plant_plot import plot_torque_speed
from ringlet.tools.sweep_plot import plot_sweep

Out = pytest.CaptureFixture[str]


# --- bus -------------------------------------------------------------------------------------------------------------


def test_controls_and_sensors_of_a_rig_file_are_on_its_bus(capsys: Out) -> None:
    """Each message that the simulated ones send has a row with its identifier and size, and comes no oftener."""
    rig = load_rig("pair")
    found = budget(Plan((2, 2), speakers=_speakers("pair")))
    rows = {row.ident: row for row in found.rows if row.group == "reading"}
    talkers = [*controls_of(rig, 0).values(), *ranges_of(rig, 0).values()]
    assert len(talkers) == 3
    for talker in talkers:
        sent: list[tuple[float, int]] = []
        for tick in range(3000):
            for ident, data in talker.say(tick / 1000):
                sent.append((tick / 1000, ident))
                assert rows[ident].size == len(data)
        assert len(sent) > 100
        row = rows[sent[0][1]]
        shortest = min(1000 * (b - a) for (a, _), (b, _) in pairwise(sent))
        assert shortest >= row.period_ms - row.jitter_ms - 1.0
    ident, data = pack(packet(m.Guide(0, 16, 0, 0, 0), dst=EVERYONE, src=1))
    assert rows[ident].size == len(data)
    assert found.load > budget(Plan((2, 2))).load + 0.05
    assert main(["bus", "pair"]) == 0
    assert "2 hand controls, 1 range sensor." in capsys.readouterr().out


def test_a_late_knob_delays_what_is_below_it() -> None:
    knob = Speaker("knob", 2, 50.0, 10.0)
    before, after = budget(Plan((1,))), budget(Plan((1,), speakers=(knob,)))
    for group in ("fault", "request", "answer", "telemetry"):
        assert (after.worst(group) or 0) > (before.worst(group) or 0)
    (row,) = [row for row in after.rows if row.name == "knob, source 2"]
    assert row.jitter_ms == pytest.approx(11.0)
    assert (row.response_ms or 0) > 11.0


def test_a_rate_between_whole_ones_counts_as_the_next() -> None:
    """The telemetry rate of a node is a whole number; 12.5 Hz must not be budgeted as 12."""
    (row,) = [row for row in budget(Plan((1,), rate=12.5)).rows if row.group == "telemetry"]
    assert row.period_ms <= 80.0


def test_advice_for_a_serial_line_speaks_of_baud() -> None:
    slow = Plan((1,), is_can=False, bitrate=9600)
    (only,) = advise(slow, budget(slow))
    assert only.text == f"take {only.bitrate} baud"


def test_a_bit_rate_that_is_nearly_met_is_told_exactly(capsys: Out) -> None:
    assert bit_timing.check(48_000_000, 83_333, 32, 15, 2, 2, 10) == ["gives 83333.3333 bit/s"]
    assert main(["bus", "single", "--bitrate", "1000000", "--clock", "16MHz", "--length", "100"]) == 0
    assert "None of these is good" in capsys.readouterr().out
    assert main(["bus", "single", "--bitrate", "1000000", "--clock", "16MHz", "--length", "5"]) == 0
    assert "None of these" not in capsys.readouterr().out


def test_a_message_without_any_bound_is_in_the_legend(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    kept = figures_of(monkeypatch)
    plot_latency(Plan((1,), is_can=False, bitrate=9600), tmp_path / "a.png", "slow", most=2)
    (legend,) = kept[0].legends
    assert "setpoint: no bound" in [text.get_text() for text in legend.get_texts()]


# --- plant -----------------------------------------------------------------------------------------------------------


def test_cautions_are_for_the_supply_that_is_given(capsys: Out) -> None:
    assert main(["plant", "medium", "focus-long", "--supply", "1"]) == 0
    assert "less than twice the breakaway" in capsys.readouterr().out
    assert main(["plant", "medium", "focus-long", "--supply", "0.3"]) == 0
    assert "cannot break this ring loose" in capsys.readouterr().out
    assert main(["plant", "medium", "focus-long"]) == 0
    assert "breakaway torque." not in capsys.readouterr().out


def figures_of(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    kept: list[Any] = []
    monkeypatch.setattr(matplotlib.figure.Figure, "savefig", lambda figure, path: kept.append(figure))
    return kept


def test_the_legend_hides_no_curve(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    kept = figures_of(monkeypatch)
    plot_torque_speed(load_motor("strong"), load_lens("zoom-cold"), tmp_path / "a.png", ambient_c=-20.0)
    (figure,) = kept
    (axes,) = figure.axes
    figure.draw_without_rendering()
    (legend,) = figure.legends
    assert axes.get_legend() is None
    assert not legend.get_window_extent().overlaps(axes.get_window_extent())


# --- sweep -----------------------------------------------------------------------------------------------------------

SWEEP = ["sweep", "small", "iris", "--move", "distance_deg=5", "--move", "legs=1", "--move", "dwell_s=0.05"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["motor.gear_teeth=30", "--out", "no-such-folder/a.csv"], "no folder no-such-folder"),
        (["motor.gear_teeth=30", "--plot", "no-such-folder/a.png"], "no folder no-such-folder"),
        (["motor.gear_teeth=30", "--plot", "a.png", "--show", "beauty"], "beauty is no outcome"),
        (["motor.gear_teeth=30", "--plot", "a.png", "--show", ""], "--show is no outcome"),
        (["motor.resistance_ohm=1:2:1001", "lens.coulomb_mnm=1:2:1000"], "1001000 rows"),
        (["motor.resistance_ohm=1:2", "--rows", "1000001"], "1000001 rows"),
    ],
)
def test_what_cannot_be_written_or_drawn_is_told_before_the_work(
    words: list[str], says: str, capsys: Out, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(engine, "run_sweep", lambda *_, **__: pytest.fail("the work was begun"))
    assert main([*SWEEP, *words]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1


def small_blocks(monkeypatch: pytest.MonkeyPatch, rows: int) -> None:
    monkeypatch.setattr(cli_sim, "BLOCK_ROWS", rows)
    monkeypatch.setattr(cli_sim.os, "cpu_count", lambda: 1)


def test_a_sweep_in_blocks_is_the_sweep(capsys: Out, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    whole, cut = tmp_path / "whole.csv", tmp_path / "cut.csv"
    words = [*SWEEP, "motor.gear_teeth=30,35,40", "lens.coulomb_mnm=2,3"]
    assert main([*words, "--out", str(whole)]) == 0
    small_blocks(monkeypatch, 4)
    assert main([*words, "--out", str(cut)]) == 0
    assert whole.read_text() == cut.read_text()
    assert len(whole.read_text().splitlines()) == 7


def test_a_sweep_that_is_broken_off_keeps_its_rows(
    capsys: Out, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    small_blocks(monkeypatch, 2)
    real, calls = engine.run_sweep, []

    def break_off(*args: Any, **more: Any) -> Any:
        calls.append(1)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return real(*args, **more)

    monkeypatch.setattr(engine, "run_sweep", break_off)
    out = tmp_path / "a.csv"
    assert main([*SWEEP, "motor.gear_teeth=30,31,32,33,34,35", "--out", str(out)]) == 130
    with out.open() as file:
        assert [float(row["motor.gear_teeth"]) for row in csv.DictReader(file)] == [30, 31, 32, 33]
    assert f"the first 4 of 6 rows are in {out}" in capsys.readouterr().err


def test_a_bad_value_of_the_last_block_is_told_before_the_work(
    capsys: Out, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    small_blocks(monkeypatch, 2)
    monkeypatch.setattr(engine, "run_sweep", lambda *_, **__: pytest.fail("the work was begun"))
    assert main([*SWEEP, "motor.gear_teeth=30,31,32,33,7", "--out", str(tmp_path / "a.csv")]) == 2
    assert "cannot be 7" in capsys.readouterr().err


def test_rows_that_did_not_settle_are_counted(capsys: Out, tmp_path: Path) -> None:
    words = [*SWEEP[:3], "move.distance_deg=10,900", "--move", "legs=1", "--out", str(tmp_path / "a.csv")]
    assert main(words) == 0
    assert "In 1 of 2 rows the ring did not settle" in capsys.readouterr().out


def test_a_map_in_which_nothing_settled_has_no_colours(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    grid = np.array([(a, b) for a in (1.0, 2.0, 3.0) for b in (1.0, 2.0, 3.0)])
    columns = {"move.legs": grid[:, 0], "lens.coulomb_mnm": grid[:, 1], "settle_s": np.full(9, np.nan)}
    kept = figures_of(monkeypatch)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        plot_sweep(columns, tmp_path / "a.png", ["settle_s"])
    assert len(kept[0].axes) == 1  # no colour bar


def test_a_map_over_three_keys_says_that_it_shows_means(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    grid = np.array([(a, b, c) for a in (1.0, 2.0) for b in (1.0, 2.0) for c in (1.0, 2.0)])
    keys = ("move.legs", "lens.coulomb_mnm", "motor.resistance_ohm")
    kept = figures_of(monkeypatch)
    plot_sweep(dict(zip(keys, grid.T, strict=True)) | {"settle_s": grid.sum(axis=1)}, tmp_path / "a.png", ["settle_s"])
    assert "mean over the other keys" in kept[0].axes[1].get_ylabel()
    plain = {key: grid[::2, n] for n, key in enumerate(keys[:2])} | {"settle_s": grid[::2].sum(axis=1)}
    plot_sweep(plain, tmp_path / "a.png", ["settle_s"])
    assert "mean" not in kept[1].axes[1].get_ylabel()


# --- cards and rigs --------------------------------------------------------------------------------------------------


def test_cards_and_rigs_say_what_to_copy(capsys: Out) -> None:
    assert main(["cards", "medium"]) == 0
    path = capsys.readouterr().out.rpartition("copy ")[2].removesuffix(" and give its path.\n")
    assert load_motor(path) == load_motor("medium")
    assert main(["rigs"]) == 0
    folder = capsys.readouterr().out.rpartition("copy one from ")[2].partition(" and give")[0]
    assert load_rig(f"{folder}/pair.toml") == load_rig("pair")
    assert main(["cards", "mine.toml"]) == 2
    assert "checked by `ringlet plant" in capsys.readouterr().err


def test_a_file_is_no_store_and_lin_is_no_bus(capsys: Out, tmp_path: Path) -> None:
    (tmp_path / "f").touch()
    assert main(["sim", "trio", "--tcp", "--seconds", "0", "--store", str(tmp_path / "f")]) == 2
    assert "is not a folder" in capsys.readouterr().err
    for bus, says in (("bus=lin", "has bus=lin; a simulated bus is can or serial"), ("bus=", "has bus and no bus")):
        assert main(["status", "--link", f"sim:trio?{bus}"]) == 2
        assert says in capsys.readouterr().err
