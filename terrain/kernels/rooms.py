"""Open ground around each surface: how far it goes on as one well-seen plane with nothing on it or over it."""

from __future__ import annotations

import numpy as np

from terrain.kernels.columns import column_of
from terrain.kernels.judge import nearest_walkable
from terrain.kernels.options import cell_part, lenient, part
from terrain.kernels.runs import ON_PLANE_M, alone, same_plane
from terrain.kernels.soles import outline_box, row_span, touched
from terrain.kernels.verdict import ABOVE_LEVEL_M, ENOUGH_SEEN, ROUGHNESS, ROUGHNESS_SD


@part
def plane_offset(surfaces, s, ix, iy, cell):  # type: ignore[no-untyped-def]
    """Return where the plane of surface s, one of cell (ix, iy), passes over the grid's corner."""
    x, y = ix * cell, iy * cell
    return surfaces.height[s] - np.float64(surfaces.gradient[s, 0]) * x - np.float64(surfaces.gradient[s, 1]) * y


@part
def common_planes(surfaces, cell_x, cell_y, cell, member, offset, votes):  # type: ignore[no-untyped-def]
    """Fill in for each patch one of its surfaces, -1 for none, and its offset: those of the plane of most of them.

    By the majority vote of Boyer and Moore: one pass, one candidate and a count a patch.
    """
    votes[:] = 0
    member[:] = -1
    for slot in range(len(cell_x)):
        for k in range(4096):
            column = slot * 4096 + k
            for s in range(surfaces.first[column], surfaces.first[column + 1]):
                p = surfaces.patch[s]
                if p < 0:
                    continue
                here = plane_offset(surfaces, s, cell_x[slot] + (k & 63), cell_y[slot] + (k >> 6), cell)
                if votes[p] == 0:
                    member[p], offset[p] = s, here
                alike = same_plane(surfaces, member[p], s)
                votes[p] += 1 if alike and abs(here - offset[p]) <= 0.25 * ON_PLANE_M else -1


@lenient
def find_rooms(surfaces, tile_slot, cell_x, cell_y, cell, gap, patches, levels, known):  # type: ignore[no-untyped-def]
    """Fill rooms (s,) uint8: so many cells in every direction, less one, belong to a square of one plane; 0 for none.

    A cell belongs where the surface carries, is on the common plane of its patch, well seen, the only one of its
    level in the column, and free up to `gap`. Distances are the larger of those along x and along y (chessboard),
    found in two passes over the grid, up to 255. cell_x, cell_y (slots,): the first cell of each tile in use. Fills
    flat, run, smooth and returns too.
    """
    columns = len(surfaces.first) - 1
    member, offset = np.empty(patches, dtype=np.int64), np.empty(patches)
    common_planes(surfaces, cell_x, cell_y, cell, member, offset, np.empty(patches, dtype=np.int64))
    open_at = np.empty(columns, dtype=np.int64)
    plane = np.empty(columns, dtype=np.int32)
    room = np.empty(columns, dtype=np.int64)
    out, flat = known.rooms, known.flat
    out[:] = 0
    flat[:] = -1
    nty, ntx = tile_slot.shape
    for level in range(levels):
        for slot in range(len(cell_x)):
            for k in range(4096):
                column = slot * 4096 + k
                open_at[column], plane[column], room[column] = -1, -1, 0
                s = alone(surfaces, column, level, gap)
                if s < 0 or surfaces.patch[s] < 0 or not surfaces.carries[s] or surfaces.seen[s] <= ENOUGH_SEEN:
                    continue
                p = surfaces.patch[s]
                here = plane_offset(surfaces, s, cell_x[slot] + (k & 63), cell_y[slot] + (k >> 6), cell)
                if abs(here - offset[p]) <= 0.25 * ON_PLANE_M:
                    if same_plane(surfaces, member[p], s):
                        open_at[column], plane[column], room[column] = s, p, 255
        for turn in range(2):
            step = 1 if turn == 0 else -1
            for row in range(64 * nty):
                iy = row if turn == 0 else 64 * nty - 1 - row
                for tile in range(ntx):
                    tx = tile if turn == 0 else ntx - 1 - tile
                    if tile_slot[iy >> 6, tx] >= 0:
                        spread_row(tile_slot, tx, iy, step, plane, room)
        for column in range(columns):
            if open_at[column] >= 0:
                out[open_at[column]] = room[column]
                flat[column] = max(flat[column], open_at[column])
    join_rows(surfaces, known)


@part
def join_rows(surfaces, known):  # type: ignore[no-untyped-def]
    """Fill run, smooth and returns from flat: open cells of one patch that follow each other lie on one plane."""
    flat, run, smooth, returns = known.flat, known.run, known.smooth, known.returns
    for start in range(0, len(flat), 64):
        cells, smooth_cells, total, patch = 0, 0, 0, np.int32(-1)
        for k in range(63, -1, -1):
            s = flat[start + k]
            if s < 0:
                cells, smooth_cells, total, patch = 0, 0, 0, np.int32(-1)
            else:
                if surfaces.patch[s] != patch:
                    cells, smooth_cells, total, patch = 0, 0, 0, surfaces.patch[s]
                cells += 1
                total += surfaces.points[s]
                smooth_cells = 0 if surfaces.roughness[s] > 0.0 else smooth_cells + 1
            run[start + k], smooth[start + k], returns[start + k] = cells, smooth_cells, total


@cell_part
def row_on_plane(surfaces, known, tile_slot, ix, last, iy, patch):  # type: ignore[no-untyped-def]
    """Return whether cells ix to last of a row are open ground of a patch, and so on one plane."""
    while ix <= last:
        column = column_of(tile_slot, ix, iy)
        if column < 0 or known.run[column] == 0 or surfaces.patch[known.flat[column]] != patch:
            return False
        ix += known.run[column]
    return True


@cell_part
def sole_on_plane(surfaces, known, tile_slot, turned, x, y, cell, wanted, far):  # type: ignore[no-untyped-def]
    """Return the surface on whose plane, of open ground, all cells under a convex sole lie; -1 where they do not.

    x, y : the load point, in cells from the grid's corner
    far : metres to the farthest cell that is read; the plane must stay below the level's top until there
    """
    column = column_of(tile_slot, np.int64(np.floor(x)), np.int64(np.floor(y)))
    if column < 0 or known.run[column] == 0:
        return -1
    s0 = np.int64(known.flat[column])
    carrying = cell < 0.0  # never; see `open_ground`
    if nearest_walkable(surfaces, surfaces.first[column], surfaces.first[column + 1], wanted, carrying) != s0:
        return -1
    if (abs(surfaces.gradient[s0, 0]) + abs(surfaces.gradient[s0, 1])) * far >= ABOVE_LEVEL_M:
        return -1
    patch = surfaces.patch[s0]
    box = outline_box(turned)
    for iy in range(np.int64(np.floor(y + box[2] / cell)), np.int64(np.floor(y + box[3] / cell)) + 1):
        low, high = touched(turned, box, (iy + 0.5 - y) * cell, 0.5 * cell)
        first, last = np.int64(np.floor(x + low / cell)), np.int64(np.floor(x + high / cell))
        if not row_on_plane(surfaces, known, tile_slot, first, last, iy, patch):
            return -1
    return s0


@part
def spread_row(tile_slot, tx, iy, step, plane, room):  # type: ignore[no-untyped-def]
    """Carry distances on along a row of a tile, from the cells before each one in the order of the pass."""
    start = tile_slot[iy >> 6, tx] * 4096 + ((iy & 63) << 6)
    for k in range(64):
        x = k if step > 0 else 63 - k
        column = start + x
        if plane[column] < 0:
            continue
        least = room[column]
        for m in range(4):
            dx, dy = (-step, 0) if m == 0 else ((m - 2) * step, -step)
            if 0 <= x + dx < 64 and 0 <= (iy & 63) + dy < 64:
                other = column + dx + 64 * dy
            else:
                other = column_of(tile_slot, tx * 64 + x + dx, iy + dy)
            least = min(least, 1 if other < 0 or plane[other] != plane[column] else room[other] + 1)
        room[column] = least


@cell_part
def open_ground(surfaces, rooms, tile_slot, foot, x, y, c, s, wanted, cell):  # type: ignore[no-untyped-def]
    """Return the surface that a sole rests on in open ground, or -1 where that is not plain from the rooms.

    x, y : the load point, in cells from the grid's corner; (c, s) the sole's direction. All that is read around the
    sole lies in squares about its cover (see `Foot`); each is one plane, and as they overlap it is the same.
    """
    column = column_of(tile_slot, np.int64(np.floor(x)), np.int64(np.floor(y)))
    if column < 0:
        return -1
    carrying = cell < 0.0  # never; but as a literal it would compile `nearest_walkable` twice
    found = nearest_walkable(surfaces, surfaces.first[column], surfaces.first[column + 1], wanted, carrying)
    if found < 0 or rooms[found] == 0:
        return -1
    steep = abs(surfaces.gradient[found, 0]) + abs(surfaces.gradient[found, 1])
    for m in range(len(foot.cover)):
        u, v, need = foot.cover[m, 0] / cell, foot.cover[m, 1] / cell, np.int64(np.ceil(foot.cover[m, 2] / cell)) + 2
        ix, iy = np.int64(np.floor(x + c * u - s * v)), np.int64(np.floor(y + s * u + c * v))
        column = column_of(tile_slot, ix, iy)
        if column < 0 or steep * (2 * need + 1) * cell >= ABOVE_LEVEL_M:
            return -1
        held = False
        for k in range(surfaces.first[column], surfaces.first[column + 1]):
            if surfaces.level[k] == surfaces.level[found] and rooms[k] >= need:
                held = held or same_plane(surfaces, found, k)
        if not held:
            return -1
    return found


@cell_part
def own_roughness(surfaces, known, tile_slot, turned, x, y, cell, s0, q):  # type: ignore[no-untyped-def]
    """Fill in the roughness under a convex sole on the plane of s0, and its sd: the mean square of its cells' own.

    x, y : the load point, in cells from the grid's corner. A cell is under the sole where its centre is.
    """
    low_y, high_y = outline_box(turned)[2:]
    own = returns = count = 0.0
    level, patch = surfaces.level[s0], surfaces.patch[s0]
    for iy in range(np.int64(np.floor(y + low_y / cell)), np.int64(np.floor(y + high_y / cell)) + 1):
        # A micrometre of leeway as in `lay_sole`.
        low, high = row_span(turned, (iy + 0.5 - y) * cell, 1e-6)
        ix, last = np.int64(np.ceil(x + low / cell - 0.5)), np.int64(np.floor(x + high / cell - 0.5))
        while ix <= last:
            end = min(last, ix | 63)
            column = column_of(tile_slot, ix, iy)
            cells = end - ix + 1
            # Of open ground that fills a row all but rough cells are passed over.
            if known.run[column] >= cells and surfaces.patch[known.flat[column]] == patch:
                returns += known.returns[column]
                if known.run[column] > cells:
                    returns -= known.returns[column + cells]
                k = np.int64(known.smooth[column])
                while k < cells:
                    own += np.float64(surfaces.roughness[known.flat[column + k]]) ** 2
                    k += 1 + known.smooth[column + k + 1] if k + 1 < cells else 1
            else:
                for c in range(column, column + cells):
                    s = np.int64(known.only[c])
                    if s < 0:
                        for t in range(surfaces.first[c], surfaces.first[c + 1]):
                            if surfaces.level[t] == level and surfaces.walkable[t]:
                                s = t
                    own += np.float64(surfaces.roughness[s]) ** 2
                    returns += surfaces.points[s]
            count += cells
            ix = end + 1
    own /= max(count, 1.0)
    q[ROUGHNESS], q[ROUGHNESS_SD] = np.sqrt(own), np.sqrt(own / max(2.0 * returns, 2.0))
