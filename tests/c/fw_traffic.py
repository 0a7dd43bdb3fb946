"""Random traffic for two nodes side by side: requests and streams of all kinds, sensible or not; and what befalls one.

A run is a row of phases; in each a few kinds are likelier than the others, so that long moves, searches and uploads do
come to their end.
"""

from __future__ import annotations

import random
from typing import Any

from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.codes import names
from ringlet.protocol.header import ALL_AXES, EVERYONE, FRESH, IDENT_MAX
from ringlet.protocol.items import marks_check, text_check
from ringlet.protocol.params import PARAMETERS
from ringlet.protocol.wire import KINDS, Kind, Spec

CONTROL = [row for row in KINDS if row.sender == "control"]
MOVES = ("move", "move-travel", "run", "stream-ring", "stream-travel", "stage", "stage-value", "sync", "hold", "stop")
FLAVOURS: dict[str, tuple[str, ...]] = {
    "mixed": (),
    "moves": MOVES,
    "motion": (*MOVES, "take", "clear-fault", "set-travel"),
    "travel": ("set-travel", "set-reference", "find-stops", "take", "hold", "release", "get-status", "clear-fault"),
    "owners": ("take", "yield", "get-owner", "keep-alive", "run", "move-travel", "find-stops", "release"),
    "settings": ("set", "get", "save", "restore", "get-status"),
    "uploads": ("open-marks", "put-mark", "commit-marks", "get-mark", "get-marks", "put-text", "commit-text",
                "get-text", "save", "restore", "get-status"),
    "addresses": ("discover", "search", "assign", "identify"),
    "questions": ("get-status", "poll", "get-faults", "get-clock", "get", "clear-fault"),
}  # fmt: skip
GENTLE = ("winding-limit", "case-limit", "supply-min", "following-limit", "telemetry-rate", "telemetry-select",
          "address", "shared-line", "owner-timeout")  # fmt: skip
"""Parameters that are set seldom, since they end or flood everything else."""


class Traffic:
    """One run's traffic. The same seed gives the same frames for the same node. `only` names one flavour."""

    def __init__(self, seed: int, *, per_ms: float = 0.15, trouble_per_s: float = 0.3, only: str = "") -> None:
        self.rng = random.Random(f"traffic {seed}")
        self.per_ms, self.trouble = per_ms, trouble_per_s / 1000.0
        self._flavours = [only] if only else list(FLAVOURS)
        self._left = 0
        self._kinds: list[Kind] = CONTROL
        self._rate = per_ms
        self._alive = True
        self._tag = 0
        self._ticks = 0
        self._again: list[tuple[int, bytes]] = []
        self._script: list[tuple[int, bytes]] = []
        self._heal = False

    # --- what is not traffic -------------------------------------------------------------------------------------

    def disturb(self, twins: Any) -> None:
        """What befalls motors and memory before this tick."""
        rng = self.rng
        if self._heal:
            self._heal = False
            for heal in twins.heals:
                heal()
        if rng.random() < self.trouble:
            rng.choice(twins.troubles)(rng)
        if rng.random() < 0.0004:
            pages = rng.choice(twins.pages)
            pages.failing = rng.random() < 0.2
            pages.cut_after = rng.choice((None, None, 0, 3, 11, 0xFFFF))

    def power_cycle(self) -> bool:
        """Whether the supply goes and comes back before this tick."""
        return self.rng.random() < 0.00005

    def jump_us(self) -> int:
        """Microseconds by which the clock jumps before this tick: nearly always 0."""
        return 1000 * self.rng.choice((1, 999, 5000, 3_600_000)) if self.rng.random() < 0.0001 else 0

    # --- frames --------------------------------------------------------------------------------------------------

    def _prepare(self, node: Any) -> None:
        """Mostly a phase begins with motors that can move: well, taken, and with a travel."""
        rng = self.rng
        self._heal = True
        for index, axis in enumerate(node.axes):
            bodies = [m.ClearFault(self._tag), m.Take(self._tag, 1)]
            if not axis.calibrated or rng.random() < 0.2:
                low, high = axis.position - rng.randrange(200_000), axis.position + rng.randrange(200_000)
                bodies += [m.Set(self._tag, 1, low), m.Set(self._tag, 2, high)]
            self._script += [pack(packet(body, dst=node.address, src=1, axis=index)) for body in bodies]
            self._tag = self._tag + 1 & 0xFF

    def _phase(self, node: Any) -> None:
        rng = self.rng
        if rng.random() < 0.7:
            self._prepare(node)
        self._left = rng.randrange(200, 8000)
        likely = FLAVOURS[rng.choice(self._flavours)]
        self._kinds = [row for row in CONTROL if row.name in likely] * 12 + CONTROL
        self._rate = self.per_ms * rng.choice((0.05, 0.3, 1.0, 3.0))
        self._alive = rng.random() < 0.65
        if not self._alive:  # silence that an owner does not survive
            self._rate *= 0.01

    def frames(self, node: Any) -> list[tuple[int, bytes]]:
        """What is on the bus before this tick."""
        rng = self.rng
        self._ticks += 1
        if self._left == 0:
            self._phase(node)
        self._left -= 1
        if self._script:
            return [self._script.pop(0)]
        found = []
        if self._alive and self._ticks % 40 == 0:
            found.append(pack(packet(m.KeepAlive(0), dst=EVERYONE, src=1)))
        for _ in range(0 if rng.random() > self._rate else 1 if self._rate < 0.3 else rng.randrange(1, 4)):
            found.append(self._frame(node))
        return found

    def _frame(self, node: Any) -> tuple[int, bytes]:
        rng = self.rng
        luck = rng.random()
        if self._again and luck < 0.05:
            return rng.choice(self._again)
        if luck < 0.08:
            return rng.randrange(1 << 29), rng.randbytes(rng.randrange(9))
        if luck > 0.998 and node.address != FRESH:
            return announce_from(node, rng.choice((node.card.unique_id, 5)))
        row = rng.choice(self._kinds)
        body = self._body(row, node)
        dst = EVERYONE if rng.random() < (0.5 if row.broadcast else 0.01) else node.address
        src = 1 if rng.random() < 0.9 else rng.choice((0, 2, 3, 15, 16, 126, 127))
        axis = rng.randrange(len(node.axes)) if row.scope == "axis" and rng.random() < 0.9 else ALL_AXES
        if row.name in ("get", "set", "get-text") and rng.random() < 0.1:
            axis = ALL_AXES
        if rng.random() < 0.01:
            axis = rng.randrange(16)
        ident, data = pack(packet(body, dst=dst, src=src, axis=axis))
        if luck > 0.97:
            data = data[: rng.randrange(len(data) + 1)] + rng.randbytes(rng.randrange(3))
        if luck > 0.995:
            ident ^= 1 << rng.randrange(29)
        frame = ident & IDENT_MAX, data[:8]
        self._again = [*self._again[-7:], frame]
        return frame

    def _body(self, row: Kind, node: Any) -> Any:
        axis = self.rng.choice(node.axes)
        self._tag = self._tag + 1 & 0xFF
        made = getattr(self, f"_{row.name.replace('-', '_')}", None)
        if made is not None and self.rng.random() < 0.95:
            return made(axis, node)
        values = [self._count(spec, axis) for spec in row.fields[1:]]
        return row.cls(self._tag, *values)

    def _count(self, spec: Spec, axis: Any) -> Any:
        rng = self.rng
        if spec.codec.is_text:
            return rng.choice((b"\0" * 6, b"focus\0", b"lens A", rng.randbytes(6)))
        if spec.name == "position" and spec.codec.size == 4 and rng.random() < 0.9:
            low, high = axis.travel
            near = max(-1 << 31, min((1 << 31) - 1, axis.position + rng.randint(-9000, 9000)))
            return rng.choice((low, high, low - 1, high + 1, rng.randint(*sorted((low, high))), near))
        if spec.field.values and rng.random() < 0.97:
            return rng.choice(sorted(names(spec.field.values)))
        lo, hi = spec.bounds
        if spec.name == "speed":
            return rng.choice((0, 0, rng.randint(1, 300_000), hi))
        if spec.name == "velocity":
            return rng.choice((0, lo, hi, rng.randint(-200_000, 200_000), rng.randint(-3000, 3000)))
        if rng.random() < 0.02:
            lo, hi = spec.codec.bounds
        return rng.choice((lo, hi, rng.randint(lo, hi), rng.randint(lo, hi)))

    # --- kinds that need sense -----------------------------------------------------------------------------------

    def _set(self, axis: Any, node: Any) -> Any:
        rng = self.rng
        row = rng.choice(PARAMETERS)
        if row.name in GENTLE and rng.random() < 0.7:
            row = rng.choice(PARAMETERS[2:9])
        value = rng.choice((row.default, row.default, row.lo, row.hi, rng.randint(row.lo, row.hi)))
        if row.hi - row.lo > 1000 and rng.random() < 0.7:
            value = min(row.hi, max(row.lo, round(row.default * rng.uniform(0.2, 4.0))))
        if rng.random() < 0.03:
            value = rng.choice((row.lo - 1, row.hi + 1))
        if row.name.startswith("travel") and rng.random() < 0.9:
            value = max(row.lo, min(row.hi, axis.position + rng.randint(-150_000, 150_000)))
        return m.Set(self._tag, row.id, max(-(1 << 31), min((1 << 31) - 1, value)))

    def _get(self, axis: Any, node: Any) -> Any:
        return m.Get(self._tag, self.rng.choice(PARAMETERS).id)

    def _set_reference(self, axis: Any, node: Any) -> Any:
        far = 2_000_000_001 if self.rng.random() < 0.01 else 200_000
        return m.SetReference(self._tag, self.rng.randint(-far, far))

    def _open_marks(self, axis: Any, node: Any) -> Any:
        return m.OpenMarks(self._tag, self.rng.randrange(3), self.rng.choice((0, 1, 2, 3, 5, 64)))

    def _put_mark(self, axis: Any, node: Any) -> Any:
        rng = self.rng
        opened = axis.uploads._new_marks
        missing = [i for i in range(opened[1]) if i not in opened[2]] if opened else []
        index = missing[0] if missing and rng.random() < 0.9 else rng.randrange(64)
        low, high = axis.travel
        place = low + (high - low) * index // 8 if rng.random() < 0.5 else index * 9000 + rng.randrange(9000) - 100_000
        place = max(-(1 << 23), min((1 << 23) - 1, place))
        return m.PutMark(self._tag, index, place, rng.choice((0xFFFFFF, rng.randrange(1 << 24), 1000 * index + 1)))

    def _commit_marks(self, axis: Any, node: Any) -> Any:
        opened = axis.uploads._new_marks
        table = [opened[2][i] for i in range(opened[1]) if i in opened[2]] if opened else []
        return m.CommitMarks(self._tag, marks_check(table) ^ (self.rng.random() < 0.1))

    def _get_mark(self, axis: Any, node: Any) -> Any:
        return m.GetMark(self._tag, self.rng.choice((0, 1, 2, 63)))

    def _item(self) -> int:
        return self.rng.choice((0, 1, 2, 2, 2, 3, 3, 3, 4, 15)) << 4 | self.rng.choice((0, 0, 0, 1, 1, 2, 15))

    def _get_text(self, axis: Any, node: Any) -> Any:
        return m.GetText(self._tag, self._item())

    def _put_text(self, axis: Any, node: Any) -> Any:
        return m.PutText(self._tag, self._item(), self.rng.choice((b"abcdef", b"xy\0\0\0\0", self.rng.randbytes(6))))

    def _commit_text(self, axis: Any, node: Any) -> Any:
        item = self.rng.choice((2, 3))
        held = axis.uploads._new_texts.get(item, {})
        count = self.rng.choice((0, len(held), len(held), 1, 2))
        parts = [held[i] for i in range(count) if i in held]
        return m.CommitText(self._tag, item, count, text_check(parts) ^ (self.rng.random() < 0.1))

    def _search(self, axis: Any, node: Any) -> Any:
        bits = self.rng.choice((0, 0, 1, 7, 24, 47, 48, 63))
        near = node.card.unique_id ^ (1 << self.rng.randrange(48) if self.rng.random() < 0.4 else 0)
        return m.Search(self._tag, near, bits | self.rng.choice((0, 0x80, 0x40)))

    def _assign(self, axis: Any, node: Any) -> Any:
        other = self.rng.random() < 0.3
        return m.Assign(self._tag, node.card.unique_id ^ other, self.rng.choice((0, 0, 16, 17, 125)))

    def _clock(self, axis: Any, node: Any) -> Any:
        return m.Clock(self._tag, self.rng.randrange(1 << 48))


def announce_from(node: Any, unique_id: int) -> tuple[int, bytes]:
    """A node with this node's address speaks: it must step aside, unless it hears itself."""
    return pack(packet(m.Announce(0, unique_id, 0x10), dst=EVERYONE, src=node.address))
