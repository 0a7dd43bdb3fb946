"""Broken motors: mistakes in the state table, faults, stop, stage and sync, and the search for end stops."""

from __future__ import annotations

from typing import Any

from ringlet.hwsim.uploads import No
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import FAULTS, Fault, Refusal
from ringlet.protocol.states import State
from ringlet.tools.conform.bed import Bed, also, mutant, wrap

LIMITS = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")


@mutant("hold-does-not-power", "`hold` on a released axis is answered and does nothing", "STATE-01")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        if not (event == "hold" and bed.axis.state is State.RELEASED):
            go(event, body, source)

    wrap(bed.axis, "do", do)


@mutant("release-only-with-power", "`release` at rest leaves the drive on", "STATE-02")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        if not (event == "release" and bed.axis.state is State.HOLDING):
            go(event, body, source)

    wrap(bed.axis, "do", do)


def _always(bed: Bed, event_allowed: str, state: State) -> None:
    """A request that is not allowed in a state is answered as if it were, and does nothing."""

    def may(go: Any, event: str, body: Any) -> Any:
        no = go(event, body)
        return None if no is not None and event == event_allowed and bed.axis.state is state else no

    def do(go: Any, event: str, body: Any, source: int) -> None:
        if not (event == event_allowed and bed.axis.state is state):
            go(event, body, source)

    wrap(bed.axis, "may", may)
    wrap(bed.axis, "do", do)


@mutant("set-travel-while-moving", "the travel can be set by hand while moving", "STATE-03")
def _(bed: Bed) -> None:
    _always(bed, "set-travel", State.MOVING)


@mutant("find-while-running", "`find-stops` is granted while running", "STATE-04")
def _(bed: Bed) -> None:
    _always(bed, "find-stops", State.RUNNING)


@mutant("wrong-state-item", "`wrong-state` has the axis for its item", "STATE-05")
def _(bed: Bed) -> None:
    def may(go: Any, event: str, body: Any) -> Any:
        no = go(event, body)
        return no._replace(item=bed.axis.index) if no is not None and no.code is Refusal.WRONG_STATE else no

    wrap(bed.axis, "may", may)


@mutant("no-move-while-stopping", "a new move is refused until the axis is at rest", "STATE-06")
def _(bed: Bed) -> None:
    def may(go: Any, event: str, body: Any) -> Any:
        if event == "move" and bed.axis.state is State.STOPPING:
            return No(Refusal.WRONG_STATE, int(State.STOPPING))
        return go(event, body)

    wrap(bed.axis, "may", may)


@mutant("move-while-finding", "a move ends the search for end stops", "STATE-07")
def _(bed: Bed) -> None:
    _always(bed, "move", State.FINDING)


@mutant("fault-is-wrong-state", "in a fault requests are refused with `wrong-state`", "STATE-08")
def _(bed: Bed) -> None:
    def may(go: Any, event: str, body: Any) -> Any:
        no = go(event, body)
        if no is not None and no.code is Refusal.FAULTED and event != "clear-fault":
            return No(Refusal.WRONG_STATE, int(State.FAULTED))
        return no

    wrap(bed.axis, "may", may)


@mutant("moves-uncalibrated", "`stage` does not look whether the travel is known", "STATE-10")
def _(bed: Bed) -> None:
    def may(go: Any, event: str, body: Any) -> Any:
        no = go(event, body)
        return None if no is not None and no.code is Refusal.NOT_CALIBRATED and event == "stage" else no

    wrap(bed.axis, "may", may)


@mutant("fault-not-latched", "a fault is forgotten when its cause goes", "FAULT-01")
def _(bed: Bed) -> None:
    def tick(go: Any) -> None:
        go()
        if bed.axis.latched and not bed.axis.present:
            bed.axis.latched.clear()
            bed.axis.state = State.RELEASED if bed.axis.state is State.FAULTED else bed.axis.state

    wrap(bed.axis, "tick", tick)


@mutant("fault-not-told", "a fault is not told unasked", "FAULT-01")
def _(bed: Bed) -> None:
    wrap(bed.axis, "latch", lambda go, fault: also(go(fault), bed.axis.news.clear))


@mutant("cleared-with-cause", "`clear-fault` works while the cause is there", "FAULT-02")
def _(bed: Bed) -> None:
    def may(go: Any, event: str, body: Any) -> Any:
        return None if event == "clear-fault" else go(event, body)

    wrap(bed.axis, "may", may)


@mutant("stage-outlives-fault", "a staged move is still there after a fault", "FAULT-03")
def _(bed: Bed) -> None:
    kept: list[Any] = [None]

    def latch(go: Any, fault: Fault) -> None:
        kept[0] = bed.axis.staged or kept[0]
        go(fault)

    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body, source)
        if event == "clear-fault" and kept[0] is not None:
            bed.axis.staged, kept[0] = kept[0], None

    wrap(bed.axis, "latch", latch)
    wrap(bed.axis, "do", do)


@mutant("fault-goes-on", "after a fault is cleared the axis goes on where it was going", "FAULT-03")
def _(bed: Bed) -> None:
    target: list[Any] = [None]

    def do(go: Any, event: str, body: Any, source: int) -> None:
        if event == "move":
            target[0] = body.position
        go(event, body, source)
        if event == "clear-fault" and target[0] is not None and FAULTS:
            bed.axis.state = State.MOVING
            bed.axis.ramp.reset(bed.axis.position)
            bed.axis.ramp.move(target[0])
            target[0] = None

    wrap(bed.axis, "do", do)


@mutant("deaf-in-fault", "in a fault questions are not answered", "FAULT-04")
def _(bed: Bed) -> None:
    bed.on_request(lambda message, kind, go: None if kind.name == "get-mark" and bed.axis.state is State.FAULTED
                   else go(message, kind))  # fmt: skip


# --- stop, stage and sync -----------------------------------------------------------------------------------


def _no_stop(bed: Bed, state: State) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        if not (event == "stop" and bed.axis.state is state):
            go(event, body, source)

    wrap(bed.axis, "do", do)


@mutant("broadcast-stop-ignored", "a stop to everyone is passed over", "STOP-01")
def _(bed: Bed) -> None:
    bed.on_request(lambda message, kind, go: None if kind.name == "stop" and message.dst == 127 else go(message, kind))


@mutant("stop-needs-owner", "a stop is taken from the owner only", "STOP-02")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        if kind.name == "stop" and bed.axis.owner not in (0, message.src):
            return No(Refusal.OWNED, bed.axis.owner)
        return go(message, kind)

    bed.on_request(request)


@mutant("stop-ignored-while-following", "a stop is passed over while setpoints are streamed", "STOP-03")
def _(bed: Bed) -> None:
    _no_stop(bed, State.FOLLOWING)


@mutant("stop-ignored-while-finding", "a stop is passed over in the search for end stops", "STOP-04")
def _(bed: Bed) -> None:
    _no_stop(bed, State.FINDING)


@mutant("second-stop-releases", "a second stop switches the drive off", "STOP-05")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        stopping = bed.axis.state is State.STOPPING
        go(event, body, source)
        if event == "stop" and stopping:
            bed.axis.after = "free"

    wrap(bed.axis, "do", do)


@mutant("stop-freezes", "a stop freezes the setpoint at once", "STOP-06")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body, source)
        if event == "stop":
            bed.axis.ramp.reset(round(bed.axis.ramp.position))

    wrap(bed.axis, "do", do)


@mutant("stop-lazy", "a stop brakes with a quarter of the deceleration limit", "STOP-06")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        if event == "stop":
            limits = bed.axis.ramp.limits
            bed.axis.ramp.limits = limits._replace(deceleration=limits.deceleration / 4)
        go(event, body, source)

    wrap(bed.axis, "do", do)


@mutant("stop-not-answered", "a stop is never answered", "STOP-07")
def _(bed: Bed) -> None:
    bed.on_say(lambda one: None if isinstance(one.body, m.Done) and one.body.of == 1 else one)


@mutant("stage-moves", "`stage` moves at once", "SYNC-01")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body, source)
        if event == "stage":
            go("sync", m.Sync(0), source)

    wrap(bed.axis, "do", do)


@mutant("stage-stays", "a staged move is started by every sync", "SYNC-01")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        staged = bed.axis.staged
        go(event, body, source)
        if event == "sync":
            bed.axis.staged = staged

    wrap(bed.axis, "do", do)


@mutant("sync-of-others", "`sync` starts what another control has staged", "SYNC-02")
def _(bed: Bed) -> None:
    def stream(go: Any, message: Packet, kind: Any) -> None:
        axis = bed.axis
        if kind.name == "sync" and axis.staged is not None and message.src != axis.owner:
            axis.do("sync", message.body, axis.owner)
            return
        go(message, kind)

    wrap(bed.node, "_stream", stream)


@mutant("sync-one-by-one", "`sync` starts the second axis a tick later", "SYNC-03")
def _(bed: Bed) -> None:
    second = bed.node.axes[1]
    waiting: list[Any] = []

    def do(go: Any, event: str, body: Any, source: int) -> None:
        if event == "sync":
            waiting.append((event, body, source, bed.rig.now_us))
        else:
            go(event, body, source)

    go = second.do
    wrap(second, "do", do)

    def tick(proceed: Any) -> None:
        if waiting and waiting[0][3] < bed.rig.now_us:
            go(*waiting.pop()[:3])
        proceed()

    wrap(second, "tick", tick)


@mutant("stage-outlives-release", "a release leaves the staged move ready", "SYNC-05")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        staged = bed.axis.staged
        go(event, body, source)
        if event == "release":
            bed.axis.staged = staged

    wrap(bed.axis, "do", do)


@mutant("stage-outlives-stop", "a stop at rest does nothing at all, and a staged move outlives it", "SYNC-05")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        if event != "stop" or not bed.axis.ramp.at_rest:
            go(event, body, source)

    wrap(bed.axis, "do", do)


@mutant("value-past-the-marks", "`stage-value` takes the nearest mark for a value that no two marks enclose", "SYNC-04")
def _(bed: Bed) -> None:
    uploads = bed.axis.uploads

    def place(go: Any, value: int) -> Any:
        found = go(value)
        return uploads.marks[-1][0] if isinstance(found, No) and uploads.marks else found

    wrap(uploads, "place_of", place)


# --- end stops ----------------------------------------------------------------------------------------------


@mutant("one-end-is-enough", "the travel is known when one end was set by hand", "FIND-01")
def _(bed: Bed) -> None:
    def end(go: Any, number: int) -> None:
        go(number)
        if bed.axis.settings["travel-max"] <= bed.axis.settings["travel-min"]:
            bed.axis.settings.values["travel-max"] = bed.axis.settings["travel-min"] + 1000
        bed.axis.placed = True
        bed.axis._apply_travel()

    wrap(bed.axis, "_end_known", end)


@mutant("reach-not-counted", "the search for a stop never gives up", "FIND-02")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body, source)
        if bed.axis.finding is not None:
            bed.axis.finding.reach = 1 << 30

    wrap(bed.axis, "do", do)


@mutant("no-back-off", "the travel found reaches to the stops", "FIND-03")
def _(bed: Bed) -> None:
    def do(go: Any, event: str, body: Any, source: int) -> None:
        go(event, body, source)
        if bed.axis.finding is not None:
            bed.axis.finding.backoff = 0

    wrap(bed.axis, "do", do)
