"""The bench thread when frames are lost: a stop beats what is still being asked, and no ring turns on unheld."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from typing import Any

import pytest
from conftest import serving
from page_helpers import Wall, at_rest, find, fresh, own, shot

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of, unpack
from ringlet.tools.errors import LinkProblem, NoAnswer, RingletError
from ringlet.tools.page.actions import act
from ringlet.tools.page.bench_thread import Bench, wait_for

LEFT, RIGHT = (16, 0), (17, 0)


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    wall = Wall()
    with Bench("sim:pair", wall=wall) as one:
        with wall.hurried():
            find(one, LEFT, RIGHT)
        yield one


@pytest.fixture
def pair(bench: Bench) -> Iterator[Bench]:
    """Both focus rings owned, at rest in the middle; stopped afterwards."""
    own(bench, LEFT, RIGHT)
    for place in (LEFT, RIGHT):
        bench.on_axis(place, lambda handle: handle.move(150.0, wait=False)).result(5)
    assert wait_for(lambda: all(abs(shot(bench, one).position - 150) < 1 for one in (LEFT, RIGHT)), 20)
    at_rest(bench, LEFT, RIGHT)
    yield bench
    bench.stop_all().result(5)
    at_rest(bench, LEFT, RIGHT)


@contextmanager
def swallowed(
    bench: Bench, wanted: Callable[[int, Any], bool], most: int, then: Callable[[], object] = lambda: None
) -> Iterator[list[Any]]:
    """The first `most` frames to a node for which `wanted` (node, body) holds are lost; `then` is called at each."""
    lost: list[Any] = []

    def begin(link: Any) -> None:
        whole = link.transport.send

        def send(ident: int, data: bytes) -> None:
            heard = unpack(ident, data)
            if len(lost) < most and wanted(heard.dst, heard.body):
                lost.append(heard.body)
                then()
            else:
                whole(ident, data)

        link.transport.send = send

    bench.submit(begin).result(5)
    try:
        yield lost
    finally:
        bench.submit(lambda link: delattr(link.transport, "send")).result(5)


@contextmanager
def deaf(bench: Bench, unwanted: Callable[[Any], bool]) -> Iterator[None]:
    """Packets for which `unwanted` holds are not heard."""

    def begin(link: Any) -> None:
        whole = link.transport.receive
        link.transport.receive = lambda timeout: [one for one in whole(timeout) if not unwanted(one)]

    bench.submit(begin).result(5)
    try:
        yield
    finally:
        bench.submit(lambda link: delattr(link.transport, "receive")).result(5)


def jogging(bench: Bench) -> bool:
    return shot(bench, LEFT).state == "running" and abs(shot(bench, LEFT).velocity) > 3


@pytest.mark.parametrize(("kind", "asked"), [
    (m.Move, {"do": "move", "axis": "16.0", "deg": 20.0}), (m.Run, {"do": "press", "axis": "16.0", "deg_s": 9.0}),
    (m.FindStops, {"do": "find-stops", "axis": "16.0"}), (m.Stage, {"do": "pair", "pair": 0, "value": "1 m"}),
])  # fmt: skip
def test_a_stop_is_not_overtaken_by_the_repeat_of_what_was_lost(
    pair: Bench, kind: type[Any], asked: dict[str, Any]
) -> None:
    with swallowed(pair, lambda node, body: isinstance(body, kind), 1, pair.stop_all) as lost:
        future = act(pair, asked, "page")
        with pytest.raises(CancelledError):
            future.result(5)  # type: ignore[union-attr]
    assert len(lost) == 1
    fresh(pair)
    assert not wait_for(lambda: shot(pair, LEFT).state not in ("holding", "stopping"), 0.3)
    assert shot(pair, LEFT).position == pytest.approx(150, abs=1)


def test_a_jog_whose_start_is_not_answered_is_stopped(pair: Bench) -> None:
    """Nobody knows whether it turns, and nobody holds it any more."""
    run = kind_of(m.Run(0, 0)).code
    with deaf(pair, lambda one: isinstance(one.body, m.Done) and one.body.of == run), pytest.raises(NoAnswer):
        pair.press(LEFT, 9.0, "a").result(5)
    assert wait_for(lambda: shot(pair, LEFT).state == "holding", 3)


def test_letting_go_ends_a_jog_though_its_hold_is_lost(pair: Bench) -> None:
    pair.press(LEFT, 9.0, "b").result(5)
    fresh(pair)
    with swallowed(pair, lambda node, body: isinstance(body, m.Hold), 3) as lost:
        done = pair.let_go(LEFT, "b")
        assert done is not None
        with pytest.raises(NoAnswer):
            done.result(5)
    assert len(lost) == 3
    assert wait_for(lambda: shot(pair, LEFT).state == "holding", 3)


def test_the_stop_of_a_jog_that_nobody_holds_is_sent_until_it_is_heard(pair: Bench) -> None:
    with swallowed(pair, lambda node, body: isinstance(body, m.Stop), 6) as lost:
        pair.press(LEFT, 9.0, "c").result(5)
        assert wait_for(lambda: jogging(pair), 5)
        assert wait_for(lambda: shot(pair, LEFT).state == "holding", 3)
    assert len(lost) == 6


def test_the_ring_of_another_control_is_not_stopped_for_a_jog_that_has_ended(pair: Bench) -> None:
    pair.press(LEFT, 9.0, "d").result(5)
    assert wait_for(lambda: jogging(pair), 5)
    assert wait_for(lambda: shot(pair, LEFT).state != "running" and not shot(pair, LEFT).held, 5)

    def other(link: Any) -> None:
        handle = link.beside(source=3).axis(*LEFT)
        handle.take(force=True)
        handle.set("owner-timeout", 60.0)
        handle.run(-9.0)

    pair.submit(other).result(5)
    assert wait_for(lambda: shot(pair, LEFT).owner == 3 and jogging(pair), 5)
    assert not wait_for(lambda: shot(pair, LEFT).state != "running", 0.5)
    own(pair, LEFT)
    pair.on_axis(LEFT, lambda handle: handle.set("owner-timeout", 1.0)).result(5)


def test_a_pair_of_which_one_does_not_answer_leaves_nothing_staged(pair: Bench) -> None:
    asked = {"do": "pair", "pair": 0, "value": "1 m"}
    with (
        swallowed(pair, lambda node, body: isinstance(body, m.Stage) and node == RIGHT[0], 3),
        pytest.raises(NoAnswer),
    ):
        act(pair, asked, "page").result(5)  # type: ignore[union-attr]
    assert wait_for(lambda: "staged" not in shot(pair, LEFT).flags, 3)
    pair.submit(lambda link: link.send(m.Sync(0))).result(5)
    assert not wait_for(lambda: shot(pair, LEFT).state == "moving", 0.3)


def test_one_node_that_is_off_does_not_keep_the_page_from_looking_at_the_others(pair: Bench) -> None:
    before = shot(pair, RIGHT).limits[0]
    with deaf(pair, lambda one: one.src == LEFT[0]):
        assert wait_for(lambda: "node 16" in pair.snapshot.problem, 5)
        pair.submit(lambda link: link.axis(*RIGHT).set("velocity-limit", before - 20)).result(5)
        assert wait_for(lambda: shot(pair, RIGHT).limits[0] == before - 20, 8)
        assert not shot(pair, RIGHT).silent
    pair.submit(lambda link: link.axis(*RIGHT).set("velocity-limit", before)).result(5)


def test_a_bench_that_has_broken_down_says_so_and_does_not_leave_a_stop_unanswered() -> None:
    with Bench("sim:single") as one:
        def broken(link: object) -> None:
            raise SystemExit("broken")

        asked = one.submit(broken)
        assert wait_for(lambda: not one.alive, 20)
        with pytest.raises(SystemExit):
            asked.result(1)
        assert "has ended" in one.snapshot.problem
        with pytest.raises(LinkProblem, match="cut the power"):
            one.stop_all().result(1)
        with pytest.raises(RingletError):
            one.submit(lambda link: None).result(1)


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals here")
def test_a_cable_that_was_away_for_long_is_used_again_once_it_is_back() -> None:
    with serving(SimRig(load_rig("single")), "serial") as there, Bench(there.url) as one:
        def pulled(link: Any) -> None:
            link.transport.reconnect_tries = 0  # as after all of them
            link.transport._mend(OSError("pulled"))

        with pytest.raises(LinkProblem):
            one.submit(pulled).result(5)
        assert wait_for(lambda: "tried again" in one.snapshot.problem, 5)
        count = one.traces["16.0"].count
        assert wait_for(lambda: one.traces["16.0"].count > count + 20, 15)
        assert wait_for(lambda: one.snapshot.problem == "", 5)
