"""Which points of a tile lie off all that is known in their column."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import entry


@entry
def off_all_known(  # type: ignore[no-untyped-def]
    xyz, x0, y0, cell, side, z0, first, height, span_first, low, high, off, over, odd, new
):
    """Tell which points (n, 3) lie off every surface and span in their column by more than `off` -> odd, new (n,).

    odd: over or under a surface, but above all of them by no more than `over`; new: in a column without any.
    x0, y0: the tile's corner, which has side x side columns; z0: what heights are counted from. first, span_first:
    where those of each column begin among height, and among low and high, and where the last column's end.
    """
    for i in range(len(xyz)):
        ix = min(max(int(np.floor((xyz[i, 0] - x0) / cell)), 0), side - 1)
        iy = min(max(int(np.floor((xyz[i, 1] - y0) / cell)), 0), side - 1)
        column = iy * side + ix
        z = np.float32(xyz[i, 2] - z0)
        explained, top = False, -np.inf
        for s in range(first[column], first[column + 1]):
            explained |= height[s] - off <= z <= height[s] + off
            top = max(top, height[s])
        for o in range(span_first[column], span_first[column + 1]):
            explained |= low[o] - off <= z <= high[o] + off
        has = first[column + 1] > first[column]
        odd[i] = not explained and has and z <= top + over + off
        new[i] = not explained and not has
