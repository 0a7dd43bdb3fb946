"""Recording on simulated rigs: what is in the take is what the rig did, and what was lost is counted."""

from __future__ import annotations

import errno
import json
import math
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from takes_helpers import MARKS, Addresses, ready

from ringlet.hwsim.rigfile import RigFile
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Fault
from ringlet.tools.errors import LinkProblem, UsageProblem
from ringlet.tools.lens import transfer
from ringlet.tools.lens.curve import MarkCurve
from ringlet.tools.lens.wiretable import table_of
from ringlet.tools.link import Link
from ringlet.tools.takes import live as live_module
from ringlet.tools.takes import writer as writer_module
from ringlet.tools.takes.frames import runs
from ringlet.tools.takes.layout import Sample
from ringlet.tools.takes.reader import open_take
from ringlet.tools.takes.recorder import Recorder, Start
from ringlet.tools.takes.recover import recover
from ringlet.tools.takes.timecodes import RATES, frame_of, text_of
from ringlet.tools.takes.writer import TakeFull
from ringlet.tools.transports import SimTransport

TRIO = [(16, 0), (16, 1), (16, 2)]


def of(path: Path, key: str = "16.0") -> list[Sample]:
    return [one for name, one in open_take(path).read() if name == key]


def test_the_take_is_what_the_rig_did(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with Link.open("sim:trio") as link:
        ready(link)
        assert link.rig is not None
        board = link.rig.nodes[0]
        focus = link.axis(16, 0)
        focus.take()
        truth: dict[int, tuple[float, float]] = {}
        with Recorder(link, path, TRIO) as recorder:
            begin = recorder.live._begin
            step = link.transport.step  # type: ignore[attr-defined]

            def noting() -> None:
                step()
                truth[board.now_us] = (board.axes[0].position / 1000, board.axes[0].ramp.position / 1000)

            link.transport.step = noting  # type: ignore[attr-defined]
            focus.move(100.0, wait=False)
            recorder.run(2.0)
        assert focus.get("telemetry-rate") == 0
        assert focus.get("telemetry-select") == 1
    samples = of(path)
    assert len(samples) in (200, 201)
    for one in samples:
        at = round(1e6 * (one.time_s + begin - recorder.live._clocks[16].offset))
        ring, setpoint = truth[round(at, -3)]
        assert one.ring_deg == pytest.approx(ring, abs=2e-3)
        assert one.setpoint_deg == pytest.approx(setpoint, abs=2e-3)
    assert {one.state for one in samples} == {"moving", "holding"}
    assert {one.owner for one in samples} == {1}
    assert max(abs(one.velocity_deg_s) for one in samples) > 200


def test_another_control_drives_and_is_recorded(tmp_path: Path) -> None:
    """Its axis is asked for, as it alone may change telemetry; it notices nothing."""
    path = tmp_path / "a.mcap"
    with Link.open("sim:trio") as link, link.beside(source=2) as hand:
        ready(link)
        focus = hand.axis(16, 0)
        focus.take()
        focus.set("owner-timeout", 20.0)  # in one process the two cannot keep time at once
        with Recorder(link, path, [(16, 0), (16, 1)], rate=50) as recorder:
            assert recorder.live.polled == ["16.0"]
            focus.move(120.0, wait=False)
            recorder.run(2.0)
            assert focus.position() == pytest.approx(120.0, abs=0.1)
            focus.yield_()
            recorder.run(2.5)
    samples = of(path)
    assert 90 < len(samples) <= 126
    assert samples[-1].ring_deg == pytest.approx(120.0, abs=0.1)
    assert [one.owner for one in (samples[0], samples[-1])] == [2, 0]
    events = open_take(path).events()
    assert [one.text for one in events if one.what == "owner"] == ["Axis 16.0 is now owned by nobody."]
    assert "polled" in {one.what for one in events}


def test_a_shared_line_is_asked(tmp_path: Path, rig_of: Callable[..., RigFile]) -> None:
    rig = rig_of(*({"unique_id": one, "address": one, "shared_line": True} for one in (20, 21)))
    transport = SimTransport(SimRig(rig))
    with Link.over(transport, transport.clock) as link:
        said: list[Packet] = []
        link.subscribe(lambda heard, now: said.append(heard))
        with Recorder(link, tmp_path / "a.mcap", [(20, 0), (21, 0)], rate=40) as recorder:
            recorder.run(1.0)
        assert recorder.live.polled == ["20.0", "21.0"]
    assert all(heard.dst == 1 for heard in said)  # nobody spoke unasked
    for key in ("20.0", "21.0"):
        assert 30 <= len(of(tmp_path / "a.mcap", key)) <= 41


@pytest.mark.parametrize("rate", [100, 500])
def test_what_is_lost_is_counted_by_its_tags(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rate: int) -> None:
    """More than the tags go round in: at 100 in a second it is a silence of 3 s too, at 500 it is not."""
    path = tmp_path / "a.mcap"
    with Link.open("sim:trio") as link:
        heard = 0
        receive = link.transport.receive

        def lossy(timeout: float) -> list[Packet]:
            nonlocal heard
            kept = []
            for one in receive(timeout):
                if isinstance(one.body, m.Drive) and one.axis == 0:
                    heard += 1
                    if heard in (50, 51, 52) or 100 <= heard < 400:
                        continue
                kept.append(one)
            return kept

        with Recorder(link, path, TRIO, rate=rate) as recorder:
            monkeypatch.setattr(link.transport, "receive", lossy)
            recorder.run(500 / rate)
    take = open_take(path)
    assert take.lost == {"16.0": 303, "16.1": 0, "16.2": 0}
    assert [one.number for one in take.events() if one.what == "lost"] == [3, 300]
    assert [one.lost_before for one in of(path) if one.lost_before] == [3, 300]
    assert take.samples["16.0"] + 303 == take.samples["16.1"]


def test_a_node_that_was_off_speaks_again(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with Link.open("sim:trio") as link, Recorder(link, path, TRIO) as recorder:
        recorder.run(1.0)
        assert link.rig is not None
        link.rig.power_cycle()
        recorder.run(5.0)
    texts = [one.text for one in open_take(path).events()]
    assert "Nothing more is heard from axis 16.1." in texts
    times = [one.time_s for one in of(path, "16.1")]
    hole = max(later - earlier for earlier, later in pairwise(times))
    assert 1.0 < hole < 1.5
    assert times[-1] > 4.9
    assert open_take(path).lost["16.1"] == pytest.approx(100 * hole, abs=2)


def test_faults_are_noted(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with Link.open("sim:trio") as link, Recorder(link, path, [(16, 1)]) as recorder:
        recorder.run(0.5)
        assert link.rig is not None
        link.rig.nodes[0].axes[1].latch(Fault.ENCODER)
        recorder.run(1.0)
    faults = [one.text for one in open_take(path).events() if one.what == "fault"]
    assert faults == ["Fault of axis 16.1 is now: encoder."]
    assert {one.fault for one in of(path, "16.1")} == {"none", "encoder"}


def test_ring_degrees_become_distance(tmp_path: Path) -> None:
    from mcap.reader import make_reader

    path = tmp_path / "a.mcap"
    curve = MarkCurve.from_marks([(at, float("inf") if value is None else value) for at, value in MARKS], "distance")
    with Link.open("sim:trio") as link:
        ready(link)
        focus = link.axis(16, 0)
        transfer.upload(focus, table_of(curve))
        focus.take()
        focus.move(60.0)
        with Recorder(link, path, [(16, 0)]) as recorder:
            focus.move(300.0, wait=False)
            recorder.run(3.0)
    with path.open("rb") as stream:
        bodies = [json.loads(one.data) for _, _, one in make_reader(stream).iter_messages(topics=["/axis/16.0"])]
    for body in bodies:
        if body["distance_m"] is not None:
            assert body["distance_m"] == pytest.approx(curve.value_at(body["ring_deg"]), rel=2e-3)
    assert bodies[0]["distance_m"] == pytest.approx(0.8, rel=2e-3)
    assert any(body["at_infinity"] for body in bodies[-20:])
    assert all(body["t_stop"] is None and body["focal_mm"] is None for body in bodies)


def test_time_addresses_from_the_start(tmp_path: Path) -> None:
    path, rate = tmp_path / "a.mcap", RATES["29.97df"]
    start = Start(frame_of("00:00:59;20", rate), rate)
    with Link.open("sim:single") as link, Recorder(link, path, [(16, 0)], start=start) as recorder:
        recorder.run(2.0)
    stamps = open_take(path).stamps()
    assert [text_of(one.frame, rate) for one in stamps[:12]][-3:] == ["00:00:59;29", "00:01:00;02", "00:01:00;03"]
    assert [one.time_s for one in stamps] == pytest.approx([one * 1001 / 30000 for one in range(len(stamps))], abs=1e-8)
    assert len(stamps) == 60


def test_time_addresses_from_the_bus_with_a_jump(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with Link.open("sim:single") as link:
        addresses = Addresses(link, "10:00:00:00", "25")
        with Recorder(link, path, [(16, 0)]) as recorder:
            recorder.run(1.0)
            addresses.frame = frame_of("11:00:00:00", RATES["25"])
            recorder.run(2.0)
    take = open_take(path)
    assert any("went from 10:00:0" in one.text and "to 11:00:00:00" in one.text for one in take.events())
    first, second = runs(take.stamps())
    assert text_of(second.first, second.rate) == "11:00:00:00"
    assert second.begin_s - first.begin_s == pytest.approx((1 / 25) * (len(take.stamps()) - 25), abs=0.01)


def test_a_full_disk_stops_the_take_and_not_the_motors(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Link.open("sim:trio") as link:
        ready(link)
        focus = link.axis(16, 0)
        focus.take()
        recorder = Recorder(link, tmp_path / "a.mcap", TRIO)
        focus.move(250.0, speed=60.0, wait=False)
        recorder.run(1.0)
        write = writer_module.Disk.write

        def full(self: Any, data: bytes) -> int:
            write(self, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(writer_module.Disk, "write", full)
        with pytest.raises(TakeFull, match="motors are not affected"):
            recorder.run(3.0)
        assert focus.status().owner == 1
        assert focus.rest().flags
        assert focus.position() == pytest.approx(250.0, abs=0.1)
        assert focus.get("telemetry-rate") == 0
    monkeypatch.undo()
    found = recover(tmp_path / "a.mcap", tmp_path / "b.mcap")
    assert found.seconds >= 0.5
    assert found.dropped_bytes == 0


def test_a_slow_bus_gets_fewer_samples(tmp_path: Path) -> None:
    with Link.open("sim:trio") as link:
        link.transport.frame_time = 0.0017  # about 115200 baud
        wanted = 1000 / math.ceil(1000 * 0.0017 * 4 * 3 / live_module.BUS_SHARE)
        with Recorder(link, tmp_path / "a.mcap", TRIO) as recorder:
            assert recorder.live.rate == pytest.approx(wanted)
            recorder.run(1.0)
    assert len(of(tmp_path / "a.mcap")) == pytest.approx(wanted, abs=3)


def test_drifting_clocks_do_not_tear_the_times(tmp_path: Path) -> None:
    """The node's clock runs 100 ppm fast: times follow ours, without a jump."""
    path = tmp_path / "a.mcap"
    with Link.open("sim:single") as link:
        assert link.rig is not None
        board = link.rig.nodes[0]
        step = link.transport.step  # type: ignore[attr-defined]
        count = 0

        def drifting() -> None:
            nonlocal count
            step()
            count += 1
            board.clock_offset += 1 if count % 10 == 0 else 0

        link.transport.step = drifting  # type: ignore[attr-defined]
        with Recorder(link, path, [(16, 0)]) as recorder:
            recorder.run(40.0)
    times = [one.time_s for one in of(path)]
    gaps = [later - earlier for earlier, later in pairwise(times)]
    assert max(gaps) - min(gaps) < 1e-5  # a jump at each look at the clock would be 0.5 ms
    assert times[-1] - times[0] == pytest.approx(0.01 * (len(times) - 1), abs=0.002)  # 4 ms without the correction


def test_no_axis_and_silly_rates(tmp_path: Path) -> None:
    with Link.open("sim:single") as link:
        with pytest.raises(UsageProblem, match="no axis to record"):
            Recorder(link, tmp_path / "a.mcap", [])
        with pytest.raises(UsageProblem, match="1 to 1000"):
            Recorder(link, tmp_path / "a.mcap", [(16, 0)], rate=0.5)
    assert not list(tmp_path.iterdir())


def test_a_broken_link_leaves_a_whole_take(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*words: object) -> list[Packet]:
        raise LinkProblem("the cable is out")

    with Link.open("sim:single") as link:
        recorder = Recorder(link, tmp_path / "a.mcap", [(16, 0)])
        recorder.run(1.0)
        monkeypatch.setattr(link.transport, "receive", broken)
        monkeypatch.setattr(link.transport, "send", broken)
        with pytest.raises(LinkProblem, match="cable"), recorder:
            recorder.run(2.0)
        monkeypatch.undo()
    take = open_take(tmp_path / "a.mcap")
    assert take.tail["why"] == "link lost"
    assert len(of(tmp_path / "a.mcap")) == pytest.approx(100, abs=2)
