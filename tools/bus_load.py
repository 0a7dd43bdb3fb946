"""The budget of a bus: which messages a rig sends, how long each waits at the worst, whether that is soon enough.

CAN: frame lengths and response times by the analysis of Davis and others (see `response_times`), which holds when each
node sends its most urgent message first. A serial line with one node: bytes of ten bits, a zero byte before each frame
and one behind it, and a bit for which a transmitter may wait for its own clock; the control sends the most urgent
first, the node in any order. A shared serial line: the control starts every exchange, the most urgent first, and an
exchange is never interrupted; that is the same analysis with exchanges in the place of frames. tests/hwsim/long_bus.py
and long_serial.py hold simulated frames against these bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import ceil
from typing import Final, NamedTuple

from ringlet.hwsim.can_bits import longest
from ringlet.hwsim.node import PERIOD_MS
from ringlet.hwsim.serial_line import BYTE_BITS
from ringlet.protocol.codes import TIMING, names
from ringlet.protocol.header import ALL_AXES, AXES_MAX, CONTROL_FIRST, EVERYONE, NODE_FIRST, NODE_LAST, Header
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.serial_frame import CRC_SIZE, FRAME_MAX, HEADER_SIZE
from ringlet.protocol.wire import KINDS, Kind
from ringlet.tools.errors import UsageProblem
from ringlet.tools.response_times import ERROR_BITS, Errors, Load, response_times, utilisation

MS: Final = 1_000_000
"""Times are whole nanoseconds."""
CAN_RATES: Final = (125_000, 250_000, 500_000, 800_000, 1_000_000)
"""Bit rates that CiA 301 (CANopen) lists from 125 kbit/s on; from memory."""
CAN_LEAST: Final = 10_000
"""Slowest bit rate that CiA 301 lists; from memory."""
BAUD_LEAST: Final = 1_200
"""Slower lines are not used for motors: common practice, no source."""
BAUDS: Final = (57_600, 115_200, 230_400, 460_800, 921_600, 1_000_000, 2_000_000)
STOP_COPIES: Final = 3
"""A tool sends `stop` three times (ringlet.tools.link); counted as if at once."""
STOP_EVERY: Final = 100 * MS
RARE: Final = 1000 * MS
"""Shortest time between two of what is rare: a fault of an axis, the bus clock."""
TARGETS: Final[dict[str, tuple[float, str]]] = {
    "stop": (5.0, "from the decision to the last bit"),
    "setpoint": (10.0, "one streamed setpoint, jitter of its sender included"),
    "telemetry": (40.0, "from the tick that it reports; one frame at 25 a second"),
    "fault": (10.0, "from the tick in which it is latched"),
    "request": (20.0, "from the decision to the node"),
    "answer": (50.0, "from the decision to the answer heard"),
    "reading": (40.0, "of a hand control or range sensor, jitter of its way included; or the guide for its hand"),
}
"""Latency targets in ms by group of messages: common practice, no source."""
REPLY_MS: Final = 2.0
"""Time that a node takes to answer on a serial line: what the simulated node keeps; the protocol promises TIMING."""


class Speaker(NamedTuple):
    """A hand control or a range sensor: it speaks unasked, under a source address of its own."""

    kind: str
    """`knob` or `range`"""
    source: int
    rate: float
    """Hz"""
    jitter_ms: float
    """by how much one reading may come later to the bus than another"""


@dataclass(frozen=True, slots=True)
class Plan:
    """What is asked of a bus. Rates in Hz, times in ms."""

    axes: tuple[int, ...]
    """axes of each node"""
    is_can: bool = True
    bitrate: int = 500_000
    rate: float = 100.0
    """telemetry of each axis"""
    telemetry: tuple[str, ...] = ("motion",)
    setpoints: float = 100.0
    """streamed setpoints to each axis"""
    polls: float = 2.0
    """status requests to each axis"""
    moves: float = 2.0
    """other requests to each axis, each answered by `done`"""
    jitter_ms: float = 1.0
    """how late a message may be queued: a node's tick, a host's timer"""
    errors: float = 0.0
    """errors on the bus in a second, evenly spread, each repeated (CAN)"""
    burst: int = 1
    """errors that may come at once (CAN, with `errors`)"""
    reply_ms: float = REPLY_MS
    """time that a node takes to answer (serial)"""
    speakers: tuple[Speaker, ...] = ()
    """controls and sensors beside the one control that asks; each knob is sent a guide with every setpoint"""
    targets: dict[str, float] = field(default_factory=lambda: {name: ms for name, (ms, _) in TARGETS.items()})

    @property
    def shared(self) -> bool:
        return not self.is_can and len(self.axes) > 1


class Row(NamedTuple):
    """One message of the budget. Times in ms."""

    name: str
    group: str
    node: int
    axis: int
    ident: int
    size: int
    length_ms: float
    period_ms: float
    jitter_ms: float
    response_ms: float | None
    """worst case, None without bound"""
    target_ms: float

    @property
    def ok(self) -> bool:
        return self.response_ms is not None and self.response_ms <= self.target_ms


class Budget(NamedTuple):
    """What a plan comes to."""

    load: float
    """share of the time that the busiest wire is in use, all frames at their longest"""
    rows: list[Row]

    @property
    def ok(self) -> bool:
        return all(row.ok for row in self.rows)

    def worst(self, group: str) -> float | None:
        """Longest response of a group in ms; None without bound, 0 when it has no messages."""
        times = [row.response_ms for row in self.rows if row.group == group]
        return None if None in times else max((one for one in times if one is not None), default=0.0)


@dataclass(slots=True)
class _Message:
    kind: Kind
    group: str
    node: int
    axis: int
    ident: int
    period: int
    jitter: int
    answers: _Message | None = None
    """the request that this answers"""
    extra: int = 0
    """time that belongs to the same exchange on a shared line"""
    name: str = ""


def budget(plan: Plan) -> Budget:
    """Worst-case response times of all messages of a plan. Raises UsageProblem for a plan that cannot be."""
    _check(plan)
    messages = list(_messages(plan))
    if plan.is_can:
        return _can_budget(plan, messages)
    if plan.shared:
        return _shared_budget(plan, messages)
    return _pair_budget(plan, messages)


def _check(plan: Plan) -> None:
    if not plan.axes:
        raise UsageProblem("the rig has no node; give a rig or a number of motors.")
    if len(plan.axes) > NODE_LAST - NODE_FIRST + 1 or not all(1 <= one <= AXES_MAX for one in plan.axes):
        raise UsageProblem(
            f"{len(plan.axes)} nodes with {max(plan.axes)} axes do not fit; a bus has {NODE_LAST - NODE_FIRST + 1} "
            f"nodes of {AXES_MAX} axes at the most."
        )
    low = CAN_LEAST if plan.is_can else BAUD_LEAST
    if plan.bitrate < low:
        what = "CAN bus has" if plan.is_can else "serial line has"
        raise UsageProblem(f"{plan.bitrate} bit/s is too slow, a {what} {low} or more; give bits a second, not kbit/s.")
    for name in plan.telemetry:
        if name not in names("poll").values():
            raise UsageProblem(f"there is no telemetry {name!r}; choose from {', '.join(names('poll').values())}.")


# --- which messages there are -----------------------------------------------------------------------------------------


def _messages(plan: Plan) -> Iterator[_Message]:
    late = round(plan.jitter_ms * MS)

    def one(
        name: str, group: str, period: int, *, node: int = EVERYONE, axis: int = ALL_AXES, jitter: int = late,
        answers: _Message | None = None, said: str = "", source: int = CONTROL_FIRST,
    ) -> _Message:  # fmt: skip
        row = KINDS.by_name[name]
        up = row.sender == "node"
        dst = (CONTROL_FIRST if answers else EVERYONE) if up else node
        ident = Header(row.priority, row.code, dst, node if up else source, axis).pack()
        return _Message(row, group, node, axis, ident, period, jitter, answers, name=said or name)

    for copy in range(STOP_COPIES):
        yield one("stop", "stop", STOP_EVERY, jitter=0, said="stop" if copy == 0 else f"stop, copy {copy + 1}")
    yield one("clock", "setpoint", RARE)
    for who in plan.speakers:
        said = f"{who.kind}, source {who.source}"
        way = late + round(who.jitter_ms * MS)
        yield one(who.kind, "reading", _every(who.rate), jitter=way, said=said, source=who.source)
        if who.kind == "knob" and plan.setpoints:
            yield one("guide", "reading", _every(plan.setpoints), said=f"guide, source {who.source}")
    for number, count in enumerate(plan.axes):
        node = NODE_FIRST + number
        for axis in range(count):
            yield one("keep-alive", "setpoint", _every(3000 / (BY_NAME["owner-timeout"].default)), node=node, axis=axis)
            if plan.setpoints:
                yield one("stream-ring", "setpoint", _every(plan.setpoints), node=node, axis=axis)
            if plan.rate:
                period = PERIOD_MS[min(len(PERIOD_MS) - 1, ceil(plan.rate))] * MS  # a node knows whole rates only
                for name in plan.telemetry:
                    if plan.shared:
                        asked = one("poll", "telemetry", period, node=node, axis=axis, said=f"poll {name}")
                        yield _exchange(plan, asked, name)
                    else:
                        yield one(name, "telemetry", period, node=node, axis=axis)
            if not plan.shared:  # on a shared line a fault is seen when its axis is asked
                yield one("fault", "fault", RARE, node=node, axis=axis)
            for rate, name, reply in ((plan.polls, "get-status", "status"), (plan.moves, "move", "done")):
                if not rate:
                    continue
                asked = one(name, "request", _every(rate), node=node, axis=axis)
                if plan.shared:
                    asked.group = "answer"
                    yield _exchange(plan, asked, reply)
                else:
                    yield asked
                    yield one(reply, "answer", _every(rate), node=node, axis=axis, answers=asked)


def _every(rate: float) -> int:
    """Nanoseconds between two at a rate in Hz, rounded down."""
    return int(1000 * MS / rate)


def _exchange(plan: Plan, asked: _Message, reply: str) -> _Message:
    """A question on a shared line holds it until the answer is over."""
    asked.extra = round(plan.reply_ms * MS) + _line_time(plan, KINDS.by_name[reply].size, lead=False)
    return asked


def _line_time(plan: Plan, size: int, *, lead: bool = True) -> int:
    """Nanoseconds of a frame on a serial line, COBS and zero bytes included; rounded up. `lead`: one before it too."""
    count = HEADER_SIZE + size + CRC_SIZE + 2
    assert count <= FRAME_MAX
    return ((count + lead) * BYTE_BITS + 1) * _bit(plan)


def _bit(plan: Plan) -> int:
    return -(-1_000_000_000 // plan.bitrate)


# --- response times --------------------------------------------------------------------------------------------------


def _can_budget(plan: Plan, messages: list[_Message]) -> Budget:
    bit = _bit(plan)
    order = sorted(messages, key=lambda one: one.ident)
    errors = Errors(plan.burst, _every(plan.errors), ERROR_BITS * bit) if plan.errors else None
    reply = TIMING["reply"].ms * MS
    times: list[int | None] = []
    loads: list[Load] = []
    for _ in range(len(order)):  # answers come as late as their requests: until nothing changes
        before = loads
        loads = [Load(longest(one.kind.size) * bit, one.period, one.jitter) for one in order]
        if loads == before:
            break
        times = response_times(loads, bit, errors)
        at = {id(one): time for one, time in zip(order, times, strict=True)}
        for one in order:
            if one.answers is not None:
                asked = at[id(one.answers)]
                one.jitter = reply + (asked if asked is not None else one.answers.period)
    return Budget(utilisation(loads), [
        _row(plan, one, load, time) for one, load, time in zip(order, loads, times, strict=True)
    ])  # fmt: skip


def _any_order(loads: Sequence[Load], bit: int) -> list[int | None]:
    """Bounds for a queue in any order: all others may go before."""
    return [response_times([*loads[:place], *loads[place + 1 :], one], bit)[-1] for place, one in enumerate(loads)]


def _pair_budget(plan: Plan, messages: list[_Message]) -> Budget:
    """One node, a pair of wires each way."""
    rows: list[Row] = []
    load = 0.0
    late: dict[int, int] = {}
    for sender in ("control", "node"):
        mine = sorted((one for one in messages if one.kind.sender == sender), key=lambda one: one.ident)
        for one in mine:
            if one.answers is not None:
                one.jitter = round(TIMING["reply"].ms * MS) + late[id(one.answers)]
        loads = [Load(_line_time(plan, one.kind.size), one.period, one.jitter) for one in mine]
        load = max(load, utilisation(loads))
        times = response_times(loads, _bit(plan)) if sender == "control" else _any_order(loads, _bit(plan))
        for one, own, time in zip(mine, loads, times, strict=True):
            late[id(one)] = time if time is not None else one.period
            rows.append(_row(plan, one, own, time))
    return Budget(load, sorted(rows, key=lambda row: row.ident))


def _shared_budget(plan: Plan, messages: list[_Message]) -> Budget:
    """Several nodes on one half-duplex line: exchanges in the order of their priority."""
    order = sorted(messages, key=lambda one: one.ident)
    loads = [Load(_line_time(plan, one.kind.size) + one.extra, one.period, one.jitter) for one in order]
    times = response_times(loads, _bit(plan))
    return Budget(utilisation(loads), [
        _row(plan, one, load, time) for one, load, time in zip(order, loads, times, strict=True)
    ])  # fmt: skip


def _row(plan: Plan, one: _Message, load: Load, time: int | None) -> Row:
    return Row(
        one.name, one.group, one.node, one.axis, one.ident, one.kind.size, load.length / MS, load.period / MS,
        load.jitter / MS, None if time is None else time / MS, plan.targets[one.group],
    )  # fmt: skip


# --- verdict and advice ----------------------------------------------------------------------------------------------


class Advice(NamedTuple):
    """What to change, or how much room is left."""

    text: str
    rate: float | None = None
    """telemetry rate that fits"""
    bitrate: int | None = None
    """bit rate that fits"""
    motors: int | None = None
    """motors with a node each that fit"""


def advise(plan: Plan, found: Budget) -> list[Advice]:
    """One remedy each for telemetry, setpoints and bit rate where targets are missed; otherwise the room left."""
    if found.ok:
        return _room(plan)
    advice = []
    fits = _highest(lambda rate: replace(plan, rate=rate), plan.rate)
    if fits is not None and fits < plan.rate:
        advice.append(Advice(f"lower telemetry from {plan.rate:g} to {fits:g} Hz", rate=fits))
    fits = _highest(lambda rate: replace(plan, setpoints=rate), plan.setpoints)
    if fits is not None and fits < plan.setpoints:
        advice.append(Advice(f"lower the setpoint rate from {plan.setpoints:g} to {fits:g} Hz"))
    for rate in _faster(plan):
        if budget(replace(plan, bitrate=rate)).ok:
            advice.append(Advice(f"take {_speed(plan, rate)}", bitrate=rate))
            break
    if advice:
        return advice
    for rate in (plan.bitrate, *_faster(plan)):
        for share in (0.75, 0.5, 0.25, 0.1, 0.05):
            less = replace(plan, bitrate=rate, rate=_share(plan.rate, share), setpoints=_share(plan.setpoints, share))
            if budget(less).ok:
                fast = f"take {_speed(plan, rate)}, " if rate != plan.bitrate else ""
                text = f"{fast}lower telemetry to {less.rate:g} Hz and setpoints to {less.setpoints:g} Hz"
                return [Advice(text, less.rate, rate if fast else None)]
    missed = ", ".join(dict.fromkeys(row.group for row in found.rows if not row.ok))
    return [Advice(f"split the rig over several buses, or allow more time with --target for: {missed}")]


def _speed(plan: Plan, rate: int) -> str:
    return f"a bit rate of {rate / 1000:g} kbit/s" if plan.is_can else f"{rate} baud"


def _share(rate: float, share: float) -> float:
    return float(max(1, int(share * rate))) if rate else 0.0


def _rates(plan: Plan) -> tuple[int, ...]:
    return CAN_RATES if plan.is_can else BAUDS


def _faster(plan: Plan) -> Iterable[int]:
    return (rate for rate in _rates(plan) if rate > plan.bitrate)


def _highest(at: Callable[[float], Plan], top: float) -> float | None:
    """Highest whole rate up to `top` with which all targets are met; None when not even 1 Hz is."""
    low, high = 0, int(top)
    while low < high:
        middle = (low + high + 1) // 2
        if budget(at(float(middle))).ok:
            low = middle
        else:
            high = middle - 1
    return float(low) if low else None


def _room(plan: Plan) -> list[Advice]:
    """How much more would fit."""
    top = _highest(lambda rate: replace(plan, rate=rate), 1000.0) if plan.rate else None
    advice = []
    if top is not None:
        advice.append(Advice(f"telemetry may rise to {top:g} Hz", rate=top))
    motors = most_motors(plan)
    several = "s" * (motors != 1)
    advice.append(Advice(f"{motors} motor{several} with a node each would fit at these rates", motors=motors))
    return advice


MOTORS_TRIED: Final = 64


def most_motors(plan: Plan) -> int:
    """How many motors, each with a node of its own, meet all targets (up to 64)."""
    low, high = 0, MOTORS_TRIED
    while low < high:
        middle = (low + high + 1) // 2
        if budget(with_motors(plan, middle)).ok:
            low = middle
        else:
            high = middle - 1
    return low


def with_motors(plan: Plan, count: int) -> Plan:
    """The same plan for so many motors, each with a node of its own."""
    return replace(plan, axes=(1,) * count)
