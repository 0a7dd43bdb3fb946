"""The motor core with its own position and velocity loop (`make loop`) as a process: only currents and bare
measurements pass the pipe, and the loop is closed in C. The same links, checks and benches as for any other motor."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from loop_in_c import c_build, fw_build

from ringlet.hwsim import firmware_link as fw
from ringlet.hwsim.cardfile import load_lens, load_motor
from ringlet.hwsim.drive import default_settings
from ringlet.hwsim.firmware_node import FirmwareNode
from ringlet.hwsim.node import NodeCard
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.codes import Fault
from ringlet.protocol.states import State
from ringlet.tools.cli import main
from ringlet.tools.errors import RingletError
from ringlet.tools.link import Link

pytestmark = pytest.mark.skipif(c_build.have("make", "cc") is not None, reason=c_build.have("make", "cc") or "")


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built with both sanitizers: whatever they find ends the process."""
    folder = tmp_path_factory.mktemp("loop")
    fw_build.emit_firmware_into(folder)
    c_build.build("make", "-s", "loop-sanitized", cwd=folder)
    return folder / "ringlet_host_loop"


def test_a_search_and_a_move_end_where_the_simulated_board_ends(program: Path) -> None:
    """On the last axis of a node with three: each has a loop and a tuning of its own."""
    ends = []
    for option in ("", f"&firmware={program}"):
        with Link.open(f"sim:trio?seed=3{option}") as link:
            axis = link.axis(16, 2)
            axis.take()
            axis.find_stops()
            axis.move(33.0)
            ends.append((axis.get("travel-max"), axis.position()))
    assert ends[1] == pytest.approx(ends[0], abs=0.03)
    assert ends[1][1] == pytest.approx(33.0, abs=0.1)


def test_only_currents_go_to_the_plant(program: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The drive's own loops never run: without them a move still arrives, and without currents it does not."""
    rig = SimRig(load_rig("single"), firmware=program)
    node = rig.nodes[0]
    assert isinstance(node, FirmwareNode)
    drive = node.axes[0].drive
    currents = []
    inner = drive.tick_bridge

    def tick_bridge(on: bool, current_ma: float) -> object:
        currents.append((on, current_ma))
        return inner(on, current_ma)

    def tick(*_: object) -> None:
        raise AssertionError("the loop in Python ran")

    monkeypatch.setattr(drive, "tick_bridge", tick_bridge)
    monkeypatch.setattr(drive, "tick", tick)
    for _ in range(20):
        rig.step()
    assert currents == [(False, 0.0)] * 20


def test_an_encoder_wired_the_wrong_way_is_a_fault_within_degrees(
    program: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Link.open(f"sim:single?seed=3&firmware={program}") as link:
        drive = link.rig.nodes[0].axes[0].drive  # type: ignore[union-attr]
        inner = drive.tick_bridge
        monkeypatch.setattr(drive, "tick_bridge", lambda on, ma: (r := inner(on, ma))._replace(counts=-r.counts))
        axis = link.axis(16, 0)
        start = drive.truth.ring_deg
        axis.take()
        with pytest.raises(RingletError, match="encoder"):
            axis.find_stops()
        assert axis.status().state == State.FAULTED
        assert axis.status().fault == Fault.ENCODER
        assert abs(drive.truth.ring_deg - start) < 10.0


def test_conform_passes(program: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Limits by measured motion; all of it (13 s) under RINGLET_MANY."""
    only = () if "RINGLET_MANY" in os.environ else ("LIMIT-*", "MOVE-*")
    options = [word for name in only for word in ("--only", name)]
    code = main(["conform", "--yes", "--json", *options, "--link", f"sim:single?firmware={program}"])
    said = json.loads(capsys.readouterr().out)
    assert (code, said["failed"]) == (0, 0), said
    assert said["passed"] > 12


@pytest.mark.parametrize("bench", ["ramp", "limit"])
def test_benches_pass(program: Path, bench: str, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["bench", bench, "--find", "--yes", "--json", "--link", f"sim:single?seed=3&firmware={program}"])
    said = capsys.readouterr().out
    assert code == 0, said


def test_the_usual_program_has_no_loop(program: Path) -> None:
    """It says so, holds nothing of it, and refuses to be tuned; the other one refuses what is out of range."""
    folder = program.parent
    c_build.build("make", "-s", "CFLAGS=-O0", cwd=folder)
    plain = folder / fw.PROGRAM
    if c_build.have("nm") is None:
        for path, has in ((program, True), (plain, False)):
            assert ("ringlet_loop_control" in c_build.run("nm", path, cwd=folder).stdout.decode()) is has
    good = fw.tuning_of(default_settings(load_motor("medium"), load_lens("iris")))
    card = NodeCard(unique_id=1, maker="any", model="any")
    for path, loop, values, words in (
        (plain, False, good, "has no loop"), (program, True, good._replace(peak_current=0), "out of range"),
    ):  # fmt: skip
        pipe = fw.Pipe(path)
        try:
            assert pipe.loop is loop
            pipe.put(fw.config(card, [{}]))
            pipe.put(fw.tuning(0, values))
            assert pipe.take(1) == b"X"
            assert words in str(pipe.error())
        finally:
            pipe.close()
