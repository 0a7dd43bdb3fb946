"""The emitted C ramp against the simulator's FixedRamp: the same random commands, compared at every tick.

The tests run it short. By hand: python tests/c/ramp_lockstep.py --ticks 20000000 [--jobs 2] [--seed 1]
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import random
import sys
import tempfile
import time
from pathlib import Path

import c_build
import numpy as np
import numpy.typing as npt

from ringlet.hwsim.ramp import RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp
from ringlet.hwsim.ramp_plan import ACCELERATION_MOST, JERK_MOST, POSITION_LIMIT, VELOCITY_MOST
from ringlet.protocol.emit import stamped, template

Rows = npt.NDArray[np.int64]
START, LIMITS, TRAVEL, CLEAR, MOVE, RUN, STOP, RESET = range(8)
COLUMNS = ("answer", "position", "velocity", "acceleration", "end", "low", "high", "flags", "target")
RATES = (1000, 1000, 1000, 100, 250, 500, 2000, 8000, 10_000)


SOURCES = ("ringlet_plan.c", "ringlet_ramp.c")
"""The ramp in C; the headers come beside them."""


def emit_ramp(folder: Path) -> None:
    """Write the files of the ramp."""
    for name in (*SOURCES, "ringlet_plan.h", "ringlet_ramp.h", "ringlet_whole.h"):
        text = stamped(template(f"firmware/{name}.j2").render(), name)
        (folder / name).write_text(text, encoding="utf-8")


def plant(folder: Path, good: str, bad: str) -> None:
    """Change a text that stands once in the sources that `emit_ramp` wrote. Raises ValueError for any other count."""
    texts = {folder / name: (folder / name).read_text() for name in (*SOURCES, "ringlet_whole.h")}
    count = sum(text.count(good) for text in texts.values())
    if count != 1:
        raise ValueError(f"{good!r} stands {count} times in the ramp's sources")
    for path, text in texts.items():
        path.write_text(text.replace(good, bad))


def build_with(folder: Path, driver: str, compiler: str = "gcc", *flags: str) -> Path:
    """Compile what `emit_ramp` wrote with one of the drivers of this folder."""
    sources = (c_build.HERE / driver, *SOURCES)
    program = folder / Path(driver).stem
    c_build.build(compiler, "-std=c99", *flags, "-I.", *sources, "-o", program, cwd=folder)
    return program


def build_driver(folder: Path, compiler: str = "gcc", *flags: str) -> Path:
    """The program that runs scripts of commands."""
    return build_with(folder, "ramp_driver.c", compiler, *flags)


def _log(rng: random.Random, low: float, high: float) -> int:
    return int(math.exp(rng.uniform(math.log(low), math.log(high))))


def random_limits(rng: random.Random, wide: bool) -> RampLimits:
    """`wide`: anything that the generator may be asked, refused ones included; else plausible motors."""
    if wide:
        most = (VELOCITY_MOST, ACCELERATION_MOST, ACCELERATION_MOST, JERK_MOST)
        return RampLimits(*(_log(rng, 1 if rng.random() < 0.2 else value**0.5, value * 1.02) for value in most))
    velocity = _log(rng, 500, 1_500_000)
    acceleration, deceleration = (_log(rng, velocity, velocity * 50) for _ in range(2))
    return RampLimits(velocity, acceleration, deceleration, _log(rng, 4, 250) * max(acceleration, deceleration))


class Script:
    """Random commands, done on a FixedRamp and written down together with what it did."""

    def __init__(self, seed: int, ticks: int, wide: bool) -> None:
        self.rng, self.wide = random.Random(seed), wide
        self.rows: list[tuple[int, ...]] = []
        self.seen: list[tuple[int, ...]] = []
        self.ticks = 0
        self.counts = dict.fromkeys(("refused", "waiting", "at rest", "travels", "reversals"), 0)
        rate = self.rng.choice(RATES)
        self._start(rate)
        while self.ticks < ticks:
            self._one()

    def _start(self, rate: int) -> None:
        while True:
            limits = random_limits(self.rng, self.wide)
            position = self._place()
            try:
                self.ramp = FixedRamp(limits, position, 1.0 / rate)
            except ValueError:
                continue
            self._row(START, *limits, position, rate)
            self._see(2)
            return

    def _place(self) -> int:
        if self.wide:
            near = self.rng.choice((0, -POSITION_LIMIT, POSITION_LIMIT))
            far = near + self.rng.choice((-1, 1)) * _log(self.rng, 1, 2 * POSITION_LIMIT)
            return min(max(far, -POSITION_LIMIT), POSITION_LIMIT)
        return self.rng.randint(-200_000, 200_000)

    def _row(self, operation: int, *numbers: int | float) -> None:
        given = [int(x) for x in numbers]
        self.rows.append((operation, *given, *[0] * (6 - len(given)), 0))

    def _see(self, answer: int) -> None:
        ramp = self.ramp
        targeted, waiting = ramp.target is not None, ramp.limits != ramp.limits_in_force
        flags = ramp.at_rest | targeted << 1 | (ramp.travel is not None) << 2 | waiting << 3
        end, low, high = ramp._brake[1:]
        target = ramp._goal >> 28 if targeted else 0
        self.seen.append((answer, ramp._p, ramp._v, ramp._a, end, low, high, flags, target))
        self.counts["waiting"] += waiting

    def _one(self) -> None:
        rng, ramp = self.rng, self.ramp
        pick = rng.random()
        answer = 1
        if pick < 0.40:
            goal = self._place()
            kind = rng.random()
            if kind < 0.25:
                goal = round(ramp.position) + rng.randint(-60, 60)
            elif kind < 0.4:
                goal = round(ramp.stopping_point()) + rng.choice((-1, 1)) * _log(rng, 1, 1000)
            elif kind < 0.5 and ramp.travel:
                goal = int(rng.choice(ramp.travel))
            elif kind < 0.52:
                goal = rng.choice((-1, 1)) * (POSITION_LIMIT + rng.randint(-1, 2))
            speed = rng.choice((0, _log(rng, 1, 2 * ramp.limits.velocity + 2), (1 << 32) - 1))
            try:
                ramp.move(goal, speed or None)
            except ValueError:
                answer = 0
            self._row(MOVE, goal, speed)
        elif pick < 0.65:
            velocity = rng.choice((-1, 1)) * _log(rng, 1, 2 * ramp.limits.velocity + 2) * (rng.random() > 0.05)
            ramp.run(velocity)
            self._row(RUN, velocity)
        elif pick < 0.71:
            ramp.stop()
            self._row(STOP)
        elif pick < 0.89:
            limits = random_limits(rng, self.wide) if rng.random() < 0.9 else ramp.limits_in_force
            try:
                ramp.limits = limits
            except ValueError:
                answer = 0
            self._row(LIMITS, *limits)
        elif pick < 0.96:
            self.counts["travels"] += 1
            if rng.random() < 0.1:
                ramp.travel = None
                self._row(CLEAR)
            else:
                low, high = self._place(), self._place()
                if rng.random() < 0.7:  # about the way to rest: limits then have to wait
                    low, high = (round(x) + rng.randint(-9, 9) for x in (ramp.position, ramp.stopping_point()))
                if rng.random() < 0.9:
                    low, high = min(low, high), max(low, high)
                try:
                    ramp.travel = (low, high)
                except ValueError:
                    answer = 0
                self._row(TRAVEL, low, high)
        else:
            place = self._place()
            ramp.reset(place)
            self._row(RESET, place)
        self._see(answer)
        self.counts["refused"] += answer == 0
        ticks = _log(rng, 1, 700)
        self.rows[-1] = (*self.rows[-1][:-1], ticks)
        for _ in range(ticks):
            if ramp.at_rest:
                self.counts["at rest"] += 1
                break
            before = ramp._v
            ramp.tick()
            self.ticks += 1
            self.counts["reversals"] += before * ramp._v < 0
            self._see(1)


def run_driver(driver: Path, rows: list[tuple[int, ...]]) -> Rows:
    """What the C ramp did, a row for each command and tick."""
    done = c_build.run(driver, cwd=driver.parent, data=np.array(rows, np.int64).tobytes())
    assert done.returncode == 0, done.stderr.decode()[-3000:]
    return np.frombuffer(done.stdout, np.int64).reshape(-1, len(COLUMNS))


def difference(driver: Path, script: Script) -> str:
    """The first difference in words, or nothing."""
    want, got = np.array(script.seen, np.int64), run_driver(driver, script.rows)
    if want.shape != got.shape:
        least = min(len(want), len(got))
        want, got, tail = want[:least], got[:least], f"{len(want)} rows from Python, {len(got)} from C"
    else:
        tail = ""
    wrong = np.argwhere(want != got)
    if not len(wrong):
        return tail
    row, column = (int(x) for x in wrong[0])
    return f"row {row}, {COLUMNS[column]}: Python {want[row].tolist()}, C {got[row].tolist()}; before {want[row - 1]}"


def _job(driver: Path, seed: int, ticks: int) -> tuple[int, dict[str, int]]:
    script = Script(seed, ticks, wide=seed % 2 == 1)
    found = difference(driver, script)
    if found:
        raise AssertionError(f"seed {seed}: {found}")
    return script.ticks, script.counts


def main() -> None:
    parser = argparse.ArgumentParser(description="Compare the emitted C ramp with FixedRamp, tick by tick.")
    parser.add_argument("--ticks", type=int, default=20_000_000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    if given.ticks < 1:
        parser.error("--ticks must be at least 1")
    share = min(given.ticks, 100_000)
    rounds = -(-given.ticks // share)
    start, ticks = time.perf_counter(), 0
    total: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as name, multiprocessing.Pool(given.jobs) as pool:
        folder = Path(name)
        emit_ramp(folder)
        driver = build_driver(folder, "gcc", "-O2", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
        work = [pool.apply_async(_job, (driver, given.seed + i, share)) for i in range(rounds)]
        for i, result in enumerate(work):
            done, counts = result.get()
            ticks += done
            total = {key: total.get(key, 0) + count for key, count in counts.items()}
            if i % 10 == 9 or i == rounds - 1:
                spent = time.perf_counter() - start
                print(f"{ticks:,} ticks equal, {i + 1} seeds, {spent:.0f} s, {total}", flush=True)


if __name__ == "__main__":
    try:
        main()
    except AssertionError as difference_found:
        sys.exit(f"different: {difference_found}")
