"""Bench procedures on simulated rigs: good motors pass, bad ones fail in the right place, nothing is left behind."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from ringlet.hwsim import plant_setup
from ringlet.hwsim.axis import Axis
from ringlet.hwsim.cardfile import load_lens, load_motor, vary
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.states import State
from ringlet.tools.bench import cli as bench_cli
from ringlet.tools.bench.registry import MEASUREMENTS
from ringlet.tools.bench.registry import measure as carry_out
from ringlet.tools.bench.result import Measurement
from ringlet.tools.bench.session import Acceptance, Bench, on_bench
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

HALF_DEG = 30.0


def rig_file(folder: Path, motor: dict[str, float] | None = None, lens: dict[str, float] | None = None) -> Path:
    """A rig of one small motor on an iris ring, its cards changed."""
    card = vary(load_motor("small"), motor or {})
    ring = vary(load_lens("iris"), lens or {})
    for name, one in (("motor", card), ("lens", ring)):
        lines = [
            f"{key} = {json.dumps(value)}"
            for key, value in one.model_dump(mode="json", exclude={"marks"}).items() if value is not None
        ]
        (folder / f"{name}.toml").write_text("\n".join(lines))
    path = folder / "rig.toml"
    path.write_text(
        'name = "bench test"\n[[nodes]]\nunique_id = 7\naddress = 16\n[[nodes.axes]]\n'
        f'motor = "{folder}/motor.toml"\nlens = "{folder}/lens.toml"\nrole = "iris"\nring_start_deg = 37.5\n'
    )
    return path


@contextmanager
def bench(rig: Path | str, low: float = -HALF_DEG, high: float = HALF_DEG) -> Iterator[Bench]:
    """A bench on the rig's axis, travel set by hand about where the ring stands."""
    with Link.open(f"sim:{rig}") as link:
        handle = link.axis(16, 0)
        handle.set("travel-min", low)
        handle.set("travel-max", high)
        with on_bench(link, handle) as made:
            yield made


def measure(name: str, rig: Path | str, low: float = -HALF_DEG, high: float = HALF_DEG) -> Measurement:
    with bench(rig, low, high) as made:
        found = MEASUREMENTS[name].measure(made)
    json.dumps(found.to_json(), allow_nan=False)
    return found


def failed(found: Measurement) -> set[str]:
    return {verdict.name for verdict in found.verdicts if not verdict.ok}


@pytest.mark.parametrize("name", [name for name in MEASUREMENTS if name not in ("stops", "together")])
def test_a_good_motor_passes(name: str, tmp_path: Path) -> None:
    found = measure(name, rig_file(tmp_path))
    assert failed(found) == set()
    assert found.quantities
    assert len(found.verdicts) >= 2
    assert found.records
    assert all(len({len(column) for column in columns.values()}) == 1 for columns in found.records.values())


def test_end_stops_of_a_good_motor(tmp_path: Path) -> None:
    with Link.open(f"sim:{rig_file(tmp_path)}") as link, on_bench(link, link.axis(16, 0), find=True) as made:
        found = MEASUREMENTS["stops"].measure(made)
    assert failed(found) == set()
    travel = found.quantity("travel found")
    lens = load_lens("iris")
    assert lens.stop_min_deg is not None
    assert lens.stop_max_deg is not None
    # Inside each stop by the back-off of 1 degree; the motor turns on by the play and the give of stop and teeth.
    true = lens.stop_max_deg - lens.stop_min_deg - 2.0
    assert true < travel.value < true + 2.0
    assert found.quantity("greatest torque while finding").value == pytest.approx(0.06, rel=0.05)


def test_friction_inertia_and_play_over_the_link(tmp_path: Path) -> None:
    """The torque scale is not told here: it comes from the node's own load figure."""
    rig = rig_file(tmp_path)
    found, back = measure("friction", rig), measure("repeat", rig)
    motor, lens = load_motor("small"), load_lens("iris")
    p, eta = plant_setup.plant_parameters(motor, lens), motor.gearhead_efficiency
    for name, truth in (
        ("viscous friction", eta * p[plant_setup.P_C1] + p[plant_setup.P_C2]),
        ("total inertia", eta * p[plant_setup.P_J1] + p[plant_setup.P_J2]),
    ):
        quantity = found.quantity(name)
        assert quantity.uncertainty is not None
        assert abs(quantity.value - truth) <= quantity.uncertainty, name
    play = back.quantity("play between motor and ring")
    assert play.uncertainty is not None
    assert abs(play.value - plant_setup.lost_motion_deg(motor, lens)) <= play.uncertainty


def test_a_motor_that_is_too_weak_fails_the_ramp(tmp_path: Path) -> None:
    found = measure("ramp", rig_file(tmp_path, {"peak_current_a": 0.04}))
    assert "moves" in failed(found)
    assert "fault" in next(verdict.text for verdict in found.verdicts if verdict.name == "moves")


@pytest.mark.parametrize(
    "name", [name for name in MEASUREMENTS if name not in ("ramp", "stops", "latency", "together")]
)
def test_a_motor_that_is_too_weak_fails_what_moves_far_and_ends_in_order(name: str, tmp_path: Path) -> None:
    found = measure(name, rig_file(tmp_path, {"peak_current_a": 0.04}))
    assert failed(found)


def test_a_motor_that_lags_fails_the_following_error(tmp_path: Path) -> None:
    found = measure("ramp", rig_file(tmp_path, {"peak_current_a": 0.065}))
    assert "following error" in failed(found)
    assert not any(name.startswith("setpoint") for name in failed(found))


def test_too_much_backlash_fails_the_reversal_value_only(tmp_path: Path) -> None:
    rig = rig_file(tmp_path, {"gearhead_backlash_deg": 3.0})
    assert failed(measure("repeat", rig)) == {"reversal value B", "repeatability R"}
    assert failed(measure("latency", rig)) == set()


def test_a_travel_limit_one_degree_past_the_stop_fails_the_limit_check(tmp_path: Path) -> None:
    # The stop lies at 76.0 - 37.5 = 38.5 deg of the firmware's count.
    found = measure("limit", rig_file(tmp_path), -HALF_DEG, 39.5)
    assert failed(found) & {"approaches", "rest away from the limit"}


def test_firmware_that_goes_one_degree_past_a_limit_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def wide(axis: Axis) -> None:
        low, high = axis.travel
        axis.ramp.travel = (low, high + 1000) if axis.calibrated and axis.finding is None else None

    monkeypatch.setattr(Axis, "_apply_travel", wide)
    found = measure("limit", rig_file(tmp_path))
    assert {"setpoint past a limit", "ring past a limit", "rest away from the limit"} <= failed(found)
    assert found.quantity("setpoint past a limit").value == pytest.approx(1.0, abs=0.01)


def test_firmware_that_does_not_refuse_or_flag_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    may, flags = Axis.may, Axis.flags
    assert isinstance(flags, property)
    read = flags.fget
    assert read is not None

    def lax(axis: Axis, event: str, body: Any) -> Any:
        no = may(axis, event, body)
        return None if no is not None and no.code is Refusal.PAST_TRAVEL else no

    monkeypatch.setattr(Axis, "may", lax)
    monkeypatch.setattr(Axis, "flags", property(lambda axis: read(axis) & ~(1 << Flag.CLAMPED)))
    assert failed(measure("limit", rig_file(tmp_path))) == {
        f"{end} limit: {what}" for end in ("lower", "upper")
        for what in ("move past it is refused", "stream past it is flagged")
    }  # fmt: skip


@pytest.mark.parametrize("delay_ms", [3, 6])
def test_latency_that_was_put_in_is_found(delay_ms: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    slow_down(monkeypatch, delay_ms)
    found = measure("latency", rig_file(tmp_path))
    assert failed(found) == set()
    trip = found.quantity("request to reply, 50 per cent")
    assert trip.value == pytest.approx((delay_ms + 1) / 1e3, abs=1.001e-3)
    offset = found.quantity("clock offset, node less tool")  # both clocks are the rig's: the truth is 0
    assert offset.uncertainty is not None
    assert abs(offset.value) <= offset.uncertainty < 0.006
    motion = found.quantity("setpoint to ramp, median")
    assert motion.uncertainty is not None
    assert abs(motion.value - (delay_ms + 2) / 1e3) <= motion.uncertainty


def test_an_answer_that_comes_too_late_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with bench(rig_file(tmp_path)) as made:
        made.fresh()
        slow_down(monkeypatch, 11)
        found = MEASUREMENTS["latency"].measure(made)
    assert failed(found) & {"answers", "request to reply, 99 per cent"}


def slow_down(monkeypatch: pytest.MonkeyPatch, delay_ms: int) -> None:
    """Every message to the rig takes this much longer."""
    under_way: list[tuple[int, int, bytes]] = []
    step = SimTransport.step

    def send(self: SimTransport, ident: int, data: bytes) -> None:
        under_way.append((self.rig.now_us + 1000 * delay_ms, ident, data))

    def later(self: SimTransport) -> None:
        for one in [one for one in under_way if one[0] <= self.rig.now_us]:
            under_way.remove(one)
            self.rig.send(one[1], one[2])
        step(self)

    monkeypatch.setattr(SimTransport, "send", send)
    monkeypatch.setattr(SimTransport, "step", later)


def test_too_much_torque_at_contact_fails(tmp_path: Path) -> None:
    with Link.open(f"sim:{rig_file(tmp_path)}") as link, on_bench(link, link.axis(16, 0), find=True) as made:
        made.acceptance = Acceptance(contact_torque=0.8)
        assert failed(MEASUREMENTS["stops"].measure(made)) == {"torque at contact"}


def test_a_known_travel_that_is_one_degree_off_fails_the_stops_check(tmp_path: Path) -> None:
    with Link.open(f"sim:{rig_file(tmp_path)}") as link, on_bench(link, link.axis(16, 0), find=True) as made:
        _, high = made.travel
        made.handle.set("travel-max", high - 1.0)
        found = MEASUREMENTS["stops"].measure(made)
    assert failed(found) == {"travel found against the one known before"}


def test_a_shared_line_is_polled_and_says_so(tmp_path: Path) -> None:
    rig = rig_file(tmp_path)
    rig.write_text(rig.read_text().replace("address = 16\n", "address = 16\nshared_line = true\n"))
    with bench(rig) as made:
        found = [carry_out(name, made) for name in ("ramp", "latency", "friction")]
    assert [failed(one) for one in found] == [set(), set(), set()]
    assert all("shared line" in one.notes[-1] for one in found)


def test_a_binding_ring_is_named_with_its_place(tmp_path: Path) -> None:
    rig = rig_file(tmp_path, lens={"torque_over_travel": (1.0, 1.0, 1.0, 1.0, 3.4, 1.0, 1.0)})  # type: ignore[dict-item]
    found = measure("friction", rig)
    verdict = next(one for one in found.verdicts if one.name == "friction, stiffest place over median")
    assert not verdict.ok
    assert "binds at" in verdict.text


def test_an_interruption_ramps_down_puts_settings_back_and_frees_the_axis(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Link.open(f"sim:{rig_file(tmp_path)}") as link:
        handle = link.axis(16, 0)
        handle.set("travel-min", -HALF_DEG)
        handle.set("travel-max", HALF_DEG)
        before = handle.get("acceleration-limit")
        with pytest.raises(KeyboardInterrupt), on_bench(link, handle) as made:  # noqa: PT012
            made.change("acceleration-limit", 200.0)
            handle.move(25.0, 20.0, wait=False)
            link.wait(0.3)
            assert handle.status().state == State.MOVING
            raise KeyboardInterrupt
        status = handle.status()
        assert status.state == State.HOLDING
        assert status.owner == 0
        assert handle.position() < 24.0
        assert handle.get("acceleration-limit") == before
        assert link.request(m.GetOwner(0), node=16, axis=0).owner == 0
    assert "for its measurements is back as it was" in capsys.readouterr().err


def test_torque_is_lowered_never_raised(tmp_path: Path) -> None:
    with Link.open(f"sim:{rig_file(tmp_path)}") as link:
        handle = link.axis(16, 0)
        handle.set("travel-min", -HALF_DEG)
        handle.set("travel-max", HALF_DEG)
        before = float(handle.get("torque-moving"))
        for asked, held in ((before / 2, before / 2), (before * 2, before)):
            with on_bench(link, handle, torque_nm=asked):
                assert float(handle.get("torque-moving")) == pytest.approx(held, abs=0.001)
            assert float(handle.get("torque-moving")) == before


def test_a_bench_without_a_known_travel_says_what_to_do(tmp_path: Path) -> None:
    with Link.open(f"sim:{rig_file(tmp_path)}") as link:
        with pytest.raises(UsageProblem, match="--find"), on_bench(link, link.axis(16, 0)):
            pass
        assert link.axis(16, 0).status().owner == 0


def run(names: list[str], rig: Path, out: Path | None = None, accept: list[str] | None = None) -> None:
    for name in names:
        order = bench_cli.order_of(name, f"sim:{rig}", None, None, 1, False, True, "", "", accept, bench_cli.Asked())
        bench_cli.run_bench(order, out, None, True, False)


def test_the_command_writes_its_data_and_fails_by_verdict(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig, out = rig_file(tmp_path), tmp_path / "out"
    run(["latency"], rig, out)
    said = json.loads(capsys.readouterr().out)
    assert said["16.0"][0]["ok"] is True
    data = json.loads((out / "bench.json").read_text())
    records = {one["name"]: one["file"] for one in data["axes"][0]["results"]["latency"]["records"]}
    assert len((out / records["clock"]).read_text().splitlines()) == 61
    with pytest.raises(CheckFailed, match="rest away from the limit") as problem:
        run(["limit"], rig, accept=["end_error_deg=0.000001", "past_travel_deg=0"])
    assert problem.value.exit_code == 1
    assert "Gears" in (said_ := capsys.readouterr().err) or "gears" in said_


@pytest.mark.parametrize("pair", ["nonsense=1", "reversal_deg", "reversal_deg=x", "reversal_deg=-1"])
def test_a_wrong_acceptance_is_a_usage_problem(pair: str) -> None:
    with pytest.raises(UsageProblem):
        bench_cli.acceptance([pair])


def test_every_measurement_has_a_command_and_a_caution() -> None:
    assert set(bench_cli.HELP) == {*MEASUREMENTS, "all"}
    assert all(one.moves for one in MEASUREMENTS.values())
