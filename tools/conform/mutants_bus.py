"""Broken motors: mistakes in tags and repeats, telemetry, the clock, and finding nodes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, packet
from ringlet.protocol.codes import TIMING
from ringlet.protocol.header import (
    DST_SHIFT,
    EVERYONE,
    SRC_SHIFT,
)
from ringlet.tools.conform.bed import Bed, also, mutant, wrap


@mutant("refusal-tag", "refusals have tag 0", "TAG-01")
def _(bed: Bed) -> None:
    bed.on_body(m.Refused, lambda body: body._replace(tag=0))


@mutant("tag-of-its-own", "answers carry a counter of the node's", "TAG-01")
def _(bed: Bed) -> None:
    count = [0]

    def say(one: Packet) -> Packet:
        count[0] += 1
        return one._replace(body=one.body._replace(tag=count[0] & 0xFF)) if isinstance(one.body, m.Status) else one

    bed.on_say(say)


@mutant("repeat-done-twice", "a repeated request is carried out again", "TAG-02")
def _(bed: Bed) -> None:
    bed.on_hear(lambda ident, data, go: also(None, bed.node._said.clear, lambda: go(ident, data)))


@mutant("refusal-forgotten", "refusals are not kept for repeats", "TAG-03")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        said = bed.node._said
        for key in [key for key, (_, one) in said.items() if isinstance(one.body, m.Refused)]:
            del said[key]
        go(ident, data)

    bed.on_hear(hear)


@mutant("repeat-for-ever", "a request with the bytes of an old one is never carried out again", "TAG-04")
def _(bed: Bed) -> None:
    def hear(ident: int, data: bytes, go: Any) -> None:
        bed.node._said = {key: (bed.node.now_us, one) for key, (_, one) in bed.node._said.items()}
        go(ident, data)

    bed.on_hear(hear)


def _answers_kept(bed: Bed, name: str, key_of: Callable[[Packet, bytes], tuple[Any, ...]]) -> None:
    """Within the repeat time a kind is answered from memory, found by a key of its own."""
    kept: dict[tuple[Any, ...], tuple[int, Any]] = {}

    def heed(go: Any, message: Packet, kind: Any, data: bytes) -> None:
        key = key_of(message, data)
        if kind.name == name and key in kept and bed.node.now_us - kept[key][0] < 1000 * TIMING["repeat"].ms:
            bed.node.outbox.append(kept[key][1])
            return
        go(message, kind, data)
        if kind.name == name and bed.node.outbox:
            kept[key] = bed.node.now_us, bed.node.outbox[-1]

    wrap(bed.node, "_heed", heed)


@mutant("questions-kept", "questions are answered from memory within the repeat time", "TAG-05")
def _(bed: Bed) -> None:
    _answers_kept(bed, "get", lambda message, data: (message.ident, bytes(data)))


@mutant("repeat-by-tag", "repeats are told by kind and tag alone", "TAG-06")
def _(bed: Bed) -> None:
    _answers_kept(bed, "set", lambda message, data: (message.body.tag,))


@mutant("stop-once", "a stop with the tag of an earlier one is taken for a repeat", "TAG-07")
def _(bed: Bed) -> None:
    last: dict[int, int] = {}

    def heed(go: Any, message: Packet, kind: Any, data: bytes) -> None:
        if kind.name == "stop":
            before = last.get(message.body.tag)
            last[message.body.tag] = bed.node.now_us
            if before is not None and bed.node.now_us - before < 20_000_000:
                return
        go(message, kind, data)

    wrap(bed.node, "_heed", heed)


# --- telemetry and clock ------------------------------------------------------------------------------------


@mutant("period-plus-one", "the telemetry period is one tick too long", "TELE-01")
def _(bed: Bed) -> None:
    state = [0]

    def tell(go: Any, index: int, axis: Any, sample: bool) -> None:
        go(index, axis, False)

    wrap(bed.node, "_tell", tell)

    def tick(go: Any) -> Any:
        said = go()
        rate = bed.axis.settings.values["telemetry-rate"]
        state[0] += 1
        if rate and state[0] > round(1000 / rate):
            state[0] = 0
            for number in range(5):
                if bed.axis.settings["telemetry-select"] >> number & 1:
                    body = bed.node._telemetry(0, bed.axis, number)
                    said.append(packet(body, dst=EVERYONE, src=bed.node.address, axis=0))
        return said

    wrap(bed.node, "tick", tick)


@mutant("select-reversed", "the bits of `telemetry-select` are counted from the top", "TELE-02")
def _(bed: Bed) -> None:
    def tell(go: Any, index: int, axis: Any, sample: bool) -> None:
        values = axis.settings.values
        select = values["telemetry-select"]
        values["telemetry-select"] = int(f"{select:05b}"[::-1], 2)
        go(index, axis, sample)
        values["telemetry-select"] = select

    wrap(bed.node, "_tell", tell)


@mutant("counter-stands", "the tag of telemetry does not count", "TELE-03")
def _(bed: Bed) -> None:
    def tell(go: Any, index: int, axis: Any, sample: bool) -> None:
        go(index, axis, sample)
        bed.node._counted[index] = 0

    wrap(bed.node, "_tell", tell)


@mutant("speaks-on-shared-line", "telemetry is sent on a shared line", "TELE-04")
def _(bed: Bed) -> None:
    def tell(go: Any, index: int, axis: Any, sample: bool) -> None:
        values = bed.node.settings.values
        shared, values["shared-line"] = values["shared-line"], 0
        go(index, axis, sample)
        values["shared-line"] = shared

    wrap(bed.node, "_tell", tell)


@mutant("clock-in-ms", "`clock` is read in milliseconds", "CLOCK-01")
def _(bed: Bed) -> None:
    def stream(go: Any, message: Packet, kind: Any) -> None:
        if isinstance(message.body, m.Clock):
            message = message._replace(body=message.body._replace(time=message.body.time * 1000 & (1 << 48) - 1))
        go(message, kind)

    wrap(bed.node, "_stream", stream)


@mutant("sample-in-ticks", "samples are stamped with a clock that `clock` does not set", "CLOCK-02")
def _(bed: Bed) -> None:
    bed.on_body(m.Sample, lambda body: body._replace(time=bed.node.now_us))


# --- addresses ----------------------------------------------------------------------------------------------


@mutant("discover-late", "the announcement comes after the window", "ADDR-01")
def _(bed: Bed) -> None:
    wrap(bed.node, "_say_later", lambda go, delay, body, dst: go(delay + 100_000, body, dst))


@mutant("announce-missing", "a discover to everyone is not answered", "ADDR-01")
def _(bed: Bed) -> None:
    wrap(bed.node, "_say_later", lambda go, delay, body, dst: None)


@mutant("search-beyond-prefix", "a search is compared one bit short", "ADDR-02")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        if kind.name == "search" and message.body.bits & 0x3F:
            message = message._replace(body=message.body._replace(bits=message.body.bits - 1))
        return go(message, kind)

    bed.on_request(request)


@mutant("here-from-own-address", "`here` is sent from the node's own address", "ADDR-03")
def _(bed: Bed) -> None:
    bed.on_say(lambda one: one._replace(ident=one.ident | bed.node.address << SRC_SHIFT)
               if isinstance(one.body, m.Here) else one)  # fmt: skip


@mutant("search-minds-no-all", "a node with an address answers every search", "ADDR-04")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        if kind.name == "search":
            message = message._replace(body=message.body._replace(bits=message.body.bits | 0x80))
        return go(message, kind)

    bed.on_request(request)


@mutant("assign-half", "an assigned address is used for sending only", "ADDR-05")
def _(bed: Bed) -> None:
    home = bed.node.address

    def hear(ident: int, data: bytes, go: Any) -> None:
        dst = ident >> DST_SHIFT & 0x7F
        if dst == home:
            ident = ident & ~(0x7F << DST_SHIFT) | bed.node.address << DST_SHIFT
        elif dst == bed.node.address != home:
            return
        go(ident, data)

    bed.on_hear(hear)


@mutant("assigned-goes-on", "an assigned node goes on answering the search", "ADDR-06")
def _(bed: Bed) -> None:
    bed.on_hear(lambda ident, data, go: also(None, lambda: setattr(bed.node, "found", False), lambda: go(ident, data)))


@mutant("id-of-32-bits", "only 32 bits of the id are compared at an assign", "ADDR-07")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        body, mine = message.body, bed.node.card.unique_id
        if kind.name == "assign" and body.id & 0xFFFFFFFF == mine & 0xFFFFFFFF:
            message = message._replace(body=body._replace(id=mine))
        return go(message, kind)

    bed.on_request(request)


@mutant("conflict-ignored", "announcements of other nodes are not read", "ADDR-08")
def _(bed: Bed) -> None:
    wrap(bed.node, "_hear_node", lambda go, src, ident, data, kind: None)


@mutant("own-id-a-conflict", "its own id, heard from its own address, is taken for a conflict", "ADDR-08")
def _(bed: Bed) -> None:
    def heard(go: Any, src: int, ident: int, data: bytes, kind: Any) -> None:
        go(src, ident, data[:1] + bytes(6) + data[7:], kind)

    wrap(bed.node, "_hear_node", heard)
