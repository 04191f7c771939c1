"""Things too low to be obstacles and too small to be surfaces: a sole comes to rest on them all the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from terrain.data import Cloud, Float32Array, Grid, IntArray
from terrain.ground.columns import Surfaces, columns_of

LEAST_M = 0.008
"""Lower things are within what noise leaves of the surface they lie on."""


def with_stones(
    surfaces: Surfaces,
    cloud: Cloud,
    things: IntArray,
    spans: tuple[IntArray, Float32Array, Float32Array],
    grid: Grid,
    *,
    drop_m: float,
) -> Surfaces:
    """Return the surfaces, each raised to the top of a thing on it that rises less than `drop_m` over it.

    What rises further stands in the way, and is looked for as such.

    Parameters
    ----------
    surfaces : Surfaces
        Sorted by column, then height.
    things : (m,) int64
        Rows of the cloud that are things.
    spans : (columns + 1,), (k,), (k,)
        First span of each column, and the spans' lower and upper ends over the grid's zero.
    """
    if len(things) == 0 or len(surfaces) == 0:
        return surfaces
    xyz = cloud.xyz_map_m[things]
    ix = np.floor((xyz[:, 0] - grid.x0_m) / grid.cell_m).astype(np.int64)
    iy = np.floor((xyz[:, 1] - grid.y0_m) / grid.cell_m).astype(np.int64)
    column = columns_of(grid, ix, iy)
    column, of = np.unique(column[column >= 0], return_index=True)
    sd_m = cloud.sd_m[things][np.flatnonzero(columns_of(grid, ix, iy) >= 0)[of]]
    first, (span_first, _, span_high) = surfaces.first(grid.columns), spans
    height, found = surfaces.height_m.copy(), np.full(len(column), -1, dtype=np.int64)
    top = np.zeros(len(column), dtype=np.float32)
    count = first[column + 1] - first[column]
    held = span_first[column + 1] - span_first[column]
    for s in range(int(held.max(initial=0))):
        span = np.minimum(span_first[column] + s, len(span_high) - 1)
        for step in range(int(count.max(initial=0))):
            at = np.minimum(first[column] + step, len(surfaces) - 1)
            rise = span_high[span] - surfaces.height_m[at]
            low = (s < held) & (step < count) & surfaces.carries[at] & (rise > LEAST_M) & (rise <= drop_m)
            found, top = np.where(low, at, found), np.where(low, span_high[span], top)
    raised = found >= 0
    at = found[raised]
    height[at] = top[raised]
    parts = {name: getattr(surfaces, name).copy() for name in ("gradient", "height_sd_m", "patch_id", "roughness_m")}
    parts["gradient"][at], parts["patch_id"][at], parts["roughness_m"][at] = 0.0, -1, 0.0
    parts["height_sd_m"][at] = np.maximum(parts["height_sd_m"][at], sd_m[raised])
    return replace(surfaces, height_m=height, **parts)
