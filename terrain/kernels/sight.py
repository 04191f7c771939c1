"""Lines of sight through what is known: surfaces and spans by column (see `terrain.data.Ground`)."""

from __future__ import annotations

import numpy as np

from terrain.kernels.columns import column_of
from terrain.kernels.options import entry


@entry
def sight_clear(  # type: ignore[no-untyped-def]
    eye, target, x0, y0, z0, cell_m, tile_slot, first, height, span_first, span_low, span_high, near_m, under_m, clear
):
    """(n, 3) eyes, (n, 3) targets -> (n,) bool: whether nothing known stands between.

    A sight is walked in pieces of at most a cell. A piece is blocked by a surface or a span within its heights, or
    where the lowest surface of the column is more than `under_m` above it: then it is under the ground. The last
    `near_m` before the target do not count, for the target's own height is a guess.
    """
    for k in range(len(eye)):
        clear[k] = False
        dx, dy, dz = target[k, 0] - eye[k, 0], target[k, 1] - eye[k, 1], target[k, 2] - eye[k, 2]
        length = np.sqrt(dx * dx + dy * dy)
        if not (length < 1e4 and abs(dz) < 1e4):
            continue
        part = 1.0 - near_m / max(np.sqrt(length * length + dz * dz), 1e-9)
        pieces = int(np.ceil(length / cell_m)) + 1
        free = True
        for m in range(pieces if part > 0.0 else 0):
            middle = part * (m + 0.5) / pieces
            ix = int(np.floor((eye[k, 0] + middle * dx - x0) / cell_m))
            iy = int(np.floor((eye[k, 1] + middle * dy - y0) / cell_m))
            column = column_of(tile_slot, ix, iy)
            if column < 0:
                continue
            z_from = eye[k, 2] - z0 + dz * part * m / pieces
            z_to = eye[k, 2] - z0 + dz * part * (m + 1) / pieces
            low, high = min(z_from, z_to), max(z_from, z_to)
            begin, end = first[column], first[column + 1]
            if end > begin and height[begin] > high + under_m:
                free = False
            for s in range(begin, end):
                if low <= height[s] <= high:
                    free = False
            for s in range(span_first[column], span_first[column + 1]):
                if span_low[s] <= high and span_high[s] >= low:
                    free = False
            if not free:
                break
        clear[k] = free
