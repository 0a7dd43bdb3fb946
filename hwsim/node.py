"""A node: one board with one to eight axes. Hears messages, answers each request, speaks when it may. Never sleeps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from ringlet.hwsim.axis import Axis, No
from ringlet.hwsim.settings import Settings, Store
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, WireError, kind_of, packet, unpack
from ringlet.protocol.codes import TIMING, VERSION_MAJOR, VERSION_MINOR, Fault, Flag, Refusal
from ringlet.protocol.header import ALL_AXES, EVERYONE, FRESH, NOBODY, unpack_header
from ringlet.protocol.items import marks_check, text_parts
from ringlet.protocol.params import ANY, BY_ID
from ringlet.protocol.states import REQUESTS, State
from ringlet.protocol.wire import KINDS, Kind, problem

MS = 1000
POLLED = (m.Motion, m.Drive, m.Health, m.Status, m.Sample)
"""Telemetry messages in the order of the enumeration `poll`."""
NODE_TEXTS = 2
"""Items below this belong to the node: maker and model."""


@dataclass(frozen=True, slots=True)
class NodeCard:
    """What the maker puts into a node."""

    unique_id: int
    maker: str
    model: str
    firmware: int = 1
    hardware: int = 1
    major: int = VERSION_MAJOR
    factory: dict[str, int] = field(default_factory=dict)


class Node:
    """Firmware of one board. `hear` takes what is on the bus, `tick` advances 1 ms, `outbox` holds what it says."""

    def __init__(self, card: NodeCard, axes: list[Axis], store: Store) -> None:
        self.card, self.axes, self.store = card, axes, store
        self.ignored = 0
        self.start(first=True)

    def start(self, *, first: bool = False) -> None:
        """Power-up."""
        self.settings = Settings("node", self.card.factory)
        content, _ = self.store.load()
        self.settings.load((content or {}).get("parameters", {}))
        self.address = self.settings["address"]
        self.now_us = 0 if first else self.now_us
        self.clock_offset = 0
        self.clock_set = False
        self.found = False
        self.outbox: list[Packet] = []
        self._later: list[tuple[int, Any, int]] = []
        self._said: dict[tuple[int, int, int], tuple[int, int, Packet]] = {}
        self._counted = [0] * len(self.axes)
        if not first:
            for axis in self.axes:
                axis.start()
        if self.address != FRESH and not self.settings["shared-line"]:
            self._say_later(self._slot_us(), m.Announce(0, self.card.unique_id, self._version()), EVERYONE)

    # --- small things ------------------------------------------------------------------------------------------

    def _version(self) -> int:
        return self.card.major << 4 | VERSION_MINOR

    def _slot_us(self) -> int:
        """Place in the announce window, mixed from the unique id so that neighbours do not share it."""
        mixed = self.card.unique_id * 0x9E3779B97F4A7C15 & (1 << 64) - 1
        return (mixed >> 40) % TIMING["announce_window"].ms * MS

    def _say(self, body: Any, dst: int, axis: int = ALL_AXES, src: int | None = None) -> Packet:
        said = packet(body, dst=dst, src=self.address if src is None else src, axis=axis)
        self.outbox.append(said)
        return said

    def _say_later(self, delay_us: int, body: Any, dst: int) -> None:
        self._later.append((self.now_us + delay_us, body, dst))

    @property
    def bus_time(self) -> int:
        """The bus clock as this node knows it, in microseconds, 48 bits."""
        return self.now_us + self.clock_offset & (1 << 48) - 1

    # --- hearing -----------------------------------------------------------------------------------------------

    def hear(self, ident: int, data: bytes) -> None:
        """A message on the bus, from a control or from another node."""
        header = unpack_header(ident)
        kind = KINDS.by_code.get(header.kind)
        if kind is not None and kind.sender == "node":
            self._hear_node(header.src, ident, data, kind)
            return
        if header.dst not in (self.address, EVERYONE):
            return
        try:
            body = unpack(ident, data).body
        except WireError as error:
            if header.dst != EVERYONE:
                code = Refusal.UNKNOWN_KIND if kind is None else Refusal.SHORT_BODY
                item = header.kind if kind is None else error.size
                self._refuse(header.src, header.axis, data[0] if data else 0, header.kind, No(code, item))
            return
        assert kind is not None
        if header.dst == EVERYONE and not kind.broadcast:
            self.ignored += 1
            return
        self._heed(Packet(ident, body), kind)

    def _hear_node(self, src: int, ident: int, data: bytes, kind: Kind) -> None:
        """Another node speaks: from our own address it is a conflict, and this one steps aside."""
        if kind.cls is not m.Announce or src != self.address or src == FRESH or len(data) < kind.size:
            return
        if unpack(ident, data).body.id != self.card.unique_id:
            self.address = FRESH
            self._later.clear()
            for axis in self.axes:
                axis.latched.add(Fault.ADDRESS_TAKEN)
                if axis.owner:
                    axis.owner_left = 0

    def _heed(self, message: Packet, kind: Kind) -> None:
        body, src, broadcast = message.body, message.src, message.dst == EVERYONE
        if kind.role == "stream":
            self._stream(message, kind)
            return
        if message.axis != ALL_AXES and message.axis >= len(self.axes):
            if not broadcast:
                self._refuse(src, message.axis, body.tag, kind.code, No(Refusal.UNKNOWN_AXIS, message.axis))
            return
        key = (src, kind.code, message.axis)
        last = self._said.get(key)
        repeat = last and last[0] == body.tag and self.now_us - last[1] <= TIMING["repeat"].ms * MS
        if last and repeat and not broadcast:
            self.outbox.append(last[2])
            return
        wrong = problem(body)
        answer = No(Refusal.OUT_OF_RANGE, wrong[0]) if wrong else self._request(message, kind)
        if answer is None:
            return
        if broadcast and kind.reply == "done":
            return
        if isinstance(answer, No):
            said = self._refuse(src, message.axis, body.tag, kind.code, answer)
        else:
            said = self._say(answer, src, message.axis)
        self._said[key] = (body.tag, self.now_us, said)

    def _refuse(self, dst: int, axis: int, tag: int, of: int, no: No) -> Packet:
        return self._say(m.Refused(tag, of, int(no.code), no.item), dst, axis)

    # --- streams -----------------------------------------------------------------------------------------------

    def _stream(self, message: Packet, kind: Kind) -> None:
        body, src = message.body, message.src
        if problem(body):
            self.ignored += 1
            return
        if isinstance(body, m.Clock):
            self.clock_offset = body.time - self.now_us
            self.clock_set = True
            return
        if isinstance(body, m.Timecode | m.Range):
            return  # known, and of no use to a plain motor
        for axis in self._axes(message.axis):
            if axis.owner != src:
                self.ignored += 1
                continue
            axis.heard()
            if isinstance(body, m.KeepAlive):
                continue
            if isinstance(body, m.Sync) and (axis.staged is None or axis.staged[2] != src):
                continue
            if axis.may(kind.name, body) is None:
                axis.do(kind.name, body, src)
            else:
                self.ignored += 1

    def _axes(self, number: int) -> list[Axis]:
        if number == ALL_AXES:
            return self.axes
        return [self.axes[number]] if number < len(self.axes) else []

    # --- requests ----------------------------------------------------------------------------------------------

    def _request(self, message: Packet, kind: Kind) -> Any:
        """The answer: a body, a refusal, or None where nothing is said now."""
        finder = _FINDERS.get(kind.name)
        if finder is not None:
            return finder(self, message)
        axes = self._axes(message.axis)
        for axis in axes:
            no = self._owner_check(axis, message.src, kind)
            if no is not None:
                return no
        for axis in axes:
            if axis.owner == message.src:
                axis.heard()
        if kind.name in REQUESTS:
            for axis in axes:  # all or none
                no = axis.may(kind.name, message.body)
                if no is not None:
                    return no
            for axis in axes:
                axis.do(kind.name, message.body, message.src)
            return m.Done(message.body.tag, kind.code)
        return _HANDLERS[kind.name](self, message, axes)

    def _owner_check(self, axis: Axis, src: int, kind: Kind) -> No | None:
        if not kind.owner or axis.owner == src:
            return None
        if axis.owner:
            return No(Refusal.OWNED, axis.owner)
        return No(Refusal.NOT_OWNER, 0) if kind.owner == "must" else None

    def _discover(self, message: Packet) -> Any:
        self.found = False
        if self.address == FRESH:
            self._here(message)
            return None
        body = m.Announce(message.body.tag, self.card.unique_id, self._version())
        if message.dst != EVERYONE:
            return body
        self._say_later(self._slot_us(), body, message.src)
        return None

    def _here(self, message: Packet) -> None:
        self._say(m.Here(message.body.tag), message.src, src=NOBODY)

    def _search(self, message: Packet) -> Any:
        body: m.Search = message.body
        bits, everyone = body.bits & 0x3F, body.bits & 0x80
        if bits == 0:
            self.found = False
        shift = 48 - min(bits, 48)
        if not self.found and (everyone or self.address == FRESH) and self.card.unique_id >> shift == body.id >> shift:
            self._here(message)
        return None

    def _assign(self, message: Packet) -> Any:
        body: m.Assign = message.body
        if body.id != self.card.unique_id:
            return None
        self.found = True
        if body.address:
            self.address = body.address
            self.settings.values["address"] = body.address
        self._say(m.Announce(body.tag, self.card.unique_id, self._version()), message.src)
        return None

    def _take(self, message: Packet, axes: list[Axis]) -> Any:
        body: m.Take = message.body
        for axis in axes:
            if axis.owner not in (0, message.src) and not body.force:
                return No(Refusal.OWNED, axis.owner)
        for axis in axes:
            axis.take(message.src, bool(body.force))
        return m.Done(body.tag, kind_of(body).code)

    def _one(self, message: Packet, axes: list[Axis], reply: Callable[[Axis], Any]) -> Any:
        """For requests that only one axis can answer."""
        return reply(axes[0]) if len(axes) == 1 else No(Refusal.UNKNOWN_AXIS, message.axis)

    def _owner(self, tag: int, axis: Axis) -> m.Owner:
        return m.Owner(tag, axis.owner, min(65535, axis.owner_left) if axis.owner else 0)

    def _status(self, tag: int, axis: Axis) -> m.Status:
        flags = axis.flags | (1 << Flag.CLOCK_SET if self.clock_set else 0)
        fault = int(min(axis.latched, default=0))
        return m.Status(tag, int(axis.state), flags, fault, axis.owner, axis.share_of_ring(axis.position))

    def _telemetry(self, tag: int, axis: Axis, what: int) -> Any:
        reading = axis.reading
        match POLLED[what]:
            case m.Motion:
                return m.Motion(tag, axis.position, _cut(reading.velocity_mdeg_s, 24))
            case m.Drive:
                limit = axis.torque_limit()
                load = round(100 * abs(reading.torque_mnm) / limit) if limit else 0
                return m.Drive(tag, round(axis.ramp.position), _cut(reading.current_ma, 16), min(255, load))
            case m.Health:
                supply = max(0, min(65535, round(reading.supply_mv)))
                return m.Health(tag, supply, _cut(10 * reading.winding_c, 16), _cut(10 * reading.case_c, 16))
            case m.Status:
                return self._status(tag, axis)
            case _:
                return m.Sample(tag, self.bus_time)

    def _poll(self, message: Packet, axes: list[Axis]) -> Any:
        body: m.Poll = message.body
        return self._one(message, axes, lambda axis: self._telemetry(body.tag, axis, body.what))

    def _get(self, message: Packet, axes: list[Axis]) -> Any:
        body: m.Get = message.body
        row = BY_ID.get(body.parameter)
        if row is None or (row.scope == "node") != (message.axis == ALL_AXES):
            return No(Refusal.UNKNOWN_PARAMETER, body.parameter)
        values = self.settings if row.scope == "node" else axes[0].settings
        return m.Parameter(body.tag, body.parameter, values[row.name])

    def _set(self, message: Packet, axes: list[Axis]) -> Any:
        body: m.Set = message.body
        row = BY_ID.get(body.parameter)
        if row is None or (row.scope == "node") != (message.axis == ALL_AXES):
            return No(Refusal.UNKNOWN_PARAMETER, body.parameter)
        if row.scope == "node":
            if row.write != ANY:
                return No(Refusal.READ_ONLY, body.parameter)
            if not row.lo <= body.value <= row.hi:
                return No(Refusal.OUT_OF_RANGE, body.parameter)
            self.settings.values[row.name] = body.value
        else:
            no = axes[0].set_parameter(body.parameter, body.value)
            if no is not None:
                return no
        return m.Parameter(body.tag, body.parameter, body.value)

    def _save(self, message: Packet, axes: list[Axis]) -> Any:
        try:
            for axis in axes:
                axis.save()
            if message.axis == ALL_AXES:
                self.store.save({"parameters": self.settings.stored_part()})
        except OSError:
            return No(Refusal.STORAGE_FAILED, 0)
        return m.Done(message.body.tag, kind_of(message.body).code)

    def _restore(self, message: Packet, axes: list[Axis]) -> Any:
        for axis in axes:
            if axis.state not in (State.RELEASED, State.HOLDING, State.FAULTED):
                return No(Refusal.WRONG_STATE, int(axis.state))
        for axis in axes:
            if message.body.source:
                axis.restore_factory()
            else:
                axis.restore_stored()
        if message.axis == ALL_AXES:
            content = {} if message.body.source else (self.store.load()[0] or {})
            self.settings.load(content.get("parameters", {}))
        return m.Done(message.body.tag, kind_of(message.body).code)

    # --- marks and texts ---------------------------------------------------------------------------------------

    def _marks(self, message: Packet, axes: list[Axis]) -> Any:
        if len(axes) != 1:
            return No(Refusal.UNKNOWN_AXIS, message.axis)
        axis, body = axes[0], message.body
        match body:
            case m.OpenMarks():
                axis.open_marks = (body.values, body.count, {})
            case m.PutMark():
                if axis.open_marks is None:
                    return No(Refusal.NOT_STAGED, body.index)
                if body.index >= axis.open_marks[1]:
                    return No(Refusal.UNKNOWN_ITEM, body.index)
                axis.open_marks[2][body.index] = (body.position, body.value)
            case m.CommitMarks():
                no = axis.commit_marks(body.check)
                if no is not None:
                    return no
            case m.GetMark():
                if body.index >= len(axis.marks):
                    return No(Refusal.UNKNOWN_ITEM, body.index)
                return m.Mark(body.tag, body.index, *axis.marks[body.index])
            case _:
                return m.Marks(body.tag, axis.marks_unit, len(axis.marks), marks_check(axis.marks))
        return m.Done(body.tag, kind_of(body).code)

    def _texts(self, message: Packet, axes: list[Axis]) -> Any:
        body = message.body
        item = body.item if isinstance(body, m.CommitText) else body.item >> 4
        part = 0 if isinstance(body, m.CommitText) else body.item & 0xF
        if item > 3 or (item < NODE_TEXTS) != (message.axis == ALL_AXES):
            return No(Refusal.UNKNOWN_ITEM, item)
        if isinstance(body, m.GetText):
            parts = (
                text_parts((self.card.maker, self.card.model)[item])
                if item < NODE_TEXTS
                else axes[0].texts.get(item) or text_parts("")
            )
            if part >= len(parts):
                return No(Refusal.UNKNOWN_ITEM, item)
            return m.Text(body.tag, body.item, parts[part])
        if item < NODE_TEXTS:
            return No(Refusal.READ_ONLY, item)
        if isinstance(body, m.PutText):
            if part == 0:
                axes[0].open_texts[item] = {}
            if item not in axes[0].open_texts:
                return No(Refusal.NOT_STAGED, item)
            axes[0].open_texts[item][part] = body.text
        else:
            no = axes[0].commit_text(item, body.parts, body.check)
            if no is not None:
                return no
        return m.Done(body.tag, kind_of(body).code)

    # --- one millisecond ---------------------------------------------------------------------------------------

    def tick(self) -> list[Packet]:
        """Advance 1 ms; returns what the node says."""
        self.now_us += MS
        if self.axes:
            self.axes[0].drive.supply.begin_tick()
        for index, axis in enumerate(self.axes):
            axis.tick()
            self._tell(index, axis)
        if self._later:
            due = [entry for entry in self._later if entry[0] <= self.now_us]
            self._later = [entry for entry in self._later if entry[0] > self.now_us]
            for _, body, dst in due:
                self._say(body, dst)
        said, self.outbox = self.outbox, []
        return said

    def _tell(self, index: int, axis: Axis) -> None:
        quiet = self.settings["shared-line"]
        for what, value in axis.news:
            if quiet:
                break
            if what == "fault":
                self._say(m.FaultEvent(0, value, axis.position), EVERYONE, index)
            else:
                self._say(self._owner(0, axis), value, index)
        axis.news.clear()
        rate = axis.settings["telemetry-rate"]
        if rate and not quiet and self.now_us // MS % max(1, round(1000 / rate)) == 0:
            tag = self._counted[index]
            self._counted[index] = tag + 1 & 0xFF
            for what in range(len(POLLED)):
                if axis.settings["telemetry-select"] >> what & 1:
                    self._say(self._telemetry(tag, axis, what), EVERYONE, index)


def _cut(value: float, bits: int) -> int:
    """Nearest count that fits a signed field."""
    most = (1 << bits - 1) - 1
    return max(-most, min(most, round(value)))


_FINDERS: dict[str, Callable[[Node, Packet], Any]] = {
    "discover": Node._discover,
    "search": Node._search,
    "assign": Node._assign,
}
"""Kinds that go to the node by its address or id, whatever its axes do."""

_HANDLERS: dict[str, Callable[[Node, Packet, list[Axis]], Any]] = {
    "take": Node._take,
    "get-owner": lambda n, p, a: n._one(p, a, lambda axis: n._owner(p.body.tag, axis)),
    "get-status": lambda n, p, a: n._one(p, a, lambda axis: n._status(p.body.tag, axis)),
    "get-faults": lambda n, p, a: n._one(p, a, lambda axis: m.Faults(p.body.tag, _mask(axis.present), _mask(axis.latched))),
    "get-clock": lambda n, p, a: m.ClockIs(p.body.tag, n.bus_time),
    "identify": lambda n, p, a: m.Identity(
        p.body.tag, len(n.axes), n.card.major, VERSION_MINOR, n.card.firmware, n.card.hardware
    ),
    "poll": Node._poll,
    "get": Node._get,
    "set": Node._set,
    "save": Node._save,
    "restore": Node._restore,
    "open-marks": Node._marks,
    "put-mark": Node._marks,
    "commit-marks": Node._marks,
    "get-marks": Node._marks,
    "get-mark": Node._marks,
    "get-text": Node._texts,
    "put-text": Node._texts,
    "commit-text": Node._texts,
}


def _mask(faults: set[Any]) -> int:
    return sum(1 << int(fault) for fault in faults)

