"""Samples of several axes at once: telemetry where a node may speak unasked, asked for one by one where it may not.

Times are on the link's clock. A streamed sample carries the node's own time, so the node's clock is compared with ours
by asking for it: half of the shortest round trip is what remains unsure. What was lost is counted by the tags.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import ENUMS, names
from ringlet.protocol.header import EVERYONE
from ringlet.protocol.params import BY_NAME
from ringlet.tools.axis_handle import MDEG, AxisHandle, put_back
from ringlet.tools.errors import DeviceRefused, NoAnswer, RingletError, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.takes.layout import Sample

PARTS: Final = ("motion", "drive", "status", "sample")
"""Telemetry messages that make one sample."""
BUS_SHARE: Final = 0.7
"""Share of the bus that telemetry may fill, so that commands still get through (common practice, no source)."""
CLOCK_EVERY: Final = 5.0
"""Seconds between two looks at a node's clock: two crystals drift apart by some 0.1 ms/s (common practice)."""
CLOCK_LOOKS: Final = 5
SILENT: Final = 1.0
"""Seconds without a sample that count as silence."""
ASK_AGAIN: Final = 2.0
STALE_TAGS: Final = 64
"""Periods after which messages of one tag no longer belong together; tags go round in 256."""
LEARN: Final = 0.1
"""Share of a new interval in the period that is learnt."""
STATUS_EVERY: Final = 5
"""Polled: state, owner and fault are asked for with every so manieth sample."""
_POLL: Final = {name: number for number, name, _ in ENUMS["poll"]}
_SELECT: Final = sum(1 << _POLL[name] for name in PARTS)
_NAMES: Final[dict[type[Any], str]] = {m.Motion: "motion", m.Drive: "drive", m.Status: "status", m.Sample: "sample"}
_STATES, _FAULTS = names("state"), names("fault")
_RATE_MOST: Final = BY_NAME["telemetry-rate"].hi

Deliver = Callable[[str, Sample], None]
Tell = Callable[[float, str, str, str, int], None]
"""time, what, axis, text, count"""


@dataclass
class _Feed:
    """One axis."""

    handle: AxisHandle
    key: str
    polled: bool = False
    before: tuple[Any, Any] | None = None
    """telemetry settings to put back"""
    parts: dict[int, tuple[float, dict[str, Any]]] = field(default_factory=dict)
    """tag -> when its first message came, and its messages"""
    tag: int | None = None
    heard_at: float = 0.0
    last_s: float = -1.0
    silent: bool = False
    ask_at: float = 0.0
    due: float = 0.0
    count: int = 0
    period: float = 0.0
    """between two samples as they come, s: nodes round the rate to whole milliseconds"""
    lost: int = 0
    """polls without an answer since the last sample"""
    status: m.Status | None = None
    seen: tuple[int, int] | None = None
    """fault and owner of the last sample"""


@dataclass
class _NodeClock:
    """Our clock as a line over the node's: a new look bends the line, so that times never jump."""

    at: float = 0.0
    """node's clock where the line begins, s"""
    offset: float = 0.0
    """our clock less the node's there, s"""
    slope: float = 0.0
    unsure: float = 1e9
    due: float = 0.0

    def ours(self, node_s: float) -> float:
        """Our time at the node's."""
        return node_s + self.offset + self.slope * (node_s - self.at)


class Live:
    """Delivers samples of axes while the link waits. `step` is to be called often; `stop` puts telemetry back."""

    def __init__(self, link: Link, places: list[tuple[int, int]], rate: float, deliver: Deliver, tell: Tell) -> None:
        if not 1 <= rate <= _RATE_MOST:
            raise UsageProblem(f"the rate is {rate:g} samples a second; it must be 1 to {_RATE_MOST}.")
        self.link, self.deliver, self.tell = link, deliver, tell
        self.rate = min(rate, affordable(link, len(places)))
        """samples a second of each axis that are asked for; fewer than wished where the bus cannot carry them"""
        self._feeds = {place: _Feed(link.axis(*place), f"{place[0]}.{place[1]}") for place in places}
        self._clocks = {node: _NodeClock() for node, _ in places}
        self._undo: Callable[[], None] = lambda: None
        self._begin = link.clock.now()

    @property
    def polled(self) -> list[str]:
        """Axes whose samples are asked for."""
        return [feed.key for feed in self._feeds.values() if feed.polled]

    def now(self) -> float:
        """Seconds since the start."""
        return self.link.clock.now() - self._begin

    def start(self) -> None:
        """Switch telemetry on. The start is second 0. Where that fails telemetry is put back as it was."""
        try:
            for feed in self._feeds.values():
                feed.polled = not self._stream(feed)
            for node in self._clocks:
                if not all(feed.polled for (other, _), feed in self._feeds.items() if other == node):
                    for _ in range(CLOCK_LOOKS):
                        self._look_at_clock(node)
        except BaseException:
            with suppress(RingletError):
                self.stop()
            raise
        self._begin = self.link.clock.now()
        for feed in self._feeds.values():
            feed.heard_at, feed.period = self._begin, 1 / self.rate
        self._undo = self.link.subscribe(self._hear, PARTS)

    def _stream(self, feed: _Feed) -> bool:
        """Have the axis send telemetry; False where it must be asked for."""
        get = feed.handle.get
        if get("shared-line") == "on":
            return False
        before = feed.before = (get("telemetry-rate"), get("telemetry-select"))  # without an answer they may be set
        try:
            feed.handle.set("telemetry-select", int(before[1]) | _SELECT)
            feed.handle.set("telemetry-rate", round(self.rate))
        except DeviceRefused:  # another control owns the axis: it may be streaming what we need
            feed.before = None
            return bool(before[0] and int(before[1]) & _SELECT == _SELECT)
        return True

    def stop(self) -> list[str]:
        """Telemetry as it was before; returns axes where it could not be put back."""
        self._undo()
        left = put_back(
            (feed.handle, name, value)
            for feed in self._feeds.values() if feed.before is not None
            for name, value in zip(("telemetry-rate", "telemetry-select"), feed.before, strict=True)
        )  # fmt: skip
        return list(dict.fromkeys(f"{handle.node}.{handle.axis}" for handle in left))

    # --- streamed ------------------------------------------------------------------------------------------------

    def _hear(self, heard: Packet, now: float) -> None:
        feed = self._feeds.get((heard.src, heard.axis))
        if feed is None or feed.polled or heard.dst != EVERYONE:
            return
        name, body = _NAMES[type(heard.body)], heard.body
        began, parts = feed.parts.get(body.tag, (now, {}))
        if now - began > STALE_TAGS * feed.period:  # what is left of a sample from the last time round
            began, parts = now, {}
        feed.parts[body.tag] = (began, parts)
        parts[name] = body
        if len(parts) < len(PARTS):
            return
        feed.parts = {tag: rest for tag, rest in feed.parts.items() if 0 < (tag - body.tag) & 0xFF < 128}
        feed.silent, feed.heard_at = False, now
        clock = self._clocks[heard.src]
        at = clock.ours(parts["sample"].time / 1e6)
        if abs(at - now) > SILENT:  # somebody set the node's clock
            at, clock.due, clock.unsure = now, 0.0, 1e9
        lost = self._lost(feed, body.tag, at - self._begin)
        self._give(feed, at - self._begin, parts["motion"], parts["drive"], parts["status"], lost)

    def _lost(self, feed: _Feed, tag: int, at: float) -> int:
        """Samples missing before this tag; times tell how often the tag went round."""
        last, feed.tag = feed.tag, tag
        span = at - feed.last_s
        if last is None:  # it counts anew: only time tells
            return max(0, round(span / feed.period) - 1) if feed.last_s >= 0 else 0
        gap = tag - last - 1 & 0xFF
        if gap == 0 and 0 < span < 2 * feed.period:  # below 0 when somebody set the clock back
            feed.period += LEARN * (span - feed.period)
        return gap + 256 * max(0, round((span / feed.period - 1 - gap) / 256))

    def _give(self, feed: _Feed, at: float, motion: m.Motion, drive: m.Drive, status: m.Status, lost: int) -> None:
        at = max(at, feed.last_s + 1e-6, 0.0)
        feed.last_s = at
        fault, state = _FAULTS.get(status.fault, str(status.fault)), _STATES.get(status.state, str(status.state))
        if lost:
            self.tell(at, "lost", feed.key, f"{lost} samples of axis {feed.key} were lost before this time.", lost)
        if feed.seen is not None and feed.seen != (status.fault, status.owner):
            if feed.seen[0] != status.fault:
                self.tell(at, "fault", feed.key, f"Fault of axis {feed.key} is now: {fault}.", status.fault)
            if feed.seen[1] != status.owner:
                who = f"control {status.owner}" if status.owner else "nobody"
                self.tell(at, "owner", feed.key, f"Axis {feed.key} is now owned by {who}.", status.owner)
        feed.seen = (status.fault, status.owner)
        self.deliver(
            feed.key,
            Sample(
                at, motion.position / MDEG, motion.velocity / MDEG, drive.setpoint / MDEG, drive.current / 1000,
                state, status.owner, fault, lost,
            ),
        )  # fmt: skip

    def _look_at_clock(self, node: int) -> None:
        clock, now = self._clocks[node], self.link.clock.now
        clock.due = now() + CLOCK_EVERY
        begin = now()
        try:
            answer = self.link.request(m.GetClock(0), node=node, retries=0)
        except NoAnswer:
            return
        unsure = (now() - begin) / 2
        if unsure > 2 * clock.unsure:  # a slow answer says less than the last one
            clock.unsure *= 1.5
            return
        node_s = answer.time / 1e6
        found = (begin + now()) / 2 - node_s
        first = clock.unsure == 1e9 or now() < self._begin + SILENT
        clock.offset = found if first else clock.ours(node_s) - node_s
        clock.slope = 0.0 if first else (found - clock.offset) / CLOCK_EVERY
        clock.at, clock.unsure = node_s, unsure

    @property
    def clock_unsure(self) -> dict[int, float]:
        """Seconds by which times of each streaming node may be off."""
        return {node: clock.unsure for node, clock in self._clocks.items() if clock.unsure < 1e9}

    # --- what is to be done again and again ----------------------------------------------------------------------

    def step(self) -> None:
        """Ask for what is due: samples of axes that are polled, clocks, telemetry of an axis that fell silent."""
        now = self.link.clock.now()
        for node, clock in self._clocks.items():
            if 0 < clock.due <= now or (clock.due == 0.0 and clock.unsure == 1e9 and self._streams(node)):
                self._look_at_clock(node)
        asked = min((feed for feed in self._feeds.values() if feed.polled), key=lambda feed: feed.due, default=None)
        if asked is not None and asked.due <= now:  # one a step, so that whoever else speaks need not wait for all
            self._poll(asked)
            asked.due = max(asked.due + 1 / self.rate, now)
        for feed in self._feeds.values():
            if not feed.polled and now - feed.heard_at > SILENT:
                self._wake(feed, now)

    def next_due(self) -> float:
        """Seconds until `step` has something to do, at the most."""
        dues = [feed.due for feed in self._feeds.values() if feed.polled]
        return max(0.0, min(dues) - self.link.clock.now()) if dues else 0.1

    def _streams(self, node: int) -> bool:
        return any(not feed.polled for (other, _), feed in self._feeds.items() if other == node)

    def _poll(self, feed: _Feed) -> None:
        handle, link = feed.handle, self.link

        def ask(body: Any) -> Any:
            return link.request(body, node=handle.node, axis=handle.axis, retries=0)

        try:
            begin = link.clock.now()
            motion = ask(m.Poll(0, _POLL["motion"]))
            at = (begin + link.clock.now()) / 2 - self._begin
            drive = ask(m.Poll(0, _POLL["drive"]))
            if feed.status is None or feed.count % STATUS_EVERY == 0:
                feed.status = ask(m.GetStatus(0))
        except NoAnswer:
            link.count_loss(f"poll {feed.key}")
            feed.lost += 1
            return
        feed.count += 1
        lost, feed.lost = feed.lost, 0
        assert feed.status is not None
        self._give(feed, at, motion, drive, feed.status, lost)

    def _wake(self, feed: _Feed, now: float) -> None:
        """A node that was off has forgotten that it should speak."""
        if not feed.silent:
            feed.silent, feed.ask_at = True, now
            self.tell(self.now(), "link", feed.key, f"Nothing more is heard from axis {feed.key}.", 0)
        if now < feed.ask_at:
            return
        feed.ask_at = now + ASK_AGAIN
        with suppress(NoAnswer, DeviceRefused):
            for name, value in (("telemetry-select", _SELECT), ("telemetry-rate", round(self.rate))):
                row = BY_NAME[name]
                self.link.request(m.Set(0, row.id, value), node=feed.handle.node, axis=feed.handle.axis, retries=0)
            self._look_at_clock(feed.handle.node)
            feed.tag = None  # it counts anew


def affordable(link: Link, axes: int) -> float:
    """Samples a second of each axis that the bus can carry; no limit where frames take no time."""
    longest = link.transport.frame_time
    if longest == 0:
        return float(_RATE_MOST)
    whole_ms = math.ceil(1000 * longest * len(PARTS) * axes / BUS_SHARE)  # as nodes round the period
    return max(1.0, 1000 / whole_ms)
