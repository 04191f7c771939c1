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


def read_points(terrain_map: TerrainMap) -> tuple[npt.NDArray[np.uint16], ByteArray, FloatArray, FloatArray]:
    """Return shuffled points as shares of their box, their labels, and the box; thinned to `MOST_POINTS`."""
    rng = np.random.default_rng(0)
    places, labels = [np.empty((0, 3))], [np.empty(0, dtype=np.uint8)]
    for total, part in _chunks(terrain_map):
        keep = rng.random(len(part)) < MOST_POINTS / max(1, total)
        places.append(np.column_stack([part.x[keep], part.y[keep], part.z[keep]]))
        labels.append(np.asarray(part["label"])[keep])
    xyz, label = np.concatenate(places), np.concatenate(labels)
    order = rng.permutation(len(xyz))
    low = xyz.min(axis=0) if len(xyz) else np.zeros(3)
    size = np.maximum(xyz.max(axis=0) - low, 1e-3) if len(xyz) else np.ones(3)
    share = np.rint((xyz[order] - low) / size * 65535.0).astype(np.uint16)
    return share, label[order].astype(np.uint8), low, size


def ages_of(terrain_map: TerrainMap, rasters: list[LazyRaster]) -> dict[int, Float32Array]:
    """Return for each level how long before the survey's last return each cell was last seen, in seconds."""
    latest = {raster.level: np.full(raster.height_m.size, -np.inf) for raster in rasters}
    end = -math.inf
    for _, part in _chunks(terrain_map):
        time_s = np.asarray(part.gps_time)
        end = max(end, float(time_s.max(initial=-math.inf)))
        x, y, z = np.asarray(part.x), np.asarray(part.y), np.asarray(part.z)
        for raster in rasters:
            ny, nx = raster.height_m.shape
            column = np.floor((x - raster.x0_m) / raster.cell_m).astype(np.int64)
            row = np.floor((y - raster.y0_m) / raster.cell_m).astype(np.int64)
            inside = np.flatnonzero((column >= 0) & (row >= 0) & (column < nx) & (row < ny))
            cell = row[inside] * nx + column[inside]
            near = np.abs(z[inside] - raster.height_m.ravel()[cell]) < SAME_GROUND_M
            np.maximum.at(latest[raster.level], cell[near], time_s[inside][near])
    shapes = {raster.level: raster.height_m.shape for raster in rasters}
    return {
        level: np.where(np.isinf(when), np.nan, end - when).astype(np.float32).reshape(shapes[level])
        for level, when in latest.items()
    }
