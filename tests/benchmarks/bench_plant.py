"""How fast the simulated motor runs. Prints ratios; asserts no timing. Run: python tests/benchmarks/bench_plant.py"""

from __future__ import annotations

import ast
import inspect
import time
from collections.abc import Callable

import numpy as np

from ringlet.hwsim import kernel, plant, ramp, sweep
from ringlet.hwsim import sweep_kernel as sk
from ringlet.hwsim.cardfile import load_lens, load_motor
from ringlet.hwsim.drive import Drive, Supply, default_settings

MOTOR, LENS = load_motor("medium"), load_lens("focus-long")
MOVES = sweep.Moves(legs=4)


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def live(axes: int, seconds: float, compile_kernel: bool) -> float:
    """Times real time for so many axes with ramp, loops, plant and shared supply, through the objects of a node."""
    supply = Supply()
    settings = default_settings(MOTOR, LENS)
    drives = [
        Drive(MOTOR, LENS, settings, supply, seed=n, ring_start_deg=50.0, compile_kernel=compile_kernel)
        for n in range(axes)
    ]
    ramps = [ramp.Ramp(ramp.RampLimits(180e3, 900e3, 900e3, 18e6), 0.0) for _ in range(axes)]
    supply.begin_tick()
    drives[0].tick(False, 0.0, 0.0, 0.0, 1.0)  # compile before the clock runs

    def run() -> None:
        for tick in range(int(seconds * 1e3)):
            if tick % 800 == 0:
                for generator in ramps:
                    generator.move(60e3 if tick % 1600 == 0 else 0.0)
            supply.begin_tick()
            for drive, generator in zip(drives, ramps, strict=True):
                generator.tick()
                drive.tick(True, generator.position, generator.velocity, generator.acceleration, 1e6)

    return seconds / timed(run)


def numpy_bound_us(rows: int) -> tuple[int, float]:
    """A plant written on numpy arrays would need at least one array operation for each arithmetic or comparison of the
    source, every substep: (operations a tick, us an axis and tick at the measured cost of one such operation)."""
    tree = ast.parse(inspect.getsource(plant.plant_tick))
    loop = next(node for node in ast.walk(tree) if isinstance(node, ast.For))
    operations = plant.SUBSTEPS * sum(isinstance(node, ast.BinOp | ast.Compare) for node in ast.walk(loop))
    a, b, out = np.random.rand(rows), np.random.rand(rows), np.empty(rows)

    def run() -> None:
        for _ in range(20_000):
            np.multiply(a, b, out=out)

    return operations, operations * timed(run) / 20_000 / rows * 1e6


def main() -> None:
    """Print everything."""
    for axes in (1, 3, 8):
        plain = live(axes, 3.0, False)
        print(f"live, plain Python, {axes} axes: {plain:6.1f} times real time")
    plan = sweep.latin_hypercube(
        [sweep.parse_axis("motor.gear_teeth=20:70"), sweep.parse_axis("move.acceleration_deg_s2=300:4000")], 1000
    )
    batch = sweep.prepare(MOTOR, LENS, MOVES, plan)
    rows = range(0, 1000, 100)
    ticks = 0.0

    def scalar() -> None:
        nonlocal ticks
        for row in rows:
            ticks += sweep.run_plain(batch, row)[0, sk.O_TIME] / plant.TICK_S

    scalar_us = timed(scalar) / ticks * 1e6
    objects_us = 1e3 / live(1, 3.0, False)
    print(f"scalar path, one axis in plain Python: kernel row {scalar_us:.2f}, objects {objects_us:.2f} us/tick")
    if not kernel.can_compile():
        print("numba is not installed or switched off: no compiled figures")
        return
    small = sweep.Batch(*(table[:1] for table in batch))
    print(f"first compiled call (quick if the disk cache holds it): {timed(lambda: sweep.run_batch(small)):.2f} s")
    for axes in (1, 3, 8):
        print(f"live, compiled, {axes} axes: {live(axes, 6.0, True):6.1f} times real time")
    results = []
    batch_s = min(timed(lambda: results.append(sweep.run_batch(batch))) for _ in range(3))
    ticks = results[-1][:, sk.O_TIME].sum() / plant.TICK_S
    batch_us = batch_s / ticks * 1e6
    print(f"batch, 1000 axes, one core: {batch_us:.3f} us/tick, {1e3 / batch_us:.0f} axes in real time")
    print(f"  ratio to the scalar path: kernel row {scalar_us / batch_us:.0f}, objects {objects_us / batch_us:.0f}")
    for workers in (1, 2):
        whole_s = min(timed(lambda w=workers: sweep.run_sweep(MOTOR, LENS, MOVES, plan, workers=w)) for _ in range(3))
        us = whole_s / ticks * 1e6
        print(
            f"run_sweep with preparation, {workers} thread(s): {us:.3f} us/tick; "
            f"ratio kernel row {scalar_us / us:.0f}, objects {objects_us / us:.0f}"
        )
    for count in (1000, 10_000):
        operations, bound = numpy_bound_us(count)
        print(
            f"numpy on {count} rows: at least {operations} array operations a tick = {bound:.2f} us/tick, "
            f"{bound / batch_us:.1f} times the compiled kernel"
        )


if __name__ == "__main__":
    main()
