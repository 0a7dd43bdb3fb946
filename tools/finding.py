"""Who is on the bus: announcements, the search for nodes without an address, and giving addresses.

The search asks for the unique id bit by bit, from the top. Every node that matches answers with the same bytes: on
CAN these merge into one frame, on a serial line any byte in the window is a yes. A node that has been assigned keeps
silent, and the search goes on for the next. One node costs 48 questions and one that asks whether there is any at
all; a further node one more at the most, because both values of its first bit are asked. Each question takes at most
the search reply time (4 ms), two frames and the host's turnaround (20 ms on a real link): about 1.4 s a node on
serial at 115200 baud. On CAN a yes ends the window at once.

Noise on a serial line is met in three places, for nothing there sends a damaged frame again: a yes of few bytes is
asked for once more; a silence that would end the search too; and a search that ends at no node begins anew.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet, kind_of
from ringlet.protocol.codes import TIMING
from ringlet.protocol.header import EVERYONE, FRESH, NOBODY, NODE_FIRST, NODE_LAST
from ringlet.tools.errors import NoAnswer, UsageProblem

if TYPE_CHECKING:
    from ringlet.tools.link import Link

ID_BITS: Final = 48
ALL: Final = 0x80
"""Bit of `search` that also means nodes with an address."""
FALSE_STARTS: Final = 5
"""Searches that end at a node that is not there, one after the other, before the search gives up."""
FAINT: Final = 4
"""Fewer bytes than this are noise as likely as an answer, which has more even when it garbles: ask once more."""
SETTLE: Final = 0.002
"""Seconds beside the promised times in virtual time, where one step is 1 ms."""


class Found(NamedTuple):
    """A node on the bus."""

    address: int
    id: int
    major: int
    minor: int
    fresh: bool
    """has no address of its own"""


class Heard(NamedTuple):
    """What an announce window brought."""

    nodes: list[Found]
    strange: bool
    """frames were damaged, or are not ours"""
    streaming: bool
    """a node speaks unasked: on a serial line it is alone"""


def found_of(heard: Packet) -> Found:
    """The node behind an announcement."""
    body: m.Announce = heard.body
    return Found(heard.src, body.id, body.version >> 4, body.version & 0xF, heard.src == FRESH)


def id_text(unique_id: int) -> str:
    """A unique id as people read it: 12 hex digits."""
    return f"{unique_id:012X}"


def clash_text(address: int, ids: set[int]) -> str:
    """The sentence for several nodes at one address."""
    listed = " and ".join(id_text(one) for one in sorted(ids))
    return (
        f"nodes {listed} both answer at address {address}, so neither is driven; "
        "give one of them another address, or switch one off."
    )


def announcements(link: Link) -> Heard:
    """Ask everybody to announce themselves, and wait the announce window out. Notes clashes in the link."""
    nodes: list[Found] = []
    streaming = False

    def note(heard: Packet, _: float) -> None:
        nonlocal streaming
        if isinstance(heard.body, m.Announce):
            nodes.append(found_of(heard))
        elif heard.dst == EVERYONE and (
            heard.src >= NODE_FIRST or (heard.src not in (NOBODY, link.source) and not link.transport.shared)
        ):  # a node streams; on a line of its own a control or a sensor may too
            streaming = True

    before = link.transport.lost.total()
    undo = link.subscribe(note)
    try:
        link.send(m.Discover(0))
        link.wait(_window(link, TIMING["announce_window"].ms + TIMING["reply"].ms) + link.transport.slack / 2)
    finally:
        undo()
    _note_clashes(link, nodes)
    return Heard(nodes, link.transport.lost.total() > before, streaming)


def _note_clashes(link: Link, nodes: list[Found]) -> None:
    """A clash stays known until the next `discover`: that only one of the two was heard does not end it."""
    by_address: dict[int, set[int]] = defaultdict(set)
    for one in nodes:
        if not one.fresh:
            by_address[one.address].add(one.id)
    link.clashes.update({address: ids for address, ids in by_address.items() if len(ids) > 1})


def discover(link: Link, *, assign: bool = False) -> list[Found]:
    """All nodes, sorted by address and id; with `assign` nodes without an address get the lowest free ones."""
    link.clashes.clear()
    heard = announcements(link)
    if heard.strange and link.is_can:  # two frames under one identifier destroyed each other: once more
        again = announcements(link)
        heard = again._replace(nodes=heard.nodes + again.nodes)
        _note_clashes(link, heard.nodes)
    found = {(one.address, one.id): one for one in heard.nodes}
    if link.is_can or not heard.streaming:
        everyone = not link.is_can and (link.transport.shared or heard.strange)
        for one in search(link, everyone=everyone):
            found[one.address, one.id] = one
    for address, ids in link.clashes.items():
        link.transport.notice(clash_text(address, ids))
    if assign:
        for key in [key for key, one in sorted(found.items()) if one.fresh]:
            used = {one.address for one in found.values()}
            free = next((number for number in range(NODE_FIRST, NODE_LAST + 1) if number not in used), None)
            if free is None:
                raise UsageProblem("all node addresses are in use; switch some nodes off.")
            given = _assign(link, found.pop(key).id, free)
            found[given.address, given.id] = given
    return sorted(found.values())


def search(link: Link, *, everyone: bool = False) -> list[Found]:
    """Find nodes by their unique id: those without an address, with `everyone` the others too. Addresses stay."""
    who = ALL if everyone else 0
    found: list[Found] = []
    if not (_ask(link, 0, 0, who) or (not link.is_can and _ask(link, 0, 0, who))):
        return found
    false_starts = 0
    while false_starts < FALSE_STARTS:
        unique_id = _descend(link, who, sure=not found and not false_starts)
        if unique_id is None and not link.is_can:
            unique_id = _descend(link, who, sure=False)
        if unique_id is None:
            return found
        try:
            one = _assign(link, unique_id, 0)
        except NoAnswer:
            false_starts += 1
            continue
        false_starts = 0
        found.append(one)
    link.transport.notice(
        f"{link.url}: answers to the search lead to no node ({false_starts} times); "
        "look for noise on the line or for another program that speaks."
    )
    return found


def _descend(link: Link, who: int, *, sure: bool) -> int | None:
    """One unique id, bit by bit; None when nobody answers to either first bit. `sure`: somebody is there."""
    unique_id = 0
    for bits in range(1, ID_BITS + 1):
        place = 1 << ID_BITS - bits
        if _ask(link, unique_id, bits, who):
            continue
        unique_id |= place
        if bits == 1 and not sure and not _ask(link, unique_id, bits, who):
            return None
    return unique_id


def _ask(link: Link, unique_id: int, bits: int, who: int) -> bool:
    """Whether a node matches. On CAN the answer itself counts, on serial any byte in the window."""
    sure, faint = _window_of(link, unique_id, bits, who)
    return sure or (faint and any(_window_of(link, unique_id, bits, who)))


def _window_of(link: Link, unique_id: int, bits: int, who: int) -> tuple[bool, bool]:
    """One question: a sure yes, and a faint one that noise can make."""
    transport = link.transport
    tag = link.next_tag(kind_of(m.Search(0, 0, 0)).code, EVERYONE, 0)
    answers: list[Packet] = []
    undo = link.subscribe(
        lambda heard, _: answers.append(heard) if heard.src == NOBODY and heard.body.tag == tag else None, ("here",)
    )
    try:
        link._put(m.Search(tag, unique_id, bits | who), EVERYONE, 15)
        before = transport.heard
        window = _window(link, TIMING["search_reply"].ms) + (transport.turnaround if bits == 0 else 0.0)
        link.wait_until(lambda: transport.is_can and bool(answers), window)
    finally:
        undo()
    bytes_heard = 0 if transport.is_can else transport.heard - before
    return bool(answers) or bytes_heard >= FAINT, bytes_heard > 0


def assign(link: Link, unique_id: int, address: int) -> Found:
    """Give a node an address. Raises UsageProblem for one that cannot be given, NoAnswer when the node is not there."""
    if not NODE_FIRST <= address <= NODE_LAST:
        raise UsageProblem(f"address {address} cannot be given; nodes have {NODE_FIRST} to {NODE_LAST}.")
    if not 0 <= unique_id < 1 << ID_BITS:
        raise UsageProblem(f"{unique_id:#x} is no unique id; it has {ID_BITS // 4} hex digits.")
    holder = link.nodes.get(address)
    if holder is not None and holder.id != unique_id:
        raise UsageProblem(f"address {address} belongs to node {id_text(holder.id)}; choose another.")
    return _assign(link, unique_id, address)


def _assign(link: Link, unique_id: int, address: int) -> Found:
    """Assign, address 0 keeping the present one, and wait for the announcement."""
    answers: list[Found] = []

    def note(heard: Packet, _: float) -> None:
        if heard.body.id == unique_id and (not address or heard.src == address):
            answers.append(found_of(heard))

    tag = link.next_tag(kind_of(m.Assign(0, 0, 0)).code, EVERYONE, 0)
    undo = link.subscribe(note, ("announce",))
    try:
        for _ in range(3):
            link._put(m.Assign(tag, unique_id, address), EVERYONE, 15)
            if link.wait_until(lambda: bool(answers), link.reply_time("assign")):
                break
    finally:
        undo()
    if not answers:
        raise NoAnswer(f"node {id_text(unique_id)} does not answer on {link.url}; check power and cable.")
    for number, ids in list(link.clashes.items()):
        if unique_id in ids and number != answers[-1].address:
            ids.discard(unique_id)
            if len(ids) < 2:
                del link.clashes[number]
    return answers[-1]


def _window(link: Link, promised_ms: int) -> float:
    """Seconds to wait for answers that come within `promised_ms`."""
    return promised_ms / 1000 + 2 * link.transport.frame_time + (link.transport.turnaround or SETTLE)
