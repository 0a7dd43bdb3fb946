"""Faults: each is latched, reacted to as the table of faults says, and cleared only when its cause is gone."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from helpers import Bench

from ringlet.hwsim.rigfile import load_rig
from ringlet.protocol import messages as m
from ringlet.protocol.codes import FAULTS, Fault, Flag, Refusal
from ringlet.protocol.header import EVERYONE
from ringlet.protocol.states import State


def running(*, slow_brake: bool = True) -> Bench:
    bench = Bench()
    bench.calibrate()
    if slow_brake:
        bench.set("deceleration-limit", 20_000)
    bench.set("owner-timeout", 60_000)
    bench.do(m.Run(0, 20_000))
    bench.step(300)
    assert bench.axis.state is State.RUNNING
    return bench


def lower_supply(bench: Bench, volts: float) -> None:
    bench.drive.supply.volts = bench.drive.supply.bus_v = volts


CAUSES: dict[Fault, tuple[Callable[[Bench], None], Callable[[Bench], None]]] = {
    Fault.WINDING_HOT: (
        lambda b: setattr(b.drive, "winding_c", 121.0), lambda b: setattr(b.drive, "winding_c", 119.0)
    ),
    Fault.CASE_HOT: (lambda b: setattr(b.drive, "case_c", 71.0), lambda b: setattr(b.drive, "case_c", 69.0)),
    Fault.SUPPLY_LOW: (lambda b: lower_supply(b, 7.0), lambda b: lower_supply(b, 24.0)),
    Fault.ENCODER: (lambda b: setattr(b.drive, "encoder_ok", False), lambda b: setattr(b.drive, "encoder_ok", True)),
}  # fmt: skip


@pytest.mark.parametrize("fault", list(CAUSES))
def test_fault_with_a_standing_cause(fault: Fault) -> None:
    bench = running()
    begin, end = CAUSES[fault]
    begin(bench)
    said = bench.step(2)
    assert [(one.dst, one.axis, one.body.fault) for one in said if isinstance(one.body, m.FaultEvent)] == [
        (EVERYONE, 0, fault)
    ]
    if FAULTS[fault].reaction == "ramp":
        assert bench.axis.state is State.STOPPING
        speed = bench.axis.ramp.velocity
        bench.step(100)
        assert 0 < bench.axis.ramp.velocity < speed
        bench.until(State.FAULTED)
    assert bench.axis.state is State.FAULTED
    assert bench.axis.ramp.at_rest
    bench.step()
    assert bench.drive.asked[-1][0] is False  # the ring is free
    assert bench.status().fault == fault
    faults = bench.ask(m.GetFaults(0))
    assert (faults.present, faults.latched) == (1 << fault, 1 << fault)
    assert bench.no(m.Hold(0)) == (Refusal.FAULTED, fault)
    assert bench.no(m.ClearFault(0), src=9) == (Refusal.FAULTED, fault)  # the cause is still there
    assert bench.axis.state is State.FAULTED
    end(bench)
    bench.step(5)
    faults = bench.ask(m.GetFaults(0))
    assert (faults.present, faults.latched) == (0, 1 << fault)  # latched
    assert bench.no(m.Hold(0)) == (Refusal.FAULTED, fault)
    bench.do(m.ClearFault(0), src=9)  # anyone may
    assert bench.axis.state is State.RELEASED
    assert bench.status().fault == 0
    bench.do(m.Hold(0))
    if fault is Fault.ENCODER:
        assert bench.no(m.Move(0, 0, 0))[0] is Refusal.NOT_CALIBRATED
    else:
        bench.do(m.Move(0, 0, 0))


def test_a_dip_that_is_over_before_the_axis_rests_stays_latched() -> None:
    bench = running()
    lower_supply(bench, 7.0)
    bench.step(3)
    lower_supply(bench, 24.0)
    bench.step(3)
    assert bench.axis.state is State.STOPPING
    bench.cast(m.ClearFault(0), 0, node=16)
    bench.until(State.FAULTED)
    assert bench.status().fault == Fault.SUPPLY_LOW


def test_owner_lost_while_braking_for_a_fault_ends_in_the_fault() -> None:
    bench = running()
    bench.set("on-loss", 1)
    bench.drive.case_c = 71.0
    bench.step(2)
    bench.axis.owner_left = 5
    bench.until(State.FAULTED, keep=0)
    assert bench.axis.owner == 0


def test_blocked_ring_is_a_stall() -> None:
    bench = running()
    bench.set("following-limit", 90_000)
    bench.drive.blocked = True
    spent = bench.until(State.FAULTED)
    assert 299 <= spent <= 302  # the stall time
    assert bench.axis.latched == {Fault.STALL}
    bench.step(2)
    bench.do(m.ClearFault(0))  # the drive is off, so nothing pushes any more
    assert bench.axis.state is State.RELEASED


def test_a_standing_axis_that_is_pushed_does_not_stall() -> None:
    bench = running()
    bench.do(m.Stop(0))
    bench.until(State.HOLDING)
    bench.drive.stops_mdeg = (bench.drive.ring_mdeg - 500.0, bench.drive.ring_mdeg - 400.0)
    bench.step(2000)
    assert bench.axis.reading.torque_limited
    assert bench.axis.state is State.HOLDING


def test_ring_far_from_its_setpoint_is_a_following_fault() -> None:
    bench = running()
    bench.set("stall-time", 5000)
    bench.set("following-limit", 3_000)
    bench.drive.blocked = True
    spent = bench.until(State.FAULTED)
    assert 145 <= spent <= 155  # 3 deg at 20 deg/s
    assert bench.axis.latched == {Fault.FOLLOWING}


def test_torque_falls_below_the_winding_limit() -> None:
    bench = running()
    torques = []
    for winding in (100.0, 105.0, 110.0, 115.0, 119.9):
        bench.drive.winding_c = winding
        bench.step(2)
        torques.append(bench.drive.asked[-1][2])
    assert torques == pytest.approx([150.0, 112.5, 75.0, 37.5, 0.75])
    assert bench.status().flags >> Flag.DERATED & 1
    assert bench.axis.state is State.RUNNING


def test_a_lens_without_stops() -> None:
    bench = Bench()
    bench.do(m.Take(0, 0))
    bench.set("owner-timeout", 60_000)
    bench.set("finding-reach", 20_000)
    bench.do(m.FindStops(0))
    spent = bench.until(State.FAULTED)
    assert 650 < spent < 1500  # 20 deg at 30 deg/s, and the ramp down
    assert bench.axis.latched == {Fault.NO_STOP_FOUND}
    assert not bench.axis.calibrated
    bench.do(m.ClearFault(0))
    bench.calibrate()
    bench.do(m.Move(0, 10_000, 0))


def test_a_failed_search_keeps_the_travel_and_its_limits() -> None:
    bench = Bench()
    bench.calibrate()
    bench.set("finding-reach", 5_000)
    bench.do(m.FindStops(0))
    bench.until(State.FAULTED)
    bench.do(m.ClearFault(0))
    assert bench.axis.travel == (0, 100_000)
    bench.do(m.Run(0, -240_000))
    bench.until(State.HOLDING)
    assert bench.axis.position == 0


def test_a_search_that_is_stopped_at_a_stop_does_not_go_on_pushing() -> None:
    bench = Bench()
    bench.calibrate()
    bench.drive.stops_mdeg = (bench.drive.ring_mdeg - 10_000.0, bench.drive.ring_mdeg + 10_000.0)
    bench.do(m.FindStops(0))
    while not bench.axis.reading.torque_limited:
        bench.step()
    bench.step(20)
    bench.do(m.Stop(0))
    bench.until(State.HOLDING)
    bench.step(50, keep=1)
    assert not bench.axis.reading.torque_limited
    bench.drive.stops_mdeg = None
    bench.do(m.Run(0, 240_000))
    bench.until(State.HOLDING)
    assert bench.axis.position == 100_000  # the old travel counts again


def test_real_drive_blocked_dead_and_hot() -> None:
    """The same with physics: a blocked ring stalls, a dead encoder is noticed, heat outside ends in a fault."""
    for inject, wanted in (
        (lambda faults: setattr(faults, "ring_blocked", True), {Fault.STALL, Fault.FOLLOWING}),
        (lambda faults: setattr(faults, "encoder_dead", True), {Fault.ENCODER, Fault.FOLLOWING, Fault.STALL}),
    ):
        bench = Bench(ideal=False)
        bench.do(m.Take(0, 0))
        bench.do(m.Run(0, 20_000))
        bench.step(300, keep=1)
        inject(bench.drive.faults)
        bench.until(State.FAULTED)
        assert bench.axis.latched
        assert bench.axis.latched <= wanted
    bench = Bench(ideal=False)
    bench.step(200)  # asleep by now
    bench.drive.faults.ambient_c = 70.0
    bench.step(2000)
    assert bench.axis.reading.case_c > 20.09  # it woke up
    bench = Bench(load_rig("single").model_copy(update={"ambient_c": 68.0}), ideal=False)
    bench.set("case-limit", 670)
    bench.step(2)
    assert bench.axis.latched == {Fault.CASE_HOT}
    assert bench.no(m.ClearFault(0)) == (Refusal.FAULTED, Fault.CASE_HOT)
