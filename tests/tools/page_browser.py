"""Chromium driven over its DevTools protocol (its public documentation), for tests of the page."""

from __future__ import annotations

import base64
import itertools
import json
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from ringlet.tools.page.bench_thread import Bench, wait_for

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--remote-debugging-port=0",
)  # fmt: skip


@contextmanager
def running(bench: Bench) -> Iterator[str]:
    """The page in a thread of this process; gives its address. Once a process."""
    import socket

    from ringlet.tools.page.server import build, server_for

    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        server = server_for(build(bench), "127.0.0.1", 0)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]}, daemon=True)
        thread.start()
        assert wait_for(lambda: server.started, 10)
        try:
            yield f"http://127.0.0.1:{sock.getsockname()[1]}/"
        finally:
            server.should_exit = True
            thread.join(10)


@contextmanager
def served(bench: Bench) -> Iterator[str]:
    """As `running`, for tests: NiceGUI's state is put back, so that another module may serve a page too."""
    from nicegui.testing.general import nicegui_reset_globals

    ours = {name: module for name, module in sys.modules.items() if name.partition(".")[0] == "ringlet"}
    try:
        with nicegui_reset_globals(), running(bench) as address:
            yield address
    finally:
        sys.modules.update(ours)  # it forgets the module of the page and all its parents, for apps that run anew


class Browser:
    """A browser of our own; `kill` ends it as a crash would."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        self.process = subprocess.Popen(
            [CHROMIUM, *FLAGS, f"--user-data-dir={self._folder.name}", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        told = Path(self._folder.name) / "DevToolsActivePort"
        assert wait_for(lambda: told.exists() and len(told.read_text().splitlines()) == 2, 20)
        port, path = told.read_text().splitlines()
        self._base = f"ws://127.0.0.1:{port}"
        self.root = _Wire(self._base + path)

    def open(self, url: str, width: int = 1280, height: int = 900) -> Tab:
        target = self.root.ask("Target.createTarget", url="about:blank")["targetId"]
        tab = Tab(_Wire(f"{self._base}/devtools/page/{target}"), target)
        tab.size(width, height)
        tab.wire.ask("Page.enable")
        tab.wire.ask("Page.bringToFront")
        tab.wire.ask("Page.navigate", url=url)
        return tab

    def close(self) -> None:
        self.process.kill()
        self.process.wait(10)
        self._folder.cleanup()


class _Wire:
    def __init__(self, url: str) -> None:
        from websockets.sync.client import connect

        self._stack = ExitStack()
        self._socket = self._stack.enter_context(connect(url, max_size=None, open_timeout=10))
        self._numbers = itertools.count(1)

    def send(self, method: str, **params: Any) -> int:
        """Ask without waiting for the answer."""
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": params}))
        return number

    def ask(self, method: str, **params: Any) -> Any:
        number = self.send(method, **params)
        while True:
            heard = json.loads(self._socket.recv(timeout=20))
            if heard.get("id") == number:
                assert "error" not in heard, heard
                return heard["result"]


class Tab:
    def __init__(self, wire: _Wire, target: str) -> None:
        self.wire, self.target = wire, target

    def size(self, width: int, height: int) -> None:
        self.wire.ask(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False
        )

    def js(self, text: str) -> Any:
        got = self.wire.ask("Runtime.evaluate", expression=text, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in got, got
        return got["result"].get("value")

    def until(self, text: str, seconds: float = 15) -> bool:
        end = time.monotonic() + seconds
        while not self.js(f"Boolean({text})"):
            if time.monotonic() > end:
                return False
            time.sleep(0.05)
        return True

    def middle(self, selector: str) -> tuple[float, float]:
        return tuple(self.js(
            f"(() => {{ const n = document.querySelector({json.dumps(selector)});"
            "n.scrollIntoView({block: 'center'});"
            "const b = n.getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2]; })()"
        ))  # fmt: skip

    def mouse(self, kind: str, x: float, y: float) -> None:
        self.wire.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def click(self, selector: str) -> None:
        x, y = self.middle(selector)
        self.mouse("mousePressed", x, y)
        self.mouse("mouseReleased", x, y)

    def touch(self, kind: str, *points: tuple[float, float]) -> None:
        """`touchStart`, `touchMove` with all fingers that are down, `touchEnd` with those that stay."""
        self.wire.ask(
            "Input.dispatchTouchEvent", type=kind, touchPoints=[{"x": x, "y": y, "id": n} for n, (x, y) in
                                                                enumerate(points)],
        )  # fmt: skip

    def wheel(self, x: float, y: float, delta: float, modifiers: int = 0) -> None:
        """Turn the wheel; `modifiers` 2 is Ctrl, 8 is Shift."""
        self.wire.ask(
            "Input.dispatchMouseEvent", type="mouseWheel", x=x, y=y, deltaX=0, deltaY=delta, modifiers=modifiers
        )  # fmt: skip

    def text(self, selector: str) -> str:
        return str(self.js(f"document.querySelector({json.dumps(selector)})?.textContent ?? ''"))

    def dialog(self, button: str) -> None:
        """Press a button of the question that is open."""
        self.js(
            "[...document.querySelectorAll('.q-dialog button')].filter(b => b.offsetParent)"
            f".find(b => b.textContent.includes({json.dumps(button)})).click()"
        )

    def key(self, key: str, code: int, kind: str = "keyDown") -> None:
        self.wire.ask("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)

    def picture(self, path: Path) -> None:
        data = self.wire.ask("Page.captureScreenshot", format="png")["data"]
        path.write_bytes(base64.b64decode(data))
