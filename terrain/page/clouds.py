"""What the page reads of the fused cloud: points for the 3D view, and when each cell was last seen."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import ByteArray, Float32Array, FloatArray
from terrain.maps.store import TerrainMap
from terrain.page.lazy import LazyRaster

MOST_POINTS = 4_000_000
SAME_GROUND_M = 0.05
"""A return this close to a cell's height saw its ground."""


def _chunks(terrain_map: TerrainMap) -> Any:
    import laspy

    path = terrain_map.path / "cloud.laz"
    if not path.is_file():
        return
    with laspy.open(path) as source:
        total = source.header.point_count
        for part in source.chunk_iterator(2_000_000):
            yield total, part


def read_points(
    terrain_map: TerrainMap, rasters: list[LazyRaster]
) -> tuple[npt.NDArray[np.uint16], ByteArray, FloatArray, FloatArray]:
    """Return shuffled points as shares of their box, 1 for those that saw ground, and the box.

    Thinned to `MOST_POINTS`. What saw the ground of a cell of any level is shown by that cell already: drawn over it,
    it would hide the cell's label.
    """
    rng = np.random.default_rng(0)
    places, grounds = [np.empty((0, 3))], [np.empty(0, dtype=np.uint8)]
    for total, part in _chunks(terrain_map):
        keep = rng.random(len(part)) < MOST_POINTS / max(1, total)
        xyz = np.column_stack([part.x[keep], part.y[keep], part.z[keep]])
        ground = np.zeros(len(xyz), dtype=np.uint8)
        for raster in rasters:
            ground[_on_ground(raster, *xyz.T)[0]] = 1
        places.append(xyz)
        grounds.append(ground)
    xyz, on_ground = np.concatenate(places), np.concatenate(grounds)
    order = rng.permutation(len(xyz))
    low = xyz.min(axis=0) if len(xyz) else np.zeros(3)
    size = np.maximum(xyz.max(axis=0) - low, 1e-3) if len(xyz) else np.ones(3)
    share = np.rint((xyz[order] - low) / size * 65535.0).astype(np.uint16)
    return share, on_ground[order], low, size


def _on_ground(
    raster: LazyRaster, x: FloatArray, y: FloatArray, z: FloatArray
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the rows of points that saw the ground of a level, and the cell of each."""
    ny, nx = raster.height_m.shape
    column = np.floor((x - raster.x0_m) / raster.cell_m).astype(np.int64)
    row = np.floor((y - raster.y0_m) / raster.cell_m).astype(np.int64)
    inside = np.flatnonzero((column >= 0) & (row >= 0) & (column < nx) & (row < ny))
    cell = row[inside] * nx + column[inside]
    near = np.abs(z[inside] - raster.height_m.ravel()[cell]) < SAME_GROUND_M
    return inside[near], cell[near]


def ages_of(terrain_map: TerrainMap, rasters: list[LazyRaster]) -> dict[int, Float32Array]:
    """Return for each level how long before the survey's last return each cell was last seen, in seconds."""
    latest = {raster.level: np.full(raster.height_m.size, -np.inf) for raster in rasters}
    end = -math.inf
    for _, part in _chunks(terrain_map):
        time_s = np.asarray(part.gps_time)
        end = max(end, float(time_s.max(initial=-math.inf)))
        x, y, z = np.asarray(part.x), np.asarray(part.y), np.asarray(part.z)
        for raster in rasters:
            near, cell = _on_ground(raster, x, y, z)
            np.maximum.at(latest[raster.level], cell, time_s[near])
    shapes = {raster.level: raster.height_m.shape for raster in rasters}
    return {
        level: np.where(np.isinf(when), np.nan, end - when).astype(np.float32).reshape(shapes[level])
        for level, when in latest.items()
    }
