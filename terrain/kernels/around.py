"""What is around a sole on its plane: edges, obstacles beside it, and what hangs over it."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import each_cell, inner
from terrain.kernels.soles import cell_distance, cell_share, inside_by, outline_box, square_distance
from terrain.kernels.verdict import (
    BESIDE,
    BESIDE_SD,
    EDGE,
    EDGE_SD,
    EDGE_SEEN,
    HEADROOM,
    OBSERVED,
    PLAIN_OVER_M,
    PLAIN_SD_M,
    REACH_M,
    UNKNOWN_EDGE_SD_M,
)

MAYBE_EDGE, IS_EDGE, SEEN_EDGE, MAYBE_BESIDE, IS_BESIDE = 1, 2, 4, 8, 16
ALL_EDGE = MAYBE_EDGE | IS_EDGE | SEEN_EDGE
ALL_BESIDE = MAYBE_BESIDE | IS_BESIDE


@each_cell
def ground_at(surfaces, window, at, top):  # type: ignore[no-untyped-def]
    """Return the highest walkable surface of a cell below `top`, -1 for none."""
    only = window.only[at]
    if only >= 0:
        return only if surfaces.height[only] < top else -1
    if only == -1:
        return -1
    column = window.column[at]
    for s in range(surfaces.first[column + 1] - 1, surfaces.first[column] - 1, -1):
        if surfaces.walkable[s] and surfaces.height[s] < top:
            return s
    return -1


@each_cell
def free_height(surfaces, window, at, top, plane, drop, clear):  # type: ignore[no-untyped-def]
    """Return how high over the plane the lowest thing of a column hangs that rises over the drop; inf for none.

    The ground itself counts with 0 where it rises over plane + drop; things that start over plane + clear do not.
    """
    low, high = plane + drop, plane + clear
    column = window.column[at]
    least = np.inf
    met_ground = False
    for s in range(surfaces.first[column + 1] - 1, surfaces.first[column] - 1, -1):
        h = np.float64(surfaces.height[s])
        if surfaces.walkable[s] and h < top:
            if not met_ground and h > low:
                least = 0.0
            met_ground = True
        elif low < h < high:
            least = min(least, h - plane)
    for o in range(surfaces.span_first[column], surfaces.span_first[column + 1]):
        if surfaces.span_high[o] > low and surfaces.span_low[o] < high:
            least = min(least, max(surfaces.span_low[o] - plane, 0.0))
    return least


@inner
def edge_doubt(surfaces, window, at, top, plane_x, plane_y, c, drop, x, y):  # type: ignore[no-untyped-def]
    """Return the largest sd of where the surfaces end that border on an edge cell, within two cells; else 10 mm."""
    row, column = at // window.width, at % window.width
    worst = -1.0
    for far in range(1, 3):
        for r in range(max(row - far, 0), min(row + far + 1, window.height)):
            for q in range(max(column - far, 0), min(column + far + 1, window.width)):
                s = ground_at(surfaces, window, r * window.width + q, top)
                if s < 0:
                    continue
                px, py = x + (q - column) * window.cell, y + (r - row) * window.cell
                if plane_x * px + plane_y * py + c - surfaces.height[s] <= drop:
                    worst = max(worst, np.float64(surfaces.edge_sd[s]))
        if worst >= 0.0:
            return worst
    return UNKNOWN_EDGE_SD_M


@each_cell
def what_is_there(surfaces, window, at, top, here, foot, doubt2, common):  # type: ignore[no-untyped-def]
    """Return what a cell is to a sole whose plane is at `here`: bits, its ground or -1, and how high a thing hangs."""
    only = window.only[at]
    s, free = only, np.inf
    if only >= 0:
        h = np.float64(surfaces.height[only])
        if h < top:
            free = 0.0 if h > here + foot.drop else np.inf
        else:
            s = -1
            free = h - here if here + foot.drop < h < here + foot.clear else np.inf
    elif only == -2:
        s = ground_at(surfaces, window, at, top)
        free = free_height(surfaces, window, at, top, here, foot.drop, foot.clear)
    unsure2 = 0.0
    if s >= 0 and (common < 0 or surfaces.patch[s] != common):
        unsure2 = foot.z**2 * (surfaces.height_sd[s] ** 2 + doubt2)
    below = -np.inf
    above = np.inf if free < np.inf else -np.inf
    if s >= 0:
        lower = here - surfaces.height[s] - foot.drop
        if surfaces.carries[s]:
            below = lower
        above = max(above, -lower - 2.0 * foot.drop)
    elif not free < np.inf:
        below = np.inf
    what = 0
    if below > 0.0:
        what = ALL_EDGE if s >= 0 else MAYBE_EDGE | IS_EDGE
    elif below * below < unsure2:
        what = MAYBE_EDGE
    if above > 0.0:
        what |= ALL_BESIDE
    elif above * above < unsure2:
        what |= MAYBE_BESIDE
    return what, s, free


@each_cell
def side_bound(turned, x, y):  # type: ignore[no-untyped-def]
    """Return how far (x, y) lies inside of the nearest side's line; where not convex, inside of the outline."""
    if not turned[0, 6] > 0.0:
        return inside_by(turned, x, y)
    least = 1e300
    for k in range(turned.shape[0]):
        least = min(least, turned[k, 2] * (y - turned[k, 1]) - turned[k, 3] * (x - turned[k, 0]))
    return least


@each_cell
def calm_depth(foot, doubt2):  # type: ignore[no-untyped-def]
    """Return how far from the plane plain ground surely is neither edge nor obstacle."""
    return foot.drop - max(foot.z * np.sqrt(PLAIN_SD_M**2 + doubt2), PLAIN_OVER_M)


@each_cell
def passed_over(heard, calm, clear):  # type: ignore[no-untyped-def]
    """Return how far over and under the plane plain ground is nothing new to who heard of so much in a row.

    Nothing at all is endlessly deep.
    clear : whether nothing there can take headroom
    """
    over = np.inf if clear and (heard & ALL_BESIDE) == ALL_BESIDE else calm
    deep = np.inf if (heard & ALL_EDGE) == ALL_EDGE else calm
    return over, deep


@inner
def look_around(  # type: ignore[no-untyped-def]
    surfaces, window, base, around, foot, turned, top, level, plane, doubt2, common, quick, scratch, q
):  # fmt: skip
    """Fill in edge, side and headroom with their sds from the rows of cells around.

    Each distance is also taken with the drop narrowed by z times the height's sd: what might be an edge or an
    obstacle then is nearer, and the difference over z is the sd, unless that of the border itself is larger. Rows that
    are farther away than the nearest edge so far are not searched for edges, nor for what stands beside; the nearest
    edge that was seen counts only where less than the limit was observed.
    """
    a, b, c = plane[0], plane[1], plane[2]
    cell, half = window.cell, 0.5 * window.cell
    corner = half * 1.4142135623730951
    convex = turned[0, 6] > 0.0
    calm = calm_depth(foot, doubt2)
    first_y, last_y = outline_box(turned)[2:]
    edge, edge_maybe, edge_at = REACH_M, REACH_M, np.int64(-1)
    unheard, edge_seen = SEEN_EDGE, np.float64(-1.0)
    if not q[OBSERVED] >= foot.limits[6, 1]:
        unheard, edge_seen = 0, REACH_M
    edge_x = edge_y = 0.0
    beside, beside_maybe, beside_sd = REACH_M, REACH_M, 0.0
    headroom = np.inf
    shaded2 = (foot.shin + 2.0 * corner) ** 2
    slack = foot.drop + foot.z * np.sqrt(PLAIN_SD_M**2 + doubt2)
    for turn in range(around.count):
        # From the middle outwards, so that what is near is met first.
        i = around.count // 2 + (-((turn + 1) // 2) if turn & 1 else turn // 2)
        row, low, high, part = around.rows[i, 0], around.rows[i, 1], around.rows[i, 2], around.rows[i, 3]
        start = base + row * window.width
        y = around.y + row * cell
        level_y = level + c + b * y + a * around.x
        rise = a * cell
        away = max(y - half - last_y, first_y - half - y) - 1e-9
        before = unheard
        if away > max(edge, edge_maybe, edge_seen):
            before |= ALL_EDGE
        if away > max(beside, beside_maybe):
            before |= ALL_BESIDE
        clear = headroom <= 0.0 or (away > 0.0 and abs(y) - half > foot.shin)
        if before == ALL_EDGE | ALL_BESIDE and clear:
            continue
        # Plain ground so far over or under the plane is passed over; more of it once there is nearer of its kind.
        over_row, deep_row = passed_over(before, calm, clear)
        loud = 0
        line, line_y, quiet = window.plain[start + low : start + high + 1], level_y + rise * low, scratch.carried
        for k in range(len(line)):
            under = line_y + rise * k - line[k]
            quiet[k] = (under >= -over_row) & (under <= deep_row) & (line[k] < top)
            loud += not quiet[k]
        if loud == 0:
            continue
        count, before_part, places = np.int64(0), np.int64(0), scratch.loud
        for k in range(len(line)):
            places[count] = low + k
            count += not quiet[k]
            before_part += (not quiet[k]) & (low + k < part)
        for side in range(2):
            step = 1 if side else -1
            place = before_part - 1 + side - step
            last = count - 1 if side else 0
            farther = around.rows[i, 4 + side]
            heard, over, deep = before, over_row, deep_row
            while (place < last) if side else (place > last):
                place += step
                k = places[place]
                here = level_y + rise * k
                at = start + k
                under = here - window.plain[at]
                known_ground = window.plain[at] < top
                if known_ground and -over <= under <= deep:
                    continue
                if under == np.inf and (heard & IS_EDGE) > 0:
                    continue
                x = around.x + k * cell
                known = np.nan
                if len(around.distance):
                    side_cells = 2 * around.far + 1
                    known = np.float64(around.distance[(row + around.far) * side_cells + k + around.far])
                # Of cells that are equally far away but for rounding this bound decides which one counts.
                bound = -side_bound(turned, x, y) - corner if convex or not len(around.distance) else known
                if bound >= max(edge, edge_maybe, edge_seen, beside, beside_maybe):
                    # Whatever it is, there is nearer of it.
                    open_above = headroom > 0.0 and not clear
                    if not open_above and bound > 0.0 and step * (k - farther) >= 0:
                        break
                    if not open_above or (bound >= 1e-9 and x * x + y * y > shaded2):
                        continue
                what, s, free = ALL_EDGE, np.int64(0), np.inf
                if not (known_ground and slack < under < np.inf):
                    what, s, free = what_is_there(surfaces, window, at, top, here, foot, doubt2, common)
                may_bar = free < headroom and not clear
                if (what & ~heard) == 0 and not may_bar:
                    continue
                if may_bar and (
                    square_distance(x, y, half, 0.0, 0.0) < foot.shin - 1e-7
                    or (bound < 1e-9 and cell_share(turned, x, y, half, scratch.clip, scratch.spare) > 1e-10)
                ):
                    headroom = free
                    if quick > 0:
                        q[HEADROOM] = headroom
                        return
                if (what & ~heard) == 0:
                    continue
                is_edge, is_beside = (what & IS_EDGE) > 0, (what & IS_BESIDE) > 0
                if not (
                    ((what & MAYBE_EDGE) > 0 and bound < edge_maybe)
                    or (is_edge and (bound < edge or (s >= 0 and bound < edge_seen)))
                    or ((what & MAYBE_BESIDE) > 0 and bound < beside_maybe)
                    or (is_beside and bound < beside)
                ):
                    if bound > 0.0 and step * (k - farther) >= 0:
                        heard |= what
                        if heard == ALL_EDGE | ALL_BESIDE and (clear or headroom <= 0.0):
                            break
                        over, deep = passed_over(heard, calm, headroom <= 0.0 or y * y > shaded2)
                    continue
                if not len(around.distance):
                    known = cell_distance(turned, x, y, half, scratch.clip, scratch.spare)
                if known > 0.0 and step * (k - farther) >= 0:
                    heard |= what
                    over, deep = passed_over(heard, calm, headroom <= 0.0 or y * y > shaded2)
                if quick > 0 and (
                    (is_edge and known < foot.edge_sure[2 - quick])
                    or (is_beside and known < foot.limits[5, 2 - quick] - 1e-9)
                ):
                    q[EDGE] = -np.inf
                    return
                if what & MAYBE_EDGE:
                    edge_maybe = min(edge_maybe, known)
                if is_edge and known < edge:
                    edge = known
                    edge_at, edge_x, edge_y = at, x, y
                if what & SEEN_EDGE:
                    edge_seen = min(edge_seen, known)
                if what & MAYBE_BESIDE:
                    beside_maybe = min(beside_maybe, known)
                if is_beside and known < beside:
                    beside = known
                    beside_sd = np.float64(surfaces.edge_sd[s]) if s >= 0 and not free > 0.0 else cell / np.sqrt(12.0)
    edge_sd = 0.0
    if edge_at >= 0:
        edge_sd = edge_doubt(surfaces, window, edge_at, top, a, b, level + c, foot.drop, edge_x, edge_y)
    if foot.z > 0.0:
        edge_sd = max(edge_sd, (edge - edge_maybe) / foot.z)
        beside_sd = max(beside_sd, (beside - beside_maybe) / foot.z)
    q[EDGE], q[EDGE_SD], q[EDGE_SEEN] = edge, edge_sd, edge_seen if unheard == 0 else edge
    q[BESIDE], q[BESIDE_SD], q[HEADROOM] = beside, beside_sd, headroom
