"""The bench thread against a simulated rig: stop from any state, hold-to-move, bounded traces."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import CancelledError

import pytest

from ringlet.protocol.codes import TIMING
from ringlet.tools.errors import RingletError, UsageProblem
from ringlet.tools.page.actions import PLAIN, act
from ringlet.tools.page.bench_thread import Bench, wait_for
from ringlet.tools.page.jogs import DEAD_MAN, HEARTBEAT
from ringlet.tools.page.snapshot import AxisShot
from ringlet.tools.page.traces import Trace

FOCUS = (16, 0)


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with Bench("sim:trio", keep_s=2.0) as one:
        yield one


@pytest.fixture
def focus(bench: Bench) -> Iterator[Bench]:
    """Axis 16.0, owned and holding; at rest again afterwards."""
    bench.on_axis(FOCUS, lambda handle: (handle.take(), handle.hold())).result(5)
    assert wait_for(lambda: shot(bench).state == "holding", 5)
    yield bench
    bench.stop_all().result(5)
    assert wait_for(lambda: shot(bench).state in ("holding", "released", "faulted"), 5)


def shot(bench: Bench, place: tuple[int, int] = FOCUS) -> AxisShot:
    return next(one for one in bench.snapshot.axes if (one.node, one.axis) == place)


def fresh(bench: Bench) -> None:
    """Wait until the snapshot shows all that was done before."""
    number = bench.snapshot.number
    assert wait_for(lambda: bench.snapshot.number > number + 1, 2)


def test_the_snapshot_has_every_axis_and_counts_on(bench: Bench) -> None:
    assert [one.key for one in bench.snapshot.axes] == ["16.0", "16.1", "16.2"]
    assert [one.role for one in bench.snapshot.axes] == ["focus", "iris", "zoom"]
    number = bench.snapshot.number
    assert wait_for(lambda: bench.snapshot.number > number, 2)
    assert bench.snapshot.plain()["axes"][2]["key"] == "16.2"


def test_a_jog_ends_by_itself_without_heartbeats(focus: Bench) -> None:
    focus.press(FOCUS, 10.0, "a").result(5)
    assert wait_for(lambda: shot(focus).state == "running" and shot(focus).velocity > 2, 5)
    assert shot(focus).held
    assert wait_for(lambda: shot(focus).state == "holding", 5)
    assert not shot(focus).held
    assert not focus.heartbeat(FOCUS, "a")


def test_heartbeats_keep_a_jog_going_and_letting_go_ends_it(focus: Bench) -> None:
    focus.press(FOCUS, 6.0, "b").result(5)
    for _ in range(round(3 * DEAD_MAN / HEARTBEAT)):
        threading.Event().wait(HEARTBEAT)
        assert focus.heartbeat(FOCUS, "b")
    assert shot(focus).state == "running"
    done = focus.let_go(FOCUS, "b")
    assert done is not None
    done.result(5)
    assert wait_for(lambda: shot(focus).state == "holding", 5)
    assert focus.let_go(FOCUS, "b") is None


def test_another_page_cannot_keep_or_end_or_take_over_a_jog(focus: Bench) -> None:
    focus.press(FOCUS, 5.0, "mine").result(5)
    assert not focus.heartbeat(FOCUS, "theirs")
    assert focus.let_go(FOCUS, "theirs") is None
    with pytest.raises(UsageProblem, match="somebody else"):
        focus.press(FOCUS, -5.0, "theirs")


def test_stop_ends_a_jog_that_is_still_held_and_a_heartbeat_does_not_start_it_again(focus: Bench) -> None:
    focus.press(FOCUS, 10.0, "c").result(5)
    assert wait_for(lambda: shot(focus).state == "running", 5)
    focus.stop_all().result(5)
    assert not focus.heartbeat(FOCUS, "c")
    assert wait_for(lambda: shot(focus).state == "holding", 5)


def test_stop_ends_the_search_for_stops(focus: Bench) -> None:
    focus.on_axis(FOCUS, PLAIN["find-stops"]).result(5)
    assert wait_for(lambda: shot(focus).state == "finding" and abs(shot(focus).velocity) > 5, 5)
    focus.stop_all().result(5)
    assert wait_for(lambda: shot(focus).state == "holding", 5)


def test_stop_goes_before_waiting_jobs_and_drops_them(focus: Bench) -> None:
    gate, begun = threading.Event(), threading.Event()
    first = focus.submit(lambda link: (begun.set(), gate.wait(5)))
    assert begun.wait(5)
    later = focus.on_axis(FOCUS, lambda handle: handle.run(10.0))
    pressed = focus.press(FOCUS, 10.0, "d")
    stopped = focus.stop_all()
    gate.set()
    first.result(5)
    stopped.result(5)
    for future in (later, pressed):
        with pytest.raises(CancelledError):
            future.result(5)
    assert shot(focus).state == "holding"


def test_stop_when_nothing_moves_is_no_error(bench: Bench) -> None:
    fresh(bench)
    stops, states = bench.snapshot.stops, [one.state for one in bench.snapshot.axes]
    bench.stop_all().result(5)
    assert wait_for(lambda: bench.snapshot.stops == stops + 1, 2)
    fresh(bench)
    assert [one.state for one in bench.snapshot.axes] == states


def test_a_refusal_reaches_whoever_asked_and_the_jog_is_forgotten(bench: Bench) -> None:
    with pytest.raises(RingletError, match="take the axis first"):
        bench.press((16, 2), 5.0, "e").result(5)
    assert not bench.heartbeat((16, 2), "e")


@pytest.mark.parametrize("asked", [
    {"do": "move", "axis": "16.0", "deg": float("nan")}, {"do": "move", "axis": "16.0", "deg": "9"},
    {"do": "move", "axis": "16.0", "deg": True}, {"do": "erase", "axis": "16.0"}, {"do": "take", "axis": "16"},
    {"do": "take", "axis": "99.0"}, {"do": "take"}, {"do": "press", "axis": "16.0", "deg_s": None, "hold": "x"},
    {"axis": "../../etc"}, {"do": ["stop"], "axis": "16.0"}, {"do": "take", "axis": 16.0},
    {"do": "move", "axis": "16.0", "deg": 10**400},
])  # fmt: skip
def test_what_a_page_may_not_ask_is_refused(bench: Bench, asked: dict[str, object]) -> None:
    with pytest.raises(UsageProblem):
        act(bench, asked, "page")


def test_traces_stay_bounded(bench: Bench) -> None:
    trace = bench.traces["16.1"]
    assert trace.capacity == 100
    assert wait_for(lambda: trace.count > 130, 8)
    times, rows = trace.since(0)
    assert len(times) == 100
    assert rows.shape == (100, 4)
    assert (times[1:] > times[:-1]).all()


def test_a_trace_keeps_the_newest() -> None:
    trace = Trace(5)
    size = trace.bytes
    for number in range(12):
        trace.add(float(number), (number, 0.0, 0.0, 0.0))
    assert trace.bytes == size
    assert trace.since(0)[0].tolist() == [7, 8, 9, 10, 11]
    assert trace.since(10)[0].tolist() == [10, 11]
    assert trace.since(12)[0].tolist() == []
    assert trace.csv().splitlines()[0] == "time_s,position_deg,setpoint_deg,velocity_deg_s,load_percent"
    assert trace.csv().splitlines()[1].startswith("7.0000,7.000,")


def test_the_dead_man_time_is_shorter_than_the_owner_time_out() -> None:
    from ringlet.protocol.params import BY_NAME

    assert HEARTBEAT * 2 < DEAD_MAN < BY_NAME["owner-timeout"].default / 1000
    assert TIMING["reply"].ms / 1000 < DEAD_MAN


def test_closing_gives_the_axes_up_and_later_jobs_are_refused() -> None:
    with Bench("sim:single") as one:
        place = (one.snapshot.axes[0].node, one.snapshot.axes[0].axis)
        one.on_axis(place, lambda handle: (handle.take(), handle.run(10.0))).result(5)
        assert wait_for(lambda: one.snapshot.axes[0].state == "running", 5)
    assert not one.alive
    with pytest.raises(UsageProblem):
        one.submit(lambda link: None).result(5)


def test_a_link_that_does_not_open_says_so() -> None:
    with pytest.raises(RingletError, match="nowhere"), Bench("serial:/dev/nowhere"):
        pass
