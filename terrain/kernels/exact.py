"""Many placements at once, each with a window of its own; placements are independent and run in parallel."""

from __future__ import annotations

import numpy as np
from numba import njit

from terrain.kernels.columns import column_of
from terrain.kernels.judge import find_level, judge
from terrain.kernels.labels import give_label
from terrain.kernels.rooms import open_ground, own_roughness
from terrain.kernels.runs import plane_quantities
from terrain.kernels.soles import lay_sole, turn_outline
from terrain.kernels.verdict import (
    GRADIENT_X,
    GRADIENT_Y,
    HEIGHT,
    NO_GROUND,
    OBSERVED,
    OBSERVED_SD,
    REACH_M,
    RESTING,
    Ring,
    Scratch,
    Sole,
    Window,
    inner,
)


@inner
def fill_window(surfaces, tile_slot, ix0, iy0, width, height, column, only):  # type: ignore[no-untyped-def]
    """Fill column and only (height * width,) of a window whose lower corner is cell (ix0, iy0)."""
    for row in range(height):
        for k in range(width):
            at = row * width + k
            c = column_of(tile_slot, ix0 + k, iy0 + row)
            column[at] = c
            if c < 0:
                only[at] = -1
                continue
            first, end = surfaces.first[c], surfaces.first[c + 1]
            spans = surfaces.span_first[c + 1] > surfaces.span_first[c]
            if end == first and not spans:
                only[at] = -1
            elif end == first + 1 and not spans and surfaces.walkable[first]:
                only[at] = first
            else:
                only[at] = -2


@inner
def rest_on_plane(surfaces, gradient, s0, foot, off_x, off_y, q):  # type: ignore[no-untyped-def]
    """Fill in what a sole has on the plane of s0 and nothing else; the load point lies off the cell's centre."""
    plane_quantities(surfaces, gradient, s0, foot, q)
    a, b = np.float64(gradient[s0, 0]), np.float64(gradient[s0, 1])
    q[HEIGHT] = surfaces.height[s0] + a * off_x + b * off_y
    q[GRADIENT_X], q[GRADIENT_Y] = a, b


@inner
def make_scratch(cells, corners):  # type: ignore[no-untyped-def]
    """Return working memory for soles of up to `cells` cells and outlines of up to `corners` corners."""
    rows = 2 * corners + 16
    many = (4 + corners) * cells + 16
    return Scratch(
        np.empty(cells, dtype=np.int64),
        np.empty(cells),
        np.empty(cells),
        np.empty(cells),
        np.empty(cells, dtype=np.int64),
        np.empty(3, dtype=np.int64),
        np.empty(3),
        np.empty((many, 2)),
        np.empty(many, dtype=np.int64),
        np.empty((2 * many + 4, 2)),
        np.empty((rows, 2)),
        np.empty((rows, 2)),
        np.empty(10),
    )


@njit(cache=True, error_model="numpy", nogil=True)
def judge_batch(  # type: ignore[no-untyped-def]
    surfaces, gradient, rooms, tile_slot, x0, y0, z0, cell, foot, side, low, high, placements,
    quantity, label, reason, patch, level,
):  # fmt: skip
    """Judge rows low to high, with windows of up to side x side cells.

    rooms (s,) uint8 as `find_rooms` gives them for the foot's clearance, or zeros: then more is looked at.
    """
    cells = side * side
    corners = foot.outline.shape[0]
    column = np.empty(cells, dtype=np.int64)
    only = np.empty(cells, dtype=np.int64)
    at = np.empty((2, cells), dtype=np.int64)
    real = np.empty((7, cells))
    flag = np.empty((2, cells), dtype=np.bool_)
    scratch = make_scratch(cells, corners)
    turned = np.empty((corners, 7))
    tilt = np.empty(2)
    sole = Sole(at[0], real[0], real[1], real[2], flag[0])
    ring = Ring(at[1], real[3], real[4], real[5], flag[1], real[6])
    base, quick, resting = np.int64(0), np.int64(0), np.int64(RESTING)
    for row in range(low, high):
        x, y, yaw, wanted = placements[row, 0], placements[row, 1], placements[row, 2], placements[row, 3]
        tilt[0], tilt[1] = np.cos(yaw), np.sin(yaw)
        q = quantity[row]
        gx, gy = min(max((x - x0) / cell + 1e-6, -1e9), 1e9), min(max((y - y0) / cell + 1e-6, -1e9), 1e9)
        cx, cy = np.floor(gx), np.floor(gy)
        s0 = open_ground(surfaces, gradient, rooms, tile_slot, foot, gx, gy, tilt[0], tilt[1], wanted - z0, cell)
        turn_outline(foot.outline, yaw, turned)
        if s0 >= 0 and turned[0, 6] > 0.0:
            rest_on_plane(surfaces, gradient, s0, foot, x - (x0 + (cx + 0.5) * cell), y - (y0 + (cy + 0.5) * cell), q)
            own_roughness(surfaces, tile_slot, turned, (x - x0) / cell, (y - y0) / cell, cell, s0, q)
            patch[row], level[row] = surfaces.patch[s0], surfaces.level[s0]
            label[row] = give_label(resting, q, foot, scratch.exceeds, reason[row])
            continue
        low_x, high_x, low_y, high_y = -foot.shin, foot.shin, -foot.shin, foot.shin
        for k in range(corners):
            low_x, high_x = min(low_x, turned[k, 0] - REACH_M), max(high_x, turned[k, 0] + REACH_M)
            low_y, high_y = min(low_y, turned[k, 1] - REACH_M), max(high_y, turned[k, 1] + REACH_M)
        ix0, iy0 = int(cx + np.floor(low_x / cell)) - 2, int(cy + np.floor(low_y / cell)) - 2
        width = min(int(cx + np.ceil(high_x / cell)) + 3 - ix0, side)
        height = min(int(cy + np.ceil(high_y / cell)) + 3 - iy0, side)
        fill_window(surfaces, tile_slot, ix0, iy0, width, height, column, only)
        window = Window(column, only, width, height, cell)
        load_at = (int(cy) - iy0) * width + int(cx) - ix0
        n_sole, n_ring = lay_sole(
            turned, x - (x0 + ix0 * cell), y - (y0 + iy0 * cell), cell, width, height, REACH_M, foot.shin,
            scratch.clip, scratch.spare, sole.at, sole.x, sole.y, sole.share, sole.inside,
            ring.at, ring.x, ring.y, ring.inside, ring.clear,
        )  # fmt: skip
        ring.distance[:n_ring] = np.nan
        found = find_level(surfaces, window, base, load_at, sole, n_sole, wanted - z0)
        if found < 0:
            q[:] = np.nan
            q[OBSERVED], q[OBSERVED_SD] = 0.0, 0.0
            status = np.int64(NO_GROUND)
            patch[row], level[row] = -1, -1
        else:
            patch[row], level[row] = surfaces.patch[found], surfaces.level[found]
            status = judge(
                surfaces, window, base, sole, n_sole, ring, n_ring, foot, turned, tilt, found, quick, scratch, q
            )  # fmt: skip
        label[row] = give_label(status, q, foot, scratch.exceeds, reason[row])
