"""A whole rig on a real bus: nodes and tools unchanged; fresh motors, swapped motors, conflicts, noise."""

from __future__ import annotations

import random

import pytest
from fresh_motors import fresh_rig, make_bus, one_run, power_up

from ringlet.hwsim.can_bus import CanBus
from ringlet.hwsim.noise import Mangler, Mischief, Noise
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.serial_line import SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.codes import Fault
from ringlet.protocol.header import FRESH
from ringlet.tools import finding
from ringlet.tools.errors import NoAnswer, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.sim_bus import with_shared_line
from ringlet.tools.transports import SimTransport

BUSES = ("can", "serial")


def link_to(rig: SimRig, said: list[str] | None = None) -> Link:
    transport = SimTransport(rig)
    return Link.over(transport, transport.clock, notice=(said if said is not None else []).append)


@pytest.mark.parametrize("noise", [0.0, 1e-5])
@pytest.mark.parametrize("which", BUSES)
def test_eight_fresh_motors_are_found_addressed_and_none_moves(which: str, noise: float) -> None:
    # the long form: tests/hwsim/fresh_motors.py
    for seed in range(2):
        run = one_run(which, noise, seed)
        assert run.problems == ()
        assert run.notices == ()
        assert run.seconds < (2.5 if which == "can" else 5.5)
        assert 8 * 49 < run.questions < 560


def test_searches_that_end_nowhere_now_and_then_do_not_end_the_search(monkeypatch: pytest.MonkeyPatch) -> None:
    ids = [0x1000 + number for number in range(finding.FALSE_STARTS + 2)]
    rig = fresh_rig(ids, make_bus("serial", 0.0, 1))
    real, failed = finding._assign, set()

    def fails_once(link: Link, unique_id: int, address: int) -> finding.Found:
        if unique_id not in failed:
            failed.add(unique_id)
            raise NoAnswer("lost")
        return real(link, unique_id, address)

    monkeypatch.setattr(finding, "_assign", fails_once)
    said: list[str] = []
    assert sorted(one.id for one in finding.search(link_to(rig, said))) == ids
    assert said == []
    assert len(failed) > finding.FALSE_STARTS


def test_a_node_off_its_cable_hears_nothing() -> None:
    bus = CanBus(500_000)
    rig = SimRig(load_rig("pair"), bus=bus)
    link = link_to(rig)
    axis = link.axis(17, 0)
    axis.take()
    bus.plug(2, False)
    with pytest.raises(NoAnswer, match="not answered by node 17"):
        axis.status()
    link.stop()
    link.wait(0.05)
    assert link.axis(16, 0).status() is not None
    link.wait(1.2)
    assert rig.nodes[1].axes[0].owner == 0  # no keep-alive reaches it
    bus.plug(2)
    assert axis.status() is not None


@pytest.mark.parametrize("which", BUSES)
def test_a_motor_plugged_in_later_gets_the_next_address(which: str) -> None:
    ids = [0x111, 0x222, 0x333]
    rig = fresh_rig(ids, make_bus(which, 0.0, 1))
    late = rig.nodes[2]
    hear, tick = late.hear, late.tick
    late.hear, late.tick = lambda ident, data: None, list  # type: ignore[method-assign]
    link = link_to(rig)
    assert {one.id: one.address for one in link.discover(assign=True)} == {0x111: 16, 0x222: 17}
    late.hear, late.tick = hear, tick  # type: ignore[method-assign]
    late.start()
    assert {one.id: one.address for one in link.discover(assign=True)} == {0x111: 16, 0x222: 17, 0x333: 18}
    for one in link.discover():
        assert link.axis(one.address, 0).status() is not None


@pytest.mark.parametrize("which", BUSES)
def test_two_motors_swapped_keep_their_addresses_and_ids(which: str) -> None:
    # plugs change places on a bus: what a node is goes with it, whatever socket it is in
    rig = fresh_rig([0xAAA, 0xBBB], make_bus(which, 0.0, 2))
    link = link_to(rig)
    first = {one.id: one.address for one in link.discover(assign=True)}
    for node in rig.nodes:
        node.store.save({"parameters": node.settings.stored_part()})
    rig.nodes.reverse()
    rig.power_cycle()
    link.wait(0.2)
    assert {one.id: one.address for one in link.discover()} == first
    # and where each is given the other's address on purpose, both take it
    given = link.assign(0xAAA, 99)
    link.assign(0xBBB, first[0xAAA])
    link.assign(0xAAA, first[0xBBB])
    assert given.address == 99
    assert {one.id: one.address for one in link.discover()} == {0xAAA: first[0xBBB], 0xBBB: first[0xAAA]}


@pytest.mark.parametrize("which", BUSES)
def test_a_stored_address_that_conflicts_is_seen_and_mended(which: str) -> None:
    rig = fresh_rig([0x1111, 0x2222, 0x3333], make_bus(which, 0.0, 3), {0x1111: 20, 0x2222: 20, 0x3333: 21})
    power_up(rig, random.Random(1))
    said: list[str] = []
    link = link_to(rig, said)
    link.wait(0.2)
    link.discover()  # the first that announces itself makes the other step aside
    found = link.discover(assign=True)
    assert {one.id for one in found} == {0x1111, 0x2222, 0x3333}
    assert {one.address for one in found} == {16, 20, 21}
    (aside,) = [node for node in rig.nodes if Fault.ADDRESS_TAKEN in node.axes[0].latched]
    assert aside.card.unique_id in (0x1111, 0x2222)
    assert aside.address == 16
    assert not any(node.axes[0].ramp.velocity for node in rig.nodes)


@pytest.mark.parametrize("which", BUSES)
def test_an_axis_is_driven_over_each_bus_with_noise(which: str) -> None:
    noise = Noise(bit_errors=2e-5, bursts=1e-7)
    rig_file = load_rig("pair")
    bus = CanBus(250_000, noise, seed=1) if which == "can" else SerialLine(115_200, noise, seed=1)
    if which == "serial":
        rig_file = with_shared_line(rig_file)
    link = link_to(SimRig(rig_file, bus=bus))
    link.discover()
    axis = link.axis(16, 0)
    axis.take()
    axis.find_stops(wait=True)
    axis.move(12.0)
    assert axis.position() == pytest.approx(12.0, abs=0.3)


def test_one_voice_on_a_shared_line_even_for_keep_alives() -> None:
    """A keep-alive that falls due while an answer is on its way waits for it."""
    bus = SerialLine(115_200)
    link = link_to(SimRig(with_shared_line(load_rig("pair")), bus=bus))
    axis = link.axis(16, 0)
    axis.take()
    for _ in range(600):
        axis.status()
    assert bus.garbled == 0
    assert set(link.losses) <= {"knob 2.15"}  # what the air between a control and the bus swallows


def test_messages_lost_doubled_and_late_are_no_second_command() -> None:
    bus = CanBus(500_000)
    rig = SimRig(load_rig("single"), bus=bus, mangler=Mangler(Mischief(drop=0.03, duplicate=0.2, delay=0.05), seed=5))
    link = link_to(rig)
    axis = link.axis(16, 0)
    link.discover()
    for _ in range(30):
        axis.take()
        axis.status()
    assert rig.nodes[0].axes[0].owner == 1
    assert link.losses["repeated requests"] > 3


def test_the_same_seed_gives_the_same_rig() -> None:
    def once(seed: int) -> list[tuple[int, bytes]]:
        nodes = load_rig("pair").model_copy(update={"controls": [], "ranges": []})
        rig = SimRig(nodes, seed=seed, bus=CanBus(125_000, Noise(bit_errors=1e-3), seed=seed))
        return [frame for _ in range(150) for frame in rig.step()]

    assert once(1) == once(1)
    assert len(once(1)) == 2  # both announce themselves


def test_links_name_their_bus() -> None:
    with Link.open("sim:pair?bus=can&bitrate=125000&noise=1e-5") as link:
        assert link.is_can
        assert link.transport.frame_time == pytest.approx(160 / 125_000)
        assert [one.address for one in link.discover()] == [16, 17]
    with Link.open("sim:pair?bus=serial&baud=230400") as link:
        assert not link.is_can
        assert link.transport.shared
        assert [one.address for one in link.discover()] == [16, 17]
    for url, says in (
        ("sim:pair?noise=1e-5", "add bus=can or bus=serial"),
        ("sim:pair?bus=token", "a simulated bus is can or serial"),
        ("sim:pair?bus=can&baud=9600", "a bus=can has a bitrate"),
        ("sim:pair?bus=can&bitrate=fast", "bits a second"),
        ("sim:pair?bus=can&noise=2", "a probability"),
    ):
        with pytest.raises(UsageProblem, match=says):
            Link.open(url)


def test_a_fresh_address_is_never_driven() -> None:
    rig = fresh_rig([5], make_bus("can", 0.0, 1))
    with pytest.raises(UsageProblem, match="give the node an address"):
        link_to(rig).axis(FRESH, 0).take()
