"""The gate before pages and service: Host, other sites, token, size; and listening on a port."""

from __future__ import annotations

import asyncio
import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest

from terrain.errors import ConfigError, DataError
from terrain.web import guard
from terrain.web.guard import COOKIE, Guard, Message, Rules
from terrain.web.listen import Listener, is_loopback, make_listener

TOKEN = "correct-horse-battery"


async def echo(scope: Message, receive: Any, send: Any) -> None:
    """Answer with the body; what is behind the gate."""
    body = b""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        return
    message = await receive()
    body = message["body"]
    await send({"type": "http.response.start", "status": 200, "headers": [(b"x-frame-options", b"SAMEORIGIN")]})
    await send({"type": "http.response.body", "body": body})


def ask(
    rules: Rules,
    *,
    method: str = "GET",
    path: str = "/",
    query: str = "",
    kind: str = "http",
    parts: tuple[bytes, ...] = (b"",),
    port: int | None = None,
    stall: bool = False,
    **headers: str,
) -> tuple[int, dict[str, str], bytes]:
    """Send one request through the gate -> status, headers, body; a header's name has _ for -."""
    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "server": ("localhost", port),
        "query_string": query.encode(),
        "headers": [(k.replace("_", "-").encode(), v.encode()) for k, v in {"host": "localhost:80", **headers}.items()],
    }
    waiting: list[Message] = [
        {"type": "http.request", "body": part, "more_body": k + 1 < len(parts)} for k, part in enumerate(parts)
    ]
    sent: list[Message] = []

    async def receive() -> Message:
        if stall:
            await asyncio.sleep(60)
        return waiting.pop(0) if waiting else {"type": "http.disconnect"}

    async def send(message: Message) -> None:
        sent.append(message)

    asyncio.run(Guard(echo, rules)(scope, receive, send))
    if kind == "websocket":
        return (0 if sent[0]["type"] == "websocket.accept" else sent[0]["code"]), {}, b""
    head = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    return sent[0]["status"], head, b"".join(message["body"] for message in sent[1:])


def test_a_plain_request_passes_and_gets_the_fixed_headers() -> None:
    status, head, body = ask(Rules(), method="POST", parts=(b"ab", b"c"))
    assert (status, body) == (200, b"abc")
    assert head["x-content-type-options"] == "nosniff"
    assert head["x-frame-options"] == "SAMEORIGIN"  # the application's own is left alone


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost.evil.example", "", "127.0.0.1.evil.example:80", "[", "192.0.2.7"]
)
def test_a_host_that_is_not_ours_is_refused(host: str) -> None:
    """DNS rebinding: the browser still names the foreign host."""
    status, _, body = ask(Rules(), host=host)
    assert status == 421
    assert "Host" in json.loads(body)["error"]


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:8000", "127.0.0.1:1", "[::1]:8000", "localhost."])
def test_our_hosts_pass(host: str) -> None:
    assert ask(Rules(), host=host)[0] == 200


def test_addresses_pass_where_the_server_listens_on_all() -> None:
    rules = Rules(any_address=True)
    assert ask(rules, host="192.0.2.7:80")[0] == 200
    assert ask(rules, host="evil.example")[0] == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://localhost:81"},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site", "sec_fetch_mode": "cors"},
        {"sec_fetch_site": "cross-site", "sec_fetch_mode": "navigate", "sec_fetch_dest": "iframe"},
    ],
)
def test_requests_that_other_sites_cause_are_refused(headers: dict[str, str]) -> None:
    """Headers as W3C Fetch Metadata and RFC 6454 define them."""
    status, _, body = ask(Rules(), method="POST", **headers)
    assert status == 403
    assert "another site" in json.loads(body)["error"]


def test_own_pages_and_links_from_elsewhere_pass() -> None:
    assert ask(Rules(), method="POST", origin="http://localhost:80", sec_fetch_site="same-origin")[0] == 200
    link = {"sec_fetch_site": "cross-site", "sec_fetch_mode": "navigate", "sec_fetch_dest": "document"}
    assert ask(Rules(), **link)[0] == 200
    assert ask(Rules(), method="POST", **link)[0] == 403


def test_the_token() -> None:
    rules = Rules(token=TOKEN)
    for wrong in ({}, {"authorization": "Bearer nonsense"}, {"authorization": TOKEN}, {"cookie": f"{COOKIE}=x"}):
        status, head, body = ask(rules, **wrong)
        assert status == 401
        assert head["www-authenticate"] == "Bearer"
        assert TOKEN not in body.decode()
    assert ask(rules, authorization=f"Bearer {TOKEN}")[0] == 200
    assert ask(rules, authorization=f"bearer  {TOKEN}")[0] == 200
    assert ask(rules, cookie=f"a=b; {COOKIE}={TOKEN}")[0] == 200


def test_a_page_opened_with_the_token_gets_a_cookie() -> None:
    rules = Rules(token=TOKEN)
    status, head, _ = ask(rules, path="/plan", query=f"layer=slope&token={TOKEN}")
    assert (status, head["location"]) == (303, "/plan?layer=slope")
    assert all(word in head["set-cookie"] for word in (TOKEN, "HttpOnly", "SameSite=Strict"))
    assert ask(rules, query="token=wrong")[0] == 401
    assert ask(rules, method="POST", query=f"token={TOKEN}")[0] == 401
    assert ask(rules, path="//evil.example/x", query=f"token={TOKEN}")[1]["location"] == "/evil.example/x"


def test_services_on_other_ports_have_cookies_of_their_own() -> None:
    rules = Rules(token=TOKEN)
    assert ask(rules, port=81, cookie=f"{COOKIE}_81={TOKEN}")[0] == 200
    assert ask(rules, port=82, cookie=f"{COOKIE}_81={TOKEN}")[0] == 401
    assert f"{COOKIE}_81={TOKEN}" in ask(rules, port=81, query=f"token={TOKEN}")[1]["set-cookie"]


def test_a_body_that_does_not_come(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.05)
    status, _, body = ask(Rules(), method="POST", parts=(b"",), stall=True)
    assert status == 408 and "took longer" in json.loads(body)["error"]


def test_a_body_that_is_too_large() -> None:
    rules = Rules(max_body_bytes=10)
    assert ask(rules, method="POST", parts=(b"x" * 10,))[0] == 200
    assert ask(rules, method="POST", parts=(b"x" * 6, b"x" * 5))[0] == 413
    status, _, body = ask(rules, method="POST", content_length="11", parts=(b"",))
    assert (status, json.loads(body)["error"]) == (413, "the body is larger than 10 bytes; send fewer at once")


def test_websockets_are_guarded_too() -> None:
    rules = Rules(token=TOKEN)
    assert ask(rules, kind="websocket")[0] == 1008
    assert ask(rules, kind="websocket", cookie=f"{COOKIE}={TOKEN}", origin="http://evil.example")[0] == 1008
    assert ask(rules, kind="websocket", cookie=f"{COOKIE}={TOKEN}", origin="http://localhost:80")[0] == 0


# --------------------------------------------------------------------------- listening


@pytest.fixture
def running() -> Iterator[Any]:
    listeners: list[tuple[Listener, threading.Thread]] = []

    def start(**options: Any) -> Listener:
        listener = make_listener(echo, **options)
        thread = threading.Thread(target=listener.run)
        thread.start()
        listeners.append((listener, thread))
        while not listener.server.started:
            time.sleep(0.01)
        return listener

    yield start
    for listener, thread in listeners:
        listener.server.should_exit = True
        thread.join(10)
        assert not thread.is_alive()


def request(listener: Listener, **headers: str) -> int:
    connection = http.client.HTTPConnection("127.0.0.1", listener.sock.getsockname()[1], timeout=10)
    connection.request("POST", "/", body=b"hello", headers=headers)
    status = connection.getresponse().status
    connection.close()
    return status


def test_loopback_asks_for_no_token(running: Any) -> None:
    listener = running()
    assert listener.address.token is None
    assert listener.address.url == f"http://127.0.0.1:{listener.sock.getsockname()[1]}/"
    assert request(listener) == 200
    assert request(listener, Host="evil.example") == 421


def test_anywhere_else_a_token_is_made(running: Any) -> None:
    listener = running(host="0.0.0.0")
    token = listener.address.token
    assert token is not None and len(token) >= 32
    assert listener.address.url_with_token.endswith(f"/?token={token}")
    assert request(listener) == 401
    assert request(listener, Authorization=f"Bearer {token}") == 200


def test_what_cannot_be_listened_on() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(DataError, match="cannot listen there"):
            make_listener(echo, port=taken.getsockname()[1])
    with pytest.raises(DataError, match="host 'no such host'"):
        make_listener(echo, host="no such host")
    for token in ("short", "with spaces in the middle", 'quote"quote"quote"'):
        with pytest.raises(ConfigError) as caught:
            make_listener(echo, token=token)
        assert token not in str(caught.value)


def test_loopback_addresses() -> None:
    """RFC 1122 3.2.1.3 (127/8) and RFC 4291 2.5.3 (::1)."""
    assert is_loopback("127.0.0.1") and is_loopback("127.9.9.9") and is_loopback("::1")
    assert not is_loopback("0.0.0.0") and not is_loopback("::") and not is_loopback("192.0.2.1")
