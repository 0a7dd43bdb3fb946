"""Run checks on one axis: find it, remember how it was found, run, put everything back and say so."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import VERSION_MAJOR, Flag
from ringlet.protocol.header import ALL_AXES, EVERYONE, FRESH, unpack_header
from ringlet.protocol.items import marks_check
from ringlet.protocol.params import BY_ID, PARAMETERS
from ringlet.protocol.states import State
from ringlet.tools.cli_common import note
from ringlet.tools.conform.check_uploads import put_marks, put_text_back, read_marks, read_text
from ringlet.tools.conform.probe import Broken, Frame, Probe, Problem, Room, Skip
from ringlet.tools.conform.span import find_first, lose_travel
from ringlet.tools.conform.table import Check, Level
from ringlet.tools.conform.wire import Wire
from ringlet.tools.errors import LinkProblem, NoAnswer, UsageProblem, WrongVersion
from ringlet.tools.signals import ending, handled

PASS, FAIL, SKIP = "pass", "fail", "skip"
AXIS_TEXTS: Final = (2, 3)
STILL: Final = (State.RELEASED, State.HOLDING, State.FAULTED)
ODD: Final = (ValueError, TypeError, KeyError, IndexError, AttributeError)
"""What an answer of an unexpected shape ends in: for the device's maker a finding, not a fault of the suite."""
LATE_S: Final = 1.5
"""How long an answer that came too late is still looked for, to say so."""
RUNS_ON: Final = "the axis cannot be stopped; cut its power"


@dataclass(frozen=True)
class Result:
    """What one check found. `seconds` and the evidence are in the link's time."""

    check: Check
    outcome: str
    reason: str = ""
    """why it was skipped"""
    problems: tuple[Problem, ...] = ()
    began: float = 0.0
    seconds: float = 0.0


@dataclass
class Found:
    """How the axis was when it was found."""

    parameters: dict[int, int] = field(default_factory=dict)
    marks: tuple[int, list[tuple[int, int]]] | None = None
    """None where they could not be read"""
    texts: dict[int, list[bytes]] = field(default_factory=dict)
    unsaved: bool = False
    state: int = 0


@dataclass
class Report:
    """A whole run. `left` tells what is not as it was found."""

    link: str
    node: int
    axis: int
    identity: Any
    results: list[Result] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    repeats: int = 0
    """requests that had to be sent again"""
    cut: str = ""
    """why checks that were asked for did not run, where the device or an interruption is the cause"""

    def count(self, outcome: str) -> int:
        return sum(one.outcome == outcome for one in self.results)

    @property
    def failed(self) -> list[Result]:
        """Failures of checks that are a must."""
        return [one for one in self.results if one.outcome == FAIL and one.check.severity == "must"]

    @property
    def ok(self) -> bool:
        """Whether the device did what it must, to the end, and is as it was found."""
        return not (self.failed or self.cut or self.left)


def only_node(wire: Wire, source: int) -> int:
    """The address of the only node on the bus. Raises UsageProblem, NoAnswer."""
    p = Probe(wire, EVERYONE, ALL_AXES, source)
    ident, data = p.build(m.Discover(0), dst=EVERYONE, axis=ALL_AXES)
    p.raw(ident, data)
    heard = p.hear(p.reply_s("announce_window") + 0.03 + wire.transport.turnaround)
    found = {unpack_header(one.ident).src for one in heard if isinstance(p.body(one), m.Announce)}
    if not found:
        if any(isinstance(p.body(one), m.Here) for one in heard):
            raise UsageProblem("the node has no address yet; give it one with `ringlet discover --assign`.")
        raise NoAnswer(f"no node announces itself on {wire.transport.label}{_instead(p, heard)}; check power, wiring "
            "and speed, or --node.")
    if len(found) > 1:
        raise UsageProblem(f"there are {len(found)} nodes; choose one with --node: "
            f"{', '.join(map(str, sorted(found)))}.")
    return found.pop()


def meet(wire: Wire, node: int | None, axis: int, source: int, *, force: bool = False, room: Room | None = None) -> (
    tuple[Probe, Report, Found]
):  # fmt: skip
    """The axis under test, and how it was found. Raises UsageProblem, NoAnswer, WrongVersion."""
    address = only_node(wire, source) if node is None else node
    if address == FRESH:
        raise UsageProblem("the node has no address yet; give it one with `ringlet discover --assign`.")
    p = Probe(wire, address, axis, source)
    p.room = room or Room()
    identity = p.ask(m.Identify(0))
    if not isinstance(identity, m.Identity):
        raise NoAnswer(f"node {address} does not answer identify on {wire.transport.label}{_instead(p, [])}; the "
            "checks need that first.")
    if identity.major != VERSION_MAJOR:
        raise WrongVersion(
            f"node {address} speaks version {identity.major}.{identity.minor} of the protocol and this suite "
            f"{VERSION_MAJOR}: it is shown and not driven."
        )
    if axis >= identity.axes:
        raise UsageProblem(f"node {address} has no axis {axis}; it has axes 0 to {identity.axes - 1}.")
    p.axes = identity.axes
    try:
        found = _look(p)
        owner = p.owner().owner
        if owner and not force:
            raise UsageProblem(f"control {owner} owns axis {axis}; wait until it yields, or add --force.")
        if found.state not in STILL:
            raise UsageProblem("the axis is in motion; stop it first.")
        if owner:
            p.must(m.Take(0, 1))
            p.must(m.Yield(0))
        p.speaks = p.get("shared-line") == 0
        if p.flag(Flag.CALIBRATED):
            p.room.known, p.room.travel = True, (p.get("travel-min"), p.get("travel-max"))
        if found.state == State.HOLDING:
            p._release()
    except (Broken, *ODD) as error:
        raise NoAnswer(f"the device cannot be looked at before the checks ({error}); mend that first.") from None
    return p, Report(wire.transport.label, address, axis, identity), found


def _instead(p: Probe, heard: list[Frame]) -> str:
    """What came where an answer should have come: late ones, other frames, bytes that are no frames; or nothing."""
    begin = p.now()
    after = [] if p.wire.ideal else p.hear(LATE_S)
    heard = heard + after
    if late := [one for one in after if unpack_header(one.ident).dst == p.me]:
        who = unpack_header(late[0].ident).src
        return f" in time: a frame of node {who} came {late[0].time - begin:.2f} s after the time for an answer"
    if heard:
        return f", but {len(heard)} other frames came, the first of node {unpack_header(heard[0].ident).src}"
    if p.wire.lost:
        causes = ", ".join(f"{count} {cause}" for cause, count in sorted(p.wire.lost.items()))
        return f", and what came is no frame (dropped: {causes}), as with a wrong speed or debug text on the line"
    return ""


def _look(p: Probe) -> Found:
    found = Found(state=p.state(), unsaved=p.flag(Flag.UNSAVED))
    for row in PARAMETERS:
        answer = p.ask(m.Get(0, row.id), axis=ALL_AXES if row.scope == "node" else p.axis)
        if isinstance(answer, m.Parameter):
            found.parameters[row.id] = answer.value
    try:
        unit, table, _ = read_marks(p)
        found.marks = unit, table
    except (Broken, *ODD):
        pass  # the checks of uploads will tell
    try:
        found.texts = {item: read_text(p, item) for item in AXIS_TEXTS}
    except (Broken, *ODD):
        pass
    return found


def _missing(p: Probe, found: Found, row: Check, stops: bool) -> str:
    """Why a check cannot run here, or an empty text."""
    reasons = {
        "serial": (p.wire.has_bytes, "for serial lines"),
        "can": (p.wire.has_can, "for CAN"),
        "wired": (p.wire.shows_wire(can="can" in row.needs),
                  f"for a {'CAN bus' if 'can' in row.needs else 'serial line'}, real or simulated"),
        "speaks": (p.speaks, "a node on a shared line does not speak unasked"),
        "power": (p.wire.is_sim or p.room.ask_power is not None,
                  "nobody is there to switch the supply; run it on a terminal without --yes"),
        "sim": (p.wire.is_sim, "on simulated rigs only: no bench switches the supply at a chosen byte"),
        "store": (not found.unsaved, "the device has settings that are not saved; save or restore them first"),
        "axes": (p.axes > 1, "the node has one axis"),
    }  # fmt: skip
    for need in sorted(row.needs):
        holds, reason = reasons[need]
        if not holds:
            return reason
    if row.level is Level.STOPS and not stops:
        return "not asked for; add --stops if the ring has hard end stops"
    return ""


def run_one(p: Probe, row: Check) -> Result:
    """One check and the tidying after it."""
    p.clear()
    began = p.now()
    outcome, reason = PASS, ""
    try:
        row.run(p)
    except Skip as skip:
        outcome, reason = SKIP, str(skip)
    except Broken as broken:
        p.fail(str(broken), 12)
    except ODD as odd:
        p.fail(f"the answers cannot be made sense of ({type(odd).__name__}: {odd})", 12)
    problems = tuple(p.problems)
    if problems:
        outcome = FAIL
    seconds = p.now() - began
    p.clear()
    left = p.tidy()
    if not left:
        try:
            lose_travel(p)
        except Broken as error:
            left = [str(error)]
    if left:
        text = f"after the check the device could not be brought back: {'; '.join(left)}"
        problems = (*problems, Problem(text, tuple(p.trace[-12:])))
        return Result(row, FAIL, "", problems, began, p.now() - began)
    return Result(row, outcome, reason, problems, began, seconds)


class Session:
    """One axis from the first check to the last. `close` puts it back as it was found."""

    def __init__(self, p: Probe, report: Report, found: Found, *, stops: bool = False, find: bool = False) -> None:
        """`stops`: the ring has hard stops, which may be touched; `find`: find them before the first motion."""
        self.p, self.report, self.found, self.stops = p, report, found, stops
        self._find = find and stops and not p.room.known
        p.room.stops = stops
        self._silent = ""
        self._no_span = ""

    def take(self, row: Check) -> Result:
        """Run one check, or say why not."""
        if row.level is not Level.NOTHING and not self.p.wire.is_sim:
            import numpy  # noqa: F401  (slow to load: not while an axis has to be kept alive)
        reason = self._silent or _missing(self.p, self.found, row, self.stops)
        if not reason and row.level is Level.SPAN:
            reason = self._find_first() if self._find else self._no_span
        result = Result(row, SKIP, reason) if reason else run_one(self.p, row)
        self.report.results.append(result)
        if result.outcome == FAIL and not self._silent:
            if self.p.runs_on:
                self._silent = self._cut(RUNS_ON)
                note(f"{result.check.id}: {RUNS_ON} now. No more checks are run.")
            elif not _there(self.p):
                self._silent = self._cut("the device does not answer any more")
        return result

    def _find_first(self) -> str:
        """Find the end stops; without them nothing turns inside a span, but the checks of the search may tell why."""
        self._find = False
        try:
            reason = find_first(self.p)
        except ODD as odd:
            reason = f"not run: the end stops could not be found (an answer cannot be made sense of: {odd})"
        self._no_span = self._cut(reason.removeprefix("not run: ")) if reason else ""
        if self.p.runs_on:
            self._no_span = self._silent = self._cut(RUNS_ON)
        return self._no_span

    def _cut(self, why: str) -> str:
        """Note why no more is run, and give it as the reason of a check."""
        self.report.cut = why
        return f"not run: {why}"

    def close(self) -> None:
        """The device as it was found; `report.left` says what is not."""
        self.report.left = ["putting it back was interrupted; look at its settings"]
        try:
            self.report.left = put_back(self.p, self.found)
        except LinkProblem as error:
            self.report.left = [f"nothing could be put back, the link is gone ({str(error).rstrip('.')})"]
        self.report.repeats = self.p.repeats


def run(
    p: Probe, report: Report, found: Found, rows: Iterable[Check], *, stops: bool = False, find: bool = False,
    progress: Callable[[Result], None] | None = None,
) -> Report:  # fmt: skip
    """Run the checks; afterwards the device is as it was found, or `left` says what is not. Where an exception ends the
    run, Ctrl-C for example, the checks that are left are noted as not run."""
    session = Session(p, report, found, stops=stops, find=find)
    rows = list(rows)
    try:
        for row in rows:
            result = session.take(row)
            if progress is not None:
                progress(result)
    except BaseException as error:
        with _patient():
            report.cut = str(error).rstrip(".") if isinstance(error, LinkProblem) else "the run was interrupted"
            report.results += [Result(row, SKIP, f"not run: {report.cut}") for row in rows[len(report.results) :]]
            with suppress(LinkProblem):  # the owner time-out does the same a little later
                p.stop_all()
            session.close()
        raise
    with _patient():
        session.close()
    return report


@contextmanager
def _patient() -> Iterator[None]:
    """While a device is stopped and put back one more Ctrl-C does not end that; the next one does."""
    pressed = 0

    def once(number: int, frame: Any) -> None:
        nonlocal pressed
        pressed += 1
        if pressed > 1:
            signal.default_int_handler(number, frame)
        note("Stopping the axis and putting its settings back; once more leaves it as it is.")

    with handled([signal.SIGINT, *ending()], once):
        yield


def _there(p: Probe) -> bool:
    return any(p.ask(m.GetStatus(0)) is not None for _ in range(3))


def put_back(p: Probe, found: Found) -> list[str]:
    """Bring settings, marks and texts back to what they were; what is left different, in sentences.

    Each part by itself: a device that has no marks still gets its travel and its texts back.
    """
    left: list[str] = []
    p.clear()
    if not _there(p):
        p.tidy()
        return ["it does not answer, so nothing could be put back"]
    for part in (_put_rest, _put_parameters, _put_marks, _put_texts, _put_travel):
        try:
            part(p, found, left)
        except (Broken, *ODD) as error:
            left.append(f"it could not be looked at ({error})")
    return left


def _put_rest(p: Probe, found: Found, left: list[str]) -> None:
    p.tidy()
    if p.runs_on:
        left.append(RUNS_ON)


def _put_parameters(p: Probe, found: Found, left: list[str]) -> None:
    for number, value in found.parameters.items():
        row = BY_ID[number]
        if p.get(row.name) != value:
            p.ask(m.Set(0, number, value), axis=ALL_AXES if row.scope == "node" else p.axis)
        if (now := p.get(row.name)) != value:
            left.append(f"parameter {row.name} was {value} and is {now}")


def _put_marks(p: Probe, found: Found, left: list[str]) -> None:
    if found.marks is None:
        return
    unit, table, _ = read_marks(p)
    if (unit, table) != found.marks:
        put_marks(p, found.marks[1], found.marks[0])
        p.must(m.CommitMarks(0, marks_check(found.marks[1])))


def _put_texts(p: Probe, found: Found, left: list[str]) -> None:
    for item, parts in found.texts.items():
        if read_text(p, item) != parts:
            put_text_back(p, item, parts)


def _put_travel(p: Probe, found: Found, left: list[str]) -> None:
    lose_travel(p)
    known = p.flag(Flag.CALIBRATED)
    if known != p.room.known:
        left.append(f"the travel was {'known' if p.room.known else 'not known'} and is {'' if known else 'not '}known")
    if found.state == State.HOLDING:
        p.must(m.Take(0, 0))
        p.must(m.Hold(0))
        p.must(m.Yield(0))
    if p.flag(Flag.UNSAVED) and not found.unsaved:
        left.append("settings differ from the stored ones; `ringlet restore` brings the stored ones back")


__all__ = ["FAIL", "PASS", "SKIP", "Found", "Report", "Result", "Session", "meet", "only_node", "put_back", "run"]
