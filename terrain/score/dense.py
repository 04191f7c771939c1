"""The sole put down everywhere: one raster a level."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import TILE_CELLS, FloatArray, FootProfile, Ground, IntArray, LevelRaster
from terrain.score.bundles import foot_bundle, surface_bundle

if TYPE_CHECKING:
    from terrain.kernels.dense import Maps, Templates

ROUND_WITHIN = 0.01
STRIP_TILES = 64


def judge_everywhere(
    ground: Ground,
    foot: FootProfile,
    *,
    cell_m: float = 0.02,
    yaws: int = 16,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[LevelRaster, ...]:
    """Return the dense judgement, one raster a level, cropped to the level and aligned to multiples of `cell_m`.

    Parameters
    ----------
    ground : Ground
        Surfaces and obstacles in the map frame.
    foot : FootProfile
        The sole, its limits and its clearance.
    cell_m : float
        Size of the output cells, metres; a multiple of the ground's.
    yaws : int
        Directions tried, evenly over the full turn from 0. A round sole is tried in one.
    progress : callable, optional
        Called with (done, total) in tiles of the ground.

    Returns
    -------
    tuple of LevelRaster
        A cell has values where one of the ground's cells in it has a walkable surface of the level; the load point
        is its centre. `label` is that of the best yaw: steppable before marginal before the rest; of steppable ones
        that with the most room to the nearest edge or obstacle, else the first. Where no yaw is at least marginal it
        is that of yaw 0, and `best_yaw_rad` is NaN. `roughness_m` is that under the sole in the best yaw, or where no
        yaw is, the surface's own; `slope_rad` is the surface's. Labels equal those of `judge_placements` at the
        cell's centre, its height and the yaw.

    Raises
    ------
    ValueError
        `cell_m` is no multiple of the ground's cell, or no yaw is asked for.
    """
    ratio = round(cell_m / ground.grid.cell_m)
    if ratio < 1 or abs(ratio * ground.grid.cell_m - cell_m) > 1e-9:
        raise ValueError(f"cell_m: got {cell_m:g}, expected a multiple of the ground's {ground.grid.cell_m:g}")
    if yaws < 1:
        raise ValueError(f"yaws: got {yaws}, expected at least 1")
    from terrain.kernels.dense import judge_block
    from terrain.kernels.levels import level_bounds
    from terrain.kernels.threads import in_order

    grid = ground.grid
    surfaces, bundle = surface_bundle(ground), foot_bundle(foot)
    bounds = np.empty((ground.levels, 4), dtype=np.int64)
    level_bounds(surfaces.first, surfaces.level, surfaces.walkable, grid.tile_slot, bounds)
    tiles = np.ascontiguousarray(np.argwhere(grid.tile_slot >= 0)[:, ::-1], dtype=np.int64)
    total, done = ground.levels * len(tiles), 0
    directions = 2.0 * np.pi * np.arange(1 if is_round(foot.outline_m) else yaws) / yaws
    reach_m = deciding_reach(ground, foot)
    shared = (surfaces, ground.gradient, grid.tile_slot, float(grid.cell_m), float(grid.z0_m))
    rasters = []
    for level in range(ground.levels):
        x, y = (_axis(o, grid.cell_m, cell_m, *bounds[level, k : k + 2]) for o, k in ((grid.x0_m, 0), (grid.y0_m, 2)))
        maps = _blank((y.cells, x.cells))
        templates = lay_templates(foot, directions, cell_m=grid.cell_m, part=(x.part, y.part), reach_m=reach_m)
        for start in range(0, len(tiles), STRIP_TILES):
            strip = tiles[start : start + STRIP_TILES]
            fixed = (x.load, y.load, ratio, level, templates, bundle, maps)
            in_order(partial(_judge_tile, judge_block, shared, strip, fixed), range(len(strip)))
            done += min(STRIP_TILES, len(tiles) - start)
            if progress is not None:
                progress(done, total)
        rasters.append(_raster(level, x.first * cell_m, y.first * cell_m, cell_m, maps))
    return tuple(rasters)


def _judge_tile(kernel: Any, shared: tuple[Any, ...], tiles: IntArray, fixed: tuple[Any, ...], k: int) -> None:
    kernel(*shared, int(tiles[k, 0]), int(tiles[k, 1]), *fixed)


class _Axis:
    """Output cells along one axis: number of the first, how many, and where the first one's centre falls."""

    def __init__(self, first: int, cells: int, load: int, part: float) -> None:
        self.first, self.cells, self.load, self.part = first, cells, load, part


def _axis(origin_m: float, ground_cell_m: float, cell_m: float, low: int, high: int) -> _Axis:
    if high < 0:
        return _Axis(0, 0, 0, 0.0)
    first = int(np.floor((origin_m + low * ground_cell_m) / cell_m + 1e-6))
    last = int(np.ceil((origin_m + (high + 1) * ground_cell_m) / cell_m - 1e-6))
    centre = ((first + 0.5) * cell_m - origin_m) / ground_cell_m
    load = int(np.floor(centre + 1e-6))
    return _Axis(first, last - first, load, max(centre - load, 0.0))


def _blank(shape: tuple[int, int]) -> Maps:
    from terrain.kernels.dense import Maps

    fields: list[Any] = [np.full(shape, np.nan, dtype=np.float32) for _ in range(9)]
    fields[Maps._fields.index("label")][:] = 0.0
    fields.append(np.full(shape, -1, dtype=np.int32))
    return Maps(*fields)


def _raster(level: int, x0_m: float, y0_m: float, cell_m: float, maps: Maps) -> LevelRaster:
    return LevelRaster(
        level=level,
        x0_m=x0_m,
        y0_m=y0_m,
        cell_m=cell_m,
        height_m=maps.height,
        height_sd_m=maps.height_sd,
        slope_rad=maps.slope,
        roughness_m=maps.roughness,
        headroom_m=maps.headroom,
        points=maps.points,
        label=maps.label,
        best_yaw_rad=maps.yaw,
        yaw_share=maps.share,
        patch_id=maps.patch,
    )


def is_round(outline_m: FloatArray) -> bool:
    """Return whether an outline is a circle about the load point, to 1 % of its radius."""
    radius = np.hypot(*outline_m.T)
    return len(outline_m) >= 12 and float(np.ptp(radius)) <= ROUND_WITHIN * float(radius.max())


def deciding_reach(ground: Ground, foot: FootProfile) -> float:
    """Return the distance from the sole beyond which no edge or obstacle keeps it from being comfortable.

    That is the larger comfort plus z times the largest sd that the place of an edge or obstacle has.
    """
    from terrain.kernels.verdict import REACH_M, UNKNOWN_EDGE_SD_M

    sd = max(float(ground.edge_sd_m.max(initial=0.0)), UNKNOWN_EDGE_SD_M, ground.grid.cell_m / np.sqrt(12.0))
    comfort = max(foot.edge_m.comfort, foot.beside_m.comfort, foot.edge_m.limit, foot.beside_m.limit)
    return float(min(comfort + foot.z * sd + 1e-6, REACH_M))


def lay_templates(
    foot: FootProfile, yaw_rad: FloatArray, *, cell_m: float, part: tuple[float, float], reach_m: float
) -> Templates:
    """Return the sole's cells and what is near for each yaw, for a load point at `part` (x, y) of its cell."""
    from terrain.kernels.dense import Templates
    from terrain.kernels.soles import turn_outline

    radius = float(np.hypot(*foot.outline_m.T).max())
    far = int(np.ceil(max(radius + reach_m, foot.shin_radius_m) / cell_m)) + 2
    side = 2 * far + 1
    turned = np.empty((len(yaw_rad), len(foot.outline_m), 7))
    soles, rings = [], []
    distance = np.full((len(yaw_rad), side * side), 1e9, dtype=np.float32)
    clear = np.zeros((len(yaw_rad), side * side), dtype=np.bool_)
    for m, yaw in enumerate(yaw_rad):
        turn_outline(np.ascontiguousarray(foot.outline_m), yaw, turned[m])
        load = ((far + part[0]) * cell_m, (far + part[1]) * cell_m)
        sole, ring = _lay_one(turned[m], load, cell_m, side, reach_m, float(foot.shin_radius_m))
        soles.append(sole)
        rings.append(ring)
        distance[m, ring[0]] = ring[5]
        clear[m, ring[0]] = ring[4]
    read = np.zeros(side * side, dtype=np.bool_)
    for ring in rings:
        read[ring[0]] = True
    width = TILE_CELLS + 2 * (far + 3)
    sole_first, sole_fields = _stack(soles, side, far, width)
    ring_first, ring_fields = _stack(rings, side, far, width)
    surroundings = (
        np.stack([_spans(sole[0], side, far) for sole in soles]),
        np.stack([_spans(ring[0][ring[5] < -1e-6], side, far) for ring in rings]),
        np.stack([_spans(sole[0][sole[4]], side, far) for sole in soles]),
        _spans(np.flatnonzero(read), side, far),
        distance,
        clear,
        turned,
        np.ascontiguousarray(yaw_rad, dtype=np.float64),
        far,
        width,
    )
    return Templates(*(sole_first, *sole_fields, ring_first, *ring_fields, *surroundings))


def _lay_one(
    turned: FloatArray, load: tuple[float, float], cell_m: float, side: int, reach_m: float, shin_m: float
) -> tuple[list[Any], list[Any]]:
    """Return the sole's and the ring's columns of `lay_sole`; the ring's with distances, and sorted by them."""
    from terrain.kernels.soles import cell_distance, lay_sole

    cells = side * side
    clip, spare = np.empty((2, 2 * len(turned) + 16, 2))
    at = np.empty((2, cells), dtype=np.int64)
    real = np.empty((6, cells))
    flag = np.empty((2, cells), dtype=np.bool_)
    window = (turned, *load, cell_m, side, side, reach_m, shin_m, clip, spare)
    n_sole, n_ring = lay_sole(*(*window, at[0], *real[:3], flag[0], at[1], *real[3:], flag[1]))
    sole = [values[:n_sole].copy() for values in (at[0], *real[:3], flag[0])]
    ring = [values[:n_ring].copy() for values in (at[1], *real[3:], flag[1])]
    away = np.array(
        [cell_distance(turned, x, y, 0.5 * cell_m, clip, spare) for x, y in zip(ring[1], ring[2], strict=True)]
    )
    order = np.argsort(away, kind="stable")
    order = order[(away[order] < reach_m) | ring[4][order]]
    return sole, [*(values[order] for values in ring), away[order]]


def _stack(parts: list[list[Any]], side: int, far: int, width: int) -> tuple[IntArray, list[Any]]:
    """Return where each yaw's rows start, and the columns of all, places from the load cell in rows of `width`."""
    first = np.concatenate([[0], np.cumsum([len(part[0]) for part in parts])]).astype(np.int64)
    at, *others = (np.concatenate([part[k] for part in parts]) for k in range(len(parts[0])))
    return first, [(at // side - far) * width + at % side - far, *others]


def _spans(at: IntArray, side: int, far: int) -> IntArray:
    """Return the first and last column, about the load cell, in each row of a square; first > last for none."""
    spans = np.empty((side, 2), dtype=np.int64)
    spans[:, 0], spans[:, 1] = far + 1, -far - 1
    np.minimum.at(spans[:, 0], at // side, at % side - far)
    np.maximum.at(spans[:, 1], at // side, at % side - far)
    return spans
