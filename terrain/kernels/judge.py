"""One placement on the ground: every quantity, its standard deviation, the label and the reasons.

The bundles below are what the kernels pass around; heights are metres over the grid's z0 unless said otherwise.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit

from terrain.kernels.resting import resting_plane
from terrain.kernels.soles import cell_distance, clip_to_cell, hull_margin

REACH_M = 0.10
ABOVE_LEVEL_M = 0.25
ENOUGH_SEEN = 3
SEEN_RADIUS_M = 0.03
UNKNOWN_EDGE_SD_M = 0.01
(
    SLOPE, SLOPE_SD, ROUGHNESS, ROUGHNESS_SD, SUPPORT, SUPPORT_SD, ROCKING, ROCKING_SD, EDGE, EDGE_SD,
    BESIDE, BESIDE_SD, OBSERVED, OBSERVED_SD, HEADROOM, HEIGHT, GRADIENT_X, GRADIENT_Y, EDGE_SEEN, SUPPORT_BEST,
) = range(20)  # fmt: skip
QUANTITIES = 20
UNOBSERVED, STEPPABLE, MARGINAL, UNSTEPPABLE = range(4)
REASON_HEADROOM, REASON_UNOBSERVED, REASON_NO_GROUND = 6, 7, 8
NO_GROUND, UNBOUNDED, RESTING, PAST = range(4)


class Surfaces(NamedTuple):
    """The arrays of `terrain.data.Ground` that scoring reads."""

    first: Any
    height: Any
    height_sd: Any
    gradient_sd: Any
    roughness: Any
    edge_sd: Any
    seen: Any
    points: Any
    patch: Any
    level: Any
    carries: Any
    walkable: Any
    span_first: Any
    span_low: Any
    span_high: Any


class Window(NamedTuple):
    """Cells around a placement, row by row: column number, and the only surface there, -1 none, -2 look it up."""

    column: Any
    only: Any
    width: int
    height: int
    cell: float


class Foot(NamedTuple):
    """A foot profile in numbers: limits (7, 2) in the order of the reasons, comfort then limit, `observed` last."""

    limits: Any
    outline: Any
    contact: float
    drop: float
    shin: float
    clear: float
    z: float
    margin: float
    area: float


class Sole(NamedTuple):
    """Cells under the sole, as `lay_sole` lists them; place 0 of `at` is `base` of the window."""

    at: Any
    x: Any
    y: Any
    share: Any
    inside: Any


class Ring(NamedTuple):
    """Cells the edge, side and clearance tests read; distance NaN: not worked out yet; `rising`: sorted by it."""

    at: Any
    x: Any
    y: Any
    inside: Any
    clear: Any
    distance: Any
    rising: bool


class Scratch(NamedTuple):
    """Working memory of one thread."""

    surface: Any
    px: Any
    py: Any
    pz: Any
    row: Any
    contact: Any
    plane: Any
    points: Any
    order: Any
    hull: Any
    clip: Any
    spare: Any
    exceeds: Any


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def contact_doubt(surfaces, scratch, a, b):  # type: ignore[no-untyped-def]
    """Return sd of the slope angle, mean height variance of the three contacts, and their common patch or -1.

    Contacts of one patch share its offset and its tilt error; others err by themselves. Along the direction u of
    steepest ascent the slope is sum(w_i z_i), w_i = u . gradient of corner i's barycentric weight, so that a group
    g adds (sum w)^2 height_sd^2 + |sum w (p - centre)|^2 gradient_sd^2.
    """
    g = np.hypot(a, b)
    ux, uy = (a / g, b / g) if g > 1e-9 else (1.0, 0.0)
    i, j, k = scratch.contact[0], scratch.contact[1], scratch.contact[2]
    px, py = scratch.px, scratch.py
    det = (px[j] - px[i]) * (py[k] - py[i]) - (px[k] - px[i]) * (py[j] - py[i])
    mean, grad2, common = 0.0, 0.0, -1
    x = (px[i], px[j], px[k])
    y = (py[i], py[j], py[k])
    s = (scratch.surface[scratch.row[i]], scratch.surface[scratch.row[j]], scratch.surface[scratch.row[k]])
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


@njit(cache=True, error_model="numpy")
def own_plane_rms(surfaces, cell, scratch, n, a, b, c, drop):  # type: ignore[no-untyped-def]
    """Return the RMS departure of the carrying ground near the plane from its own least-squares plane, and its sd.

    The cells' own roughness is added in quadrature. sd^2: the RMS height sd of cells that are not all of one patch,
    over the number of independent heights (one per 30 mm circle), plus proven roughness^2 / (2 returns).
    """
    count, returns = 0, 0.0
    sx = sy = sz = 0.0
    for i in range(n):
        if abs(a * scratch.px[i] + b * scratch.py[i] + c - scratch.pz[i]) <= drop:
            sx += scratch.px[i]
            sy += scratch.py[i]
            sz += scratch.pz[i]
            count += 1
    if count < 3:
        return np.nan, np.nan
    mx, my, mz = sx / count, sy / count, sz / count
    xx = xy = yy = xz = yz = zz = own = noise = 0.0
    patch = -2
    for i in range(n):
        x, y, z = scratch.px[i], scratch.py[i], scratch.pz[i]
        if abs(a * x + b * y + c - z) <= drop:
            s = scratch.surface[scratch.row[i]]
            x, y, z = x - mx, y - my, z - mz
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


@njit(cache=True, error_model="numpy")
def add_side(points, n, x, y, half):  # type: ignore[no-untyped-def]
    """Append the two ends of a cell's side to the points -> their new number."""
    points[n, 0] = x
    points[n, 1] = y - half
    points[n + 1, 0] = x
    points[n + 1, 1] = y + half
    return n + 2


@njit(cache=True, error_model="numpy")
def carried_margin(sole, n_sole, scratch, turned, window, carried, partial):  # type: ignore[no-untyped-def]
    """Return the margin of the load point in the convex hull of the carried cells, cut to the outline.

    Without `partial` cells count only where they lie wholly in the sole: the margin is then too small, or NaN. Of the
    cells in a row that lie wholly in the sole only the first and the last can be corners of the hull.
    """
    half = 0.5 * window.cell
    full = window.cell * window.cell * (1.0 - 1e-9)
    points, order = scratch.points, scratch.order
    n, last, row_y = 0, -1, 0.0
    for k in range(n_sole):
        if not carried[k]:
            continue
        if sole.share[k] >= full:
            if last >= 0 and sole.y[k] == row_y:
                last = k
                continue
            if last >= 0:
                n = add_side(points, n, sole.x[last] + half, sole.y[last], half)
            n = add_side(points, n, sole.x[k] - half, sole.y[k], half)
            last, row_y = k, sole.y[k]
        elif partial:
            m = clip_to_cell(turned, sole.x[k], sole.y[k], half, scratch.clip, scratch.spare)
            for q in range(m):
                points[n, 0] = scratch.clip[q, 0]
                points[n, 1] = scratch.clip[q, 1]
                n += 1
    if last >= 0:
        n = add_side(points, n, sole.x[last] + half, sole.y[last], half)
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


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def look_around(  # type: ignore[no-untyped-def]
    surfaces, window, base, ring, n_ring, foot, turned, top, level, plane, doubt2, common, quick, scratch, q
):  # fmt: skip
    """Fill in edge, side and headroom with their sds from the ring of cells.

    Each distance is also taken with the drop narrowed by z times the height's sd: what might be an edge or an
    obstacle then is nearer, and the difference over z is the sd, unless that of the border itself is larger.
    """
    a, b, c = plane[0], plane[1], plane[2]
    half = 0.5 * window.cell
    corner = half * 1.4142135623730951
    edge, edge_maybe, edge_seen, edge_cell = REACH_M, REACH_M, REACH_M, -1
    beside, beside_maybe, beside_sd = REACH_M, REACH_M, 0.0
    headroom = np.inf
    for k in range(n_ring):
        if ring.rising and ring.distance[k] >= REACH_M and not ring.clear[k]:
            continue
        at = base + ring.at[k]
        here = level + a * ring.x[k] + b * ring.y[k] + c
        only = window.only[at]
        s, free = only, np.inf
        if only >= 0:
            h = np.float64(surfaces.height[only])
            if h < top:
                free = 0.0 if h > here + foot.drop else np.inf
                spare = foot.drop - abs(here - h)
                if spare >= 0.0 and spare**2 >= foot.z**2 * (surfaces.height_sd[s] ** 2 + doubt2):
                    continue
            else:
                s = -1
                free = h - here if here + foot.drop < h < here + foot.clear else np.inf
        elif only == -2:
            s = ground_at(surfaces, window, at, top)
            free = free_height(surfaces, window, at, top, here, foot.drop, foot.clear)
        if ring.clear[k]:
            headroom = min(headroom, free)
        doubt = 0.0
        if s >= 0 and (common < 0 or surfaces.patch[s] != common):
            doubt = foot.z * np.sqrt(surfaces.height_sd[s] ** 2 + doubt2)
        below = -np.inf
        above = np.inf if free < np.inf else -np.inf
        if s >= 0:
            lower = here - surfaces.height[s] - foot.drop
            if surfaces.carries[s]:
                below = lower
            above = max(above, -lower - 2.0 * foot.drop)
        elif not free < np.inf:
            below = np.inf
        is_edge, may_edge = below > 0.0, below > -doubt
        is_beside, may_beside = above > 0.0, above > -doubt
        if not (may_edge or may_beside):
            continue
        known = ring.distance[k]
        if np.isnan(known):
            bound = -ring.inside[k] - corner
            closer = may_edge and (bound < edge_maybe or (is_edge and (bound < edge or (s >= 0 and bound < edge_seen))))
            closer = closer or (may_beside and (bound < beside_maybe or (is_beside and bound < beside)))
            if not closer:
                continue
            known = cell_distance(turned, ring.x[k], ring.y[k], half, scratch.clip, scratch.spare)
            ring.distance[k] = known
        if quick > 0 and (
            (is_edge and known < foot.limits[4, 2 - quick] - 1e-9)
            or (is_beside and known < foot.limits[5, 2 - quick] - 1e-9)
        ):
            q[EDGE] = -np.inf
            return
        if may_edge:
            edge_maybe = min(edge_maybe, known)
        if is_edge and known < edge:
            edge = known
            edge_cell = k
        if is_edge and s >= 0:
            edge_seen = min(edge_seen, known)
        if may_beside:
            beside_maybe = min(beside_maybe, known)
        if is_beside and known < beside:
            beside = known
            beside_sd = np.float64(surfaces.edge_sd[s]) if s >= 0 and not free > 0.0 else window.cell / np.sqrt(12.0)
    edge_sd = 0.0
    if edge_cell >= 0:
        k = edge_cell
        edge_sd = edge_doubt(surfaces, window, base + ring.at[k], top, a, b, level + c, foot.drop, ring.x[k], ring.y[k])
    if foot.z > 0.0:
        edge_sd = max(edge_sd, (edge - edge_maybe) / foot.z)
        beside_sd = max(beside_sd, (beside - beside_maybe) / foot.z)
    q[EDGE], q[EDGE_SD], q[EDGE_SEEN] = edge, edge_sd, edge_seen
    q[BESIDE], q[BESIDE_SD], q[HEADROOM] = beside, beside_sd, headroom


@njit(cache=True, error_model="numpy")
def find_level(surfaces, window, base, load_at, sole, n_sole, wanted):  # type: ignore[no-untyped-def]
    """Return the surface that fixes the placement's level, or -1.

    At the load point: the walkable surface nearest to `wanted` within 0.25 m, or the topmost one where `wanted` is
    NaN; it may also be one that does not carry. Where it carries nothing or there is none, the nearest cell under
    the sole with one that carries decides, within 0.25 m of the former.
    """
    found = surface_near(surfaces, window, load_at, wanted, False)
    if found >= 0:
        if surfaces.carries[found]:
            return found
        wanted = np.float64(surfaces.height[found])
    nearest = 1e300
    for k in range(n_sole):
        d2 = sole.x[k] ** 2 + sole.y[k] ** 2
        if d2 < nearest - 1e-12:
            s = surface_near(surfaces, window, base + sole.at[k], wanted, True)
            if s >= 0:
                nearest = d2
                found = s
    return found


@njit(cache=True, error_model="numpy")
def surface_near(surfaces, window, at, wanted, carrying):  # type: ignore[no-untyped-def]
    """Return the walkable surface of a cell nearest to `wanted` within 0.25 m (NaN: the topmost), -1 for none."""
    only = window.only[at]
    if only == -1:
        return -1
    if only >= 0:
        low, high = only, only + 1
    else:
        column = window.column[at]
        low, high = surfaces.first[column], surfaces.first[column + 1]
    best, found = ABOVE_LEVEL_M, -1
    for s in range(high - 1, low - 1, -1):
        if not surfaces.walkable[s] or (carrying and not surfaces.carries[s]):
            continue
        if np.isnan(wanted):
            return s
        away = abs(surfaces.height[s] - wanted)
        if away < best or (away == best and found < 0):
            best = away
            found = s
    return found


@njit(cache=True, error_model="numpy")
def gives_up(value, sd, sign, limits, z, quick):  # type: ignore[no-untyped-def]
    """Return whether a quantity is past its limit (quick 1) or not comfortable (2); sign 1: worse the larger."""
    if quick == 1:
        return not sign * value <= sign * limits[1] + 1e-9
    return not sign * value + z * sd <= sign * limits[0] + 1e-9


@njit(cache=True, error_model="numpy")
def judge(surfaces, window, base, sole, n_sole, ring, n_ring, foot, turned, tilt, found, quick, scratch, q):  # type: ignore[no-untyped-def]
    """Work out every quantity of a placement whose level is that of surface `found` -> its status.

    base : place of the window that the lists' places count from
    turned : (k, 7) the outline in map axes about the load point, as `turn_outline` gives it
    tilt : (2,) the sole's x axis in the map, for a nudge of the load point by 0.1 micrometre that turns with the sole
        and keeps it off the lines between cell centres
    quick : 0 for all quantities; 1 to stop with PAST as soon as one is past its limit, 2 as soon as one is not
        comfortable; and where rocking is comfortable to be content with less than its value

    Fills q (QUANTITIES,), NaN where there is no value; the status is NO_GROUND, UNBOUNDED, RESTING or PAST.
    """
    q[:] = np.nan
    level = np.float64(surfaces.height[found])
    top = level + ABOVE_LEVEL_M
    only, heights = window.only, surfaces.height
    n, some = 0, False
    seen = seen_low = seen_high = 0.0
    for k in range(n_sole):
        s = only[base + sole.at[k]]
        if s == -2:
            s = ground_at(surfaces, window, base + sole.at[k], top)
        elif s >= 0 and not heights[s] < top:
            s = -1
        scratch.surface[k] = s
        if s < 0:
            continue
        some = True
        share = sole.share[k]
        if surfaces.seen[s] >= ENOUGH_SEEN - 1:
            seen_high += share
            if surfaces.seen[s] >= ENOUGH_SEEN:
                seen += share
                if surfaces.seen[s] > ENOUGH_SEEN:
                    seen_low += share
        if sole.inside[k] and surfaces.carries[s]:
            scratch.px[n] = sole.x[k]
            scratch.py[n] = sole.y[k]
            scratch.pz[n] = surfaces.height[s] - level
            scratch.row[n] = k
            n += 1
    q[OBSERVED] = min(seen / foot.area, 1.0)
    q[OBSERVED_SD] = 0.5 * (seen_high - seen_low) / foot.area
    if not some:
        return NO_GROUND
    limits = foot.limits
    if quick > 0 and gives_up(q[OBSERVED], q[OBSERVED_SD], -1.0, limits[6], foot.z, quick):
        return PAST
    nudge_x = 1.3e-7 * tilt[0] - 0.7e-7 * tilt[1]
    nudge_y = 1.3e-7 * tilt[1] + 0.7e-7 * tilt[0]
    plane = scratch.plane
    if n < 3 or not resting_plane(scratch.px, scratch.py, scratch.pz, n, nudge_x, nudge_y, scratch.contact, plane):
        return UNBOUNDED
    a, b, c = plane[0], plane[1], plane[2]
    q[HEIGHT], q[GRADIENT_X], q[GRADIENT_Y] = level + c, a, b
    q[SLOPE] = np.arctan(np.hypot(a, b))
    q[SLOPE_SD], doubt2, common = contact_doubt(surfaces, scratch, a, b)
    if quick > 0 and gives_up(q[SLOPE], q[SLOPE_SD], 1.0, limits[0], foot.z, quick):
        return PAST
    if common >= 0 and surfaces.patch[found] == common:
        doubt2 = np.float64(surfaces.height_sd[found]) ** 2
    support_and_rocking(surfaces, window, sole, n_sole, foot, turned, level, doubt2, common, quick, scratch, q)
    if quick > 0:
        if gives_up(q[SUPPORT], q[SUPPORT_SD], -1.0, limits[2], foot.z, quick):
            return PAST
        if gives_up(q[ROCKING], q[ROCKING_SD], -1.0, limits[3], foot.z, quick):
            return PAST
    look_around(
        surfaces, window, base, ring, n_ring, foot, turned, top, level, plane, doubt2, common, quick, scratch, q
    )
    if quick > 0 and (q[HEADROOM] < np.inf or gives_up(q[EDGE], q[EDGE_SD], -1.0, limits[4], foot.z, quick)):
        return PAST
    q[ROUGHNESS], q[ROUGHNESS_SD] = own_plane_rms(surfaces, window.cell, scratch, n, a, b, c, foot.drop)
    return RESTING


@njit(cache=True, error_model="numpy")
def support_and_rocking(  # type: ignore[no-untyped-def]
    surfaces, window, sole, n_sole, foot, turned, level, doubt2, common, quick, scratch, q
):  # fmt: skip
    """Fill in support and rocking with their sds.

    Both are also taken with the contact depth cut by z times the height's sd; the difference over z is the sd. The
    hull's border is uncertain by the carrying surfaces' RMS edge_sd and the cell's cell / sqrt(12), unless it is
    the sole's own. `quick`: where the cells that lie wholly in the sole alone give a comfortable margin, that counts.
    """
    a, b, c = scratch.plane[0], scratch.plane[1], scratch.plane[2]
    carried = np.zeros(n_sole, dtype=np.bool_)
    surely = np.zeros(n_sole, dtype=np.bool_)
    area = sure_area = bare = border2 = 0.0
    for k in range(n_sole):
        s = scratch.surface[k]
        if s < 0:
            bare += sole.share[k]
            continue
        if not surfaces.carries[s]:
            continue
        under = level + a * sole.x[k] + b * sole.y[k] + c - surfaces.height[s]
        doubt = 0.0
        if common < 0 or surfaces.patch[s] != common:
            doubt = foot.z * np.sqrt(surfaces.height_sd[s] ** 2 + doubt2)
        if abs(under) <= foot.contact:
            carried[k] = True
            area += sole.share[k]
            border2 += sole.share[k] * surfaces.edge_sd[s] ** 2
            if abs(under) <= max(foot.contact - doubt, 0.0):
                surely[k] = True
                sure_area += sole.share[k]
    for m in range(3):
        k = scratch.row[scratch.contact[m]]
        if not surely[k]:
            surely[k] = True
            sure_area += sole.share[k]
    support = min(area / foot.area, 1.0)
    q[SUPPORT] = support
    q[SUPPORT_SD] = (area - sure_area) / foot.area / foot.z if foot.z > 0.0 else 0.0
    q[SUPPORT_BEST] = min((area + bare) / foot.area, 1.0)
    unsure = foot.z > 0.0 and area - sure_area > 1e-9 * foot.area
    border_sd = np.sqrt(border2 / area + window.cell**2 / 12.0)
    if quick > 0 and (unsure or support <= 1.0 - 1e-9):
        rocking = carried_margin(sole, n_sole, scratch, turned, window, surely, False)
        if rocking - foot.z * border_sd >= foot.limits[3, 0]:
            q[ROCKING], q[ROCKING_SD] = rocking, border_sd
            return
    if support > 1.0 - 1e-9:
        rocking, rocking_sd = foot.margin, 0.0
    else:
        rocking = carried_margin(sole, n_sole, scratch, turned, window, carried, True)
        rocking_sd = border_sd if abs(rocking - foot.margin) > 1e-9 else 0.0
    if unsure:
        lower = carried_margin(sole, n_sole, scratch, turned, window, surely, True)
        rocking_sd = max(rocking_sd, (rocking - lower) / foot.z)
    q[ROCKING], q[ROCKING_SD] = rocking, rocking_sd


@njit(cache=True, error_model="numpy")
def give_label(status, q, foot, exceeds, reason):  # type: ignore[no-untyped-def]
    """Return the label and fill in reason (10,): numbers of the reasons, worst first, then -1.

    Worst label of all quantities. Where less was observed than the limit allows the label is `unobserved`, unless
    what was seen is past its limit by more than z sd: then, and where the plane is unbounded over ground that was
    seen, `unsteppable`. NaN is past every limit.
    """
    reason[:] = -1
    exceeds[:] = -1.0
    worst = 0
    for k in range(7):
        at = OBSERVED if k == 6 else 2 * k
        name = REASON_UNOBSERVED if k == 6 else k
        if status != RESTING and k < 6 and not (k == 3 and status == UNBOUNDED):
            continue
        comfort, limit = foot.limits[k, 0], foot.limits[k, 1]
        sign = 1.0 if k < 2 else -1.0
        value = sign * q[at]
        span = max(abs(limit - comfort), 1e-9)
        if not value <= sign * limit + 1e-9:
            worst = 2
            over = (value - sign * limit) / span
            exceeds[name] = 1e12 + (min(over, 1e9) if over >= 0.0 else 1e9)
        elif not value + foot.z * q[at + 1] <= sign * comfort + 1e-9:
            worst = max(worst, 1)
            over = (value + foot.z * q[at + 1] - sign * comfort) / span
            exceeds[name] = min(over, 1e9) if over >= 0.0 else 1e9
    if status == RESTING and q[HEADROOM] < np.inf:
        worst = 2
        exceeds[REASON_HEADROOM] = 1e12 + (foot.clear - q[HEADROOM]) / foot.clear
    label = STEPPABLE + worst
    if status == NO_GROUND:
        label = UNOBSERVED
        exceeds[REASON_NO_GROUND] = 4e12
    elif status == UNBOUNDED:
        label = UNSTEPPABLE if q[OBSERVED] > 0.0 else UNOBSERVED
    elif not q[OBSERVED] >= foot.limits[6, 1] - 1e-9 and not surely_out(q, foot):
        label = UNOBSERVED
        exceeds[REASON_UNOBSERVED] = 4e12
    for place in range(10):
        pick = -1
        for k in range(10):
            if exceeds[k] >= 0.0 and (pick < 0 or exceeds[k] > exceeds[pick]):
                pick = k
        if pick < 0:
            break
        reason[place] = pick
        exceeds[pick] = -1.0
    return label


@njit(cache=True, error_model="numpy")
def surely_out(q, foot):  # type: ignore[no-untyped-def]
    """Return whether ground or things that were seen put a quantity past its limit by more than z sd."""
    z, limits = foot.z, foot.limits
    out = q[SLOPE] - z * q[SLOPE_SD] > limits[0, 1] or q[ROUGHNESS] - z * q[ROUGHNESS_SD] > limits[1, 1]
    out = out or q[SUPPORT_BEST] + z * q[SUPPORT_SD] < limits[2, 1]
    out = out or q[EDGE_SEEN] + z * q[EDGE_SD] < limits[4, 1]
    return out or q[BESIDE] + z * q[BESIDE_SD] < limits[5, 1] or q[HEADROOM] < np.inf
