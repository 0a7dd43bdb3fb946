"""Reading to ring: how late the ring of a simulated rig is behind an invented subject, and what the live loop costs.

Run: python tests/benchmarks/bench_drive.py [--seconds 20]. A subject walks to and fro; readings are 40 ms old when they
come. Printed for each bus: the lag from the moment at which a reading was made to the moment at which the ring stood
there, without and with prediction, and their ratio; the same against the true subject; and how many times as fast as
the wall clock loop and rig together run. Time on the bus is virtual, so the lags are the same on every machine.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.tools.link import Link
from ringlet.tools.rig.latency import lag_s
from ringlet.tools.rig.rangefocus import Tuning
from ringlet.tools.rig.session import STEP_S, Session
from ringlet.tools.rig.setup import Builder, Wish
from ringlet.tools.rig.smooth import FOLLOW_S
from ringlet.tools.sim_bus import bus_from
from ringlet.tools.transports import SimTransport

BUSES = {"ideal": {}, "can 500k": {"bus": "can"}, "serial 115200": {"bus": "serial"}}
WALK = {"points": [[0.0, 5.0], [3.0, 1.2], [6.0, 5.0]], "again": True}


def rig_file() -> RigFile:
    """One motor of the pair with its sensor; noise and outliers as shipped, no gaps."""
    pair = load_rig("pair")
    board = pair.nodes[0]
    axis = board.axes[0].model_copy(update={"ring_start_deg": 140.0})
    sensor = type(pair.ranges[0]).model_validate(pair.ranges[0].model_dump() | {"gaps": [], "subject": WALK})
    return pair.model_copy(update={
        "nodes": [board.model_copy(update={"axes": [axis]})], "pairs": [], "controls": [], "ranges": [sensor],
    })  # fmt: skip


def run(options: dict[str, str], tuning: Tuning, seconds: float) -> tuple[float, float, float]:
    """(lag behind readings, lag behind the subject, times real time)."""
    bus, mangler = bus_from(options, 0, "benchmark")
    transport = SimTransport(SimRig(rig_file(), bus=bus, mangler=mangler))
    with Link.over(transport, transport.clock) as link:
        handle = link.axis(16, 0)
        handle.take()
        link.request(m.SetReference(0, 140_000), node=16, axis=0)
        handle.set("travel-min", 1.0)
        handle.set("travel-max", 300.0)
        seats = Builder(link, transport.rig.rig, Wish(ranged=True)).seats({16: [0]})
        session = Session(link, seats, tuning=tuning)
        session.start()
        sensor = transport.rig.ranges["range sensor"]
        sensor.begin_s = link.clock.now()
        begun = time.process_time()
        session.run(seconds)
        cost = time.process_time() - begun
        lag = session.lag_s()
        curve = seats[0].curve
        assert lag is not None
        assert curve is not None
        times, ring = np.array(seats[0].rings["16.0"]).T
        kept = (ring >= curve.low_deg) & (ring <= curve.high_deg)
        ticks = np.arange(2.0, seconds - 1.1, 0.01)
        truth = np.array([1.0 / sensor.entry.subject.at(float(one)) for one in ticks])
        behind = lag_s(ticks, truth, times[kept], curve.scale_at(ring[kept]))
        assert behind is not None
        session.close()
    return lag, behind, seconds / cost


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    seconds = parser.parse_args().seconds
    print(f"{'bus':14} {'no prediction':>16} {'predicted':>12} {'ratio':>7} {'subject':>10} {'x real time':>12}")
    for name, options in BUSES.items():
        blind, _, _ = run(options, Tuning(reach_s=0.0), seconds)
        ahead, behind, speed = run(options, Tuning(ahead_s=FOLLOW_S), seconds)
        print(
            f"{name:14} {1000 * blind:13.0f} ms {1000 * ahead:9.0f} ms {abs(ahead) / blind:7.2f} "
            f"{1000 * behind:7.0f} ms {speed:12.1f}"
        )
    print(f"One step is {1000 * STEP_S:.0f} ms; readings are 40 ms old; {1000 * FOLLOW_S:.0f} ms are looked ahead.")


if __name__ == "__main__":
    main()
