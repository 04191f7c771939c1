"""Which level each surface belongs to, and openings too narrow to matter."""

from __future__ import annotations

import numpy as np

from terrain.data import BoolArray, Float32Array, Grid, Int32Array, IntArray, Patches
from terrain.ground.columns import Surfaces, cells_of_columns, columns_of, joined, no_surfaces_like
from terrain.ground.surfaces import GroundSettings


def patch_levels(surfaces: Surfaces, first: IntArray, patches: Patches, settings: GroundSettings) -> IntArray:
    """Return the level of each patch: one above the highest patch that lies under it.

    A patch lies under another where it is more than `level_gap_m` lower over at least `level_area_m2`; less than that
    is the border of a step.
    """
    level = np.zeros(len(patches), dtype=np.int64)
    under = under_counts(first, surfaces.height_m, surfaces.patch_id, len(patches), settings.level_gap_m)
    least = settings.level_area_m2 / 1e-4
    by_height = np.argsort(patches.centre_m[:, 2], kind="stable")
    lower_of: dict[int, list[int]] = {}
    for low, high, cells in under:
        if cells >= least:
            lower_of.setdefault(int(high), []).append(int(low))
    for k in by_height:
        for low in lower_of.get(int(k), ()):
            if patches.centre_m[low, 2] < patches.centre_m[k, 2]:
                level[k] = max(level[k], level[low] + 1)
    return level


def under_counts(
    first: IntArray, height_m: Float32Array, patch_id: Int32Array, patches: int, drop_m: float
) -> IntArray:
    """Return rows (k, 3) lower patch, upper patch, cells in which the one lies more than `drop_m` below the other."""
    from terrain.kernels.ground import pairs_under

    pairs, cells = np.unique(pairs_under(first, height_m, patch_id, patches, drop_m), return_counts=True)
    return np.column_stack([*np.divmod(pairs, max(patches, 1)), cells])


def surface_levels(surfaces: Surfaces, first: IntArray, of_patch: IntArray, settings: GroundSettings) -> IntArray:
    """Return the level of every surface; a loose one is one above the patches under it."""
    level = np.where(surfaces.patch_id >= 0, of_patch[np.maximum(surfaces.patch_id, 0)] if len(of_patch) else 0, -1)
    loose = np.flatnonzero(level < 0)
    found = np.zeros(len(loose), dtype=np.int64)
    begin = first[surfaces.column[loose]]
    end = first[surfaces.column[loose] + 1]
    for step in range(int((end - begin).max(initial=0))):
        at = np.minimum(begin + step, max(len(surfaces) - 1, 0))
        valid = (begin + step < end) & (level[at] >= 0)
        below = valid & (surfaces.height_m[loose] - surfaces.height_m[at] > settings.level_gap_m)
        beside = valid & (np.abs(surfaces.height_m[loose] - surfaces.height_m[at]) <= settings.level_gap_m)
        found = np.where(below, np.maximum(found, level[at] + 1), found)
        found = np.where(beside, np.maximum(found, level[at]), found)
    level[loose] = found
    return level


def bridges(
    surfaces: Surfaces, level: IntArray, grid: Grid, *, joint_m: float, drop_m: float
) -> tuple[Surfaces, IntArray]:
    """Return non-carrying records over openings narrower than a joint, and their levels.

    Grey closing with a disc of the joint's width: what it raises by more than `drop_m`, or fills where nothing is,
    lies in an opening that the disc does not enter. A landing and the ramp up to it can be two levels: what touches a
    level at its height counts with it.
    """
    from scipy.ndimage import grey_closing

    radius = 0.5 * joint_m / grid.cell_m
    reach = int(np.floor(radius))
    if reach < 1 or len(surfaces) == 0:
        return no_surfaces_like(surfaces), np.zeros(0, dtype=np.int64)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = x * x + y * y <= radius * radius
    all_x, all_y = cells_of_columns(grid)
    parts, levels = [], []
    for k in range(int(level.max()) + 1):
        rows = np.flatnonzero(level == k)
        if len(rows) == 0:
            continue
        ix, iy = all_x[surfaces.column[rows]], all_y[surfaces.column[rows]]
        x0, y0 = ix.min() - 4 * reach, iy.min() - 4 * reach
        shape = (iy.max() - y0 + 1 + 4 * reach, ix.max() - x0 + 1 + 4 * reach)
        height = np.full(shape, -1e6, dtype=np.float32)
        source = np.full(shape, -1, dtype=np.int64)
        # Records are sorted by height within a column: the last write is the highest.
        height[iy - y0, ix - x0] = surfaces.height_m[rows]
        source[iy - y0, ix - x0] = rows
        _add_touching(height, source, surfaces, level != k, all_x - x0, all_y - y0, within=4 * reach, drop_m=drop_m)
        closed = grey_closing(height, footprint=disc, mode="constant", cval=-1e6)
        gy, gx = np.nonzero((closed - height > drop_m) & (closed > -1e5))
        column = columns_of(grid, gx + x0, gy + y0)
        valid = column >= 0
        gy, gx, column = gy[valid], gx[valid], column[valid]
        like = surfaces.chosen(_nearest(source, gy, gx, reach + 1))
        n = len(column)
        parts.append(
            Surfaces(
                column,
                closed[gy, gx],
                like.height_sd_m,
                like.gradient,
                like.gradient_sd,
                like.roughness_m,
                like.edge_sd_m,
                np.zeros(n, dtype=np.uint8),
                np.zeros(n, dtype=np.uint16),
                like.patch_id,
                np.zeros(n, dtype=bool),
            )
        )
        levels.append(np.full(n, k, dtype=np.int64))
    if not parts:
        return no_surfaces_like(surfaces), np.zeros(0, dtype=np.int64)
    return joined(parts), np.concatenate(levels)


def _add_touching(
    height: Float32Array,
    source: IntArray,
    surfaces: Surfaces,
    others: BoolArray,
    x: IntArray,
    y: IntArray,
    *,
    within: int,
    drop_m: float,
) -> None:
    """Fill empty cells within some cells of a level with records of others that lie within `drop_m` of it.

    x, y : (columns,) cell of each column in the (ny, nx) arrays height and source, which are changed.
    """
    from scipy.ndimage import grey_dilation

    rows = np.flatnonzero(others)
    ix, iy = x[surfaces.column[rows]], y[surfaces.column[rows]]
    inside = (ix >= 0) & (iy >= 0) & (ix < height.shape[1]) & (iy < height.shape[0])
    rows, ix, iy = rows[inside], ix[inside], iy[inside]
    size = 2 * within + 1
    around = grey_dilation(height, size=(size, size), mode="constant", cval=-1e6)[iy, ix]
    fits = (source[iy, ix] < 0) & (np.abs(surfaces.height_m[rows] - around) <= drop_m)
    height[iy[fits], ix[fits]] = surfaces.height_m[rows[fits]]
    source[iy[fits], ix[fits]] = rows[fits]


def _nearest(source: IntArray, gy: IntArray, gx: IntArray, reach: int) -> IntArray:
    """Record of the nearest filled cell within `reach` of each cell."""
    best = np.full(len(gy), 0, dtype=np.int64)
    distance = np.full(len(gy), np.inf)
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            y = np.clip(gy + dy, 0, source.shape[0] - 1)
            x = np.clip(gx + dx, 0, source.shape[1] - 1)
            found = source[y, x]
            nearer = (found >= 0) & (dx * dx + dy * dy < distance) & ((dx != 0) | (dy != 0))
            best = np.where(nearer, found, best)
            distance = np.where(nearer, float(dx * dx + dy * dy), distance)
    return best
