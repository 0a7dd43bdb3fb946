"""Messages through flipped bits, short: the long form is tests/hwsim/long_noise.py."""

from __future__ import annotations

import random

import pytest
from long_noise import can_run, can_scrambled, expected, serial_passes, serial_run, serial_scrambled, shares

from ringlet.hwsim.noise import Noise
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.serial_line import SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.serial_frame import StreamDecoder, encode_raw
from ringlet.tools.errors import NoAnswer
from ringlet.tools.link import Link
from ringlet.tools.transports import SerialTransport, SimTransport


def test_noise_on_an_idle_line_with_one_node_costs_no_request() -> None:
    """Bytes that noise has made while nobody spoke run into no frame: each begins with a zero byte, both ways."""
    transport = SimTransport(SimRig(load_rig("single"), bus=SerialLine(noise=Noise(bit_errors=1e-4), seed=4)))
    failed, asked, rng = 0, 250, random.Random(4)
    with Link.over(transport, transport.clock, notice=lambda text: None) as link:
        for _ in range(asked):
            link.wait(rng.uniform(0.05, 0.3))  # about two such bytes each way
            try:
                link.request(m.GetStatus(0), node=16, axis=0)
            except NoAnswer:
                failed += 1
    assert transport.lost.total() > asked // 2
    assert failed == 0
    assert link.losses["repeated requests"] < asked // 10  # of the two frames, 280 bits: 3 of 100 are hit


def test_a_serial_link_begins_each_frame_with_a_zero_byte() -> None:
    for shared in (False, True):
        transport = SerialTransport("loop://", shared=shared)
        try:
            for body in (b"\1", b"\2\3"):
                transport.send(0x1234567, body)
                said = transport._port.read(100)
                assert said == b"\0" + encode_raw(0x1234567, body)
                assert StreamDecoder().frames(b"\xff\xff" + said) == [(0x1234567, body)]
        finally:
            transport.close()


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
