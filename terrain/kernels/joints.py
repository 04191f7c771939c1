"""Counts in strips along the rows of a grid, against the counts beside them."""

from __future__ import annotations

import numpy as np
from numba import njit, prange


@njit(cache=True)
def turned_grids(xy, own, c, s, along, across, low_u, low_v, nu, nv):  # type: ignore[no-untyped-def]
    """Lay returns and mask cells of a part on a grid turned by (c, s) -> counts and area (nv, nu) float32.

    xy (n, 2) and own (ny, nx) are in cells of the mask; the turned grid has `along` and `across` cells to one of them.
    """
    counts = np.zeros((nv, nu), dtype=np.float32)
    area = np.zeros((nv, nu), dtype=np.float32)
    for i in range(len(xy)):
        u = np.int64(np.floor((c * xy[i, 0] + s * xy[i, 1]) * along - low_u))
        v = np.int64(np.floor((c * xy[i, 1] - s * xy[i, 0]) * across - low_v))
        if 0 <= u < nu and 0 <= v < nv:
            counts[v, u] += 1.0
    for v in range(nv):
        for u in range(nu):
            a = (u + 0.5 + low_u) / along
            b = (v + 0.5 + low_v) / across
            ix = np.int64(np.floor(c * a - s * b))
            iy = np.int64(np.floor(s * a + c * b))
            if 0 <= ix < own.shape[1] and 0 <= iy < own.shape[0] and own[iy, ix]:
                area[v, u] = 1.0
    return counts, area


@njit(cache=True)
def turned_back(found, own, c, s, along, across, low_u, low_v, out):  # type: ignore[no-untyped-def]
    """Raise the cells of `out` (ny, nx) to what the turned grid holds at their centres."""
    nv, nu = found.shape
    for iy in range(own.shape[0]):
        for ix in range(own.shape[1]):
            if not own[iy, ix]:
                continue
            x = ix + 0.5
            y = iy + 0.5
            u = np.int64(np.floor((c * x + s * y) * along - low_u))
            v = np.int64(np.floor((c * y - s * x) * across - low_v))
            if 0 <= u < nu and 0 <= v < nv and found[v, u] > out[iy, ix]:
                out[iy, ix] = found[v, u]


@njit(cache=True)
def summed(values):  # type: ignore[no-untyped-def]
    """(n, m) -> (n + 1, m + 1) sums of all above and to the left."""
    n, m = values.shape
    out = np.zeros((n + 1, m + 1))
    for i in range(n):
        row = 0.0
        for j in range(m):
            row += values[i, j]
            out[i + 1, j + 1] = out[i, j + 1] + row
    return out


@njit(cache=True, inline="always")
def box(table, i0, i1, j0, j1, n, m):  # type: ignore[no-untyped-def]
    """Sum over rows i0 to i1 and columns j0 to j1, ends left out, cut off at the border."""
    i0 = min(max(i0, 0), n)
    i1 = min(max(i1, 0), n)
    j0 = min(max(j0, 0), m)
    j1 = min(max(j1, 0), m)
    return table[i1, j1] - table[i0, j1] - table[i1, j0] + table[i0, j0]


@njit(cache=True, inline="always")
def shortfall(hits, cover, a0, a1, j0, j1, inner, outer, own_area, seen, least, n, m):  # type: ignore[no-untyped-def]
    """Signed root of the Poisson deviance of a strip against its poorer side, and the rate there; NaN: no telling."""
    full = (outer - inner) * (j1 - j0)
    left_area = box(cover, a0 - outer, a0 - inner, j0, j1, n, m)
    right_area = box(cover, a1 + inner, a1 + outer, j0, j1, n, m)
    if left_area < 0.4 * full or right_area < 0.4 * full:
        return np.nan, 0.0
    left = box(hits, a0 - outer, a0 - inner, j0, j1, n, m) / left_area
    right = box(hits, a1 + inner, a1 + outer, j0, j1, n, m) / right_area
    rate = min(left, right)
    expected = rate * own_area
    if expected < least:
        return np.nan, 0.0
    deviance = expected - seen
    if seen > 0.0:
        deviance += seen * np.log(seen / expected)
    root = np.sqrt(max(2.0 * deviance, 0.0))
    return (root if seen < expected else -root), rate


@njit(cache=True, parallel=True)
def strip_dips(counts, area, along, across, inner, outer, wide, short, least_expected):  # type: ignore[no-untyped-def]
    """How far strips along the second axis fall short of those beside them.

    -> depth (n, m): signed root of the Poisson deviance, positive where too few, NaN where a side or the strip lies
    outside the part or too little is expected; the same against sides up to `wide`; share (n, m) of what is
    expected; near (n, m) the same over `short`; width (n, m): how many cells across hold no returns, if those around
    hold as many as beside the strip.
    """
    n, m = counts.shape
    hits = summed(counts)
    cover = summed(area)
    depth = np.full((n, m), np.nan, dtype=np.float32)
    broad = np.full((n, m), np.nan, dtype=np.float32)
    share = np.ones((n, m), dtype=np.float32)
    near = np.ones((n, m), dtype=np.float32)
    width = np.zeros((n, m), dtype=np.float32)
    half = along // 2
    for i in prange(n):
        a0 = i - across // 2
        a1 = a0 + across
        for j in range(m):
            if area[i, j] == 0.0:
                continue
            j0 = j - half
            j1 = j + half + 1
            own_area = box(cover, a0, a1, j0, j1, n, m)
            if own_area < 0.5 * across * along:
                continue
            seen = box(hits, a0, a1, j0, j1, n, m)
            value, rate = shortfall(hits, cover, a0, a1, j0, j1, inner, outer, own_area, seen, least_expected, n, m)
            if np.isnan(value):
                continue
            depth[i, j] = value
            share[i, j] = seen / (rate * own_area)
            around = box(cover, a0 - inner, a1 + inner, j0, j1, n, m)
            missing = rate * around - box(hits, a0 - inner, a1 + inner, j0, j1, n, m)
            width[i, j] = missing / (rate * along)
            k0 = j - short // 2
            k1 = j + short // 2 + 1
            near_area = box(cover, a0, a1, k0, k1, n, m)
            near[i, j] = box(hits, a0, a1, k0, k1, n, m) / max(rate * near_area, 1.0)
            value, _ = shortfall(hits, cover, a0, a1, j0, j1, inner, wide, own_area, seen, least_expected, n, m)
            broad[i, j] = value
    return depth, broad, share, near, width
