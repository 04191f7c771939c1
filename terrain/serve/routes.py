"""What can be asked of a map over HTTP."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Depends, HTTPException, Path, Query, Request
from fastapi.responses import Response

from terrain.data import FloatArray
from terrain.maps.answers import deciders, describe
from terrain.maps.nearest import STEP_M, candidate_moves
from terrain.maps.store import TerrainMap, checked_placements
from terrain.serve.arrow import ARROW
from terrain.serve.columns import (
    Columns,
    height_columns,
    nearest_columns,
    patch_columns,
    screen_columns,
    verdict_columns,
)
from terrain.serve.jobs import Jobs
from terrain.serve.metrics import Metrics
from terrain.serve.models import MapDescription, MapList, Placements, Spots, Table
from terrain.serve.requests import JSON, answer_kind, body_kind, check_amount, read_table, respond
from terrain.serve.shelf import Shelf

Name = Annotated[str, Path(description="name of a map, as /maps lists it")]
Number = Annotated[float, Query(allow_inf_nan=False)]
LevelHeight = Annotated[
    float | None, Query(allow_inf_nan=False, description="height of the level that is meant; left out: the topmost")
]
Radius = Annotated[float, Query(ge=0.0, le=100.0, allow_inf_nan=False)]
Step = Annotated[float, Query(ge=0.001, le=10.0, allow_inf_nan=False)]
Turn = Annotated[float, Query(ge=0.0, le=180.0, allow_inf_nan=False)]
Count = Annotated[int, Query(ge=2, le=10_000)]

_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {
        "model": Table,
        "description": "Columns; the same as an Arrow stream where that is accepted",
        "content": {ARROW: {"schema": {"type": "string", "format": "binary"}}},
    }
}


@dataclass(frozen=True, slots=True, eq=False)
class Services:
    """What the routes work with."""

    shelf: Shelf
    jobs: Jobs
    metrics: Metrics
    max_placements: int

    def get(self, name: str) -> TerrainMap:
        """Return the map of that name.

        Raises
        ------
        HTTPException
            404, there is none.
        """
        terrain_map = self.shelf.get(name)
        if terrain_map is None:
            raise HTTPException(404, f"no map {name!r}, expected one of {', '.join(self.shelf.names)}")
        return terrain_map


def map_routes(services: Services) -> APIRouter:
    """Return the routes under /maps."""
    router = APIRouter(dependencies=[Depends(_check_parameters)])
    _add_descriptions(router, services)
    _add_single(router, services)
    _add_batches(router, services)
    _add_height(router, services)
    _add_windows(router, services)
    return router


async def _check_parameters(request: Request) -> None:
    """Refuse parameters that a route does not know, or that come twice: one of them would not be what is answered."""
    known = [field.alias for field in request.scope["route"].dependant.query_params]
    for name in request.query_params:
        if name not in known:
            raise HTTPException(422, f"query.{name}: is not known, expected {', '.join(known) or 'none'}")
        given = request.query_params.getlist(name)
        if len(given) > 1:
            raise HTTPException(422, f"query.{name}: got {given}, expected it once")


def _add_descriptions(router: APIRouter, services: Services) -> None:
    @router.get("/maps", response_model=MapList, tags=["maps"], summary="Every map that is served")
    async def maps() -> Any:
        return {"maps": [_summary(name, services.get(name)) for name in services.shelf.names]}

    @router.get("/maps/{name}", response_model=MapDescription, tags=["maps"], summary="What a map's verdicts rest on")
    async def one_map(name: Name) -> Any:
        terrain_map = services.get(name)
        manifest = terrain_map.manifest
        return {
            **_summary(name, terrain_map),
            **{key: manifest[key] for key in ("frame", "limits", "warnings", "cautions")},
            "foot_profile": manifest["foot"]["profile"],
        }


def _summary(name: str, terrain_map: TerrainMap) -> dict[str, Any]:
    manifest = terrain_map.manifest
    return {
        "map": name,
        "version": terrain_map.version,
        "survey": terrain_map.name,
        "foot": terrain_map.foot.name,
        **{key: manifest[key] for key in ("created", "levels", "counts")},
    }


def _add_single(router: APIRouter, services: Services) -> None:
    @router.get(
        "/maps/{name}/ask",
        tags=["placements"],
        summary="One verdict with its reasons in words",
        response_model=dict[str, Any],
    )
    async def ask(name: Name, x_m: Number, y_m: Number, yaw_deg: Number, level_z_m: LevelHeight = None) -> Any:
        terrain_map = services.get(name)
        placement = [[x_m, y_m, math.radians(yaw_deg), math.nan if level_z_m is None else level_z_m]]
        services.metrics.count_rows(name, 1)
        return await services.jobs.run(lambda: describe(terrain_map, terrain_map.judge(placement), 0))


def _add_batches(router: APIRouter, services: Services) -> None:
    batch: dict[str, Any] = {
        "tags": ["placements"],
        "responses": _ANSWER,
        "response_class": Response,
        "openapi_extra": _body(Placements, "x_m, y_m, yaw_deg, level_z_m"),
    }

    async def answer(name: str, request: Request, tell: Callable[[TerrainMap, FloatArray], Columns]) -> Response:
        terrain_map = services.get(name)
        kind = answer_kind(request, body_kind(request))
        placements = await _placements(request, services.max_placements)
        services.metrics.count_rows(name, len(placements))
        return await services.jobs.run(lambda: respond(kind, name, terrain_map, lambda: tell(terrain_map, placements)))

    @router.post("/maps/{name}/judge", summary="Verdicts on many placements, in their order", **batch)
    async def judge(name: Name, request: Request) -> Response:
        return await answer(name, request, lambda site, rows: verdict_columns(site.judge(rows), deciders(site)))

    @router.post(
        "/maps/{name}/screen",
        summary="Which placements are steppable and which marginal, in their order, several times as fast as judge",
        **batch,
    )
    async def screen(name: Name, request: Request) -> Response:
        return await answer(name, request, lambda site, rows: screen_columns(site.screen(rows)))

    @router.post(
        "/maps/{name}/nearest",
        summary="For each placement the nearest steppable one within a radius, else the nearest marginal one",
        **batch,
    )
    async def nearest(
        name: Name, request: Request, radius_m: Radius, step_m: Step = STEP_M, turn_deg: Turn = 0.0
    ) -> Response:
        terrain_map = services.get(name)
        kind = answer_kind(request, body_kind(request))
        placements = checked_placements(await _placements(request, services.max_placements))
        turn_rad = math.radians(turn_deg)
        tried = len(candidate_moves(radius_m=radius_m, step_m=step_m, turn_rad=turn_rad, arm_m=0.0))
        check_amount(len(placements) * tried, services.max_placements, why=f" to try, {tried} about each")
        services.metrics.count_rows(name, len(placements))
        return await services.jobs.run(
            lambda: respond(
                kind,
                name,
                terrain_map,
                lambda: nearest_columns(
                    terrain_map.nearest(placements, radius_m, step_m=step_m, turn_rad=turn_rad), deciders(terrain_map)
                ),
            )
        )


def _add_height(router: APIRouter, services: Services) -> None:
    @router.post(
        "/maps/{name}/height",
        tags=["ground"],
        summary="Height of the walkable ground at many spots",
        responses=_ANSWER,
        response_class=Response,
        openapi_extra=_body(Spots, "x_m, y_m, level_z_m"),
    )
    async def height(name: Name, request: Request) -> Response:
        terrain_map = services.get(name)
        kind = answer_kind(request, body_kind(request))
        spots = await read_table(request, Spots, ("x_m", "y_m"), most=services.max_placements)
        services.metrics.count_rows(name, len(spots))
        return await services.jobs.run(
            lambda: respond(kind, name, terrain_map, lambda: height_columns(terrain_map.height(*spots.T), spots))
        )


def _add_windows(router: APIRouter, services: Services) -> None:
    @router.get(
        "/maps/{name}/field",
        tags=["ground"],
        summary="Verdicts on a lattice at one yaw, with the distance to the border of steppable ground",
        responses=_ANSWER,
        response_class=Response,
    )
    async def field(
        name: Name,
        request: Request,
        x0_m: Number,
        y0_m: Number,
        nx: Count,
        ny: Count,
        yaw_deg: Number = 0.0,
        step_m: Step = 0.05,
        level_z_m: LevelHeight = None,
        reach_m: Annotated[float, Query(ge=0.0, le=10.0, allow_inf_nan=False)] = 0.3,
    ) -> Response:
        terrain_map = services.get(name)
        kind = answer_kind(request, JSON)
        beyond = 2 * math.ceil(reach_m / step_m)
        check_amount((nx + beyond) * (ny + beyond), services.max_placements, why=" with those in reach")
        services.metrics.count_rows(name, nx * ny)
        x, y = x0_m + step_m * np.arange(nx), y0_m + step_m * np.arange(ny)
        level = math.nan if level_z_m is None else level_z_m

        def columns() -> dict[str, Any]:
            found = terrain_map.field(x, y, math.radians(yaw_deg), level_z_m=level, reach_m=reach_m)
            return {**verdict_columns(found.verdicts, deciders(terrain_map)), "border_m": found.border_m.ravel()}

        return await services.jobs.run(lambda: respond(kind, name, terrain_map, columns))

    @router.get(
        "/maps/{name}/patches",
        tags=["ground"],
        summary="Flat patches within a radius of a spot, with their outlines",
        responses=_ANSWER,
        response_class=Response,
    )
    async def patches(name: Name, request: Request, x_m: Number, y_m: Number, radius_m: Radius) -> Response:
        terrain_map = services.get(name)
        kind = answer_kind(request, JSON)
        return await services.jobs.run(
            lambda: respond(
                kind, name, terrain_map, lambda: patch_columns(terrain_map.patches_near(x_m, y_m, radius_m))
            )
        )


async def _placements(request: Request, most: int) -> Any:
    table = await read_table(request, Placements, ("x_m", "y_m", "yaw_deg"), most=most)
    table[:, 2] = np.radians(table[:, 2])
    return table


def _body(model: Any, columns: str) -> dict[str, Any]:
    """Return the OpenAPI description of a body that is read from the request itself."""
    schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
    arrow = {"type": "string", "format": "binary", "description": f"an Arrow stream with columns {columns}"}
    return {"requestBody": {"required": True, "content": {JSON: {"schema": schema}, ARROW: {"schema": arrow}}}}
