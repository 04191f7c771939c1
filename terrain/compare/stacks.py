"""Two maps on one raster: the surfaces of every cell, and which of one map goes with which of the other."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from terrain.data import Float32Array, Int32Array, LevelRaster
from terrain.errors import DataError, FrameError
from terrain.maps.store import TerrainMap

_ALIGNED = 1e-3
"""Cells of two maps may lie this share of a cell apart and still count as the same cells."""


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """All levels of a map on the common raster: (levels, ny, nx), NaN where a level has nothing; row 0 lowest y.

    height_m, height_sd_m, headroom_m : float32; headroom is inf where nothing was met overhead
    label : float32, 0 to 3
    patch_id : int32, -1 none
    """

    height_m: Float32Array
    height_sd_m: Float32Array
    headroom_m: Float32Array
    label: Float32Array
    patch_id: Int32Array

    @property
    def seen(self) -> npt.NDArray[np.bool_]:
        """Return where a level has ground."""
        return np.isfinite(self.height_m)


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Two stacks on one raster, whose cell (0, 0) has its lower corner at (x0_m, y0_m)."""

    before: Stack
    after: Stack
    x0_m: float
    y0_m: float
    cell_m: float


def stack_pair(before: TerrainMap, after: TerrainMap) -> Pair:
    """Return both maps on one raster.

    Raises
    ------
    DataError
        A map without levels, or cells of another size.
    FrameError
        Gravity differs, or the maps have no place in common: they are not in one frame.
    """
    for terrain_map in (before, after):
        if not terrain_map.levels:
            raise DataError(f"{terrain_map.path}: has no level to compare: no ground was found")
    _check_gravity(before, after)
    rasters = [[terrain_map.level(k) for k in terrain_map.levels] for terrain_map in (before, after)]
    cells = sorted({raster.cell_m for side in rasters for raster in side})
    if len(cells) > 1 and cells[-1] - cells[0] > _ALIGNED * cells[0]:
        raise DataError(
            f"{after.path}: got cells of {rasters[1][0].cell_m:g} m, expected {rasters[0][0].cell_m:g} m as in "
            f"{before.path}"
        )
    cell_m = cells[0]
    boxes = [_box(side, cell_m, terrain_map) for side, terrain_map in zip(rasters, (before, after), strict=True)]
    shared = [max(boxes[0][0], boxes[1][0]), max(boxes[0][1], boxes[1][1])]
    if min(boxes[0][2], boxes[1][2]) <= shared[0] or min(boxes[0][3], boxes[1][3]) <= shared[1]:
        raise FrameError(
            f"{after.path} covers {_extent(boxes[1], cell_m)}, {before.path} covers {_extent(boxes[0], cell_m)}: they "
            "have no place in common, expected two maps in one frame"
        )
    x0, y0 = min(boxes[0][0], boxes[1][0]), min(boxes[0][1], boxes[1][1])
    shape = max(boxes[0][3], boxes[1][3]) - y0, max(boxes[0][2], boxes[1][2]) - x0
    stacks = [_stack(side, cell_m, x0, y0, shape) for side in rasters]
    return Pair(stacks[0], stacks[1], x0 * cell_m, y0 * cell_m, cell_m)


def _check_gravity(before: TerrainMap, after: TerrainMap) -> None:
    up = [np.array(m.manifest["frame"]["gravity"], dtype=np.float64) for m in (before, after)]
    cosine = float(up[0] @ up[1] / (np.linalg.norm(up[0]) * np.linalg.norm(up[1])))
    if cosine < np.cos(np.radians(0.5)):
        raise FrameError(
            f"gravity: got {up[1].tolist()} in {after.path}, expected {up[0].tolist()} as in {before.path}: the maps "
            "are not in one frame"
        )


def _box(side: list[LevelRaster], cell_m: float, terrain_map: TerrainMap) -> tuple[int, int, int, int]:
    """Return the first and one past the last column and row, counted in cells from the frame's origin."""
    boxes = []
    for raster in side:
        x, y = raster.x0_m / cell_m, raster.y0_m / cell_m
        if abs(x - round(x)) > _ALIGNED * 10 or abs(y - round(y)) > _ALIGNED * 10:
            raise DataError(
                f"{terrain_map.path}: level {raster.level} starts at {raster.x0_m:g}, {raster.y0_m:g}, expected whole "
                f"cells of {cell_m:g} m from the origin"
            )
        ny, nx = raster.height_m.shape
        boxes.append((round(x), round(y), round(x) + nx, round(y) + ny))
    low, high = np.min(boxes, axis=0), np.max(boxes, axis=0)
    return int(low[0]), int(low[1]), int(high[2]), int(high[3])


def _extent(box: tuple[int, int, int, int], cell_m: float) -> str:
    x0, y0, x1, y1 = (edge * cell_m for edge in box)
    return f"x {x0:.1f} to {x1:.1f}, y {y0:.1f} to {y1:.1f} m"


def _stack(side: list[LevelRaster], cell_m: float, x0: int, y0: int, shape: tuple[int, int]) -> Stack:
    def blank(dtype: npt.DTypeLike, value: float) -> npt.NDArray[np.generic]:
        return np.full((len(side), *shape), value, dtype=dtype)

    bands = {name: blank(np.float32, np.nan) for name in ("height_m", "height_sd_m", "headroom_m")}
    bands |= {"label": blank(np.float32, 0.0), "patch_id": blank(np.int32, -1)}
    for k, raster in enumerate(side):
        row, column = round(raster.y0_m / cell_m) - y0, round(raster.x0_m / cell_m) - x0
        ny, nx = raster.height_m.shape
        for name, band in bands.items():
            band[k, row : row + ny, column : column + nx] = getattr(raster, name)
    bands["headroom_m"][np.isnan(bands["headroom_m"]) & np.isfinite(bands["height_m"])] = np.inf
    return Stack(**bands)  # type: ignore[arg-type]


def widened(stack: Stack, factor: float) -> Stack:
    """Return the stack with the sds of ground that is on no patch multiplied by `factor`."""
    sd = np.where(stack.patch_id < 0, stack.height_sd_m * np.float32(factor), stack.height_sd_m)
    return replace(stack, height_sd_m=sd.astype(np.float32))


def partners(pair: Pair) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.int8]]:
    """Return for each surface the level of its partner in the other map, -1 for none: (levels, ny, nx) each.

    Partners are each other's nearest in height among the surfaces of their cell.
    """
    before, after = pair.before.height_m, pair.after.height_m
    to_after = _nearest(before, after)
    to_before = _nearest(after, before)
    return _mutual(to_after, to_before), _mutual(to_before, to_after)


def _nearest(from_m: Float32Array, to_m: Float32Array) -> npt.NDArray[np.int8]:
    best = np.full(from_m.shape, -1, dtype=np.int8)
    least = np.full(from_m.shape, np.inf, dtype=np.float32)
    for k, level in enumerate(to_m):
        away = np.abs(from_m - level)
        nearer = away < least  # NaN is never nearer
        best[nearer] = k
        least[nearer] = away[nearer]
    return best


def _mutual(there: npt.NDArray[np.int8], back: npt.NDArray[np.int8]) -> npt.NDArray[np.int8]:
    returned = np.take_along_axis(back, np.maximum(there, 0), axis=0)
    own = np.arange(len(there), dtype=np.int8)[:, None, None]
    kept: npt.NDArray[np.int8] = np.where((there >= 0) & (returned == own), there, np.int8(-1))
    return kept


def chosen(levels: npt.NDArray[np.floating], which: npt.NDArray[np.int8]) -> npt.NDArray[np.floating]:
    """Return `levels` (levels, ny, nx) at the level that `which` names in each cell, NaN where it names none."""
    taken = np.take_along_axis(levels, np.maximum(which, 0), axis=0)
    found: npt.NDArray[np.floating] = np.where(which >= 0, taken, np.nan)
    return found
