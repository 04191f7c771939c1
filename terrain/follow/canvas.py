"""One level's judgement of all tiles on one canvas, drawn again only where tiles changed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields

import numpy as np

from terrain.data import TILE_CELLS, BoolArray, Float32Array, Int32Array, LevelRaster
from terrain.maps.tiles import Tile, bounds, renumbered

RASTER_CELL_M = 0.02
SIDE = TILE_CELLS // 2
"""Output cells to a side of a tile."""
BANDS = tuple(f.name for f in fields(LevelRaster) if f.name not in ("level", "x0_m", "y0_m", "cell_m", "patch_id"))
LABEL, HEIGHT = BANDS.index("label"), BANDS.index("height_m")


@dataclass(slots=True, eq=False)
class TileCells:
    """One level's judgement in one tile: (9, 32, 32) float32 in the order of the raster's bands, and patches."""

    bands: Float32Array
    patch_id: Int32Array


def no_cells(*, tiles: Tile = (1, 1)) -> TileCells:
    """Return cells without ground, for one tile or for several along x and y."""
    shape = tiles[1] * SIDE, tiles[0] * SIDE
    bands = np.full((len(BANDS), *shape), np.nan, dtype=np.float32)
    bands[LABEL] = 0.0
    return TileCells(bands, np.full(shape, -1, dtype=np.int32))


def cut(raster: LevelRaster, tile: Tile) -> TileCells:
    """Return the cells of a raster in a tile."""
    cells = no_cells()
    x = tile[0] * SIDE - round(raster.x0_m / RASTER_CELL_M)
    y = tile[1] * SIDE - round(raster.y0_m / RASTER_CELL_M)
    ny, nx = raster.label.shape
    x0, x1, y0, y1 = max(x, 0), min(x + SIDE, nx), max(y, 0), min(y + SIDE, ny)
    if x0 >= x1 or y0 >= y1:
        return cells
    here = slice(y0 - y, y1 - y), slice(x0 - x, x1 - x)
    for k, name in enumerate(BANDS):
        cells.bands[k][here] = getattr(raster, name)[y0:y1, x0:x1]
    cells.patch_id[here] = raster.patch_id[y0:y1, x0:x1]
    return cells


class Canvas:
    """A level's cells, as far as tiles with some lie apart; what is cut from it holds until it is drawn on again."""

    def __init__(self, level: int) -> None:
        self.level = level
        self._low: Tile = (0, 0)
        self._tiles: Tile = (0, 0)
        self._cells = no_cells(tiles=(0, 0))
        self._changed: set[Tile] = set()

    def draw(self, tiles: Mapping[Tile, TileCells | None]) -> None:
        """Draw tiles as they are now, None where there are no cells any more."""
        self._reach(tile for tile, cells in tiles.items() if cells is not None)
        blank = no_cells()
        for tile, cells in tiles.items():
            column, row = tile[0] - self._low[0], tile[1] - self._low[1]
            if not (0 <= column < self._tiles[0] and 0 <= row < self._tiles[1]):
                continue
            here = slice(row * SIDE, (row + 1) * SIDE), slice(column * SIDE, (column + 1) * SIDE)
            fresh = cells or blank
            self._cells.bands[:, *here] = fresh.bands
            self._cells.patch_id[here] = fresh.patch_id
            self._changed.add(tile)

    def _reach(self, tiles: Iterable[Tile]) -> None:
        """Make room for tiles."""
        has = (
            []
            if 0 in self._tiles
            else [self._low, (self._low[0] + self._tiles[0] - 1, self._low[1] + self._tiles[1] - 1)]
        )
        low, size = bounds([*has, *tiles])
        if (low, size) == (self._low, self._tiles):
            return
        larger = no_cells(tiles=size)
        y, x = (self._low[1] - low[1]) * SIDE, (self._low[0] - low[0]) * SIDE
        here = slice(y, y + self._tiles[1] * SIDE), slice(x, x + self._tiles[0] * SIDE)
        larger.bands[:, *here], larger.patch_id[here] = self._cells.bands, self._cells.patch_id
        self._low, self._tiles, self._cells = low, size, larger

    def changed(self) -> set[Tile]:
        """Return the tiles drawn since the last time this was asked."""
        changed, self._changed = self._changed, set()
        return changed

    def raster(self, row_of: Int32Array) -> LevelRaster:
        """Return the level, cropped to its cells; patch k is written as row_of[k]."""
        has = np.isfinite(self._cells.bands[HEIGHT])
        y, x = (_extent(has.any(axis=axis)) for axis in (1, 0))
        cropped = {name: self._cells.bands[k, y, x] for k, name in enumerate(BANDS)}
        corner = self._low[0] * SIDE + x.start, self._low[1] * SIDE + y.start
        return LevelRaster(
            level=self.level, x0_m=corner[0] * RASTER_CELL_M, y0_m=corner[1] * RASTER_CELL_M, cell_m=RASTER_CELL_M,
            patch_id=renumbered(self._cells.patch_id[y, x], row_of), **cropped,
        )  # fmt: skip


def _extent(has: BoolArray) -> slice:
    """Return the stretch from the first to the last that has something; as long as a tile where nothing has."""
    at = np.flatnonzero(has)
    return slice(int(at[0]), int(at[-1]) + 1) if len(at) else slice(0, SIDE)
