"""Each point to the plane it fits best, and the weighted sums that refit the planes."""

from __future__ import annotations

from typing import Any

import numpy as np

from terrain.kernels.options import bare, each_cell, entry, inner
from terrain.kernels.threads import by_remainder, over_parts

PARTS = 64
"""Parts of the voxels that are summed by themselves."""


@inner
def regions_beside(k, near, label, out):  # type: ignore[no-untyped-def]
    """Distinct regions of voxel k and those that touch it, its own first -> how many were written to out."""
    count = 0
    if label[k] >= 0:
        out[0] = label[k]
        count = 1
    last = label[k]
    for t in range(near.touching_from[k], near.touching_from[k + 1]):
        p = label[near.touching[t]]
        if p < 0 or p == last:
            continue
        last = p
        known = False
        for a in range(count):
            if out[a] == p:
                known = True
                break
        if not known and count < len(out):
            out[count] = p
            count += 1
    return count


@inner
def in_corner(x, y, z, reach, own, regions, count, planes):  # type: ignore[no-untyped-def]
    """Whether a point of plane `own` lies within `reach` of one of the regions' planes that runs across it."""
    for a in range(count):
        p = regions[a]
        dot = planes[p, 0] * planes[own, 0] + planes[p, 1] * planes[own, 1] + planes[p, 2] * planes[own, 2]
        if p == own or abs(dot) > 0.8:
            continue
        if abs(planes[p, 0] * x + planes[p, 1] * y + planes[p, 2] * z - planes[p, 3]) < reach:
            return True
    return False


@each_cell
def no_sums():  # type: ignore[no-untyped-def]
    """Return sums of nothing."""
    return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0


@each_cell
def sums_at(rows, k):  # type: ignore[no-untyped-def]
    """Return row k of sums (r, 14) as a tuple: sums held in registers take half the time of sums in memory."""
    row = rows[k]
    return (
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8], row[9], row[10], row[11], row[12],
        row[13],
    )  # fmt: skip


@each_cell
def put_sums(rows, k, held):  # type: ignore[no-untyped-def]
    """Write row k of sums (r, 14)."""
    row = rows[k]
    (
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8], row[9], row[10], row[11], row[12],
        row[13],
    ) = held  # fmt: skip


@each_cell
def with_weighted(held, x, y, z, e, var):  # type: ignore[no-untyped-def]
    """Return sums as `plane_sums` makes them with a point added; e its distance from the plane, var its prediction."""
    n, weight, wx, wy, wz, xx, xy, xz, yy, yz, zz, square, predicted, ratio = held
    w = 1.0 / var
    return (
        n + 1.0, weight + w, wx + w * x, wy + w * y, wz + w * z, xx + w * x * x, xy + w * x * y, xz + w * x * z,
        yy + w * y * y, yz + w * y * z, zz + w * z * z, square + e * e, predicted + var, ratio + e * e * w,
    )  # fmt: skip


@bare
def assign(  # type: ignore[no-untyped-def]
    begin, end, edges, points, has_view, start, near, label, planes, centre, low, floor2, cut, own, prefer, out,
    sums, regions,
):  # fmt: skip
    """Write the planes of the points of parts begin to end of the voxels, and each part's sums; see `assign_points`.

    regions (12,) int32: room.
    """
    for part in range(begin, end):
        of, held = np.int64(-1), no_sums()
        for k in range(edges[part], edges[part + 1]):
            count = regions_beside(k, near, label, regions)
            if count == 0:
                continue
            for i in range(start[k], start[k + 1]):
                x = points.xyz[i, 0] - low[0]
                y = points.xyz[i, 1] - low[1]
                z = points.xyz[i, 2] - low[2]
                bx, by, bz = points.beam[i, 0], points.beam[i, 1], points.beam[i, 2]
                sd2 = points.sd[i] * points.sd[i]
                cross2 = points.cross[i] * points.cross[i]
                best2 = cut * cut
                taken = -1
                taken_e = taken_var = 0.0
                for a in range(-1, count):
                    p = regions[a] if a >= 0 else prefer[i]
                    if p < 0:
                        continue
                    c = planes[p, 0] * bx + planes[p, 1] * by + planes[p, 2] * bz
                    if c > 0.0:
                        continue
                    c2 = c * c if has_view else 1.0
                    var = sd2 * c2 + cross2 * (1.0 - c2) + floor2
                    e = planes[p, 0] * x + planes[p, 1] * y + planes[p, 2] * z - planes[p, 3]
                    r2 = e * e / var
                    if r2 < best2:
                        best2 = r2
                        taken = p
                        taken_e = e
                        taken_var = var
                    if (a < 0 and r2 < cut * cut) or (a == 0 and r2 < own * own and p == label[k]):
                        break
                out[i] = taken
                if taken < 0:
                    continue
                if count > 1:
                    reach = cut * np.sqrt(max(sd2, cross2) + floor2)
                    if in_corner(x, y, z, reach, taken, regions, count, planes):
                        continue
                cx, cy, cz = x - centre[taken, 0], y - centre[taken, 1], z - centre[taken, 2]
                if taken != of:
                    if of >= 0:
                        put_sums(sums[part], of, held)
                    of, held = taken, sums_at(sums[part], taken)
                held = with_weighted(held, cx, cy, cz, taken_e, taken_var)
        if of >= 0:
            put_sums(sums[part], of, held)


def assign_points(
    points: Any, has_view: bool, start: Any, near: Any, label: Any, planes: Any, centre: Any, low: Any, floor2: float,
    cut: float, own: float, prefer: Any,
) -> Any:  # fmt: skip
    """Points sorted by voxel -> plane of each point (n,), -1 for none; sums as `plane_sums` makes them, by plane.

    A point goes to the plane with the least residual over its own sd, at most `cut`. One that fits the plane it
    prefers (n,), or its voxel's own within `own` sd, stays with it. A beam that met the plane's back is no candidate.
    The sums leave out points in corners, those that could as well be on a plane that runs across their own, as at the
    foot of a riser: such points lie on one side of their plane for as far as `cut` sd and would tilt it.
    """
    # Always the same parts, or the last digits would depend on the number of threads.
    edges = np.linspace(0, len(label), PARTS + 1).astype(np.int64)
    out = np.full(len(points.xyz), -1, dtype=np.int32)
    sums = np.zeros((PARTS, len(planes), 14))
    over_parts(
        lambda begin, end: assign(
            begin, end, edges, points, has_view, start, near, label, planes, centre, low, floor2, cut, own, prefer,
            out, sums, np.empty(12, dtype=np.int32),
        ), PARTS,
    )  # fmt: skip
    return out, sums.sum(axis=0)


@bare
def add_plane_sums(  # type: ignore[no-untyped-def]
    part, parts, points, has_view, plane_of_point, planes, centre, low, origin, floor2, out
):
    """Write the sums of planes whose number leaves `part` over `parts`; see `plane_sums`."""
    of, held = np.int64(-1), no_sums()
    for i in range(len(plane_of_point)):
        p = np.int64(plane_of_point[i])
        if p < 0 or p % parts != part:
            continue
        if p != of:
            if of >= 0:
                put_sums(out, of, held)
            of, held = p, sums_at(out, p)
        c2 = 1.0
        if has_view:
            bx = points.xyz[i, 0] - origin[0] - points.seen_from[i, 0]
            by = points.xyz[i, 1] - origin[1] - points.seen_from[i, 1]
            bz = points.xyz[i, 2] - origin[2] - points.seen_from[i, 2]
            r2 = bx * bx + by * by + bz * bz
            if r2 > 0.0:
                c = planes[p, 0] * bx + planes[p, 1] * by + planes[p, 2] * bz
                c2 = c * c / r2
        var = points.sd[i] * points.sd[i] * c2 + points.cross[i] * points.cross[i] * (1.0 - c2) + floor2
        x = points.xyz[i, 0] - low[0]
        y = points.xyz[i, 1] - low[1]
        z = points.xyz[i, 2] - low[2]
        e = planes[p, 0] * x + planes[p, 1] * y + planes[p, 2] * z - planes[p, 3]
        held = with_weighted(held, x - centre[p, 0], y - centre[p, 1], z - centre[p, 2], e, var)
    if of >= 0:
        put_sums(out, of, held)


def plane_sums(
    points: Any, has_view: bool, plane_of_point: Any, planes: Any, centre: Any, low: Any, origin: Any, floor2: float
) -> Any:
    """Return sums for weighted refits, by plane -> (r, 14).

    0 points, 1 weight, 2-4 weighted position about centre (r, 3), 5-10 weighted products, 11 squared residual,
    12 predicted squared residual, 13 squared residual over its own variance.
    """
    out = np.zeros((len(planes), 14))
    by_remainder(add_plane_sums, points, has_view, plane_of_point, planes, centre, low, origin, floor2, out)
    return out


@entry
def majority(start, part):  # type: ignore[no-untyped-def]
    """Part of each point, points sorted by voxel -> the part of most of a voxel's points, -1 for none."""
    v = len(start) - 1
    out = np.full(v, -1, dtype=np.int32)
    for k in range(v):
        best = 0
        for s in range(start[k], start[k + 1]):
            p = part[s]
            if p < 0 or p == out[k]:
                continue
            count = 0
            for t in range(start[k], start[k + 1]):
                if part[t] == p:
                    count += 1
            if count > best or (count == best and p < out[k]):
                best = count
                out[k] = p
    return out
