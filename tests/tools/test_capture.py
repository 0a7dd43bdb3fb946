"""Captures: lines of CAN frames and raw serial bytes, with garbage between them."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringlet.protocol.codec import WireError, packet
from ringlet.protocol.messages import Move, Stop
from ringlet.tools import capture
from ringlet.tools.errors import UsageProblem

MOVE = capture.Seen(packet(Move(7, 12_500, 0), dst=16, src=1, axis=0))
STOP = capture.Seen(packet(Stop(1), dst=127, src=1))


def test_both_forms_of_a_message() -> None:
    assert capture.can_text(MOVE) == "0C408010#07D4300000000000"
    assert capture.read_can("0C408010#07D4300000000000") == MOVE
    assert capture.read_can("0c408010#07.D4.30.00.00.00.00.00") == MOVE
    assert capture.read_serial(capture.serial_bytes(MOVE)).seen == [MOVE]


def test_bytes_of_a_newer_version_are_kept() -> None:
    longer = STOP._replace(extra=b"\x01\x02")
    assert longer.data == b"\x01\x01\x02"
    assert capture.read_can(capture.can_text(longer)) == longer
    assert capture.read_serial(capture.serial_bytes(longer)).seen == [longer]


def test_a_log_counts_what_is_no_message() -> None:
    ident = f"{MOVE.packet.ident:08X}"
    text = "\n".join(
        [
            f"(10.500000) can0 {capture.can_text(MOVE)}",
            "",
            f"(10.6) vcan1 {capture.can_text(STOP)} T",
            "(10.7) can0 123#00",
            f"(10.8) can0 {ident}#R",
            f"(10.9) can0 {ident}##1AABB",
            "(11.0) can0 20000004#0000000000000000",
            f"(11.1) can0 {ident}#",
            f"(11.2) can0 {ident}#00",
            "(11.3) can0 1FFC8010#00",
            f"(11.4) can0 {ident}#0",
            "what is this",
        ]
    )
    found = capture.read_can_log(text)
    assert found.seen == [MOVE._replace(time=10.5), STOP._replace(time=10.6)]
    causes = ("standard-id", "remote", "fd", "error-frame", "length", "short-body", "unknown-kind")
    assert found.lost == Counter(dict.fromkeys(causes, 1)) + Counter({"not-a-frame": 2})


def test_a_written_log_reads_back() -> None:
    seen = [MOVE._replace(time=0.25), STOP._replace(time=1.0)]
    assert capture.read_can_log("".join(capture.can_log(seen))).seen == seen


@pytest.mark.parametrize("garbage", [b"", b"\x01\x02\x03\x00", b"\xff" * 40 + b"\x00", b"\x00\x00"])
def test_serial_bytes_with_garbage(garbage: bytes) -> None:
    data = garbage + capture.serial_bytes(MOVE) + garbage + capture.serial_bytes(STOP) + b"\x05\x05"
    found = capture.read_serial(data)
    assert found.seen == [MOVE, STOP]
    assert found.lost.total() == 1 + 2 * (len(garbage.strip(b"\0")) > 0)
    assert found.lost["unended"] == 1


def test_files_are_told_apart(tmp_path: Path) -> None:
    log, raw, odd = (tmp_path / name for name in "abc")
    log.write_text("".join(capture.can_log([MOVE, STOP])))
    raw.write_bytes(capture.serial_bytes(MOVE) + capture.serial_bytes(STOP))
    odd.write_bytes(b"(" + capture.serial_bytes(MOVE)[-1:] + capture.serial_bytes(STOP))  # begins inside a frame
    assert [one.packet for one in capture.read_file(log).seen] == [MOVE.packet, STOP.packet]
    assert capture.read_file(raw).seen == [MOVE, STOP]
    assert capture.read_file(odd).seen == [STOP]


@pytest.mark.parametrize("head", [b"", b"\xef\xbb\xbf", b"# a note\r\n\r\n"], ids=["plain", "marked", "note"])
@pytest.mark.parametrize("channel", ["can0", "can-0", "slcan0.1"])
def test_a_log_is_known_by_its_first_frame(head: bytes, channel: str, tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(head + "".join(capture.can_log([MOVE, STOP], channel)).replace("\n", "\r\n").encode())
    found = capture.read_file(path)
    assert [one.packet for one in found.seen] == [MOVE.packet, STOP.packet]
    assert found.lost == Counter({"not-a-frame": 1} if head.startswith(b"#") else {})


@pytest.mark.parametrize("magic", ["a1b2c3d4", "d4c3b2a1", "a1b23c4d", "4d3cb2a1", "0a0d0d0a"])
def test_a_capture_for_wireshark_is_named(magic: str, tmp_path: Path) -> None:
    path = tmp_path / "a.pcap"
    path.write_bytes(bytes.fromhex(magic) + bytes(60))
    with pytest.raises(UsageProblem, match="open it there"):
        capture.read_file(path)


def test_a_file_that_cannot_be_read_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageProblem, match="cannot be read"):
        capture.read_file(tmp_path / "none")
    with pytest.raises(UsageProblem, match="cannot be read"):
        capture.read_file(tmp_path)


@given(st.binary(max_size=200))
def test_no_bytes_make_it_raise(data: bytes) -> None:
    found = capture.read_serial(data)
    assert len(found.seen) + found.lost.total() <= len(data)
    capture.read_can_log(data.decode("latin-1"))


@given(st.text(max_size=30))
def test_no_text_makes_it_raise_otherwise(text: str) -> None:
    with suppress(WireError):
        found = capture.read_can(text)
        assert capture.read_can(capture.can_text(found)) == found
