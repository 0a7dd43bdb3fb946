"""Two axes together: skew that was put in is found within its stated uncertainty, on 50 random pairs of plants."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ringlet.hwsim import simrig
from ringlet.hwsim.cardfile import LensCard, MotorCard, vary
from ringlet.hwsim.node import Node
from ringlet.hwsim.ramp import Ramp, RampLimits
from ringlet.hwsim.rigfile import AxisEntry, axis_cards
from ringlet.protocol import messages as m
from ringlet.protocol.states import State
from ringlet.tools.bench import together
from ringlet.tools.bench.result import Measurement
from ringlet.tools.bench.session import Bench, Plan, on_bench
from ringlet.tools.errors import UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

PAIRS = 50
NODE = '[[nodes]]\nunique_id = {id}\naddress = {address}\n'
AXIS = '[[nodes.axes]]\nmotor = "small"\nlens = "iris"\nrole = "{role}"\nring_start_deg = 37.5\n'


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    """Two boards with an iris each, and a focus ring beside the first."""
    path = tmp_path / "rig.toml"
    path.write_text(
        'name = "pair"\n' + NODE.format(id=7, address=16) + AXIS.format(role="iris") + AXIS.format(role="focus")
        + NODE.format(id=8, address=17) + AXIS.format(role="iris")
    )  # fmt: skip
    return path


@contextmanager
def benches(rig: Path, other: tuple[int, int] = (17, 0), plan: Plan | None = None) -> Iterator[tuple[Bench, Bench]]:
    with Link.open(f"sim:{rig}") as link:
        for node, axis in ((16, 0), other):
            link.axis(node, axis).set("travel-min", -30.0)
            link.axis(node, axis).set("travel-max", 30.0)
        with on_bench(link, link.axis(16, 0), plan=plan) as one:
            yield one, Bench(link, link.axis(*other))


def measured(rig: Path, changes: dict[str, float] | None = None, plan: Plan | None = None) -> Measurement:
    with benches(rig, plan=plan) as (one, two):
        for name, value in (changes or {}).items():
            two.handle.set(name, value)
        found = together.measure_together(one)
    json.dumps(found.to_json(), allow_nan=False)
    return found


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two speeds are enough where something is wrong at each."""
    monkeypatch.setattr(together, "SPEEDS", (0.5, 1.0))


def failed(found: Measurement) -> set[str]:
    return {verdict.name.split(",")[0] for verdict in found.verdicts if not verdict.ok}


def late(monkeypatch: pytest.MonkeyPatch, delay_ms: int, address: int = 17) -> None:
    """This board heeds `sync` some milliseconds late."""
    stream, tick = Node._stream, Node.tick
    waiting: list[tuple[int, Any, Any]] = []

    def hold(self: Node, message: Any, kind: Any) -> None:
        if self.address == address and isinstance(message.body, m.Sync):
            waiting.append((self.now_us + 1000 * delay_ms, message, kind))
        else:
            stream(self, message, kind)

    def then(self: Node) -> Any:
        if self.address == address:
            for one in [one for one in waiting if one[0] <= self.now_us]:
                waiting.remove(one)
                stream(self, *one[1:])
        return tick(self)

    monkeypatch.setattr(Node, "_stream", hold)
    monkeypatch.setattr(Node, "tick", then)


# --- the figures alone ---------------------------------------------------------------------------------------------


def path_of(limits: RampLimits, distance: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Positions of an ideal ramp, deg, one a millisecond, with rest before and after."""
    ramp = Ramp(limits)
    ramp.move(1e3 * distance)
    rows = [0.0] * 60
    while not ramp.at_rest:
        ramp.tick()
        rows.append(ramp.position / 1e3)
    return np.array(rows + [rows[-1]] * 200)


@pytest.mark.parametrize("seed", range(PAIRS))
def test_a_delay_and_a_scale_that_were_put_in(seed: int) -> None:
    """Ideal ramps on two travels, one late by a share of milliseconds, rounded to counts, sampled out of step."""
    rng = random.Random(seed)
    spans = (rng.uniform(50, 300), rng.uniform(50, 300))
    counts = (rng.uniform(0.001, 0.02), rng.uniform(0.001, 0.02))
    limits = RampLimits(1e3 * rng.uniform(60, 240), 1.5e6, 1.5e6, 3e7)
    way, delay, phase = 0.4 * spans[0], rng.uniform(-0.04, 0.04), rng.uniform(-5e-4, 5e-4)
    path = path_of(limits, way)
    time = np.arange(len(path)) / 1e3
    there = time + phase
    second = np.interp(there - delay, time, path) * spans[1] / spans[0]
    truth = float(np.max(np.abs(path - np.interp(time - delay, time, path))))

    def rounded(values: Any, step: float) -> Any:
        return np.floor(values / step + rng.random()) * step

    found = together.skew(
        together.Side(time, np.round(path, 3) / spans[0], rounded(path, counts[0]) / spans[0]),
        together.Side(there, np.round(second, 3) / spans[1], rounded(second, counts[1]) / spans[1]),
        spans, counts, 0.0,
    )  # fmt: skip
    assert abs(found.peak_deg - truth) <= found.uncertainty_deg
    assert found.uncertainty_deg < 0.15 + counts[1] * spans[0] / spans[1]
    assert abs(found.behind_s - delay) <= found.behind_u_s + 0.03 * abs(delay)  # the best shift is a straight line's
    assert found.rms_deg <= found.peak_deg


def test_what_cannot_be_compared_is_refused() -> None:
    time, still = np.arange(100) / 1e3, np.zeros(100)
    side = together.Side(time, still, still)
    with pytest.raises(ValueError, match="do not move"):
        together.skew(side, side, (60.0, 60.0), (0.01, 0.01), 0.0)
    with pytest.raises(ValueError, match="in common"):
        together.skew(side, side._replace(time_s=time + 5.0), (60.0, 60.0), (0.01, 0.01), 0.0)
    with pytest.raises(ValueError, match="no samples"):
        together.skew(side, together.Side(*[np.empty(0)] * 3), (60.0, 60.0), (0.01, 0.01), 0.0)


# --- random plants -------------------------------------------------------------------------------------------------


def random_cards(rng: random.Random, monkeypatch: pytest.MonkeyPatch) -> None:
    def cards(entry: AxisEntry) -> tuple[MotorCard, LensCard]:
        motor, lens = axis_cards(entry)
        rotor, ring = motor.rotor_coulomb_mnm * rng.uniform(0.6, 1.4), lens.coulomb_mnm * rng.uniform(0.5, 1.6)
        return (
            vary(motor, {
                "rotor_inertia_gcm2": motor.rotor_inertia_gcm2 * rng.uniform(0.7, 1.4),
                "rotor_coulomb_mnm": rotor, "rotor_breakaway_mnm": rotor * rng.uniform(1.1, 1.5),
                "gearhead_backlash_deg": rng.uniform(0.1, 1.0),
            }),
            vary(lens, {
                "coulomb_mnm": ring, "breakaway_mnm": ring * rng.uniform(1.1, 1.5),
                "viscous_mnm_s_per_rad": rng.uniform(3.0, 15.0), "ring_inertia_gcm2": rng.uniform(500.0, 3000.0),
            }),
        )  # fmt: skip

    monkeypatch.setattr(simrig, "axis_cards", cards)


@pytest.mark.parametrize("seed", range(PAIRS))
def test_the_skew_of_a_random_pair_is_that_of_its_rotors(
    seed: int, rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Truth: the rotors' angles in each millisecond, which only the simulator sees. One board may start late, their
    clocks are apart before they are set, and one may have other limits."""
    rng = random.Random(seed)
    random_cards(rng, monkeypatch)
    delay = rng.choice((0, rng.randint(1, 30), rng.randint(1, 30)))
    late(monkeypatch, delay)
    angles: list[tuple[float, float]] = []
    step = SimTransport.step

    def watched(self: SimTransport) -> None:
        step(self)
        one, two = (node.axes[0].drive.truth.rotor_deg for node in self.rig.nodes)
        angles.append((one, two))

    with benches(rig) as (first, second), on_bench(first.link, second.handle) as other:
        assert first.link.rig is not None
        for node in first.link.rig.nodes:
            node.clock_offset = rng.randrange(10**9)
        if seed % 3 == 0:
            other.handle.set("velocity-limit", rng.randint(40, 120))
        if seed % 3 == 1:
            other.handle.set("travel-max", rng.randint(20, 35))
        clock_u, agree = together._one_clock(first, other)
        assert agree.ok, agree
        speed = rng.uniform(40.0, 160.0)
        monkeypatch.setattr(SimTransport, "step", watched)
        sides, loads = together.one_pass(first, other, speed, rng.choice((1.0, -1.0)))
        spans = (60.0, other.travel[1] - other.travel[0])
        begun = len(angles)
        counts = (first.count_deg, other.count_deg)
        found = together.skew(sides[0], sides[1], spans, counts, clock_u)
    assert first.trouble is None
    assert other.trouble is None
    assert begun > len(found.time_s)
    # The pass is the end of the record: rest, ramp, rest. Zero is where both stood at its beginning.
    truth = np.array(angles)[-len(found.time_s) - 40 :]
    start = found.ring_deg[0]
    apart = (truth[:, 0] - truth[0, 0]) - (truth[:, 1] - truth[0, 1]) * spans[0] / spans[1] + start
    assert abs(found.peak_deg - float(np.max(np.abs(apart)))) <= found.uncertainty_deg
    assert found.uncertainty_deg < 0.05 + 0.0012 * max(speed, 40.0) + 4 * counts[0]
    assert min(loads) > 0
    if seed % 3 == 2:  # two ramps that are alike: the delay alone keeps them apart
        assert abs(found.behind_s - delay / 1e3) <= found.behind_u_s + 0.1e-3 + 0.03 * delay / 1e3


# --- the whole measurement -----------------------------------------------------------------------------------------


def test_a_good_pair_passes_over_speed_and_load(rig: Path) -> None:
    with benches(rig) as (one, two):
        before = two.handle.get("torque-moving")
        found = together.measure_together(one)
        assert two.handle.get("torque-moving") == before
        assert two.handle.get("telemetry-rate") == 0
        assert two.handle.status().owner == 0
    assert failed(found) == set()
    names = {quantity.name.split(":")[0] for quantity in found.quantities}
    assert names == {
        f"{speed}, {way}" for speed in ("25 % speed", "50 % speed", "100 % speed", "loaded") for way in ("up", "down")
    }  # fmt: skip
    assert len(found.records) == 8
    assert len(found.plots) == 3
    loaded, free = (
        int(found.quantity(f"{name}, up: greatest skew").method.split(" and ")[-1].split(" %")[0])
        for name in ("loaded", "100 % speed")
    )
    assert loaded > free + 10  # the same torque of a lower limit


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(
    ("delay", "changes", "wrong"),
    [
        (12, {}, {"one behind the other", "greatest skew"}),
        (0, {"velocity-limit": 120.0}, {"one behind the other", "greatest skew"}),
        (0, {"velocity-gain": 5.0}, {"one behind the other", "greatest skew"}),
    ],
)
def test_a_pair_that_does_not_stay_together_fails(
    delay: int, changes: dict[str, float], wrong: set[str], rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    late(monkeypatch, delay)
    found = measured(rig, changes)
    assert failed(found) == wrong
    if delay:
        quantity = found.quantity("50 % speed, up: second behind first")
        assert quantity.uncertainty is not None
        assert abs(quantity.value - 0.012) <= quantity.uncertainty
    if "velocity-limit" in changes:
        assert any("limits of velocity" in note for note in found.notes)
        ideal = [path_of(RampLimits(1e3 * v, 1.5e6, 1.5e6, 3e7), 24.0) for v in (240.0, 120.0)]
        size = max(map(len, ideal))
        fast, slow = (np.pad(one, (0, size - len(one)), mode="edge") for one in ideal)
        quantity = found.quantity("100 % speed, up: greatest skew of the setpoints")
        assert quantity.uncertainty is not None
        assert abs(quantity.value - float(np.max(np.abs(fast - slow)))) <= quantity.uncertainty


@pytest.mark.usefixtures("quick")
def test_a_board_that_does_not_take_the_clock_fails(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Node._stream

    def deaf(self: Node, message: Any, kind: Any) -> None:
        if not (self.address == 17 and isinstance(message.body, m.Clock)):
            stream(self, message, kind)

    monkeypatch.setattr(Node, "_stream", deaf)
    found = measured(rig)
    assert "clocks of the two nodes apart" in failed(found)


@pytest.mark.usefixtures("quick")
def test_the_partner_is_of_the_same_role_or_the_one_that_is_named(rig: Path) -> None:
    with benches(rig) as (one, _):
        assert together.partners(one) == [(17, 0)]
    with benches(rig, (16, 1), Plan(partner=(16, 1))) as (one, _):
        found = together.measure_together(one)
    assert failed(found) == set()
    assert "one clock" in {verdict.name for verdict in found.verdicts}
    with benches(rig, plan=Plan(partner=(16, 0))) as (one, _), pytest.raises(UsageProblem, match="itself"):
        together.measure_together(one)


def test_without_a_partner_it_says_so_and_judges_nothing(rig: Path) -> None:
    rig.write_text(rig.read_text().replace('role = "iris"', 'role = "free"', 1))
    with benches(rig) as (one, _):
        alone = together.measure_together(one)
    assert alone.verdicts == ()
    assert "--with" in alone.notes[0]


def test_a_partner_without_a_travel_is_left_alone_unless_it_is_named(rig: Path) -> None:
    with benches(rig) as (one, two):
        two.handle.set("travel-max", -30.0)
        found = together.measure_together(one)
        assert found.verdicts == ()
        assert "not known" in found.notes[0]
        one.plan = Plan(partner=(17, 0))
        with pytest.raises(UsageProblem, match="--find"):
            together.measure_together(one)


def test_a_shared_line_is_not_measured_and_says_so(rig: Path) -> None:
    rig.write_text(rig.read_text().replace("address = 16\n", "address = 16\nshared_line = true\n"))
    found = measured(rig)
    assert found.verdicts == ()
    assert "shared line" in found.notes[0]


def test_a_motor_that_is_too_weak_fails_and_ends_in_order(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def weak(entry: AxisEntry) -> tuple[MotorCard, LensCard]:
        motor, lens = axis_cards(entry)
        return vary(motor, {"peak_current_a": 0.04}), lens

    monkeypatch.setattr(simrig, "axis_cards", weak)
    found = measured(rig)
    assert any(not one.ok and one.name.startswith("passes") for one in found.verdicts)


def test_ctrl_c_ramps_both_down_at_once(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(KeyboardInterrupt), benches(rig) as (one, _):  # noqa: PT012
        link = one.link
        assert link.rig is not None
        axes = [node.axes[0] for node in link.rig.nodes]
        stopped: list[int] = []

        def interrupt(*_: object) -> None:
            if all(axis.state is State.MOVING and abs(axis.ramp.velocity) > 30_000 for axis in axes):
                undo()
                assert link.rig is not None
                stopped.append(link.rig.now_us)
                raise KeyboardInterrupt

        undo = link.subscribe(interrupt)
        ends = [0, 0]

        def watch() -> None:
            assert link.rig is not None
            for number, axis in enumerate(axes):
                if axis.state is State.MOVING:
                    ends[number] = link.rig.now_us

        step = link.rig.step

        def stepped() -> Any:
            said = step()
            watch()
            return said

        link.rig.step = stepped  # type: ignore[method-assign]
        together.measure_together(one)
    assert [axis.state for axis in axes] == [State.HOLDING] * 2
    assert [axis.owner for axis in axes] == [0, 0]
    assert all(end - stopped[0] <= 10_000 for end in ends)  # neither went on towards its target
    assert capsys.readouterr().err.count("is back as it was") == 2
