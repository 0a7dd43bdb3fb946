"""The motor core in C where the simulated node would be: in virtual time, on a pty, on TCP, and on python-can's bus.

Outside sources: pyserial and python-can carry the frames; cc builds the core. The link and the checks are those of any
other motor.
"""

from __future__ import annotations

import random
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from ringlet.hwsim.firmware_link import FirmwareProblem, Pipe, find_program
from ringlet.hwsim.firmware_node import FirmwareNode
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.settings import MemoryPages
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Fault, Flag, Refusal
from ringlet.protocol.header import ALL_AXES, IDENT_MAX
from ringlet.protocol.serial_frame import StreamDecoder, encode_raw
from ringlet.protocol.states import State
from ringlet.protocol.wire import BODY_MAX
from ringlet.tools.cli import main
from ringlet.tools.errors import DeviceRefused, LinkProblem
from ringlet.tools.link import Link
from ringlet.tools.serve import How, serve
from ringlet.tools.transports import SimTransport

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build
import fw_build

pytestmark = pytest.mark.skipif(c_build.have("make", "cc") is not None, reason=c_build.have("make", "cc") or "")


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fw_build.build_host(tmp_path_factory.mktemp("firmware"))


@contextmanager
def served(program: Path, how: How, rig: str = "single", speed: float = 1.0) -> Iterator[str]:
    """A rig of the core behind a port of this kind; gives the link that reaches it."""
    links: list[str] = []
    there, stop = threading.Event(), threading.Event()

    def announce(link: str) -> None:
        links.append(link)
        there.set()

    simrig = SimRig(load_rig(rig), firmware=program)
    thread = threading.Thread(target=serve, args=(simrig, how, announce, stop), kwargs={"speed": speed}, daemon=True)
    thread.start()
    try:
        assert there.wait(10)
        yield links[0]
    finally:
        stop.set()
        thread.join(10)


def a_day_at_the_bench(link: Link) -> None:
    """What a person would do first with a motor."""
    axis = link.axis(16, 0)
    axis.take()
    axis.find_stops()
    status = axis.status()
    assert status.flags >> Flag.CALIBRATED & 1
    axis.move(60.0)
    assert axis.status().state == State.HOLDING
    assert abs(axis.position() - 60.0) < 0.5
    with pytest.raises(DeviceRefused, match="past a travel limit"):
        axis.move(1e4)


def test_in_virtual_time(program: Path) -> None:
    with Link.open(f"sim:single?firmware={program}") as link:
        assert [(found.address, found.fresh) for found in link.discover()] == [(16, False)]
        a_day_at_the_bench(link)


@pytest.mark.parametrize("how", ["serial", "tcp", "slcan", "virtual"])
def test_on_a_port(program: Path, how: How) -> None:
    speed = 1.0 if how == "serial" else 5.0  # the core's own decoder and encoder are asked for each frame
    with served(program, how, speed=speed) as url, Link.open(url) as link:
        link.pace = speed
        link.transport.slack = 0.9  # other tests may keep the core and the rig from their turn for a while
        a_day_at_the_bench(link)


def test_the_cores_own_decoder_and_encoder_end_the_line(program: Path) -> None:
    """Frames, torn and damaged ones, and noise in random pieces: found and made as by the decoder in Python."""
    end, known, rng = SimRig(load_rig("single"), firmware=program).line_end(), StreamDecoder(), random.Random(5)
    line = bytearray()
    for _ in range(3000):
        ident, body = rng.randrange(IDENT_MAX + 1), rng.randbytes(rng.randint(1, BODY_MAX))
        frame = end.encode(ident, body)
        assert frame == encode_raw(ident, body)
        match rng.randrange(6):
            case 0:
                line += frame[: rng.randrange(len(frame))]
            case 1:
                line += rng.randbytes(rng.randrange(30))
            case 2:
                line += bytes(byte ^ (rng.random() < 0.1) for byte in frame)
            case _:
                line += frame
    pieces = [9000] + [rng.randrange(40) for _ in range(len(line))]
    found, expected = [], []
    for size in pieces:
        piece, line = bytes(line[:size]), line[size:]
        found += end.frames(piece)
        expected += known.frames(piece)
        if not line:
            break
    assert found == expected
    assert len(found) > 1000
    assert known.lost["crc"] > 100


@pytest.mark.parametrize("way", ["pty", "line"])
def test_they_are_at_work_on_a_port_and_on_a_simulated_line(
    program: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    calls: Counter[str] = Counter()
    for name in ("frames", "encode"):
        go = getattr(FirmwareNode, name)

        def counted(node: FirmwareNode, *given: Any, name: str = name, go: Any = go) -> Any:
            calls[name] += 1
            return go(node, *given)

        monkeypatch.setattr(FirmwareNode, name, counted)
    if way == "pty":
        with served(program, "serial") as url, Link.open(url) as link:
            link.axis(16, 0).status()
    else:
        with Link.open(f"sim:single?bus=serial&firmware={program}") as link:
            link.axis(16, 0).status()
    assert calls["frames"] > 0
    assert calls["encode"] > 0


def test_the_same_rig_gives_the_same_answers(program: Path) -> None:
    """On the physics too: a search and a move end where they end with the simulated node, within what counts round."""
    ends = []
    for option in ("", f"&firmware={program}"):
        with Link.open(f"sim:single?seed=3{option}") as link:
            axis = link.axis(16, 0)
            axis.take()
            axis.find_stops()
            axis.move(33.0)
            ends.append((axis.get("travel-max"), axis.position()))
    assert ends[0][0] == pytest.approx(ends[1][0], abs=0.1)
    assert ends[0][1] == pytest.approx(ends[1][1], abs=0.1)


def test_settings_outlive_the_process(program: Path, tmp_path: Path) -> None:
    url = f"sim:single?firmware={program}&store={tmp_path}"
    with Link.open(url) as link:
        axis = link.axis(16, 0)
        axis.take()
        axis.set("torque-moving", 0.123)
        link.request(m.Save(0), node=16, axis=0)
    assert [path.name.split("-", 1)[1] for path in tmp_path.iterdir()] == ["core-axis0.a"]
    with Link.open(url) as link:
        assert link.axis(16, 0).get("torque-moving") == pytest.approx(0.123)
    for path in tmp_path.iterdir():
        path.write_bytes(path.read_bytes()[:-1])
    with Link.open(url) as link:
        assert link.axis(16, 0).get("torque-moving") != pytest.approx(0.123)
        assert link.axis(16, 0).status().fault == Fault.SETTINGS_LOST


@pytest.mark.parametrize("kept", [0, 5, 12, 100, 100_000])
def test_a_power_cut_while_saving_leaves_the_old_or_the_new(program: Path, kept: int) -> None:
    rig = SimRig(load_rig("single"), firmware=program)
    node = rig.nodes[0]
    assert isinstance(node, FirmwareNode)
    pages = node.pages[1]
    assert isinstance(pages, MemoryPages)
    with Link(SimTransport(rig), SimTransport(rig).clock) as link:
        axis = link.axis(16, 0)
        axis.take()
        values = (0.111, 0.222)
        axis.set("torque-moving", values[0])
        link.request(m.Save(0), node=16, axis=0)
        axis.set("torque-moving", values[1])
        pages.cut_after = kept
        with pytest.raises(Exception, match="answer"):
            link.request(m.Save(0), node=16, axis=0)
        expected = values[1] if kept > 1000 else values[0]
        assert link.axis(16, 0).get("torque-moving") == pytest.approx(expected)
        assert link.axis(16, 0).status().fault == 0


@pytest.mark.parametrize("core", ["python", "c"])
@pytest.mark.parametrize("whole", [False, True], ids=["axis", "node"])
def test_a_memory_that_takes_nothing_is_told_and_the_old_settings_stay(
    program: Path, monkeypatch: pytest.MonkeyPatch, core: str, whole: bool
) -> None:
    """`storage-failed` from both nodes: for the pages of the axis, and for the node's own when all is saved."""

    def fails(page: int, data: bytes) -> None:
        raise OSError("worn out")

    rig = SimRig(load_rig("single"), firmware=program if core == "c" else None)
    board = rig.nodes[0]
    stores = (board.pages[0], board.pages[1]) if core == "c" else (board.store.pages, board.axes[0].store.pages)
    where = ALL_AXES if whole else 0
    with Link(SimTransport(rig), SimTransport(rig).clock) as link:
        axis = link.axis(16, 0)
        axis.take()
        axis.set("torque-moving", 0.111)
        link.request(m.Save(0), node=16, axis=where)
        axis.set("torque-moving", 0.222)
        monkeypatch.setattr(stores[not whole], "write", fails, raising=False)
        with pytest.raises(DeviceRefused) as caught:
            link.request(m.Save(0), node=16, axis=where)
        assert (caught.value.code, caught.value.item) == (Refusal.STORAGE_FAILED, 0)
        assert axis.get("torque-moving") == pytest.approx(0.222)
        assert bool(axis.status().flags >> Flag.UNSAVED & 1) is not whole  # the axis itself was stored before the node
        link.request(m.Restore(0, 0), node=16, axis=0)
        assert axis.get("torque-moving") == pytest.approx(0.222 if whole else 0.111)
        monkeypatch.undo()
        link.request(m.Save(0), node=16, axis=where)
        assert not axis.status().flags >> Flag.UNSAVED & 1


def test_what_cannot_be_run_is_said_in_one_sentence(
    program: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "text").write_text("no program")
    for path, words in ((tmp_path / "none", "there is no program"), (tmp_path, "there is no program"),
                        (tmp_path / "text", "is not a program")):  # fmt: skip
        with pytest.raises(FirmwareProblem, match=words):
            find_program(path)
        assert main(["status", "--link", f"sim:single?firmware={path}"]) == 2
        said = capsys.readouterr().err
        assert said.startswith("ringlet: ")
        assert said.count("\n") == 1
        assert words in said
    speaks = tmp_path / "speaks"
    speaks.write_text("#!/bin/sh\necho this is no motor core at all\n")
    speaks.chmod(0o755)
    with pytest.raises(FirmwareProblem, match="no motor core for this pipe"):
        Pipe(speaks)
    ends = tmp_path / "ends"
    ends.write_text("#!/bin/sh\nexit 7\n")
    ends.chmod(0o755)
    with pytest.raises(FirmwareProblem, match="ended with code 7"):
        Pipe(ends)


def test_a_core_that_dies_is_a_broken_link(program: Path) -> None:
    with Link.open(f"sim:single?firmware={program}") as link:
        node = link.rig.nodes[0]  # type: ignore[union-attr]
        node._pipe._process.kill()
        with pytest.raises(LinkProblem, match="ended by signal 9"):
            link.clock.sleep(0.01)
