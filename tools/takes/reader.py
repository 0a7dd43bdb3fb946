"""Reading a take: what it is, and its samples one after another. A take that was cut short is refused, not guessed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final, NamedTuple

from ringlet.tools.errors import UsageProblem
from ringlet.tools.extras import needed
from ringlet.tools.takes.layout import AXIS_PREFIX, EVENTS, FORMAT, HEAD, PROFILE, TAIL, TIMECODE, AxisInfo, Sample
from ringlet.tools.takes.timecodes import Rate, rate_named

NS: Final = 1_000_000_000


class Event(NamedTuple):
    """Something that happened."""

    time_s: float
    what: str
    axis: str
    text: str
    number: int
    """how many, where that has a meaning"""


class Stamp(NamedTuple):
    """A frame that began."""

    time_s: float
    frame: int
    rate: Rate


class Take(NamedTuple):
    """What a take is, without its samples."""

    path: Path
    about: dict[str, str]
    tail: dict[str, str]
    axes: dict[str, AxisInfo]
    """by NODE.AXIS"""
    origin_ns: int
    seconds: float
    """from the start to the last message"""

    @property
    def samples(self) -> dict[str, int]:
        """Samples of each axis."""
        return dict(json.loads(self.tail["samples"]))

    @property
    def lost(self) -> dict[str, int]:
        """Samples of each axis that were lost on the way."""
        return dict(json.loads(self.tail["lost"]))

    def read(self) -> Iterator[tuple[str, Sample]]:
        """All samples in order of time, with the axis they belong to."""
        topics = [AXIS_PREFIX + key for key in self.axes]
        for topic, time_s, body in self._messages(topics):
            yield topic[len(AXIS_PREFIX) :], Sample(
                time_s, body["ring_deg"], body["velocity_deg_s"], body["setpoint_deg"], body["current_a"],
                body["state"], body["owner"], body["fault"], body["lost_before"],
            )  # fmt: skip

    def events(self) -> list[Event]:
        """What happened, in order of time."""
        return [
            Event(time_s, body["what"], body["axis"], body["text"], body["count"])
            for _, time_s, body in self._messages([EVENTS])
        ]

    def stamps(self) -> list[Stamp]:
        """The frames that began, in order of time."""
        return list(self.each_stamp())

    def each_stamp(self) -> Iterator[Stamp]:
        """The same one by one: an hour of them is tens of megabytes."""
        for _, time_s, body in self._messages([TIMECODE]):
            yield Stamp(time_s, body["frame"], rate_named(body["rate"]))

    def span(self) -> tuple[float, float] | None:
        """Times of the first and the last sample, of whatever axis; None without any."""
        topics = [AXIS_PREFIX + key for key in self.axes]
        ends = [next(self._messages(topics, backwards=backwards), None) for backwards in (False, True)]
        found = [one[1] for one in ends if one is not None]
        return (found[0], found[-1]) if found else None

    def _messages(
        self, topics: list[str], *, backwards: bool = False
    ) -> Iterator[tuple[str, float, dict[str, Any]]]:
        with _opened(self.path) as stream:
            reader = needed("take", "mcap.reader").make_reader(stream, validate_crcs=True)
            try:
                for _, channel, message in reader.iter_messages(topics=topics, reverse=backwards):
                    yield channel.topic, (message.log_time - self.origin_ns) / NS, json.loads(message.data)
            except UsageProblem:
                raise
            except Exception as error:  # the library raises many things for damaged bytes
                raise UsageProblem(
                    f"{self.path} is damaged ({type(error).__name__}); keep what is good with "
                    f"`ringlet take recover {self.path}`."
                ) from None


def open_take(path: Path) -> Take:
    """What the take is. Raises UsageProblem: no such file, no take, or cut short."""
    with _opened(path) as stream:
        check_start(path, stream, cut_short(path))
        library = needed("take", "mcap.reader")
        try:
            reader = library.make_reader(stream, validate_crcs=True)
            summary = reader.get_summary()
            found = {one.name: one.metadata for one in reader.iter_metadata()} if summary is not None else {}
        except Exception:  # the library raises many things for a file that ends too early
            raise cut_short(path) from None
        if summary is None or TAIL not in found:
            raise cut_short(path)
        try:
            axes = [AxisInfo.of(one.metadata) for one in summary.channels.values() if one.topic.startswith(AXIS_PREFIX)]
            head = found[HEAD]
            version, origin_ns = int(head["format"]), int(head["origin_ns"])
        except (KeyError, ValueError, TypeError) as error:
            raise UsageProblem(f"{path} is no take that this program reads ({type(error).__name__} {error}).") from None
    if version > FORMAT:
        raise UsageProblem(f"{path} has format {version} and this program reads up to {FORMAT}; use a newer one.")
    end = summary.statistics.message_end_time if summary.statistics else origin_ns
    return Take(path, head, found[TAIL], {info.key: info for info in axes}, origin_ns, (end - origin_ns) / NS)


def check_start(path: Path, stream: IO[bytes], torn: UsageProblem) -> None:
    """Raise UsageProblem unless the file begins as a take does, `torn` when even its head is not whole.

    Leaves the stream at its start.
    """
    magic = needed("take", "mcap.writer").MCAP0_MAGIC
    begin = stream.read(len(magic))
    stream.seek(0)
    if begin != magic:
        raise UsageProblem(f"{path} is no take: it does not begin as an MCAP file; give one made by `ringlet record`.")
    try:
        head = next(iter(needed("take", "mcap.stream_reader").StreamReader(stream).records))
        profile = getattr(head, "profile", "")
    except Exception:
        raise torn from None
    stream.seek(0)
    if profile != PROFILE:
        raise UsageProblem(f"{path} is an MCAP file of another kind and not a take; give a file of `ringlet record`.")


def cut_short(path: Path) -> UsageProblem:
    """The sentence for a take without its end."""
    return UsageProblem(f"{path} was cut short: it has no end; keep what is in it with `ringlet take recover {path}`.")


@contextmanager
def _opened(path: Path) -> Iterator[IO[bytes]]:
    try:
        stream = path.open("rb")
    except OSError as error:
        raise UsageProblem(f"the take {path} cannot be read ({error.strerror}); check the path.") from None
    with stream:
        yield stream
