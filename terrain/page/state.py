"""A map as the page shows it: opened once, pictures kept, decisions looked up anew at every question."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import ByteArray, Float32Array, FloatArray, Label, LevelRaster, Verdicts
from terrain.errors import DataError
from terrain.foot import foot_to_dict
from terrain.maps.answers import describe, measured, measured_level
from terrain.maps.manifest import limits_of
from terrain.maps.overruled import overruled_patches, overruled_raster, worst_past_limits
from terrain.maps.overrules import Overrule, OverruleLayer, read_overrules
from terrain.maps.polygons import PatchTable, read_patches
from terrain.maps.store import TerrainMap, open_map
from terrain.page.findings import changes, unseen
from terrain.page.geometry import contact, section
from terrain.page.layers import KEYS, LAYERS, encoded, halved, layer_of, marks_of, scale_of, tile_of, values_of

MOST_POINTS = 4_000_000
MOST_MESH_CELLS = 160_000
PREVIEW_PLACEMENTS = 4_000
SAME_GROUND_M = 0.05
_SIMPLER_M = 0.004


@dataclass(slots=True, eq=False)
class _Opened:
    """One map folder as it was at a time, and what was worked out from it."""

    terrain_map: TerrainMap
    map_id: str
    rasters: dict[int, LevelRaster] = field(default_factory=dict)
    ages: dict[int, Float32Array] | None = None
    scales: dict[str, tuple[float, float]] = field(default_factory=dict)
    pictures: dict[tuple[str, int, str], list[ByteArray]] = field(default_factory=dict)
    table: PatchTable | None = None
    points: tuple[npt.NDArray[np.uint16], ByteArray, FloatArray, FloatArray] | None = None


class PageMap:
    """A map folder for the page; safe to use from many threads. A map that is replaced is opened anew.

    Raises
    ------
    ReadError
        The folder is no map.
    """

    def __init__(self, folder: Path, *, earlier: Path | None = None) -> None:
        self.folder = folder
        self.earlier = earlier
        self._lock = threading.RLock()
        self._searching = threading.Lock()
        self._found: dict[str, dict[str, Any]] = {}
        self._opened = _Opened(open_map(folder), read_overrules(folder).map_id)

    def decisions(self) -> OverruleLayer:
        """Return the decisions as they are now."""
        return read_overrules(self.folder)

    def revision(self) -> str:
        """Return a word that changes whenever the map or a decision on it does."""
        return _revision(self.decisions())

    def _now(self) -> _Opened:
        with self._lock:
            map_id = read_overrules(self.folder).map_id
            if map_id != self._opened.map_id:
                self._opened = _Opened(open_map(self.folder), map_id)
            return self._opened

    def warm(self) -> None:
        """Load what the first picture and the first verdict need, so that a browser waits for neither."""
        now = self._now()
        with self._lock:
            for level in now.terrain_map.levels:
                self._picture(now, level, "label", 0)
        if now.terrain_map.levels:
            self.judge(0.0, 0.0, 0.0, None)
        self.patches()

    # ----------------------------------------------------------------- what is shown

    def site(self) -> dict[str, Any]:
        """Return what the page needs first: names, levels, layers with their scales, the foot, cautions."""
        now = self._now()
        manifest, foot = now.terrain_map.manifest, now.terrain_map.foot
        with self._lock:
            has_age = "cloud.laz" in manifest["files"]
            layers = [
                {
                    "key": layer.key, "title": layer.title, "unit": layer.unit, "ramp": layer.ramp, "note": layer.note,
                    "marks": marks_of(layer, foot),
                }
                for layer in LAYERS
                if layer.key != "age" or has_age
            ]  # fmt: skip
            heights = {number: _height_range(self._raster(now, number)) for number in now.terrain_map.levels}
        return {
            "survey": now.terrain_map.name,
            "created": manifest.get("created", ""),
            "map_id": now.map_id,
            "revision": self.revision(),
            "levels": [{**section, "height_m": heights[section["level"]]} for section in manifest["levels"]],
            "layers": layers,
            "foot": foot_to_dict(foot),
            "limits": limits_of(foot),
            "has_points": "cloud.laz" in manifest["files"],
            "has_earlier": self.earlier is not None,
            "warnings": manifest.get("warnings", []),
            "cautions": manifest.get("cautions", []),
        }

    def scale(self, key: str) -> dict[str, float]:
        """Return the ends of a layer's scale, in its unit."""
        now = self._now()
        with self._lock:
            low, high = self._ends(now, key)
        return {"low": low, "high": high}

    def tile(self, level: int, key: str, zoom: int, tx: int, ty: int) -> bytes:
        """Return one tile of a layer; see `terrain.page.layers`.

        Raises
        ------
        DataError
            No such level, layer or tile.
        """
        now = self._now()
        if key not in KEYS or level not in now.terrain_map.levels:
            raise DataError(f"tile: got level {level}, layer {key!r}, expected those of the map")
        if not 0 <= zoom <= 12 or min(tx, ty) < 0:
            raise DataError(f"tile: got {zoom}/{tx}/{ty}, expected a zoom from 0 to 12 and a place from 0")
        with self._lock:
            return tile_of(self._picture(now, level, key, zoom), tx, ty)

    def patches(self) -> dict[str, Any]:
        """Return the patches that are ground as columns: label, reasons, size; outlines in millimetres."""
        import shapely

        table = self._patches(self._now())
        rows = np.flatnonzero(table.level >= 0)
        outlines = shapely.simplify(shapely.force_2d(np.array(table.outline, dtype=object)[rows]), _SIMPLER_M)
        rings = [
            [np.rint(shapely.get_coordinates(ring) * 1000).astype(int).ravel().tolist() for ring in _rings(polygon)]
            for polygon in outlines
        ]
        return {
            "patch_id": table.patch_id[rows].tolist(),
            "level": table.level[rows].tolist(),
            "label": [Label(k).word for k in table.label[rows]],
            "rings_mm": rings,
        }

    def mesh(self, level: int, key: str) -> bytes:
        """Return the ground of a level for the 3D view with one layer, thinned to at most `MOST_MESH_CELLS` cells.

        Little-endian: float64 columns and rows, x0, y0 of the first cell's centre and the step, in metres; then float32
        heights (NaN for none), and the layer's bytes as in tiles, row by row from the lowest y.
        """
        now = self._now()
        if level not in now.terrain_map.levels:
            raise DataError(f"mesh: got level {level}, expected one of {list(now.terrain_map.levels)}")
        with self._lock:
            raster = self._raster(now, level)
            zoom = max(0, math.ceil(0.5 * math.log2(max(1.0, raster.height_m.size / MOST_MESH_CELLS))))
            code = self._picture(now, level, key, zoom)
        step = 2**zoom
        height = _thinned(raster.height_m, step)
        half = step * raster.cell_m / 2.0
        ny, nx = height.shape
        head = np.array([nx, ny, raster.x0_m + half, raster.y0_m + half, step * raster.cell_m], dtype="<f8").tobytes()
        return head + height.astype("<f4").tobytes() + np.ascontiguousarray(code).tobytes()

    def points(self, start: int, count: int) -> bytes:
        """Return points of the cloud, shuffled, so that any first part of them is spread over the site.

        Little-endian float64: the number of all points and of those that follow, lowest corner and size of their box in
        metres; then uint16 x, y, z as shares of the box, and uint8 labels.
        """
        now = self._now()
        with self._lock:
            if now.points is None:
                now.points = _read_points(now.terrain_map)
            xyz, label, low, size = now.points
        part = slice(max(0, start), max(0, start) + max(0, count))
        head = np.concatenate([[len(xyz), len(xyz[part])], low, size]).astype("<f8").tobytes()
        return head + xyz[part].astype("<u2").tobytes() + label[part].tobytes()

    # ----------------------------------------------------------------- what is asked

    def judge(self, x_m: float, y_m: float, yaw_rad: float, level: int | None) -> dict[str, Any]:
        """Return the verdict on one placement, what carries the sole, and what the map says of the spot.

        Without a level, or where it has no ground near the spot, the topmost walkable one is meant.
        """
        now = self._now()
        level_z_m = math.nan
        if level is not None and level in now.terrain_map.levels:
            with self._lock:
                level_z_m = _height_near(self._raster(now, level), x_m, y_m)
        verdicts = now.terrain_map.judge([[x_m, y_m, yaw_rad, level_z_m]])
        verdict = describe(now.terrain_map, verdicts, 0)
        patch_id = verdict["patch_id"]
        with self._lock:
            cell = self._cell(now, x_m, y_m, verdict["level"])
        return {
            "verdict": verdict,
            "contact": contact(now.terrain_map.ground, now.terrain_map.foot, verdicts, 0),
            "cell": cell,
            "patch": None if patch_id is None else _patch_words(self._patches(now), patch_id),
        }

    def section(self, start_m: tuple[float, float], end_m: tuple[float, float]) -> dict[str, Any]:
        """Return the ground along a line."""
        return section(self._now().terrain_map.ground, start_m, end_m)

    def preview(self, area_m: list[tuple[float, float]], level: int | None) -> dict[str, Any]:
        """Return what an area holds before it is decided on: placements by measured label, and limits passed.

        Placements are tried on an even grid in four directions, at most some thousands.
        """
        import shapely

        now = self._now()
        polygon = shapely.Polygon(area_m)
        if len(area_m) < 3 or not polygon.is_valid:
            raise DataError("area: its border crosses itself or has under three corners, expected a simple outline")
        low_x, low_y, high_x, high_y = polygon.bounds
        spacing = max(0.02, math.sqrt(4 * polygon.area / PREVIEW_PLACEMENTS))
        x, y = np.meshgrid(np.arange(low_x, high_x, spacing) + spacing / 2, np.arange(low_y, high_y, spacing))
        inside = shapely.intersects_xy(polygon, x.ravel(), y.ravel())
        spots = np.column_stack([x.ravel(), y.ravel()])[inside][:PREVIEW_PLACEMENTS]
        yaws = np.arange(4) * (math.pi / 4.0)
        at = np.column_stack([np.repeat(spots, 4, axis=0), np.tile(yaws, len(spots))])
        z = np.full(len(at), math.nan)
        if level is not None and len(at):
            with self._lock:
                z = _heights_at(self._raster(now, level), at)
        verdicts: Verdicts = measured(now.terrain_map, np.column_stack([at, z]))
        worst, count = worst_past_limits(verdicts, now.terrain_map.foot)
        counted = np.bincount(verdicts.label, minlength=len(Label))
        return {
            "placements": len(at),
            "labels": {label.word: int(counted[label]) for label in Label},
            "past_limits": [
                {"quantity": name, "worst": round(value, 4), "placements": count[name]} for name, value in worst.items()
            ],
        }

    def unseen(self, route_m: list[tuple[float, float]]) -> dict[str, Any]:
        """Return unseen ground that matters, with viewpoints; kept until the map or a decision changes."""
        return self._search(f"unseen {route_m}", lambda: unseen(self._now().terrain_map, route_m))

    def changes(self) -> dict[str, Any]:
        """Return what changed since the earlier map; no areas where none was given."""
        if self.earlier is None:
            return {"earlier": None, "areas": []}
        earlier = self.earlier
        return self._search("changes", lambda: changes(earlier, self._now().terrain_map))

    def _search(self, name: str, work: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Return what was found for this revision, one search at a time."""
        with self._searching:
            key = f"{self.revision()} {name}"
            if key not in self._found:
                self._found = {k: v for k, v in self._found.items() if k.startswith(self.revision())}
                self._found[key] = work()
            return self._found[key]

    # ----------------------------------------------------------------- worked out once

    def _raster(self, now: _Opened, level: int) -> LevelRaster:
        """Return a level as measured."""
        if level not in now.rasters:
            now.rasters[level] = measured_level(now.terrain_map, level)
        return now.rasters[level]

    def _patches(self, now: _Opened) -> PatchTable:
        """Return the patches as the decisions leave them."""
        with self._lock:
            if now.table is None:
                now.table = read_patches(now.terrain_map.path / "patches.gpkg")
            return overruled_patches(now.table, self.decisions())

    def _values(self, now: _Opened, level: int, key: str, raster: LevelRaster) -> Float32Array:
        layer = layer_of(key)
        if layer is None:
            raise DataError(f"layer: got {key!r}, expected one of {', '.join(KEYS)}")
        if key == "age" and now.ages is None:
            now.ages = _ages(now.terrain_map, [self._raster(now, number) for number in now.terrain_map.levels])
        return values_of(layer, raster, None if now.ages is None else now.ages.get(level))

    def _ends(self, now: _Opened, key: str) -> tuple[float, float]:
        layer = layer_of(key)
        if layer is None:
            raise DataError(f"layer: got {key!r}, expected one of {', '.join(KEYS)}")
        if key not in now.scales:
            levels = now.terrain_map.levels
            values = [self._values(now, number, key, self._raster(now, number)) for number in levels]
            now.scales[key] = scale_of(layer, values, now.terrain_map.foot)
        return now.scales[key]

    def _picture(self, now: _Opened, level: int, key: str, zoom: int) -> ByteArray:
        layer = layer_of(key)
        decided = key in ("label", "yaw_share")
        decisions = self.decisions()
        name = (key, level, _revision(decisions) if decided else "")
        if name not in now.pictures:
            if decided:  # pictures of earlier decisions are not asked for again
                now.pictures = {k: v for k, v in now.pictures.items() if k[2] in ("", name[2])}
            raster = self._raster(now, level)
            if decided:
                terrain_map = now.terrain_map
                raster = overruled_raster(raster, decisions, terrain_map.foot, lambda at: measured(terrain_map, at))
            if layer is None:
                raise DataError(f"layer: got {key!r}, expected one of {', '.join(KEYS)}")
            values = self._values(now, level, key, raster)
            now.pictures[name] = [encoded(layer, values, self._ends(now, key), raster)]
        kept = now.pictures[name]
        while layer is not None and len(kept) <= zoom:
            kept.append(halved(layer, kept[-1]))
        return kept[zoom]

    def _cell(self, now: _Opened, x_m: float, y_m: float, level: int | None) -> dict[str, Any] | None:
        """Return what the rasters say of a spot: in how many directions a foot can stand, and the best one."""
        if level is None or level not in now.terrain_map.levels:
            return None
        raster = self._raster(now, level)
        row, column = int((y_m - raster.y0_m) // raster.cell_m), int((x_m - raster.x0_m) // raster.cell_m)
        ny, nx = raster.height_m.shape
        if not (0 <= row < ny and 0 <= column < nx) or not np.isfinite(raster.height_m[row, column]):
            return None
        best = float(raster.best_yaw_rad[row, column])
        share = float(raster.yaw_share[row, column])
        return {
            "label": Label(int(raster.label[row, column])).word,
            "best_yaw_deg": round(math.degrees(best), 1) if math.isfinite(best) else None,
            "directions": round(16 * share) if math.isfinite(share) else 0,
            "points": int(raster.points[row, column]) if math.isfinite(raster.points[row, column]) else 0,
            "height_sd_mm": round(float(raster.height_sd_m[row, column]) * 1000.0, 1),
        }


def overrule_to_dict(rule: Overrule) -> dict[str, Any]:
    """Return a decision as JSON values."""
    return {
        "number": rule.number,
        "kind": rule.kind,
        "name": rule.name,
        "reason": rule.reason,
        "time": rule.time,
        "map_id": rule.map_id,
        "area_m": [list(corner) for corner in rule.area_m],
        "level": rule.level,
        "of": rule.of,
        "past_limits": dict(rule.past_limits),
    }


def _revision(decisions: OverruleLayer) -> str:
    return f"{decisions.map_id[:12]}-{len(decisions.records)}"


def _height_range(raster: LevelRaster) -> list[float | None]:
    seen = raster.height_m[np.isfinite(raster.height_m)]
    return [round(float(seen.min()), 3), round(float(seen.max()), 3)] if len(seen) else [None, None]


def _rings(polygon: Any) -> list[Any]:
    return [polygon.exterior, *polygon.interiors] if polygon.geom_type == "Polygon" and not polygon.is_empty else []


def _thinned(height: Float32Array, step: int) -> Float32Array:
    """Return the highest of each block of cells, NaN where it holds none."""
    ny, nx = height.shape
    full = np.full((-(-ny // step) * step, -(-nx // step) * step), -np.inf, dtype=np.float32)
    full[:ny, :nx] = np.where(np.isnan(height), -np.inf, height)
    top = full.reshape(full.shape[0] // step, step, full.shape[1] // step, step).max(axis=(1, 3))
    return np.where(np.isinf(top), np.float32(np.nan), top)


def _heights_at(raster: LevelRaster, at: FloatArray) -> FloatArray:
    ny, nx = raster.height_m.shape
    column = np.clip(((at[:, 0] - raster.x0_m) // raster.cell_m).astype(int), 0, nx - 1)
    row = np.clip(((at[:, 1] - raster.y0_m) // raster.cell_m).astype(int), 0, ny - 1)
    heights: FloatArray = raster.height_m[row, column].astype(np.float64)
    return heights


def _height_near(raster: LevelRaster, x_m: float, y_m: float) -> float:
    """Return the height of the level at a spot, or of its nearest cell within 0.3 m; NaN where there is none."""
    reach = round(0.3 / raster.cell_m)
    row, column = int((y_m - raster.y0_m) // raster.cell_m), int((x_m - raster.x0_m) // raster.cell_m)
    top, left = max(0, row - reach), max(0, column - reach)
    part = raster.height_m[top : max(0, row + reach + 1), left : max(0, column + reach + 1)]
    rows, columns = np.nonzero(np.isfinite(part))
    if not len(rows):
        return math.nan
    nearest = int(np.argmin((rows + top - row) ** 2 + (columns + left - column) ** 2))
    return float(part[rows[nearest], columns[nearest]])


def _patch_words(table: PatchTable, patch_id: int) -> dict[str, Any] | None:
    found = np.flatnonzero(table.patch_id == patch_id)
    if not len(found):
        return None
    row = int(found[0])
    return {
        "patch_id": patch_id,
        "label": Label(int(table.label[row])).word,
        "reasons": list(table.reasons[row]),
        "slope_deg": round(math.degrees(float(table.slope_rad[row])), 2),
        "slope_sd_deg": round(math.degrees(float(table.slope_sd_rad[row])), 2),
        "roughness_mm": round(float(table.roughness_m[row]) * 1000.0, 2),
        "area_m2": round(float(table.area_m2[row]), 3),
        "inset_m": round(float(table.inset_m[row]), 3),
        "placements": round(float(table.placements[row]), 3),
        "points": int(table.points[row]),
    }


def _chunks(terrain_map: TerrainMap) -> Any:
    import laspy

    path = terrain_map.path / "cloud.laz"
    if not path.is_file():
        return
    with laspy.open(path) as source:
        total = source.header.point_count
        for part in source.chunk_iterator(2_000_000):
            yield total, part


def _read_points(terrain_map: TerrainMap) -> tuple[npt.NDArray[np.uint16], ByteArray, FloatArray, FloatArray]:
    """Return shuffled points as shares of their box, their labels, and the box; thinned to `MOST_POINTS`."""
    rng = np.random.default_rng(0)
    places, labels = [np.empty((0, 3))], [np.empty(0, dtype=np.uint8)]
    for total, part in _chunks(terrain_map):
        keep = rng.random(len(part)) < MOST_POINTS / max(1, total)
        places.append(np.column_stack([part.x[keep], part.y[keep], part.z[keep]]))
        labels.append(np.asarray(part["label"])[keep])
    xyz, label = np.concatenate(places), np.concatenate(labels)
    order = rng.permutation(len(xyz))
    low = xyz.min(axis=0) if len(xyz) else np.zeros(3)
    size = np.maximum(xyz.max(axis=0) - low, 1e-3) if len(xyz) else np.ones(3)
    share = np.rint((xyz[order] - low) / size * 65535.0).astype(np.uint16)
    return share, label[order].astype(np.uint8), low, size


def _ages(terrain_map: TerrainMap, rasters: list[LevelRaster]) -> dict[int, Float32Array]:
    """Return for each level how long before the survey's last return each cell was last seen, in seconds."""
    latest = {raster.level: np.full(raster.height_m.size, -np.inf) for raster in rasters}
    end = -math.inf
    for _, part in _chunks(terrain_map):
        time_s = np.asarray(part.gps_time)
        end = max(end, float(time_s.max(initial=-math.inf)))
        x, y, z = np.asarray(part.x), np.asarray(part.y), np.asarray(part.z)
        for raster in rasters:
            ny, nx = raster.height_m.shape
            column = np.floor((x - raster.x0_m) / raster.cell_m).astype(np.int64)
            row = np.floor((y - raster.y0_m) / raster.cell_m).astype(np.int64)
            inside = np.flatnonzero((column >= 0) & (row >= 0) & (column < nx) & (row < ny))
            cell = row[inside] * nx + column[inside]
            near = np.abs(z[inside] - raster.height_m.ravel()[cell]) < SAME_GROUND_M
            np.maximum.at(latest[raster.level], cell[near], time_s[inside][near])
    shapes = {raster.level: raster.height_m.shape for raster in rasters}
    return {
        level: np.where(np.isinf(when), np.nan, end - when).astype(np.float32).reshape(shapes[level])
        for level, when in latest.items()
    }
