"""Beams that met planes, sorted for the search for joints, and laid on grids turned along a direction."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.assign import regions_beside
from terrain.kernels.options import bare, each_cell, entry
from terrain.kernels.voxels import beam_of


@each_cell
def beam_meets(i, p, bx, by, bz, xyz, sd, cross, planes, low, floor2):  # type: ignore[no-untyped-def]
    """Return where the beam of point i, a unit vector, meets plane p, and how the point lies to it.

    -> x, y (map less low), height above the plane, cosine of incidence (positive from the front), sd of the height.
    """
    x = xyz[i, 0] - low[0]
    y = xyz[i, 1] - low[1]
    e = planes[p, 0] * x + planes[p, 1] * y + planes[p, 2] * (xyz[i, 2] - low[2]) - planes[p, 3]
    c = -(planes[p, 0] * bx + planes[p, 1] * by + planes[p, 2] * bz)
    back = e / max(c, 0.02)
    sd_e = np.sqrt(sd[i] * sd[i] * c * c + cross[i] * cross[i] * (1.0 - c * c) + floor2)
    return x + bx * back, y + by * back, e, c, sd_e


@bare
def beams_on(rows, p, at, xyz, view, sd, cross, planes, low, origin, floor2, xy, rest):  # type: ignore[no-untyped-def]
    """Write the beams of returns (m,) on plane p to xy (n, 2) and rest (3, n): above, cosine, sd as `beam_meets`.

    From place `at` on.
    """
    for r in range(len(rows)):
        i = np.int64(rows[r])
        bx, by, bz = beam_of(i, xyz, view, origin)
        x, y, e, c, sd_e = beam_meets(i, p, bx, by, bz, xyz, sd, cross, planes, low, floor2)
        xy[at + r, 0] = x
        xy[at + r, 1] = y
        rest[0, at + r] = e
        rest[1, at + r] = c
        rest[2, at + r] = sd_e


def beams_below(
    begin: int, end: int, points: Any, start: Any, near: Any, label: Any, plane_of_point: Any, planes: Any,
    flat: Any, low: Any, floor2: float, deep: float, cut: float,
) -> Any:  # fmt: skip
    """List returns up to `deep` below a flat plane beside them that they do not lie on: their beams went through it.

    Only of returns that lie on no flat plane, in voxels begin to end; points and their planes are sorted by voxel.
    -> plane (m,) int32, (m, 5) as `beam_meets`.
    """
    room = 1024 + int(start[end] - start[begin])
    while True:
        of, out = np.empty(room, dtype=np.int32), np.empty((room, 5), dtype=np.float32)  # most is never touched
        used = put_beams_below(
            begin, end, points, start, near, label, plane_of_point, planes, flat, low, floor2, deep, cut,
            np.empty(12, dtype=np.int32), of, out,
        )  # fmt: skip
        if used <= room:
            return of[:used], out[:used]
        room = used


@bare
def put_beams_below(  # type: ignore[no-untyped-def]
    begin, end, points, start, near, label, plane_of_point, planes, flat, low, floor2, deep, cut,
    beside, of, out,
):  # fmt: skip
    """Write what `beams_below` returns, as far as there is room -> how many there are. beside (12,) int32: room."""
    m = 0
    for k in range(begin, end):
        count = -1
        for i in range(start[k], start[k + 1]):
            own = plane_of_point[i]
            if own >= 0 and flat[own]:
                continue
            if count < 0:
                count = regions_beside(k, near, label, beside)
            for a in range(count):
                p = np.int64(beside[a])
                if not flat[p]:
                    continue
                x, y, e, c, sd_e = beam_meets(
                    i, p, points.beam[i, 0], points.beam[i, 1], points.beam[i, 2], points.xyz, points.sd, points.cross,
                    planes, low, floor2,
                )  # fmt: skip
                if not (c > 0.05 and e < -cut * sd_e and e > -deep):
                    continue
                if m < len(of):
                    of[m] = p
                    out[m, 0], out[m, 1], out[m, 2], out[m, 3], out[m, 4] = x, y, e, c, sd_e
                m += 1
    return m


@entry
def beams_by_part(xy, above, cosine, sd, on, corner, cell_m, numbered, corners):  # type: ignore[no-untyped-def]
    """Sort beams by the part of a mask that they met, each part's in the order given.

    xy (n, 2) where they met it, corner (2,) of the mask; numbered (ny, nx) its parts, from 1; corners (parts + 1, 2)
    first column and row of each part. -> begins (parts + 2,), xy_cells (m, 2) from the part's corner, above, cosine,
    sd, on (m,); beams that met no part are left out.
    """
    n = len(xy)
    ny, nx = numbered.shape
    part = np.zeros(n, dtype=np.int32)
    begins = np.zeros(len(corners) + 1, dtype=np.int64)
    for i in range(n):
        ix = np.int64(np.floor((xy[i, 0] - corner[0]) / cell_m))
        iy = np.int64(np.floor((xy[i, 1] - corner[1]) / cell_m))
        if 0 <= ix < nx and 0 <= iy < ny:
            part[i] = numbered[iy, ix]
            if part[i] > 0:
                begins[part[i] + 1] += 1
    for k in range(1, len(begins)):
        begins[k] += begins[k - 1]
    fill = begins.copy()
    m = begins[-1]
    cells = np.empty((m, 2))
    made = np.empty((3, m), dtype=np.float32)
    lies = np.empty(m, dtype=np.bool_)
    for i in range(n):
        k = part[i]
        if k == 0:
            continue
        at = fill[k]
        fill[k] = at + 1
        cells[at, 0] = (xy[i, 0] - corner[0]) / cell_m - corners[k, 0]
        cells[at, 1] = (xy[i, 1] - corner[1]) / cell_m - corners[k, 1]
        made[0, at], made[1, at], made[2, at] = above[i], cosine[i], sd[i]
        lies[at] = on[i]
    return begins, cells, made[0], made[1], made[2], lies


@bare
def add_heights(cells, above, on, at, held, height, columns):  # type: ignore[no-untyped-def]
    """Write the cell, of rows of so many columns, of each beam (n, 2) to at; count those on the plane, add up heights.

    on (n,): which those are; above (n,) their heights; held, height: sums by cell.
    """
    for i in range(len(cells)):
        k = np.int64(cells[i, 1]) * columns + np.int64(cells[i, 0])
        at[i] = k
        if on[i]:
            held[k] += 1.0
            height[k] += above[i]


@entry
def cells_by_part(xy, rows, corner, cell_m, numbered, corners):  # type: ignore[no-untyped-def]
    """Sort rows (n,) of points by part of a mask; see `beams_by_part` -> begins, (m, 2) cells from its corner."""
    n = len(rows)
    ny, nx = numbered.shape
    part = np.zeros(n, dtype=np.int32)
    begins = np.zeros(len(corners) + 1, dtype=np.int64)
    for i in range(n):
        ix = min(max(np.int64((xy[rows[i], 0] - corner[0]) / cell_m), 0), nx - 1)
        iy = min(max(np.int64((xy[rows[i], 1] - corner[1]) / cell_m), 0), ny - 1)
        part[i] = numbered[iy, ix]
        if part[i] > 0:
            begins[part[i] + 1] += 1
    for k in range(1, len(begins)):
        begins[k] += begins[k - 1]
    fill = begins.copy()
    cells = np.empty((begins[-1], 2))
    for i in range(n):
        k = part[i]
        if k > 0:
            at = fill[k]
            fill[k] = at + 1
            cells[at, 0] = (xy[rows[i], 0] - corner[0]) / cell_m - corners[k, 0]
            cells[at, 1] = (xy[rows[i], 1] - corner[1]) / cell_m - corners[k, 1]
    return begins, cells


class Rows(NamedTuple):
    """Cells of a grid kept row by row, each row only from its first to its last one that matters.

    low, high (n,): columns, the last one not included; cell (i, j) is at base[i] + j of a flat array of `size`.
    """

    low: Any
    high: Any
    base: Any
    size: int


@entry
def turned_rows(own, c, s, along, across, low_u, low_v, nu, nv):  # type: ignore[no-untyped-def]
    """Lay mask cells of a part on a grid turned by (c, s) -> the grid's rows as far as they may touch the part.

    own (ny, nx); the turned grid has `along` and `across` cells to one of the mask.
    """
    ny, nx = own.shape
    low, high = np.full(nv, nu, dtype=np.int64), np.zeros(nv, dtype=np.int64)
    for iy in range(ny):
        for ix in range(nx):
            if not own[iy, ix]:
                continue
            if 0 < iy < ny - 1 and 0 < ix < nx - 1:
                if own[iy - 1, ix] and own[iy + 1, ix] and own[iy, ix - 1] and own[iy, ix + 1]:
                    continue
            # Corners of the cell; a little wider, for rounding.
            u = (c * (ix + 0.5) + s * (iy + 0.5)) * along - low_u
            v = (c * (iy + 0.5) - s * (ix + 0.5)) * across - low_v
            wide = 0.5 * (abs(c) + abs(s)) + 1e-6
            first = max(np.int64(np.floor(u - wide * along)), 0)
            last = min(np.int64(np.floor(u + wide * along)) + 1, nu)
            for i in range(np.int64(np.floor(v - wide * across)), np.int64(np.floor(v + wide * across)) + 1):
                if 0 <= i < nv:
                    low[i] = min(low[i], first)
                    high[i] = max(high[i], last)
    return packed(low, high)


@entry
def packed(low, high):  # type: ignore[no-untyped-def]
    """Return the first and last columns (n,) of rows as `Rows`."""
    base = np.empty(len(low), dtype=np.int64)
    size = 0
    for i in range(len(low)):
        if high[i] <= low[i]:
            low[i], high[i] = 0, 0
        base[i] = size - low[i]
        size += high[i] - low[i]
    return Rows(low, high, base, size)


@entry
def around_rows(rows, reach, columns):  # type: ignore[no-untyped-def]
    """Return rows, `reach` more at each end, that hold all within `reach` rows and `columns` columns of what rows hold.

    One more row and column than that, for sums of what lies before.
    """
    n = len(rows.low)
    low = np.full(n + 1 + 2 * reach, 1 << 40, dtype=np.int64)
    high = np.full(n + 1 + 2 * reach, -(1 << 40), dtype=np.int64)
    for i in range(n):
        if rows.high[i] > rows.low[i]:
            for k in range(i, i + 2 * reach + 2):
                low[k] = min(low[k], rows.low[i] - columns)
                high[k] = max(high[k], rows.high[i] + columns + 1)
    return packed(low, high)


@bare
def add_turned(xy, values, c, s, along, across, low_u, low_v, rows, made):  # type: ignore[no-untyped-def]
    """Count points (n, 2), in cells of the mask, on a turned grid, and add up each of their values (k, n).

    made (1 + k, size) float32: counts, sums, by `rows`.
    """
    low, high, base = rows.low, rows.high, rows.base
    for i in range(len(xy)):
        u = np.int64(np.floor((c * xy[i, 0] + s * xy[i, 1]) * along - low_u))
        v = np.int64(np.floor((c * xy[i, 1] - s * xy[i, 0]) * across - low_v))
        if 0 <= v < len(low) and low[v] <= u < high[v]:
            at = base[v] + u
            made[0, at] += 1.0
            for k in range(len(values)):
                made[1 + k, at] += values[k, i]


@bare
def turned_area(own, c, s, along, across, low_u, low_v, rows, area):  # type: ignore[no-untyped-def]
    """Lay mask cells of a part on a grid turned by (c, s): 1 in `area`, zeros by `rows`, for those in the part."""
    for v in range(len(rows.low)):
        for u in range(rows.low[v], rows.high[v]):
            a = (u + 0.5 + low_u) / along
            b = (v + 0.5 + low_v) / across
            ix = np.int64(np.floor(c * a - s * b))
            iy = np.int64(np.floor(s * a + c * b))
            if 0 <= ix < own.shape[1] and 0 <= iy < own.shape[0] and own[iy, ix]:
                area[rows.base[v] + u] = 1.0


@entry
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
