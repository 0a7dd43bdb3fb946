"""Finding nodes and giving addresses, on CAN and on a shared serial line whose bytes garble."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from itertools import chain, zip_longest

import pytest

from ringlet.hwsim.rigfile import RigFile
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, pack, unpack
from ringlet.protocol.header import FRESH
from ringlet.protocol.serial_frame import FRAME_MAX, StreamDecoder, encode_raw
from ringlet.tools.errors import NoAnswer, UsageProblem
from ringlet.tools.finding import FALSE_STARTS
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport, Transport

Rigs = Callable[..., RigFile]


class SharedLine(Transport):
    """A half-duplex line: what several nodes say in one millisecond garbles. Virtual time."""

    label = "the shared line"
    shared = True
    frame_time = FRAME_MAX * 10 / 115_200

    def __init__(self, rig: SimRig) -> None:
        super().__init__()
        self.rig = rig
        self.clock = self
        self.asked = 0
        self.garbled = 0
        self._decoder = StreamDecoder()
        self._waiting: list[tuple[int, bytes]] = []

    def now(self) -> float:
        return self.rig.now_us / 1e6

    def sleep(self, seconds: float) -> None:
        self.receive(seconds)

    @property
    def lost(self) -> Counter[str]:
        return self._decoder.lost

    def send(self, ident: int, data: bytes) -> None:
        self.asked += isinstance(unpack(ident, data).body, m.Search)
        self._waiting.append((ident, data))

    def receive(self, timeout: float) -> list[Packet]:
        end = self.now() + max(timeout, 0.001)
        while self.now() < end - 1e-9:
            self.rig.now_us += 1000
            waiting, self._waiting = self._waiting, []
            said: list[tuple[int, bytes]] = []
            for node in self.rig.nodes:
                for ident, data in waiting:
                    node.hear(ident, data)
                said += [pack(message) for message in node.tick()]
            frames = [encode_raw(ident, data) for ident, data in said]
            line = bytes(chain.from_iterable(zip_longest(*frames, fillvalue=0x55)))
            self.garbled += len(frames) > 1
            self.heard += len(line)
            found = self._decoder.feed(line)
            if found:
                return found
        return []

    def close(self) -> None:
        pass


def over_can(rig: RigFile) -> Link:
    transport = SimTransport(SimRig(rig))
    return Link.over(transport, transport.clock)


def over_line(rig: RigFile) -> tuple[SharedLine, Link]:
    line = SharedLine(SimRig(rig))
    return line, Link.over(line, line.clock)


IDS = (0, 1, 0x800000000000, 0xFFFFFFFFFFFF, 0xFFFFFFFFFFFE, 0x123456789ABC)


def test_fresh_nodes_are_found_and_addressed_on_can(rig_of: Rigs) -> None:
    rig = rig_of(*({"unique_id": one} for one in IDS), {"unique_id": 77, "address": 16})
    link = over_can(rig)
    found = link.discover()
    assert {one.id for one in found if one.fresh} == set(IDS)
    assert all(one.address == FRESH for one in found if one.fresh)
    assert [(one.address, one.id) for one in found if not one.fresh] == [(16, 77)]
    given = link.discover(assign=True)
    assert [one.address for one in given] == list(range(16, 23))
    assert not any(one.fresh for one in given)
    assert {one.id for one in given} == {*IDS, 77}
    for one in given:
        link.axis(one.address, 0).take()
    again = link.discover()
    assert again == given


@pytest.mark.parametrize("ids", [IDS[:1], IDS[:2], IDS[2:5], IDS])
def test_fresh_nodes_are_found_where_their_answers_garble(rig_of: Rigs, ids: tuple[int, ...]) -> None:
    line, link = over_line(rig_of(*({"unique_id": one, "shared_line": True} for one in ids)))
    found = link.discover(assign=True)
    assert {one.id for one in found} == set(ids)
    assert len({one.address for one in found}) == len(ids)
    assert (line.garbled > 0) == (len(ids) > 1)
    assert line.asked <= 1 + 49 * len(ids) + 4


def test_nodes_with_addresses_are_found_on_a_shared_line(rig_of: Rigs) -> None:
    nodes = [{"unique_id": 1000 + n, "address": 30 + n, "shared_line": True} for n in range(4)]
    line, link = over_line(rig_of(*nodes, {"unique_id": 5, "shared_line": True}))
    for node in line.rig.nodes:
        node._slot_us = lambda: 5000  # type: ignore[method-assign]  # announcements garble too
    found = link.discover()
    assert [(one.address, one.id) for one in found] == [(30, 1000), (31, 1001), (32, 1002), (33, 1003), (126, 5)]


def test_noise_in_every_window_ends_the_search_with_a_sentence(rig_of: Rigs) -> None:
    line, link = over_line(rig_of({"unique_id": 5, "address": 20, "shared_line": True}))
    said: list[str] = []
    line.notice = said.append
    hear = line.receive

    def noisy(timeout: float) -> list[Packet]:
        line.heard += 1
        return hear(timeout)

    line.receive = noisy  # type: ignore[method-assign]
    assert [one.id for one in link.discover()] == [5]
    assert len(said) == 1
    assert "look for noise on the line" in said[0]
    assert line.asked <= 1 + 2 * FALSE_STARTS * 49 + 49  # each faint yes is asked for twice


def test_one_node_costs_48_questions_and_one(rig_of: Rigs) -> None:
    line, link = over_line(rig_of({"unique_id": 0x123456789ABC, "shared_line": True}))
    start = link.clock.now()
    link.discover()
    # the node itself, and the two questions that find nobody else, both asked twice
    assert line.asked == 1 + 48 + 4
    assert link.clock.now() - start < 0.1 + 53 * 0.010


def test_assign_by_id_and_its_refusals(rig_of: Rigs) -> None:
    link = over_can(rig_of({"unique_id": 9}, {"unique_id": 10, "address": 16}))
    link.discover()
    assert link.assign(9, 40) == (40, 9, 1, 0, False)
    assert link.nodes[40].id == 9
    for unique_id, address, says in ((9, 16, "belongs to node 00000000000A"), (9, 126, "cannot be given"), (1 << 48, 20, "no unique id")):  # noqa: E501
        with pytest.raises(UsageProblem, match=says):
            link.assign(unique_id, address)
    with pytest.raises(NoAnswer, match="node 00000000000B does not answer"):
        link.assign(11, 20)
