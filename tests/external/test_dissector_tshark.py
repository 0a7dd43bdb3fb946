"""The emitted dissector in tshark (Wireshark's own command line), on captures that `ringlet.tools.pcap` writes."""

from __future__ import annotations

import random
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import pytest

from ringlet.protocol import emit, messages
from ringlet.protocol.codec import Packet, pack, packet, unpack
from ringlet.protocol.codes import Fault, Refusal
from ringlet.protocol.emit_common import VALUE_FIELD, identifier
from ringlet.protocol.emit_dissector import emit_dissector
from ringlet.protocol.header import IDENT_MAX, KIND_SHIFT
from ringlet.protocol.params import BY_ID, PARAMETERS
from ringlet.protocol.physical import from_counts
from ringlet.protocol.serial_frame import encode_frame, encode_raw
from ringlet.protocol.wire import I16, KINDS, U8, Field, Registry, kind, problem
from ringlet.tools import pcap

TSHARK = shutil.which("tshark")
pytestmark = pytest.mark.skipif(TSHARK is None, reason="tshark is not installed (Debian package tshark)")

Shown = list[tuple[str, str, str]]
"""(field, value, line) of one record, in order"""


@pytest.fixture(scope="module")
def script(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lua") / "ringlet.lua"
    path.write_text(emit.texts("dissector")["ringlet.lua"], encoding="utf-8")
    return path


def _tshark(script: Path, capture: Path, *options: str) -> str:
    assert TSHARK is not None
    command = [TSHARK, "-n", "-X", f"lua_script:{script}", "-r", str(capture), *options]
    found = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    assert "Lua:" not in found.stderr, found.stderr
    return found.stdout


def _records(script: Path, capture: Path, *options: str) -> list[Shown]:
    root = ET.fromstring(_tshark(script, capture, "-T", "pdml", *options))
    return [
        [
            (field.get("name", ""), field.get("show", ""), field.get("showname", field.get("show", "")))
            for proto in record.findall("proto")
            if proto.get("name", "").startswith("ringlet")
            for field in proto.iter("field")
        ]
        for record in root.findall("packet")
    ]


def _messages() -> list[Packet]:
    dice = random.Random(5)
    found = []
    for row in KINDS:
        datas = [bytes(row.size), b"\xff" * row.size, *(dice.randbytes(row.size) for _ in range(3))]
        for data in datas:
            body = unpack(row.code << KIND_SHIFT, data).body
            found.append(packet(body, dst=dice.randrange(128), src=dice.randrange(128), axis=dice.randrange(16)))
        for param in PARAMETERS if any(spec.field is VALUE_FIELD for spec in row.fields) else ():
            body = row.cls(*(1, param.id, param.hi)[: len(row.fields)])
            found.append(packet(body, dst=16, src=1, axis=0))
    return found


def _number(show: str) -> float:
    named = {"True": 1.0, "False": 0.0}
    return named[show] if show in named else float(int(show, 0)) if show.lstrip("-").isalnum() else float(show)


def _check(message: Packet, shown: Shown) -> None:
    row = KINDS.by_code[message.kind]
    values = {name: (show, line) for name, show, line in shown}
    for part in ("priority", "kind", "dst", "src", "axis"):
        assert _number(values[f"ringlet.{part}"][0]) == getattr(message, part)
    assert values["ringlet.name"][0] == row.name
    assert int(values["ringlet.tag"][0]) == message.body.tag
    for spec, count in zip(row.fields[1:], message.body[1:], strict=True):
        show, line = values[f"ringlet.{identifier(row.name)}.{spec.name}"]
        if spec.codec.is_text:
            assert show.replace(":", "") == count.hex()
            continue
        assert _number(show) == float(from_counts(count, spec.field.scale)), (row.name, spec.name, show)
        if spec.field.unit:
            assert line.split(" (")[0].endswith(spec.field.unit), line
        for part in spec.field.parts:
            bits = count >> part.shift & (1 << part.width) - 1
            assert _number(values[f"ringlet.{identifier(row.name)}.{spec.name}_{part.name}"][0]) == bits
        if spec.field is VALUE_FIELD and message.body.parameter in BY_ID:
            param = BY_ID[message.body.parameter]
            show, line = values[f"ringlet.value.{identifier(param.name)}"]
            assert _number(show) == float(from_counts(count, param.scale))
            assert param.unit in line
    off = any(name == "ringlet.expert.range" for name, _, _ in shown)
    if problem(message.body) is not None:
        assert off, row.name
    elif not any(spec.field is VALUE_FIELD for spec in row.fields):  # a parameter has a range of its own
        assert not off, row.name


def test_every_message_on_can(script: Path, tmp_path: Path) -> None:
    sent = _messages()
    path = tmp_path / "can.pcap"
    assert pcap.write_can(path, ((0.001 * i, *pack(message)) for i, message in enumerate(sent))) == len(sent)
    shown = _records(script, path)
    assert len(shown) == len(sent)
    for message, one in zip(sent, shown, strict=True):
        _check(message, one)


def test_every_message_on_serial(script: Path, tmp_path: Path) -> None:
    sent, dice = _messages(), random.Random(6)
    line = b"".join(encode_frame(message) for message in sent)
    cuts = sorted(dice.randrange(len(line)) for _ in range(300))
    pieces = [line[start:end] for start, end in zip([0, *cuts], [*cuts, len(line)], strict=True)]
    path = tmp_path / "serial.pcap"
    assert pcap.write_serial(path, enumerate(pieces)) == len(sent)
    for message, one in zip(sent, _records(script, path), strict=True):
        _check(message, one)
        assert not [name for name, _, _ in one if name in ("ringlet.expert.crc", "ringlet.expert.framing")]


def test_times_are_kept(script: Path, tmp_path: Path) -> None:
    path = tmp_path / "time.pcap"
    frame = pack(packet(messages.Stop(1), dst=127, src=1))
    pcap.write_can(path, [(0.0, *frame), (1.25, *frame), (86400.999999, *frame)])
    times = _tshark(script, path, "-T", "fields", "-e", "frame.time_epoch").split()
    assert [float(time) for time in times] == [0.0, 1.25, 86400.999999]


def test_damaged_frames_warn(script: Path, tmp_path: Path) -> None:
    good = encode_frame(packet(messages.Move(7, -123456, 60000), dst=16, src=1, axis=0))
    flipped = bytes([*good[:7], good[7] ^ 0x10, *good[8:]])
    assert 0 not in flipped[:-1]
    cases = {
        flipped: "ringlet.expert.crc",
        b"\x09\x01\x02\x00": "ringlet.expert.framing",  # the code byte points past the end
        b"\x03\x01\x02\x00": "ringlet.expert.framing",  # too short
        b"\x15" + b"\x01" * 20 + b"\x00": "ringlet.expert.framing",  # too long
        good[:-1]: "ringlet.expert.framing",  # not closed
        encode_raw(IDENT_MAX + 1 + (0x10 << KIND_SHIFT), b"\x01"): "ringlet.expert.framing",  # header of 30 bits
        encode_raw(0xFF << KIND_SHIFT, b"\x01"): "ringlet.expert.unknown",
        encode_raw(3 << 26 | 0x10 << KIND_SHIFT, b"\x01\x02"): "ringlet.expert.short",
        encode_raw(4 << 26 | 0x13 << KIND_SHIFT, b"\x01"): "ringlet.expert.priority",
    }
    path = tmp_path / "bad.pcap"
    pcap.write_serial(path, ((i, data) for i, data in enumerate([good, *cases][:5])))
    records = _records(script, path)
    # An unclosed frame may only stand last in a file, so it has one of its own.
    rest = list(cases.items())[4:]
    for index, (data, _) in enumerate(rest):
        one = tmp_path / f"bad{index}.pcap"
        pcap.write_serial(one, [(0.0, data)])
        records += _records(script, one)
    assert not [name for name, _, _ in records[0] if name.startswith("ringlet.expert")]
    for (data, wanted), shown in zip(cases.items(), records[1:], strict=True):
        assert wanted in [name for name, _, _ in shown], (data.hex(), shown)
        if wanted in ("ringlet.expert.crc", "ringlet.expert.framing"):
            assert not [name for name, _, _ in shown if name.startswith("ringlet.move.")]


def test_refusals_and_faults_warn(script: Path, tmp_path: Path) -> None:
    sent = [packet(messages.Refused(1, 0x10, code, 3), dst=1, src=16, axis=0) for code in Refusal]
    sent += [packet(messages.FaultEvent(1, fault, 5), dst=1, src=16, axis=0) for fault in Fault]
    path = tmp_path / "refused.pcap"
    pcap.write_can(path, ((0.0, *pack(message)) for message in sent))
    for message, shown in zip(sent, _records(script, path), strict=True):
        code: Any = message.body[2] if isinstance(message.body, messages.Refused) else message.body.fault
        wanted = "ringlet.expert.refused" if isinstance(code, Refusal) else "ringlet.expert.fault"
        lines = [line for name, _, line in shown if name == wanted]
        assert lines, shown
        assert code.name.lower().replace("_", "-") in lines[0]
    warnings = _tshark(script, path, "-Y", 'ringlet.expert.refused && ringlet.refused.code == "past-travel"')
    assert len(warnings.splitlines()) == 1
    assert "refused 16 > 1 axis 0" in warnings


def test_filters_take_scaled_values_and_foreign_frames_stay_foreign(script: Path, tmp_path: Path) -> None:
    ident, data = pack(packet(messages.Move(7, 12500, 0), dst=16, src=1, axis=2))
    foreign = [
        (0.2, 7 << 26 | ident & 0x3FFFFFF, data),  # another priority
        (0.3, 0x18FEF100, b"\xff" * 8),  # a kind that is not in the table
        (0.4, ident, data[:3]),  # too short
    ]
    path = tmp_path / "mixed.pcap"
    pcap.write_can(path, [(0.1, ident, data), *foreign])
    assert len(_tshark(script, path, "-Y", "ringlet").splitlines()) == 1
    assert len(_tshark(script, path, "-Y", "ringlet.move.position == 12.5 && ringlet.axis == 2").splitlines()) == 1
    assert _tshark(script, path, "-Y", "ringlet.move.position > 12.5") == ""
    by_hand = _records(script, path, "-d", "can.subdissector,ringlet_can")
    experts = [[name for name, _, _ in one if name.startswith("ringlet.expert")] for one in by_hand]
    assert experts == [[], ["ringlet.expert.priority"], ["ringlet.expert.unknown"], ["ringlet.expert.short"]]


def test_a_message_added_at_run_time_arrives(tmp_path: Path) -> None:
    registry = Registry()

    @kind(0xE0, "tilt-test", priority=5, role="reply", sender="node", registry=registry)
    class Tilt(NamedTuple):
        """Tilt of the housing."""

        tag: Annotated[int, Field(U8, "Tag.")]
        tilt: Annotated[int, Field(I16, "Tilt against level.", "deg", "0.01")]
        speed: Annotated[int, Field(U8, "How fast it tilts.", absent=0)]

    script, path = tmp_path / "added.lua", tmp_path / "added.pcap"
    script.write_text(emit.stamped(emit_dissector(registry)["ringlet.lua"]), encoding="utf-8")
    ident = 5 << 26 | 0xE0 << KIND_SHIFT | 1 << 11 | 16 << 4
    pcap.write_can(path, [(0.0, ident, bytes([7, 0x18, 0xFC, 9])), (0.1, ident, bytes([8, 0x18, 0xFC]))])
    whole, old = _records(script, path)
    assert ("ringlet.tilt_test.tilt", "-10", "tilt: -10 deg") in whole
    assert "ringlet.tilt_test.speed" in [name for name, _, _ in whole]
    assert "ringlet.tilt_test.speed" not in [name for name, _, _ in old]
