"""What is measured under a sole, once more, from the definitions: NumPy, SciPy's linprog and shapely, no kernels."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from scipy.optimize import linprog
from shapely import affinity

from terrain.data import FloatArray, FootProfile, Ground

REACH_M = 0.10
ABOVE_LEVEL_M = 0.25


@dataclass
class Measured:
    """One placement's quantities; NaN where there is none."""

    ground: bool = False
    bounded: bool = False
    z_m: float = np.nan
    slope_rad: float = np.nan
    roughness_m: float = np.nan
    support: float = np.nan
    rocking_m: float = np.nan
    edge_m: float = np.nan
    beside_m: float = np.nan
    observed: float = 0.0
    headroom_m: float = np.nan
    plane: tuple[float, ...] = field(default=())


def columns_near(ground: Ground, x_m: float, y_m: float, far_m: float) -> list[tuple[int, int, int]]:
    """Return (ix, iy, column) of every cell whose centre lies within a square about a spot; column -1: no tile."""
    grid = ground.grid
    found = []
    for iy in range(int((y_m - far_m - grid.y0_m) // grid.cell_m), int((y_m + far_m - grid.y0_m) // grid.cell_m) + 1):
        for ix in range(
            int((x_m - far_m - grid.x0_m) // grid.cell_m), int((x_m + far_m - grid.x0_m) // grid.cell_m) + 1
        ):
            column = -1
            if 0 <= ix < grid.tile_slot.shape[1] * 64 and 0 <= iy < grid.tile_slot.shape[0] * 64:
                slot = int(grid.tile_slot[iy // 64, ix // 64])
                column = slot * 4096 + (iy % 64) * 64 + ix % 64 if slot >= 0 else -1
            found.append((ix, iy, column))
    return found


def measure(ground: Ground, foot: FootProfile, x_m: float, y_m: float, yaw_rad: float, level_m: float) -> Measured:
    """Return the quantities under the sole for a level height over the grid's z0."""
    grid, half, top = ground.grid, 0.5 * ground.grid.cell_m, level_m + ABOVE_LEVEL_M
    sole = affinity.rotate(shapely.Polygon(foot.outline_m), yaw_rad, origin=(0, 0), use_radians=True)
    radius = float(np.hypot(*foot.outline_m.T).max())
    cells = columns_near(ground, x_m, y_m, max(radius + REACH_M, foot.shin_radius_m) + 0.02)
    cx = np.array([grid.x0_m + (ix + 0.5) * grid.cell_m - x_m for ix, _, _ in cells])
    cy = np.array([grid.y0_m + (iy + 0.5) * grid.cell_m - y_m for _, iy, _ in cells])
    squares = shapely.box(cx - half, cy - half, cx + half, cy + half)
    share = shapely.area(shapely.intersection(squares, sole))
    inside = (shapely.distance(sole, shapely.points(cx, cy)) < 1e-6) & (share > 0)

    surface = np.full(len(cells), -1)
    for k, (_, _, column) in enumerate(cells):
        if column >= 0:
            rows = np.arange(ground.first[column], ground.first[column + 1])
            rows = rows[ground.walkable[rows] & (ground.height_m[rows] < top)]
            surface[k] = rows[-1] if len(rows) else -1
    has = surface >= 0
    height = np.where(has, ground.height_m[surface].astype(np.float64), np.nan)
    carries = has & ground.carries[surface]
    out = Measured(ground=bool((has & (share > 1e-10)).any()))
    out.observed = float(share[has & (ground.seen[surface] >= 3)].sum() / sole.area)
    under = inside & carries
    if not out.ground:
        return out

    x, y, z = cx[under], cy[under], height[under] - level_m
    rows = -np.column_stack([x, y, np.ones(len(x))])
    tight = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}
    answer = linprog([0.0, 0.0, 1.0], A_ub=rows, b_ub=-z, bounds=[(None, None)] * 3, method="highs", options=tight)
    out.bounded = bool(answer.status == 0)
    if not out.bounded:
        return out
    a, b, c = answer.x
    out.plane = (a, b, c + level_m)
    out.z_m = float(c + level_m)
    out.slope_rad = float(np.arctan(np.hypot(a, b)))

    here = a * cx + b * cy + c + level_m
    near = under & (np.abs(here - height) <= foot.drop_m)
    design = np.column_stack([cx[near], cy[near], np.ones(near.sum())])
    rest = height[near] - design @ np.linalg.lstsq(design, height[near], rcond=None)[0]
    own = ground.roughness_m[surface[near]].astype(np.float64)
    out.roughness_m = float(np.sqrt(np.mean(rest**2) + np.mean(own**2)))

    carried = carries & (share > 1e-10) & (np.abs(here - height) <= foot.contact_m)
    out.support = float(share[carried].sum() / sole.area)
    hull = shapely.convex_hull(shapely.union_all(shapely.intersection(squares[carried], sole)))
    load = shapely.Point(0, 0)
    out.rocking_m = float(hull.exterior.distance(load)) * (1 if hull.contains(load) else -1)

    free = np.array([_free_height(ground, column, top, p, foot) for (_, _, column), p in zip(cells, here, strict=True)])
    edge = (carries & (here - height > foot.drop_m)) | (~has & ~np.isfinite(free))
    out.edge_m = signed_distance(sole, squares[edge])
    out.beside_m = signed_distance(sole, squares[np.isfinite(free)])
    cylinder = shapely.distance(load, squares) < foot.shin_radius_m - 1e-7
    out.headroom_m = float(np.min(free[cylinder | (share > 1e-10)], initial=np.inf))
    return out


def _free_height(ground: Ground, column: int, top: float, plane: float, foot: FootProfile) -> float:
    """Return how high over the plane the lowest thing hangs that rises over the drop; inf for none."""
    if column < 0:
        return np.inf
    low, high = plane + foot.drop_m, plane + foot.clear_height_m
    least, ground_met = np.inf, False
    for s in reversed(range(ground.first[column], ground.first[column + 1])):
        h = float(ground.height_m[s])
        if ground.walkable[s] and h < top:
            if not ground_met and h > low:
                least = 0.0
            ground_met = True
        elif low < h < high:
            least = min(least, h - plane)
    for o in range(ground.span_first[column], ground.span_first[column + 1]):
        if ground.span_high_m[o] > low and ground.span_low_m[o] < high:
            least = min(least, max(float(ground.span_low_m[o]) - plane, 0.0))
    return least


def signed_distance(sole: shapely.Polygon, squares: FloatArray) -> float:
    """Return the distance to the nearest square up to 0.10 m; negative: how deep they reach into the sole."""
    if len(squares) == 0:
        return REACH_M
    overlap = shapely.intersection(shapely.union_all(squares), sole)
    if overlap.area < 1e-9:
        return min(float(shapely.distance(sole, squares).min()), REACH_M)
    step = 0.001
    x0, y0, x1, y1 = overlap.bounds
    xs, ys = np.meshgrid(np.arange(x0, x1 + step, step), np.arange(y0, y1 + step, step))
    spots = shapely.points(xs.ravel(), ys.ravel())
    spots = spots[shapely.distance(overlap, spots) < 1e-9]
    corners = shapely.points(shapely.get_coordinates(overlap))
    return -float(shapely.distance(sole.exterior, np.concatenate([spots, corners])).max())
