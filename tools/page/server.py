"""The page as a web application: its routes, its socket, and the web server around it."""

from __future__ import annotations

import asyncio
import json
import math
import secrets
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from fastapi import FastAPI, Response, WebSocket, WebSocketDisconnect
from fastapi.responses import FileResponse
from numpy.typing import NDArray

from ringlet.tools.errors import RingletError
from ringlet.tools.page import view
from ringlet.tools.page.actions import URGENT, act, too_late
from ringlet.tools.page.bench_thread import Bench
from ringlet.tools.page.guard import App, Guard

if TYPE_CHECKING:
    import uvicorn

SEND_EVERY: Final = 0.05
"""Seconds between two pictures of the axes that a page is sent."""
LONGEST_ASK: Final = 1000
"""Characters of a request over the socket."""
MOST_POINTS: Final = 4000
"""Rows of an older part of a trace that are sent at once."""
JSON: Final = "application/json"
FIRST_SECONDS: Final = 30
"""Seconds of trace that a page is given when it opens."""


def build(bench: Bench, *, token: str = "") -> App:
    """The application, guarded. Call it once a process: NiceGUI keeps its pages in the process."""
    from nicegui import ui

    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)

    @app.get("/trace/{key}.csv")
    def trace(key: str) -> Response:
        found = bench.traces.get(key)
        if found is None:
            return Response("There is no such axis.\n", 404, media_type="text/plain")
        heads = {"content-disposition": f'attachment; filename="trace-{key}.csv"'}
        return Response(found.csv(), media_type="text/csv", headers=heads)

    @app.get("/trace/{key}.json")
    def older(key: str, begin: float, end: float, points: int = 1000) -> Response:
        """A part of a trace, thinned out to at most about `points` rows."""
        found = bench.traces.get(key)
        if found is None or not (math.isfinite(begin) and math.isfinite(end)):
            return Response("There is no such trace.\n", 404, media_type="text/plain")
        return Response(json.dumps(rows_of(*found.part(begin, end, min(points, MOST_POINTS)))), media_type=JSON)

    @app.get("/kept.json")
    def kept() -> Response:
        """Takes and reports in the folder."""
        held = bench.keeping
        lists = {"takes": held.takes(), "runs": held.runs()} if held is not None else {"takes": [], "runs": []}
        return Response(json.dumps({name: [one._asdict() for one in rows] for name, rows in lists.items()}),
                        media_type=JSON)  # fmt: skip

    @app.get("/take/{name}")
    def take(name: str) -> Response:
        shot = bench.snapshot.take
        found = bench.keeping.take(name) if bench.keeping is not None else None
        if found is None:
            return Response("There is no such take.\n", 404, media_type="text/plain")
        if shot.running and found.stem == shot.name:
            return Response("This take is still being recorded; end it first.\n", 409, media_type="text/plain")
        return FileResponse(found, media_type="application/octet-stream", filename=name)

    @app.get("/report/{run}/{name}")
    def report(run: str, name: str) -> Response:
        found = bench.keeping.run_file(run, name) if bench.keeping is not None else None
        if found is None:
            return Response("There is no such report.\n", 404, media_type="text/plain")
        if found.suffix == ".html":
            return FileResponse(found, media_type="text/html; charset=utf-8")
        return FileResponse(found, media_type="application/octet-stream", filename=f"{run}-{name}")

    @app.post("/stop")
    async def stop() -> Response:
        """Another way in, for a page whose socket is down."""
        try:
            await asyncio.wrap_future(bench.stop_all())
        except RingletError as error:
            return Response(f"{error}\n", 503, media_type="text/plain")
        return Response(json.dumps({"done": "stop"}), media_type=JSON)

    @app.websocket("/bench")
    async def socket(web: WebSocket) -> None:
        await web.accept()
        await _Talk(bench, web).run()

    view.make(bench)
    ui.run_with(app, title="Ringlet bench", dark=None, show_welcome_message=False, tailwind=False)
    return Guard(app, token=token)


def rows_of(times: NDArray[np.float64], rows: NDArray[np.float32]) -> list[list[float]]:
    """Rows of a trace for JSON: time, position, setpoint, velocity, load."""
    return [
        [round(float(at), 3), *(round(float(one), 3) for one in row)] for at, row in zip(times, rows, strict=True)
    ]  # fmt: skip


class _Talk:
    """One open page."""

    def __init__(self, bench: Bench, web: WebSocket) -> None:
        self._bench, self._web = bench, web
        self._who = secrets.token_hex(8)
        self._held: dict[tuple[str, str], dict[str, Any]] = {}
        self._sending = asyncio.Lock()
        self._answers: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        teller = asyncio.create_task(self._tell())
        try:
            while True:
                text = await self._web.receive_text()
                if len(text) <= LONGEST_ASK:
                    self._hear(text)
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            teller.cancel()
            for asked in self._held.values():  # the page is gone: sooner than the dead-man time
                self._act({**asked, "do": "free"})

    def _hear(self, text: str) -> None:
        try:
            asked = json.loads(text)
        except (ValueError, RecursionError):
            return
        if isinstance(asked, dict):
            self._act(asked)

    def _act(self, asked: dict[str, Any]) -> None:
        name = (str(asked.get("axis")), str(asked.get("hold")))
        late = "" if asked.get("do") in URGENT else too_late(asked.get("seen"))
        if late:
            self._later(self._say({"said": late, "of": asked.get("do"), "ended": asked.get("hold")}))
            return
        if asked.get("do") == "press":
            self._held[name] = asked
        elif asked.get("do") == "free":
            self._held.pop(name, None)
        try:
            future = act(self._bench, asked, self._who)
        except RingletError as error:
            self._later(self._say({"said": str(error), "of": asked.get("do")}))
            return
        if future is False:
            self._held.pop(name, None)
            self._later(self._say({"ended": asked.get("hold")}))
        elif future is not None and not isinstance(future, bool):
            self._later(self._answer(asyncio.wrap_future(future), asked))

    def _later(self, work: Any) -> None:
        task = asyncio.create_task(work)
        self._answers.add(task)
        task.add_done_callback(self._answers.discard)

    async def _answer(self, future: asyncio.Future[Any], asked: dict[str, Any]) -> None:
        try:
            await future
        except asyncio.CancelledError:
            await self._say({"said": "Dropped: everything was stopped first.", "of": asked.get("do")})
        except Exception as error:
            await self._say({"said": str(error), "of": asked.get("do"), "ended": asked.get("hold")})
        else:
            await self._say({"done": asked.get("do"), "axis": asked.get("axis")})

    async def _say(self, data: dict[str, Any]) -> None:
        try:
            async with self._sending:
                await self._web.send_text(json.dumps(data, allow_nan=False))
        except (WebSocketDisconnect, RuntimeError):
            pass

    async def _tell(self) -> None:
        sent = {key: max(0, trace.count - int(FIRST_SECONDS * 50)) for key, trace in self._bench.traces.items()}
        while True:
            traces = {}
            for key, trace in self._bench.traces.items():
                count = trace.count
                times, rows = trace.since(sent[key])
                sent[key] = count
                traces[key] = rows_of(times, rows)
            shot = self._bench.snapshot.plain()
            shot["alive"], shot["sent"] = self._bench.alive, round(time.monotonic(), 3)
            await self._say({"shot": shot, "traces": traces})
            await asyncio.sleep(SEND_EVERY)


def server_for(app: App, host: str, port: int) -> uvicorn.Server:
    """A web server; `run` it. It logs nothing but its errors and asks nobody for anything."""
    import uvicorn

    config = uvicorn.Config(
        app, host=host, port=port, log_level="error", access_log=False, server_header=False, ws_max_size=65536,
        ws_ping_interval=5.0, ws_ping_timeout=5.0, timeout_graceful_shutdown=2, proxy_headers=False,
    )  # fmt: skip
    return uvicorn.Server(config)


def serve(
    bench: Bench, host: str, port: int, *, token: str = "", ready: Callable[[], None], browser: str = ""
) -> None:
    """Serve the page until Ctrl-C or a request to end; `browser` is an address to open on this machine."""
    server = server_for(build(bench, token=token), host, port)
    ready()
    if browser:
        import threading
        import webbrowser

        threading.Timer(1.0, webbrowser.open, [browser]).start()
    # The server raises the signal again once it has ended; whoever has the bench must then still close it.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with suppress(KeyboardInterrupt):
        server.run()
