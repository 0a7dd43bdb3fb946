"""The serial line: byte times, half-duplex garbling, pairs of wires, noise; and noise by itself."""

from __future__ import annotations

import random
import statistics
from itertools import pairwise

import pytest

from ringlet.hwsim.bus import Delivery
from ringlet.hwsim.noise import Flips, Mangler, Mischief, Noise
from ringlet.hwsim.serial_line import SerialLine
from ringlet.protocol.serial_frame import encode_raw

BAUD = 100_000  # a bit is 10 us, a byte 100 us
FRAME = (0x1234567, b"hello")


def line_of(stations: int, noise: Noise | None = None, seed: int = 0) -> SerialLine:
    line = SerialLine(BAUD, noise or Noise(), seed=seed)
    for number in range(stations):
        line.attach(str(number))
    return line


def test_a_frame_takes_ten_bits_a_byte() -> None:
    line = line_of(3)
    line.send(1, *FRAME, at_us=50)
    end = 50 + 100 * len(encode_raw(*FRAME))
    assert line.advance(end - 1) == []
    assert line.advance(end) == [Delivery(end, *FRAME, (1,), frozenset())]
    assert line.heard == len(encode_raw(*FRAME))
    assert line.shared


def test_two_who_speak_at_once_garble_each_other() -> None:
    line = line_of(4)
    line.send(1, 1, b"aaaa", at_us=0)
    line.send(2, 2, b"bbbb", at_us=130)
    assert line.advance(5000) == []
    assert line.garbled > 10
    assert 10 < line.heard < 30
    line.send(0, *FRAME, at_us=5000)  # controls begin with a zero byte: everybody hears the next frame
    (found,) = line.advance(10_000)
    assert (found.ident, found.data, found.missed) == (*FRAME, frozenset())


def test_who_speaks_does_not_hear() -> None:
    line = line_of(3)
    line.send(1, 1, b"aaaa", at_us=0)
    line.send(1, 2, b"bb", at_us=0)  # waits for the first
    found = line.advance(10_000)
    assert [one.ident for one in found] == [1, 2]
    assert all(one.senders == (1,) and not one.missed for one in found)
    length = len(encode_raw(1, b"aaaa"))
    assert found[1].at_us - found[0].at_us == 100 * len(encode_raw(2, b"bb"))
    assert found[0].at_us == 100 * length
    before = line.heard
    line.send(0, *FRAME, at_us=10_000)
    (own,) = line.advance(20_000)
    assert own.senders == (0,)
    assert line.heard == before  # not even a byte of it


def test_bytes_alike_at_the_same_bit_merge() -> None:
    line = line_of(4)
    for station in (1, 2):
        line.send(station, *FRAME, at_us=0)
    found = line.advance(5000)
    assert {(one.ident, one.data) for one in found} == {FRAME}
    assert line.garbled == 0


def test_a_line_with_one_node_has_wires_both_ways() -> None:
    line = line_of(2)
    assert not line.shared
    line.send(0, 1, b"down", at_us=0)
    line.send(1, 2, b"up", at_us=0)
    zero = 100  # goes before every frame, both ways
    assert [one.at_us for one in line.advance(5000 - 1)] == [
        zero + 100 * len(encode_raw(2, b"up")), zero + 100 * len(encode_raw(1, b"down"))
    ]  # fmt: skip
    line.send(0, 1, b"down", at_us=5000)
    line.send(1, 2, b"up", at_us=5000)
    found = line.advance(10_000)
    assert {(one.ident, one.data, one.senders) for one in found} == {(1, b"down", (0,)), (2, b"up", (1,))}
    assert line.garbled == 0


def test_a_flip_damages_a_byte_and_idle_noise_makes_one() -> None:
    class Script:
        def __init__(self, *places: int) -> None:
            self.places = places

        def between(self, start: int, end: int) -> list[int]:
            return [place for place in self.places if start <= place < end]

    for bit in (0, 4, 9):  # start bit, data, stop bit of the third byte
        line = line_of(3, Noise(bit_errors=1e-12))
        line._wires[0]._flips = Script(20 + bit)  # type: ignore[assignment]
        line.send(1, *FRAME, at_us=0)
        assert line.advance(5000) == []
        assert line.heard == len(encode_raw(*FRAME)) - (bit != 4)
        assert line.lost.total() == 1
    line = line_of(3, Noise(bit_errors=1e-12))
    line._wires[0]._flips = Script(300)  # type: ignore[assignment]
    line.advance(10_000)
    assert (line.spurious, line.heard) == (1, 1)


def test_the_same_seed_gives_the_same_line() -> None:
    def once(seed: int) -> tuple[list[Delivery], int]:
        line = line_of(4, Noise(bit_errors=1e-3, bursts=1e-4), seed)
        found = []
        for ms in range(0, 300, 3):
            line.send(ms % 4, ms, b"12345678", at_us=1000 * ms)
            line.send(0, ms, b"1", at_us=1000 * ms + 500)
            found += line.advance(1000 * ms + 3000)
        return found, line.heard

    assert once(3) == once(3)
    assert once(3) != once(4)


def test_no_damaged_frame_passes_for_another() -> None:
    line = line_of(3, Noise(bit_errors=2e-3), seed=7)
    sent = set()
    rng = random.Random(7)
    found = []
    for number in range(800):
        frame = (number << 4, rng.randbytes(rng.randrange(1, 9)))
        sent.add(frame)
        line.send(1, *frame, at_us=3000 * number)
        found += line.advance(3000 * number + 3000)
    assert {(one.ident, one.data) for one in found} <= sent
    assert 400 < len(found) < 790
    assert line.lost.total() > 20


def test_flips_come_as_often_as_asked_for() -> None:
    flips = Flips(Noise(bit_errors=1e-3), random.Random(1))
    places = flips.between(0, 2_000_000)
    assert len(places) == pytest.approx(2000, abs=5 * 2000**0.5)
    gaps = [after - before for before, after in pairwise(places)]
    assert statistics.mean(gaps) == pytest.approx(1000, rel=0.1)
    assert statistics.stdev(gaps) == pytest.approx(1000, rel=0.15)  # geometric gaps
    bursts = Flips(Noise(bursts=1e-4, burst_bits=20), random.Random(1))
    many = bursts.between(0, 1_000_000)
    assert len(many) == pytest.approx(100 * 20 / 2, rel=0.4)
    near = sum(after - before < 20 for before, after in pairwise(many))
    assert near > 0.8 * len(many)
    assert Flips(Noise(), random.Random(1)).between(0, 10**9) == []


def test_flips_are_the_same_in_pieces_and_at_once() -> None:
    noise = Noise(bit_errors=1e-3, bursts=1e-4)
    whole = Flips(noise, random.Random(2)).between(0, 100_000)
    flips = Flips(noise, random.Random(2))
    pieces = [place for start in range(0, 100_000, 137) for place in flips.between(start, min(100_000, start + 137))]
    assert pieces == whole


def test_mischief_drops_doubles_delays_and_swaps() -> None:
    def through(mischief: Mischief) -> list[int]:
        mangler = Mangler(mischief, seed=3)
        out = []
        for number in range(1000):
            fresh = [Delivery(1000 * number, number, b"", (0,))]
            out += [one.ident for one in mangler.treat(fresh, 1000 * number + 999)]
        return out + [one.ident for one in mangler.treat([], 10**9)]

    assert through(Mischief()) == list(range(1000))
    dropped = through(Mischief(drop=0.2))
    assert 150 < 1000 - len(dropped) < 250
    assert dropped == sorted(dropped)
    doubled = through(Mischief(duplicate=0.2))
    assert 150 < len(doubled) - 1000 < 250
    assert set(doubled) == set(range(1000))
    late = through(Mischief(delay=0.2))
    assert sorted(late) == list(range(1000))
    assert late != sorted(late)
    swapped = through(Mischief(swap=0.2))
    assert 999 - len(swapped) <= 0
    assert max(abs(place - number) for place, number in enumerate(swapped)) <= 3
    assert swapped != sorted(swapped)


def test_wrong_settings_are_refused() -> None:
    with pytest.raises(ValueError, match="baud is 0"):
        SerialLine(0)
