"""Time addresses as SMPTE ST 12-1 counts them: reading, writing, and the way between them and seconds.

The arithmetic is that of the library `timecode`; what it does not refuse (numbers that drop-frame counting skips,
fields out of range) is refused here. The rates are the protocol's enumeration `rate`. Everything is counted from
00:00:00:00 within one day.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import cache
from typing import Any, Final, NamedTuple

from ringlet.protocol.codes import ENUMS
from ringlet.tools.errors import UsageProblem

DROP: Final = "df"
"""Ending of the names of drop-frame rates in the protocol's table."""
_WRITTEN: Final = re.compile(r"(\d\d?):(\d\d?):(\d\d?)([:;.])(\d\d?)")


class Rate(NamedTuple):
    """A frame rate and its way of counting."""

    name: str
    code: int
    """count in the protocol's enumeration `rate`"""
    nominal: int
    """frame numbers in one second of the count"""
    fps: Fraction
    """frames in one second of time"""
    drop: bool

    @property
    def day(self) -> int:
        """Frames until the count begins anew."""
        return int(_counter(self).tc_to_frames("23:59:59:00")) + self.nominal - 1

    @property
    def dropped(self) -> int:
        """Frame numbers left out at the start of each minute that is not a multiple of ten."""
        return self.nominal // 15 if self.drop else 0

    def seconds(self, frame: float) -> float:
        """Time from frame 0 to this one, s."""
        return float(frame / self.fps) if isinstance(frame, int) else frame / float(self.fps)


def _rate(code: int, name: str) -> Rate:
    number = name.removesuffix(DROP)
    nominal = round(float(number))
    fps = Fraction(nominal * 1000, 1001) if "." in number else Fraction(nominal)
    return Rate(name, code, nominal, fps, name.endswith(DROP))


RATES: Final = {name: _rate(code, name) for code, name, _ in ENUMS["rate"]}
RATE_BY_CODE: Final = {rate.code: rate for rate in RATES.values()}


def rate_named(name: str) -> Rate:
    """The rate with this name. Raises UsageProblem for one that does not exist."""
    found = RATES.get(name.strip().lower())
    if found is None:
        raise UsageProblem(f"there is no frame rate {name!r}; choose one of: {', '.join(RATES)}.")
    return found


@cache
def _counter(rate: Rate) -> Any:
    """The library's counter for a rate."""
    from ringlet.tools.extras import needed

    timecode = needed("take", "timecode").Timecode
    # The library sees in "29.97" a drop-frame count unless told otherwise, and takes 47.952 as it is.
    return timecode(rate.name.removesuffix(DROP), force_non_drop_frame=not rate.drop)


def frame_of(text: str, rate: Rate) -> int:
    """The frame number (0 for 00:00:00:00) of a time address HH:MM:SS:FF, or ;FF where frames are dropped.

    Raises UsageProblem for what is no time address, is out of range, or is skipped by drop-frame counting.
    """
    match = _WRITTEN.fullmatch(text.strip())
    if match is None:
        raise UsageProblem(f"{text!r} is no time address; write HH:MM:SS:FF, as in 01:00:00:00.")
    hours, minutes, seconds, frames = (int(match[place]) for place in (1, 2, 3, 5))
    if match[4] != ":" and not rate.drop:
        raise UsageProblem(
            f"{text} is written with a {match[4]!r} for drop-frame, and {rate.name} drops none; use a ':'."
        )
    return frame_at(hours, minutes, seconds, frames, rate)


def frame_at(hours: int, minutes: int, seconds: int, frames: int, rate: Rate) -> int:
    """As `frame_of`, from the four numbers."""
    shown = _written(hours, minutes, seconds, frames, rate)
    for value, most, what in ((hours, 23, "hours"), (minutes, 59, "minutes"), (seconds, 59, "seconds"),
                              (frames, rate.nominal - 1, f"frames at {rate.name}")):  # fmt: skip
        if not 0 <= value <= most:
            raise UsageProblem(f"{shown} is no time address: {what} go from 0 to {most}.")
    if frames < rate.dropped and seconds == 0 and minutes % 10:
        raise UsageProblem(
            f"{shown} does not exist: {rate.name} skips the frame numbers 0 to {rate.dropped - 1} in each minute that "
            f"is no multiple of ten; the frame is called {_written(hours, minutes, seconds, rate.dropped, rate)}."
        )
    return int(_counter(rate).tc_to_frames(f"{hours:02}:{minutes:02}:{seconds:02}:{frames:02}")) - 1


def fields_of(frame: int, rate: Rate) -> tuple[int, int, int, int]:
    """Hours, minutes, seconds and frames of a frame number; after a day it begins anew."""
    hours, minutes, seconds, frames = _counter(rate).frames_to_tc(frame % rate.day + 1)
    return int(hours), int(minutes), int(seconds), int(frames)


def text_of(frame: int, rate: Rate) -> str:
    """The time address of a frame number, with a ';' before the frames where frames are dropped."""
    return _written(*fields_of(frame, rate), rate)


def relabel(frame: int, rate: Rate, other: Rate) -> int:
    """The frame number at another rate whose address reads nearest below: same hour, minute and second.

    Frames become the same share of that second; a number that the other rate skips becomes the next one.
    """
    if rate == other:
        return frame
    hours, minutes, seconds, frames = fields_of(frame, rate)
    part = frames * other.nominal // rate.nominal
    if part < other.dropped and seconds == 0 and minutes % 10:
        part = other.dropped
    return frame_at(hours, minutes, seconds, part, other)


def _written(hours: int, minutes: int, seconds: int, frames: int, rate: Rate) -> str:
    return f"{hours:02}:{minutes:02}:{seconds:02}{';' if rate.drop else ':'}{frames:02}"
