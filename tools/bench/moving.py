"""Procedures that look at motion: ramps, travel limits, step and following."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag, Refusal
from ringlet.tools.bench import derivative, ramp, response
from ringlet.tools.bench.result import Curve, Measurement, Plot, Quantity, Verdict, at_most, finished
from ringlet.tools.bench.session import Bench, Record, Script
from ringlet.tools.errors import DeviceRefused

STREAM_HZ: Final = 100.0
FILTER_SOURCE: Final = "Savitzky and Golay, Analytical Chemistry 36 (1964) 1627, doi 10.1021/ac60214a047"
TELEMETRY: Final = "telemetry of the node, positions to 0.001 deg, on its own clock"


def measure_ramp(bench: Bench) -> Measurement:
    """A family of moves over distance, velocity, acceleration and jerk."""
    low, high = bench.travel
    span, base, count = high - low, bench.limits, bench.count_deg
    family: tuple[tuple[str, float, dict[str, float]], ...] = (
        ("short", 0.03, {}), ("middle", 0.25, {}), ("long", 0.85, {}),
        ("half velocity", 0.5, {"velocity-limit": base.velocity / 2}),
        ("half acceleration", 0.5,
         {"acceleration-limit": base.acceleration / 2, "deceleration-limit": base.deceleration / 2}),
        ("half jerk", 0.5, {"jerk-limit": base.jerk / 2}),
    )  # fmt: skip
    bench.fresh()
    shown: list[tuple[str, ramp.MotionLimits, ramp.MoveFigures]] = []
    records: dict[str, Record] = {}
    for name, share, changes in family:
        bench.run(bench.go(low + (0.5 - share / 2) * span))
        for key, value in changes.items():
            bench.change(key, value)
        limits = bench.limits

        def script(to: float = low + (0.5 + share / 2) * span) -> Script:
            yield from bench.pause(0.05)
            yield from bench.go(to, settle_s=0.25)

        records[name] = record = bench.record(script())
        bench.restore()
        if bench.trouble:
            break
        blur = record.interval_s if bench.polled else 0.0
        try:
            figures = ramp.move_figures(*record[:3], limits, count, bench.acceptance.end_error_deg, blur)
        except ValueError as error:
            bench.trouble = f"{error} in the move {name!r}"
            break
        shown.append((name, limits, figures))
    verdicts = [finished("moves", bench.trouble)]
    quantities: list[Quantity] = []
    if shown:
        tick = 2.0 * max(records[name].interval_s for name, _, _ in shown)
        quantities, judged = _ramp_figures(bench, shown, tick)
        verdicts += judged
    plots = tuple(_ramp_plot(name, limits, records[name]) for name, limits, _ in shown if name in ("long", "half jerk"))
    return Measurement(
        "ramp", "Ramps against their limits", tuple(quantities), tuple(verdicts),
        {name: record.columns() for name, record in records.items()}, plots,
    )  # fmt: skip


def _ramp_figures(
    bench: Bench, shown: list[tuple[str, ramp.MotionLimits, ramp.MoveFigures]], tick: float
) -> tuple[list[Quantity], list[Verdict]]:
    quantities, verdicts = [], []
    units = {"velocity": "deg/s", "acceleration": "deg/s2", "deceleration": "deg/s2", "jerk": "deg/s3"}
    for key, unit in units.items():
        # Judged is the move that comes closest to its limit, which may be a lowered one; figures are those of the
        # greatest, so that two runs show the same move.
        name, limits, figures = max(shown, key=lambda one: one[2].setpoint[key].value / getattr(one[1], key))
        peak = figures.setpoint[key]
        verdicts.append(_of_move(name, at_most(
            f"setpoint {key}", peak.value, getattr(limits, key), unit, peak.bound
        )))  # fmt: skip
        name, limits, figures = max(shown, key=lambda one: one[2].ring[key].value / getattr(one[1], key))
        real = figures.ring[key]
        greatest = (
            (f"setpoint {key}", max((one[2].setpoint[key] for one in shown), key=lambda peak: peak.value)),
            (f"ring {key}", max((one[2].ring[key] for one in shown), key=lambda peak: peak.value)),
        )
        for what, one in greatest:
            quantities.append(Quantity(
                what, one.value, unit, one.bound,
                f"greatest of all moves; window {one.window_s * 1e3:.0f} ms, {one.bandwidth_hz:.1f} Hz; hard bound up",
                FILTER_SOURCE,
            ))  # fmt: skip
        if key == "velocity":
            allowed = (1.0 + bench.acceptance.ring_velocity_over) * limits.velocity
            verdicts.append(_of_move(name, at_most("ring velocity", real.value, allowed, unit, real.bound)))
    name, _, figures = max(shown, key=lambda one: one[2].duration_s - one[2].ideal_s)
    late = figures.duration_s - figures.ideal_s
    verdicts.append(_of_move(name, at_most("time over the ideal", late, bench.acceptance.duration_over_s, "s", tick)))
    worst = max((one[2].end_error_deg for one in shown), key=abs)
    verdicts.append(
        at_most("rest beside the target", abs(worst), bench.acceptance.end_error_deg, "deg", bench.count_deg)
    )
    lag = max(one[2].worst_following_deg for one in shown)
    verdicts.append(at_most("following error", lag, bench.acceptance.following_deg, "deg", bench.count_deg))
    quantities += [
        Quantity("time over the ideal", late, "s", tick, "setpoint against the reference ramp", TELEMETRY),
        Quantity("settling after arrival", max(one[2].settle_s for one in shown), "s", tick,
                 f"ring within {bench.acceptance.end_error_deg:g} deg of the target", TELEMETRY),
        Quantity("greatest following error", lag, "deg", bench.count_deg,
                 "setpoint less position, same sample", TELEMETRY),
    ]  # fmt: skip
    return quantities, verdicts


def _of_move(name: str, verdict: Verdict) -> Verdict:
    """Says which move was judged; in the text, for `report compare` goes by names of checks."""
    return replace(verdict, text=f"{verdict.text} (move: {name})")


def _ramp_plot(name: str, limits: ramp.MotionLimits, record: Record) -> Plot:
    rate, time, (setpoint, position) = derivative.even_grid(record.time_s, record.setpoint_deg, record.position_deg)
    first = derivative.filter_for(1, rate, ramp.SETPOINT_STEP_DEG, limits.velocity)
    curves = (Curve("setpoint", time, first(setpoint)), Curve("ring", time, first(position)))
    return Plot(f"Velocity, {name}", "time, s", "velocity, deg/s", curves, (("velocity limit", limits.velocity),))


# --- travel limits -------------------------------------------------------------------------------------------------


def measure_limit(bench: Bench) -> Measurement:
    """Each travel limit from far, near and at full speed, by move, run and stream, with limits changed on the way."""
    low, high = bench.travel
    span, count, accept = high - low, bench.count_deg, bench.acceptance
    bench.fresh()
    records: dict[str, Record] = {}
    verdicts: list[Verdict] = []
    past_setpoint = past_ring = short = float("nan")  # what no approach shows does not pass
    for end, sign, limit in (("lower", -1.0, low), ("upper", 1.0, high)):
        for name, back in (("far move", 0.6), ("near move", 0.02), ("run", 0.6), ("stream", 0.3)):
            bench.run(bench.go(limit - sign * back * span))
            if bench.trouble:
                break
            flags: list[int] = []
            record = bench.record(_approach(bench, name, limit, sign, flags))
            bench.restore()
            records[f"{end}, {name}"] = record
            if len(record.time_s):
                past_setpoint = float(np.fmax(past_setpoint, max(0.0, np.max(sign * (record.setpoint_deg - limit)))))
                past_ring = float(np.fmax(past_ring, max(0.0, np.max(sign * (record.position_deg - limit)))))
                short = float(np.fmax(short, abs(record.position_deg[-1] - limit)))
            if name == "stream":
                clamped = any(bits >> Flag.CLAMPED & 1 for bits in flags)
                verdicts.append(Verdict(
                    f"{end} limit: stream past it is flagged", clamped, None, None, "",
                    "the clamped flag was set" if clamped else "the clamped flag was not set",
                ))  # fmt: skip
        verdicts.append(_refused(bench, f"{end} limit: move past it is refused", limit + sign * 1.0, int(sign > 0)))
    verdicts[:0] = [
        finished("approaches", bench.trouble),
        at_most("setpoint past a limit", past_setpoint, 0.0, "deg", ramp.SETPOINT_STEP_DEG / 2),
        at_most("ring past a limit", past_ring, accept.past_travel_deg, "deg", count),
        at_most("rest away from the limit", short, accept.end_error_deg, "deg", count),
    ]
    how = "greatest over all approaches, from far, near, by run and by stream"
    quantities = (
        Quantity("setpoint past a limit", past_setpoint, "deg", ramp.SETPOINT_STEP_DEG / 2, how, TELEMETRY),
        Quantity("ring past a limit", past_ring, "deg", count, how, TELEMETRY),
        Quantity("rest away from the limit", short, "deg", count, how, TELEMETRY),
    )
    curves = tuple(
        Curve(name, record.time_s, record.position_deg) for name, record in records.items() if name.startswith("upper")
    )
    plots = (Plot("Approach of the upper limit", "time, s", "position, deg", curves, (("travel limit", high),)),)
    return Measurement(
        "limit", "Travel limits", quantities, tuple(verdicts),
        {name: record.columns() for name, record in records.items()}, plots,
    )  # fmt: skip


def _approach(bench: Bench, name: str, limit: float, sign: float, flags: list[int]) -> Script:
    yield from bench.pause(0.02)
    base = bench.limits
    match name:
        case "run":
            bench.handle.run(sign * base.velocity)
            yield from bench.at_rest()
        case "stream":
            # The setpoint goes on to 3 degrees past the limit at a third of full speed.
            place, step = bench.handle.position(), sign * base.velocity / 3 / STREAM_HZ
            while sign * (place - limit) < 3.0:
                place += step
                _stream(bench, place)
                yield from bench.pause(1 / STREAM_HZ)
            for _ in range(15):
                _stream(bench, place)
                yield from bench.pause(1 / STREAM_HZ)
            flags.append(bench.handle.status().flags)
            yield from bench.halt()
        case _:
            bench.handle.move(limit, wait=False)
            if name == "far move":
                yield from bench.pause(0.15)
                bench.change("velocity-limit", base.velocity / 2)
                bench.change("deceleration-limit", base.deceleration / 2)
            yield from bench.at_rest()
    yield from bench.pause(0.15)


def _stream(bench: Bench, deg: float) -> None:
    bench.heed.look()
    bench.link.send(m.StreamRing(0, round(1000 * deg)), node=bench.handle.node, axis=bench.handle.axis)


def _refused(bench: Bench, name: str, target: float, item: int) -> Verdict:
    try:
        bench.handle.move(target, wait=False)
    except DeviceRefused as error:
        right = error.code == Refusal.PAST_TRAVEL and error.item == item
        return Verdict(name, right, None, None, "", f"refused: {error}")
    bench.run(bench.halt())
    return Verdict(name, False, None, None, "", "the move was accepted, and was stopped by the bench")


# --- step and following ----------------------------------------------------------------------------------------------


def measure_step(bench: Bench) -> Measurement:
    """Steps of three sizes, constant velocity, a sine, and a chirp for the frequency response."""
    low, high = bench.travel
    span, middle, count, limits = high - low, 0.5 * (low + high), bench.count_deg, bench.limits
    bench.fresh()
    records: dict[str, Record] = {}
    quantities: list[Quantity] = []
    overs: list[tuple[float, float]] = []
    source = "IEEE Std 181 (from memory)"
    for share in (0.01, 0.05, 0.2):
        # A name without the size in degrees, which follows the travel found: two runs are compared by names.
        size, name = share * span, f"step of {100 * share:g} % of the travel"
        bench.run(bench.go(middle - size / 2))

        def step(to: float = middle + size / 2) -> Script:
            yield from bench.pause(0.03)
            yield from bench.go(to, settle_s=0.3)

        records[name] = record = bench.record(step())
        if bench.trouble:
            break
        moved = np.nonzero(np.diff(record.setpoint_deg))[0]
        if not len(moved):
            bench.trouble = f"the setpoint did not move in the {name}"
            break
        begin, tick = int(moved[0]), 2.0 * record.interval_s
        last = float(record.setpoint_deg[-1])
        found = response.step_figures(
            record.time_s[begin:], record.position_deg[begin:], float(record.setpoint_deg[0]), last
        )
        blur = 2.0 * count / size
        overs.append((100 * found.overshoot, 100 * blur))
        quantities += [
            Quantity(f"{name}: transition duration", found.rise_s, "s", tick,
                     f"10 to 90 per cent of {size:.1f} deg", source),
            Quantity(f"{name}: overshoot", 100 * found.overshoot, "%", 100 * blur, "of the step", source),
            Quantity(f"{name}: settling duration", found.settling_s, "s", tick,
                     "to 2 per cent of the step, from the setpoint's first motion (the standard counts from half way)",
                     source),
        ]  # fmt: skip
    verdicts = [finished("steps", bench.trouble)]
    if overs:
        over, doubt = max(overs, key=lambda one: one[0] - one[1])
        verdicts.append(at_most("overshoot", over, 100 * bench.acceptance.overshoot, "%", doubt))
    if not bench.trouble:
        _follow(bench, low + 0.1 * span, high - 0.1 * span, limits, records, quantities, verdicts)
    plots: tuple[Plot, ...] = ()
    notes = [
        "Friction makes the frequency response depend on the amplitude: it is 40 per cent of what the motion limits "
        "allow, so it falls with the frequency, and at a fraction of a degree the ring sticks."
    ]
    if not bench.trouble:
        plots = _frequency(bench, middle, span, limits, records, quantities, notes)
    verdicts[0] = finished("steps, sine and chirp", bench.trouble)
    return Measurement(
        "step", "Step and following", tuple(quantities), tuple(verdicts),
        {name: record.columns() for name, record in records.items()}, plots, tuple(notes),
    )  # fmt: skip


def _follow(
    bench: Bench, begin: float, end: float, limits: ramp.MotionLimits,
    records: dict[str, Record], quantities: list[Quantity], verdicts: list[Verdict],
) -> None:  # fmt: skip
    speed = min(limits.velocity / 2, 0.4 * (end - begin) / 0.6)
    bench.run(bench.go(begin))
    records["constant velocity"] = record = bench.record(bench.go(end, speed))
    if bench.trouble:
        return
    try:
        steady = response.steady_part(record.time_s, record.setpoint_deg)
    except ValueError as error:
        verdicts.append(finished("constant velocity", str(error)))
        return
    off = (record.setpoint_deg - record.position_deg)[steady]
    worst = float(np.max(np.abs(off)))
    quantities += [
        Quantity("following error, constant velocity, mean", float(off.mean()), "deg", bench.count_deg,
                 f"at {speed:.3g} deg/s", TELEMETRY),
        Quantity("following error, constant velocity, greatest", worst, "deg", bench.count_deg,
                 f"at {speed:.3g} deg/s", TELEMETRY),
    ]  # fmt: skip
    verdicts.append(at_most("following error", worst, bench.acceptance.following_deg, "deg", bench.count_deg))


class _Shape:
    """A sine from one frequency to another, its amplitude cut so that velocity, acceleration and jerk keep limits."""

    def __init__(
        self, low_hz: float, high_hz: float, seconds: float, most_deg: float, limits: ramp.MotionLimits
    ) -> None:
        self.low, self.high, self.seconds, self.most, self.limits = low_hz, high_hz, seconds, most_deg, limits

    def __call__(self, at: float) -> float:
        ratio = self.high / self.low
        if ratio == 1.0:
            turns, now = self.low * at, self.low
        else:  # logarithmic: equal time for each octave
            now = self.low * ratio ** (at / self.seconds)
            turns = self.low * self.seconds / np.log(ratio) * (ratio ** (at / self.seconds) - 1.0)
        w = 2 * np.pi * now
        by_limits = 0.4 * min(self.limits.velocity / w, self.limits.acceleration / w**2, self.limits.jerk / w**3)
        return float(min(self.most, by_limits) * np.sin(2 * np.pi * turns))


def _wave(bench: Bench, middle: float, seconds: float, shape: _Shape) -> Script:
    clock = bench.link.clock
    start = clock.now()
    while (at := clock.now() - start) < seconds:
        _stream(bench, middle + shape(at))
        yield from bench.pause(0.5 / STREAM_HZ)
    yield from bench.halt()


def _frequency(
    bench: Bench, middle: float, span: float, limits: ramp.MotionLimits,
    records: dict[str, Record], quantities: list[Quantity], notes: list[str],
) -> tuple[Plot, ...]:  # fmt: skip
    most = 0.1 * span
    bench.run(bench.go(middle))
    if bench.trouble:
        return ()
    records["sine"] = record = bench.record(_wave(bench, middle, 3.0, _Shape(1.0, 1.0, 3.0, most, limits)))
    if bench.trouble:
        return ()
    inside = record.part(1.0, 2.9)
    wanted, at, _ = response.sine_fit(inside.time_s, inside.setpoint_deg, 1.0)
    if wanted < 10 * ramp.SETPOINT_STEP_DEG:
        bench.trouble = "the setpoint did not follow the stream of the sine"
        return ()
    got, there, _ = response.sine_fit(inside.time_s, inside.position_deg, 1.0)
    lag = float(np.degrees((at - there + np.pi) % (2 * np.pi) - np.pi))
    worst = float(np.max(np.abs(inside.setpoint_deg - inside.position_deg)))
    how = f"stream of a sine of 1 Hz and {wanted:.2f} deg"
    fit = "three-parameter sine fit for a known frequency, IEEE Std 1057"
    quantities += [
        Quantity("sine: amplitude, ring over setpoint", got / wanted, "", bench.count_deg / wanted, how, fit),
        Quantity("sine: ring behind setpoint", lag, "deg of phase",
                 float(np.degrees(bench.count_deg / wanted)), how, fit),
        Quantity("sine: greatest following error", worst, "deg", bench.count_deg, how, TELEMETRY),
    ]  # fmt: skip
    bench.run(bench.go(middle))
    if bench.trouble:
        return ()
    records["chirp"] = record = bench.record(_wave(bench, middle, 8.0, _Shape(0.5, 20.0, 8.0, most, limits)))
    if bench.trouble:
        return ()
    try:
        found = response.bode(*record[:3], 0.5, 20.0)
    except ValueError as error:
        notes.append(f"No frequency response: {error}.")
        return ()
    quantities.append(Quantity(
        "bandwidth, -3 dB", found.bandwidth_hz, "Hz", found.bandwidth_u_hz,
        "chirp 0.5 to 20 Hz, ring over setpoint; not a number means beyond what the chirp reaches",
        "H1 estimate (from memory); spectra: Welch 1967, as documented with scipy.signal.welch",
    ))  # fmt: skip
    gain = Curve("ring over setpoint", found.frequency_hz, found.magnitude_db)
    phase = Curve("ring over setpoint", found.frequency_hz, found.phase_deg)
    return (
        Plot("Frequency response, magnitude", "frequency, Hz", "magnitude, dB", (gain,), (("-3 dB", -3.0),), True),
        Plot("Frequency response, phase", "frequency, Hz", "phase, deg", (phase,), (), True),
    )
