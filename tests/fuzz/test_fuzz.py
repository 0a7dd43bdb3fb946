"""Short bounded runs of the fuzz targets, and their seeds without a fuzzer. Longer runs: run.py."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
import run
import targets


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
    assert figures.coverage > 0
    assert figures.corpus > 1


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
