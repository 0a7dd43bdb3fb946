"""Defects planted in a motor, a lens, a line or the firmware: each is found, and by the check that is for it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from test_bench_procedures import bench, failed, measure, rig_file

from ringlet.hwsim.cardfile import load_lens, load_motor
from ringlet.tools import axis_handle
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.bench import carry_out, journal, loading, session, soak, timing
from ringlet.tools.bench.registry import MEASUREMENTS
from ringlet.tools.bench.report import doubt_text
from ringlet.tools.bench.result import Measurement
from ringlet.tools.bench.run_folder import QuantityData
from ringlet.tools.bench.session import Bench, Plan, on_bench
from ringlet.tools.cli import main
from ringlet.tools.cli_common import CAUTION
from ringlet.tools.errors import CheckFailed
from ringlet.tools.link import Link

# --- the line --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["ramp", "latency"])
def test_a_serial_line_gets_as_many_samples_as_it_carries(name: str, tmp_path: Path) -> None:
    """A thousand samples a second do not fit on 115200 baud: answers drowned in them."""
    found = measure(name, f"{rig_file(tmp_path)}?bus=serial&baud=115200")
    assert failed(found) == set()
    time = found.records["long" if name == "ramp" else "steps"]["time_s"]
    assert 0.004 < time[1] - time[0] < 0.02


def test_the_uncertainty_of_times_follows_the_samples(tmp_path: Path) -> None:
    found = measure("ramp", f"{rig_file(tmp_path)}?bus=serial&baud=115200")
    time = found.records["long"]["time_s"]
    assert found.quantity("settling after arrival").uncertainty == pytest.approx(2 * (time[1] - time[0]))


@pytest.mark.parametrize("name", ["ramp", "latency", "step"])
def test_a_motor_without_samples_fails_and_says_so(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with bench(rig_file(tmp_path)) as made:
        monkeypatch.setattr(axis_handle._Rows, "_add", lambda *_: None)
        with pytest.raises(CheckFailed, match="sent 0 whole samples"):
            MEASUREMENTS[name].measure(made)
        found = carry_out._measure(name, made)
    assert failed(found) == {"procedure"}


def test_a_fault_without_samples_is_told_by_the_latency(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stuck(self: Bench, *_: Any, **__: Any) -> Iterator[None]:
        self.trouble = "the axis stopped with a fault, stall"
        yield

    monkeypatch.setattr(Bench, "go", stuck)
    monkeypatch.setattr(axis_handle._Rows, "_add", lambda *_: None)
    with bench(rig_file(tmp_path)) as made:
        found = carry_out._measure("latency", made)
    assert [one.text for one in found.verdicts] == ["the axis stopped with a fault, stall"]


# --- the firmware --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "check"), [("ramp", "moves"), ("step", "steps, sine and chirp")])
def test_firmware_that_accepts_moves_and_does_nothing_fails(
    name: str, check: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(AxisHandle, "move", lambda *_, **__: None)
    found = measure(name, rig_file(tmp_path))
    assert check in failed(found)
    assert "did not move" in next(one.text for one in found.verdicts if one.name == check)


def test_firmware_that_ignores_streams_fails_the_latency(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with bench(rig_file(tmp_path)) as made:
        send = made.link.send
        monkeypatch.setattr(made.link, "send", lambda body, **to: (
            None if isinstance(body, timing.m.StreamRing) else send(body, **to)
        ))  # fmt: skip
        found = MEASUREMENTS["latency"].measure(made)
    assert failed(found) == {"steps by stream"}
    assert "10 of 10 did not move the ring" in next(one.text for one in found.verdicts if not one.ok)


def test_what_no_approach_has_shown_does_not_pass(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stuck(self: Bench, *_: Any, **__: Any) -> Iterator[None]:
        self.trouble = "the axis stopped with a fault, stall"
        yield

    monkeypatch.setattr(Bench, "go", stuck)
    found = measure("limit", rig_file(tmp_path))
    checks = {"approaches", "setpoint past a limit", "ring past a limit", "rest away from the limit"}
    assert checks <= failed(found)
    assert math.isnan(found.quantity("ring past a limit").value)


def test_a_slow_motor_has_the_time_that_its_way_takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session, "REST_S", 0.5)
    with bench(rig_file(tmp_path)) as made:
        made.change("velocity-limit", 10.0)
        made.run(made.go(20.0))  # 2 s
        assert made.trouble is None
        assert made.handle.position() == pytest.approx(20.0, abs=0.1)
        made.change("velocity-limit", 100.0)
        made.run(made.go(-20.0, 5.0))  # 8 s, for the speed that was asked for is slow
        assert made.trouble is None
        made.handle.move(20.0, 2.0, wait=False)
        made.run(made.at_rest())  # 20 s, with nobody having said so
        assert made.trouble == "the axis was not at rest after 1.7 s"


# --- what a ramp shows --------------------------------------------------------------------------------------------


def test_a_ramp_shows_its_greatest_peaks_and_no_time_over_the_ideal(tmp_path: Path) -> None:
    """The node runs the reference ramp, so the truth of the time over the ideal is 0."""
    found = measure("ramp", rig_file(tmp_path))
    for name, limit in (("velocity", 240.0), ("acceleration", 1500.0), ("deceleration", 1500.0), ("jerk", 30000.0)):
        quantity = found.quantity(f"setpoint {name}")
        assert quantity.uncertainty is not None
        if name != "velocity":  # 51 degrees are too short for full speed
            assert quantity.value == pytest.approx(limit, rel=0.05)
    over = found.quantity("time over the ideal")
    assert over.uncertainty is not None
    assert abs(over.value) <= over.uncertainty
    assert {one.name for one in found.verdicts} >= {"setpoint velocity", "ring velocity", "time over the ideal"}
    assert all("(move: " in one.text for one in found.verdicts if one.name.startswith("setpoint"))


# --- motor and lens --------------------------------------------------------------------------------------------


def test_wrong_teeth_show_as_the_scale_of_the_ring(tmp_path: Path) -> None:
    rig = rig_file(tmp_path)
    rig.write_text(rig.read_text() + "parameters.ring-teeth = 109\n")
    found = measure("repeat", rig)
    assert failed(found) == {"scale of the ring against the node"}
    scale = found.quantity("scale, ring over node")
    assert scale.uncertainty is not None
    assert abs(scale.value - 109 / load_lens("iris").ring_teeth) <= scale.uncertainty
    assert "ring-teeth" in next(one.text for one in found.verdicts if not one.ok)


def searched(rig: Path) -> Measurement:
    with Link.open(f"sim:{rig}") as link, on_bench(link, link.axis(16, 0), find=True) as made:
        return MEASUREMENTS["stops"].measure(made)


def test_a_soft_stop_is_told_from_a_hard_one(tmp_path: Path) -> None:
    stiffness = 1.5
    found = searched(rig_file(tmp_path, lens={"stop_stiffness_nm_per_rad": stiffness}))
    assert failed(found) == {"give of the stops against the back-off"}
    give = found.quantity("give of the stops")
    assert give.uncertainty is not None
    # What the search presses with, less what friction takes, over the stiffness; the stop is met at some speed.
    motor, lens = load_motor("small"), load_lens("iris")
    ratio, friction = lens.ring_teeth / motor.gear_teeth, 1e-3 * lens.coulomb_mnm * lens.torque_over_travel[-1]
    rotor = 1e-3 * motor.rotor_coulomb_mnm * motor.gearhead_ratio * motor.gearhead_efficiency * ratio
    truth = math.degrees((0.06 * ratio - friction - rotor) / stiffness)
    assert abs(give.value - truth) <= give.uncertainty
    assert "raise finding-backoff" in next(one.text for one in found.verdicts if not one.ok)


def test_a_contact_that_cannot_be_judged_is_told() -> None:
    class Dumb:
        def torque_per_a(self) -> Any:
            raise ValueError("the load is too small to tell the torque scale")

    (note,) = loading._contact(Dumb(), {}, 0.06, [], [])  # type: ignore[arg-type]
    assert "was not judged: the load is too small" in note


def test_the_need_of_torque_carries_the_doubt_of_all_its_parts_and_slow_starts_move(tmp_path: Path) -> None:
    found = measure("friction", rig_file(tmp_path), -2.0, 2.0)
    for number in (14, 15, 17, 18):
        place = found.records[f"pass {number}, 2 deg/s"]["position_deg"]
        assert abs(place[-1] - place[0]) > 0.4, number
    ratio = load_lens("iris").ring_teeth / load_motor("small").gear_teeth
    parts = {"viscous friction": math.radians(240.0), "total inertia": math.radians(1500.0)}
    least = math.hypot(*((found.quantity(name).uncertainty or 0.0) * most for name, most in parts.items())) / ratio
    need, advice = found.quantity("torque that motion needs"), found.quantity("advised torque limit")
    assert need.uncertainty is not None
    assert need.uncertainty > least
    assert advice.uncertainty == pytest.approx(2.0 * need.uncertainty)


# --- soak --------------------------------------------------------------------------------------------


def soaked(rig: Path, moves: int) -> Measurement:
    with Link.open(f"sim:{rig}") as link:
        plan = Plan(soak_moves=moves)
        with on_bench(link, link.axis(16, 0), plan=plan, find=True) as made:
            return soak.measure_soak(made)


def test_a_home_mark_that_jumps_to_and_fro_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its own scatter must not excuse it: 0.5 degrees are more than the accepted 0.2."""
    places = iter([0.0, 0.5] * 10)
    monkeypatch.setattr(soak, "HOME_EVERY", 2)
    monkeypatch.setattr(journal, "HOME_EVERY", 2)
    monkeypatch.setattr(soak, "_visit", lambda *_: next(places))
    assert "drift of the home mark" in failed(soaked(rig_file(tmp_path), 10))


def test_a_supply_that_sags_under_load_shows(tmp_path: Path) -> None:
    rig = rig_file(tmp_path, lens={"coulomb_mnm": 90.0, "breakaway_mnm": 100.0})
    rig.write_text("supply_ohm = 10.0\n" + rig.read_text())
    with Link.open(f"sim:{rig}") as link, on_bench(link, link.axis(16, 0), plan=Plan(soak_moves=6), find=True) as made:
        found = soak.measure_soak(made)
        rest = made.link.request(soak.m.Poll(0, soak._POLL["health"]), node=16, axis=0).supply / 1e3
    assert found.quantity("supply, lowest").value < rest - 0.1
    assert any("Drift was not judged" in note for note in found.notes)


# --- commands --------------------------------------------------------------------------------------------


def test_a_measurement_of_a_pair_without_a_pair_is_no_pass(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "together", "--find", "--link", "sim:single"]) == 2
    said = capsys.readouterr().err
    assert "nothing was measured. No further axis with the role focus" in said
    assert said.count(CAUTION) == 1  # once, however many axes


def test_an_axis_is_no_pair_with_itself(capsys: pytest.CaptureFixture[str]) -> None:
    """It was measured with another axis, which nobody had named."""
    assert main(["bench", "together", "--find", "--link", "sim:pair", "--node", "16", "--with", "16.0"]) == 2
    assert "an axis makes no pair with itself" in capsys.readouterr().err


def test_marks_of_one_lens_are_not_put_on_several(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["bench", "all", "--find", "--link", "sim:trio", "--marks", "focus-long", "--out", str(tmp_path / "out")]
    assert main(words) == 2
    assert "choose one with --node and --axis" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_telemetry_jitter_is_not_that_of_floating_point(tmp_path: Path) -> None:
    found = measure("latency", rig_file(tmp_path))
    for name in ("telemetry jitter, rms", "telemetry jitter, greatest"):
        assert (found.quantity(name).value, found.quantity(name).uncertainty) == (0.0, 1e-6)


def test_what_could_not_be_measured_has_no_uncertainty() -> None:
    assert doubt_text(QuantityData(name="b", value=None, unit="Hz", uncertainty=0.75, method="m", source="s")) == "-"
