"""Holes of planes: what they should hold, and the beams that went through them."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import bare, each_cell


@each_cell
def crossing(x, bx, ix, size):  # type: ignore[no-untyped-def]
    """Step of a walk along b, and the shares of b after which it enters the next square, and each one after that."""
    if bx > 0.0:
        return 1, ((ix + 1) * size - x) / bx, size / bx
    if bx < 0.0:
        return -1, (ix * size - x) / bx, -size / bx
    return 0, np.inf, np.inf


@bare
def beams_through(  # type: ignore[no-untyped-def]
    begin, end, xyz, view, origin, low, coarse_m, corner, table, first, listed, heights, planes, box, offset, cells,
    cell_m, deep_m, out,
):  # fmt: skip
    """Count how many beams, of begin to end, went through each hole to something at least `deep_m` beneath, out (h,).

    xyz (n, 3) map; view (n, 3) map less origin. Squares of `coarse_m` lie from corner (2,), map less low; table
    (ny, nx) is the number of a square, -1 where there is no hole near; its holes are listed[first[s]:first[s + 1]],
    between heights[s] (s, 2) above low. planes (h, 4): unit normal and offset about low; box (h, 4) first cell and size
    of the hole's window, in cells of `cell_m` from the corner; cells[offset[h]:] its (ny, nx) cells, whether in the
    hole.
    """
    ny, nx = table.shape
    for i in range(begin, end):
        x = xyz[i, 0] - low[0]
        y = xyz[i, 1] - low[1]
        z = xyz[i, 2] - low[2]
        bx = view[i, 0] + origin[0] - low[0] - x
        by = view[i, 1] + origin[1] - low[1] - y
        bz = view[i, 2] + origin[2] - low[2] - z
        ix = np.int64(np.floor((x - corner[0]) / coarse_m))
        iy = np.int64(np.floor((y - corner[1]) / coarse_m))
        step_x, next_x, each_x = crossing(x - corner[0], bx, ix, coarse_m)
        step_y, next_y, each_y = crossing(y - corner[1], by, iy, coarse_m)
        left = 0.0
        while left <= 1.0:
            here_x, here_y, entered = ix, iy, left
            if next_x < next_y:
                left = next_x
                ix += step_x
                next_x += each_x
            else:
                left = next_y
                iy += step_y
                next_y += each_y
            if here_x < 0 or here_y < 0 or here_x >= nx or here_y >= ny:
                continue
            square = table[here_y, here_x]
            if square < 0:
                continue
            one, other = z + entered * bz, z + min(left, 1.0) * bz
            if max(one, other) < heights[square, 0] or min(one, other) > heights[square, 1]:
                continue
            for a in range(first[square], first[square + 1]):
                h = listed[a]
                e = planes[h, 0] * x + planes[h, 1] * y + planes[h, 2] * z - planes[h, 3]
                rise = planes[h, 0] * bx + planes[h, 1] * by + planes[h, 2] * bz
                if e > -deep_m or e + rise <= 0.0:
                    continue
                c = -e / rise
                # A hole is listed in several squares: the beam counts in the one in which it crosses the plane.
                kx = np.int64(np.floor((x + c * bx - corner[0]) / coarse_m))
                ky = np.int64(np.floor((y + c * by - corner[1]) / coarse_m))
                if kx != here_x or ky != here_y:
                    continue
                jx = np.int64(np.floor((x + c * bx - corner[0]) / cell_m)) - box[h, 0]
                jy = np.int64(np.floor((y + c * by - corner[1]) / cell_m)) - box[h, 1]
                if 0 <= jx < box[h, 2] and 0 <= jy < box[h, 3] and cells[offset[h] + jy * box[h, 2] + jx]:
                    out[h] += 1


@bare
def weigh_pieces(  # type: ignore[no-untyped-def]
    numbered, number, box, mask, hits, misses, covered, about, ring, disc, least_seen, cells, expected, odd
):
    """Fill in the cells of holes, how many returns each should hold, and the misses in it, (p,).

    number (p,): of each piece among the numbered; box (p, 4): first row and column, rows and columns of its window;
    cells: zeros, the windows one after the other. A covered hole is what of the mask lies within `about` of its piece
    and has no hits; an open one is its piece, of which those cells are kept with `least_seen` hits within `disc`.
    about, ring, disc (n, 2): rows and columns of the cells around one. A hole should hold what the mask holds a cell
    within the ring around.
    """
    at = 0
    for p in range(len(number)):
        top, left, rows, columns = box[p, 0], box[p, 1], box[p, 2], box[p, 3]
        held, room, total = 0, 0, 0
        for step in range(3):  # the hole, the ring around it, what counts as seen
            for i in range(rows):
                for j in range(columns):
                    here = at + i * columns + j
                    own = numbered[top + i, left + j] == number[p] if step == 0 else cells[here] == 1
                    seen = 0
                    around = about if step == 0 else ring if step == 1 else disc
                    for a in range(len(around) if own and (step < 2 or not covered) else 0):
                        y, x = i + around[a, 0], j + around[a, 1]
                        if y < 0 or x < 0 or y >= rows or x >= columns:
                            continue
                        there = at + y * columns + x
                        hit, on = hits[top + y, left + x], mask[top + y, left + x]
                        seen += hit
                        if step == 0 and cells[there] == 0 and (not covered or (on and hit == 0)):
                            cells[there] = 1
                            held += 1
                            odd[p] += misses[top + y, left + x]
                        elif step == 1 and cells[there] == 0 and on:
                            cells[there] = 2
                            total += hit
                            room += 1
                    if step == 2 and (cells[here] == 2 or (own and not covered and seen < least_seen)):
                        cells[here] = 0
        at += rows * columns
        if room > 0:
            expected[p] = total / room * held
