"""Synthetic `Ground` objects from height functions, for tests that need no cloud.

A scene is a list of layers (surfaces, stacked in any order) and blocks (spans of what is no ground) on a 1 cm grid:

>>> ground = build_ground(Layer(flat(0.0)), Layer(box(0.2, -0.5, 1.0, 0.5, 0.15), patch_id=1), x_m=(-1, 1), y_m=(-1, 1))

Where layers meet in plan all of them are kept as surfaces of the column, unless `merge=True`, which keeps the highest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from terrain.data import TILE_CELLS, FloatArray, FootProfile, Grid, Ground, Limit

Field = Callable[[FloatArray, FloatArray], npt.NDArray[np.generic]]
"""Takes x and y (metres, same shape) and returns one value a spot; NaN height: nothing there."""


@dataclass(frozen=True, kw_only=True)
class _Surface:
    patch_id: int | Field = 0
    level: int | Field = 0
    seen: int | Field = 20
    points: int | Field = 1
    height_sd_m: float | Field = 0.001
    gradient_sd: float | Field = 0.002
    roughness_m: float | Field = 0.0
    edge_sd_m: float | Field = 0.003
    carries: bool | Field = True
    walkable: bool | Field = True
    gradient: Callable[[FloatArray, FloatArray], tuple[npt.ArrayLike, npt.ArrayLike]] | None = None
    """dz/dx and dz/dy; left out, central differences of the height function over 2 micrometres."""


@dataclass(frozen=True)
class Layer(_Surface):
    """One surface: its height function and what is known of it, each a constant or a function of x and y."""

    height: Field = lambda x, y: np.zeros_like(x)

    def __init__(self, height: Field, **known: object) -> None:
        allowed = _Surface.__dataclass_fields__
        for name, spec in allowed.items():
            object.__setattr__(self, name, known.pop(name, spec.default))
        if known:
            raise TypeError(f"layer: unknown {sorted(known)}, expected some of {sorted(allowed)}")
        object.__setattr__(self, "height", height)


@dataclass(frozen=True)
class Block:
    """A span of matter that is no ground, from low to high; NaN low: nothing there."""

    low: Field
    high: Field


# --------------------------------------------------------------------------- height functions


def flat(z_m: float = 0.0) -> Field:
    """Return a level plane at z."""
    return lambda x, y: np.full_like(x, z_m)


def plane(a: float, b: float, c: float = 0.0) -> Field:
    """Return z = a x + b y + c."""
    return lambda x, y: a * x + b * y + c


def within(height: Field, x0_m: float, y0_m: float, x1_m: float, y1_m: float) -> Field:
    """Return the surface cut to x0 <= x < x1, y0 <= y < y1."""

    def cut(x: FloatArray, y: FloatArray) -> FloatArray:
        inside = (x >= x0_m) & (x < x1_m) & (y >= y0_m) & (y < y1_m)
        return np.where(inside, height(x, y), np.nan)

    return cut


def outside(height: Field, x0_m: float, y0_m: float, x1_m: float, y1_m: float) -> Field:
    """Return the surface with the rectangle cut out of it."""

    def cut(x: FloatArray, y: FloatArray) -> FloatArray:
        inside = (x >= x0_m) & (x < x1_m) & (y >= y0_m) & (y < y1_m)
        return np.where(inside, np.nan, height(x, y))

    return cut


def box(x0_m: float, y0_m: float, x1_m: float, y1_m: float, z_m: float) -> Field:
    """Return a level top at z over the rectangle, nothing elsewhere."""
    return within(flat(z_m), x0_m, y0_m, x1_m, y1_m)


def stairs(*, risers: int, tread_m: float, riser_m: float, x0_m: float = 0.0) -> Field:
    """Return a floor at 0 for x < x0 and treads that rise with x; the last one goes on."""
    return lambda x, y: riser_m * np.clip(np.floor((x - x0_m) / tread_m) + 1, 0, risers)


def tread_number(*, risers: int, tread_m: float, x0_m: float = 0.0) -> Field:
    """Return the patch number that goes with `stairs`: 0 is the floor."""
    return lambda x, y: np.clip(np.floor((x - x0_m) / tread_m) + 1, 0, risers).astype(np.int32)


def cells(values: FloatArray, *, x0_m: float, y0_m: float, cell_m: float = 0.01) -> Field:
    """Return the value of the cell that holds the spot; values (ny, nx), row 0 the lowest y; NaN outside."""

    def look_up(x: FloatArray, y: FloatArray) -> FloatArray:
        ix, iy = np.floor((x - x0_m) / cell_m).astype(int), np.floor((y - y0_m) / cell_m).astype(int)
        inside = (ix >= 0) & (ix < values.shape[1]) & (iy >= 0) & (iy < values.shape[0])
        return np.where(inside, values[np.where(inside, iy, 0), np.where(inside, ix, 0)], np.nan)

    return look_up


def block(x0_m: float, y0_m: float, x1_m: float, y1_m: float, low_m: float, high_m: float) -> Block:
    """Return a rectangular body between two heights."""
    return Block(within(flat(low_m), x0_m, y0_m, x1_m, y1_m), flat(high_m))


# --------------------------------------------------------------------------- the builder


def _field(value: object, x: FloatArray, y: FloatArray, dtype: npt.DTypeLike) -> npt.NDArray[np.generic]:
    got = value(x, y) if callable(value) else np.full(x.shape, value)
    return np.broadcast_to(np.asarray(got), x.shape).astype(dtype)


def _gradient(layer: Layer, x: FloatArray, y: FloatArray) -> FloatArray:
    if layer.gradient is not None:
        dx, dy = layer.gradient(x, y)
    else:
        h = 1e-6
        dx = (layer.height(x + h, y) - layer.height(x - h, y)) / (2 * h)
        dy = (layer.height(x, y + h) - layer.height(x, y - h)) / (2 * h)
    pair = np.stack([np.broadcast_to(dx, x.shape), np.broadcast_to(dy, x.shape)], axis=-1).astype(np.float64)
    return np.round(np.where(np.isfinite(pair) & (np.abs(pair) < 1e3), pair, 0.0), 6)


def _starts(column: npt.NDArray[np.int64], columns: int) -> npt.NDArray[np.int64]:
    return np.concatenate([[0], np.cumsum(np.bincount(column, minlength=columns))]).astype(np.int64)


def build_ground(
    *layers: Layer,
    x_m: tuple[float, float] = (-1.0, 1.0),
    y_m: tuple[float, float] = (-1.0, 1.0),
    cell_m: float = 0.01,
    z0_m: float = 0.0,
    blocks: tuple[Block, ...] = (),
    merge: bool = False,
) -> Ground:
    """Return the ground of the layers and blocks, sampled at the cells' centres.

    Heights that the layers and blocks give are absolute; tiles are dense over the rectangle.
    """
    nx, ny = round((x_m[1] - x_m[0]) / cell_m), round((y_m[1] - y_m[0]) / cell_m)
    nty, ntx = -(-ny // TILE_CELLS), -(-nx // TILE_CELLS)
    slots = np.arange(nty * ntx, dtype=np.int32).reshape(nty, ntx)
    grid = Grid(x0_m=x_m[0], y0_m=y_m[0], z0_m=z0_m, cell_m=cell_m, nx=nx, ny=ny, tile_slot=slots)
    iy, ix = (a.ravel() for a in np.mgrid[0:ny, 0:nx])
    column = (slots[iy // TILE_CELLS, ix // TILE_CELLS].astype(np.int64) * TILE_CELLS + iy % TILE_CELLS) * TILE_CELLS
    column += ix % TILE_CELLS
    x, y = x_m[0] + (ix + 0.5) * cell_m, y_m[0] + (iy + 0.5) * cell_m

    parts = [_rows(layer, column, x, y, z0_m) for layer in layers]
    rows = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    order = np.lexsort((rows["height_m"], rows["column"]))
    if merge:
        sorted_column = rows["column"][order]
        order = order[np.append(sorted_column[1:] != sorted_column[:-1], True)]
    rows = {name: values[order] for name, values in rows.items()}

    span_column, low, high = [np.empty(0, np.int64)], [np.empty(0)], [np.empty(0)]
    for body in blocks:
        z = _field(body.low, x, y, np.float64)
        keep = np.isfinite(z)
        span_column.append(column[keep])
        low.append(z[keep] - z0_m)
        high.append(_field(body.high, x, y, np.float64)[keep] - z0_m)
    spans = np.concatenate(span_column), np.concatenate(low), np.concatenate(high)
    order = np.lexsort((spans[1], spans[0]))
    first = _starts(rows.pop("column"), grid.columns)
    return Ground(
        grid=grid,
        first=first,
        span_first=_starts(spans[0], grid.columns),
        span_low_m=spans[1][order].astype(np.float32),
        span_high_m=spans[2][order].astype(np.float32),
        levels=int(rows["level"].max(initial=-1)) + 1,
        **rows,
    )


def _rows(
    layer: Layer, column: npt.NDArray[np.int64], x: FloatArray, y: FloatArray, z0_m: float
) -> dict[str, npt.NDArray[np.generic]]:
    z = _field(layer.height, x, y, np.float64)
    keep = np.isfinite(z)
    x, y = x[keep], y[keep]
    kinds = {
        "height_sd_m": np.float32,
        "gradient_sd": np.float32,
        "roughness_m": np.float32,
        "edge_sd_m": np.float32,
        "seen": np.uint8,
        "points": np.uint16,
        "patch_id": np.int32,
        "level": np.int16,
        "carries": np.bool_,
        "walkable": np.bool_,
    }
    rows = {name: _field(getattr(layer, name), x, y, kind) for name, kind in kinds.items()}
    rows["height_m"] = (z[keep] - z0_m).astype(np.float32)
    rows["gradient"] = _gradient(layer, x, y).astype(np.float32)
    rows["column"] = column[keep]
    return rows


# --------------------------------------------------------------------------- a foot


def rectangle(length_m: float, width_m: float, heel_m: float) -> FloatArray:
    """Return a rectangular sole's outline, counter-clockwise, origin under the ankle."""
    x0, x1, y = -heel_m, length_m - heel_m, width_m / 2
    return np.array([[x0, -y], [x1, -y], [x1, y], [x0, y]])


def disc(radius_m: float, corners: int = 32) -> FloatArray:
    """Return a round sole's outline as a regular polygon."""
    angle = 2 * np.pi * np.arange(corners) / corners
    return radius_m * np.column_stack([np.cos(angle), np.sin(angle)])


def biped(**changes: object) -> FootProfile:
    """Return a biped's foot: sole 0.26 x 0.13 m, heel 0.09 m, and middling limits."""
    known: dict[str, object] = {
        "name": "biped",
        "outline_m": rectangle(0.26, 0.13, 0.09),
        "slope_rad": Limit(np.deg2rad(10.0), np.deg2rad(18.0)),
        "roughness_m": Limit(0.006, 0.012),
        "support": Limit(0.95, 0.75),
        "rocking_m": Limit(0.03, 0.01),
        "edge_m": Limit(0.02, 0.0),
        "beside_m": Limit(0.01, 0.0),
        "observed": Limit(0.90, 0.60),
        "contact_m": 0.015,
        "drop_m": 0.040,
        "joint_m": 0.025,
        "shin_radius_m": 0.10,
        "clear_height_m": 0.40,
        "max_up_m": 0.20,
        "max_down_m": 0.20,
        "max_reach_m": 0.55,
        "z": 1.645,
    }
    return FootProfile(**{**known, **changes})
