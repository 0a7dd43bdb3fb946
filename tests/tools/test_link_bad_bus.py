"""Scripts on a bus that loses frames, and Ctrl-C at any moment: no ring turns on unheld, nothing is left behind."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

import pytest
from bad_bus import Bad

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, kind_of, pack, packet
from ringlet.protocol.codes import VERSION_MAJOR
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import CheckFailed, LinkProblem, NoAnswer, UsageProblem
from ringlet.tools.lens import marksfile, together, transfer
from ringlet.tools.lens.pair import pair_of
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

LEFT, RIGHT = (16, 0), (17, 0)
Op = Callable[[Link], Any]


@pytest.fixture(scope="module")
def rig() -> SimRig:
    """A pair of focus motors that hold their marks and were told where they stand."""
    rig = SimRig(load_rig("pair"))
    transport = SimTransport(rig)
    with Link.over(transport, transport.clock) as link:
        for place, table in zip((LEFT, RIGHT), pair_of(*map(marksfile.load, ("focus-long", "focus-long-right"))).tables,
                                strict=True):  # fmt: skip
            handle = link.axis(*place)
            transfer.upload(handle, table)
            handle.take()
            handle.set("travel-min", 0)
            handle.set("travel-max", 300)
            link.request(m.SetReference(0, 150_000), node=place[0], axis=0)
    return rig


@pytest.fixture
def bad(rig: SimRig) -> Iterator[Bad]:
    """At rest in the middle, owned by nobody, telemetry as after power-up."""
    transport = Bad(rig)
    yield transport
    transport.close()
    again = SimTransport(rig)
    with Link.over(again, again.clock, source=3) as link:
        for place in (LEFT, RIGHT):
            handle = link.axis(*place)
            handle.take(force=True)
            handle.set("owner-timeout", 1.0)
            handle.set("telemetry-rate", 0)
            handle.set("telemetry-select", 1)
            handle.hold()
            handle.rest()
            handle.set("travel-min", 0)
            handle.set("travel-max", 300)
            rig.nodes[place[0] - 16].axes[0].placed = True
            handle.move(150.0)


def over(transport: Bad) -> Link:
    return Link.over(transport, transport.clock)


def owned(transport: Bad, *places: tuple[int, int]) -> Link:
    """A link that owns these axes and has asked all that it asks only once."""
    link = over(transport)
    for place in places:
        link.axis(*place).take()
    return link


def settled(link: Link, rig: SimRig) -> None:
    """After a moment every ring is at rest, with nothing staged, though the script lives on."""
    link.wait(0.6)
    for node in rig.nodes:
        axis = node.axes[0]
        assert axis.ramp.at_rest, f"node {node.address} is {axis.state.name}"
        assert axis.staged is None, f"node {node.address} is staged"


def free(rig: SimRig) -> None:
    assert [node.axes[0].owner for node in rig.nodes] == [0, 0]


def pair_move(link: Link) -> None:
    together.go(link, together.targets([link.axis(*LEFT), link.axis(*RIGHT)], 1.2, "distance"), 1.2, 1.5)


OPS: dict[str, Op] = {
    "take": lambda link: link.axis(*LEFT).take(),
    "move": lambda link: link.axis(*LEFT).move(130.0, speed=5.0, timeout=1.0),
    "move-travel": lambda link: link.axis(*LEFT).move_travel(0.4, speed=5.0),
    "run": lambda link: (link.axis(*LEFT).run(9.0), link.axis(*LEFT).hold()),
    "find-stops": lambda link: link.axis(*LEFT).find_stops(timeout=0.2),
    "pair": pair_move,
}


def moments(most: int) -> Iterator[int]:
    """Each of the first receives, then fewer and fewer."""
    moment = 1
    while moment < most:
        yield moment
        moment += 1 + moment // 8


@pytest.mark.parametrize("name", OPS)
def test_ctrl_c_at_any_moment_leaves_no_ring_turning_and_nothing_staged(bad: Bad, rig: SimRig, name: str) -> None:
    link = owned(bad, LEFT, RIGHT)
    interrupted = 0
    for moment in moments(200):
        bad.countdown = moment
        with suppress(CheckFailed):
            try:
                OPS[name](link)
            except KeyboardInterrupt:
                interrupted += 1
                settled(link, rig)
                continue
        if bad.countdown:
            break
    bad.countdown = 0
    assert interrupted > 1
    link.axis(*LEFT).hold()
    link.close()
    free(rig)


@pytest.mark.parametrize("deaf", [True, False])
@pytest.mark.parametrize(("kind", "op"), [
    (m.Move, "move"), (m.Run, "run"), (m.Hold, "run"), (m.FindStops, "find-stops"), (m.MoveTravel, "move-travel"),
    (m.StageValue, "pair"), (m.GetStatus, "move"), (m.GetStatus, "pair"), (m.GetStatus, "find-stops"),
])  # fmt: skip
def test_without_an_answer_no_ring_turns_on(bad: Bad, rig: SimRig, kind: type[Any], op: str, deaf: bool) -> None:
    """The last node's answers or requests of this kind are lost, and the script goes on living."""
    link = owned(bad, LEFT, RIGHT)
    node = RIGHT[0] if op == "pair" else LEFT[0]
    code = kind_of(kind(*[0] * len(kind._fields))).code
    if deaf:
        bad.lose_heard = lambda one: one.src == node and (
            getattr(one.body, "of", None) == code or (kind is m.GetStatus and isinstance(one.body, m.Status))
        )
    else:
        bad.lose_sent = lambda one: one.dst == node and isinstance(one.body, kind)
    with pytest.raises(NoAnswer, match=f"by node {node}"):
        OPS[op](link)
    bad.heal()
    settled(link, rig)
    link.send(m.Sync(0))
    settled(link, rig)


def test_a_pair_of_which_one_does_not_start_does_not_leave_the_other_turning(bad: Bad, rig: SimRig) -> None:
    link = owned(bad, LEFT, RIGHT)
    lost = []

    def sync_to_left(one: Packet) -> bool:
        if isinstance(one.body, m.Sync) and not lost:
            lost.append(one)
            rig.nodes[0].axes[0].staged, kept = None, rig.nodes[0].axes[0].staged
            assert kept is not None
        return False

    bad.lose_sent = sync_to_left
    for one in (LEFT, RIGHT):
        link.axis(*one).set("velocity-limit", 20.0)
    with pytest.raises(CheckFailed, match="node 16 did not start"):
        pair_move(link)
    for one in (LEFT, RIGHT):
        link.axis(*one).set("velocity-limit", 360.0)
    settled(link, rig)


def test_a_stop_while_a_request_waits_is_not_overtaken_by_its_repeat(bad: Bad, rig: SimRig) -> None:
    """The stop comes from this program, out of a subscriber, or from another control on the bus."""
    link = owned(bad, LEFT)
    hand = SimTransport(rig, ports=bad._ports)
    for mine in (True, False):
        lost: list[Packet] = []

        def first(one: Packet, mine: bool = mine, lost: list[Packet] = lost) -> bool:
            if not isinstance(one.body, m.Move) or lost:
                return False
            lost.append(one)
            if mine:
                link.stop()
            else:
                hand.send(*pack(packet(m.Stop(7), dst=127, src=5, axis=15)))
            return True

        bad.lose_sent = first
        bad.sent.clear()
        with pytest.raises(NoAnswer, match="a stop"):
            link.axis(*LEFT).move(120.0)
        assert sum(isinstance(one.body, m.Move) for one in bad.sent) == 1
        settled(link, rig)
        assert rig.nodes[0].axes[0].ramp.position == 150_000


def test_a_stop_for_another_node_does_not_end_a_request(bad: Bad) -> None:
    link = owned(bad, LEFT)
    lost: list[Packet] = []

    def first(one: Packet) -> bool:
        if isinstance(one.body, m.Move) and not lost:
            lost.append(one)
            link.stop(*RIGHT)
            return True
        return False

    bad.lose_sent = first
    link.axis(*LEFT).move(149.0)
    assert len(lost) == 1


@pytest.mark.parametrize("lost", [m.Done, m.Parameter])
def test_a_take_that_was_not_answered_leaves_nothing_owned(bad: Bad, rig: SimRig, lost: type[Any]) -> None:
    """Though the script goes on, and keeps another axis alive."""
    link = owned(bad, LEFT)
    link.request(m.GetStatus(0), node=17, axis=0)
    bad.lose_heard = lambda one: one.src == 17 and isinstance(one.body, lost)
    with pytest.raises(NoAnswer):
        link.axis(*RIGHT).take()
    bad.heal()
    if RIGHT in link.owned:
        link.axis(*RIGHT).yield_()
    link.wait(0.1)
    assert [node.axes[0].owner for node in rig.nodes] == [1, 0]


def test_keep_alives_are_for_what_this_link_owns_and_not_for_a_dead_scripts_motor(bad: Bad, rig: SimRig) -> None:
    dead = owned(bad, RIGHT)
    dead.axis(*RIGHT).run(9.0)
    with owned(bad, LEFT) as link:  # another script at the same address, while the first was killed
        link.wait(2.0)
        assert [node.axes[0].owner for node in rig.nodes] == [1, 0]
        assert rig.nodes[1].axes[0].ramp.at_rest


def test_a_shorter_time_out_is_kept_from_its_first_moment(bad: Bad, rig: SimRig) -> None:
    link = over(bad)
    link.axis(*LEFT).set("owner-timeout", 10.0)
    link.axis(*LEFT).take()
    link.axis(*LEFT).set("owner-timeout", 0.2)
    link.wait(2.0)
    assert rig.nodes[0].axes[0].owner == 1
    link.close()


def test_one_silent_node_does_not_keep_closing_from_giving_up_the_others(bad: Bad, rig: SimRig) -> None:
    for place in (LEFT, RIGHT):
        link = owned(bad, LEFT, RIGHT)
        for one in (LEFT, RIGHT):
            link.axis(*one).set("owner-timeout", 60.0)
            link.axis(*one).run(3.0)
        bad.lose_sent = lambda sent, node=place[0]: sent.dst == node and isinstance(sent.body, m.Yield)  # type: ignore[misc]
        link.close()
        bad.heal()
        bad._ports.append(bad)  # closing has taken it off
        for _ in range(300):
            rig.step()
        assert all(node.axes[0].ramp.at_rest for node in rig.nodes)
        assert rig.nodes[place[0] - 16].axes[0].owner == 1
        assert rig.nodes[33 - place[0] - 16].axes[0].owner == 0


def test_ctrl_c_while_closing_stops_what_is_left(bad: Bad, rig: SimRig) -> None:
    for moment in range(1, 20):
        link = owned(bad, LEFT, RIGHT)
        for one in (LEFT, RIGHT):
            link.axis(*one).set("owner-timeout", 60.0)
            link.axis(*one).run(3.0)
        bad.countdown = moment
        try:
            link.close()
        except KeyboardInterrupt:
            assert bad not in bad._ports
        else:
            break
        for _ in range(300):
            rig.step()
        assert all(node.axes[0].ramp.at_rest for node in rig.nodes)
        bad._ports.append(bad)
    assert moment > 1


def test_a_request_that_cannot_be_sent_does_not_stop_what_the_axis_does(bad: Bad, rig: SimRig) -> None:
    link = owned(bad, LEFT)
    link.axis(*LEFT).run(3.0)
    with pytest.raises(UsageProblem):
        link.request(m.Move(0, 1 << 40, 0), node=16, axis=0)
    with pytest.raises(UsageProblem, match="rate"):
        link.axis(*LEFT).record(1.0, rate=0)
    link.wait(0.2)
    assert not rig.nodes[0].axes[0].ramp.at_rest


def test_a_node_that_restarts_is_not_ours_any_more() -> None:
    rig = SimRig(load_rig("pair"))
    link = owned(Bad(rig), LEFT, RIGHT)
    link.wait(1.0)
    assert link.owned == {LEFT, RIGHT}
    rig.nodes[0].start()
    link.wait(0.5)
    assert link.owned == {RIGHT}


def test_a_node_that_announces_itself_late_after_power_up_and_was_taken_before_stays_ours() -> None:
    with Link.open("sim:single?bus=serial") as link:
        link.axis(*LEFT).take()
        heard: list[Packet] = []
        link.subscribe(lambda one, at: heard.append(one), ["announce"])
        link.wait(0.5)
        assert heard
        assert link.owned == {LEFT}


def test_a_clash_is_not_forgotten_because_one_of_the_two_was_not_heard(bad: Bad) -> None:
    link = over(bad)

    def announced(unique_id: int) -> Packet:
        return packet(m.Announce(0, unique_id, VERSION_MAJOR << 4), dst=1, src=16)

    second = iter([[announced(0xABCDEF012345)]])
    whole = bad.receive
    bad.receive = lambda timeout: [*next(second, []), *whole(timeout)]  # type: ignore[method-assign]
    bad.lose_heard = lambda one: isinstance(one.body, m.Announce) and one.src == 17
    with pytest.raises(LinkProblem, match="both answer at address 16"):
        link.axis(*LEFT).take()
    bad.heal()
    link.axis(*RIGHT).take()  # asks everybody once more
    with pytest.raises(LinkProblem, match="both answer at address 16"):
        link.axis(*LEFT).take()
    link.discover()
    link.axis(*LEFT).take()  # one was switched off
    link.close()


def test_two_that_were_each_heard_once_are_a_clash(bad: Bad) -> None:
    """The first look was disturbed, so there is a second one; each hears only one of the two."""
    link = over(bad)
    looks = 0

    def swapped(timeout: float) -> list[Packet]:
        found = whole(timeout)
        for index, one in enumerate(found):
            if isinstance(one.body, m.Announce) and one.src == 16 and looks == 2:
                found[index] = packet(m.Announce(0, 0xABCDEF012345, one.body.version), dst=1, src=16)
        return found

    def sent(one: Packet) -> bool:
        nonlocal looks
        looks += isinstance(one.body, m.Discover)
        bad._lost["size"] += isinstance(one.body, m.Discover)
        return False

    whole, bad.receive = bad.receive, swapped  # type: ignore[method-assign]
    bad.lose_sent = sent
    bad.notice = lambda text: None
    link.discover()
    assert looks == 2
    assert len(link.clashes[16]) == 2


def test_an_axis_is_kept_on_a_shared_line_though_another_is_asked_without_a_pause() -> None:
    with Link.open("sim:pair?bus=serial") as link:
        left = owned_on(link)
        end = link.clock.now() + 2.0
        while link.clock.now() < end:
            left.position()
        assert link.rig is not None
        assert [node.axes[0].owner for node in link.rig.nodes] == [1, 1]


def owned_on(link: Link) -> AxisHandle:
    for place in (LEFT, RIGHT):
        link.axis(*place).take()
    return link.axis(*LEFT)


def test_after_a_connection_came_back_a_board_is_looked_at_again_before_it_is_driven(bad: Bad) -> None:
    link = owned(bad, LEFT, RIGHT)
    bad.reopened += 1
    whole = bad.receive

    def swapped(timeout: float) -> list[Packet]:
        return [
            packet(m.Announce(one.body.tag, 0xABCDEF012345, one.body.version), dst=1, src=16)
            if isinstance(one.body, m.Announce) and one.src == 16 else one
            for one in whole(timeout)
        ]  # fmt: skip

    bad.receive = swapped  # type: ignore[method-assign]
    bad.sent.clear()
    with pytest.raises(LinkProblem, match="axis 0 of node 16 does not obey this program any more: another board"):
        link.axis(*LEFT).run(9.0)
    assert not [one for one in bad.sent if isinstance(one.body, m.Run)]
    assert link.owned == {RIGHT}
    link.axis(*RIGHT).hold()
    link.close()


def telemetry(rig: SimRig) -> list[tuple[int, int]]:
    return [(n.axes[0].settings["telemetry-rate"], n.axes[0].settings["telemetry-select"]) for n in rig.nodes]


def test_a_recording_interrupted_at_any_moment_puts_telemetry_back(bad: Bad, rig: SimRig) -> None:
    link = owned(bad, LEFT)
    before = telemetry(rig)
    for moment in range(1, 100):
        link.axis(*LEFT).run(1.0)
        bad.countdown = moment
        try:
            link.axis(*LEFT).record(0.05, rate=100)
        except KeyboardInterrupt:
            settled(link, rig)
            assert telemetry(rig) == before
        else:
            break
    else:
        pytest.fail("it never came to its end")


def test_a_recording_is_kept_though_telemetry_cannot_be_put_back(bad: Bad) -> None:
    link = owned(bad, LEFT)
    told: list[str] = []
    bad.notice = told.append
    heard = 0

    def after_samples(one: Packet) -> bool:
        nonlocal heard
        heard += isinstance(one.body, m.Sample)
        return heard > 5 and isinstance(one.body, m.Parameter)

    bad.lose_heard = after_samples
    assert len(link.axis(*LEFT).record(0.3, rate=100).time_s) > 20
    assert len(told) == 1
    assert "telemetry of axis 0 of node 16 could not be put back" in told[0]
