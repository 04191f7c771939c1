"""Cuts through a map: the ground along a line, its uncertainty, what stands and hangs there, and the sole to scale."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from terrain.data import TILE_CELLS, FloatArray, Ground, IntArray, Label
from terrain.errors import DataError
from terrain.maps.store import TerrainMap

_LEAST_M, _MOST_M = 0.2, 500.0
_TRIED = 400
"""So many placements along a section are judged to find one for the sole."""


@dataclass(frozen=True, slots=True)
class Line:
    """A section line in plan, and the letter it goes by."""

    name: str
    start_m: tuple[float, float]
    end_m: tuple[float, float]

    @property
    def length_m(self) -> float:
        """Return its length."""
        return math.dist(self.start_m, self.end_m)


@dataclass(frozen=True, slots=True, eq=False)
class Sole:
    """A sole at rest on a section, seen from the side: where its heel and toe are along it, and their heights."""

    heel_m: tuple[float, float]
    toe_m: tuple[float, float]
    label: Label


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """The ground along a line.

    at_m (n,): distance along it; height_m, sd_m (levels, n): NaN where nothing was seen; label (levels, n) uint8;
    span_at_m, span_low_m, span_high_m (o,): what is no ground; sole: one at rest, None where the foot finds no place.
    """

    line: Line
    at_m: FloatArray
    height_m: FloatArray
    sd_m: FloatArray
    label: npt.NDArray[np.uint8]
    span_at_m: FloatArray
    span_low_m: FloatArray
    span_high_m: FloatArray
    sole: Sole | None


def cut(terrain_map: TerrainMap, line: Line) -> Section:
    """Return the section of a map along a line.

    Raises
    ------
    DataError
        The line is shorter than 0.2 m or longer than 500 m.
    """
    if not (_LEAST_M <= line.length_m <= _MOST_M):
        raise DataError(f"section {line.name}: is {line.length_m:g} m long, expected {_LEAST_M:g} to {_MOST_M:g} m")
    ground = terrain_map.ground
    n = math.ceil(line.length_m / ground.grid.cell_m)
    at = (np.arange(n) + 0.5) / n * line.length_m
    way = (np.array(line.end_m) - line.start_m) / line.length_m
    xy = np.array(line.start_m) + at[:, None] * way
    column = _columns(ground, xy)
    levels = max(ground.levels, 1)
    height, sd = np.full((levels, n), np.nan), np.full((levels, n), np.nan)
    spans: list[tuple[int, int]] = []
    for k in np.flatnonzero(column >= 0):
        rows = slice(int(ground.first[column[k]]), int(ground.first[column[k] + 1]))
        level = ground.level[rows]
        known = level >= 0
        height[level[known], k] = ground.grid.z0_m + ground.height_m[rows][known]
        sd[level[known], k] = ground.height_sd_m[rows][known]
        spans += [(int(k), s) for s in range(*ground.span_first[column[k] : column[k] + 2].tolist())]
    where = np.array([s for _, s in spans], dtype=np.int64)
    return Section(
        line=line,
        at_m=at,
        height_m=height,
        sd_m=sd,
        label=_labels(terrain_map, xy, levels),
        span_at_m=at[[k for k, _ in spans]],
        span_low_m=ground.grid.z0_m + ground.span_low_m[where].astype(np.float64),
        span_high_m=ground.grid.z0_m + ground.span_high_m[where].astype(np.float64),
        sole=_sole(terrain_map, xy, at, way),
    )


def _columns(ground: Ground, xy: FloatArray) -> IntArray:
    """Return the column of each spot, -1 outside the tiles in use."""
    grid = ground.grid
    ix = np.floor((xy[:, 0] - grid.x0_m) / grid.cell_m).astype(np.int64)
    iy = np.floor((xy[:, 1] - grid.y0_m) / grid.cell_m).astype(np.int64)
    nty, ntx = grid.tile_slot.shape
    inside = (ix >= 0) & (iy >= 0) & (ix < ntx * TILE_CELLS) & (iy < nty * TILE_CELLS)
    ix, iy = np.where(inside, ix, 0), np.where(inside, iy, 0)
    slot = grid.tile_slot[iy // TILE_CELLS, ix // TILE_CELLS].astype(np.int64)
    column = slot * TILE_CELLS**2 + (iy % TILE_CELLS) * TILE_CELLS + ix % TILE_CELLS
    return np.where(inside & (slot >= 0), column, -1)


def _labels(terrain_map: TerrainMap, xy: FloatArray, levels: int) -> npt.NDArray[np.uint8]:
    label = np.zeros((levels, len(xy)), dtype=np.uint8)
    for k in terrain_map.levels:
        raster = terrain_map.level(k)
        row = np.floor((xy[:, 1] - raster.y0_m) / raster.cell_m).astype(np.int64)
        column = np.floor((xy[:, 0] - raster.x0_m) / raster.cell_m).astype(np.int64)
        inside = (row >= 0) & (column >= 0) & (row < raster.label.shape[0]) & (column < raster.label.shape[1])
        label[k, inside] = raster.label[row[inside], column[inside]].astype(np.uint8)
    return label


def _sole(terrain_map: TerrainMap, xy: FloatArray, at: FloatArray, way: FloatArray) -> Sole | None:
    """Return a sole that points along the section: steppable, else marginal, nearest to the section's middle."""
    step = max(1, len(xy) // _TRIED)
    rows = np.arange(0, len(xy), step)
    yaw = math.atan2(way[1], way[0])
    verdicts = terrain_map.judge(np.column_stack([xy[rows], np.full(len(rows), yaw)]))
    for label in (Label.STEPPABLE, Label.MARGINAL):
        fits = np.flatnonzero((verdicts.label == label) & np.isfinite(verdicts.z_m))
        if len(fits):
            best = int(fits[np.argmin(np.abs(rows[fits] - len(xy) / 2))])
            heel, toe = terrain_map.foot.outline_m[:, 0].min(), terrain_map.foot.outline_m[:, 0].max()
            slope = float(verdicts.plane[best, :2] @ way)
            z, here = float(verdicts.z_m[best]), float(at[rows[best]])
            return Sole((here + heel, z + heel * slope), (here + toe, z + toe * slope), label)
    return None


def default_lines(terrain_map: TerrainMap) -> tuple[Line, ...]:
    """Return a section along the site and one across it, through the middle of its steppable ground (else of all)."""
    spots = []
    for k in terrain_map.levels:
        raster = terrain_map.level(k)
        for good in (raster.label == Label.STEPPABLE, np.isfinite(raster.height_m)):
            if good.any():
                rows, columns = np.nonzero(good)
                x, y = raster.x0_m + (columns + 0.5) * raster.cell_m, raster.y0_m + (rows + 0.5) * raster.cell_m
                spots.append(np.column_stack([x, y]))
                break
    if not spots:
        return ()
    xy = np.concatenate(spots)
    middle = xy.mean(axis=0)
    _, axes = np.linalg.eigh(np.cov((xy - middle).T) if len(xy) > 2 else np.eye(2))
    lines = []
    for name, axis in (("A", axes[:, 1]), ("B", axes[:, 0])):
        axis = axis if axis[np.argmax(np.abs(axis))] > 0 else -axis
        along = (xy - middle) @ axis
        low, high = float(along.min()) - 0.2, float(along.max()) + 0.2
        ends = [tuple(round(float(v), 2) for v in middle + far * axis) for far in (low, high)]
        lines.append(Line(name, (ends[0][0], ends[0][1]), (ends[1][0], ends[1][1])))
    return tuple(line for line in lines if _LEAST_M <= line.length_m <= _MOST_M)
