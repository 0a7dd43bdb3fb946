"""The codec against its peers in one run: python tests/benchmarks/bench_codec.py. Prints ratios; asserts nothing.

Peers do the same job on the same frames: `construct`, which is the schema's own definition, and `cantools` with a
database of the same layout, raw counts without scaling or names, which is its quickest way. Each figure is the best of
several rounds in processor time, so that other programs on the machine count little; every kind weighs alike.

construct is timed twice: the body alone, and header and body, which is all that a frame holds.
"""

from __future__ import annotations

import random
import statistics
import time
import timeit
from typing import Any

from cantools.database.can import Database, Message, Signal

from ringlet.protocol.codec import Packet, pack, unpack
from ringlet.protocol.header import KIND_SHIFT, HeaderStruct
from ringlet.protocol.serial_frame import StreamDecoder, encode_frame
from ringlet.protocol.wire import KINDS, Kind

ROUNDS = 7
FRAMES = 2_000  # for each kind; the slow peers get a tenth
READ = 64 * 1024


def seconds(loop: str, count: int, **names: Any) -> float:
    """Best processor time of one pass through the loop's body."""
    timer = timeit.Timer(loop, timer=time.process_time, globals=names)
    return min(timer.repeat(ROUNDS, 1)) / count


def peer_of(row: Kind) -> Message:
    signals = [
        Signal(spec.name, 8 * spec.offset, 8 * spec.codec.size, is_signed=spec.codec.signed) for spec in row.fields
    ]
    return Message(row.code << KIND_SHIFT, row.name, row.size, signals, is_extended_frame=True)


def measure(row: Kind, rng: random.Random, database: Database) -> dict[str, float]:
    """Seconds a message for each way."""
    ident = row.code << KIND_SHIFT
    frames = [(ident, rng.randbytes(row.size)) for _ in range(FRAMES)]
    few = frames[: FRAMES // 10]
    packets = [unpack(*frame) for frame in frames]
    values = [database.decode_message(*frame, decode_choices=False, scaling=False) for frame in few]
    peer: dict[str, Any] = {"decode": database.decode_message, "encode": database.encode_message}
    construct = {"header": HeaderStruct.parse, "body": row.struct.parse}
    return {
        "unpack": seconds("for i, d in frames: unpack(i, d)", FRAMES, frames=frames, unpack=unpack),
        "pack": seconds("for m in packets: pack(m)", FRAMES, packets=packets, pack=pack),
        "cantools decode": seconds(
            "for i, d in few: decode(i, d, decode_choices=False, scaling=False)", len(few), few=few, **peer
        ),
        "cantools encode": seconds(
            "for v in values: encode(i, v, scaling=False, strict=False)", len(few), i=ident, values=values, **peer
        ),
        "construct, body": seconds("for i, d in few: body(d)", len(few), few=few, **construct),
        "construct, header and body": seconds(
            "for i, d in few: header(i.to_bytes(4, 'little')); body(d)", len(few), few=few, **construct
        ),
    }


def report(times: dict[str, dict[str, float]], over: str, under: str, goal: str) -> None:
    each = {name: row[over] / row[under] for name, row in times.items()}
    low, high = min(each, key=each.__getitem__), max(each, key=each.__getitem__)
    total = sum(row[over] for row in times.values()) / sum(row[under] for row in times.values())
    print(
        f"{over} / {under}: {total:.3g} over all kinds (median {statistics.median(each.values()):.3g}, "
        f"lowest {each[low]:.3g} for {low}, highest {each[high]:.3g} for {high}); goal: {goal}"
    )


def main() -> None:
    rng = random.Random(1)
    database = Database([peer_of(row) for row in KINDS])
    times = {row.name: measure(row, rng, database) for row in KINDS}
    for way in times["stop"]:
        print(f"{way}: {1e6 * statistics.mean(row[way] for row in times.values()):.3f} us a message")
    report(times, "unpack", "cantools decode", "below 0.5")
    report(times, "pack", "cantools encode", "below 0.15")
    report(times, "construct, header and body", "unpack", "20 or more")
    report(times, "construct, body", "unpack", "20 or more")

    messages: list[Packet] = []
    for row in KINDS:
        messages += [unpack(row.code << KIND_SHIFT | 0x8123, rng.randbytes(row.size)) for _ in range(FRAMES)]
    rng.shuffle(messages)
    line = b"".join(encode_frame(message) for message in messages)
    reads = [line[place : place + READ] for place in range(0, len(line), READ)]
    decoder = StreamDecoder()
    for read in reads:
        decoder.feed(read)
    if decoder.good != len(messages):
        raise RuntimeError("the stream decoder lost messages")
    names = {"StreamDecoder": StreamDecoder, "encode_frame": encode_frame}
    loop = "decoder = StreamDecoder()\nfor read in reads: decoder.feed(read)"
    took = seconds(loop, len(messages), reads=reads, **names)
    print(f"stream decoder, reads of 64 KiB: {1 / took:,.0f} messages/s; goal: above 400,000")
    took = seconds("for m in messages: encode_frame(m)", len(messages), messages=messages, **names)
    print(f"message to serial frame: {1 / took:,.0f} messages/s")


if __name__ == "__main__":
    main()
