"""Regions that are one plane: which of them meet, and which of those one plane explains as well as two."""

from __future__ import annotations

from typing import Any

import numpy as np

from terrain.kernels.neighbours import Wider
from terrain.kernels.options import bare, entry, inner
from terrain.kernels.threads import over_parts
from terrain.kernels.voxels import add_shifted, noise_variance, plane_of


@bare
def bordering(begin, end, near, label, up, out):  # type: ignore[no-untyped-def]
    """Those of voxels begin to end that lie in a region but not amid it go to out[begin:], int32 -> how many."""
    used = 0
    for i in range(begin, end):
        if label[i] < 0:
            continue
        same = 0
        for t in range(near.touching_from[i], near.touching_from[i + 1]):
            j = near.touching[t]
            if label[j] == label[i] and up[j] == up[i]:
                same += 1
        if same < 9:
            out[begin + used] = i
            used += 1
    return used


@bare
def meetings(begin, end, rows, lists, label, centre, planes, apart_m, out):  # type: ignore[no-untyped-def]
    """Numbers a * regions + b of the pairs that `touching_pairs` tells of, with repeats, in the order met.

    Those that voxels rows[begin:end] belong to, as far as there is room in out, int64 -> how many there are.
    """
    regions = np.int64(len(planes))
    used = 0
    before = np.int64(-1)
    for m in range(begin, end):
        i = np.int64(rows[m])
        a = label[i]
        last = -1
        for t in range(lists.first[i], lists.end[i]):
            j = lists.voxels[t]
            b = label[j]
            if b < 0 or b == a or b == last:
                continue
            x = 0.5 * (centre[i, 0] + centre[j, 0])
            y = 0.5 * (centre[i, 1] + centre[j, 1])
            z = 0.5 * (centre[i, 2] + centre[j, 2])
            ra = planes[a, 0] * x + planes[a, 1] * y + planes[a, 2] * z - planes[a, 3]
            rb = planes[b, 0] * x + planes[b, 1] * y + planes[b, 2] * z - planes[b, 3]
            if abs(ra - rb) > apart_m:
                continue
            last = b
            pair = min(a, b) * regions + max(a, b)
            if before == pair:
                continue
            before = pair
            if used < len(out):
                out[used] = pair
            used += 1
    return used


def touching_pairs(near: Any, wider: Wider, label: Any, up: Any, centre: Any, planes: Any, apart_m: float) -> Any:
    """Region pairs with voxels near each other, as `wider` lists them, whose planes nearly meet there.

    -> (m, 2) region numbers, lower first, in ascending order; two planes nearly meet where, half-way between the two
    voxels, each passes within `apart_m` of the other's. Voxels amid their own region are passed over.
    """
    free = np.empty(len(label), dtype=np.int32)

    def borders(begin: int, end: int) -> Any:
        return free[begin : begin + bordering(begin, end, near, label, up, free)]

    rows = np.concatenate(over_parts(borders, len(label)))
    lists = wider.of(rows)

    def met(begin: int, end: int) -> Any:
        out = np.empty(1024 + 4 * (end - begin), dtype=np.int64)  # most of it is never touched
        while (used := meetings(begin, end, rows, lists, label, centre, planes, apart_m, out)) > len(out):
            out = np.empty(used, dtype=np.int64)
        return np.unique(out[:used])

    found = np.unique(np.concatenate(over_parts(met, len(rows))))
    return np.stack(np.divmod(found, len(planes)), axis=1).astype(np.int32)


@bare
def one_plane(first, second, union, floor2, systematic_m, slack):  # type: ignore[no-untyped-def]
    """Whether the union of two moment rows is explained by one plane as well as by two.

    The rise of the sum of squares over its noise is compared with what chance (chi-squared, three degrees of freedom at
    0.999) and a systematic difference of `systematic_m` would give, times `slack`.
    """
    low_a, _, ax, ay, az, _ = plane_of(first)
    low_b, _, bx, by, bz, _ = plane_of(second)
    low, _, nx, ny, nz, _ = plane_of(union)
    squares = max(low_a, 0.0) * first[0] + max(low_b, 0.0) * second[0]
    var = noise_variance(nx, ny, nz, union, floor2)
    # Without beams a normal's sign says nothing; with them, two faces of one deck are two planes.
    dot = ax * bx + ay * by + az * bz
    if first[10] == 0.0 and first[11] == 0.0 and first[12] == 0.0:
        dot = abs(dot)
    elif (ax * first[10] + ay * first[11] + az * first[12] > 0.0) != (
        bx * second[10] + by * second[11] + bz * second[12] > 0.0
    ):
        dot = -dot
    if dot < 0.97:
        return False
    rise = (max(low, 0.0) * union[0] - squares) / var
    fewer = min(first[0], second[0])
    return rise <= slack * (16.3 + fewer * systematic_m * systematic_m / var)


@inner
def root_of(parent, k):  # type: ignore[no-untyped-def]
    """Last of the chain of parents that begins at k."""
    while parent[k] != k:
        k = parent[k]
    return k


@inner
def add_rows(union, moments, origin, a, b):  # type: ignore[no-untyped-def]
    """Make union the moments of a and b about a's origin."""
    for c in range(len(union)):
        union[c] = moments[a, c]
    add_shifted(
        union, moments[b], origin[b, 0] - origin[a, 0], origin[b, 1] - origin[a, 1], origin[b, 2] - origin[a, 2]
    )


@entry
def merge_pairs(pairs, moments, origin, floor2, systematic_m):  # type: ignore[no-untyped-def]
    """Pairs in the order to try, moments (r, 15) about origins (r, 3) -> region that each goes to (r,), its moments.

    A region goes to the lowest number of those it is joined with, and that row of moments is the sum.
    """
    moments = moments.copy()
    parent = np.arange(len(moments))
    union = np.empty(moments.shape[1])
    for m in range(len(pairs)):
        a, b = root_of(parent, np.int64(pairs[m, 0])), root_of(parent, np.int64(pairs[m, 1]))
        if a == b:
            continue
        add_rows(union, moments, origin, a, b)
        if not one_plane(moments[a], moments[b], union, floor2, systematic_m, 1.0):
            continue
        if b < a:
            a, b = b, a
            add_rows(union, moments, origin, a, b)
        parent[b] = a
        for c in range(len(union)):
            moments[a, c] = union[c]
    for k in range(len(parent)):
        parent[k] = root_of(parent, k)
    return parent, moments
