"""The soak in its shortest form, on one axis, and that its verdict sees what is wrong."""

from __future__ import annotations

import multiprocessing
from collections import Counter

import long_soak
import pytest
import soak_watch
from long_soak import GROWTH_MB, verdict, virtual
from soak_watch import Held, Incident, OwnTime, both, excused, held

from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import CheckFailed, NoAnswer
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport


def test_the_soak_begins_well_and_its_verdict_can_fail() -> None:
    done = virtual(12.0, rig_name="single")
    assert verdict(done) == []
    assert done.requests == 9
    assert done.moves == 3
    assert 0.0 < done.worst_deg < 0.1
    for change, says in (
        ({"rss_end_mb": done.rss_start_mb + GROWTH_MB + 1.0}, "memory grew"),
        ({"wrong": Counter(unanswered=1)}, "1 requests without an answer"),
        ({"wrong": Counter(refused=1)}, "1 moves refused"),
        ({"wrong": Counter(unrested=2)}, "2 moves not at rest"),
        ({"wrong": Counter(repeat=3)}, "3 repeated requests"),
        ({"drift_ms": -61.0}, "clocks drifted -61.0 ms apart"),
        ({"lost": Counter({"motion 16.0": 3})}, "3 gaps in telemetry and damaged frames: motion 16.0 3"),
        ({"worst_deg": 0.3}, "0.300 deg off"),
        # what the machine accounts for is not held against the protocol, the rest is
        ({"wrong": Counter(repeat=3), "requests": 1000, "excused": Counter(repeat=2)}, "1 repeated requests"),
        ({"wrong": Counter(repeat=9), "excused": Counter(repeat=9)}, "nothing is proved"),
        ({"held_up": Held(9, 0.7, 0.2)}, "nothing is proved"),
        ({"drift_ms": -200.0, "behind_ms": 80.0, "held_up": Held(1, 0.2, 0.2)}, "drifted -200.0 ms apart, the rig"),
        ({"drift_ms": -200.0, "behind_ms": 200.0}, "fell 200.0 ms behind, and was held up for 0.0 ms only"),
    ):
        (word,) = verdict(done._replace(**change))
        assert says in word
    busy = {"drift_ms": -200.0, "behind_ms": 195.0, "held_up": Held(2, 0.25, 0.2), "requests": 1000}
    assert verdict(done._replace(**busy, wrong=Counter(repeat=1), excused=Counter(repeat=1))) == []


def test_hold_ups_explain_only_what_went_wrong_in_their_time() -> None:
    theirs, ours = [(10.0, 10.1), (20.0, 20.3)], [(10.05, 10.2), (30.0, 30.02)]
    assert held([*theirs, *ours], 0.0, 40.0) == pytest.approx((3, 0.52, 0.3))
    assert held(theirs, 10.05, 20.1) == pytest.approx((2, 0.15, 0.1))
    assert held(theirs, 11.0, 19.0) == (0, 0.0, 0.0)
    incidents = [
        Incident("repeat", 9.9, 10.15), Incident("repeat", 15.0, 15.3), Incident("unanswered", 19.9, 20.2),
        Incident("unanswered", 29.9, 30.5), Incident("unrested", 18.0, 22.0), Incident("refused", 14.0, 22.0),
    ]  # fmt: skip
    why = excused(incidents, [*theirs, *ours])
    assert why == [incidents[0], incidents[2], incidents[5]]
    assert both(theirs, ours) == [(10.05, 10.1)]


def test_only_what_a_node_streams_counts_as_lost() -> None:
    assert [long_soak.radio(name) for name in ("knob 2.15", "motion 16.0", "status 126.7", "crc", "guide 15.0")] == [
        True, False, False, False, True
    ]  # fmt: skip


def test_own_time_sees_a_process_that_was_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    times = [0.0, 0.005, 0.011, 0.031, 0.2, 0.205]
    left = iter(times)
    own = OwnTime()
    monkeypatch.setattr(soak_watch.time, "monotonic", lambda: next(left))
    looks = iter([False] * (len(times) - 1) + [True])
    monkeypatch.setattr(own._over, "wait", lambda seconds: next(looks))
    own._look()
    assert own.hold_ups == [pytest.approx((0.036, 0.2))]


def test_a_watched_rig_notes_when_it_was_not_stepped(monkeypatch: pytest.MonkeyPatch) -> None:
    class Value:
        value = 0.0

    rig = soak_watch.WatchedRig(load_rig("single"))
    rig.gaps, rig.behind = [], Value()  # type: ignore[assignment]
    now = iter([5.0, 5.0, 5.001, 5.001, 5.201, 5.202])  # before and after each step
    monkeypatch.setattr(soak_watch.time, "monotonic", lambda: next(now))
    for _ in range(3):
        rig.step()
    assert rig.gaps == [pytest.approx((5.002, 5.201))]
    assert rig.behind.value == pytest.approx(0.199)


def test_a_motor_that_finds_no_stops_ends_the_soak_with_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = load_rig("single")

    def blocked(name: str) -> RigFile:
        return rig

    def no_stops(self: AxisHandle) -> None:
        raise CheckFailed("axis 0 of node 16 has a fault, motor-stalled; clear it when its cause is gone.")

    monkeypatch.setattr(long_soak, "load_rig", blocked)
    monkeypatch.setattr(AxisHandle, "find_stops", no_stops)
    monkeypatch.setattr("sys.argv", ["long_soak.py", "--hours", "0.01"])
    assert long_soak.main() == 1
    out, err = capsys.readouterr()
    assert "ended after 0 s: axis 0 of node 16 has a fault, motor-stalled" in out
    assert out.count("\n") == 1
    assert "Traceback" not in err


def test_preparation_is_tried_again_only_when_the_machine_was_busy() -> None:
    class Busy:
        """A machine that is held up for so long each time that something is tried."""

        def __init__(self, step: float) -> None:
            self.step, self.total = step, 0.0

        def trouble_s(self) -> float:
            self.total += self.step
            return self.total

    transport = SimTransport(SimRig(load_rig("single")))
    with Link.over(transport, transport.clock) as link:
        for machine, expected in ((Busy(0.2), long_soak.TRIES), (Busy(0.01), 1), (None, 1)):
            tried: list[int] = []

            def fails(tried: list[int] = tried) -> None:
                tried.append(1)
                raise NoAnswer("no answer")

            with pytest.raises(NoAnswer):
                long_soak.patiently(link, machine, fails)  # type: ignore[arg-type]
            assert len(tried) == expected


def test_hold_ups_of_both_processes_are_collected_whatever_came_before() -> None:
    class Value:
        value = 0.25

    ours, theirs = multiprocessing.Pipe()
    machine = soak_watch.Machine(1, Value())  # type: ignore[arg-type]
    machine._own.hold_ups.append((1.0, 1.5))
    assert machine.trouble_s() >= 0.75
    theirs.send("serial:socket://127.0.0.1:1")
    theirs.send([(2.0, 2.1)])
    assert machine.end(ours)[:2] == [(2.0, 2.1), (1.0, 1.5)]
