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
from terrain.kernels.events import Memory, find_events, find_nearest, near_plane
from terrain.kernels.exact import fill_window, make_scratch, no_ground
from terrain.kernels.judge import find_level, judge
from terrain.kernels.labels import give_label
from terrain.kernels.levels import column_holding, overhead, surface_of
from terrain.kernels.options import each_cell, inner, lenient
from terrain.kernels.runs import (
    Runs,
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
    QUANTITIES,
    RESTING,
    ROUGHNESS,
    ROUGHNESS_SD,
    STEPPABLE,
    UNSTEPPABLE,
    Around,
    Sole,
    Window,
)

BAD = 4


class Templates(NamedTuple):
    """Soles turned by each yaw, as cells about the load cell, for blocks of `width` cells a row.

    sole_first (yaws + 1,): where each yaw's rows start in sole_at, _x, _y, _share, _inside: as `lay_sole` lists them,
    places counted from the load cell; row_at (yaws, 2 far + 2): where in its yaw's list the cells of a row start;
    rows (yaws, r, 6), row_count (yaws,): as `lay_rows` lists them, about the load cell, out to where nothing farther
    can change a label; first_x, first_y: the load cell's centre from the load point; span (yaws, 2 far + 1, 2): first
    and last column of the sole in a row, first > last for none; deep, close, inside: the same of the cells that reach into it, of those where an edge is surely not comfortable,
    and of those whose centre is inside; cover, reach (2 far + 1, 2): of the soles of all yaws, and of all that any reads;
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
    cover: Any
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


@each_cell
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


@each_cell
def judge_yaw(  # type: ignore[no-untyped-def]
    surfaces, window, runs, row, column, templates, m, foot, s0, sure, edges_end, quick, scratch, q
):  # fmt: skip
    """Judge the sole in yaw m in full -> label, or BAD where `quick` (see `judge`) gives up.

    sure : whether the level is that of s0; edges_end : see `ends_early`
    """
    base = row * window.width + column
    a, b = templates.sole_first[m], templates.sole_first[m + 1]
    at, x, y = templates.sole_at[a:b], templates.sole_x[a:b], templates.sole_y[a:b]
    share, inside, starts = templates.sole_share[a:b], templates.sole_inside[a:b], templates.row_at[m]
    sole = Sole(at, x, y, share, inside, starts, len(starts) - 1)
    n_sole = b - a
    found = np.int64(s0)
    if not sure:
        found = find_level(surfaces, window, base, base, sole, n_sole, np.float64(surfaces.height[s0]))
    if found < 0:
        no_ground(q)
        return give_label(np.int64(NO_GROUND), q, foot)
    count, distance = templates.row_count[m], templates.distance[m]
    around = Around(templates.rows[m], count, templates.first_x, templates.first_y, distance, templates.far)
    early = quick > 0 and templates.filled[m]
    if early and ends_early(
        surfaces, window, runs, base, sole, foot, templates, m, found, edges_end, quick, scratch, q
    ):
        return BAD
    turned, tilt = templates.turned[m], templates.tilt[m]
    status = judge(surfaces, window, base, sole, n_sole, around, foot, turned, tilt, found, quick, early, scratch, q)
    if status == PAST:
        return BAD
    return give_label(status, q, foot)


@each_cell
def is_hopeless(window, runs, load, templates, m, foot, rank, edges_end):  # type: ignore[no-untyped-def]
    """Return whether a sole in yaw m is sure to be past a limit, or after a marginal one not to be comfortable.

    What is past its limit: it spans a step or lies over nothing, or too little of its ground was seen.
    edges_end : whether an edge or obstacle under the sole, whose level is known, is past the limit
    """
    if edges_end and straddles(runs, load, templates.probe[m], templates.apart[m], foot):
        return True
    if edges_end and spans_break(
        window, runs, load, templates.deep[m] if rank > MARGINAL else templates.close[m], templates.inside[m], templates.far
    ):
        return True
    seen = most_seen(window, runs, load, templates.span[m], templates.far) * window.cell**2 / foot.area
    return seen < foot.limits[6, 1 if rank > MARGINAL else 0] - 1e-8


@inner
def judge_cell(surfaces, window, runs, row, column, templates, foot, s0, scratch, memory, q, labels):  # type: ignore[no-untyped-def]
    """Judge all yaws of an output cell -> best yaw, its roughness (NaN: none); fills labels (yaws,).

    Best is the label, then where it is steppable the room to the nearest edge or obstacle, then the lower yaw; yaws
    that are no better than the best so far are not told apart. Where no yaw is at least marginal, yaw 0 counts.
    """
    yaws, far, on_plane_q = len(templates.yaw), templates.far, memory.plane
    load = row * window.width + column
    slope = abs(surfaces.gradient[s0, 0]) + abs(surfaces.gradient[s0, 1])
    plain = runs.flat[load] == s0 and slope * (far + 1) * window.cell < ABOVE_LEVEL_M
    first, resting = np.int64(0), np.int64(RESTING)
    n_events = -1
    all_flat = plain and on_one_plane(window, runs, row, column, templates.cover, far)
    nothing_near = all_flat and on_one_plane(window, runs, row, column, templates.reach, far)
    smooth = plain and little_rough(window, runs, load, templates, foot)
    if nothing_near and smooth and templates.joined[0]:
        plane_quantities(surfaces, s0, foot, q)
        q[ROUGHNESS] = 0.0
        labels[:] = give_label(resting, q, foot)
        plane_cells(surfaces, runs, load, templates, first, foot, window.width, q)
        return 0, q[ROUGHNESS]
    level_sure = (window.only[load] == s0 or runs.flat[load] == s0) and surfaces.carries[s0]
    best, rank, room, best_rough, on_plane = np.int64(0), np.int64(9), -np.inf, np.nan, np.bool_(False)
    for turn in range(yaws + 1):
        m, at = turn % yaws, 1 if rank > MARGINAL else 0
        full = turn == yaws
        if full:
            # One yaw has to tell why there is none.
            if rank <= MARGINAL or labels[0] != BAD:
                break
            least = max(foot.limits[6, 1] - 1e-9, 1e-9)
            if level_sure and sole_observed(surfaces, window, load, templates, first, foot, s0) >= least:
                labels[0] = UNSTEPPABLE
                break
        edges_end = not full and foot.limits[4, at] >= 0.0 and foot.limits[5, at] >= 0.0
        flat = templates.joined[m] and plain
        flat = flat and (all_flat or on_one_plane(window, runs, row, column, templates.span[m], far))
        now_q = on_plane_q if flat else q
        if flat:
            if n_events < 0:
                n_events = 0
                if not nothing_near:
                    n_events = find_events(surfaces, window, runs, row, column, templates, foot, memory)
                find_nearest(templates, memory, n_events)
                plane_quantities(surfaces, s0, foot, now_q)
                now_q[ROUGHNESS] = 0.0
            if not smooth:
                plane_cells(surfaces, runs, load, templates, m, foot, window.width, now_q)
            near_plane(surfaces, window, row, column, templates, m, foot, s0, memory, n_events, now_q)
            labels[m] = give_label(resting, now_q, foot)
        elif not full and templates.filled[m] and is_hopeless(window, runs, load, templates, m, foot, rank, edges_end):
            labels[m] = BAD
            continue
        else:
            quick = np.int64(0 if full else 1 if rank > MARGINAL else 2)
            labels[m] = judge_yaw(
                surfaces, window, runs, row, column, templates, m, foot, s0, level_sure, edges_end, quick, scratch, q,
            )  # fmt: skip
            if labels[m] == BAD:
                continue
        now = labels[m] if labels[m] == STEPPABLE or labels[m] == MARGINAL else 3
        space = min(now_q[EDGE], now_q[BESIDE])
        if now < rank or (now == rank == STEPPABLE and space > room + 1e-9):
            best, rank, room, best_rough, on_plane = m, now, space, now_q[ROUGHNESS], flat
    if rank > MARGINAL:
        return 0, np.nan
    if smooth and on_plane:
        plane_cells(surfaces, runs, load, templates, best, foot, window.width, q)
        best_rough = q[ROUGHNESS]
    return best, best_rough


@each_cell
def sole_observed(surfaces, window, load, templates, m, foot, s0):  # type: ignore[no-untyped-def]
    """Return the observed share under the sole in yaw m, its level that of s0."""
    top = surfaces.height[s0] + ABOVE_LEVEL_M
    seen = 0.0
    for k in range(templates.sole_first[m], templates.sole_first[m + 1]):
        s = ground_at(surfaces, window, load + templates.sole_at[k], top)
        if s >= 0 and surfaces.seen[s] >= ENOUGH_SEEN:
            seen += templates.sole_share[k]
    return seen / foot.area


@lenient
def judge_block(  # type: ignore[no-untyped-def]
    surfaces, known, tile_slot, cell, z0, tx, ty, part, ix0, iy0, ratio, level, templates, foot, maps
):  # fmt: skip
    """Fill the output cells of one level whose load cells lie in a part of a tile.

    part (4,): first and end of its cells along x and along y
    """
    ny, nx = maps.label.shape
    j0, j1 = max(-(-(tx * 64 + part[0] - ix0) // ratio), 0), min(-(-(tx * 64 + part[1] - ix0) // ratio), nx)
    i0, i1 = max(-(-(ty * 64 + part[2] - iy0) // ratio), 0), min(-(-(ty * 64 + part[3] - iy0) // ratio), ny)
    slot = tile_slot[ty, tx]
    some = False
    for s in range(surfaces.first[slot * 4096], surfaces.first[(slot + 1) * 4096]):
        some = some or surfaces.level[s] == level
    if not some or j0 >= j1 or i0 >= i1:
        return
    far = templates.far
    side = templates.width
    corner_x, corner_y = tx * 64 - far - 3, ty * 64 - far - 3
    cells = side * side
    window = Window(np.empty(cells, np.int64), np.empty(cells, np.int32), np.empty(cells, np.float32), side, side, cell)
    fill_window(surfaces, known, tile_slot, corner_x, corner_y, np.int64(0), side, window)
    runs = Runs(
        np.empty(cells, dtype=np.int16),
        np.empty(cells, dtype=np.int64),
        np.empty(cells),
        np.empty(cells, dtype=np.int64),
        np.empty(cells, dtype=np.int16),
        np.empty(cells, dtype=np.int64),
        np.empty(cells),
        np.empty(cells),
        np.empty(cells, dtype=np.int16),
        np.empty(cells),
        np.empty(cells, dtype=np.int16),
        np.empty(cells, dtype=np.int16),
        np.empty(cells, dtype=np.int16),
        np.empty(cells, dtype=np.int16),
        np.empty(cells, dtype=np.int16),
    )
    count_breaks(surfaces, window, foot, runs)
    find_runs(surfaces, window, level, max(foot.clear, 2.0 * ABOVE_LEVEL_M) + 0.01, runs)
    square = (2 * far + 1) ** 2
    memory = Memory(
        np.empty(square, dtype=np.uint8),
        np.empty(square, dtype=np.int64),
        np.empty(square),
        np.empty(square),
        np.empty((6, len(templates.yaw))),
        np.empty(QUANTITIES),
    )
    scratch = make_scratch(square, foot.outline.shape[0])
    q = np.empty(QUANTITIES)
    labels = np.empty(len(templates.yaw), dtype=np.uint8)
    for i in range(i0, i1):
        for j in range(j0, j1):
            row, column = iy0 + ratio * i - corner_y, ix0 + ratio * j - corner_x
            s, points = surface_of(surfaces, window, row, column, ratio, level)
            if s < 0:
                continue
            best, rough = judge_cell(
                surfaces, window, runs, row, column, templates, foot, s, scratch, memory, q, labels
            )
            steppable = 0
            for m in range(len(labels)):
                steppable += labels[m] == STEPPABLE
            maps.height[i, j] = surfaces.height[s] + z0
            maps.height_sd[i, j] = surfaces.height_sd[s]
            maps.slope[i, j] = np.arctan(np.hypot(surfaces.gradient[s, 0], surfaces.gradient[s, 1]))
            maps.roughness[i, j] = surfaces.roughness[s] if np.isnan(rough) else rough
            maps.headroom[i, j] = overhead(
                surfaces, column_holding(surfaces, window, row, column, ratio, s), s, foot.drop
            )
            maps.points[i, j] = points
            maps.label[i, j] = labels[best]
            maps.yaw[i, j] = templates.yaw[best] if labels[best] == STEPPABLE or labels[best] == MARGINAL else np.nan
            maps.share[i, j] = steppable / len(labels)
            maps.patch[i, j] = surfaces.patch[s]
