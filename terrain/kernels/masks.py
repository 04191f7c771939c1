"""Points of planes into cell windows: hits, and returns near a plane that no plane claims."""

from __future__ import annotations

from typing import Any

import numpy as np

from terrain.kernels.assign import regions_beside
from terrain.kernels.options import bare, entry, helper, inner
from terrain.kernels.threads import over_parts


@entry
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


@entry
def put_cells(begin, end, xyz, x0, y0, cell_m, out):  # type: ignore[no-untyped-def]
    """Write the cells of points begin to end; see `cells_of`."""
    for i in range(begin, end):
        out[i, 0] = np.int32(np.floor((xyz[i, 0] - x0) / cell_m))
        out[i, 1] = np.int32(np.floor((xyz[i, 1] - y0) / cell_m))


def cells_of(xyz: Any, x0: float, y0: float, cell_m: float) -> Any:
    """(n, 3) -> (n, 2) int32 cell of each point."""
    out = np.empty((len(xyz), 2), dtype=np.int32)
    over_parts(put_cells, len(xyz), xyz, x0, y0, cell_m, out)
    return out


@bare
def cells_upright(xyz, rows, low, along, upward, cell_m, out, span):  # type: ignore[no-untyped-def]
    """Write the cells, along two axes through low (3,), that rows (n,) of points lie in to out (n, 2) int64.

    span (2, 2): the least and greatest of them, beginning as large and small numbers.
    """
    for r in range(len(rows)):
        i = rows[r]
        x, y, z = xyz[i, 0] - low[0], xyz[i, 1] - low[1], xyz[i, 2] - low[2]
        u = np.int64(np.floor((x * along[0] + y * along[1] + z * along[2]) / cell_m))
        v = np.int64(np.floor((x * upward[0] + y * upward[1] + z * upward[2]) / cell_m))
        out[r, 0], out[r, 1] = u, v
        span[0, 0], span[0, 1] = min(span[0, 0], u), min(span[0, 1], v)
        span[1, 0], span[1, 1] = max(span[1, 0], u), max(span[1, 1], v)


@bare
def count_hits(  # type: ignore[no-untyped-def]
    part, parts, xyz, view, has_view, plane_of_point, planes, cell_xy, ix0, iy0, nx, offset, origin, least_cosine, out
):
    """Count returns of each plane in the cells of its window; grazing beams are no evidence.

    Of planes whose number leaves `part` over `parts`.
    """
    for i in range(len(plane_of_point)):
        p = plane_of_point[i]
        if p < 0 or p % parts != part or nx[p] == 0:
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


@entry
def parts_of_points(begin, end, plane, cell_xy, ix0, iy0, nx, offset, part_cells, out):  # type: ignore[no-untyped-def]
    """Write the part that each of points begin to end lies on, by the cells (offset[-1],) of its plane's window.

    part_cells: 1 more than the part, 0 for none. -1 for a point of no plane, or one without a window; -2 for a cell of
    no part.
    """
    for i in range(begin, end):
        p = plane[i]
        out[i] = -1
        if p >= 0 and nx[p] > 0:
            part = part_cells[offset[p] + (cell_xy[i, 1] - iy0[p]) * nx[p] + cell_xy[i, 0] - ix0[p]]
            out[i] = part - 1 if part > 0 else -2


@inner
def distance(plane, x, y, z):  # type: ignore[no-untyped-def]
    """Return how far a point lies above a plane (4,)."""
    return plane[0] * x + plane[1] * y + plane[2] * z - plane[3]


@bare
def count_beside(  # type: ignore[no-untyped-def]
    part, parts, points, start, order, near, label, plane_of_point, planes, cell_xy, ix0, iy0, nx, ny, offset, low,
    foot_m, near_m, fold_m, fold_cosine, hits, shared, misses, beside,
):  # fmt: skip
    """Count returns on a plane or near it that are not its own, in the cells of its window.

    For planes whose number leaves `part` over `parts`. Points and their planes are sorted by voxel, cell_xy are in the
    given order. beside (12,) int32: room.
    Returns of steep planes that start on a plane are added to its hits: they stand where it still reaches to. Such a
    return counts where it lies on the plane or up to foot_m above it; what lies below belongs to an edge.
    shared: returns of planes that are neither steep nor nearly parallel to it (cosine at least fold_cosine), where the
    two planes pass within fold_m of each other. misses: unclaimed returns within near_m.
    """
    for k in range(len(label)):
        count = -1
        for i in range(start[k], start[k + 1]):
            own = plane_of_point[i]
            if count < 0:
                count = 0
                for a in range(regions_beside(k, near, label, beside)):
                    if beside[a] % parts == part and nx[beside[a]] > 0:
                        beside[count] = beside[a]
                        count += 1
            for a in range(count):
                p = beside[a]
                if p == own:
                    continue
                steep = own >= 0 and nx[own] == 0
                if own >= 0 and steep and planes[p, 2] <= 0.0:
                    continue
                if own >= 0 and not steep:
                    turned = (
                        planes[p, 0] * planes[own, 0] + planes[p, 1] * planes[own, 1] + planes[p, 2] * planes[own, 2]
                    )
                    if not turned < fold_cosine:
                        continue
                ix = cell_xy[order[i], 0] - ix0[p]
                iy = cell_xy[order[i], 1] - iy0[p]
                if ix < 0 or iy < 0 or ix >= nx[p] or iy >= ny[p]:
                    continue
                x, y, z = points.xyz[i, 0] - low[0], points.xyz[i, 1] - low[1], points.xyz[i, 2] - low[2]
                e = distance(planes[p], x, y, z)
                m = offset[p] + iy * nx[p] + ix
                if own < 0:
                    if abs(e) < near_m and misses[m] < 65535:
                        misses[m] += 1
                elif steep:
                    if 0.0 <= e < foot_m and hits[m] < 65535:
                        hits[m] += 1
                elif abs(e - distance(planes[own], x, y, z)) < fold_m and shared[m] < 65535:
                    shared[m] += 1


@helper
def reflected(i, n):  # type: ignore[no-untyped-def]
    """Return the number of the row that stands for row i, which may lie beyond a border: that is a mirror."""
    i %= 2 * n
    return i if i < n else 2 * n - 1 - i


@entry
def blur(values, weight, mirrored):  # type: ignore[no-untyped-def]
    """Return sums of (n, m) float64 weighted by symmetric weights (2 r + 1,) along both axes, the first one first.

    Beyond the border lie zeros, or mirror images. Adds up in the order of SciPy's `correlate1d`, so that the sums are
    the same to the last bit, but row by row, several columns at once.
    """
    n, m = values.shape
    r = len(weight) // 2
    line = np.zeros(m + 2 * r)
    middle = line[r : r + m]
    out = np.empty((n, m))
    for i in range(n):
        own = values[i]
        for j in range(m):
            middle[j] = own[j] * weight[r]
        for d in range(r, 0, -1):
            w = weight[r - d]
            up, down = i - d, i + d
            if mirrored:
                up, down = reflected(up, n), reflected(down, n)
            if up >= 0 and down < n:
                above, below = values[up], values[down]
                for j in range(m):
                    middle[j] += (above[j] + below[j]) * w
            elif up >= 0 or down < n:
                beside = values[up if up >= 0 else down]
                for j in range(m):
                    middle[j] += beside[j] * w
        if mirrored:
            for j in range(r):
                line[j] = middle[reflected(j - r, m)]
                line[r + m + j] = middle[reflected(m + j, m)]
        result = out[i]
        for j in range(m):
            result[j] = middle[j] * weight[r]
        for d in range(r, 0, -1):
            w = weight[r - d]
            left, right = line[r - d : r - d + m], line[r + d : r + d + m]
            for j in range(m):
                result[j] += (left[j] + right[j]) * w
    return out


@entry
def mean_around(values, size):  # type: ignore[no-untyped-def]
    """(n, m) float64 -> mean of the `size` x `size` cells (odd) around each, zeros beyond the border.

    Running sums in the order of SciPy's `uniform_filter`, so that they are the same to the last bit.
    """
    n, m = values.shape
    half = size // 2
    line = np.zeros(m + 2 * half + 1)
    total = np.zeros(m)
    out = np.empty((n, m))
    for i in range(n):
        if i == 0:
            for k in range(min(half + 1, n)):
                row = values[k]
                for j in range(m):
                    total[j] += row[j]
        elif i + half < n and i - half - 1 >= 0:
            new, old = values[i + half], values[i - half - 1]
            for j in range(m):
                total[j] += new[j] - old[j]
        elif i + half < n:
            new = values[i + half]
            for j in range(m):
                total[j] += new[j]
        elif i - half - 1 >= 0:
            old = values[i - half - 1]
            for j in range(m):
                total[j] -= old[j]
        for j in range(m):
            line[half + j] = total[j] / size
        here = 0.0
        for k in range(size):
            here += line[k]
        out[i, 0] = here / size
        for j in range(1, m):
            here += line[j + size - 1] - line[j - 1]
            out[i, j] = here / size
    return out


@entry
def most_around(values, size):  # type: ignore[no-untyped-def]
    """(n, m) float64 -> greatest of the `size` x `size` cells (odd) around each, as far as there are any."""
    n, m = values.shape
    half = size // 2
    line = np.empty(m + 2 * half)
    line[:] = -np.inf
    middle = line[half : half + m]
    out = np.empty((n, m))
    for i in range(n):
        for j in range(m):
            middle[j] = values[i, j]
        for k in range(max(i - half, 0), min(i + half + 1, n)):
            row = values[k]
            for j in range(m):
                middle[j] = row[j] if row[j] > middle[j] else middle[j]
        result = out[i]
        for j in range(m):
            result[j] = line[j]
        for d in range(1, size):
            shifted = line[d : d + m]
            for j in range(m):
                result[j] = shifted[j] if shifted[j] > result[j] else result[j]
    return out


@entry
def within(mask, radius, value, out):  # type: ignore[no-untyped-def]
    """Set out (n, m) where a cell of the mask with that value lies within `radius` cells, centre to centre.

    Looking for False, all beyond the border counts as False.
    """
    n, m = mask.shape
    reach = np.int64(np.floor(radius))
    far = np.int16(reach + 1)
    start = far if value else np.int16(0)
    # Distance along the column to the nearest such cell, cut off at far; beyond the border on either side as well.
    along = np.empty((n, m + 2 * reach), dtype=np.int16)
    along[:] = start
    gap = np.empty(m, dtype=np.int16)
    gap[:] = start
    for i in range(n):
        row, cells = along[i, reach : reach + m], mask[i]
        for j in range(m):
            gap[j] = np.int16(0) if cells[j] == value else min(np.int16(gap[j] + 1), far)
            row[j] = gap[j]
    gap[:] = start
    for i in range(n - 1, -1, -1):
        row = along[i, reach : reach + m]
        for j in range(m):
            gap[j] = min(np.int16(gap[j] + 1), row[j])
            row[j] = gap[j]
    for i in range(n):
        result = out[i]
        for d in range(-reach, reach + 1):
            width = np.int16(np.floor(np.sqrt(radius * radius - d * d)))
            shifted = along[i, reach + d : reach + d + m]
            for j in range(m):
                result[j] |= np.uint8(shifted[j] <= width)


def dilate(mask: Any, radius: float) -> Any:
    """(n, m) bool -> cells whose centre lies within `radius` cells of the centre of a cell of the mask."""
    out = np.zeros(mask.shape, dtype=np.uint8)
    within(np.ascontiguousarray(mask), radius, True, out)
    return out.view(np.bool_)


def erode(mask: Any, radius: float) -> Any:
    """(n, m) bool -> cells further than `radius` cells from all that is outside the mask, beyond the border too."""
    out = np.zeros(mask.shape, dtype=np.uint8)
    within(np.ascontiguousarray(mask), radius, False, out)
    out ^= 1
    return out.view(np.bool_)
