"""The sole put down everywhere: one raster a level."""

from __future__ import annotations

import threading
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from terrain.data import TILE_CELLS, BoolArray, FloatArray, FootProfile, Ground, IntArray, LevelRaster
from terrain.score.bundles import foot_bundle, make_scratch, nothing_known, surface_bundle

if TYPE_CHECKING:
    from terrain.kernels.dense import Maps, Templates
    from terrain.kernels.events import Memory
    from terrain.kernels.runs import Runs
    from terrain.kernels.verdict import Foot, Scratch, Window

ROUND_WITHIN = 0.01
STRIP_TILES = 64


def judge_everywhere(
    ground: Ground,
    foot: FootProfile,
    *,
    cell_m: float = 0.02,
    yaws: int = 16,
    core: BoolArray | None = None,
    core_reach_m: float = 0.0,
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
    core : (nty, ntx) bool, optional
        Judge only these tiles of the ground and what lies within `core_reach_m` of them, about; the rest stays empty.
    core_reach_m : float
        See `core`.
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
    from terrain.kernels.levels import level_bounds
    from terrain.kernels.threads import in_order

    grid = ground.grid
    surfaces, bundle = surface_bundle(ground), foot_bundle(foot, edge_sd_m=least_edge_sd(ground))
    bounds = np.empty((ground.levels, 4), dtype=np.int64)
    level_bounds(surfaces.first, surfaces.level, surfaces.walkable, grid.tile_slot, bounds)
    tiles = np.ascontiguousarray(np.argwhere(grid.tile_slot >= 0)[:, ::-1], dtype=np.int64)
    parts = _parts(tiles, core, round(core_reach_m / grid.cell_m))
    tiles, parts = tiles[parts[:, 1] > parts[:, 0]], parts[parts[:, 1] > parts[:, 0]]
    total, done = ground.levels * len(tiles), 0
    directions = 2.0 * np.pi * np.arange(1 if is_round(foot.outline_m) else yaws) / yaws
    reach_m, sure_m = deciding_reach(ground, foot), float(bundle.edge_sure[0])
    rasters = []
    for level in range(ground.levels):
        x, y = (_axis(o, grid.cell_m, cell_m, *bounds[level, k : k + 2]) for o, k in ((grid.x0_m, 0), (grid.y0_m, 2)))
        maps = _blank((y.cells, x.cells))
        templates = lay_templates(
            foot, directions, cell_m=grid.cell_m, part=(x.part, y.part), reach_m=reach_m, sure_m=sure_m
        )
        job = _Level(
            level, surfaces, grid.tile_slot, float(grid.cell_m), float(grid.z0_m), (x.load, y.load), ratio, templates,
            bundle, maps, threading.local(),
        )  # fmt: skip
        for start in range(0, len(tiles), STRIP_TILES):
            strip = tiles[start : start + STRIP_TILES], parts[start : start + STRIP_TILES]
            in_order(partial(_judge_tile, job, *strip), range(len(strip[0])))
            done += min(STRIP_TILES, len(tiles) - start)
            if progress is not None:
                progress(done, total)
        rasters.append(_raster(level, x.first * cell_m, y.first * cell_m, cell_m, maps))
    return tuple(rasters)


class _Level(NamedTuple):
    """What all tiles of a level are judged with; kept: working memory of each thread."""

    number: int
    surfaces: Any
    tile_slot: Any
    cell_m: float
    z0_m: float
    load: tuple[int, int]
    ratio: int
    templates: Any
    foot: Any
    maps: Any
    kept: threading.local


def _judge_tile(level: _Level, tiles: IntArray, parts: IntArray, k: int) -> None:
    """Fill the output cells of a level whose load cells lie in a part of a tile, see `_parts`."""
    from terrain.kernels.dense import fill_block, judge_block

    tx, ty = (int(v) for v in tiles[k])
    slot, first = level.tile_slot[ty, tx], level.surfaces.first
    here = level.surfaces.level[first[slot * TILE_CELLS**2] : first[(slot + 1) * TILE_CELLS**2]]
    (j0, j1), (i0, i1) = (
        [
            min(max(-(-(tile * TILE_CELLS + int(edge) - load) // level.ratio), 0), cells)
            for edge in parts[k, axis : axis + 2]
        ]
        for tile, load, cells, axis in zip((tx, ty), level.load, level.maps.label.shape[::-1], (0, 2), strict=True)
    )
    if j0 >= j1 or i0 >= i1 or not (here == level.number).any():
        return
    templates, foot = level.templates, level.foot
    corner = tuple(tile * TILE_CELLS - templates.far - 3 for tile in (tx, ty))
    if not hasattr(level.kept, "room"):
        level.kept.room = _working_memory(templates, foot, level.cell_m)
    window, runs, scratch, memory = level.kept.room
    fill_block(level.surfaces, nothing_known(), level.tile_slot, *corner, level.number, foot, window, runs)
    judge_block(
        level.surfaces, window, runs, *corner, i0, i1, j0, j1, level.z0_m, *level.load, level.ratio, level.number,
        templates, foot, scratch, memory, level.maps,
    )  # fmt: skip


def _working_memory(templates: Templates, foot: Foot, cell_m: float) -> tuple[Window, Runs, Scratch, Memory]:
    """Return room for one tile at a time."""
    from terrain.kernels.events import Memory
    from terrain.kernels.runs import Runs
    from terrain.kernels.verdict import QUANTITIES, Window

    side, square, yaws = templates.width, (2 * templates.far + 1) ** 2, len(templates.yaw)
    cells = side * side
    window = Window(
        np.empty(cells, dtype=np.int64), np.empty(cells, dtype=np.int32), np.empty(cells, dtype=np.float32),
        side, side, cell_m,
    )  # fmt: skip
    short, whole = (np.empty((7, cells), dtype=kind) for kind in (np.int16, np.int64))
    real = np.empty((4, cells))
    runs = Runs(
        go=short[0], flat=whole[0], offset=real[0], end=whole[1], plane=short[1], member=whole[2], own=real[1],
        returns=real[2], thin=short[2], sure=real[3], holes=short[3], bare=short[4], seen=short[5], along=short[6],
        across=np.empty(cells, dtype=np.int16),
    )  # fmt: skip
    memory = Memory(
        kind=np.empty(square, dtype=np.uint8), event=np.empty(square, dtype=np.int64), doubt=np.empty(square),
        free=np.empty(square), nearest=np.empty((6, yaws)), q=np.empty(QUANTITIES), plane=np.empty(QUANTITIES),
        labels=np.empty(yaws, dtype=np.uint8),
    )  # fmt: skip
    return window, runs, make_scratch(square, len(foot.outline)), memory


def _parts(tiles: IntArray, core: BoolArray | None, reach: int) -> IntArray:
    """Return which cells of each tile to judge: first and end along x and along y, (n, 4); of some tiles none."""
    parts = np.tile(np.array([0, TILE_CELLS, 0, TILE_CELLS]), (len(tiles), 1))
    if core is None:
        return parts
    rings = -(-reach // TILE_CELLS)
    known = np.pad(core, rings)
    parts[:] = (TILE_CELLS, 0, TILE_CELLS, 0)
    for dy in range(-rings, rings + 1):
        for dx in range(-rings, rings + 1):
            beside = np.flatnonzero(known[tiles[:, 1] + rings + dy, tiles[:, 0] + rings + dx])
            for column, d in ((0, dx), (2, dy)):
                first = max(d * TILE_CELLS - reach, 0) if d else 0
                end = min((d + 1) * TILE_CELLS + reach, TILE_CELLS) if d else TILE_CELLS
                parts[beside, column] = np.minimum(parts[beside, column], first)
                parts[beside, column + 1] = np.maximum(parts[beside, column + 1], end)
    return parts


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


def least_edge_sd(ground: Ground) -> float:
    """Return the least sd that the place of an edge has."""
    from terrain.kernels.verdict import UNKNOWN_EDGE_SD_M

    return float(min(ground.edge_sd_m.min(initial=UNKNOWN_EDGE_SD_M), UNKNOWN_EDGE_SD_M))


def lay_templates(
    foot: FootProfile,
    yaw_rad: FloatArray,
    *,
    cell_m: float,
    part: tuple[float, float],
    reach_m: float,
    sure_m: float = -np.inf,
) -> Templates:
    """Return the sole's cells and what is near for each yaw, for a load point at `part` (x, y) of its cell.

    sure_m : nearer than this an edge is surely not comfortable
    """
    from terrain.kernels.dense import Templates
    from terrain.kernels.soles import lay_rows, measure_rows, turn_outline

    radius = float(np.hypot(*foot.outline_m.T).max())
    far = int(np.ceil(max(radius + reach_m, foot.shin_radius_m) / cell_m)) + 2
    side = 2 * far + 1
    width = TILE_CELLS + 2 * (far + 3)
    turned = np.empty((len(yaw_rad), len(foot.outline_m), 7))
    origin = (-(far + part[0] - 0.5) * cell_m, -(far + part[1] - 0.5) * cell_m)
    soles = []
    rows = np.zeros((len(yaw_rad), side, 6), dtype=np.int64)
    count = np.empty(len(yaw_rad), dtype=np.int64)
    distance = np.full((len(yaw_rad), side * side), 1e9)
    clear = np.zeros((len(yaw_rad), side * side), dtype=np.bool_)
    for m, yaw in enumerate(yaw_rad):
        turn_outline(np.ascontiguousarray(foot.outline_m), yaw, turned[m])
        soles.append(_lay_one(turned[m], origin, cell_m, side))
        count[m] = lay_rows(turned[m], *origin, cell_m, side, side, reach_m, float(foot.shin_radius_m), rows[m])
        measure_rows(turned[m], *origin, cell_m, float(foot.shin_radius_m), rows[m, : count[m]], distance[m], clear[m])
        if not turned[m, 0, 6] > 0.0:
            _measure_order(rows[m, : count[m]], distance[m].reshape(side, side))
    read = (distance < reach_m) | clear
    distance[~read] = 1e9
    sole_first = np.concatenate([[0], np.cumsum([len(sole[0]) for sole in soles])]).astype(np.int64)
    at, *others = (np.concatenate([sole[k] for sole in soles]) for k in range(5))
    rows[:, :, :] -= far
    probes = [_probes(sole) for sole in soles]
    probe = np.stack([sole[0][chosen] for sole, chosen in zip(soles, probes, strict=True)])
    place = np.stack([np.column_stack(sole[1:3])[chosen] for sole, chosen in zip(soles, probes, strict=True)])
    insides = [_cells(sole[0][sole[4]], side) for sole in soles]
    joined = np.array([_follow_each_other(cells) for cells in insides])
    covered = [_cells(sole[0], side) for sole in soles]
    deep, close = distance < -1e-6, distance < max(sure_m, -1e-6)
    in_a_row = [all(_follow_each_other(c[m].reshape(side, side)) for c in (deep, close)) for m in range(len(distance))]
    return Templates(
        sole_first=sole_first,
        sole_at=(at // side - far) * width + at % side - far,
        sole_x=others[0],
        sole_y=others[1],
        sole_share=others[2],
        sole_inside=others[3],
        row_at=np.stack([np.concatenate([[0], np.cumsum(cells.sum(axis=1))]) for cells in covered]),
        rows=rows,
        row_count=count,
        first_x=origin[0] + far * cell_m,
        first_y=origin[1] + far * cell_m,
        span=np.stack([_spans(sole[0], side, far) for sole in soles]),
        deep=np.stack([_spans(np.flatnonzero(cells), side, far) for cells in deep]),
        close=np.stack([_spans(np.flatnonzero(cells), side, far) for cells in close]),
        inside=np.stack([_spans(sole[0][sole[4]], side, far) for sole in soles]),
        reach=np.stack([_spans(cells, side, far) for cells in (at, np.flatnonzero(read.any(axis=0)))]),
        joined=joined,
        filled=joined
        & np.array(in_a_row)
        & np.array([_follow_each_other(cells) for cells in covered])
        & np.array([_holds_what_is_between(cells) for cells in insides]),
        probe=(probe // side - far) * width + probe % side - far,
        apart=np.linalg.norm(place[:, :, None] - place[:, None], axis=-1),
        distance=distance,
        away=np.ascontiguousarray(distance.T),
        barred=np.ascontiguousarray(clear.T),
        fewest=min(int(sole[4].sum()) for sole in soles),
        turned=turned,
        tilt=np.column_stack([np.cos(yaw_rad), np.sin(yaw_rad)]),
        yaw=np.ascontiguousarray(yaw_rad, dtype=np.float64),
        far=far,
        width=width,
    )


def _lay_one(turned: FloatArray, origin: tuple[float, float], cell_m: float, side: int) -> list[Any]:
    """Return the columns of `lay_sole` for a square window."""
    from terrain.kernels.soles import lay_sole

    cells = side * side
    clip, spare = np.empty((2, 2 * len(turned) + 16, 2))
    at, inside = np.empty(cells, dtype=np.int64), np.empty(cells, dtype=np.bool_)
    x, y, share = np.empty((3, cells))
    starts = np.empty(side + 1, dtype=np.int64)
    n, _ = lay_sole(turned, *origin, cell_m, side, side, clip, spare, at, x, y, share, inside, starts)
    return [values[:n].copy() for values in (at, x, y, share, inside)]


def _probes(sole: list[Any]) -> IntArray:
    """Return which cells with their centre under the sole lie farthest in each of twelve ways, and half as far."""
    within = np.flatnonzero(sole[4])
    xy = np.column_stack(sole[1:3])[within]
    way = 2.0 * np.pi * np.arange(12) / 12
    farthest = np.argmax(xy @ np.stack([np.cos(way), np.sin(way)]), axis=0)
    middle = xy.mean(axis=0)
    halfway = np.linalg.norm(xy[:, None] - 0.5 * (xy[farthest] + middle), axis=-1).argmin(axis=0)
    return np.asarray(within[np.concatenate([farthest, halfway])])


def _measure_order(rows: IntArray, distance: FloatArray) -> None:
    """Fill in from where on the cells of each row are ever farther from the outline, to the left and to the right."""
    for row in rows:
        away = distance[row[0], row[1] : row[2] + 1]
        part = min(max(int(row[3] - row[1]), 0), len(away) - 1)
        nearer_right = np.flatnonzero(np.diff(away[part:]) < 0.0)
        nearer_left = np.flatnonzero(np.diff(away[: part + 1]) > 0.0)
        row[5] = row[1] + part + (nearer_right[-1] + 1 if len(nearer_right) else 0)
        row[4] = row[1] + (nearer_left[0] if len(nearer_left) else part)


def _cells(at: IntArray, side: int) -> BoolArray:
    cells = np.zeros(side * side, dtype=bool)
    cells[at] = True
    return cells.reshape(side, side)


def _follow_each_other(cells: BoolArray) -> bool:
    """Return whether the cells (side, side) of each row follow each other without a gap."""
    starts = cells & ~np.pad(cells, ((0, 0), (1, 0)))[:, :-1]
    return bool((starts.sum(axis=1) <= 1).all())


def _holds_what_is_between(cells: BoolArray) -> bool:
    """Return whether no cell is missing between two of a column up to STEP_CELLS apart."""
    from terrain.kernels.runs import STEP_CELLS

    ends = cells[:-STEP_CELLS] & cells[STEP_CELLS:]
    return all(bool(cells[d : len(cells) - STEP_CELLS + d][ends].all()) for d in range(1, STEP_CELLS))


def _spans(at: IntArray, side: int, far: int) -> IntArray:
    """Return the first and last column, about the load cell, in each row of a square; first > last for none."""
    spans = np.empty((side, 2), dtype=np.int64)
    spans[:, 0], spans[:, 1] = far + 1, -far - 1
    np.minimum.at(spans[:, 0], at // side, at % side - far)
    np.maximum.at(spans[:, 1], at // side, at % side - far)
    return spans
