"""Columns of the ground: what pierces them, how surfaces connect, where spans begin and end."""

from __future__ import annotations

import numpy as np

from terrain.kernels.columns import column_of
from terrain.kernels.options import entry, helper


@entry
def patch_hits(part, parts, xyz, point_patch, cell_xy, ix0, iy0, nx, offset, planes, low, sums):  # type: ignore[no-untyped-def]
    """Add each patch's returns, their distances from its plane and those squared to its window: sums (cells, 3).

    Of patches whose number leaves `part` over `parts`.
    """
    for i in range(len(point_patch)):
        p = point_patch[i]
        if p < 0 or p % parts != part or nx[p] == 0:
            continue
        k = offset[p] + (cell_xy[i, 1] - iy0[p]) * nx[p] + cell_xy[i, 0] - ix0[p]
        e = (
            planes[p, 0] * (xyz[i, 0] - low[0])
            + planes[p, 1] * (xyz[i, 1] - low[1])
            + planes[p, 2] * (xyz[i, 2] - low[2])
            - planes[p, 3]
        )
        sums[k, 0] += 1.0
        sums[k, 1] += e
        sums[k, 2] += e * e


BLOCK = 16
"""Cells to a side of the blocks whose highest surface is known to `pierced`."""


@entry
def highest(first, height, tile_slot):  # type: ignore[no-untyped-def]
    """Surfaces by column -> highest of each column (c,) and of each block (4 nty, 4 ntx), -inf where there is none."""
    top = np.full(len(first) - 1, -np.inf, dtype=np.float32)
    block = np.full((4 * tile_slot.shape[0], 4 * tile_slot.shape[1]), -np.inf, dtype=np.float32)
    for ty in range(tile_slot.shape[0]):
        for tx in range(tile_slot.shape[1]):
            if tile_slot[ty, tx] < 0:
                continue
            begin = np.int64(tile_slot[ty, tx]) << 12
            for inner in range(4096):
                column = begin + inner
                if first[column + 1] > first[column]:
                    top[column] = height[first[column + 1] - 1]
                    by, bx = 4 * ty + (inner >> 10), 4 * tx + ((inner >> 4) & 3)
                    block[by, bx] = max(block[by, bx], top[column])
    return top, block


@helper
def tops_between(block, x, y, to_x, to_y):  # type: ignore[no-untyped-def]
    """Highest surface of the blocks that a line touches, ends in cells; a little wider, for rounding."""
    side = 1.0 / BLOCK
    rows, columns = block.shape
    left = np.int64(np.floor((min(x, to_x) - 0.01) * side))
    right = np.int64(np.floor((max(x, to_x) + 0.01) * side))
    low = np.int64(np.floor((min(y, to_y) - 0.01) * side))
    high = np.int64(np.floor((max(y, to_y) + 0.01) * side))
    top = np.float32(-np.inf)
    for by in range(low, high + 1):
        for bx in range(left, right + 1):
            if 0 <= by < rows and 0 <= bx < columns:
                top = max(top, block[by, bx])
    return top


@entry
def pierced(  # type: ignore[no-untyped-def]
    begin, end, xyz, view, origin, point_patch, x0, y0, z0, cell_m, tile_slot, first, height, patch_id, top_of, block,
    rise_m, reach_m, out,
):  # fmt: skip
    """Add to out (s,) how many of the beams begin to end crossed each surface on their way to something beneath it.

    Each beam is walked back from its return, a cell at a time, until it is `rise_m` above the return or `reach_m`
    away in plan. Stretches over blocks without a surface that high (see `highest`) are not looked at: on open ground
    that is nearly all.
    """
    for i in range(begin, end):
        own = point_patch[i]
        if own == -2:
            continue
        bx = view[i, 0] - (xyz[i, 0] - origin[0])
        by = view[i, 1] - (xyz[i, 1] - origin[1])
        bz = view[i, 2] - (xyz[i, 2] - origin[2])
        if bz <= 0.0:
            continue
        flat = np.sqrt(bx * bx + by * by)
        far = min(flat, reach_m, rise_m * flat / bz)
        steps = np.int64(far / cell_m) + 1
        x = (xyz[i, 0] - x0) / cell_m
        y = (xyz[i, 1] - y0) / cell_m
        z = xyz[i, 2] - z0
        if flat > 0.0:
            sx = bx / flat
            sy = by / flat
            sz = bz / flat * cell_m
        else:
            sx = 0.0
            sy = 0.0
            sz = rise_m
            steps = 1
        least = z + 0.03
        most = z + rise_m
        if tops_between(block, x, y, x + steps * sx, y + steps * sy) <= least:
            continue
        for part in range(0, steps, BLOCK):
            stop = part + BLOCK
            if stop > steps:
                stop = steps
            if tops_between(block, x, y, x + (stop - part) * sx, y + (stop - part) * sy) <= max(z, least):
                for _ in range(part, stop):
                    x += sx
                    y += sy
                    z += sz
                continue
            for s in range(part, stop):
                column = column_of(tile_slot, np.int64(np.floor(x)), np.int64(np.floor(y)))
                low = max(z + 0.03 if s == 0 else z, least)
                top = min(z + sz, most)
                if column >= 0 and top > low and top_of[column] > low:
                    for k in range(first[column], first[column + 1]):
                        if low < height[k] <= top and patch_id[k] != own:
                            out[k] += 1
                x += sx
                y += sy
                z += sz


@entry
def laid_columns(  # type: ignore[no-untyped-def]
    begin, end, rows, xyz, point_patch, normal, offset, low, x0, y0, z0, cell_m, tile_slot, column, height
):
    """Write where the points rows[begin:end] lie once laid onto their patches' planes: column, and height over z0."""
    for r in range(begin, end):
        i = rows[r]
        p = point_patch[i]
        x, y, z = xyz[i, 0] - low[0], xyz[i, 1] - low[1], xyz[i, 2] - low[2]
        off = x * normal[p, 0] + (y * normal[p, 1] + z * normal[p, 2]) - offset[p]
        ix = np.int64(np.floor((xyz[i, 0] - off * normal[p, 0] - x0) / cell_m))
        iy = np.int64(np.floor((xyz[i, 1] - off * normal[p, 1] - y0) / cell_m))
        column[r] = column_of(tile_slot, ix, iy)
        height[r] = xyz[i, 2] - off * normal[p, 2] - z0


@entry
def pairs_under(first, height, patch_id, patches, drop_m):  # type: ignore[no-untyped-def]
    """Where one patch lies more than drop_m below another (k,): lower * patches + upper, one for every such cell."""
    out = np.empty(0, dtype=np.int64)
    for turn in range(2):
        n = 0
        for c in range(len(first) - 1):
            for a in range(first[c], first[c + 1]):
                if patch_id[a] < 0:
                    continue
                for b in range(a + 1, first[c + 1]):
                    if patch_id[b] >= 0 and patch_id[b] != patch_id[a] and height[b] - height[a] > drop_m:
                        if turn == 1:
                            out[n] = np.int64(patch_id[a]) * patches + patch_id[b]
                        n += 1
        if turn == 0:
            out = np.empty(n, dtype=np.int64)
    return out


@entry
def thin_columns(first, height, seen, near_m):  # type: ignore[no-untyped-def]
    """Which surfaces to keep (s,): of two closer than near_m the higher, unless only the lower one was seen."""
    keep = np.ones(len(height), dtype=np.bool_)
    for c in range(len(first) - 1):
        last = -1
        for k in range(first[c], first[c + 1]):
            if last >= 0 and height[k] - height[last] < near_m:
                if seen[k] == 0 and seen[last] >= 3:
                    keep[k] = False
                    continue
                keep[last] = False
            last = k
    return keep


@entry
def merge_spans(column, low, high, columns, gap_m):  # type: ignore[no-untyped-def]
    """Pieces sorted by column and lower end -> spans: first (columns + 1,), low, high."""
    first = np.zeros(columns + 1, dtype=np.int64)
    out_low = np.empty(len(column), dtype=np.float32)
    out_high = np.empty(len(column), dtype=np.float32)
    used = 0
    for i in range(len(column)):
        c = column[i]
        if i > 0 and column[i - 1] == c and low[i] - out_high[used - 1] <= gap_m:
            out_high[used - 1] = max(out_high[used - 1], high[i])
            continue
        out_low[used] = low[i]
        out_high[used] = high[i]
        first[c + 1] += 1
        used += 1
    for c in range(columns):
        first[c + 1] += first[c]
    return first, out_low[:used].copy(), out_high[:used].copy()
