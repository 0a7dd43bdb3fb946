"""The file of a take: it survives a kill, a full disk and a cut at any byte, and what remains is proven."""

from __future__ import annotations

import errno
import json
import math
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from takes_helpers import axis, sample, write_take

from ringlet.tools.errors import UsageProblem
from ringlet.tools.takes import writer as writer_module
from ringlet.tools.takes.reader import open_take
from ringlet.tools.takes.recover import recover
from ringlet.tools.takes.writer import CHUNK_S, TakeFull, TakeWriter

WRITER = """
import sys, time
from pathlib import Path
sys.path.insert(0, {folder!r})
from takes_helpers import axis, sample
from ringlet.tools.takes.writer import TakeWriter
writer = TakeWriter(Path({path!r}), [axis("16.0"), axis("16.1", "iris", "stop")], {{"format": "1", "origin_ns": "0"}})
begin = time.monotonic()
number = 0
while True:
    now = time.monotonic() - begin
    while number / 100 <= now:
        for key in ("16.0", "16.1"):
            writer.sample(key, sample(number / 100, 10.0 + number / 100))
        writer.tick(number / 100)
        number += 1
    print(f"{{now:.4f}}", flush=True)
    time.sleep(0.01)
"""


def test_written_is_what_is_read(tmp_path: Path) -> None:
    axes = (axis(), axis("17.1", "iris", "stop"))
    write_take(tmp_path / "a.mcap", axes=axes, start="00:59:59;20", frame_rate="29.97df")
    take = open_take(tmp_path / "a.mcap")
    read = list(take.read())
    assert [key for key, _ in read].count("16.0") == [key for key, _ in read].count("17.1") == 201
    ours = [one for key, one in read if key == "16.0"]
    assert ours[50] == sample(0.5, round(100 + 20 * math.sin(0.5), 3))
    assert take.seconds == pytest.approx(2.0, abs=1e-6)
    assert take.samples == {"16.0": 201, "17.1": 201}
    assert take.axes["17.1"] == axis("17.1", "iris", "stop")
    stamps = take.stamps()
    assert [stamps[0].frame, len(stamps)] == [107882, 60]


def test_a_kill_takes_the_last_second_at_the_most(tmp_path: Path) -> None:
    path = tmp_path / "killed.mcap"
    code = WRITER.format(folder=str(Path(__file__).parent), path=str(path))
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        last = 0.0
        for line in process.stdout:
            last = float(line)
            if last > 2.3:
                break
        os.kill(process.pid, signal.SIGKILL)
        last = max([last, *(float(line) for line in process.stdout.read().split())])
    assert process.returncode == -signal.SIGKILL
    with pytest.raises(UsageProblem, match="was cut short"):
        open_take(path)
    found = recover(path, tmp_path / "whole.mcap")
    assert not found.was_whole
    assert last - 1.0 <= found.seconds <= last + 0.02
    take = open_take(tmp_path / "whole.mcap")
    ours = [one for key, one in take.read() if key == "16.1"]
    # Nothing before the cut is missing: sample by sample, and the values are those that were written.
    assert [one.time_s for one in ours] == pytest.approx([number / 100 for number in range(len(ours))], abs=1e-9)
    assert [one.ring_deg for one in ours] == pytest.approx([10.0 + number / 100 for number in range(len(ours))])
    assert len(ours) == found.samples["16.1"] >= 100


def test_a_cut_at_any_byte_keeps_every_whole_chunk(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", seconds=3.0)
    data = (tmp_path / "a.mcap").read_bytes()
    kept_before = -1.0
    for cut in range(20, len(data), max(1, len(data) // 60)):
        (tmp_path / "cut.mcap").write_bytes(data[:cut])
        with pytest.raises(UsageProblem, match="cut short"):
            open_take(tmp_path / "cut.mcap")
        out = tmp_path / f"out{cut}.mcap"
        try:
            found = recover(tmp_path / "cut.mcap", out)
        except UsageProblem as problem:
            assert "nothing to keep" in str(problem)  # noqa: PT017  (both ends are looked at)
            assert not out.exists()
            assert kept_before == -1.0
            continue
        assert found.seconds >= kept_before
        kept_before = found.seconds
        assert sum(1 for _ in open_take(out).read()) == found.samples.get("16.0", 0)
    assert kept_before > 3.0 - 2 * CHUNK_S


@pytest.mark.parametrize("place", [-20, 9 + 24])
def test_a_flipped_bit_costs_one_chunk_and_is_named(tmp_path: Path, place: int) -> None:
    """In the packed data, and in the CRC itself (behind opcode, length, two times and a size): only that one tells."""
    from mcap.reader import make_reader

    write_take(tmp_path / "a.mcap", seconds=3.0)
    with (tmp_path / "a.mcap").open("rb") as stream:
        summary = make_reader(stream).get_summary()
    assert summary is not None
    chunk = summary.chunk_indexes[3]
    data = bytearray((tmp_path / "a.mcap").read_bytes())
    data[chunk.chunk_start_offset + (chunk.chunk_length + place if place < 0 else place)] ^= 0x10
    (tmp_path / "bad.mcap").write_bytes(data)
    with pytest.raises(UsageProblem, match="is damaged"):
        list(open_take(tmp_path / "bad.mcap").read())
    found = recover(tmp_path / "bad.mcap", tmp_path / "out.mcap")
    [damage] = found.damaged
    assert damage.claimed_s == pytest.approx((chunk.message_start_time / 1e9, chunk.message_end_time / 1e9))
    held = chunk.message_index_offsets
    assert held
    times = [one.time_s for _, one in open_take(tmp_path / "out.mcap").read()]
    assert len(times) == found.samples["16.0"] == 301 - round((damage.claimed_s[1] - damage.claimed_s[0]) * 100) - 1
    assert not [one for one in times if damage.claimed_s[0] <= one <= damage.claimed_s[1]]


def test_recovery_never_overwrites(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", seconds=0.2)
    (tmp_path / "b.mcap").write_bytes(b"mine")
    with pytest.raises(UsageProblem, match="is there already"):
        recover(tmp_path / "a.mcap", tmp_path / "b.mcap")
    assert (tmp_path / "b.mcap").read_bytes() == b"mine"


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"", "is no take"), (b"time,ring\n0,1\n", "is no take"), (b"\x89MCAP0\r\n", "cut short|nothing to keep")],
)
def test_what_is_no_take(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "x.mcap").write_bytes(content)
    for work in (open_take, lambda path: recover(path, tmp_path / "out.mcap")):
        with pytest.raises(UsageProblem, match=says):
            work(tmp_path / "x.mcap")


def test_an_mcap_file_of_something_else(tmp_path: Path) -> None:
    from mcap.writer import Writer

    with (tmp_path / "other.mcap").open("wb") as stream:
        other = Writer(stream)
        other.start(profile="something", library="else")
        other.finish()
    with pytest.raises(UsageProblem, match="of another kind"):
        open_take(tmp_path / "other.mcap")


def test_a_newer_format_is_said(tmp_path: Path) -> None:
    TakeWriter(tmp_path / "n.mcap", [axis()], {"format": "2", "origin_ns": "0"}).close()
    with pytest.raises(UsageProblem, match="format 2"):
        open_take(tmp_path / "n.mcap")


def test_a_full_disk_keeps_what_is_written(tmp_path: Path) -> None:
    """With a real limit on the size of files, in a process of its own."""
    path = tmp_path / "full.mcap"
    code = WRITER.format(folder=str(Path(__file__).parent), path=str(path)).replace("begin =", "begin = -100 +", 1)
    limit = "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    limit += "resource.setrlimit(resource.RLIMIT_FSIZE, (40000, 40000))\n"
    done = subprocess.run([sys.executable, "-c", limit + code], capture_output=True, text=True, check=False, timeout=60)
    assert "TakeFull" in done.stderr
    assert "what was written is kept" in done.stderr
    assert path.stat().st_size <= 40000
    found = recover(path, tmp_path / "whole.mcap")
    assert found.samples["16.0"] > 100
    assert found.dropped_bytes == 0  # the torn piece was cut off
    assert "take ends here" in open_take(tmp_path / "whole.mcap").events()[-1].text


def test_an_error_of_the_disk_at_the_end_is_said_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: writer_module.Disk, data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    writer = write_take(tmp_path / "a.mcap", seconds=0.3, close=False)
    monkeypatch.setattr(writer_module.Disk, "write", full)
    with pytest.raises(TakeFull, match=r"No space left on device.*take recover"):
        writer.close()


def test_a_failing_sync_is_not_swallowed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(self: writer_module.Disk) -> None:
        raise OSError(errno.EIO, "Input/output error")

    writer = TakeWriter(tmp_path / "a.mcap", [axis()], {"format": "1", "origin_ns": "0"})
    monkeypatch.setattr(writer_module.Disk, "sync", broken)

    def go_on() -> None:
        for number in range(200):
            writer.sample("16.0", sample(number / 10, 1.0))
            writer.tick(number / 10)
            time.sleep(0.001)

    with pytest.raises(TakeFull, match="Input/output error"):
        go_on()


def test_a_take_is_never_overwritten(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", seconds=0.1)
    before = (tmp_path / "a.mcap").read_bytes()
    with pytest.raises(UsageProblem, match="is there already"):
        write_take(tmp_path / "a.mcap", seconds=0.1)
    assert (tmp_path / "a.mcap").read_bytes() == before


def test_marks_that_cannot_be_used_cost_only_their_values(tmp_path: Path) -> None:
    bent = axis()._replace(marks=((0.0, 1.0), (10.0, 3.0), (20.0, 2.0), (30.0, None)))
    writer = write_take(tmp_path / "a.mcap", axes=(bent,), seconds=0.1)
    assert "turn back" in writer.problems["16.0"]
    assert sum(1 for _ in open_take(tmp_path / "a.mcap").read()) == 11


def test_about_is_kept(tmp_path: Path) -> None:
    write_take(tmp_path / "a.mcap", seconds=0.1)
    take = open_take(tmp_path / "a.mcap")
    assert take.about["link"] == "made for a test"
    assert json.loads(take.tail["lost"]) == take.lost == {"16.0": 0}
