"""One axis, for scripts: degrees and names instead of counts and numbers."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.behaviour import TRAVEL_COUNTS
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import ENUMS, Flag, names
from ringlet.protocol.header import ALL_AXES
from ringlet.protocol.params import BY_NAME, Param
from ringlet.protocol.physical import ValueProblem, read_parameter, show_parameter, to_counts
from ringlet.protocol.states import State
from ringlet.tools.errors import CheckFailed, DeviceRefused, NoAnswer, RingletError, UsageProblem, fault_text

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from ringlet.tools.link import Link

MDEG: Final = 1000
"""Counts of ring position and velocity in a degree (the schema's scale, 0.001)."""
POLL_EVERY: Final = 0.02
"""Seconds between two looks at an axis that is on its way."""
MOVE_TIMEOUT: Final = 60.0
FIND_TIMEOUT: Final = 120.0
"""Seconds; a slow move or search that needs longer by its own speed gets twice the time that it needs."""
_KINDS: Final = {name: number for number, name, _ in ENUMS["poll"]}
_RECORDED: Final = ("motion", "drive", "sample")
_RATE, _SELECT, _SHARED = (BY_NAME[name] for name in ("telemetry-rate", "telemetry-select", "shared-line"))


class Recording(NamedTuple):
    """What an axis did: arrays of one length, a row for each sample that came in whole."""

    time_s: NDArray[np.float64]
    """node's clock, from the first sample on, s"""
    setpoint_deg: NDArray[np.float64]
    position_deg: NDArray[np.float64]
    velocity_deg_s: NDArray[np.float64]
    current_a: NDArray[np.float64]


class AxisHandle:
    """An axis of a node on a link. Every method raises DeviceRefused, NoAnswer or LinkProblem as the link does."""

    def __init__(self, link: Link, node: int, axis: int) -> None:
        self.link, self.node, self.axis = link, node, axis
        self.record_began_s = 0.0
        """the node's clock at the first sample of the last recording, s"""

    def _request(self, body: Any) -> Any:
        return self.link.request(body, node=self.node, axis=self.axis)

    # --- ownership ---------------------------------------------------------------------------------------------

    def take(self, force: bool = False) -> None:
        """Become the owner; with force also from another control, whose motion is ramped down first."""
        self._request(m.Take(0, int(force)))

    def yield_(self) -> None:
        """Give the axis up: it ramps down, holds, and is free."""
        self._request(m.Yield(0))

    # --- motion ------------------------------------------------------------------------------------------------

    def move(self, deg: float, speed: float | None = None, wait: bool = True, timeout: float | None = None) -> None:
        """Go to a ring position in degrees, at `speed` deg/s at the most. With `wait` return at rest on it.

        Raises CheckFailed when the move ends elsewhere, or takes longer than `timeout` seconds (default: `patience`);
        then it goes on. When the waiting breaks off otherwise (no answer, Ctrl-C) the axis is stopped.
        """
        velocity = 0 if speed is None else counts(speed, "speed", "deg/s", lo=1, hi=(1 << 24) - 1)
        self._request(m.Move(0, counts(deg, "position", "deg"), velocity))
        if wait:
            with self._stopped_if_left():
                self.arrive(self.patience(deg, speed) if timeout is None else timeout)

    def move_travel(self, share: float, speed: float | None = None) -> None:
        """Go to a share (0 to 1) of the travel, and return at rest on it; else as `move`."""
        velocity = 0 if speed is None else counts(speed, "speed", "deg/s", lo=1, hi=(1 << 24) - 1)
        self._request(m.MoveTravel(0, round(share * TRAVEL_COUNTS), velocity))
        with self._stopped_if_left():
            low, high = float(self.get("travel-min")), float(self.get("travel-max"))
            self.arrive(self.patience(low + share * (high - low), speed))

    def arrive(self, timeout: float) -> None:
        """Wait until a move that was begun has come to rest. Raises CheckFailed when that is not on its target."""
        if not self.rest(timeout).flags >> Flag.ON_TARGET & 1:
            raise CheckFailed(f"{self._name()} came to rest before its target; somebody or something stopped it.")

    def patience(self, deg: float, speed: float | None = None) -> float:
        """Seconds that a move from here to a ring position may take: MOVE_TIMEOUT, longer where it goes slowly."""
        most = float(self.get("velocity-limit"))
        return max(MOVE_TIMEOUT, 2 * abs(deg - self.setpoint()) / (most if speed is None else min(most, speed)))

    def run(self, deg_s: float) -> None:
        """Turn at a velocity in deg/s until told otherwise, or to the travel limit."""
        self._request(m.Run(0, counts(deg_s, "velocity", "deg/s", lo=-(1 << 23), hi=(1 << 23) - 1)))

    def hold(self) -> None:
        """Ramp down and hold; switches a released drive on."""
        self._request(m.Hold(0))

    def release(self) -> None:
        """Ramp down and switch the drive off: the ring turns by hand."""
        self._request(m.Release(0))

    def stop(self) -> None:
        """Ramp down and hold; needs no ownership and awaits no answer."""
        self.link.stop(self.node, self.axis)

    def find_stops(self, wait: bool = True, timeout: float | None = None) -> None:
        """Touch both end stops and store the travel inside them. With `wait` return when it is known.

        Raises CheckFailed when it takes longer than `timeout` seconds (default: FIND_TIMEOUT, longer where the finding
        speed is low); then the search goes on. When the waiting breaks off otherwise the axis is stopped.
        """
        self._request(m.FindStops(0))
        if not wait:
            return
        with self._stopped_if_left():
            if timeout is None:  # the search turns as far as its reach to one side, and to the other
                reach, pace = float(self.get("finding-reach")), float(self.get("finding-speed"))
                timeout = max(FIND_TIMEOUT, 2 * 2 * reach / pace)
            status = self.rest(timeout)
        if not status.flags >> Flag.CALIBRATED & 1:
            raise CheckFailed(f"{self._name()} ended its search without a travel; somebody or something stopped it.")

    def set_travel(self, end: str) -> None:
        """Make the present position the `low` or `high` end of the travel, for a ring without hard stops."""
        number = next((count for count, name, _ in ENUMS["end"] if name == end), None)
        if number is None:
            raise UsageProblem(f"the end of a travel is {end!r}; choose one of: {', '.join(names('end').values())}.")
        self._request(m.SetTravel(0, number))

    def rest(self, timeout: float = MOVE_TIMEOUT) -> m.Status:
        """Wait until the axis is at rest; its status then. Raises CheckFailed on a fault or when it takes too long."""
        end = self.link.clock.now() + timeout
        while True:
            status = self.status()
            state = State(status.state) if status.state in set(State) else None
            if state is State.FAULTED:
                fault = fault_text(status.fault)
                raise CheckFailed(f"{self._name()} has a fault, {fault}; clear it when its cause is gone.")
            if state in (State.HOLDING, State.RELEASED):
                return status
            if self.link.clock.now() >= end:
                raise CheckFailed(f"{self._name()} was still {names('state').get(status.state)} after {timeout:g} s.")
            self.link.wait(POLL_EVERY)

    @contextmanager
    def _stopped_if_left(self) -> Iterator[None]:
        """For waiting on a motion: nobody looks after it any more when the waiting breaks off."""
        try:
            yield
        except CheckFailed:
            raise  # it says what the axis does
        except BaseException:
            with suppress(RingletError):
                self.stop()
            raise

    # --- reading -----------------------------------------------------------------------------------------------

    def status(self) -> m.Status:
        """State, flags, first fault and owner."""
        status: m.Status = self._request(m.GetStatus(0))
        return status

    def position(self) -> float:
        """Ring position in degrees."""
        motion: m.Motion = self._request(m.Poll(0, _KINDS["motion"]))
        return motion.position / MDEG

    def setpoint(self) -> float:
        """Where the ring should be now, in degrees."""
        drive: m.Drive = self._request(m.Poll(0, _KINDS["drive"]))
        return drive.setpoint / MDEG

    # --- settings ----------------------------------------------------------------------------------------------

    def get(self, name: str) -> Any:
        """A parameter in its unit, or the name of its value."""
        row = _parameter(name)
        reply: m.Parameter = self.link.request(m.Get(0, row.id), node=self.node, axis=self._scope(row))
        return show_parameter(row, reply.value)

    def set(self, name: str, value: Any) -> Any:
        """Write a parameter; returns the value now in force. Raises UsageProblem for values that cannot be."""
        row = _parameter(name)
        try:
            count = read_parameter(row, value)
        except ValueProblem as error:
            raise UsageProblem(f"{error}.") from None
        reply: m.Parameter = self.link.request(m.Set(0, row.id, count), node=self.node, axis=self._scope(row))
        return show_parameter(row, reply.value)

    def save(self) -> None:
        """Store settings, marks and texts of the axis."""
        self._request(m.Save(0))

    def restore(self, source: str = "stored") -> None:
        """Put settings back: `stored` or `factory`."""
        number = next((count for count, name, _ in ENUMS["restore"] if name == source), None)
        if number is None:
            raise UsageProblem(f"settings come from {source!r}; choose one of: {', '.join(names('restore').values())}.")
        self._request(m.Restore(0, number))

    def _scope(self, row: Param) -> int:
        return ALL_AXES if row.scope == "node" else self.axis

    def _name(self) -> str:
        return f"axis {self.axis} of node {self.node}"

    # --- recording ---------------------------------------------------------------------------------------------

    def record(
        self, seconds: float | None = None, *, until: Callable[[], bool] | None = None, rate: float = 200.0,
        timeout: float = MOVE_TIMEOUT,
    ) -> Recording:  # fmt: skip
        """Record for some seconds, or until something holds (looked at every 10 ms), at `rate` samples a second.

        Where the node may speak unasked this is telemetry, and its telemetry settings are put back afterwards; on a
        shared line, or when another control owns the axis, each sample is asked for. Lost rows are left out and
        counted in the link's `losses`.
        """
        if (seconds is None) == (until is None):
            raise UsageProblem("a recording needs either a length in seconds or a condition that ends it.")
        if not 1 <= rate <= _RATE.hi:
            raise UsageProblem(f"the rate is {rate:g} samples a second; it must be 1 to {_RATE.hi}.")
        rows = _Rows(self)
        done = until if until is not None else lambda: False
        length = timeout if seconds is None else seconds
        try:
            if rows.start(rate):
                self.link.wait_until(done, length)
            else:
                rows.poll(rate, done, length)
            whole = rows.finish()
        except BaseException:
            # Ctrl-C, or a script that failed. What we drive stops before telemetry goes back, for that takes answers.
            # On a broken link neither comes through; the first error is the one to tell.
            for node, axis in self.link.owned:
                with suppress(RingletError):
                    self.link.stop(node, axis)
            rows.finish()
            raise
        if not whole:
            self.link.transport.notice(f"The telemetry of {self._name()} could not be put back as it was.")
        return rows.recording()


def put_back(settings: Iterable[tuple[AxisHandle, str, Any]]) -> list[AxisHandle]:
    """Write settings as they were before; returns the axes where that failed. Raises LinkProblem.

    Ctrl-C breaks it off only when it comes twice; once it is raised when all is done.
    """
    left, failed = deque(settings), []
    cut: KeyboardInterrupt | None = None
    while left:
        handle, name, value = left[0]
        try:
            handle.set(name, value)
        except (DeviceRefused, NoAnswer):
            failed.append(handle)
        except KeyboardInterrupt as error:
            if cut is not None:
                raise
            cut = error
            continue
        left.popleft()
    if cut is not None:
        raise cut
    return failed


class _Rows:
    """Collects the messages of one sample under their tag."""

    def __init__(self, handle: AxisHandle) -> None:
        self._handle, self._link = handle, handle.link
        self._open: dict[int, dict[str, Any]] = {}
        self._rows: list[tuple[int, int, int, int, int]] = []
        self._before: list[tuple[str, Any]] = []
        """telemetry settings to put back"""
        self._undo: Callable[[], None] = lambda: None

    def start(self, rate: float) -> bool:
        """Switch telemetry on; False where it must be asked for."""
        handle = self._handle
        if handle.get(_SHARED.name) == "on":
            return False
        selected = sum(1 << _KINDS[name] for name in _RECORDED)
        wanted = {_SELECT.name: selected, _RATE.name: round(rate)}
        for name, value, before in [(name, value, handle.get(name)) for name, value in wanted.items()]:
            self._before.insert(0, (name, before))  # without an answer it may be set all the same
            try:
                handle.set(name, value)
            except DeviceRefused:
                self._before.pop(0)
                return False
        self._undo = self._link.subscribe(self._hear, _RECORDED)
        return True

    def finish(self) -> bool:
        """Telemetry as it was before; False where it could not be put back. Never raises a RingletError."""
        self._undo()
        try:
            return not put_back([(self._handle, name, value) for name, value in self._before])
        except RingletError:
            return False

    def _hear(self, heard: Packet, _: float) -> None:
        if heard.src != self._handle.node or heard.axis != self._handle.axis:
            return
        name, body = _NAMES[type(heard.body)], heard.body
        sample = self._open.setdefault(body.tag, {})
        sample[name] = body
        if len(sample) == len(_RECORDED):
            self._add(self._open.pop(body.tag))
            self._open = {tag: parts for tag, parts in self._open.items() if (body.tag - tag) & 0xFF < 8}

    def _add(self, sample: dict[str, Any]) -> None:
        motion, drive = sample["motion"], sample["drive"]
        self._rows.append((sample["sample"].time, drive.setpoint, motion.position, motion.velocity, drive.current))

    def poll(self, rate: float, done: Callable[[], bool], length: float) -> None:
        """Ask for each sample."""
        clock = self._link.clock
        first = clock.now()
        due = first
        while clock.now() < first + length and not done():
            try:
                self._add({name: self._handle._request(m.Poll(0, _KINDS[name])) for name in _RECORDED})
            except NoAnswer:
                self._link.count_loss(f"poll {self._handle.node}.{self._handle.axis}")
            due = max(due + 1 / rate, clock.now())
            self._link.wait(due - clock.now())

    def recording(self) -> Recording:
        import numpy as np  # slow to load: not before a stop goes out

        table = np.array(self._rows, dtype=np.float64).reshape(-1, 5)
        start = table[0, 0] if len(table) else 0.0
        self._handle.record_began_s = start / 1e6
        return Recording(
            (table[:, 0] - start) / 1e6, table[:, 1] / MDEG, table[:, 2] / MDEG, table[:, 3] / MDEG, table[:, 4] / 1e3
        )


_NAMES: Final[dict[type[Any], str]] = {m.Motion: "motion", m.Drive: "drive", m.Sample: "sample"}


def counts(value: float, label: str, unit: str, *, lo: int = -(1 << 31), hi: int = (1 << 31) - 1) -> int:
    """Thousandths of a value, rounded to the nearest. Raises UsageProblem for text, NaN and off-range values."""
    try:
        number = Decimal(str(value))
        if number.is_finite():
            number = number.quantize(Decimal("0.001"), ROUND_HALF_EVEN)
        return to_counts(number, "0.001", lo, hi, label, unit)
    except (InvalidOperation, ValueProblem) as error:
        text = str(error) if isinstance(error, ValueProblem) else f"{label} is {value!r}, which is not a usable number"
        raise UsageProblem(f"{text}.") from None


def _parameter(name: str) -> Param:
    row = BY_NAME.get(name)
    if row is None:
        raise UsageProblem(f"there is no parameter {name!r}; see the table of parameters.")
    return row
