"""Soak: what it counts, what it finds, and that an interruption at any moment loses nothing."""

from __future__ import annotations

import json
import math
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of, unpack
from ringlet.protocol.states import State
from ringlet.tools.bench import journal, running, soak
from ringlet.tools.bench.result import Measurement
from ringlet.tools.bench.session import Bench, Plan, on_bench
from ringlet.tools.errors import NoAnswer, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

RIG = (
    'name = "soak"\n[[nodes]]\nunique_id = 7\naddress = 16\n[[nodes.axes]]\nmotor = "small"\nlens = "iris"\n'
    'role = "iris"\nring_start_deg = 37.5\n'
)
TOTALS = ("moves", "way", "faults", "messages lost", "silences")


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return path


@contextmanager
def bench(rig: Path, plan: Plan, find: bool = False) -> Iterator[Bench]:
    with Link.open(f"sim:{rig}") as link:
        handle = link.axis(16, 0)
        if not find:
            handle.set("travel-min", -30.0)
            handle.set("travel-max", 30.0)
        with on_bench(link, handle, plan=plan, find=find) as made:
            yield made


def measured(rig: Path, plan: Plan, find: bool = False) -> Measurement:
    with bench(rig, plan, find) as made:
        found = soak.measure_soak(made)
    json.dumps(found.to_json(), allow_nan=False)
    return found


def failed(found: Measurement) -> set[str]:
    return {verdict.name for verdict in found.verdicts if not verdict.ok}


def sums(found: Measurement) -> dict[str, float]:
    return {name: found.quantity(name).value for name in TOTALS}


# --- figures of long series ----------------------------------------------------------------------------------------


def test_running_figures_are_those_of_numpy() -> None:
    rng = np.random.default_rng(3)
    values, places = 1e3 + rng.normal(size=500), np.cumsum(rng.uniform(0.1, 1.0, 500))
    series, line = running.Running(), running.Line()
    for x, y in zip(places.tolist(), values.tolist(), strict=True):
        series.add(y)
        line.add(x, y)
    assert (series.mean, series.deviation) == pytest.approx((values.mean(), values.std(ddof=1)))
    assert (series.low, series.high, series.greatest) == (values.min(), values.max(), values.max())
    (slope, _), cov = np.polyfit(places, values, 1, cov=True)
    assert line.slope == pytest.approx(slope)
    assert line.slope_u == pytest.approx(2.0 * math.sqrt(cov[0, 0]), rel=0.005)


@pytest.mark.parametrize(("points", "factor"), [(3, 13.97), (4, 4.53), (7, 2.65), (12, 2.28)])
def test_a_line_through_few_points_has_the_coverage_factor_of_few(points: int, factor: float) -> None:
    """Factors for 95.45 %: JCGM 100:2008, table G.2 (from memory)."""
    rng = np.random.default_rng(points)
    places, values, line = np.arange(points, dtype=float), rng.normal(size=points), running.Line()
    for x, y in zip(places.tolist(), values.tolist(), strict=True):
        line.add(x, y)
    left = values - np.polyval(np.polyfit(places, values, 1), places)
    deviation = math.sqrt(left @ left / (points - 2) / ((places - places.mean()) ** 2).sum())
    assert line.slope_u / deviation == pytest.approx(factor, abs=0.006)


@pytest.mark.parametrize("count", [0, 1, 7, 8, 9, 100, 12345])
def test_a_trace_stays_small_and_even(count: int) -> None:
    trace = running.Trace(2, most=8)
    for number in range(count):
        trace.add(float(number), 0.0)
    column = trace.columns()[0]
    assert len(column) <= 8
    assert len(set(np.diff(column))) <= 1
    if count:
        assert column[0] == 0
        assert column[-1] >= 0.7 * (count - 1) or count < 3


# --- the journal ---------------------------------------------------------------------------------------------------


def test_moves_are_a_function_of_seed_and_number() -> None:
    course = journal.Course(16, 0, 5, -30.0, 30.0)
    assert [course.move(n) for n in (3, 1, 3)][::2] == [course.move(3)] * 2
    assert course.move(3) != journal.Course(16, 0, 6, -30.0, 30.0).move(3)
    for number in range(300):
        target, speed = course.move(number)
        assert journal.EDGE <= target <= 1 - journal.EDGE
        assert journal.SLOWEST <= speed <= 1.0
    assert course.start(4) == course.move(3)[0]
    assert course.start(journal.HOME_EVERY) == 0.5


@pytest.mark.parametrize("cut", [1, 5, 40])
def test_half_a_last_line_is_passed_over_and_then_taken_off(cut: int, tmp_path: Path) -> None:
    course, plan = journal.Course(16, 0, 1, -30.0, 30.0), Plan(folder=tmp_path, resume=True)
    begun = journal.begin(plan, course)
    assert begun.path is not None
    kept = journal.Journal(begun.path)
    line = {"what": "move", "s": 1.0, "off": 0.01, "following": 0.1, "winding": 20.0, "case": 20.0, "supply": 24.0}
    for number in range(3):
        kept.write({**line, "move": number})
    kept.close()
    whole = begun.path.read_bytes()
    begun.path.write_bytes(whole[:-cut])
    assert len(list(journal.read_journal(begun.path))) == 3
    again = journal.begin(plan, course)
    assert again.totals.moves == 2
    assert begun.path.read_bytes().endswith(b"\n")
    kept = journal.Journal(begun.path)
    kept.write({**line, "move": 2})
    kept.close()
    assert begun.path.read_bytes() == whole
    assert journal.begin(plan, course).totals.moves == 3


@pytest.mark.parametrize("text", ["nonsense\n", "[1]\n", '{"what": "soak"}\n', '{"what": 4}\n', '{"a": 1}\n'])
def test_what_is_no_journal_is_refused_and_left_alone(text: str, tmp_path: Path) -> None:
    path = journal.journal_path(tmp_path, 16, 0)
    path.write_text(text)
    with pytest.raises(UsageProblem, match="no journal"):
        journal.begin(Plan(folder=tmp_path, resume=True), journal.Course(16, 0, 1, 0.0, 1.0))
    assert path.read_text() == text


def test_an_earlier_soak_is_not_written_over(tmp_path: Path) -> None:
    course = journal.Course(16, 0, 1, -30.0, 30.0)
    journal.begin(Plan(folder=tmp_path), course)
    with pytest.raises(UsageProblem, match="--resume"):
        journal.begin(Plan(folder=tmp_path), course)
    with pytest.raises(UsageProblem, match="--out"):
        journal.begin(Plan(resume=True), course)
    # What it was told at first holds when it goes on.
    (tmp_path / "b").mkdir()
    journal.begin(Plan(folder=tmp_path / "b", soak_moves=7, seed=3), course._replace(seed=3))
    again = journal.begin(Plan(folder=tmp_path / "b", resume=True), course)
    assert (again.plan.soak_moves, again.plan.seed, again.totals.course.seed) == (7, 3, 3)


# --- on a simulated axis -------------------------------------------------------------------------------------------


def test_a_good_motor_passes_and_its_settings_come_back(rig: Path) -> None:
    with bench(rig, Plan(soak_moves=45)) as made:
        before = made.handle.get("telemetry-rate")
        found = soak.measure_soak(made)
    assert failed(found) == set()
    assert len(found.verdicts) >= 9
    assert found.quantity("moves").value == 45
    assert found.quantity("home mark, greatest change").value < 0.02
    assert found.quantity("messages heard").value > 1000
    assert before == 0
    assert all(len({len(column) for column in columns.values()}) == 1 for columns in found.records.values())


def test_a_soak_of_some_seconds_ends_then(rig: Path) -> None:
    found = measured(rig, Plan(soak_s=5.0))
    assert 5.0 <= found.quantity("moving time").value < 7.0


@pytest.mark.parametrize("plan", [Plan(soak_moves=25), Plan(soak_moves=8, soak_stops=True)])
def test_a_gear_that_slips_shows_as_drift(plan: Plan, rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The motor gear slips on its shaft for a moment; the truth is what the plant's rotor and ring say."""
    move, gap = soak._move, dict[int, float]()

    def slipping(made: Bench, course: journal.Course, number: int, *rest: Any) -> Any:
        assert made.link.rig is not None
        drive = made.link.rig.nodes[0].axes[0].drive
        if number == 4:
            until = made.link.clock.now() + 0.15

            def grip(*_: object) -> None:
                drive.faults.slip_torque_mnm = 15.0 if until - 0.1 < made.link.clock.now() < until else None

            made.link.subscribe(grip)
        line = move(made, course, number, *rest)
        if course.move(number)[0] > course.start(number):  # the play lies on the same side
            gap[number] = drive.truth.ring_deg - drive.truth.rotor_deg
        return line

    monkeypatch.setattr(soak, "_move", slipping)
    found = measured(rig, plan, find=plan.soak_stops)
    truth = gap[max(gap)] - gap[min(gap)]
    assert abs(truth) > 1.0
    name = "lower stop, greatest change over a session" if plan.soak_stops else "home mark, greatest change"
    quantity = found.quantity(name)
    assert quantity.uncertainty is not None
    assert min(gap) < 4 < max(gap)
    assert abs(abs(quantity.value) - abs(truth)) <= quantity.uncertainty + 0.05  # teeth give way by a little
    assert quantity.uncertainty < 0.2
    assert failed(found) == {"slip against the lower stop" if plan.soak_stops else "drift of the home mark"}


def test_messages_that_are_lost_are_counted(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The test drops streamed messages on the way to the tool, and counts them itself."""
    dropped, step, rng = [], SimTransport.step, random.Random(1)

    def lossy(self: SimTransport) -> None:
        step(self)
        for frame in list(self._inbox):
            message = unpack(*frame)
            if isinstance(message.body, m.Motion | m.Drive) and message.dst == 127 and rng.random() < 0.02:
                self._inbox.remove(frame)
                dropped.append(kind_of(message.body).name)

    monkeypatch.setattr(SimTransport, "step", lossy)
    found = measured(rig, Plan(soak_moves=10))
    lost = found.quantity("messages lost").value
    # A message lost before the first or behind the last that was heard leaves no gap.
    assert len(dropped) >= 8
    assert 0 <= len(dropped) - lost <= 4
    assert failed(found) == {"lost messages"}


def test_a_silence_is_counted_and_the_soak_goes_on(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The node hears nothing for 1.5 s, so that it loses its owner."""
    send, quiet = SimTransport.send, [0.0, 0.0]

    def deaf(self: SimTransport, ident: int, data: bytes) -> None:
        if not quiet[0] <= self.rig.now_us / 1e6 < quiet[1]:
            send(self, ident, data)

    monkeypatch.setattr(SimTransport, "send", deaf)
    move = soak._move

    def cut(made: Bench, course: journal.Course, number: int, *rest: Any) -> Any:
        if number == 3 and not quiet[1]:
            now = made.link.clock.now()
            quiet[:] = [now + 0.05, now + 1.55]
        return move(made, course, number, *rest)

    monkeypatch.setattr(soak, "_move", cut)
    found = measured(rig, Plan(soak_moves=6))
    assert sums(found) | {"way": 0, "messages lost": 0} == {
        "moves": 6, "way": 0, "faults": 0, "messages lost": 0, "silences": 1
    }  # fmt: skip
    assert "silences" in failed(found)


def test_a_node_that_stays_away_ends_it_with_no_answer(rig: Path, tmp_path: Path) -> None:
    plan = Plan(soak_moves=50, folder=tmp_path / "run")
    with pytest.raises(NoAnswer), bench(rig, plan) as made:  # noqa: PT012
        assert made.link.rig is not None
        mute = made.link.rig
        made.link.subscribe(lambda *_: mute.nodes.clear() if mute.now_us > 9e6 else None)
        soak.measure_soak(made)
    lines = list(journal.read_journal(journal.journal_path(tmp_path / "run", 16, 0)))
    assert sum(line["what"] == "move" for line in lines) >= 3
    assert lines[-1]["what"] == "silent"


def test_a_fault_whose_cause_stays_ends_it(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    move = soak._move

    def dead(made: Bench, course: journal.Course, number: int, *rest: Any) -> Any:
        assert made.link.rig is not None
        made.link.rig.nodes[0].axes[0].drive.faults.encoder_dead = number >= 3
        return move(made, course, number, *rest)

    monkeypatch.setattr(soak, "_move", dead)
    found = measured(rig, Plan(soak_moves=20))
    assert found.quantity("faults").value == 1
    assert {"soak", "faults"} <= failed(found)


def test_faults_are_counted_and_three_end_it(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    move = soak._move

    def blocked(made: Bench, course: journal.Course, number: int, *rest: Any) -> Any:
        assert made.link.rig is not None
        faults = made.link.rig.nodes[0].axes[0].drive.faults
        faults.ring_blocked = number in (2, 4, 5)
        line = move(made, course, number, *rest)
        faults.ring_blocked = False
        return line

    monkeypatch.setattr(soak, "_move", blocked)
    found = measured(rig, Plan(soak_moves=20))
    assert found.quantity("faults").value == 3
    assert found.quantity("moves").value == 6
    assert {"soak", "faults"} <= failed(found)


def test_heat_that_was_put_in_shows(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    move = soak._move

    def warm(made: Bench, course: journal.Course, number: int, *rest: Any) -> Any:
        return move(made, course, number, *rest) | {"winding": 20.0 + 5.0 * number, "case": 30.0}

    monkeypatch.setattr(soak, "_move", warm)
    found = measured(rig, Plan(soak_moves=18))
    assert found.quantity("winding, hottest").value == 105.0
    assert failed(found) == {"winding, before torque is reduced"}
    assert found.quantity("winding, trend at the end").value > 1000
    case = found.quantity("case, trend at the end")
    assert case.uncertainty is not None
    assert abs(case.value) <= case.uncertainty


def test_a_shared_line_is_polled_and_says_what_it_cannot_count(rig: Path) -> None:
    rig.write_text(RIG.replace("address = 16\n", "address = 16\nshared_line = true\n"))
    found = measured(rig, Plan(soak_moves=5))
    assert failed(found) == set()
    assert any("shared" in note for note in found.notes)


def test_ctrl_c_ramps_down_puts_back_and_goes_on_from_there(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = Plan(soak_moves=30, folder=tmp_path / "run")
    with pytest.raises(KeyboardInterrupt), bench(rig, plan) as made:  # noqa: PT012
        link = made.link
        end = link.clock.now() + 8.0

        def interrupt(*_: object) -> None:
            if link.clock.now() > end and link.rig is not None and link.rig.nodes[0].axes[0].state is State.MOVING:
                undo()
                raise KeyboardInterrupt

        undo = link.subscribe(interrupt)
        try:
            soak.measure_soak(made)
        finally:
            rig_now: SimRig | None = link.rig
    assert rig_now is not None
    axis = rig_now.nodes[0].axes[0]
    assert axis.state is State.HOLDING
    assert axis.owner == 0
    assert axis.settings["telemetry-rate"] == 0
    said = capsys.readouterr().err
    assert "--resume goes on from there" in said
    assert "is back as it was" in said
    path = journal.journal_path(tmp_path / "run", 16, 0)
    kept = sum(line["what"] == "move" for line in journal.read_journal(path))
    assert 3 <= kept < 30
    pieces = measured(rig, Plan(folder=tmp_path / "run", resume=True))
    assert [line["move"] for line in journal.read_journal(path) if line["what"] == "move"] == list(range(30))
    assert sums(pieces) == sums(measured(rig, Plan(soak_moves=30)))
    assert pieces.quantity("sessions").value == 2


SCRIPT = """
import sys
from pathlib import Path
from ringlet.tools.bench import soak
from ringlet.tools.bench.session import Plan, on_bench
from ringlet.tools.link import Link
with Link.open("sim:" + sys.argv[1]) as link:
    handle = link.axis(16, 0)
    handle.set("travel-min", -30.0)
    handle.set("travel-max", 30.0)
    with on_bench(link, handle, plan=Plan(soak_moves=60, folder=Path(sys.argv[2]), resume=True)) as bench:
        soak.measure_soak(bench)
"""


def test_a_killed_soak_goes_on_and_has_the_totals_of_one_that_was_not(rig: Path, tmp_path: Path) -> None:
    """kill -9 in the middle, twice, whatever line is being written then."""
    run = tmp_path / "run"
    path = journal.journal_path(run, 16, 0)
    for least in (8, 25):
        process = subprocess.Popen(
            [sys.executable, "-c", SCRIPT, str(rig), str(run)], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL
        )
        end = time.monotonic() + 60.0
        while not path.exists() or path.read_bytes().count(b'"what": "move"') < least:
            assert process.poll() is None, "the soak ended before it could be killed"
            assert time.monotonic() < end
            time.sleep(0.005)
        os.kill(process.pid, signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL
    kept = path.read_bytes()
    pieces = measured(rig, Plan(soak_moves=60, folder=run, resume=True))
    assert path.read_bytes().startswith(kept[: kept.rfind(b"\n") + 1])
    whole = measured(rig, Plan(soak_moves=60))
    assert pieces.quantity("sessions").value == 3
    assert sums(pieces) == sums(whole)
    numbers = [line["move"] for line in journal.read_journal(path) if line["what"] == "move"]
    assert numbers == list(range(60))
    for name in ("rest beside the target, greatest", "following error, greatest"):
        assert pieces.quantity(name).value == pytest.approx(whole.quantity(name).value, rel=0.5)


def test_a_long_journal_takes_bounded_memory(tmp_path: Path) -> None:
    import tracemalloc

    course = journal.Course(16, 0, 1, -30.0, 30.0)
    totals = journal.Totals(course)
    line = {"what": "move", "s": 1.0, "off": 0.01, "following": 0.1, "winding": 20.0, "case": 20.0, "supply": 24.0}

    def feed(begin: int, end: int) -> int:
        for number in range(begin, end):
            totals.add({**line, "move": number, "lost": 0, "heard": 100})
            if number % journal.HOME_EVERY == 0:
                totals.add({"what": "home", "home": 0.0})
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        early = feed(0, 3000)
        late = feed(3000, 9000)
    finally:
        tracemalloc.stop()
    assert late - early < 100_000
    assert totals.moves == 9000
    assert all(len(trace.columns()[0]) <= running.TRACE_MOST for trace in (totals.heat, totals.homes, totals.rests))
