"""Eight axes for hours of virtual time, and for minutes against the wall clock: memory, drift, replies.

By hand: python tests/hwsim/long_soak.py --hours 4, and python tests/hwsim/long_soak.py --live-minutes 10
Each axis of sim:eight moves to and fro for ever. Printed: memory at start and end, how far each ring is from where
it was sent, gaps in telemetry, requests without an answer, and for the live run how far the served time has drifted.
A live run also prints when its two processes were not given processor time. What that accounts for, in the very time in
which it happened (see soak_watch.py), is printed beside and not held against the protocol; but a run in which it was
more than a little is not a pass.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import re
import resource
import sys
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final, NamedTuple

from soak_watch import Held, Incident, Machine, excused, held, serve_watched

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.header import NODE_FIRST
from ringlet.protocol.states import State
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import LinkProblem, NoAnswer, RingletError
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
REPEATS = "repeated requests"
"""how a link counts them"""
WORDS = {
    "unanswered": "requests without an answer", "repeat": "repeated requests", "refused": "moves refused",
    "unrested": "moves not at rest in time",
}  # fmt: skip
SILENCE: Final = object()
TRIES = 5
TROUBLE_S = 0.1
"""Hold-ups from which on what failed outside the figures is tried again: what a link adds for the host to each try."""
LOOKS = 5
"""Readings of a live node's clock, of which the quickest counts."""
HELD_SHARE = 0.05
EXCUSED_SHARE = 0.01
"""Shares of the time and of the requests beyond which a live run on a busy machine says nothing."""


class Soak(NamedTuple):
    """Figures of a run."""

    seconds: float
    requests: int
    wrong: Counter[str]
    """unanswered and repeated requests, moves refused, moves not over in time: how many"""
    excused: Counter[str]
    """of these, how many came because a process was not given its time"""
    lost: Counter[str]
    """gaps in telemetry by stream, and damaged frames by cause"""
    moves: int
    worst_deg: float
    """distance between a ring at rest and its target, at the worst"""
    rss_start_mb: float
    rss_end_mb: float
    drift_ms: float
    """how far the first node's clock went ahead of the link's"""
    behind_ms: float = 0.0
    """how far the served rig fell behind, as its own process counts"""
    held_up: Held = Held(0, 0.0, 0.0)
    """when the processes were not given their time"""


def rss_mb(process: int | str = "self") -> float:
    """Memory of a process now, MB; the most that this one has had where the system does not say."""
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
        return pages * resource.getpagesize() / 1e6
    except (OSError, IndexError):
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def places(rig: SimRig) -> list[tuple[int, int]]:
    return [(node.address, index) for node in rig.nodes for index in range(len(node.axes))]


def patiently(link: Link, machine: Machine | None, what: Callable[[], Any]) -> Any:
    """Do what belongs to no figure: again when it failed and the machine was busy meanwhile, and only then."""
    for left in reversed(range(TRIES)):
        before = machine.trouble_s() if machine is not None else 0.0
        try:
            return what()
        except RingletError as error:
            busy = machine.trouble_s() - before if machine is not None else 0.0
            if not left or busy < TROUBLE_S:
                raise
            print(f"held up for {busy:.2f} s, so once more: {error}", file=sys.stderr, flush=True)
            link.stop()
            link.wait(2.0)
    raise AssertionError("the last try returns or raises")


def prepare(link: Link, rig: SimRig, machine: Machine | None) -> dict[AxisHandle, tuple[float, float]]:
    """Every axis owned, its end stops found, telemetry on; by axis, the part of its travel that is used, in degrees."""

    def part(handle: AxisHandle) -> tuple[float, float]:
        handle.take()
        handle.find_stops()
        low, high = handle.get("travel-min"), handle.get("travel-max")
        handle.set("telemetry-rate", TELEMETRY_HZ)
        return low + SHARES[0] * (high - low), low + SHARES[1] * (high - low)

    patiently(link, machine, link.discover)
    handles = [link.axis(node, axis) for node, axis in places(rig)]
    return {handle: patiently(link, machine, partial(part, handle)) for handle in handles}


def radio(name: str) -> bool:
    """Whether a cause of losses is a stream from a control: the rig's hand controls lose some on purpose."""
    found = re.fullmatch(r"\S+ (\d+)\.\d+", name)
    return found is not None and int(found[1]) < NODE_FIRST


def soak(
    link: Link, rig: SimRig, seconds: float, *, seed: int = 1, say: bool = False, machine: Machine | None = None
) -> tuple[Soak, list[Incident], float]:
    """Move all axes for so long; what goes wrong on the way is counted. `machine`: the processes of a live rig, of
    which `rig` is then only the plan. Returns also what went wrong one by one, and when on the monotonic clock the
    moves began."""

    def clocks() -> tuple[float, float, float]:
        """The node's clock and the link's at one moment, and how far the rig is behind, in seconds."""
        looks = []
        for _ in range(1 if machine is None else LOOKS):
            at = link.clock.now()
            clock = patiently(link, machine, partial(link.request, m.GetClock(0), node=rig.nodes[0].address))
            took = link.clock.now() - at
            looks.append((took, clock.time / 1e6, at + took / 2, machine.behind_s() if machine is not None else 0.0))
        return min(looks)[1:]  # the quickest answer says the moment best

    def memory() -> float:
        return rss_mb() + (rss_mb(machine.served) if machine is not None else 0.0)

    rng = random.Random(f"soak {seed}")
    handles = prepare(link, rig, machine)
    requests = moves = 0
    incidents: list[Incident] = []
    worst, rss_start = 0.0, 0.0
    link.wait(1.0)

    def lost() -> Counter[str]:
        return Counter({name: count for name, count in link.losses.items() if name != REPEATS and not radio(name)})

    def ask(what: Callable[[], Any]) -> Any:
        """The answer to a request, or SILENCE."""
        at, repeats = time.monotonic(), link.losses[REPEATS]
        try:
            return what()
        except NoAnswer:
            incidents.append(Incident("unanswered", at, time.monotonic()))
            return SILENCE
        finally:
            more = link.losses[REPEATS] - repeats
            incidents.extend([Incident("repeat", at, time.monotonic())] * more)

    before = lost()
    first, begin, wall = clocks(), link.clock.now(), time.monotonic()
    next_word, last_begin = 0.0, wall
    while (now := link.clock.now() - begin) < seconds:
        if rss_start == 0.0 and now >= seconds / 10:
            rss_start = memory()
        if say and now >= next_word:
            print(f"{now:.0f} s of {seconds:.0f}, {memory():.1f} MB", file=sys.stderr, flush=True)
            next_word += seconds / 10
        targets, round_begin = {}, time.monotonic()
        for handle, part in handles.items():
            wanted = round(rng.uniform(*part), 3)
            requests += 1
            try:
                if ask(partial(handle.move, wanted, speed=SPEED_DEG_S, wait=False)) is not SILENCE:
                    targets[handle] = wanted
            except RingletError:
                incidents.append(Incident("refused", last_begin, time.monotonic()))
                ask(handle.take)
        last_begin = round_begin
        link.wait(ROUND_S)
        for handle, wanted in targets.items():
            requests += 2
            status, at = ask(handle.status), ask(handle.position)
            if status is SILENCE or at is SILENCE:
                continue
            moves += 1
            if status.state != State.HOLDING:
                incidents.append(Incident("unrested", round_begin, time.monotonic()))
            else:
                worst = max(worst, abs(at - wanted))
    spent = link.clock.now() - begin
    missed = lost() - before
    node, ours, late = (1e3 * (now - then) for now, then in zip(clocks(), first, strict=True))
    for handle in handles:
        patiently(link, machine, handle.yield_)
    found = Soak(
        spent, requests, Counter(one.what for one in incidents), Counter(), missed, moves, worst, rss_start or memory(),
        memory(), node - ours, late,
    )  # fmt: skip
    return found, incidents, wall


def virtual(seconds: float, *, rig_name: str = "eight", say: bool = False) -> Soak:
    """In this process, in virtual time."""
    rig = SimRig(load_rig(rig_name))
    transport = SimTransport(rig)
    with Link.over(transport, transport.clock) as link:
        return soak(link, rig, seconds, say=say)[0]


def live(seconds: float, *, rig_name: str = "eight", say: bool = False) -> Soak:
    """Over a loopback connection, against the wall clock; the rig runs in a process of its own, whose memory counts."""
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    behind = spawn.RawValue("d", 0.0)
    process = spawn.Process(target=serve_watched, args=(rig_name, theirs, behind), daemon=True)
    process.start()
    machine = Machine(process.pid or 0, behind)
    failure: RingletError | None = None
    try:
        if not ours.poll(30.0):
            raise LinkProblem("the rig was not served within 30 s; see what keeps this machine busy.")
        with Link.open(ours.recv()) as link:
            done, incidents, begin = soak(link, SimRig(load_rig(rig_name)), seconds, say=say, machine=machine)
        end = time.monotonic()
    except RingletError as error:
        failure = error
    finally:
        process.terminate()
        hold_ups = machine.end(ours)
        process.join(5.0)
    if failure is not None:
        raise RingletError(f"{failure} The machine: {says(held(hold_ups, 0.0, time.monotonic()))}.") from failure
    why = Counter(one.what for one in excused(incidents, hold_ups))
    return done._replace(held_up=held(hold_ups, begin, end), excused=why)


def says(one: Held) -> str:
    """Hold-ups in words."""
    if not one.count:
        return "the processes had their time"
    return f"held up {one.count} times, {one.total_s:.2f} s together, the longest {1e3 * one.longest_s:.0f} ms"


def verdict(done: Soak) -> list[str]:
    """What is not as promised, and what says nothing because the machine was too busy."""
    wrong = []
    if done.rss_end_mb - done.rss_start_mb > GROWTH_MB:
        wrong.append(f"memory grew by {done.rss_end_mb - done.rss_start_mb:.1f} MB")
    for what, words in WORDS.items():
        count = done.wrong[what] - done.excused[what]
        if count:
            wrong.append(f"{count} {words}")
    if abs(done.drift_ms + done.behind_ms) > DRIFT_MS:
        wrong.append(f"the clocks drifted {done.drift_ms:+.1f} ms apart, the rig fell {done.behind_ms:.1f} ms behind")
    held_ms = 1e3 * done.held_up.total_s
    if done.behind_ms - held_ms > DRIFT_MS:
        wrong.append(f"the rig fell {done.behind_ms:.1f} ms behind, and was held up for {held_ms:.1f} ms only")
    if done.held_up.total_s > HELD_SHARE * done.seconds or done.excused.total() > EXCUSED_SHARE * done.requests:
        wrong.append("nothing is proved: this machine was too busy; run it again when it is not")
    if done.lost:
        each = ", ".join(f"{name} {count}" for name, count in done.lost.items())
        wrong.append(f"{done.lost.total()} gaps in telemetry and damaged frames: {each}")
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
        try:
            done = run(seconds, say=True)
        except RingletError as error:
            failed = True
            print(f"{name}: ended after {time.monotonic() - wall:.0f} s: {error}")
            continue
        print(
            f"{name}: {done.seconds:.0f} s in {time.monotonic() - wall:.0f} s; {done.requests} requests, "
            f"{done.wrong['unanswered']} unanswered, {done.wrong['repeat']} repeated, {done.lost.total()} gaps; "
            f"{done.moves} moves, at rest within {done.worst_deg:.3f} deg; memory {done.rss_start_mb:.1f} MB after a "
            f"tenth, {done.rss_end_mb:.1f} MB at the end; the node's clock {done.drift_ms:+.1f} ms against the link's"
        )
        if name == "live":
            print(f"  the machine: {says(done.held_up)}; the rig fell {done.behind_ms:.1f} ms behind the clock")
            for what, count in done.excused.items():
                print(f"  of the {WORDS[what]}, {count} came while a process had no processor time")
        for word in verdict(done):
            failed = True
            print(f"  not as promised: {word}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
