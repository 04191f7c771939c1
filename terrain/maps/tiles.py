"""Ground tile by tile, and tiles joined to one ground."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import TILE_CELLS, Grid, Ground, Int32Array, IntArray

Tile = tuple[int, int]
"""Number of a tile along x and y: it covers x from tx * its size up to (tx + 1) * its size, y likewise."""
COLUMNS = TILE_CELLS * TILE_CELLS
SURFACES = (
    "height_m", "height_sd_m", "gradient", "gradient_sd", "roughness_m", "edge_sd_m", "seen", "points", "patch_id",
    "level", "carries", "walkable",
)  # fmt: skip
SPANS = ("span_low_m", "span_high_m")


@dataclass(frozen=True, slots=True, eq=False)
class TileGround:
    """Surfaces and spans of one tile.

    first, span_first : (4097,) int32, where those of each column begin, as in `Ground`
    values : the other arrays of a `Ground` by name, heights relative to one height for all tiles
    """

    first: Int32Array
    span_first: Int32Array
    values: Mapping[str, npt.NDArray[Any]]
    levels: int = field(init=False)
    """Levels up to the highest one here."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "levels", int(self.values["level"].max(initial=-1)) + 1)


@dataclass(frozen=True, slots=True, eq=False)
class TiledGround:
    """The ground of a map that grows.

    tiles: whose contents never change, a tile made anew is another one; z0_m: what heights are relative to; cell_m:
    side of a column; row_of (n,) int32: patch k of a tile is patch row_of[k] of the map, -1 none.
    """

    tiles: Mapping[Tile, TileGround]
    z0_m: float
    cell_m: float
    row_of: Int32Array

    @property
    def levels(self) -> int:
        """Return how many levels there are."""
        return max((tile.levels for tile in self.tiles.values()), default=0)

    def grid(self) -> Grid:
        """Return the grid of all tiles."""
        return grid_of(self.tiles, self.tiles, z0_m=self.z0_m, cell_m=self.cell_m)

    def joined(self, chosen: Iterable[Tile] | None = None) -> Ground:
        """Return the ground of all tiles, or of some of them on the grid of all, with the map's patches."""
        tiles = self.tiles if chosen is None else {tile: self.tiles[tile] for tile in chosen if tile in self.tiles}
        return join_tiles(tiles, grid_of(tiles, self.tiles, z0_m=self.z0_m, cell_m=self.cell_m), row_of=self.row_of)


def bounds(tiles: Iterable[Tile]) -> tuple[Tile, Tile]:
    """Return the least tile and how many there are along x and y."""
    array = np.array(list(tiles), dtype=np.int64).reshape(-1, 2)
    if len(array) == 0:
        return (0, 0), (0, 0)
    low, high = array.min(axis=0), array.max(axis=0)
    return (int(low[0]), int(low[1])), (int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1)


def grid_of(tiles: Iterable[Tile], frame: Iterable[Tile], *, z0_m: float, cell_m: float) -> Grid:
    """Return a grid with slots for some tiles, as large as the frame's tiles take."""
    (x, y), (nx, ny) = bounds(frame)
    slot = np.full((ny, nx), -1, dtype=np.int32)
    for k, (tx, ty) in enumerate(in_order(tiles)):
        slot[ty - y, tx - x] = k
    side_m = TILE_CELLS * cell_m
    return Grid(x * side_m, y * side_m, z0_m, cell_m, nx * TILE_CELLS, ny * TILE_CELLS, slot)


def in_order(tiles: Iterable[Tile]) -> list[Tile]:
    """Return tiles in the order of their slots."""
    return sorted(tiles, key=lambda tile: (tile[1], tile[0]))


def join_tiles(tiles: Mapping[Tile, TileGround], grid: Grid, *, row_of: Int32Array | None = None) -> Ground:
    """Return the ground of tiles on their grid; patch k is written as row_of[k]."""
    parts = [tiles[tile] for tile in in_order(tiles)]
    values = {name: np.concatenate([part.values[name] for part in parts]) for name in (*SURFACES, *SPANS)}
    if row_of is not None:
        values["patch_id"] = renumbered(values["patch_id"], row_of)
    first, span_first = _starts([part.first for part in parts]), _starts([part.span_first for part in parts])
    levels = max((part.levels for part in parts), default=0)
    return Ground(grid=grid, first=first, span_first=span_first, levels=levels, **values)


def renumbered(patch_id: npt.NDArray[np.int32], row_of: Int32Array) -> Int32Array:
    """Return row_of[k] for every k from 0, else -1."""
    return np.where(patch_id >= 0, row_of[np.maximum(patch_id, 0)], -1).astype(np.int32)


def _starts(parts: list[Int32Array]) -> IntArray:
    """Return where columns begin among those of all parts, and the end of the last."""
    out = np.zeros(len(parts) * COLUMNS + 1, dtype=np.int64)
    end = 0
    for k, part in enumerate(parts):
        np.add(part[1:], end, out=out[k * COLUMNS + 1 : (k + 1) * COLUMNS + 1])
        end += int(part[-1])
    return out
