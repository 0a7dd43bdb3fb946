"""Finding end stops with the real drive, on every kind of axis of the shipped rigs."""

from __future__ import annotations

import math

import pytest
from helpers import Bench

from ringlet.hwsim.plant_setup import lost_motion_deg
from ringlet.hwsim.rigfile import AxisEntry, RigFile, axis_cards, load_rig, shipped_rigs
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Fault
from ringlet.protocol.states import State

COUNTING_DEG = 0.06
"""Encoder steps and the band in which the loops let the ring rest, seen at the ring."""


def bending_deg(axis: AxisEntry, torque_nm: float) -> float:
    """How far gears and stop give way under this torque at the motor's shaft, friction left out (Hooke)."""
    motor, lens = axis_cards(axis)
    at_ring = torque_nm * lens.ring_teeth / motor.gear_teeth
    return math.degrees(at_ring / lens.mesh_stiffness_nm_per_rad + at_ring / lens.stop_stiffness_nm_per_rad)


def kinds_of_axis() -> dict[str, AxisEntry]:
    """One entry for each motor, lens and setting that a shipped rig uses with hard stops, wherever the ring starts."""
    found = {}
    for name in shipped_rigs():
        for node in load_rig(name).nodes:
            for axis in node.axes:
                if axis_cards(axis)[1].stop_min_deg is not None:
                    found[f"{axis.motor} {axis.lens} {sorted(axis.parameters.items())}"] = axis
    return found


KINDS = kinds_of_axis()


@pytest.mark.parametrize("name", sorted(KINDS))
def test_the_true_travel_is_found(name: str) -> None:
    entry = KINDS[name]
    motor, lens = axis_cards(entry)
    assert lens.stop_min_deg is not None
    assert lens.stop_max_deg is not None
    near = entry.model_copy(update={"ring_start_deg": lens.stop_min_deg + 12.0})  # saves time on the way down
    node = load_rig("single").nodes[0].model_copy(update={"axes": [near]})
    bench = Bench(RigFile(name="one", nodes=[node]), ideal=False)
    bench.do(m.Take(0, 0))
    bench.set("owner-timeout", 60_000)
    bench.do(m.FindStops(0))
    most = 0.0
    while bench.axis.state is State.FINDING:
        bench.step()
        most = max(most, abs(bench.axis.reading.torque_mnm))
    assert bench.axis.state is State.HOLDING
    assert most <= bench.get("torque-finding") * 1.02 + 2.0  # current loop ripple
    low, high = bench.axis.travel
    assert low == 0
    backoff, play = bench.get("finding-backoff") / 1000, lost_motion_deg(motor, lens)
    stops = lens.stop_max_deg - lens.stop_min_deg
    # The encoder sits on the motor: play and bending at both ends are seen as travel, never the other way round.
    flex = bending_deg(entry, bench.get("torque-finding") / 1000)
    assert stops - 2 * backoff <= high / 1000 <= stops - 2 * backoff + play + 2 * flex + COUNTING_DEG
    # And position 0 lies inside the true lower stop.
    bench.do(m.Move(0, 0, 0))
    bench.until(State.HOLDING, 20_000)
    bench.step(100, keep=1)
    assert bench.drive.truth.ring_deg == pytest.approx(lens.stop_min_deg + backoff, abs=play + flex + COUNTING_DEG)
    assert bench.drive.truth.ring_deg > lens.stop_min_deg + 0.2
    assert abs(bench.axis.position) <= 1000 * COUNTING_DEG + 10


def test_all_shipped_rigs_have_hard_stops() -> None:
    """So that the test above has seen each of their axes."""
    assert len(KINDS) == 7
    for name in shipped_rigs():
        assert all(axis_cards(axis)[1].stop_min_deg is not None for node in load_rig(name).nodes for axis in node.axes)


def no_stops() -> Bench:
    axis = AxisEntry(motor="medium", lens="focus-short", role="focus", ring_start_deg=40.0)
    node = load_rig("single").nodes[0].model_copy(update={"axes": [axis]})
    bench = Bench(RigFile(name="one", nodes=[node]), ideal=False)
    bench.do(m.Take(0, 0))
    bench.set("owner-timeout", 60_000)
    return bench


def test_a_real_ring_without_stops() -> None:
    bench = no_stops()
    bench.set("finding-reach", 60_000)
    bench.do(m.FindStops(0))
    bench.until(State.FAULTED)
    assert bench.axis.latched == {Fault.NO_STOP_FOUND}


def test_real_travel_by_hand() -> None:
    bench = no_stops()
    bench.step(200)  # the resting drive is not stepped any more, and must notice the hand
    bench.drive.turn_by_hand(-30.0)
    bench.step(2)
    bench.do(m.SetTravel(0, 0))
    bench.step(200)
    bench.drive.turn_by_hand(70.0)
    bench.step(2)
    bench.do(m.SetTravel(0, 1))
    low, high = bench.axis.travel
    assert (high - low) / 1000 == pytest.approx(70.0, abs=0.3)
    bench.do(m.Move(0, low, 0))
    bench.until(State.HOLDING)
    bench.step(200)
    assert bench.drive.truth.ring_deg == pytest.approx(10.0, abs=0.5)
