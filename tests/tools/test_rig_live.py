"""The live loop on a simulated bus: readings and knobs in, setpoints out; and nothing jumps, whatever the order."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Any, Final, NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import Phase as Stage
from hypothesis import strategies as st
from takes_helpers import ready

from ringlet.hwsim.control import ControlEntry, Mapping, SimControl
from ringlet.hwsim.course import Course
from ringlet.hwsim.rangesource import RangeEntry
from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.header import KIND_MASK, KIND_SHIFT
from ringlet.protocol.wire import KINDS
from ringlet.tools.axis_handle import MDEG
from ringlet.tools.errors import UsageProblem
from ringlet.tools.lens import marksfile
from ringlet.tools.link import Link
from ringlet.tools.rig.hand import SHARE, Hand
from ringlet.tools.rig.handback import HandBack, Phase
from ringlet.tools.rig.latency import lag_s
from ringlet.tools.rig.partner import Partner
from ringlet.tools.rig.rangefocus import Tuning
from ringlet.tools.rig.session import STEP_S, Order, Seat, Session, Word
from ringlet.tools.rig.setup import Builder, Wish
from ringlet.tools.rig.smooth import FOLLOW_S, TICK_S, Bounds, Smooth
from ringlet.tools.transports import SimTransport

STREAM: Final = KINDS.by_class[m.StreamRing].code
CURVE = marksfile.load("focus-long").curve()
STILL = {"points": [[0.0, 3.0]]}
KNOB = {"name": "knob", "source": 2, "node": 16, "mapping": Mapping(ring_low_deg=5.0, ring_high_deg=295.0)}


def rig_of(name: str = "single", subject: dict[str, Any] | None = None, **sensor: Any) -> RigFile:
    """A shipped rig with a knob for focus and a range sensor."""
    ranges = [RangeEntry.model_validate({"name": "sensor", "source": 5, "subject": subject or STILL} | sensor)]
    return load_rig(name).model_copy(update={"controls": [ControlEntry.model_validate(KNOB)], "ranges": ranges})


def link_to(rig: RigFile) -> Link:
    transport = SimTransport(SimRig(rig))
    link = Link.over(transport, transport.clock, notice=lambda text: None)
    ready(link)
    link.axis(16, 0).take()
    return link


def knob_of(link: Link) -> SimControl:
    assert link.rig is not None
    return link.rig.controls["knob"]


class Drive:
    """A session on one focus ring, and every setpoint that goes over the wire."""

    def __init__(self, link: Link, *, blend_s: float = 0.3, auto: bool = True, **options: Any) -> None:
        self.link, self.knob = link, knob_of(link)
        hand = Hand(link, 16, 0, self.knob.entry.mapping, blend_s=blend_s)
        self.seat = Seat(hand, "focus", self.knob.entry, CURVE, True, auto)
        self.told: list[str] = []
        self.session = Session(link, [self.seat], tell=lambda at, axis, text: self.told.append(text), **options)
        self.session.start()

    def run(self, seconds: float) -> None:
        self.session.run(self.session.now() + seconds)

    @property
    def phase(self) -> Phase | None:
        return self.seat.told.phase if self.seat.told is not None else None

    @property
    def setpoint(self) -> float:
        assert self.seat.told is not None
        return self.seat.told.setpoint_deg


@pytest.fixture
def drive() -> Iterator[Drive]:
    with link_to(rig_of()) as link:
        yield Drive(link)


def ring_at(metres: float) -> float:
    return CURVE.ring_at(metres)


def test_readings_drive_the_ring_and_the_control_takes_it_over_by_meeting_it(drive: Drive) -> None:
    drive.knob.turn_to(160.0)
    drive.knob.turn_to(60.0)
    drive.run(1.5)
    assert drive.phase is Phase.AUTO
    assert drive.seat.ring_deg == pytest.approx(ring_at(3.0), abs=0.5)
    drive.session.order(Word.HAND)
    drive.run(0.5)
    assert drive.phase is Phase.AWAY
    assert drive.knob.display().startswith("away, up ")
    held = drive.setpoint
    place = (held - 5.0) / 290.0 * 300.0
    for share in np.linspace(0.0, 1.0, 30):
        drive.knob.turn_to(60.0 + (place - 60.0) * float(share))
        drive.run(0.04)
    assert drive.phase in (Phase.BLENDING, Phase.COUPLED)
    drive.run(0.5)
    assert drive.knob.display() == "coupled"
    drive.knob.turn_to(place - 30.0)
    drive.run(1.0)
    assert drive.seat.ring_deg == pytest.approx(held - 29.0, abs=0.3)
    drive.session.order(Word.AUTO)
    drive.run(1.0)
    assert drive.seat.ring_deg == pytest.approx(ring_at(3.0), abs=0.5)
    drive.session.order(Word.BLEND)
    drive.run(2.5)
    assert drive.phase is Phase.COUPLED
    assert drive.seat.ring_deg == pytest.approx(held - 29.0, abs=0.3)


def test_lost_readings_hold_and_a_lost_control_holds_and_both_are_said() -> None:
    gap = {"gaps": [[1.0, 2.0]], "subject": {"points": [[0.0, 3.0], [0.4, 3.0], [3.0, 1.0], [4.0, 1.0]]}}
    with link_to(rig_of(**gap)) as link:
        drive = Drive(link)
        assert link.rig is not None
        link.rig.ranges["sensor"].begin_s = link.clock.now()
        drive.knob.turn_to(160.0)
        drive.run(1.6)
        held = drive.setpoint
        drive.run(0.3)
        assert (drive.phase, drive.setpoint) == (Phase.AUTO_HELD, held)
        assert any("no range readings: focus holds" in one for one in drive.told)
        drive.run(2.0)
        assert drive.seat.ring_deg == pytest.approx(ring_at(1.0), abs=0.6)
        drive.session.order(Word.BLEND)
        drive.run(2.5)
        assert drive.phase is Phase.COUPLED
        drive.knob.switch(False)
        drive.run(1.0)
        assert drive.phase is Phase.LOST
        drive.knob.switch(True)
        drive.run(0.5)
        assert drive.phase is Phase.LOST  # it does not know its place before its index
        drive.knob.turn_to(120.0)
        drive.knob.turn_to(200.0)
        drive.run(0.5)
        assert drive.phase is Phase.AWAY


def test_who_is_put_out_drives_no_more_and_may_take_back(drive: Drive) -> None:
    drive.run(1.0)
    with drive.link.beside(source=9) as other:
        other.axis(16, 0).take(force=True)
        drive.run(0.5)
        assert drive.phase is None
        assert drive.seat.owner == 9
        assert any("not ours" in one for one in drive.told)
        sent = len(drive.seat.moments)
        drive.session.order(Word.TAKE)  # refused: the other one owns it
        drive.run(0.2)
        assert drive.phase is None
        assert len(drive.seat.moments) == sent
        assert any("another control owns" in one for one in drive.told)
        drive.session.order(Word.FORCE)
        drive.run(0.5)
        assert drive.phase is Phase.AUTO
        assert drive.seat.owner == 1
    drive.session.order(Word.YIELD)
    drive.run(0.3)
    assert drive.seat.owner == 0
    assert drive.phase is None


def test_a_motor_with_a_fault_is_not_driven_and_the_end_comes_to_rest(drive: Drive) -> None:
    drive.run(0.3)
    assert drive.link.rig is not None
    axis = drive.link.rig.nodes[0].axes[0]
    drive.session.close()
    drive.link.wait(0.3)
    assert drive.seat.told is not None
    assert abs(drive.link.axis(16, 0).setpoint() - drive.seat.hand._back.setpoint_deg) < 0.01  # type: ignore[union-attr]
    drive = Drive(drive.link)
    drive.run(0.3)
    axis.drive.faults.ring_blocked = True
    happen(drive, "subject", 0.6)
    drive.run(4.0)
    assert drive.seat.fault != "none"
    assert drive.phase is None
    assert any("has a fault" in one for one in drive.told)
    drive.session.order(Word.TAKE)  # refused: the fault is still there
    drive.run(0.2)
    assert drive.phase is None
    axis.drive.faults.ring_blocked = False
    drive.link.request(m.ClearFault(0), node=16, axis=0)
    drive.run(0.3)
    assert drive.seat.fault == "none"
    assert drive.phase is None  # nobody has told it to go on
    drive.session.order(Word.TAKE)
    drive.run(2.0)
    assert drive.phase is Phase.AUTO
    assert drive.seat.ring_deg == pytest.approx(ring_at(0.6), abs=0.5)


def test_a_control_for_another_axis_is_not_followed_and_it_is_said(drive: Drive) -> None:
    drive.knob.entry = drive.knob.entry.model_copy(update={"axis": 1})
    drive.run(1.0)
    assert math.isnan(drive.seat.control_deg)
    assert sum("says that it is for axis 16.1" in one for one in drive.told) == 1


def test_orders_at_their_times_and_an_end(drive: Drive) -> None:
    orders = [Order(0.6, Word.END), Order(0.2, Word.HAND), Order(0.4, Word.AUTO, "17.0")]
    drive.session.close()
    drive = Drive(drive.link, orders=orders)
    drive.session.run(5.0)
    assert drive.session.now() == pytest.approx(0.6, abs=2 * STEP_S)
    assert drive.phase in (Phase.AWAY, Phase.LOST)


# --- continuous, whatever happens ------------------------------------------------------------------------------------

QUICK = (Stage.explicit, Stage.reuse, Stage.generate)
"""Each story takes virtual seconds: a failing one is shown as it is, not shrunk."""
EVENTS = st.one_of(
    st.tuples(st.just("turn"), st.floats(0, 300)),
    st.tuples(st.just("word"), st.sampled_from(["auto", "hand", "blend", "blend", "yield", "take", "force"])),
    st.tuples(st.just("switch"), st.booleans()),
    st.tuples(st.just("subject"), st.floats(0.4, 60.0)),
    st.tuples(st.just("silence"), st.booleans()),
    st.tuples(st.just("other"), st.just(0)),
    st.tuples(st.just("hang"), st.floats(0.03, 0.4)),
)
STORIES = st.lists(st.tuples(EVENTS, st.sampled_from([0.02, 0.1, 0.3, 0.8])), min_size=1, max_size=9)


@pytest.fixture(scope="module")
def bench() -> Iterator[Link]:
    with link_to(rig_of(wrong=0.05, noise_per_m=0.005)) as link:
        yield link


def happen(drive: Drive, what: str, value: Any) -> None:
    assert drive.link.rig is not None
    sensor = drive.link.rig.ranges["sensor"]
    match what:
        case "turn":
            drive.knob.turn_to(value)
        case "word":
            drive.session.order(Word(value))
        case "switch":
            drive.knob.switch(value)
        case "subject":
            sensor.entry = sensor.entry.model_copy(update={"subject": Course(points=[[0.0, value]])})
        case "silence":
            sensor.entry = sensor.entry.model_copy(update={"gaps": [[0.0, 1e6]] if value else []})
        case "other":
            with drive.link.beside(source=9) as other:
                other.axis(16, 0).take(force=True)
        case "hang":  # the program does not get its turn for a while
            drive.link.wait(value)


@settings(max_examples=18, deadline=None, phases=QUICK, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(STORIES, st.sampled_from(["auto", "hand", "coupled"]))
def test_whatever_the_order_of_events_the_ring_setpoint_stays_continuous(
    bench: Link, story: list[tuple[tuple[str, Any], float]], begin: str
) -> None:
    """Each setpoint on the wire follows from the one before it within velocity and acceleration, or begins where the
    motor's own setpoint rests; and the motor's own setpoint keeps to its limits in every millisecond."""
    rig = bench.rig
    assert rig is not None
    bench.axis(16, 0).take(force=True)
    knob_of(bench).switch(True)
    axis = rig.nodes[0].axes[0]
    limit = {name: float(bench.axis(16, 0).get(name)) for name in ("velocity-limit", "acceleration-limit")}
    drive = Drive(bench, auto=begin == "auto", blend_s=0.2, tuning=Tuning(ahead_s=FOLLOW_S))
    sent: list[Sent] = []
    real_step, real_send = rig.step, rig.send
    before = [axis.ramp.position, axis.ramp.velocity]

    def step() -> list[tuple[int, bytes]]:
        said = real_step()
        position, velocity = axis.ramp.position, axis.ramp.velocity
        assert abs(velocity - before[1]) <= 1.02 * MDEG * limit["acceleration-limit"] / 1000 + 2
        assert abs(position - before[0]) <= 1.02 * MDEG * limit["velocity-limit"] / 1000 + 2
        before[:] = [position, velocity]
        return said

    def send(ident: int, data: bytes, who: Any = None) -> None:
        if ident >> KIND_SHIFT & KIND_MASK == STREAM:
            back = drive.seat.hand._back
            assert back is not None
            place = int.from_bytes(data[1:5], "little", signed=True) / MDEG
            sent.append(Sent(back, rig.now_us / 1e6, place, back._smooth.velocity_deg_s, axis.ramp.position / MDEG))
        real_send(ident, data, who)

    rig.step, rig.send = step, send  # type: ignore[method-assign]
    try:
        if begin == "coupled":
            place = axis.ramp.position / MDEG * 300.0 / 290.0
            for angle in (140.0, 160.0, place):
                drive.knob.turn_to(angle)
            drive.run(0.2)
            drive.session.order(Word.BLEND)
            drive.run(1.0)
        for (what, value), seconds in story:
            happen(drive, what, value)
            drive.run(seconds)
        drive.session.close()
        assert not drive.seat.hand.owns or abs(sent[-1].velocity) < 0.02  # at rest at the end
        check(sent, {key: SHARE * one for key, one in limit.items()})
    finally:
        del rig.step, rig.send
        drive.session.close()


class Sent(NamedTuple):
    """A setpoint that went over the wire."""

    back: HandBack
    """a new one each time that the axis was taken"""
    time_s: float
    place: float
    velocity: float
    motor: float
    """the motor's own setpoint then"""


def check(sent: list[Sent], bound: dict[str, float]) -> None:
    """Position and velocity change by no more than time and bounds allow, from a beginning where the motor rests."""
    for one in sent[:1] + [b for a, b in itertools.pairwise(sent) if b.back is not a.back]:
        assert one.place == pytest.approx(one.motor, abs=0.02)
        assert abs(one.velocity) <= bound["acceleration-limit"] * (STEP_S + TICK_S)
    for one, after in itertools.pairwise(sent):
        if one.back is after.back:
            time = after.time_s - one.time_s + TICK_S
            assert abs(after.place - one.place) <= bound["velocity-limit"] * time + 0.002
            assert abs(after.velocity - one.velocity) <= bound["acceleration-limit"] * time + 1e-6


# --- pairs -----------------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-20, 330), st.integers(1, 400)), min_size=1, max_size=8), st.floats(60, 400))
@example([(0.0, 1), (161.0, 200), (0.0, 44), (172.0, 142)], 64.0)
def test_the_second_ring_of_a_pair_keeps_to_its_limits_too(goals: list[tuple[float, int]], slow: float) -> None:
    pairing = PAIRING
    first, second = Bounds(240.0, 1200.0, 0.0, 300.0), Bounds(slow, 5 * slow, 2.0, 296.0)
    bounds = pairing.bounds(first, second)
    smooth = Smooth(0.5 * (bounds.low_deg + bounds.high_deg), bounds)
    rings = [pairing.ring_at(smooth.position_deg)]
    for goal, ticks in goals:
        for _ in range(ticks):
            smooth.go(goal, TICK_S)
            rings.append(pairing.ring_at(smooth.position_deg))
    ring = np.array(rings)
    assert ring.min() >= 2.0 - 1e-6
    assert ring.max() <= 296.0 + 1e-6
    assert np.abs(np.diff(ring)).max() <= second.velocity_deg_s * TICK_S + 1e-9
    ten = np.diff(ring[::10]) / (10 * TICK_S)  # as the motor hears it
    assert not len(ten) > 1 or np.abs(np.diff(ten)).max() <= 1.1 * second.acceleration_deg_s2 * 10 * TICK_S


PAIRING = Partner(CURVE, marksfile.load("focus-long-right").curve())


def test_both_lenses_of_a_pair_have_one_value_all_along_and_half_a_pair_is_not_driven() -> None:
    pair = load_rig("pair")
    sensor = {"name": "sensor", "source": 5, "subject": {"points": [[0.0, 5.0], [1.0, 5.0], [4.0, 1.0]]}}
    boards = [
        board.model_copy(update={"axes": [one.model_copy(update={"ring_start_deg": 140.0}) for one in board.axes[:1]]})
        for board in pair.nodes
    ]
    ranges = [RangeEntry.model_validate(sensor)]
    rig = pair.model_copy(update={"controls": [], "ranges": ranges, "nodes": boards, "pairs": pair.pairs[:1]})
    transport = SimTransport(SimRig(rig))
    with Link.over(transport, transport.clock, notice=lambda text: None) as link:
        for node in (16, 17):
            handle = link.axis(node, 0)
            handle.take()
            handle.set("travel-min", 1.0)
            handle.set("travel-max", 300.0)
            link.request(m.SetReference(0, 140_000), node=node, axis=0)
        seats = Builder(link, rig, Wish(ranged=True, paired=True)).seats({16: [0], 17: [0]})
        assert seats[0].hand.places == [(16, 0), (17, 0)]
        session = Session(link, seats, tuning=Tuning(ahead_s=FOLLOW_S))
        session.start()
        assert link.rig is not None
        link.rig.ranges["sensor"].begin_s = link.clock.now()
        session.run(4.5)
        pairing = seats[0].hand.pairing
        assert pairing is not None
        left, right = (np.array(seats[0].rings[key]) for key in ("16.0", "17.0"))
        both = np.interp(left[:, 0], right[:, 0], right[:, 1])
        kept = (left[:, 0] > 0.5) & (left[:, 0] < 4.4)
        off = np.abs(pairing.first.scale_at(left[kept, 1]) - pairing.second.scale_at(both[kept]))
        assert np.nanmax(off) < 0.02
        assert seats[0].ring_deg == pytest.approx(pairing.first.ring_at(1.0), abs=0.5)
        lag = session.lag_s()
        assert lag is not None
        assert abs(lag) < 0.06
        with link.beside(source=9) as other:
            other.axis(17, 0).take(force=True)
            session.run(session.now() + 0.4)
            assert seats[0].told is None
            assert link.axis(16, 0).status().owner == 0
        session.close()


def test_two_lenses_of_two_kinds_are_no_pair() -> None:
    with pytest.raises(UsageProblem, match="distance marks and the other stop marks"):
        Partner(CURVE, marksfile.load("iris").curve())
    with pytest.raises(UsageProblem, match="no value in common"):
        PAIRING.bounds(Bounds(1.0, 1.0, 0.0, 20.0), Bounds(1.0, 1.0, 200.0, 300.0))


# --- latency ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("late", [-0.12, 0.0, 0.037, 0.4])
def test_the_lag_of_a_ring_is_found_again(late: float) -> None:
    made = np.arange(0.0, 8.0, 0.02)
    times = np.arange(-1.0, 10.0, 0.01)

    def subject(t: np.ndarray) -> np.ndarray:
        return 0.5 + 0.3 * np.sin(1.3 * t)

    noise = np.random.default_rng(3).normal(0.0, 0.003, len(made))
    assert lag_s(made, subject(made) + noise, times, subject(times - late)) == pytest.approx(late, abs=0.003)


def test_what_hardly_moves_has_no_lag() -> None:
    made = np.arange(0.0, 8.0, 0.02)
    times = np.arange(-1.0, 10.0, 0.01)
    assert lag_s(made, 0.5 + 0.05 * np.sin(made), times, 0.5 + 0.05 * np.sin(times)) is None
    assert lag_s(made[:5], made[:5], times, times) is None


def test_prediction_makes_up_for_sensor_line_and_motor() -> None:
    """An invented subject to and fro, readings 60 ms old: without prediction the ring is late by that and the rest."""
    course = {"points": [[0.0, 4.0], [2.5, 1.2], [5.0, 4.0], [7.5, 1.2]]}

    def lag(tuning: Tuning) -> float:
        with link_to(rig_of(subject=course, latency_s=0.06)) as link:
            drive = Drive(link, tuning=tuning)
            assert link.rig is not None
            link.rig.ranges["sensor"].begin_s = link.clock.now()
            drive.run(7.5)
            found = drive.session.lag_s()
            assert found is not None
            return found

    blind, ahead = lag(Tuning(reach_s=0.0)), lag(Tuning(ahead_s=FOLLOW_S))
    assert blind > 0.1
    assert abs(ahead) < 0.35 * blind
