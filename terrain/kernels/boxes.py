"""Which beams pass through a box."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def beams_through(begin, end, xyz, view, origin, low, high, out):  # type: ignore[no-untyped-def]
    """Tell which segments from a viewpoint to its return meet a box; (n, 3), (n, 3) relative to origin -> out (n,).

    Rows begin to end of them.

    Slabs: the segment is cut by the planes of each axis in turn; what is left of it lies in the box.
    """
    for i in range(begin, end):
        first, last = 0.0, 1.0
        for axis in range(3):
            start = np.float64(view[i, axis]) + origin[axis]
            way = xyz[i, axis] - start
            if abs(way) < 1e-12:
                if not (low[axis] <= start <= high[axis]):
                    first, last = 1.0, 0.0
                continue
            near, far = (low[axis] - start) / way, (high[axis] - start) / way
            if near > far:
                near, far = far, near
            first, last = max(first, near), min(last, far)
        out[i] = first <= last
