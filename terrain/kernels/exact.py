"""Many placements at once, each with a window of its own; placements are independent and run in parallel."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.around import calm_depth, look_around
from terrain.kernels.columns import column_of
from terrain.kernels.judge import find_level, judge
from terrain.kernels.labels import tell
from terrain.kernels.options import bare, cell_part, each_cell, inner, lenient
from terrain.kernels.rooms import open_ground, own_roughness, row_on_plane, sole_on_plane
from terrain.kernels.runs import plane_quantities
from terrain.kernels.soles import lay_rows, lay_sole, outline_box, turn_outline
from terrain.kernels.verdict import (
    ABOVE_LEVEL_M,
    GRADIENT_X,
    GRADIENT_Y,
    HEIGHT,
    NO_GROUND,
    OBSERVED,
    OBSERVED_SD,
    PAST,
    PLAIN_OVER_M,
    PLAIN_SD_M,
    RESTING,
    UNSTEPPABLE,
    Around,
    Sole,
    Window,
)

FARTHEST_CELLS = 1e9
"""Farther from the grid's corner nothing is looked up: whole numbers would not hold it."""


@each_cell
def only_surface(surfaces, c):  # type: ignore[no-untyped-def]
    """Return the surface of a column that holds it and nothing else, -1 for an empty column, -2 for any other."""
    first, end = surfaces.first[c], surfaces.first[c + 1]
    spans = surfaces.span_first[c + 1] > surfaces.span_first[c]
    if end == first and not spans:
        return np.int64(-1)
    if end == first + 1 and not spans and surfaces.walkable[first]:
        return first
    return np.int64(-2)


@each_cell
def plain_height(surfaces, c):  # type: ignore[no-untyped-def]
    """Return the height of the topmost surface of a column as `Window` has it."""
    s, o = surfaces.first[c + 1] - 1, surfaces.span_first[c + 1] - 1
    if s < surfaces.first[c] and o < surfaces.span_first[c]:
        return np.float32(-np.inf)
    if s < surfaces.first[c] or not surfaces.walkable[s] or not surfaces.carries[s]:
        return np.float32(np.nan)
    if surfaces.height_sd[s] > PLAIN_SD_M:
        return np.float32(np.nan)
    if o >= surfaces.span_first[c] and surfaces.span_high[o] > surfaces.height[s] + PLAIN_OVER_M:
        return np.float32(np.nan)
    return surfaces.height[s]


@lenient
def look_up_columns(surfaces, only, plain):  # type: ignore[no-untyped-def]
    """Fill only (columns,) int32 and plain (columns,) float32 as `Window` has them."""
    for c in range(len(only)):
        only[c] = only_surface(surfaces, c)
        plain[c] = plain_height(surfaces, c)


@each_cell
def fill_window(surfaces, known, tile_slot, ix0, iy0, low, high, window):  # type: ignore[no-untyped-def]
    """Fill rows low to high - 1 of a window whose lower corner is cell (ix0, iy0).

    known : what `look_up_columns` filled, or nothing
    """
    column, only, plain = window.column, window.only, window.plain
    for row in range(low, high):
        k = 0
        while k < window.width:
            c = column_of(tile_slot, ix0 + k, iy0 + row)
            stop = min(k + 64 - ((ix0 + k) & 63), window.width)
            at, end = row * window.width + k, row * window.width + stop
            k = stop
            column_here, only_here, plain_here = column[at:end], only[at:end], plain[at:end]
            if c < 0:
                column_here[:] = -1
                only_here[:] = -1
                plain_here[:] = -np.inf
                continue
            for m in range(len(column_here)):
                column_here[m] = c + m
            if len(known.only):
                only_there, plain_there = known.only[c:], known.plain[c:]
                for m in range(len(only_here)):
                    only_here[m] = only_there[m]
                for m in range(len(plain_here)):
                    plain_here[m] = plain_there[m]
                continue
            for m in range(len(only_here)):
                only_here[m] = only_surface(surfaces, c + m)
                plain_here[m] = plain_height(surfaces, c + m)


@cell_part
def rest_on_plane(surfaces, s0, foot, off_x, off_y, q):  # type: ignore[no-untyped-def]
    """Fill in what a sole has on the plane of s0 and nothing else; the load point lies off the cell's centre."""
    plane_quantities(surfaces, s0, foot, q)
    a, b = np.float64(surfaces.gradient[s0, 0]), np.float64(surfaces.gradient[s0, 1])
    q[HEIGHT] = surfaces.height[s0] + a * off_x + b * off_y
    q[GRADIENT_X], q[GRADIENT_Y] = a, b


@inner
def no_ground(q):  # type: ignore[no-untyped-def]
    """Fill in that a sole has no ground: nothing of it was observed, and nothing else has a value."""
    q[:] = np.nan
    q[OBSERVED], q[OBSERVED_SD] = 0.0, 0.0


class Table(NamedTuple):
    """Working memory for one batch: a window's arrays, a sole's, its outline, and the rows around it."""

    column: Any
    only: Any
    plain: Any
    at: Any
    real: Any
    inside: Any
    starts: Any
    rows: Any
    turned: Any
    tilt: Any
    nothing: Any


@cell_part
def row_is_calm(known, tile_slot, ix, last, iy, plane, rise, calm, top):  # type: ignore[no-untyped-def]
    """Return whether cells ix to last of a row hold plain ground that is no farther than `calm` from a plane.

    plane, rise : its height at the first cell, and what it rises to the next one
    """
    while ix <= last:
        column, cells = column_of(tile_slot, ix, iy), min(last, ix | 63) - ix + 1
        if column < 0:
            return False
        plain, loud = known.plain[column : column + cells], 0
        for k in range(len(plain)):
            loud += not ((abs(plane + rise * k - plain[k]) <= calm) & (plain[k] < top))
        if loud > 0:
            return False
        ix += cells
        plane += rise * cells
    return True


@cell_part
def keep_rows(surfaces, known, tile_slot, ix0, iy0, patch, around, plane, level, top, calm, window):  # type: ignore[no-untyped-def]
    """Keep of the rows around a sole those with more in them than ground as high as its plane -> how many are left.

    patch : all open ground of it lies on the plane. Fills the window where rows are left, and two rows to either side.
    """
    rows, left, filled, cell = around.rows, 0, 0, window.cell
    for i in range(around.count):
        row, low, high = rows[i, 0], rows[i, 1], rows[i, 2]
        if row_on_plane(surfaces, known, tile_slot, ix0 + low, ix0 + high, iy0 + row, patch):
            continue
        here = level + plane[2] + plane[1] * (around.y + row * cell) + plane[0] * (around.x + low * cell)
        if row_is_calm(known, tile_slot, ix0 + low, ix0 + high, iy0 + row, here, plane[0] * cell, calm, top):
            continue
        end = min(row + 3, window.height)
        fill_window(surfaces, known, tile_slot, ix0, iy0, max(filled, row - 2), end, window)
        filled = end
        for k in range(6):
            rows[left, k] = rows[i, k]
        left += 1
    return left


@each_cell
def window_about(turned, cx, cy, cell, reach, shin, side):  # type: ignore[no-untyped-def]
    """Return the first cell, width and height of the window for a sole with its load in cell (cx, cy)."""
    low_x, high_x, low_y, high_y = outline_box(turned)
    low_x, high_x = min(low_x - reach, -shin), max(high_x + reach, shin)
    low_y, high_y = min(low_y - reach, -shin), max(high_y + reach, shin)
    ix0, iy0 = int(cx + np.floor(low_x / cell)) - 2, int(cy + np.floor(low_y / cell)) - 2
    width = min(int(cx + np.ceil(high_x / cell)) + 3 - ix0, side)
    height = min(int(cy + np.ceil(high_y / cell)) + 3 - iy0, side)
    return ix0, iy0, width, height


@cell_part
def look_from_plane(  # type: ignore[no-untyped-def]
    surfaces, known, tile_slot, ix0, iy0, foot, turned, s0, window, around, quick, scratch, q
):  # fmt: skip
    """Fill in edge, side and headroom of a sole on the plane of s0, whose own quantities q holds.

    ix0, iy0 : the first cell of the window; quick : as `look_around` has it
    """
    here, patch = np.float64(surfaces.height[s0]), np.int64(surfaces.patch[s0])
    top, plane, doubt2 = here + ABOVE_LEVEL_M, scratch.plane, np.float64(surfaces.height_sd[s0]) ** 2
    plane[0], plane[1], plane[2] = q[GRADIENT_X], q[GRADIENT_Y], q[HEIGHT] - here
    calm, base = calm_depth(foot, doubt2), np.int64(0)
    left = keep_rows(surfaces, known, tile_slot, ix0, iy0, patch, around, plane, here, top, calm, window)
    if left > 0:
        near = Around(around.rows, left, around.x, around.y, around.distance, around.far)
        look_around(surfaces, window, base, near, foot, turned, top, here, plane, doubt2, patch, quick, scratch, q)


@bare
def judge_batch(  # type: ignore[no-untyped-def]
    surfaces, known, tile_slot, x0, y0, z0, cell, foot, side, low, high, order, placements,
    quantity, label, reason, patch, level, table, scratch, reach, quick,
):  # fmt: skip
    """Judge rows order[low] to order[high - 1], with windows of up to side x side cells.

    known : what was looked up for all of the ground, or nothing of it
    reach : how far around a sole edges and obstacles are looked for, metres
    quick : 0 for all quantities; 1 to stop as soon as one is past its limit, the label being UNSTEPPABLE then. Nothing
        that was looked up for planes is used with 1: `screen_batch` has
    """
    column, only, plain, at, starts, rows = table.column, table.only, table.plain, table.at, table.starts, table.rows
    real, flag, turned, tilt, not_kept = table.real, table.inside, table.turned, table.tilt, table.nothing
    base, resting = np.int64(0), np.int64(RESTING)
    planed = np.bool_(False)  # as a literal it would compile `judge` twice
    for place in range(low, high):
        row = order[place]
        x, y, yaw, wanted = placements[row, 0], placements[row, 1], placements[row, 2], placements[row, 3]
        tilt[0], tilt[1] = np.cos(yaw), np.sin(yaw)
        q = quantity[row]
        gx, gy = (x - x0) / cell + 1e-6, (y - y0) / cell + 1e-6
        if not max(abs(gx), abs(gy)) < FARTHEST_CELLS:
            no_ground(q)
            label[row] = tell(np.int64(NO_GROUND), q, foot, scratch.exceeds, reason[row])
            continue
        cx, cy = np.floor(gx), np.floor(gy)
        s0 = -1
        if len(known.rooms) and quick == 0:
            s0 = open_ground(surfaces, known.rooms, tile_slot, foot, gx, gy, tilt[0], tilt[1], wanted - z0, cell)
        turn_outline(foot.outline, yaw, turned)
        convex = turned[0, 6] > 0.0
        is_open = convex and s0 >= 0
        if convex and len(known.rooms) and quick == 0 and not is_open:
            s0 = sole_on_plane(surfaces, known, tile_slot, turned, gx, gy, cell, wanted - z0, side * cell)
        on_plane = convex and s0 >= 0
        if on_plane:
            rest_on_plane(surfaces, s0, foot, x - (x0 + (cx + 0.5) * cell), y - (y0 + (cy + 0.5) * cell), q)
            own_roughness(surfaces, known, tile_slot, turned, (x - x0) / cell, (y - y0) / cell, cell, s0, q)
            patch[row], level[row] = surfaces.patch[s0], surfaces.level[s0]
        if is_open:
            label[row] = tell(resting, q, foot, scratch.exceeds, reason[row])
            continue
        ix0, iy0, width, height = window_about(turned, cx, cy, cell, reach, foot.shin, side)
        window = Window(column, only, plain, width, height, cell)
        load_at = (int(cy) - iy0) * width + int(cx) - ix0
        # Where the centre of the window's first cell is, from the load point.
        first_x, first_y = x0 + (ix0 + 0.5) * cell - x, y0 + (iy0 + 0.5) * cell - y
        n_rows = lay_rows(turned, first_x, first_y, cell, width, height, reach, foot.shin, rows)
        around = Around(rows, n_rows, first_x, first_y, not_kept, 0)
        if on_plane:
            look_from_plane(
                surfaces, known, tile_slot, ix0, iy0, foot, turned, s0, window, around, quick, scratch, q
            )  # fmt: skip
            label[row] = tell(resting, q, foot, scratch.exceeds, reason[row])
            continue
        fill_window(surfaces, known, tile_slot, ix0, iy0, np.int64(0), height, window)
        n_sole, sole_rows = lay_sole(
            turned, first_x, first_y, cell, width, height, scratch.clip, scratch.spare,
            at, real[0], real[1], real[2], flag, starts,
        )  # fmt: skip
        sole = Sole(at, real[0], real[1], real[2], flag, starts, sole_rows)
        found = find_level(surfaces, window, base, load_at, sole, n_sole, wanted - z0)
        if found < 0:
            no_ground(q)
            status = np.int64(NO_GROUND)
            patch[row], level[row] = -1, -1
        else:
            patch[row], level[row] = surfaces.patch[found], surfaces.level[found]
            status = judge(
                surfaces, window, base, sole, n_sole, around, foot, turned, tilt, found, quick, planed, scratch, q
            )
        if status == PAST:
            label[row] = UNSTEPPABLE
            continue
        label[row] = tell(status, q, foot, scratch.exceeds, reason[row])
