"""Which surfaces of a level lie where, and what hangs over them."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import lenient, part


@lenient
def level_bounds(first, level, walkable, tile_slot, bounds):  # type: ignore[no-untyped-def]
    """Fill bounds (levels, 4): least and greatest ix, least and greatest iy of each level's walkable surfaces."""
    bounds[:, 0::2] = 1 << 60
    bounds[:, 1::2] = -1
    for ty in range(tile_slot.shape[0]):
        for tx in range(tile_slot.shape[1]):
            if tile_slot[ty, tx] < 0:
                continue
            for k in range(4096):
                c = tile_slot[ty, tx] * 4096 + k
                ix, iy = tx * 64 + (k & 63), ty * 64 + (k >> 6)
                for s in range(first[c], first[c + 1]):
                    m = level[s]
                    if m >= 0 and walkable[s]:
                        bounds[m, 0] = min(bounds[m, 0], ix)
                        bounds[m, 1] = max(bounds[m, 1], ix)
                        bounds[m, 2] = min(bounds[m, 2], iy)
                        bounds[m, 3] = max(bounds[m, 3], iy)


@part
def surface_of(surfaces, window, row, column, ratio, level):  # type: ignore[no-untyped-def]
    """Return the walkable surface of a level in an output cell, and its returns: at the load cell, or beside it."""
    found, points = -1, 0.0
    for r in range(ratio):
        for k in range(ratio):
            c = window.column[(row + r - ratio // 2) * window.width + column + k - ratio // 2]
            if c < 0:
                continue
            here = -1
            for s in range(surfaces.first[c], surfaces.first[c + 1]):
                if surfaces.level[s] == level and surfaces.walkable[s]:
                    here = s
                    points += surfaces.points[s]
            if here >= 0 and (found < 0 or (r == ratio // 2 and k == ratio // 2)):
                found = here
    return found, points


@part
def overhead(surfaces, column, s, drop):  # type: ignore[no-untyped-def]
    """Return the free height over a surface to the lowest thing of its column that rises over the drop."""
    h = np.float64(surfaces.height[s])
    least = np.inf
    if s + 1 < surfaces.first[column + 1]:
        for t in range(s + 1, surfaces.first[column + 1]):
            if surfaces.height[t] > h + drop:
                least = min(least, surfaces.height[t] - h)
    for o in range(surfaces.span_first[column], surfaces.span_first[column + 1]):
        if surfaces.span_high[o] > h + drop:
            least = min(least, max(surfaces.span_low[o] - h, 0.0))
    return least


@part
def column_holding(surfaces, window, row, column, ratio, s):  # type: ignore[no-untyped-def]
    """Return the column of an output cell that holds surface s."""
    for r in range(ratio):
        for k in range(ratio):
            c = window.column[(row + r - ratio // 2) * window.width + column + k - ratio // 2]
            if c >= 0 and surfaces.first[c] <= s < surfaces.first[c + 1]:
                return c
    return -1
