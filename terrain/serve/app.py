"""The service: routes, limits, and errors in one line."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException as StarletteHTTPException

import terrain
from terrain.errors import ReadError, TerrainError
from terrain.serve.jobs import Jobs
from terrain.serve.metrics import TEXT_TYPE, Metrics
from terrain.serve.models import Health, Problem
from terrain.serve.problems import BusyError, TooMuchError, WrongTypeError, one_line
from terrain.serve.routes import Services, map_routes
from terrain.serve.shelf import Shelf

logger = logging.getLogger(__name__)

_DESCRIPTION = """
Where a foot can be put down, going by the ground as it was scanned. Advice against configured limits, not a safety
function.

Columns and units are those of the map's files: `x_m`, `yaw_deg`, `roughness_mm`. Bodies and answers are JSON, or Arrow
IPC streams (`application/vnd.apache.arrow.stream`) with columns of the same names; `Accept` chooses, and left out the
answer is of the kind of the question. Every error is `{"error": "one line"}`.
"""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one request and all of them together may take.

    max_placements: placements judged for one request, also those tried on the way; max_running, max_waiting: jobs at
    work at a time, and waiting beside them; poll_s: how often folders are looked at for a newer version.
    """

    max_placements: int = 100_000
    max_running: int = max(os.cpu_count() or 1, 1)
    max_waiting: int = 64
    poll_s: float = 0.25


def make_app(shelf: Shelf, limits: Limits | None = None) -> FastAPI:
    """Return the service over the maps of a shelf.

    Put it behind a `terrain.web.guard.Guard` before it listens, as `terrain.web.listen.run_app` does.
    """
    limits = Limits() if limits is None else limits
    metrics = Metrics(shelf)
    jobs = Jobs(running=limits.max_running, waiting=limits.max_waiting, metrics=metrics)

    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        watcher = asyncio.create_task(_watch(shelf, limits.poll_s))
        yield
        watcher.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await watcher
        jobs.close()

    app = FastAPI(
        title="terrain",
        summary="Foot placements judged on maps of scanned ground",
        description=_DESCRIPTION,
        version=terrain.__version__,
        docs_url=None,  # they would load scripts from elsewhere
        redoc_url=None,
        lifespan=lifespan,
        responses={"default": {"model": Problem, "description": "Why there is no answer"}},
    )
    app.include_router(map_routes(Services(shelf, jobs, metrics, limits.max_placements)))
    _add_state(app, shelf, metrics)
    _add_errors(app)
    app.add_middleware(_Counted, metrics=metrics)
    return app


class _Counted:
    def __init__(self, app: Any, metrics: Metrics) -> None:
        self._counted = metrics.around(app)

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        await self._counted(scope, receive, send)


async def _watch(shelf: Shelf, every_s: float) -> None:
    """Take up newer versions of maps, whatever happens to a single try."""
    while True:
        await asyncio.sleep(every_s)
        try:
            await asyncio.to_thread(shelf.refresh)
        except Exception:
            logger.exception("looking for newer maps")


def _add_state(app: FastAPI, shelf: Shelf, metrics: Metrics) -> None:
    @app.get("/health", response_model=Health, tags=["state"], summary="Whether the service answers, and from what")
    async def health() -> Any:
        maps = []
        for name in shelf.names:
            terrain_map, trouble = shelf.get(name), shelf.trouble(name)
            assert terrain_map is not None
            maps.append({"map": name, "version": terrain_map.version, "newest": trouble is None, "trouble": trouble})
        status = "ok" if all(entry["newest"] for entry in maps) else "degraded"
        return {"status": status, "software": f"terrain {terrain.__version__}", "maps": maps}

    @app.get(
        "/metrics",
        tags=["state"],
        summary="Figures for collectors",
        response_class=Response,
        responses={
            200: {"description": "Figures, one a line", "content": {"text/plain": {"schema": {"type": "string"}}}}
        },
    )
    async def figures() -> Response:
        return Response(metrics.text(), media_type=TEXT_TYPE)


def _add_errors(app: FastAPI) -> None:
    def problem(status: int, message: str, **headers: str) -> JSONResponse:
        return JSONResponse({"error": " ".join(message.split())}, status_code=status, headers=headers)

    @app.exception_handler(RequestValidationError)
    async def invalid(_: Request, error: RequestValidationError) -> JSONResponse:
        return problem(422, one_line(error.errors()))

    @app.exception_handler(TerrainError)
    async def refused(_: Request, error: TerrainError) -> JSONResponse:
        return problem(422, str(error))

    @app.exception_handler(ReadError)
    async def unreadable(_: Request, error: ReadError) -> JSONResponse:
        return problem(503, str(error))  # nothing is wrong with the question: the map's folder is gone or damaged

    @app.exception_handler(WrongTypeError)
    async def wrong_type(_: Request, error: WrongTypeError) -> JSONResponse:
        return problem(error.status, str(error))

    @app.exception_handler(TooMuchError)
    async def too_much(_: Request, error: TooMuchError) -> JSONResponse:
        return problem(413, str(error))

    @app.exception_handler(BusyError)
    async def busy(_: Request, error: BusyError) -> JSONResponse:
        return problem(
            429, "too many requests wait already, expected fewer at a time; ask again", **{"Retry-After": "1"}
        )

    @app.exception_handler(Exception)
    async def broken(request: Request, _: Exception) -> JSONResponse:
        return problem(500, f"a fault in the service; its log says more ({request.method} {request.url.path})")

    @app.exception_handler(StarletteHTTPException)
    async def http_error(request: Request, error: HTTPException) -> JSONResponse:
        message = str(error.detail)
        if error.status_code == 404 and message == "Not Found":
            message = f"no such address: {request.url.path}; /openapi.json lists them"
        elif error.status_code == 405:
            message = f"{request.method} is not allowed on {request.url.path}"
        return problem(error.status_code, message, **(error.headers or {}))
