"""The link over a simulated rig, in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from bad_bus import Bad

from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, kind_of, pack, packet
from ringlet.protocol.codes import Refusal
from ringlet.protocol.states import State
from ringlet.tools.errors import CheckFailed, DeviceRefused, LinkProblem, NoAnswer, UsageProblem, WrongVersion
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

Rigs = Callable[..., RigFile]


def lossy(name: str = "single") -> tuple[Bad, Link]:
    transport = Bad(SimRig(load_rig(name)))
    return transport, Link.over(transport, transport.clock)


def test_five_lines_find_the_stops_and_move_the_ring() -> None:
    with Link.open("sim:trio") as link:
        focus = link.axis(16, 0)
        focus.take()
        focus.find_stops()
        focus.move(90.0)
        assert focus.position() == pytest.approx(90.0, abs=0.2)
        assert link.rig is not None
        zero = focus.position() - link.rig.nodes[0].axes[0].drive.truth.ring_deg
        focus.move(60.0, speed=100.0)
        assert link.rig.nodes[0].axes[0].drive.truth.ring_deg + zero == pytest.approx(60.0, abs=0.3)
        assert focus.status().owner == 1


def test_closing_gives_up_what_the_link_owns() -> None:
    link = Link.open("sim:single")
    link.axis(16, 0).take()
    rig = link.rig
    assert rig is not None
    assert rig.nodes[0].axes[0].owner == 1
    link.close()
    link.close()
    assert rig.nodes[0].axes[0].owner == 0


def test_a_lost_request_is_repeated_with_its_tag() -> None:
    transport, link = lossy()
    polls = 0

    def lose_two(sent: Packet) -> bool:
        nonlocal polls
        polls += isinstance(sent.body, m.GetStatus)
        return isinstance(sent.body, m.GetStatus) and polls <= 2

    transport.lose_sent = lose_two
    status = link.request(m.GetStatus(99), node=16, axis=0)
    assert status.state == State.RELEASED
    tags = [sent.body.tag for sent in transport.sent]
    assert len(tags) == 3
    assert len(set(tags)) == 1
    assert link.losses["repeated requests"] == 2


def test_a_lost_reply_does_not_run_the_request_twice() -> None:
    transport, link = lossy()
    link.axis(16, 0).take()
    dropped = 0

    def lose_first_done(heard: Packet) -> bool:
        nonlocal dropped
        if isinstance(heard.body, m.Done) and not dropped:
            dropped += 1
            return True
        return False

    transport.lose_heard = lose_first_done
    axis = transport.rig.nodes[0].axes[0]
    done: list[str] = []
    original = axis.do
    axis.do = lambda name, body, src: (done.append(name), original(name, body, src))[1]  # type: ignore[method-assign,assignment]
    link.axis(16, 0).hold()
    assert dropped == 1
    assert done == ["hold"]


def test_each_new_request_has_a_new_tag() -> None:
    transport, link = lossy()
    for _ in range(300):
        link.request(m.GetStatus(0), node=16, axis=0)
    tags = [sent.body.tag for sent in transport.sent]
    assert all((after - before) & 0xFF == 1 for before, after in pairwise(tags))


def test_two_runs_shortly_after_each_other_do_not_share_tags() -> None:
    transport, link = lossy()
    link.request(m.GetStatus(0), node=16, axis=0)
    link.wait(0.3)
    again = Link.over(transport, transport.clock)
    again.request(m.GetStatus(0), node=16, axis=0)
    assert transport.sent[0].body.tag != transport.sent[-1].body.tag


def test_no_repeat_after_the_time_in_which_a_node_remembers() -> None:
    transport, link = lossy()
    transport.lose_sent = lambda sent: True
    with pytest.raises(NoAnswer):
        link.request(m.GetStatus(0), node=16, axis=0, timeout=0.6, retries=5)
    assert len(transport.sent) == 2


def test_silence_says_what_was_heard() -> None:
    transport, link = lossy()
    link.wait(0.1)  # the announcement at power-up is over
    transport.lose_sent = lambda sent: True
    with pytest.raises(NoAnswer, match=r"nothing at all was heard; check power.*`ringlet discover` the address"):
        link.request(m.Identify(0), node=16)
    with Link.open("sim:pair") as two, pytest.raises(NoAnswer, match="others speak; run discover") as caught:
        two.axis(99, 0).take()
    assert caught.value.exit_code == 3


def test_keep_alive_holds_ownership_only_while_the_link_waits() -> None:
    with Link.open("sim:single") as link:
        axis = link.axis(16, 0)
        axis.set("owner-timeout", 0.5)
        axis.take()
        link.wait(5.0)
        assert axis.status().owner == 1
        rig = link.rig
        assert rig is not None
        for _ in range(700):  # the program is busy elsewhere
            rig.step()
        assert axis.status().owner == 0


def test_keep_alive_follows_a_changed_time_out() -> None:
    transport, link = lossy()
    axis = link.axis(16, 0)
    axis.take()

    def in_a_second() -> int:
        transport.sent.clear()
        link.wait(1.0)
        return sum(isinstance(sent.body, m.KeepAlive) for sent in transport.sent)

    assert in_a_second() in (2, 3)
    axis.set("owner-timeout", 0.15)
    assert in_a_second() in (19, 20, 21)
    axis.yield_()
    assert in_a_second() == 0


def test_losing_the_axis_to_another_control_ends_the_keep_alives() -> None:
    with Link.open("sim:single") as mine, mine.beside(source=2) as other:
        mine.axis(16, 0).take()
        with pytest.raises(DeviceRefused, match="control 1 owns it") as caught:
            other.axis(16, 0).take()
        assert (caught.value.code, caught.value.item, caught.value.of) == (Refusal.OWNED, 1, "take")
        assert caught.value.exit_code == 1
        other.axis(16, 0).take(force=True)
        mine.wait(0.1)
        assert mine.owned == frozenset()
        assert other.owned == {(16, 0)}
        with pytest.raises(DeviceRefused):
            mine.axis(16, 0).hold()


def test_subscribers_hear_their_kinds_until_they_leave() -> None:
    with Link.open("sim:single") as link:
        heard: list[tuple[str, float]] = []
        undo = link.subscribe(lambda packet, at: heard.append((kind_of(packet.body).name, at)), ["motion"])
        axis = link.axis(16, 0)
        axis.set("telemetry-select", 3)
        axis.set("telemetry-rate", 100)
        start = link.clock.now()
        link.wait(0.5)
        assert len(heard) == pytest.approx(50, abs=1)
        assert {name for name, _ in heard} == {"motion"}
        assert start < heard[0][1] <= heard[-1][1] <= link.clock.now()
        undo()
        count = len(heard)
        link.wait(0.1)
        assert len(heard) == count
        assert not link.losses
        with pytest.raises(UsageProblem, match="no kind 'moton'"):
            link.subscribe(lambda packet, at: None, ["moton"])


def test_gaps_in_streams_are_counted_by_source_and_kind() -> None:
    transport, link = lossy()
    axis = link.axis(16, 0)
    axis.set("telemetry-select", 3)
    axis.set("telemetry-rate", 200)
    link.wait(0.1)
    transport.lose_heard = lambda heard: isinstance(heard.body, m.Motion) and heard.body.tag % 10 in (3, 4, 7)
    link.wait(1.0)
    transport.lose_heard = lambda heard: False
    link.wait(0.1)
    assert link.losses["motion 16.0"] == pytest.approx(60, abs=3)
    assert link.losses["drive 16.0"] == 0


def test_a_message_that_comes_late_or_twice_is_not_a_turn_of_lost_ones() -> None:
    """And a program that streams to two nodes has two streams."""
    with Link.open("sim:single") as link:
        for dst, tag in ((16, 250), (17, 3), (16, 251), (17, 4), (16, 253), (16, 252), (16, 252), (16, 254), (17, 8)):
            heard = packet(m.StreamRing(tag, 0), src=5, dst=dst, axis=0)
            link._count(kind_of(heard.body), heard)
        assert link.losses == {"stream-ring 5.0": 1 + 3}


def test_a_subscriber_may_ask_in_turn() -> None:
    with Link.open("sim:single") as link:
        answers: list[Any] = []

        def ask(packet: Packet, at: float) -> None:
            if len(answers) < 3:
                answers.append(link.request(m.GetStatus(0), node=16, axis=0))

        link.subscribe(ask, ["motion"])
        link.axis(16, 0).set("telemetry-rate", 50)
        link.wait(0.2)
        assert [type(one) for one in answers] == [m.Status] * 3


def test_stop_needs_no_discovery_and_no_answer() -> None:
    transport, link = lossy()
    axis = link.axis(16, 0)
    axis.take()
    axis.run(20.0)
    link.wait(0.3)
    assert axis.status().state == State.RUNNING
    transport.sent.clear()
    stranger = Link.over(transport, transport.clock, source=9)
    before = stranger.clock.now()
    stranger.stop()
    assert stranger.clock.now() - before == pytest.approx(0.003)
    assert [(kind_of(sent.body).name, sent.dst, sent.axis, sent.priority) for sent in transport.sent] == [
        ("stop", 127, 15, 0)
    ] * 3
    assert axis.status().state == State.STOPPING
    link.wait(1.0)
    assert axis.status().state == State.HOLDING


def test_recording_by_telemetry_has_every_sample_and_leaves_the_settings_alone() -> None:
    with Link.open("sim:single") as link:
        axis = link.axis(16, 0)
        axis.take()
        axis.find_stops()
        axis.move(40.0)
        axis.set("telemetry-rate", 5)
        axis.move(60.0, wait=False)
        recording = axis.record(0.8, rate=250)
        assert len(recording.time_s) in (199, 200)
        assert np.diff(recording.time_s) == pytest.approx(0.004)
        assert recording.setpoint_deg[-1] == pytest.approx(60.0)
        assert recording.position_deg[-1] == pytest.approx(60.0, abs=0.2)
        inner = recording.velocity_deg_s[20:60]
        assert inner == pytest.approx(np.gradient(recording.position_deg, recording.time_s)[20:60], abs=8.0)
        assert np.abs(recording.current_a).max() > 0.01
        assert axis.get("telemetry-rate") == 5
        assert axis.get("telemetry-select") == 1
        axis.move(20.0, wait=False)
        rest = axis.record(until=lambda: axis.status().state == State.HOLDING, rate=100)
        assert rest.position_deg[-1] == pytest.approx(20.0, abs=0.3)
        with pytest.raises(UsageProblem):
            axis.record()


def test_recording_asks_for_each_sample_on_a_shared_line(rig_of: Rigs) -> None:
    rig = SimRig(rig_of({"unique_id": 5, "address": 20, "shared_line": True}))
    transport = SimTransport(rig)
    link = Link.over(transport, transport.clock)
    recording = link.axis(20, 0).record(0.5, rate=50)
    assert 20 <= len(recording.time_s) <= 26
    assert rig.nodes[0].axes[0].settings["telemetry-rate"] == 0


def test_settings_by_name_and_unit() -> None:
    with Link.open("sim:single") as link:
        axis = link.axis(16, 0)
        assert axis.set("velocity-limit", 123.456) == 123.456
        assert axis.get("velocity-limit") == 123.456
        assert axis.get("address") == 16
        assert axis.set("on-loss", "release") == "release"
        axis.save()
        axis.set("velocity-limit", 50)
        axis.restore()
        assert axis.get("velocity-limit") == 123.456
        axis.restore("factory")
        assert axis.get("velocity-limit") != 123.456


@pytest.mark.parametrize(
    ("act", "says"),
    [
        (lambda axis: axis.set("velocity-limit", float("nan")), "not a finite number"),
        (lambda axis: axis.set("velocity-limit", "fast"), "not a number"),
        (lambda axis: axis.set("velocity-limit", 1e9), "must be 1.000 to 3600.000 deg/s"),
        (lambda axis: axis.set("on-loss", "run"), "choose one of: hold, release"),
        (lambda axis: axis.set("speed", 1), "no parameter 'speed'"),
        (lambda axis: axis.move(float("nan")), "not a finite number"),
        (lambda axis: axis.move(float("inf")), "not a finite number"),
        (lambda axis: axis.move("left"), "not a usable number"),
        (lambda axis: axis.move(1e8), "must be -2147483.648"),
        (lambda axis: axis.move(10, speed=-1), "speed is -1"),
        (lambda axis: axis.run(1e6), "velocity is 1000000"),
        (lambda axis: axis.set_travel("middle"), "choose one of: low, high"),
        (lambda axis: axis.restore("old"), "choose one of: stored, factory"),
        (lambda axis: axis.link.axis(200, 0).take(), "no axis 0 of node 200"),
        (lambda axis: axis.link.axis(126, 0).take(), "give the node an address first"),
        (lambda axis: axis.link.request(m.Stop(0), node=127), "use send"),
        (lambda axis: axis.link.request(m.Set(0, 3, 1 << 40), node=16, axis=0), "set cannot be sent"),
        (lambda axis: axis.record(1.0, rate=5000), "1 to 1000"),
    ],
)
def test_what_cannot_be_sent_is_said_in_one_sentence_and_changes_nothing(act: Callable[[Any], Any], says: str) -> None:
    with Link.open("sim:single") as link:
        axis = link.axis(16, 0)
        axis.take()
        rig = link.rig
        assert rig is not None
        board = rig.nodes[0].axes[0]
        before = (board.state, board.settings["velocity-limit"], board.position, board.settings["telemetry-rate"])
        with pytest.raises(UsageProblem, match=says) as caught:
            act(axis)
        assert caught.value.exit_code == 2
        assert "\n" not in str(caught.value)
        assert before == (
            board.state, board.settings["velocity-limit"], board.position, board.settings["telemetry-rate"],
        )  # fmt: skip


def test_refusals_are_sentences_with_code_and_item() -> None:
    with Link.open("sim:single") as link:
        axis = link.axis(16, 0)
        for act, says in (
            (lambda: axis.move(10.0), "axis 0 of node 16 refused move: take the axis first"),
            (lambda: link.axis(16, 7).take(), "no such axis"),
        ):
            with pytest.raises(DeviceRefused, match=says):
                act()
        axis.take()
        with pytest.raises(DeviceRefused, match="the travel is not known yet"):
            axis.move(10.0)
        axis.find_stops()
        with pytest.raises(DeviceRefused, match=r"past a travel limit \(the upper one\)"):
            axis.move(4000.0)


def test_a_move_that_is_stopped_says_so() -> None:
    with Link.open("sim:single") as link, link.beside(source=2) as other:
        axis = link.axis(16, 0)
        axis.take()
        axis.find_stops()
        axis.move(40.0)
        moving = [False]

        def press_stop(packet: Packet, at: float) -> None:
            if packet.body.state == State.MOVING and not moving[0]:
                moving[0] = True
                other.send(m.Stop(0))

        link.subscribe(press_stop, ["status"])
        with pytest.raises(CheckFailed, match="came to rest before its target"):
            axis.move(10.0, speed=20.0)
        assert moving[0]


def test_another_major_version_is_shown_and_not_driven(rig_of: Rigs) -> None:
    rig = SimRig(rig_of({"unique_id": 7, "address": 20, "protocol_major": 2}, {"unique_id": 8, "address": 21}))
    for discover_first in (False, True):
        transport = SimTransport(rig)
        link = Link.over(transport, transport.clock)
        if discover_first:
            assert [(one.address, one.major) for one in link.discover()] == [(20, 2), (21, 1)]
        drive = link.axis(20, 0)
        for body in (m.Take(0, 0), m.Set(0, 3, 100_000), m.Move(0, 1000, 0), m.Save(0)):
            with pytest.raises(WrongVersion, match="shown and not driven") as caught:
                link.request(body, node=20, axis=0)
            assert caught.value.exit_code == 1
        with pytest.raises(WrongVersion):
            link.send(m.StreamRing(0, 1000), node=20, axis=0)
        assert rig.nodes[0].axes[0].owner == 0
        assert drive.status().state == State.RELEASED
        link.axis(21, 0).take()
        link.close()


def test_two_nodes_at_one_address_are_named_and_not_driven() -> None:
    """The nodes of the rig step aside when they hear each other; these two do not."""
    transport, link = lossy()
    said: list[str] = []
    transport.notice = said.append
    other = packet(m.Announce(0, 0xABCDEF012345, 0x10), dst=1, src=16)
    real = transport.rig.step
    transport.rig.step = lambda: [*real(), *([pack(other)] if transport.rig.now_us % 20_000 == 0 else [])]  # type: ignore[method-assign]
    with pytest.raises(LinkProblem, match=r"nodes .* and ABCDEF012345 both answer at address 16") as caught:
        link.axis(16, 0).take()
    assert caught.value.exit_code == 3
    found = link.discover()
    assert len({one.id for one in found if one.address == 16}) == 2
    assert len(said) == 1
    assert "ABCDEF012345" in said[0]
    with pytest.raises(LinkProblem):
        link.axis(16, 0).set("velocity-limit", 100)
    assert transport.rig.nodes[0].axes[0].owner == 0


def test_a_board_that_was_swapped_is_looked_at_again() -> None:
    transport, link = lossy()
    link.axis(16, 0).take()
    link._take_in(packet(m.Announce(0, 0x77, 0x20), dst=127, src=16))
    transport.sent.clear()
    transport.lose_heard = lambda heard: isinstance(heard.body, m.Announce)
    with pytest.raises(WrongVersion):
        link.axis(16, 0).hold()
    assert {kind_of(sent.body).name for sent in transport.sent} == {"discover"}


def test_source_address_must_be_a_control() -> None:
    with pytest.raises(UsageProblem, match="a control has 1 to 15"):
        Link.open("sim:single", source=16)
