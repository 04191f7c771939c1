"""Which points of a tile lie off all that is known in their column."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import entry


@entry
def off_all_known(  # type: ignore[no-untyped-def]
    xyz, x0, y0, cell, side, z0, surfaces, begin, height, spans, span_begin, low, high, off, over, odd, new
):
    """Tell which points (n, 3) lie off every surface and span in their column by more than `off` -> odd, new (n,).

    odd: over or under a surface, but above all of them by no more than `over`; new: in a column without any.
    x0, y0: the tile's corner, which has side x side columns; z0: what heights are counted from. surfaces, spans: how
    many each column has; begin, span_begin: where its first stands among height, and among low and high.
    """
    for i in range(len(xyz)):
        ix = min(max(int(np.floor((xyz[i, 0] - x0) / cell)), 0), side - 1)
        iy = min(max(int(np.floor((xyz[i, 1] - y0) / cell)), 0), side - 1)
        column = iy * side + ix
        z = np.float32(xyz[i, 2] - z0)
        explained, top = False, -np.inf
        for s in range(begin[column], begin[column] + surfaces[column]):
            explained |= height[s] - off <= z <= height[s] + off
            top = max(top, height[s])
        for o in range(span_begin[column], span_begin[column] + spans[column]):
            explained |= low[o] - off <= z <= high[o] + off
        odd[i] = not explained and surfaces[column] > 0 and z <= top + over + off
        new[i] = not explained and surfaces[column] == 0
