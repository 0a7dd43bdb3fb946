"""Messages through flipped bits: how many damaged ones pass for good, found and expected, on serial lines and CAN.

The tests run it short. By hand: python tests/hwsim/long_noise.py --messages 1000000 [--rate 1e-4] [--trials 200000]
It ends after four runs of so many messages and the rest: 7 minutes of processor time at these sizes (measured: 19 s for
10^5 messages on all four, and 12 s for 10^4 trials).
First so many messages with random bodies go over each simulated bus with the given rate of flipped bits (on CAN at the
receiver only: what flips for everybody, the sender sees). Then frames with exactly 1, 2, 3 ... flips, at random places
on the line, measure how often each number passes; these shares and the binomial distribution give what to expect. Last,
frames scrambled altogether, so that some do pass: as many of those that come as far as the CRC as its width says.
"""

from __future__ import annotations

import argparse
import math
import random
import time
from collections.abc import Callable, Iterator
from typing import NamedTuple

from ringlet.hwsim.bus import Bus
from ringlet.hwsim.can_bits import TAIL_BITS, frame_bits, read_bits
from ringlet.hwsim.can_bus import CanBus
from ringlet.hwsim.noise import Noise
from ringlet.hwsim.serial_line import BYTE_BITS, SerialLine
from ringlet.protocol.codec import WireError, unpack
from ringlet.protocol.header import CONTROL_FIRST, EVERYONE, NODE_FIRST, Header
from ringlet.protocol.serial_frame import FRAME_MAX, StreamDecoder, decode_raw, encode_raw
from ringlet.protocol.wire import KINDS

Frame = tuple[int, bytes]
ROWS = [row for row in KINDS if row.sender == "control"]
GAP_US = 2500
FLIPS = range(1, 9)
LOUDER = 30
"""A second run with so many times the flips, so that there is something to compare."""


class Found(NamedTuple):
    """What one bus did with the messages."""

    sent: int
    arrived: int
    damaged: int
    """frames that were seen to be damaged"""
    passed: int
    """damaged frames that were taken for good"""
    obeyed: int
    """of these, those that a node would obey as a command"""


def random_command(rng: random.Random) -> Frame:
    """A command to node 16 or to everyone, with any bytes in its body."""
    row = rng.choice(ROWS)
    dst = EVERYONE if row.broadcast and rng.random() < 0.3 else NODE_FIRST
    return Header(row.priority, row.code, dst, CONTROL_FIRST, rng.choice((0, 15))).pack(), rng.randbytes(row.size)


def is_command(frame: Frame) -> bool:
    """Whether node 16 would look at it."""
    try:
        packet = unpack(*frame)
    except WireError:
        return False
    row = KINDS.by_code[packet.kind]
    return row.sender == "control" and packet.dst in (NODE_FIRST, EVERYONE)


def through(bus: Bus, damaged: Callable[[], int], messages: int, seed: int) -> Found:
    """Send messages one after the other; what arrives is compared with what was sent."""
    bus.attach("control")
    bus.attach("node")
    if not bus.is_can:
        bus.attach("another node")  # a shared line
    rng = random.Random(f"commands {seed}")
    arrived = passed = obeyed = now = 0
    recent: list[Frame] = []
    for _ in range(messages):
        frame = random_command(rng)
        recent = [*recent[-3:], frame]
        bus.send(0, *frame, now)
        now += GAP_US
        for one in bus.advance(now):
            if (one.ident, one.data) in recent:
                arrived += 1
            else:
                passed += 1
                obeyed += is_command((one.ident, one.data))
    return Found(messages, arrived, damaged(), passed, obeyed)


def serial_run(rate: float, messages: int, seed: int) -> Found:
    line = SerialLine(115_200, Noise(bit_errors=rate), seed=seed)
    return through(line, lambda: line._ends[1].lost.total(), messages, seed)


def can_run(rate: float, messages: int, seed: int) -> Found:
    bus = CanBus(500_000, Noise(at_receivers=rate), seed=seed)
    return through(bus, lambda: bus.errors, messages, seed)


# --- what to expect ---------------------------------------------------------------------------------------------------


def serial_passes(frame: Frame, flips: int, rng: random.Random) -> bool:
    """Whether a frame with so many flipped bits on the line gives a message that was not sent.

    As on `SerialLine`, a flipped start or stop bit loses the byte.
    """
    line = bytearray(b"\0" + encode_raw(*frame))
    lost = set()
    for place in rng.sample(range(BYTE_BITS * len(line)), flips):
        byte, bit = divmod(place, BYTE_BITS)
        if bit in (0, BYTE_BITS - 1):
            lost.add(byte)
        else:
            line[byte] ^= 1 << bit - 1
    seen = bytes(value for place, value in enumerate(line) if place not in lost)
    found = StreamDecoder().frames(seen + b"\0" + encode_raw(*frame))
    return any(one != frame for one in found)


def can_passes(frame: Frame, flips: int, rng: random.Random) -> bool:
    """Whether a receiver that sees so many flipped bits takes the frame for another good one."""
    bits = frame_bits(*frame).bits
    for place in rng.sample(range(len(bits) - 1), flips):
        bits[place] ^= 1
    read = read_bits(bits)
    return not read.fault and (read.ident, read.data, read.extended, read.remote) != (*frame, True, False)


def shares(
    passes: Callable[[Frame, int, random.Random], bool], trials: int, seed: int
) -> Iterator[tuple[int, int, int]]:
    """(flips, trials, how many passed)."""
    rng = random.Random(f"flips {seed}")
    for flips in FLIPS:
        yield flips, trials, sum(passes(random_command(rng), flips, rng) for _ in range(trials))


def expected(found: list[tuple[int, int, int]], bits: int, rate: float, messages: int) -> tuple[float, float]:
    """Messages that pass damaged: best guess, and 95 % upper bound (none passed: 3 in the trials, rule of three)."""
    guess = above = 0.0
    for flips, trials, passed in found:
        chance = math.comb(bits, flips) * rate**flips * (1 - rate) ** (bits - flips)
        guess += messages * chance * passed / trials
        above += messages * chance * (passed + 2 * math.sqrt(passed) if passed else 3.0) / trials
    return guess, above


def serial_scrambled(trials: int, seed: int) -> tuple[int, int]:
    """(frames that came as far as the CRC, frames that passed it) of frames whose bytes are all random."""
    rng, reached, passed = random.Random(f"scrambled {seed}"), 0, 0
    for _ in range(trials):
        line = bytearray(rng.randbytes(rng.randrange(8, FRAME_MAX)).replace(b"\0", b"\1"))
        line[0] = len(line)  # one COBS block, or hardly any would come as far
        try:
            decode_raw(bytes(line))
            passed += 1
        except WireError as error:
            if error.cause in ("cobs", "short", "overlong"):
                continue
            passed += error.cause == "header"  # the CRC was right
        reached += 1
    return reached, passed


def can_scrambled(trials: int, seed: int) -> tuple[int, int]:
    """The same of frames of eight bytes with random bits in the place of data and CRC; most break a stuffing rule."""
    rng, reached, passed = random.Random(f"scrambled {seed}"), 0, 0
    for _ in range(trials):
        bits = frame_bits(rng.getrandbits(29), rng.randbytes(8)).bits
        bits[50:-TAIL_BITS] = (rng.getrandbits(1) for _ in bits[50:-TAIL_BITS])
        read = read_bits(bits)
        reached += read.fault in ("", "crc")
        passed += not read.fault
    return reached, passed


def mean_bits(which: str) -> int:
    """Bits of an average command on the bus, those that a flip can reach."""
    rng = random.Random(1)
    frames = [random_command(rng) for _ in range(500)]
    if which == "serial":
        return sum(BYTE_BITS * (1 + len(encode_raw(*frame))) for frame in frames) // len(frames)
    return sum(len(frame_bits(*frame).bits) for frame in frames) // len(frames)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=1_000_000)
    parser.add_argument("--rate", type=float, default=1e-4)
    parser.add_argument("--trials", type=int, default=200_000, help="damaged frames for each number of flips")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    bad = 0
    for which, run, passes in (("serial", serial_run, serial_passes), ("can", can_run, can_passes)):
        by_flips = list(shares(passes, given.trials, given.seed))
        for flips, trials, passed in by_flips:
            print(f"{which}, {flips} flips in a frame: {passed} of {trials} passed ({passed / trials:.1e})", flush=True)
        for rate in (given.rate, LOUDER * given.rate):
            at = time.process_time()
            found = run(rate, given.messages, given.seed)
            took = time.process_time() - at
            if rate == given.rate:
                bad += found.obeyed
            guess, above = expected(by_flips, mean_bits(which), rate, given.messages)
            print(f"{which}, flipped bits {rate:g}: {found.sent} sent, {found.arrived} arrived as sent, damage seen "
                  f"{found.damaged} times; damaged and passed: {found.passed} (expected {guess:.3f}, at the most "
                  f"{above:.3f}), obeyed by a node: {found.obeyed}; {1e5 * took / given.messages:.1f} s of processor "
                  "time for 10^5 messages", flush=True)  # fmt: skip
        bits = {"serial": 16, "can": 15}[which]
        trials = 10 * given.trials
        reached, passed = {"serial": serial_scrambled, "can": can_scrambled}[which](trials, given.seed)
        print(f"{which}, scrambled frames: {reached} of {trials} came as far as the CRC; {passed} passed it, "
              f"expected {reached / (1 << bits):.1f} with {bits} bits", flush=True)  # fmt: skip
    print(f"{time.process_time():.0f} s of processor time in all")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
