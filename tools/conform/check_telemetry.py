"""Checks of telemetry and of the node's clock."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of
from ringlet.protocol.codes import Flag, names
from ringlet.protocol.header import ALL_AXES, EVERYONE, unpack_header
from ringlet.tools.conform.probe import Frame, Probe
from ringlet.tools.conform.table import check

PLACE: Final = "parameters"
MOTION: Final = "motion-0x43"
ALL: Final = 31


def _stream(p: Probe, rate: int, select: int, seconds: float) -> list[tuple[Frame, Any]]:
    """What the axis sends unasked in a time, as (frame, body); telemetry is off again after."""
    p.set("telemetry-select", select)
    p.set("telemetry-rate", rate)
    first = len(p.trace)
    p.hear(seconds)
    end = len(p.trace)
    p.set("telemetry-rate", 0)
    return [(one, p.body(one)) for one in p.trace[first:end] if not one.sent and p.is_ours(one)
            and unpack_header(one.ident).dst == EVERYONE]  # fmt: skip


@check("TELE-01", PLACE, "Telemetry comes at `telemetry-rate`: samples on ticks that are multiples of the period.",
       "The period is counted in other units, or drifts by one tick.", needs="speaks")  # fmt: skip
def rates(p: Probe) -> None:
    room = 0.02 if p.wire.ideal else 0.3  # a host may hear late and lose some; the node's own times are exact
    for rate in (1, 10, 50, 100, 250, 500, 1000):
        if rate > 2 * p.rate_hz():
            continue
        seconds = 2.05 if rate == 1 else 0.5
        times = [body.time for _, body in _stream(p, rate, 1 << 4, seconds) if isinstance(body, m.Sample)]
        period = 1_000_000 // rate
        wanted = seconds * rate
        p.check(abs(len(times) - wanted) <= 2 + room * wanted, f"at {rate} Hz {len(times)} samples came in "
            f"{seconds:g} s")
        steps = {b - a for a, b in pairwise(times)}
        wrong = [step for step in steps if abs(step - period) > max(200, period // 50) and step % period]
        p.check(not wrong, f"at {rate} Hz samples are {sorted(steps)[:5]} us apart; the period is {period} us")


@check("TELE-02", PLACE, "`telemetry-select` chooses the messages, one bit each in the order of `poll`.",
       "The bits are counted from the other end, or one is forgotten.", needs="speaks")  # fmt: skip
def select(p: Probe) -> None:
    for bit, name in names("poll").items():
        came = {kind_of(body).name for _, body in _stream(p, 50, 1 << bit, 0.2)}
        p.check(came == {name}, f"with bit {bit} of telemetry-select alone {sorted(came)} came; it is {name}")
    none = _stream(p, 50, 0, 0.2)
    p.check(not none, "with nothing selected telemetry came")


@check("TELE-03", "requests-tags-and-repeats", "The tag of streamed messages counts up by one for each sample, and "
    "the messages "
       "of one sample share it.", "Each message has a counter, or the tag stands still.", needs="speaks")  # fmt: skip
def counted(p: Probe) -> None:
    rate = min(200, p.rate_hz())
    came = _stream(p, rate, ALL, 300 / rate)
    by_kind: dict[str, list[int]] = {}
    for _, body in came:
        by_kind.setdefault(kind_of(body).name, []).append(body.tag)
    p.check(set(by_kind) == set(names("poll").values()), f"of all messages only {sorted(by_kind)} came")
    lost = sum(p.wire.lost.values())
    for name, tags in by_kind.items():
        gaps = sum(1 for a, b in pairwise(tags) if b - a & 0xFF != 1)
        p.check(gaps <= lost, f"the tag of {name} did not count up by one {gaps} times in {len(tags)}: {tags[:6]}")
    if all(len(tags) == len(came) // len(by_kind) for tags in by_kind.values()) and by_kind:
        first = next(iter(by_kind.values()))
        same = all(tags == first for tags in by_kind.values())
        p.check(same, "the messages of one sample do not share their tag")


@check("TELE-04", PLACE, "With a rate of 0 nothing is sent unasked; on a shared line nothing is, at any rate.",
       "The switch for a shared line is not looked at.", needs="speaks")  # fmt: skip
def silent(p: Probe) -> None:
    came = _stream(p, 0, ALL, 0.3)
    p.check(not came, f"at a rate of 0 {len(came)} telemetry messages came")
    p.set("shared-line", 1)
    came = _stream(p, 100, ALL, 0.3)
    p.check(not came, f"with shared-line on {len(came)} telemetry messages came unasked")
    first = len(p.trace)
    p.must(m.Take(0, 0))
    p.must(m.Take(0, 1), src=p.other)
    p.hear(0.03)
    told = [one for one in p.trace[first:] if not one.sent and isinstance(p.body(one), m.Owner)
            and unpack_header(one.ident).dst == p.me]  # fmt: skip
    p.check(not told, "with shared-line on `owner` was sent unasked")
    p.must(m.Yield(0), src=p.other)


@check("CLOCK-01", "clock-0x03", "`clock` sets the node's clock to the bus clock, in microseconds, and the flag "
    "`clock_set`.",
       "The time is read in other bytes, or set without the offset.")  # fmt: skip
def clock(p: Probe) -> None:
    for time in (0x0123_4567_89AB, 1_000_000):
        p.cast(m.Clock(0, time), dst=EVERYONE)
        sent = p.now()
        told = p.must(m.GetClock(0))
        passed = (p.now() - sent) * 1e6
        late = told.time - time
        room = 5000 + 1e6 * p.wire.slack
        p.check(-room <= late <= passed + room, f"the clock was set to {time} and reads {told.time}, {late} us on, "
                f"{passed:.0f} us later")  # fmt: skip
    p.check(p.flag(Flag.CLOCK_SET), "the clock was set and the flag `clock_set` is not")


@check("CLOCK-02", MOTION, "The time of a `sample` is that of the node's clock, and runs as fast as ours.",
       "Samples are stamped with ticks, or with a clock of their own.", needs="speaks")  # fmt: skip
def sample_clock(p: Probe) -> None:
    p.cast(m.Clock(0, 5_000_000_000), dst=EVERYONE, axis=ALL_AXES)
    began = p.now()
    came = [(frame.time, body.time) for frame, body in _stream(p, 50, 1 << 4, 1.0) if isinstance(body, m.Sample)]
    if not p.check(len(came) > 10, f"at 50 Hz {len(came)} samples came in 1 s"):
        return
    first, last = came[0], came[-1]
    p.check(0 <= first[1] - 5_000_000_000 <= (first[0] - began + 0.05) * 1e6, f"the first sample is stamped {first[1]}")
    ours, theirs = last[0] - first[0], (last[1] - first[1]) / 1e6
    p.check(abs(ours - theirs) <= 0.02 + p.wire.slack, f"in {ours:.3f} s of ours the node's clock went on "
        f"{theirs:.3f} s")
