"""What a sole on one plane is near: edges, obstacles and what hangs, found once about a load cell for all yaws."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.around import (
    IS_BESIDE,
    IS_EDGE,
    MAYBE_BESIDE,
    MAYBE_EDGE,
    SEEN_EDGE,
    edge_doubt,
    ground_at,
    what_is_there,
)
from terrain.kernels.options import cell_part, part
from terrain.kernels.runs import ON_PLANE_M
from terrain.kernels.verdict import (
    ABOVE_LEVEL_M,
    BESIDE,
    BESIDE_SD,
    EDGE,
    EDGE_SD,
    EDGE_SEEN,
    HEADROOM,
    OBSERVED,
    REACH_M,
)

THING, RISER = 32, 64
"""Beside the bits of `what_is_there`: something there takes headroom; ground that rises over the drop."""
BITS = (IS_EDGE, MAYBE_EDGE, SEEN_EDGE, IS_BESIDE, MAYBE_BESIDE)


class Memory(NamedTuple):
    """Working memory for one block; see `find_events` and `find_nearest`.

    q, plane (QUANTITIES,): of the sole at hand, and of soles on one plane; labels (yaws,).
    """

    kind: Any
    event: Any
    doubt: Any
    free: Any
    nearest: Any
    q: Any
    plane: Any
    labels: Any


@cell_part
def find_events(surfaces, window, runs, row, column, templates, foot, memory):  # type: ignore[no-untyped-def]
    """List what a sole on the load cell's plane could be near, for all yaws -> number of events.

    memory.kind ((2 far + 1)^2,): what each cell about the load cell is, the bits below; memory.event: places in that
    square; memory.free: height over the plane of the thing there; memory.doubt: NaN, sd of the edge, not worked out
    yet. Cells whose four neighbours are of the same kind are left out: none of them is the nearest.
    """
    kind, events, doubts, free = memory.kind, memory.event, memory.doubt, memory.free
    far, side = templates.far, 2 * templates.far + 1
    load = row * window.width + column
    s0 = runs.flat[load]
    a, b = np.float64(surfaces.gradient[s0, 0]), np.float64(surfaces.gradient[s0, 1])
    level = np.float64(surfaces.height[s0])
    top = level + ABOVE_LEVEL_M
    doubt2 = np.float64(surfaces.height_sd[s0]) ** 2
    offset, patch = runs.offset[load], surfaces.patch[s0]
    kind[:] = 0
    count = 0
    flat, offsets, end, patches = runs.flat, runs.offset, runs.end, surfaces.patch
    for r in range(side):
        k = templates.reach[1, r, 0] + far - 1
        last = templates.reach[1, r, 1] + far
        while k < last:
            k += 1
            at = load + (r - far) * window.width + k - far
            t = flat[at]
            place = r * side + k
            if t >= 0 and patches[t] == patch and abs(offsets[at] - offset) <= ON_PLANE_M:
                stop = at + min(end[at] - (column + k - far), last - k)
                if abs(offsets[stop] - offset) <= ON_PLANE_M:
                    k += stop - at
                continue
            here = level + a * (k - far) * window.cell + b * (r - far) * window.cell
            what, s, open_to = what_is_there(surfaces, window, at, top, here, foot, doubt2, np.int64(patch))
            if what & MAYBE_BESIDE and s >= 0 and not open_to > 0.0:
                what |= RISER
            if open_to < np.inf:
                what |= THING
            if what == 0:
                continue
            kind[place] = what
            free[place] = open_to
            events[count] = place
            count += 1
    n = 0
    for i in range(count):
        place = events[i]
        what, r, k = kind[place], place // side, place % side
        inside = 0 < r < side - 1 and 0 < k < side - 1
        if inside and kind[place - 1] == what and kind[place + 1] == what:
            if kind[place - side] == what and kind[place + side] == what:
                continue
        events[n] = place
        doubts[n] = np.nan
        n += 1
    return n


@part
def turn_of(templates, m, place):  # type: ignore[no-untyped-def]
    """Return when `look_around` comes to a place of the square about the load cell: a whole number, lower is sooner."""
    side = 2 * templates.far + 1
    rows, middle = templates.rows[m], templates.row_count[m] // 2
    i, column = place // side - templates.far - rows[0, 0], place % side - templates.far
    turn = 2 * (i - middle) if i >= middle else 2 * (middle - i) - 1
    beyond = column - rows[i, 3]
    return 4 * side * turn + (2 * side + beyond if beyond >= 0 else -beyond)


@part
def find_nearest(templates, memory, n):  # type: ignore[no-untyped-def]
    """Fill in memory.nearest (6, yaws): how near the first `n` events come to the sole in each yaw, REACH_M at most.

    In order: edge, edge_maybe, edge_seen, beside, beside_maybe; and how high the lowest thing hangs that is in the way.
    """
    kind, events, free, nearest = memory.kind, memory.event, memory.free, memory.nearest
    yaws = nearest.shape[1]
    nearest[:5] = REACH_M
    nearest[5] = np.inf
    for k in range(n):
        place = events[k]
        what, here, away, clear = kind[place], free[place], templates.away[place], templates.barred[place]
        for row in range(5):
            if what & BITS[row]:
                least = nearest[row]
                for m in range(yaws):
                    least[m] = away[m] if away[m] < least[m] else least[m]
        if what & THING:
            least = nearest[5]
            for m in range(yaws):
                least[m] = here if clear[m] and here < least[m] else least[m]


@part
def which_is_nearest(templates, m, memory, n, bit, wanted):  # type: ignore[no-untyped-def]
    """Return which of the first `n` events of a kind is as near as wanted.

    The first in the list; where the sole is not convex, the one that `look_around` meets first.
    """
    kind, events, distances = memory.kind, memory.event, templates.distance[m]
    convex, found = templates.turned[m, 0, 6] > 0.0, -1
    for k in range(n):
        place = events[k]
        if distances[place] == wanted and kind[place] & bit:
            if convex:
                return k
            if found < 0 or turn_of(templates, m, place) < turn_of(templates, m, events[found]):
                found = k
    return found


@cell_part
def near_plane(surfaces, window, row, column, templates, m, foot, s0, memory, n, q):  # type: ignore[no-untyped-def]
    """Fill in edge, side and headroom of yaw m from the events about the load cell, like `look_around`.

    Sds are left 0 where they cannot change the label.
    """
    kind, events, doubts = memory.kind, memory.event, memory.doubt
    far, side, width = templates.far, 2 * templates.far + 1, window.width
    nearest = memory.nearest[:, m]
    edge, beside = nearest[0], nearest[3]
    edge_sd = beside_sd = 0.0
    a, b = np.float64(surfaces.gradient[s0, 0]), np.float64(surfaces.gradient[s0, 1])
    level = np.float64(surfaces.height[s0])
    top = level + ABOVE_LEVEL_M
    # What is not comfortable by its estimate already needs no sd, unless it has to be surely past its limit.
    all_sds = not q[OBSERVED] >= foot.limits[6, 1]
    if edge < REACH_M and (all_sds or edge >= foot.limits[4, 0] - 1e-8):
        found = which_is_nearest(templates, m, memory, n, np.int64(IS_EDGE), edge)
        if np.isnan(doubts[found]):
            place = events[found]
            r, k = place // side - far, place % side - far
            at = (row + r) * width + column + k
            doubts[found] = edge_doubt(
                surfaces, window, at, top, a, b, level, foot.drop, k * window.cell, r * window.cell
            )
        edge_sd = doubts[found]
    if beside < REACH_M and (all_sds or beside >= foot.limits[5, 0] - 1e-8):
        place = events[which_is_nearest(templates, m, memory, n, np.int64(IS_BESIDE), beside)]
        beside_sd = window.cell / np.sqrt(12.0)
        if kind[place] & RISER:
            at = (row + place // side - far) * width + column + place % side - far
            beside_sd = np.float64(surfaces.edge_sd[ground_at(surfaces, window, at, top)])
    if foot.z > 0.0:
        edge_sd = max(edge_sd, (edge - nearest[1]) / foot.z)
        beside_sd = max(beside_sd, (beside - nearest[4]) / foot.z)
    q[EDGE], q[EDGE_SD], q[EDGE_SEEN] = edge, edge_sd, nearest[2]
    q[BESIDE], q[BESIDE_SD], q[HEADROOM] = beside, beside_sd, nearest[5]
