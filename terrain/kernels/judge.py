"""One placement on the ground: every quantity and its standard deviation."""

from __future__ import annotations

import numpy as np

from terrain.kernels.around import ground_at, look_around
from terrain.kernels.contact import carried_margin, contact_doubt, find_ends, own_plane_rms
from terrain.kernels.options import each_cell, inner
from terrain.kernels.resting import resting_plane
from terrain.kernels.verdict import (
    ABOVE_LEVEL_M,
    EDGE,
    EDGE_SD,
    ENOUGH_SEEN,
    GRADIENT_X,
    GRADIENT_Y,
    HEADROOM,
    HEIGHT,
    NO_GROUND,
    OBSERVED,
    OBSERVED_SD,
    PAST,
    PLAIN_SD_M,
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
)

ALONG_M = 2e-6
"""Cells of a plane go on along it within so much, metres: heights are float32."""


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
        return nearest_walkable(surfaces, np.int64(only), np.int64(only + 1), wanted, carrying)
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


@each_cell
def follows(surfaces, before, s, cell):  # type: ignore[no-untyped-def]
    """Return whether a surface goes on along the plane of the one in the cell before it in a row."""
    patch, gradient, height = surfaces.patch, surfaces.gradient, surfaces.height
    return (
        patch[s] >= 0
        and patch[s] == patch[before]
        and gradient[s, 0] == gradient[before, 0]
        and abs(np.float64(height[s]) - np.float64(height[before]) - gradient[s, 0] * cell) < ALONG_M
    )


@inner
def gather_ground(surfaces, window, base, sole, n_sole, foot, level, top, scratch, q):  # type: ignore[no-untyped-def]
    """List the ground under the sole -> how many cells can be contacts, how many hold any ground.

    Fills in what is observed. Within a row, cells that go on along the plane of their patch lie between the two at the
    ends, so that only those can be contacts.
    """
    only, heights, carries, seen_at = window.only, surfaces.height, surfaces.carries, surfaces.seen
    over, lrow = scratch.over, scratch.lrow
    m, some = np.int64(0), np.int64(0)
    seen = seen_low = seen_high = 0.0
    before, before_at, alike = np.int64(-1), np.int64(-2), False
    for k in range(n_sole):
        at = base + sole.at[k]
        s = only[at]
        if s == -2:
            s = ground_at(surfaces, window, at, top)
        elif s >= 0 and not heights[s] < top:
            s = -1
        scratch.surface[k] = s
        over[k] = np.nan
        if s < 0:
            continue
        some += 1
        share = sole.share[k]
        if seen_at[s] >= ENOUGH_SEEN - 1:
            seen_high += share
            if seen_at[s] >= ENOUGH_SEEN:
                seen += share
                if seen_at[s] > ENOUGH_SEEN:
                    seen_low += share
        if not (sole.inside[k] and carries[s]):
            continue
        h = np.float64(heights[s])
        over[k] = h - level
        goes_on = at == before_at + 1 and follows(surfaces, before, s, window.cell)
        if not (goes_on and alike):
            m += 1
        alike = goes_on
        lrow[m - 1] = k
        before, before_at = s, at
    for i in range(m):
        k = lrow[i]
        scratch.lx[i], scratch.ly[i], scratch.lz[i] = sole.x[k], sole.y[k], over[k]
    q[OBSERVED] = min(seen / foot.area, 1.0)
    q[OBSERVED_SD] = 0.5 * (seen_high - seen_low) / foot.area
    return m, some


@inner
def has_gap(sole, n_sole, scratch):  # type: ignore[no-untyped-def]
    """Return whether a cell whose centre is under the sole holds no ground."""
    for k in range(n_sole):
        if scratch.surface[k] < 0 and sole.inside[k]:
            return True
    return False


@inner
def falls_away(sole, n_sole, scratch, plane, drop):  # type: ignore[no-untyped-def]
    """Return whether ground under the sole lies lower than the plane by more than the drop."""
    for k in range(n_sole):
        if plane[0] * sole.x[k] + plane[1] * sole.y[k] + plane[2] - scratch.over[k] > drop:
            return True
    return False


@inner
def nudge(tilt):  # type: ignore[no-untyped-def]
    """Return the load point moved by 0.1 micrometre, in the sole's own direction."""
    return 1.3e-7 * tilt[0] - 0.7e-7 * tilt[1], 1.3e-7 * tilt[1] + 0.7e-7 * tilt[0]


@each_cell
def judge(  # type: ignore[no-untyped-def]
    surfaces, window, base, sole, n_sole, around, foot, turned, tilt, found, quick, planed, scratch, q
):  # fmt: skip
    """Work out every quantity of a placement whose level is that of surface `found` -> its status.

    base : place of the window that the lists' places count from
    turned : (k, 7) the outline in map axes about the load point, as `turn_outline` gives it
    tilt : (2,) the sole's x axis in the map, for a nudge of the load point by 0.1 micrometre that turns with the sole
        and keeps it off the lines between cell centres
    quick : 0 for all quantities; 1 to stop with PAST as soon as one is past its limit, 2 as soon as one is not
        comfortable; and where rocking is comfortable to be content with less than its value
    planed : whether `ends_early` found the plane already; the ground under the sole is then gathered last

    Fills q (QUANTITIES,), NaN where there is no value; the status is NO_GROUND, UNBOUNDED, RESTING or PAST.
    """
    level = np.float64(surfaces.height[found])
    top = level + ABOVE_LEVEL_M
    limits, plane = foot.limits, scratch.plane
    edges_end = quick > 0 and limits[4, 2 - quick] >= 0.0
    if not planed:
        q[:] = np.nan
        m, some = gather_ground(surfaces, window, base, sole, n_sole, foot, level, top, scratch, q)
        if some == 0:
            return NO_GROUND
        if quick > 0 and gives_up(q[OBSERVED], q[OBSERVED_SD], -1.0, limits[6], foot.z, quick):
            return PAST
        # What is not ground there is an edge or an obstacle under the sole.
        if edges_end and limits[5, 2 - quick] >= 0.0 and some < n_sole and has_gap(sole, n_sole, scratch):
            return PAST
        x, y = nudge(tilt)
        if m < 3 or not resting_plane(scratch.lx, scratch.ly, scratch.lz, m, x, y, scratch.contact, plane):
            return UNBOUNDED
    a, b, c = plane[0], plane[1], plane[2]
    q[HEIGHT], q[GRADIENT_X], q[GRADIENT_Y] = level + c, a, b
    q[SLOPE] = np.arctan(np.hypot(a, b))
    q[SLOPE_SD], doubt2, common = contact_doubt(surfaces, scratch, a, b)
    if quick > 0 and gives_up(q[SLOPE], q[SLOPE_SD], 1.0, limits[0], foot.z, quick):
        return PAST
    if edges_end and not planed and falls_away(sole, n_sole, scratch, plane, foot.drop):
        return PAST
    if common >= 0 and surfaces.patch[found] == common:
        doubt2 = np.float64(surfaces.height_sd[found]) ** 2
    look_around(surfaces, window, base, around, foot, turned, top, level, plane, doubt2, common, quick, scratch, q)
    if quick > 0 and (q[HEADROOM] < np.inf or gives_up(q[EDGE], q[EDGE_SD], -1.0, limits[4], foot.z, quick)):
        return PAST
    if planed:
        gather_ground(surfaces, window, base, sole, n_sole, foot, level, top, scratch, q)
        if gives_up(q[OBSERVED], q[OBSERVED_SD], -1.0, limits[6], foot.z, quick):
            return PAST
        if edges_end and falls_away(sole, n_sole, scratch, plane, foot.drop):
            return PAST
    if support_and_rocking(surfaces, window, sole, n_sole, foot, turned, level, doubt2, common, quick, scratch, q):
        return PAST
    q[ROUGHNESS], q[ROUGHNESS_SD] = own_plane_rms(surfaces, window.cell, sole, n_sole, scratch, a, b, c, foot.drop)
    return RESTING


@inner
def parts_differ(sole, n_sole, full, scratch):  # type: ignore[no-untyped-def]
    """Return whether a cell that lies partly in the sole is carried, but not surely."""
    for k in range(n_sole):
        if scratch.carried[k] != scratch.surely[k] and sole.share[k] < full:
            return True
    return False


@inner
def support_and_rocking(  # type: ignore[no-untyped-def]
    surfaces, window, sole, n_sole, foot, turned, level, doubt2, common, quick, scratch, q
):  # fmt: skip
    """Fill in support and rocking with their sds -> whether one of them gives up, see `judge`.

    Both are also taken with the contact depth cut by z times the height's sd; the difference over z is the sd. The
    hull's border is uncertain by the carrying surfaces' RMS edge_sd and the cell's cell / sqrt(12), unless it is
    the sole's own. `quick`: where the cells that lie wholly in the sole alone give a comfortable margin, that counts.
    """
    a, b, c = scratch.plane[0], scratch.plane[1], scratch.plane[2]
    carried, surely = scratch.carried, scratch.surely
    calm = foot.contact - foot.z * np.sqrt(PLAIN_SD_M**2 + doubt2)
    area = sure_area = bare = border2 = 0.0
    for k in range(n_sole):
        s = scratch.surface[k]
        carried[k] = surely[k] = False
        if s < 0:
            bare += sole.share[k]
            continue
        if not surfaces.carries[s]:
            continue
        under = level + a * sole.x[k] + b * sole.y[k] + c - surfaces.height[s]
        if abs(under) <= foot.contact:
            carried[k] = True
            area += sole.share[k]
            border2 += sole.share[k] * surfaces.edge_sd[s] ** 2
            doubt = 0.0
            if (common < 0 or surfaces.patch[s] != common) and not (
                abs(under) <= calm and surfaces.height_sd[s] <= PLAIN_SD_M
            ):
                doubt = foot.z * np.sqrt(surfaces.height_sd[s] ** 2 + doubt2)
            if abs(under) <= max(foot.contact - doubt, 0.0):
                surely[k] = True
                sure_area += sole.share[k]
    for m in range(3):
        k = scratch.lrow[scratch.contact[m]]
        if not surely[k]:
            surely[k] = True
            sure_area += sole.share[k]
    support = min(area / foot.area, 1.0)
    q[SUPPORT] = support
    q[SUPPORT_SD] = (area - sure_area) / foot.area / foot.z if foot.z > 0.0 else 0.0
    q[SUPPORT_BEST] = min((area + bare) / foot.area, 1.0)
    if quick > 0 and gives_up(q[SUPPORT], q[SUPPORT_SD], -1.0, foot.limits[2], foot.z, quick):
        return True
    whole = area >= 0.0
    unsure = foot.z > 0.0 and area - sure_area > 1e-9 * foot.area
    border_sd = np.sqrt(border2 / area + window.cell**2 / 12.0)
    full, ends, rows = window.cell * window.cell * (1.0 - 1e-9), scratch.ends, sole.rows
    if quick > 0 and (unsure or support <= 1.0 - 1e-9):
        find_ends(sole, rows, full, surely, ends)
        rocking = carried_margin(sole, rows, scratch, turned, window, surely, not whole)
        if rocking - foot.z * border_sd >= foot.limits[3, 0]:
            q[ROCKING], q[ROCKING_SD] = rocking, border_sd
            return False
    if support > 1.0 - 1e-9:
        rocking, rocking_sd = foot.margin, 0.0
    else:
        find_ends(sole, rows, full, carried, ends)
        rocking = carried_margin(sole, rows, scratch, turned, window, carried, whole)
        rocking_sd = border_sd if abs(rocking - foot.margin) > 1e-9 else 0.0
    # Where cells that are not sure lie between others of their row only, the hull is the same without them.
    if unsure and (
        find_ends(sole, rows, full, surely, ends) or support > 1.0 - 1e-9 or parts_differ(sole, n_sole, full, scratch)
    ):
        lower = carried_margin(sole, rows, scratch, turned, window, surely, whole)
        rocking_sd = max(rocking_sd, (rocking - lower) / foot.z)
    q[ROCKING], q[ROCKING_SD] = rocking, rocking_sd
    return quick > 0 and gives_up(rocking, rocking_sd, -1.0, foot.limits[3], foot.z, quick)
