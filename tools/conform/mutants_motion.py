"""Broken motors: mistakes in motion and its limits."""

from __future__ import annotations

from typing import Any

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.states import State
from ringlet.tools.conform.bed import Bed, mutant, wrap

LIMITS = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")


def _ramp_limits(bed: Bed, change: Any) -> None:
    """Other limits than the settings' in the ramp."""

    def apply(go: Any) -> None:
        go()
        bed.axis.ramp.limits = change(bed.axis.ramp.limits)

    wrap(bed.axis, "_apply_settings", apply)


@mutant("velocity-over", "the velocity limit is passed by five per cent", "LIMIT-01")
def _(bed: Bed) -> None:
    _ramp_limits(bed, lambda limits: limits._replace(velocity=1.05 * limits.velocity))


@mutant("deceleration-for-acceleration", "the deceleration limit is used while speed grows", "LIMIT-02")
def _(bed: Bed) -> None:
    _ramp_limits(bed, lambda limits: limits._replace(acceleration=limits.deceleration))


@mutant("acceleration-for-deceleration", "the acceleration limit is used while speed falls", "LIMIT-03")
def _(bed: Bed) -> None:
    _ramp_limits(bed, lambda limits: limits._replace(deceleration=limits.acceleration))


@mutant("jerk-one-way", "the jerk limit is ignored in moves downwards", "LIMIT-04")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        ramp = bed.axis.ramp
        if event == "move":
            down = body.position < ramp.position
            jerk = 1000 * bed.axis.settings["jerk-limit"]
            ramp.limits = ramp.limits._replace(jerk=20 * jerk if down else jerk)
        go(event, body, source)

    wrap(bed.axis, "do", do)


@mutant("new-target-from-rest", "a new target in motion starts a ramp from rest", "LIMIT-05")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        if event == "move" and bed.axis.state is State.MOVING:
            bed.axis.ramp.reset(bed.axis.ramp.position)
        go(event, body, source)

    wrap(bed.axis, "do", do)


@mutant("limit-with-next-move", "a changed limit is in force with the next move", "LIMIT-06")
def _(bed: Bed) -> None:
    def apply(go: Any) -> None:
        if bed.axis.ramp.at_rest:
            go()

    go = bed.axis._apply_settings
    wrap(bed.axis, "_apply_settings", apply)

    def do(proceed: Any, event: str, body: Any, source: int) -> None:
        if bed.axis.ramp.at_rest:
            go()
        proceed(event, body, source)

    wrap(bed.axis, "do", do)


@mutant("speed-not-read", "the speed of a move is not read", "LIMIT-07")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body._replace(speed=0) if event == "move" else body, source)

    wrap(bed.axis, "do", do)


@mutant("creeping", "the ramp works with half of its acceleration", "LIMIT-08")
def _(bed: Bed) -> None:
    _ramp_limits(bed, lambda limits: limits._replace(
        acceleration=limits.acceleration / 2, deceleration=limits.deceleration / 2))  # fmt: skip


@mutant("fast-before-calibration", "before calibration `run` is not cut to `finding-speed`", "LIMIT-09")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body, source)
        if event == "run":
            bed.axis.ramp.run(body.velocity)

    wrap(bed.axis, "do", do)


@mutant("torque-limit-ignored", "the drive has a torque limit of its own", "LIMIT-10")
def _(bed: Bed) -> None:
    bed.axis.torque_limit = lambda: 400.0  # type: ignore[method-assign]


@mutant("load-of-the-motor", "`load` is a share of the motor's greatest torque", "LIMIT-11")
def _(bed: Bed) -> None:
    bed.on_body(m.Drive, lambda body: body._replace(load=min(255, abs(body.current) // 25)))


@mutant("stops-short", "a move ends one count before its target", "MOVE-01")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body._replace(position=body.position - 1) if event == "move" else body, source)

    wrap(bed.axis, "do", do)


@mutant("on-target-forgotten", "the flag `on_target` is never set", "MOVE-01")
def _(bed: Bed) -> None:
    bed.on_body(m.Status, lambda body: body._replace(flags=body.flags & ~(1 << Flag.ON_TARGET)))


@mutant("limit-off-by-one", "one count past the travel limit is allowed", "MOVE-02")
def _(bed: Bed) -> None:
    def may(go: Any, event: str, body: Any) -> Any:
        if event in ("move", "stage") and body.position == bed.axis.travel[1] + 1:
            body = body._replace(position=body.position - 1)
        return go(event, body)

    wrap(bed.axis, "may", may)


@mutant("limit-itself-refused", "a move to the travel limit itself is refused", "MOVE-02")
def _(bed: Bed) -> None:
    def may(go: Any, event: str, body: Any) -> Any:
        if event in ("move", "stage") and bed.axis.calibrated and body.position == bed.axis.travel[1]:
            body = body._replace(position=body.position + 1)
        return go(event, body)

    wrap(bed.axis, "may", may)


@mutant("past-travel-item", "the refusal does not say which limit", "MOVE-02")
def _(bed: Bed) -> None:
    def may(go: Any, event: str, body: Any) -> Any:
        no = go(event, body)
        return no._replace(item=0) if no is not None and no.code is Refusal.PAST_TRAVEL else no

    wrap(bed.axis, "may", may)


@mutant("run-stops-short", "a run ends before the travel limit", "MOVE-03")
def _(bed: Bed) -> None:
    def tick(go: Any) -> None:
        axis = bed.axis
        if axis.state is State.RUNNING and axis.calibrated:
            low, high = axis.travel
            stop = axis.ramp.stopping_point()
            if stop > high - 50 or stop < low + 50:
                axis.ramp.stop()
        go()

    wrap(bed.axis, "tick", tick)


@mutant("stream-past-the-travel", "streamed setpoints are not cut to the travel", "MOVE-04")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body, source)
        if event == "stream-ring":
            bed.axis.ramp.travel = None
            bed.axis.ramp.move(body.position)

    wrap(bed.axis, "do", do)


@mutant("clamped-not-flagged", "a cut setpoint is not flagged", "MOVE-04")
def _(bed: Bed) -> None:
    bed.on_body(m.Status, lambda body: body._replace(flags=body.flags & ~(1 << Flag.CLAMPED)))


@mutant("share-of-65536", "shares of the travel are scaled by 65536", "MOVE-05")
def _(bed: Bed) -> None:
    def share(go: Any, count: int) -> int:
        low, high = bed.axis.travel
        return int(low + (high - low) * count // 65536)

    wrap(bed.axis, "ring_of_share", share)


@mutant("velocity-unsigned", "the velocity is told without its sign", "MOVE-06")
def _(bed: Bed) -> None:
    bed.on_body(m.Motion, lambda body: body._replace(velocity=abs(body.velocity)))


@mutant("reference-moves-the-ring", "`set-reference` renames the ring and not the setpoint", "MOVE-07")
def _(bed: Bed) -> None:
    def rename(go: Any, shift: int) -> None:
        place = bed.axis.ramp.position
        go(shift)
        bed.axis.ramp.reset(round(place))

    wrap(bed.axis, "_rename", rename)
