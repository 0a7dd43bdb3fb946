"""Checks of addresses: discover, search, assign, and two nodes under one address. The address goes back."""

from __future__ import annotations

from typing import Final

from ringlet.protocol import messages as m
from ringlet.protocol.codec import packet
from ringlet.protocol.codes import TIMING, Fault
from ringlet.protocol.header import ALL_AXES, EVERYONE, FRESH, NOBODY, NODE_FIRST, NODE_LAST, unpack_header
from ringlet.protocol.wire import KINDS
from ringlet.tools.conform.probe import TRY_AGAIN_S, Broken, Frame, Probe
from ringlet.tools.conform.table import check

PLACE: Final = "finding-nodes-that-have-no-address"
ALL: Final = 0x80
BITS: Final = 48


def _id(p: Probe) -> m.Announce:
    answer = p.must(m.Discover(0))
    if not isinstance(answer, m.Announce):
        raise Broken(f"discover was answered with {answer}")
    return answer


def _search(p: Probe, unique_id: int, bits: int) -> list[Frame]:
    """Ask everyone; the answers `here` with our tag that come within the promised time."""
    ident, data = p.build(m.Search(0, unique_id, bits), dst=EVERYONE)
    first = len(p.trace)
    p.raw(ident, data)
    p.hear(p.reply_s("search_reply"))
    return [one for one in p.trace[first:] if not one.sent and one.data[:1] == data[:1]
            and isinstance(p.body(one), m.Here)]  # fmt: skip


def _found(p: Probe, unique_id: int, bits: int) -> list[Frame]:
    """As `_search`, where an answer must come: asked again on a real link, for a frame may get lost there."""
    end = p.now() + TRY_AGAIN_S
    while not (found := _search(p, unique_id, bits)) and not p.wire.ideal and p.now() < end:
        p.repeats += 1
    return found


def _assign(p: Probe, unique_id: int, address: int) -> list[Frame]:
    ident, data = p.build(m.Assign(0, unique_id, address), dst=EVERYONE)
    first = len(p.trace)
    p.raw(ident, data)
    p.hear(p.reply_s())
    return [one for one in p.trace[first:] if not one.sent and one.data[:1] == data[:1]]


def _bring_home(p: Probe, unique_id: int, home: int) -> None:
    """Its own address again; given several times, for one may get lost. Raises Broken."""
    for _ in range(1 if p.wire.ideal else 5):
        _assign(p, unique_id, home)
        if p.answered(*p.build(m.Identify(0), dst=home)):
            _new_search(p)
            return
    raise Broken(f"the node does not answer at its address {home} after it was given back")


def _new_search(p: Probe) -> None:
    """A search in which this node takes part and the others on the bus keep silent."""
    _search(p, 0, 0)
    if p.speaks:
        _, data = p.cast(m.Discover(0), dst=EVERYONE)
        heard = p.hear(p.reply_s("announce_window"))
        others = {p.body(one).id for one in heard if one.data[:1] == data[:1] and unpack_header(one.ident).src != p.node
                  and isinstance(p.body(one), m.Announce)}  # fmt: skip
        for unique_id in sorted(others):
            _assign(p, unique_id, 0)


def _free_address(p: Probe) -> int:
    for address in range(NODE_LAST, NODE_FIRST, -1):
        if address != p.node and not p.answers(*p.build(m.Identify(0), dst=address)):
            return address
    raise Broken("no free address was found")


def _discover(p: Probe) -> tuple[float, list[Frame]]:
    """Ask everyone; when, and the announcements of this node."""
    ident, data = p.build(m.Discover(0), dst=EVERYONE)
    first, sent = len(p.trace), p.now()
    p.raw(ident, data)
    p.hear(p.reply_s("announce_window") + 0.02)
    return sent, [one for one in p.trace[first:] if not one.sent and unpack_header(one.ident).src == p.node
                  and one.data[:1] == data[:1] and isinstance(p.body(one), m.Announce)]  # fmt: skip


@check("ADDR-01", PLACE, f"A node with an address announces itself within {TIMING['announce_window'].ms} ms of a "
    "`discover`, "
       "from its address, with its id.", "The window is missed, or the answer goes to everyone.")  # fmt: skip
def discover(p: Probe) -> None:
    mine = _id(p)
    for _ in range(3):
        for _ in range(1 if p.wire.ideal else 4):
            sent, came = _discover(p)
            if came:
                break
        if p.check(len(came) == 1, f"a discover to everyone was answered {len(came)} times"):
            body, header = p.body(came[0]), unpack_header(came[0].ident)
            p.check(body.id == mine.id, f"announce tells id {body.id:012X}, before it was {mine.id:012X}")
            p.check((header.dst, header.axis) == (p.me, ALL_AXES), f"announce went to {header.dst}, axis {header.axis}")
            took = came[0].time - sent
            p.check(took <= p.reply_s("announce_window"), f"the announcement came after {1e3 * took:.0f} ms")


@check("ADDR-02", PLACE, "A node answers a `search` if its id begins with the bits asked for, for any number of them, "
    "and keeps "
       "silent otherwise.", "The comparison covers the wrong bits, or all of them.")  # fmt: skip
def prefixes(p: Probe) -> None:
    unique_id = _id(p).id
    p.check(bool(_found(p, unique_id, ALL)), "search for no bits was not answered")
    _new_search(p)
    for bits in range(1, BITS + 1):
        p.check(bool(_found(p, unique_id, bits | ALL)), f"search for its own first {bits} bits was not answered")
        low = unique_id ^ ((1 << BITS - bits) - 1)
        p.check(bool(_found(p, low, bits | ALL)), f"search with other bits behind the first {bits} was not answered")
        other = unique_id ^ 1 << BITS - bits
        p.check(not _search(p, other, bits | ALL), f"search with bit {bits} of the id turned was answered")
    _new_search(p)


@check("ADDR-03", "here-0x73", "`here` comes from address 0 with axis 15 and the tag asked for, so that all nodes "
    "send the same "
       f"bytes, within {TIMING['search_reply'].ms} ms.", "The node's own address stands in the answer.")  # fmt: skip
def same_bytes(p: Probe) -> None:
    _new_search(p)
    found = _found(p, _id(p).id, BITS | ALL)
    if p.check(len(found) >= 1, "search for its own id was not answered"):
        header, row = unpack_header(found[0].ident), KINDS.by_name["here"]
        p.check((header.src, header.dst, header.axis) == (NOBODY, p.me, ALL_AXES), f"here has the header {header}")
        p.check(header.priority == row.priority, f"here has priority {header.priority}")
        p.check(len(found[0].data) == row.size, f"here has {len(found[0].data)} bytes")


@check("ADDR-04", PLACE, "A node that has an address keeps silent in a search without the bit `all`.",
       "The bit is not looked at.")  # fmt: skip
def without_all(p: Probe) -> None:
    _new_search(p)
    unique_id = _id(p).id
    for bits in (1, 24, BITS):
        p.check(not _search(p, unique_id, bits), f"search without `all` for {bits} bits was answered")


@check("ADDR-05", PLACE, "`assign` gives the node with this id an address: it announces itself from there and listens "
    "there. 0 "
       "keeps the present one; an address that cannot be given is refused.",
       "The new address is used for sending only.")  # fmt: skip
def assign(p: Probe) -> None:
    unique_id, home = _id(p).id, p.node
    found = _assign(p, unique_id, 0)
    p.check(len(found) == 1 and isinstance(p.body(found[0]), m.Announce), "assign with address 0 was not answered")
    for address in (NODE_FIRST - 1, FRESH, EVERYONE, 255):
        found = _assign(p, unique_id, address)
        body = p.body(found[0]) if found else None
        p.check(isinstance(body, m.Refused), f"assign of address {address} was answered with {body}")
    other = _free_address(p)
    found = _assign(p, unique_id, other)
    try:
        p.check(bool(found) and unpack_header(found[0].ident).src == other,
                f"after assign of {other} the announcement came from "
                f"{[unpack_header(one.ident).src for one in found]}")  # fmt: skip
        p.check(bool(p.answered(*p.build(m.Identify(0), dst=other))), f"the node does not answer at its new address "
            f"{other}")
        p.check(not p.answers(*p.build(m.Identify(0), dst=home)), f"the node still answers at its old address {home}")
    finally:
        _bring_home(p, unique_id, home)


@check("ADDR-06", PLACE, "A node that was assigned keeps silent in the rest of the search, until one that asks for no "
    "bits.",
       "The node goes on answering, and the search finds it for ever.")  # fmt: skip
def silent_after(p: Probe) -> None:
    _new_search(p)
    unique_id = _id(p).id
    _assign(p, unique_id, 0)
    for bits in (1, BITS):
        p.check(not _search(p, unique_id, bits | ALL), f"after assign a search for {bits} bits was answered")
    p.check(bool(_found(p, 0, ALL)), "a search that asks for no bits was not answered")
    p.check(bool(_found(p, unique_id, BITS | ALL)), "after a search for no bits the node does not take part again")


@check("ADDR-07", PLACE, "No other node answers an `assign`: one with another id keeps address and silence.",
       "A part of the id is compared.")  # fmt: skip
def other_id(p: Probe) -> None:
    unique_id = _id(p).id
    free = _free_address(p)
    for bit in range(0, BITS, 5):
        other = unique_id ^ 1 << bit
        found = _assign(p, other, free)
        p.check(not found, f"assign to the id {other:012X}, one bit off, was answered")
        if not p.check(bool(p.answered(*p.build(m.Identify(0)))), "an assign to another id took the address away"):
            _bring_home(p, unique_id, p.node)
    _new_search(p)


@check("ADDR-08", PLACE, "A node that hears its address announced by another id goes back to address 126 and tells "
    "the fault "
       "`address-taken`; its own id, or another address, does nothing.",
       "Announcements of other nodes are not read.")  # fmt: skip
def conflict(p: Probe) -> None:
    mine, home = _id(p), p.node
    harmless = [(home, mine.id), (_free_address(p), mine.id ^ 1)]
    row = KINDS.by_name["announce"]
    for address, unique_id in harmless:
        heard = packet(m.Announce(0, unique_id, mine.version), dst=EVERYONE, src=address)
        p.raw(heard.ident, row.pack(heard.body))
        p.hear(0.01)
        p.check(bool(p.answered(*p.build(m.Identify(0)))), f"an announcement of id {unique_id:012X} from address "
            f"{address} "
                "took the address away")  # fmt: skip
    heard = packet(m.Announce(0, mine.id ^ 1, mine.version), dst=EVERYONE, src=home)
    p.raw(heard.ident, row.pack(heard.body))
    p.hear(0.02)
    try:
        p.check(not p.answers(*p.build(m.Identify(0))), f"the node kept address {home}, which another id announced")
        p.check(bool(p.answered(*p.build(m.Identify(0), dst=FRESH))), f"the node does not answer at address {FRESH}")
        _new_search(p)
        p.check(bool(_found(p, mine.id, BITS)), "without an address the node does not answer a search")
        answers = p.answers(*p.build(m.GetFaults(0), dst=FRESH))
        body = p.body(answers[0]) if answers else None
        told = isinstance(body, m.Faults) and bool(body.latched >> Fault.ADDRESS_TAKEN & 1)
        p.check(told, f"the fault address-taken is not latched: {body}")
        ident, data = p.build(m.Discover(0), dst=EVERYONE)
        first = len(p.trace)
        p.raw(ident, data)
        p.hear(p.reply_s("announce_window"))
        came = [p.body(one) for one in p.trace[first:] if not one.sent and one.data[:1] == data[:1]]
        p.check(any(isinstance(one, m.Here) for one in came), "without an address it does not answer discover with "
            "`here`")
        p.check(not any(isinstance(one, m.Announce) and one.id == mine.id for one in came),
                "without an address it announces itself")  # fmt: skip
    finally:
        _bring_home(p, mine.id, home)
    p.must(m.ClearFault(0))
    p.check(p.status().fault == 0, "clear-fault did not forget address-taken")
