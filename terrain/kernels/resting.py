"""The plane a rigid flat sole comes to rest on: a linear programme in three unknowns.

Lowest at the load point of all planes that lie on or above every ground point. Its dual picks three points whose
triangle holds the load point and whose plane is highest there; the simplex method on it swaps one point a turn. It
starts from three artificial points far below, so that one left in the end says: no ground on one side of the load.
"""

from __future__ import annotations

from terrain.kernels.options import bare


@bare
def resting_plane(x, y, z, n, load_x, load_y, contact, plane):  # type: ignore[no-untyped-def]
    """(n,) positions and heights -> True, contact (3,) row numbers, plane (3,) a, b, c of z = a x + b y + c.

    False where the plane is unbounded (or steeper than 1e4): contact holds -1 for the sides without ground.
    Rows past `n` are not read. Heights within 1e-10 m above the plane count as on it.
    """
    deep = -1e4
    root = 0.8660254037844386
    x0, y0, z0 = load_x + 1.0, load_y, deep
    x1, y1, z1 = load_x - 0.5, load_y + root, deep
    x2, y2, z2 = load_x - 0.5, load_y - root, deep
    contact[0] = -1
    contact[1] = -1
    contact[2] = -1
    for _ in range(8 * n + 64):
        ux, uy, uz = x1 - x0, y1 - y0, z1 - z0
        vx, vy, vz = x2 - x0, y2 - y0, z2 - z0
        det = ux * vy - uy * vx
        if not abs(det) > 1e-18:
            return False
        a = (uz * vy - uy * vz) / det
        b = (ux * vz - uz * vx) / det
        c = z0 - a * x0 - b * y0
        worst = 1e-10
        pick = -1
        for i in range(n):
            over = z[i] - (a * x[i] + b * y[i] + c)
            if over > worst:
                worst = over
                pick = i
        if pick < 0:
            plane[0] = a
            plane[1] = b
            plane[2] = c
            return contact[0] >= 0 and contact[1] >= 0 and contact[2] >= 0
        # weights of the load point and of the new point in the triangle's corners; the ratio test keeps the load in
        l1 = ((load_x - x0) * vy - (load_y - y0) * vx) / det
        l2 = (ux * (load_y - y0) - uy * (load_x - x0)) / det
        m1 = ((x[pick] - x0) * vy - (y[pick] - y0) * vx) / det
        m2 = (ux * (y[pick] - y0) - uy * (x[pick] - x0)) / det
        l0 = 1.0 - l1 - l2
        m0 = 1.0 - m1 - m2
        out = -1
        least = 1e300
        if m0 > 1e-14 and l0 / m0 < least:
            least = l0 / m0
            out = 0
        if m1 > 1e-14 and l1 / m1 < least:
            least = l1 / m1
            out = 1
        if m2 > 1e-14 and l2 / m2 < least:
            out = 2
        if out == 0:
            x0, y0, z0 = x[pick], y[pick], z[pick]
        elif out == 1:
            x1, y1, z1 = x[pick], y[pick], z[pick]
        elif out == 2:
            x2, y2, z2 = x[pick], y[pick], z[pick]
        else:
            return False
        contact[out] = pick
    return False
