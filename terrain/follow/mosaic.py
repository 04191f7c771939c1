"""The ground and its judgement tile by tile, each tile from the window that saw it last."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from terrain.data import TILE_CELLS, BoolArray, Float32Array, FloatArray, Ground, Int32Array, Label, LevelRaster
from terrain.follow.canvas import LABEL, RASTER_CELL_M, SIDE, Canvas, TileCells, cut, no_cells
from terrain.follow.points import CELL_M, TILE_M
from terrain.maps.tiles import COLUMNS, SPANS, SURFACES, Tile, TiledGround, TileGround, grid_of, join_tiles

_HEIGHTS = ("height_m", *SPANS)


@dataclass(frozen=True, slots=True, eq=False)
class Fresh:
    """What changed in a mosaic: ground and cells by tile, None where there is none any more."""

    z0_m: float | None
    ground: Mapping[Tile, TileGround | None]
    cells: Mapping[Tile, dict[int, TileCells] | None]


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """Some tiles of a window's ground, as numbered and as high there; those without any are left out."""

    z0_m: float
    tiles: Mapping[Tile, TileGround]


def parts_of(ground: Ground, tiles: Iterable[Tile]) -> Parts:
    """Return copies of some tiles of a window's ground."""
    grid, found = ground.grid, {}
    corner = round(grid.x0_m / TILE_M), round(grid.y0_m / TILE_M)
    for tile in tiles:
        tx, ty = tile[0] - corner[0], tile[1] - corner[1]
        inside = 0 <= ty < grid.tile_slot.shape[0] and 0 <= tx < grid.tile_slot.shape[1]
        slot = int(grid.tile_slot[ty, tx]) if inside else -1
        if slot < 0:
            continue
        columns = slice(slot * COLUMNS, (slot + 1) * COLUMNS + 1)
        first, span_first = ground.first[columns], ground.span_first[columns]
        values = {name: np.array(getattr(ground, name)[first[0] : first[-1]]) for name in SURFACES}
        values |= {name: np.array(getattr(ground, name)[span_first[0] : span_first[-1]]) for name in SPANS}
        begins = [(starts - starts[0]).astype(np.int32) for starts in (first, span_first)]
        found[tile] = TileGround(begins[0], begins[1], values)
    return Parts(grid.z0_m, found)


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
        self._undrawn: set[Tile] = set()
        self._canvases: list[Canvas] = []
        self._standing: dict[Tile, tuple[int, int]] = {}

    def changes(self) -> dict[Tile, int]:
        """Return of each tile a number that rises with every change of its ground."""
        return dict(self._changed)

    def _note(self, tile: Tile) -> None:
        self._changes += 1
        self._changed[tile] = self._changes
        self._fresh.add(tile)

    def _note_cells(self, tile: Tile) -> None:
        self._judged.add(tile)
        self._undrawn.add(tile)
        self._standing.pop(tile, None)

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
            self._note_cells(tile)
            _put_or_drop(self._cells, tile, cells)

    @property
    def tiles(self) -> set[Tile]:
        """Return the tiles that hold ground."""
        return set(self._ground)

    def put(self, ground: Ground | Parts, tiles: Iterable[Tile], *, first_patch: int) -> None:
        """Take some tiles of a window's ground instead of what is there; its patch k becomes first_patch + k."""
        tiles = list(tiles)
        parts = ground if isinstance(ground, Parts) else parts_of(ground, tiles)
        if self._z0_m is None:
            self._z0_m = parts.z0_m
        shift = np.float32(parts.z0_m - self._z0_m)
        for tile in tiles:
            self._note(tile)
            part = parts.tiles.get(tile)
            if part is None:
                self._ground.pop(tile, None)
                continue
            values = dict(part.values)
            if shift:
                values |= {name: values[name] + shift for name in _HEIGHTS}
            known = values["patch_id"] >= 0
            values["patch_id"] = np.where(known, values["patch_id"] + first_patch, -1).astype(np.int32)
            self._ground[tile] = TileGround(part.first, part.span_first, values)

    def forget_patch(self, number: int, tiles: Iterable[Tile]) -> None:
        """Take note that ground on a patch, in some tiles, is on none now: `tiled` is given no row for it any more."""
        for tile in tiles:
            if tile in self._ground and (self._ground[tile].values["patch_id"] == number).any():
                self._note(tile)

    def drop(self, tiles: Iterable[Tile]) -> None:
        """Forget the ground of some tiles: nothing was seen there but what moved."""
        for tile in tiles:
            self._note(tile)
            self._ground.pop(tile, None)

    def ground(self, tiles: Iterable[Tile] | None = None) -> Ground:
        """Return the ground of some tiles, or of all, on a grid of its own."""
        chosen = self._ground if tiles is None else {tile: self._ground[tile] for tile in self.tiles & set(tiles)}
        return join_tiles(chosen, grid_of(chosen, chosen, z0_m=self._z0_m or 0.0, cell_m=CELL_M))

    def tiled(self, row_of: Int32Array) -> TiledGround:
        """Return the ground of all tiles as it is now; its patch k is the map's row_of[k]."""
        return TiledGround(dict(self._ground), self._z0_m or 0.0, CELL_M, row_of)

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
            known.first, values["height_m"],
            known.span_first, values["span_low_m"], values["span_high_m"], off_m, over_m, odd, new,
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
                    self._note_cells(tile)
                continue
            mask = np.ones((SIDE, SIDE), dtype=np.bool_) if tile in core else _near(tile, core, near)
            if not mask.any():
                continue
            self._note_cells(tile)
            old = self._cells.setdefault(tile, {})
            fresh = {raster.level: cut(raster, tile) for raster in rasters}
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
        """Return one raster a level; patch k is written as row_of[k]. They hold until cells are put or taken again."""
        return tuple(canvas.raster(row_of) for canvas in self.canvases())

    def canvases(self) -> list[Canvas]:
        """Return what rasters are cut from, one a level, with all tiles drawn as they are now."""
        levels = max((level for cells in self._cells.values() for level in cells), default=-1) + 1
        self._canvases = self._canvases[:levels]
        while len(self._canvases) < levels:
            self._canvases.append(Canvas(len(self._canvases)))
            self._undrawn = set(self._cells)
        for canvas in self._canvases:
            canvas.draw({tile: self._cells.get(tile, {}).get(canvas.level) for tile in self._undrawn})
        self._undrawn = set()
        return self._canvases


def _standing(bands: Float32Array) -> tuple[int, int]:
    label = bands[LABEL]
    better = ((label == Label.UNOBSERVED) | (label == Label.MARGINAL)) & np.isfinite(bands[0])
    return int(np.count_nonzero(label == Label.STEPPABLE)), int(np.count_nonzero(better))


def _put_or_drop(tiles: dict[Tile, Any], tile: Tile, value: Any) -> None:
    if value is None:
        tiles.pop(tile, None)
    else:
        tiles[tile] = value


def tiles_near(x_m: float, y_m: float, *, reach_m: float) -> list[Tile]:
    """Return the tiles that a square around a spot lies in, as large as its reach."""
    x, y = (range(math.floor((c - reach_m) / TILE_M), math.floor((c + reach_m) / TILE_M) + 1) for c in (x_m, y_m))
    return [(column, row) for column in x for row in y]


def beside(tiles: Iterable[Tile], rings: int) -> set[Tile]:
    """Return tiles and all within so many rings around them."""
    out: set[Tile] = set()
    for tx, ty in tiles:
        out |= {(tx + i, ty + j) for i in range(-rings, rings + 1) for j in range(-rings, rings + 1)}
    return out


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
