"""Where a map has unseen ground that matters: its cells, what lies beside it, how much of a route lies on it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from terrain.data import BoolArray, Float32Array, FloatArray, IntArray, Label, LevelRaster
from terrain.errors import DataError
from terrain.maps.store import TerrainMap
from terrain.maps.walking import WalkingAreas

_LEAST_ON_ROUTE_M2 = 0.001
"""Smaller ones, of a cell or two, are passed over on a route too."""
_MOST_CELLS = 4e8
"""A level that a route makes larger than this is refused."""


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """What counts as a blind spot.

    gap_m : gaps up to this wide between known ground are looked at; holes in it whatever their width
    least_area_m2 : smaller ones are left out, unless they join ground, or lie on the route and have 10 cm2
    route_half_width_m : ground this near a drawn route belongs to it
    most : so many are returned, the most worthwhile first
    """

    gap_m: float = 1.5
    least_area_m2: float = 0.01
    route_half_width_m: float = 0.25
    most: int = 20


@dataclass(slots=True, eq=False)
class Draft:
    """A blind spot before it is ranked: its cells (rows, columns) on its raster, and what stands for them."""

    raster: int
    cells: tuple[IntArray, IntArray]
    z_m: FloatArray
    joins: tuple[float, ...]
    route_m: float
    own_m2: float
    wide_m: float
    targets: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    depth_m: FloatArray = field(default_factory=lambda: np.empty(0))

    @property
    def gain_m2(self) -> float:
        """Return the steppable ground beside it, less the largest area of it."""
        return float(sum(self.joins[1:]))


def padded(raster: LevelRaster, route: FloatArray, settings: SearchSettings) -> LevelRaster:
    """Return the raster with a border, so that a route that leaves it, and gaps at its rim, have cells."""
    low, high = np.zeros(2), np.zeros(2)
    if len(route):
        origin, shape = np.array([raster.x0_m, raster.y0_m]), np.array(raster.height_m.shape[::-1])
        margin = settings.route_half_width_m + raster.cell_m
        with np.errstate(over="ignore"):  # a number too large for cells is far off
            first = np.floor((route.min(axis=0) - margin - origin) / raster.cell_m)
            last = np.ceil((route.max(axis=0) + margin - origin) / raster.cell_m)
            low, high = np.maximum(0.0, -first), np.maximum(0.0, last - shape)
            far = (low + high + shape).prod() > _MOST_CELLS
        if far:
            raise DataError(
                f"route: reaches from {route.min(axis=0).tolist()} to {route.max(axis=0).tolist()}, far off the map"
            )
    low, high = low.astype(int), high.astype(int)
    around = ((low[1], high[1]), (low[0], high[0]))
    bands: dict[str, Any] = {
        name: np.pad(getattr(raster, name), around, constant_values=np.nan)
        for name in ("height_m", "height_sd_m", "slope_rad", "roughness_m", "headroom_m", "points", "best_yaw_rad")
    }
    bands["yaw_share"] = np.pad(raster.yaw_share, around, constant_values=np.nan)
    bands["label"] = np.pad(raster.label, around, constant_values=Label.UNOBSERVED)
    bands["patch_id"] = np.pad(raster.patch_id, around, constant_values=-1)
    corner = {"x0_m": raster.x0_m - low[0] * raster.cell_m, "y0_m": raster.y0_m - low[1] * raster.cell_m}
    return replace(raster, **corner, **bands)


def search_level(
    terrain_map: TerrainMap,
    rasters: tuple[LevelRaster, ...],
    k: int,
    areas: WalkingAreas,
    route: FloatArray,
    settings: SearchSettings,
) -> list[Draft]:
    """Return the blind spots of one level that join ground, lie on the route, or are large enough and beside ground."""
    from scipy.ndimage import binary_dilation, distance_transform_edt, find_objects, label

    raster, foot = rasters[k], terrain_map.foot
    seen: BoolArray = np.isfinite(raster.height_m) & (raster.label != Label.UNOBSERVED)
    if not seen.any():
        return []
    known = np.isfinite(raster.height_m)
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    height: Float32Array = raster.height_m[tuple(nearest)]
    wanted = _enclosed(seen, 0.5 * settings.gap_m / raster.cell_m)
    if k == 0:  # where a route leaves an upper level it goes on over the lowest
        along = _along_route(raster, route, settings.route_half_width_m)
        wanted |= along & ~_on_upper(rasters, seen.shape)
    wanted &= ~seen
    standing = _standing(terrain_map, raster, height)
    wanted &= ~standing & ~_seen_through(rasters, k, height)
    linked = binary_dilation(wanted, iterations=2) & ~seen & ~standing
    numbered, count = label(linked, structure=np.ones((3, 3)))
    numbered[~wanted] = 0
    reach = int(np.ceil((float(np.hypot(*foot.outline_m.T).max()) + 0.10) / raster.cell_m))
    found = []
    windows = find_objects(numbered, max_label=count)
    for number in np.unique(numbered[wanted]):
        window = windows[number - 1]
        rows, columns = (slice(max(0, part.start - reach), part.stop + reach) for part in window)
        part = numbered[rows, columns] == number
        draft = _draft(k, raster, part, (rows, columns), standing, height, areas, route, settings, foot, reach)
        if draft is not None:
            found.append(draft)
    return found


def _draft(
    k: int,
    raster: LevelRaster,
    part: BoolArray,
    window: tuple[slice, slice],
    standing: BoolArray,
    height: Float32Array,
    areas: WalkingAreas,
    route: FloatArray,
    settings: SearchSettings,
    foot: Any,
    reach: int,
) -> Draft | None:
    from scipy.ndimage import binary_dilation, distance_transform_edt

    rows, columns = np.nonzero(part)
    wide_m = 2.0 * raster.cell_m * float(distance_transform_edt(np.pad(part, 1)).max())
    cells = rows + window[0].start, columns + window[1].start
    own_m2 = len(rows) * raster.cell_m**2
    near = binary_dilation(part, iterations=reach, mask=~standing[window])
    joins = _joins(areas, k, near, window, height, wide_m, foot, raster.cell_m)
    route_m = _length_on(raster, cells, route)
    on_route = route_m > 0.0 and own_m2 >= _LEAST_ON_ROUTE_M2
    worthwhile = len(joins) > 1 or on_route or (bool(joins) and own_m2 >= settings.least_area_m2)
    if not worthwhile:
        return None
    return Draft(k, cells, height[cells].astype(np.float64), joins, route_m, own_m2, wide_m)


def _joins(
    areas: WalkingAreas,
    k: int,
    near: BoolArray,
    window: tuple[slice, slice],
    height: Float32Array,
    wide_m: float,
    foot: Any,
    cell_m: float,
) -> tuple[float, ...]:
    """Return the sizes of walking areas beside a blind spot that steps over it could join to the largest of them.

    Where a sole does not fit into a blind spot it joins nothing: what a single step leads over is joined already. Where
    one fits it can hide one foothold, and one more for each length of a sole; areas that lie farther apart than that
    many steps, in plan or in height, are not counted.
    """
    from scipy.spatial import cKDTree

    touched = areas.number[k][window]
    rows, columns = np.nonzero(near & (touched >= 0))
    numbers, counts = np.unique(touched[rows, columns], return_counts=True)
    order = sorted((int(n) for n in numbers[counts >= 3]), key=lambda n: (-areas.area_m2[n], n))
    if not order:
        return ()
    spots = {n: np.flatnonzero(touched[rows, columns] == n) for n in order}
    level, place = height[window][rows, columns], cell_m * np.column_stack([rows, columns])
    largest = cKDTree(place[spots[order[0]]])
    sole_m = np.ptp(foot.outline_m, axis=0)
    kept = order[:1]
    if wide_m < sole_m.min():
        order = kept
    steps = 2 + int(wide_m / sole_m.max())
    for n in order[1:]:
        away, nearest = largest.query(place[spots[n]])
        rise = np.abs(level[spots[n]] - level[spots[order[0]]][nearest])
        if ((rise <= steps * min(foot.max_up_m, foot.max_down_m)) & (away <= steps * foot.max_reach_m)).any():
            kept.append(n)
    return tuple(float(areas.area_m2[n]) for n in kept)


def _enclosed(seen: BoolArray, radius: float) -> BoolArray:
    """Return cells in holes of what was seen, or in gaps that a disc of this radius (in cells) does not enter."""
    from scipy.ndimage import binary_fill_holes, distance_transform_edt

    pad = int(np.ceil(radius)) + 2
    wide = np.pad(seen, pad)
    grown = distance_transform_edt(~wide) <= radius
    closed = distance_transform_edt(grown) > radius
    inner: BoolArray = closed[pad:-pad, pad:-pad] | binary_fill_holes(seen)
    return inner


def _shared(other: LevelRaster, raster: LevelRaster) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Return where two rasters share cells: rows and columns in `raster`, and the same in `other`."""
    here, there = [], []
    for k, (start, own) in enumerate(((other.y0_m, raster.y0_m), (other.x0_m, raster.x0_m))):
        off = round((start - own) / raster.cell_m)
        first = max(off, 0)
        last = max(first, min(off + other.height_m.shape[k], raster.height_m.shape[k]))
        here.append(slice(first, last))
        there.append(slice(first - off, last - off))
    return (here[0], here[1]), (there[0], there[1])


def _seen_through(rasters: tuple[LevelRaster, ...], k: int, height: Float32Array) -> BoolArray:
    """Return cells of level k where beams passed to lower ground: there is nothing of that level to be seen there."""
    through = np.zeros(height.shape, dtype=bool)
    for other in rasters[:k]:
        here, there = _shared(other, rasters[k])
        room = np.where(np.isnan(other.headroom_m[there]), np.inf, other.headroom_m[there])
        through[here] |= np.isfinite(other.height_m[there]) & (other.height_m[there] + room > height[here])
    return through


def _on_upper(rasters: tuple[LevelRaster, ...], shape: tuple[int, ...]) -> BoolArray:
    """Return cells of the lowest level over which an upper level has ground: a route goes there."""
    upper = np.zeros(shape, dtype=bool)
    for other in rasters[1:]:
        here, there = _shared(other, rasters[0])
        upper[here] |= np.isfinite(other.height_m[there])
    return upper


def _standing(terrain_map: TerrainMap, raster: LevelRaster, height: Float32Array) -> BoolArray:
    """Return cells where something that is no ground is known to stand, between a step's height and headroom."""
    ground, foot = terrain_map.ground, terrain_map.foot
    grid = ground.grid
    counts = np.diff(ground.span_first)
    column = np.repeat(np.arange(len(counts)), counts)
    ty, tx = np.nonzero(grid.tile_slot >= 0)
    order = np.argsort(grid.tile_slot[ty, tx])
    slot, inner = column // 4096, column % 4096
    x = grid.x0_m + (tx[order][slot] * 64 + inner % 64 + 0.5) * grid.cell_m
    y = grid.y0_m + (ty[order][slot] * 64 + inner // 64 + 0.5) * grid.cell_m
    ix = np.floor((x - raster.x0_m) / raster.cell_m).astype(np.int64)
    iy = np.floor((y - raster.y0_m) / raster.cell_m).astype(np.int64)
    inside = (ix >= 0) & (iy >= 0) & (ix < height.shape[1]) & (iy < height.shape[0])
    ix, iy = ix[inside], iy[inside]
    low, high = (grid.z0_m + spans[inside] - height[iy, ix] for spans in (ground.span_low_m, ground.span_high_m))
    blocks = (high > foot.max_up_m) & (low < foot.clear_height_m)
    standing = np.zeros(height.shape, dtype=bool)
    standing[iy[blocks], ix[blocks]] = True
    return standing


def _along_route(raster: LevelRaster, route: FloatArray, half_m: float) -> BoolArray:
    """Return cells whose centre lies within `half_m` of the route."""
    near = np.zeros(raster.height_m.shape, dtype=bool)
    if not len(route):
        return near
    import shapely

    strip = shapely.LineString(route).buffer(half_m)
    nx, ny = raster.height_m.shape[1], raster.height_m.shape[0]
    x = raster.x0_m + (np.arange(nx) + 0.5) * raster.cell_m
    y = raster.y0_m + (np.arange(ny) + 0.5) * raster.cell_m
    shapely.prepare(strip)
    grid_x, grid_y = np.meshgrid(x, y)
    inside: BoolArray = shapely.contains_xy(strip, grid_x, grid_y)
    return inside


def _length_on(raster: LevelRaster, cells: tuple[IntArray, IntArray], route: FloatArray) -> float:
    """Return how many metres of the route lie on the cells, counted at every tenth of a cell."""
    if not len(route):
        return 0.0
    step = 0.1 * raster.cell_m
    points = []
    for start, end in pairwise(route):
        n = max(1, int(np.ceil(np.linalg.norm(end - start) / step)))
        points.append(start + (np.arange(n)[:, None] + 0.5) / n * (end - start))
    along = np.concatenate(points)
    column = np.floor((along[:, 0] - raster.x0_m) / raster.cell_m).astype(np.int64)
    row = np.floor((along[:, 1] - raster.y0_m) / raster.cell_m).astype(np.int64)
    width = raster.height_m.shape[1]
    hit = np.isin(row * width + column, cells[0] * width + cells[1])
    length = float(np.linalg.norm(np.diff(route, axis=0), axis=1).sum())
    return float(hit.mean()) * length
