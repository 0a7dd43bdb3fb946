"""Procedure for latency: request to reply, setpoint to motion, jitter of the stream, and the node's clock."""

from __future__ import annotations

from typing import Final

import numpy as np

from ringlet.protocol import messages as m
from ringlet.protocol.codes import TIMING
from ringlet.tools.bench import latency
from ringlet.tools.bench.result import Columns, Curve, Measurement, Plot, Quantity, at_most, finished
from ringlet.tools.bench.session import LEAST_SAMPLES, Bench, Script
from ringlet.tools.errors import CheckFailed, NoAnswer

POLLS: Final = 200
CLOCKS: Final = 60
STEPS: Final = 10
STAMP_S: Final = 1e-6
"""The schema's resolution of a sample's time."""


def measure_latency(bench: Bench) -> Measurement:
    """Asks, listens, and makes small steps by stream."""
    link, node, axis = bench.link, bench.handle.node, bench.handle.axis
    bench.fresh()
    trips, lost = [], 0
    for _ in range(POLLS):
        began = link.clock.now()
        try:
            link.request(m.Poll(0, 0), node=node, axis=axis, retries=0)
        except NoAnswer:
            lost += 1
            continue
        trips.append(link.clock.now() - began)
        link.wait(0.003)
    sent, received, told = [], [], []
    for _ in range(CLOCKS):
        began = link.clock.now()
        answer: m.ClockIs = link.request(m.GetClock(0), node=node)
        sent.append(began)
        received.append(link.clock.now())
        told.append(answer.time / 1e6)
        link.wait(0.03)
    fit = latency.clock_fit(np.array(sent), np.array(received), np.array(told))
    low, high = bench.travel
    commands: list[float] = []
    bench.run(bench.go(0.5 * (low + high)))

    def steps() -> Script:
        yield from bench.pause(0.1)
        for number in range(STEPS):
            commands.append(link.clock.now())
            place = 0.5 * (low + high) + (1.0 if number % 2 == 0 else 0.0)
            link.send(m.StreamRing(0, round(1000 * place)), node=node, axis=axis)
            yield from bench.pause(0.3)
        yield from bench.halt()

    record = bench.record(steps())
    if len(record.time_s) < LEAST_SAMPLES:
        raise CheckFailed(str(bench.trouble))
    tick = record.interval_s
    # Commands on the node's clock, from the first sample on.
    at = np.array(commands) + fit.offset_s - bench.record_began_s
    to_setpoint = np.array([latency.first_motion(record.time_s, record.setpoint_deg, one, 0.0005) for one in at])
    to_ring = np.array(
        [latency.first_motion(record.time_s, record.position_deg, one, 1.5 * bench.count_deg) for one in at]
    )
    still = STEPS - int(np.count_nonzero(np.isfinite(to_ring)))
    rms, worst = latency.jitter(record.time_s, tick)
    grain = 0.001 if link.is_sim else 0.0001
    shown = latency.percentiles(np.array(trips)) if trips else {}
    verdicts = [
        finished("answers", f"{lost} of {POLLS} requests were not answered" if lost else bench.trouble),
        at_most("request to reply, 99 per cent", shown.get(99.0, float("nan")),
                TIMING["reply"].ms / 1e3 + 2 * link.transport.frame_time, "s", grain),
        finished("steps by stream", f"{still} of {STEPS} did not move the ring" if still else None),
    ]  # fmt: skip
    how, source = "tool's clock, polls of `motion`", "percentiles: Hyndman and Fan 1996, definition 7"
    quantities = [
        Quantity(f"request to reply, {share:g} per cent", value, "s", grain, how, source)
        for share, value in shown.items()
    ]
    blur = fit.offset_u_s + tick
    for name, values in (("setpoint to ramp", to_setpoint), ("setpoint to ring", to_ring)):
        seen = values[np.isfinite(values)]
        if len(seen):
            quantities.append(Quantity(
                f"{name}, median", float(np.median(seen)), "s", blur,
                f"{len(seen)} steps by stream, sent by the tool's clock, seen on the node's", "telemetry",
            ))  # fmt: skip
    quantities += [
        Quantity("telemetry interval", tick, "s", STAMP_S, "median, node's clock", "telemetry"),
        Quantity("telemetry jitter, rms", rms, "s", STAMP_S, "intervals less their median", "telemetry"),
        Quantity("telemetry jitter, greatest", worst, "s", STAMP_S, "intervals against their median", "telemetry"),
        Quantity("clock offset, node less tool", fit.offset_s, "s", fit.offset_u_s,
                 "shortest round trip; hard bound", "clock filter of RFC 5905 section 10"),
        Quantity("clock drift", fit.drift_ppm, "ppm", fit.drift_u_ppm, "straight line through the better half",
                 "least squares"),
    ]  # fmt: skip
    records: dict[str, Columns] = {
        "round trips": {"trip_s": np.array(trips)},
        "clock": {"sent_s": np.array(sent), "received_s": np.array(received), "node_s": np.array(told)},
        "steps": record.columns(),
    }
    counts, edges = np.histogram(1e3 * np.array(trips), bins=20) if trips else (np.zeros(1), np.zeros(2))
    bars = Curve("requests", 0.5 * (edges[1:] + edges[:-1]), counts.astype(np.float64), True)
    plots = (Plot("Request to reply", "time, ms", "number of requests", (bars,)),)
    return Measurement("latency", "Latency", tuple(quantities), tuple(verdicts), records, plots)
