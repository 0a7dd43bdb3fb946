"""Checks of limits and ramps, by the motion that the node's telemetry shows."""

from __future__ import annotations

from typing import Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Fault, Flag, Refusal
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import State
from ringlet.tools.conform.probe import POLL, Broken, Probe, Samples, Skip, state_name
from ringlet.tools.conform.span import Span, judge, limits_of, motion
from ringlet.tools.conform.table import Level, check

PLACE: Final = "motion-limits-and-ramps"
STILL: Final = (State.HOLDING, State.RELEASED, State.FAULTED)


def _move(p: Probe, span: Span, target: int, speed: int = 0) -> Samples:
    def script() -> None:
        p.hear(0.02)
        p.must(m.Move(0, target, speed))
        p.until_state(*STILL, seconds=30.0)
        p.hear(0.05)

    return p.record(script)


def _both_ways(p: Probe, key: str) -> None:
    with motion(p) as span:
        span.go_low()
        if key == "acceleration":  # the other limit is the higher one, so that it shows when it is taken
            high, low = (p.get(name) for name in ("acceleration-limit", "deceleration-limit"))
            p.set("acceleration-limit", min(high, low))
            p.set("deceleration-limit", max(high, low))
        for target, way in ((span.high, "upwards"), (span.low, "downwards")):
            judge(p, _move(p, span, target), f"a move {way}", key)


def _limit(number: int, key: str, name: str, likely: str) -> None:
    check(
        f"LIMIT-{number:02}", PLACE, f"Motion never exceeds `{name}`, in both directions.", likely, level=Level.SPAN,
        needs="speaks",
    )(lambda p: _both_ways(p, key))  # fmt: skip


_limit(1, "velocity", "velocity-limit", "The limit is applied to the target and not to the ramp.")
_limit(2, "acceleration", "acceleration-limit", "The deceleration limit is used while speed grows, or another unit.")
_limit(3, "deceleration", "deceleration-limit", "The acceleration limit is used while speed falls.")
_limit(4, "jerk", "jerk-limit", "The acceleration is switched, and not ramped, in one direction or at one end.")


@check("LIMIT-05", PLACE, "A new target in motion keeps all limits, also when the way turns round.",
       "The ramp starts anew from rest, or reverses at once.", level=Level.SPAN, needs="speaks")  # fmt: skip
def new_target(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()

        def script() -> None:
            p.hear(0.02)
            p.must(m.Move(0, span.high, 0))
            p.hear(0.35)
            p.must(m.Move(0, span.low, 0))
            p.until_state(*STILL, seconds=30.0)
            p.hear(0.05)

        samples = p.record(script)
        judge(p, samples, "a move that turns round", "velocity", "jerk")
        _in_span(p, span, samples)


def _in_span(p: Probe, span: Span, samples: Samples) -> None:
    for name, value, limit, sign in (("lower", min(samples.setpoint_deg), span.low, -1),
                                     ("upper", max(samples.setpoint_deg), span.high, 1)):  # fmt: skip
        over = sign * (round(1000 * value) - limit)
        p.check(over <= 0, f"the setpoint went {over} counts past the {name} travel limit of {limit}")


@check("LIMIT-06", PLACE, "A limit that is lowered in motion is in force at once, and the axis returns inside it.",
       "Limits are taken over with the next move only.", level=Level.SPAN, needs="speaks")  # fmt: skip
def lowered(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()
        half = max(1000, span.speed // 3)

        def script() -> None:
            p.must(m.Move(0, span.high, 0))
            p.hear(0.3)
            p.set("velocity-limit", half)
            p.until_state(*STILL, seconds=30.0)
            p.hear(0.02)

        samples = p.record(script)
        judge(p, samples, "a limit lowered in motion", "deceleration", "jerk")
        _in_span(p, span, samples)
        middle = [i for i, value in enumerate(samples.setpoint_deg) if value > (span.low + 3 * span.high) / 4000]
        if len(middle) < 2:
            raise Broken("the move did not go on after the limit was lowered")
        first, last = middle[0], middle[-1]
        speeds = [
            (samples.setpoint_deg[i + 1] - samples.setpoint_deg[i]) / (samples.time_s[i + 1] - samples.time_s[i])
            for i in range(first, last)
        ]
        most = sorted(speeds)[len(speeds) // 2]
        p.check(most <= 1.02 * half / 1000, f"in the last quarter the speed is {most:.4g} deg/s; the limit is "
                f"{half / 1000:g} since 0.3 s after the start")  # fmt: skip


@check("LIMIT-07", PLACE, "`move` keeps its own `speed`, and `run` is cut to the velocity limit.",
       "The speed field is not read, or read in other units.", level=Level.SPAN, needs="speaks")  # fmt: skip
def own_speed(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()
        slow = max(1000, span.speed // 3)
        samples = _move(p, span, span.middle, slow)
        fastest = _fastest(samples)
        p.check(fastest <= 1.03 * slow / 1000 + 0.3, f"a move at {slow / 1000:g} deg/s reached {fastest:.4g}")
        p.check(fastest >= 0.9 * slow / 1000, f"a move at {slow / 1000:g} deg/s reached only {fastest:.4g}")
        span.go_low()

        def script() -> None:
            p.must(m.Run(0, 8_000_000))
            p.until_state(*STILL, seconds=30.0)
            p.hear(0.02)

        judge(p, p.record(script), "run at more than the limit", "velocity", "acceleration", "jerk")


def _fastest(samples: Samples) -> float:
    """Greatest speed over about 20 ms, deg/s."""
    time, place = samples.time_s, samples.setpoint_deg
    step = max(1, round(0.02 / (time[1] - time[0])))
    return max(abs(place[i + step] - place[i]) / (time[i + step] - time[i]) for i in range(len(time) - step))


@check("LIMIT-08", PLACE, "A move takes not much longer than its limits allow.",
       "A limit is applied twice, or the ramp creeps at its end.", level=Level.SPAN, severity="should",
       needs="speaks")  # fmt: skip
def not_slow(p: Probe) -> None:
    from ringlet.tools.bench.ramp import ideal_duration

    with motion(p) as span:
        span.go_low()
        samples = _move(p, span, span.high)
        moving = [i for i in range(1, len(samples.time_s)) if samples.setpoint_deg[i] != samples.setpoint_deg[i - 1]]
        if not moving:
            raise Broken("the setpoint did not move")
        took = samples.time_s[moving[-1]] - samples.time_s[moving[0] - 1]
        limits = limits_of(p)
        ideal = ideal_duration(abs(samples.setpoint_deg[-1] - samples.setpoint_deg[0]), limits)
        p.check(took <= 1.05 * ideal + 0.02 + 2 / p.rate_hz(), f"the move took {took:.3f} s; its limits allow "
            f"{ideal:.3f} s")


@check("LIMIT-09", PLACE, "Before calibration `run` is cut to `finding-speed`, and no move is allowed.",
       "The calibration is looked at for moves only.", level=Level.SPAN, needs="speaks")  # fmt: skip
def uncalibrated(p: Probe) -> None:
    with motion(p) as span:
        span.go(span.middle)
        now = p.get("direction")
        for value in (1 - now, now):
            p.set("direction", value)
        if p.flag(Flag.CALIBRATED):
            raise Broken("a change of direction did not end the calibration")
        slow = 5_000
        p.set("finding-speed", slow)
        p.no(m.Move(0, p.position(), 0), Refusal.NOT_CALIBRATED, p.axis)

        def script() -> None:
            p.must(m.Run(0, span.speed))
            p.hear(0.4)
            p.must(m.Hold(0))
            p.until_state(*STILL)

        fastest = _fastest(p.record(script))
        p.check(fastest <= 1.05 * slow / 1000, f"before calibration run reached {fastest:.4g} deg/s; finding-speed is "
                f"{slow / 1000:g}")  # fmt: skip
        for name, value in (("travel-min", span.low), ("travel-max", span.high)):
            p.set(name, value)


@check("LIMIT-10", PLACE, "The torque limit in force is the parameter's: with the least one the motor does not turn "
    "the "
       "ring, and a stall or a following error is found.", "The drive has a limit of its own.", level=Level.SPAN,
       severity="should", needs="speaks")  # fmt: skip
def torque(p: Probe) -> None:
    with motion(p) as span:
        span.go(span.middle)
        p.set("torque-moving", BY_NAME["torque-moving"].lo)
        p.set("stall-time", 100)
        place = p.position()
        p.must(m.Move(0, span.high, max(1000, span.speed // 4)))
        p.until(lambda: p.state() in STILL, 15.0)
        p.hear(0.02)
        moved = abs(p.position() - place)
        p.check(moved < 1500, f"with a torque limit of 0.001 N.m the ring was turned by {moved / 1000:g} deg")
        status = p.status()
        p.check(status.fault in (Fault.STALL, Fault.FOLLOWING),
                f"the ring could not follow, and the axis is {state_name(status.state)} with fault "
                f"{status.fault}")  # fmt: skip
        p.set("torque-moving", min(150, BY_NAME["torque-moving"].default))
        p.must(m.ClearFault(0))


@check("LIMIT-11", "messages", "`load` is the torque as a share of the limit in force.",
       "The share is of the greatest torque, or the limit of another state is in force.", level=Level.SPAN,
       severity="should", needs="speaks")  # fmt: skip
def load(p: Probe) -> None:
    with motion(p) as span:
        span.go_low()
        full = p.get("torque-moving")
        shares: list[float] = []
        for limit in (full, full * 7 // 10):
            p.set("torque-moving", limit)
            ratios: list[float] = []
            for target in (span.high, span.low):
                p.must(m.Move(0, target, max(1000, span.speed // 4)))
                for _ in range(20):
                    p.hear(0.02)
                    body = p.must(m.Poll(0, POLL["drive"]))
                    if p.state() == State.MOVING and abs(body.current) > 100 and 0 < body.load < 100:
                        ratios.append(body.load / abs(body.current))
                p.until_state(*STILL, seconds=30.0)
            if len(ratios) < 8:
                raise Skip("the motor works too little here for its load to be read")
            shares.append(sorted(ratios)[len(ratios) // 2])
        change = shares[1] / shares[0]
        p.check(1.25 <= change <= 1.65, f"with 70 per cent of the torque limit the load for a current is {change:.2f} "
                "times as high; it should be 1.43")  # fmt: skip
