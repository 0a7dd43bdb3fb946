"""Takes, measurements, lens values, pairs and the hand-back guide of the page, at the bench thread: a simulated pair
whose time runs faster than the wall's."""

from __future__ import annotations

import errno
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("mcap", reason="takes need the extra `take`")

from page_helpers import Wall, at_rest, find, fresh, own, shot

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Refusal
from ringlet.tools.bench import carry_out
from ringlet.tools.errors import CheckFailed, DeviceRefused, RingletError, UsageProblem
from ringlet.tools.lens.marksfile import load
from ringlet.tools.page import scales
from ringlet.tools.page.actions import act
from ringlet.tools.page.bench_thread import Bench, wait_for
from ringlet.tools.page.keeping import Keeping
from ringlet.tools.page.watched import WatchedLink
from ringlet.tools.takes import writer
from ringlet.tools.takes.reader import open_take

LEFT, RIGHT, IRIS = (16, 0), (17, 0), (16, 1)
WALL = Wall(3.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("kept")


@pytest.fixture(scope="module")
def bench(folder: Path) -> Iterator[Bench]:
    with Bench("sim:pair", keep_s=10.0, folder=folder, wall=WALL) as one:
        with WALL.hurried():
            find(one, LEFT, RIGHT)
        yield one


@pytest.fixture
def pair(bench: Bench) -> Bench:
    """Both focus rings owned and at rest."""
    own(bench, LEFT, RIGHT)
    return bench


# --- takes ---------------------------------------------------------------------------------------------------------


def test_a_take_holds_what_the_axes_did(pair: Bench, folder: Path) -> None:
    pair.start_take("scene 1").result(5)
    act(pair, {"do": "move", "axis": "16.0", "deg": 60.0}, "page")
    size = (folder / "scene 1.mcap").stat().st_size
    assert wait_for(lambda: pair.snapshot.take.running and pair.snapshot.take.samples > 60, 10)
    # It is on the disk while it runs, and not only at its end.
    assert wait_for(lambda: (folder / "scene 1.mcap").stat().st_size > size + 1000, 10)
    at_rest(pair, LEFT)
    with pytest.raises(UsageProblem, match="already"):
        pair.start_take("scene 2").result(5)
    with pytest.raises(UsageProblem, match="end it before"):
        pair.start_measuring(LEFT, "latency", False).result(5)
    pair.end_take().result(5)
    fresh(pair)
    take = pair.snapshot.take
    assert not take.running
    assert take.problem == ""
    held = open_take(folder / "scene 1.mcap")
    assert set(held.samples) == {"16.0", "16.1", "17.0", "17.1"}
    assert sum(held.samples.values()) == take.samples
    assert held.seconds == pytest.approx(take.seconds, abs=0.1)
    assert [one.name for one in Keeping(folder).takes()] == ["scene 1.mcap"]
    with pytest.raises(UsageProblem, match="already"):
        pair.start_take("scene 1").result(5)


@pytest.mark.parametrize("name", [
    "../x", "a/b", "a\\b", ".hidden", "..", "", "   ", "x" * 61, "a\0b", "a\nb", "a.mcap", "é", 7, None, ["x"],
])  # fmt: skip
def test_a_name_never_leads_out_of_the_folder(bench: Bench, folder: Path, name: Any) -> None:
    before = sorted(folder.parent.rglob("*"))
    with pytest.raises(UsageProblem):
        bench.start_take(name).result(5)
    assert sorted(folder.parent.rglob("*")) == before


def test_a_full_disk_ends_the_take_and_says_what_is_kept(
    pair: Bench, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair.start_take("full").result(5)
    assert wait_for(lambda: pair.snapshot.take.seconds > 1.5, 10)

    def no_room(self: object, data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(writer.Disk, "write", no_room)
        assert wait_for(lambda: not pair.snapshot.take.running, 10)
    assert "what was written is kept" in pair.snapshot.take.problem
    assert "No space left" in pair.snapshot.take.problem
    assert (folder / "full.mcap").stat().st_size > 1000
    act(pair, {"do": "move", "axis": "16.0", "deg": 50.0}, "page").result(5)  # type: ignore[union-attr]
    at_rest(pair, LEFT)
    pair.start_take("after").result(5)
    assert wait_for(lambda: pair.snapshot.take.name == "after" and pair.snapshot.take.samples > 8, 10)
    pair.end_take().result(5)
    assert sum(open_take(folder / "after.mcap").samples.values()) > 8


def test_without_a_folder_nothing_is_recorded_or_measured() -> None:
    with Bench("sim:single") as one:
        place = (one.snapshot.axes[0].node, one.snapshot.axes[0].axis)
        with pytest.raises(UsageProblem, match="--folder"):
            one.start_take("x")
        with pytest.raises(UsageProblem, match="--folder"):
            one.start_measuring(place, "ramp", False)


@pytest.mark.parametrize("options", [
    {"cards": {(99, 0): "focus-long"}}, {"cards": {LEFT: "iris"}}, {"cards": {LEFT: "nowhere"}},
    {"pairs": [(LEFT, (99, 0))]},
])  # fmt: skip
def test_a_card_or_pair_that_does_not_fit_is_refused_at_the_start(options: dict[str, Any]) -> None:
    with pytest.raises((RingletError, ValueError)), Bench("sim:pair", **options):
        pass


@pytest.mark.parametrize(("error", "left"), [
    (DeviceRefused(Refusal.UNKNOWN_KIND, 0, "get-marks", node=16, axis=0), 1), (CheckFailed("other marks"), 0),
])  # fmt: skip
def test_marks_that_cannot_be_read_leave_the_page_without_lens_units_only(
    error: RingletError, left: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuses(handle: object) -> None:
        raise error

    monkeypatch.setattr(scales.transfer, "read", refuses)
    with Bench("sim:single") as one:
        assert len(one.scales) == left  # that of the rig file takes the place of marks that the motor does not know
        assert one.snapshot.axes[0].state == "released"
    assert ("other marks" in capsys.readouterr().err) == (left == 0)


def test_a_folder_that_cannot_be_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "file", tmp_path / "no" / "such"):
        with pytest.raises(UsageProblem, match="cannot be used"):
            Keeping(path)


def test_links_to_elsewhere_are_not_listed(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    (outside / "run").mkdir(parents=True)
    (outside / "run" / "bench.html").write_text("x")
    (outside / "secret.mcap").write_text("x")
    held = Keeping(tmp_path / "in")
    (held.folder / "link.mcap").symlink_to(outside / "secret.mcap")
    (held.folder / "run").symlink_to(outside / "run")
    (held.folder / "own").mkdir()
    (held.folder / "own" / "bench.html").symlink_to(outside / "run" / "bench.html")
    assert held.takes() == []
    assert held.runs() == []
    assert held.take("link.mcap") is None
    assert held.take("../outside/secret.mcap") is None
    (held.folder / "own" / "bench.html").unlink()
    (held.folder / "own" / "bench.html").write_text("y")
    assert [one.name for one in held.runs()] == ["own"]
    assert held.run_file("own", "bench.html") == held.folder / "own" / "bench.html"
    for run, name in (("own", "../../outside/run/bench.html"), ("..", "outside"), ("own", ".."), ("run", "bench.html")):
        assert held.run_file(run, name) is None


# --- measurements --------------------------------------------------------------------------------------------------


def test_a_measurement_leaves_its_report_and_settings_as_they_were(pair: Bench, folder: Path) -> None:
    before = shot(pair, LEFT).limits
    pair.start_measuring(LEFT, "latency", False).result(5)
    assert wait_for(lambda: pair.snapshot.measure.running and pair.snapshot.measure.of == 1, 5)
    for refused in (lambda: pair.on_axis(LEFT, lambda h: h.hold()), lambda: pair.press(LEFT, 5.0, "a"),
                    lambda: pair.start_take("no"), lambda: pair.start_measuring(RIGHT, "ramp", False)):  # fmt: skip
        with pytest.raises(UsageProblem, match="measurement is under way"):
            refused()
    count = pair.traces["16.0"].count
    with WALL.hurried():
        assert wait_for(lambda: not pair.snapshot.measure.running, 60)
    done = pair.snapshot.measure
    assert done.verdict.startswith("Pass")
    assert not done.failed
    assert done.problem == ""
    assert done.done == 1
    assert pair.traces["16.0"].count > count + 20  # the axis was seen meanwhile
    found = Keeping(folder).run_file(done.run, "bench.html")
    assert found is not None
    assert "Latency" in found.read_text(encoding="utf-8")
    assert wait_for(lambda: shot(pair, LEFT).owner == 0 and not shot(pair, LEFT).silent, 5)
    own(pair, LEFT)
    assert shot(pair, LEFT).limits == before


def test_stop_ends_a_measurement_and_everything_goes_on(pair: Bench) -> None:
    rate = pair.on_axis(LEFT, lambda handle: handle.get("telemetry-rate")).result(5)
    pair.start_measuring(LEFT, "repeat", False).result(5)
    assert wait_for(lambda: abs(shot(pair, LEFT).velocity) > 20, 20)
    stops = pair.snapshot.stops
    pair.stop_all().result(5)
    assert wait_for(lambda: not pair.snapshot.measure.running, 20)
    assert pair.snapshot.stops == stops + 1
    assert pair.snapshot.measure.failed
    assert "Stopped before" in pair.snapshot.measure.problem
    at_rest(pair, LEFT)
    own(pair, LEFT)
    assert pair.on_axis(LEFT, lambda handle: handle.get("telemetry-rate")).result(5) == rate
    count = pair.traces["16.0"].count
    assert wait_for(lambda: pair.traces["16.0"].count > count + 3, 20)


def test_stop_goes_out_while_a_measurement_only_computes(pair: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    begun, gate = threading.Event(), threading.Event()

    def computes(name: str, bench: object) -> None:
        begun.set()
        gate.wait(10)
        raise UsageProblem("enough")

    monkeypatch.setattr(carry_out.registry, "measure", computes)
    pair.start_measuring(LEFT, "ramp", False).result(5)
    assert begun.wait(5)
    pair.stop_all().result(5)
    assert not gate.is_set()
    assert pair.snapshot.measure.running
    gate.set()
    assert wait_for(lambda: not pair.snapshot.measure.running, 10)


def test_a_measurement_that_cannot_be_made_says_why(pair: Bench) -> None:
    with pytest.raises(UsageProblem, match="does not exist"):
        pair.start_measuring(LEFT, "melt", False).result(5)
    pair.start_measuring(IRIS, "ramp", False).result(5)
    assert wait_for(lambda: not pair.snapshot.measure.running, 10)
    assert "travel" in pair.snapshot.measure.problem
    assert pair.snapshot.measure.run == ""


# --- lens values and pairs -----------------------------------------------------------------------------------------


def ring(card: str, value: float) -> float:
    return load(card).curve().ring_at(value)


def test_a_value_sends_one_ring_where_its_card_has_it(pair: Bench) -> None:
    act(pair, {"do": "value", "axis": "16.0", "value": "6'"}, "page").result(5)  # type: ignore[union-attr]
    at_rest(pair, LEFT)
    assert shot(pair, LEFT).position == pytest.approx(ring("focus-long", 6 * 0.3048), abs=0.3)
    assert shot(pair, LEFT).value.endswith("6'0\"")


@pytest.mark.parametrize(("value", "why"), [
    ("T2.8", "T-stop"), ("0.2 m", "outside"), ("soon", "is no distance"), ("", "type a value"), (7, "type a value"),
    ("1" * 41, "type a value"),
])  # fmt: skip
def test_a_value_that_cannot_be_moves_nothing(pair: Bench, value: Any, why: str) -> None:
    place = shot(pair, LEFT).setpoint
    with pytest.raises(UsageProblem, match=why):
        act(pair, {"do": "value", "axis": "16.0", "value": value}, "page").result(5)  # type: ignore[union-attr]
    fresh(pair)
    assert shot(pair, LEFT).setpoint == place


def test_a_value_needs_ownership_and_a_known_travel(pair: Bench) -> None:
    with pytest.raises(UsageProblem, match="take it first"):
        act(pair, {"do": "value", "axis": "16.1", "value": "T4"}, "page").result(5)  # type: ignore[union-attr]
    own(pair, IRIS)
    with pytest.raises(UsageProblem, match="end stops first"):
        act(pair, {"do": "value", "axis": "16.1", "value": "T4"}, "page").result(5)  # type: ignore[union-attr]


def test_one_value_moves_both_rings_of_a_pair_each_by_its_own_card(pair: Bench) -> None:
    assert pair.pairs[0] == (LEFT, RIGHT)
    act(pair, {"do": "pair", "pair": 0, "value": "1.5 m"}, "page").result(5)  # type: ignore[union-attr]
    at_rest(pair, LEFT, RIGHT)
    for place, card in ((LEFT, "focus-long"), (RIGHT, "focus-long-right")):
        assert shot(pair, place).position == pytest.approx(ring(card, 1.5), abs=0.3)
    assert ring("focus-long", 1.5) != pytest.approx(ring("focus-long-right", 1.5), abs=0.35)


def test_a_value_that_one_of_a_pair_cannot_reach_moves_neither(pair: Bench) -> None:
    high = pair.on_axis(RIGHT, lambda handle: handle.get("travel-max")).result(5)
    pair.on_axis(RIGHT, lambda handle: handle.set("travel-max", 250.0)).result(5)
    places = [shot(pair, place).setpoint for place in (LEFT, RIGHT)]
    try:
        with pytest.raises(UsageProblem, match="past its travel"):
            act(pair, {"do": "pair", "pair": 0, "value": "inf"}, "page").result(5)  # type: ignore[union-attr]
    finally:
        pair.on_axis(RIGHT, lambda handle: handle.set("travel-max", high)).result(5)
    fresh(pair)
    assert [shot(pair, place).setpoint for place in (LEFT, RIGHT)] == places


def test_what_was_staged_for_a_pair_is_taken_back_when_the_other_refuses(
    pair: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask = WatchedLink.request

    def refuses(link: WatchedLink, body: Any, **more: Any) -> Any:
        if isinstance(body, m.Stage) and more["node"] == RIGHT[0]:
            raise DeviceRefused(Refusal.WRONG_STATE, 7, "stage", node=RIGHT[0], axis=RIGHT[1])
        return ask(link, body, **more)

    with monkeypatch.context() as patch:
        patch.setattr(WatchedLink, "request", refuses)
        with pytest.raises(RingletError, match="refused stage"):
            act(pair, {"do": "pair", "pair": 0, "value": "1 m"}, "page").result(5)  # type: ignore[union-attr]
    place = shot(pair, LEFT).setpoint
    pair.submit(lambda link: link.send(m.Sync(0))).result(5)
    assert not wait_for(lambda: shot(pair, LEFT).state == "moving", 0.2)
    assert shot(pair, LEFT).setpoint == place


@pytest.mark.parametrize("asked", [
    {"do": "pair", "pair": 9, "value": "1 m"}, {"do": "pair", "pair": True, "value": "1 m"}, {"do": "pair"},
    {"do": "pair-take", "pair": "0"}, {"do": "value", "axis": "16.0"}, {"do": "record"}, {"do": "value", "axis": "1"},
    {"do": "record", "name": {"a": 1}},
])  # fmt: skip
def test_what_a_page_may_not_ask_is_refused(bench: Bench, asked: dict[str, Any]) -> None:
    def ask() -> None:
        act(bench, asked, "page").result(5)  # type: ignore[union-attr]

    with pytest.raises(UsageProblem):
        ask()


# --- another control -----------------------------------------------------------------------------------------------


def test_an_axis_of_another_control_is_taken_only_by_force(pair: Bench) -> None:
    pair.on_axis(LEFT, lambda handle: handle.yield_()).result(5)
    taken = pair.submit(lambda link: link.beside(source=4).axis(*LEFT).take())
    plain = act(pair, {"do": "take", "axis": "16.0"}, "page")
    forced = act(pair, {"do": "take-force", "axis": "16.0"}, "page")
    taken.result(5)
    with pytest.raises(RingletError, match="control 4 owns it"):
        plain.result(5)  # type: ignore[union-attr]
    forced.result(5)  # type: ignore[union-attr]
    assert wait_for(lambda: shot(pair, LEFT).owner == 1, 5)


# --- hand-back guide -----------------------------------------------------------------------------------------------


def test_a_guide_on_the_bus_reaches_the_snapshot(bench: Bench) -> None:
    """Given to the link as heard, from another control: the page shows what is on the bus."""
    from ringlet.protocol.codec import packet

    def job(link: Any) -> None:
        link._take_in(packet(m.Guide(0, 17, 0, 21_000, 0), dst=127, src=9, axis=15))

    bench.submit(job).result(5)
    assert wait_for(lambda: (found := shot(bench, RIGHT).guide) is not None and found.control == 9, 5)
    found = shot(bench, RIGHT).guide
    assert found is not None
    assert found.distance == 21.0
    plain = next(one for one in bench.snapshot.plain()["axes"] if one["key"] == "17.0")
    assert plain["guide"]["met"] is False


def test_traces_go_on_when_somebody_sets_the_bus_clock_back(bench: Bench) -> None:
    for back_us in (300_000, 250_000, 200_000):
        bench.submit(lambda link, us=back_us: link.send(m.Clock(0, round(1e6 * link.clock.now()) - us))).result(5)
        count = bench.traces["16.0"].count
        assert wait_for(lambda count=count: bench.traces["16.0"].count > count + 5, 10)  # type: ignore[misc]
    count = bench.traces["16.0"].count
    assert wait_for(lambda: bench.traces["16.0"].count > count + 20, 20)


# --- a line where each sample is asked for --------------------------------------------------------------------------


def test_on_a_shared_line_take_and_traces_share_the_samples_that_are_asked_for(tmp_path: Path) -> None:
    with Bench("sim:pair?bus=serial&baud=1000000", folder=tmp_path, wall=Wall(6.0), keep_s=30.0) as line:
        line.start_take("asked").result(20)
        count = line.traces["17.1"].count
        assert wait_for(lambda: line.traces["17.1"].count > count + 10, 30)
        line.stop_all().result(20)
        line.end_take().result(20)
        samples = open_take(tmp_path / "asked.mcap").samples
        assert min(samples.values()) > 10
        count = line.traces["17.1"].count
        assert wait_for(lambda: line.traces["17.1"].count > count + 5, 30)  # the bench asks again by itself
        times, _ = line.traces["17.1"].since(0)
        assert (np.diff(times) < 2.0).all()


# --- the end of the page --------------------------------------------------------------------------------------------


def test_closing_the_page_ends_a_measurement_and_leaves_its_axis_at_rest(tmp_path: Path) -> None:
    wall = Wall(3.0)
    with Bench("sim:single", folder=tmp_path, wall=wall) as one:
        place = (one.snapshot.axes[0].node, one.snapshot.axes[0].axis)
        rig = one.submit(lambda link: link.rig).result(5)
        one.start_measuring(place, "ramp", True).result(5)
        assert wait_for(lambda: abs(shot(one, place).velocity) > 5, 20)
    assert not one.measuring
    assert "Stopped before" in one.snapshot.measure.problem
    assert rig.nodes[0].axes[0].owner == 0
    assert rig.nodes[0].axes[0].state.name.lower() in ("holding", "stopping")


def test_closing_the_page_ends_a_take_as_if_it_had_been_asked_to(tmp_path: Path) -> None:
    with Bench("sim:single", folder=tmp_path, wall=Wall(3.0)) as one:
        one.start_take("last").result(5)
        assert wait_for(lambda: one.snapshot.take.samples > 20, 20)
    held = open_take(tmp_path / "last.mcap")
    assert held.tail["why"] == "ended"
    assert sum(held.samples.values()) >= 20
