"""What the page draws of the ground itself: a section along a line, and what carries a sole.

Both read the map's fine ground. The verdict comes from scoring; the drawing of what carries is worked out here anew
from the heights under the sole and the verdict's resting plane, so that a person can see why.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import TILE_CELLS, BoolArray, FloatArray, FootProfile, Ground, IntArray, Verdicts

ABOVE_LEVEL_M = 0.25
"""Ground is the highest surface less than this above the sole's level; what is higher is an obstacle."""
ENOUGH_RETURNS = 3
TOUCHING_M = 0.0005
MOST_SAMPLES = 4000
CARRIED, LOW, EDGE, NOTHING = range(4)
"""States of a cell under the sole: within `contact_m` of the resting plane, lower, past `drop_m`, no ground."""


def columns_at(ground: Ground, x_m: FloatArray, y_m: FloatArray) -> IntArray:
    """Return the column number of each spot, -1 where the grid holds nothing."""
    grid = ground.grid
    ix = np.floor((x_m - grid.x0_m) / grid.cell_m).astype(np.int64)
    iy = np.floor((y_m - grid.y0_m) / grid.cell_m).astype(np.int64)
    inside = (ix >= 0) & (iy >= 0) & (ix < grid.nx) & (iy < grid.ny)
    column = np.full(len(ix), -1, dtype=np.int64)
    slot = grid.tile_slot[iy[inside] // TILE_CELLS, ix[inside] // TILE_CELLS].astype(np.int64)
    within = slot * TILE_CELLS**2 + (iy[inside] % TILE_CELLS) * TILE_CELLS + ix[inside] % TILE_CELLS
    column[inside] = np.where(slot >= 0, within, -1)
    return column


def _members(first: IntArray, column: IntArray) -> tuple[IntArray, IntArray]:
    """Return the spot and the row of everything in the columns of the spots."""
    known = column >= 0
    start = np.where(known, first[np.maximum(column, 0)], 0)
    count = np.where(known, first[np.maximum(column, 0) + 1] - start, 0)
    spot = np.repeat(np.arange(len(column)), count)
    ends = np.cumsum(count)
    row = np.arange(int(count.sum())) - np.repeat(ends - count, count) + np.repeat(start, count)
    return spot, row


def section(ground: Ground, start_m: npt.ArrayLike, end_m: npt.ArrayLike) -> dict[str, Any]:
    """Return every surface and everything in the way along a line in plan.

    Parameters
    ----------
    start_m, end_m : (2,) float64
        Ends of the line, metres, map frame.

    Returns
    -------
    dict
        `step_m` between samples and `length_m`; `surface`: sample, height_m, height_sd_m, level, patch_id, seen
        (returns within 30 mm); `span`: sample, low_m, high_m, what is no ground. Columns, absolute heights.
    """
    a, b = np.asarray(start_m, dtype=np.float64), np.asarray(end_m, dtype=np.float64)
    length = float(np.hypot(*(b - a)))
    samples = int(np.clip(round(length / ground.grid.cell_m) + 1, 2, MOST_SAMPLES))
    share = np.linspace(0.0, 1.0, samples)
    column = columns_at(ground, a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))
    spot, row = _members(ground.first, column)
    span_spot, span_row = _members(ground.span_first, column)
    z0 = ground.grid.z0_m
    return {
        "step_m": length / (samples - 1),
        "length_m": length,
        "samples": samples,
        "surface": {
            "sample": spot.tolist(),
            "height_m": np.round(ground.height_m[row] + z0, 4).tolist(),
            "height_sd_m": np.round(ground.height_sd_m[row].astype(np.float64), 4).tolist(),
            "level": ground.level[row].tolist(),
            "patch_id": ground.patch_id[row].tolist(),
            "seen": ground.seen[row].tolist(),
        },
        "span": {
            "sample": span_spot.tolist(),
            "low_m": np.round(ground.span_low_m[span_row] + z0, 4).tolist(),
            "high_m": np.round(ground.span_high_m[span_row] + z0, 4).tolist(),
        },
    }


def contact(ground: Ground, foot: FootProfile, verdicts: Verdicts, row: int) -> dict[str, Any]:
    """Return what carries a sole, for drawing, from the heights under it and its resting plane.

    Returns
    -------
    dict
        `outline_m`: (k, 3) corners of the sole, on the resting plane where there is one. `cells`: x_m, y_m, z_m,
        state (`CARRIED`, `LOW`, `EDGE`, `NOTHING`) and seen (0 or 1) of each ground cell under the sole. `hull_m`:
        corners of the convex hull of what carries, empty where nothing does; `nearest_m`: the spot of its border that
        is nearest to the load point, `load_m`. `downhill_deg`: where the plane falls, None where it is level.
        `touching_m`: where the plane touches ground. `support`: share of the cells that carry.

    Notes
    -----
    Coarser than the verdict, which takes joints, standard deviations and the border of cells into account: the numbers
    of the verdict count, these shapes explain them.
    """
    x, y, yaw = verdicts.placement[row, :3]
    corners, cells = _sole(ground, foot, float(x), float(y), float(yaw))
    a, b, c = verdicts.plane[row]
    has_plane = bool(np.isfinite([a, b, c]).all())
    dx, dy = cells[:, 0] - x, cells[:, 1] - y
    plane = a * dx + b * dy + c if has_plane else np.full(len(cells), np.nan)
    level = _level_height(ground, verdicts, row)
    height, seen, carries = _ground_under(ground, cells, level)
    gap = plane - height
    state = np.full(len(cells), NOTHING)
    found = np.isfinite(height)
    if has_plane:
        state[found] = np.where(gap[found] > foot.drop_m, EDGE, np.where(gap[found] > foot.contact_m, LOW, CARRIED))
        state[found & ~carries & (state == CARRIED)] = LOW
    else:
        state[found] = LOW
    carried = cells[state == CARRIED]
    corner_z = a * (corners[:, 0] - x) + b * (corners[:, 1] - y) + c if has_plane else np.full(len(corners), level)
    hull, nearest = _hull(carried, np.array([x, y]))
    touching = cells[(state == CARRIED) & (gap < TOUCHING_M)] if has_plane else cells[:0]
    return {
        "outline_m": _rows(np.column_stack([corners, corner_z])),
        "cells": {
            "size_m": ground.grid.cell_m,
            "x_m": np.round(cells[:, 0], 4).tolist(),
            "y_m": np.round(cells[:, 1], 4).tolist(),
            "z_m": [None if not np.isfinite(z) else round(float(z), 4) for z in height],
            "state": state.tolist(),
            "seen": seen.astype(int).tolist(),
        },
        "has_plane": has_plane,
        "load_m": _rows(np.array([[x, y, c if has_plane else level]]))[0],
        "downhill_deg": round(float(np.degrees(np.arctan2(-b, -a))), 1)
        if has_plane and np.hypot(a, b) > 1e-3
        else None,
        "hull_m": _rows(hull),
        "nearest_m": None if nearest is None else _rows(nearest[None])[0],
        "touching_m": _rows(touching),
        "support": float(np.mean(state == CARRIED)) if len(state) else 0.0,
    }


def _level_height(ground: Ground, verdicts: Verdicts, row: int) -> float:
    """Return the height the sole is at: its plane's, else the one asked for, else the topmost ground at the load."""
    for height in (verdicts.z_m[row], verdicts.placement[row, 3]):
        if np.isfinite(height):
            return float(height)
    _, rows = _members(ground.first, columns_at(ground, *verdicts.placement[row, :2, None]))
    walkable = rows[ground.walkable[rows]]
    return float(ground.height_m[walkable].max() + ground.grid.z0_m) if len(walkable) else float("nan")


def _sole(ground: Ground, foot: FootProfile, x: float, y: float, yaw: float) -> tuple[FloatArray, FloatArray]:
    """Return the corners of the sole and the centres of the ground's cells under it, both in plan."""
    import shapely

    turn = np.array([[np.cos(yaw), np.sin(yaw)], [-np.sin(yaw), np.cos(yaw)]])
    corners: FloatArray = foot.outline_m @ turn + (x, y)
    grid = ground.grid
    low = np.floor((corners.min(axis=0) - (grid.x0_m, grid.y0_m)) / grid.cell_m)
    high = np.ceil((corners.max(axis=0) - (grid.x0_m, grid.y0_m)) / grid.cell_m)
    across, up = np.arange(low[0], high[0]), np.arange(low[1], high[1])
    cx, cy = np.meshgrid(grid.x0_m + (across + 0.5) * grid.cell_m, grid.y0_m + (up + 0.5) * grid.cell_m)
    cells = np.column_stack([cx.ravel(), cy.ravel()])
    inside = shapely.intersects_xy(shapely.Polygon(corners), cells[:, 0], cells[:, 1])
    return corners, cells[inside]


def _ground_under(ground: Ground, cells: FloatArray, level_m: float) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Return absolute height (NaN for none), whether it was seen well, and whether it can carry, of each cell."""
    spot, row = _members(ground.first, columns_at(ground, cells[:, 0], cells[:, 1]))
    z = ground.height_m[row].astype(np.float64) + ground.grid.z0_m
    use = z < level_m + ABOVE_LEVEL_M
    spot, row, z = spot[use], row[use], z[use]
    height = np.full(len(cells), np.nan)
    seen, carries = np.zeros(len(cells), dtype=np.bool_), np.zeros(len(cells), dtype=np.bool_)
    height[spot], seen[spot], carries[spot] = z, ground.seen[row] >= ENOUGH_RETURNS, ground.carries[row]
    return height, seen, carries  # surfaces of a column rise, so that the last one written is the highest


def _hull(carried: FloatArray, load: FloatArray) -> tuple[FloatArray, FloatArray | None]:
    """Return the hull of the carrying cells' centres, as the verdict takes it, and its border nearest to the load."""
    import shapely

    hull = shapely.convex_hull(shapely.multipoints(carried)) if len(carried) else None
    if hull is None or hull.geom_type != "Polygon":
        return np.empty((0, 2)), None
    ring = hull.exterior
    nearest = shapely.get_coordinates(ring.interpolate(ring.project(shapely.Point(load))))[0]
    return shapely.get_coordinates(ring)[:-1], nearest


def _rows(array: FloatArray) -> list[list[float | None]]:
    return [[round(float(v), 4) if np.isfinite(v) else None for v in row] for row in array]
