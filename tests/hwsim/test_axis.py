"""Motion of an axis: travel, velocity, acceleration and jerk limits, calibration by hand, changes of scale."""

from __future__ import annotations

import random

import pytest
from helpers import Bench

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.states import State


def test_a_move_past_the_travel_is_refused() -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Hold(0))
    for body in (m.Move(0, -1, 0), m.Stage(0, -1, 0), m.SetReference(0, -1)):
        assert bench.no(body) == (Refusal.PAST_TRAVEL, 0)
    for body in (m.Move(0, 100_001, 0), m.Stage(0, 100_001, 0), m.SetReference(0, 100_001)):
        assert bench.no(body) == (Refusal.PAST_TRAVEL, 1)
    assert bench.axis.state is State.HOLDING
    for end in (0, 100_000):
        bench.do(m.Move(0, end, 0))
        bench.until(State.HOLDING)
        assert bench.axis.position == end
        assert bench.status().flags >> Flag.ON_TARGET & 1


def test_a_streamed_setpoint_past_the_travel_is_cut_and_flagged() -> None:
    bench = Bench()
    bench.calibrate()
    for wanted, lands, cut in ((150_000, 100_000, 1), (70_000, 70_000, 0), (-(1 << 31), 0, 1), (0, 0, 0)):
        bench.cast(m.StreamRing(0, wanted), 0, node=16)
        bench.step(1500, keep=1)
        assert bench.axis.state is State.FOLLOWING
        assert bench.axis.position == lands
        assert bench.status().flags >> Flag.CLAMPED & 1 == cut
    for share, lands in ((65535, 100_000), (0, 0), (32768, 50_001)):
        bench.cast(m.StreamTravel(0, share), 0, node=16)
        bench.step(1500, keep=1)
        assert bench.axis.position == lands
        assert bench.status().travel == pytest.approx(share, abs=1)


@pytest.mark.parametrize(("velocity", "end", "flag"), [(30_000, 100_000, Flag.AT_HIGH), (-8_000_000, 0, Flag.AT_LOW)])
def test_a_run_ends_exactly_at_the_travel_limit(velocity: int, end: int, flag: Flag) -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Run(0, velocity))
    most = 0.0
    while bench.axis.state is State.RUNNING:
        bench.step(keep=1)
        most = max(most, abs(bench.axis.ramp.velocity))
        assert 0 <= bench.axis.ramp.position <= 100_000
    assert bench.axis.state is State.HOLDING
    assert bench.axis.ramp.position == end == bench.axis.position
    assert bench.status().flags >> flag & 1
    assert most == pytest.approx(min(abs(velocity), 240_000), rel=0.01)
    assert most <= 240_000


def test_before_calibration_only_slow_and_gentle() -> None:
    bench = Bench()
    bench.do(m.Take(0, 0))
    assert bench.no(m.Move(0, 0, 0))[0] is Refusal.NOT_CALIBRATED
    bench.do(m.Run(0, 200_000))
    bench.drive.asked.clear()
    speeds = []
    for _ in range(500):
        bench.step(keep=1)
        speeds.append(bench.axis.ramp.velocity)
    assert max(speeds) == pytest.approx(30_000, rel=1e-6)  # the finding speed
    assert {torque for _, _, torque in bench.drive.asked} == {60.0}  # the finding torque, in motion
    bench.do(m.Hold(0))
    bench.until(State.HOLDING)
    bench.drive.asked.clear()
    bench.step()
    assert bench.drive.asked[-1][2] == 60.0  # and at rest
    bench.do(m.Release(0))
    bench.calibrate()
    bench.do(m.Hold(0))
    bench.step()
    assert bench.drive.asked[-1][2] == 100.0
    bench.do(m.Run(0, 1000))
    bench.step()
    assert bench.drive.asked[-1][2] == 150.0


def test_travel_by_hand_in_either_order() -> None:
    for first in (0, 1):
        bench = Bench()
        bench.do(m.Take(0, 0))
        turn = 80.0 if first == 0 else -80.0
        bench.do(m.SetTravel(0, first))
        assert not bench.axis.calibrated
        bench.drive.turn_by_hand(turn)
        bench.step()
        bench.do(m.SetTravel(0, 1 - first))
        assert bench.axis.calibrated
        low, high = bench.axis.travel
        assert high - low == 80_000
        assert bench.status().travel == (65535 if first == 0 else 0)


def test_one_end_by_hand_does_not_keep_a_found_other_end() -> None:
    bench = Bench()
    bench.calibrate()
    bench.axis._ends_set.clear()  # as after finding stops
    bench.do(m.SetTravel(0, 1))
    assert not bench.axis.calibrated


def test_ends_by_parameter_count_when_both_were_given() -> None:
    bench = Bench()
    bench.do(m.Take(0, 0))
    bench.set("travel-max", 50_000)
    assert not bench.axis.calibrated  # where the ring stands is not known
    bench.set("travel-min", -20_000)
    assert bench.axis.calibrated
    bench.do(m.Move(0, -20_000, 0))
    bench.until(State.HOLDING)
    bench.set("travel-max", -20_000)
    assert bench.no(m.Move(0, -20_000, 0))[0] is Refusal.NOT_CALIBRATED


def test_reference_after_a_power_cycle_brings_the_stored_travel_back() -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Save(0))
    ring = bench.drive.ring_mdeg
    assert bench.axis.position == 50_000
    bench.rig.power_cycle()
    bench.drive.turn_by_hand(10.0)
    bench.step()
    bench.do(m.Take(0, 0))
    assert bench.axis.travel == (0, 100_000)
    assert bench.no(m.Move(0, 0, 0))[0] is Refusal.NOT_CALIBRATED
    bench.set("travel-max", 100_000)
    assert not bench.axis.calibrated  # one end alone says nothing about where the ring stands
    assert bench.no(m.SetReference(0, 100_001)) == (Refusal.PAST_TRAVEL, 1)
    bench.do(m.SetReference(0, 60_000))
    assert bench.axis.calibrated
    bench.do(m.Move(0, 50_000, 0))
    bench.until(State.HOLDING)
    assert bench.drive.ring_mdeg == pytest.approx(ring, abs=1.0)


def test_a_new_reference_while_holding_moves_nothing() -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Hold(0))
    ring = bench.drive.ring_mdeg
    bench.do(m.SetReference(0, 5_000))
    bench.step(100, keep=1)
    assert bench.axis.position == 5_000
    assert bench.drive.ring_mdeg == ring
    assert bench.axis.state is State.HOLDING


def test_release_and_hold_take_the_ring_where_it_stands() -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Move(0, 80_000, 0))
    bench.step(50)
    bench.do(m.Release(0))
    bench.until(State.RELEASED)
    bench.drive.turn_by_hand(-12.0)
    bench.step()
    here = bench.drive.ring_mdeg
    bench.do(m.Hold(0))
    bench.step(100, keep=1)
    assert bench.drive.ring_mdeg == pytest.approx(here, abs=1.0)
    bench.do(m.Move(0, bench.axis.position, 0))
    bench.until(State.HOLDING)
    assert bench.drive.ring_mdeg == pytest.approx(here, abs=1.0)


def test_a_change_of_scale_moves_nothing_and_ends_the_calibration() -> None:
    """With the real drive: position numbers go on, the ring stays, and the travel must be found again."""
    for name, value in (("direction", 1), ("ring-teeth", 60), ("encoder-counts", 9000)):
        bench = Bench(ideal=False)
        bench.do(m.Take(0, 0))
        bench.do(m.Hold(0))
        bench.set("owner-timeout", 60_000)
        bench.do(m.Run(0, 20_000))
        bench.step(700)
        bench.do(m.Stop(0))
        bench.until(State.HOLDING)
        bench.step(200)
        bench.set("travel-min", -50_000)
        bench.set("travel-max", 50_000)
        assert bench.axis.calibrated
        at, ring = bench.axis.position, bench.drive.truth.ring_deg
        assert abs(at) > 5_000
        bench.set(name, value)
        assert not bench.axis.calibrated
        bench.step(300)
        assert bench.axis.state is State.HOLDING
        assert bench.axis.position == pytest.approx(at, abs=60), name
        assert bench.drive.truth.ring_deg == pytest.approx(ring, abs=0.06), name


def test_restored_travel_of_older_numbers_does_not_count() -> None:
    bench = Bench()
    bench.calibrate()
    bench.do(m.Save(0))
    bench.set("travel-max", 90_000)
    bench.do(m.Restore(0, 0))
    assert bench.axis.travel == (0, 100_000)
    assert bench.axis.calibrated  # the numbers are still those of the save
    bench.do(m.SetReference(0, 20_000))
    bench.set("travel-max", 90_000)
    bench.do(m.Restore(0, 0))
    assert not bench.axis.calibrated


@pytest.mark.parametrize("seed", range(6))
def test_limits_hold_at_every_tick(seed: int) -> None:
    """Random commands, targets and limits. Bounds of each tick are those in force in it; a limit lowered in motion may
    be exceeded while the ramp returns inside it, so velocity and acceleration are held to what was there before."""
    rng = random.Random(seed)
    bench = Bench()
    bench.calibrate(90.0)
    bench.set("owner-timeout", 60_000)
    bench.set("following-limit", 90_000)
    axis, ramp = bench.axis, bench.axis.ramp
    names = {"velocity-limit": (1_000, 400_000), "acceleration-limit": (20_000, 4_000_000),
             "deceleration-limit": (20_000, 4_000_000), "jerk-limit": (1_000, 60_000)}  # fmt: skip
    moved = 0.0
    for _ in range(400):
        draw = rng.random()
        if draw < 0.15:
            name = rng.choice(list(names))
            bench.ask(m.Set(0, {"velocity-limit": 3, "acceleration-limit": 4, "deceleration-limit": 5,
                                "jerk-limit": 6}[name], rng.randint(*names[name])))  # fmt: skip
        elif draw < 0.45:
            bench.ask(m.Move(0, rng.randint(-5_000, 95_000), rng.choice((0, rng.randint(500, 300_000)))))
        elif draw < 0.6:
            bench.ask(m.Run(0, rng.randint(-400_000, 400_000)))
        elif draw < 0.8:
            bench.cast(m.StreamRing(0, rng.randint(-50_000, 150_000)), 0, node=16)
        elif draw < 0.9:
            bench.ask(rng.choice((m.Stop(0), m.Hold(0), m.Release(0))))
        else:
            bench.ask(m.MoveTravel(0, rng.randrange(65536), 0))
        for _ in range(rng.randint(1, 60)):
            limits = ramp.limits_in_force
            p, v, a = ramp.position, ramp.velocity, ramp.acceleration
            bench.step()
            after = ramp.limits_in_force
            top = max(limits.velocity, after.velocity)
            jerk = max(limits.jerk, after.jerk)
            most = max(limits.acceleration, limits.deceleration, after.acceleration, after.deceleration)
            assert 0.0 <= ramp.position <= 90_000.0
            # Lowering the jerk limit in motion lets v gain what the present a still adds: a^2 / 2j.
            over = a * a / (2 * min(limits.jerk, after.jerk))
            assert abs(ramp.velocity) <= max(top, abs(v)) + over + 1e-3
            assert abs(ramp.acceleration) <= max(most, abs(a)) + 1e-3
            assert abs(ramp.acceleration - a) <= jerk * 1.001e-3 + 1e-3
            if axis.state is State.RELEASED:
                continue  # the setpoint follows the free ring, in whole mdeg
            # At rest the ramp is put on its target from up to 2^-10 mdeg (see `ramp_fixed.NEAR`).
            assert ramp.velocity * 1e-3 == pytest.approx(ramp.position - p, abs=1e-3)
            assert axis.state is not State.FAULTED
            moved += abs(ramp.position - p)
    assert moved > 50_000
