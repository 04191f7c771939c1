"""Ground that nobody saw and that matters, and from where it could be seen: so that the next pass is short.

A blind spot is unseen ground that known ground encloses or nearly encloses, or that a drawn route crosses. It matters
by how much steppable ground it would join if it turned out to be steppable; after that by its own size. What stands
and hangs there already, as far as it is known, blocks both steps and sights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import BoolArray, FloatArray, IntArray, LevelRaster
from terrain.errors import DataError
from terrain.maps.blind_search import Draft, SearchSettings, padded, search_level
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
    rasters = tuple(padded(terrain_map.level(k), route, settings) for k in terrain_map.levels)
    areas = find_walking_areas(rasters, terrain_map.ground, terrain_map.foot)
    drafts = [d for k in range(len(rasters)) for d in search_level(terrain_map, rasters, k, areas, route, settings)]
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


def _rank(draft: Draft, sole_m: float) -> tuple[float, ...]:
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


# --------------------------------------------------------------------------- from where it would be seen


def _targets(draft: Draft, raster: LevelRaster, most_m: float) -> tuple[FloatArray, FloatArray]:
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


def _seen_from(terrain_map: TerrainMap, eye: Eye, places: FloatArray, draft: Draft) -> BoolArray:
    """Return which targets each place shows, (places, targets): at their assumed height and as deep as they may lie."""
    deep = draft.targets - np.column_stack([np.zeros((len(draft.depth_m), 2)), draft.depth_m])
    level = visible(terrain_map.ground, eye, places, draft.targets)
    return level & visible(terrain_map.ground, eye, places, deep)


def _places(rasters: tuple[LevelRaster, ...], areas: WalkingAreas) -> FloatArray:
    """Return steppable ground to stand on, one place a square: x, y, z."""
    found = []
    for raster, number in zip(rasters, areas.number, strict=True):
        large = np.append(areas.area_m2 >= _LEAST_PLACE_M2, False)  # the last is -1: not steppable
        rows, columns = np.nonzero(large[number])
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
    number: int, draft: Draft, raster: LevelRaster, places: FloatArray, seen: BoolArray, eye: Eye
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
