"""Random frames: a node never raises, and never moves an axis that nobody owns."""

from __future__ import annotations

import random

import pytest
from helpers import Bench

from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.header import ALL_AXES
from ringlet.protocol.states import State
from ringlet.protocol.wire import KINDS

KIND_CODES = [kind.code for kind in KINDS]


def frames(rng: random.Random, address: int, sources: list[int], kinds: list[int]) -> tuple[int, bytes]:
    """A frame that is often meant for this node and often of a known kind and length, and sometimes anything at all."""
    if rng.random() < 0.1:
        return rng.randrange(-5, 1 << 33), rng.randbytes(rng.randrange(0, 70))
    code = rng.choice(kinds) if rng.random() < 0.95 else rng.randrange(256)
    kind = KINDS.by_code.get(code)
    size = kind.size if kind is not None and rng.random() < 0.9 else rng.randrange(9)
    dst = rng.choice((address, address, address, 127, 126, rng.randrange(128)))
    axis = rng.choice((0, 0, 0, ALL_AXES, 1, 7, rng.randrange(16)))
    ident = rng.randrange(8) << 26 | code << 18 | dst << 11 | rng.choice(sources) << 4 | axis
    data = rng.randbytes(size) if rng.random() < 0.7 else bytes(rng.choice((0, 1, 2, 3, 16, 255)) for _ in range(size))
    return ident, data


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("rig", ["single", "trio"])
def test_never_raises(rig: str, seed: int) -> None:
    rng = random.Random(seed)
    bench = Bench(rig)
    bench.calibrate()
    reached = set()
    for count in range(6000):
        if count % 300 == 150:  # random settings end the calibration sooner or later
            bench = Bench(rig)
            bench.calibrate()
        if count % 50 == 0:
            bench.do(m.Take(0, 1))
        elif count % 50 == 1 and bench.axis.latched:
            bench.ask(m.ClearFault(0))
        bench.node.address = 16  # whatever was assigned to it
        bench.node.hear(*frames(rng, 16, [1, 1, 1, 1, 2, 0, 16, 40, 127], KIND_CODES))
        for said in bench.step():
            assert 0 < len(pack(said)[1]) <= 8
        reached.add(bench.axis.state)
    assert reached >= {State.RELEASED, State.HOLDING, State.MOVING, State.RUNNING, State.FOLLOWING, State.STOPPING}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("held", [False, True])
def test_nothing_moves_that_nobody_owns(held: bool, seed: int) -> None:
    rng = random.Random(100 + seed)
    bench = Bench("single")
    bench.calibrate()
    if held:
        bench.do(m.Hold(0))
    bench.do(m.Yield(0))
    bench.step(5)
    take = KINDS.by_name["take"].code
    kinds = [code for code in KIND_CODES if code != take]
    # An owner of address 0 would be nobody: `take` from there is part of the game.
    kinds_of_nobody = KIND_CODES
    state, at = bench.axis.state, bench.drive.ring_mdeg
    for _ in range(6000):
        bench.node.address = 16
        if rng.random() < 0.2:
            bench.node.hear(*frames(rng, 16, [0, 127], kinds_of_nobody))
        else:
            ident, data = frames(rng, 16, [1, 2, 0, 16, 126, 127], kinds)
            if ident >> 18 & 0xFF != take:
                bench.node.hear(ident, data)
        bench.step()
        assert bench.axis.owner == 0
        assert bench.axis.state is state
        assert bench.drive.ring_mdeg == at
        assert bench.axis.ramp.at_rest


@pytest.mark.parametrize("code", sorted(set(range(256)) - set(KIND_CODES))[::23])
def test_unknown_kind_is_refused(code: int) -> None:
    bench = Bench()
    bench.node.hear(3 << 26 | code << 18 | 16 << 11 | 1 << 4 | 0, b"\x42\x01")
    (said,) = bench.node.outbox
    assert said.body == m.Refused(0x42, code, 1, code)
    assert said.dst == 1
    bench.node.outbox.clear()
    bench.node.hear(3 << 26 | code << 18 | 127 << 11 | 1 << 4 | 0, b"\x42\x01")
    bench.node.hear(3 << 26 | code << 18 | 20 << 11 | 1 << 4 | 0, b"\x42\x01")
    assert bench.node.outbox == []  # broadcast, and to somebody else


def test_short_body_is_refused_and_does_nothing() -> None:
    for kind in KINDS:
        if kind.role != "request":
            continue
        bench = Bench()
        bench.calibrate()
        before = bench.axis.state
        ident = kind.priority << 26 | kind.code << 18 | 16 << 11 | 1 << 4 | 0
        bench.node.outbox.clear()
        bench.node.hear(ident, b"\x21" * (kind.min_size - 1))
        (said,) = bench.node.outbox
        assert said.body == m.Refused(0x21 if kind.min_size > 1 else 0, kind.code, 3, kind.min_size - 1)
        assert bench.axis.state is before


def test_longer_body_is_read_as_far_as_known() -> None:
    bench = Bench()
    ident, data = pack(packet(m.Take(9, 0), dst=16, src=1, axis=0))
    bench.node.hear(ident, data + b"\xff\xff")
    assert bench.axis.owner == 1


def test_values_without_a_meaning_are_refused() -> None:
    bench = Bench()
    bench.calibrate()
    for body, index in (
        (m.Take(0, 2), 1), (m.SetTravel(0, 2), 1), (m.Poll(0, 5), 1), (m.Restore(0, 2), 1),
        (m.OpenMarks(0, 3, 1), 1), (m.OpenMarks(0, 0, 65), 2), (m.PutMark(0, 64, 0, 0), 1),
        (m.CommitText(0, 2, 17, 0), 2), (m.CommitText(0, 4, 0, 0), 1),
    ):  # fmt: skip
        assert bench.no(body) == (4, index), body
