"""Questions out of requests, and answers into responses: JSON or Arrow."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TypeVar

import numpy as np
from fastapi import Request
from fastapi.responses import Response
from pydantic import BaseModel, ValidationError

from terrain.data import FloatArray
from terrain.errors import ConfigError, DataError
from terrain.maps.answers import CAUTION, decisions_on
from terrain.maps.store import TerrainMap
from terrain.serve.arrow import ARROW, read_columns, write_columns
from terrain.serve.columns import Columns, json_columns
from terrain.serve.problems import TooMuchError, WrongTypeError, one_line

JSON = "application/json"
Model = TypeVar("Model", bound=BaseModel)


def body_kind(request: Request) -> str:
    """Return whether the body is JSON or Arrow; without a Content-Type it is JSON.

    Raises
    ------
    WrongTypeError
        Something else.
    """
    kind = request.headers.get("content-type", JSON).partition(";")[0].strip().lower()
    if kind not in (JSON, ARROW):
        raise WrongTypeError(415, f"Content-Type is {kind!r}, expected {JSON} or {ARROW}")
    return kind


def answer_kind(request: Request, otherwise: str) -> str:
    """Return the kind of answer that the request accepts; the first of those we have, in the order of its header."""
    asked = [part.partition(";")[0].strip().lower() for part in request.headers.get("accept", "*/*").split(",")]
    for kind in asked:
        if kind in (JSON, ARROW):
            return kind
        if kind in ("*/*", "application/*", ""):
            return otherwise
    raise WrongTypeError(406, f"Accept is {request.headers['accept']!r}, expected {JSON} or {ARROW}")


async def read_table(request: Request, model: type[Model], required: tuple[str, ...], *, most: int) -> FloatArray:
    """Return the columns of a body, JSON as `model` has it or Arrow: (n, len(required) + 1), the level height last."""
    kind, body = body_kind(request), await request.body()
    if kind == ARROW:
        try:
            return np.column_stack(read_columns(body, required, ("level_z_m",), most=most))
        except ConfigError as error:
            raise WrongTypeError(415, str(error)) from error
    try:
        given = model.model_validate_json(body)
    except ValidationError as error:
        raise DataError(one_line(error.errors(include_url=False, include_context=False))) from error
    columns = [np.array(getattr(given, name), dtype=np.float64) for name in required]
    level = getattr(given, "level_z_m", None)
    columns.append(np.array(level, dtype=np.float64) if level is not None else np.full(len(columns[0]), np.nan))
    lengths = {name: len(column) for name, column in zip((*required, "level_z_m"), columns, strict=True)}
    if len(set(lengths.values())) != 1:
        raise DataError(f"columns: got lengths {lengths}, expected equal ones")
    check_amount(len(columns[0]), most)
    return np.column_stack(columns)


def check_amount(rows: int, most: int, *, why: str = "") -> None:
    """Raise TooMuchError for more placements than one request may have judged."""
    if rows > most:
        raise TooMuchError(f"got {rows} placements{why}, expected at most {most} a request; ask in parts")


def respond(kind: str, name: str, terrain_map: TerrainMap, make: Callable[[], Columns]) -> Response:
    """Return columns as an answer of a kind; call it on a job's thread, since it takes time."""
    columns = make()
    about = {"map": name, "version": terrain_map.version}
    decisions = len(decisions_on(terrain_map).records)
    headers = {"Terrain-Map-Version": terrain_map.version, "Cache-Control": "no-store"}
    if kind == ARROW:
        try:
            return Response(
                write_columns(columns, {**about, "decisions": str(decisions), "caution": CAUTION}),
                media_type=ARROW,
                headers=headers,
            )
        except ConfigError as error:
            raise WrongTypeError(406, str(error)) from error
    listed = json_columns(columns)
    rows = len(next(iter(listed.values())))
    table = {**about, "decisions": decisions, "rows": rows, "columns": listed, "caution": CAUTION}
    return Response(json.dumps(table, allow_nan=False), media_type=JSON, headers=headers)
