"""Other systems than Linux, as far as this one can play them: what is not there is left out, names of ports go through.

No such machine is here: modules and functions that Windows lacks are hidden, and its errors are given as pyserial words
them (serialwin32.py of pyserial 3.5). Windows and macOS themselves were not tried.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.states import State
from ringlet.tools import signals
from ringlet.tools.cli import main
from ringlet.tools.errors import UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.transports import open_problem, open_transport

OTHER_SYSTEM = """
import sys
import asyncio, can, concurrent.futures, contextlib, io, json, multiprocessing, os, select, serial, signal, subprocess
import can.interfaces.slcan, nicegui, rich.console, rich.progress, serial.tools.list_ports, typer, uvicorn

GONE = ("pty", "termios", "tty", "fcntl", "resource", "grp", "pwd", "posix", "readline", "syslog")
for name in GONE:
    sys.modules[name] = None
for module, names in {
    os: "openpty ttyname fork forkpty getuid geteuid getgid uname kill killpg O_DIRECTORY O_NOCTTY mkfifo sysconf",
    select: "poll epoll", signal: "SIGHUP SIGUSR1 SIGALRM SIGKILL pthread_sigmask sigwait alarm",
}.items():
    for name in names.split():
        if hasattr(module, name):
            delattr(module, name)
sys.platform = "win32"

import importlib, pkgutil
import ringlet.hwsim, ringlet.protocol, ringlet.tools
seen = 0
for package in (ringlet.protocol, ringlet.hwsim, ringlet.tools):
    for one in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if ".examples" not in one.name:
            importlib.import_module(one.name)
            seen += 1
from ringlet.tools.cli import main
told = []
for words in json.load(sys.stdin):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    told.append([code, out.getvalue(), err.getvalue()])
from ringlet.tools.demo import WAYS
json.dump({"modules": seen, "told": told, "ways": WAYS}, sys.stdout)
"""


@pytest.fixture(scope="module")
def elsewhere(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a process says that has nothing of POSIX's own."""
    folder = tmp_path_factory.mktemp("elsewhere")
    (folder / "ringlet_host").write_text("")
    (folder / "ringlet_host").chmod(0o755)
    commands = {
        "status": "status --link sim:trio",
        "move": "move 20 --find --link sim:single",
        "conform": "conform --gentle --only TAG-01 --link sim:single",
        "record": "record a.mcap --seconds 0.3 --link sim:single",
        "setup": "setup save mine --link sim:single",
        "doctor": "doctor --link sim:single",
        "sim": "sim trio --seconds 0",
        "serial": "sim trio --serial --seconds 0",
        "firmware": f"status --link sim:single?firmware={folder / 'ringlet_host'}",
    }
    env = {**os.environ, "RINGLET_SETUPS": str(folder), "HOME": str(folder)}
    done = subprocess.run(
        [sys.executable, "-c", OTHER_SYSTEM], input=json.dumps([line.split() for line in commands.values()]),
        capture_output=True, text=True, timeout=120, cwd=folder, env=env, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    found["told"] = dict(zip(commands, found["told"], strict=True))
    return found


def test_everything_can_be_imported(elsewhere: dict[str, Any]) -> None:
    assert elsewhere["modules"] > 150


@pytest.mark.parametrize("job", ["status", "move", "conform", "record", "setup", "doctor"])
def test_simulated_links_work(elsewhere: dict[str, Any], job: str) -> None:
    code, _, err = elsewhere["told"][job]
    assert code == 0, err


def test_a_rig_is_served_over_tcp_where_there_are_no_terminals(elsewhere: dict[str, Any]) -> None:
    code, out, _ = elsewhere["told"]["sim"]
    assert code == 0
    assert out.startswith("serial:socket://127.0.0.1:")
    assert elsewhere["ways"] == [["over serial frames on TCP", "--tcp"]]
    code, _, err = elsewhere["told"]["serial"]
    assert code == 3
    assert err == "ringlet: this system has no pseudo-terminals for serial; serve over tcp.\n"


def test_a_core_in_c_is_refused_in_one_sentence(elsewhere: dict[str, Any]) -> None:
    code, _, err = elsewhere["told"]["firmware"]
    assert code == 2
    assert err == "ringlet: a motor core in C needs a system that can wait for pipes (Linux, macOS).\n"


class Port:
    """As much of a pyserial port as opening needs."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, int]] = []

    def __call__(self, url: str, baudrate: int, **more: object) -> Port:
        self.asked.append((url, baudrate))
        return self

    def close(self) -> None: ...


@pytest.mark.parametrize(
    ("link", "name", "baud"),
    [
        ("serial:COM3", "COM3", 115200),
        ("serial:COM12?baud=57600", "COM12", 57600),
        (r"serial:\\.\COM12?baud=57600", r"\\.\COM12", 57600),
        ("serial:/dev/tty.usbmodem14101?baud=460800", "/dev/tty.usbmodem14101", 460800),
        ("serial:/dev/cu.usbserial-A50285BI", "/dev/cu.usbserial-A50285BI", 115200),
    ],
)
def test_names_of_ports_reach_pyserial(monkeypatch: pytest.MonkeyPatch, link: str, name: str, baud: int) -> None:
    port = Port()
    monkeypatch.setattr("serial.serial_for_url", port)
    open_transport(link).close()
    assert port.asked == [(name, baud)]


def test_a_rig_file_on_a_drive_keeps_its_name() -> None:
    with pytest.raises(UsageProblem, match=r"C:\\\\rigs\\\\my rig\.toml"):
        open_transport(r"sim:C:\rigs\my rig.toml")


@pytest.mark.parametrize(
    ("reason", "says"),
    [
        ("FileNotFoundError(2, 'Das System kann die Datei nicht finden.', None, 2)", "there is no serial:COM9 here"),
        ("PermissionError(13, 'Access is denied.', None, 5)", "in use by another program"),
        ("OSError(22, 'The semaphore timeout period has expired.', None, 121)", "does not open"),
    ],
)
def test_errors_of_windows_are_understood(reason: str, says: str) -> None:
    from serial import SerialException

    problem = open_problem("serial:COM9", SerialException(f"could not open port 'COM9': {reason}"))
    assert says in str(problem)


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_pipe_without_our_signs_is_no_error(encoding: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "ringlet.tools.cli", "limits", "--find", "--link", "sim:single"],
        capture_output=True, env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "? holds" in done.stdout.decode(encoding)


# --- signals ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_whoever_ends_the_command_stops_the_ring(served: Callable[..., Any], number: int) -> None:
    """A supervisor, or a terminal that is closed; the owner's time-out is far longer than the test waits."""
    with served(SimRig(load_rig("single")), "tcp") as there:
        with Link.open(there.url, source=2) as link:
            ring = link.axis(16, 0)
            ring.take()
            ring.set("owner-timeout", 60.0)
            ring.yield_()
        where = ["--node", "16", "--axis", "0", "--link", there.url]  # a search would hear us too
        words = [sys.executable, "-m", "ringlet.tools.cli", "jog", "10", "--seconds", "50", *where]
        before = signal.signal(number, signal.SIG_DFL)  # whoever runs the tests under nohup hands on that it is ignored
        jog = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
        signal.signal(number, before)
        with Link.open(there.url, source=2) as link:
            ring = link.axis(16, 0)
            deadline = time.monotonic() + 20
            while ring.status().state != State.RUNNING and time.monotonic() < deadline:
                time.sleep(0.05)
            jog.send_signal(number)
            err = jog.communicate(timeout=20)[1]
            assert jog.returncode == 130, err
            assert err.endswith("Stopped: the axis is at rest.\nringlet: interrupted.\n")
            assert ring.status().state == State.HOLDING


def test_ctrl_break_is_one_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows calls it SIGBREAK; another signal of this system plays it."""
    monkeypatch.setattr(signal, "SIGBREAK", signal.SIGUSR1, raising=False)
    assert signal.SIGUSR1 in signals.ending()
    before = signal.getsignal(signal.SIGUSR1)
    with pytest.raises(KeyboardInterrupt), signals.as_ctrl_c():
        signal.raise_signal(signal.SIGUSR1)
    assert signal.getsignal(signal.SIGUSR1) == before


def test_what_nohup_ignores_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        assert signal.SIGHUP not in signals.ending()
        with signals.as_ctrl_c():
            signal.raise_signal(signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_another_thread_changes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    codes: list[int] = []
    thread = threading.Thread(target=lambda: codes.append(main(["rigs", "--json"])))
    before = signal.getsignal(signal.SIGTERM)
    thread.start()
    thread.join(10)
    assert codes == [0]
    assert signal.getsignal(signal.SIGTERM) == before


def test_handlers_are_put_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)]
    assert main(["sim", "trio", "--tcp", "--seconds", "0"]) == 0
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)] == before
