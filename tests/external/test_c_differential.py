"""The emitted C against Python, for very many random messages and broken frames: same verdicts, same bytes.

Source of the outside check: the GNU C compiler runs the emitted files; Python is the definition. How many is set by the
environment variable RINGLET_MANY: 100000 unless told otherwise; CI takes 1000000.
"""

from __future__ import annotations

import ctypes
import os
import random
import struct
import sys
from collections import Counter
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import numpy as np
import pytest

from ringlet.protocol.codec import WireError, unpack
from ringlet.protocol.header import HEADER_FIELDS, IDENT_MAX, Header, unpack_header
from ringlet.protocol.serial_frame import FRAME_MAX, PAYLOAD_MAX, StreamDecoder, crc16, encode_raw
from ringlet.protocol.wire import I8, I16, I24, I32, KINDS, U8, U16, U24, U48, Field, Kind, Registry, kind, problem

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build

pytestmark = pytest.mark.skipif(c_build.have("gcc") is not None, reason=c_build.have("gcc") or "")

MANY = int(os.environ.get("RINGLET_MANY", "100000"))
EACH = MANY // len(KINDS) + 1
PIECE = 997
"""bytes in one call of feed: nothing that a frame length divides"""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> c_build.Library:
    return c_build.Library(tmp_path_factory.mktemp("c"))


def random_counts(row: Kind, dtype: np.dtype[Any], count: int, seed: int) -> np.ndarray[Any, Any]:
    """Messages of one kind as C sees them: any bits that its types hold, often at and around the bounds."""
    rng = np.random.default_rng([seed, row.code])
    out = np.frombuffer(rng.bytes(count * dtype.itemsize), dtype).copy()
    out["ident"] = rng.integers(0, 1 << 29, count) & ~(0xFF << 18) | row.code << 18
    for name, spec in zip(dtype["body"].names or (), row.fields, strict=True):
        if spec.codec.is_text:
            continue
        column = out["body"][name]
        lo, hi = spec.bounds
        limits = np.iinfo(column.dtype)
        edges = [lo, hi, max(lo - 1, limits.min), min(hi + 1, limits.max), *(value for value, _ in spec.field.reserved)]
        inside = rng.integers(lo, hi, count, dtype=column.dtype, endpoint=True)
        at_edge = np.array(edges, column.dtype)[rng.integers(0, len(edges), count)]
        choice = rng.random(count)
        column[...] = np.where(choice < 0.9, inside, np.where(choice < 0.97, at_edge, column))
    return out


def rows_of(body: np.ndarray[Any, Any]) -> list[tuple[Any, ...]]:
    """Plain tuples, a text as bytes."""
    columns = [[bytes(text) for text in body[name]] if body[name].ndim > 1 else body[name].tolist()
               for name in body.dtype.names or ()]  # fmt: skip
    return list(zip(*columns, strict=True))


def check_pack(library: c_build.Library, row: Kind, kinds: Registry, count: int) -> Counter[str]:
    """C packs what Python packs, byte for byte, and refuses what Python finds a problem in, at the same field."""
    messages = random_counts(row, library.dtype(row), count, 1)
    frames, verdicts = library.pack(messages)
    lines = library.encode(frames)
    seen: Counter[str] = Counter()
    idents, bodies = messages["ident"].tolist(), [frame.tobytes() for frame in frames["body"]]
    sizes = frames["size"].tolist()
    for index, (values, verdict) in enumerate(zip(rows_of(messages["body"]), verdicts.tolist(), strict=True)):
        bad = problem(row.cls(*values), kinds)
        expected = c_build.CODES["ok"] if bad is None else c_build.RANGE + bad[0]
        assert verdict == expected, (row.name, values, verdict, bad)
        if bad is None:
            data = row.pack(values)
            assert (sizes[index], bodies[index][: row.size]) == (row.size, data), (row.name, values)
            assert lines[index] == encode_raw(idents[index], data), (row.name, values)
        seen[c_build.verdict_name(verdict)] += 1
    return seen


def check_unpack(library: c_build.Library, row: Kind, kinds: Registry, count: int) -> Counter[str]:
    """C reads from any bytes and any length what Python reads, field by field."""
    rng = np.random.default_rng([2, row.code])
    frames = np.frombuffer(rng.bytes(count * c_build.FRAME.itemsize), c_build.FRAME).copy()
    frames["ident"] = frames["ident"] & 0x1FFFFFFF & ~np.uint32(0xFF << 18) | np.uint32(row.code << 18)
    frames["size"] = np.where(rng.random(count) < 0.7, row.size, rng.integers(0, 9, count))
    messages, verdicts = library.unpack(frames, row)
    seen: Counter[str] = Counter()
    got = rows_of(messages["body"])
    assert (messages["ident"] == frames["ident"]).all()
    datas, sizes = [frame.tobytes() for frame in frames["body"]], frames["size"].tolist()
    for values, verdict, data, size in zip(got, verdicts.tolist(), datas, sizes, strict=True):
        try:
            body = row.unpack(0, data[:size]).body
        except ValueError:
            assert verdict == c_build.CODES["short-body"], (row.name, data[:size].hex(), verdict)
        else:
            bad = problem(body, kinds)
            assert verdict == (c_build.CODES["ok"] if bad is None else c_build.RANGE + bad[0]), (
                row.name,
                body,
                verdict,
            )
            assert tuple(body) == values, (row.name, data[:size].hex())
        seen[c_build.verdict_name(verdict)] += 1
    return seen


def test_every_kind_packs_alike(library: c_build.Library) -> None:
    seen = sum((check_pack(library, row, KINDS, EACH) for row in KINDS), Counter[str]())
    print(f"packed: {dict(seen)}")
    assert sum(seen.values()) >= MANY
    assert min(seen["ok"], seen["range"]) > MANY // 50, seen


def test_every_kind_unpacks_alike(library: c_build.Library) -> None:
    seen = sum((check_unpack(library, row, KINDS, EACH) for row in KINDS), Counter[str]())
    print(f"unpacked: {dict(seen)}")
    assert sum(seen.values()) >= MANY
    assert min(seen["ok"], seen["range"], seen["short-body"]) > MANY // 50, seen


def test_unknown_kinds_and_headers(library: c_build.Library) -> None:
    first = next(iter(KINDS))
    frames = np.zeros(256 + 2, c_build.FRAME)
    frames["ident"][:256] = np.arange(256, dtype=np.uint32) << 18
    frames["ident"][256] = 1 << 29
    frames["size"] = 8
    frames["size"][257] = 9
    _, verdicts = library.unpack(frames, first)
    for code in range(256):
        known = verdicts[code] != c_build.CODES["unknown-kind"]
        assert known == (code in KINDS.by_code), code
    assert verdicts[256] == verdicts[257] == c_build.CODES["header"]


class CHeader(ctypes.Structure):
    """A ringlet_header: one byte a part."""

    _fields_ = [(name, ctypes.c_uint8) for name, _, _ in HEADER_FIELDS]


def test_headers_both_ways(library: c_build.Library) -> None:
    draw = random.Random(6)
    ident = ctypes.c_uint32()
    refused = 0
    for _ in range(20_000):
        parts = [draw.getrandbits(width if draw.random() < 0.95 else 8) for _, width, _ in HEADER_FIELDS]
        verdict = library.c.ringlet_header_pack(ctypes.byref(CHeader(*parts)), ctypes.byref(ident))
        try:
            assert (verdict, ident.value) == (c_build.CODES["ok"], Header(*parts).pack())
        except ValueError:  # Python's word for a part that is too large
            assert verdict == c_build.CODES["header"]
            refused += 1
        number = draw.getrandbits(draw.choice((29, 29, 29, 32)))
        header = CHeader()
        verdict = library.c.ringlet_header_unpack(number, ctypes.byref(header))
        if number <= IDENT_MAX:
            assert tuple(getattr(header, name) for name, _, _ in HEADER_FIELDS) == tuple(unpack_header(number))
        assert verdict == c_build.CODES["ok" if number <= IDENT_MAX else "header"]
    assert 100 < refused < 10_000


class Recorder(Counter[str]):
    """A count of causes that also keeps their order."""

    def __init__(self) -> None:
        super().__init__()
        self.order: list[str] = []

    def __setitem__(self, cause: str, value: int) -> None:
        self.order.append(cause)
        super().__setitem__(cause, value)


def corrupt(frame: bytes, draw: random.Random) -> bytes:
    """What a bad line does to a frame."""
    data = bytearray(frame)
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        sort, at = draw.randrange(8), draw.randrange(len(data)) if data else 0
        if not data or sort == 0:
            data.insert(at, draw.randrange(256))
        elif sort <= 3:
            data[at] ^= 1 << draw.randrange(8)
        elif sort == 4:
            del data[at]
        elif sort == 5:
            data[at] = 0
        elif sort == 6:
            del data[at:-1]
        else:
            data[at:at] = bytes(draw.randrange(1, 256) for _ in range(draw.randrange(20)))
    return bytes(data)


def random_frame(draw: random.Random, codes: list[int]) -> bytes:
    """A good frame, or one that only framing or the table of kinds finds fault with."""
    ident = draw.getrandbits(29)
    sort = draw.random()
    if sort < 0.9:
        ident = ident & ~(0xFF << 18) | draw.choice(codes) << 18
    elif sort > 0.97:
        ident |= draw.randrange(1, 8) << 29
    size = draw.choice((8, 8, 8, 7, 6, 5, 4, 3, 2, 1, 0, 9))
    return encode_raw(ident, draw.randbytes(size) if draw.random() < 0.8 else bytes(size))


def test_broken_streams_give_the_same_verdicts(library: c_build.Library) -> None:
    draw = random.Random(3)
    codes = list(KINDS.by_code)
    seen: Counter[str] = Counter()
    broken = 0
    while broken < MANY:
        chunks = []
        for _ in range(min(50_000, MANY)):
            frame = random_frame(draw, codes)
            if draw.random() < 0.95:
                frame, broken = corrupt(frame, draw), broken + 1
            chunks.append(frame)
        stream = b"".join(chunks) + b"\0"
        frames, verdicts, where = library.feed(stream)
        python = StreamDecoder()
        python.lost = Recorder()
        found, lost = [], []
        for piece in range(len(stream) // PIECE + 1):  # pieces end anywhere; Python and C must not care
            found += python.feed(stream[piece * PIECE : (piece + 1) * PIECE])
            lost += [(piece, cause) for cause in python.lost.order]
            python.lost.order.clear()
        theirs, got = [], []
        for frame, verdict, at in zip(frames, verdicts, where, strict=True):
            if verdict != c_build.CODES["ok"]:
                theirs.append((at // PIECE, c_build.verdict_name(verdict)))
                continue
            try:  # framing is C's so far; the table of kinds is compared in the tests above
                got.append(unpack(int(frame["ident"]), frame["body"].tobytes()[: frame["size"]]))
            except WireError as error:
                theirs.append((at // PIECE, error.cause))
        assert sorted(theirs) == sorted(lost)
        assert got == found
        seen += Counter(python.lost) + Counter({"ok": len(found)})
    print(f"streams: {broken} broken frames: {dict(seen)}")
    assert set(seen) == {"ok", "overlong", "cobs", "short", "crc", "header", "unknown-kind", "short-body"}
    assert min(seen.values()) > MANY // 2000, seen


def crc_by_bits(data: bytes) -> int:
    """The CRC from its definition: 0x3D65 (Koopman's tables), least significant bit first, all ones at both ends."""
    poly = int(f"{0x3D65:016b}"[::-1], 2)
    register = 0xFFFF
    for byte in data:
        for bit in range(8):
            carry = (register ^ byte >> bit) & 1
            register = register >> 1 ^ carry * poly
    return register ^ 0xFFFF


@pytest.mark.parametrize("flags", [(), ("-DRINGLET_CRC_SMALL",)], ids=["table", "small-table"])
def test_both_crc_tables(tmp_path: Path, flags: tuple[str, ...]) -> None:
    library = c_build.Library(tmp_path, KINDS, *flags)
    draw = random.Random(4)
    for size in range(PAYLOAD_MAX + 1):
        for _ in range(200):
            data = draw.randbytes(size)
            assert library.crc(data) == crc16(data) == crc_by_bits(data)
            assert library.crc(data[size // 2 :], library.crc(data[: size // 2])) == crc16(data)
    assert library.encode(np.zeros(1, c_build.FRAME)) == [b""]  # an empty body is no message


def test_a_message_from_a_newer_version(tmp_path: Path) -> None:
    """Appended fields, every width and sign, limits and reserved counts: a private table goes through the same mill."""
    kinds = Registry()

    @kind(0xE0, "case", priority=5, role="reply", sender="node", registry=kinds)
    class Case(NamedTuple):
        """Invented for this test: a name that C keeps for itself, and a field that came later."""

        tag: Annotated[int, Field(U8, "Tag.")]
        old: Annotated[int, Field(I16, "An old field.", lo=-100, hi=1000, reserved=((-32768, "none"),))]
        new: Annotated[int, Field(I24, "A field that older senders leave out.", absent=-7)]
        short: Annotated[int, Field(I8, "Another one.", hi=100, absent=5)]

    @kind(0xE1, "wide", priority=5, role="reply", sender="node", registry=kinds)
    class Wide(NamedTuple):
        """Invented for this test: the widest field."""

        tag: Annotated[int, Field(U8, "Tag.")]
        int_: Annotated[int, Field(U48, "Wide, with limits.", lo=1 << 33, hi=1 << 40, absent=1 << 34)]

    @kind(0xE2, "signed", priority=5, role="reply", sender="node", registry=kinds)
    class Signed(NamedTuple):
        """Invented for this test: the lowest 32-bit count is a limit."""

        tag: Annotated[int, Field(U8, "Tag.")]
        value: Annotated[int, Field(I32, "Value.", lo=-(1 << 31) + 1, reserved=((-(1 << 31), "none"),))]
        low: Annotated[int, Field(U24, "Low.", lo=3)]

    @kind(0xE3, "pair", priority=5, role="reply", sender="node", registry=kinds)
    class Pair(NamedTuple):
        """Invented for this test: two plain fields."""

        tag: Annotated[int, Field(U8, "Tag.")]
        value: Annotated[int, Field(U16, "Value.", "travel", "0.25")]

    library = c_build.Library(tmp_path, kinds, *c_build.STRICT)
    for row in kinds:
        packed, read = check_pack(library, row, kinds, 5000), check_unpack(library, row, kinds, 5000)
        assert packed["ok"] > 500
        assert read["short-body"] > 50


def test_sanitized_program_answers_as_python_does(tmp_path: Path) -> None:
    """The whole way, in a process of its own under AddressSanitizer and UndefinedBehaviorSanitizer, where any finding
    ends the program."""
    sources = c_build.emit_into(tmp_path)
    c_build.build("gcc", "-std=c99", "-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all",
                  *c_build.STRICT, "-DRINGLET_DRIVER_MAIN", "-I.", c_build.HERE / "driver.c", *sources, "-o", "driver",
                  cwd=tmp_path)  # fmt: skip
    draw = random.Random(5)
    codes = list(KINDS.by_code)
    frames = [random_frame(draw, codes) for _ in range(20_000)]
    frames = [corrupt(frame, draw) if draw.random() < 0.5 else frame for frame in frames]
    stream = b"".join(frames) + b"\x01" * FRAME_MAX + b"\0"
    done = c_build.run(tmp_path / "driver", cwd=tmp_path, data=stream)
    assert done.returncode == 0, done.stderr.decode()
    assert done.stdout == expected_answers(stream)


def expected_answers(stream: bytes) -> bytes:
    """What driver.c prints, worked out by Python."""
    out = bytearray()
    decoder = StreamDecoder()
    decoder.lost = Recorder()
    for byte in stream:
        before = len(decoder.lost.order)
        found = decoder.feed(bytes([byte]))
        for cause in decoder.lost.order[before:]:
            out += bytes([c_build.CODES[cause]]) if cause not in ("unknown-kind", "short-body") else (
                bytes([c_build.CODES["ok"], c_build.CODES[cause]]))  # fmt: skip
        for message in found:
            bad = problem(message.body)
            out += bytes([c_build.CODES["ok"], c_build.CODES["ok"] if bad is None else c_build.RANGE + bad[0]])
            if bad is None:
                out += bytes(2) + encode_raw(message.ident, KINDS.by_class[type(message.body)].pack(message.body))
    return bytes(out)


def test_struct_rejects_what_c_rejects() -> None:
    """Python's pack has no range check beyond the bytes; this is where the two differ, on purpose."""
    row = KINDS.by_name["timecode"]
    assert row.pack(row.cls(0, 24, 0, 0, 0, 0)) == bytes([0, 24, 0, 0, 0, 0])
    with pytest.raises(struct.error):
        row.pack(row.cls(0, 256, 0, 0, 0, 0))
