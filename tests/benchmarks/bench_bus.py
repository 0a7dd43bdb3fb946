"""The simulated buses: microseconds a frame, and a rig on a real bus against the same rig on the ideal one.

Run: python tests/benchmarks/bench_bus.py; under a minute. Each figure is the best of three, in processor time.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable

from ringlet.hwsim.bus import Bus
from ringlet.hwsim.can_bits import frame_bits, frame_length
from ringlet.hwsim.can_bus import CanBus
from ringlet.hwsim.noise import Noise
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.serial_line import SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.params import BY_NAME
from ringlet.tools.bus_load import Plan, budget

FRAMES = 20_000


def best(job: Callable[[], object]) -> float:
    """Seconds of processor time, best of three."""
    times = []
    for _ in range(3):
        begun = time.process_time()
        job()
        times.append(time.process_time() - begun)
    return min(times)


def lengths() -> tuple[float, float]:
    rng = random.Random(1)
    frames = [(rng.choice((0x123456, 0x10800F1, 0x7654321)), rng.randbytes(8)) for _ in range(FRAMES)]
    fast = best(lambda: [frame_length(*frame) for frame in frames])
    bitwise = best(lambda: [len(frame_bits(*frame).bits) for frame in frames[: FRAMES // 20]]) * 20
    return fast / FRAMES, bitwise / FRAMES


def traffic(make: Callable[[], Bus], stations: int = 9) -> float:
    """Seconds a frame of a bus at about half its load."""

    def job() -> None:
        bus = make()
        for number in range(stations):
            bus.attach(str(number))
        rng = random.Random(1)
        gap_us = int(2e6 * bus.frame_time)
        for number in range(FRAMES // 4):
            bus.send(number % stations, 0x1000 + number % 40, rng.randbytes(8), number * gap_us)
            bus.advance((number + 1) * gap_us)

    return best(job) / (FRAMES // 4)


def rig(make: Callable[[], Bus | None]) -> float:
    """Times real time of eight axes at rest with 100 Hz of telemetry."""
    rig = SimRig(load_rig("eight"), bus=make())
    for node in rig.nodes:
        for axis in range(len(node.axes)):
            rig.send(*pack(packet(m.Set(1, BY_NAME["telemetry-rate"].id, 100), dst=node.address, src=1, axis=axis)))
    for _ in range(1500):
        rig.step()
    return 2.0 / best(lambda: [rig.step() for _ in range(2000)])


def main() -> None:
    fast, bitwise = lengths()
    print(f"length of a CAN frame: {1e6 * fast:.1f} us by table, {bitwise / fast:.0f} times that bit by bit")
    quiet, noisy = traffic(lambda: CanBus(500_000)), traffic(lambda: CanBus(500_000, Noise(bit_errors=1e-4)))
    print(f"CAN bus, 9 stations: {1e6 * quiet:.1f} us a frame, with noise of 1e-4 {noisy / quiet:.2f} times that")
    line = traffic(lambda: SerialLine(115_200))
    print(f"shared serial line, 9 stations: {1e6 * line:.1f} us a frame")
    ideal, can = rig(lambda: None), rig(lambda: CanBus(500_000))
    print(f"eight axes at rest, telemetry at 100 Hz: {ideal:.0f} times real time on the ideal bus, {can:.0f} on CAN "
          f"({ideal / can:.2f} times as slow)")  # fmt: skip
    plan = Plan((1,) * 8)
    print(f"budget of eight motors: {1e3 * best(lambda: budget(plan)):.1f} ms for {len(budget(plan).rows)} messages")


if __name__ == "__main__":
    main()
