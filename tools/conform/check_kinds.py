"""Checks from the table of kinds: every kind, every refusal that a message itself can earn, growth, hostile frames."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of
from ringlet.protocol.codes import TIMING, VERSION_MAJOR, VERSION_MINOR, Refusal, names
from ringlet.protocol.header import (
    ALL_AXES,
    DST_SHIFT,
    EVERYONE,
    KIND_SHIFT,
    NODE_FIRST,
    PRIORITY_SHIFT,
    SRC_SHIFT,
    unpack_header,
)
from ringlet.protocol.items import marks_check
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.serial_frame import encode_raw
from ringlet.protocol.wire import BODY_MAX, KINDS, Kind, problem
from ringlet.tools.conform.probe import POLL, TRY_AGAIN_S, Broken, Probe, refusal
from ringlet.tools.conform.table import check

MESSAGES: Final = "messages"
REQUESTS: Final = "requests-tags-and-repeats"
GROWTH: Final = "how-the-protocol-grows"
REFUSALS: Final = "refusals"


def requests() -> list[Kind]:
    """Every request that one node answers by itself."""
    return [row for row in KINDS if row.role == "request"]


def harmless(row: Kind, p: Probe) -> Any:
    """A body of this kind with values in range, of which nothing moves and nothing is stored when the axis is free."""
    special = {
        "get": m.Get(0, BY_NAME["stall-time"].id if row.scope == "axis" else 64),
        "set": m.Set(0, BY_NAME["stall-time"].id, p.get("stall-time")),
        "get-text": m.GetText(0, 2 << 4),
        "put-text": m.PutText(0, 2 << 4, bytes(6)),
        "commit-text": m.CommitText(0, 2, 1, 0xDEAD),
        "search": m.Search(0, 0, 0x80 | 1),
    }
    if row.name in special:
        return special[row.name]
    values: list[Any] = []
    for spec in row.fields:
        low, _ = spec.bounds
        first = min(names(spec.field.values)) if spec.field.values else max(0, low)
        values.append(bytes(spec.codec.size) if spec.codec.is_text else first)
    return row.cls(*values)


SKIPPED: Final = frozenset({"take", "save", "restore", "assign", "search", "discover", "stop", "clear-fault",
                            "commit-marks", "open-marks"})  # fmt: skip
"""Kinds that do something, or are not answered as others are; checks of their own send them."""


@check("KIND-01", REQUESTS, "Each request to one node is answered: with its reply, or with `refused` and a known code.",
       "A kind has no handler, and silence takes the place of a refusal.")  # fmt: skip
def every_kind(p: Probe) -> None:
    for row in requests():
        if row.name in SKIPPED:
            continue
        body = harmless(row, p)
        answer = p.ask(body)
        if not p.check(answer is not None, f"{row.name} was not answered"):
            continue
        if isinstance(answer, m.Refused):
            known = answer.code in set(Refusal) and answer.of == row.code
            p.check(known, f"{row.name} was refused with {refusal(answer)} of kind {answer.of}")
            if row.owner == "must":
                right = answer.code == Refusal.NOT_OWNER
                p.check(right, f"{row.name} on a free axis was refused with {refusal(answer)}")
            elif row.name not in ("get-mark", "put-mark", "commit-text"):
                p.check(False, f"{row.name} was refused with {refusal(answer)}; anyone may send it to a free axis")
        else:
            wanted = "motion" if row.name == "poll" else row.reply
            name = kind_of(answer).name if not isinstance(answer, str) else answer
            p.check(name == wanted and row.owner != "must", f"{row.name} was answered with {name}; wanted {wanted}")


@check("KIND-02", REFUSALS, "An unknown kind is refused with `unknown-kind`, and the item is the kind.",
       "Unknown kinds are passed over, or the item is not filled in.")  # fmt: skip
def unknown_kinds(p: Probe) -> None:
    newer = p.must(m.Identify(0)).minor > VERSION_MINOR
    for code in range(256):
        if code in KINDS.by_code:
            continue
        like, data = p.build(m.GetStatus(0))
        ident = like & ~(0xFF << KIND_SHIFT) | code << KIND_SHIFT
        found = _refusals(p, ident, data)
        if newer and found and not isinstance(found[0], m.Refused):
            continue
        if p.check(bool(found), f"unknown kind {code:#04x} was not answered"):
            one = found[0]
            right = isinstance(one, m.Refused) and (one.code, one.item, one.of) == (Refusal.UNKNOWN_KIND, code, code)
            p.check(right, f"unknown kind {code:#04x} was answered with {one}")


def _refusals(p: Probe, ident: int, data: bytes) -> list[Any]:
    """Whatever answers a frame of any kind: by tag, source and axis."""
    header = unpack_header(ident)
    first = len(p.trace)

    def found() -> list[Any]:
        heard = [(one, unpack_header(one.ident)) for one in p.trace[first:] if not one.sent]
        return [p.body(one) for one, head in heard if one.data[:1] == data[:1] and head[3:] == (p.node, header.axis)
                and head.dst == header.src]  # fmt: skip

    end = p.now() + TRY_AGAIN_S
    p.raw(ident, data)
    while not p.until(lambda: bool(found()), p.reply_s()) and not p.wire.ideal and p.now() < end:
        p.repeats += 1
        p.raw(ident, data)
    return found()


@check("KIND-03", REFUSALS, "A body shorter than the kind's fields is refused with `short-body`, and the item is the "
       "length received.", "The length is not checked before fields are read.")  # fmt: skip
def short_bodies(p: Probe) -> None:
    for row in requests():
        if row.scope == "node" and row.broadcast and row.name in ("search", "assign"):
            continue
        for size in range(1, row.min_size):
            ident, data = p.build(harmless(row, p))
            found = _refusals(p, ident, data[:size])
            if p.check(bool(found), f"{row.name} with {size} bytes was not answered"):
                one = found[0]
                right = isinstance(one, m.Refused) and (one.code, one.item) == (Refusal.SHORT_BODY, size)
                p.check(right, f"{row.name} with {size} of {row.min_size} bytes was answered with {one}")


def out_of_range(row: Kind, p: Probe) -> Iterator[tuple[int, str, Any]]:
    """(index of the field, its name and value, body) for counts just outside each field's range."""
    good = harmless(row, p)
    for index, spec in enumerate(row.fields):
        if spec.codec.is_text or spec.field.parts:
            continue
        low, high = spec.codec.bounds
        if spec.field.values:
            known = set(names(spec.field.values))
            tries = [max(known) + 1, high]
        else:
            lo, hi = spec.bounds
            tries = [lo - 1, hi + 1, high, low]
        for value in dict.fromkeys(tries):
            fine = value in names(spec.field.values) if spec.field.values else spec.allows(value)
            if low <= value <= high and not fine:
                yield index, f"{spec.name} {value}", good._replace(**{spec.name: value})


@check("KIND-04", REFUSALS, "A value outside its field's range is refused with `out-of-range`, and the item is the "
    "index "
       "of the field.", "A range or a list of choices of one field is not checked.")  # fmt: skip
def ranges(p: Probe) -> None:
    with p.owned():
        for row in requests():
            if row.name == "assign":
                continue  # it is not answered unless it names the node: ADDR-05
            for index, what, body in out_of_range(row, p):
                p.no(body, Refusal.OUT_OF_RANGE, index, what)


@check("KIND-05", REFUSALS, "A request to an axis that the node has not is refused with `unknown-axis`.",
       "The axis number is used without a check, or cut to fewer bits.")  # fmt: skip
def unknown_axes(p: Probe) -> None:
    for row in requests():
        if row.scope == "node":
            continue
        for number in {p.axes, 7, 8, 14}:
            if number >= p.axes:
                p.no(harmless(row, p), Refusal.UNKNOWN_AXIS, number, f"to axis {number}", axis=number)


@check("KIND-06", REQUESTS, "A question about one axis, sent to all axes, is refused unless the node has only one.",
       "The first axis answers for all.", needs="axes")  # fmt: skip
def question_to_all(p: Probe) -> None:
    for row in requests():
        if row.reply not in ("done", "parameter") and row.scope == "axis" and row.name != "get-text":
            p.no(harmless(row, p), Refusal.UNKNOWN_AXIS, ALL_AXES, "to all axes", axis=ALL_AXES)


@check("KIND-07", REQUESTS, "Stream messages are not answered, and neither is a request to everyone.",
       "Every message goes through the same path, which ends in an answer.")  # fmt: skip
def not_answered(p: Probe) -> None:
    for row in KINDS:
        if row.role == "stream":
            body, dst = harmless(row, p), p.node
        elif row.role == "request" and row.name not in ("discover", "search", "assign"):
            body, dst = harmless(row, p), EVERYONE
        else:
            continue
        if isinstance(body, m.Clock):
            continue  # sets the clock: CLOCK-01
        ident, data = p.build(body, dst=dst)
        first = len(p.trace)
        p.raw(ident, data)
        p.hear(p.reply_s())
        came = [one for one in p.trace[first:] if not one.sent and unpack_header(one.ident).dst == p.me
                and one.data[:1] == data[:1]]  # fmt: skip
        p.check(not came, f"{row.name} {'to everyone ' if dst == EVERYONE else ''}was answered")


@check("KIND-08", MESSAGES, "What the node sends has the length of its kind, values in range, and reserved bits zero.",
       "A structure is sent with padding, from stale memory, or in another byte order.")  # fmt: skip
def well_formed(p: Probe) -> None:
    asked: list[Any] = [m.Poll(0, what) for what in POLL.values()]
    asked += [m.GetStatus(0), m.GetOwner(0), m.GetFaults(0), m.GetClock(0), m.Identify(0), m.GetMarks(0)]
    asked += [m.GetText(0, 2 << 4), m.Get(0, BY_NAME["velocity-limit"].id), m.Discover(0)]
    for body in asked:
        found = p.answered(*p.build(body))
        if not found:
            p.fail(f"{kind_of(body).name} was not answered")
            continue
        answer = p.body(found[0])
        if isinstance(answer, str):
            p.fail(f"{kind_of(body).name}: {answer}")
            continue
        row = kind_of(answer)
        size = len(found[0].data)
        p.check(size == row.size, f"{row.name} has {size} bytes; the table says {row.size}")
        if isinstance(body, m.Poll):
            wanted = names("poll")[body.what]
            p.check(row.name == wanted, f"poll {wanted} was answered with {row.name}")
        wrong = problem(answer)
        p.check(wrong is None, f"{row.name}: {wrong[1] if wrong else ''}")
        for index, spec in enumerate(row.fields):
            if spec.field.parts:
                known = sum(((1 << part.width) - 1) << part.shift for part in spec.field.parts)
                p.check(not answer[index] & ~known, f"{row.name}: reserved bits of {spec.name} are set")
            if spec.field.values:
                known_here = answer[index] in names(spec.field.values)
                p.check(known_here, f"{row.name}: {spec.name} is {answer[index]}, which has no meaning")


@check("KIND-09", MESSAGES, "What different messages say of the same thing agrees.",
       "One field has another scale, sign or byte order than the table says.")  # fmt: skip
def agreement(p: Probe) -> None:
    status, owner = p.status(), p.owner()
    p.check(status.owner == owner.owner, f"status says owner {status.owner}, owner says {owner.owner}")
    p.until(lambda: abs(p.must(m.Poll(0, POLL["motion"])).velocity) < 5000, 2.0)  # a check before may have moved it
    motion, drive = (p.must(m.Poll(0, POLL[name])) for name in ("motion", "drive"))
    p.check(abs(motion.position - drive.setpoint) <= 90_000,
            f"at rest the ring is at {motion.position} and its setpoint at {drive.setpoint} mdeg")  # fmt: skip
    p.check(abs(motion.velocity) < 5000, f"at rest the velocity is {motion.velocity} mdeg/s")
    health = p.must(m.Poll(0, POLL["health"]))
    p.check(4000 <= health.supply <= 62_000, f"the supply is told as {health.supply} mV; 4 to 62 V is plausible")
    for name in ("winding", "case"):
        value = getattr(health, name)
        p.check(-400 <= value <= 2000, f"the temperature of the {name} is told as {value / 10:g} degC")
    sample, clock = p.must(m.Poll(0, POLL["sample"])), p.must(m.GetClock(0))
    apart = abs(clock.time - sample.time)
    p.check(apart < 1_000_000, f"sample and clock are {apart} us apart, though asked one after the other")
    faults = p.must(m.GetFaults(0))
    bit = bool(faults.latched)
    p.check(bit == bool(status.fault), f"status tells fault {status.fault}, faults tell {faults.latched:#x}")
    for value in (0x0001, 0x0102, 0x1234):
        p.set("stall-time", 20 + value % 4981)
        got = p.get("stall-time")
        p.check(got == 20 + value % 4981, f"stall-time was set to {20 + value % 4981} and reads {got}")
    for name in ("acceleration-limit", "encoder-counts"):
        row, now = BY_NAME[name], p.get(name)
        p.check(row.lo <= now <= row.hi, f"{name} reads {now}, outside its range")
    marks = p.must(m.GetMarks(0))
    table = []
    for index in range(marks.count):
        mark = p.must(m.GetMark(0, index))
        table.append((mark.position, mark.value))
    p.check(marks.check == marks_check(table), f"the marks give check {marks_check(table):#06x}, told "
        f"{marks.check:#06x}")


@check("KIND-10", "refusals", "Each refusal code that is sent is one of the table.",
       "Codes of the firmware's own are sent as refusals.")  # fmt: skip
def codes_known(p: Probe) -> None:
    bodies = [m.Move(0, 0, 0), m.Get(0, 200), m.Set(0, 200, 1), m.GetMark(0, 63), m.PutText(0, 0, bytes(6)),
              m.Poll(0, 99), m.CommitText(0, 3, 16, 1)]  # fmt: skip
    known = {int(code) for code in Refusal}
    for body in bodies:
        answer = p.ask(body)
        name = kind_of(body).name
        if p.check(isinstance(answer, m.Refused), f"{name} was answered with {answer}; it should be refused"):
            p.check(answer.code in known, f"{name} was refused with code {answer.code}, which is not in the table")


@check("TIME-01", "times", f"A node answers within {TIMING['reply'].ms} ms and the transfer times.",
       "Requests wait for a slow main loop, or for a buffer to fill.")  # fmt: skip
def reply_time(p: Probe) -> None:
    for body in (m.GetStatus(0), m.Identify(0), m.Get(0, 3), m.GetOwner(0), m.Poll(0, POLL["drive"])):
        for _ in range(10):
            frame = p.build(body)
            found = p.answers(*frame, seconds=0.5)
            if not p.check(bool(found), f"{kind_of(body).name} was not answered in 0.5 s"):
                continue
            sent = next(one.time for one in reversed(p.trace) if one.sent and one.data == frame[1])
            took = found[0].time - sent
            p.check(took <= p.reply_s(), f"{kind_of(body).name} was answered after {1e3 * took:.1f} ms")


@check("GROW-01", GROWTH, "A longer body comes from a newer sender: the fields that are known are read, and the rest "
    "is "
       "ignored.", "The length is compared for equality.")  # fmt: skip
def longer(p: Probe) -> None:
    for row in requests():
        if row.name in SKIPPED or row.size >= BODY_MAX:
            continue
        body = harmless(row, p)
        plain = p.ask(body)
        for size in {row.size + 1, BODY_MAX}:
            ident, data = p.build(body)
            found = p.answered(ident, data + bytes([0xA5] * (size - row.size)))
            if p.check(bool(found), f"{row.name} with a body of {size} bytes was not answered"):
                answer = p.body(found[0])
                same = type(answer) is type(plain)
                if same and isinstance(answer, m.Refused):
                    same = (answer.code, answer.item) == (plain.code, plain.item)
                p.check(same, f"{row.name} with a longer body was answered with {answer}, else with {plain}")


@check("GROW-02", GROWTH, "Reserved bits are ignored when received.",
       "A reserved bit that is set makes a request fail, or is taken for something.")  # fmt: skip
def reserved_bits(p: Probe) -> None:
    announce = p.must(m.Discover(0))
    for row in requests():
        for spec in row.fields:
            known = sum(((1 << part.width) - 1) << part.shift for part in spec.field.parts)
            spare = ~known & (1 << 8 * spec.codec.size) - 1 if known else 0
            if not spare:
                continue
            if row.name == "search":
                for everyone in (0x80, 0x00):
                    body = m.Search(0, announce.id, 48 | everyone | spare)
                    found = p.answers(*p.build(body, dst=EVERYONE))
                    text = f"search with reserved bits {spare:#x} was {'' if found else 'not '}answered"
                    p.check(bool(found) == bool(everyone), text)
            else:
                plain = harmless(row, p)
                marked = plain._replace(**{spec.name: getattr(plain, spec.name) | spare})
                p.check(type(p.ask(plain)) is type(p.ask(marked)), f"{row.name} minds reserved bits of {spec.name}")


@check("GROW-03", GROWTH, "`identity` and `announce` tell the same version, and its major part is the one spoken.",
       "The two halves of the version byte are swapped, or one of the two messages was forgotten.")  # fmt: skip
def version(p: Probe) -> None:
    identity, announce = p.must(m.Identify(0)), p.must(m.Discover(0))
    told = (announce.version >> 4, announce.version & 0xF)
    p.check(told == (identity.major, identity.minor), f"announce tells {told}, identity "
            f"{(identity.major, identity.minor)}")  # fmt: skip
    p.check(identity.major == VERSION_MAJOR, f"the major version is {identity.major}; this suite speaks "
        f"{VERSION_MAJOR}")


@check("GROW-04", GROWTH, "An unknown kind that comes from a node is ignored, and not refused.",
       "Unknown kinds are refused whoever sends them.")  # fmt: skip
def unknown_from_node(p: Probe) -> None:
    source = NODE_FIRST if p.node != NODE_FIRST else NODE_FIRST + 1
    for code in (0x2E, 0x7F, 0xC0):
        ident, data = p.build(m.GetStatus(0), src=source)
        ident = ident & ~(0xFF << KIND_SHIFT) | code << KIND_SHIFT
        first = len(p.trace)
        p.raw(ident, data)
        p.hear(p.reply_s())
        came = [one for one in p.trace[first:] if not one.sent and unpack_header(one.ident).dst == source]
        p.check(not came, f"unknown kind {code:#04x} from node {source} was answered")


def _settings_of(p: Probe) -> list[int]:
    return [p.get(name) for name in ("velocity-limit", "jerk-limit", "owner-timeout", "finding-speed", "stall-time")]


@check("HOST-01", REQUESTS, "Random frames, of any kind and length, from controls that do not own the axis, change "
       "nothing, and the node goes on answering.", "A handler trusts a length or an index.")  # fmt: skip
def random_frames(p: Probe) -> None:
    rng = random.Random(71)
    with p.owned():
        before, place = _settings_of(p), p.setpoint()
        state = p.state()
        for _ in range(400):
            row = rng.choice(list(KINDS))
            if row.name in ("take", "stop", "clock", "assign", "announce", "clear-fault"):
                continue
            ident = row.priority << PRIORITY_SHIFT | row.code << KIND_SHIFT | p.node << DST_SHIFT
            ident |= rng.choice([p.other, p.third]) << SRC_SHIFT | rng.choice([p.axis, p.axis, 15, rng.randrange(16)])
            p.raw(ident, rng.randbytes(rng.randrange(1, 9)))
            if rng.random() < 0.3:
                p.hear(0.002)
        p.hear(0.05)
        p.check(_settings_of(p) == before, f"settings were {before} and are {_settings_of(p)}")
        p.check(p.state() == state, f"the state was {state} and is {p.state()}")
        p.check(p.setpoint() == place, f"the setpoint was {place} and is {p.setpoint()}")
        p.check(p.owner().owner == p.me, "the axis has another owner now")


@check("HOST-02", "serial-line", "Any bytes on the line leave the node able to hear the next frame.",
       "The decoder writes past its buffer or waits for ever.", needs="serial")  # fmt: skip
def random_bytes(p: Probe) -> None:
    rng = random.Random(72)
    before = _settings_of(p)
    for _ in range(30):
        p.bytes_out(rng.randbytes(rng.randrange(1, 200)), "random bytes")
        p.hear(0.005)
    ident, data = p.build(m.GetStatus(0))
    first = len(p.trace)
    p.bytes_out(b"\0" + encode_raw(ident, data), "a zero byte and a whole frame")
    if not p.until(lambda: any(not one.sent and one.data[:1] == data[:1] for one in p.trace[first:]), p.reply_s()):
        raise Broken("after random bytes and a zero byte a request is not answered")
    p.check(_settings_of(p) == before, "random bytes changed settings")


@check("LOAD-01", "times", "At full bus rate each request is still answered in time.",
       "Frames for other nodes are handled as slowly as one's own, or the receive buffer is too small.",
       severity="should")  # fmt: skip
def full_rate(p: Probe) -> None:
    frame = max(p.wire.transport.frame_time, 0.0001)
    foreign = NODE_FIRST if p.node != NODE_FIRST else NODE_FIRST + 1
    missed = 0
    for _ in range(100):
        burst = min(8, max(1, int(0.001 / frame)))
        for _ in range(burst):
            p.cast(m.Poll(0, 0), dst=foreign)
        found = p.answers(*p.build(m.GetStatus(0)), seconds=p.reply_s() + (burst + 1) * frame)
        missed += not found
    p.check(missed == 0, f"{missed} of 100 requests were not answered while the bus was full")


