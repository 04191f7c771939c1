"""One placement on the ground: every quantity and its standard deviation."""

from __future__ import annotations

import numpy as np

from terrain.kernels.contact import carried_margin, contact_doubt, own_plane_rms
from terrain.kernels.resting import resting_plane
from terrain.kernels.soles import cell_distance
from terrain.kernels.verdict import (
    ABOVE_LEVEL_M,
    BESIDE,
    BESIDE_SD,
    EDGE,
    EDGE_SD,
    EDGE_SEEN,
    ENOUGH_SEEN,
    GRADIENT_X,
    GRADIENT_Y,
    HEADROOM,
    HEIGHT,
    NO_GROUND,
    OBSERVED,
    OBSERVED_SD,
    PAST,
    REACH_M,
    RESTING,
    ROCKING,
    ROCKING_SD,
    ROUGHNESS,
    ROUGHNESS_SD,
    SLOPE,
    SLOPE_SD,
    SUPPORT,
    SUPPORT_BEST,
    SUPPORT_SD,
    UNBOUNDED,
    UNKNOWN_EDGE_SD_M,
    inner,
)


@inner
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


@inner
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


@inner
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
        if ring.distance[k] >= REACH_M and not ring.clear[k]:
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


@inner
def find_level(surfaces, window, base, load_at, sole, n_sole, wanted):  # type: ignore[no-untyped-def]
    """Return the surface that fixes the placement's level, or -1.

    At the load point: the walkable surface nearest to `wanted` within 0.25 m, or the topmost one where `wanted` is
    NaN; it may also be one that does not carry. Where it carries nothing or there is none, the nearest cell under
    the sole with one that carries decides, within 0.25 m of the former.
    """
    carrying = n_sole >= 0  # always; but as a literal it would compile `surface_near` twice
    found = surface_near(surfaces, window, load_at, wanted, not carrying)
    if found >= 0:
        if surfaces.carries[found]:
            return found
        wanted = np.float64(surfaces.height[found])
    nearest = 1e300
    for k in range(n_sole):
        d2 = sole.x[k] ** 2 + sole.y[k] ** 2
        if d2 < nearest - 1e-12:
            s = surface_near(surfaces, window, base + sole.at[k], wanted, carrying)
            if s >= 0:
                nearest = d2
                found = s
    return found


@inner
def surface_near(surfaces, window, at, wanted, carrying):  # type: ignore[no-untyped-def]
    """Return the walkable surface of a cell nearest to `wanted` within 0.25 m (NaN: the topmost), -1 for none."""
    only = window.only[at]
    if only == -1:
        return -1
    if only >= 0:
        return nearest_walkable(surfaces, only, only + 1, wanted, carrying)
    column = window.column[at]
    return nearest_walkable(surfaces, surfaces.first[column], surfaces.first[column + 1], wanted, carrying)


@inner
def nearest_walkable(surfaces, low, high, wanted, carrying):  # type: ignore[no-untyped-def]
    """Return the same of the surfaces low to high of one column; only of those that carry if `carrying`."""
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


@inner
def gives_up(value, sd, sign, limits, z, quick):  # type: ignore[no-untyped-def]
    """Return whether a quantity is past its limit (quick 1) or not comfortable (2); sign 1: worse the larger."""
    if quick == 1:
        return not sign * value <= sign * limits[1] + 1e-9
    return not sign * value + z * sd <= sign * limits[0] + 1e-9


@inner
def breaks_off(surfaces, window, base, sole, n_sole, foot, level, scratch):  # type: ignore[no-untyped-def]
    """Return whether the sole surely has an edge under it, or is too steep, whatever plane it rests on.

    So it is where a cell under it holds nothing, and where two cells that carry differ by more than the drop and what
    the steepest plane within its limit rises on the way along rows and columns from one to the other.
    """
    rise = np.tan(foot.limits[0, 1]) * window.cell + 1e-9
    drop = foot.drop + 1e-8
    width = window.width
    # By column: how high a plane must be here because of the cells so far, and how high the ground may be.
    floor, roof = scratch.points[:width, 0], scratch.points[:width, 1]
    floor[:] = -np.inf
    roof[:] = np.inf
    row = np.int64(-1)
    for k in range(n_sole):
        if not sole.inside[k]:
            continue
        at = base + sole.at[k]
        s = scratch.surface[k]
        if s < 0 and nothing_near(
            surfaces, window, at, level - ABOVE_LEVEL_M, level + foot.clear + 2.0 * ABOVE_LEVEL_M
        ):
            return True
        column = at % width
        if at // width != row:
            row = at // width
            for c in range(width):
                floor[c] -= rise
                roof[c] += rise
        if column > 0:
            floor[column] = max(floor[column], floor[column - 1] - rise)
            roof[column] = min(roof[column], roof[column - 1] + rise)
        if column + 1 < width:
            floor[column] = max(floor[column], floor[column + 1] - rise)
            roof[column] = min(roof[column], roof[column + 1] + rise)
        if s < 0 or not surfaces.carries[s]:
            continue
        h = np.float64(surfaces.height[s])
        if floor[column] - h > drop or h - roof[column] > drop:
            return True
        floor[column] = max(floor[column], h)
        roof[column] = min(roof[column], h)
    return False


@inner
def nothing_near(surfaces, window, at, low, high):  # type: ignore[no-untyped-def]
    """Return whether a column holds neither ground nor thing between two heights."""
    if window.only[at] == -1:
        return True
    column = window.column[at]
    for s in range(surfaces.first[column], surfaces.first[column + 1]):
        if low < surfaces.height[s] < high:
            return False
    for o in range(surfaces.span_first[column], surfaces.span_first[column + 1]):
        if surfaces.span_high[o] > low and surfaces.span_low[o] < high:
            return False
    return True


@inner
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
    n, some = np.int64(0), False
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
    if quick > 0 and limits[4, 1] >= 0.0:
        if breaks_off(surfaces, window, base, sole, n_sole, foot, level, scratch):
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


@inner
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
    whole = area >= 0.0
    unsure = foot.z > 0.0 and area - sure_area > 1e-9 * foot.area
    border_sd = np.sqrt(border2 / area + window.cell**2 / 12.0)
    if quick > 0 and (unsure or support <= 1.0 - 1e-9):
        rocking = carried_margin(sole, n_sole, scratch, turned, window, surely, not whole)
        if rocking - foot.z * border_sd >= foot.limits[3, 0]:
            q[ROCKING], q[ROCKING_SD] = rocking, border_sd
            return
    if support > 1.0 - 1e-9:
        rocking, rocking_sd = foot.margin, 0.0
    else:
        rocking = carried_margin(sole, n_sole, scratch, turned, window, carried, whole)
        rocking_sd = border_sd if abs(rocking - foot.margin) > 1e-9 else 0.0
    if unsure:
        lower = carried_margin(sole, n_sole, scratch, turned, window, surely, whole)
        rocking_sd = max(rocking_sd, (rocking - lower) / foot.z)
    q[ROCKING], q[ROCKING_SD] = rocking, rocking_sd
