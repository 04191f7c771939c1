"""The page's service: a FastAPI application over one map; `terrain.web` guards it and listens."""

from __future__ import annotations

import contextlib
import math
import threading
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field, FiniteFloat
from starlette.exceptions import HTTPException

from terrain.errors import DataError, TerrainError
from terrain.maps.overrules import MAX_CORNERS, MAX_NAME, MAX_REASON, accept_past_limit, add_area, undo
from terrain.page.build import BUILT, STAMP
from terrain.page.state import PageMap, overrule_to_dict

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "font-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Nothing is loaded from elsewhere, and no text can become a script."""
_TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".txt": "text/plain"}


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Placement(_Asked):
    """A sole: metres, degrees counter-clockwise from x, and the level that is meant, None for the topmost."""

    x_m: FiniteFloat
    y_m: FiniteFloat
    yaw_deg: FiniteFloat
    level: int | None = None


class Line(_Asked):
    """A line in plan, metres."""

    start_m: tuple[FiniteFloat, FiniteFloat]
    end_m: tuple[FiniteFloat, FiniteFloat]


class Area(_Asked):
    """An area in plan on a level, None for every one."""

    area_m: Annotated[list[tuple[FiniteFloat, FiniteFloat]], Field(min_length=3, max_length=MAX_CORNERS)]
    level: int | None = None


class Route(_Asked):
    """A route by its corners, metres; none where there are no corners."""

    route_m: Annotated[list[tuple[FiniteFloat, FiniteFloat]], Field(max_length=MAX_CORNERS)] = []


class _Signed(_Asked):
    """Who decides and why; `map_id` of the map that the person looks at."""

    map_id: Annotated[str, Field(max_length=64)] | None = None
    name: Annotated[str, Field(max_length=MAX_NAME)]
    reason: Annotated[str, Field(max_length=MAX_REASON)] = ""


class NewOverrule(Area, _Signed):
    """An area to keep out or accept."""

    kind: Literal["keep-out", "accept"]


class PastLimit(_Signed):
    """The second confirmation: the worst value accepted of each quantity, and the same quantities by name again."""

    past_limits: dict[str, FiniteFloat]
    confirmed: list[str]


class Undo(_Signed):
    """Who takes a decision back."""


def is_page_built() -> bool:
    """Return whether there is a bundle to show."""
    return (BUILT / STAMP).is_file() and (BUILT / "index.html").is_file()


def make_app(folder: Path, *, earlier: Path | None = None) -> FastAPI:
    """Return the application over a map folder, its first picture loaded.

    Changes are shown since `earlier`, a map of an earlier pass.

    Raises
    ------
    ReadError
        The folder is no map.
    """
    page = PageMap(folder, earlier=earlier)
    page.warm_pictures()
    threading.Thread(target=_warm, args=(page,), daemon=True, name="warm the page").start()
    app = FastAPI(title="terrain page", docs_url=None, redoc_url=None, openapi_url=None)
    _add_errors(app)
    _add_reading(app, page)
    _add_decisions(app, page)
    _add_files(app)

    @app.middleware("http")
    async def with_policy(request: Request, call_next: Any) -> Response:
        answer: Response = await call_next(request)
        answer.headers["content-security-policy"] = _POLICY
        answer.headers.setdefault("cache-control", "no-store")
        return answer

    return app


def _warm(page: PageMap) -> None:
    """Load what the first answers need; what is wrong with the map is told to whoever asks for it."""
    with contextlib.suppress(TerrainError):
        page.warm_answers()


def _add_errors(app: FastAPI) -> None:
    """Answer every error with one line: what, got, expected."""

    @app.exception_handler(TerrainError)
    def of_data(_: Request, error: TerrainError) -> JSONResponse:
        return JSONResponse({"error": " ".join(str(error).split())}, status_code=400)

    @app.exception_handler(RequestValidationError)
    def of_form(_: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"] if part != "body")
        return JSONResponse({"error": f"{where or 'request'}: {first['msg']}"}, status_code=422)

    @app.exception_handler(HTTPException)
    def of_http(_: Request, error: HTTPException) -> JSONResponse:
        return JSONResponse({"error": str(error.detail)}, status_code=error.status_code)


def _add_reading(app: FastAPI, page: PageMap) -> None:
    binary = "application/octet-stream"

    @app.get("/api/site")
    def site() -> JSONResponse:
        return JSONResponse(page.site())

    @app.get("/api/scale/{key}")
    def scale(key: str) -> JSONResponse:
        return JSONResponse(page.scale(key))

    @app.get("/api/tile/{level}/{key}/{zoom}/{tx}/{ty}")
    def tile(level: int, key: str, zoom: int, tx: int, ty: int) -> Response:
        # The address carries the revision, so that a browser may keep what it has.
        kept = {"cache-control": "private, max-age=3600, immutable"}
        return Response(page.tile(level, key, zoom, tx, ty), media_type=binary, headers=kept)

    @app.get("/api/patches")
    def patches() -> Response:
        return Response(page.patches(), media_type="application/json")

    @app.get("/api/mesh/{level}/{key}")
    def mesh(level: int, key: str) -> Response:
        return Response(page.mesh(level, key), media_type=binary)

    @app.get("/api/points")
    def points(
        start: Annotated[int, Query(ge=0)] = 0, count: Annotated[int, Query(ge=0, le=500_000)] = 100_000
    ) -> Response:
        return Response(page.points(start, count), media_type=binary)

    @app.post("/api/judge")
    def judge(asked: Placement) -> JSONResponse:
        return JSONResponse(page.judge(asked.x_m, asked.y_m, math.radians(asked.yaw_deg), asked.level))

    @app.post("/api/section")
    def section(line: Line) -> JSONResponse:
        if math.dist(line.start_m, line.end_m) < 1e-3:
            raise DataError("section: its ends are one spot, expected a line")
        return JSONResponse(page.section(line.start_m, line.end_m))

    @app.post("/api/unseen")
    def unseen(route: Route) -> JSONResponse:
        return JSONResponse(page.unseen(route.route_m))

    @app.get("/api/changes")
    def changes() -> JSONResponse:
        return JSONResponse(page.changes())


def _add_decisions(app: FastAPI, page: PageMap) -> None:
    @app.get("/api/overrules")
    def overrules() -> JSONResponse:
        layer = page.decisions()
        return JSONResponse(
            {
                "revision": page.revision(),
                "in_force": [overrule_to_dict(rule) for rule in layer.in_force()],
                "lapsed": [overrule_to_dict(rule) for rule in layer.lapsed()],
                "records": [overrule_to_dict(rule) for rule in layer.records],
            }
        )

    @app.post("/api/overrules/preview")
    def preview(area: Area) -> JSONResponse:
        return JSONResponse(page.preview(area.area_m, area.level))

    @app.post("/api/overrules")
    def add(new: NewOverrule) -> JSONResponse:
        record = add_area(
            page.folder,
            kind=new.kind,
            area_m=new.area_m,
            level=new.level,
            name=new.name,
            reason=new.reason,
            seen_map_id=new.map_id,
        )
        return JSONResponse(overrule_to_dict(record))

    @app.post("/api/overrules/{number}/past-limit")
    def past_limit(number: int, confirmed: PastLimit) -> JSONResponse:
        record = accept_past_limit(
            page.folder,
            of=number,
            past_limits=confirmed.past_limits,
            confirmed=confirmed.confirmed,
            name=confirmed.name,
            reason=confirmed.reason,
            seen_map_id=confirmed.map_id,
        )
        return JSONResponse(overrule_to_dict(record))

    @app.post("/api/overrules/{number}/undo")
    def take_back(number: int, asked: Undo) -> JSONResponse:
        return JSONResponse(overrule_to_dict(undo(page.folder, of=number, name=asked.name, reason=asked.reason)))


def _add_files(app: FastAPI) -> None:
    """Serve the bundle's own files by an exact list: no path leads anywhere else."""
    files = {path.name: path for path in sorted(BUILT.glob("*")) if path.suffix in _TYPES and path.is_file()}

    def send(path: Path) -> FileResponse:
        return FileResponse(path, media_type=_TYPES[path.suffix], headers={"cache-control": "no-cache"})

    @app.get("/")
    def index() -> Response:
        if "index.html" not in files:
            return JSONResponse({"error": "the page is not built: python -m terrain.page.build"}, status_code=503)
        return send(files["index.html"])

    @app.get("/{name}")
    def file(name: str) -> Response:
        if name not in files:
            return JSONResponse({"error": "there is nothing of that name"}, status_code=404)
        return send(files[name])
