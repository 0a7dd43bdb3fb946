"""The link: one typed, synchronous way to talk to nodes over any transport.

    from ringlet.tools.link import Link

    with Link.open("sim:trio") as link:
        focus = link.axis(16, 0)
        focus.take()
        focus.find_stops()
        focus.move(90.0)

One thread, one link. On a simulated rig time is virtual: it passes only while the link waits.
"""

from __future__ import annotations

import struct
from collections import Counter, deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final, Self

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, kind_of, pack, packet
from ringlet.protocol.codes import TIMING, VERSION_MAJOR, Refusal, names
from ringlet.protocol.header import ALL_AXES, CONTROL_FIRST, CONTROL_LAST, EVERYONE, FRESH
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.wire import KINDS, Kind
from ringlet.tools import finding
from ringlet.tools.axis_handle import AxisHandle, Recording
from ringlet.tools.clock import Clock
from ringlet.tools.errors import DeviceRefused, LinkProblem, NoAnswer, RingletError, UsageProblem, WrongVersion
from ringlet.tools.finding import Found
from ringlet.tools.pending import ENDS, STARTS, Pending, lost_text, reaches, silence_text
from ringlet.tools.transports import Notice, SimTransport, Transport, open_transport

if TYPE_CHECKING:
    from ringlet.hwsim.simrig import SimRig

STOP_REPEATS: Final = 3
STOP_GAP: Final = 0.001
LOOK_EVERY: Final = 0.01
"""Seconds between two looks at a condition while nothing is heard."""
TAGS_PER_SECOND: Final = 128
"""First tags follow the clock, so that two runs within the repeat time do not send the same tag for new requests."""
ROUNDING: Final = 1e-9
"""Seconds that sums of times may be off."""
_TIMEOUT_ROW: Final = BY_NAME["owner-timeout"]
_POLLED: Final = names("poll")
_TELEMETRY: Final = frozenset(_POLLED.values())
_OVERTAKEN: Final = 16
"""So far behind the last of its stream a message counts as late, not as many lost ones."""


class Link:
    """A control on a bus. Opened by URL; a context manager. Closing it gives up the axes that it owns."""

    def __init__(
        self, transport: Transport, clock: Clock, *, source: int = 1, url: str = "", notice: Notice | None = None
    ) -> None:
        if not CONTROL_FIRST <= source <= CONTROL_LAST:
            raise UsageProblem(f"the source address is {source}; a control has {CONTROL_FIRST} to {CONTROL_LAST}.")
        self.pace = 1.0
        """how many times as fast as ours the nodes' clock runs (a rig served faster); keep-alives come sooner by it"""
        self.transport, self.clock, self.source = transport, clock, source
        self.url = url or transport.label
        if notice is not None:
            transport.notice = notice
        self.nodes: dict[int, Found] = {}
        """nodes that have announced themselves, by address"""
        self.clashes: dict[int, set[int]] = {}
        """address -> unique ids, where several nodes answer at one address"""
        self._met: set[int] = set()
        self._reopened = transport.reopened
        self._losses: Counter[str] = Counter()
        self._inbox: deque[Packet] = deque()
        self._pending: list[Pending] = []
        self._subscribers: dict[int, tuple[Callable[[Packet, float], None], frozenset[str]]] = {}
        self._next_subscriber = 0
        self._streams: dict[tuple[int, int, int, int], int] = {}
        self._tags: dict[tuple[int, int, int], int] = {}
        self._owned: dict[tuple[int, int], float] = {}
        self._taken_at: dict[tuple[int, int], float] = {}
        self._keep_due = 0.0
        self._closed = False

    @classmethod
    def open(cls, url: str, *, source: int = 1, notice: Notice | None = None) -> Self:
        """Open a link by URL: `serial:PORT?baud=115200` (any pyserial URL; `shared=1` for a line with several nodes),
        `can:INTERFACE:CHANNEL?bitrate=500000` (any python-can option), `sim:RIG?seed=0&store=FOLDER`.

        `notice` is called with one sentence when something happens that a person should hear (default: stderr).
        Raises UsageProblem or LinkProblem.
        """
        transport = open_transport(url)
        return cls(transport, transport.clock, source=source, url=url, notice=notice)

    @classmethod
    def over(cls, transport: Transport, clock: Clock, *, source: int = 1, notice: Notice | None = None) -> Self:
        """A link over a transport that is open already."""
        return cls(transport, clock, source=source, notice=notice)

    def beside(self, *, source: int) -> Link:
        """Another control on the same simulated rig, in the same virtual time. Raises UsageProblem on other links."""
        if not isinstance(self.transport, SimTransport):
            raise UsageProblem("a second control in this process is for simulated rigs; open a second link.")
        port = self.transport.beside()
        return Link(port, port.clock, source=source, url=self.url, notice=self.transport.notice)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Give up the axes that this link owns (they ramp down and hold), and close the transport."""
        if self._closed:
            return
        self._closed = True
        try:
            for node, axis in list(self._owned):
                with suppress(DeviceRefused, NoAnswer):  # then it was stopped, and the owner time-out frees it
                    self.request(m.Yield(0), node=node, axis=axis, retries=1)
        except LinkProblem:
            pass  # the owner time-out does the same a little later
        except BaseException:
            for node, axis in self._owned:
                with suppress(RingletError):
                    self.stop(node, axis)
            raise
        finally:
            self.transport.close()

    # --- what this link is -------------------------------------------------------------------------------------

    @property
    def is_can(self) -> bool:
        return self.transport.is_can

    @property
    def is_sim(self) -> bool:
        return isinstance(self.transport, SimTransport)

    @property
    def rig(self) -> SimRig | None:
        """The simulated rig behind `sim:`, otherwise None."""
        return self.transport.rig if isinstance(self.transport, SimTransport) else None

    @property
    def losses(self) -> Counter[str]:
        """What was lost so far: gaps in counted streams as `KIND NODE.AXIS`, repeated requests, frames by cause."""
        return self._losses + self.transport.lost

    @property
    def owned(self) -> frozenset[tuple[int, int]]:
        """(node, axis) of what this link owns, as far as it knows."""
        return frozenset(self._owned)

    def axis(self, node: int, axis: int) -> AxisHandle:
        """A handle for scripts on one axis."""
        return AxisHandle(self, node, axis)

    # --- sending -----------------------------------------------------------------------------------------------

    def next_tag(self, kind: int, node: int, axis: int) -> int:
        """The next tag for requests or streams of this kind (code) to this node and axis."""
        key = (kind, node, axis)
        tag = self._tags.get(key, int(self.clock.now() * TAGS_PER_SECOND)) + 1 & 0xFF
        self._tags[key] = tag
        return tag

    def send(self, body: Any, *, node: int = EVERYONE, axis: int = ALL_AXES) -> None:
        """Send a stream message or broadcast, with the next tag and without waiting for an answer."""
        row = kind_of(body)
        if row.owner:
            self._refuse_unfit(node)
        self._put(body._replace(tag=self.next_tag(row.code, node, axis)), node, axis)

    def stop(self, node: int = EVERYONE, axis: int = ALL_AXES) -> None:
        """Stop everything, or one node or axis: sent three times, no answer awaited, no discovery needed."""
        body = m.Stop(self.next_tag(kind_of(m.Stop(0)).code, node, axis))
        self._overtake(None, node, axis)
        for _ in range(STOP_REPEATS):
            self._put(body, node, axis)
            self.clock.sleep(STOP_GAP)

    def request(
        self, body: Any, *, node: int, axis: int = ALL_AXES, timeout: float | None = None, retries: int = 2
    ) -> Any:
        """Send a request and return the body of its reply. The tag is filled in; a repeat keeps it.

        `timeout` is in seconds for each try; by default the promised reply time, the transfer, and the host's share.
        What a request may have begun does not go on when it ends without an answer, or by Ctrl-C: an axis that this
        link owns is stopped, one that it did not own is given up again. A motion is not repeated after a stop.
        Raises DeviceRefused, NoAnswer, WrongVersion, LinkProblem, UsageProblem.
        """
        row = kind_of(body)
        if row.role != "request" or node == EVERYONE:
            raise UsageProblem(f"{row.name} to {node} gets no single answer; use send.")
        if not (0 < node < EVERYONE and 0 <= axis <= ALL_AXES):
            raise UsageProblem(f"there can be no axis {axis} of node {node}; nodes are 16 to 126, axes 0 to 7.")
        if row.owner or row.name == "take":
            mine = (node, axis) in self._owned
            self._may_drive(node)
            if row.owner and mine and (node, axis) not in self._owned:
                raise LinkProblem(lost_text(node, axis))
        reply = _POLLED.get(body.what, "") if isinstance(body, m.Poll) else row.reply
        pending = Pending(row, node, axis, self.next_tag(row.code, node, axis), reply, [], [], [])
        wait = self.reply_time(row.name) if timeout is None else timeout
        try:
            answer = self._ask(pending, body._replace(tag=pending.tag), wait, retries)
        except UsageProblem:
            raise  # it was not sent
        except BaseException:
            with suppress(RingletError):
                self._undo(row.name, node, axis)
            raise
        if isinstance(answer, m.Refused):
            if answer.code in (Refusal.NOT_OWNER, Refusal.OWNED) and row.owner:
                self._owned.pop((node, axis), None)
            raise DeviceRefused(answer.code, answer.item, row.name, node=node, axis=axis)
        self._learn(body, node, axis)
        return answer

    def reply_time(self, name: str) -> float:
        """Seconds that a request of this kind may take before it counts as not answered."""
        promised = TIMING["save" if name == "save" else "reply"].ms / 1000
        if name == "save":  # a node that restarts meanwhile says so in this time
            promised += TIMING["announce_window"].ms / 1000
        return promised + 2 * self.transport.frame_time + (self.transport.slack or 0.002)

    def _undo(self, name: str, node: int, axis: int) -> None:
        """Nobody knows whether this request was heard: end what it may have begun. Needs no answer."""
        mine = any(reaches(node, axis, place) for place in self._owned)
        if name in STARTS | ENDS and mine:
            self.stop(node, axis)
        elif name == "take" and not mine:
            body = m.Yield(self.next_tag(kind_of(m.Yield(0)).code, node, axis))
            for _ in range(STOP_REPEATS):  # the node does it once
                self._put(body, node, axis)
                self.clock.sleep(self.reply_time("yield") if self.transport.shared else STOP_GAP)

    def _overtake(self, heard: Packet | None, node: int, axis: int) -> None:
        """A stop for this node and axis: the requests under way are older."""
        for one in self._pending:
            one.overtaken_by(heard, node, axis)

    def _ask(self, pending: Pending, body: Any, timeout: float, retries: int) -> Any:
        self._pending.append(pending)
        before = self._heard_so_far()
        first = self.clock.now()
        try:
            for attempt in range(retries + 1):
                if attempt:
                    if isinstance(body, m.Save) and (pending.restarts or self.transport.shared):
                        break  # a node that restarted meanwhile would save what it had before, and say that it is done
                    if self.clock.now() - first >= TIMING["repeat"].ms / 1000:
                        break  # the node would take it for a new request, and do it twice
                    if pending.stops and pending.kind.name in STARTS:
                        raise NoAnswer(pending.stopped_text())
                    self._losses["repeated requests"] += 1
                if self._owned and self._keep_due <= self.clock.now():
                    self._keep_alive()  # on a line with one voice it does not come while an answer is under way
                self._put(body, pending.node, pending.axis)
                end = self.clock.now() + timeout
                while not pending.answers and (left := end - self.clock.now()) > ROUNDING:
                    self._pump(left)
                if pending.answers:
                    return pending.answers[0].body
        finally:
            self._pending.remove(pending)
        if pending.restarts:
            raise NoAnswer(
                f"{pending.kind.name} was not answered by node {pending.node}, which restarted; check its supply, look "
                "at its settings, and send them again."
            )
        raise NoAnswer(self._silence(f"{pending.kind.name} was not answered by node {pending.node}", before))

    def _put(self, body: Any, node: int, axis: int) -> None:
        try:
            ident, data = pack(packet(body, dst=node, src=self.source, axis=axis))
        except (struct.error, ValueError, TypeError) as error:
            raise UsageProblem(f"{kind_of(body).name} cannot be sent ({error}); check its values.") from None
        self.transport.send(ident, data)

    # --- hearing and letting time pass -------------------------------------------------------------------------

    def subscribe(self, callback: Callable[[Packet, float], None], kinds: Iterable[str] = ()) -> Callable[[], None]:
        """Call back with each message heard (packet, time) of these kinds, of all without any. Returns the undo."""
        wanted = frozenset(kinds)
        for name in wanted:
            if name not in KINDS.by_name:
                raise UsageProblem(f"there is no kind {name!r} to subscribe to; see the table of kinds.")
        number = self._next_subscriber
        self._next_subscriber += 1
        self._subscribers[number] = (callback, wanted)

        def undo() -> None:
            self._subscribers.pop(number, None)

        return undo

    def wait(self, seconds: float) -> None:
        """Let time pass: hear messages, keep owned axes alive."""
        end = self.clock.now() + seconds
        while (left := end - self.clock.now()) > ROUNDING:
            self._pump(left)

    def wait_until(self, condition: Callable[[], bool], timeout: float) -> bool:
        """Let time pass until the condition holds; False when it does not within `timeout` seconds."""
        end = self.clock.now() + timeout
        while not condition():
            left = end - self.clock.now()
            if left <= ROUNDING:
                return False
            self._pump(min(left, LOOK_EVERY))
        return True

    def _pump(self, timeout: float) -> None:
        """Hear what comes within `timeout` seconds at the most, and send a keep-alive that is due."""
        if self._owned and not (self._pending and self.transport.shared):  # one voice: an answer is under way
            left = self._keep_due - self.clock.now()
            if left <= 0:
                left = self._keep_alive()
            timeout = min(timeout, left)
        if not self._inbox:
            self._inbox.extend(self.transport.receive(timeout))
        while self._inbox:
            self._take_in(self._inbox.popleft())

    def _keep_alive(self) -> float:
        period = min(self._owned.values()) / (3 * self.pace)
        for node, axis in self._owned:  # not to everyone: what a script at this address left behind must end
            self.send(m.KeepAlive(0), node=node, axis=axis)
        self._keep_due = self.clock.now() + period
        return period

    def _take_in(self, heard: Packet) -> None:
        row = kind_of(heard.body)
        answered = False
        for pending in self._pending:
            if pending.answered_by(heard, self.source):
                pending.answers.append(heard)
                answered = True
        if row.role == "stream" or (row.name in _TELEMETRY and heard.dst == EVERYONE):
            self._count(row, heard)
        elif isinstance(heard.body, m.Announce):
            self._announced(heard)
            for pending in self._pending if heard.dst == EVERYONE else ():
                if pending.node == heard.src:
                    pending.restarts.append(heard)
        elif isinstance(heard.body, m.Owner) and heard.body.owner != self.source and not answered:
            self._owned.pop((heard.src, heard.axis), None)
        elif isinstance(heard.body, m.Stop):
            self._overtake(heard, heard.dst, heard.axis)
        if self._subscribers:
            now = self.clock.now()
            for callback, kinds in list(self._subscribers.values()):
                if not kinds or row.name in kinds:
                    callback(heard, now)

    def _count(self, row: Kind, heard: Packet) -> None:
        """A stream to one destination counts by itself; one that comes late, or twice, is not 250 lost ones."""
        key = (row.code, heard.src, heard.dst, heard.axis)
        tag = heard.body.tag
        step = tag - self._streams.get(key, tag - 1) & 0xFF
        if step == 0 or step > 0xFF - _OVERTAKEN:
            return
        self._streams[key] = tag
        if gap := step - 1:
            self._losses[f"{row.name} {heard.src}.{heard.axis}"] += gap

    def count_loss(self, name: str) -> None:
        """Count something that did not arrive."""
        self._losses[name] += 1

    def _forget_streams(self, node: int) -> None:
        """The node counts anew: what it sends next is no gap."""
        for key in [key for key in self._streams if key[1] == node]:
            del self._streams[key]

    def _announced(self, heard: Packet) -> None:
        body: m.Announce = heard.body
        known = self.nodes.get(heard.src)
        if known is not None and known.id != body.id:
            self._met.discard(heard.src)  # another board than before: look again before driving it
            for place in [one for one in self._owned if one[0] == heard.src]:
                del self._owned[place]
        for address in [a for a, f in self.nodes.items() if f.id == body.id and a != heard.src]:
            del self.nodes[address]
            self._met.discard(address)
        self.nodes[heard.src] = finding.found_of(heard)
        self._forget_streams(heard.src)
        if heard.dst == EVERYONE:  # it has just been powered up, and obeys nobody; what was taken since then counts
            since = self.clock.now() - (TIMING["announce_window"].ms + TIMING["reply"].ms) / 1000 - self.transport.slack
            for place in [one for one in self._owned if one[0] == heard.src and self._taken_at.get(one, 0.0) < since]:
                del self._owned[place]

    # --- what a node is, before anything is driven -----------------------------------------------------------

    def _may_drive(self, node: int) -> None:
        """Raise unless this is one node, with an address of its own, of our major version."""
        if self._reopened != self.transport.reopened:  # something else may be at the other end now
            self._reopened = self.transport.reopened
            self._met.clear()
        if node == FRESH:
            raise UsageProblem(f"address {FRESH} is that of nodes without one; give the node an address first.")
        if node not in self._met:
            self._meet(node)
        self._refuse_unfit(node)

    def _meet(self, node: int) -> None:
        before = self._heard_so_far()
        if self.is_can:  # answers are spread in time, so that two nodes under one address both show
            for _ in range(2):
                finding.announcements(self)
                if node in self.nodes:
                    break
            self._met.update(self.nodes)
            if node not in self.nodes:
                raise NoAnswer(self._silence(f"node {node} does not announce itself", before))
        else:
            self.request(m.Discover(0), node=node)
            self._met.add(node)

    def _refuse_unfit(self, node: int) -> None:
        if node in self.clashes:
            raise LinkProblem(finding.clash_text(node, self.clashes[node]))
        known = self.nodes.get(node)
        if known is not None and known.major != VERSION_MAJOR:
            raise WrongVersion(
                f"node {node} speaks version {known.major}.{known.minor} of the protocol and this program "
                f"{VERSION_MAJOR}: it is shown and not driven; use a program of its version, or change its firmware."
            )

    def _learn(self, body: Any, node: int, axis: int) -> None:
        """What a granted request changes in what this link knows."""
        match body:
            case m.Take():
                self._own(node, axis)
            case m.Yield():
                self._owned.pop((node, axis), None)
                if axis == ALL_AXES:
                    for key in [key for key in self._owned if key[0] == node]:
                        del self._owned[key]
            case m.Set():
                if body.parameter == _TIMEOUT_ROW.id and (node, axis) in self._owned:
                    self._lasts(node, axis, body.value)
                self._forget_streams(node)
            case m.Restore() if (node, axis) in self._owned:
                self._own(node, axis)

    def _own(self, node: int, axis: int) -> None:
        axes = [axis]
        if axis == ALL_AXES:
            axes = list(range(self.request(m.Identify(0), node=node).axes))
        for one in axes:
            known = (node, one) in self._owned
            self._taken_at[node, one] = self.clock.now()
            try:
                self._lasts(node, one, self.request(m.Get(0, _TIMEOUT_ROW.id), node=node, axis=one).value)
            except BaseException:
                if not known:
                    with suppress(RingletError):
                        self._undo("take", node, one)
                raise

    def _lasts(self, node: int, axis: int, count: int) -> None:
        """Ours for so long after the last that the node heard."""
        self._owned[node, axis] = count * float(_TIMEOUT_ROW.scale)
        due = self.clock.now() + min(self._owned.values()) / (3 * self.pace)
        self._keep_due = due if len(self._owned) == 1 else min(self._keep_due, due)

    def check_owned(self, node: int, axis: int) -> bool:
        """Ask whether an axis still obeys this link, and forget it if not. Raises NoAnswer, DeviceRefused."""
        if self.request(m.GetOwner(0), node=node, axis=axis, retries=0).owner != self.source:
            self._owned.pop((node, axis), None)
        return (node, axis) in self._owned

    # --- finding nodes -----------------------------------------------------------------------------------------

    def discover(self, assign: bool = False) -> list[Found]:
        """All nodes that can be found, those without an address too; with `assign` these get free addresses."""
        found = finding.discover(self, assign=assign)
        self._met = {one.address for one in found if not one.fresh}
        return found

    def assign(self, unique_id: int, address: int) -> Found:
        """Give the node with this unique id an address, until power-off. Raises NoAnswer, UsageProblem."""
        return finding.assign(self, unique_id, address)

    # --- silence -----------------------------------------------------------------------------------------------

    def _heard_so_far(self) -> tuple[int, int]:
        return self.transport.heard, self.transport.lost.total()

    def _silence(self, what: str, before: tuple[int, int]) -> str:
        heard, strange = (now - then for now, then in zip(self._heard_so_far(), before, strict=True))
        if strange == 0 and not self.is_can and not self.nodes:
            strange = heard  # bytes that never made a frame
        return silence_text(f"{what} on {self.url}", heard, strange, "frames" if self.is_can else "bytes")


__all__ = ["AxisHandle", "Found", "Link", "Recording"]
