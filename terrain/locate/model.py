"""What a map shows of its site, as points with normals that a new pass can be laid onto."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import TILE_CELLS, FloatArray, Ground, Int32Array, IntArray
from terrain.errors import DataError

if TYPE_CHECKING:
    from terrain.maps.store import TerrainMap

SPACING_M = 0.05
COARSE_M = 0.10
"""Cell of the grids that candidates are scored on."""
REACH_M = 0.4
"""Distances from the model are told up to here."""
PLAN_REACH_M = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """Samples of a map's surfaces, relative to `origin_m`, and grids of how far they are.

    xyz_m, normal (m, 3): on the side they were seen from; patch (m,): -1 for loose ground. away_m (nx, ny, nz):
    distance from the nearest sample, at most REACH_M, in cells of COARSE_M from `low_m`. low_z_m, top_z_m (nx, ny):
    lowest and highest upward surface, NaN where there is none; known (nx, ny) bool: the map knows ground near.
    """

    origin_m: FloatArray
    xyz_m: FloatArray
    normal: FloatArray
    patch: Int32Array
    tree: Any
    low_m: FloatArray
    away_m: FloatArray
    low_z_m: FloatArray
    top_z_m: FloatArray
    known: Any


def model_of(terrain_map: TerrainMap) -> Model:
    """Return the model of a map.

    Raises
    ------
    DataError
        The map holds no surface at all.
    """
    table = terrain_map.patches()
    parts = [_sample_patch(table.outline[k], table.normal[k], k) for k in range(len(table))]
    parts.append(_loose_ground(terrain_map.ground))
    xyz, normal, patch = (np.concatenate([part[i] for part in parts]) for i in range(3))
    if len(xyz) == 0:
        raise DataError(f"{terrain_map.path}: the map holds no surface, expected some to lay the survey onto")
    return build_model(xyz, normal, patch.astype(np.int32))


def build_model(xyz_map_m: FloatArray, normal: FloatArray, patch: Int32Array) -> Model:
    """Return the model of samples (m, 3) with unit normals (m, 3) and patch numbers (m,)."""
    from scipy.ndimage import distance_transform_edt
    from scipy.spatial import cKDTree

    # Far from zero, as at UTM coordinates, turning about the frame's origin loses the shifts.
    origin = np.round(0.5 * (xyz_map_m.min(axis=0) + xyz_map_m.max(axis=0)))
    xyz = xyz_map_m - origin
    low = xyz.min(axis=0) - 2.0 * REACH_M
    shape = np.ceil((xyz.max(axis=0) + 2.0 * REACH_M - low) / COARSE_M).astype(np.int64) + 1
    cell = ((xyz - low) / COARSE_M).astype(np.int64)
    empty = np.ones(tuple(shape), dtype=np.bool_)
    empty[tuple(cell.T)] = False
    away = np.minimum(distance_transform_edt(empty) * COARSE_M, REACH_M)
    upward = normal[:, 2] > 0.5
    flat = cell[upward, 0] * shape[1] + cell[upward, 1]
    low_z, top_z = np.full(shape[0] * shape[1], np.inf), np.full(shape[0] * shape[1], -np.inf)
    np.minimum.at(low_z, flat, xyz[upward, 2])
    np.maximum.at(top_z, flat, xyz[upward, 2])
    barren = np.asarray(np.logical_and.reduce(empty, axis=2))
    return Model(
        origin_m=origin,
        xyz_m=xyz,
        normal=normal,
        patch=patch,
        tree=cKDTree(xyz),
        low_m=low,
        away_m=away.astype(np.float32),
        low_z_m=np.where(np.isfinite(low_z), low_z, np.nan).reshape(shape[:2]),
        top_z_m=np.where(np.isfinite(top_z), top_z, np.nan).reshape(shape[:2]),
        known=distance_transform_edt(barren) * COARSE_M <= PLAN_REACH_M,
    )


def _sample_patch(outline: Any, normal: FloatArray, number: int) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return points SPACING_M apart on a patch, their normals and its number."""
    import shapely

    ring = np.asarray(outline.exterior.coords)
    centre = ring.mean(axis=0)
    along = np.cross(normal, [0.0, 0.0, 1.0] if abs(normal[2]) < 0.9 else [1.0, 0.0, 0.0])
    along /= np.linalg.norm(along)
    axes = np.stack([along, np.cross(normal, along)])

    def laid(one: Any) -> FloatArray:
        return np.asarray((np.asarray(one.coords) - centre) @ axes.T)

    flat = shapely.Polygon(laid(outline.exterior), [laid(hole) for hole in outline.interiors])
    low_u, low_v, high_u, high_v = flat.bounds
    u, v = np.meshgrid(
        np.arange(low_u + 0.5 * SPACING_M, high_u, SPACING_M), np.arange(low_v + 0.5 * SPACING_M, high_v, SPACING_M)
    )
    inside = shapely.contains_xy(flat, u.ravel(), v.ravel())
    uv = np.column_stack([u.ravel()[inside], v.ravel()[inside]])
    return centre + uv @ axes, np.tile(normal, (len(uv), 1)), np.full(len(uv), number)


def _loose_ground(ground: Ground) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return points, normals and -1 of the walkable surfaces that belong to no patch, one in SPACING_M each way."""
    grid = ground.grid
    rows = np.flatnonzero((ground.patch_id < 0) & ground.walkable & ground.carries)
    column = np.searchsorted(ground.first, rows, side="right") - 1
    slot, cell = np.divmod(column, TILE_CELLS * TILE_CELLS)
    tile = np.full(int(grid.tile_slot.max(initial=-1)) + 1, -1, dtype=np.int64)
    used = np.flatnonzero(grid.tile_slot.ravel() >= 0)
    tile[grid.tile_slot.ravel()[used]] = used
    ty, tx = np.divmod(tile[slot], grid.tile_slot.shape[1])
    iy, ix = ty * TILE_CELLS + cell // TILE_CELLS, tx * TILE_CELLS + cell % TILE_CELLS
    step = max(1, round(SPACING_M / grid.cell_m))
    chosen = (ix % step == 0) & (iy % step == 0)
    rows, ix, iy = rows[chosen], ix[chosen], iy[chosen]
    xyz = np.column_stack(
        [
            grid.x0_m + (ix + 0.5) * grid.cell_m,
            grid.y0_m + (iy + 0.5) * grid.cell_m,
            grid.z0_m + ground.height_m[rows].astype(np.float64),
        ]
    )
    normal = np.column_stack([-ground.gradient[rows].astype(np.float64), np.ones(len(rows))])
    normal /= np.linalg.norm(normal, axis=1)[:, np.newaxis]
    return xyz.reshape(-1, 3), normal.reshape(-1, 3), np.full(len(rows), -1)
