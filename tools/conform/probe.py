"""What every check uses: send anything, wait for the answer, keep a trace, note what is wrong, put settings back.

The probe is a control with raw access; it plays several controls (source addresses) on one bus. Time comes from the
wire's clock only, so on simulated rigs a check runs in virtual time.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, WireError, kind_of, pack, packet, unpack
from ringlet.protocol.codes import ENUMS, TIMING, Flag, Refusal, names
from ringlet.protocol.header import ALL_AXES, CONTROL_FIRST, CONTROL_LAST, EVERYONE, unpack_header
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.physical import show_body
from ringlet.protocol.serial_frame import FRAME_MAX
from ringlet.protocol.states import State
from ringlet.protocol.wire import KINDS
from ringlet.tools.conform.wire import Wire

POLL: Final = {name: count for count, name, _ in ENUMS["poll"]}
TRY_AGAIN_S: Final = 0.8 * TIMING["repeat"].ms / 1000
"""How long a request is sent again on a real link before its silence counts."""
LOOK_S: Final = 0.01
RECENT: Final = 8
"""So many tags of one source are not used again at once, whatever the kind."""
FORGOTTEN_S: Final = TIMING["repeat"].ms / 1000 + 0.1
"""Seconds after which the same bytes are surely a new request."""
EVIDENCE_MOST: Final = 24
"""Frames shown for one problem."""


class Frame(NamedTuple):
    """One line of the trace; time in seconds of the wire's clock."""

    time: float
    sent: bool
    ident: int
    data: bytes
    note: str = ""

    def show(self, begin: float) -> str:
        """Time, direction, exact bytes, and what they say."""
        told = self.note or _meaning(self.ident, self.data)
        head = "" if self.note else f"{self.ident:08X}  "
        return f"{self.time - begin:+10.4f} s {'>' if self.sent else '<'} {head}{self.data.hex(' ').upper()}  {told}"


def _meaning(ident: int, data: bytes) -> str:
    header = unpack_header(ident)
    where = f"{header.src} to {header.dst} axis {header.axis}"
    try:
        body = unpack(ident, data).body
    except WireError as error:
        return f"{where}: {error}"
    fields = ", ".join(f"{name} {_bits(value)}" for name, value in show_body(body).items())
    return f"{where}: {kind_of(body).name} {fields}"


def _bits(value: Any) -> Any:
    """The parts of a field that are not zero, where it has parts."""
    if not isinstance(value, dict):
        return value
    return " ".join(f"{name} {count}" for name, count in value.items() if count) or 0


class Problem(NamedTuple):
    """Something that breaks the rule of a check, with its evidence."""

    text: str
    frames: tuple[Frame, ...]


class Broken(Exception):
    """The rule is broken and the check cannot go on."""


class Skip(Exception):
    """The check does not apply, or cannot be done here; the text says why."""


class Samples(NamedTuple):
    """A recording: node's clock in s, setpoint and ring in deg."""

    time_s: list[float]
    setpoint_deg: list[float]
    position_deg: list[float]


@dataclass
class Room:
    """How much a check may turn the ring. Set by the runner."""

    span_mdeg: int = 40_000
    torque_mnm: int = 150
    ask_power: Callable[[], None] | None = None
    """asks the person to switch the supply off and on, and returns when it is done"""
    home: int | None = None
    """where the ring stood before the first motion, mdeg"""
    travel: tuple[int, int] | None = None
    """what motion keeps inside: the travel, where it is known"""
    stops: bool = False
    """whether the rings have hard stops that may be touched"""
    known: bool = False
    """whether the travel was known when the device was found"""


class Probe:
    """One axis under test. `me` owns what has to be owned; `other` and `third` are further controls."""

    def __init__(self, wire: Wire, node: int, axis: int, source: int = 1) -> None:
        self.wire, self.node, self.axis = wire, node, axis
        self.me = source
        self.other = source % CONTROL_LAST + 1
        self.third = self.other % CONTROL_LAST + 1
        self.trace: list[Frame] = []
        self.problems: list[Problem] = []
        self.axes = 1
        self.repeats = 0
        """requests that had to be sent again"""
        self.room = Room()
        self.speaks = True
        """whether the node may speak unasked"""
        self.fence: tuple[int, int] | None = None
        """where the ring may be, mdeg, while a check turns it inside a span"""
        self.runs_on = False
        """whether nothing ended the motion: no more is to be begun"""
        self._tags: dict[tuple[int, int], int] = {}
        self._recent: dict[int, deque[int]] = defaultdict(lambda: deque(maxlen=RECENT))
        self._used: dict[tuple[int, int, int], float] = {}
        self._owners: dict[int, float] = {}
        self._changed: dict[tuple[int, int], int] = {}

    # --- time and frames -----------------------------------------------------------------------------------------

    def now(self) -> float:
        return self.wire.clock.now()

    def clear(self) -> None:
        """Begin a check: an empty trace and no problems."""
        self.trace, self.problems = [], []

    def fail(self, text: str, last: int = 8) -> None:
        """Note a problem with the last frames as evidence, and go on."""
        self.problems.append(Problem(text, tuple(self._evidence(last))))

    def check(self, holds: bool, text: str, last: int = 8) -> bool:
        """Note a problem unless this holds."""
        if not holds:
            self.fail(text, last)
        return holds

    def _evidence(self, last: int) -> list[Frame]:
        shown = [one for one in self.trace if not _is_telemetry(one)] or self.trace
        return shown[-min(last, EVIDENCE_MOST) :]

    def hear(self, seconds: float) -> list[Frame]:
        """Let time pass; the frames that came in it. Owned axes are kept alive meanwhile."""
        first = len(self.trace)
        end = self.now() + seconds
        while (left := end - self.now()) > 1e-9:
            self._hear_once(left)
        return [one for one in self.trace[first:] if not one.sent]

    def _hear_once(self, timeout: float) -> None:
        for source, due in list(self._owners.items()):
            left = due - self.now()
            if left <= 0:
                self._owners[source] = self.now() + self._period()
                self.cast(m.KeepAlive(0), src=source, dst=EVERYONE, axis=ALL_AXES)
            else:
                timeout = min(timeout, left)
        for ident, data in self.wire.receive(max(1e-6, timeout)):
            header = unpack_header(ident)
            if not (header.kind in _STREAMS and CONTROL_FIRST <= header.src <= CONTROL_LAST):
                self.trace.append(Frame(self.now(), False, ident, data))

    def _period(self) -> float:
        return self._timeout_ms / 3000

    _timeout_ms = 1000

    def raw(self, ident: int, data: bytes) -> None:
        """Send any header and body."""
        self.trace.append(Frame(self.now(), True, ident, data))
        self.wire.send(ident, data)

    def bytes_out(self, data: bytes, note: str) -> None:
        """Send bytes on a serial line as they are, and wait for as long as they take there."""
        self.trace.append(Frame(self.now(), True, 0, data, f"bytes: {note}"))
        self.wire.send_bytes(data)
        if frame_s := self.wire.transport.frame_time:
            self.hear(frame_s * len(data) / FRAME_MAX)

    def tag(self, kind: int, src: int) -> int:
        """A tag that was not used for this kind and source for as long as 256 uses, nor just now for another kind: CAN
        may deliver an answer twice, and the second must not pass for the next one's."""
        value = self._tags.get((kind, src), int(self.now() * 61) & 0xFF) + 1 & 0xFF
        while value in self._recent[src]:
            value = value + 1 & 0xFF
        self._recent[src].append(value)
        self._tags[kind, src] = value
        row = KINDS.by_code[kind]
        if row.reply == "done" or row.owner:  # the same bytes within the repeat time would be taken for a repeat
            free = self._used.get((kind, src, value), -1e9) + FORGOTTEN_S
            while self.now() < free:
                self._hear_once(free - self.now())
            self._used[kind, src, value] = self.now()
        return value

    def build(
        self, body: Any, *, src: int | None = None, dst: int | None = None, axis: int | None = None,
        tag: int | None = None,
    ) -> tuple[int, bytes]:  # fmt: skip
        """Header and body of a message, with a fresh tag unless one is given."""
        row = kind_of(body)
        source = self.me if src is None else src
        if tag is None:
            tag = self.tag(row.code, source)
        else:
            self._used[row.code, source, tag] = self.now()
        body = body._replace(tag=tag)
        number = (ALL_AXES if row.scope == "node" else self.axis) if axis is None else axis
        ident, data = pack(packet(body, dst=self.node if dst is None else dst, src=source, axis=number))
        return ident, data

    def cast(self, body: Any, **where: Any) -> tuple[int, bytes]:
        """Send a message and wait for nothing."""
        frame = self.build(body, **where)
        self.raw(*frame)
        return frame

    # --- requests ------------------------------------------------------------------------------------------------

    def answers(self, ident: int, data: bytes, seconds: float | None = None, *, all_of: bool = False) -> list[Frame]:
        """Send a frame; answers to its source with its axis and tag, the first of them or all that come in the time."""
        header = unpack_header(ident)
        first = len(self.trace)
        self.raw(ident, data)
        end = self.now() + (self.reply_s("save" if header.kind == _SAVE else "reply") if seconds is None else seconds)
        found: list[Frame] = []
        seen = first
        while (left := end - self.now()) > 1e-9 and (all_of or not found):
            self._hear_once(left)
            for one in self.trace[seen:]:
                if not one.sent and self._answers_to(one, header.src, header.axis, data, header.kind):
                    found.append(one)
            seen = len(self.trace)
        return found

    def answered(self, ident: int, data: bytes) -> list[Frame]:
        """As `answers`, where an answer must come: on a real link a frame may get lost, or this computer be held up, so
        the same bytes are sent again within the repeat time."""
        end = self.now() + TRY_AGAIN_S
        while not (found := self.answers(ident, data)) and not self.wire.ideal and self.now() < end:
            self.repeats += 1
        return found

    def _answers_to(self, frame: Frame, src: int, axis: int, data: bytes, kind: int) -> bool:
        header = unpack_header(frame.ident)
        row = KINDS.by_code.get(header.kind)
        if header.dst != src or header.axis != axis or frame.data[:1] != data[:1] or row is None:
            return False
        if row.name in ("done", "refused"):
            return frame.data[1:2] == bytes([kind])
        asked = KINDS.by_code.get(kind)
        return asked is not None and row.sender == "node" and (row.name == asked.reply or asked.name == "poll")

    def reply_s(self, name: str = "reply") -> float:
        """Seconds in which an answer must have come."""
        return TIMING[name].ms / 1000 + 2 * self.wire.transport.frame_time + self.wire.slack

    def ask(self, body: Any, **where: Any) -> Any:
        """Send a request; the body of its answer, or None for silence. On a real link a silence is asked
        again, with the same bytes, as the reference says."""
        found = self.answered(*self.build(body, **where))
        return self.body(found[0]) if found else None

    def body(self, frame: Frame) -> Any:
        """The typed body of a frame; a sentence in its place when it cannot be read."""
        try:
            return unpack(frame.ident, frame.data).body
        except WireError as error:
            return str(error)

    def packet_of(self, frame: Frame) -> Packet | None:
        try:
            return unpack(frame.ident, frame.data)
        except WireError:
            return None

    def must(self, body: Any, **where: Any) -> Any:
        """A request that must be granted. Raises Broken."""
        row = kind_of(body)
        answer = self.ask(body, **where)
        if answer is None:
            raise Broken(f"{row.name} was not answered")
        if isinstance(answer, m.Refused):
            raise Broken(f"{row.name} was refused with {refusal(answer)}")
        return answer

    def no(self, body: Any, code: Refusal, item: int | None, what: str = "", **where: Any) -> bool:
        """A request that must be refused with this code and item; notes a problem otherwise."""
        row = kind_of(body)
        answer = self.ask(body, **where)
        name = f"{row.name}{' ' + what if what else ''}"
        wanted = names("refusal")[int(code)] + ("" if item is None else f", item {item}")
        if answer is None:
            return self.check(False, f"{name} was not answered; it should be refused with {wanted}")
        if not isinstance(answer, m.Refused):
            return self.check(False, f"{name} was answered with {type(answer).__name__}; it should be refused: "
                f"{wanted}")
        right = answer.code == code and item in (None, answer.item) and answer.of == row.code
        return self.check(right, f"{name} was refused with {refusal(answer)}; it should be {wanted}")

    # --- what is known of the axis ---------------------------------------------------------------------------------

    def status(self, src: int | None = None) -> m.Status:
        answer = self.must(m.GetStatus(0), src=self.third if src is None else src)
        if not isinstance(answer, m.Status):
            raise Broken("get-status was not answered with status")
        return answer

    def state(self) -> int:
        return self.status().state

    def flag(self, flag: Flag) -> bool:
        return bool(self.status().flags >> flag & 1)

    def setpoint(self) -> int:
        """Setpoint in mdeg."""
        return int(self.must(m.Poll(0, POLL["drive"]), src=self.third).setpoint)

    def position(self) -> int:
        """Ring in mdeg."""
        return int(self.must(m.Poll(0, POLL["motion"]), src=self.third).position)

    def owner(self) -> m.Owner:
        answer = self.must(m.GetOwner(0), src=self.third)
        if not isinstance(answer, m.Owner):
            raise Broken("get-owner was not answered with owner")
        return answer

    def until(self, holds: Callable[[], bool], seconds: float) -> bool:
        """Look every 10 ms until it holds, and at the ring ten times a second. Raises Broken when that runs away."""
        end = self.now() + seconds
        look = self.now() + 10 * LOOK_S
        while not holds():
            if self.now() > end:
                return False
            self.hear(LOOK_S)
            if self.fence is not None and self.now() >= look:
                look = self.now() + 10 * LOOK_S
                self._stay_inside()
        return True

    def _stay_inside(self) -> None:
        """Stop everything when the ring is outside its fence. Raises Broken."""
        assert self.fence is not None
        low, high = self.fence
        place = self.position()
        if not low <= place <= high and self.state() != State.FINDING:
            self.fence = None
            self.stop_all()
            raise Broken(f"the ring ran away: it is at {place / 1000:.1f} deg and was to stay inside "
                f"{low / 1000:.1f} to {high / 1000:.1f} deg; everything was stopped")

    def until_state(self, *states: State, seconds: float = 10.0) -> None:
        """Wait for one of these states. Raises Broken."""
        if not self.until(lambda: self.state() in states, seconds):
            wanted = " or ".join(one.name.lower() for one in states)
            raise Broken(f"the axis is {state_name(self.state())} and not {wanted} after {seconds:g} s")

    # --- settings --------------------------------------------------------------------------------------------------

    def get(self, name: str, **where: Any) -> int:
        """A parameter in counts. Raises Broken."""
        row = BY_NAME[name]
        answer = self.must(m.Get(0, row.id), axis=ALL_AXES if row.scope == "node" else self.axis, **where)
        if not isinstance(answer, m.Parameter) or answer.parameter != row.id:
            raise Broken(f"get {name} was not answered with this parameter")
        return answer.value

    def set(self, name: str, value: int, **where: Any) -> None:
        """Write a parameter in counts; `put_back` undoes it. Raises Broken."""
        row = BY_NAME[name]
        axis = ALL_AXES if row.scope == "node" else self.axis
        self.remember(name)
        answer = self.must(m.Set(0, row.id, value), axis=axis, **where)
        if not isinstance(answer, m.Parameter) or answer.value != value:
            raise Broken(f"set {name} to {value} was answered with {answer}")
        if name == "owner-timeout":
            self._timeout_ms = value

    def remember(self, name: str) -> None:
        """The value now in force is the one to put back at the end of the check."""
        row = BY_NAME[name]
        key = (ALL_AXES if row.scope == "node" else self.axis, row.id)
        if key not in self._changed:
            self._changed[key] = self.get(name)

    def put_back(self) -> list[str]:
        """Write every remembered value again; names of those that could not be."""
        left = []
        for (axis, number), value in self._changed.items():
            answer = self.ask(m.Set(0, number, value), axis=axis)
            if not isinstance(answer, m.Parameter) or answer.value != value:
                left.append(f"{number} (was {value})")
        self._changed.clear()
        self._timeout_ms = 1000
        return left

    # --- ownership -------------------------------------------------------------------------------------------------

    def take(self, *, force: bool = False, alive: bool = True) -> None:
        """Own the axis as `me`; kept alive until `give` unless told otherwise."""
        self.must(m.Take(0, int(force)))
        if alive:
            self._timeout_ms = self.get("owner-timeout")
            self._owners[self.me] = self.now() + self._period()

    def give(self) -> None:
        """Yield, and wait for rest."""
        self._owners.clear()
        self.must(m.Yield(0))

    def forget(self) -> None:
        """Send no more keep-alives."""
        self._owners.clear()

    @contextmanager
    def owned(self) -> Iterator[None]:
        """Own the axis in the block."""
        self.take()
        yield
        self.give()

    def tidy(self) -> list[str]:
        """After a check: at rest, no fault, nobody owns the axis, settings as before. What could not be done."""
        left: list[str] = []
        self.fence = None
        try:
            if self.ask(m.Stop(0)) is None and self.ask(m.GetStatus(0)) is None:
                self.stop_all()
                return ["the device does not answer"]
            self._until_still()
            self.ask(m.Take(0, 1))
            failed = self.put_back()
            self.ask(m.ClearFault(0))
            if failed:
                left.append("parameters " + ", ".join(failed))
            self._owners.clear()
            self.ask(m.Yield(0))
            if self.state() == State.HOLDING:
                self._release()
        except Broken as error:
            left.append(str(error))
        finally:
            self._owners.clear()
        return left

    def _release(self) -> None:
        self.ask(m.Take(0, 1))
        self.ask(m.Release(0))
        self.ask(m.Yield(0))

    def stop_all(self) -> None:
        """Stop everything on the bus at once, whoever answers: no fresh tag is waited for."""
        for _ in range(3):
            self.cast(m.Stop(0), dst=EVERYONE, axis=ALL_AXES, tag=0)

    def _until_still(self) -> None:
        """Wait for rest; where `stop` does not bring it, switch the drive off. Raises Broken."""
        try:
            self.until_state(State.RELEASED, State.HOLDING, State.FAULTED, State.STOPPING, seconds=1.0)
            self.until_state(State.RELEASED, State.HOLDING, State.FAULTED, seconds=20.0)
        except Broken as error:
            self.stop_all()
            self.ask(m.Take(0, 1))
            self.ask(m.Release(0))
            try:
                self.until_state(State.RELEASED, State.HOLDING, State.FAULTED, seconds=5.0)
            except Broken:
                self.runs_on = True
                raise Broken(f"{error}; neither stop nor release ended its motion") from None

    # --- recording -------------------------------------------------------------------------------------------------

    def rate_hz(self) -> int:
        """Telemetry rate that the link carries with room to spare, for two messages a sample."""
        frame = self.wire.transport.frame_time
        most = 1000.0 if frame <= 0 else 0.5 / (3 * frame)
        return next((rate for rate in (1000, 500, 250, 200, 125, 100, 50, 25) if rate <= most), 10)

    def record(self, script: Callable[[], None]) -> Samples:
        """Telemetry of setpoint, ring and time while the script runs; the axis must be owned. Raises Skip, Broken."""
        if not self.speaks:
            raise Skip("on a shared line nothing is sent unasked, and motion cannot be recorded closely enough")
        self.set("telemetry-select", 1 << POLL["motion"] | 1 << POLL["drive"] | 1 << POLL["sample"])
        self.set("telemetry-rate", self.rate_hz())
        first = len(self.trace)
        script()
        self.set("telemetry-rate", 0)
        rows: dict[int, dict[str, Any]] = {}
        out = Samples([], [], [])
        for frame in self.trace[first:]:
            if frame.sent or unpack_header(frame.ident).dst != EVERYONE or not self.is_ours(frame):
                continue
            body = self.body(frame)
            if isinstance(body, m.Motion):
                rows[body.tag] = {"motion": body}
            elif isinstance(body, m.Drive) and body.tag in rows:
                rows[body.tag]["drive"] = body
            elif isinstance(body, m.Sample) and (row := rows.pop(body.tag, {})) and "drive" in row:
                if out.time_s and body.time / 1e6 <= out.time_s[-1]:
                    continue
                out.time_s.append(body.time / 1e6)
                out.setpoint_deg.append(row["drive"].setpoint / 1000)
                out.position_deg.append(row["motion"].position / 1000)
        if len(out.time_s) < 8:
            raise Broken(f"only {len(out.time_s)} whole samples came while telemetry was on")
        return out

    def is_ours(self, frame: Frame) -> bool:
        """From the axis under test."""
        header = unpack_header(frame.ident)
        return header.src == self.node and header.axis == self.axis


_STREAMS: Final = frozenset(row.code for row in KINDS.by_name.values() if row.role == "stream")
"""What other controls and sensors say all the time: it is no answer of anybody, whatever its tag."""
_SAVE: Final = KINDS.by_class[m.Save].code
_TELEMETRY: Final = frozenset(KINDS.by_name[name].code for name in POLL)


def _is_telemetry(frame: Frame) -> bool:
    header = unpack_header(frame.ident)
    return not frame.sent and header.dst == EVERYONE and header.kind in _TELEMETRY


def refusal(answer: m.Refused) -> str:
    """A refusal in words."""
    return f"{names('refusal').get(answer.code, answer.code)}, item {answer.item}"


def state_name(state: int) -> str:
    """A state in words."""
    return names("state").get(state, f"in an unknown state, {state}")
