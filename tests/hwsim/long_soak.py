"""Eight axes for hours of virtual time, and for minutes against the wall clock: memory, drift, replies.

By hand: python tests/hwsim/long_soak.py --hours 4          and          python tests/hwsim/long_soak.py --live-minutes 10
Each axis of sim:eight moves to and fro for ever. Printed: memory at start and end, how far each ring is from where
it was sent, gaps in telemetry, requests without an answer, and for the live run how far the served time has drifted.
"""

from __future__ import annotations

import argparse
import random
import resource
import sys
import threading
import time
from pathlib import Path
from typing import NamedTuple

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.states import State
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import RingletError
from ringlet.tools.link import Link
from ringlet.tools.transports import SimTransport

ROUND_S = 4.0
"""Seconds for a move of every axis."""
SPAN_DEG = 30.0
TELEMETRY_HZ = 20
GROWTH_MB = 16.0
"""Growth of memory after the first tenth that counts as flat: caches of libraries fill late."""


class Soak(NamedTuple):
    """Figures of a run."""

    seconds: float
    requests: int
    unanswered: int
    lost: int
    """repeated requests and gaps in telemetry"""
    moves: int
    worst_deg: float
    """distance between a ring at rest and its target, at the worst"""
    rss_start_mb: float
    rss_end_mb: float
    drift_ms: float
    """rig's time less the wall clock's at the end, of a live run"""


def rss_mb() -> float:
    """Memory of this process now, MB; the most it has had where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * resource.getpagesize() / 1e6
    except (OSError, IndexError):
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def places(rig: SimRig) -> list[tuple[int, int]]:
    return [(node.address, index) for node in rig.nodes for index in range(len(node.axes))]


def prepare(link: Link, rig: SimRig) -> list[AxisHandle]:
    """Every axis owned, its place called 0, with room on both sides and telemetry on."""
    link.discover()
    handles = []
    for node, axis in places(rig):
        handle = link.axis(node, axis)
        handle.take()
        link.request(m.SetReference(0, 0), node=node, axis=axis)
        handle.set("travel-min", -SPAN_DEG)
        handle.set("travel-max", SPAN_DEG)
        handle.set("telemetry-rate", TELEMETRY_HZ)
        handles.append(handle)
    return handles


def soak(link: Link, rig: SimRig, seconds: float, *, seed: int = 1, say: bool = False, live: bool = False) -> Soak:
    """Move all axes for so long. Raises nothing for what goes wrong on the way: it is counted."""
    rng = random.Random(f"soak {seed}")
    handles = prepare(link, rig)
    requests = unanswered = moves = 0
    worst, rss_start = 0.0, 0.0
    begin, wall, rig_begin = link.clock.now(), time.monotonic(), rig.now_us
    next_word = 0.0
    while (now := link.clock.now() - begin) < seconds:
        if rss_start == 0.0 and now >= seconds / 10:
            rss_start = rss_mb()
        if say and now >= next_word:
            print(f"{now:.0f} s of {seconds:.0f}, {rss_mb():.1f} MB", file=sys.stderr, flush=True)
            next_word += seconds / 10
        targets = {}
        for handle in handles:
            wanted = round(rng.uniform(-SPAN_DEG + 1.0, SPAN_DEG - 1.0), 3)
            requests += 1
            try:
                handle.move(wanted, speed=60.0, wait=False)
                targets[handle] = wanted
            except RingletError:
                unanswered += 1
        link.wait(ROUND_S)
        for handle, wanted in targets.items():
            requests += 2
            try:
                status = handle.status()
                at = handle.position()
            except RingletError:
                unanswered += 1
                continue
            if status.state == State.HOLDING:
                moves += 1
                worst = max(worst, abs(at - wanted))
    drift = (rig.now_us - rig_begin) / 1e3 - 1e3 * (time.monotonic() - wall) if live else 0.0
    spent = link.clock.now() - begin
    lost = link.losses.total()
    for handle in handles:
        handle.yield_()
    return Soak(spent, requests, unanswered, lost, moves, worst, rss_start or rss_mb(), rss_mb(), drift)


def virtual(seconds: float, *, say: bool = False) -> Soak:
    """In this process, in virtual time."""
    rig = SimRig(load_rig("eight"))
    transport = SimTransport(rig)
    with Link.over(transport, transport.clock) as link:
        return soak(link, rig, seconds, say=say)


def live(seconds: float, *, say: bool = False) -> Soak:
    """Over a loopback connection, against the wall clock."""
    from ringlet.tools.serve import serve

    rig = SimRig(load_rig("eight"))
    stop, found = threading.Event(), threading.Event()
    urls: list[str] = []

    def ready(url: str) -> None:
        urls.append(url)
        found.set()

    thread = threading.Thread(target=serve, args=(rig, "tcp", ready, stop), daemon=True)
    thread.start()
    if not found.wait(10.0):
        raise SystemExit("the rig was not served")
    try:
        with Link.open(urls[0]) as link:
            return soak(link, rig, seconds, say=say, live=True)
    finally:
        stop.set()
        thread.join(5.0)


def verdict(done: Soak) -> list[str]:
    """What is not as promised."""
    wrong = []
    if done.rss_end_mb - done.rss_start_mb > GROWTH_MB:
        wrong.append(f"memory grew by {done.rss_end_mb - done.rss_start_mb:.1f} MB")
    if done.unanswered:
        wrong.append(f"{done.unanswered} requests without an answer")
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
            f"the end" + (f"; the rig's clock {done.drift_ms:+.1f} ms against the wall" if name == "live" else "")
        )
        for word in verdict(done):
            failed = True
            print(f"  not as promised: {word}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
