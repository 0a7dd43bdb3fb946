"""The page's figures, over as long as you like: frames drawn, memory at start and end, stop latency, 8 axes at 50 Hz.

Run: python tests/benchmarks/bench_page.py [--minutes 1] [--rig eight]. Needs Chromium; it ends after
that time by itself, and Ctrl-C ends it early with the figures so far. An hour: --minutes 60.

Every axis of the simulated rig moves to and fro the whole time, and the browser's window is tall enough that every
trace is in sight. Frames drawn are those in which the page drew its traces (it draws at most 33 a second). Memory of
the browser is that of all its processes (shared pages counted once) and the heap of the page's script after a
collection; memory of the server is that of this process, which holds bench, server, simulated rig and
this program. The time of each click on stop is what the browser itself notes on the machine's clock (`Date.now`, 1 ms);
the bench notes when the last of the stop messages had gone and when the axis was at rest. Nothing here is asserted:
the machine decides.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tools"))

from page_browser import CHROMIUM, Browser, Tab, running
from page_helpers import find

from ringlet.tools.errors import RingletError
from ringlet.tools.page.bench_thread import Bench, wait_for

CLICKS = 15
MOVE_EVERY = 3.0
"""Seconds between two moves of each axis."""
SIZE = (1920, 2600)


class Timed(Bench):
    """A bench that notes on the machine's clock when stop had gone out."""

    stopped: float = 0.0

    def stop_all(self):  # type: ignore[no-untyped-def]
        future = super().stop_all()
        future.add_done_callback(lambda _: setattr(self, "stopped", time.time()))
        return future


def stop_latencies(tab: Tab, bench: Timed) -> tuple[list[float], list[float]]:
    """ms from click to the last stop message, and to rest."""
    sent, rest = [], []
    place = (bench.snapshot.axes[0].node, bench.snapshot.axes[0].axis)
    bench.on_axis(place, lambda handle: (handle.take(), handle.hold())).result(5)
    for number in range(CLICKS):
        bench.on_axis(place, lambda handle, n=number: handle.run(10.0 if n % 2 else -10.0)).result(5)
        time.sleep(0.5 + random.random() * 0.2)
        bench.stopped = 0.0
        begun = tab.js(
            "(() => { const now = Date.now(); document.querySelector('#stop').dispatchEvent("
            "new PointerEvent('pointerdown', {bubbles: true})); return now; })()"
        )
        if not wait_for(lambda: bench.stopped > 0, 5):
            raise SystemExit("stop was not sent")
        sent.append(1000 * bench.stopped - begun)
        wait_for(lambda: bench.snapshot.axes[0].state == "holding", 5)
        rest.append(1000 * time.time() - begun)
    return sent, rest


def resident_mb(*pids: int) -> float:
    """Memory of these processes, MB, a shared page counted once among those that share it (`Pss` in proc(5)); 0 where
    the system does not tell."""
    kilobytes = 0
    for pid in pids:
        try:
            lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        kilobytes += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
    return kilobytes * 1024 / 1e6


def family(pid: int) -> list[int]:
    """A process and all that come from it."""
    parents: dict[int, list[int]] = {}
    for entry in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = entry.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        parents.setdefault(int(fields[1]), []).append(int(entry.parent.name))
    found, left = [], [pid]
    while left:
        one = left.pop()
        found.append(one)
        left += parents.get(one, [])
    return found


def memory(tab: Tab, browser: Browser) -> dict[str, float]:
    """MB of script heap, browser and this process."""
    tab.wire.ask("HeapProfiler.collectGarbage")
    heap: dict[str, Any] = tab.wire.ask("Runtime.getHeapUsage")
    return {
        "script heap": heap["usedSize"] / 1e6, "browser": resident_mb(*family(browser.process.pid)),
        "server": resident_mb(os.getpid()),
    }  # fmt: skip


def keep_moving(bench: Bench, number: int) -> None:
    """Send one axis somewhere in its travel."""
    axes = bench.snapshot.axes
    one = axes[number % len(axes)]
    low, high = one.travel
    deg = low + (0.1 + 0.8 * random.random()) * (high - low)
    bench.on_axis((one.node, one.axis), lambda handle: handle.move(deg, wait=False))


def watch(bench: Timed, tab: Tab, browser: Browser, seconds: float) -> None:
    """Let it run, say a line a minute, and print the figures."""
    keys = list(bench.traces)
    before = {key: bench.traces[key].count for key in keys}
    drawn, slipped = tab.js("benchFigures().drawn"), bench.snapshot.slipped
    start, used, begun = memory(tab, browser), time.process_time(), time.monotonic()
    moves, told, told_drawn = 0, begun, drawn
    slowest = float("inf")
    try:
        while (now := time.monotonic()) < begun + seconds:
            if now >= begun + moves * MOVE_EVERY / len(keys):
                try:
                    keep_moving(bench, moves)
                except RingletError as error:
                    print(f"  {error}")
                moves += 1
            if now - told >= 60:
                count, said = tab.js("benchFigures().drawn"), memory(tab, browser)
                slowest = min(slowest, (count - told_drawn) / (now - told))
                rate = (count - told_drawn) / (now - told)
                text = ", ".join(f"{name} {value:.1f} MB" for name, value in said.items())
                print(f"  {(now - begun) / 60:5.1f} min: {rate:.1f} frames/s, {text}", flush=True)
                told, told_drawn = now, count
            time.sleep(0.05)
    except KeyboardInterrupt:
        print("  ended early")
    span = time.monotonic() - begun
    rates = [(bench.traces[key].count - before[key]) / span for key in keys]
    figures, end = tab.js("benchFigures()"), memory(tab, browser)
    print(f"{bench.snapshot.link}, {len(keys)} axes, {span:.0f} s, {moves} moves")
    print(f"  samples a second of each axis   {min(rates):.1f} to {max(rates):.1f} (asked: 50)")
    print(f"  frames drawn a second           {(figures['drawn'] - drawn) / span:.1f} (at most 33)"
          + (f", in the slowest minute {slowest:.1f}" if slowest < 1e9 else ""))  # fmt: skip
    for name, what in (("script heap", "script heap in the browser"), ("browser", "browser, all processes"),
                       ("server", "server, bench and rig")):  # fmt: skip
        print(f"  {what:31} {start[name]:.1f} MB at the start, {end[name]:.1f} MB at the end")
    kept = sum(bench.traces[key].bytes for key in keys)
    print(f"  traces of an hour in the bench  {kept / 1e6:.1f} MB, fixed from the start")
    print(f"  rows of traces in the page      {figures['rows']}")
    print(f"  processor, bench and server     {100 * (time.process_time() - used) / span:.0f} % of a core")
    print(f"  simulation behind the wall      {bench.snapshot.slipped - slipped:.2f} s")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--minutes", type=float, default=1.0, help="how long the page is watched; at most 600")
    asked.add_argument("--rig", default="eight", help="simulated rig: single, pair, trio, eight or a rig file")
    given = asked.parse_args()
    if not 0.05 <= given.minutes <= 600:
        asked.error("--minutes must be 0.05 to 600")
    if CHROMIUM is None:
        raise SystemExit("Chromium is not installed.")
    with Timed(f"sim:{given.rig}") as bench, running(bench) as page:
        print(f"sim:{given.rig}: the end stops of {len(bench.snapshot.axes)} axes are found first.", flush=True)
        find(bench, *((one.node, one.axis) for one in bench.snapshot.axes))
        browser = Browser()
        try:
            tab = browser.open(page, *SIZE)
            if not tab.until("document.querySelector('#link')?.textContent.startsWith('✓')", 30):
                raise SystemExit("the page did not open")
            time.sleep(5)  # what a browser does once at the start is none of the figures
            watch(bench, tab, browser, 60 * given.minutes)
            sent, rest = stop_latencies(tab, bench)
            print(f"  click to last stop message, ms  median {statistics.median(sent):.1f}, worst {max(sent):.1f}")
            print(f"  click to rest seen, ms          median {statistics.median(rest):.1f}, worst {max(rest):.1f}")
        finally:
            browser.close()


if __name__ == "__main__":
    main()
