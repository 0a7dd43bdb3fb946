"""The budget of a bus: messages, verdict, advice, bit timings, and the command."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet
from ringlet.protocol.header import EVERYONE
from ringlet.protocol.serial_frame import encode_raw
from ringlet.tools import bit_timing
from ringlet.tools.bus_load import CAN_RATES, TARGETS, Plan, Row, advise, budget, most_motors, with_motors
from ringlet.tools.bus_plot import latencies, plot_latency
from ringlet.tools.cli import main
from ringlet.tools.errors import UsageProblem


def rows_of(plan: Plan, name: str) -> list[Row]:
    return [row for row in budget(plan).rows if row.name == name]


def test_identifiers_and_sizes_are_those_of_real_messages() -> None:
    rows = {(row.name, row.node, row.axis): row for row in budget(Plan((2, 1))).rows}
    for message, key in (
        (packet(m.Stop(0), dst=EVERYONE, src=1), ("stop", EVERYONE, 15)),
        (packet(m.StreamRing(0, 0), dst=16, src=1, axis=1), ("stream-ring", 16, 1)),
        (packet(m.Motion(0, 0, 0), dst=EVERYONE, src=17, axis=0), ("motion", 17, 0)),
        (packet(m.Done(0, 0), dst=1, src=16, axis=0), ("done", 16, 0)),
    ):
        ident, data = pack(message)
        assert (rows[key].ident, rows[key].size) == (ident, len(data))
    line = budget(Plan((1,), is_can=False, bitrate=115_200)).rows
    for row in line:
        longest = len(encode_raw(row.ident, b"\1" * row.size))
        # a bit is counted as 8681 ns, rounded up; a zero byte goes before, and the transmitter's clock may cost a bit
        assert row.length_ms == pytest.approx((10 * (1 + longest) + 1) * 0.008681)


def test_load_is_the_sum_of_lengths_over_periods() -> None:
    plan = Plan((1,), rate=50, setpoints=0, polls=0, moves=0)
    by_hand = 3 * 90 / 100 + 150 / 1000 + 90 / (1000 / 3) + 160 / 20 + 140 / 1000
    assert budget(plan).load == pytest.approx(by_hand / 500, rel=1e-4)


def test_an_eight_motor_rig_fits_at_500_kbit_and_not_at_125() -> None:
    fits, slow = budget(Plan((2, 2, 2, 2))), budget(Plan((2, 2, 2, 2), bitrate=125_000))
    assert fits.ok
    assert 0.4 < fits.load < 0.6
    assert not slow.ok
    assert slow.worst("telemetry") is None
    assert slow.load > 1
    assert slow.worst("stop") == pytest.approx(4 * (fits.worst("stop") or 0))
    stop = max(row.response_ms or 0 for row in fits.rows if row.group == "stop")
    assert stop == pytest.approx((160 + 3 * 90) * 2e-3)  # the longest other frame, and three of its own


def test_an_answer_is_no_earlier_than_its_request_and_the_promised_time() -> None:
    plan = Plan((1, 1))
    asked = {(row.node, row.axis): row.response_ms or 0 for row in rows_of(plan, "move")}
    for row in rows_of(plan, "done"):
        assert row.jitter_ms == pytest.approx(asked[row.node, row.axis] + 10)
        assert (row.response_ms or 0) > row.jitter_ms


def test_advice_is_true_when_followed() -> None:
    tight = Plan((2, 2, 2, 2), telemetry=("motion", "drive", "status"))
    found = budget(tight)
    assert not found.ok
    advice = advise(tight, found)
    rates = [one.rate for one in advice if one.rate]
    speeds = [one.bitrate for one in advice if one.bitrate]
    assert rates
    assert speeds
    assert budget(replace(tight, rate=rates[0])).ok
    assert not budget(replace(tight, rate=rates[0] + 1)).ok
    assert budget(replace(tight, bitrate=speeds[0])).ok
    assert not any(budget(replace(tight, bitrate=rate)).ok for rate in CAN_RATES if rate < speeds[0])
    roomy = Plan((1,))
    (more, motors) = advise(roomy, budget(roomy))
    assert budget(replace(roomy, rate=more.rate or 0)).ok
    count = motors.motors or 0
    assert count == most_motors(roomy) >= 8
    assert budget(with_motors(roomy, count)).ok
    assert not budget(with_motors(roomy, count + 1)).ok


def test_advice_for_what_cannot_be() -> None:
    hopeless = Plan((8,) * 8, bitrate=125_000, rate=1000, setpoints=1000)
    (only,) = advise(hopeless, budget(hopeless))
    assert "split the rig" in only.text
    assert "telemetry" in only.text


def test_a_shared_line_asks_one_after_the_other() -> None:
    plan = Plan((1, 1), is_can=False, bitrate=115_200, rate=20)
    assert plan.shared
    names = {row.name for row in budget(plan).rows}
    assert "poll motion" in names
    assert not names & {"motion", "fault", "done", "status"}  # nobody speaks unasked
    (row, _) = rows_of(plan, "poll motion")
    question, answer = 1 + len(encode_raw(row.ident, b"\1\1")), len(encode_raw(row.ident, b"\1" * 8))
    assert row.length_ms == pytest.approx(((question + answer) * 10 + 2) * 0.008681 + 2.0)
    slower = rows_of(replace(plan, reply_ms=10.0), "poll motion")[0]
    assert slower.length_ms == pytest.approx(row.length_ms + 8)
    # `stop` waits for one exchange at the most
    longest = max(one.length_ms for one in budget(plan).rows)
    assert budget(plan).worst("stop") == pytest.approx(longest + 3 * rows_of(plan, "stop")[0].length_ms)


def test_plans_that_cannot_be_are_refused() -> None:
    for plan, says in (
        (Plan(()), "no node"),
        (Plan((1,) * 111), "do not fit"),
        (Plan((9,)), "do not fit"),
        (Plan((1,), telemetry=("mood",)), "no telemetry 'mood'"),
    ):
        with pytest.raises(UsageProblem, match=says):
            budget(plan)


# --- bit timings -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("clock", [8_000_000, 16_000_000, 40_000_000, 80_000_000])
@pytest.mark.parametrize("bitrate", CAN_RATES)
def test_proposed_bit_timings_pass_our_own_rules(clock: int, bitrate: int) -> None:
    best = bit_timing.propose(clock, bitrate)[0]
    quanta = 1 + best.tseg1 + best.tseg2
    assert clock == bitrate * best.prescaler * quanta
    assert best.sample_point == pytest.approx(100 * (1 + best.tseg1) / quanta)
    if not best.problems:
        assert 75 <= best.sample_point <= 90
        assert best.line_m >= 10
        assert best.oscillator >= 0.1


def test_bad_bit_timings_are_named() -> None:
    good = (80_000_000, 500_000, 10, 13, 2, 2)
    assert bit_timing.check(*good, length_m=10) == []
    assert bit_timing.check(80_000_000, 500_000, 10, 12, 2, 2, 10) == ["gives 533333.333 bit/s"]
    (late,) = bit_timing.check(80_000_000, 500_000, 10, 14, 1, 1, 10)
    assert "samples at 93.8 %" in late
    (jump,) = bit_timing.check(80_000_000, 500_000, 10, 13, 2, 3, 10)
    assert "jump width of 3" in jump
    (far,) = bit_timing.check(*good, length_m=500)
    assert far == "is good for 88 m of line, not 500 m"
    # 11 quanta of 125 ns go there and back through both nodes: (1375 / 2 - 250) / 5 m
    assert bit_timing.longest_line(80_000_000, 10, 13, 2) == pytest.approx(87.5)


def test_clocks_are_read_as_people_write_them() -> None:
    assert [bit_timing.hertz(text) for text in ("80MHz", "8 mhz", "8000kHz", "16000000")] == [
        80_000_000, 8_000_000, 8_000_000, 16_000_000
    ]  # fmt: skip
    for text in ("fast", "12", "", "9 GHz"):
        with pytest.raises(UsageProblem, match="give the CAN controller's clock"):
            bit_timing.hertz(text)
    with pytest.raises(UsageProblem, match=r"7 MHz cannot make 800000 bit/s"):
        bit_timing.propose(7_000_000, 800_000)


# --- picture and command ---------------------------------------------------------------------------------------------


def test_the_picture_has_every_number_of_motors(tmp_path: Path) -> None:
    plan = Plan((1,))
    times = [one.worst("telemetry") for one in latencies(plan, 10)]
    assert len(times) == 10
    assert all(time is not None for time in times)
    plot_latency(plan, tmp_path / "a.svg", "title", most=3)
    text = (tmp_path / "a.svg").read_text("utf-8")
    assert "svg" in text


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["bus", *words])
    out, err = capsys.readouterr()
    return code, out, err


def test_the_command_says_what_fits_and_what_does_not(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, out, _ = run(capsys, "trio", "--clock", "80MHz")
    assert code == 0
    assert "Every target is met" in out
    assert "87.5 %" in out
    code, out, _ = run(capsys, "eight", "--bitrate", "125000")
    assert code == 1
    assert "TOO LATE" in out
    assert "without bound" in out
    assert "take a bit rate of 800 kbit/s" in out
    picture = tmp_path / "latency.png"
    code, out, _ = run(capsys, "--motors", "2", "--plot", str(picture), "--all")
    assert code == 0
    assert picture.read_bytes()[:4] == b"\x89PNG"
    assert "motion 17.0" in out


def test_errors_that_come_at_once_cost_more(capsys: pytest.CaptureFixture[str]) -> None:
    one, three = (budget(Plan((2, 2), errors=1, burst=burst)) for burst in (1, 3))
    for before, after in zip(one.rows, three.rows, strict=True):
        if before.group == "stop":  # two more errors, each 31 bits and a frame of 90
            assert (after.response_ms or 0) - (before.response_ms or 0) == pytest.approx(2 * 121 * 2e-3)
        assert (after.response_ms or 0) > (before.response_ms or 0)
    code, out, _ = run(capsys, "pair", "--errors", "20", "--burst", "3")
    assert code == 0
    assert "at most 3 errors come at once and one more every 50 ms" in " ".join(out.split())
    code, out, _ = run(capsys, "pair", "--errors", "20", "--json")
    told = json.loads(out)
    assert (code, told["errors_per_s"], told["error_burst"]) == (0, 20, 1)


def test_the_command_in_json_and_over_a_link(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--link", "sim:pair?bus=can&bitrate=250000", "--json")
    told = json.loads(out)
    assert (code, told["ok"], told["bus"], told["bitrate"], told["axes"]) == (0, True, "can", 250_000, [2, 2])
    assert told["targets_ms"] == {name: ms for name, (ms, _) in TARGETS.items()}
    assert all(one["response_ms"] <= one["target_ms"] for one in told["messages"])
    code, out, _ = run(capsys, "trio", "--json", "--target", "stop=0.1")
    assert code == 1
    late = [one["name"] for one in json.loads(out)["messages"] if not one["ok"]]
    assert late == ["stop", "stop, copy 2", "stop, copy 3"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "name a rig"),
        (("trio", "--motors", "3"), "not both"),
        (("trio", "--bitrate", "500000", "--baud", "9600"), "give one of them"),
        (("trio", "--target", "lunch=3"), "groups are stop"),
        (("trio", "--target", "stop=soon"), "not a number"),
        (("trio", "--baud", "115200", "--errors", "3"), "--errors is for CAN"),
        (("trio", "--burst", "3"), "give --errors too"),
        (("trio", "--baud", "115200", "--clock", "80MHz"), "--clock is for CAN"),
        (("trio", "--plot", "a.txt"), "no name for a picture"),
        (("trio", "--plot", "no-such-folder/a.png"), "no folder no-such-folder"),
        (("trio", "--bitrate", "500"), "not kbit/s"),
        (("trio", "--baud", "115"), "not kbit/s"),
        (("no-such-rig",), "no rig or file"),
    ],
)
def test_wrong_words_are_told_in_one_sentence(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], says: str) -> None:  # noqa: E501
    code, _, err = run(capsys, *words)
    assert code == 2
    assert says in err
    assert err.count("\n") == 1


