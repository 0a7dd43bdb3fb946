"""The simulated range sensor and the course of what is invented: when, where, how wrong, by seed."""

from __future__ import annotations

from itertools import pairwise

import pytest
from pydantic import ValidationError

from ringlet.hwsim.course import Course
from ringlet.hwsim.rangesource import FARTHEST_M, NO_READING, RangeEntry, SimRange
from ringlet.protocol import messages as m
from ringlet.protocol.codec import unpack
from ringlet.protocol.header import EVERYONE, unpack_header


def entry(**changes: object) -> RangeEntry:
    subject = {"points": [[0.0, 4.0], [2.0, 1.0]]}
    return RangeEntry.model_validate({"name": "sensor", "source": 5, "subject": subject} | changes)


def heard(sensor: SimRange, seconds: float) -> list[tuple[float, m.Range]]:
    """(time, reading) in steps of a millisecond."""
    return [(ms / 1000, unpack(*frame).body) for ms in range(round(1000 * seconds)) for frame in sensor.say(ms / 1000)]


def test_course_goes_from_point_to_point_at_rest_in_each() -> None:
    course = Course(points=[[0.0, 10.0], [2.0, 20.0], [4.0, 0.0]])
    assert [course.at(t) for t in (-1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 9.0)] == [10.0, 10.0, 15.0, 20.0, 10.0, 0.0, 0.0]
    assert (course.at(2.01) - course.at(2.0)) / 0.01 == pytest.approx(0.0, abs=0.2)
    again = course.model_copy(update={"again": True})
    assert again.at(5.0) == course.at(1.0)
    assert again.moment(9.5) == pytest.approx(1.5)
    assert Course(points=[[0.0, 3.0]], again=True).at(7.0) == 3.0


@pytest.mark.parametrize("points", [[], [[1.0, 3.0]], [[0.0, 3.0], [0.0, 4.0]], [[0.0, float("nan")]], [[0.0]]])
def test_course_that_is_none_is_refused(points: list[list[float]]) -> None:
    with pytest.raises(ValidationError):
        Course(points=points)


def test_readings_are_late_by_what_they_say_and_come_at_their_rate() -> None:
    sensor = SimRange(entry(latency_s=0.05, rate_hz=40.0))
    sensor.begin_s = 0.5
    found = heard(sensor, 3.0)
    assert len(found) == 120
    for at, reading in found:
        assert reading.age == 50
        assert reading.distance == round(1000 * sensor.subject_m(at - 0.05))
    assert [one.tag for _, one in found] == [(n + 1) & 0xFF for n in range(120)]
    ident, _ = next(iter(sensor.say(3.0)))
    header = unpack_header(ident)
    assert (header.src, header.dst, header.axis) == (5, EVERYONE, 15)


def test_noise_wrong_ones_gaps_and_missing_ones_by_seed() -> None:
    still = {"points": [[0.0, 2.0], [10.0, 2.0]]}
    bad = entry(subject=still, noise_per_m=0.01, wrong=0.1, wrong_m=50.0, none=0.1, gaps=[[2.0, 3.0]], rate_hz=100.0)

    def run(seed: int) -> list[tuple[float, m.Range]]:
        return heard(SimRange(bad, seed=seed), 8.0)

    found = run(1)
    assert found == run(1)
    assert found != run(2)
    assert not any(2.0 <= at < 3.0 for at, _ in found)
    assert 699 <= len(found) <= 700
    missing = [one for _, one in found if one.distance == NO_READING]
    wrong = [one for _, one in found if one.distance == 50_000]
    assert 40 < len(missing) < 105
    assert 40 < len(wrong) < 100
    good = [1000 / one.distance for _, one in found if one.distance not in (NO_READING, 50_000)]
    assert max(abs(one - 0.5) for one in good) > 0.02
    assert abs(sum(good) / len(good) - 0.5) < 0.002


def test_hidden_delay_changes_arrival_and_not_the_age_told() -> None:
    late = heard(SimRange(entry(jitter_s=0.1, rate_hz=50.0)), 2.0)
    assert {one.age for _, one in late} == {30}
    even = [n * 0.02 for n in range(len(late))]
    assert max(at - due for (at, _), due in zip(late, even, strict=True)) > 0.05
    assert any(b.tag < a.tag for (_, a), (_, b) in pairwise(late))  # overtaken


def test_a_sensor_that_cannot_be_is_refused() -> None:
    for changes in ({"source": 16}, {"subject": {"points": [[0.0, 0.0]]}}, {"gaps": [[3.0, 2.0]]}, {"wrong": 1.5},
                    {"subject": {"points": [[0.0, 2 * FARTHEST_M]]}}):  # fmt: skip
        with pytest.raises(ValidationError):
            entry(**changes)
