"""The page's figures: stop latency from click to last message, page rate, memory, at 8 axes and 50 Hz.

Run: python tests/benchmarks/bench_page.py [SECONDS [RIG]]. Needs Chromium. The time of each click is what the browser
itself notes on the machine's clock (`Date.now`, 1 ms); the bench notes when the last of the stop messages had
gone and when every axis was at rest. Nothing here is asserted: the machine decides.
"""

from __future__ import annotations

import random
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tools"))

from page_browser import CHROMIUM, Browser, Tab, running

from ringlet.tools.page.bench_thread import Bench, wait_for

CLICKS = 15
WATCH = "window.frames_seen = 0; (function f() { window.frames_seen++; requestAnimationFrame(f); })();"


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


def main() -> None:
    if CHROMIUM is None:
        raise SystemExit("Chromium is not installed.")
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    if len(sys.argv) < 3:  # NiceGUI serves one page a process
        for rig in ("trio", "eight"):
            subprocess.run([sys.executable, __file__, str(seconds), rig], check=True)
        return
    for rig in sys.argv[2:3]:
        with Timed(f"sim:{rig}") as bench, running(bench) as page:
            browser = Browser()
            try:
                tab = browser.open(page)
                tab.until("document.querySelector('#link')?.textContent.startsWith('✓')", 30)
                tab.js(WATCH)
                before = {key: trace.count for key, trace in bench.traces.items()}
                frames, begun, slipped = tab.js("frames_seen"), time.monotonic(), bench.snapshot.slipped
                used = time.process_time()
                time.sleep(seconds)
                span = time.monotonic() - begun
                rates = [(trace.count - before[key]) / span for key, trace in bench.traces.items()]
                print(f"sim:{rig}, {len(rates)} axes, {span:.0f} s")
                print(f"  samples a second of each axis   {min(rates):.1f} to {max(rates):.1f} (asked: 50)")
                print(f"  frames a second in the browser  {(tab.js('frames_seen') - frames) / span:.1f}")
                print(f"  script memory in the browser    {tab.js('performance.memory.usedJSHeapSize') / 1e6:.1f} MB")
                kept = sum(trace.bytes for trace in bench.traces.values())
                print(f"  traces of an hour in the bench  {kept / 1e6:.1f} MB, fixed from the start")
                peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                print(f"  peak memory of the process      {peak:.0f} MB")
                print(f"  processor, bench and server     {100 * (time.process_time() - used) / span:.0f} % of a core")
                print(f"  simulation behind the wall      {bench.snapshot.slipped - slipped:.2f} s")
                sent, rest = stop_latencies(tab, bench)
                print(f"  click to last stop message, ms  median {statistics.median(sent):.1f}, worst {max(sent):.1f}")
                print(f"  click to rest seen, ms          median {statistics.median(rest):.1f}, worst {max(rest):.1f}")
            finally:
                browser.close()


if __name__ == "__main__":
    main()
