"""The example firmware: strict compilers take it, and it answers and moves on a PC's pseudo-terminal.

Outside sources: gcc, arm-none-eabi-gcc, pyserial, the system's pseudo-terminals.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from ringlet.protocol.codes import Fault, Flag
from ringlet.protocol.emit import texts
from ringlet.protocol.states import State
from ringlet.protocol.wire import KINDS
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.cli import main
from ringlet.tools.errors import CheckFailed, DeviceRefused
from ringlet.tools.link import Link

EXAMPLE = Path(__file__).parents[2] / "tools" / "examples" / "serial_motor"
MISSING = [name for name in ("make", "cc", "gcc") if shutil.which(name) is None]
pytestmark = pytest.mark.skipif(bool(MISSING), reason=f"not installed here: {', '.join(MISSING)}")


def copied(folder: Path) -> Path:
    """The example beside the emitted core, as its page says."""
    there = folder / "motor"
    shutil.copytree(EXAMPLE, there)
    (there / "firmware").mkdir()
    for name, text in texts("firmware", KINDS).items():
        (there / "firmware" / name).write_text(text, encoding="utf-8")
    return there


def make(there: Path, *words: str) -> str:
    done = subprocess.run(["make", *words], cwd=there, capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, ""), done.stdout + done.stderr
    return done.stdout


@contextmanager
def running(program: Path) -> Iterator[str]:
    """The program, with its node addressed; gives the link."""
    process = subprocess.Popen([program], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        link = process.stdout.readline().strip()
        assert main(["discover", "--assign", "--link", link]) == 0
        yield link
    finally:
        process.terminate()
        process.wait(5)


def find(axis: AxisHandle) -> None:
    """The stops, faster than anybody should on a lens."""
    axis.set("finding-speed", 120.0)
    axis.find_stops()


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    there = copied(tmp_path_factory.mktemp("example"))
    assert "-Wall -Wextra -Wconversion -Werror" in make(there)
    return there


def test_gcc_takes_every_file(built: Path) -> None:
    for name in ("motor.c", "board_yours.c", "board_pc.c"):
        words = ["gcc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-Wpedantic", "-Ifirmware", "-c", name, "-o", "x.o"]
        done = subprocess.run(words, cwd=built, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, ""), name


@pytest.mark.skipif(shutil.which("arm-none-eabi-gcc") is None, reason="not installed here: arm-none-eabi-gcc")
def test_it_fits_a_small_processor(built: Path) -> None:
    """The page says about 37 KB of flash and 6 KB of RAM."""
    text, data, bss = (int(word) for word in make(built, "arm").splitlines()[-1].split()[:3])
    assert 30_000 < text + data < 40_000
    assert 4_000 < data + bss < 6_500


def test_it_answers_moves_and_stops(built: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with running(built / "motor_pc") as url:
        capsys.readouterr()
        assert main(["identify", "--json", "--link", url]) == 0
        (said,) = json.loads(capsys.readouterr().out)["nodes"]
        assert (said["maker"], said["model"]) == ("own work", "serial motor")
        with Link.open(url) as link:
            axis = link.axis(16, 0)
            axis.take()
            find(axis)
            assert float(axis.get("travel-max")) == pytest.approx(268.0, abs=2.0)  # 0.75 turns, less both back-offs
            axis.move(60.0)
            assert axis.position() == pytest.approx(60.0, abs=0.3)
            with pytest.raises(DeviceRefused, match="past a travel limit"):
                axis.move(300.0)
            axis.run(20.0)
        # The link is gone without a stop: after the owner's time-out the axis holds and is free.
        deadline = time.monotonic() + 10.0
        with Link.open(url, source=2) as link:
            axis = link.axis(16, 0)
            while (status := axis.status()).state != State.HOLDING and time.monotonic() < deadline:
                time.sleep(0.1)
            assert (status.owner, status.state) == (0, State.HOLDING)
            assert status.flags >> Flag.CALIBRATED & 1
        rules = ("FRAME-01", "TAG-01", "TAG-08", "PARAM-01")
        words = [word for rule in rules for word in ("--only", rule)]
        assert main(["conform", "--gentle", *words, "--json", "--link", url]) == 0
        assert json.loads(capsys.readouterr().out)["passed"] == len(rules)


def test_with_new_gears_the_ring_keeps_its_number(built: Path) -> None:
    """The scale changes with the measurement after `configure`, so that the line is heard before measuring."""
    with running(built / "motor_pc") as url, Link.open(url) as link:
        axis = link.axis(16, 0)
        axis.take()
        find(axis)
        axis.release()
        before = axis.position()
        assert before > 250.0
        for teeth in (70, 35):
            axis.set("motor-teeth", teeth)
            assert axis.position() == pytest.approx(before, abs=0.2)


def test_without_an_encoder_it_does_not_drive(tmp_path: Path) -> None:
    """As board_yours.c stands: `encoder_ok` is 0."""
    there = copied(tmp_path)
    text = (there / "board_pc.c").read_text(encoding="utf-8")
    good = "uint8_t board_encoder_ok(void)\n{\n    return 1u;"
    assert good in text
    (there / "board_pc.c").write_text(text.replace(good, good.replace("1u", "0u")), encoding="utf-8")
    make(there)
    with running(there / "motor_pc") as url, Link.open(url) as link:
        axis = link.axis(16, 0)
        axis.take()
        with pytest.raises((CheckFailed, DeviceRefused), match="encoder"):
            find(axis)
        assert axis.status().fault == Fault.ENCODER
        assert axis.position() == pytest.approx(0.0, abs=0.5)
