"""Takes against the `mcap` library's own readers: what general viewers of this format see.

Format: the MCAP specification (mcap.dev, an open container format), as the library of that name implements it; the
schemas are JSON Schema, draft 2020-12 (json-schema.org), whose few words that we use are checked here by hand.
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any

import pytest
from mcap.reader import NonSeekingReader, SeekingReader
from mcap.stream_reader import StreamReader
from mcap.writer import MCAP0_MAGIC

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))
from takes_helpers import axis, write_take

from ringlet.tools.takes.recover import recover

TYPES = {"number": (int, float), "integer": int, "string": str, "boolean": bool, "null": type(None), "object": dict}


def fits(body: Any, schema: dict[str, Any]) -> list[str]:
    """What is wrong with a message under the words `type`, `properties`, `required`."""
    wrong = [name for name in schema["required"] if name not in body]
    for name, value in body.items():
        kinds = schema["properties"][name]["type"]
        kinds = [kinds] if isinstance(kinds, str) else kinds
        is_number = isinstance(value, (int, float)) and not isinstance(value, bool)  # JSON keeps the two apart
        if not any(isinstance(value, TYPES[kind]) for kind in kinds if is_number or kind not in ("number", "integer")):
            wrong.append(f"{name}={value!r}")
    return wrong


@pytest.fixture
def take(tmp_path: Path) -> Path:
    axes = (axis(), axis("16.1", "iris", "stop"), axis("17.0", "zoom", ""))
    write_take(tmp_path / "a.mcap", lambda t: 150.0 * t, axes=axes, start="00:59:59;20", frame_rate="29.97df")
    return tmp_path / "a.mcap"


def test_magic_and_end(take: Path) -> None:
    data = take.read_bytes()
    assert data.startswith(MCAP0_MAGIC)
    assert data.endswith(MCAP0_MAGIC)


def test_summary_and_index_are_right(take: Path) -> None:
    with take.open("rb") as stream:
        summary = SeekingReader(stream, validate_crcs=True).get_summary()
    assert summary is not None
    assert summary.statistics is not None
    topics = {number: channel.topic for number, channel in summary.channels.items()}
    counts = {topics[number]: count for number, count in summary.statistics.channel_message_counts.items()}
    assert counts == {"/axis/16.0": 201, "/axis/16.1": 201, "/axis/17.0": 201, "/timecode": 60, "/events": 1}
    assert len(summary.chunk_indexes) == summary.statistics.chunk_count >= 4
    assert {schema.encoding for schema in summary.schemas.values()} == {"jsonschema"}
    assert {channel.message_encoding for channel in summary.channels.values()} == {"json"}


def test_messages_are_what_was_written_and_fit_their_schemas(take: Path) -> None:
    with take.open("rb") as stream:
        seen = list(SeekingReader(stream, validate_crcs=True).iter_messages())
    with take.open("rb") as stream:
        straight = [one[2] for one in NonSeekingReader(stream, validate_crcs=True).iter_messages()]
    assert straight == [one[2] for one in seen]
    ours = []
    for schema, channel, message in seen:
        assert schema is not None
        body = json.loads(message.data)
        assert fits(body, json.loads(schema.data)) == []
        assert message.log_time == message.publish_time
        if channel.topic == "/axis/16.0":
            ours.append((message.log_time, body))
    assert [at for at, _ in ours] == [10_000_000 * number for number in range(201)]
    assert [body["ring_deg"] for _, body in ours] == [round(1.5 * number, 3) for number in range(201)]
    assert [body["at_infinity"] for _, body in ours] == [False] * 200 + [True]
    assert not math.isnan(ours[20][1]["distance_m"])


def test_schemas_describe_every_field(take: Path) -> None:
    with take.open("rb") as stream:
        summary = SeekingReader(stream).get_summary()
    assert summary is not None
    for schema in summary.schemas.values():
        data = json.loads(schema.data)
        assert data["type"] == "object"
        assert data["title"] == schema.name
        for field in data["properties"].values():
            assert field["description"].endswith(".")
            assert set([field["type"]] if isinstance(field["type"], str) else field["type"]) <= set(TYPES)
        assert set(data["required"]) == set(data["properties"])


def test_a_recovered_take_has_the_same_messages(take: Path) -> None:
    take.with_name("cut.mcap").write_bytes(take.read_bytes()[: take.stat().st_size // 2])
    found = recover(take.with_name("cut.mcap"), take.with_name("whole.mcap"))
    messages = {}
    for name in ("a.mcap", "whole.mcap"):
        with take.with_name(name).open("rb") as stream:
            messages[name] = [
                (channel.topic, one.log_time, one.data)
                for _, channel, one in SeekingReader(stream, validate_crcs=True).iter_messages()
            ]
    kept = [one for one in messages["whole.mcap"] if b"Recovered" not in one[2]]
    assert sorted(kept) == sorted(messages["a.mcap"][: len(kept)])
    assert len(kept) == found.messages < len(messages["a.mcap"])


def test_every_record_is_whole_and_crcs_are_there(take: Path) -> None:
    from mcap.records import Chunk

    with take.open("rb") as stream:
        chunks = [one for one in StreamReader(stream, emit_chunks=True).records if isinstance(one, Chunk)]
    assert all(chunk.uncompressed_crc for chunk in chunks)
