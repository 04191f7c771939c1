"""The sole on its contacts: how sure the plane is, how rough the ground under it, and what holds the load."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import inner
from terrain.kernels.soles import clip_to_run, hull_margin
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
def find_ends(sole, rows, full, carried, ends):  # type: ignore[no-untyped-def]
    """Fill ends (rows, 3): the first and last cell of each row that is carried and whole -> whether some are new.

    Rows without one have the row's end and its start. And whether all cells before the first one are carried, bit 1,
    and all behind the last one, bit 2.
    """
    new = False
    for r in range(rows):
        start, end = sole.starts[r], sole.starts[r + 1]
        first, last = start, end - 1
        all_before, all_behind = np.int64(1), np.int64(2)
        while first < end and not (carried[first] and sole.share[first] >= full):
            all_before = all_before if carried[first] else 0
            first += 1
        while last > first and not (carried[last] and sole.share[last] >= full):
            all_behind = all_behind if carried[last] else 0
            last -= 1
        if first == end:
            last, all_before, all_behind = start - 1, 0, 0
        new = new or ends[r, 0] != first or ends[r, 1] != last
        ends[r, 0], ends[r, 1], ends[r, 2] = first, last, all_before | all_behind
    return new


@inner
def has_corner(turned, low_x, high_x, low_y, high_y):  # type: ignore[no-untyped-def]
    """Return whether a corner of the outline lies in a box, or on its border."""
    for k in range(turned.shape[0]):
        if low_y - 1e-9 <= turned[k, 1] <= high_y + 1e-9 and low_x <= turned[k, 0] <= high_x:
            return True
    return False


@inner
def add_parts(sole, low, high, low_y, high_y, carried, half, turned, scratch, n, reach):  # type: ignore[no-untyped-def]
    """Append what of the carried ones of a row's cells low to high - 1 lies in the outline -> new number of points.

    Cells that follow each other are cut to it as one box. What lies at the row's ends in y, low_y and high_y, but for
    rounding, widens `reach` instead.
    """
    points, k = scratch.points, low
    while k < high:
        if not carried[k]:
            k += 1
            continue
        first = k
        while k + 1 < high and carried[k + 1] and sole.at[k + 1] == sole.at[k] + 1:
            k += 1
        m = clip_to_run(turned, sole.x[first], sole.x[k], sole.y[k], half, scratch.clip, scratch.spare)
        for q in range(m):
            x, y = scratch.clip[q, 0], scratch.clip[q, 1]
            if low_y + 1e-12 < y < high_y - 1e-12:
                points[n, 0], points[n, 1] = x, y
                n += 1
            else:
                side = 2 if y > low_y + half else 0
                reach[side], reach[side + 1] = min(reach[side], x), max(reach[side + 1], x)
        k += 1
    return n


@inner
def sort_points(points, low, high):  # type: ignore[no-untyped-def]
    """Sort a few points by y rising, then x falling."""
    for k in range(low + 1, high):
        x, y, i = points[k, 0], points[k, 1], k
        while i > low and (points[i - 1, 1] > y or (points[i - 1, 1] == y and points[i - 1, 0] < x)):
            points[i, 0], points[i, 1] = points[i - 1, 0], points[i - 1, 1]
            i -= 1
        points[i, 0], points[i, 1] = x, y


@inner
def add_level(points, n, low_x, high_x, y):  # type: ignore[no-untyped-def]
    """Append the ends of a line along a row, if there are any -> new number of points."""
    if not low_x <= high_x:
        return n
    points[n, 0], points[n, 1] = high_x, y
    points[n + 1, 0], points[n + 1, 1] = low_x, y
    return n + 2


@inner
def carried_margin(sole, rows, scratch, turned, window, carried, partial):  # type: ignore[no-untyped-def]
    """Return the margin of the load point in the convex hull of the carried cells, cut to the outline.

    Reads what `find_ends` left of them. Without `partial` cells count only where they lie wholly in the sole: the
    margin is then too small, or NaN. Of each line between two rows the ends count, so that points come sorted by y.
    Where all cells at an end of a row and of both rows beside it are carried, and no corner of the outline is in it,
    the outline goes on straight there: that adds no corner.
    """
    half = 0.5 * window.cell
    points, ends, reach = scratch.points, scratch.ends, scratch.reach
    n, before_low, before_high, high_y = np.int64(0), np.inf, -np.inf, 0.0
    for r in range(rows):
        start, end = sole.starts[r], sole.starts[r + 1]
        if start == end:
            continue
        low_y, high_y = sole.y[start] - half, sole.y[start] + half
        first, last = ends[r, 0], ends[r, 1]
        reach[0], reach[1] = np.inf, -np.inf
        if first < end:
            reach[0], reach[1] = sole.x[first] - half, sole.x[last] + half
        reach[2], reach[3] = reach[0], reach[1]
        inner_points = n + 2
        if partial:
            straight = np.int64(0)
            if 0 < r < rows - 1:
                straight = ends[r - 1, 2] & ends[r, 2] & ends[r + 1, 2]
            if straight & 1 == 0 or has_corner(turned, -np.inf, sole.x[first], low_y, high_y):
                inner_points = add_parts(
                    sole, start, first, low_y, high_y, carried, half, turned, scratch, inner_points, reach
                )
            if straight & 2 == 0 or has_corner(turned, sole.x[last], np.inf, low_y, high_y):
                inner_points = add_parts(
                    sole, max(last + 1, first), end, low_y, high_y, carried, half, turned, scratch, inner_points, reach
                )
        sort_points(points, n + 2, inner_points)
        more = inner_points - n - 2
        n = add_level(points, n, min(before_low, reach[0]), max(before_high, reach[1]), low_y)
        for k in range(more if n < inner_points - more else 0):
            points[n + k, 0], points[n + k, 1] = points[n + k + 2, 0], points[n + k + 2, 1]
        n += more
        before_low, before_high = reach[2], reach[3]
    n = add_level(points, n, before_low, before_high, high_y)
    return hull_margin(points, n, scratch.hull)
