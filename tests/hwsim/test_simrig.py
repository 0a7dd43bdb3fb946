"""The rig's bus and its economy."""

from __future__ import annotations

from helpers import Bench

from ringlet.hwsim.plant import S_TW
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.hwsim.watch import REST_TICKS
from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.header import NODE_FIRST


def count_ticks(bench: Bench, ms: int) -> int:
    """How often the plant of the first axis is stepped."""
    calls = 0
    real = bench.drive._tick

    def counting(*args: object) -> object:
        nonlocal calls
        calls += 1
        return real(*args)

    bench.drive._tick = counting
    bench.step(ms)
    bench.drive._tick = real
    return calls


def test_the_same_seed_gives_the_same_run() -> None:
    def run(seed: int) -> list[tuple[int, bytes]]:
        rig = SimRig(load_rig("trio"), seed=seed)
        rig.send(*pack(packet(m.Take(1, 0), dst=16, src=1)))
        rig.send(*pack(packet(m.Set(1, 21, 100), dst=16, src=1, axis=1)))
        rig.send(*pack(packet(m.Run(1, 9000), dst=16, src=1)))
        return [frame for _ in range(300) for frame in rig.step()]

    assert run(3) == run(3)
    assert run(3) != run(4)


def test_a_resting_rig_is_not_stepped_and_wakes_up() -> None:
    bench = Bench(ideal=False)
    assert count_ticks(bench, REST_TICKS + 5) >= REST_TICKS - 5
    assert count_ticks(bench, 500) == 0
    at = bench.axis.position
    bench.drive.turn_by_hand(5.0)
    assert count_ticks(bench, 1) == 1
    assert abs(bench.axis.position - at - 5000) < 100
    bench.step(200)
    assert count_ticks(bench, 100) == 0
    bench.drive.supply.volts = 12.0
    bench.step(20)
    assert abs(bench.axis.reading.supply_mv - 12_000) < 50  # read without stepping the plant
    bench.drive.supply.volts = 24.0
    bench.step(20)
    bench.do(m.Take(0, 0))
    bench.do(m.Hold(0))
    assert count_ticks(bench, 50) == 50
    bench.do(m.Run(0, 10_000))
    bench.step(300)
    assert abs(bench.axis.position - at - 5000) > 1000


def test_a_warm_or_turning_drive_is_stepped_on() -> None:
    bench = Bench(ideal=False)
    bench.do(m.Take(0, 0))
    bench.do(m.Run(0, 30_000))
    bench.step(800)
    bench.do(m.Stop(0))
    bench.step(200)
    bench.do(m.Release(0))
    bench.step(1000)
    assert count_ticks(bench, 100) == 0  # it has settled
    bench.do(m.Take(0, 0))
    bench.do(m.Hold(0))
    bench.do(m.Release(0))
    bench.drive._s[S_TW] = 40.0
    bench.step(300)
    assert count_ticks(bench, 200) == 200  # it cools down
    assert bench.drive.truth.winding_c < 40.0


def test_power_cycle_of_one_node() -> None:
    bench = Bench("pair")
    bench.step(100)
    for node in bench.rig.nodes:
        bench.do(m.Take(0, 0), 0, node=node.address)
    bench.rig.power_cycle(1)
    assert [node.axes[0].owner for node in bench.rig.nodes] == [1, 0]
    assert [(one.src, type(one.body)) for one in bench.step(100) if one.src >= NODE_FIRST] == [(17, m.Announce)]
    bench.rig.power_cycle()
    assert [node.axes[0].owner for node in bench.rig.nodes] == [0, 0]
    assert sorted(one.src for one in bench.step(100) if one.src >= NODE_FIRST) == [16, 17]


def test_frames_alike_from_two_nodes_are_heard_once_and_from_one_node_twice() -> None:
    bench = Bench("pair")
    bench.step(100)
    bench.cast(m.Search(5, 0, 0x80))
    assert [one.body for one in bench.step(2)] == [m.Here(5)]
    for _ in range(2):
        bench.cast(m.Identify(5), node=16)
    assert len(bench.step(2)) == 2
