"""To which patch a return belongs, of those around it."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def patch_beside(  # type: ignore[no-untyped-def]
    rows, voxel, xyz, view, sd, cross, origin, keys, patch, normal, offset, planes_at, floor2, cut, out,
):  # fmt: skip
    """Write the patches of rows, each in its voxel: the best of those there within `cut` sd.

    keys (k,), sorted, patch (k,): patches by voxel; normal (p, 3), offset (p,): planes about `planes_at`; view (n, 3)
    from where each was seen, relative to `origin`, or nothing
    """
    for i in range(len(rows)):
        row = rows[i]
        x, y, z = xyz[row, 0], xyz[row, 1], xyz[row, 2]
        k = np.searchsorted(keys, voxel[i])
        best = cut
        while k < len(keys) and keys[k] == voxel[i]:
            p = patch[k]
            k += 1
            c2 = 1.0
            if len(view):
                bx, by, bz = x - origin[0] - view[row, 0], y - origin[1] - view[row, 1], z - origin[2] - view[row, 2]
                far = np.sqrt(bx * bx + by * by + bz * bz)
                c = normal[p, 0] * bx + normal[p, 1] * by + normal[p, 2] * bz
                if c > 0.0:
                    continue
                c2 = (c / far) ** 2 if far > 0.0 else 1.0
            e = (
                normal[p, 0] * (x - planes_at[0])
                + normal[p, 1] * (y - planes_at[1])
                + normal[p, 2] * (z - planes_at[2])
                - offset[p]
            )
            off = abs(e) / np.sqrt(sd[row] ** 2 * c2 + cross[row] ** 2 * (1.0 - c2) + floor2)
            if off < best:
                best = off
                out[row] = p
