"""schema, encode and decode: exact opposites for every kind, and stable for machines."""

from __future__ import annotations

import io
import json
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringlet.protocol.codec import Packet
from ringlet.protocol.header import Header
from ringlet.protocol.wire import BODY_MAX, KINDS, Kind
from ringlet.tools import capture, cli_wire
from ringlet.tools.cli import main

Out = pytest.CaptureFixture[str]


def run(capsys: Out, *words: str, code: int = 0) -> tuple[str, str]:
    """Run one command; check its exit code; what it said on stdout and stderr."""
    got = main(words)
    out, err = capsys.readouterr()
    assert got == code, (words, got, err)
    return out, err


def messages(capsys: Out, *words: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(run(capsys, *words, "--json")[0])["messages"]
    return found


def frames_of(row: Kind) -> st.SearchStrategy[capture.Seen]:
    """Frames of a kind with any bytes at all: values without a meaning, reserved bits, bytes of a newer version."""
    head = st.tuples(st.integers(0, 7), st.just(row.code), *(st.integers(0, top) for top in (127, 127, 15)))
    size = st.integers(row.size, BODY_MAX)
    data = size.flatmap(lambda n: st.binary(min_size=n, max_size=n))
    return st.builds(lambda h, d: capture.see(Header(*h).pack(), d), head, data)


@settings(max_examples=600, deadline=None)
@given(data=st.data())
def test_fields_as_typed_and_as_json_go_back_to_the_same_frame(data: st.DataObject) -> None:
    row = data.draw(st.sampled_from(list(KINDS)))
    seen = data.draw(frames_of(row))
    said = cli_wire.to_json(seen)
    head = (said["dst"], said["src"], said["axis"], said["priority"], said["extra"])
    assert cli_wire.from_words(said["arguments"], *head) == seen
    assert cli_wire.from_json(json.loads(json.dumps(said))) == seen


@pytest.mark.parametrize("row", list(KINDS), ids=lambda row: row.name)
def test_encode_is_the_opposite_of_decode(row: Kind, capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    random = Random(row.code)
    for fill in (b"\0", b"\xff", b""):
        head = Header(random.randrange(8), row.code, random.randrange(128), random.randrange(128), random.randrange(16))
        seen = capture.see(head.pack(), fill * row.size or random.randbytes(random.randint(row.size, BODY_MAX)))
        can, serial = capture.can_text(seen), capture.serial_bytes(seen)
        out, _ = run(capsys, "decode", "--can", can, "--json")
        [said] = json.loads(out)["messages"]
        assert said["kind"] == row.name
        assert run(capsys, "decode", "--serial", serial.hex(), "--json")[0] == out
        options = [f"--{name}={said[name]}" for name in ("priority", "dst", "src", "axis", "extra")]
        assert run(capsys, "encode", *said["arguments"], *options, "--json")[0] == out
        assert run(capsys, "encode", *said["arguments"], *options, "--can")[0].strip() == can
        assert bytes.fromhex(run(capsys, "encode", *said["arguments"], *options, "--serial")[0]) == serial
        monkeypatch.setattr("sys.stdin", io.StringIO(out))
        assert run(capsys, "encode", "--from", "-", "--json")[0] == out


def test_random_bytes_reach_reserved_bits_and_nameless_counts(capsys: Out) -> None:
    [said] = messages(capsys, "decode", "--can", f"{Header(5, 0x41, 1, 16, 0).pack():08X}#01FF01F0FF020304")
    assert said["fields"]["flags"]["reserved"] == 0xF000
    assert said["fields"]["state"] == 255
    assert "state=0xff" in said["arguments"]
    assert "reserved=61440" in next(word for word in said["arguments"] if word.startswith("flags"))


def test_a_name_that_looks_like_a_number_is_a_name(capsys: Out) -> None:
    base = ["encode", "timecode", "hours=1", "minutes=2", "seconds=3", "frames=4"]
    assert run(capsys, *base, "rate=24", "--can")[0].strip().endswith("#000102030400")
    assert run(capsys, *base, "rate=0x18", "--can")[0].strip().endswith("#000102030418")


def test_values_are_in_units(capsys: Out) -> None:
    [said] = messages(capsys, "encode", "move", "position=-12.5", "speed=40", "--axis", "2")
    assert said["can"].endswith("#002CCFFFFF409C00")  # -12500 and 40000 counts of 0.001
    assert said["units"] == {"position": "deg", "speed": "deg/s"}
    assert (said["dst"], said["src"], said["axis"]) == (16, 1, 2)
    text, _ = run(capsys, "decode", "--can", said["can"])
    assert "-12.500 deg" in text
    assert "40.000 deg/s" in text
    assert "control 1 to node 16, axis 2" in text


def test_a_node_kind_goes_to_axis_15_by_default(capsys: Out) -> None:
    assert messages(capsys, "encode", "identify")[0]["axis"] == 15
    assert messages(capsys, "encode", "hold")[0]["axis"] == 0


def test_a_value_without_meaning_is_made_and_said(capsys: Out) -> None:
    words = ["encode", "timecode", "hours=99", "minutes=0", "seconds=0", "frames=0", "rate=25"]
    out, err = run(capsys, *words, "--json")
    assert "hours is 99; it must be 0 to 23" in json.loads(out)["messages"][0]["problem"]
    assert "a node will refuse this" in err


def test_captures_translate_between_the_transports(capsys: Out, tmp_path: Any) -> None:
    log, raw, again = (tmp_path / name for name in ("a.log", "a.bin", "b.log"))
    lines = []
    for number, row in enumerate(KINDS):
        seen = capture.see(Header(row.priority, row.code, 16, 1, 0).pack(), bytes(range(row.size)), number / 8)
        lines.append(f"({number / 8:.6f}) can0 {capture.can_text(seen)}\n")
    log.write_text("".join(lines))
    out, _ = run(capsys, "decode", "--file", str(log), "--json")
    (tmp_path / "a.json").write_text(out)
    run(capsys, "encode", "--from", str(tmp_path / "a.json"), "--serial", "--out", str(raw))
    run(capsys, "encode", "--from", str(tmp_path / "a.json"), "--can", "--out", str(again))
    assert again.read_text() == log.read_text()
    assert [one["can"] for one in messages(capsys, "decode", "--file", str(raw))] == [
        one["can"] for one in json.loads(out)["messages"]
    ]


def test_a_capture_shows_a_line_for_each_message_and_what_was_lost(capsys: Out, tmp_path: Any) -> None:
    log = tmp_path / "a.log"
    move, _ = run(capsys, "encode", "move", "position=1", "speed=0", "--can")
    log.write_text(f"(1.5) can0 {move}(2.0) can0 123#00\n(2.5) can0 {move}garbage\n")
    out, err = run(capsys, "decode", "--file", str(log))
    line = "1>16.0  move  tag=0  position=1.000 deg  speed=0.000 deg/s"
    assert out.splitlines() == [f"1.500000 s  {line}", f"2.500000 s  {line}"]
    assert "2 messages; lost: 1 not-a-frame, 1 standard-id." in err


def test_schema_json_holds_every_table(capsys: Out) -> None:
    tables = json.loads(run(capsys, "schema", "--json")[0])
    assert {row["name"] for row in tables["kinds"]} == {row.name for row in KINDS}
    assert {"parameters", "states", "transitions", "refusals", "faults", "enumerations", "timing"} <= set(tables)
    assert json.loads(run(capsys, "schema", "move", "--json")[0])["fields"][1]["unit"] == "deg"


def test_schema_text_names_every_kind_and_parameter(capsys: Out) -> None:
    from ringlet.protocol.params import PARAMETERS

    out, _ = run(capsys, "schema")
    for row in [*KINDS, *PARAMETERS]:
        assert row.name in out
    assert "deg/s2" in out
    out, _ = run(capsys, "schema", "status")
    assert all(spec.name in out for spec in KINDS.by_name["status"].fields)


BAD = {
    "nan": (["encode", "move", "position=nan", "speed=0", "--can"], "position is nan, which is not a finite number"),
    "text": (["encode", "move", "position=far", "speed=0", "--can"], "position is 'far', which is not a number"),
    "huge": (["encode", "move", "position=1e999999999999999999", "speed=0", "--can"], "is 1e999999999999999999"),
    "off-grid": (["encode", "move", "position=0.0001", "speed=0", "--can"], "steps are 0.001 deg"),
    "off-range": (["encode", "move", "position=1e9", "speed=0", "--can"], "-2147483.648 to 2147483.647 deg"),
    "kind": (["encode", "moov", "--can"], "there is no kind 'moov'"),
    "field": (["encode", "move", "angle=1", "--can"], "no field 'angle'; its fields are: tag, position, speed"),
    "missing": (["encode", "move", "position=1", "--can"], "move needs the field 'speed'"),
    "twice": (["encode", "move", "position=1", "position=2", "--can"], "'position' is given twice"),
    "no-pair": (["encode", "move", "12", "--can"], "'12' is no field"),
    "enum": (["encode", "set-travel", "end=middle", "--can"], "choose one of: low, high"),
    "raw": (["encode", "set-travel", "end=0x100", "--can"], "a raw count has 1 bytes in hex"),
    "raw-text": (["encode", "set-travel", "end=0xzz", "--can"], "a raw count has 1 bytes in hex"),
    "part": (["encode", "poll", "what=motion", "tag=x", "--can"], "tag is 'x'"),
    "bits": (["encode", "get-text", "item=part=16", "--can"], "item.part is 16; it must be 0 to 15"),
    "bit-name": (["encode", "get-text", "item=page=1", "--can"], "item has no part 'page'; it has: part, item"),
    "bit-piece": (["encode", "get-text", "item=part=1+x", "--can"], "write name=value+name=value"),
    "reserved": (["encode", "status", "state=0", "flags=reserved=1", "fault=none", "owner=0", "travel=0", "--can"],
                 "has bits that are named"),
    "reserved-text": (["encode", "get-text", "item=reserved=x", "--can"], "item.reserved is 'x'"),
    "hex": (["encode", "text", "item=0", "text=xy", "--can"], "not hex text"),
    "long": (["encode", "text", "item=0", "text=00112233445566", "--can"], "7 bytes; it holds 6"),
    "extra": (["encode", "move", "position=1", "speed=1", "--extra", "00", "--can"], "longer than the 8 bytes"),
    "dst": (["encode", "stop", "--dst", "128", "--can"], "--dst"),
    "no-transport": (["encode", "stop"], "choose one of --can and --serial"),
    "nothing": (["encode", "--can"], "give either a kind with its fields or --from"),
    "no-file": (["encode", "--from", "/nowhere/a.json", "--can"], "/nowhere/a.json cannot be read"),
    "no-capture": (["decode", "--file", "/nowhere/a.log"], "/nowhere/a.log cannot be read"),
    "decode-none": (["decode"], "give one of --can ID#HEX, --serial HEX and --file CAPTURE"),
    "decode-hex": (["decode", "--serial", "0g"], "not hex text"),
    "decode-crc": (["decode", "--serial", "04000001020101010300"], "no message is in these"),
    "decode-can": (["decode", "--can", "hello"], "is no frame"),
    "decode-odd": (["decode", "--can", "0C408010#123"], "data that is not hex"),
    "decode-std": (["decode", "--can", "123#00"], "11-bit identifier"),
    "decode-fd": (["decode", "--can", "0C408010##100"], "CAN FD"),
    "decode-remote": (["decode", "--can", "0C408010#R"], "remote frame"),
    "decode-error": (["decode", "--can", "20000080#0000000000000000"], "error frame"),
    "decode-long": (["decode", "--can", "0C408010#001122334455667788"], "9 data bytes"),
    "decode-empty": (["decode", "--can", "0C408010#"], "0 data bytes"),
    "decode-short": (["decode", "--can", "0C408010#00"], "move: body of 1 bytes"),
    "decode-kind": (["decode", "--can", "1FFC8010#00"], "kind 0xff is not in the table"),
    "schema": (["schema", "moov"], "'moov' is neither a table nor a kind"),
    "option": (["encode", "stop", "--cane"], "there is no option --cane"),
    "command": (["frobnicate"], "No such command 'frobnicate'"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD, ids=str)
def test_bad_input_is_one_sentence_and_exit_code_2(case: str, capsys: Out) -> None:
    words, part = BAD[case]
    out, err = run(capsys, *words, code=2)
    assert out == ""
    assert part in err
    assert err.startswith("ringlet: ")
    assert err.count("\n") == 1
    assert err.endswith(".\n")


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "{}", '{"messages": [1]}', '{"messages": [{"kind": "stop"}]}', "\x00"], ids=repr
)
def test_json_that_is_no_decode_is_refused(text: str, capsys: Out, tmp_path: Any) -> None:
    path = tmp_path / "a.json"
    path.write_text(text)
    _, err = run(capsys, "encode", "--from", str(path), "--can", code=2)
    assert "give what decode --json printed" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("key", "value"), [("time", -1.0), ("time", float("nan")), ("time", 1e12), ("dst", 16.7), ("axis", "0")]
)
def test_a_time_or_address_that_cannot_be_is_refused(key: str, value: Any, capsys: Out, tmp_path: Any) -> None:
    said, _ = run(capsys, "encode", "stop", "--dst", "127", "--json")
    data = json.loads(said)
    data["messages"][0][key] = value
    path = tmp_path / "a.json"
    path.write_text(json.dumps(data))
    for out in ("a.pcap", "a.log"):
        _, err = run(capsys, "encode", "--from", str(path), "--can", "--out", str(tmp_path / out), code=2)
        assert "give what decode --json printed" in err
        assert not (tmp_path / out).exists()


def test_every_reserved_name_and_enumeration_can_be_typed(capsys: Out) -> None:
    """Every name that the schema gives a count is accepted on the command line and gives that count."""
    from ringlet.protocol.codes import ENUMS
    from ringlet.protocol.physical import read_field, show_field

    tried = 0
    for row in KINDS:
        for spec in row.fields:
            names = [*spec.field.reserved, *((count, name) for count, name, _ in ENUMS.get(spec.field.values, ()))]
            for count, name in names:
                assert read_field(spec, name) == count
                assert show_field(spec, count) == name
                tried += 1
    assert tried > 60


def test_packet_parts_agree_with_the_header() -> None:
    seen = capture.see(Header(3, 0x10, 16, 1, 2).pack(), bytes(8))
    assert isinstance(seen.packet, Packet)
    assert seen.data == bytes(8)
