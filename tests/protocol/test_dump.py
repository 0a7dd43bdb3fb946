"""The dumped schema says what the tables say, and holds nothing that JSON cannot."""

from __future__ import annotations

import json
from typing import Any

import pytest

from ringlet.protocol import codes, params, states
from ringlet.protocol.codec import unpack
from ringlet.protocol.dump import dump_schema
from ringlet.protocol.header import Header, unpack_header
from ringlet.protocol.wire import KINDS


@pytest.fixture(scope="module")
def tables() -> dict[str, Any]:
    return dump_schema()


def test_json_keeps_it(tables: dict[str, Any]) -> None:
    assert json.loads(json.dumps(tables, allow_nan=False)) == tables


def test_offsets_and_sizes_lay_out_each_body(tables: dict[str, Any]) -> None:
    """Bytes put at the dumped offsets are what the codec reads: an independent reader needs nothing else."""
    for row in tables["kinds"]:
        ident = Header(0, row["code"], 16, 1, 0).pack()
        body = bytes(range(1, row["size"] + 1))
        values = {}
        for field in row["fields"]:
            part = body[field["offset"] : field["offset"] + field["size"]]
            signed = field["type"] == "signed"
            values[field["name"]] = part if field["type"] == "bytes" else int.from_bytes(part, "little", signed=signed)
        assert values == unpack(ident, body).body._asdict()
        assert sum(field["size"] for field in row["fields"]) == row["size"] <= tables["body_max"]


def test_header_shifts_build_the_identifier(tables: dict[str, Any]) -> None:
    want = Header(5, 0x41, 16, 3, 9)
    ident = sum(getattr(want, field["name"]) << field["shift"] for field in tables["header"]["fields"])
    assert unpack_header(ident) == want
    assert sum(field["width"] for field in tables["header"]["fields"]) == tables["header"]["bits"]


def test_every_table_is_whole(tables: dict[str, Any]) -> None:
    assert [row["name"] for row in tables["kinds"]] == [row.name for row in KINDS]
    assert [row["name"] for row in tables["parameters"]] == [row.name for row in params.PARAMETERS]
    assert len(tables["states"]) == len(states.State)
    assert len(tables["transitions"]) == len(states.TRANSITIONS)
    assert [row["code"] for row in tables["refusals"]] == list(codes.Refusal)
    assert [row["code"] for row in tables["faults"]] == list(codes.Fault)
    assert set(tables["enumerations"]) == set(codes.ENUMS)
    assert {row["name"]: row["ms"] for row in tables["timing"]} == {n: t.ms for n, t in codes.TIMING.items()}


def test_what_rows_refer_to_is_there(tables: dict[str, Any]) -> None:
    names = {row["name"] for row in tables["kinds"]}
    known = {row["name"] for row in tables["states"]}
    for row in tables["kinds"]:
        assert row["reply"] in names | {""}
        for field in row["fields"]:
            assert field["values"] in {*tables["enumerations"], ""}
    for row in tables["transitions"]:
        assert {*row["from"], row["to"]} <= known | {None}
        assert row["event"] in {*tables["events"]["requests"], *tables["events"]["internal"]}


def test_defaults_are_in_range_and_shown_in_units(tables: dict[str, Any]) -> None:
    for row in tables["parameters"]:
        assert row["min"] <= row["default"] <= row["max"]
    shown = {row["name"]: row["default_value"] for row in tables["parameters"]}
    assert shown["velocity-limit"] == 240
    assert shown["direction"] == "same"
