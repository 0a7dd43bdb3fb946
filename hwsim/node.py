"""A node: one board with one to eight axes. Hears messages, answers each request, speaks when it may. Never sleeps."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from ringlet.hwsim.axis import Axis
from ringlet.hwsim.settings import PowerCut, Settings, Store
from ringlet.hwsim.uploads import No, text_reply
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, WireError, kind_of, packet, unpack
from ringlet.protocol.codes import TIMING, VERSION_MAJOR, VERSION_MINOR, Fault, Flag, Refusal, names
from ringlet.protocol.header import (
    ALL_AXES,
    CONTROL_LAST,
    EVERYONE,
    FRESH,
    IDENT_MAX,
    KIND_SHIFT,
    NOBODY,
    unpack_header,
)
from ringlet.protocol.items import text_parts
from ringlet.protocol.params import ANY, BY_ID, BY_NAME
from ringlet.protocol.states import REQUESTS, State
from ringlet.protocol.wire import KINDS, Kind, problem

MS = 1000
POLLED = (m.Motion, m.Drive, m.Health, m.Status, m.Sample)
"""Telemetry messages in the order of the enumeration `poll`."""
PERIOD_MS = (0, *(max(1, round(1000 / rate)) for rate in range(1, BY_NAME["telemetry-rate"].hi + 1)))
"""Milliseconds between samples, by telemetry rate in Hz; 0 for none."""
NODE_TEXTS = 2
"""Items below this belong to the node: maker and model."""
SAID_MOST = 1024
"""Answers kept for repeated requests; more than a control can ask in the repeat time."""


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
        self.now_us = 0
        self.start(first=True)

    def start(self, *, first: bool = False) -> None:
        """Power-up."""
        self.settings = Settings("node", self.card.factory)
        content, broken = self.store.load()
        self.settings.load((content or {}).get("parameters", {}))
        self.address = self.settings["address"]
        self.clock_offset = 0
        self.clock_set = False
        self.found = False
        self.outbox: list[Packet] = []
        self._later: list[tuple[int, Any, int]] = []
        self._said: dict[tuple[int, bytes], tuple[int, Packet]] = {}
        self._counted = [0] * len(self.axes)
        if not first:
            for axis in self.axes:
                axis.start()
        if broken:
            for axis in self.axes:
                axis.latch(Fault.SETTINGS_LOST)
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
        """A message on the bus, from a control or from another node. Never raises, whatever the bytes are."""
        if not 0 <= ident <= IDENT_MAX:
            self.ignored += 1
            return
        kind = KINDS.by_code.get(ident >> KIND_SHIFT & 0xFF)
        if kind is not None and kind.sender == "node":
            if kind.cls is m.Announce:  # of what other nodes say, only this concerns us
                self._hear_node(unpack_header(ident).src, ident, bytes(data), kind)
            return
        data = bytes(data)
        header = unpack_header(ident)
        if header.dst not in (self.address, EVERYONE):
            return
        if header.src in (NOBODY, EVERYONE) and (kind is None or kind.cls is not m.Stop):
            self.ignored += 1  # nobody can own an axis or be answered; a stop counts from anyone
            return
        try:
            body = unpack(ident, data).body
        except WireError as error:
            answered = kind.role == "request" if kind is not None else header.src <= CONTROL_LAST
            if header.dst != EVERYONE and answered:  # what a newer node says is not refused
                code = Refusal.UNKNOWN_KIND if kind is None else Refusal.SHORT_BODY
                item = header.kind if kind is None else error.size
                self._refuse(header.src, header.axis, data[0] if data else 0, header.kind, No(code, item))
            else:
                self.ignored += 1
            return
        assert kind is not None
        if header.dst == EVERYONE and not kind.broadcast:
            self.ignored += 1
            return
        try:
            self._heed(Packet(ident, body), kind, data)
        except PowerCut:
            self.start()  # the supply went during a save, and came back

    def _hear_node(self, src: int, ident: int, data: bytes, kind: Kind) -> None:
        """Another node speaks: from our own address it is a conflict, and this one steps aside."""
        if src != self.address or src == FRESH or len(data) < kind.size:
            return
        if unpack(ident, data).body.id != self.card.unique_id:
            self.address = FRESH
            self._later.clear()
            for axis in self.axes:
                axis.latch(Fault.ADDRESS_TAKEN)
                if axis.owner:
                    axis.owner_left = 0

    def _heed(self, message: Packet, kind: Kind, data: bytes) -> None:
        body, src = message.body, message.src
        broadcast = message.dst == EVERYONE or src in (NOBODY, EVERYONE)
        if kind.role == "stream":
            self._stream(message, kind)
            return
        if message.axis != ALL_AXES and message.axis >= len(self.axes):
            if not broadcast:
                self._refuse(src, message.axis, body.tag, kind.code, No(Refusal.UNKNOWN_AXIS, message.axis))
            return
        # A question may be answered anew, and a stop is never passed over.
        once = (kind.reply == "done" or kind.owner != "") and kind.cls is not m.Stop
        key = (message.ident, data)
        if once:
            last = self._said.get(key)
            if last is not None and self.now_us - last[0] <= TIMING["repeat"].ms * MS:
                self.outbox.append(last[1])
                return
        wrong = _wrong(body, kind)
        answer = self._request(message, kind) if wrong is None else No(Refusal.OUT_OF_RANGE, wrong)
        if answer is None:
            return
        # Nobody answers a broadcast as one; only the node that `assign` names has something to refuse.
        named = isinstance(body, m.Assign) and body.id == self.card.unique_id
        if broadcast and not named and (kind.reply == "done" or isinstance(answer, No)):
            return
        if isinstance(answer, No):
            said = self._refuse(src, message.axis, body.tag, kind.code, answer)
        else:
            said = self._say(answer, src, message.axis)
        if once:
            self._said.pop(key, None)
            self._said[key] = (self.now_us, said)
            if len(self._said) > SAID_MOST:
                del self._said[next(iter(self._said))]

    def _refuse(self, dst: int, axis: int, tag: int, of: int, no: No) -> Packet:
        return self._say(m.Refused(tag, of, int(no.code), no.item), dst, axis)

    # --- streams -----------------------------------------------------------------------------------------------

    def _stream(self, message: Packet, kind: Kind) -> None:
        body, src = message.body, message.src
        if _wrong(body, kind) is not None:
            self.ignored += 1
            return
        if isinstance(body, m.Clock):
            self.clock_offset = body.time - self.now_us
            self.clock_set = True
            return
        if kind.scope == "node":
            return  # timecode, range and the like: known, and of no use to a plain motor
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
        handler = _HANDLERS.get(kind.name)
        if handler is None:  # a kind of the table that this firmware does not know yet
            return No(Refusal.UNKNOWN_KIND, kind.code)
        return handler(self, message, axes)

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
        return m.Status(tag, int(axis.state), flags, axis.first_fault, axis.owner, axis.share_of_ring(axis.position))

    def _telemetry(self, tag: int, axis: Axis, what: int) -> Any:
        reading = axis.reading
        match POLLED[what]:
            case m.Motion:
                return m.Motion(tag, _cut(axis.position, 32), _cut(reading.velocity_mdeg_s, 24))
            case m.Drive:
                limit = axis.torque_limit()
                load = round(100 * abs(reading.torque_mnm) / limit) if limit else 0
                return m.Drive(tag, _cut(axis.ramp.position, 32), _cut(reading.current_ma, 16), min(255, load))
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
        return self._one(message, axes, lambda axis: axis.uploads.answer_marks(message.body))

    def _texts(self, message: Packet, axes: list[Axis]) -> Any:
        body = message.body
        item = body.item if isinstance(body, m.CommitText) else body.item >> 4
        if item not in _ITEMS or (item < NODE_TEXTS) != (message.axis == ALL_AXES):
            return No(Refusal.UNKNOWN_ITEM, item)
        if item >= NODE_TEXTS:
            return axes[0].uploads.answer_text(body)
        if isinstance(body, m.GetText):
            return text_reply(body, text_parts((self.card.maker, self.card.model)[item]))
        return No(Refusal.READ_ONLY, item)

    # --- one millisecond ---------------------------------------------------------------------------------------

    def tick(self) -> list[Packet]:
        """Advance 1 ms; returns what the node says."""
        self.now_us += MS
        if self.axes:
            self.axes[0].drive.supply.begin_tick()
        for index, axis in enumerate(self.axes):
            axis.tick()
            period = PERIOD_MS[axis.settings.values["telemetry-rate"]]
            sample = period > 0 and self.now_us // MS % period == 0
            if sample or axis.news:
                self._tell(index, axis, sample)
        if self._later:
            due = [entry for entry in self._later if entry[0] <= self.now_us]
            self._later = [entry for entry in self._later if entry[0] > self.now_us]
            for _, body, dst in due:
                self._say(body, dst)
        said, self.outbox = self.outbox, []
        return said

    def _tell(self, index: int, axis: Axis, sample: bool) -> None:
        # Two fresh nodes would speak under one identifier, and nobody could tell them apart.
        quiet = self.settings.values["shared-line"] or self.address == FRESH
        for what, value in () if quiet else axis.news:
            if what == "fault":
                self._say(m.FaultEvent(0, value, _cut(axis.position, 32)), EVERYONE, index)
            else:
                self._say(self._owner(0, axis), value, index)
        axis.news.clear()
        if sample and not quiet:
            tag = self._counted[index]
            self._counted[index] = tag + 1 & 0xFF
            select = axis.settings["telemetry-select"]
            for number in range(len(POLLED)):
                if select >> number & 1:
                    self._say(self._telemetry(tag, axis, number), EVERYONE, index)


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
    "get-faults": lambda n, p, a: n._one(p, a, lambda x: m.Faults(p.body.tag, _mask(x.present), _mask(x.latched))),
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


_ITEMS = frozenset(names("item"))
_CHOICES = {
    kind.code: tuple(
        (index, frozenset(names(spec.field.values))) for index, spec in enumerate(kind.fields) if spec.field.values
    )
    for kind in KINDS
    if kind.sender == "control"
}
"""Fields that hold a choice, with the counts that have a meaning."""


def _wrong(body: Any, kind: Kind) -> int | None:
    """Index of the first field whose count has no meaning, or None."""
    found = problem(body)
    if found is not None:
        return found[0]
    for index, choices in _CHOICES.get(kind.code, ()):
        if body[index] not in choices:
            return index
    return None


def _mask(faults: Iterable[Fault]) -> int:
    return sum(1 << fault for fault in faults)

