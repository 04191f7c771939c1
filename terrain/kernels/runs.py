"""What of a window is plain to see for every placement in it: runs of cells on one plane, holes and steps."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.judge import follows
from terrain.kernels.options import cell_part, each_cell, inner, part
from terrain.kernels.verdict import (
    BESIDE,
    EDGE,
    EDGE_SEEN,
    ENOUGH_SEEN,
    HEADROOM,
    OBSERVED,
    REACH_M,
    ROCKING,
    ROUGHNESS,
    SLOPE,
    SLOPE_SD,
    SUPPORT,
    SUPPORT_BEST,
)

ON_PLANE_M = 1e-5
STEP_CELLS = 4
SURELY_M = 1e-5
"""Metres by which a step must be higher than it needs to be: heights are float32."""


class Runs(NamedTuple):
    """What of a window is plain to see for every placement in it.

    go: how many cells on in the row all hold one surface each that follow each other (see `follows`). flat: the surface
    that is ground there and alone near it and on a patch, or -1; offset: its height less its gradient times the place
    in the window; end: the last column of the run of such cells on one plane; plane: the number of its plane, -1 for
    none; member: a surface of each plane. own, returns,
    thin: of all such cells to the left in the row, the sum of the roughness squared, of the returns, and how many are
    not well seen. sure: height of what surely carries if anything there is ground, or NaN. holes, bare, seen, along,
    across: how many cells to the left in the row hold nothing at all; nothing to walk on; something well seen to walk
    on; start a step in the row; or one in the column.
    """

    go: Any
    flat: Any
    offset: Any
    end: Any
    plane: Any
    member: Any
    own: Any
    returns: Any
    thin: Any
    sure: Any
    holes: Any
    bare: Any
    seen: Any
    along: Any
    across: Any


@part
def alone(surfaces, column, level, gap):  # type: ignore[no-untyped-def]
    """Return the surface of a level that is the only one of it in a column and has `gap` free above it, or -1."""
    found = -1
    for s in range(surfaces.first[column], surfaces.first[column + 1]):
        if surfaces.level[s] == level and surfaces.walkable[s]:
            if found >= 0:
                return -1
            found = s
    if found < 0:
        return -1
    h = surfaces.height[found]
    if found + 1 < surfaces.first[column + 1] and surfaces.height[found + 1] < h + gap:
        return -1
    for o in range(surfaces.span_first[column], surfaces.span_first[column + 1]):
        if surfaces.span_high[o] > h and surfaces.span_low[o] < h + gap:
            return -1
    return found


@part
def find_runs(surfaces, window, level, gap, runs):  # type: ignore[no-untyped-def]
    """Fill the runs of a window for a level."""
    patch, height, seen, carries = surfaces.patch, surfaces.height, surfaces.seen, surfaces.carries
    roughness, gradient = surfaces.roughness, surfaces.gradient
    only, flat, offset, end, member = window.only, runs.flat, runs.offset, runs.end, runs.member
    planes = np.int64(0)
    for row in range(window.height):
        own = returns = 0.0
        thin = 0
        for k in range(window.width):
            at = row * window.width + k
            s = np.int64(only[at])
            if s == -2:
                s = alone(surfaces, window.column[at], level, gap)
            if s >= 0 and not (carries[s] and patch[s] >= 0):
                s = -1
            flat[at] = s
            runs.own[at], runs.returns[at], runs.thin[at] = own, returns, thin
            if s >= 0:
                own += np.float64(roughness[s]) ** 2
                returns += surfaces.points[s]
                thin += seen[s] <= ENOUGH_SEEN
        go_on = 0
        for k in range(window.width - 1, -1, -1):
            at = row * window.width + k
            s, t = np.int64(only[at]), np.int64(only[at + 1] if k + 1 < window.width else -1)
            lasts = s >= 0 and t >= 0 and carries[s] and carries[t] and follows(surfaces, s, t, window.cell)
            go_on = go_on + 1 if lasts else 0
            runs.go[at] = go_on
        for k in range(window.width - 1, -1, -1):
            at = row * window.width + k
            s = flat[at]
            end[at], runs.plane[at] = k, -1
            if s < 0:
                continue
            offset[at] = height[s] - gradient[s, 0] * (k * window.cell) - gradient[s, 1] * (row * window.cell)
            t = np.int64(flat[at + 1] if k + 1 < window.width else -1)
            alike = t >= 0 and same_plane(surfaces, s, t)
            if alike and abs(offset[at + 1] - offset[at]) < 0.25 * ON_PLANE_M:
                end[at] = end[at + 1]
            if alike:
                runs.plane[at] = runs.plane[at + 1]
                continue
            p = np.int64(0)
            while p < planes and not same_plane(surfaces, s, member[p]):
                p += 1
            if p == planes:
                member[p] = s
                planes += 1
            runs.plane[at] = p


@inner
def same_plane(surfaces, s, t):  # type: ignore[no-untyped-def]
    """Return whether two surfaces have the same patch, gradient and gradient sd."""
    patch, gradient, gradient_sd = surfaces.patch, surfaces.gradient, surfaces.gradient_sd
    return (
        patch[s] == patch[t]
        and gradient[s, 0] == gradient[t, 0]
        and gradient[s, 1] == gradient[t, 1]
        and gradient_sd[s] == gradient_sd[t]
    )


@part
def on_one_plane(window, runs, row, column, span, far):  # type: ignore[no-untyped-def]
    """Return whether all cells of a span (2 far + 1, 2) about the load cell lie on the load cell's plane."""
    offset, end, plane = runs.offset, runs.end, runs.plane
    width = window.width
    wanted_plane = plane[row * width + column]
    if wanted_plane < 0:
        return False
    wanted = offset[row * width + column]
    for k in range(2 * far + 1):
        low, high = span[k, 0], span[k, 1]
        if low > high:
            continue
        start = (row + k - far) * width + column + low
        if plane[start] != wanted_plane or end[start] < column + high or abs(offset[start] - wanted) > ON_PLANE_M:
            return False
        if abs(offset[start + high - low] - wanted) > ON_PLANE_M:
            return False
    return True


@part
def little_rough(window, runs, load, templates, foot):  # type: ignore[no-untyped-def]
    """Return whether around a load cell all on one plane is well seen, and too little rough to matter in any yaw."""
    far = templates.far
    own, thin = 0.0, np.int64(0)
    for k in range(2 * far + 1):
        low, high = templates.reach[1, k, 0], templates.reach[1, k, 1]
        if low <= high:
            start = load + (k - far) * window.width
            own += runs.own[start + high + 1] - runs.own[start + low]
            thin += runs.thin[start + high + 1] - runs.thin[start + low]
    # Its sd is at most that of two returns, each cell's own over the root of two.
    most = np.sqrt(max(own, 0.0) / templates.fewest) * (1.0 + foot.z * 0.70711)
    return thin == 0 and most <= foot.limits[1, 0]


@cell_part
def walkable_in(surfaces, column):  # type: ignore[no-untyped-def]
    """Return how many walkable surfaces a column holds, the topmost or -1, and whether one of them is well seen."""
    count, seen, found = 0, False, np.int64(-1)
    for s in range(surfaces.first[column], surfaces.first[column + 1]):
        if surfaces.walkable[s]:
            found = np.int64(s)
            count += 1
            seen = seen or surfaces.seen[s] >= ENOUGH_SEEN
    return count, found, seen


@cell_part
def to_walk_on(surfaces, window, at):  # type: ignore[no-untyped-def]
    """Return the same of a cell of a window."""
    s = np.int64(window.only[at])
    if s == -1:
        return 0, s, False
    if s >= 0:
        return 1, s, surfaces.seen[s] >= ENOUGH_SEEN
    return walkable_in(surfaces, window.column[at])


@cell_part
def is_barred(surfaces, column, height, foot):  # type: ignore[no-untyped-def]
    """Return whether over a sole's ground at `height` something is in the way, if the sole's plane is near it.

    The plane is no lower than the ground, and no higher than the drop over it, or there is an edge.
    """
    low, high = height + 2.0 * foot.drop + SURELY_M, height + foot.clear - SURELY_M
    for s in range(surfaces.first[column], surfaces.first[column + 1]):
        if not surfaces.walkable[s] and low < surfaces.height[s] < high:
            return True
    for o in range(surfaces.span_first[column], surfaces.span_first[column + 1]):
        if surfaces.span_high[o] > low and surfaces.span_low[o] < high:
            return True
    return False


@part
def count_breaks(surfaces, window, foot, runs):  # type: ignore[no-untyped-def]
    """Fill in what is sure to carry, and how many holes and steps a window has.

    A step: two cells of a row or a column, up to STEP_CELLS apart, that both carry and whose heights differ by more
    than the drop and what the steepest sole within its limit rises on the way: under one sole the lower is an edge, or
    the sole is too steep. One that is no ground because it is too high is an obstacle.
    """
    rise = np.tan(foot.limits[0, 1]) * window.cell
    width, height, sure = window.width, window.height, runs.sure
    for row in range(height):
        holes, bare, well_seen = 0, 0, 0
        for k in range(width):
            at = row * width + k
            runs.holes[at], runs.bare[at], runs.seen[at] = holes, bare, well_seen
            count, s, seen = to_walk_on(surfaces, window, at)
            holes += window.only[at] == -1
            well_seen += seen
            sure[at] = surfaces.height[s] if count == 1 and surfaces.carries[s] else np.nan
            bare += count == 0 or (sure[at] == sure[at] and is_barred(surfaces, window.column[at], sure[at], foot))
    for row in range(height):
        along, across = 0, 0
        for k in range(width):
            at = row * width + k
            runs.along[at], runs.across[at] = along, across
            if np.isnan(sure[at]):
                continue
            for d in range(1, STEP_CELLS + 1):
                if k + d < width and abs(sure[at] - sure[at + d]) > foot.drop + rise * d + 1e-8:
                    along += 1
                    break
            for d in range(1, STEP_CELLS + 1):
                if row + d < height and abs(sure[at] - sure[at + d * width]) > foot.drop + rise * d + 1e-8:
                    across += 1
                    break


@part
def spans_break(window, runs, load, deep, inside, far):  # type: ignore[no-untyped-def]
    """Return whether a sole has a hole under it or spans a step, from the columns its rows cover.

    deep, inside (2 far + 1, 2): of the cells where a hole is too near, and of those whose centre is inside.
    """
    holes, bare, along, across, width = runs.holes, runs.bare, runs.along, runs.across, window.width
    for k in range(2 * far + 1):
        start = load + (k - far) * width
        low, high = deep[k, 0], deep[k, 1]
        if low <= high and holes[start + high + 1] != holes[start + low]:
            return True
        low, high = inside[k, 0], inside[k, 1]
        if low > high:
            continue
        if bare[start + high + 1] != bare[start + low]:
            return True
        if high - STEP_CELLS >= low and along[start + high - STEP_CELLS + 1] != along[start + low]:
            return True
        if k + STEP_CELLS <= 2 * far:
            # Of a sole that is filled, all between two rows is inside where both are.
            common_low, common_high = max(low, inside[k + STEP_CELLS, 0]), min(high, inside[k + STEP_CELLS, 1])
            if common_low <= common_high and across[start + common_high + 1] != across[start + common_low]:
                return True
    return False


@part
def straddles(runs, load, probe, apart, foot):  # type: ignore[no-untyped-def]
    """Return whether two of some cells under a sole differ as a step does; apart (p, p): metres between them."""
    low, high = np.inf, -np.inf
    for i in range(len(probe)):
        h = runs.sure[load + probe[i]]
        low, high = (h if h < low else low), (h if h > high else high)
    if not high - low > foot.drop:
        return False
    rise = np.tan(foot.limits[0, 1])
    for i in range(len(probe)):
        h = runs.sure[load + probe[i]]
        for j in range(i):
            if abs(h - runs.sure[load + probe[j]]) > foot.drop + rise * apart[i, j] + 1e-8:
                return True
    return False


@part
def most_seen(window, runs, load, span, far):  # type: ignore[no-untyped-def]
    """Return how many cells under a sole, or partly, hold something well seen to walk on."""
    count = 0
    for k in range(2 * far + 1):
        start = load + (k - far) * window.width
        low, high = span[k, 0], span[k, 1]
        if low <= high:
            count += runs.seen[start + high + 1] - runs.seen[start + low]
    return count


@each_cell
def plane_quantities(surfaces, s, foot, q):  # type: ignore[no-untyped-def]
    """Fill in what a sole has whose ground is the plane of surface `s` and nothing else."""
    g = np.hypot(np.float64(surfaces.gradient[s, 0]), np.float64(surfaces.gradient[s, 1]))
    q[:] = 0.0
    q[SLOPE] = np.arctan(g)
    q[SLOPE_SD] = surfaces.gradient_sd[s] / (1.0 + g * g)
    q[ROUGHNESS] = surfaces.roughness[s]
    q[SUPPORT], q[SUPPORT_BEST], q[OBSERVED] = 1.0, 1.0, 1.0
    q[ROCKING] = foot.margin
    q[EDGE], q[EDGE_SEEN], q[BESIDE], q[HEADROOM] = REACH_M, REACH_M, REACH_M, np.inf
