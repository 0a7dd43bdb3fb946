"""What remains of a take that was cut short: each chunk is checked by its CRC, and what is whole is written anew."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any, Final, NamedTuple

from ringlet.tools.errors import UsageProblem
from ringlet.tools.extras import needed
from ringlet.tools.takes.layout import AXIS_PREFIX, EVENTS, HEAD, PROFILE, TAIL
from ringlet.tools.takes.reader import NS, check_start
from ringlet.tools.takes.writer import Disk

RECORD_MOST: Final = 64 << 20
"""Bytes of the longest record that is believed; a torn length field can say anything."""


class Damage(NamedTuple):
    """A chunk in the middle that does not give its CRC."""

    after_s: float
    """time of the last good message before it"""
    claimed_s: tuple[float, float]
    """first and last time that the chunk claims to hold; not sure, for it is damaged"""


class Recovered(NamedTuple):
    """What was found, and proven by CRC."""

    out: Path
    seconds: float
    """time of the last message that was kept"""
    chunks: int
    messages: int
    samples: dict[str, int]
    lost: dict[str, int]
    """samples that were lost on the way to the recorder, as it counted them"""
    damaged: list[Damage]
    dropped_bytes: int
    """bytes at the end that make no whole record"""
    was_whole: bool
    """the take had its end"""


def recover(path: Path, out: Path) -> Recovered:
    """Write what is whole in `path` to the new file `out`; `path` stays as it is.

    Raises UsageProblem when `path` is no take, when nothing of it can be kept, or `out` cannot be written.
    """
    try:
        stream = path.open("rb")
    except OSError as error:
        raise UsageProblem(f"the take {path} cannot be read ({error.strerror}); check the path.") from None
    with stream:
        check_start(path, stream, _nothing(path))
        work = _Recovery(path, out)
        done = False
        try:
            found = work.run(stream)
            done = True
        finally:
            work.close(keep=done)
    return found


def _nothing(path: Path) -> UsageProblem:
    return UsageProblem(f"{path} ends before its first whole chunk; there is nothing to keep.")


class _Recovery:
    def __init__(self, path: Path, out: Path) -> None:
        self.path, self.out = path, out
        self.head: dict[str, str] | None = None
        self.tail = False
        self.samples: dict[str, int] = {}
        self.lost: dict[str, int] = {}
        self.damaged: list[Damage] = []
        self.chunks = self.messages = 0
        self.last_ns = 0
        self._disk: Disk | None = None
        self._mcap: Any = None
        self._schemas: dict[int, int] = {}
        self._channels: dict[int, int] = {}
        self._topics: dict[int, str] = {}

    def close(self, keep: bool) -> None:
        if self._disk is not None:
            self._disk.close()
            if not keep:
                self.out.unlink(missing_ok=True)

    def run(self, stream: Any) -> Recovered:
        whole = self._records(stream)
        if self.head is None or self._mcap is None:
            raise _nothing(self.path)
        size = self.path.stat().st_size
        dropped = 0 if self.tail else size - whole
        self._finish(dropped)
        return Recovered(
            self.out, self._seconds(self.last_ns), self.chunks, self.messages, self.samples, self.lost, self.damaged,
            dropped, self.tail,
        )  # fmt: skip

    def _seconds(self, at_ns: int) -> float:
        return (at_ns - int((self.head or {}).get("origin_ns", "0"))) / NS

    def _records(self, stream: Any) -> int:
        """Go through the records; returns the bytes that made whole ones."""
        records = needed("take", "mcap.records")
        stream_reader = needed("take", "mcap.stream_reader")
        reader = stream_reader.StreamReader(stream, emit_chunks=True, record_size_limit=RECORD_MOST)
        whole = int(stream.tell())
        size = self.path.stat().st_size
        steps = iter(reader.records)
        torn: Damage | None = None
        while True:
            try:
                record = next(steps)
            except Exception:  # the end of the file, or bytes that are no record: both end what is whole
                break
            if torn is not None:  # it was not the last one
                self.damaged.append(torn)
                torn = None
            if isinstance(record, records.Chunk):
                torn = self._chunk(record)
            elif isinstance(record, records.Metadata) and record.name == HEAD:
                if re.fullmatch(r"[0-9]{1,19}", record.metadata.get("origin_ns", "")):  # or it is damaged
                    self.head = record.metadata
            elif isinstance(record, records.Metadata) and record.name == TAIL:
                self.tail = True
            elif isinstance(record, records.DataEnd):
                return int(stream.tell())
            if torn is None and stream.tell() <= size:
                whole = int(stream.tell())
        return whole

    def _chunk(self, chunk: Any) -> Damage | None:
        """Copy a chunk whose CRC is right; otherwise say where it stood."""
        records = needed("take", "mcap.records")
        try:
            content = list(needed("take", "mcap.stream_reader").breakup_chunk(chunk, validate_crc=True))
            self._check(content)
        except Exception:
            return Damage(
                self._seconds(self.last_ns),
                (self._seconds(chunk.message_start_time), self._seconds(chunk.message_end_time)),
            )
        if self._mcap is None:
            self._begin()
        for record in content:
            if isinstance(record, records.Schema) and record.id not in self._schemas:
                self._schemas[record.id] = self._mcap.register_schema(record.name, record.encoding, record.data)
            elif isinstance(record, records.Channel) and record.id not in self._channels:
                self._topics[record.id] = record.topic
                self._channels[record.id] = self._mcap.register_channel(
                    record.topic, record.message_encoding, self._schemas[record.schema_id], record.metadata
                )
            elif isinstance(record, records.Message):
                self._message(record)
        self.chunks += 1
        return None

    def _check(self, content: list[Any]) -> None:
        """Raise unless all of a chunk can be copied: what its messages belong to may have stood in a damaged one."""
        records = needed("take", "mcap.records")
        schemas, topics = set(self._schemas), dict(self._topics)
        for record in content:
            if isinstance(record, records.Schema):
                schemas.add(record.id)
            elif isinstance(record, records.Channel):
                if record.schema_id not in schemas:
                    raise ValueError("a channel without its schema")
                topics.setdefault(record.id, record.topic)
            elif isinstance(record, records.Message) and topics[record.channel_id].startswith(AXIS_PREFIX):
                int(json.loads(record.data)["lost_before"])

    def _message(self, record: Any) -> None:
        self._mcap.add_message(
            self._channels[record.channel_id], record.log_time, record.data, record.publish_time, record.sequence
        )
        self.messages += 1
        self.last_ns = max(self.last_ns, record.log_time)
        topic = self._topics[record.channel_id]
        if topic.startswith(AXIS_PREFIX):
            key = topic[len(AXIS_PREFIX) :]
            self.samples[key] = self.samples.get(key, 0) + 1
            self.lost[key] = self.lost.get(key, 0) + json.loads(record.data)["lost_before"]

    def _begin(self) -> None:
        if self.head is None:
            raise UsageProblem(f"{self.path} has lost its head; there is no telling what its samples are.")
        self._disk = Disk(self.out)
        self._mcap = needed("take", "mcap.writer").Writer(self._disk)
        self._mcap.start(profile=PROFILE, library="ringlet")
        self._mcap.add_metadata(HEAD, self.head | {"recovered_from": self.path.name})
        self.last_ns = int(self.head["origin_ns"])

    def _finish(self, dropped: int) -> None:
        assert self._disk is not None
        events = next((number for old, number in self._channels.items() if self._topics[old] == EVENTS), None)
        if events is not None and not self.tail:
            text = (
                f"Recovered: the take ends here; {dropped} bytes behind made no whole chunk, and {len(self.damaged)} "
                "chunks before were damaged."
            )
            body = {"what": "link", "axis": "", "text": text, "count": len(self.damaged)}
            self._mcap.add_message(events, self.last_ns, json.dumps(body).encode(), self.last_ns)
        end = {
            "why": "recovered", "seconds": f"{self._seconds(self.last_ns):.6f}",
            "samples": json.dumps(self.samples), "lost": json.dumps(self.lost),
        }  # fmt: skip
        self._mcap.add_metadata(TAIL, end)
        self._mcap.finish()
        self._disk.sync()
