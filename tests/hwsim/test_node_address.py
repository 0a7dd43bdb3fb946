"""Finding nodes and giving addresses: by binary search over the unique id, and by announcement."""

from __future__ import annotations

from typing import Any

import pytest
from helpers import Bench

from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.protocol import messages as m
from ringlet.protocol.codes import TIMING, Fault
from ringlet.protocol.header import EVERYONE, FRESH


def fleet(*nodes: dict[str, Any]) -> RigFile:
    axis = load_rig("single").nodes[0].axes
    return RigFile.model_validate({"name": "fleet", "nodes": [{"axes": axis, **node} for node in nodes]})


def search(bench: Bench, *, everyone: bool = False) -> list[int]:
    """The unique ids that a binary search finds; each found node is told to keep silent."""

    def yes(prefix: int, bits: int) -> bool:
        bench.tag = bench.tag + 1 & 0xFF
        bench.cast(m.Search(bench.tag, prefix, bits | (0x80 if everyone else 0)))
        said = bench.step(TIMING["search_reply"].ms)
        assert {(one.src, one.body) for one in said} <= {(0, m.Here(bench.tag))}  # one voice, from nobody
        assert len(said) <= 1
        return bool(said)

    found = []
    while yes(0, 0) if not found else yes(0, 1) or yes(1 << 47, 1):
        prefix = 0
        for bit in range(1, 49):
            prefix |= 0 if yes(prefix, bit) else 1 << 48 - bit
        found.append(prefix)
        assert len(found) <= len(bench.rig.nodes)
        bench.cast(m.Assign(0, prefix, 0))
        said = bench.step(3)
        assert [(one.body.id, one.dst) for one in said] == [(prefix, 1)]
    return found


IDS = (0x00_0000_0001, 0x52494E47_0001, 0x52494E47_0002, 0xFFFF_FFFF_FFFF)


def test_fresh_nodes_are_found_and_separately_addressed() -> None:
    bench = Bench(fleet(*({"unique_id": one} for one in IDS)))
    assert bench.step(200) == []  # without an address a node does not announce itself
    assert sorted(search(bench)) == sorted(IDS)
    for number, one in enumerate(IDS):
        bench.cast(m.Assign(0, one, 20 + number))
        (said,) = bench.step(3)
        assert (said.src, said.body.id) == (20 + number, one)
    for number, one in enumerate(IDS):
        assert bench.ask(m.Identify(0), None, node=20 + number).axes == 1
        assert bench.ask(m.Discover(0), None, node=20 + number).id == one
    bench.cast(m.Search(0, 0, 0))
    assert bench.step(5) == []  # no fresh node is left
    assert sorted(search(bench, everyone=True)) == sorted(IDS)


def test_an_address_lasts_until_power_off_unless_saved() -> None:
    bench = Bench(fleet({"unique_id": 5}, {"unique_id": 6}))
    for one in (5, 6):
        bench.cast(m.Assign(0, one, 30 + one))
    bench.step(3)
    bench.do(m.Save(0), None, node=36)
    bench.rig.power_cycle()
    assert [node.address for node in bench.rig.nodes] == [FRESH, 36]
    said = bench.step(100)
    assert [(one.src, one.body.id) for one in said] == [(36, 6)]


def test_stored_addresses_that_collide() -> None:
    bench = Bench(fleet({"unique_id": 0x111, "address": 40}, {"unique_id": 0x222, "address": 40}))
    bench.step(100)
    addresses = [node.address for node in bench.rig.nodes]
    assert sorted(addresses) == [40, FRESH]
    loser = bench.rig.nodes[addresses.index(FRESH)]
    assert Fault.ADDRESS_TAKEN in loser.axes[0].latched
    assert Fault.ADDRESS_TAKEN not in bench.rig.nodes[addresses.index(40)].axes[0].latched
    assert search(bench) == [loser.card.unique_id]
    bench.cast(m.Assign(0, loser.card.unique_id, 41))
    bench.step(3)
    assert sorted(node.address for node in bench.rig.nodes) == [40, 41]


def test_a_node_put_out_of_its_address_stops() -> None:
    bench = Bench(fleet({"unique_id": 1, "address": 40}, {"unique_id": 2, "address": 41}))
    bench.calibrate()
    bench.do(m.Run(0, 10_000))
    bench.cast(m.Assign(0, 2, 40))
    bench.step(4)
    assert bench.node.address == FRESH
    assert bench.axis.owner == 0
    bench.step(200)
    assert bench.axis.ramp.at_rest


def test_discover_is_spread_and_complete() -> None:
    nodes = [{"unique_id": 0x52494E470100 + i, "address": 20 + i} for i in range(12)]
    bench = Bench(fleet(*nodes))
    bench.step(100)
    bench.cast(m.Discover(9))
    times: dict[int, int] = {}
    for ms in range(TIMING["announce_window"].ms + 2):
        for one in bench.step():
            times[one.body.id] = ms
            assert (one.dst, one.body.tag) == (1, 9)
    assert set(times) == {int(node["unique_id"]) for node in nodes}
    assert len(set(times.values())) >= 9  # neighbours by number do not share a slot


def test_discover_shows_fresh_nodes_as_here() -> None:
    bench = Bench(fleet({"unique_id": 3}, {"unique_id": 4, "address": 20}))
    bench.cast(m.Discover(9))
    kinds = [(one.src, type(one.body)) for one in bench.step(100) if one.dst == 1]
    assert sorted(kinds, key=str) == [(0, m.Here), (20, m.Announce)]


def test_another_major_version_is_announced() -> None:
    bench = Bench(fleet({"unique_id": 3, "address": 20, "protocol_major": 2}))
    said = bench.step(100)
    assert [one.body.version >> 4 for one in said] == [2]
    assert said[0].dst == EVERYONE
    assert bench.ask(m.Identify(0), None).major == 2


@pytest.mark.parametrize("address", [1, 15, 126, 127])
def test_only_the_named_node_refuses_a_bad_address(address: int) -> None:
    bench = Bench(fleet({"unique_id": 3, "address": 20}, {"unique_id": 4, "address": 21}))
    bench.step(100)
    bench.cast(m.Assign(7, 4, address))
    said = bench.step(3)
    assert [(one.src, one.body) for one in said] == [(21, m.Refused(7, 0x74, 4, 2))]
    bench.cast(m.Assign(8, 99, address))
    assert bench.step(3) == []
    assert [node.address for node in bench.rig.nodes] == [20, 21]
