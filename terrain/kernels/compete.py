"""Regions against each other: who gets a voxel, who is a mere seam, what hangs together."""

from __future__ import annotations

import numpy as np
from numba import njit, prange

from terrain.kernels.regions import agrees, fits, mean_square
from terrain.kernels.voxels import find, noise_variance, pack_key


@njit(cache=True)
def alone(k, cell, label, table, value):  # type: ignore[no-untyped-def]
    """Whether all labelled voxels that touch voxel k are of its own region."""
    mask = len(table) - 1
    if label[k] < 0:
        return False
    for dx in range(-1, 2):
        for dy in range(-1, 2):
            for dz in range(-1, 2):
                for up in range(2):
                    j = find(table, value, mask, pack_key(cell[k, 0] + dx, cell[k, 1] + dy, cell[k, 2] + dz, up))
                    if j >= 0 and label[j] >= 0 and label[j] != label[k]:
                        return False
    return True


@njit(cache=True, parallel=True)
def compete(cell, centre, moments, table, value, label, planes, reach, spread, cut2, floor2, only_free):  # type: ignore[no-untyped-def]
    """Voxels where several regions meet go to the plane that fits their surroundings best -> labels (v,).

    The cost of a plane is its MSAC cost over the voxels within `reach`, weighted by a Gaussian of their distance in
    cells; only planes that the voxel's own points fit are asked, and a voxel that none fits belongs to none.
    With `only_free` voxels that have a region keep it.
    """
    v = len(cell)
    mask = len(table) - 1
    out = label.copy()
    for k in prange(v):
        if (only_free and label[k] >= 0) or alone(k, cell, label, table, value):
            continue
        nbr = np.empty(512, dtype=np.int32)
        weight = np.empty(512)
        near = np.empty(16, dtype=np.int32)
        count = 0
        regions = 0
        for dx in range(-reach, reach + 1):
            for dy in range(-reach, reach + 1):
                for dz in range(-reach, reach + 1):
                    for up in range(2):
                        j = find(table, value, mask, pack_key(cell[k, 0] + dx, cell[k, 1] + dy, cell[k, 2] + dz, up))
                        if j < 0:
                            continue
                        if count < 512:
                            nbr[count] = j
                            weight[count] = np.exp(-0.5 * (dx * dx + dy * dy + dz * dz) / (spread * spread))
                            count += 1
                        if label[j] < 0:
                            continue
                        known = False
                        for a in range(regions):
                            if near[a] == label[j]:
                                known = True
                                break
                        if not known and regions < 16:
                            near[regions] = label[j]
                            regions += 1
        if regions == 0 or (regions == 1 and label[k] == near[0]):
            continue
        best = -1
        best_cost = np.inf
        for a in range(regions):
            p = near[a]
            nx, ny, nz, d = planes[p, 0], planes[p, 1], planes[p, 2], planes[p, 3]
            e = d - nx * centre[k, 0] - ny * centre[k, 1] - nz * centre[k, 2]
            if not fits(moments[k], nx, ny, nz, e, floor2):
                continue
            cost = 0.0
            for b in range(count):
                j = nbr[b]
                row = moments[j]
                r = cut2
                if nx * row[10] + ny * row[11] + nz * row[12] <= 0.0:
                    e = d - nx * centre[j, 0] - ny * centre[j, 1] - nz * centre[j, 2]
                    r = min(cut2, mean_square(row, nx, ny, nz, e) / noise_variance(nx, ny, nz, row, floor2))
                cost += weight[b] * row[0] * r
            if cost < best_cost or (cost == best_cost and p < best):
                best_cost = cost
                best = p
        out[k] = best
    return out


@njit(cache=True)
def explained(cell, centre, moments, table, value, label, planes, points, floor2):  # type: ignore[no-untyped-def]
    """Points of each region in voxels that the plane of a larger region beside them passes through -> (r,)."""
    mask = len(table) - 1
    out = np.zeros(len(planes))
    for k in range(len(label)):
        own = label[k]
        if own < 0:
            continue
        found = False
        for dx in range(-1, 2):
            for dy in range(-1, 2):
                for dz in range(-1, 2):
                    for up in range(2):
                        if found:
                            continue
                        j = find(table, value, mask, pack_key(cell[k, 0] + dx, cell[k, 1] + dy, cell[k, 2] + dz, up))
                        if j < 0 or label[j] < 0 or points[label[j]] <= points[own]:
                            continue
                        p = label[j]
                        nx, ny, nz = planes[p, 0], planes[p, 1], planes[p, 2]
                        e = planes[p, 3] - nx * centre[k, 0] - ny * centre[k, 1] - nz * centre[k, 2]
                        if mean_square(moments[k], nx, ny, nz, e) < 4.0 * noise_variance(
                            nx, ny, nz, moments[k], floor2
                        ):
                            found = True
        if found:
            out[own] += moments[k, 0]
    return out


@njit(cache=True)
def islands(label, cell, moments, table, value, min_points, min_voxels):  # type: ignore[no-untyped-def]
    """Split regions into connected parts -> labels (v,) numbered by part, -1 for parts too small, and parts."""
    v = len(label)
    mask = len(table) - 1
    out = np.full(v, -1, dtype=np.int32)
    queue = np.empty(v, dtype=np.int32)
    seen = np.zeros(v, dtype=np.bool_)
    parts = 0
    for s in range(v):
        if seen[s] or label[s] < 0:
            continue
        queue[0] = s
        seen[s] = True
        begin, end = 0, 1
        points = 0.0
        while begin < end:
            i = queue[begin]
            begin += 1
            points += moments[i, 0]
            for dx in range(-1, 2):
                for dy in range(-1, 2):
                    for dz in range(-1, 2):
                        for up in range(2):
                            key = pack_key(cell[i, 0] + dx, cell[i, 1] + dy, cell[i, 2] + dz, up)
                            j = find(table, value, mask, key)
                            if j >= 0 and not seen[j] and label[j] == label[s]:
                                seen[j] = True
                                queue[end] = j
                                end += 1
        if points >= min_points and end >= min_voxels:
            for a in range(end):
                out[queue[a]] = parts
            parts += 1
    return out, parts


@njit(cache=True)
def misfits(centre, moments, normal, flatness, used, size_m, label, planes, floor2):  # type: ignore[no-untyped-def]
    """Voxels whose surroundings are another plane than their region's -> (v,) bool."""
    out = np.zeros(len(label), dtype=np.bool_)
    for j in range(len(label)):
        k = label[j]
        if k < 0:
            continue
        nx, ny, nz = planes[k, 0], planes[k, 1], planes[k, 2]
        e = planes[k, 3] - nx * centre[j, 0] - ny * centre[j, 1] - nz * centre[j, 2]
        out[j] = not agrees(normal[j], flatness[j], used[j], moments[j], nx, ny, nz, e, floor2, size_m)
    return out
