"""Every cell of a level in every yaw: the same verdicts as `judge`, with what most cells share worked out once.

Where all that a sole and its surroundings read is one plane of one patch, all yaws are alike and follow from the
patch. Where only the sole is, the plane is the patch's and what is near is found once for all yaws. Elsewhere each
yaw is judged in full.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.around import (
    ground_at,
)
from terrain.kernels.early import ends_early
from terrain.kernels.events import find_events, find_nearest, near_plane
from terrain.kernels.exact import fill_window, no_ground
from terrain.kernels.judge import find_level, judge
from terrain.kernels.labels import give_label
from terrain.kernels.levels import column_holding, overhead, surface_of
from terrain.kernels.options import bare, cell_part, part
from terrain.kernels.runs import (
    count_breaks,
    find_runs,
    little_rough,
    most_seen,
    on_one_plane,
    plane_quantities,
    spans_break,
    straddles,
)
from terrain.kernels.verdict import (
    ABOVE_LEVEL_M,
    BESIDE,
    EDGE,
    ENOUGH_SEEN,
    MARGINAL,
    NO_GROUND,
    OBSERVED,
    OBSERVED_SD,
    PAST,
    RESTING,
    ROUGHNESS,
    ROUGHNESS_SD,
    STEPPABLE,
    UNSTEPPABLE,
    Around,
    Sole,
)

BAD = 4
NOTHING, GIVEN_UP = -1, -2
PLAIN, SOLES_FLAT, ALL_FLAT, SMOOTH = 1, 2, 4, 8
"""Of a load cell: it is on a plane; so are the soles of all yaws; so is all that is read; that is little rough."""


class Templates(NamedTuple):
    """Soles turned by each yaw, as cells about the load cell, for blocks of `width` cells a row.

    sole_first (yaws + 1,): where each yaw's rows start in sole_at, _x, _y, _share, _inside: as `lay_sole` lists them,
    places counted from the load cell; row_at (yaws, 2 far + 2): where in its yaw's list the cells of a row start;
    rows (yaws, r, 6), row_count (yaws,): as `lay_rows` lists them, about the load cell, out to where nothing farther
    can change a label; first_x, first_y: the load cell's centre from the load point; span (yaws, 2 far + 1, 2): first
    and last column of the sole in a row, first > last for none; deep, close, inside: the same of the cells that reach
    into it, of those where an edge is surely not comfortable, and of those whose centre is inside; reach
    (2, 2 far + 1, 2): of the soles of all yaws, and of all that any yaw reads;
    probe (yaws, p), apart (yaws, p, p): cells all around under the sole, and metres between them;
    joined, filled (yaws,): whether the cells of `inside` follow each other in all rows; and besides those of `deep` do,
    and no cell is missing between two of a column up to STEP_CELLS apart;
    distance (yaws, (2 far + 1)^2) from the outline to each cell; away, barred ((2 far + 1)^2, yaws): the same the other
    way round, and whether the cell has to be clear;
    fewest: centres under the sole, in any yaw; turned (yaws, k, 7); tilt (yaws, 2) the sole's x axis; yaw (yaws,);
    far: cells.
    """

    sole_first: Any
    sole_at: Any
    sole_x: Any
    sole_y: Any
    sole_share: Any
    sole_inside: Any
    row_at: Any
    rows: Any
    row_count: Any
    first_x: float
    first_y: float
    span: Any
    deep: Any
    close: Any
    inside: Any
    reach: Any
    joined: Any
    filled: Any
    distance: Any
    away: Any
    barred: Any
    probe: Any
    apart: Any
    fewest: int
    turned: Any
    tilt: Any
    yaw: Any
    far: int
    width: int


class Maps(NamedTuple):
    """Rasters (ny, nx) of one level that `judge_level` fills."""

    height: Any
    height_sd: Any
    slope: Any
    roughness: Any
    headroom: Any
    points: Any
    label: Any
    yaw: Any
    share: Any
    patch: Any


@cell_part
def plane_cells(surfaces, runs, load, templates, m, foot, width, q):  # type: ignore[no-untyped-def]
    """Fill in what the cells under the sole in yaw m are seen and rough, all on one plane, like `judge`."""
    far = templates.far
    returns = own = count = 0.0
    thin = np.int64(0)
    for k in range(2 * far + 1):
        start = load + (k - far) * width
        low, high = templates.span[m, k, 0], templates.span[m, k, 1]
        if low <= high:
            thin += runs.thin[start + high + 1] - runs.thin[start + low]
        low, high = templates.inside[m, k, 0], templates.inside[m, k, 1]
        if low <= high:
            own += runs.own[start + high + 1] - runs.own[start + low]
            returns += runs.returns[start + high + 1] - runs.returns[start + low]
            count += high - low + 1
    q[OBSERVED], q[OBSERVED_SD] = 1.0, 0.0
    if thin > 0:
        seen = seen_low = seen_high = 0.0
        for k in range(templates.sole_first[m], templates.sole_first[m + 1]):
            s = runs.flat[load + templates.sole_at[k]]
            share = templates.sole_share[k]
            if surfaces.seen[s] >= ENOUGH_SEEN - 1:
                seen_high += share
                if surfaces.seen[s] >= ENOUGH_SEEN:
                    seen += share
                    if surfaces.seen[s] > ENOUGH_SEEN:
                        seen_low += share
        q[OBSERVED] = min(seen / foot.area, 1.0)
        q[OBSERVED_SD] = 0.5 * (seen_high - seen_low) / foot.area
    own = max(own / count, 0.0)
    q[ROUGHNESS], q[ROUGHNESS_SD] = np.sqrt(own), np.sqrt(own / max(2.0 * returns, 2.0))


@cell_part
def begin_yaw(surfaces, window, runs, base, sole, templates, m, foot, s0, sure, edges_end, quick, scratch, q):  # type: ignore[no-untyped-def]
    """Return the surface that gives a sole in yaw m its level, to be judged in full; NOTHING or GIVEN_UP else.

    sure : whether the level is that of s0; edges_end : see `ends_early`
    """
    found = np.int64(s0)
    if not sure:
        n_sole = len(sole.at)
        found = find_level(surfaces, window, base, base, sole, n_sole, np.float64(surfaces.height[s0]))
        if found < 0:
            return np.int64(NOTHING)
    if quick > 0 and templates.filled[m]:
        if ends_early(surfaces, window, runs, base, sole, foot, templates, m, found, edges_end, quick, scratch, q):
            return np.int64(GIVEN_UP)
    return found


@cell_part
def is_hopeless(window, runs, load, templates, m, foot, rank, edges_end):  # type: ignore[no-untyped-def]
    """Return whether a sole in yaw m is sure to be past a limit, or after a marginal one not to be comfortable.

    What is past its limit: it spans a step or lies over nothing, or too little of its ground was seen.
    edges_end : whether an edge or obstacle under the sole, whose level is known, is past the limit
    """
    if edges_end and straddles(runs, load, templates.probe[m], templates.apart[m], foot):
        return True
    if edges_end and spans_break(
        window,
        runs,
        load,
        templates.deep[m] if rank > MARGINAL else templates.close[m],
        templates.inside[m],
        templates.far,
    ):
        return True
    seen = most_seen(window, runs, load, templates.span[m], templates.far) * window.cell**2 / foot.area
    return seen < foot.limits[6, 1 if rank > MARGINAL else 0] - 1e-8


@part
def how_plain(surfaces, window, runs, row, column, templates, foot, s0):  # type: ignore[no-untyped-def]
    """Return what of a load cell's surroundings lies on its plane and is little rough: bits, see PLAIN."""
    far, load = templates.far, row * window.width + column
    slope = abs(surfaces.gradient[s0, 0]) + abs(surfaces.gradient[s0, 1])
    if runs.flat[load] != s0 or not slope * (far + 1) * window.cell < ABOVE_LEVEL_M:
        return np.int64(0)
    bits, k = np.int64(PLAIN), 0
    while k < 2 and on_one_plane(window, runs, row, column, templates.reach[k], far):
        bits |= SOLES_FLAT if k == 0 else ALL_FLAT
        k += 1
    if little_rough(window, runs, load, templates, foot):
        bits |= SMOOTH
    return bits


@cell_part
def judge_open(surfaces, window, runs, load, templates, foot, s0, memory):  # type: ignore[no-untyped-def]
    """Label all yaws of a cell with nothing near -> the roughness under a sole."""
    q, first = memory.plane, np.int64(0)
    plane_quantities(surfaces, s0, foot, q)
    q[ROUGHNESS] = 0.0
    memory.labels[:] = give_label(np.int64(RESTING), q, foot)
    plane_cells(surfaces, runs, load, templates, first, foot, window.width, q)
    return q[ROUGHNESS]


@cell_part
def judge_on_plane(surfaces, window, runs, row, column, templates, m, foot, s0, bits, memory, n_events):  # type: ignore[no-untyped-def]
    """Label yaw m, whose sole is on the load cell's plane -> how many events are near; -1 before: to be found."""
    q = memory.plane
    if n_events < 0:
        n_events = np.int64(0)
        if not bits & ALL_FLAT:
            n_events = find_events(surfaces, window, runs, row, column, templates, foot, memory)
        find_nearest(templates, memory, n_events)
        plane_quantities(surfaces, s0, foot, q)
        q[ROUGHNESS] = 0.0
    if not bits & SMOOTH:
        plane_cells(surfaces, runs, row * window.width + column, templates, m, foot, window.width, q)
    near_plane(surfaces, window, row, column, templates, m, foot, s0, memory, n_events, q)
    memory.labels[m] = give_label(np.int64(RESTING), q, foot)
    return n_events


@cell_part
def is_observed(surfaces, window, load, templates, foot, s0):  # type: ignore[no-untyped-def]
    """Return whether enough is observed under the sole in yaw 0, its level that of s0."""
    top, seen = surfaces.height[s0] + ABOVE_LEVEL_M, 0.0
    for k in range(templates.sole_first[0], templates.sole_first[1]):
        s = ground_at(surfaces, window, load + templates.sole_at[k], top)
        if s >= 0 and surfaces.seen[s] >= ENOUGH_SEEN:
            seen += templates.sole_share[k]
    return seen / foot.area >= max(foot.limits[6, 1] - 1e-9, 1e-9)


@cell_part
def sole_of(templates, m):  # type: ignore[no-untyped-def]
    """Return the cells under the sole in yaw m."""
    a, b = templates.sole_first[m], templates.sole_first[m + 1]
    at, x, y = templates.sole_at[a:b], templates.sole_x[a:b], templates.sole_y[a:b]
    share, inside, starts = templates.sole_share[a:b], templates.sole_inside[a:b], templates.row_at[m]
    return Sole(at, x, y, share, inside, starts, len(starts) - 1)


@cell_part
def around_of(templates, m):  # type: ignore[no-untyped-def]
    """Return the rows around the sole in yaw m."""
    rows, count, distance = templates.rows[m], templates.row_count[m], templates.distance[m]
    return Around(rows, count, templates.first_x, templates.first_y, distance, templates.far)


@bare
def fill_block(surfaces, known, tile_slot, corner_x, corner_y, level, foot, window, runs):  # type: ignore[no-untyped-def]
    """Fill a window whose lower corner is cell (corner_x, corner_y), and its runs for a level."""
    fill_window(surfaces, known, tile_slot, corner_x, corner_y, np.int64(0), window.height, window)
    count_breaks(surfaces, window, foot, runs)
    find_runs(surfaces, window, level, max(foot.clear, 2.0 * ABOVE_LEVEL_M) + 0.01, runs)


@bare
def judge_block(  # type: ignore[no-untyped-def]
    surfaces, window, runs, corner_x, corner_y, i0, i1, j0, j1, z0, ix0, iy0, ratio, level, templates, foot,
    scratch, memory, maps,
):  # fmt: skip
    """Judge all yaws of output cells (i, j) from (i0, j0) to before (i1, j1), whose load cells are ratio cells apart.

    Best is the label, then where it is steppable the room to the nearest edge or obstacle, then the lower yaw; yaws
    that are no better than the best so far are not told apart. Where no yaw is at least marginal, yaw 0 counts.
    """
    yaws, far, width, labels = len(templates.yaw), templates.far, window.width, memory.labels
    for place in range((i1 - i0) * (j1 - j0)):
        i, j = i0 + place // (j1 - j0), j0 + place % (j1 - j0)
        row, column = iy0 + ratio * i - corner_y, ix0 + ratio * j - corner_x
        s0, points = surface_of(surfaces, window, row, column, ratio, level)
        if s0 < 0:
            continue
        load = row * width + column
        bits = how_plain(surfaces, window, runs, row, column, templates, foot, s0)
        best, rank, room, rough, on_plane, n_events = np.int64(0), np.int64(9), -np.inf, np.nan, False, np.int64(-1)
        turns = yaws + 1
        if bits & ALL_FLAT and bits & SMOOTH and templates.joined[0]:
            rough, turns = judge_open(surfaces, window, runs, load, templates, foot, s0, memory), 0
        level_sure = (window.only[load] == s0 or runs.flat[load] == s0) and surfaces.carries[s0]
        for turn in range(turns):
            m, full, at = turn % yaws, turn == yaws, 1 if rank > MARGINAL else 0
            if full:
                # One yaw has to tell why there is none.
                if rank <= MARGINAL or labels[0] != BAD:
                    break
                found = np.int64(s0)
                if not level_sure:
                    sole = sole_of(templates, m)
                    found = find_level(
                        surfaces, window, load, load, sole, len(sole.at), np.float64(surfaces.height[s0])
                    )
                if found >= 0 and is_observed(surfaces, window, load, templates, foot, found):
                    labels[0] = UNSTEPPABLE
                    break
            edges_end = not full and foot.limits[4, at] >= 0.0 and foot.limits[5, at] >= 0.0
            flat = templates.joined[m] and bits & PLAIN > 0
            flat = flat and (bits & SOLES_FLAT > 0 or on_one_plane(window, runs, row, column, templates.span[m], far))
            q = memory.plane if flat else memory.q
            if flat:
                n_events = judge_on_plane(
                    surfaces, window, runs, row, column, templates, m, foot, s0, bits, memory, n_events
                )
            elif (
                not full
                and templates.filled[m]
                and is_hopeless(window, runs, load, templates, m, foot, rank, edges_end)
            ):
                labels[m] = BAD
                continue
            else:
                quick = np.int64(0 if full else 2 - at)
                sole, around = sole_of(templates, m), around_of(templates, m)
                found = begin_yaw(
                    surfaces, window, runs, load, sole, templates, m, foot, s0, level_sure, edges_end, quick, scratch, q
                )
                status = np.int64(PAST if found == GIVEN_UP else NO_GROUND)
                if found >= 0:
                    status = judge(
                        surfaces, window, load, sole, len(sole.at), around, foot, templates.turned[m],
                        templates.tilt[m], found, quick, quick > 0 and templates.filled[m], scratch, q,
                    )  # fmt: skip
                elif found == NOTHING:
                    no_ground(q)
                labels[m] = BAD if status == PAST else give_label(status, q, foot)
                if status == PAST:
                    continue
            now = labels[m] if labels[m] == STEPPABLE or labels[m] == MARGINAL else 3
            space = min(q[EDGE], q[BESIDE])
            if now < rank or (now == rank == STEPPABLE and space > room + 1e-9):
                best, rank, room, rough, on_plane = m, now, space, q[ROUGHNESS], flat
        if turns > 0 and rank > MARGINAL:
            best, rough = np.int64(0), np.nan
        elif turns > 0 and on_plane and bits & SMOOTH:
            plane_cells(surfaces, runs, load, templates, best, foot, width, memory.plane)
            rough = memory.plane[ROUGHNESS]
        put_cell(surfaces, window, row, column, ratio, s0, points, z0, templates, foot, labels, best, rough, maps, i, j)


@cell_part
def put_cell(surfaces, window, row, column, ratio, s, points, z0, templates, foot, labels, best, rough, maps, i, j):  # type: ignore[no-untyped-def]
    """Write an output cell with surface s: the labels of its yaws, the best one, and the roughness there or NaN."""
    steppable = 0
    for m in range(len(labels)):
        steppable += labels[m] == STEPPABLE
    maps.height[i, j] = surfaces.height[s] + z0
    maps.height_sd[i, j] = surfaces.height_sd[s]
    maps.slope[i, j] = np.arctan(np.hypot(surfaces.gradient[s, 0], surfaces.gradient[s, 1]))
    maps.roughness[i, j] = surfaces.roughness[s] if np.isnan(rough) else rough
    maps.headroom[i, j] = overhead(surfaces, column_holding(surfaces, window, row, column, ratio, s), s, foot.drop)
    maps.points[i, j] = points
    maps.label[i, j] = labels[best]
    maps.yaw[i, j] = templates.yaw[best] if labels[best] == STEPPABLE or labels[best] == MARGINAL else np.nan
    maps.share[i, j] = steppable / len(labels)
    maps.patch[i, j] = surfaces.patch[s]
