"""Eight axes for hours of virtual time, and for minutes against the wall clock: memory, drift, replies.

By hand: python tests/hwsim/long_soak.py --hours 4, and python tests/hwsim/long_soak.py --live-minutes 10
Each axis of sim:eight moves to and fro for ever. Printed: memory at start and end, how far each ring is from where
it was sent, gaps in telemetry, requests without an answer, and for the live run how far the served time has drifted.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import resource
import sys
import threading
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import NamedTuple

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.states import State
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import NoAnswer, RingletError
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

ROUND_S = 4.0
"""Seconds for a move of every axis."""
SHARES = (0.3, 0.7)
"""Part of the travel that is used: every move ends in time."""
SPEED_DEG_S = 60.0
TELEMETRY_HZ = 20
GROWTH_MB = 16.0
"""Growth of memory after the first tenth that counts as flat: caches of libraries fill late."""
DRIFT_MS = 60.0
"""What a live rig may be ahead or behind: it lets go what it is more than 50 ms late with, and a look takes time."""


class Soak(NamedTuple):
    """Figures of a run."""

    seconds: float
    requests: int
    unanswered: int
    refused: int
    lost: int
    """repeated requests and gaps in telemetry"""
    moves: int
    unrested: int
    """moves that were not over, or ended in a fault"""
    worst_deg: float
    """distance between a ring at rest and its target, at the worst"""
    rss_start_mb: float
    rss_end_mb: float
    drift_ms: float
    """how far the first node's clock went ahead of the link's"""


def rss_mb(process: int | str = "self") -> float:
    """Memory of a process now, MB; the most that this one has had where the system does not say."""
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
        return pages * resource.getpagesize() / 1e6
    except (OSError, IndexError):
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def places(rig: SimRig) -> list[tuple[int, int]]:
    return [(node.address, index) for node in rig.nodes for index in range(len(node.axes))]


def prepare(link: Link, rig: SimRig) -> dict[AxisHandle, tuple[float, float]]:
    """Every axis owned, its end stops found, telemetry on; by axis, the part of its travel that is used, in degrees."""
    link.discover()
    found = {}
    for node, axis in places(rig):
        handle = link.axis(node, axis)
        handle.take()
        handle.find_stops()
        low, high = handle.get("travel-min"), handle.get("travel-max")
        handle.set("telemetry-rate", TELEMETRY_HZ)
        found[handle] = (low + SHARES[0] * (high - low), low + SHARES[1] * (high - low))
    return found


def soak(
    link: Link, rig: SimRig, seconds: float, *, seed: int = 1, say: bool = False, served: int | None = None
) -> Soak:
    """Move all axes for so long; what goes wrong on the way is counted. `served`: the process of a live rig, of which
    `rig` is then only the plan."""

    def node_s() -> float:
        return float(link.request(m.GetClock(0), node=rig.nodes[0].address).time) / 1e6

    def memory() -> float:
        return rss_mb() + (rss_mb(served) if served is not None else 0.0)

    rng = random.Random(f"soak {seed}")
    handles = prepare(link, rig)
    requests = unanswered = refused = moves = unrested = 0
    worst, rss_start = 0.0, 0.0
    link.wait(1.0)
    before = link.losses.total()
    rig_begin, begin = node_s(), link.clock.now()
    next_word = 0.0
    while (now := link.clock.now() - begin) < seconds:
        if rss_start == 0.0 and now >= seconds / 10:
            rss_start = memory()
        if say and now >= next_word:
            print(f"{now:.0f} s of {seconds:.0f}, {memory():.1f} MB", file=sys.stderr, flush=True)
            next_word += seconds / 10
        targets = {}
        for handle, part in handles.items():
            wanted = round(rng.uniform(*part), 3)
            requests += 1
            try:
                handle.move(wanted, speed=SPEED_DEG_S, wait=False)
                targets[handle] = wanted
            except NoAnswer:
                unanswered += 1
            except RingletError:
                refused += 1
        link.wait(ROUND_S)
        for handle, wanted in targets.items():
            requests += 2
            try:
                status = handle.status()
                at = handle.position()
            except NoAnswer:
                unanswered += 1
                continue
            moves += 1
            if status.state != State.HOLDING:
                unrested += 1
            worst = max(worst, abs(at - wanted))
    drift = 1e3 * (node_s() - rig_begin - (link.clock.now() - begin))
    spent = link.clock.now() - begin
    lost = link.losses.total() - before
    for handle in handles:
        handle.yield_()
    return Soak(
        spent, requests, unanswered, refused, lost, moves, unrested, worst, rss_start or memory(), memory(), drift,
    )  # fmt: skip


def virtual(seconds: float, *, rig_name: str = "eight", say: bool = False) -> Soak:
    """In this process, in virtual time."""
    rig = SimRig(load_rig(rig_name))
    transport = SimTransport(rig)
    with Link.over(transport, transport.clock) as link:
        return soak(link, rig, seconds, say=say)


def _serve(name: str, ready: Connection) -> None:
    """The other process: the rig against the wall clock."""
    from ringlet.tools.serve import serve

    serve(SimRig(load_rig(name)), "tcp", ready.send, threading.Event())


def live(seconds: float, *, rig_name: str = "eight", say: bool = False) -> Soak:
    """Over a loopback connection, against the wall clock; the rig runs in a process of its own, whose memory counts."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(rig_name, theirs), daemon=True)
    process.start()
    try:
        if not ours.poll(30.0):
            raise SystemExit("the rig was not served")
        with Link.open(ours.recv()) as link:
            return soak(link, SimRig(load_rig(rig_name)), seconds, say=say, served=process.pid)
    finally:
        process.terminate()
        process.join(5.0)


def verdict(done: Soak) -> list[str]:
    """What is not as promised."""
    wrong = []
    if done.rss_end_mb - done.rss_start_mb > GROWTH_MB:
        wrong.append(f"memory grew by {done.rss_end_mb - done.rss_start_mb:.1f} MB")
    if done.unanswered:
        wrong.append(f"{done.unanswered} requests without an answer")
    if done.refused or done.unrested:
        wrong.append(f"{done.refused} moves refused, {done.unrested} not at rest in time")
    if abs(done.drift_ms) > DRIFT_MS:
        wrong.append(f"the clocks drifted {done.drift_ms:+.1f} ms apart")
    if done.lost:
        wrong.append(f"{done.lost} repeated requests and gaps in telemetry")
    if done.worst_deg > 0.2 or done.moves == 0:
        wrong.append(f"a ring stood {done.worst_deg:.3f} deg off its target, {done.moves} moves ended")
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=0.0, help="of virtual time")
    parser.add_argument("--live-minutes", type=float, default=0.0, help="against the wall clock")
    asked = parser.parse_args()
    if not asked.hours and not asked.live_minutes:
        parser.error("give --hours, --live-minutes, or both")
    failed = False
    for name, seconds, run in (("virtual", 3600 * asked.hours, virtual), ("live", 60 * asked.live_minutes, live)):
        if not seconds:
            continue
        wall = time.monotonic()
        done = run(seconds, say=True)
        print(
            f"{name}: {done.seconds:.0f} s in {time.monotonic() - wall:.0f} s; {done.requests} requests, "
            f"{done.unanswered} unanswered, {done.lost} repeats and gaps; {done.moves} moves, at rest within "
            f"{done.worst_deg:.3f} deg; memory {done.rss_start_mb:.1f} MB after a tenth, {done.rss_end_mb:.1f} MB at "
            f"the end; the node's clock {done.drift_ms:+.1f} ms against the link's"
        )
        for word in verdict(done):
            failed = True
            print(f"  not as promised: {word}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
