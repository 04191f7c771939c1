"""Figures of the running service, in the open text format that collectors read."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest

from terrain.serve.shelf import Shelf

TEXT_TYPE = CONTENT_TYPE_LATEST
_SECONDS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
Message = MutableMapping[str, Any]


class Metrics:
    """Counts requests, seconds, placements and jobs; a registry of its own, so that services do not mix."""

    def __init__(self, shelf: Shelf) -> None:
        self._registry = CollectorRegistry()
        self._shelf = shelf
        own: Any = {"registry": self._registry}
        self._requests = Counter("terrain_requests", "Requests answered.", ["route", "method", "status"], **own)
        self._seconds = Histogram("terrain_request_seconds", "Seconds to answer.", ["route"], buckets=_SECONDS, **own)
        self._judged = Counter("terrain_placements", "Placements and spots asked for.", ["map"], **own)
        self.running = Gauge("terrain_jobs_running", "Jobs at work.", **own)
        self.waiting = Gauge("terrain_jobs_waiting", "Jobs that wait for their turn.", **own)
        self._refused = Counter("terrain_jobs_refused", "Jobs refused because too many waited.", **own)
        self._reloads = Gauge("terrain_map_reloads", "Newer versions taken up.", ["map"], **own)
        self._newest = Gauge("terrain_map_newest", "1 where the newest version of the map is served.", ["map"], **own)

    def count_rows(self, name: str, rows: int) -> None:
        """Count what a map was asked for."""
        self._judged.labels(name).inc(rows)

    def count_refused(self) -> None:
        """Count a job that was not taken."""
        self._refused.inc()

    def text(self) -> bytes:
        """Return all figures."""
        for name in self._shelf.names:
            self._reloads.labels(name).set(self._shelf.reloads[name])
            self._newest.labels(name).set(self._shelf.trouble(name) is None)
        return generate_latest(self._registry)

    def around(self, app: Any) -> Callable[..., Awaitable[None]]:
        """Return the application with its requests counted; a route is counted by its pattern, not its address."""

        async def counted(scope: Message, receive: Any, send: Any) -> None:
            if scope["type"] != "http":
                await app(scope, receive, send)
                return
            start, status = time.perf_counter(), 500

            async def note(message: Message) -> None:
                nonlocal status
                if message["type"] == "http.response.start":
                    status = message["status"]
                await send(message)

            try:
                await app(scope, receive, note)
            finally:
                route = str(getattr(scope.get("route"), "path", "other"))
                known = scope["method"] in ("GET", "POST", "HEAD", "OPTIONS", "PUT", "DELETE", "PATCH")
                self._requests.labels(route, scope["method"] if known else "other", str(status)).inc()
                self._seconds.labels(route).observe(time.perf_counter() - start)

        return counted
