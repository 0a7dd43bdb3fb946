"""Eight new motors with one default address, powered at once in random order: all found, addressed, none moved.

On a CAN bus with arbitration and collisions, and on a shared serial line where bytes garble; with noise on the wire.
The tests run it short. By hand: python tests/hwsim/fresh_motors.py --runs 1000 [--bus can|serial] [--noise 1e-5]
Ends after the given number of runs; prints worst and typical times in virtual time. All motors are invented.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

from ringlet.hwsim.bus import Bus
from ringlet.hwsim.can_bus import CanBus
from ringlet.hwsim.noise import Noise
from ringlet.hwsim.rigfile import AxisEntry, RigFile, load_rig
from ringlet.hwsim.serial_line import SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.header import FRESH
from ringlet.protocol.states import State
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

MOTORS = 8
POWER_SPREAD_MS = 60
"""All supplies come on within this time."""
CAN_BITRATE, BAUD = 500_000, 115_200


class Run(NamedTuple):
    """What one run brought."""

    seed: int
    seconds: float
    """virtual time from the command to the last address"""
    questions: int
    problems: tuple[str, ...]
    notices: tuple[str, ...]


@cache
def _axis() -> list[AxisEntry]:
    return load_rig("single").nodes[0].axes


def random_ids(rng: random.Random, count: int = MOTORS) -> list[int]:
    """Different ids; in one run of three neighbours from one production lot, alike but for the last bits."""
    ids: set[int] = set()
    lot = rng.getrandbits(48) & ~0xFF if rng.random() < 1 / 3 else None
    while len(ids) < count:
        ids.add(rng.getrandbits(48) if lot is None else lot | rng.getrandbits(8))
    return rng.sample(sorted(ids), count)


def make_bus(which: str, noise: float, seed: int) -> Bus:
    quiet = Noise(bit_errors=noise, bursts=noise / 100)
    return CanBus(CAN_BITRATE, quiet, seed=seed) if which == "can" else SerialLine(BAUD, quiet, seed=seed)


def fresh_rig(ids: list[int], bus: Bus, addresses: dict[int, int] | None = None) -> SimRig:
    """A rig of nodes with one motor each, on this bus."""
    nodes = [
        {"unique_id": one, "shared_line": not bus.is_can, "address": (addresses or {}).get(one, FRESH), "axes": _axis()}
        for one in ids
    ]
    return SimRig(RigFile.model_validate({"name": "fresh", "nodes": nodes}), bus=bus, seed=ids[0] & 0xFFFF)


def power_up(rig: SimRig, rng: random.Random) -> None:
    """Supplies come on one after another, in random order."""
    moments = sorted((rng.randrange(POWER_SPREAD_MS), number) for number in range(len(rig.nodes)))
    for ms in range(POWER_SPREAD_MS):
        for number in [number for moment, number in moments if moment == ms]:
            rig.power_cycle(number)
        rig.step()


def one_run(which: str, noise: float, seed: int) -> Run:
    """Power eight fresh motors, discover and assign, and look for anything that is not as promised."""
    rng = random.Random(f"{which} {seed}")
    ids = random_ids(rng)
    rig = fresh_rig(ids, make_bus(which, noise, seed))
    where = [node.axes[0].drive.truth.ring_deg for node in rig.nodes]
    power_up(rig, rng)
    notices: list[str] = []
    transport = SimTransport(rig)
    link = Link.over(transport, transport.clock, notice=notices.append)
    asked = 0
    send = transport.send

    def count(ident: int, data: bytes) -> None:
        nonlocal asked
        asked += 1
        send(ident, data)

    transport.send = count  # type: ignore[method-assign]
    begun = link.clock.now()
    found = link.discover(assign=True)
    seconds = link.clock.now() - begun
    problems = []
    if {one.id for one in found} != set(ids):
        problems.append(f"{len({one.id for one in found} & set(ids))} of {MOTORS} ids found, {len(found)} answers")
    if any(one.fresh for one in found) or len({one.address for one in found}) != len(found):
        problems.append("addresses are not all given and different")
    held = {node.card.unique_id: node.address for node in rig.nodes}
    if held != {one.id: one.address for one in found}:
        problems.append("nodes have other addresses than the tool believes")
    moved = max(abs(node.axes[0].drive.truth.ring_deg - at) for node, at in zip(rig.nodes, where, strict=True))
    if moved > 1e-3 or any(node.axes[0].state not in (State.STARTING, State.RELEASED) for node in rig.nodes):
        problems.append(f"a motor moved or was switched on ({moved:.4f} deg)")
    return Run(seed, seconds, asked, tuple(problems), tuple(notices))


def _job(job: tuple[str, float, int]) -> Run:
    return one_run(*job)


def runs(which: str, noise: float, count: int, jobs: int = 1, first: int = 0) -> Iterator[Run]:
    """So many runs, each by its own seed."""
    work = [(which, noise, first + seed) for seed in range(count)]
    if jobs == 1:
        yield from map(_job, work)
        return
    with multiprocessing.Pool(jobs) as pool:
        yield from pool.imap(_job, work, chunksize=5)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--bus", choices=("can", "serial"), action="append")
    parser.add_argument("--noise", type=float, action="append", help="flipped bits; bursts come a hundredth as often")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="seed of the first run")
    given = parser.parse_args()
    failed = 0
    for which in given.bus or ("can", "serial"):
        for noise in given.noise or (0.0, 1e-5):
            times, questions, bad = [], [], 0
            for run in runs(which, noise, given.runs, given.jobs, given.first):
                times.append(run.seconds)
                questions.append(run.questions)
                for text in (*run.problems, *run.notices):
                    print(f"  {which}, noise {noise:g}, seed {run.seed}: {text}", flush=True)
                bad += bool(run.problems)
            times.sort()
            failed += bad
            speed = f"{CAN_BITRATE // 1000} kbit/s" if which == "can" else f"{BAUD} baud"
            print(
                f"{which} {speed}, noise {noise:g}: {len(times)} runs of {MOTORS} motors, {bad} failed; seconds: "
                f"typical {times[len(times) // 2]:.2f}, 99 of 100 {times[int(0.99 * (len(times) - 1))]:.2f}, "
                f"worst {times[-1]:.2f}; messages at the most {max(questions)}",
                flush=True,
            )
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
