"""Ground that nobody saw and that matters, and from where it could be seen: so that the next pass is short.

A blind spot is unseen ground that known ground encloses or nearly encloses, or that a drawn route crosses. It matters
by how much steppable ground it would join if it turned out to be steppable; after that by its own size. What stands
and hangs there already, as far as it is known, blocks both steps and sights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import BoolArray, Float32Array, FloatArray, IntArray, Label, LevelRaster
from terrain.errors import DataError
from terrain.maps.sight import Eye, visible
from terrain.maps.store import TerrainMap
from terrain.maps.walking import WalkingAreas, find_walking_areas

TARGETS = 40
"""A blind spot is stood for by so many of its cells."""
_PLACE_M = 0.4
"""One place to stand is tried in each square of this side."""
_LEAST_PLACE_M2 = 0.1
_ENOUGH, _WORTH = 0.95, 0.1
"""Viewpoints are added until this share is seen, while one more adds at least that share."""
_WORTH_A_STOP = 0.25
"""A stop is added while it shows at least this share of one blind spot that no other stop shows."""
_SHOWN = 0.05
_MOST_VIEWS, _MOST_STOPS = 3, 12


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """What counts as a blind spot.

    gap_m : gaps up to this wide between known ground are looked at; holes in it whatever their width
    least_area_m2 : smaller ones are left out, unless they join ground or lie on the route
    route_half_width_m : ground this near a drawn route belongs to it
    most : so many are returned, the most worthwhile first
    """

    gap_m: float = 1.5
    least_area_m2: float = 0.01
    route_half_width_m: float = 0.25
    most: int = 20


@dataclass(frozen=True, slots=True)
class Viewpoint:
    """A place on steppable ground: x, y and height of the ground, the sensor's height, and the share that it sees."""

    x_m: float
    y_m: float
    z_m: float
    sensor_z_m: float
    sees: float


@dataclass(frozen=True, slots=True, eq=False)
class BlindSpot:
    """Unseen ground in one piece.

    area_m2 : its size; gain_m2: steppable ground that it would join to the largest area beside it, 0 where all
    beside it is joined already; joins_m2: sizes of the areas beside it, the largest first
    route_m : length of the drawn route on it
    z_m : height of the ground about it, which its own is assumed to be near
    outline : shapely polygon or multipolygon, map frame
    viewpoints : the first sees most, the others add what it misses; seen_share: what all of them see together
    """

    number: int
    level: int
    area_m2: float
    gain_m2: float
    joins_m2: tuple[float, ...]
    route_m: float
    centre_m: tuple[float, float]
    z_m: float
    outline: Any
    viewpoints: tuple[Viewpoint, ...] = ()
    seen_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Stop:
    """A place for the next pass, and which blind spots it shows: number -> share seen from here."""

    x_m: float
    y_m: float
    z_m: float
    sensor_z_m: float
    sees: dict[int, float]


@dataclass(frozen=True, slots=True, eq=False)
class BlindSpots:
    """What was not seen and matters, the most worthwhile first, and few stops that would show it."""

    spots: tuple[BlindSpot, ...]
    stops: tuple[Stop, ...]
    eye: Eye
    settings: SearchSettings
    route_m: tuple[tuple[float, float], ...]
    areas_m2: tuple[float, ...]
    left_out: int
    left_out_m2: float


@dataclass(slots=True, eq=False)
class _Draft:
    """A blind spot before it is ranked, with its cells on its raster."""

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
        return float(sum(self.joins[1:]))


def find_blind_spots(
    terrain_map: TerrainMap,
    *,
    eye: Eye | None = None,
    route_m: Sequence[tuple[float, float]] = (),
    settings: SearchSettings | None = None,
) -> BlindSpots:
    """Return unseen ground that matters, ranked, with viewpoints.

    Parameters
    ----------
    terrain_map : TerrainMap
        The map; labels as decisions of people leave them.
    eye : Eye, optional
        The sensor of the next pass; left out, ranges from the map's survey and a sensor 0.6 m over the ground.
    route_m : sequence of (x, y)
        A route drawn by its corners; ground along it counts first.
    settings : SearchSettings, optional
        What counts as a blind spot.

    Raises
    ------
    DataError
        The map has no level, or a route of one point or of numbers that are not finite.
    """
    settings, eye = settings or SearchSettings(), eye or eye_of(terrain_map)
    route = np.array(route_m, dtype=np.float64).reshape(-1, 2) if len(route_m) else np.empty((0, 2))
    if len(route) == 1 or not np.isfinite(route).all():
        raise DataError(f"route: got {route.tolist()}, expected at least two points of finite numbers")
    if not terrain_map.levels:
        raise DataError(f"{terrain_map.path}: has no level: no ground was found")
    rasters = tuple(_padded(terrain_map.level(k), route, settings) for k in terrain_map.levels)
    areas = find_walking_areas(rasters, terrain_map.ground, terrain_map.foot)
    drafts = [d for k in range(len(rasters)) for d in _on_level(terrain_map, rasters, k, areas, route, settings)]
    sole_m = float(np.ptp(terrain_map.foot.outline_m, axis=0).min())
    drafts.sort(key=lambda draft: _rank(draft, sole_m))
    kept, rest = drafts[: settings.most], drafts[settings.most :]
    for draft in kept:
        draft.targets, draft.depth_m = _targets(draft, rasters[draft.raster], terrain_map.foot.max_down_m)
    places = _places(rasters, areas)
    seen = [_seen_from(terrain_map, eye, places, draft) for draft in kept]
    spots = tuple(
        _finished(number, draft, rasters[draft.raster], places, rows, eye)
        for number, (draft, rows) in enumerate(zip(kept, seen, strict=True), start=1)
    )
    return BlindSpots(
        spots=spots,
        stops=_stops(places, seen, eye),
        eye=eye,
        settings=settings,
        route_m=tuple((float(x), float(y)) for x, y in route),
        areas_m2=tuple(float(a) for a in np.sort(areas.area_m2)[::-1]),
        left_out=len(rest),
        left_out_m2=float(sum(d.own_m2 for d in rest)),
    )


def _rank(draft: _Draft, sole_m: float) -> tuple[float, ...]:
    """Return what blind spots are sorted by: route, gain, whether a sole fits, size, place."""
    place = float(draft.raster), float(draft.cells[0][0]), float(draft.cells[1][0])
    return (-draft.route_m, -round(draft.gain_m2, 6), float(draft.wide_m < sole_m), -draft.own_m2, *place)


def eye_of(terrain_map: TerrainMap, **changes: float) -> Eye:
    """Return the sensor as the map's survey describes it: its ranges; its height over the ground is not in a map."""
    sensor = terrain_map.manifest.get("settings", {}).get("sensor") or {}
    known: dict[str, float] = {}
    for name in ("min_range_m", "max_range_m"):
        value = sensor.get(name)
        if isinstance(value, int | float):
            known[name] = float(value)
    return Eye(**{**known, **changes})


# --------------------------------------------------------------------------- what is unseen


def _padded(raster: LevelRaster, route: FloatArray, settings: SearchSettings) -> LevelRaster:
    """Return the raster with a border, so that a route that leaves it, and gaps at its rim, have cells."""
    from dataclasses import replace

    low, high = np.zeros(2, dtype=int), np.zeros(2, dtype=int)
    if len(route):
        origin, shape = np.array([raster.x0_m, raster.y0_m]), np.array(raster.height_m.shape[::-1])
        margin = settings.route_half_width_m + raster.cell_m
        first = np.floor((route.min(axis=0) - margin - origin) / raster.cell_m).astype(int)
        last = np.ceil((route.max(axis=0) + margin - origin) / raster.cell_m).astype(int)
        low, high = np.maximum(0, -first), np.maximum(0, last - shape)
        if (low + high + shape).prod() > 4e8:
            raise DataError(
                f"route: reaches from {route.min(axis=0).tolist()} to {route.max(axis=0).tolist()}, far off the map"
            )
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


def _on_level(
    terrain_map: TerrainMap,
    rasters: tuple[LevelRaster, ...],
    k: int,
    areas: WalkingAreas,
    route: FloatArray,
    settings: SearchSettings,
) -> list[_Draft]:
    """Return the blind spots of one level that join ground, lie on the route, or are large enough and beside ground."""
    from scipy.ndimage import binary_dilation, distance_transform_edt, find_objects, label

    raster, foot = rasters[k], terrain_map.foot
    seen: BoolArray = np.isfinite(raster.height_m) & (raster.label != Label.UNOBSERVED)
    if not seen.any():
        return []
    known = np.isfinite(raster.height_m)
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    height: Float32Array = raster.height_m[tuple(nearest)]
    along = _along_route(raster, route, settings.route_half_width_m)
    wanted = (_enclosed(seen, 0.5 * settings.gap_m / raster.cell_m) | along) & ~seen
    if k > 0:
        wanted &= ~along | _enclosed(seen, 0.5 * settings.gap_m / raster.cell_m)
    standing = _standing(terrain_map, raster, height)
    wanted &= ~standing
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
) -> _Draft | None:
    from scipy.ndimage import binary_dilation, distance_transform_edt

    rows, columns = np.nonzero(part)
    wide_m = 2.0 * raster.cell_m * float(distance_transform_edt(np.pad(part, 1)).max())
    cells = rows + window[0].start, columns + window[1].start
    own_m2 = len(rows) * raster.cell_m**2
    near = binary_dilation(part, iterations=reach, mask=~standing[window])
    joins = _joins(areas, k, near, window, height, wide_m, foot, raster.cell_m)
    route_m = _length_on(raster, cells, route)
    worthwhile = len(joins) > 1 or route_m > 0.0 or (bool(joins) and own_m2 >= settings.least_area_m2)
    if not worthwhile:
        return None
    return _Draft(k, cells, height[cells].astype(np.float64), joins, route_m, own_m2, wide_m)


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


# --------------------------------------------------------------------------- from where it would be seen


def _targets(draft: _Draft, raster: LevelRaster, most_m: float) -> tuple[FloatArray, FloatArray]:
    """Return spots that stand for the cells, at the height of known ground near them, and how deep each may lie.

    Unseen ground may lie lower than what is around it: as deep as the blind spot is wide there, at most a step down.
    """
    from scipy.ndimage import distance_transform_edt

    rows, columns = draft.cells
    own = np.zeros((np.ptp(rows) + 3, np.ptp(columns) + 3), dtype=bool)
    own[rows - rows.min() + 1, columns - columns.min() + 1] = True
    width = 2.0 * raster.cell_m * distance_transform_edt(own)[rows - rows.min() + 1, columns - columns.min() + 1]
    chosen = np.unique(np.linspace(0, len(rows) - 1, min(TARGETS, len(rows))).astype(int))
    x = raster.x0_m + (columns[chosen] + 0.5) * raster.cell_m
    y = raster.y0_m + (rows[chosen] + 0.5) * raster.cell_m
    return np.column_stack([x, y, draft.z_m[chosen]]), np.minimum(width[chosen], most_m)


def _seen_from(terrain_map: TerrainMap, eye: Eye, places: FloatArray, draft: _Draft) -> BoolArray:
    """Return which targets each place shows, (places, targets): at their assumed height and as deep as they may lie."""
    deep = draft.targets - np.column_stack([np.zeros((len(draft.depth_m), 2)), draft.depth_m])
    level = visible(terrain_map.ground, eye, places, draft.targets)
    return level & visible(terrain_map.ground, eye, places, deep)


def _places(rasters: tuple[LevelRaster, ...], areas: WalkingAreas) -> FloatArray:
    """Return steppable ground to stand on, one place a square: x, y, z."""
    found = []
    for raster, number in zip(rasters, areas.number, strict=True):
        rows, columns = np.nonzero((number >= 0) & (areas.area_m2[np.maximum(number, 0)] >= _LEAST_PLACE_M2))
        square = max(1, round(_PLACE_M / raster.cell_m))
        off = np.hypot(rows % square - 0.5 * square, columns % square - 0.5 * square)
        order = np.lexsort((columns, rows, off, columns // square, rows // square))
        rows, columns = rows[order], columns[order]
        fresh = np.ones(len(rows), dtype=bool)
        fresh[1:] = (rows[1:] // square != rows[:-1] // square) | (columns[1:] // square != columns[:-1] // square)
        rows, columns = rows[fresh], columns[fresh]
        x = raster.x0_m + (columns + 0.5) * raster.cell_m
        y = raster.y0_m + (rows + 0.5) * raster.cell_m
        found.append(np.column_stack([x, y, raster.height_m[rows, columns].astype(np.float64)]))
    return np.concatenate(found) if found else np.empty((0, 3))


def _finished(
    number: int, draft: _Draft, raster: LevelRaster, places: FloatArray, seen: BoolArray, eye: Eye
) -> BlindSpot:
    """Return the blind spot with the few viewpoints that show most of it."""
    views: list[Viewpoint] = []
    left = np.ones(len(draft.targets), dtype=bool)
    centre = draft.targets.mean(axis=0)
    away = np.linalg.norm(places - centre, axis=1)
    while left.any() and len(views) < _MOST_VIEWS and len(places):
        best = _best(seen[:, left].sum(axis=1).astype(np.float64), away)
        if seen[best][left].sum() < max(1.0, _WORTH * len(left)):
            break
        views.append(_view(places[best], eye, float(seen[best].mean())))
        left &= ~seen[best]
        if left.mean() <= 1.0 - _ENOUGH:
            break
    outline = _outline(draft.cells, raster)
    return BlindSpot(
        number=number,
        level=raster.level,
        area_m2=draft.own_m2,
        gain_m2=draft.gain_m2,
        joins_m2=draft.joins,
        route_m=draft.route_m,
        centre_m=(float(outline.centroid.x), float(outline.centroid.y)),
        z_m=float(np.median(draft.z_m)),
        outline=outline,
        viewpoints=tuple(views),
        seen_share=float(1.0 - left.mean()),
    )


def _best(score: FloatArray, away: FloatArray) -> int:
    """Return the place with the highest score; of equal ones the nearest, whose returns are denser."""
    return int(np.lexsort((away, -score))[0])


def _view(place: FloatArray, eye: Eye, sees: float) -> Viewpoint:
    x, y, z = (float(v) for v in place)
    return Viewpoint(x, y, z, z + eye.height_m, sees)


def _stops(places: FloatArray, seen: list[BoolArray], eye: Eye) -> tuple[Stop, ...]:
    """Return few places that together show all that can be seen, each blind spot counting alike (greedy cover)."""
    if not seen or not len(places):
        return ()
    matrix = np.concatenate(seen, axis=1)
    owner = np.repeat(np.arange(len(seen)), [rows.shape[1] for rows in seen])
    weight = 1.0 / np.bincount(owner)[owner]
    left = matrix.any(axis=0)
    start = float(weight[left].sum())
    stops: list[Stop] = []
    while len(stops) < _MOST_STOPS and float(weight[left].sum()) > (1.0 - _ENOUGH) * start:
        score = matrix[:, left] @ weight[left]
        best = int(np.argmax(score))
        if score[best] < _WORTH_A_STOP:
            break
        shares = {k + 1: float(rows[best].mean()) for k, rows in enumerate(seen) if rows[best].mean() >= _SHOWN}
        view = _view(places[best], eye, 0.0)
        stops.append(Stop(view.x_m, view.y_m, view.z_m, view.sensor_z_m, shares))
        left &= ~matrix[best]
    return tuple(stops)


def _outline(cells: tuple[IntArray, IntArray], raster: LevelRaster) -> Any:
    import shapely
    from rasterio import Affine
    from rasterio.features import shapes

    rows, columns = cells
    own: npt.NDArray[np.uint8] = np.zeros((np.ptp(rows) + 1, np.ptp(columns) + 1), dtype=np.uint8)
    own[rows - rows.min(), columns - columns.min()] = 1
    x, y = raster.x0_m + columns.min() * raster.cell_m, raster.y0_m + rows.min() * raster.cell_m
    place = Affine(raster.cell_m, 0.0, x, 0.0, raster.cell_m, y)
    rings = [shapely.geometry.shape(ring) for ring, _ in shapes(own, mask=own == 1, transform=place)]
    return shapely.normalize(shapely.union_all(rings))
