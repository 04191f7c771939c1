"""The surfaces a foot could meet, by column of a grid."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from terrain.data.arrays import BoolArray, ByteArray, Float32Array, Int32Array, IntArray, seal, sealed_2d
from terrain.errors import DataError

TILE_CELLS = 64


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A raster of square cells in the map's x-y plane, stored only where 64 x 64 tiles hold something.

    Cell (ix, iy) covers x in [x0 + ix*cell, x0 + (ix+1)*cell), y likewise; ix rises with x, iy with y.
    tile_slot (nty, ntx) int32: slot of tile (ix // 64, iy // 64), or -1 where nothing was seen.
    Column number of a cell: slot * 4096 + (iy % 64) * 64 + ix % 64. Heights are relative to z0_m.
    """

    x0_m: float
    y0_m: float
    z0_m: float
    cell_m: float
    nx: int
    ny: int
    tile_slot: Int32Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "tile_slot", sealed_2d("tile_slot", self.tile_slot, np.int32))
        nty, ntx = -(-self.ny // TILE_CELLS), -(-self.nx // TILE_CELLS)
        if self.tile_slot.shape != (nty, ntx):
            raise DataError(f"tile_slot: got shape {self.tile_slot.shape}, expected {(nty, ntx)}")

    @property
    def columns(self) -> int:
        """Return the number of columns that the tiles in use hold."""
        return int(self.tile_slot.max(initial=-1) + 1) * TILE_CELLS * TILE_CELLS


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Every surface a foot could meet from above, and everything it could bump into, by column of the grid.

    Surfaces (s of them), sorted by column and then by height; those of column c are first[c]:first[c + 1].

    first : (columns + 1,) int64
    height_m, height_sd_m : (s,) float32, relative to grid.z0_m at the cell's centre
    gradient : (s, 2) float32, dz/dx and dz/dy of the surface
    gradient_sd : (s,) float32, sd of either component
    roughness_m : (s,) float32, roughness proven beyond range noise that `height_m` does not show
    edge_sd_m : (s,) float32, sd of where this surface ends, in plan
    seen : (s,) uint8, returns of this surface within 30 mm of the cell's centre, 255 and more as 255
    points : (s,) uint16, returns of this surface in the cell itself
    patch_id, level : (s,) int32 and int16; -1 for none
    carries : (s,) bool; False for a joint that is bridged or suspected: no edge, no ground that carries
    walkable : (s,) bool; False for a surface no foot can be judged on (an underside, a lid without evidence)

    Spans (o of them): what is no ground, sorted by column and height; those of column c are
    span_first[c]:span_first[c + 1].

    span_first : (columns + 1,) int64
    span_low_m, span_high_m : (o,) float32, relative to grid.z0_m
    """

    grid: Grid
    first: IntArray
    height_m: Float32Array
    height_sd_m: Float32Array
    gradient: Float32Array
    gradient_sd: Float32Array
    roughness_m: Float32Array
    edge_sd_m: Float32Array
    seen: ByteArray
    points: npt.NDArray[np.uint16]
    patch_id: Int32Array
    level: npt.NDArray[np.int16]
    carries: BoolArray
    walkable: BoolArray
    span_first: IntArray
    span_low_m: Float32Array
    span_high_m: Float32Array
    levels: int = field(default=1)

    def __post_init__(self) -> None:
        columns = self.grid.columns
        seal(self, "first", dtype=np.int64, rows=columns + 1, copy=False)
        n = int(self.first[-1])
        for name in ("height_m", "height_sd_m", "gradient_sd", "roughness_m", "edge_sd_m"):
            seal(self, name, dtype=np.float32, rows=n, copy=False)
        seal(self, "gradient", dtype=np.float32, columns=2, rows=n, copy=False)
        seal(self, "seen", dtype=np.uint8, rows=n, copy=False)
        seal(self, "points", dtype=np.uint16, rows=n, copy=False)
        seal(self, "patch_id", dtype=np.int32, rows=n, copy=False)
        seal(self, "level", dtype=np.int16, rows=n, copy=False)
        seal(self, "carries", dtype=np.bool_, rows=n, copy=False)
        seal(self, "walkable", dtype=np.bool_, rows=n, copy=False)
        seal(self, "span_first", dtype=np.int64, rows=columns + 1, copy=False)
        seal(self, "span_low_m", dtype=np.float32, rows=int(self.span_first[-1]), copy=False)
        seal(self, "span_high_m", dtype=np.float32, rows=int(self.span_first[-1]), copy=False)
