"""Messages through flipped bits, short: the long form is tests/hwsim/long_noise.py."""

from __future__ import annotations

import pytest
from long_noise import can_run, can_scrambled, expected, serial_passes, serial_run, serial_scrambled, shares


def test_no_damaged_command_is_obeyed() -> None:
    for run in (serial_run, can_run):
        found = run(1e-4, 2500, 3)
        assert (found.passed, found.obeyed) == (0, 0)
        assert found.damaged > 10
    assert can_run(1e-4, 500, 4).arrived >= 500  # CAN sends again
    assert 0.9 * 500 < serial_run(1e-4, 500, 4).arrived <= 500


def test_much_noise_is_seen_too() -> None:
    found = serial_run(5e-3, 1500, 5)
    assert found.obeyed == 0
    assert found.damaged > 700
    assert found.arrived < 1200


def test_scrambled_frames_pass_as_often_as_the_width_of_the_crc_says() -> None:
    reached, passed = serial_scrambled(300_000, 1)
    assert reached == 300_000
    assert 0 < passed < 16  # 4.6 expected; 16 and more has a chance of 1 in 30,000 (Poisson)
    reached, passed = can_scrambled(4000, 1)
    assert reached > 20
    assert passed <= 2


def test_what_to_expect_is_binomial() -> None:
    assert expected([(1, 1000, 10)], 100, 1e-3, 1_000_000) == pytest.approx((905.7, 1478.5), rel=0.01)
    guess, above = expected([(2, 1000, 0)], 100, 1e-3, 1_000_000)
    assert guess == 0.0
    assert above == pytest.approx(1e6 * 4950e-6 * 0.999**98 * 3e-3)
    assert [row[:2] for row in shares(serial_passes, 20, 1)] == [(flips, 20) for flips in range(1, 9)]
