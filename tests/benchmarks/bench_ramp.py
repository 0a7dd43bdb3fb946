"""Time of one ramp tick: python tests/benchmarks/bench_ramp.py. Prints microseconds and multiples of real time."""

import time

from ringlet.hwsim.ramp import Ramp, RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp

LIMITS = RampLimits(120_000.0, 600_000.0, 400_000.0, 8e6)


def measure(ramp: Ramp | FixedRamp, targets: list[float], ticks: int) -> tuple[float, float]:
    """Mean and longest seconds a tick over moves to and fro between the targets (none: at rest)."""
    longest = total = 0.0
    for i in range(ticks):
        if targets and ramp.at_rest:
            ramp.move(targets[i % len(targets)])
        start = time.perf_counter()
        ramp.tick()
        took = time.perf_counter() - start
        total += took
        longest = max(longest, took)
    return total / ticks, longest


def main() -> None:
    for ramp in (Ramp(LIMITS), FixedRamp(LIMITS)):
        for name, targets in (
            ("at rest", []),
            ("long moves, mostly cruise", [0.0, 300_000.0, -10_000.0]),
            ("short moves, all ramps", [0.0, 5_000.0, -3_000.0, 700.0]),
        ):
            mean, longest = measure(ramp, targets, 200_000)
            print(
                f"{type(ramp).__name__}, {name}: {mean * 1e6:.2f} us a tick (longest {longest * 1e6:.0f} us), "
                f"{0.001 / mean:.0f} times real time for one axis at 1 kHz"
            )


if __name__ == "__main__":
    main()
