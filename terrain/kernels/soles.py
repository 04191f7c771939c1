"""A turned sole on the grid: distances to its outline, its cells and their shares, the ring of cells around it.

A turned outline is (k, 7), counter-clockwise, metres, map axes, relative to the load point: corner x and y, unit
direction x and y of the side that starts there, its length, the y of its end, and 1 if the outline is convex.
A window is a rectangle of cells, row by row; a cell's place in it is row * width + column.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def turn_outline(outline, yaw, turned):  # type: ignore[no-untyped-def]
    """(k, 2) in the sole's frame, radians -> turned (k, 7) in the map's axes, about the load point."""
    n = outline.shape[0]
    c, s = np.cos(yaw), np.sin(yaw)
    for k in range(n):
        turned[k, 0] = c * outline[k, 0] - s * outline[k, 1]
        turned[k, 1] = s * outline[k, 0] + c * outline[k, 1]
    for k in range(n):
        j = k + 1 if k + 1 < n else 0
        ex, ey = turned[j, 0] - turned[k, 0], turned[j, 1] - turned[k, 1]
        length = np.hypot(ex, ey)
        turned[k, 2] = ex / length if length > 0.0 else 0.0
        turned[k, 3] = ey / length if length > 0.0 else 0.0
        turned[k, 4] = length
        turned[k, 5] = turned[j, 1]
    convex = 1.0
    for k in range(n):
        j = k + 1 if k + 1 < n else 0
        if turned[k, 2] * turned[j, 3] - turned[k, 3] * turned[j, 2] < -1e-12:
            convex = 0.0
    turned[:, 6] = convex


@njit(cache=True, error_model="numpy")
def inside_by(turned, x, y):  # type: ignore[no-untyped-def]
    """Return how far (x, y) lies inside the outline; negative: its distance outside."""
    least = 1e300
    inside = False
    for k in range(turned.shape[0]):
        px, py = x - turned[k, 0], y - turned[k, 1]
        ux, uy = turned[k, 2], turned[k, 3]
        t = min(turned[k, 4], max(0.0, px * ux + py * uy))
        dx, dy = px - t * ux, py - t * uy
        least = min(least, dx * dx + dy * dy)
        if py < 0.0:
            if turned[k, 5] <= y and px * uy - py * ux > 0.0:
                inside = not inside
        elif turned[k, 5] > y and px * uy - py * ux < 0.0:
            inside = not inside
    away = np.sqrt(least)
    return away if inside else -away


@njit(cache=True, error_model="numpy")
def clip_square(turned, x, y, half, out, spare):  # type: ignore[no-untyped-def]
    """Cut the square of half-width `half` about (x, y) to a convex outline -> number of corners in out (m, 2)."""
    corner = half * 1.4142135623730951
    out[0, 0], out[0, 1] = x - half, y - half
    out[1, 0], out[1, 1] = x + half, y - half
    out[2, 0], out[2, 1] = x + half, y + half
    out[3, 0], out[3, 1] = x - half, y + half
    n = 4
    for k in range(turned.shape[0]):
        ux, uy = turned[k, 2], turned[k, 3]
        x0, y0 = turned[k, 0], turned[k, 1]
        centre = ux * (y - y0) - uy * (x - x0)
        if centre >= corner or (ux == 0.0 and uy == 0.0):
            continue
        if centre <= -corner:
            return 0
        for q in range(n):
            spare[q, 0], spare[q, 1] = out[q, 0], out[q, 1]
        m = 0
        px, py = spare[n - 1, 0], spare[n - 1, 1]
        d0 = ux * (py - y0) - uy * (px - x0)
        for q in range(n):
            qx, qy = spare[q, 0], spare[q, 1]
            d1 = ux * (qy - y0) - uy * (qx - x0)
            if (d0 >= 0.0) != (d1 >= 0.0):
                t = d0 / (d0 - d1)
                out[m, 0], out[m, 1] = px + t * (qx - px), py + t * (qy - py)
                m += 1
            if d1 >= 0.0:
                out[m, 0], out[m, 1] = qx, qy
                m += 1
            px, py, d0 = qx, qy, d1
        n = m
        if n == 0:
            return 0
    return n


@njit(cache=True, error_model="numpy")
def clip_to_cell(turned, x, y, half, out, spare):  # type: ignore[no-untyped-def]
    """Cut the outline to the square of half-width `half` about (x, y) -> number of corners in out (m, 2).

    Sutherland and Hodgman's clipping: of the square by the few sides near it where the outline is convex, else of the
    outline by the square's sides. `out` and `spare` need twice the outline's corners plus eight rows.
    """
    if turned[0, 6] > 0.0:
        return clip_square(turned, x, y, half, out, spare)
    n = turned.shape[0]
    for k in range(n):
        spare[k, 0] = turned[k, 0]
        spare[k, 1] = turned[k, 1]
    for side in range(4):
        axis = side & 1
        sign = 1.0 if side < 2 else -1.0
        bound = (x if axis == 0 else y) * sign + half
        m = 0
        for k in range(n):
            j = k - 1 if k > 0 else n - 1
            d0 = bound - sign * spare[j, axis]
            d1 = bound - sign * spare[k, axis]
            if (d0 >= 0.0) != (d1 >= 0.0):
                t = d0 / (d0 - d1)
                out[m, 0] = spare[j, 0] + t * (spare[k, 0] - spare[j, 0])
                out[m, 1] = spare[j, 1] + t * (spare[k, 1] - spare[j, 1])
                m += 1
            if d1 >= 0.0:
                out[m, 0] = spare[k, 0]
                out[m, 1] = spare[k, 1]
                m += 1
        n = m
        for k in range(n):
            spare[k, 0] = out[k, 0]
            spare[k, 1] = out[k, 1]
    return n


@njit(cache=True, error_model="numpy")
def corners_area(corners, n):  # type: ignore[no-untyped-def]
    """(n, 2) corners -> area, positive counter-clockwise."""
    twice = 0.0
    for k in range(n):
        j = k - 1 if k > 0 else n - 1
        twice += corners[j, 0] * corners[k, 1] - corners[k, 0] * corners[j, 1]
    return 0.5 * twice


@njit(cache=True, error_model="numpy")
def cut_square(ux, uy, away, half):  # type: ignore[no-untyped-def]
    """Return the area of a square of half-width `half` on the inner side of a line, its centre `away` inside of it."""
    a, b = max(abs(ux), abs(uy)), min(abs(ux), abs(uy))
    # How far the corner that lies farthest out reaches over the line; beyond the middle the other side is smaller.
    over = half * (a + b) - abs(away)
    if over <= 0.0:
        less = 0.0
    elif over < 2.0 * half * b:
        less = over * over / (2.0 * a * b)
    else:
        less = 2.0 * half * (over - half * b) / a
    return 4.0 * half * half - less if away >= 0.0 else less


@njit(cache=True, error_model="numpy")
def square_distance(x, y, half, px, py):  # type: ignore[no-untyped-def]
    """Return the distance of point p to the square of half-width `half` about (x, y), 0 inside."""
    dx = max(abs(px - x) - half, 0.0)
    dy = max(abs(py - y) - half, 0.0)
    return np.sqrt(dx * dx + dy * dy)


@njit(cache=True, error_model="numpy")
def cell_distance(turned, x, y, half, out, spare):  # type: ignore[no-untyped-def]
    """Return the distance from the outline to the square cell about (x, y).

    Negative: how deep the cell reaches into the sole, the greatest depth among its corners, its centre and the
    centroid of what it shares with the sole. Below a tenth of a micrometre counts as touching, 0.
    """
    depth = inside_by(turned, x, y)
    nearest = -1e300
    for k in range(4):
        corner = inside_by(turned, x + (half if k & 1 else -half), y + (half if k & 2 else -half))
        nearest = max(nearest, corner)
    depth = max(depth, nearest)
    if depth > 1e-7:
        return -depth
    away = max(-nearest, 0.0)
    for k in range(turned.shape[0]):
        away = min(away, square_distance(x, y, half, turned[k, 0], turned[k, 1]))
    if away > 1e-7:
        return away
    n = clip_to_cell(turned, x, y, half, out, spare)
    if n >= 3 and corners_area(out, n) > 1e-10:
        cx, cy = 0.0, 0.0
        for k in range(n):
            cx += out[k, 0] / n
            cy += out[k, 1] / n
        depth = inside_by(turned, cx, cy)
        if depth > 1e-7:
            return -depth
    return 0.0


@njit(cache=True, error_model="numpy")
def lay_sole(  # type: ignore[no-untyped-def]
    turned, load_x, load_y, cell, width, height, reach, shin, clip, spare,
    sole_at, sole_x, sole_y, sole_share, sole_inside, ring_at, ring_x, ring_y, ring_inside, ring_clear,
):  # fmt: skip
    """List the cells of a window that a sole covers, and those that its edge, side and clearance tests read.

    load_x, load_y : the load point, metres from the window's lower corner; reach: metres around the outline
    sole_at, _x, _y, _share, _inside : place, centre from the load point, area shared with the sole in m2, and
    whether the centre lies inside; ring_at, _x, _y, _inside, _clear: the same for all cells whose square may come
    within `reach`: how far their centre lies inside, and whether they lie under the clearance (the cylinder or the
    sole). Returns the number of sole and of ring cells.
    """
    half = 0.5 * cell
    corner = half * 1.4142135623730951
    n_sole, n_ring = 0, 0
    convex, sides = turned[0, 6] > 0.0, turned.shape[0]
    for row in range(height):
        y = (row + 0.5) * cell - load_y
        for column in range(width):
            x = (column + 0.5) * cell - load_x
            # How far inside of the nearest side, and of the next one; a convex outline needs no more for most cells.
            least, next_least, nearest = 1e300, 1e300, 0
            if convex:
                for k in range(sides):
                    away = turned[k, 2] * (y - turned[k, 1]) - turned[k, 3] * (x - turned[k, 0])
                    if away < least:
                        least, next_least, nearest = away, least, k
                    elif away < next_least:
                        next_least = away
            under_shin = square_distance(x, y, half, 0.0, 0.0) < shin - 1e-7
            if convex and least < -(reach + corner) and not under_shin:
                continue
            by = least if convex and least >= 0.0 else inside_by(turned, x, y)
            if by < -(reach + corner) and not under_shin:
                continue
            share = 0.0
            if by >= corner:
                share = cell * cell
            elif by > -corner:
                if convex and next_least >= corner:
                    share = cut_square(turned[nearest, 2], turned[nearest, 3], least, half)
                else:
                    share = corners_area(clip, clip_to_cell(turned, x, y, half, clip, spare))
            if share > 1e-10:
                sole_at[n_sole] = row * width + column
                sole_x[n_sole] = x
                sole_y[n_sole] = y
                sole_share[n_sole] = share
                sole_inside[n_sole] = by > -1e-6
                n_sole += 1
            ring_at[n_ring] = row * width + column
            ring_x[n_ring] = x
            ring_y[n_ring] = y
            ring_inside[n_ring] = by
            ring_clear[n_ring] = under_shin or share > 1e-10
            n_ring += 1
    return n_sole, n_ring


@njit(cache=True, error_model="numpy")
def hull_margin(points, n, order, hull):  # type: ignore[no-untyped-def]
    """(n, 2) points -> distance of the origin from the border of their convex hull, negative outside.

    Andrew's monotone chain; `order` (n,) must sort the points by y rising, then x falling. Fewer than three corners
    hold nothing: -distance.
    """
    m = 0
    for turn in range(2):
        start = m
        for step in range(n):
            k = order[step] if turn == 0 else order[n - 1 - step]
            px, py = points[k, 0], points[k, 1]
            while m >= start + 2:
                ax, ay = hull[m - 2, 0], hull[m - 2, 1]
                bx, by = hull[m - 1, 0], hull[m - 1, 1]
                if (bx - ax) * (py - ay) - (by - ay) * (px - ax) > 0.0:
                    break
                m -= 1
            hull[m, 0] = px
            hull[m, 1] = py
            m += 1
        m -= 1
    if m < 1:
        return np.nan
    least = 1e300
    inside = m >= 3
    for k in range(m):
        ax, ay = hull[k, 0], hull[k, 1]
        j = k + 1 if k + 1 < m else 0
        ex, ey = hull[j, 0] - ax, hull[j, 1] - ay
        if ex * -ay - ey * -ax <= 0.0:
            inside = False
        length2 = ex * ex + ey * ey
        t = min(1.0, max(0.0, (-ax * ex - ay * ey) / length2)) if length2 > 0.0 else 0.0
        dx, dy = ax + t * ex, ay + t * ey
        least = min(least, dx * dx + dy * dy)
    away = np.sqrt(least)
    return away if inside else -away
