"""Takes: recording, recovery, export and replay as times real time, and recording beside a plain writer of JSON lines.

Run: python tests/benchmarks/bench_takes.py [--hours 0.1]. With --hours 1 it takes some minutes; it also prints the
memory that an hour of recording adds, and what exporting it needs in a process of its own. Eight axes at 100 samples a
second, with time addresses at 24.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import resource
import sys
import tempfile
import time
from pathlib import Path

from ringlet.protocol import messages as m
from ringlet.tools.link import Link
from ringlet.tools.takes.export import export
from ringlet.tools.takes.layout import AxisInfo, Sample
from ringlet.tools.takes.reader import open_take
from ringlet.tools.takes.recorder import Recorder
from ringlet.tools.takes.recover import recover
from ringlet.tools.takes.replay import make_plan, read_mapping, replay
from ringlet.tools.takes.timecodes import RATES, text_of
from ringlet.tools.takes.writer import TakeWriter

RATE = 100
MARKS = ((0.0, 0.5), (100.0, 1.0), (200.0, 3.0), (300.0, None))
"""Invented."""
AXES = [
    AxisInfo(16 + one // 2, one % 2, "000000000001", "focus", "", "", 0.02, *(("distance", MARKS) if one % 2 else ()))
    for one in range(8)
]


def rss_mb() -> float:
    """Largest memory of this process so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1 << 20)


def sample(number: int, key: int) -> Sample:
    """Every ring turns all the time: no value can be kept from the last sample."""
    ring = round(150.0 + 100.0 * math.sin(0.01 * number + key), 3)
    return Sample(number / RATE, ring, 1.5, ring, 0.12, "following", 1, "none")


def recording(folder: Path, seconds: int) -> None:
    """The writer alone, with a sync each half second, and its peer."""
    writer = TakeWriter(folder / "a.mcap", AXES, {"format": "1", "origin_ns": "0"})
    keys = [info.key for info in AXES]
    begun, before = time.process_time(), 0.0
    for number in range(seconds * RATE):
        for place, key in enumerate(keys):
            writer.sample(key, sample(number, place))
        if number * 24 % RATE < 24:
            frame = number * 24 // RATE
            writer.timecode(frame / 24, text_of(frame, RATES["24"]), frame, "24")
        writer.tick(number / RATE)
        if number == 60 * RATE:
            before = rss_mb()
    writer.close()
    spent, after = time.process_time() - begun, rss_mb()
    begun = time.process_time()
    with (folder / "peer.jsonl").open("w") as peer:
        for number in range(seconds * RATE):
            for place, key in enumerate(keys):
                peer.write(json.dumps({"axis": key} | sample(number, place)._asdict()) + "\n")
    lines = time.process_time() - begun
    size, lines_size = ((folder / name).stat().st_size for name in ("a.mcap", "peer.jsonl"))
    print(f"recording 8 axes: {seconds / spent:.0f} times real time, {lines / spent:.2f} times the speed of JSON lines")
    print(f"size: {size / lines_size:.3f} of JSON lines, {size / seconds * 3600 / 1e6:.0f} MB an hour")
    hours = seconds / 3600
    print(f"memory from the first minute to the end of {hours:.2f} h: +{after - before:.1f} MB, {after:.0f} in all")
    (folder / "peer.jsonl").unlink()


def exporting(take: Path, out: Path) -> tuple[float, float, float]:
    """For a fresh process: seconds of processor time, MB before the export, MB at most during it."""
    short = out.with_name("short.mcap")
    with TakeWriter(short, AXES, {"format": "1", "origin_ns": "0"}) as writer:  # loads every library that is used
        for number in range(3):
            for place, info in enumerate(AXES):
                writer.sample(info.key, sample(number, place))
    export(open_take(short), RATES["24"], out.with_name("short"), gap_s=1.0)
    before, begun = rss_mb(), time.process_time()
    export(open_take(take), RATES["24"], out)
    return time.process_time() - begun, before, rss_mb()


def reading(folder: Path, seconds: int) -> None:
    """Recovery and export."""
    begun = time.process_time()
    recover(folder / "a.mcap", folder / "b.mcap")
    spent = time.process_time() - begun
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        took, before, most = pool.apply(exporting, (folder / "a.mcap", folder / "t"))
    print(f"recovery: {seconds / spent:.0f} times real time; export to CSV and Parquet at 24: "
          f"{seconds / took:.0f} times real time")  # fmt: skip
    print(f"memory of an export of {seconds / 3600:.2f} h: +{most - before:.1f} MB, {most:.0f} in all")


def live(folder: Path) -> None:
    """Eight simulated axes: the rig alone, recorded, and played; in virtual time, so physics are in all of them."""
    with Link.open("sim:eight") as link:
        handles = [link.axis(16 + number // 2, number % 2) for number in range(8)]
        for handle in handles:
            handle.take()
            link.request(m.SetReference(0, 0), node=handle.node, axis=handle.axis)
            handle.set("travel-min", -1.0)
            handle.set("travel-max", 20.0)
        link.wait(1.0)
        spent = {}
        for name in ("alone", "recorded"):
            for handle in handles:
                handle.move(15.0 if name == "alone" else 0.0, speed=3.0, wait=False)
            begun = time.process_time()
            if name == "alone":
                link.wait(5.0)
            else:
                with Recorder(link, folder / "l.mcap", [(one.node, one.axis) for one in handles]) as recorder:
                    recorder.run(5.0)
            spent[name] = time.process_time() - begun
        for handle in handles:
            handle.rest()
            handle.yield_()
        take = open_take(folder / "l.mcap")
        plan = make_plan(link, take, read_mapping("", take))
        assert not plan.too_fast
        begun = time.process_time()
        replay(link, plan)
        played = time.process_time() - begun
    print(f"simulated rig of 8: {5 / spent['alone']:.1f} times real time alone, {5 / spent['recorded']:.1f} recorded, "
          f"{plan.seconds / played:.1f} played (with the way to the start)")  # fmt: skip


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=0.05)
    seconds = max(61, round(3600 * parser.parse_args().hours))
    with tempfile.TemporaryDirectory() as folder:
        recording(Path(folder), seconds)
        reading(Path(folder), seconds)
        live(Path(folder))


if __name__ == "__main__":
    main()
