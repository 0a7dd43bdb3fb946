"""Short bounded runs of the fuzz targets, and their seeds without a fuzzer. Longer runs: run.py."""

from __future__ import annotations

import pickle
import random
from pathlib import Path

import pytest
import run
import targets

from ringlet.hwsim.node import Node
from ringlet.hwsim.ramp_fixed import FixedRamp


@pytest.mark.parametrize("name", list(targets.TARGETS))
def test_seeds_and_their_damaged_copies_break_no_promise(name: str) -> None:
    if name == "take":
        pytest.importorskip("mcap")
    target, seeds, longest = targets.TARGETS[name]
    rng = random.Random(name)
    made = seeds()
    assert made
    for data in made:
        assert len(data) <= longest
    for kept in sorted((Path(run.HERE) / "seeds" / name).glob("*")):
        target(kept.read_bytes())
    for data in made[:12]:
        target(data)
        damaged = bytearray(data)
        for _ in range(3):
            damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
        target(bytes(damaged))
        target(data[: rng.randrange(len(data))])


@pytest.mark.parametrize("name", ["stream", "c-stream", "c-node"])
def test_a_short_run_finds_nothing(name: str) -> None:
    why = run.missing(name)
    if why:
        pytest.skip(why)
    figures = run.fuzz(name, seconds=1)
    assert figures.finding == ""
    assert figures.executions > 100
    assert "/s of processor time  no finding" in figures.line()
    assert figures.busy_s > 0.0
    assert figures.coverage > 0
    assert figures.corpus > 1


def test_every_program_of_the_node_begins_from_the_same_state(monkeypatch: pytest.MonkeyPatch) -> None:
    before, program = targets.snapshot(), targets.node_seeds()[-1]
    states, times = [], []
    hear = Node.hear

    def notes(self: Node, ident: int, data: bytes) -> None:
        times.append(self.now_us)
        hear(self, ident, data)

    monkeypatch.setattr(Node, "hear", notes)
    for _ in range(2):
        board = pickle.loads(targets.snapshot())
        assert board.address == targets.NODE
        assert board.axes[0].ramp.travel is not None
        said = [board.tick() for _ in range(50)]
        states.append((said, pickle.dumps(board, pickle.HIGHEST_PROTOCOL)))
        targets.node(program)
    assert states[0] == states[1]
    assert times[: len(times) // 2] == times[len(times) // 2 :] == sorted(set(times))
    assert states[0][1] != before == targets.snapshot()


def test_a_ramp_that_breaks_its_rules_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The target of the node sees a ramp that loses what it had gained of a run that goes on."""
    kind = targets.KINDS.by_name["run"]
    ident = kind.priority << 26 | kind.code << 18 | targets.NODE << 11 | 1 << 4
    head, speed = bytes((0x80 | kind.size, 15)) + ident.to_bytes(4, "little"), (20_000).to_bytes(3, "little")
    run = b"".join(head + bytes((tag,)) + speed for tag in range(40))
    targets.node(run)
    tick = FixedRamp.tick

    def jumps(self: FixedRamp) -> None:
        tick(self)
        if self.velocity > 5000:
            self.reset(self.position)

    monkeypatch.setattr(FixedRamp, "tick", jumps)
    with pytest.raises(AssertionError, match="the ramp: jerk"):
        targets.node(run)


def test_a_broken_decoder_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The target of the stream decoder sees a decoder that forgets what it held between two pieces."""
    frames = targets.StreamDecoder.frames

    def forgets(self: targets.StreamDecoder, data: bytes) -> list[tuple[int, bytes]]:
        self._rest = b""
        return frames(self, data)

    data = b"".join(targets.stream_seeds()[:5])
    targets.stream(data)
    monkeypatch.setattr(targets.StreamDecoder, "frames", forgets)
    with pytest.raises(AssertionError, match="pieces"):
        targets.stream(data)


def test_what_is_missing_is_said(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(run.shutil, "which", lambda name: None)
    monkeypatch.setattr("sys.argv", ["run.py", "c-node", "--seconds", "1"])
    assert run.main() == 0
    assert "left out: not installed here: clang" in capsys.readouterr().out
