"""A turned sole on the grid: distances to its outline, its cells and their shares, the ring of cells around it.

A turned outline is (k, 7), counter-clockwise, metres, map axes, relative to the load point: corner x and y, unit
direction x and y of the side that starts there, its length, the y of its end, and 1 if the outline is convex.
A window is a rectangle of cells, row by row; a cell's place in it is row * width + column.
"""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import bare, inner, lenient, part

STANDS_OUT_M2 = 1e-13


@bare
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


@bare
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


@inner
def clip_convex(turned, x, y, half, half_y, out, spare):  # type: ignore[no-untyped-def]
    """Cut the box of half-widths `half`, `half_y` about (x, y) to a convex outline -> number of corners in out (m, 2).

    Only the few sides that come near are gone through.
    """
    corner = np.sqrt(half * half + half_y * half_y)
    out[0, 0], out[0, 1] = x - half, y - half_y
    out[1, 0], out[1, 1] = x + half, y - half_y
    out[2, 0], out[2, 1] = x + half, y + half_y
    out[3, 0], out[3, 1] = x - half, y + half_y
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


@inner
def clip_to_box(turned, low_x, high_x, low_y, high_y, out, spare):  # type: ignore[no-untyped-def]
    """Cut the outline to a box -> number of corners in out (m, 2).

    Sutherland and Hodgman's clipping by the box's sides. `out` and `spare` need twice the outline's corners plus eight
    rows.
    """
    n = turned.shape[0]
    for k in range(n):
        spare[k, 0] = turned[k, 0]
        spare[k, 1] = turned[k, 1]
    for side in range(4):
        axis = side & 1
        sign = 1.0 if side < 2 else -1.0
        if axis == 0:
            bound = high_x if side < 2 else -low_x
        else:
            bound = high_y if side < 2 else -low_y
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


@bare
def clip_to_cell(turned, x, y, half, out, spare):  # type: ignore[no-untyped-def]
    """Cut the outline to the square of half-width `half` about (x, y) -> number of corners in out (m, 2).

    Where the outline is convex, the square is cut by the few sides near it.
    """
    if turned[0, 6] > 0.0:
        return clip_convex(turned, x, y, half, half, out, spare)
    return clip_to_box(turned, x - half, x + half, y - half, y + half, out, spare)


@inner
def clip_to_run(turned, from_x, to_x, y, half, out, spare):  # type: ignore[no-untyped-def]
    """Cut the outline to cells of a row that follow each other -> number of corners in out (m, 2).

    from_x, to_x : where the first and the last one have their centres
    """
    if turned[0, 6] > 0.0:
        return clip_convex(turned, 0.5 * (from_x + to_x), y, 0.5 * (to_x - from_x) + half, half, out, spare)
    return clip_to_box(turned, from_x - half, to_x + half, y - half, y + half, out, spare)


@bare
def corners_area(corners, n):  # type: ignore[no-untyped-def]
    """(n, 2) corners -> area, positive counter-clockwise."""
    twice = 0.0
    for k in range(n):
        j = k - 1 if k > 0 else n - 1
        twice += corners[j, 0] * corners[k, 1] - corners[k, 0] * corners[j, 1]
    return 0.5 * twice


@inner
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


@inner
def square_distance(x, y, half, px, py):  # type: ignore[no-untyped-def]
    """Return the distance of point p to the square of half-width `half` about (x, y), 0 inside."""
    dx = max(abs(px - x) - half, 0.0)
    dy = max(abs(py - y) - half, 0.0)
    return np.sqrt(dx * dx + dy * dy)


@bare
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


@inner
def outline_box(turned):  # type: ignore[no-untyped-def]
    """Return least and greatest x, least and greatest y of an outline."""
    low_x = high_x = turned[0, 0]
    low_y = high_y = turned[0, 1]
    for k in range(1, turned.shape[0]):
        low_x, high_x = min(low_x, turned[k, 0]), max(high_x, turned[k, 0])
        low_y, high_y = min(low_y, turned[k, 1]), max(high_y, turned[k, 1])
    return low_x, high_x, low_y, high_y


@inner
def row_span(turned, y, ease):  # type: ignore[no-untyped-def]
    """Return from where to where a row at y lies inside all sides of a convex outline moved out by `ease`."""
    low, high = -1e9, 1e9
    for k in range(turned.shape[0]):
        ux, uy = turned[k, 2], turned[k, 3]
        # Inside of a side: ux (y - y_k) - uy (x - x_k) >= -ease.
        free = ux * (y - turned[k, 1]) + ease
        if uy > 1e-12:
            high = min(high, turned[k, 0] + free / uy)
        elif uy < -1e-12:
            low = max(low, turned[k, 0] + free / uy)
        elif free < 0.0:
            return 1e9, -1e9
    return low, high


@inner
def cell_share(turned, x, y, half, clip, spare):  # type: ignore[no-untyped-def]
    """Return the area that a square cell of half-width `half` about (x, y) shares with the outline."""
    corner = half * 1.4142135623730951
    if turned[0, 6] > 0.0:
        # How far inside of the nearest side, and of the next one.
        least, next_least, nearest = 1e300, 1e300, 0
        for k in range(turned.shape[0]):
            away = turned[k, 2] * (y - turned[k, 1]) - turned[k, 3] * (x - turned[k, 0])
            if away < least:
                least, next_least, nearest = away, least, k
            elif away < next_least:
                next_least = away
        if least >= corner:
            return 4.0 * half * half
        if least <= -corner:
            return 0.0
        if next_least >= corner:
            return cut_square(turned[nearest, 2], turned[nearest, 3], least, half)
    return corners_area(clip, clip_to_cell(turned, x, y, half, clip, spare))


@inner
def must_be_clear(turned, x, y, half, shin, clip, spare):  # type: ignore[no-untyped-def]
    """Return whether a cell has to be clear of things: it lies under the shin, or shares area with the sole."""
    if square_distance(x, y, half, 0.0, 0.0) < shin - 1e-7:
        return True
    return cell_share(turned, x, y, half, clip, spare) > 1e-10


@inner
def touched(turned, box, y, half):  # type: ignore[no-untyped-def]
    """Return from where to where a row of cells of half-width `half` at y shares area with a convex outline."""
    under = row_span(turned, max(y - half, box[2]), 1e-9)
    over = row_span(turned, min(y + half, box[3]), 1e-9)
    low, high = min(under[0], over[0]), max(under[1], over[1])
    for k in range(turned.shape[0]):
        if y - half < turned[k, 1] < y + half:
            low, high = min(low, turned[k, 0]), max(high, turned[k, 0])
    return low, high


@part
def cut_rows(turned, low, high, ends, other):  # type: ignore[no-untyped-def]
    """Cut the outline's sides to heights low to high -> how many are left, from where to where in x they reach.

    ends, other (m, 2): where each of them starts and ends
    """
    n = 0
    from_x, to_x = 1e9, -1e9
    for k in range(turned.shape[0]):
        y0, y1 = turned[k, 1], turned[k, 5]
        if max(y0, y1) < low or min(y0, y1) > high:
            continue
        j = k + 1 if k + 1 < turned.shape[0] else 0
        xa, xb, ya, yb = turned[k, 0], turned[j, 0], min(max(y0, low), high), min(max(y1, low), high)
        if ya != y0 or yb != y1:
            slope = (xb - xa) / (y1 - y0)
            xa, xb = (xa if ya == y0 else xa + (ya - y0) * slope), (xb if yb == y1 else xa + (yb - y0) * slope)
        ends[n, 0], ends[n, 1], other[n, 0], other[n, 1] = xa, ya, xb, yb
        from_x, to_x = min(from_x, xa, xb), max(to_x, xa, xb)
        n += 1
    return n, from_x, to_x


@part
def add_shares(xa, ya, xb, yb, left, cell, cells, area, cover):  # type: ignore[no-untyped-def]
    """Add what lies to the right of a piece of a side, from a to b, to the cells of its row.

    left : where the row's first cell starts; area (cells,): shares of the cells that the piece crosses; cover (cells,):
    of all cells behind each; both in cells times metres. A piece that goes down adds, one that goes up takes away.
    """
    at, stop = (xa - left) / cell, (xb - left) / cell
    k, last = min(max(np.int64(at), 0), cells - 1), min(max(np.int64(stop), 0), cells - 1)
    step = 1 if last > k else -1
    rate = (yb - ya) / (stop - at) if k != last else 0.0
    while True:
        end = stop if k == last else np.float64(k + 1 if step > 0 else k)
        down = ya - yb if k == last else (at - end) * rate
        share = min(max(k + 1.0 - 0.5 * (at + end), 0.0), 1.0)
        area[k] += down * share
        cover[k] += down
        if k == last:
            return
        ya -= down
        at = end
        k += step


@bare
def lay_sole(turned, x0, y0, cell, width, height, clip, spare, at, sx, sy, share, inside, starts):  # type: ignore[no-untyped-def]
    """List the cells of a window that a sole covers, row by row -> their number, and that of the rows.

    Shares are worked out a row at a time from what lies to the right of each side that goes down through it, less what
    lies to the right of each that goes up.

    x0, y0 : centre of the window's first cell, from the load point
    at, sx, sy, share, inside : place, centre from the load point, area shared with the sole in m2, and whether the
        centre lies inside
    starts (rows + 1,) : where each row starts in the list
    """
    half, full = 0.5 * cell, cell * cell
    n = 0
    convex = turned[0, 6] > 0.0
    low_y, high_y = outline_box(turned)[2:]
    first_row = max(int(np.floor((low_y - y0) / cell + 0.5)), 0)
    last_row = min(int(np.floor((high_y - y0) / cell + 0.5)), height - 1)
    rows = max(last_row + 1 - first_row, 0)
    for r in range(rows):
        starts[r] = n
        row = first_row + r
        y = y0 + row * cell
        sides, from_x, to_x = cut_rows(turned, y - half, y + half, clip, spare)
        first = max(int(np.floor((from_x - x0) / cell + 0.5)), 0)
        last = min(int(np.floor((to_x - x0) / cell + 0.5)), width - 1)
        cells = last + 1 - first
        if cells <= 0:
            continue
        area, cover = share[n : n + cells], sx[n : n + cells]
        area[:] = 0.0
        cover[:] = 0.0
        left = x0 + (first - 0.5) * cell
        for k in range(sides):
            add_shares(clip[k, 0], clip[k, 1], spare[k, 0], spare[k, 1], left, cell, cells, area, cover)
        in_low, in_high = row_span(turned, y, 1e-6) if convex else (0.0, 0.0)
        before = 0.0
        for k in range(cells):
            # Of what a cell is given from the left, the cell's own sides take only their share.
            here, before = before + area[k], before + cover[k]
            shared = here * cell
            if shared <= 1e-10:
                continue
            x = x0 + (first + k) * cell
            at[n], sx[n], sy[n] = row * width + first + k, x, y
            share[n] = full if shared > full * (1.0 - 1e-12) else shared
            inside[n] = in_low <= x <= in_high if convex else inside_by(turned, x, y) > -1e-6
            n += 1
    starts[rows] = n
    return n, rows


@bare
def lay_rows(turned, x0, y0, cell, width, height, reach, shin, rows):  # type: ignore[no-untyped-def]
    """List the rows of a window near a sole -> their number; rows (m, 6).

    row, first and last column, where to part; and up to which column to the left and from which to the right the cells
    of a row are the farther from the outline the farther they are from there. Of an outline that is not convex these
    two lie outside of the row: that is not known of it. All cells whose square comes within `reach` of the outline, or
    under the shin, are in the rows.
    """
    half = 0.5 * cell
    ease = reach + 1.4142135623730951 * half
    low_x, high_x, low_y, high_y = outline_box(turned)
    convex = turned[0, 6] > 0.0
    n = 0
    for row in range(height):
        y = y0 + row * cell
        from_x, to_x = 1e9, -1e9
        middle = 0.5 * (low_x + high_x)
        if low_y - ease <= y <= high_y + ease:
            from_x, to_x = low_x - ease, high_x + ease
            if convex:
                near = row_span(turned, y, ease)
                from_x, to_x = max(from_x, near[0]), min(to_x, near[1])
                across = row_span(turned, min(max(y, low_y), high_y), 1e-9)
                middle = 0.5 * (across[0] + across[1])
        beyond = max(abs(y) - half, 0.0)
        if beyond < shin:
            aside = np.sqrt(shin * shin - beyond * beyond) + half
            from_x, to_x = min(from_x, -aside), max(to_x, aside)
        first = max(int(np.ceil((from_x - x0) / cell - 1e-6)), 0)
        last = min(int(np.floor((to_x - x0) / cell + 1e-6)), width - 1)
        if first <= last:
            part = int(np.floor((middle - x0) / cell + 0.5))
            rows[n, 0], rows[n, 1], rows[n, 2] = row, first, last
            rows[n, 3] = min(max(part, first), last + 1)
            # Two cells beside where a row parts may be out of order.
            rows[n, 4] = rows[n, 3] - 2 if convex else first - 1
            rows[n, 5] = rows[n, 3] + 2 if convex else last + 1
            n += 1
    return n


@lenient
def measure_rows(turned, x0, y0, cell, shin, rows, distance, clear):  # type: ignore[no-untyped-def]
    """Fill in the distance of each cell of the rows from the outline, and whether it has to be clear of things.

    distance, clear (side * side,): of a square window, row by row
    """
    side = np.int64(np.sqrt(len(distance)) + 0.5)
    half = 0.5 * cell
    clip, spare = np.empty((2 * turned.shape[0] + 16, 2)), np.empty((2 * turned.shape[0] + 16, 2))
    for i in range(len(rows)):
        for column in range(rows[i, 1], rows[i, 2] + 1):
            x, y, at = x0 + column * cell, y0 + rows[i, 0] * cell, rows[i, 0] * side + column
            distance[at] = cell_distance(turned, x, y, half, clip, spare)
            clear[at] = must_be_clear(turned, x, y, half, shin, clip, spare)


@bare
def hull_margin(points, n, hull):  # type: ignore[no-untyped-def]
    """(n, 2) points -> distance of the origin from the border of their convex hull, negative outside.

    Andrew's monotone chain; the points are sorted by y rising, then x falling. Fewer than three corners hold nothing:
    -distance.
    """
    m = 0
    for turn in range(2):
        start = m
        for step in range(n):
            k = step if turn == 0 else n - 1 - step
            px, py = points[k, 0], points[k, 1]
            while m >= start + 2:
                ax, ay = hull[m - 2, 0], hull[m - 2, 1]
                bx, by = hull[m - 1, 0], hull[m - 1, 1]
                # Of points that coincide but for rounding the turn is chance: a corner that stands out must stand out.
                if (bx - ax) * (py - ay) - (by - ay) * (px - ax) > STANDS_OUT_M2:
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
