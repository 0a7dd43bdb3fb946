"""The conformance suite: its table holds against the reference, healthy devices pass, they are left as found."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import pytest
from markdown_it import MarkdownIt

from ringlet.hwsim.bus import Bus
from ringlet.hwsim.can_bus import CanBus
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.serial_line import LineEnd, SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol import wire as schema
from ringlet.protocol.codec import kind_of, pack, packet
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.header import unpack_header
from ringlet.protocol.items import marks_check, text_check, text_parts
from ringlet.protocol.params import BY_NAME, PARAMETERS
from ringlet.protocol.serial_frame import StreamDecoder, encode_raw
from ringlet.protocol.states import State
from ringlet.tools.conform import check_kinds
from ringlet.tools.conform.bed import Bed
from ringlet.tools.conform.check_framing import wrong_counts
from ringlet.tools.conform.check_uploads import put_marks, put_text
from ringlet.tools.conform.probe import Frame, Probe
from ringlet.tools.conform.run import FAIL, PASS, SKIP, Session, meet, run
from ringlet.tools.conform.selfcheck import healthy
from ringlet.tools.conform.table import CHECKS, Check, Level, check, chosen, load
from ringlet.tools.conform.wire import CanFrame, DevicePort, Wire
from ringlet.tools.errors import NoAnswer, UsageProblem, WrongVersion
from ringlet.tools.sim_bus import with_shared_line
from ringlet.tools.transports import open_transport

PAGE = Path(__file__).parents[2] / "protocol" / "REFERENCE.md"


def anchors() -> set[str]:
    """Anchors of the reference's headings, as Markdown viewers and the HTML page make them."""
    tokens = MarkdownIt("commonmark").parse(PAGE.read_text(encoding="utf-8"))
    heads = [after.content for before, after in itertools.pairwise(tokens) if before.type == "heading_open"]
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def test_every_row_says_rule_place_cause_and_severity() -> None:
    known = anchors()
    assert len(load()) >= 100
    for row in load().values():
        assert row.place in known, f"{row.id}: the reference has no section #{row.place}"
        assert re.fullmatch(r"[A-Z]+-\d\d", row.id)
        assert {row.rule[-1], row.likely[-1]} == {"."}, row.id
        assert row.severity in ("must", "should")


def test_checks_that_move_nothing_come_first() -> None:
    levels = [row.level for row in chosen([])]
    assert levels == sorted(levels)
    assert {row.level for row in chosen([], gentle=True)} == {Level.NOTHING}


def test_subset_by_pattern_and_a_pattern_that_fits_nothing() -> None:
    assert [row.id for row in chosen(["tag-01", "CLOCK-*"])] == ["TAG-01", "CLOCK-01", "CLOCK-02"]
    with pytest.raises(UsageProblem, match="no check is called NOPE"):
        chosen(["nope"])


def test_each_state_has_a_check_and_no_name_is_taken_twice() -> None:
    load()
    assert {f"STATE-{state:02}" for state in State if state is not State.STARTING} <= set(CHECKS)
    with pytest.raises(ValueError, match="TAG-01 is there already"):
        check("TAG-01", "times", "rule.", "cause.")(lambda p: None)


class Blink(NamedTuple):
    """Blink the light."""

    tag: m.Tag
    times: Annotated[int, schema.Field(schema.U8, "How often.", lo=1, hi=20)]


def test_a_new_kind_is_covered_by_the_generated_checks() -> None:
    schema.kind(0xE7, "blink-test", priority=6, role="request", reply="done")(Blink)
    try:
        row = schema.KINDS.by_name["blink-test"]
        assert row in check_kinds.requests()
        bed = Bed()
        p, report, found = meet(bed.wire, 16, 0, 1)
        assert check_kinds.harmless(row, p) == Blink(0, 1)
        assert {body.times for _, _, body in check_kinds.out_of_range(row, p)} == {0, 21, 255}
        # A device without a handler refuses it, and that is found.
        run(p, report, found, chosen(["KIND-01"]))
        assert "blink-test was refused with unknown-kind" in report.results[0].problems[0].text
        report.results.clear()
        bed.on_request(lambda message, kind, go: None if kind.name == "blink-test" else go(message, kind))
        run(p, report, found, chosen(["KIND-01"]))
        assert [problem.text for problem in report.results[0].problems] == ["blink-test was not answered"]
    finally:
        schema.KINDS.remove("blink-test")


@pytest.mark.parametrize(("seed", "rig"), [(11, "single"), (12, "trio"), (13, "pair")])
def test_healthy_devices_fail_nothing_that_moves_nothing(seed: int, rig: str) -> None:
    report = healthy(seed, chosen([], gentle=True), rig)
    assert [(one.check.id, one.problems) for one in report.results if one.outcome == FAIL] == []
    assert report.count(PASS) > 75
    assert report.left == []


def test_a_healthy_motor_keeps_limits_stop_and_state_rules_and_every_refusal_is_met() -> None:
    bed = Bed(5, "single")
    p, report, found = meet(bed.wire, None, 0, 3)
    place = p.position()
    seen: set[int] = set()

    def note(heard: Any, go: Any = p.wire.receive) -> Any:
        frames = go(heard)
        seen.update(data[2] for ident, data in frames if unpack_header(ident).kind == 0x31)
        return frames

    p.wire.receive = note  # type: ignore[method-assign]
    picked = ["LIMIT-01", "LIMIT-04", "STOP-02", "STOP-06", "MOVE-02", "STATE-04", "STATE-08", "SYNC-0[14]", "OWN-1*",
              "KIND-0*", "OWN-0[13]", "PARAM-0[248]", "MARK-0*", "TEXT-0*", "STATE-10", "POWER-05"]  # fmt: skip
    run(p, report, found, chosen(picked), progress=None)
    assert [(one.check.id, one.problems) for one in report.results if one.outcome == FAIL] == []
    assert report.left == []
    assert abs(p.position() - place) < 1000
    assert {code for code in Refusal if code not in seen} == set()


def test_the_device_is_left_as_it_was_found() -> None:
    bed = Bed(6, "single")
    p, report, found = meet(bed.wire, 16, 0, 1)
    axis = bed.axis
    axis.set_parameter(18, 444)
    axis.uploads.marks = [(0, 5), (9, 6)]
    axis.save()
    p, report, found = meet(bed.wire, 16, 0, 1)
    before = dict(axis.settings.values), list(axis.uploads.marks), bed.node.address
    run(p, report, found, chosen(["PARAM-0[1-7]", "MARK-*", "TEXT-*", "ADDR-0[578]", "STATE-02", "POWER-0[24]"]))
    assert report.count(FAIL) == 0
    assert (dict(axis.settings.values), list(axis.uploads.marks), bed.node.address) == before
    assert axis.owner == 0
    assert axis.state is State.RELEASED
    assert not axis.calibrated


def test_what_a_check_leaves_changed_is_put_back() -> None:
    def careless(p: Probe) -> None:
        for name, value in (("finding-speed", 12_345), ("role", 3)):
            p.must(m.Set(0, BY_NAME[name].id, value))
        put_marks(p, [(1, 2), (3, 4)])
        p.must(m.CommitMarks(0, marks_check([(1, 2), (3, 4)])))
        put_text(p, 3, text_parts("left behind"))
        p.must(m.CommitText(0, 3, len(text_parts("left behind")), text_check(text_parts("left behind"))))
        p.must(m.Take(0, 0), src=9)

    bed = Bed(6, "single")
    p, report, found = meet(bed.wire, 16, 0, 1)
    before = dict(bed.axis.settings.values)
    run(p, report, found, [Check("ODD-02", "times", "r.", "c.", Level.NOTHING, "must", frozenset(), careless)])
    assert report.count(PASS) == 1
    assert report.left == []
    assert (bed.axis.settings.values, bed.axis.uploads.marks, bed.axis.uploads.texts) == (before, [], {})
    assert bed.axis.owner == 0


def test_what_cannot_be_put_back_is_told() -> None:
    bed = Bed(7, "single")
    p, report, found = meet(bed.wire, 16, 0, 1)
    session = Session(p, report, found)
    found.parameters[18] = 4_321
    real = bed.axis.set_parameter
    bed.axis.set_parameter = lambda number, value: None if number == 18 else real(number, value)  # type: ignore
    session.close()
    assert any("stall-time was 4321" in one for one in report.left)


def test_a_device_that_falls_silent_ends_the_run() -> None:
    bed = Bed(8, "single")
    p, report, found = meet(bed.wire, 16, 0, 1)
    heard = [0]

    def hear(ident: int, data: bytes, go: Any) -> None:
        heard[0] += 1
        if heard[0] < 100:
            go(ident, data)

    bed.on_hear(hear)
    run(p, report, found, chosen(["TAG-0[1-6]"]))
    assert report.results[0].outcome == FAIL
    assert report.results[-1].outcome == SKIP
    assert "does not answer any more" in report.results[-1].reason
    assert report.left


def test_evidence_holds_exact_bytes_and_times() -> None:
    frame = Frame(12.5, True, 0x0C408010, bytes.fromhex("07C8AF000060EA00"))
    assert frame.show(12.0).startswith("   +0.5000 s > 0C408010  07 C8 AF 00 00 60 EA 00  1 to 16 axis 0: move tag 7")
    status = Frame(12.5, False, *pack(packet(m.Status(1, 2, 1 << Flag.CALIBRATED, 0, 0, 9), dst=1, src=16, axis=0)))
    assert "state holding, flags calibrated 1, fault none, owner 0" in status.show(12.0)


def test_meeting_says_what_is_wrong_before_anything_is_sent() -> None:
    bed = Bed(0, "pair")
    with pytest.raises(UsageProblem, match="there are 2 nodes"):
        meet(bed.wire, None, 0, 1)
    with pytest.raises(UsageProblem, match="has no axis 5"):
        meet(bed.wire, 16, 5, 1)
    with pytest.raises(NoAnswer, match="does not answer identify"):
        meet(bed.wire, 33, 0, 1)
    p = Probe(bed.wire, 16, 0, 5)
    p.must(m.Take(0, 0))
    with pytest.raises(UsageProblem, match="control 5 owns axis 0"):
        meet(bed.wire, 16, 0, 1)


def test_another_major_version_is_not_driven(rig_of: Callable[..., Any]) -> None:
    rig = SimRig(rig_of({"unique_id": 7, "address": 20, "protocol_major": 2}))
    with pytest.raises(WrongVersion, match="speaks version 2"):
        meet(Bed(sim=rig).wire, 20, 0, 1)


def test_checks_skip_with_a_reason_where_they_do_not_apply(rig_of: Callable[..., Any]) -> None:
    rig = SimRig(rig_of({"unique_id": 7, "address": 20, "shared_line": True}))
    bed = Bed(sim=rig)
    p, report, found = meet(bed.wire, 20, 0, 1)
    found.unsaved = True
    run(p, report, found, chosen(["TELE-01", "PARAM-06", "KIND-06", "FIND-03", "CAN-02"]))
    reasons = {one.check.id: one.reason for one in report.results}
    assert all(one.outcome == SKIP for one in report.results)
    assert "shared line" in reasons["TELE-01"]
    assert "not saved" in reasons["PARAM-06"]
    assert "one axis" in reasons["KIND-06"]
    assert "--stops" in reasons["FIND-03"]
    assert reasons["CAN-02"] == "for a CAN bus, real or simulated"


@pytest.mark.parametrize(("bus", "seen"), [(CanBus(), "CAN-02"), (SerialLine(), "FRAME-08")], ids=["can", "serial"])
def test_what_a_wire_carries_is_looked_at_on_a_wire_of_that_sort(bus: Bus, seen: str) -> None:
    bed = Bed(sim=SimRig(load_rig("single"), bus=bus))
    p, report, found = meet(bed.wire, 16, 0, 1)
    run(p, report, found, chosen(["FRAME-08", "CAN-02"]))
    assert {one.check.id: one.outcome for one in report.results} == {"FRAME-08": SKIP, "CAN-02": SKIP} | {seen: PASS}


def test_framing_is_tried_on_a_shared_line_on_which_controls_speak_too() -> None:
    """Bytes go over the line as they are; controls leave room for the answer."""
    bed = Bed(sim=SimRig(with_shared_line(load_rig("pair")), bus=SerialLine()))
    p, report, found = meet(bed.wire, 16, 0, 9)
    run(p, report, found, chosen(["FRAME-0[1-7]"]))
    assert {one.check.id: one.outcome for one in report.results} == {f"FRAME-0{number}": PASS for number in range(1, 8)}


def test_the_port_of_a_simulated_device_takes_what_a_board_takes() -> None:
    port = DevicePort(LineEnd())
    assert port.can_in(CanFrame(0x11008010, b"\1")) == [(0x11008010, b"\1")]
    for frame in (CanFrame(1, b"\1", is_extended_id=False), CanFrame(1, b"", is_remote_frame=True),
                  CanFrame(1, b"", is_fd=True)):  # fmt: skip
        assert port.can_in(frame) == []


Served = Callable[..., AbstractContextManager[Any]]
WIRED = ["FRAME-0[358]", "CAN-*", "TAG-02", "GROW-04", "OWN-05"]


@pytest.mark.parametrize("how", ["serial", "slcan"])
def test_over_a_wire(served: Served, how: str) -> None:
    with served(SimRig(load_rig("single")), how) as one:
        wire = Wire(open_transport(one.url))
        try:
            p, report, found = meet(wire, None, 0, 1)
            run(p, report, found, chosen(WIRED))
        finally:
            wire.close()
    assert [(one.check.id, one.problems) for one in report.results if one.outcome == FAIL] == []
    outcomes = {one.check.id: one.outcome for one in report.results}
    assert outcomes["FRAME-08"] == (PASS if how == "serial" else SKIP)
    assert outcomes["CAN-02"] == (SKIP if how == "serial" else PASS)
    assert report.left == []


def test_parameters_and_checks_of_storage_cover_the_table() -> None:
    """PARAM-01 to 03 go over the whole table; this holds the table they go over to the one of the protocol."""
    bed = Bed(9, "single")
    p, report, found = meet(bed.wire, 16, 0, 1)
    assert set(found.parameters) == {row.id for row in PARAMETERS}
    run(p, report, found, [CHECKS["PARAM-02"]])
    assert report.count(PASS) == 1


def test_a_check_that_stumbles_over_odd_answers_fails_with_evidence() -> None:
    def stumble(p: Probe) -> None:
        p.status()
        raise KeyError("no such thing")

    bed = Bed(10, "single")
    p, report, found = meet(bed.wire, 16, 0, 1)
    row = Check("ODD-01", "times", "rule.", "cause.", Level.NOTHING, "must", frozenset(), stumble)
    run(p, report, found, [row])
    assert report.results[0].outcome == FAIL
    assert "cannot be made sense of" in report.results[0].problems[0].text
    assert report.results[0].problems[0].frames


@pytest.mark.parametrize("ident", [0x04100001, 0, 0x1ABC1000])
def test_a_frame_with_a_wrong_count_is_never_the_right_one(ident: int) -> None:
    """A tag of 0x30 once stood where the check wrote 0x30: it sent a good frame and blamed the answer."""
    for tag in range(256):
        good = encode_raw(ident, bytes((tag,)))
        for _, _, wrong in wrong_counts(good):
            decoder = StreamDecoder()
            assert decoder.feed(wrong) == []
            assert wrong != good


def test_what_other_controls_say_is_no_answer_of_the_motor() -> None:
    """The rig `pair` has two knobs and a range sensor that talk all the time; with this seed a knob spoke last."""
    report = healthy(80, chosen(["KIND-08"]), "pair")
    assert [one.outcome for one in report.results] == [PASS]


def test_a_tag_is_not_used_again_at_once_for_another_kind() -> None:
    """CAN may deliver an answer twice: with the same tag the second would answer the next request."""
    bed = Bed(11, "single")
    p, _, _ = meet(bed.wire, 16, 0, 1)
    codes = [kind_of(body).code for body in (m.Get(0, 3), m.GetStatus(0), m.Identify(0))]
    given = [p.tag(codes[step % 3 if step % 5 else 0], 1) for step in range(600)]
    assert all(len(set(given[step : step + 8])) == 8 for step in range(592))
