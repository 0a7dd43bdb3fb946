"""What is fuzzed: each target takes any bytes and raises only when a promise is broken. No fuzzer is needed for that.

A target's seeds are made here, from the protocol's own encoders and the shipped files, so that they follow the tables.
"""

from __future__ import annotations

import functools
import io
import os
import pickle
import sys
import tempfile
from collections.abc import Callable
from importlib import resources
from pathlib import Path

from ringlet.hwsim.cardfile import CardError, load_lens, load_motor
from ringlet.hwsim.node import Node
from ringlet.hwsim.rigfile import RigError, load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.can_frame import CanDecoder
from ringlet.protocol.codec import pack, pack_reference, unpack
from ringlet.protocol.header import ALL_AXES, IDENT_MAX
from ringlet.protocol.serial_frame import FRAME_MAX, StreamDecoder, encode_raw
from ringlet.protocol.wire import BODY_MAX, KINDS

sys.path.insert(0, str(Path(__file__).parent.parent / "hwsim"))  # the cheap ring and the guard of its tests
NODE = 16


def frames_of_table() -> list[tuple[int, bytes]]:
    """One frame of each kind, to node 16, axis 0, from control 1."""
    return [
        (kind.priority << 26 | kind.code << 18 | NODE << 11 | 1 << 4 | (0 if kind.scope == "axis" else ALL_AXES),
         bytes(range(1, kind.size + 1)))
        for kind in KINDS
    ]  # fmt: skip


# --- stream decoder --------------------------------------------------------------------------------------------------


def stream(data: bytes) -> None:
    """Any bytes, whole and in pieces, give the same messages; each of them encodes to a frame that decodes to it."""
    whole, pieces = StreamDecoder(), StreamDecoder()
    found = whole.frames(data)
    again: list[tuple[int, bytes]] = []
    at, width = 0, 1 + (data[0] if data else 0) % 23
    while at < len(data):
        again += pieces.frames(data[at : at + width])
        at += width
    if again != found or whole.lost != pieces.lost:
        raise AssertionError("pieces of a stream do not give what the whole gives")
    for ident, body in found:
        if not 0 <= ident <= IDENT_MAX or not 1 <= len(body) <= BODY_MAX:
            raise AssertionError("a frame that cannot be")
        if StreamDecoder().frames(encode_raw(ident, body)) != [(ident, body)]:
            raise AssertionError("a frame does not survive encoding")
    if len(whole._rest) >= FRAME_MAX:
        raise AssertionError("more than one frame is held")
    whole.feed(b"\0" + data + b"\0")


def stream_seeds() -> list[bytes]:
    frames = [encode_raw(*one) for one in frames_of_table()]
    return [*frames, b"".join(frames[:12]), b"\xff" * 40 + b"\0" + frames[0]]


# --- CAN mapping -----------------------------------------------------------------------------------------------------


class _Frame:
    """What a CanDecoder looks at of a frame."""

    def __init__(self, flags: int, ident: int, data: bytes) -> None:
        self.is_error_frame, self.is_remote_frame = bool(flags & 1), bool(flags & 2)
        self.is_extended_id, self.is_fd = not flags & 4, bool(flags & 8)
        self.arbitration_id, self.data = ident, bytearray(data)


def can(data: bytes) -> None:
    """Any frame is a message or counted, and a message packs to what came, by the fast path and by construct."""
    decoder = CanDecoder()
    message = decoder.feed(_Frame(data[0] if data else 0, int.from_bytes(data[1:5], "little"), data[5:75]))
    if (message is None) == (decoder.lost.total() == 0):
        raise AssertionError("neither a message nor counted, or both")
    if message is None:
        return
    ident, body = pack(message)
    again = unpack(ident, body)
    if again != message or pack_reference(message) != body:
        raise AssertionError("the two ways to pack a message differ")


def can_seeds() -> list[bytes]:
    return [b"\0" + ident.to_bytes(4, "little") + body for ident, body in frames_of_table()]


# --- a node ----------------------------------------------------------------------------------------------------------


@functools.cache
def snapshot() -> bytes:
    """A calibrated node with an ideal ring; to wake it takes a hundredth of the time that building it takes."""
    from helpers import Bench

    bench = Bench("single")
    bench.calibrate()
    return pickle.dumps(bench.node, pickle.HIGHEST_PROTOCOL)


WAITS = (1,) * 12 + (2, 4, 8, 30)
"""Milliseconds until the next frame, by four bits of the input: mostly one, or a program would be all waiting."""


def node(data: bytes) -> None:
    """A program of frames and time: a node never raises, says frames only, and no tick of its ramp breaks a limit."""
    from ramp_guard import guarded

    board: Node = pickle.loads(snapshot())
    at = 0
    with guarded() as guard:
        while at + 2 <= len(data):
            size, wait = data[at] % 9, WAITS[data[at + 1] % 16]
            frame = data[at + 2 : at + 6 + size]
            meant = data[at] & 0x80  # half of them are meant for this node
            at += 6 + size
            if len(frame) < 5:
                break
            ident = int.from_bytes(frame[:4], "little") & IDENT_MAX
            if meant:
                ident = ident & ~(127 << 11) | board.address << 11
            board.hear(ident, frame[4:])
            for _ in range(wait):
                for message in board.tick():
                    said = pack(message)
                    if not (0 <= said[0] <= IDENT_MAX and 1 <= len(said[1]) <= BODY_MAX):
                        raise AssertionError(f"the node said {said}")
            if guard.broken:
                raise AssertionError(f"the ramp: {guard.broken[0]}")


def node_seeds() -> list[bytes]:
    seeds = [bytes([0x80 | len(body), 3]) for _, body in frames_of_table()]
    frames = frames_of_table()
    one = [head + ident.to_bytes(4, "little") + body for head, (ident, body) in zip(seeds, frames, strict=True)]
    return [*one, b"".join(one)]


# --- files -----------------------------------------------------------------------------------------------------------


MEMORY = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
"""Where files cost no disk, if there is such a place."""


@functools.cache
def _folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="ringlet-fuzz-", dir=os.environ.get("RINGLET_FUZZ_FOLDER", MEMORY))


def _file(name: str, data: bytes) -> Path:
    path = Path(_folder().name, name)
    path.write_bytes(data)
    return path


def _sentence(error: Exception) -> None:
    text = str(error)
    if "Traceback" in text or not text.strip():
        raise AssertionError(f"no sentence: {text!r}")


def rig(data: bytes) -> None:
    """Any file is a rig that can be built, or refused with a sentence."""
    try:
        found = load_rig(str(_file("rig.toml", data)))
    except RigError as error:
        _sentence(error)
        return
    if sum(len(one.axes) for one in found.nodes) <= 4:
        SimRig(found).step()


def rig_seeds() -> list[bytes]:
    return [
        one.read_bytes() for one in resources.files("ringlet.hwsim.rigs").iterdir() if one.name.endswith(".toml")
    ]


def card(data: bytes) -> None:
    """Any file is a motor card, a lens card, or refused with a sentence."""
    path = str(_file("card.toml", data))
    for load in (load_motor, load_lens):
        try:
            load(path)
        except CardError as error:
            _sentence(error)


def card_seeds() -> list[bytes]:
    return [
        one.read_bytes() for one in resources.files("ringlet.hwsim.cards").iterdir() if one.name.endswith(".toml")
    ]


def take(data: bytes) -> None:
    """Any file is a take that can be read to its end, or refused with a sentence; so is its recovery."""
    from ringlet.tools.errors import UsageProblem
    from ringlet.tools.takes.reader import open_take
    from ringlet.tools.takes.recover import recover

    path = _file("a.mcap", data)
    try:
        found = open_take(path)
        list(found.read())
        found.events()
        found.stamps()
    except UsageProblem as error:
        _sentence(error)
    out = Path(_folder().name, "b.mcap")
    out.unlink(missing_ok=True)
    try:
        recover(path, out)
    except UsageProblem as error:
        _sentence(error)


def take_seeds() -> list[bytes]:
    sys.path.insert(0, str(Path(__file__).parent.parent / "tools"))
    from takes_helpers import write_take

    seeds = []
    for seconds, start in ((0.05, ""), (0.1, "10:00:00:00")):
        path = Path(_folder().name, "seed.mcap")
        path.unlink(missing_ok=True)
        write_take(path, seconds=seconds, start=start)
        seeds.append(io.BytesIO(path.read_bytes()).getvalue())
    return [*seeds, seeds[0][: len(seeds[0]) // 2]]


TARGETS: dict[str, tuple[Callable[[bytes], None], Callable[[], list[bytes]], int]] = {
    # name: (target, its seeds, longest input)
    "stream": (stream, stream_seeds, 512),
    "can": (can, can_seeds, 80),
    "node": (node, node_seeds, 1024),
    "rig": (rig, rig_seeds, 4096),
    "card": (card, card_seeds, 4096),
    "take": (take, take_seeds, 16384),
}
