"""Points of planes into cell windows: hits, and returns near a plane that no plane claims."""

from __future__ import annotations

import numpy as np
from numba import njit, prange

from terrain.kernels.assign import near_regions


@njit(cache=True)
def window_bounds(cell_xy, plane_of_point, planes):  # type: ignore[no-untyped-def]
    """(n, 2) cells, (n,) planes -> (r, 4) least and greatest cell of each plane's points; least > greatest: none."""
    out = np.empty((planes, 4), dtype=np.int64)
    out[:, 0:2] = 1 << 40
    out[:, 2:4] = -(1 << 40)
    for i in range(len(plane_of_point)):
        p = plane_of_point[i]
        if p < 0:
            continue
        out[p, 0] = min(out[p, 0], cell_xy[i, 0])
        out[p, 1] = min(out[p, 1], cell_xy[i, 1])
        out[p, 2] = max(out[p, 2], cell_xy[i, 0])
        out[p, 3] = max(out[p, 3], cell_xy[i, 1])
    return out


@njit(cache=True)
def cells_of(xyz, x0, y0, cell_m):  # type: ignore[no-untyped-def]
    """(n, 3) -> (n, 2) int32 cell of each point."""
    out = np.empty((len(xyz), 2), dtype=np.int32)
    for i in range(len(xyz)):
        out[i, 0] = np.int32(np.floor((xyz[i, 0] - x0) / cell_m))
        out[i, 1] = np.int32(np.floor((xyz[i, 1] - y0) / cell_m))
    return out


@njit(cache=True)
def count_hits(  # type: ignore[no-untyped-def]
    xyz, view, has_view, plane_of_point, planes, cell_xy, ix0, iy0, nx, offset, origin, least_cosine
):
    """Count returns of each plane in the cells of its window; grazing beams are no evidence."""
    out = np.zeros(offset[-1], dtype=np.uint16)
    for i in range(len(plane_of_point)):
        p = plane_of_point[i]
        if p < 0 or nx[p] == 0:
            continue
        if has_view:
            bx = xyz[i, 0] - origin[0] - view[i, 0]
            by = xyz[i, 1] - origin[1] - view[i, 1]
            bz = xyz[i, 2] - origin[2] - view[i, 2]
            r = np.sqrt(bx * bx + by * by + bz * bz)
            c = planes[p, 0] * bx + planes[p, 1] * by + planes[p, 2] * bz
            if abs(c) < least_cosine * r:
                continue
        k = offset[p] + (cell_xy[i, 1] - iy0[p]) * nx[p] + cell_xy[i, 0] - ix0[p]
        if out[k] < 65535:
            out[k] += 1
    return out


@njit(cache=True)
def add_shared(  # type: ignore[no-untyped-def]
    xyz,
    start,
    order,
    cell,
    label,
    table,
    value,
    plane_of_point,
    planes,
    cell_xy,
    ix0,
    iy0,
    nx,
    ny,
    offset,
    low,
    near_m,
    fold_m,
    fold_cosine,
    hits,
):
    """Add to a plane's hits the returns of steep planes that start on it: they stand where it still reaches to.

    Such a return counts where it lies on the plane or up to near_m above it; what lies below belongs to an edge.
    -> returns of planes that are neither steep nor parallel to it (cosine at least fold_cosine) and lie within fold_m
    of the plane, in the cells of its window.
    """
    shared = np.zeros(len(hits), dtype=np.uint16)
    near = np.empty(12, dtype=np.int32)
    for k in range(len(cell)):
        count = near_regions(k, cell, label, table, value, near)
        if count < 2:
            continue
        for s in range(start[k], start[k + 1]):
            i = order[s]
            own = plane_of_point[i]
            if own < 0:
                continue
            steep = nx[own] == 0
            for a in range(count):
                p = near[a]
                if p == own or (steep and planes[p, 2] <= 0.0):
                    continue
                if not steep:
                    turned = (
                        planes[p, 0] * planes[own, 0] + planes[p, 1] * planes[own, 1] + planes[p, 2] * planes[own, 2]
                    )
                    if not turned < fold_cosine:
                        continue
                ix = cell_xy[i, 0] - ix0[p]
                iy = cell_xy[i, 1] - iy0[p]
                if ix < 0 or iy < 0 or ix >= nx[p] or iy >= ny[p]:
                    continue
                e = (
                    planes[p, 0] * (xyz[i, 0] - low[0])
                    + planes[p, 1] * (xyz[i, 1] - low[1])
                    + planes[p, 2] * (xyz[i, 2] - low[2])
                    - planes[p, 3]
                )
                m = offset[p] + iy * nx[p] + ix
                if steep:
                    if 0.0 <= e < near_m and hits[m] < 65535:
                        hits[m] += 1
                elif abs(e) < fold_m and shared[m] < 65535:
                    shared[m] += 1
    return shared


@njit(cache=True)
def count_misses(  # type: ignore[no-untyped-def]
    xyz, start, order, cell, label, table, value, plane_of_point, planes, cell_xy, ix0, iy0, nx, ny, offset, low, near_m
):
    """Unclaimed returns within near_m of a plane, in the cells of its window."""
    out = np.zeros(offset[-1], dtype=np.uint16)
    near = np.empty(12, dtype=np.int32)
    for k in range(len(cell)):
        loose = False
        for s in range(start[k], start[k + 1]):
            if plane_of_point[order[s]] < 0:
                loose = True
                break
        if not loose:
            continue
        count = near_regions(k, cell, label, table, value, near)
        for s in range(start[k], start[k + 1]):
            i = order[s]
            if plane_of_point[i] >= 0:
                continue
            for a in range(count):
                p = near[a]
                ix = cell_xy[i, 0] - ix0[p]
                iy = cell_xy[i, 1] - iy0[p]
                if ix < 0 or iy < 0 or ix >= nx[p] or iy >= ny[p]:
                    continue
                e = (
                    planes[p, 0] * (xyz[i, 0] - low[0])
                    + planes[p, 1] * (xyz[i, 1] - low[1])
                    + planes[p, 2] * (xyz[i, 2] - low[2])
                    - planes[p, 3]
                )
                if abs(e) < near_m:
                    m = offset[p] + iy * nx[p] + ix
                    if out[m] < 65535:
                        out[m] += 1
    return out


@njit(cache=True, parallel=True)
def dilate(mask, radius):  # type: ignore[no-untyped-def]
    """(n, m) bool -> cells whose centre lies within `radius` cells of the centre of a cell of the mask."""
    n, m = mask.shape
    reach = np.int64(np.floor(radius))
    far = reach + 1
    # Distance along the row to the nearest cell of the mask, cut off at far.
    along = np.empty((n, m), dtype=np.int16)
    for i in prange(n):
        gap = far
        for j in range(m):
            gap = 0 if mask[i, j] else min(gap + 1, far)
            along[i, j] = gap
        gap = far
        for j in range(m - 1, -1, -1):
            gap = 0 if mask[i, j] else min(gap + 1, far)
            along[i, j] = min(along[i, j], gap)
    width = np.empty(reach + 1, dtype=np.int64)
    for d in range(reach + 1):
        width[d] = np.int64(np.floor(np.sqrt(radius * radius - d * d)))
    out = np.zeros((n, m), dtype=np.bool_)
    for i in prange(n):
        for d in range(-reach, reach + 1):
            k = i + d
            if k < 0 or k >= n:
                continue
            w = width[abs(d)]
            for j in range(m):
                if along[k, j] <= w:
                    out[i, j] = True
    return out
