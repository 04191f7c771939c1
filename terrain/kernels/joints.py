"""Counts in strips along the rows of a grid, against the counts beside them."""

from __future__ import annotations

import numpy as np
from numba import njit

from terrain.kernels.assign import near_regions


@njit(cache=True, inline="always")
def beam_meets(i, p, xyz, view, sd, cross, planes, low, origin, floor2):  # type: ignore[no-untyped-def]
    """Return where the beam of point i meets plane p, and how the point lies to it.

    -> x, y (map less low), height above the plane, cosine of incidence (positive from the front), sd of the height.
    """
    bx = xyz[i, 0] - origin[0] - view[i, 0]
    by = xyz[i, 1] - origin[1] - view[i, 1]
    bz = xyz[i, 2] - origin[2] - view[i, 2]
    r = max(np.sqrt(bx * bx + by * by + bz * bz), 1e-9)
    bx, by, bz = bx / r, by / r, bz / r
    x = xyz[i, 0] - low[0]
    y = xyz[i, 1] - low[1]
    e = planes[p, 0] * x + planes[p, 1] * y + planes[p, 2] * (xyz[i, 2] - low[2]) - planes[p, 3]
    c = -(planes[p, 0] * bx + planes[p, 1] * by + planes[p, 2] * bz)
    back = e / max(c, 0.02)
    sd_e = np.sqrt(sd[i] * sd[i] * c * c + cross[i] * cross[i] * (1.0 - c * c) + floor2)
    return x + bx * back, y + by * back, e, c, sd_e


@njit(cache=True)
def beams_on(xyz, view, sd, cross, plane_of_point, planes, low, origin, floor2):  # type: ignore[no-untyped-def]
    """Beams of returns on their planes -> (n, 5) float32: x, y, above, cosine, sd as `beam_meets`; zeros: no plane."""
    out = np.zeros((len(plane_of_point), 5), dtype=np.float32)
    for i in range(len(plane_of_point)):
        p = plane_of_point[i]
        if p >= 0:
            x, y, e, c, sd_e = beam_meets(i, p, xyz, view, sd, cross, planes, low, origin, floor2)
            out[i, 0] = x
            out[i, 1] = y
            out[i, 2] = e
            out[i, 3] = c
            out[i, 4] = sd_e
    return out


@njit(cache=True)
def beams_below(  # type: ignore[no-untyped-def]
    xyz, view, sd, cross, start, order, cell, label, table, value, plane_of_point, planes, flat, low, origin, floor2,
    deep, cut,
):  # fmt: skip
    """List returns up to `deep` below a flat plane beside them that they do not lie on: their beams went through it.

    Only of returns that lie on no flat plane. -> plane (m,) int32, (m, 5) as `beams_on`.
    """
    near = np.empty(12, dtype=np.int32)
    room = 1024
    of = np.empty(room, dtype=np.int32)
    out = np.empty((room, 5), dtype=np.float32)
    m = 0
    for k in range(len(cell)):
        other = False
        for s in range(start[k], start[k + 1]):
            p = plane_of_point[order[s]]
            if p < 0 or not flat[p]:
                other = True
                break
        if not other:
            continue
        count = near_regions(k, cell, label, table, value, near)
        for s in range(start[k], start[k + 1]):
            i = order[s]
            own = plane_of_point[i]
            if own >= 0 and flat[own]:
                continue
            for a in range(count):
                p = near[a]
                if not flat[p]:
                    continue
                x, y, e, c, sd_e = beam_meets(i, p, xyz, view, sd, cross, planes, low, origin, floor2)
                if not (c > 0.05 and e < -cut * sd_e and e > -deep):
                    continue
                if m == room:
                    room *= 2
                    wider = np.empty(room, dtype=np.int32)
                    wider[:m] = of
                    of = wider
                    longer = np.empty((room, 5), dtype=np.float32)
                    longer[:m] = out
                    out = longer
                of[m] = p
                out[m, 0] = x
                out[m, 1] = y
                out[m, 2] = e
                out[m, 3] = c
                out[m, 4] = sd_e
                m += 1
    return of[:m], out[:m]


@njit(cache=True, nogil=True)
def turned_sums(xy, values, c, s, along, across, low_u, low_v, nu, nv):  # type: ignore[no-untyped-def]
    """Count points (n, 2), in cells of the mask, and sum each of their values (k, n) on a turned grid.

    -> counts (nv, nu), sums (k, nv, nu), float32.
    """
    counts = np.zeros((nv, nu), dtype=np.float32)
    sums = np.zeros((len(values), nv, nu), dtype=np.float32)
    for i in range(len(xy)):
        u = np.int64(np.floor((c * xy[i, 0] + s * xy[i, 1]) * along - low_u))
        v = np.int64(np.floor((c * xy[i, 1] - s * xy[i, 0]) * across - low_v))
        if 0 <= u < nu and 0 <= v < nv:
            counts[v, u] += 1.0
            for k in range(len(values)):
                sums[k, v, u] += values[k, i]
    return counts, sums


@njit(cache=True, nogil=True)
def turned_area(own, c, s, along, across, low_u, low_v, nu, nv):  # type: ignore[no-untyped-def]
    """Lay mask cells of a part on a grid turned by (c, s) -> area (nv, nu) float32.

    own (ny, nx); the turned grid has `along` and `across` cells to one of the mask.
    """
    area = np.zeros((nv, nu), dtype=np.float32)
    for v in range(nv):
        for u in range(nu):
            a = (u + 0.5 + low_u) / along
            b = (v + 0.5 + low_v) / across
            ix = np.int64(np.floor(c * a - s * b))
            iy = np.int64(np.floor(s * a + c * b))
            if 0 <= ix < own.shape[1] and 0 <= iy < own.shape[0] and own[iy, ix]:
                area[v, u] = 1.0
    return area


@njit(cache=True, nogil=True)
def strip_scores(counts, sums, area, along, across, inner, outer, least):  # type: ignore[no-untyped-def]
    """How far the values of returns in strips along the second axis exceed those beside them.

    counts, sums (n, m) of values of variance one -> (n, m) sum in the strip less what the side with the larger mean
    would give, over its own sd; (n, m) the difference of the means. NaN and 0 where the strip or a side holds fewer
    than `least` returns.
    """
    n, m = counts.shape
    hits = summed(counts)
    total = summed(sums)
    out = np.full((n, m), np.nan, dtype=np.float32)
    excess = np.zeros((n, m), dtype=np.float32)
    half = along // 2
    for i in range(n):
        a0 = i - across // 2
        a1 = a0 + across
        for j in range(m):
            if area[i, j] == 0.0:
                continue
            j0 = j - half
            j1 = j + half + 1
            own = box(hits, a0, a1, j0, j1, n, m)
            left = box(hits, a0 - outer, a0 - inner, j0, j1, n, m)
            right = box(hits, a1 + inner, a1 + outer, j0, j1, n, m)
            if own < least or left < least or right < least:
                continue
            a = box(total, a0 - outer, a0 - inner, j0, j1, n, m) / left
            b = box(total, a1 + inner, a1 + outer, j0, j1, n, m) / right
            mean, beside = (a, left) if a > b else (b, right)
            over = box(total, a0, a1, j0, j1, n, m) - own * mean
            out[i, j] = over / np.sqrt(own * (1.0 + own / beside))
            excess[i, j] = over / own
    return out, excess


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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
    for i in range(n):
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
