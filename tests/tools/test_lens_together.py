"""One value for several motors: each goes to the place in its own marks, and all start in one tick."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from ringlet.protocol import messages as m
from ringlet.protocol.header import KIND_MASK, KIND_SHIFT
from ringlet.protocol.wire import KINDS
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.lens import marksfile, together, transfer
from ringlet.tools.lens.pair import pair_of
from ringlet.tools.lens.wiretable import table_of
from ringlet.tools.link import Link

FOCUS = ("focus-long", "focus-long-right")
SYNC = KINDS.by_class[m.Sync].code
PAIR = 'name = "pair"\n' + "".join(
    f"""
[[nodes]]
unique_id = {number}
address = {number}
[[nodes.axes]]
motor = "medium"
lens = "focus-long"
role = "focus"
ring_start_deg = 150.0
"""
    for number in (16, 17)
)


@pytest.fixture
def ready(tmp_path: Path) -> Iterator[Link]:
    """A pair of focus motors that hold their marks and were told where they stand, which is quicker than finding."""
    pair = pair_of(*map(marksfile.load, FOCUS))
    path = tmp_path / "pair.toml"
    path.write_text(PAIR)
    with Link.open(f"sim:{path}") as link:
        for node, table in zip((16, 17), pair.tables, strict=True):
            handle = link.axis(node, 0)
            transfer.upload(handle, table)
            handle.take()
            handle.set("travel-min", 0)
            handle.set("travel-max", 300)
            link.request(m.SetReference(0, 150_000), node=node, axis=0)
        yield link


def test_both_go_to_one_distance_and_start_in_one_tick(ready: Link) -> None:
    handles = [ready.axis(16, 0), ready.axis(17, 0)]
    goals = together.targets(handles, 1.2, "distance")
    assert goals[0].ring_deg - goals[1].ring_deg == pytest.approx(2.0, abs=0.3)
    together.within_travel(goals)
    began: dict[int, float] = {}
    rig = ready.rig
    assert rig is not None
    step = rig.step

    def watched() -> object:
        said = step()
        for number, node in enumerate(rig.nodes):
            if number not in began and abs(node.axes[0].ramp.velocity) > 0:
                began[number] = rig.now_us
        return said

    rig.step = watched  # type: ignore[method-assign,assignment]
    arrived = together.go(ready, goals, 1.2, 60.0)
    assert began[0] == began[1]
    for one, goal, name in zip(arrived, goals, FOCUS, strict=True):
        assert one.setpoint_deg == pytest.approx(goal.ring_deg, abs=1e-3)
        assert one.position_deg == pytest.approx(goal.ring_deg, abs=0.15)
        reached = marksfile.load(name).curve().value_at(one.setpoint_deg)
        assert reached == pytest.approx(1.2, abs=1e-3)


def test_the_longer_way_is_the_faster(ready: Link) -> None:
    one, other = ready.axis(16, 0), ready.axis(17, 0)
    one.move(150.0)
    other.move(100.0)
    sent: list[int] = []
    ask = ready.request

    def listen(body: object, **where: object) -> object:
        if isinstance(body, m.StageValue):
            sent.append(body.speed)
        return ask(body, **where)  # type: ignore[arg-type]

    ready.request = listen  # type: ignore[method-assign,assignment]
    goals = together.targets([one, other], math.inf, "distance")
    together.go(ready, goals, math.inf, 100.0)
    assert max(sent) == sent[1] == 100_000
    assert sent[0] / sent[1] == pytest.approx((goals[0].ring_deg - 150) / (goals[1].ring_deg - 100), rel=0.01)


def test_a_motor_that_is_stopped_on_the_way_is_named(ready: Link) -> None:
    handles = [ready.axis(16, 0), ready.axis(17, 0)]
    goals = together.targets(handles, 0.5, "distance")
    wait = ready.wait

    def stopping(seconds: float) -> None:
        wait(seconds + 0.2)
        ready.stop(17, 0)

    ready.wait = stopping  # type: ignore[method-assign]
    with pytest.raises(CheckFailed, match="axis 0 of node 17 came to rest before its target"):
        together.go(ready, goals, 0.5, 60.0)


@pytest.mark.parametrize("deaf", [16, 17])
def test_a_start_that_was_lost_is_no_arrival(ready: Link, deaf: int) -> None:
    handles = [ready.axis(16, 0), ready.axis(17, 0)]
    for handle in handles:
        handle.move(100.0)  # so that both are on a target, an old one
    assert ready.rig is not None
    board = next(node for node in ready.rig.nodes if node.address == deaf)
    hear = board.hear

    def deafened(ident: int, data: bytes) -> object:
        return [] if ident >> KIND_SHIFT & KIND_MASK == SYNC else hear(ident, data)

    board.hear = deafened  # type: ignore[method-assign,assignment]
    goals = together.targets(handles, 0.5, "distance")
    with pytest.raises(CheckFailed, match=f"axis 0 of node {deaf} did not start and stands at"):
        together.go(ready, goals, 0.5, 60.0)


def test_a_slow_move_has_the_time_that_it_needs(ready: Link) -> None:
    handles = [ready.axis(16, 0), ready.axis(17, 0)]
    goals = together.targets(handles, 0.9, "distance")
    way = max(abs(goal.ring_deg - handle.position()) for goal, handle in zip(goals, handles, strict=True))
    begin = ready.clock.now()
    together.go(ready, goals, 0.9, way / 90.0)
    assert ready.clock.now() - begin > 80.0


def moved(link: Link) -> bool:
    assert link.rig is not None
    return any(axis.ramp.velocity != 0 for node in link.rig.nodes for axis in node.axes)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [(0.3, "distance", "lies outside the marks of axis 0 of node 16"), (2.0, "stop", "holds distance marks")],
)
def test_a_value_that_one_cannot_reach_moves_none(ready: Link, value: float, unit: str, words: str) -> None:
    with pytest.raises(UsageProblem, match=words):
        together.targets([ready.axis(16, 0), ready.axis(17, 0)], value, unit)
    ready.wait(0.1)
    assert not moved(ready)


def test_a_narrower_travel_of_one_stops_both(ready: Link) -> None:
    ready.axis(17, 0).set("travel-max", 200.0)
    goals = together.targets([ready.axis(16, 0), ready.axis(17, 0)], math.inf, "distance")
    with pytest.raises(UsageProblem, match=r"axis 0 of node 17 would go to 300\.00 deg, past its travel"):
        together.within_travel(goals)
    assert not moved(ready)


def test_no_marks_no_travel() -> None:
    with Link.open("sim:pair") as link:
        with pytest.raises(UsageProblem, match="holds no marks"):
            together.targets([link.axis(16, 0)], 2.0, "distance")
        transfer.upload(link.axis(16, 0), table_of(marksfile.load("focus-long").curve()))
        goals = together.targets([link.axis(16, 0)], 2.0, "distance")
        with pytest.raises(UsageProblem, match="travel of axis 0 of node 16 is not known"):
            together.within_travel(goals)
