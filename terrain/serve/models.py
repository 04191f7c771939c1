"""What requests and JSON answers look like; also the OpenAPI description of the service."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
"""A number of JSON: neither text nor true, which would be a metre."""


class Problem(BaseModel):
    """Why there is no answer: what, what was found, what was expected."""

    error: str


class Placements(BaseModel):
    """Placements as columns of equal length; the point under the ankle, map frame."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"x_m": [3.2], "y_m": [-1.05], "yaw_deg": [90]}]}
    )

    x_m: list[Finite]
    y_m: list[Finite]
    yaw_deg: list[Finite] = Field(description="counter-clockwise from x")
    level_z_m: list[Finite | None] | None = Field(
        default=None, description="height of the level that is meant; null for the topmost walkable one"
    )


class Spots(BaseModel):
    """Spots as columns of equal length, map frame."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"x_m": [3.2], "y_m": [-1.05]}]})

    x_m: list[Finite]
    y_m: list[Finite]
    level_z_m: list[Finite | None] | None = None


class Table(BaseModel):
    """An answer as columns of equal length; what has no value is null."""

    map: str
    version: str = Field(description="SHA-256 of the map's manifest; changes with the map")
    decisions: int = Field(description="how often people decided something on this map; grows with each decision")
    rows: int
    columns: dict[str, list[float | int | str | None]]
    caution: str


class MapSummary(BaseModel):
    """One map that is served."""

    map: str
    version: str
    survey: str
    foot: str
    created: str
    levels: list[dict[str, Any]]
    counts: dict[str, Any]


class MapDescription(MapSummary):
    """One map with what its verdicts rest on."""

    frame: dict[str, Any]
    limits: dict[str, Any]
    foot_profile: dict[str, Any]
    warnings: list[str]
    cautions: list[str]


class MapList(BaseModel):
    """Every map that is served."""

    maps: list[MapSummary]


class MapHealth(BaseModel):
    """Whether a map is the newest version."""

    map: str
    version: str
    newest: bool
    trouble: str | None = Field(description="why the newest version cannot be used; the older one answers meanwhile")


class Health(BaseModel):
    """Whether the service answers; `status` is ok, or degraded where a map is not the newest."""

    status: str
    software: str
    maps: list[MapHealth]
