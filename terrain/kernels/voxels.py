"""Points into voxels, voxels into moments, moments into local planes.

A voxel key packs three cell numbers of 20 bits and one bit that tells whether the beam went up: what was seen from
above and what was seen from below never share moments, so that the two faces of a thin deck stay apart.
Moment rows hold: count, sums x y z, products xx xy xz yy yz zz, all about the voxel's centre, then the sums of the
unit beam (3), of the squared sd along and across the beam.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit, prange

EMPTY = -1
MOMENTS = 15


@njit(cache=True, inline="always")
def pack_key(ix, iy, iz, up):  # type: ignore[no-untyped-def]
    """Cell numbers below 2**20 and a bit -> key."""
    return (np.int64(ix) << 41) | (np.int64(iy) << 21) | (np.int64(iz) << 1) | np.int64(up)


@njit(cache=True, inline="always")
def slot_of(key, mask):  # type: ignore[no-untyped-def]
    """Key -> first slot of the probe sequence in a table of mask + 1 slots."""
    h = np.uint64(key) * np.uint64(0x9E3779B97F4A7C15)
    return np.int64((h >> np.uint64(24)) & np.uint64(mask))


@njit(cache=True, inline="always")
def find(keys, values, mask, key):  # type: ignore[no-untyped-def]
    """Value stored for the key, or -1."""
    s = slot_of(key, mask)
    while True:
        k = keys[s]
        if k == key:
            return values[s]
        if k == -1:
            return np.int32(-1)
        s = (s + 1) & mask


@njit(cache=True)
def build_table(sorted_keys):  # type: ignore[no-untyped-def]
    """(v,) distinct keys -> hash table (keys, values = row of the key)."""
    size = 64
    while size < 2 * len(sorted_keys) + 2:
        size *= 2
    mask = size - 1
    keys = np.full(size, -1, dtype=np.int64)
    values = np.full(size, -1, dtype=np.int32)
    for i in range(len(sorted_keys)):
        s = slot_of(sorted_keys[i], mask)
        while keys[s] != -1:
            s = (s + 1) & mask
        keys[s] = sorted_keys[i]
        values[s] = i
    return keys, values


@njit(cache=True)
def number_voxels(xyz, view, has_view, low, origin, size_m):  # type: ignore[no-untyped-def]
    """(n, 3), (n, 3) -> voxel number of each point in order of first sight, and the distinct keys."""
    n = len(xyz)
    out = np.empty(n, dtype=np.int32)
    capacity = 1 << 16
    mask = capacity - 1
    table = np.full(capacity, -1, dtype=np.int64)
    value = np.full(capacity, -1, dtype=np.int32)
    keys = np.empty(capacity // 2, dtype=np.int64)
    used = 0
    last_key = np.int64(-2)
    last_value = np.int32(-1)
    for i in range(n):
        ix = np.int64((xyz[i, 0] - low[0]) / size_m)
        iy = np.int64((xyz[i, 1] - low[1]) / size_m)
        iz = np.int64((xyz[i, 2] - low[2]) / size_m)
        up = 0
        if has_view and xyz[i, 2] - origin[2] > view[i, 2]:
            up = 1
        key = pack_key(ix, iy, iz, up)
        if key == last_key:
            out[i] = last_value
            continue
        s = slot_of(key, mask)
        while table[s] != key and table[s] != -1:
            s = (s + 1) & mask
        if table[s] == -1:
            if 2 * (used + 1) > capacity:
                capacity *= 2
                mask = capacity - 1
                table = np.full(capacity, -1, dtype=np.int64)
                value = np.full(capacity, -1, dtype=np.int32)
                for k in range(used):
                    t = slot_of(keys[k], mask)
                    while table[t] != -1:
                        t = (t + 1) & mask
                    table[t] = keys[k]
                    value[t] = k
                grown = np.empty(capacity // 2, dtype=np.int64)
                grown[:used] = keys[:used]
                keys = grown
                s = slot_of(key, mask)
                while table[s] != -1:
                    s = (s + 1) & mask
            table[s] = key
            value[s] = used
            keys[used] = key
            used += 1
        last_key = key
        last_value = value[s]
        out[i] = last_value
    return out, keys[:used].copy()


@njit(cache=True)
def counting_sort(group, groups):  # type: ignore[no-untyped-def]
    """(n,) group numbers -> start (groups + 1,) and the stable order of the points (n,)."""
    start = np.zeros(groups + 1, dtype=np.int64)
    for g in group:
        start[g + 1] += 1
    for g in range(groups):
        start[g + 1] += start[g]
    fill = start[:-1].copy()
    order = np.empty(len(group), dtype=np.int32)
    for i in range(len(group)):
        g = group[i]
        order[fill[g]] = i
        fill[g] += 1
    return start, order


@njit(cache=True, parallel=True)
def voxel_moments(xyz, view, has_view, sd, cross, start, order, centre, origin):  # type: ignore[no-untyped-def]
    """Points by voxel -> (v, 15) moments about the voxels' centres (v, 3)."""
    v = len(start) - 1
    out = np.zeros((v, MOMENTS))
    for k in prange(v):
        cx, cy, cz = centre[k, 0], centre[k, 1], centre[k, 2]
        for j in range(start[k], start[k + 1]):
            i = order[j]
            x = xyz[i, 0] - cx
            y = xyz[i, 1] - cy
            z = xyz[i, 2] - cz
            out[k, 0] += 1.0
            out[k, 1] += x
            out[k, 2] += y
            out[k, 3] += z
            out[k, 4] += x * x
            out[k, 5] += x * y
            out[k, 6] += x * z
            out[k, 7] += y * y
            out[k, 8] += y * z
            out[k, 9] += z * z
            if has_view:
                bx = xyz[i, 0] - origin[0] - view[i, 0]
                by = xyz[i, 1] - origin[1] - view[i, 1]
                bz = xyz[i, 2] - origin[2] - view[i, 2]
                r = np.sqrt(bx * bx + by * by + bz * bz)
                if r > 0.0:
                    out[k, 10] += bx / r
                    out[k, 11] += by / r
                    out[k, 12] += bz / r
            out[k, 13] += sd[i] * sd[i]
            out[k, 14] += cross[i] * cross[i]
    return out


@njit(cache=True, inline="always")
def add_shifted(total, row, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Add a moment row to a total whose origin lies at minus (dx, dy, dz) from the row's own."""
    n = row[0]
    total[0] += n
    total[1] += row[1] + n * dx
    total[2] += row[2] + n * dy
    total[3] += row[3] + n * dz
    total[4] += row[4] + 2.0 * dx * row[1] + n * dx * dx
    total[5] += row[5] + dx * row[2] + dy * row[1] + n * dx * dy
    total[6] += row[6] + dx * row[3] + dz * row[1] + n * dx * dz
    total[7] += row[7] + 2.0 * dy * row[2] + n * dy * dy
    total[8] += row[8] + dy * row[3] + dz * row[2] + n * dy * dz
    total[9] += row[9] + 2.0 * dz * row[3] + n * dz * dz
    for k in range(10, 15):
        total[k] += row[k]


@njit(cache=True)
def turned(pp, pr, rp, rr, sp, sr, ps, rs):  # type: ignore[no-untyped-def]
    """One turn of Jacobi's in the plane of p and r, s the third axis -> the eight entries after it, cosine, sine."""
    theta = (rr - pp) / (2.0 * pr)
    t = 1.0 / (abs(theta) + np.sqrt(theta * theta + 1.0))
    if theta < 0.0:
        t = -t
    co = 1.0 / np.sqrt(t * t + 1.0)
    si = t * co
    pp, pr = co * pp - si * pr, si * pp + co * pr
    rp, rr = co * rp - si * rr, si * rp + co * rr
    sp, sr = co * sp - si * sr, si * sp + co * sr
    pp, rp = co * pp - si * rp, si * pp + co * rp
    pr, rr = co * pr - si * rr, si * pr + co * rr
    ps, rs = co * ps - si * rs, si * ps + co * rs
    return pp, pr, rp, rr, sp, sr, ps, rs, co, si


@njit(cache=True)
def smallest_axis(a, b, c, d, e, f):  # type: ignore[no-untyped-def]
    """Symmetric [[a b c] [b d e] [c e f]] -> its eigenvalues ascending and the unit vector of the least, by Jacobi."""
    xx, xy, xz, yx, yy, yz, zx, zy, zz = a, b, c, b, d, e, c, e, f
    # Rows of the turns so far: the columns are the eigenvectors.
    ax, ay, az = 1.0, 0.0, 0.0
    bx, by, bz = 0.0, 1.0, 0.0
    cx, cy, cz = 0.0, 0.0, 1.0
    for _ in range(12):
        off = abs(xy) + abs(xz) + abs(yz)
        if off <= 1e-15 * (abs(xx) + abs(yy) + abs(zz)):
            break
        if xy != 0.0:
            xx, xy, yx, yy, zx, zy, xz, yz, co, si = turned(xx, xy, yx, yy, zx, zy, xz, yz)
            ax, ay = co * ax - si * ay, si * ax + co * ay
            bx, by = co * bx - si * by, si * bx + co * by
            cx, cy = co * cx - si * cy, si * cx + co * cy
        if xz != 0.0:
            xx, xz, zx, zz, yx, yz, xy, zy, co, si = turned(xx, xz, zx, zz, yx, yz, xy, zy)
            ax, az = co * ax - si * az, si * ax + co * az
            bx, bz = co * bx - si * bz, si * bx + co * bz
            cx, cz = co * cx - si * cz, si * cx + co * cz
        if yz != 0.0:
            yy, yz, zy, zz, xy, xz, yx, zx, co, si = turned(yy, yz, zy, zz, xy, xz, yx, zx)
            ay, az = co * ay - si * az, si * ay + co * az
            by, bz = co * by - si * bz, si * by + co * bz
            cy, cz = co * cy - si * cz, si * cy + co * cz
    if yy < xx:
        if zz < yy:
            return zz, min(xx, yy), max(xx, yy), az, bz, cz
        return yy, min(zz, xx), max(zz, xx), ay, by, cy
    if zz < xx:
        return zz, min(xx, yy), max(xx, yy), az, bz, cz
    return xx, min(yy, zz), max(yy, zz), ax, bx, cx


@njit(cache=True)
def plane_of(total):  # type: ignore[no-untyped-def]
    """Moment row -> least eigenvalue, middle one, unit normal (3) and offset about the row's origin."""
    n = total[0]
    mx = total[1] / n
    my = total[2] / n
    mz = total[3] / n
    low, mid, _, nx, ny, nz = smallest_axis(
        total[4] / n - mx * mx,
        total[5] / n - mx * my,
        total[6] / n - mx * mz,
        total[7] / n - my * my,
        total[8] / n - my * mz,
        total[9] / n - mz * mz,
    )
    return low, mid, nx, ny, nz, nx * mx + ny * my + nz * mz


@njit(cache=True, inline="always")
def noise_variance(nx, ny, nz, row, floor2):  # type: ignore[no-untyped-def]
    """Mean squared departure from a plane that range, attitude and pose noise predict for a moment row's points."""
    n = row[0]
    bx = row[10]
    by = row[11]
    bz = row[12]
    b2 = bx * bx + by * by + bz * bz
    c2 = 1.0
    if b2 > 0.0:
        dot = nx * bx + ny * by + nz * bz
        c2 = dot * dot / b2
    return (row[13] * c2 + row[14] * (1.0 - c2)) / n + floor2


@njit(cache=True, parallel=True)
def local_planes(near, cell, up, moments, size_m, floor2):  # type: ignore[no-untyped-def]
    """27 voxels around each -> (v, 4) local plane, (v,) flatness (departure over noise), (v,) points used.

    The plane is its unit normal and its offset about the voxel's centre. Flatness is infinite where fewer than eight
    points or no two dimensions are filled.
    """
    v = len(cell)
    normal = np.zeros((v, 4))
    flatness = np.full(v, np.inf)
    used = np.zeros(v, dtype=np.int32)
    for k in prange(v):
        total = np.zeros(MOMENTS)
        for t in range(near.touching_from[k], near.touching_from[k + 1]):
            j = near.touching[t]
            if up[j] == up[k]:
                dx = np.float64(cell[j, 0] - cell[k, 0])
                dy = np.float64(cell[j, 1] - cell[k, 1])
                dz = np.float64(cell[j, 2] - cell[k, 2])
                add_shifted(total, moments[j], dx * size_m, dy * size_m, dz * size_m)
        used[k] = np.int32(total[0])
        if total[0] < 8.0:
            continue
        low, mid, nx, ny, nz, e = plane_of(total)
        normal[k, 3] = e
        normal[k, 0] = nx
        normal[k, 1] = ny
        normal[k, 2] = nz
        if mid > 4.0 * low and mid > 0.04 * size_m * size_m:
            flatness[k] = max(low, 0.0) / noise_variance(nx, ny, nz, total, floor2)
    return normal, flatness, used


def voxelise(xyz: Any, view: Any, has_view: bool, sd: Any, cross: Any, origin: Any, size_m: float) -> Any:
    """Points -> voxels sorted by key: low (3,), cell (v, 3), up (v,), centre (v, 3) about low, start, order, moments.

    The grid's corner lies off zero by a part of a voxel, so that a floor at a round height does not lie on the border
    between two layers. Returns None where the cloud spans more voxels than a key can number.
    """
    low = np.floor(xyz.min(axis=0) / size_m) * size_m - 4.37 * size_m
    if ((xyz.max(axis=0) - low) / size_m >= (1 << 20) - 8).any():
        return None
    number, keys = number_voxels(xyz, view, has_view, low, origin, size_m)
    by_key = np.argsort(keys, kind="stable")
    rank = np.empty(len(keys), dtype=np.int32)
    rank[by_key] = np.arange(len(keys), dtype=np.int32)
    number = rank[number]
    keys = keys[by_key]
    part = (1 << 20) - 1
    cell = np.stack([keys >> 41, (keys >> 21) & part, (keys >> 1) & part], axis=1)
    centre = (cell + 0.5) * size_m
    start, order = counting_sort(number, len(keys))
    moments = voxel_moments(xyz, view, has_view, sd, cross, start, order, centre + low, origin)
    return low, keys, cell, keys & 1, centre, start, order, moments
