"""As many returns of a dense cloud as are needed, drawn evenly; what the others lie on."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import entry, lenient

LEVELS = 24
"""A return of level l has a chance below 2^-l, and not below 2^-(l + 1) unless it is of the last level."""


@entry
def bits_of(number):  # type: ignore[no-untyped-def]
    """Return 64 bits of chance that depend on a number alone (Steele, Lea and Flood's SplitMix64)."""
    z = (np.uint64(number) + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@entry
def level_of(bits):  # type: ignore[no-untyped-def]
    """Return how many of the highest bits are 0, LEVELS - 1 at most."""
    level = 0
    while level < LEVELS - 1 and bits < np.uint64(1) << np.uint64(63 - level):
        level += 1
    return level


@entry
def reaches(bits, limit):  # type: ignore[no-untyped-def]
    """Whether the level of some bits is a limit or higher, told without a branch that nobody can guess."""
    return (bits >> np.uint64(1)) >> np.uint64(63 - limit) == np.uint64(0)


@entry
def sift(xyz, first, low, side, limit, total, held, count, most, keep):  # type: ignore[no-untyped-def]
    """Tell in keep (n,) which of the returns numbered from `first` on are kept; return how many.

    limit, total, held (ny, nx), count (ny, nx, LEVELS) of columns of `side` from the corner low (2,) on: kept are
    levels from the limit up; all returns so far; those kept, and by level. Where more than `most` are kept the limit
    rises.
    """
    kept = 0
    for i in range(len(xyz)):
        x, y = np.int64((xyz[i, 0] - low[0]) / side), np.int64((xyz[i, 1] - low[1]) / side)
        bits = bits_of(first + i)
        total[y, x] += 1
        keep[i] = reaches(bits, limit[y, x])
        if not keep[i]:
            continue
        kept += 1
        level = level_of(bits)
        count[y, x, level] += 1
        held[y, x] += 1
        while held[y, x] > most and limit[y, x] < LEVELS - 1:
            held[y, x] -= count[y, x, limit[y, x]]
            limit[y, x] += 1
    return kept


@entry
def within(xyz, number, low, side, limit, keep):  # type: ignore[no-untyped-def]
    """Tell in keep (n,) which returns are of a level from the limit of their column up; return how many."""
    kept = 0
    for i in range(len(xyz)):
        x, y = np.int64((xyz[i, 0] - low[0]) / side), np.int64((xyz[i, 1] - low[1]) / side)
        keep[i] = reaches(bits_of(number[i]), limit[y, x])
        kept += keep[i]
    return kept


@entry
def move_up(keep, words):  # type: ignore[no-untyped-def]
    """Move the rows of words (n, w) that are kept to the beginning, in their order.

    Some rows at a time: first which are kept, without a branch, then those.
    """
    rows = np.empty(2048, dtype=np.int64)
    at = 0
    for begin in range(0, len(keep), len(rows)):
        kept = 0
        for i in range(begin, min(begin + len(rows), len(keep))):
            rows[kept] = i
            kept += keep[i]
        if kept > 0 and rows[kept - 1] == at + kept - 1:
            at += kept  # none was left out so far
            continue
        for c in range(kept):
            for k in range(words.shape[1]):
                words[at + c, k] = words[rows[c], k]
        at += kept


@entry
def voxel_keys(begin, end, xyz, low, size, nx, nz, keys):  # type: ignore[no-untyped-def]
    """Write the number of each return's voxel, (y nx + x) nz + z, counted from the corner low (3,)."""
    for i in range(begin, end):
        x, y = np.int64((xyz[i, 0] - low[0]) / size), np.int64((xyz[i, 1] - low[1]) / size)
        keys[i] = (y * nx + x) * nz + np.int64((xyz[i, 2] - low[2]) / size)


@entry
def count_voxels(keys, nx, nz, side, voxels):  # type: ignore[no-untyped-def]
    """Count the different ones of sorted voxel numbers by column of side x side voxels, (ny, nx)."""
    last = np.int64(-1)
    for i in range(len(keys)):
        if keys[i] != last:
            last = keys[i]
            column = last // nz
            voxels[column // nx // side, column % nx // side] += 1


@entry
def draw(begin, end, xyz, number, low, side, share, keep):  # type: ignore[no-untyped-def]
    """Tell in keep (n,) which returns are drawn, by share (ny, nx) between the middles of columns of `side`."""
    ny, nx = share.shape
    for i in range(begin, end):
        x, y = (xyz[i, 0] - low[0]) / side - 0.5, (xyz[i, 1] - low[1]) / side - 0.5
        x, y = min(max(x, 0.0), nx - 1.0), min(max(y, 0.0), ny - 1.0)
        a, b = min(np.int64(x), nx - 2) if nx > 1 else 0, min(np.int64(y), ny - 2) if ny > 1 else 0
        c, d = min(a + 1, nx - 1), min(b + 1, ny - 1)
        u, v = x - a, y - b
        wanted = (1.0 - v) * ((1.0 - u) * share[b, a] + u * share[b, c])
        wanted += v * ((1.0 - u) * share[d, a] + u * share[d, c])
        keep[i] = np.float64(bits_of(number[i]) >> np.uint64(11)) * 2.0**-53 < wanted


@lenient
def patch_beside(  # type: ignore[no-untyped-def]
    slot, xyz, view, sd, cross, origin, first, patch, normal, offset, planes_at, floor2, cut, out,
):  # fmt: skip
    """Write in out (n,) the patch of each return: the best of those in its voxel within `cut` sd, -1 for none.

    slot (n,): of the voxels, whose patches are patch[first[slot]:first[slot + 1]]; normal (p, 3), offset (p,): planes
    about `planes_at`; view (n, 3) from where each was seen, relative to `origin`, or nothing
    """
    for row in range(len(slot)):
        out[row] = -1
        if slot[row] < 0:
            continue
        x, y, z = xyz[row, 0], xyz[row, 1], xyz[row, 2]
        best = cut
        for k in range(first[slot[row]], first[slot[row] + 1]):
            p = patch[k]
            c2 = 1.0
            if len(view):
                bx, by, bz = x - origin[0] - view[row, 0], y - origin[1] - view[row, 1], z - origin[2] - view[row, 2]
                far = np.sqrt(bx * bx + by * by + bz * bz)
                c = normal[p, 0] * bx + normal[p, 1] * by + normal[p, 2] * bz
                if c > 0.0:
                    continue
                c2 = (c / far) ** 2 if far > 0.0 else 1.0
            e = (
                normal[p, 0] * (x - planes_at[0])
                + normal[p, 1] * (y - planes_at[1])
                + normal[p, 2] * (z - planes_at[2])
                - offset[p]
            )
            off = abs(e) / np.sqrt(sd[row] ** 2 * c2 + cross[row] ** 2 * (1.0 - c2) + floor2)
            if off < best:
                best = off
                out[row] = p


@entry
def label_of_ground(xyz, height, label, x0, y0, cell, near, out):  # type: ignore[no-untyped-def]
    """Write in out (n,) the label (ny, nx) of the cell under each return that lies `near` its height (ny, nx)."""
    ny, nx = height.shape
    for i in range(len(xyz)):
        x, y = np.floor((xyz[i, 0] - x0) / cell), np.floor((xyz[i, 1] - y0) / cell)
        if 0.0 <= x < nx and 0.0 <= y < ny:
            ix, iy = np.int64(x), np.int64(y)
            if abs(xyz[i, 2] - height[iy, ix]) < near:
                out[i] = np.uint8(label[iy, ix])
