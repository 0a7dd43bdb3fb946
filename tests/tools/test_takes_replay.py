"""Replay on simulated rigs: nothing moves before everything fits, the take comes back, and every way out ramps down."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from takes_helpers import Addresses, axis, ready, recorded_moves, write_take

from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet, unpack
from ringlet.protocol.codes import Fault
from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.lens.marksfile import load
from ringlet.tools.lens.transfer import upload
from ringlet.tools.lens.wiretable import table_of
from ringlet.tools.link import Link
from ringlet.tools.takes.chase import Chase
from ringlet.tools.takes.columns import columns
from ringlet.tools.takes.frames import runs
from ringlet.tools.takes.reader import open_take
from ringlet.tools.takes.recorder import Start
from ringlet.tools.takes.replay import Plan, make_plan, read_mapping, replay
from ringlet.tools.takes.timecodes import RATES, frame_of, text_of

AGREE_DEG = {"setpoint_deg": 0.01, "ring_deg": 0.05}
"""Two replays of one take differ by less than this at every instant (our promise); the ring has friction besides."""


@pytest.fixture
def link() -> Iterator[Link]:
    with Link.open("sim:trio") as link:
        ready(link)
        yield link


def plan_of(link: Link, path: Path, mapping: str = "16.0", speed: float = 1.0, named: bool = False) -> Plan:
    take = open_take(path)
    return make_plan(link, take, read_mapping(mapping, take), speed, named=named)


def swing(time_s: float) -> float:
    """Rest, 40 deg over and back in 4 s, rest."""
    part = min(max((time_s - 0.3) / 4.0, 0.0), 1.0)
    return 150.0 + 20.0 * float(1 - np.cos(2 * np.pi * part))


def test_a_recorded_take_comes_back(link: Link, tmp_path: Path) -> None:
    """Recorded at the limits, played at the same limits: the ramp has nothing in hand to catch up."""
    plan = plan_of(link, recorded_moves(link, tmp_path / "a.mcap"))
    assert plan.too_fast == []
    reached = replay(link, plan)["16.0"]
    assert reached.looks > 100
    assert reached.setpoint_worst_deg < 1.0
    assert reached.ring_worst_deg < 1.0
    assert not link.owned
    assert link.axis(16, 0).get("telemetry-rate") == 0


def test_two_replays_agree(link: Link, tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", swing, seconds=4.6)
    tracks = []
    for number in range(2):
        path = tmp_path / f"r{number}.mcap"
        reached = replay(link, plan_of(link, tmp_path / "a.mcap"), record=path)
        assert reached["16.0"].setpoint_worst_deg < 0.3
        held = columns(open_take(path))["16.0"]
        tracks.append({name: (held.time_s, held.numbers[name]) for name in AGREE_DEG})
        link.axis(16, 0).take()
        link.axis(16, 0).move(30.0 if number else 280.0)  # from another side each time
        link.axis(16, 0).yield_()
    at = np.arange(0.1, 4.5, 0.01)
    for name, promised in AGREE_DEG.items():
        one, other = (np.interp(at, *track[name]) for track in tracks)
        assert np.abs(one - other).max() < promised, name
        assert np.ptp(one) > 39.0


def test_half_speed_takes_twice_as_long(link: Link, tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", swing, seconds=4.6)
    plan = plan_of(link, tmp_path / "a.mcap", speed=0.5)
    assert plan.seconds == pytest.approx(9.2, abs=0.05)
    replay(link, plan, record=tmp_path / "r.mcap")
    held = columns(open_take(tmp_path / "r.mcap"))["16.0"]
    peak = held.time_s[np.argmax(held.numbers["ring_deg"])]
    assert peak == pytest.approx(2 * 2.3, abs=0.15)


def test_twice_the_speed_takes_half_as_long_if_the_limits_allow_it(link: Link, tmp_path: Path) -> None:
    """20 deg to and fro in 4 s is 31 deg/s and 49 deg/s2; at twice the speed 63 and 197, at ten times 314 and 4930."""
    write_take(tmp_path / "a.mcap", swing, seconds=4.6)
    plan = plan_of(link, tmp_path / "a.mcap", speed=2.0)
    assert plan.too_fast == []
    assert plan.seconds == pytest.approx(2.3, abs=0.02)
    reached = replay(link, plan, record=tmp_path / "r.mcap")["16.0"]
    assert reached.setpoint_worst_deg < 1.0
    held = columns(open_take(tmp_path / "r.mcap"))["16.0"]
    assert held.numbers["ring_deg"].max() == pytest.approx(190.0, abs=0.5)
    assert held.time_s[np.argmax(held.numbers["ring_deg"])] == pytest.approx(2.3 / 2, abs=0.1)
    found = {one.what: one.value for one in plan_of(link, tmp_path / "a.mcap", speed=10.0).too_fast}
    assert found["velocity"] == pytest.approx(314.0, rel=0.02)
    assert found["acceleration"] == pytest.approx(4930.0, rel=0.05)
    before = link.axis(16, 0).position()
    with pytest.raises(CheckFailed, match="nothing was moved"):
        replay(link, plan_of(link, tmp_path / "a.mcap", speed=10.0))
    assert link.axis(16, 0).position() == pytest.approx(before, abs=0.02)


def test_too_fast_is_named_and_nothing_moves(link: Link, tmp_path: Path) -> None:
    path = recorded_moves(link, tmp_path / "a.mcap", start=Start(frame_of("01:00:00:00", RATES["24"]), RATES["24"]))
    focus = link.axis(16, 0)
    focus.take()
    focus.set("velocity-limit", 100.0)
    focus.yield_()
    plan = plan_of(link, path)
    assert [one.what for one in plan.too_fast] == ["velocity"]
    before = focus.position()
    sent: list[str] = []
    send = link.transport.send
    link.transport.send = lambda ident, data: (sent.append(f"{ident:x}"), send(ident, data))[1]  # type: ignore[method-assign,func-returns-value]
    with pytest.raises(CheckFailed, match=r"nothing was moved.*axis 16\.0 at 01:00:0\d:\d\d \(.* s\): velocity 2\d\d"):
        replay(link, plan)
    assert sent == []
    assert focus.position() == before
    assert plan_of(link, path, speed=0.4).too_fast == []
    slower = plan.fitting_speed()
    assert slower is not None
    assert 0.35 < slower < 0.6
    assert plan_of(link, path, speed=slower).too_fast == []
    assert plan_of(link, path, speed=slower + 0.03).too_fast != []
    write_take(tmp_path / "past.mcap", lambda t: 310.0, seconds=1.0)
    past = plan_of(link, tmp_path / "past.mcap")
    assert [one.what for one in past.too_fast] == ["position"]
    assert past.fitting_speed() is None


@pytest.mark.parametrize(
    ("mapping", "says"),
    [
        ("17.0", "the take has no axis '17.0'"),
        ("16.0=16", "names no axis of the rig"),
        ("16.0=x.y", "names no axis of the rig"),
        ("16.0=16.0,16.1=16.0", "names an axis twice"),
        ("16.0,16.0=16.1", "names an axis twice"),
    ],
)
def test_mappings_that_cannot_be(tmp_path: Path, mapping: str, says: str) -> None:
    write_take(tmp_path / "a.mcap", axes=(axis(), axis("16.1", "iris", "stop")), seconds=0.2)
    with pytest.raises(UsageProblem, match=says):
        read_mapping(mapping, open_take(tmp_path / "a.mcap"))


def test_a_file_to_record_to_that_cannot_be_moves_nothing(link: Link, tmp_path: Path) -> None:
    path = recorded_moves(link, tmp_path / "a.mcap")
    there = tmp_path / "there.mcap"
    there.write_bytes(b"kept")
    before = link.axis(16, 0).position()
    for wrong, says in ((there, "is there already"), (tmp_path / "no" / "b.mcap", "check the folder")):
        with pytest.raises(UsageProblem, match=says):
            replay(link, plan_of(link, path), record=wrong)
    assert link.axis(16, 0).position() == before
    assert link.owned == set()
    assert there.read_bytes() == b"kept"
    replay(link, plan_of(link, path), record=tmp_path / "new.mcap")
    assert open_take(tmp_path / "new.mcap").samples["16.0"] > 100


def test_other_marks_than_the_take_had_are_told(link: Link, tmp_path: Path) -> None:
    focus = link.axis(16, 0)
    long, right = (table_of(load(name).curve()) for name in ("focus-long", "focus-long-right"))
    upload(focus, long)
    path = recorded_moves(link, tmp_path / "a.mcap")
    assert plan_of(link, path).notes == []
    upload(focus, right)
    (told,) = plan_of(link, path).notes
    assert told.startswith("Axis 16.0 holds other marks than axis 16.0 of the take had: the ring plays in degrees")
    write_take(tmp_path / "b.mcap", axes=(axis(kind=""),), seconds=1.0)
    assert plan_of(link, tmp_path / "b.mcap").notes == []  # without marks there is nothing to compare


def test_takes_that_do_not_fit_the_rig(link: Link, tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", axes=(axis(), axis("16.3", "zoom", ""), axis("16.1", "iris", "stop")), seconds=1.0)
    write_take(tmp_path / "b.mcap", axes=(axis()._replace(unique_id="0000000000AB"),), seconds=1.0)
    write_take(tmp_path / "c.mcap", lambda t: 310.0, seconds=1.0)
    for path, mapping, named, says in (
        ("a.mcap", "16.3", False, r"no axis 16\.3 for axis 16\.3 \(zoom\)"),
        ("a.mcap", "16.0=16.1", True, "turns the focus ring and axis 16.1 of the rig the iris ring"),
        ("a.mcap", "16.1", False, "travel of axis 16.1 is not known"),
        ("b.mcap", "16.0", False, "on board 0000000000AB and at address 16 there is board 52494E470011"),
    ):
        with pytest.raises(UsageProblem, match=says):
            plan_of(link, tmp_path / path, mapping, named=named)
    assert plan_of(link, tmp_path / "b.mcap", named=True).too_fast == []  # whoever names the axis means it
    [found] = plan_of(link, tmp_path / "c.mcap").too_fast
    assert (found.what, found.limit) == ("position", 301.0)
    focus = link.axis(16, 0)
    focus.take()
    focus.run(10.0)
    with pytest.raises(UsageProblem, match="is running; bring it to rest"):
        plan_of(link, tmp_path / "b.mcap", named=True)
    for speed in (10.5, 0.0):
        with pytest.raises(UsageProblem, match="must be above 0 and at most 10 times"):
            plan_of(link, tmp_path / "b.mcap", speed=speed)


def interrupted(link: Link, at_s: float, what: Callable[[], None]) -> None:
    """Do something at a time of the rig."""
    step = link.transport.step  # type: ignore[attr-defined]
    begin, done = link.clock.now(), False

    def stepping() -> None:
        nonlocal done
        step()
        if not done and link.clock.now() - begin > at_s:
            done = True
            what()

    link.transport.step = stepping  # type: ignore[attr-defined]


def at_rest(link: Link) -> bool:
    assert link.rig is not None
    return link.rig.nodes[0].axes[0].ramp.at_rest and link.rig.nodes[0].axes[0].owner == 0


def test_ctrl_c_ramps_down_and_says_where(link: Link, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_take(tmp_path / "a.mcap", swing, seconds=4.6)
    plan = plan_of(link, tmp_path / "a.mcap")
    interrupted(link, 3.0, lambda: os.kill(os.getpid(), signal.SIGINT))
    said: list[str] = []
    with pytest.raises(KeyboardInterrupt):
        replay(link, plan, say=said.append, record=tmp_path / "r.mcap")
    assert any(text.startswith("Interrupted at ") for text in said)
    assert "the axes are at rest" in capsys.readouterr().err
    assert at_rest(link)
    assert open_take(tmp_path / "r.mcap").seconds > 1.0  # what was recorded is a whole take


@pytest.mark.parametrize("source", [5, 1])
def test_a_stop_from_anybody_ends_it(link: Link, tmp_path: Path, source: int) -> None:
    """Also from a second program at our own address; and no setpoint follows it."""
    write_take(tmp_path / "a.mcap", swing, seconds=4.6)
    plan = plan_of(link, tmp_path / "a.mcap")

    def stop() -> None:  # as the bus carries it: to the nodes and to us
        ident, data = pack(packet(m.Stop(1), dst=EVERYONE, src=source, axis=ALL_AXES))
        link.transport._inbox.append((ident, data))  # type: ignore[attr-defined]
        link.transport.send(ident, data)
        whole = link.transport.send
        link.transport.send = lambda ident, data: (sent.append(unpack(ident, data).body), whole(ident, data))[1]  # type: ignore[method-assign]

    interrupted(link, 3.0, stop)
    sent: list[Any] = []
    with pytest.raises(CheckFailed, match=f"control {source} sent a stop"):
        replay(link, plan)
    assert at_rest(link)
    assert not [body for body in sent if isinstance(body, m.StreamRing)]


def test_a_fault_ends_it(link: Link, tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", swing, seconds=4.6)
    plan = plan_of(link, tmp_path / "a.mcap")
    assert link.rig is not None
    board = link.rig.nodes[0].axes[0]
    interrupted(link, 3.0, lambda: board.latch(Fault.STALL))
    with pytest.raises(CheckFailed, match=r"axis 16\.0 has the fault stall: the replay was stopped at "):
        replay(link, plan)


def test_an_axis_taken_away_ends_it(link: Link, tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", swing, seconds=4.6)
    plan = plan_of(link, tmp_path / "a.mcap")
    interrupted(link, 3.0, lambda: link.transport.send(*pack(packet(m.Take(9, 1), dst=16, src=7, axis=0))))
    with pytest.raises(CheckFailed, match=r"stopp|taken away"):
        replay(link, plan)
    assert link.rig is not None
    assert link.rig.nodes[0].axes[0].owner == 7


def chased(link: Link, path: Path, start: str, **how: object) -> Addresses:
    begin = Start(frame_of("01:00:00;00", RATES["29.97df"]), RATES["29.97df"])
    write_take(path, swing, seconds=4.6, start=text_of(*begin), frame_rate="29.97df")
    return Addresses(link, start, "29.97df", **how)  # type: ignore[arg-type]


def test_it_follows_the_addresses_on_the_bus(link: Link, tmp_path: Path) -> None:
    """Frames come up to 4 ms late, in no order: the rings neither shake nor drift."""
    addresses = chased(link, tmp_path / "a.mcap", "00:59:57;00", late_s=lambda number: 0.001 * (number * 7 % 5))
    begin = link.clock.now()
    replay(link, plan_of(link, tmp_path / "a.mcap"), chase=True, record=tmp_path / "r.mcap")
    held = columns(open_take(tmp_path / "r.mcap"))["16.0"]
    # The middle of the swing is 2.3 s after 01:00:00;00, which the bus has 89.91 frames after the first address.
    stamps = open_take(tmp_path / "r.mcap").stamps()
    zero = next(one for one in stamps if text_of(one.frame, one.rate) == "01:00:00;00").time_s
    wanted = np.array([swing(at - zero) for at in held.time_s])
    playing = (held.time_s > zero + 0.1) & (held.time_s < zero + 4.5)
    assert np.abs(held.numbers["ring_deg"] - wanted)[playing].max() < 0.4
    smooth = held.numbers["setpoint_deg"][playing]
    assert np.abs(np.diff(smooth, 3)).max() < 0.1
    assert addresses.frame > frame_of("01:00:04;15", RATES["29.97df"])
    assert link.clock.now() - begin > 7.0


@pytest.mark.parametrize("how", ["jump", "silence"])
def test_addresses_that_jump_or_go_end_it(link: Link, tmp_path: Path, how: str) -> None:
    addresses = chased(link, tmp_path / "a.mcap", "00:59:59;00")
    plan = plan_of(link, tmp_path / "a.mcap")

    def trouble() -> None:
        if how == "jump":
            addresses.frame += 300
        else:
            addresses.on = False

    interrupted(link, 3.0, trouble)
    with pytest.raises(CheckFailed, match="jumped to 01:00:1" if how == "jump" else "no time address was heard"):
        replay(link, plan, chase=True)
    assert at_rest(link)


def test_it_does_not_begin_in_the_middle(link: Link, tmp_path: Path) -> None:
    chased(link, tmp_path / "a.mcap", "01:00:05;00")
    with pytest.raises(CheckFailed, match="past the start"):
        replay(link, plan_of(link, tmp_path / "a.mcap"), chase=True)


def test_addresses_at_another_rate_are_named(link: Link, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from ringlet.tools.takes import replay as module

    monkeypatch.setattr(module, "CHASE_WAIT_S", 3.0)
    write_take(tmp_path / "a.mcap", swing, seconds=4.6, start="01:00:00:00", frame_rate="24")
    Addresses(link, "00:59:59:00", "25")
    with pytest.raises(CheckFailed, match="count at 25 and the take at 24"):
        replay(link, plan_of(link, tmp_path / "a.mcap"), chase=True)
    write_take(tmp_path / "b.mcap", swing, seconds=4.6)
    with pytest.raises(UsageProblem, match="needs a take that has some"):
        replay(link, plan_of(link, tmp_path / "b.mcap"), chase=True)


def test_late_addresses_do_not_shake_the_time(link: Link, tmp_path: Path) -> None:
    """Frames 0 to 4 ms late: once followed, the time of the take runs as evenly as the clock."""
    chased(link, tmp_path / "a.mcap", "00:59:57;00", late_s=lambda number: 0.001 * (number * 7 % 5))
    chase = Chase(link, runs(open_take(tmp_path / "a.mcap").stamps())[0])
    ahead = []
    for number in range(400):
        link.wait(0.01)
        now = chase.take_s()
        if number > 200:
            assert now is not None
            ahead.append(now - link.clock.now())
    chase.close()
    assert max(ahead) - min(ahead) < 0.001
