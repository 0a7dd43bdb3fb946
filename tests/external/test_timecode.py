"""Time addresses against SMPTE ST 12-1 and against the library `timecode`.

ST 12-1 (Time and Control Code, drop-frame counting): frame numbers 00 and 01 (00 to 03 at 60/1.001) are left out at
the start of each minute except minutes 00, 10, 20, 30, 40, 50. The facts below follow from it; the clause is quoted
from memory, the counts are the ones that every text on drop-frame gives (17,982 frames in ten minutes, 107,892 in an
hour, 2,589,408 in a day).
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import pytest
from timecode import Timecode

from ringlet.tools.takes.timecodes import RATES, Rate, fields_of, frame_at, frame_of, text_of

RATIOS = {
    "24": (24, 1), "25": (25, 1), "30": (30, 1), "23.976": (24000, 1001), "29.97": (30000, 1001),
    "29.97df": (30000, 1001), "50": (50, 1), "59.94": (60000, 1001), "59.94df": (60000, 1001), "60": (60, 1),
    "47.952": (48000, 1001), "48": (48, 1),
}  # fmt: skip
"""ST 12-1 names the 1.001 rates by their exact ratios."""


def counted(rate: Rate, dropped: int) -> Iterator[tuple[int, int, int, int]]:
    """All addresses of 21 minutes one after another, by the rule alone."""
    for minute in range(21):
        for second in range(60):
            first = dropped if second == 0 and minute % 10 else 0
            for frame in range(first, rate.nominal):
                yield 0, minute, second, frame


def test_rates_are_the_exact_ratios() -> None:
    assert {name: rate.fps for name, rate in RATES.items()} == {name: Fraction(*one) for name, one in RATIOS.items()}


@pytest.mark.parametrize(("name", "ten", "hour", "day"), [
    ("29.97df", 17_982, 107_892, 2_589_408), ("59.94df", 35_964, 215_784, 5_178_816),
    ("29.97", 18_000, 108_000, 2_592_000), ("25", 15_000, 90_000, 2_160_000), ("23.976", 14_400, 86_400, 2_073_600),
])  # fmt: skip
def test_frames_in_ten_minutes_an_hour_and_a_day(name: str, ten: int, hour: int, day: int) -> None:
    rate = RATES[name]
    assert frame_of("00:10:00:00", rate) == ten
    assert frame_of("01:00:00:00", rate) == hour
    assert frame_of("23:00:00:00", rate) == 23 * hour
    assert rate.day == day


def test_drop_frame_keeps_to_the_clock() -> None:
    """An hour of drop-frame is 3.6 ms short of an hour, and one without dropping 3.6 s long (ST 12-1, from memory)."""
    assert RATES["29.97df"].seconds(107_892) == pytest.approx(3600.0 - 0.0036, abs=1e-6)
    assert RATES["29.97"].seconds(108_000) == pytest.approx(3603.6, abs=1e-9)


@pytest.mark.parametrize(("name", "dropped"), [("29.97df", 2), ("59.94df", 4), ("29.97", 0), ("47.952", 0), ("60", 0)])
def test_counted_one_by_one(name: str, dropped: int) -> None:
    rate = RATES[name]
    assert rate.dropped == dropped
    for number, fields in enumerate(counted(rate, dropped)):
        if number % 7 == 0 or fields[2] in (0, 59):
            assert fields_of(number, rate) == fields
            assert frame_at(*fields, rate) == number


@pytest.mark.parametrize("name", sorted(RATES))
def test_the_library_says_the_same(name: str) -> None:
    rate = RATES[name]
    for number in (0, 1, 1799, 1800, 3597, 3598, 17_981, 17_982, 107_891, 107_892, 1_000_003, rate.day - 1):
        theirs = Timecode(name.removesuffix("df"), frames=number + 1, force_non_drop_frame=not name.endswith("df"))
        assert str(theirs) == text_of(number, rate)
        back = Timecode(name.removesuffix("df"), text_of(number, rate), force_non_drop_frame=not name.endswith("df"))
        assert back.frames - 1 == number == frame_of(text_of(number, rate), rate)


def test_the_library_alone_would_take_what_does_not_exist() -> None:
    """Why the refusal is ours: two addresses for one frame would slip through."""
    assert Timecode("29.97", "00:01:00;00").frames == Timecode("29.97", "00:00:59;28").frames
