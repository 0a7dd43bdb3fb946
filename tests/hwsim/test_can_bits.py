"""Bits of a CAN frame against independent sources: the stuffing rule written out, the CRC as the standard has it."""

from __future__ import annotations

import random
from itertools import groupby

import pytest

from ringlet.hwsim.can_bits import crc15, frame_bits, frame_length, longest, read_bits


def crc_by_shift_register(bits: list[int]) -> list[int]:
    """CRC sequence of unstuffed bits, by the shift register of "CAN Specification 2.0" (1991), section 3.1.1."""
    register = [0] * 15
    for bit in bits:
        following = bit ^ register[0]
        register = [*register[1:], 0]
        if following:
            register = [have ^ int(tap) for have, tap in zip(register, f"{0x4599:015b}", strict=True)]
    return register


def whole_frame(ident: int, data: bytes) -> list[int]:
    """An extended data frame as strings, with stuff bits put in by searching the text for five equal bits."""
    text = f"0{ident >> 18:011b}11{ident & 0x3FFFF:018b}000{len(data):04b}" + "".join(f"{byte:08b}" for byte in data)
    text += "".join(map(str, crc_by_shift_register([int(bit) for bit in text])))
    at = 0
    while at + 5 <= len(text):
        if text[at : at + 5] in ("00000", "11111"):
            text = text[: at + 5] + ("1" if text[at] == "0" else "0") + text[at + 5 :]
            at += 5
        else:
            at += 1
    return [int(bit) for bit in text + "1" + "0" + "1" + "1111111"]


def random_frame(rng: random.Random) -> tuple[int, bytes]:
    """Frames of all sizes, many of them with long runs of equal bits."""
    size = rng.randrange(9)
    if rng.random() < 0.5:
        return rng.getrandbits(29), rng.randbytes(size)
    ident = rng.choice((0, 0x1FFFFFFF, 0x1F07C1F0, 1))
    return ident, bytes(rng.choice((0, 0xFF, 0x0F, 0x83, 0x1E)) for _ in range(size))


def test_crc_has_the_check_value_of_the_catalogue() -> None:
    # G. Cook, "Catalogue of parametrised CRC algorithms", CRC-15/CAN: poly 0x4599, init 0, check 0x059e
    assert crc15(b"123456789") == 0x059E


def test_bits_and_lengths_match_the_rules_written_out() -> None:
    rng = random.Random(1)
    stuffed = 0
    for _ in range(1500):
        ident, data = random_frame(rng)
        by_rule = whole_frame(ident, data)
        found = frame_bits(ident, data)
        assert found.bits == by_rule
        assert frame_length(ident, data) == len(by_rule)
        stuffed += len(found.stuff)
        # no six equal bits before the fixed end
        assert max(len(list(run)) for _, run in groupby(by_rule[:-10])) <= 5
    assert stuffed > 5000


@pytest.mark.parametrize("size", range(9))
def test_no_frame_is_longer_than_the_formula(size: int) -> None:
    # Davis, Burns, Bril, Lukkien 2007: 80 + 10 s bits for 29-bit identifiers; the Linux can-utils say the same in the
    # comment of calc of CAN frame lengths (canframelen.h). The gap of 3 bits is in it.
    assert longest(size) == 80 + 10 * size
    rng = random.Random(size)
    lengths = []
    for _ in range(3000):
        ident = rng.choice((rng.getrandbits(29), 0, 0x1FFFFFFF, 0x0787C3C3))
        data = bytes(rng.choice((0, 0xFF, 0x0F, 0xF0, 0x87, 0x78, rng.randrange(256))) for _ in range(size))
        lengths.append(frame_length(ident, data) + 3)
    assert max(lengths) <= longest(size)
    assert max(lengths) > longest(size) - 9 - size  # the formula is not far off either


def test_a_frame_worked_out_by_hand() -> None:
    # identifier 0, no data: 39 dominant bits but for SRR and IDE, worked out on paper
    bits = frame_bits(0, b"").bits
    # SOF and 11 zeros: 5 zeros, stuff 1, 5 zeros, stuff 1, 2 zeros; SRR, IDE; 18 zeros; RTR, r1, r0, DLC zeros
    head = "000001" "000001" "00" "11" + "000001" * 5
    assert bits[: len(head)] == [int(bit) for bit in head]
    assert bits[-10:] == [1, 0, 1, 1, 1, 1, 1, 1, 1, 1]


def test_a_receiver_reads_what_was_sent() -> None:
    rng = random.Random(2)
    for _ in range(500):
        ident, data = random_frame(rng)
        bits = frame_bits(ident, data).bits
        read = read_bits([1] * rng.randrange(4) + bits)
        assert (read.fault, read.ident, read.data, read.extended, read.remote) == ("", ident, data, True, False)


def test_a_receiver_sees_single_flips() -> None:
    rng = random.Random(3)
    faults = set()
    for _ in range(60):
        ident, data = random_frame(rng)
        bits = frame_bits(ident, data).bits
        for place in range(1, len(bits) - 1):
            if place == len(bits) - 9:  # the acknowledge slot is not a receiver's to judge
                continue
            seen = list(bits)
            seen[place] ^= 1
            read = read_bits(seen)
            faults.add(read.fault)
            if not read.fault:  # SRR and the reserved bits are no error, but the CRC covers them
                raise AssertionError(f"bit {place} of {len(bits)} flipped and nothing was seen")
    assert faults == {"stuff", "crc", "form"}
