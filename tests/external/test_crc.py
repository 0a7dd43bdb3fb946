"""The framing's CRC against published figures, and its Hamming distance computed afresh.

Sources: check values from the Catalogue of parametrised CRC algorithms (G. Cook; entry CRC-16/DNP: poly 0x3D65,
init 0x0000, reflected, xorout 0xFFFF, check 0xEA82 over "123456789", residue 0x66C5). Hamming distances from
P. Koopman's tables of good polynomials with HD=6 (users.ece.cmu.edu/~koopman/crc/hd6.html, entry for 16 bits:
0x9EB2 in his notation, which is 0x13D65, named CRC-16-DNP: HD 6 up to 135 bits of data).

Koopman's notation leaves out the last bit of the polynomial, which is always 1: 0x13D65 >> 1 = 0x9EB2.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from cobs import cobs
from crcmod import mkCrcFun
from crcmod.predefined import mkPredefinedCrcFun

from ringlet.protocol.serial_frame import CRC, PAYLOAD_MAX, StreamDecoder, WireError, crc16, decode_raw, encode_raw

OURS = 0x3D65
LONGEST = 8 * PAYLOAD_MAX
CHECK = b"123456789"


# --- the algorithm ---


def bitwise(data: bytes, start: int) -> int:
    """The CRC by the textbook, bit by bit, least significant bit first, inverted at the end."""
    register = start
    for byte in data:
        for place in range(8):
            bit = (register ^ byte >> place) & 1
            register = register >> 1 ^ (0xA6BC if bit else 0)  # 0x3D65 with its bits in reverse
    return register ^ 0xFFFF


def test_library_gives_the_catalogues_check_values() -> None:
    assert mkPredefinedCrcFun("crc-16-dnp")(CHECK) == 0xEA82
    assert bitwise(CHECK, 0) == 0xEA82
    assert mkPredefinedCrcFun("crc-16")(CHECK) == 0xBB3D  # CRC-16/ARC
    assert mkPredefinedCrcFun("xmodem")(CHECK) == 0x31C3  # CRC-16/XMODEM
    assert mkPredefinedCrcFun("x-25")(CHECK) == 0x906E  # CRC-16/IBM-SDLC


def test_catalogues_residue() -> None:
    # register after a message and its own CRC, low byte first, before the final inversion
    data = CHECK + (0xEA82).to_bytes(2, "little")
    assert bitwise(data, 0) ^ 0xFFFF == 0x66C5


def test_ours_is_the_same_but_begun_from_ones() -> None:
    assert CRC.poly == 0x10000 | OURS
    assert crc16(CHECK) == bitwise(CHECK, 0xFFFF) == 0x95E3  # the last figure is ours: no catalogue has it
    # beginning from ones is the same as inverting the first two bytes, so the catalogue's value reaches ours too
    assert crc16(bytes([CHECK[0] ^ 0xFF, CHECK[1] ^ 0xFF]) + CHECK[2:]) == 0xEA82
    rng = np.random.default_rng(1)
    for size in range(1, 13):
        data = rng.bytes(size)
        assert crc16(data) == bitwise(data, 0xFFFF)


def test_zero_bytes_lost_or_added_at_the_front_are_seen() -> None:
    dnp = mkPredefinedCrcFun("crc-16-dnp")
    rng = np.random.default_rng(2)
    for size in range(5, 13):
        data = bytes(1) + rng.bytes(size - 1)
        assert dnp(data) == dnp(data[1:])  # why we do not begin from 0
        assert crc16(data) != crc16(data[1:])


# --- Hamming distance ---
#
# A CRC is linear: a pattern of flipped bits goes unseen exactly when the syndromes of its bits (x^i modulo the
# polynomial) add up to 0. So all patterns of up to five bits are covered by sums of syndromes, met in the middle:
# three of them are unseen when a pair equals a single one, four when two pairs are equal, five when a pair plus a
# single one equals another pair.


def syndromes(poly: int, length: int) -> np.ndarray:
    values, value = [], 1
    for _ in range(length):
        values.append(value)
        value <<= 1
        if value >> 16:
            value ^= 0x10000 | poly
    return np.array(values, dtype=np.int64)


def unseen(poly: int, length: int) -> dict[int, int]:
    """How many patterns of 1 to 5 flipped bits in a frame of this length (data and CRC) go unseen."""
    single = syndromes(poly, length)
    first, second = np.triu_indices(length, 1)
    pair = single[first] ^ single[second]
    singles = np.bincount(single, minlength=1 << 16)
    pairs = np.bincount(pair, minlength=1 << 16)
    one, two = int(singles[0]), int(pairs[0])
    if one or two:
        return {1: one, 2: two}
    # all syndromes differ, so equal sums have no bit in common except where it is named below
    three = int(singles[pair].sum()) // 3
    four = int((pairs * (pairs - 1) // 2).sum()) // 3
    # pair + single = pair: the single must be none of the first pair; a shared bit with the second would make it a
    # pattern of three, so it is counted only when there is none of those
    total = 0
    for place in range(length):
        apart = (first != place) & (second != place)
        total += int(pairs[pair[apart] ^ single[place]].sum())
    five = total // (5 * 6) if three == 0 else -1  # each pattern of five splits in 5 * 6 ways
    return {1: one, 2: two, 3: three, 4: four, 5: five}


def test_every_error_of_up_to_five_bits_is_seen_in_our_longest_frame() -> None:
    assert LONGEST == 112
    assert unseen(OURS, LONGEST) == {1: 0, 2: 0, 3: 0, 4: 0, 5: 0}


def test_published_limit_of_the_polynomial() -> None:
    # Koopman: HD 6 up to 135 bits of data; there the CRC's 16 bits come on top
    assert (0x10000 | OURS) >> 1 == 0x9EB2
    assert set(unseen(OURS, 135 + 16).values()) == {0}
    assert any(unseen(OURS, 136 + 16).values())


@pytest.mark.parametrize("poly", [0x1021, 0x8005, 0xC867])
def test_well_known_polynomials_miss_a_pattern_of_four_bits(poly: int) -> None:
    found = unseen(poly, LONGEST)
    assert (found[1], found[2], found[3]) == (0, 0, 0)
    assert found[4] > 0
    # and one of them, flipped in a real frame with a real CRC
    single = syndromes(poly, LONGEST)
    pairs: dict[int, tuple[int, int]] = {}
    pattern: tuple[int, ...] = ()
    for first in range(LONGEST):
        for second in range(first):
            pair = int(single[first] ^ single[second])
            if pair in pairs:
                pattern = (*pairs[pair], first, second)
            pairs[pair] = (first, second)
    assert len(set(pattern)) == 4
    crc = mkCrcFun(0x10000 | poly, initCrc=0xFFFF, rev=False)
    data = bytes(range(200, 212))
    frame = int.from_bytes(data + crc(data).to_bytes(2, "big"), "big")
    for place in pattern:
        frame ^= 1 << place
    spoiled = frame.to_bytes(14, "big")
    assert spoiled[:12] != data
    assert crc(spoiled[:12]) == int.from_bytes(spoiled[12:], "big")


@pytest.mark.parametrize(("poly", "missed"), [(0x8005, {4}), (0x1DCF, {5}), (0x002D, {5}), (OURS, set())])
def test_the_count_agrees_with_trying_all_patterns_in_a_short_frame(poly: int, missed: set[int]) -> None:
    length = 40
    crc = mkCrcFun(0x10000 | poly, initCrc=0, rev=False)
    effect = []
    for place in range(length):
        data = (1 << place >> 16).to_bytes(3, "big")
        effect.append(crc(data) ^ ((1 << place) & 0xFFFF))
    brute = {}
    for weight in range(1, 6):
        total = 0
        for pattern in combinations(effect, weight):
            value = 0
            for part in pattern:
                value ^= part
            total += value == 0
        brute[weight] = total
    assert {weight for weight, total in brute.items() if total} == missed
    assert unseen(poly, length) == brute


# --- in the frame as it is sent ---


def flipped(frame: bytes, places: list[int]) -> bytes:
    spoiled = bytearray(frame)
    for place in places:
        spoiled[place // 8] ^= 1 << place % 8
    return bytes(spoiled)


def accepted(data: bytes) -> bool:
    body = data[:-2]
    return crc16(body) == int.from_bytes(data[-2:], "little")


def test_no_error_of_up_to_five_bits_before_stuffing_passes() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20_000):
        data = rng.bytes(int(rng.integers(5, 13)))
        data += crc16(data).to_bytes(2, "little")
        assert accepted(data)
        places = rng.choice(8 * len(data), size=int(rng.integers(1, 6)), replace=False)
        assert not accepted(flipped(data, places.tolist()))


def test_stuffing_weakens_the_guarantee_on_the_line() -> None:
    """One flipped bit on the line can become many: the distance holds before stuffing, not after.

    The frame was found by search. A flipped bit in a COBS code byte moves a zero byte, and one that makes a zero byte
    cuts the frame in two; what is left then passes with the odds of any 16-bit check.
    """
    frame = bytes.fromhex("06df6a231ca202fc010101040fe76c00")
    before, after = decode_raw(frame[:-1]), None
    pieces = [piece for piece in flipped(frame, [8 * 8])[:-1].split(b"\0") if piece]
    for piece in pieces:
        try:
            after = decode_raw(piece)
        except WireError:
            continue
    assert after is not None
    assert after != before


def test_how_often_one_flipped_bit_or_lost_byte_on_the_line_passes() -> None:
    """Measured, with a fixed seed: below the odds of a random 16-bit match (1 in 65536 for each)."""
    rng = np.random.default_rng(4)
    tried = passed = 0
    for _ in range(1_500):
        body = rng.integers(0, 256, int(rng.integers(1, 9))) * rng.integers(0, 2)
        ident = int(rng.integers(0, 1 << 29)) & ~int(rng.integers(0, 2) * 0xFF)  # every other begins with a zero byte
        frame = encode_raw(ident, body.astype(np.uint8).tobytes())
        spoiled = [flipped(frame, [place]) for place in range(8 * len(frame) - 8)]
        spoiled += [frame[:place] + frame[place + 1 :] for place in range(len(frame) - 1)]
        for line in spoiled:
            tried += 1
            for piece in line[:-1].split(b"\0"):
                try:
                    passed += decode_raw(piece) is not None
                except WireError:
                    continue
    assert tried > 100_000
    assert passed <= 1 + 2 * tried / 65536


def test_a_lost_first_byte_of_a_frame_is_always_seen() -> None:
    # node 16, axis 0: the header begins with a zero byte, so the frame begins with the COBS code 1
    frame = encode_raw(0x43 << 18 | 1 << 11 | 16 << 4, bytes(range(8)))
    assert frame[0] == 1
    for line in (frame[1:], b"\0" + frame[1:], flipped(frame, [0])):
        decoder = StreamDecoder()
        assert decoder.feed(line) == []
        assert dict(decoder.lost) == {"crc": 1}
    assert cobs.decode(frame[1:-1]) == cobs.decode(frame[:-1])[1:]
