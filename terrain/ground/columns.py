"""Building blocks of the ground: the tiled grid, and surfaces gathered and sorted by column."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from terrain.data import TILE_CELLS, BoolArray, ByteArray, Cloud, Float32Array, Grid, Int32Array, IntArray, PatchMasks


@dataclass(frozen=True, slots=True, eq=False)
class Surfaces:
    """Surface records in any order; see `terrain.data.Ground` for what they hold."""

    column: IntArray
    height_m: Float32Array
    height_sd_m: Float32Array
    gradient: Float32Array
    gradient_sd: Float32Array
    roughness_m: Float32Array
    edge_sd_m: Float32Array
    seen: Any
    points: Any
    patch_id: Int32Array
    carries: BoolArray

    def __len__(self) -> int:
        """Return the number of records."""
        return len(self.column)

    def chosen(self, rows: Any) -> Surfaces:
        """Return the records of the given rows: (k,) bool for all of them or whole numbers, or a slice."""
        columns = [getattr(self, f.name) for f in fields(self)]
        if isinstance(rows, slice):
            return Surfaces(*(column[rows] for column in columns))
        numbers = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        return Surfaces(*(np.take(column, numbers, axis=0) for column in columns))

    def order_by_column(self, columns: int) -> IntArray:
        """Return the rows sorted by column, then height, then patch; columns: how many there are."""
        from terrain.kernels.voxels import rows_by_group

        rows, begins = rows_by_group(self.column.astype(np.int32), columns)
        order: IntArray = rows.astype(np.int64)
        held = np.diff(begins)
        several = np.flatnonzero(np.repeat(held > 1, held))
        among = order[several]
        within = np.lexsort((self.patch_id[among], self.height_m[among], self.column[among]))
        order[several] = among[within]
        return order

    def sorted_by_column(self, columns: int) -> Surfaces:
        """Return the records sorted by column, then height, then patch; columns: how many there are."""
        return self.chosen(self.order_by_column(columns))

    def first(self, columns: int) -> IntArray:
        """Return where each column begins, (columns + 1,); the records must be sorted."""
        return np.concatenate([[0], np.cumsum(np.bincount(self.column, minlength=columns))]).astype(np.int64)


def no_surfaces_like(surfaces: Surfaces) -> Surfaces:
    """Return no records."""
    return surfaces.chosen(slice(0, 0))


def joined(parts: list[Surfaces]) -> Surfaces:
    """Return the records of all parts."""
    return Surfaces(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Surfaces)))


def make_grid(cloud: Cloud, masks: PatchMasks, cell_xy: Int32Array) -> Grid:
    """Return the grid of the masks with tiles wherever a return or a mask is."""
    top = np.array([cell_xy[:, axis].max(initial=0) for axis in (0, 1)], dtype=np.int64)
    used = masks.nx > 0
    if used.any():
        top = np.maximum(top, [(masks.ix0 + masks.nx)[used].max(), (masks.iy0 + masks.ny)[used].max()])
    nx, ny = (top // TILE_CELLS + 1) * TILE_CELLS
    taken = np.zeros((ny // TILE_CELLS, nx // TILE_CELLS), dtype=bool)
    taken[cell_xy[:, 1] // TILE_CELLS, cell_xy[:, 0] // TILE_CELLS] = True
    for k in np.flatnonzero(used).tolist():
        mark_tiles_of(masks.window(k), int(masks.ix0[k]), int(masks.iy0[k]), taken)
    slot = np.full(taken.shape, -1, dtype=np.int32)
    slot[taken] = np.arange(int(taken.sum()), dtype=np.int32)
    z0 = float(np.floor(cloud.xyz_map_m[:, 2].min()))
    return Grid(masks.x0_m, masks.y0_m, z0, masks.cell_m, int(nx), int(ny), slot)


def mark_tiles_of(window: ByteArray, ix0: int, iy0: int, taken: BoolArray) -> None:
    """Set the tiles that hold cells of a mask whose window begins at cell ix0, iy0, or lie within a block of such."""
    edges = []
    for begin, size in ((iy0, window.shape[0]), (ix0, window.shape[1])):
        lines = np.arange(begin // BLOCK * BLOCK, begin + size, BLOCK)
        edges.append(np.maximum(lines - begin, 0))
    filled = np.logical_or.reduceat(np.logical_or.reduceat(window > 0, edges[0], axis=0), edges[1], axis=1)
    block_y, block_x = np.nonzero(filled)
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            ty = (block_y + iy0 // BLOCK + down) * BLOCK // TILE_CELLS
            tx = (block_x + ix0 // BLOCK + right) * BLOCK // TILE_CELLS
            inside = (ty >= 0) & (tx >= 0) & (ty < taken.shape[0]) & (tx < taken.shape[1])
            taken[ty[inside], tx[inside]] = True


BLOCK = 16
"""Cells to a side of what tiles are taken for: openings that are bridged are narrower."""


def columns_of(grid: Grid, ix: IntArray, iy: IntArray) -> IntArray:
    """Return the column of each cell, -1 outside the tiles in use."""
    inside = (ix >= 0) & (iy >= 0) & (ix < grid.nx) & (iy < grid.ny)
    ix, iy = np.where(inside, ix, 0), np.where(inside, iy, 0)
    slot = grid.tile_slot[iy // TILE_CELLS, ix // TILE_CELLS].astype(np.int64)
    column = slot * TILE_CELLS**2 + (iy % TILE_CELLS) * TILE_CELLS + ix % TILE_CELLS
    return np.where(inside & (slot >= 0), column, -1)


def cells_of_columns(grid: Grid) -> tuple[IntArray, IntArray]:
    """Return ix and iy of every column."""
    ty, tx = np.nonzero(grid.tile_slot >= 0)
    slot = grid.tile_slot[ty, tx]
    ty, tx = ty[np.argsort(slot)], tx[np.argsort(slot)]
    inner = np.arange(TILE_CELLS**2)
    ix = (tx[:, None] * TILE_CELLS + inner % TILE_CELLS).ravel()
    iy = (ty[:, None] * TILE_CELLS + inner // TILE_CELLS).ravel()
    return ix, iy
