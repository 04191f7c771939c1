"""The sole on its contacts: how sure the plane is, how rough the ground under it, and what holds the load."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import inner
from terrain.kernels.soles import clip_to_box, hull_margin
from terrain.kernels.verdict import (
    SEEN_RADIUS_M,
)


@inner
def contact_doubt(surfaces, scratch, a, b):  # type: ignore[no-untyped-def]
    """Return sd of the slope angle, mean height variance of the three contacts, and their common patch or -1.

    Contacts of one patch share its offset and its tilt error; others err by themselves. Along the direction u of
    steepest ascent the slope is sum(w_i z_i), w_i = u . gradient of corner i's barycentric weight, so that a group
    g adds (sum w)^2 height_sd^2 + |sum w (p - centre)|^2 gradient_sd^2.
    """
    g = np.hypot(a, b)
    ux, uy = (a / g, b / g) if g > 1e-9 else (1.0, 0.0)
    i, j, k = scratch.contact[0], scratch.contact[1], scratch.contact[2]
    px, py = scratch.lx, scratch.ly
    det = (px[j] - px[i]) * (py[k] - py[i]) - (px[k] - px[i]) * (py[j] - py[i])
    mean, grad2, common = 0.0, 0.0, -1
    x = (px[i], px[j], px[k])
    y = (py[i], py[j], py[k])
    s = (scratch.surface[scratch.lrow[i]], scratch.surface[scratch.lrow[j]], scratch.surface[scratch.lrow[k]])
    for m in range(3):
        mean += surfaces.height_sd[s[m]] ** 2 / 3.0
    if surfaces.patch[s[0]] >= 0 and surfaces.patch[s[0]] == surfaces.patch[s[1]] == surfaces.patch[s[2]]:
        common = surfaces.patch[s[0]]
    best = 0.0
    for turn in range(2):
        if turn == 1:
            if g > 1e-9:
                break
            ux, uy = 0.0, 1.0
        grad2 = 0.0
        for m in range(3):
            leads = True
            total, vx, vy, cx, cy, n = 0.0, 0.0, 0.0, 0.0, 0.0, 0
            for q in range(3):
                same = q == m or (surfaces.patch[s[q]] >= 0 and surfaces.patch[s[q]] == surfaces.patch[s[m]])
                if not same:
                    continue
                if q < m:
                    leads = False
                w = (ux * (y[(q + 1) % 3] - y[(q + 2) % 3]) + uy * (x[(q + 2) % 3] - x[(q + 1) % 3])) / det
                total += w
                vx += w * x[q]
                vy += w * y[q]
                cx += x[q]
                cy += y[q]
                n += 1
            if not leads:
                continue
            vx -= total * cx / n
            vy -= total * cy / n
            tilt = surfaces.gradient_sd[s[m]] if n > 1 else 0.0
            grad2 += total * total * surfaces.height_sd[s[m]] ** 2 + (vx * vx + vy * vy) * tilt**2
        best = max(best, grad2)
    return np.sqrt(best) / (1.0 + g * g), mean, common


@inner
def own_plane_rms(surfaces, cell, sole, n_sole, scratch, a, b, c, drop):  # type: ignore[no-untyped-def]
    """Return the RMS departure of the carrying ground near the plane from its own least-squares plane, and its sd.

    The cells' own roughness is added in quadrature. sd^2: the RMS height sd of cells that are not all of one patch,
    over the number of independent heights (one per 30 mm circle), plus proven roughness^2 / (2 returns).
    """
    count, returns = 0, 0.0
    sx = sy = sz = xx = xy = yy = xz = yz = zz = own = noise = 0.0
    patch = -2
    for k in range(n_sole):
        x, y = sole.x[k], sole.y[k]
        # From the resting plane, so that the sums are small; that changes no departure from the ground's own plane.
        z = scratch.over[k] - (a * x + b * y + c)
        if abs(z) <= drop:
            s = scratch.surface[k]
            sx += x
            sy += y
            sz += z
            xx += x * x
            xy += x * y
            yy += y * y
            xz += x * z
            yz += y * z
            zz += z * z
            own += surfaces.roughness[s] ** 2
            noise += surfaces.height_sd[s] ** 2
            returns += surfaces.points[s]
            if patch == -2:
                patch = surfaces.patch[s]
            elif patch != surfaces.patch[s]:
                patch = -1
            count += 1
    if count < 3:
        return np.nan, np.nan
    xx -= sx * sx / count
    xy -= sx * sy / count
    yy -= sy * sy / count
    xz -= sx * sz / count
    yz -= sy * sz / count
    zz -= sz * sz / count
    det = xx * yy - xy * xy
    if det > 1e-12 * (xx + yy) ** 2:
        explained = ((yy * xz - xy * yz) * xz + (xx * yz - xy * xz) * yz) / det
    else:
        explained = (xz * xz + yz * yz) / (xx + yy)
    own /= count
    rough = np.sqrt(max(zz - explained, 0.0) / count + own)
    free = max(count * cell**2 / (np.pi * SEEN_RADIUS_M**2), 1.0)
    sd2 = own / max(2.0 * returns, 2.0)
    if patch < 0:
        sd2 += noise / count / free
    return rough, np.sqrt(sd2)


@inner
def add_corners(points, n, low_x, high_x, low_y, high_y):  # type: ignore[no-untyped-def]
    """Append the corners of a box to the points -> their new number."""
    for m in range(4):
        points[n + m, 0] = high_x if m & 1 else low_x
        points[n + m, 1] = high_y if m & 2 else low_y
    return n + 4


@inner
def carried_margin(sole, n_sole, scratch, turned, window, carried, partial):  # type: ignore[no-untyped-def]
    """Return the margin of the load point in the convex hull of the carried cells, cut to the outline.

    Without `partial` cells count only where they lie wholly in the sole: the margin is then too small, or NaN. A run of
    carried cells in a row is a box: it is cut to the outline as one.
    """
    half = 0.5 * window.cell
    full = window.cell * window.cell * (1.0 - 1e-9)
    points, order = scratch.points, scratch.order
    n, k = np.int64(0), np.int64(0)
    while k < n_sole:
        if not carried[k] or (not partial and sole.share[k] < full):
            k += 1
            continue
        first, whole = k, sole.share[k] >= full
        while k + 1 < n_sole and sole.at[k + 1] == sole.at[k] + 1 and carried[k + 1]:
            if sole.share[k + 1] < full:
                if not partial:
                    break
                whole = False
            k += 1
        low_x, high_x = sole.x[first] - half, sole.x[k] + half
        low_y, high_y = sole.y[k] - half, sole.y[k] + half
        k += 1
        if whole:
            n = add_corners(points, n, low_x, high_x, low_y, high_y)
            continue
        m = clip_to_box(turned, low_x, high_x, low_y, high_y, scratch.clip, scratch.spare)
        for q in range(m):
            points[n, 0] = scratch.clip[q, 0]
            points[n, 1] = scratch.clip[q, 1]
            n += 1
    for k in range(n):
        i = k
        x, y = points[k, 0], points[k, 1]
        while i > 0:
            j = order[i - 1]
            if points[j, 1] < y or (points[j, 1] == y and points[j, 0] >= x):
                break
            order[i] = j
            i -= 1
        order[i] = k
    return hull_margin(points, n, order, scratch.hull)
