"""How high the ground is at spots, without a foot on it; and the patches about a spot."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import TILE_CELLS, FloatArray, Ground, Int32Array, IntArray
from terrain.data.arrays import seal
from terrain.maps.polygons import PatchTable

LEVEL_WITHIN_M = 0.25
_ON_BORDER = 1e-6
_FARTHEST_M = 1e7


@dataclass(frozen=True, slots=True, eq=False)
class Heights:
    """The ground at spots, one row a spot; where none was found numbers are NaN and patch and level -1.

    z_m, sd_m (n,): height, absolute, and its standard deviation; patch_id (n,) int32; level (n,) int16.
    """

    z_m: FloatArray
    sd_m: FloatArray
    patch_id: Int32Array
    level: npt.NDArray[np.int16]

    def __post_init__(self) -> None:
        n = len(self.z_m)
        seal(self, "z_m", finite=False, copy=False)
        seal(self, "sd_m", rows=n, finite=False, copy=False)
        seal(self, "patch_id", dtype=np.int32, rows=n, copy=False)
        seal(self, "level", dtype=np.int16, rows=n, copy=False)

    def __len__(self) -> int:
        """Return the number of spots."""
        return len(self.z_m)


def find_heights(ground: Ground, spots: FloatArray) -> Heights:
    """Return the ground at (n, 3) spots: x, y, and the height of the level that is meant or NaN for the topmost."""
    surface = _surfaces(ground, spots)
    hit = surface >= 0
    s = np.where(hit, surface, 0)
    if not hit.any():
        nothing = np.full(len(spots), np.nan)
        return Heights(nothing, nothing.copy(), np.full(len(spots), -1, np.int32), np.full(len(spots), -1, np.int16))
    grid = ground.grid
    to_centre = [
        spots[:, k] - (origin + (_cell(spots[:, k], origin, grid.cell_m) + 0.5) * grid.cell_m)
        for k, origin in enumerate((grid.x0_m, grid.y0_m))
    ]
    gradient = ground.gradient[s].astype(np.float64)
    z_m = grid.z0_m + ground.height_m[s] + gradient[:, 0] * to_centre[0] + gradient[:, 1] * to_centre[1]
    return Heights(
        z_m=np.where(hit, z_m, np.nan),
        sd_m=np.where(hit, ground.height_sd_m[s], np.nan),
        patch_id=np.where(hit, ground.patch_id[s], -1).astype(np.int32),
        level=np.where(hit, ground.level[s], -1).astype(np.int16),
    )


def _cell(values: FloatArray, origin_m: float, cell_m: float) -> IntArray:
    near = np.clip(values - origin_m, -_FARTHEST_M, _FARTHEST_M)  # dividing the largest numbers would overflow
    return np.floor(near / cell_m + _ON_BORDER).astype(np.int64)


def _surfaces(ground: Ground, spots: FloatArray) -> IntArray:
    """Return the walkable surface at each spot: the topmost, or the nearest to the level within 0.25 m; -1: none."""
    grid = ground.grid
    ix, iy = _cell(spots[:, 0], grid.x0_m, grid.cell_m), _cell(spots[:, 1], grid.y0_m, grid.cell_m)
    tx, ty = ix // TILE_CELLS, iy // TILE_CELLS
    known = (tx >= 0) & (ty >= 0) & (tx < grid.tile_slot.shape[1]) & (ty < grid.tile_slot.shape[0])
    slot = np.full(len(spots), -1, dtype=np.int64)
    slot[known] = grid.tile_slot[ty[known], tx[known]]
    best = np.full(len(spots), -1, dtype=np.int64)
    rows = np.flatnonzero(slot >= 0)
    column = slot[rows] * TILE_CELLS**2 + (iy[rows] % TILE_CELLS) * TILE_CELLS + ix[rows] % TILE_CELLS
    low, s = ground.first[column], ground.first[column + 1] - 1
    wanted = spots[rows, 2] - grid.z0_m
    away = np.where(np.isnan(wanted), np.inf, LEVEL_WITHIN_M)
    while len(rows):
        left = s >= low
        rows, low, s, wanted, away = (values[left] for values in (rows, low, s, wanted, away))
        if not len(rows):
            break
        distance = np.where(np.isnan(wanted), 0.0, np.abs(ground.height_m[s] - wanted))
        better = ground.walkable[s] & ((distance < away) | ((distance == away) & (best[rows] < 0)))
        best[rows[better]] = s[better]
        away[better] = distance[better]
        s = s - 1
    return best


def take_patches(table: PatchTable, rows: IntArray) -> PatchTable:
    """Return the patches of those rows, in their order."""
    taken: dict[str, Any] = {}
    for column in dataclasses.fields(PatchTable):
        values = getattr(table, column.name)
        taken[column.name] = tuple(values[k] for k in rows) if isinstance(values, tuple) else values[rows]
    return PatchTable(**taken)
