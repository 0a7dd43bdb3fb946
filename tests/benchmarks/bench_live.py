"""Eight axes live: full physics, protocol and telemetry at 100 Hz, as times real time on one core.

Run: python tests/benchmarks/bench_live.py. The peer in the same run is the trio rig in plain Python.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.params import BY_NAME

FIND_MS = 25_000
MOVE_MS = 4_000


def cast(rig: SimRig, body: Any) -> None:
    """Send a request to every axis of the rig."""
    for node in rig.nodes:
        for axis in range(len(node.axes)):
            rig.send(*pack(packet(body, dst=node.address, src=1, axis=axis)))
    rig.step()


def factor(rig: SimRig, each_second: Callable[[int], None]) -> float:
    """Simulated over processor time for some seconds."""
    begun = time.process_time()
    for tick in range(MOVE_MS):
        if tick % 1000 == 0:
            each_second(tick // 1000)
        rig.step()
    return MOVE_MS / 1000 / (time.process_time() - begun)


def measure(name: str) -> None:
    """Print the figures of one rig."""
    rig = SimRig(load_rig(name))
    cast(rig, m.Set(1, BY_NAME["telemetry-rate"].id, 100))
    cast(rig, m.Set(2, BY_NAME["telemetry-select"].id, 7))
    cast(rig, m.Set(3, BY_NAME["owner-timeout"].id, 60_000))
    cast(rig, m.Take(4, 0))
    cast(rig, m.FindStops(5))
    for _ in range(FIND_MS):
        rig.step()
    assert all(axis.calibrated for node in rig.nodes for axis in node.axes)
    axes = sum(len(node.axes) for node in rig.nodes)
    moving = factor(rig, lambda second: cast(rig, m.MoveTravel(10 + second, 10_000 if second % 2 else 50_000, 0)))
    holding = factor(rig, lambda second: None)
    cast(rig, m.Release(20))
    for _ in range(1000):
        rig.step()
    free = factor(rig, lambda second: None)
    print(f"{name}: {axes} axes, times real time: moving {moving:.1f}, holding {holding:.1f}, released {free:.1f}")


if __name__ == "__main__":
    for rig_name in ("trio", "eight"):
        measure(rig_name)
