"""The CAN bus: arbitration, exact times, errors against a bit-by-bit bus, counters, bus-off, equal identifiers."""

from __future__ import annotations

import random

import pytest
from can_wire import WireNode, run

from ringlet.hwsim.bus import Delivery
from ringlet.hwsim.can_bits import frame_bits, frame_length
from ringlet.hwsim.can_bus import DEPTH, CanBus
from ringlet.hwsim.noise import Noise

BITRATE = 1_000_000  # so that a bit is a microsecond


class Script:
    """Flips that a test wants, in the place of random ones."""

    def __init__(self, *places: int) -> None:
        self.places = list(places)

    def between(self, start: int, end: int) -> list[int]:
        return [place for place in self.places if start <= place < end]


class Every(Script):
    """The same bit of each frame, some times."""

    def __init__(self, place: int, times: int) -> None:
        super().__init__()
        self.place, self.times = place, times

    def between(self, start: int, end: int) -> list[int]:
        self.times -= 1
        return [start + self.place] if self.times >= 0 else []


def bus_of(stations: int, flips: Script | None = None) -> CanBus:
    bus = CanBus(BITRATE, Noise(bit_errors=1e-12) if flips else Noise())
    for number in range(stations):
        bus.attach(f"station {number}")
    if flips is not None:
        bus._flips = flips  # type: ignore[assignment]
    return bus


def counters(bus: CanBus) -> list[tuple[int, int]]:
    return [(one.tec, one.rec) for one in bus.stations]


def test_a_frame_ends_when_its_last_bit_is_over() -> None:
    bus = bus_of(2)
    frame = (0x1234567, b"abcdefgh")
    bus.send(1, *frame, at_us=500)
    length = frame_length(*frame)
    assert bus.advance(500 + length - 1) == []
    assert bus.advance(500 + length) == [Delivery(500 + length, *frame, (1,))]
    assert bus.heard == 1


def test_the_lower_identifier_wins_and_frames_follow_after_the_gap() -> None:
    bus = bus_of(4)
    frames = [(0x700, b"first of all"[:8]), (0x300, b"x"), (0x100, b"yy"), (0x200, b"")]
    bus.send(0, *frames[0], at_us=0)
    for station, frame in ((1, frames[1]), (2, frames[2]), (3, frames[3])):
        bus.send(station, *frame, at_us=10)  # while the first is on the bus
    order = [frames[0], frames[2], frames[3], frames[1]]
    end, times = -3, []
    for frame in order:
        end += 3 + frame_length(*frame)
        times.append(end)
    found = bus.advance(2000)
    assert [(one.ident, one.data) for one in found] == order
    assert [one.at_us for one in found] == times


def test_one_station_sends_its_most_urgent_message_first_and_equal_ones_in_turn() -> None:
    bus = bus_of(2)
    for ident, data in ((5, b"a"), (9, b"b"), (5, b"c"), (1, b"d")):
        bus.send(1, ident, data, at_us=0)
    assert [one.data for one in bus.advance(2000)] == [b"d", b"a", b"c", b"b"]


def test_frames_alike_to_the_bit_merge() -> None:
    bus = bus_of(4)
    for station in (1, 2, 3):
        bus.send(station, 77, b"\1", at_us=0)
    assert bus.advance(1000) == [Delivery(frame_length(77, b"\1"), 77, b"\1", (1, 2, 3))]
    assert bus.errors == 0


def test_errors_take_as_long_as_on_a_bus_simulated_bit_by_bit() -> None:
    rng = random.Random(5)
    seen = set()
    for _ in range(60):
        ident = rng.choice((rng.getrandbits(29), 0x1FFFFFFF, 0))
        frame = (ident, rng.choice((rng.randbytes(rng.randrange(9)), b"\0" * 4)))
        row = frame_bits(*frame)
        flip = rng.randrange(1, len(row.bits) - 1)
        nodes = [WireNode(frame), WireNode(), WireNode()]
        starts = run(nodes, flip)
        bus = bus_of(3, Script(flip))
        bus.send(0, *frame, at_us=0)
        (found,) = bus.advance(5000)
        assert (bus.errors, nodes[0].errors, nodes[0].sent) == (1, 1, True)
        again = found.at_us - len(row.bits)
        assert again == starts[1], (hex(frame[0]), frame[1], flip, len(row.bits))
        assert [node.got for node in nodes[1:]] == [[frame]] * 2
        beaten = flip < row.arbitration and row.bits[flip] == 1 and flip not in row.stuff
        assert bus.stations[0].tec == (0 if beaten else 7)
        seen.add(again - flip)
    assert len(seen) >= 6  # error frames of many lengths


def test_two_senders_of_different_data_destroy_each_other_bit_by_bit() -> None:
    rng = random.Random(6)
    for _ in range(25):
        ident = rng.getrandbits(29)
        data = rng.randbytes(rng.randrange(1, 9))
        other = data[:-1] + bytes((data[-1] ^ 1 << rng.randrange(8),))
        nodes = [WireNode((ident, data)), WireNode((ident, other)), WireNode()]
        starts = run(nodes, most=700)  # active nodes do this for ever; passive ones the reference does not know
        assert len(starts) > 3
        bus = bus_of(3)
        bus.send(0, ident, data, at_us=0)
        bus.send(1, ident, other, at_us=0)
        for place, start in enumerate(starts[1:], start=1):
            bus.advance(start)
            assert (bus.errors, bus._free) == (place, start)


def test_after_sixteen_collisions_one_is_passive_and_both_get_through() -> None:
    bus = bus_of(3)
    low, high = (100, b"\1\2"), (100, b"\1\3")  # a 0 is dominant: the first wins where they differ
    bus.send(0, *high, at_us=0)
    bus.send(1, *low, at_us=0)
    found = bus.advance(10_000)
    assert [(one.ident, one.data, one.senders) for one in found] == [(*low, (1,)), (*high, (0,))]
    assert bus.errors == 16  # 16 times 8 is 128: both are error passive then
    # the loser of the last round lost 8 more, and both won one back
    assert [one.tec for one in bus.stations] == [135, 127, 0]
    assert bus.stations[2].rec == 14


def test_counters_rise_by_eight_and_one_and_fall_by_one() -> None:
    bus = bus_of(3, Every(60, 3))
    for number in range(6):
        bus.send(0, 50 + number, b"12345678", at_us=0)
    bus.advance(600)
    assert bus.errors == 3
    bus.advance(5000)
    assert counters(bus) == [(24 - 6, 0), (0, 0), (0, 0)]
    bus = bus_of(3, Every(60, 3))
    bus.send(0, 1, b"12345678", at_us=0)
    bus.advance(5000)
    assert counters(bus) == [(23, 0), (0, 2), (0, 2)]


def test_thirty_two_errors_put_a_station_off_the_bus_and_it_comes_back() -> None:
    bus = bus_of(3, Every(60, 32))
    frame = (3, b"12345678")
    bus.send(1, *frame, at_us=0)
    assert bus.advance(3500) == []
    assert bus.stations[1].off
    assert bus.errors == 32
    (found,) = bus.advance(20_000)  # 128 times 11 recessive bits later it sends what it holds
    assert not bus.stations[1].off
    assert counters(bus)[1] == (0, 0)
    bus = bus_of(3, Every(60, 32))
    bus.send(1, *frame, at_us=0)
    while not bus.stations[1].off:
        bus.advance(bus._free + 1)
    off_at = bus._free
    # the delimiter and gap behind the last error flag are the first 11 of them
    assert bus.advance(30_000)[0].at_us == off_at + 127 * 11 + frame_length(*frame) == found.at_us


def test_others_speak_while_a_station_is_off_the_bus() -> None:
    bus = bus_of(3, Every(60, 32))
    bus.send(1, 3, b"12345678", at_us=0)
    bus.advance(3500)
    bus.send(2, 4, b"hello", at_us=3500)
    (heard,) = bus.advance(3800)
    assert heard.missed == frozenset({1})
    assert bus.stations[1].off


def test_a_passive_sender_waits_eight_bits_longer() -> None:
    def gap(errors: int) -> int:
        bus = bus_of(3, Every(60, errors))
        for ident in (3, 4):
            bus.send(1, ident, b"12345678", at_us=0)
        first, second = bus.advance(20_000)
        return second.at_us - first.at_us - frame_length(4, b"12345678")

    assert (gap(0), gap(15), gap(17)) == (3, 3, 3 + 8)


def test_alone_on_the_bus_nobody_acknowledges_and_it_never_goes_bus_off() -> None:
    bus = bus_of(2)
    bus.plug(1, False)
    bus.send(0, 8, b"x", at_us=0)
    assert bus.advance(100_000) == []
    assert not bus.stations[0].off
    assert bus.stations[0].tec == 128
    assert bus.errors > 500
    bus.plug(1)
    (found,) = bus.advance(101_000)
    assert found.data == b"x"


def test_a_cable_pulled_and_back() -> None:
    bus = bus_of(3)
    bus.plug(2, False)
    bus.send(0, 8, b"x", at_us=0)
    assert bus.advance(1000)[0].missed == frozenset({2})
    bus.send(2, 9, b"later", at_us=1000)
    assert bus.advance(5000) == []
    bus.plug(2)
    (found,) = bus.advance(6000)
    assert (found.data, found.senders) == (b"later", (2,))


def test_a_flipped_last_bit_doubles_a_frame() -> None:
    frame = (0x55, b"once or twice"[:8])
    length = frame_length(*frame)
    bus = bus_of(3, Script(length - 1))
    bus.send(0, *frame, at_us=0)
    found = bus.advance(5000)
    assert [(one.ident, one.data) for one in found] == [frame, frame]
    assert found[0].at_us == length


def test_the_queue_of_a_station_is_bounded() -> None:
    bus = bus_of(2)
    bus.plug(1, False)
    for number in range(DEPTH + 10):
        bus.send(1, number, b"", at_us=0)
    assert bus.stations[1].dropped == 10


def test_nothing_is_lost_or_doubled_through_noise_except_at_last_bits() -> None:
    bus = CanBus(500_000, Noise(bit_errors=3e-4, bursts=1e-6), seed=4)
    rng = random.Random(4)
    for number in range(6):
        bus.attach(str(number))
    sent, found = [], []
    for ms in range(1500):
        frame = (rng.getrandbits(29), ms.to_bytes(2, "little") + rng.randbytes(5))
        sent.append(frame)
        bus.send(rng.randrange(6), *frame, at_us=1000 * ms)
        found += [(one.ident, one.data) for one in bus.advance(1000 * ms + 1000)]
    found += [(one.ident, one.data) for one in bus.advance(1_600_000)]
    assert set(found) == set(sent)
    assert len(found) - len(sent) <= 5
    assert bus.errors > 30
    assert bus.wrong == 0


def test_one_receivers_flip_makes_everybody_hear_it_again() -> None:
    bus = CanBus(500_000, Noise(at_receivers=1e-3), seed=1)
    for number in range(4):
        bus.attach(str(number))
    found = []
    for ms in range(300):
        bus.send(1, ms, b"12345678", at_us=1000 * ms)
        found += bus.advance(1000 * ms + 1000)
    found += bus.advance(400_000)
    assert {one.ident for one in found} == set(range(300))
    assert bus.errors > 50
    assert max(bus.stations[number].rec for number in (0, 2, 3)) > 0


def test_the_same_seed_gives_the_same_run() -> None:
    def once(seed: int) -> list[Delivery]:
        bus = CanBus(250_000, Noise(bit_errors=1e-3), seed=seed)
        for number in range(3):
            bus.attach(str(number))
        for ms in range(100):
            bus.send(ms % 3, 1000 + ms, b"abcdef", at_us=1000 * ms)
        return bus.advance(200_000)

    assert once(1) == once(1)
    assert once(1) != once(2)


def test_wrong_settings_are_refused() -> None:
    for make in (
        lambda: CanBus(0), lambda: Noise(bit_errors=1.0), lambda: Noise(bursts=-0.1), lambda: Noise(burst_bits=0)
    ):  # fmt: skip
        with pytest.raises(ValueError, match=r"\d"):
            make()
