"""The vectors hold what they promise: Python and the emitted C give each of them the same verdict and bytes."""

from __future__ import annotations

import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ringlet.protocol import emit
from ringlet.protocol.codec import WireError, unpack
from ringlet.protocol.codes import ENUMS
from ringlet.protocol.header import HEADER_FIELDS, Header, unpack_header
from ringlet.protocol.physical import read_body, show_body
from ringlet.protocol.serial_frame import StreamDecoder, crc16
from ringlet.protocol.wire import KINDS, problem

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build

VECTORS: dict[str, Any] = json.loads(emit.texts("vectors")["ringlet_vectors.json"])
needs_gcc = pytest.mark.skipif(c_build.have("gcc") is not None, reason=c_build.have("gcc") or "")


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> c_build.Library:
    return c_build.Library(tmp_path_factory.mktemp("c"))


def test_every_message_and_boundary_is_there() -> None:
    seen = {(row["kind"], name, value) for row in VECTORS["messages"] for name, value in row["counts"].items()}
    verdicts = Counter(row["verdict"] for row in VECTORS["messages"])
    for kind in KINDS:
        for spec in kind.fields:
            if spec.codec.is_text:
                continue
            for count in (*spec.bounds, *(count for count, _ in spec.field.reserved)):
                assert (kind.name, spec.name, count) in seen
            for count, _, _ in ENUMS[spec.field.values] if spec.field.values else ():
                assert (kind.name, spec.name, count) in seen
    outside = {(row["kind"], row["field"]) for row in VECTORS["messages"] if row["verdict"] == "range"}
    expected = set()
    for kind in KINDS:
        for index, spec in enumerate(kind.fields):
            held = range(-(1 << 8 * spec.codec.size - 1) if spec.codec.signed else 0,
                         1 << 8 * spec.codec.size - spec.codec.signed)  # fmt: skip
            lo, hi = spec.bounds
            tried = [count for count in (held[0], lo - 1, hi + 1, held[-1]) if count in held]
            if not spec.codec.is_text and not all(map(spec.allows, tried)):
                expected.add((kind.name, index))
    assert outside == expected
    assert verdicts["ok"] > len(KINDS)


def test_each_part_of_the_header_is_tried_at_its_ends() -> None:
    for name, width, _ in HEADER_FIELDS:
        if name != "kind":  # all kinds are there
            tried = {row["header"][name] for row in VECTORS["messages"]}
            assert {0, (1 << width) - 1} <= tried, name


def test_bodies_and_frames_of_nothing_are_tried() -> None:
    assert {(row["verdict"], row["ident"]) for row in VECTORS["bodies"] if row["body"] == ""} == {
        ("short-body", row["ident"]) for row in VECTORS["messages"] if row["why"] == "ordinary"
    }
    assert ["short", "ok"] in [row["verdicts"] for row in VECTORS["streams"] if row["why"] == "a header and no body"]


@pytest.mark.parametrize("kind", [row.name for row in KINDS])
def test_python_agrees_with_each_message(kind: str) -> None:
    rows = [row for row in VECTORS["messages"] if row["kind"] == kind]
    assert rows
    for row in rows:
        ident, data = int(row["ident"], 16), bytes.fromhex(row["body"])
        message = unpack(ident, data)
        counts = {
            name: value.hex() if isinstance(value, bytes) else value for name, value in message.body._asdict().items()
        }
        assert counts == row["counts"]
        assert show_body(message.body) == row["values"]
        assert read_body(KINDS.by_name[kind], row["values"]) == message.body
        bad = problem(message.body)
        assert row["verdict"] == ("ok" if bad is None else "range")
        assert row.get("field") == (None if bad is None else bad[0])
        assert StreamDecoder().feed(bytes.fromhex(row["serial"])) == [message]
        assert Header(**row["header"]).pack() == ident
        assert unpack_header(ident)._asdict() == row["header"]
        assert row["words"].startswith(f"{kind} from ")


def test_python_agrees_with_bodies_and_streams() -> None:
    for row in VECTORS["bodies"]:
        try:
            unpack(int(row["ident"], 16), bytes.fromhex(row["body"]))
            verdict = "ok"
        except WireError as error:
            verdict = error.cause
        assert verdict == row["verdict"], row["why"]
    for row in VECTORS["streams"]:
        decoder = StreamDecoder()
        found = decoder.feed(bytes.fromhex(row["serial"]))
        assert Counter(row["verdicts"]) == Counter(decoder.lost) + Counter({"ok": len(found)}), row["why"]
    assert crc16(bytes.fromhex(VECTORS["crc"]["of"])) == VECTORS["crc"]["is"]


@needs_gcc
def test_c_agrees_with_each_message(library: c_build.Library) -> None:
    for row in VECTORS["messages"]:
        kind = KINDS.by_name[row["kind"]]
        expected = c_build.CODES["ok"] if row["verdict"] == "ok" else c_build.RANGE + row["field"]
        frames, verdicts, _ = library.feed(bytes.fromhex(row["serial"]))
        assert verdicts == [c_build.CODES["ok"]]
        assert frames[0]["body"].tobytes()[: frames[0]["size"]].hex() == row["body"]
        messages, read = library.unpack(frames, kind)
        assert read.tolist() == [expected], row["why"]
        body = messages["body"][0]
        fields = [body[name] for name in body.dtype.names]
        values = [bytes(value).hex() if value.ndim else int(value) for value in fields]
        assert values == list(row["counts"].values())
        packed, written = library.pack(messages)
        assert written.tolist() == [expected], row["why"]
        if row["verdict"] == "ok":
            assert library.encode(packed)[0].hex() == row["serial"]


@needs_gcc
def test_c_agrees_with_bodies_and_streams(library: c_build.Library) -> None:
    for row in VECTORS["bodies"]:
        frames = np.zeros(1, c_build.FRAME)
        data = bytes.fromhex(row["body"])
        frames["ident"], frames["size"] = int(row["ident"], 16), len(data)
        frames["body"][0, : len(data)] = list(data)
        _, verdicts = library.unpack(frames, next(iter(KINDS)))
        assert c_build.verdict_name(verdicts[0]) == row["verdict"], row["why"]
    for row in VECTORS["streams"]:
        _, codes, _ = library.feed(bytes.fromhex(row["serial"]))
        assert [c_build.verdict_name(code) for code in codes] == row["verdicts"], row["why"]
    assert library.crc(bytes.fromhex(VECTORS["crc"]["of"])) == VECTORS["crc"]["is"]


def test_a_wrong_vector_would_be_seen() -> None:
    """The streams tell verdicts apart: no cause is missing, and none stands for another."""
    seen = {verdict for row in VECTORS["streams"] for verdict in row["verdicts"]}
    seen |= {row["verdict"] for key in ("bodies", "messages") for row in VECTORS[key]}
    assert seen == {"ok", "overlong", "cobs", "short", "crc", "header", "unknown-kind", "short-body", "range"}
