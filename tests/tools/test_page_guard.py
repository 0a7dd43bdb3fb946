"""Attempts on the page: other origins, other names, no token, files of the machine. Real requests over loopback."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

pytest.importorskip("nicegui", reason="the page needs the extra `page`")

from page_browser import served
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from ringlet.tools.page.bench_thread import Bench, wait_for
from ringlet.tools.page.guard import COOKIE, Guard


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a take and a report, beside things that are nobody's business."""
    above = tmp_path_factory.mktemp("above")
    (above / "secret.mcap").write_text("root:x:")
    (above / "secret").mkdir()
    (above / "secret" / "bench.html").write_text("root:x:")
    held = above / "kept"
    (held / "run-1").mkdir(parents=True)
    (held / "scene.mcap").write_bytes(b"\x89MCAP take")
    (held / "notes.txt").write_text("root:x:")
    (held / "run-1" / "bench.html").write_text("<!doctype html><title>report</title><script>evil()</script>")
    (held / "run-1" / "bench.json").write_text("{}")
    (held / "run-1" / "id_rsa").write_text("root:x:")
    (held / "link.mcap").symlink_to(above / "secret.mcap")
    (held / "run-2").symlink_to(above / "secret")
    return held


@pytest.fixture(scope="module")
def bench(folder: Path) -> Iterator[Bench]:
    with Bench("sim:trio", folder=folder) as one:
        yield one


@pytest.fixture(scope="module")
def page(bench: Bench) -> Iterator[str]:
    with served(bench) as address:
        yield address


def ask(page: str, method: str, path: str, **heads: str) -> tuple[int, bytes, dict[str, str]]:
    """One request exactly as written: no client tidies the path."""
    line = http.client.HTTPConnection(urlsplit(page).netloc, timeout=10)
    line.putrequest(method, path, skip_host="Host" in heads, skip_accept_encoding=True)
    for name, value in heads.items():
        line.putheader(name, value)
    line.endheaders()
    answer = line.getresponse()
    found = answer.status, answer.read(), {name.lower(): value for name, value in answer.getheaders()}
    line.close()
    return found


def test_the_page_is_there_and_fetches_nothing_from_elsewhere(page: str) -> None:
    status, body, heads = ask(page, "GET", "/")
    assert status == 200
    assert b"STOP ALL" in body
    assert b"local codes" in body
    assert "default-src 'self'" in heads["content-security-policy"]
    assert b"https://" not in body.replace(b"https://github.com/zauberzeug", b"")


def test_another_name_for_this_machine_is_refused(page: str) -> None:
    assert ask(page, "GET", "/", Host="motors.example")[0] == 403
    assert ask(page, "GET", "/", Host="")[0] in (400, 403)


def test_a_post_needs_the_pages_own_origin(bench: Bench, page: str) -> None:
    stops = bench.snapshot.stops
    assert ask(page, "POST", "/stop")[0] == 403
    assert ask(page, "POST", "/stop", Origin="http://motors.example")[0] == 403
    assert ask(page, "POST", "/stop", Origin="null")[0] == 403
    assert bench.snapshot.stops == stops
    own = page.rstrip("/")
    assert ask(page, "POST", "/stop", Origin=own)[0] == 200
    assert wait_for(lambda: bench.snapshot.stops == stops + 1, 2)


@pytest.mark.parametrize("path", ["/bench", "/_nicegui_ws/socket.io/?EIO=4&transport=websocket"])
@pytest.mark.parametrize("origin", [None, "http://motors.example", "null"])
def test_a_socket_needs_the_pages_own_origin(page: str, path: str, origin: str | None) -> None:
    address = page.replace("http", "ws", 1).rstrip("/") + path
    with pytest.raises(InvalidStatus) as caught, connect(address, origin=origin):  # type: ignore[arg-type]
        pass
    assert caught.value.response.status_code == 403


def test_the_socket_shows_the_truth_and_survives_nonsense(page: str) -> None:
    own = page.rstrip("/")
    with connect(own.replace("http", "ws", 1) + "/bench", origin=own) as socket:  # type: ignore[arg-type]
        for nonsense in ("", "{", "[]", "7", '{"do":"erase"}', "x" * 5000, '{"do":"take","axis":{"a":1}}'):
            socket.send(nonsense)
        for _ in range(20):
            heard = json.loads(socket.recv(timeout=5))
            if "shot" in heard:
                assert [one["key"] for one in heard["shot"]["axes"]] == ["16.0", "16.1", "16.2"]
        socket.send('{"do":"take","axis":"16.1"}')
        assert any(json.loads(socket.recv(timeout=5)).get("done") == "take" for _ in range(60))


def test_closing_the_socket_ends_its_jog(bench: Bench, page: str) -> None:
    own = page.rstrip("/")
    with connect(own.replace("http", "ws", 1) + "/bench", origin=own) as socket:  # type: ignore[arg-type]
        for asked in ('"take"', '"hold"', '"press","deg_s":5,"hold":"h"'):
            socket.send(f'{{"do":{asked},"axis":"16.0"}}')
        assert wait_for(lambda: bench.snapshot.axes[0].state == "running", 5)
    assert wait_for(lambda: bench.snapshot.axes[0].state == "holding", 5)


SECRET = Path(__file__).resolve().parents[2] / "pyproject.toml"


@pytest.mark.parametrize("way", [
    "/../../../../../../../../etc/passwd", "/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
    "/..%2f..%2f..%2f..%2fetc%2fpasswd",
    "/trace/..%2f..%2f..%2fetc%2fpasswd.csv", "/trace/%2e%2e/%2e%2e/etc/passwd", "//etc/passwd", "/file:///etc/passwd",
    "/_nicegui/static/../../../../../../../../etc/passwd", "/_nicegui/static/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
    "/_nicegui/VERSION/static/../../../../../../../../../../etc/passwd", "/page.js", "/pyproject.toml", "/docs",
    "/_nicegui/VERSION/static/..%2f..%2f..%2f..%2f..%2f..%2f..%2f..%2f..%2fetc%2fpasswd", "/openapi.json",
    "/_nicegui/VERSION/components/..%2f..%2fserver.py", "/_nicegui/VERSION/resources/x/..%2f..%2f..%2fetc%2fpasswd",
])  # fmt: skip
def test_no_file_of_the_machine_is_reachable(page: str, way: str) -> None:
    import nicegui

    status, body, _ = ask(page, "GET", way.replace("VERSION", nicegui.__version__))
    assert status in (400, 404)
    assert b"root:x:" not in body
    assert SECRET.read_bytes()[:40] not in body


def test_a_trace_is_exported(bench: Bench, page: str) -> None:
    assert wait_for(lambda: bench.traces["16.2"].count > 5, 5)
    status, body, heads = ask(page, "GET", "/trace/16.2.csv")
    assert status == 200
    assert body.startswith(b"time_s,position_deg")
    assert body.count(b"\n") > 5
    assert "attachment" in heads["content-disposition"]


def test_what_is_kept_is_listed_and_given_out(page: str) -> None:
    listed = json.loads(ask(page, "GET", "/kept.json")[1])
    assert [one["name"] for one in listed["takes"]] == ["scene.mcap"]
    assert [one["name"] for one in listed["runs"]] == ["run-1"]
    status, body, heads = ask(page, "GET", "/take/scene.mcap")
    assert (status, body) == (200, b"\x89MCAP take")
    assert "attachment" in heads["content-disposition"]
    status, body, heads = ask(page, "GET", "/report/run-1/bench.html")
    assert status == 200
    assert b"<title>report</title>" in body
    policy = heads["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "sandbox" in policy
    assert "allow-scripts" not in policy
    assert "frame-ancestors 'self'" in policy
    assert "attachment" in ask(page, "GET", "/report/run-1/bench.json")[2]["content-disposition"]


@pytest.mark.parametrize("way", [
    "/take/..%2fsecret.mcap", "/take/%2e%2e/secret.mcap", "/take/../secret.mcap", "/take/link.mcap", "/take/notes.txt",
    "/take/..%5csecret.mcap", "/take/scene.mcap%00.txt", "/take/%2fetc%2fpasswd", "/take/.", "/take/..", "/take/",
    "/report/run-2/bench.html", "/report/run-1/id_rsa", "/report/run-1/..%2fnotes.txt", "/report/../secret/bench.html",
    "/report/..%2fsecret/bench.html", "/report/run-1/..%2f..%2fsecret%2fbench.html", "/report/run-1/%2e%2e", "/report/",
    "/report/run-1/", "/report/%2e%2e%2fsecret/bench.html", "/report/run-1/bench.html%00", "/kept/scene.mcap",
    "/report/./scene.mcap", "/trace/16.2.json", "/trace/99.9.json?begin=0&end=1",
    "/trace/16.2.json?begin=nan&end=1", "/trace/..%2f16.2.json?begin=0&end=1",
])  # fmt: skip
def test_no_other_file_is_given_out(page: str, way: str) -> None:
    status, body, _ = ask(page, "GET", way)
    assert status in (400, 404, 405, 422)
    assert b"root:x:" not in body
    assert b"evil" not in body


@pytest.mark.parametrize("way", ["/take/scene.mcap", "/report/run-1/bench.html", "/kept.json", "/trace/16.0.csv"])
def test_another_page_may_not_read_either(page: str, way: str) -> None:
    assert ask(page, "GET", way, Origin="http://motors.example")[0] == 403
    assert ask(page, "GET", way, Host="motors.example")[0] == 403


def test_a_take_that_is_being_recorded_is_not_given_out_yet(bench: Bench, page: str) -> None:
    bench.start_take("now").result(5)
    assert ask(page, "GET", "/take/now.mcap")[0] == 409
    bench.end_take().result(5)
    assert wait_for(lambda: not bench.snapshot.take.running, 5)
    status, body, _ = ask(page, "GET", "/take/now.mcap")
    assert status == 200
    assert body.startswith(b"\x89MCAP")


def test_an_older_part_of_a_trace_is_bounded(bench: Bench, page: str) -> None:
    assert wait_for(lambda: bench.traces["16.2"].count > 60, 10)
    status, body, _ = ask(page, "GET", "/trace/16.2.json?begin=0&end=1e9&points=999999999")
    rows = json.loads(body)
    assert status == 200
    assert 60 < len(rows) <= 4100
    assert len(rows[0]) == 5
    assert len(json.loads(ask(page, "GET", "/trace/16.2.json?begin=0&end=1e9&points=10")[1])) <= 12


# --- the token: the guard alone, for NiceGUI makes its pages once a process ------------------------------------------


async def _inner(scope: object, receive: object, send: object) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})  # type: ignore[operator]
    await send({"type": "http.response.body", "body": b"in"})  # type: ignore[operator]


def through(query: str = "", kind: str = "http", path: str = "/", **heads: str) -> list[dict[str, object]]:
    import asyncio

    said: list[dict[str, object]] = []

    async def send(message: object) -> None:
        said.append(dict(message))  # type: ignore[call-overload]

    async def receive() -> dict[str, object]:
        return {}

    scope = {
        "type": kind, "method": "GET", "path": path, "query_string": query.encode(),
        "headers": [(name.lower().encode(), value.encode()) for name, value in {"host": "bench:80", **heads}.items()],
    }  # fmt: skip
    asyncio.run(Guard(_inner, token="s3cret")(scope, receive, send))  # type: ignore[arg-type]
    return said


@pytest.mark.parametrize(
    ("query", "cookie"), [("", ""), ("token=", ""), ("token=other", ""), ("", f"{COOKIE}=other"), ("token=é", "x")]
)
def test_an_exposed_page_refuses_whoever_lacks_the_token(query: str, cookie: str) -> None:
    assert through(query, cookie=cookie)[0]["status"] == 403
    closed = through(query, "websocket", cookie=cookie, origin="http://bench:80")
    assert closed[0]["type"] == "websocket.close"


def test_an_origin_that_is_no_address_is_refused() -> None:
    assert through("token=s3cret", origin="http://[")[0]["status"] == 403


@pytest.mark.parametrize("path", ["/take/a.mcap", "/report/run/bench.html", "/kept.json", "/trace/16.0.json", "/bench"])
def test_nothing_that_is_kept_is_given_out_without_the_token(path: str) -> None:
    assert through(path=path)[0]["status"] == 403
    assert through("token=other", path=path)[0]["status"] == 403
    assert through(path=path, cookie=f"{COOKIE}=s3cret", origin="http://motors.example")[0]["status"] == 403
    assert through(path=path, cookie=f"{COOKIE}=s3cret")[0]["status"] == 200


def test_the_token_lets_in_and_goes_into_a_cookie_that_scripts_cannot_read() -> None:
    begun = through("token=s3cret")[0]
    assert begun["status"] == 200
    cookie = dict(begun["headers"])[b"set-cookie"].decode()  # type: ignore[call-overload]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert through(cookie=f"{COOKIE}=s3cret")[0]["status"] == 200
    assert through("", "websocket", cookie=f"{COOKIE}=s3cret", origin="http://other")[0]["type"] == "websocket.close"
    assert through("", "websocket", cookie=f"{COOKIE}=s3cret", origin="http://bench:80")[0]["status"] == 200
