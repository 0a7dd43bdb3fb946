"""Who may speak to the page: checked before anything else sees a request or a socket.

- `Host` must name this machine's loopback while the page is bound to it (else another site's name could lead here).
- Sockets and everything that is not a plain read need an `Origin` that is the page's own.
- An exposed page needs its token: once in the address, afterwards in a cookie that scripts cannot read.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LOOPBACK: Final = frozenset({"127.0.0.1", "localhost", "::1"})
COOKIE: Final = "ringlet_token"
READS: Final = frozenset({"GET", "HEAD"})
POLICY: Final = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' ws: wss:; frame-ancestors 'none'; "
    "base-uri 'self'; form-action 'self'"
)
"""Content-Security-Policy (W3C): the browser fetches nothing from elsewhere, and no other page frames this one."""
REPORT_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; base-uri 'none'; "
    "form-action 'none'; sandbox allow-same-origin allow-downloads"
)
"""A report is shown inside the page, and no script in it runs."""
REPORTS: Final = "/report/"


class Guard:
    """An ASGI application around another one. With `token` empty only loopback names are served."""

    def __init__(self, app: App, *, token: str = "") -> None:
        self._app, self._token = app, token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        heads = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        why = self._refusal(scope, heads)
        if why:
            await _refuse(scope, send, why)
            return
        fresh = bool(self._token) and self._in_query(scope)

        async def add_heads(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                policy = REPORT_POLICY if scope["path"].startswith(REPORTS) else POLICY
                more = [
                    (b"content-security-policy", policy.encode()),
                    (b"x-content-type-options", b"nosniff"),
                    (b"referrer-policy", b"no-referrer"),
                ]
                if fresh:
                    cookie = f"{COOKIE}={self._token}; Path=/; HttpOnly; SameSite=Strict"
                    more.append((b"set-cookie", cookie.encode()))
                message = {**message, "headers": [*message.get("headers", []), *more]}
            await send(message)

        await self._app(scope, receive, add_heads)

    def _refusal(self, scope: Scope, heads: dict[str, str]) -> str:
        host = heads.get("host", "")
        if not self._token and _name(f"//{host}") not in LOOPBACK:
            return "this page answers to the names of the loopback only"
        origin = heads.get("origin")
        acts = scope["type"] == "websocket" or scope["method"] not in READS
        if (origin is None and acts) or (origin is not None and _place(origin) != host.lower()):
            return "the request comes from another page"
        if self._token and not (self._in_query(scope) or self._in_cookie(heads)):
            return "the token is missing or wrong; use the address that `ringlet page` printed"
        return ""

    def _in_query(self, scope: Scope) -> bool:
        given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
        return hmac.compare_digest(given.encode(), self._token.encode())

    def _in_cookie(self, heads: dict[str, str]) -> bool:
        try:
            jar = SimpleCookie(heads.get("cookie", ""))
        except CookieError:
            return False
        return COOKIE in jar and hmac.compare_digest(jar[COOKIE].value.encode(), self._token.encode())


def _name(address: str) -> str:
    try:
        return (urlsplit(address).hostname or "").lower()
    except ValueError:
        return ""


def _place(origin: str) -> str:
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


async def _refuse(scope: Scope, send: Send, why: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008, "reason": why})  # before it is accepted: answered by 403
        return
    body = f"403: {why}.\n".encode()
    heads = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": 403, "headers": heads})
    await send({"type": "http.response.body", "body": body})
