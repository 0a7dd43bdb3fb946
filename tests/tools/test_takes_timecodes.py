"""Time addresses: what may be written, what is refused, and the way there and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringlet.protocol.codes import names
from ringlet.tools.errors import UsageProblem
from ringlet.tools.takes.timecodes import RATES, fields_of, frame_at, frame_of, rate_named, relabel, text_of


def test_every_rate_of_the_protocol_is_there() -> None:
    assert {rate.code: name for name, rate in RATES.items()} == names("rate")


@given(st.sampled_from(sorted(RATES)), st.floats(0, 1, exclude_max=True))
def test_there_and_back(name: str, share: float) -> None:
    rate = RATES[name]
    frame = int(share * rate.day)
    assert frame_of(text_of(frame, rate), rate) == frame
    assert frame_at(*fields_of(frame, rate), rate) == frame


@pytest.mark.parametrize("name", sorted(RATES))
def test_the_day_ends_with_its_last_address(name: str) -> None:
    rate = RATES[name]
    assert text_of(rate.day, rate).replace(";", ":") == "00:00:00:00"
    assert text_of(rate.day - 1, rate).replace(";", ":") == f"23:59:59:{rate.nominal - 1}"


@pytest.mark.parametrize(
    ("text", "rate", "says"),
    [
        ("00:01:00;00", "29.97df", "does not exist: 29.97df skips the frame numbers 0 to 1"),
        ("00:01:00;01", "29.97df", "called 00:01:00;02"),
        ("01:59:00;03", "59.94df", "called 01:59:00;04"),
        ("00:00:00:24", "24", "frames at 24 go from 0 to 23"),
        ("00:00:60:00", "25", "seconds go from 0 to 59"),
        ("00:60:00:00", "25", "minutes go from 0 to 59"),
        ("24:00:00:00", "25", "hours go from 0 to 23"),
        ("00:00:01;00", "29.97", "drops none"),
        ("1:2:3", "25", "is no time address"),
        ("", "25", "is no time address"),
        ("00:00:00:-1", "25", "is no time address"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(text: str, rate: str, says: str) -> None:
    with pytest.raises(UsageProblem, match=says):
        frame_of(text, RATES[rate])


@pytest.mark.parametrize("text", ["00:00:00;00", "00:10:00;00", "00:20:00:01", "00:01:00;02", "00:01:01;00"])
def test_what_drop_frame_keeps_is_taken(text: str) -> None:
    assert text_of(frame_of(text, RATES["29.97df"]), RATES["29.97df"]) == text[:8] + ";" + text[9:]


@pytest.mark.parametrize("name", ["26", "29.97ndf", "", "30df", "24p"])
def test_rates_that_do_not_exist(name: str) -> None:
    with pytest.raises(UsageProblem, match="there is no frame rate"):
        rate_named(name)


def test_an_address_at_another_rate_keeps_hour_minute_and_second() -> None:
    df, film = RATES["29.97df"], RATES["24"]
    assert text_of(relabel(frame_of("01:02:03;15", df), df, film), film) == "01:02:03:12"
    # The first frames of a minute that drop-frame skips become its first one.
    assert text_of(relabel(frame_of("00:01:00:00", film), film, df), df) == "00:01:00;02"
    assert relabel(77, df, df) == 77
