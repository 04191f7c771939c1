"""What gives a placement of a template up before all cells under it are gathered."""

from __future__ import annotations

import numpy as np

from terrain.kernels.around import ground_at
from terrain.kernels.judge import follows, nudge
from terrain.kernels.options import cell_part
from terrain.kernels.resting import resting_plane
from terrain.kernels.verdict import ABOVE_LEVEL_M, OBSERVED


@cell_part
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


@cell_part
def ends_early(surfaces, window, runs, base, sole, foot, templates, m, found, edges_end, quick, scratch, q):  # type: ignore[no-untyped-def]
    """Return whether what can be contacts alone gives a sole of a template up, as `judge` does with `quick` above 0.

    For soles that are filled. What has no ground on one side of the load is given up too. Else the resting plane is
    left as `judge` wants it with `planed`.

    edges_end : whether neither an edge nor an obstacle may lie under the sole
    """
    q[:] = np.nan
    level = np.float64(surfaces.height[found])
    plane = scratch.plane
    n = list_contacts(
        surfaces, window, runs, base, templates, m, sole, level + ABOVE_LEVEL_M, level, edges_end, scratch
    )
    if n < 3:
        return True
    nudge_x, nudge_y = nudge(templates.tilt[m])
    if not resting_plane(scratch.lx, scratch.ly, scratch.lz, n, nudge_x, nudge_y, scratch.contact, plane):
        return True
    a, b, c = plane[0], plane[1], plane[2]
    if not np.arctan(np.hypot(a, b)) <= foot.limits[0, 2 - quick] + 1e-9:
        return True
    for i in range(n if edges_end else 0):
        if a * scratch.lx[i] + b * scratch.ly[i] + c - scratch.lz[i] > foot.drop:
            return True
    q[OBSERVED] = 1.0
    return False
