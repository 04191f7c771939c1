"""Planar regions on voxel moments: local RANSAC with an MSAC score, connected growth, refits.

Coordinates are relative to the corner of the voxel grid. A plane is (nx, ny, nz, d) with n . x = d and n turned
against the beams that saw it.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.neighbours import MOST, around, away2
from terrain.kernels.options import bare, entry, inner
from terrain.kernels.voxels import MOMENTS, add_shifted, noise_variance, plane_of


@bare
def trials_needed(success, inliers, sample, cap):  # type: ignore[no-untyped-def]
    """Uniform draws that hit an all-inlier sample with the given probability; cap where that is never."""
    if inliers >= 1.0:
        return 1
    good = inliers**sample
    if good <= 0.0:
        return cap
    k = np.log(1.0 - success) / np.log1p(-good)
    if not k < cap:
        return cap
    whole = np.int64(np.ceil(k - 1e-9))
    return max(whole, np.int64(1))


@bare
def mean_square(row, nx, ny, nz, e):  # type: ignore[no-untyped-def]
    """Mean squared distance of a moment row's points from n . x = e, x about the row's own centre."""
    n = row[0]
    q = (
        nx * nx * row[4]
        + ny * ny * row[7]
        + nz * nz * row[9]
        + 2.0 * (nx * ny * row[5] + nx * nz * row[6] + ny * nz * row[8])
    )
    s = nx * row[1] + ny * row[2] + nz * row[3]
    return max((q - 2.0 * e * s) / n + e * e, 0.0)


@bare
def next_random(state):  # type: ignore[no-untyped-def]
    """Xorshift on 64 bits (Marsaglia, J. Stat. Soft. 8(14), 2003)."""
    state ^= (state << np.uint64(13)) & np.uint64(0xFFFFFFFFFFFFFFFF)
    state ^= state >> np.uint64(7)
    state ^= (state << np.uint64(17)) & np.uint64(0xFFFFFFFFFFFFFFFF)
    return state


@inner
def fits(row, nx, ny, nz, e, floor2):  # type: ignore[no-untyped-def]
    """Whether a voxel's points are what a plane through it would give under their noise."""
    n = row[0]
    if nx * row[10] + ny * row[11] + nz * row[12] > 0.0:
        return False
    var = noise_variance(nx, ny, nz, row, floor2)
    if mean_square(row, nx, ny, nz, e) > var * (1.6 + 3.2 * np.sqrt(2.0 / n)):
        return False
    mean = (nx * row[1] + ny * row[2] + nz * row[3]) / n - e
    return abs(mean) <= 2.5 * np.sqrt(var / n) + 0.5 * np.sqrt(var)


@inner
def agrees(local, flatness, used, row, nx, ny, nz, e, floor2, size_m):  # type: ignore[no-untyped-def]
    """Whether the local plane of a voxel's surroundings, where there is one, is the region's plane.

    Its tilt may differ by three standard deviations (of a fit to points spread evenly over three voxels) and a
    degree, its offset by three standard deviations and a quarter of the noise.
    """
    if not flatness < 2.0:
        return True
    sd = np.sqrt(noise_variance(nx, ny, nz, row, floor2) / used)
    dot = local[0] * nx + local[1] * ny + local[2] * nz
    tilt = np.sqrt(max(0.0, 1.0 - dot * dot))
    if tilt > 0.018 + 3.0 * 3.4641 * sd / (3.0 * size_m):
        return False
    off = local[3] - e if dot > 0.0 else -local[3] - e
    return abs(off) < 0.002 + 3.0 * sd + tilt * 0.5 * size_m


WIDE = 256
"""Voxels of a neighbourhood, at most."""


@bare
def lay_out(nbr, count, centre, moments, table):  # type: ignore[no-untyped-def]
    """Copy what `msac` needs of some voxels to columns of WIDE rows: their moments, then their centres."""
    for a in range(count):
        row, at = moments[nbr[a]], centre[nbr[a]]
        for f in range(MOMENTS):
            table[f * WIDE + a] = row[f]
        for f in range(3):
            table[(MOMENTS + f) * WIDE + a] = at[f]


@bare
def msac(table, count, nx, ny, nz, d, cut2, floor2, ratio):  # type: ignore[no-untyped-def]
    """MSAC cost of a plane over a neighbourhood laid out in a table, and the points that count as inliers.

    ratio (WIDE,): room. `mean_square` over `noise_variance` in one loop without branches, which becomes vectors.
    """
    w = WIDE
    for a in range(count):
        e = d - nx * table[15 * w + a] - ny * table[16 * w + a] - nz * table[17 * w + a]
        n = table[a]
        q = (
            nx * nx * table[4 * w + a]
            + ny * ny * table[7 * w + a]
            + nz * nz * table[9 * w + a]
            + 2.0 * (nx * ny * table[5 * w + a] + nx * nz * table[6 * w + a] + ny * nz * table[8 * w + a])
        )
        s = nx * table[w + a] + ny * table[2 * w + a] + nz * table[3 * w + a]
        square = (q - 2.0 * e * s) / n + e * e
        square = square if square > 0.0 else 0.0
        bx, by, bz = table[10 * w + a], table[11 * w + a], table[12 * w + a]
        b2 = bx * bx + by * by + bz * bz
        dot = nx * bx + ny * by + nz * bz
        c2 = dot * dot / b2 if b2 > 0.0 else 1.0
        r = square / ((table[13 * w + a] * c2 + table[14 * w + a] * (1.0 - c2)) / n + floor2)
        ratio[a] = r if dot <= 0.0 else np.inf
    cost = 0.0
    inliers = 0.0
    for a in range(count):
        inlying = ratio[a] < cut2
        cost += table[a] * (ratio[a] if inlying else cut2)
        inliers += table[a] if inlying else 0.0
    return cost, inliers


@inner
def neighbourhood(s, reach, near, label, nbr):  # type: ignore[no-untyped-def]
    """Unclaimed voxels within `reach` cells of voxel s -> how many were left in nbr, at most WIDE."""
    count = 0
    found = around(np.int64(s), np.int64(reach), near, nbr)
    for a in range(found):
        if label[nbr[a]] < 0 and count < WIDE:
            nbr[count] = nbr[a]
            count += 1
    return count


@bare
def best_plane(  # type: ignore[no-untyped-def]
    s, nbr, count, centre, moments, normal, cut2, floor2, trial_cap, mean, total, table, ratio
):
    """RANSAC over a neighbourhood: triples of voxel means, MSAC score, adaptive trials, two refits.

    mean (3, 3), total (15,), table and ratio as in `Room` -> nx, ny, nz, d, inlying points, all points, trials run
    """
    total_points = 0.0
    for a in range(count):
        total_points += moments[nbr[a], 0]
    nx, ny, nz = normal[s, 0], normal[s, 1], normal[s, 2]
    sign = nx * moments[s, 10] + ny * moments[s, 11] + nz * moments[s, 12]
    if sign > 0.0 or (sign == 0.0 and nz < 0.0):
        nx, ny, nz = -nx, -ny, -nz
    row = moments[s]
    d = (
        nx * (centre[s, 0] + row[1] / row[0])
        + ny * (centre[s, 1] + row[2] / row[0])
        + nz * (centre[s, 2] + row[3] / row[0])
    )
    lay_out(nbr, count, centre, moments, table)
    cost, inliers = msac(table, count, nx, ny, nz, d, cut2, floor2, ratio)
    needed = trials_needed(0.99, inliers / total_points, 3, trial_cap)
    state = np.uint64(s) * np.uint64(2654435761) + np.uint64(88172645463325252)
    trial = 0
    while trial < needed:
        trial += 1
        for t in range(3):
            state = next_random(state)
            j = nbr[np.int64(state % np.uint64(count))]
            for a in range(3):
                mean[t, a] = centre[j, a] + moments[j, 1 + a] / moments[j, 0]
        ux, uy, uz = mean[1, 0] - mean[0, 0], mean[1, 1] - mean[0, 1], mean[1, 2] - mean[0, 2]
        vx, vy, vz = mean[2, 0] - mean[0, 0], mean[2, 1] - mean[0, 1], mean[2, 2] - mean[0, 2]
        cx, cy, cz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        norm = np.sqrt(cx * cx + cy * cy + cz * cz)
        if norm < 1e-4:
            continue
        cx, cy, cz = cx / norm, cy / norm, cz / norm
        sign = cx * row[10] + cy * row[11] + cz * row[12]
        if sign > 0.0 or (sign == 0.0 and cz < 0.0):
            cx, cy, cz = -cx, -cy, -cz
        cd = cx * mean[0, 0] + cy * mean[0, 1] + cz * mean[0, 2]
        c, i = msac(table, count, cx, cy, cz, cd, cut2, floor2, ratio)
        if c < cost:
            cost, inliers, nx, ny, nz, d = c, i, cx, cy, cz, cd
            needed = trials_needed(0.99, inliers / total_points, 3, trial_cap)
    for _ in range(2):
        for a in range(MOMENTS):
            total[a] = 0.0
        for a in range(count):
            j = nbr[a]
            e = d - nx * centre[j, 0] - ny * centre[j, 1] - nz * centre[j, 2]
            if fits(moments[j], nx, ny, nz, e, floor2):
                add_shifted(
                    total,
                    moments[j],
                    centre[j, 0] - centre[s, 0],
                    centre[j, 1] - centre[s, 1],
                    centre[j, 2] - centre[s, 2],
                )
        if total[0] < 6.0:
            return nx, ny, nz, d, 0.0, total_points, trial
        nx, ny, nz, d = turned_plane(total, centre[s, 0], centre[s, 1], centre[s, 2])
    return nx, ny, nz, d, total[0], total_points, trial


@inner
def turned_plane(total, ox, oy, oz):  # type: ignore[no-untyped-def]
    """Fit a moment row about (ox, oy, oz) -> plane with its normal against the beams (upwards without beams)."""
    _, _, nx, ny, nz, e = plane_of(total)
    sign = nx * total[10] + ny * total[11] + nz * total[12]
    if sign > 0.0 or (sign == 0.0 and nz < 0.0):
        nx, ny, nz, e = -nx, -ny, -nz, -e
    return nx, ny, nz, e + nx * ox + ny * oy + nz * oz


class Room(NamedTuple):
    """What growing writes to on the way; v voxels.

    mark (v,) int64 zeros: -1 of a region's voxel, 2 t of one that was taken in turn t, 2 p + 1 of one that was last
    found not to fit plane p, so that not every neighbour of it asks again; member (v,) int32: the region's voxels;
    nbr (MOST,) int32 as `around` fills it; mean (3, 3), total (15,), fit (15,),
    table ((MOMENTS + 3) * WIDE,) and ratio (WIDE,) float64.
    """

    mark: Any
    member: Any
    nbr: Any
    mean: Any
    total: Any
    fit: Any
    table: Any
    ratio: Any


@bare
def grow(  # type: ignore[no-untyped-def]
    order, near, centre, moments, normal, flatness, used, size_m, label, planes, regions, floor2, seed_flatness,
    min_points, min_voxels, cut2, room,
):  # fmt: skip
    """Write labels, and planes from row `regions` on -> how many regions there are then; see `grow_regions`."""
    mark, member, nbr, total = room.mark, room.member, room.nbr, room.total
    for j in range(len(label)):
        if label[j] >= 0:
            mark[j] = -1
    plane = 0
    turn = 0
    for number in range(len(order)):
        s = np.int64(order[number])
        if label[s] >= 0 or not flatness[s] <= seed_flatness:
            continue
        count = neighbourhood(s, 3, near, label, nbr)
        if count < min_voxels:
            continue
        nx, ny, nz, d, inliers, points, _ = best_plane(
            s, nbr, count, centre, moments, normal, cut2, floor2, 64, room.mean, room.fit, room.table, room.ratio
        )
        if inliers < min_points or inliers < 0.4 * points:
            # A small block's other faces outnumber the one of a flat seed: ask those that touch it alone.
            count = neighbourhood(s, 1, near, label, nbr)
            if count < min_voxels:
                continue
            nx, ny, nz, d, inliers, points, _ = best_plane(
                s, nbr, count, centre, moments, normal, cut2, floor2, 64, room.mean, room.fit, room.table, room.ratio
            )
            if inliers < min_points or inliers < 0.8 * points:
                continue
        ox, oy, oz = centre[s, 0], centre[s, 1], centre[s, 2]
        members = 0
        for sweep in range(2):
            turn += 1
            plane += 1
            for a in range(MOMENTS):
                total[a] = 0.0
            kept = 0
            if sweep == 0:
                for a in range(count):
                    j = nbr[a]
                    if away2(s, np.int64(j), near) > 3:
                        continue
                    e = d - nx * centre[j, 0] - ny * centre[j, 1] - nz * centre[j, 2]
                    if fits(moments[j], nx, ny, nz, e, floor2):
                        member[kept] = j
                        kept += 1
                        mark[j] = 2 * turn
                        add_shifted(total, moments[j], centre[j, 0] - ox, centre[j, 1] - oy, centre[j, 2] - oz)
            else:
                for a in range(members):
                    j = member[a]
                    e = d - nx * centre[j, 0] - ny * centre[j, 1] - nz * centre[j, 2]
                    if fits(moments[j], nx, ny, nz, e, floor2):
                        member[kept] = j
                        kept += 1
                        mark[j] = 2 * turn
                        add_shifted(total, moments[j], centre[j, 0] - ox, centre[j, 1] - oy, centre[j, 2] - oz)
            fitted_at = inliers if sweep == 0 else total[0]
            begin = 0
            end = kept
            while begin < end:
                for a in range(begin, end):
                    i = member[a]
                    for t in range(near.touching_from[i], near.touching_from[i + 1]):
                        j = near.touching[t]
                        if mark[j] < 0 or mark[j] == 2 * turn or mark[j] == 2 * plane + 1:
                            continue
                        e = d - nx * centre[j, 0] - ny * centre[j, 1] - nz * centre[j, 2]
                        if not (
                            fits(moments[j], nx, ny, nz, e, floor2)
                            and agrees(normal[j], flatness[j], used[j], moments[j], nx, ny, nz, e, floor2, size_m)
                        ):
                            mark[j] = 2 * plane + 1
                            continue
                        mark[j] = 2 * turn
                        member[kept] = j
                        kept += 1
                        add_shifted(total, moments[j], centre[j, 0] - ox, centre[j, 1] - oy, centre[j, 2] - oz)
                if total[0] > 1.3 * fitted_at:
                    nx, ny, nz, d = turned_plane(total, ox, oy, oz)
                    plane += 1
                    fitted_at = total[0]
                begin = end
                end = kept
            members = kept
            if total[0] < min_points or members < min_voxels:
                break
            nx, ny, nz, d = turned_plane(total, ox, oy, oz)
        if total[0] < min_points or members < min_voxels:
            continue
        planes[regions, 0], planes[regions, 1], planes[regions, 2], planes[regions, 3] = nx, ny, nz, d
        for a in range(members):
            label[member[a]] = regions
            mark[member[a]] = -1
        regions += 1
    return regions


def grow_regions(
    order: Any, near: Any, centre: Any, moments: Any, normal: Any, flatness: Any, used: Any, size_m: float, label: Any,
    planes: Any, floor2: float, seed_flatness: float, min_points: int, min_voxels: int, cut2: float,
) -> Any:  # fmt: skip
    """Voxels in the order of seeds, labels so far (v,) -> labels, -1 for none, and the planes so far with new ones.

    Every region starts as the best local plane of its seed, grows over touching voxels that fit, is refitted as it
    grows, and is grown once more from the plane of all its members.
    """
    v, regions = len(label), len(planes)
    label, made = label.copy(), np.empty((regions + v // min_voxels, 4))
    made[:regions] = planes
    room = Room(
        np.zeros(v, dtype=np.int64), np.empty(v, dtype=np.int32),
        np.empty(MOST, dtype=np.int32), np.empty((3, 3)), np.empty(MOMENTS), np.empty(MOMENTS),
        np.empty((MOMENTS + 3) * WIDE), np.empty(WIDE),
    )  # fmt: skip
    count = grow(
        order, near, centre, moments, normal, flatness, used, size_m, label, made, regions, floor2, seed_flatness,
        min_points, min_voxels, cut2, room,
    )  # fmt: skip
    return label, made[:count].copy()


def region_moments(label: Any, regions: int, centre: Any, moments: Any) -> Any:
    """Voxels' moments summed by region -> (r, 3) mean of its voxels' centres, (r, 15) moments about it, (r,) voxels."""
    made = np.zeros((regions, 3)), np.zeros((regions, MOMENTS)), np.zeros(regions, dtype=np.int64)
    add_regions(label, centre, moments, *made)
    return made


@bare
def add_regions(label, centre, moments, origin, out, held):  # type: ignore[no-untyped-def]
    """Write what `region_moments` returns."""
    for j in range(len(label)):
        k = label[j]
        if k >= 0:
            held[k] += 1
            origin[k, 0] += centre[j, 0]
            origin[k, 1] += centre[j, 1]
            origin[k, 2] += centre[j, 2]
    for k in range(len(held)):
        for a in range(3):
            origin[k, a] /= max(held[k], 1)
    for j in range(len(label)):
        k = label[j]
        if k >= 0:
            add_shifted(
                out[k],
                moments[j],
                centre[j, 0] - origin[k, 0],
                centre[j, 1] - origin[k, 1],
                centre[j, 2] - origin[k, 2],
            )


@entry
def turned_planes(moments, origin, kept):  # type: ignore[no-untyped-def]
    """Moments (r, 15) about origins (r, 3), rows wanted (m,) -> their planes (m, 4), turned as by `turned_plane`."""
    out = np.empty((len(kept), 4))
    for a, k in enumerate(kept):
        # One by one: setting a row to four values at once takes two seconds to compile.
        out[a, 0], out[a, 1], out[a, 2], out[a, 3] = turned_plane(moments[k], origin[k, 0], origin[k, 1], origin[k, 2])
    return out
