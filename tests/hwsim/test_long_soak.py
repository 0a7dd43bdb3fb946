"""The soak in its shortest form, on one axis, and that its verdict sees what is wrong."""

from __future__ import annotations

from long_soak import GROWTH_MB, verdict, virtual


def test_the_soak_begins_well_and_its_verdict_can_fail() -> None:
    done = virtual(12.0, rig_name="single")
    assert verdict(done) == []
    assert done.requests == 9
    assert done.moves == 3
    assert 0.0 < done.worst_deg < 0.1
    for change, says in (
        ({"rss_end_mb": done.rss_start_mb + GROWTH_MB + 1.0}, "memory grew"),
        ({"unanswered": 1}, "1 requests without an answer"),
        ({"refused": 1}, "1 moves refused"),
        ({"unrested": 2}, "2 not at rest"),
        ({"drift_ms": -61.0}, "clocks drifted -61.0 ms apart"),
        ({"lost": 3}, "3 repeated requests"),
        ({"worst_deg": 0.3}, "0.300 deg off"),
    ):
        (word,) = verdict(done._replace(**change))
        assert says in word
