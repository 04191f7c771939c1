"""Which beams pass through a box."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import entry, helper

BLOCK = 256
"""Beams that follow each other in time lie near each other: so many have a box around them all."""


@entry
def bound_beams(begin, xyz, view, origin, boxes):  # type: ignore[no-untyped-def]
    """Fill boxes (blocks, 6), low and high corner, of the blocks from row `begin` of the beams on."""
    for block in range(begin // BLOCK, len(boxes)):
        for axis in range(3):
            low, high = np.inf, -np.inf
            for i in range(block * BLOCK, min((block + 1) * BLOCK, len(xyz))):
                start = np.float64(view[i, axis]) + origin[axis]
                low = min(low, start, xyz[i, axis])
                high = max(high, start, xyz[i, axis])
            boxes[block, axis], boxes[block, 3 + axis] = low, high


@entry
def beams_through(begin, end, xyz, view, origin, boxes, low, high, out):  # type: ignore[no-untyped-def]
    """Tell which segments from a viewpoint to its return meet a box; (n, 3), (n, 3) relative to origin -> out (n,).

    Blocks begin to end of them, whose own boxes `bound_beams` filled. Slabs: the segment is cut by the planes of each
    axis in turn; what is left of it lies in the box.
    """
    for block in range(begin, end):
        near = True
        for axis in range(3):
            near = near and boxes[block, axis] <= high[axis] and boxes[block, 3 + axis] >= low[axis]
        for i in range(block * BLOCK, min((block + 1) * BLOCK, len(xyz))):
            out[i] = near and passes(xyz, view, origin, i, low, high)


@helper
def passes(xyz, view, origin, i, low, high):  # type: ignore[no-untyped-def]
    """Return whether one segment meets the box."""
    first, last = 0.0, 1.0
    for axis in range(3):
        start = np.float64(view[i, axis]) + origin[axis]
        way = xyz[i, axis] - start
        if abs(way) < 1e-12:
            if not (low[axis] <= start <= high[axis]):
                return False
            continue
        near, far = (low[axis] - start) / way, (high[axis] - start) / way
        if near > far:
            near, far = far, near
        first, last = max(first, near), min(last, far)
    return first <= last
