"""Bounds of `ringlet bus` against simulated frames, short: serial lines, and CAN with errors on the bus.

Long forms: tests/hwsim/long_serial.py, and long_bus.py --errors. CAN without errors: tests/external.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from long_bus import ERROR_PLANS, Slowest, Traffic, Trial, WithinModel, simulate
from long_serial import SERIAL_PLANS, SerialTrial

from ringlet.hwsim.serial_line import SerialLine
from ringlet.tools.bus_load import Plan, budget
from ringlet.tools.response_times import Errors


def nearest_by_plan(slowest: Slowest) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for (plan, _), (share, _, _) in slowest.worst.items():
        found.setdefault(plan, []).append(share)
    return {plan: sorted(shares) for plan, shares in found.items()}


def test_serial_frames_never_come_later_than_their_bound_and_come_near_it() -> None:
    slowest = simulate(8000, 2, SERIAL_PLANS, make=SerialTrial)
    assert slowest.late == []
    assert slowest.frames >= 8000
    shares = nearest_by_plan(slowest)
    assert len(shares) == len(SERIAL_PLANS)
    for near in shares.values():
        assert near[-1] > 0.98
        assert near[len(near) // 2] > 0.9


def test_frames_on_a_bus_with_errors_never_come_later_than_their_bound_and_come_near_it() -> None:
    slowest = simulate(25_000, 3, ERROR_PLANS)
    assert slowest.late == []
    assert slowest.errors > 1000
    shares = nearest_by_plan(slowest)
    assert len(shares) == len(ERROR_PLANS)
    for near in shares.values():
        assert near[-1] > 0.9
        assert near[len(near) // 2] > 0.85


def test_a_bound_that_forgets_something_is_broken() -> None:
    """Bounds for an easier plan than the one that is played: without its errors, or with an answer half as late."""

    class Forgetful(SerialTrial):
        def __init__(self, plan: Plan, rng: random.Random) -> None:
            super().__init__(plan, rng)
            easier = budget(replace(plan, reply_ms=plan.reply_ms / 2))
            self.bounds = {row.ident: row.response_ms or 0.0 for row in easier.rows}

    (shared, *_) = [plan for plan in SERIAL_PLANS if plan.shared]
    assert simulate(4000, 2, [shared], make=Forgetful).late

    def without_errors(plan: Plan, rng: random.Random) -> Traffic:
        trial = Trial(plan, rng)
        trial.bounds = {row.ident: row.response_ms or 0.0 for row in budget(replace(plan, burst=1)).rows}
        return trial

    assert simulate(20_000, 3, ERROR_PLANS[:1], make=without_errors).late


@pytest.mark.parametrize(("burst", "gap"), [(1, 1000), (3, 2500)])
def test_flipped_bits_stay_inside_the_error_model(burst: int, gap: int) -> None:
    errors, rng = Errors(burst, gap, 0), random.Random(burst)
    flips = WithinModel(burst, gap, rng)
    places: list[int] = []
    at = 0
    for number in range(3000):
        if number % 200 == 0:
            flips.attack = None if number % 400 else (at + 300, 100)
        length = rng.randrange(80, 161)
        places += flips.between(at, at + length)
        at += length + rng.choice((3, 3, 30, 3000))
    assert len(places) > 100
    most = 0
    for first in range(len(places)):
        for last in range(first, min(first + 12, len(places))):
            allowed = errors.cost(places[last] - places[first] + 1, 1)  # each costs 1 here
            assert last - first + 1 <= allowed
            most = max(most, last - first + 1 - allowed)
    assert most == 0  # and the model is used up


def test_the_serial_line_says_when_a_station_is_done() -> None:
    line = SerialLine(100_000)
    for name in ("control", "node"):
        line.attach(name)
    assert line.free_at(0) == 0
    line.send(0, 1, b"\1", 500)
    end = line.free_at(0)
    (one,) = line.advance(end)
    assert (one.at_us, line.free_at(1)) == (end, 0)
    line.send(0, 2, b"\1", end)
    assert line.free_at(0) == 2 * end - 500
