"""Driving live and recording on a bus that loses frames, and Ctrl-C at any moment: what is said is true."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from bad_bus import Bad
from takes_helpers import ready

from ringlet.hwsim.control import ControlEntry, Mapping
from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.protocol.states import State
from ringlet.tools.link import Link
from ringlet.tools.rig.hand import Hand
from ringlet.tools.rig.session import Seat, Session, Word
from ringlet.tools.sim_bus import with_shared_line
from ringlet.tools.takes.live import Live
from ringlet.tools.takes.reader import open_take
from ringlet.tools.takes.recorder import Recorder

LEFT, RIGHT = (16, 0), (17, 0)
MAPPING = Mapping(ring_low_deg=5.0, ring_high_deg=295.0)


def rig_of(shared: bool = False) -> RigFile:
    knobs = [
        ControlEntry.model_validate({"name": f"knob{node}", "source": node - 14, "node": node, "mapping": MAPPING})
        for node in (16, 17)
    ]
    rig = load_rig("pair").model_copy(update={"controls": knobs})
    return with_shared_line(rig) if shared else rig


class Driven:
    """A control on each of the two rings."""

    def __init__(self, shared: bool = False) -> None:
        self.bad = Bad(SimRig(rig_of(shared)))
        self.link = Link.over(self.bad, self.bad.clock, notice=lambda text: None)
        ready(self.link, (LEFT, RIGHT))
        self.told: list[str] = []
        self.seats = []
        for place, knob in zip((LEFT, RIGHT), self.bad.rig.controls.values(), strict=True):
            self.link.axis(*place).take()
            self.seats.append(Seat(Hand(self.link, *place, MAPPING, blend_s=0.2), "focus", knob.entry))
            knob.turn_to(100.0)
            knob.turn_to(90.0)
        self.session = Session(self.link, self.seats, tell=lambda at, axis, text: self.told.append(f"{axis} {text}"))
        self.session.start()

    def run(self, seconds: float) -> None:
        self.session.run(self.session.now() + seconds)

    def turn(self, deg: float) -> None:
        """Turn both knobs."""
        for knob in self.bad.rig.controls.values():
            knob.turn_to(deg)

    def owners(self) -> list[int]:
        return [node.axes[0].owner for node in self.bad.rig.nodes]


def telemetry(rig: SimRig) -> list[tuple[int, int]]:
    return [(axis.settings["telemetry-rate"], axis.settings["telemetry-select"]) for n in rig.nodes for axis in n.axes]


@pytest.mark.parametrize("shared", [True, False])
def test_a_ring_that_does_not_obey_any_more_is_not_said_to_follow(shared: bool) -> None:
    """The line was cut for longer than the owner time-out, and nobody heard that the axis became free."""
    driven = Driven(shared)
    driven.run(0.5)
    assert driven.seats[0].told is not None
    driven.bad.lose_sent = lambda one: one.dst == LEFT[0]
    driven.bad.lose_heard = lambda one: one.src == LEFT[0]
    driven.run(1.5)
    assert driven.owners() == [0, 1]
    driven.bad.heal()
    driven.run(3.0)
    assert driven.seats[0].told is None
    assert driven.link.owned == {RIGHT}
    assert any(line.startswith("16.0 not ours") for line in driven.told)
    assert driven.seats[1].told is not None
    driven.session.order(Word.TAKE, "16.0")
    driven.run(0.5)
    assert driven.seats[0].told is not None
    assert driven.owners() == [1, 1]


@pytest.mark.parametrize(("node", "axis", "source", "left"), [
    (EVERYONE, ALL_AXES, 5, [0, 0]), (16, 0, 5, [0, 1]), (17, ALL_AXES, 1, [1, 0]),
])  # fmt: skip
def test_a_stop_of_anyone_is_not_undone_by_the_next_setpoint(
    node: int, axis: int, source: int, left: list[int]
) -> None:
    """Also one of a second program at our own address, as `ringlet stop` in another terminal is."""
    driven = Driven()
    for knob in driven.bad.rig.controls.values():
        knob.turn_to(150.0)
        driven.run(0.1)
        knob.turn_to(120.0)
    driven.session.order(Word.BLEND)
    driven.run(0.3)
    driven.turn(180.0)
    driven.run(0.15)
    axes = [one.axes[0] for one in driven.bad.rig.nodes]
    assert not any(one.ramp.at_rest for one in axes)
    stop = pack(packet(m.Stop(9), dst=node, src=source, axis=axis))
    driven.bad._inbox.append(stop)
    for board in driven.bad.rig.nodes:
        board.hear(*stop)
    driven.run(1.0)
    assert driven.owners() == left
    assert [seat.told is not None for seat in driven.seats] == [one == 1 for one in left]
    for number, one in enumerate(axes):
        stood = one.ramp.position
        if not left[number]:
            assert one.state is State.HOLDING
            assert sum(f"control {source} sent a stop: axis {16 + number}.0" in line for line in driven.told) == 1
            driven.turn(100.0)
            driven.run(0.3)
            assert one.ramp.position == stood
            driven.session.order(Word.TAKE, f"{16 + number}.0")
            driven.run(0.2)
            assert driven.seats[number].told is not None


def test_a_stop_while_the_end_brakes_is_not_undone_either() -> None:
    driven = Driven()
    driven.turn(120.0)
    driven.session.order(Word.BLEND)
    driven.run(0.5)
    driven.turn(180.0)
    driven.run(0.15)
    stop = pack(packet(m.Stop(9), dst=EVERYONE, src=5, axis=ALL_AXES))
    driven.bad._inbox.append(stop)
    driven.link.wait(0.005)  # it is heard when the last step is done
    for board in driven.bad.rig.nodes:
        board.hear(*stop)
    driven.session.close()
    assert all(one.axes[0].state in (State.STOPPING, State.HOLDING) for one in driven.bad.rig.nodes)


def test_an_order_without_an_answer_is_told_and_the_other_ring_is_driven_on() -> None:
    driven = Driven()
    driven.run(0.3)
    driven.bad.lose_sent = lambda one: one.dst == LEFT[0] and isinstance(one.body, m.Yield)
    driven.session.order(Word.YIELD, "16.0")
    assert "16.0 yield was not answered by node 16" in driven.told[-1]
    driven.bad.heal()
    driven.run(0.3)
    assert driven.seats[1].told is not None


def test_a_pair_is_given_up_though_one_of_the_two_does_not_answer() -> None:
    driven = Driven()
    driven.run(0.3)
    both = driven.seats[0].hand
    both._partner = (RIGHT, None)  # type: ignore[assignment]
    driven.bad.lose_sent = lambda one: one.dst == LEFT[0] and isinstance(one.body, m.Yield)
    driven.session.order(Word.YIELD, "16.0")
    assert driven.owners() == [1, 0]


@pytest.mark.parametrize("moment", [1, 2, 3, 5, 9, 14, 20])
def test_a_drive_that_is_interrupted_stops_and_puts_telemetry_back(moment: int) -> None:
    driven = Driven()
    driven.run(1.0)
    assert telemetry(driven.bad.rig)[0][0] == 50
    knob = next(iter(driven.bad.rig.controls.values()))
    knob.turn_to(200.0)
    driven.bad.countdown = moment
    with pytest.raises(KeyboardInterrupt):
        driven.run(1.0)
    assert {rate for rate, _ in telemetry(driven.bad.rig)} == {0}
    for _ in range(500):
        driven.bad.step()
    assert all(node.axes[0].ramp.at_rest for node in driven.bad.rig.nodes)


def test_telemetry_that_could_not_be_put_back_is_told() -> None:
    driven = Driven()
    driven.run(0.3)
    driven.bad.lose_sent = lambda one: one.dst == LEFT[0] and isinstance(one.body, m.Set)
    driven.session.close()
    assert driven.told[-1] == "16.0 telemetry of axis 16.0 could not be put back as it was"
    assert [rate for rate, _ in telemetry(driven.bad.rig)[::2]] == [50, 0]


def interrupted(rig: SimRig, work: Callable[[Link], Any]) -> int:
    """How often work was interrupted, each time one receive later, before it came to its end."""
    before = telemetry(rig)
    bad = Bad(rig)
    link = Link.over(bad, bad.clock, notice=lambda text: None)
    for moment in range(1, 200):
        bad.countdown = moment
        try:
            work(link)
        except KeyboardInterrupt:
            assert telemetry(rig) == before, f"at receive {moment}"
        else:
            return moment - 1
    raise AssertionError("it never came to its end")


def test_samples_that_are_interrupted_while_they_begin_leave_telemetry_as_it_was() -> None:
    def work(link: Link) -> None:
        live = Live(link, [LEFT, RIGHT], 50.0, lambda key, sample: None, lambda *told: None)
        live.start()
        link.transport.countdown = 0  # type: ignore[attr-defined]
        live.stop()

    assert interrupted(SimRig(load_rig("pair")), work) > 10


def test_a_take_that_is_interrupted_at_any_moment_is_whole_and_leaves_telemetry_as_it_was(tmp_path: Path) -> None:
    paths: list[Path] = []

    def work(link: Link) -> None:
        paths.append(tmp_path / f"{len(paths)}.mcap")
        with Recorder(link, paths[-1], [LEFT, RIGHT], rate=50.0) as recorder:
            recorder.run(0.1)

    assert interrupted(SimRig(load_rig("pair")), work) > 20
    written = [path for path in paths if path.exists()]
    assert len(written) > 20
    for path in written:
        assert open_take(path).tail["why"] in ("ended", "interrupted", "failed")
