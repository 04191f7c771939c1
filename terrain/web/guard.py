"""A gate in front of a web application: who may talk to it, and how much they may send at once.

`Guard` is plain ASGI, so that it fits any application. `terrain.web.listen` puts it in front and listens.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import json
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})
MAX_BODY_BYTES = 16 * 1024 * 1024
BODY_S = 60.0
COOKIE = "terrain_token"
"""The cookie's name goes on with the port: cookies do not tell ports apart, and every service has its own token."""
_FIXED_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-resource-policy", b"same-origin"),
)


@dataclass(frozen=True, slots=True)
class Rules:
    """Who may talk to an application.

    hosts : names and addresses that may stand in the Host header, in lower case, without port
    any_address : whether any IP address may stand there too; a rebound name never is one
    token : what a request must carry, or None where none is asked for
    max_body_bytes : largest body of a request
    """

    hosts: frozenset[str] = LOOPBACK_NAMES
    any_address: bool = False
    token: str | None = None
    max_body_bytes: int = MAX_BODY_BYTES


@dataclass(frozen=True, slots=True)
class _Refusal:
    status: int
    message: str
    headers: tuple[tuple[bytes, bytes], ...] = ()


class Guard:
    """ASGI middleware that answers what must not reach the application, as JSON `{"error": "one line"}`.

    It refuses, in this order: a Host header that is not ours (421; a foreign name that was made to point at this
    machine would carry a browser past the same-origin rule), a request that another site made a browser send (403),
    a request without the token (401), and a body that is too large (413). WebSockets are closed with code 1008.

    The token comes as `Authorization: Bearer TOKEN`. For browsers, a page opened once with `?token=TOKEN` gets it as
    a cookie that scripts cannot read and other sites cannot send, and is sent on to the address without it.

    Parameters
    ----------
    app : ASGI application
        What is behind the gate.
    rules : Rules
        Who may pass.

    Notes
    -----
    Origin and Sec-Fetch-Site are checked as Fetch Metadata (W3C) and RFC 6454 define them; programs that are no
    browsers send neither. A body is read whole before the application sees it, so that one that is too large costs
    no work; the application gets it in one piece.
    """

    def __init__(self, app: App, rules: Rules) -> None:
        self._app = app
        self._rules = rules

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = {
            bytes(name).decode("latin-1").lower(): bytes(value).decode("latin-1") for name, value in scope["headers"]
        }
        refusal = self._refusal(scope, headers)
        if scope["type"] == "websocket":
            if refusal is None:
                await self._app(scope, receive, send)
            else:
                await receive()
                await send({"type": "websocket.close", "code": 1008, "reason": refusal.message[:120]})
            return
        bring = _with_headers(send)
        if refusal is None:
            body = await self._body_in_time(receive, headers)
            if isinstance(body, bytes):
                await self._app(scope, _replay(body, receive), bring)
                return
            refusal = body
        if refusal is not _GONE:
            await _answer(bring, refusal)

    def _refusal(self, scope: Message, headers: dict[str, str]) -> _Refusal | None:
        host = headers.get("host", "")
        if not self._is_our_host(host):
            return _Refusal(
                421, f"Host is {host!r}, expected a name of this server ({', '.join(sorted(self._rules.hosts))})"
            )
        if _is_foreign(scope, headers):
            return _Refusal(403, "the request was made by a page of another site")
        if self._rules.token is None or self._has_token(scope, headers):
            return None
        return self._login(scope)

    def _is_our_host(self, host: str) -> bool:
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        if name.rstrip(".") in self._rules.hosts:
            return True
        return self._rules.any_address and _is_address(name)

    def _has_token(self, scope: Message, headers: dict[str, str]) -> bool:
        kind, _, given = headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer" and self._is_token(given.strip()):
            return True
        cookies = (part.strip().partition("=") for part in headers.get("cookie", "").split(";"))
        return any(name == _cookie(scope) and self._is_token(value) for name, _, value in cookies)

    def _is_token(self, given: str) -> bool:
        return hmac.compare_digest(given.encode("utf-8"), (self._rules.token or "").encode("utf-8"))

    def _login(self, scope: Message) -> _Refusal:
        """Return what a request without token gets: a cookie if the token is in its address, else 401."""
        query = parse_qsl(scope.get("query_string", b"").decode("latin-1"), keep_blank_values=True)
        given = [value for name, value in query if name == "token"]
        if scope["type"] == "http" and scope["method"] == "GET" and given and self._is_token(given[0]):
            rest = urlencode([(name, value) for name, value in query if name != "token"])
            path = scope.get("raw_path", b"").decode("latin-1") or scope["path"]
            # A path that starts with two slashes would be an address on another machine.
            target = "/" + path.lstrip("/\\") + (f"?{rest}" if rest else "")
            cookie = f"{_cookie(scope)}={self._rules.token}; Path=/; HttpOnly; SameSite=Strict"
            headers = ((b"location", target.encode("latin-1")), (b"set-cookie", cookie.encode("latin-1")))
            return _Refusal(303, "the token is in a cookie now", headers)
        return _Refusal(
            401,
            "no or a wrong token, expected the header 'Authorization: Bearer TOKEN'",
            ((b"www-authenticate", b"Bearer"),),
        )

    async def _body_in_time(self, receive: Receive, headers: dict[str, str]) -> bytes | _Refusal:
        try:
            async with asyncio.timeout(BODY_S):
                return await self._body(receive, headers)
        except TimeoutError:
            return _Refusal(408, f"the body took longer than {BODY_S:.0f} s to arrive", ((b"connection", b"close"),))

    async def _body(self, receive: Receive, headers: dict[str, str]) -> bytes | _Refusal:
        most = self._rules.max_body_bytes
        too_large = _Refusal(
            413, f"the body is larger than {most} bytes; send fewer at once", ((b"connection", b"close"),)
        )
        length = headers.get("content-length", "0")
        if length.isdecimal() and int(length) > most:
            return too_large
        parts: list[bytes] = []
        total = 0
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                return _GONE
            parts.append(message.get("body", b""))
            total += len(parts[-1])
            if total > most:
                return too_large
            if not message.get("more_body", False):
                return b"".join(parts)


_GONE = _Refusal(499, "the client has gone")


def _cookie(scope: Message) -> str:
    server = scope.get("server")
    return f"{COOKIE}_{server[1]}" if server and server[1] else COOKIE


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _is_foreign(scope: Message, headers: dict[str, str]) -> bool:
    """Return whether a page of another site made the browser send this; following a link to a page is allowed."""
    origin = headers.get("origin")
    if origin is not None and urlsplit(origin).netloc.lower() != headers["host"].lower():
        return True
    if headers.get("sec-fetch-site", "none").lower() in ("same-origin", "none"):
        return False
    follows_link = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
    return not (follows_link and scope.get("method") in ("GET", "HEAD"))


def _replay(body: bytes, receive: Receive) -> Receive:
    """Return a receive that gives the whole body once, then what comes after it."""
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again


def _with_headers(send: Send) -> Send:
    """Return a send that adds the headers that every answer has, where the application has not set them."""

    async def bring(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", []))
            known = {bytes(name).lower() for name, _ in headers}
            message = {**message, "headers": headers + [pair for pair in _FIXED_HEADERS if pair[0] not in known]}
        await send(message)

    return bring


async def _answer(send: Send, refusal: _Refusal) -> None:
    body = json.dumps({"error": refusal.message}).encode("utf-8")
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode("ascii")),
        (b"cache-control", b"no-store"),
        *refusal.headers,
    ]
    await send({"type": "http.response.start", "status": refusal.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
