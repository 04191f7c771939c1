"""Regions against each other: who gets a voxel, who is a mere seam, what hangs together."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from terrain.kernels.neighbours import MOST, Wider, away2
from terrain.kernels.options import bare, inner
from terrain.kernels.regions import agrees, fits, mean_square
from terrain.kernels.threads import over_parts
from terrain.kernels.voxels import noise_variance


@bare
def contested(begin, end, near, label, only_free, out):  # type: ignore[no-untyped-def]
    """Those of voxels begin to end that have no region or, unless `only_free`, touch one of another region.

    They go to out[begin:], int32, ascending -> how many.
    """
    used = 0
    for k in range(begin, end):
        meets = label[k] < 0
        if not (meets or only_free):
            for t in range(near.touching_from[k], near.touching_from[k + 1]):
                other = label[near.touching[t]]
                if other >= 0 and other != label[k]:
                    meets = True
                    break
        if meets:
            out[begin + used] = k
            used += 1
    return used


@bare
def settle(  # type: ignore[no-untyped-def]
    begin, end, rows, near, lists, centre, moments, label, planes, weight, cut2, floor2, out, fitting, asked
):
    """Write the regions of contested voxels, rows begin to end, to out (v,); see `compete`.

    fitting (MOST + 1,) and asked (regions + 1,) int32: room.
    """
    asked[:] = -1
    for m in range(begin, end):
        k = np.int64(rows[m])
        nbr = lists.voxels[lists.first[k] : lists.end[k]]
        count = len(nbr)
        # Each region once, without a branch; none (-1) passes for a region that is known.
        asked[0] = k
        regions = 0
        for b in range(count):
            p = label[nbr[b]]
            fitting[regions] = p
            regions += np.int64(asked[p + 1] != k)
            asked[p + 1] = k
        regions = min(regions, 16)
        if regions == 0 or (regions == 1 and label[k] == fitting[0]):
            continue
        kept = 0
        for a in range(regions):
            p = fitting[a]
            nx, ny, nz = planes[p, 0], planes[p, 1], planes[p, 2]
            e = planes[p, 3] - nx * centre[k, 0] - ny * centre[k, 1] - nz * centre[k, 2]
            if fits(moments[k], nx, ny, nz, e, floor2):
                fitting[kept] = p
                if p == label[k]:
                    # Most keep what they have: with its cost known first, the others can be given up early.
                    fitting[kept], fitting[0] = fitting[0], fitting[kept]
                kept += 1
        best = fitting[0] if kept == 1 else -1
        best_cost = np.inf
        for a in range(kept if kept > 1 else 0):
            p = fitting[a]
            nx, ny, nz, d = planes[p, 0], planes[p, 1], planes[p, 2], planes[p, 3]
            cost = 0.0
            for b in range(count):
                j = np.int64(nbr[b])
                row = moments[j]
                r = cut2
                if nx * row[10] + ny * row[11] + nz * row[12] <= 0.0:
                    e = d - nx * centre[j, 0] - ny * centre[j, 1] - nz * centre[j, 2]
                    r = min(cut2, mean_square(row, nx, ny, nz, e) / noise_variance(nx, ny, nz, row, floor2))
                cost += weight[away2(k, j, near)] * row[0] * r
                if cost > best_cost:
                    break
            if cost < best_cost or (cost == best_cost and p < best):
                best_cost = cost
                best = p
        out[k] = best


def compete(
    near: Any, wider: Wider, centre: Any, moments: Any, label: Any, planes: Any, spread: float, cut2: float,
    floor2: float, only_free: bool,
) -> Any:  # fmt: skip
    """Voxels where several regions meet go to the plane that fits their surroundings best -> labels (v,).

    The cost of a plane is its MSAC cost over the voxels that `wider` lists, weighted by a Gaussian of their distance in
    cells; only planes that the voxel's own points fit are asked, and a voxel that none fits belongs to none.
    With `only_free` voxels that have a region keep it.
    """
    free = np.empty(len(label), dtype=np.int32)

    def listed(begin: int, end: int) -> Any:
        return free[begin : begin + contested(begin, end, near, label, only_free, free)]

    rows = np.concatenate(over_parts(listed, len(label)))
    lists = wider.of(rows)
    weight = np.array([math.exp(-0.5 * d2 / (spread * spread)) for d2 in range(3 * wider.reach**2 + 1)])
    out = label.copy()
    over_parts(
        lambda begin, end: settle(
            begin, end, rows, near, lists, centre, moments, label, planes, weight, cut2, floor2, out,
            np.empty(MOST + 1, dtype=np.int32), np.empty(len(planes) + 1, dtype=np.int32),
        ), len(rows),
    )  # fmt: skip
    return out


def explained(near: Any, centre: Any, moments: Any, label: Any, planes: Any, points: Any, floor2: float) -> Any:
    """Points of each region in voxels that the plane of a larger region beside them passes through -> (r,)."""
    out = np.zeros(len(planes))
    add_explained(near, centre, moments, label, planes, points, floor2, out)
    return out


@bare
def add_explained(near, centre, moments, label, planes, points, floor2, out):  # type: ignore[no-untyped-def]
    """Add up what `explained` returns."""
    for k in range(len(label)):
        own = label[k]
        if own < 0:
            continue
        last = own
        for t in range(near.touching_from[k], near.touching_from[k + 1]):
            p = label[near.touching[t]]
            if p < 0 or p == last or points[p] <= points[own]:
                continue
            last = p
            nx, ny, nz = planes[p, 0], planes[p, 1], planes[p, 2]
            e = planes[p, 3] - nx * centre[k, 0] - ny * centre[k, 1] - nz * centre[k, 2]
            if mean_square(moments[k], nx, ny, nz, e) < 4.0 * noise_variance(nx, ny, nz, moments[k], floor2):
                out[own] += moments[k, 0]
                break


@inner
def first_of(parent, k):  # type: ignore[no-untyped-def]
    """First voxel of the part that voxel k is known to belong to; chains are halved on the way (Tarjan)."""
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = np.int64(parent[k])
    return k


def islands(near: Any, label: Any, moments: Any, min_points: int, min_voxels: int) -> Any:
    """Split regions into connected parts -> labels (v,) numbered by part, -1 for parts too small, and parts."""
    v = len(label)
    parent, held = np.zeros((2, v), dtype=np.int32)
    out = np.full(v, -1, dtype=np.int32)
    return out, number_islands(near, label, moments, min_points, min_voxels, parent, np.zeros(v), held, out)


@bare
def number_islands(near, label, moments, min_points, min_voxels, parent, points, held, out):  # type: ignore[no-untyped-def]
    """Write the labels of `islands` -> parts. parent, points and held (v,) are room, zeros."""
    v = len(label)
    for k in range(v):
        parent[k] = k
        if label[k] < 0:
            continue
        own = k
        for t in range(near.touching_from[k], near.touching_from[k + 1]):
            j = np.int64(near.touching[t])
            if j >= k:
                break
            if label[j] == label[k] and parent[j] != own:
                other = first_of(parent, j)
                parent[max(own, other)] = min(own, other)
                own = min(own, other)
    for k in range(v):
        own = first_of(parent, k)
        held[own] += 1
        points[own] += moments[k, 0]
    parts = 0
    for k in range(v):
        if label[k] < 0:
            continue
        own = first_of(parent, k)
        if own < k:
            out[k] = out[own]
        elif points[k] >= min_points and held[k] >= min_voxels:
            out[k] = parts
            parts += 1
    return parts


def misfits(
    centre: Any, moments: Any, normal: Any, flatness: Any, used: Any, size_m: float, label: Any, planes: Any,
    floor2: float,
) -> Any:  # fmt: skip
    """Voxels whose surroundings are another plane than their region's -> (v,) bool."""
    out = np.zeros(len(label), dtype=np.bool_)
    mark_misfits(centre, moments, normal, flatness, used, size_m, label, planes, floor2, out)
    return out


@bare
def mark_misfits(centre, moments, normal, flatness, used, size_m, label, planes, floor2, out):  # type: ignore[no-untyped-def]
    """Write what `misfits` returns."""
    for j in range(len(label)):
        k = label[j]
        if k < 0:
            continue
        nx, ny, nz = planes[k, 0], planes[k, 1], planes[k, 2]
        e = planes[k, 3] - nx * centre[j, 0] - ny * centre[j, 1] - nz * centre[j, 2]
        out[j] = not agrees(normal[j], flatness[j], used[j], moments[j], nx, ny, nz, e, floor2, size_m)
