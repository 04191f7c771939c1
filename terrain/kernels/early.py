"""A placement of a template judged in the order of what ends most of them, to give up early."""

from __future__ import annotations

import numpy as np

from terrain.kernels.around import ground_at, look_around
from terrain.kernels.contact import contact_doubt
from terrain.kernels.judge import falls_away, follows, gather_ground, gives_up, nudge, weigh
from terrain.kernels.options import inner
from terrain.kernels.resting import resting_plane
from terrain.kernels.verdict import (
    ABOVE_LEVEL_M,
    EDGE,
    EDGE_SD,
    GRADIENT_X,
    GRADIENT_Y,
    HEADROOM,
    HEIGHT,
    OBSERVED,
    OBSERVED_SD,
    PAST,
    SLOPE,
    SLOPE_SD,
)


@inner
def list_contacts(surfaces, window, runs, load, templates, m, sole, top, level, gaps_end, scratch):  # type: ignore[no-untyped-def]
    """List what can be contacts under a sole that is filled, as `gather_ground` does -> their number.

    With `gaps_end` it is -1 where a cell holds no ground. Runs of cells that hold one surface each are passed over to
    their end.
    """
    only, go, heights, carries = window.only, runs.go, surfaces.height, surfaces.carries
    lrow, width, far = scratch.lrow, window.width, templates.far
    n = np.int64(0)
    before, before_at, alike = np.int64(-1), np.int64(-2), False
    for r in range(2 * far + 1):
        low, high = templates.inside[m, r, 0], templates.inside[m, r, 1]
        at = load + (r - far) * width + low
        last = at + high - low
        # The place in the sole's list of the cell at `at` is at + first.
        first = templates.row_at[m, r] - (load + (r - far) * width + templates.span[m, r, 0])
        while at <= last:
            s, stop = np.int64(only[at]), at
            if s == -2:
                s = ground_at(surfaces, window, at, top)
            elif s >= 0:
                if not heights[s] < top:
                    s = -1
                elif go[at] > 0:
                    end = min(at + go[at], last)
                    if max(heights[s], heights[only[end]]) < top - 1e-4:
                        stop = end
            if s < 0 and gaps_end:
                return -1
            if s < 0 or not carries[s]:
                at += 1
                continue
            goes_on = at == before_at + 1 and follows(surfaces, before, s, window.cell)
            if not (goes_on and alike):
                n += 1
            alike = goes_on
            k = at + first
            scratch.surface[k], scratch.over[k], lrow[n - 1] = s, np.float64(heights[s]) - level, k
            if stop > at:
                if not alike:
                    n += 1
                alike = True
                s, k = np.int64(only[stop]), stop + first
                scratch.surface[k], scratch.over[k], lrow[n - 1] = s, np.float64(heights[s]) - level, k
            before, before_at = s, stop
            at = stop + 1
    for i in range(n):
        k = lrow[i]
        scratch.lx[i], scratch.ly[i], scratch.lz[i] = sole.x[k], sole.y[k], scratch.over[k]
    return n


@inner
def judge_early(  # type: ignore[no-untyped-def]
    surfaces, window, runs, base, sole, n_sole, around, foot, templates, m, found, edges_end, quick, scratch, q
):  # fmt: skip
    """Judge a sole of a template as `judge` does with `quick` above 0 -> RESTING or PAST.

    For soles that are filled. What has no ground on one side of the load is PAST too. What was observed, what carries
    and how rough it is, which take every cell, come last.

    edges_end : whether neither an edge nor an obstacle may lie under the sole
    """
    q[:] = np.nan
    level = np.float64(surfaces.height[found])
    top = level + ABOVE_LEVEL_M
    limits, plane, turned = foot.limits, scratch.plane, templates.turned[m]
    n = list_contacts(surfaces, window, runs, base, templates, m, sole, top, level, edges_end, scratch)
    if n < 3:
        return PAST
    nudge_x, nudge_y = nudge(templates.tilt[m])
    if not resting_plane(scratch.lx, scratch.ly, scratch.lz, n, nudge_x, nudge_y, scratch.contact, plane):
        return PAST
    a, b, c = plane[0], plane[1], plane[2]
    q[HEIGHT], q[GRADIENT_X], q[GRADIENT_Y] = level + c, a, b
    q[SLOPE] = np.arctan(np.hypot(a, b))
    q[SLOPE_SD], doubt2, common = contact_doubt(surfaces, scratch, a, b)
    if gives_up(q[SLOPE], q[SLOPE_SD], 1.0, limits[0], foot.z, quick):
        return PAST
    for i in range(n if edges_end else 0):
        if a * scratch.lx[i] + b * scratch.ly[i] + c - scratch.lz[i] > foot.drop:
            return PAST
    if common >= 0 and surfaces.patch[found] == common:
        doubt2 = np.float64(surfaces.height_sd[found]) ** 2
    q[OBSERVED] = 1.0
    look_around(surfaces, window, base, around, foot, turned, top, level, plane, doubt2, common, quick, scratch, q)
    if q[HEADROOM] < np.inf or gives_up(q[EDGE], q[EDGE_SD], -1.0, limits[4], foot.z, quick):
        return PAST
    gather_ground(surfaces, window, base, sole, n_sole, foot, level, top, scratch, q)
    if gives_up(q[OBSERVED], q[OBSERVED_SD], -1.0, limits[6], foot.z, quick):
        return PAST
    if edges_end and falls_away(sole, n_sole, scratch, plane, foot.drop):
        return PAST
    return weigh(surfaces, window, sole, n_sole, foot, turned, level, doubt2, common, quick, scratch, q)
