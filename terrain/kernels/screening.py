"""Placements told quickly: those on open ground, and those under which a break in the ground is plain to see."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.columns import column_of
from terrain.kernels.exact import FARTHEST_CELLS, look_from_plane, rest_on_plane, window_about
from terrain.kernels.labels import give_label
from terrain.kernels.options import bare, cell_part, lenient
from terrain.kernels.rooms import open_ground, own_roughness, sole_on_plane
from terrain.kernels.runs import STEP_CELLS, SURELY_M, is_barred, walkable_in
from terrain.kernels.soles import lay_rows, outline_box, row_span, turn_outline
from terrain.kernels.verdict import (
    EDGE,
    HEADROOM,
    MARGINAL,
    RESTING,
    ROUGHNESS,
    ROUGHNESS_SD,
    STEPPABLE,
    Around,
    Window,
)

UNTOLD, NEITHER = 0, 3
ROUNDING_M = 1e-4
"""Metres within which roughness from sums by row is not near enough; see `roughness_by_rows`."""


class Breaks(NamedTuple):
    """What is under a sole, by sums along each row of 64 columns of a tile, up to a column and with it.

    bare (columns,) uint8: how many columns hold nothing to walk on, or something in the way over it; along, across
    (columns,) uint8: in how many a step starts in the row, or in the column (see `find_breaks`); rough (columns,)
    float32: the roughness squared of the open ground of `Known`. lumps (columns / 256,) float32: the same, all of each
    block of 16 by 16 cells; blocks of a tile follow each other row by row.
    """

    bare: Any
    along: Any
    across: Any
    rough: Any
    lumps: Any


@cell_part
def sure_height(surfaces, column):  # type: ignore[no-untyped-def]
    """Return the height of the one walkable surface of a column if it carries, NaN for others, inf if there is none."""
    count, s, _ = walkable_in(surfaces, column)
    if count == 0:
        return np.inf
    return np.float64(surfaces.height[s]) if count == 1 and surfaces.carries[s] else np.nan


@cell_part
def rises(height, here, tile_slot, ix, iy, least):  # type: ignore[no-untyped-def]
    """Return whether the sure height of cell (ix, iy) is more than `least` from another."""
    column = column_of(tile_slot, ix, iy)
    return column >= 0 and np.isfinite(height[column]) and abs(height[column] - here) > least


@lenient
def find_breaks(surfaces, known, tile_slot, cell_x, cell_y, cell, foot, height, breaks):  # type: ignore[no-untyped-def]
    """Fill in where the ground breaks, whatever level a placement is on; height (columns,): to work with.

    A step: two cells of a row or a column up to STEP_CELLS apart that each hold one surface to walk on, which carries,
    and whose heights differ by more than the drop and what the steepest sole within its limit rises on the way. With
    both under one sole the lower is an edge, the higher an obstacle, or the sole is too steep.
    cell_x, cell_y (slots,) : the first cell of each tile in use
    """
    rise = np.tan(foot.limits[0, 1]) * cell
    for column in range(len(height)):
        height[column] = sure_height(surfaces, column)
    breaks.lumps[:] = 0.0
    for slot in range(len(cell_x)):
        for row in range(64):
            bare, along, across, rough = 0, 0, 0, 0.0
            for k in range(64):
                column = slot * 4096 + row * 64 + k
                here, right, up = height[column], False, False
                if here == np.inf:
                    bare += 1
                elif not np.isnan(here):
                    bare += is_barred(surfaces, column, here, foot)
                    for d in range(1, STEP_CELLS + 1):
                        least, ix, iy = foot.drop + rise * d + SURELY_M, cell_x[slot] + k, cell_y[slot] + row
                        right = right or rises(height, here, tile_slot, ix + d, iy, least)
                        up = up or rises(height, here, tile_slot, ix, iy + d, least)
                if known.flat[column] >= 0:
                    own = np.float64(surfaces.roughness[known.flat[column]]) ** 2
                    rough += own
                    breaks.lumps[slot * 16 + (row >> 4) * 4 + (k >> 4)] += own
                along += right
                across += up
                breaks.bare[column], breaks.along[column] = bare, along
                breaks.across[column], breaks.rough[column] = across, rough


@cell_part
def any_of(counts, column, cells):  # type: ignore[no-untyped-def]
    """Return whether any of some cells from a column on counts, all of one row of a tile."""
    before = counts[column - 1] if column & 63 else np.uint8(0)
    return counts[column + cells - 1] != before


@cell_part
def lay_span(turned, x, y, cell, iy):  # type: ignore[no-untyped-def]
    """Return the first and last cell of a row whose centre is under a convex sole; x, y in cells.

    With a micrometre of leeway as in `lay_sole`.
    """
    low, high = row_span(turned, (iy + 0.5 - y) * cell, 1e-6)
    return np.int64(np.ceil(x + low / cell - 0.5)), np.int64(np.floor(x + high / cell - 0.5))


@cell_part
def lies_on_break(breaks, tile_slot, turned, x, y, cell, first_row, spans):  # type: ignore[no-untyped-def]
    """Return whether a break is under a convex sole, which so has an edge or an obstacle under it, or is too steep.

    Fills spans (r, 2), the cells under it in each row from `first_row` on, to the last row or until a break is found.
    """
    for k in range(len(spans)):
        iy = first_row + k
        ix, last = lay_span(turned, x, y, cell, iy)
        spans[k, 0], spans[k, 1] = ix, last
        while ix <= last:
            column, cells = column_of(tile_slot, ix, iy), min(last, ix | 63) - ix + 1
            if column < 0 or any_of(breaks.bare, column, cells):
                return True
            # A step that starts in the last few cells may end outside.
            sure = min(cells, last - STEP_CELLS - ix + 1)
            if sure > 0 and any_of(breaks.along, column, sure):
                return True
            ix += cells
    for k in range(len(spans) - STEP_CELLS):
        # Of a convex sole all between two rows is inside where both are.
        ix, last = max(spans[k, 0], spans[k + STEP_CELLS, 0]), min(spans[k, 1], spans[k + STEP_CELLS, 1])
        while ix <= last:
            column, cells = column_of(tile_slot, ix, first_row + k), min(last, ix | 63) - ix + 1
            if any_of(breaks.across, column, cells):
                return True
            ix += cells
    return False


@cell_part
def surely_smooth(breaks, tile_slot, turned, x, y, cell, foot):  # type: ignore[no-untyped-def]
    """Return whether open ground under a sole is comfortably smooth even with all that blocks of cells around it have.

    Its sd is at most that of two returns. A convex sole holds at least as many centres of cells as its area has cells,
    less one for each that its outline may cross: five, and along it by the root of two a cell.
    """
    low_x, high_x, low_y, high_y = outline_box(turned)
    cells, total = foot.area / (cell * cell) - 5.0, 0.0
    for k in range(len(turned)):
        cells -= 1.4143 * turned[k, 4] / cell
    if cells <= 0.0:
        return False
    for by in range(np.int64(np.floor(y + low_y / cell)) >> 4, (np.int64(np.floor(y + high_y / cell)) >> 4) + 1):
        for bx in range(np.int64(np.floor(x + low_x / cell)) >> 4, (np.int64(np.floor(x + high_x / cell)) >> 4) + 1):
            tx, ty = bx >> 2, by >> 2
            if bx < 0 or by < 0 or ty >= tile_slot.shape[0] or tx >= tile_slot.shape[1] or tile_slot[ty, tx] < 0:
                continue
            total += breaks.lumps[tile_slot[ty, tx] * 16 + (by & 3) * 4 + (bx & 3)]
    return np.sqrt(total / cells) * (1.0 + 0.70711 * foot.z) <= foot.limits[1, 0] - ROUNDING_M


@cell_part
def roughness_by_rows(  # type: ignore[no-untyped-def]
    surfaces, known, breaks, tile_slot, turned, x, y, cell, foot, s0, first_row, rows, q
):  # fmt: skip
    """Fill in the roughness under a convex sole on the plane of s0 as `own_roughness` does, from sums by row.

    Those are rounded, so that where a limit is near each cell is added up.
    """
    own = returns = count = 0.0
    patch = surfaces.patch[s0]
    for iy in range(first_row, first_row + rows):
        ix, last = lay_span(turned, x, y, cell, iy)
        while ix <= last:
            column, cells = column_of(tile_slot, ix, iy), min(last, ix | 63) - ix + 1
            if column < 0 or known.run[column] < cells or surfaces.patch[known.flat[column]] != patch:
                own_roughness(surfaces, known, tile_slot, turned, x, y, cell, s0, q)
                return
            own += breaks.rough[column + cells - 1]
            if ix & 63:
                own -= breaks.rough[column - 1]
            returns += known.returns[column]
            if known.run[column] > cells:
                returns -= known.returns[column + cells]
            count += cells
            ix += cells
    own = max(own, 0.0) / max(count, 1.0)
    rough, sd = np.sqrt(own), np.sqrt(own / max(2.0 * returns, 2.0))
    if min(abs(rough + foot.z * sd - foot.limits[1, 0]), abs(rough - foot.limits[1, 1])) < ROUNDING_M:
        own_roughness(surfaces, known, tile_slot, turned, x, y, cell, s0, q)
    else:
        q[ROUGHNESS], q[ROUGHNESS_SD] = rough, sd


@cell_part
def told_around(  # type: ignore[no-untyped-def]
    surfaces, known, tile_slot, x, y, ix0, iy0, foot, reach, s0, turned, window, rows, nothing, scratch, q
):  # fmt: skip
    """Return the label of a sole on the plane of s0 whose own quantities q holds, after a look around it.

    x, y : the centre of the window's first cell (ix0, iy0) from the load point, metres
    """
    n_rows = lay_rows(turned, x, y, window.cell, window.width, window.height, reach, foot.shin, rows)
    around, quick = Around(rows, n_rows, x, y, nothing, 0), np.int64(1)
    look_from_plane(surfaces, known, tile_slot, ix0, iy0, foot, turned, s0, window, around, quick, scratch, q)
    if q[HEADROOM] < np.inf or not q[EDGE] > -np.inf:
        return np.int64(NEITHER)
    return np.int64(give_label(np.int64(RESTING), q, foot))


@bare
def screen_batch(  # type: ignore[no-untyped-def]
    surfaces, known, breaks, tile_slot, x0, y0, z0, cell, foot, reach, side, low, high, order, placements, label,
    table, spans, scratch, q,
):  # fmt: skip
    """Tell what is plain to see of rows order[low] to order[high - 1]: STEPPABLE, MARGINAL, NEITHER or UNTOLD.

    Placements of soles that are not convex are not told. spans (side, 2), q (QUANTITIES,): to work with
    """
    turned = table.turned
    edges_end = foot.limits[4, 1] >= 0.0 and foot.limits[5, 1] >= 0.0
    for place in range(low, high):
        row = order[place]
        x, y, yaw, wanted = placements[row, 0], placements[row, 1], placements[row, 2], placements[row, 3] - z0
        fx, fy = (x - x0) / cell, (y - y0) / cell
        gx, gy = fx + 1e-6, fy + 1e-6
        label[row] = NEITHER
        if not max(abs(gx), abs(gy)) < FARTHEST_CELLS:
            continue
        turn_outline(foot.outline, yaw, turned)
        if not turned[0, 6] > 0.0:
            label[row] = UNTOLD
            continue
        low_y, high_y = outline_box(turned)[2:]
        first_row = np.int64(np.floor(fy + low_y / cell))
        under = spans[: np.int64(np.floor(fy + high_y / cell)) + 1 - first_row]
        s0 = open_ground(surfaces, known.rooms, tile_slot, foot, gx, gy, np.cos(yaw), np.sin(yaw), wanted, cell)
        is_open = s0 >= 0
        if edges_end and not is_open and lies_on_break(breaks, tile_slot, turned, fx, fy, cell, first_row, under):
            continue
        if not is_open:
            s0 = sole_on_plane(surfaces, known, tile_slot, turned, gx, gy, cell, wanted, side * cell)
            if s0 < 0:
                label[row] = UNTOLD
                continue
        cx, cy = np.floor(gx), np.floor(gy)
        rest_on_plane(surfaces, s0, foot, x - (x0 + (cx + 0.5) * cell), y - (y0 + (cy + 0.5) * cell), q)
        if surely_smooth(breaks, tile_slot, turned, fx, fy, cell, foot):
            q[ROUGHNESS] = 0.0
        else:
            roughness_by_rows(
                surfaces, known, breaks, tile_slot, turned, fx, fy, cell, foot, s0, first_row, len(under), q
            )
        told = np.int64(0)
        if is_open:
            told = np.int64(give_label(np.int64(RESTING), q, foot))
        else:
            ix0, iy0, width, height = window_about(turned, cx, cy, cell, reach, foot.shin, side)
            window = Window(table.column, table.only, table.plain, width, height, cell)
            told = told_around(
                surfaces, known, tile_slot, x0 + (ix0 + 0.5) * cell - x, y0 + (iy0 + 0.5) * cell - y, ix0, iy0,
                foot, reach, s0, turned, window, table.rows, table.nothing, scratch, q,
            )  # fmt: skip
        label[row] = told if told == STEPPABLE or told == MARGINAL else NEITHER
