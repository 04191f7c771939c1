"""Listening: an application behind its `Guard`, on a port of its own, until it is interrupted."""

from __future__ import annotations

import contextlib
import ipaddress
import secrets
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from terrain.errors import ConfigError, DataError
from terrain.web.guard import LOOPBACK_NAMES, MAX_BODY_BYTES, App, Guard, Rules

if TYPE_CHECKING:
    import uvicorn

_SHORTEST_TOKEN = 16
_GRACE_S = 10
_BACKLOG = 256
_CONNECTIONS = 256


@dataclass(frozen=True, slots=True)
class Address:
    """Where an application listens: its URL, and the token that it asks for, None where it asks for none."""

    url: str
    token: str | None

    @property
    def url_with_token(self) -> str:
        """Return what to open in a browser."""
        return self.url if self.token is None else f"{self.url}?token={self.token}"


@dataclass(frozen=True, slots=True, eq=False)
class Listener:
    """An application that is ready to run; `server.should_exit = True` ends it from another thread."""

    address: Address
    server: uvicorn.Server
    sock: socket.socket

    def run(self) -> None:
        """Serve until SIGINT or SIGTERM; requests that have begun are answered first, for ten seconds at most."""
        with contextlib.suppress(KeyboardInterrupt), self.sock:
            self.server.run(sockets=[self.sock])


def run_app(
    app: Any,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    token: str | None = None,
    host_names: Iterable[str] = (),
    max_body_bytes: int = MAX_BODY_BYTES,
    announce: Callable[[Address], None],
) -> None:
    """Serve an ASGI application behind a `Guard` until it is interrupted.

    Parameters
    ----------
    app : ASGI application
        Such as a FastAPI one.
    host, port
        Where to listen; port 0 takes a free one.
    token : str, optional
        What requests must carry. Left out, none is asked for on loopback, and anywhere else one is made.
    host_names : iterable of str
        More names under which the server is reached, for the Host header.
    max_body_bytes : int
        Largest body of a request.
    announce : callable
        Called once with the address, when the port is taken and before the first request is answered.

    Raises
    ------
    ConfigError
        The token is too short, or holds what no header can carry.
    DataError
        The host is unknown, or the port is taken.

    Examples
    --------
    >>> run_app(app, port=8080, announce=lambda address: print(address.url))  # doctest: +SKIP
    """
    listener = make_listener(
        app, host=host, port=port, token=token, host_names=host_names, max_body_bytes=max_body_bytes
    )
    announce(listener.address)
    listener.run()


def make_listener(
    app: Any,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    token: str | None = None,
    host_names: Iterable[str] = (),
    max_body_bytes: int = MAX_BODY_BYTES,
) -> Listener:
    """Take the port and return what `run_app` runs."""
    import uvicorn

    check_token(token)
    sock = _bound(host, port)
    bound_to = str(sock.getsockname()[0])
    if token is None and not is_loopback(bound_to):
        token = secrets.token_urlsafe(24)
    guarded = Guard(app, _rules(host, bound_to, token, host_names, max_body_bytes))
    config = uvicorn.Config(
        _as_app(guarded),
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=_GRACE_S,
        limit_concurrency=_CONNECTIONS,
    )
    return Listener(Address(_url(host, bound_to, sock.getsockname()[1]), token), uvicorn.Server(config), sock)


def check_token(token: str | None) -> None:
    """Raise ConfigError for a token that is easily guessed or that a header cannot carry; it is not repeated."""
    if token is None:
        return
    if len(token) < _SHORTEST_TOKEN:
        raise ConfigError(f"token: got {len(token)} characters, expected at least {_SHORTEST_TOKEN}")
    if not all(character.isascii() and (character.isalnum() or character in "-._~+=") for character in token):
        raise ConfigError("token: got other characters, expected letters, digits and - . _ ~ + = only")


def is_loopback(address: str) -> bool:
    """Return whether an IP address, as text, is reached from this machine only."""
    return ipaddress.ip_address(address.partition("%")[0]).is_loopback


def _bound(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, where = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except (OSError, UnicodeError, OverflowError) as error:
        raise DataError(f"host {host!r}, port {port}: unknown: {error}, expected an address of this machine") from error
    sock = socket.socket(family, kind, protocol)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(where)
        sock.listen(_BACKLOG)  # whoever connects before the server runs waits for it
    except (OSError, OverflowError) as error:
        sock.close()
        reason = getattr(error, "strerror", None) or str(error)
        raise DataError(
            f"host {host!r}, port {port}: cannot listen there: {reason} (port 0 takes a free one)"
        ) from error
    return sock


def _rules(host: str, bound_to: str, token: str | None, names: Iterable[str], max_body_bytes: int) -> Rules:
    wide = not is_loopback(bound_to)
    own = {host, bound_to, *names} | ({socket.gethostname(), socket.getfqdn()} if wide else set())
    hosts = LOOPBACK_NAMES | {name.lower().rstrip(".") for name in own if name}
    return Rules(hosts=hosts, any_address=wide, token=token, max_body_bytes=max_body_bytes)


def _url(host: str, bound_to: str, port: int) -> str:
    if ipaddress.ip_address(bound_to.partition("%")[0]).is_unspecified:
        host = socket.gethostname()
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def _as_app(guard: Guard) -> App:
    """Return the guard as a plain function: uvicorn tells the kinds of applications apart by their form."""

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await guard(scope, receive, send)

    return app
