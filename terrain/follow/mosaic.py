"""The ground and its judgement tile by tile, each tile from the window that saw it last."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import (
    TILE_CELLS,
    BoolArray,
    Float32Array,
    FloatArray,
    Grid,
    Ground,
    Int32Array,
    IntArray,
    Label,
    LevelRaster,
)
from terrain.follow.points import CELL_M, TILE_M, Tile

COLUMNS = TILE_CELLS * TILE_CELLS
RASTER_CELL_M = 0.02
SIDE = TILE_CELLS // 2
"""Output cells to a side of a tile."""
_SURFACES = (
    "height_m", "height_sd_m", "gradient", "gradient_sd", "roughness_m", "edge_sd_m", "seen", "points", "patch_id",
    "level", "carries", "walkable",
)  # fmt: skip
_SPANS = ("span_low_m", "span_high_m")
_HEIGHTS = ("height_m", *_SPANS)
_BANDS = tuple(f.name for f in fields(LevelRaster) if f.name not in ("level", "x0_m", "y0_m", "cell_m", "patch_id"))
_LABEL = _BANDS.index("label")


@dataclass(frozen=True, slots=True, eq=False)
class TileGround:
    """Surfaces and spans of one tile: how many each column has, where its first stands, and their values."""

    surfaces: IntArray
    spans: IntArray
    values: Mapping[str, npt.NDArray[Any]]
    begin: IntArray
    span_begin: IntArray


@dataclass(slots=True, eq=False)
class TileCells:
    """One level's judgement in one tile: (9, 32, 32) float32 in the order of the raster's bands, and patches."""

    bands: Float32Array
    patch_id: Int32Array


@dataclass(frozen=True, slots=True, eq=False)
class Fresh:
    """What changed in a mosaic: ground and cells by tile, None where there is none any more."""

    z0_m: float | None
    ground: Mapping[Tile, TileGround | None]
    cells: Mapping[Tile, dict[int, TileCells] | None]


def no_cells() -> TileCells:
    """Return cells without ground."""
    bands = np.full((len(_BANDS), SIDE, SIDE), np.nan, dtype=np.float32)
    bands[_LABEL] = 0.0
    return TileCells(bands, np.full((SIDE, SIDE), -1, dtype=np.int32))


class Mosaic:
    """Tiles of ground and rasters; numbers of patches are those given to `put`, unique over all windows."""

    def __init__(self) -> None:
        self._z0_m: float | None = None
        self._ground: dict[Tile, TileGround] = {}
        self._cells: dict[Tile, dict[int, TileCells]] = {}
        self._changes = 0
        self._changed: dict[Tile, int] = {}
        self._fresh: set[Tile] = set()
        self._judged: set[Tile] = set()
        self._standing: dict[Tile, tuple[int, int]] = {}

    def changes(self) -> dict[Tile, int]:
        """Return of each tile a number that rises with every change of its ground."""
        return dict(self._changed)

    def _note(self, tile: Tile) -> None:
        self._changes += 1
        self._changed[tile] = self._changes
        self._fresh.add(tile)

    def fresh(self) -> Fresh:
        """Return what changed since the last time this was asked; what is in it may change when tiles are put again."""
        ground = {tile: self._ground.get(tile) for tile in sorted(self._fresh)}
        cells = {tile: self._cells.get(tile) for tile in sorted(self._judged)}
        self._fresh, self._judged = set(), set()
        return Fresh(self._z0_m, ground, cells)

    def take(self, fresh: Fresh) -> None:
        """Take what changed in another mosaic that this one is a copy of."""
        self._z0_m = fresh.z0_m
        for tile, ground in fresh.ground.items():
            self._note(tile)
            _put_or_drop(self._ground, tile, ground)
        for tile, cells in fresh.cells.items():
            _put_or_drop(self._cells, tile, cells)

    @property
    def tiles(self) -> set[Tile]:
        """Return the tiles that hold ground."""
        return set(self._ground)

    def put(self, ground: Ground, tiles: Iterable[Tile], *, first_patch: int) -> None:
        """Take some tiles of a window's ground instead of what is there; its patch k becomes first_patch + k."""
        grid = ground.grid
        if self._z0_m is None:
            self._z0_m = grid.z0_m
        corner = round(grid.x0_m / TILE_M), round(grid.y0_m / TILE_M)
        for tile in tiles:
            tx, ty = tile[0] - corner[0], tile[1] - corner[1]
            inside = 0 <= ty < grid.tile_slot.shape[0] and 0 <= tx < grid.tile_slot.shape[1]
            slot = int(grid.tile_slot[ty, tx]) if inside else -1
            self._note(tile)
            if slot < 0:
                self._ground.pop(tile, None)
                continue
            columns = slice(slot * COLUMNS, (slot + 1) * COLUMNS + 1)
            first, span_first = ground.first[columns], ground.span_first[columns]
            values = {name: getattr(ground, name)[first[0] : first[-1]] for name in _SURFACES}
            values |= {name: getattr(ground, name)[span_first[0] : span_first[-1]] for name in _SPANS}
            shift = np.float32(grid.z0_m - self._z0_m)
            if shift:
                values |= {name: values[name] + shift for name in _HEIGHTS}
            known = values["patch_id"] >= 0
            values["patch_id"] = np.where(known, values["patch_id"] + first_patch, -1).astype(np.int32)
            kept = {name: np.array(value) for name, value in values.items()}
            begin, span_begin = first[:-1] - first[0], span_first[:-1] - span_first[0]
            self._ground[tile] = TileGround(np.diff(first), np.diff(span_first), kept, begin, span_begin)

    def drop(self, tiles: Iterable[Tile]) -> None:
        """Forget the ground of some tiles: nothing was seen there but what moved."""
        for tile in tiles:
            self._note(tile)
            self._ground.pop(tile, None)

    def ground(self, tiles: Iterable[Tile] | None = None) -> Ground:
        """Return the ground of some tiles, or of all, on a grid of its own."""
        chosen = sorted(self.tiles if tiles is None else self.tiles & set(tiles), key=lambda tile: (tile[1], tile[0]))
        parts = [self._ground[tile] for tile in chosen]
        low, shape = _bounds(chosen)
        slot = np.full(shape[::-1], -1, dtype=np.int32)
        for k, (tx, ty) in enumerate(chosen):
            slot[ty - low[1], tx - low[0]] = k
        grid = Grid(
            low[0] * TILE_M,
            low[1] * TILE_M,
            self._z0_m or 0.0,
            CELL_M,
            shape[0] * TILE_CELLS,
            shape[1] * TILE_CELLS,
            slot,
        )
        values = {name: np.concatenate([part.values[name] for part in parts]) for name in (*_SURFACES, *_SPANS)}
        first = _starts([part.surfaces for part in parts])
        span_first = _starts([part.spans for part in parts])
        levels = int(values["level"].max(initial=-1)) + 1
        return Ground(grid=grid, first=first, span_first=span_first, levels=levels, **values)

    def unexplained(self, tile: Tile, xyz_m: FloatArray, *, off_m: float, over_m: float) -> tuple[BoolArray, BoolArray]:
        """Return which points (n, 3) of a tile lie off every surface and span known in their column, by `off_m`.

        First those over or under a surface, but not above all by more than `over_m`, where no foot meets them; then
        those in a column without any surface.
        """
        from terrain.kernels.unexplained import off_all_known

        known = self._ground.get(tile)
        if known is None:
            return np.zeros(len(xyz_m), dtype=np.bool_), np.ones(len(xyz_m), dtype=np.bool_)
        odd, new = np.empty((2, len(xyz_m)), dtype=np.bool_)
        values = known.values
        off_all_known(
            xyz_m, tile[0] * TILE_M, tile[1] * TILE_M, CELL_M, TILE_CELLS, self._z0_m or 0.0,
            known.surfaces, known.begin, values["height_m"],
            known.spans, known.span_begin, values["span_low_m"], values["span_high_m"], off_m, over_m, odd, new,
        )  # fmt: skip
        return odd, new

    def put_cells(
        self, rasters: Iterable[LevelRaster], tiles: Iterable[Tile], around: Iterable[Tile], *, reach_m: float
    ) -> None:
        """Take the judgement of some tiles, and of what lies within `reach_m` of them in the tiles around.

        Rasters are of a ground that holds all of that and whatever their verdicts can reach.
        """
        rasters, core = tuple(rasters), set(tiles)
        near = int(np.ceil(reach_m / RASTER_CELL_M))
        for tile in core | set(around):
            if tile not in self._ground:
                if self._cells.pop(tile, None) is not None:
                    self._judged.add(tile)
                    self._standing.pop(tile, None)
                continue
            mask = np.ones((SIDE, SIDE), dtype=np.bool_) if tile in core else _near(tile, core, near)
            if not mask.any():
                continue
            self._judged.add(tile)
            self._standing.pop(tile, None)
            old = self._cells.setdefault(tile, {})
            fresh = {raster.level: _cut(raster, tile) for raster in rasters}
            for level in sorted(set(old) | set(fresh)):
                cells = old.setdefault(level, no_cells())
                newer = fresh.get(level) or no_cells()
                cells.bands[:, mask] = newer.bands[:, mask]
                cells.patch_id[mask] = newer.patch_id[mask]
                if not np.isfinite(cells.bands[0]).any():
                    del old[level]

    def standing(self, tile: Tile) -> tuple[int, int]:
        """Return how many cells of a tile are steppable, and of how many more points can make a better verdict."""
        if tile not in self._standing:
            levels = [_standing(cells.bands) for cells in self._cells.get(tile, {}).values()]
            self._standing[tile] = sum(steppable for steppable, _ in levels), sum(other for _, other in levels)
        return self._standing[tile]

    def rasters(self, row_of: Int32Array) -> tuple[LevelRaster, ...]:
        """Return one raster a level; patch k is written as row_of[k]."""
        levels = max((level for cells in self._cells.values() for level in cells), default=-1) + 1
        return tuple(self._raster(level, row_of) for level in range(levels))

    def _raster(self, level: int, row_of: Int32Array) -> LevelRaster:
        tiles = [tile for tile, cells in self._cells.items() if level in cells]
        tiles = tiles or list(self._cells)[:1]
        low, shape = _bounds(tiles)
        bands = np.full((len(_BANDS), shape[1] * SIDE, shape[0] * SIDE), np.nan, dtype=np.float32)
        bands[_LABEL] = 0.0
        patch_id = np.full(bands.shape[1:], -1, dtype=np.int32)
        for tile in tiles:
            cells = self._cells[tile].get(level)
            if cells is None:
                continue
            y, x = (tile[1] - low[1]) * SIDE, (tile[0] - low[0]) * SIDE
            bands[:, y : y + SIDE, x : x + SIDE] = cells.bands
            patch_id[y : y + SIDE, x : x + SIDE] = cells.patch_id
        iy, ix = np.nonzero(np.isfinite(bands[0]))
        box = slice(0, SIDE), slice(0, SIDE)
        if len(iy):
            box = slice(int(iy.min()), int(iy.max()) + 1), slice(int(ix.min()), int(ix.max()) + 1)
        x0, y0 = low[0] * SIDE + box[1].start, low[1] * SIDE + box[0].start
        cut = {name: np.ascontiguousarray(bands[k][box]) for k, name in enumerate(_BANDS)}
        return LevelRaster(
            level=level, x0_m=x0 * RASTER_CELL_M, y0_m=y0 * RASTER_CELL_M, cell_m=RASTER_CELL_M,
            patch_id=renumbered(patch_id[box], row_of), **cut,
        )  # fmt: skip


def _standing(bands: Float32Array) -> tuple[int, int]:
    label = bands[_LABEL]
    better = ((label == Label.UNOBSERVED) | (label == Label.MARGINAL)) & np.isfinite(bands[0])
    return int(np.count_nonzero(label == Label.STEPPABLE)), int(np.count_nonzero(better))


def _put_or_drop(tiles: dict[Tile, Any], tile: Tile, value: Any) -> None:
    if value is None:
        tiles.pop(tile, None)
    else:
        tiles[tile] = value


def changed_near(changed: Mapping[Tile, int], x_m: float, y_m: float, *, reach_m: float) -> int:
    """Return a number that rises with every change of the ground within reach of a spot; see `Mosaic.changes`."""
    tx, ty = int(np.floor(x_m / TILE_M)), int(np.floor(y_m / TILE_M))
    return max(changed.get(tile, 0) for tile in beside([(tx, ty)], int(np.ceil(reach_m / TILE_M))))


def renumbered(patch_id: npt.NDArray[np.int32], row_of: Int32Array) -> Int32Array:
    """Return row_of[k] for every k from 0, else -1."""
    return np.where(patch_id >= 0, row_of[np.maximum(patch_id, 0)], -1).astype(np.int32)


def beside(tiles: Iterable[Tile], rings: int) -> set[Tile]:
    """Return tiles and all within so many rings around them."""
    out: set[Tile] = set()
    for tx, ty in tiles:
        out |= {(tx + i, ty + j) for i in range(-rings, rings + 1) for j in range(-rings, rings + 1)}
    return out


def _bounds(tiles: Iterable[Tile]) -> tuple[Tile, Tile]:
    """Return the least tile and how many there are along x and y."""
    array = np.array(list(tiles), dtype=np.int64).reshape(-1, 2)
    if len(array) == 0:
        return (0, 0), (0, 0)
    low, high = array.min(axis=0), array.max(axis=0)
    return (int(low[0]), int(low[1])), (int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1)


def _starts(counts: list[IntArray]) -> IntArray:
    return np.concatenate([[0], np.cumsum(np.concatenate(counts))]).astype(np.int64)


def _near(tile: Tile, core: set[Tile], near: int) -> BoolArray:
    """Return which cells of a tile lie within so many cells of a tile of the core."""
    mask = np.zeros((SIDE, SIDE), dtype=np.bool_)
    reach = -(-near // SIDE)
    for i in range(-reach, reach + 1):
        for j in range(-reach, reach + 1):
            if (tile[0] + i, tile[1] + j) in core:
                x0, y0 = max(i * SIDE - near, 0), max(j * SIDE - near, 0)
                x1, y1 = min((i + 1) * SIDE + near, SIDE), min((j + 1) * SIDE + near, SIDE)
                mask[y0 : max(y1, 0), x0 : max(x1, 0)] = True
    return mask


def _cut(raster: LevelRaster, tile: Tile) -> TileCells:
    """Return the cells of a raster in a tile."""
    cells = no_cells()
    x = tile[0] * SIDE - round(raster.x0_m / RASTER_CELL_M)
    y = tile[1] * SIDE - round(raster.y0_m / RASTER_CELL_M)
    ny, nx = raster.label.shape
    x0, x1, y0, y1 = max(x, 0), min(x + SIDE, nx), max(y, 0), min(y + SIDE, ny)
    if x0 >= x1 or y0 >= y1:
        return cells
    here = slice(y0 - y, y1 - y), slice(x0 - x, x1 - x)
    for k, name in enumerate(_BANDS):
        cells.bands[k][here] = getattr(raster, name)[y0:y1, x0:x1]
    cells.patch_id[here] = raster.patch_id[y0:y1, x0:x1]
    return cells
