"""Points into voxels, voxels into moments, moments into local planes.

A voxel key packs three cell numbers of 20 bits and one bit that tells whether the beam went up: what was seen from
above and what was seen from below never share moments, so that the two faces of a thin deck stay apart.
Moment rows hold: count, sums x y z, products xx xy xz yy yz zz, all about the voxel's centre, then the sums of the
unit beam (3), of the squared sd along and across the beam.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import get_num_threads

from terrain.kernels.options import bare, each_cell, entry, inner
from terrain.kernels.threads import by_remainder, in_order, over_parts

MOMENTS = 15


@entry
def pack_key(ix, iy, iz, up):  # type: ignore[no-untyped-def]
    """Cell numbers below 2**20 and a bit -> key."""
    return (np.int64(ix) << 41) | (np.int64(iy) << 21) | (np.int64(iz) << 1) | np.int64(up)


class Points(NamedTuple):
    """Points as the cloud has them.

    xyz (n, 3) float64 map frame; seen_from (n, 3) float32 relative to the cloud's origin, or one row of zeros if there
    are none; sd and cross (n,) float32
    """

    xyz: Any
    seen_from: Any
    sd: Any
    cross: Any


class SortedPoints(NamedTuple):
    """Points sorted by voxel: copies, so that what goes voxel by voxel reads memory in order.

    xyz (n, 3) float64 map frame; beam (n, 3) float64 unit vectors from where points were seen, zeros if that is not
    known, worked out once while copying waits for memory; sd and cross (n,) float32
    """

    xyz: Any
    beam: Any
    sd: Any
    cross: Any


@each_cell
def beam_of(i, xyz, view, origin):  # type: ignore[no-untyped-def]
    """Return the unit vector of the beam of point i (n, 3); view (n, 3) is relative to the cloud's origin."""
    bx = xyz[i, 0] - origin[0] - view[i, 0]
    by = xyz[i, 1] - origin[1] - view[i, 1]
    bz = xyz[i, 2] - origin[2] - view[i, 2]
    r = max(np.sqrt(bx * bx + by * by + bz * bz), 1e-9)
    return bx / r, by / r, bz / r


@entry
def bounds(xyz):  # type: ignore[no-untyped-def]
    """(n, 3) -> (2, 3) least and greatest coordinates."""
    out = np.empty((2, 3))
    out[0] = np.inf
    out[1] = -np.inf
    for i in range(len(xyz)):
        for a in range(3):
            out[0, a] = min(out[0, a], xyz[i, a])
            out[1, a] = max(out[1, a], xyz[i, a])
    return out


@bare
def short_keys(begin, end, xyz, view, has_view, low, origin, size_m, bits, out):  # type: ignore[no-untyped-def]
    """Write the keys of voxels of points begin to end, packed as `pack_key` does but with bits (3,) for the cells."""
    for i in range(begin, end):
        ix = np.int64((xyz[i, 0] - low[0]) / size_m)
        iy = np.int64((xyz[i, 1] - low[1]) / size_m)
        iz = np.int64((xyz[i, 2] - low[2]) / size_m)
        up = np.int64(has_view and xyz[i, 2] - origin[2] > view[i, 2])
        out[i] = ((ix << bits[1] | iy) << bits[2] | iz) << 1 | up


@bare
def count_digits(begin, end, keys, shift, part, counts):  # type: ignore[no-untyped-def]
    """Count the digits of keys begin to end."""
    for i in range(begin, end):
        counts[keys[i] >> shift & part] += 1


@bare
def put_digits(begin, end, keys, order, shift, part, fill, new_keys, new_order):  # type: ignore[no-untyped-def]
    """Put keys begin to end, and where they were, to the places that `fill` has for their digits."""
    for i in range(begin, end):
        digit = keys[i] >> shift & part
        at = fill[digit]
        fill[digit] = at + 1
        new_keys[at] = keys[i]
        new_order[at] = order[i]


def radix_sort(keys: Any, bits: int) -> Any:
    """(n,) int64 keys below 2**bits -> the keys in order, and the stable order (n,) int32.

    Least digit first, at most 11 bits a digit (Knuth, The Art of Computer Programming 3, 5.2.5). Each thread counts
    and moves a part of the keys; how many parts there are does not matter, as a stable order is the only one.
    """
    n, parts = len(keys), int(get_num_threads())
    passes = (bits + 10) // 11
    width = (bits + passes - 1) // passes
    edges = [n * k // parts for k in range(parts + 1)]
    order = np.arange(n, dtype=np.int32)
    for p in range(passes):
        keys, order = sorted_by_digit(keys, order, p * width, (1 << width) - 1, edges)
    return keys, order


def sorted_by_digit(keys: Any, order: Any, shift: int, part: int, edges: list[int]) -> Any:
    """Keys and the order so far -> both sorted by a digit; each thread takes the keys between two of the edges."""
    every = range(len(edges) - 1)
    counts = np.zeros((len(every), part + 1), dtype=np.int64)
    made = np.empty_like(keys), np.empty_like(order)
    in_order(lambda k: count_digits(edges[k], edges[k + 1], keys, shift, part, counts[k]), every)
    fill = (np.cumsum(counts.T).reshape(part + 1, len(every)).T - counts).copy()
    in_order(lambda k: put_digits(edges[k], edges[k + 1], keys, order, shift, part, fill[k], *made), every)
    return made


@entry
def rows_by_group(group, groups):  # type: ignore[no-untyped-def]
    """Group of each row (n,) int32, -1 for none -> rows sorted by group (m,) int32, where each begins (groups + 1,)."""
    begins = np.zeros(groups + 1, dtype=np.int64)
    for i in range(len(group)):
        if group[i] >= 0:
            begins[group[i] + 1] += 1
    for k in range(groups):
        begins[k + 1] += begins[k]
    fill = begins[:-1].copy()
    order = np.empty(begins[-1], dtype=np.int32)
    for i in range(len(group)):
        k = group[i]
        if k >= 0:
            order[fill[k]] = i
            fill[k] += 1
    return order, begins


@entry
def runs_of(keys, bits):  # type: ignore[no-untyped-def]
    """Sorted short keys (n,) -> distinct keys as `pack_key` makes them (v,), where each one's run begins (v + 1,)."""
    n = len(keys)
    v = 0
    for i in range(n):
        if i == 0 or keys[i] != keys[i - 1]:
            v += 1
    out = np.empty(v, dtype=np.int64)
    start = np.empty(v + 1, dtype=np.int64)
    v = 0
    for i in range(n):
        if i == 0 or keys[i] != keys[i - 1]:
            key = keys[i] >> 1
            iz = key & ((1 << bits[2]) - 1)
            iy = key >> bits[2] & ((1 << bits[1]) - 1)
            out[v] = pack_key(key >> bits[2] + bits[1], iy, iz, keys[i] & 1)
            start[v] = i
            v += 1
    start[v] = n
    return out, start


@bare
def gather(begin, end, order, points, has_view, origin, xyz, beam, sd, cross):  # type: ignore[no-untyped-def]
    """Write points begin to end of the order given to the arrays."""
    for s in range(begin, end):
        i = np.int64(order[s])
        for a in range(3):
            xyz[s, a] = points.xyz[i, a]
        if has_view:
            beam[s, 0], beam[s, 1], beam[s, 2] = beam_of(i, points.xyz, points.seen_from, origin)
        sd[s] = points.sd[i]
        cross[s] = points.cross[i]


def gathered(order: Any, points: Points, has_view: bool, origin: Any) -> SortedPoints:
    """Return the points in the order given."""
    n = len(order)
    made = np.empty((n, 3)), np.zeros((n, 3)), np.empty(n, dtype=np.float32), np.empty(n, dtype=np.float32)
    over_parts(gather, n, order, points, has_view, origin, *made)
    return SortedPoints(*made)


@each_cell
def moments_at(row):  # type: ignore[no-untyped-def]
    """Return a row of moments (15,) as a tuple: sums held in registers take half the time of sums in memory."""
    return (
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8], row[9], row[10], row[11], row[12],
        row[13], row[14],
    )  # fmt: skip


@each_cell
def put_moments(row, held):  # type: ignore[no-untyped-def]
    """Write a row of moments (15,)."""
    (
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8], row[9], row[10], row[11], row[12],
        row[13], row[14],
    ) = held  # fmt: skip


@each_cell
def with_point(held, x, y, z, bx, by, bz, sd, cross):  # type: ignore[no-untyped-def]
    """Return moments with a point added, at (x, y, z) from their centre and with that unit beam."""
    n, sx, sy, sz, xx, xy, xz, yy, yz, zz, ux, uy, uz, sd2, cross2 = held
    return (
        n + 1.0, sx + x, sy + y, sz + z, xx + x * x, xy + x * y, xz + x * z, yy + y * y, yz + y * z, zz + z * z,
        ux + bx, uy + by, uz + bz, sd2 + sd * sd, cross2 + cross * cross,
    )  # fmt: skip


@bare
def add_points(begin, end, points, start, centre, out):  # type: ignore[no-untyped-def]
    """Add the points of voxels begin to end to their moments (v, 15)."""
    for k in range(begin, end):
        held = moments_at(out[k])
        for s in range(start[k], start[k + 1]):
            held = with_point(
                held, points.xyz[s, 0] - centre[k, 0], points.xyz[s, 1] - centre[k, 1],
                points.xyz[s, 2] - centre[k, 2], points.beam[s, 0], points.beam[s, 1], points.beam[s, 2],
                points.sd[s], points.cross[s],
            )  # fmt: skip
        put_moments(out[k], held)


def voxel_moments(points: SortedPoints, start: Any, centre: Any) -> Any:
    """Points by voxel -> (v, 15) moments about the voxels' centres (v, 3), map frame."""
    out = np.zeros((len(centre), MOMENTS))
    over_parts(add_points, len(centre), points, start, centre, out)
    return out


@bare
def put_middles(share, shares, xyz, part, low, counts, middle):  # type: ignore[no-untyped-def]
    """Write middles of the parts whose number leaves `share` over `shares`; see `part_middles`."""
    for i in range(len(part)):
        k = part[i]
        if k >= 0 and k % shares == share:
            counts[k] += 1
            for a in range(3):
                middle[k, a] += xyz[i, a] - low[a]
    for k in range(share, len(middle), shares):
        for a in range(3):
            middle[k, a] /= max(counts[k], 1)


def part_middles(xyz: Any, part: Any, parts: int, low: Any) -> Any:
    """Points of any order, part of each (n,) or -1 -> middles (p, 3) relative to low."""
    middle = np.zeros((parts, 3))
    by_remainder(put_middles, xyz, part, low, np.zeros(parts, dtype=np.int64), middle)
    return middle


@bare
def add_part_moments(share, shares, points, has_view, part, low, origin, middle, out):  # type: ignore[no-untyped-def]
    """Write moments of the parts whose number leaves `share` over `shares`; see `part_moments`."""
    i, n = np.int64(0), len(part)
    while i < n:
        k = part[i]
        if k < 0 or k % shares != share:
            i += 1
            continue
        cx, cy, cz = middle[k, 0] + low[0], middle[k, 1] + low[1], middle[k, 2] + low[2]
        held = moments_at(out[k])
        while i < n and part[i] == k:
            bx = by = bz = 0.0
            if has_view:
                bx, by, bz = beam_of(i, points.xyz, points.seen_from, origin)
            held = with_point(
                held, points.xyz[i, 0] - cx, points.xyz[i, 1] - cy, points.xyz[i, 2] - cz, bx, by, bz, points.sd[i],
                points.cross[i],
            )  # fmt: skip
            i += 1
        put_moments(out[k], held)


def part_moments(points: Points, has_view: bool, part: Any, parts: int, low: Any, origin: Any) -> Any:
    """Points of any order, part of each (n,) or -1 -> `part_middles`, (p, 15) moments about them."""
    middle, out = part_middles(points.xyz, part, parts, low), np.zeros((parts, MOMENTS))
    by_remainder(add_part_moments, points, has_view, part, low, origin, middle, out)
    return middle, out


@each_cell
def with_shifted(held, row, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Return moments with a row added whose own origin lies at (dx, dy, dz) from theirs."""
    n, sx, sy, sz, xx, xy, xz, yy, yz, zz, ux, uy, uz, sd2, cross2 = held
    m = row[0]
    return (
        n + m,
        sx + (row[1] + m * dx),
        sy + (row[2] + m * dy),
        sz + (row[3] + m * dz),
        xx + (row[4] + 2.0 * dx * row[1] + m * dx * dx),
        xy + (row[5] + dx * row[2] + dy * row[1] + m * dx * dy),
        xz + (row[6] + dx * row[3] + dz * row[1] + m * dx * dz),
        yy + (row[7] + 2.0 * dy * row[2] + m * dy * dy),
        yz + (row[8] + dy * row[3] + dz * row[2] + m * dy * dz),
        zz + (row[9] + 2.0 * dz * row[3] + m * dz * dz),
        ux + row[10], uy + row[11], uz + row[12], sd2 + row[13], cross2 + row[14],
    )  # fmt: skip


@bare
def add_shifted(total, row, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Add a moment row to a total whose origin lies at minus (dx, dy, dz) from the row's own."""
    put_moments(total, with_shifted(moments_at(total), row, dx, dy, dz))


@inner
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


@bare
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


@bare
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


@inner
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


@bare
def fit_around(begin, end, near, cell, up, moments, size_m, floor2, normal, flatness, used, total):  # type: ignore[no-untyped-def]
    """Write the local planes of voxels begin to end; see `local_planes`. total (15,): room."""
    for k in range(begin, end):
        for a in range(MOMENTS):
            total[a] = 0.0
        held = moments_at(total)
        for t in range(near.touching_from[k], near.touching_from[k + 1]):
            j = near.touching[t]
            if up[j] == up[k]:
                dx = np.float64(cell[j, 0] - cell[k, 0])
                dy = np.float64(cell[j, 1] - cell[k, 1])
                dz = np.float64(cell[j, 2] - cell[k, 2])
                held = with_shifted(held, moments[j], dx * size_m, dy * size_m, dz * size_m)
        put_moments(total, held)
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


def local_planes(near: Any, cell: Any, up: Any, moments: Any, size_m: float, floor2: float) -> Any:
    """27 voxels around each -> (v, 4) local plane, (v,) flatness (departure over noise), (v,) points used.

    The plane is its unit normal and its offset about the voxel's centre. Flatness is infinite where fewer than eight
    points or no two dimensions are filled.
    """
    v = len(cell)
    made = np.zeros((v, 4)), np.full(v, np.inf), np.zeros(v, dtype=np.int32)
    over_parts(
        lambda begin, end: fit_around(
            begin, end, near, cell, up, moments, size_m, floor2, *made, np.empty(MOMENTS)
        ), v,
    )  # fmt: skip
    return made


def points_of(xyz: Any, view: Any, sd: Any, cross: Any) -> Points:
    """Return points as kernels take them: read-only, so that a kernel is compiled for one kind of arrays."""
    columns = [np.asarray(column).view() for column in (xyz, view, sd, cross)]
    for column in columns:
        column.flags.writeable = False
    return Points(*columns)


def voxelise(xyz: Any, view: Any, has_view: bool, sd: Any, cross: Any, origin: Any, size_m: float) -> Any:
    """Points -> low (3,), keys (v,), start (v + 1,), order (n,), points in that order, moments (v, 15).

    Voxels are sorted by key. The grid's corner lies off zero by a part of a voxel, so that a floor at a round height
    does not lie on the border between two layers. Returns None where the cloud spans more voxels than a key can number.
    """
    given = points_of(xyz, view, sd, cross)
    least, most = bounds(given.xyz)
    low = np.floor(least / size_m) * size_m - 4.37 * size_m
    cells = (most - low) / size_m
    if (cells >= (1 << 20) - 8).any():
        return None
    bits = np.array([int(count + 1).bit_length() for count in cells])
    unsorted = np.empty(len(xyz), dtype=np.int64)
    over_parts(short_keys, len(xyz), given.xyz, given.seen_from, has_view, low, origin, size_m, bits, unsorted)
    keys, order = radix_sort(unsorted, int(bits.sum()) + 1)
    keys, start = runs_of(keys, bits)
    points = gathered(order, given, has_view, origin)
    cell = cells_of(keys)
    moments = voxel_moments(points, start, (cell + 0.5) * size_m + low)
    return low, keys, start, order, points, moments


def cells_of(keys: Any) -> Any:
    """(v,) keys -> (v, 3) cell numbers."""
    part = (1 << 20) - 1
    return np.stack([keys >> 41, (keys >> 21) & part, (keys >> 1) & part], axis=1)
