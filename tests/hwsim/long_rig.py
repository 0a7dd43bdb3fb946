"""The long form of test_rig_stateful.py: random programs of three controls, faults and time, checked each millisecond.

By hand: python tests/hwsim/long_rig.py --steps 1000000 --seed 1
A step is one millisecond of the rig. Limits never exceeded, stop always stops, ownership never doubled.
"""

from __future__ import annotations

import argparse
import random
import sys
import time

from ramp_guard import guarded
from rig_machine import RigMachine, random_action

RESTART = 50_000
"""Steps after which a new rig is taken, so that one that is stuck in a fault does not make the rest idle."""


def walk(steps: int, seed: int, *, say: bool = False) -> dict[str, int]:
    """Run so many steps; returns how often what happened. Raises AssertionError with seed and step."""
    rng = random.Random(f"rig {seed}")
    figures = {"steps": 0, "ramp ticks": 0, "motions cut by faults": 0}
    with guarded() as guard:
        while figures["steps"] < steps:
            machine = RigMachine(guard)
            try:
                while machine.steps < min(RESTART, steps - figures["steps"]):
                    random_action(machine, rng)
            except AssertionError as error:
                raise AssertionError(f"seed {seed}, step {figures['steps'] + machine.steps}: {error}") from error
            figures["steps"] += machine.steps
            for name, count in machine.counts.items():
                figures[name] = figures.get(name, 0) + count
            if say:
                print(f"{figures['steps']} steps", file=sys.stderr, flush=True)
        figures["ramp ticks"], figures["motions cut by faults"] = guard.ticks, guard.cuts
    return figures


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--steps", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    begin = time.monotonic()
    figures = walk(asked.steps, asked.seed, say=True)
    for name, count in figures.items():
        print(f"{name:24} {count:>12,}")
    print(f"no limit exceeded, each stop stopped, no axis owned twice; {time.monotonic() - begin:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
