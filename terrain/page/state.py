"""A map as the page shows it: opened once, pictures kept, decisions looked up anew at every question."""

from __future__ import annotations

import json
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
from terrain.maps.answers import describe, measured
from terrain.maps.manifest import level_file, limits_of
from terrain.maps.overruled import rounded_outward, worst_past_limits
from terrain.maps.overrules import Overrule, OverruleLayer, read_overrules
from terrain.maps.polygons import PatchTable
from terrain.maps.store import TerrainMap, open_map
from terrain.page.clouds import ages_of, read_points
from terrain.page.findings import changes, unseen
from terrain.page.geometry import contact, section
from terrain.page.layers import KEYS, LAYERS, encoded, halved, layer_of, marks_of, scale_of, tile_of, values_of
from terrain.page.lazy import LazyRaster

MOST_MESH_CELLS = 160_000
PREVIEW_PLACEMENTS = 4_000
_SIMPLER_M = 0.004


@dataclass(slots=True, eq=False)
class _Opened:
    """One map folder as it was at a time, and what was worked out from it."""

    terrain_map: TerrainMap
    map_id: str
    rasters: dict[int, LazyRaster] = field(default_factory=dict)
    ages: dict[int, Float32Array] | None = None
    scales: dict[str, tuple[float, float]] = field(default_factory=dict)
    pictures: dict[tuple[str, int, str], list[ByteArray]] = field(default_factory=dict)
    patches: tuple[str, bytes] = ("", b"")
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

    def warm_pictures(self) -> None:
        """Load what the first picture needs."""
        now = self._now()
        with self._lock:
            for level in now.terrain_map.levels:
                self._picture(now, level, "label", 0)

    def warm_answers(self) -> None:
        """Load what the first verdict and the patches need."""
        if self._now().terrain_map.levels:
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

    def patches(self) -> bytes:
        """Return the patches that are ground as JSON columns: number, level, label; outlines in millimetres."""
        now, revision = self._now(), self.revision()
        with self._lock:
            if now.patches[0] != revision:
                now.patches = (
                    revision,
                    json.dumps(_outlines(now.terrain_map.patches()), separators=(",", ":")).encode(),
                )
            return now.patches[1]

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
            zoom = max(0, math.ceil(0.5 * math.log2(max(1.0, math.prod(raster.shape) / MOST_MESH_CELLS))))
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
        metres; then uint16 x, y, z as shares of the box, and uint8, 1 where the point saw ground that cells show.
        """
        now = self._now()
        with self._lock:
            if now.points is None:
                rasters = [self._raster(now, level) for level in now.terrain_map.levels]
                now.points = read_points(now.terrain_map, rasters)
            xyz, ground, low, size = now.points
        part = slice(max(0, start), max(0, start) + max(0, count))
        head = np.concatenate([[len(xyz), len(xyz[part])], low, size]).astype("<f8").tobytes()
        return head + xyz[part].astype("<u2").tobytes() + ground[part].tobytes()

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
            "patch": None if patch_id is None else _patch_words(now.terrain_map.patches(), patch_id),
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
                {"quantity": name, "worst": rounded_outward(name, value), "placements": count[name]}
                for name, value in worst.items()
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

    def _raster(self, now: _Opened, level: int) -> LazyRaster:
        """Return a level as measured."""
        if level not in now.rasters:
            now.rasters[level] = LazyRaster(now.terrain_map.path / level_file(level), level)
        return now.rasters[level]

    def _values(self, now: _Opened, level: int, key: str, raster: LevelRaster | LazyRaster) -> Float32Array:
        layer = layer_of(key)
        if layer is None:
            raise DataError(f"layer: got {key!r}, expected one of {', '.join(KEYS)}")
        if key == "age" and now.ages is None:
            now.ages = ages_of(now.terrain_map, [self._raster(now, number) for number in now.terrain_map.levels])
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
            raster: LevelRaster | LazyRaster = self._raster(now, level)
            if decided and decisions.in_force():
                raster = now.terrain_map.level(level)
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
        part, row, column = self._raster(now, level).close_to(x_m, y_m, 0)
        if not part["height_m"].size or not np.isfinite(part["height_m"][row, column]):
            return None
        here = {name: float(values[row, column]) for name, values in part.items()}
        best, share, points = here["best_yaw_rad"], here["yaw_share"], here["points"]
        return {
            "label": Label(int(here["label"])).word,
            "best_yaw_deg": round(math.degrees(best), 1) if math.isfinite(best) else None,
            "directions": round(16 * share) if math.isfinite(share) else 0,
            "points": int(points) if math.isfinite(points) else 0,
            "height_sd_mm": round(here["height_sd_m"] * 1000.0, 1),
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


def _height_range(raster: LazyRaster) -> list[float | None]:
    heights = raster.heights_about()
    seen = heights[np.isfinite(heights)]
    return [round(float(seen.min()), 3), round(float(seen.max()), 3)] if len(seen) else [None, None]


def _outlines(table: PatchTable) -> dict[str, Any]:
    import shapely

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


def _rings(polygon: Any) -> list[Any]:
    return [polygon.exterior, *polygon.interiors] if polygon.geom_type == "Polygon" and not polygon.is_empty else []


def _thinned(height: Float32Array, step: int) -> Float32Array:
    """Return the highest of each block of cells, NaN where it holds none."""
    ny, nx = height.shape
    full = np.full((-(-ny // step) * step, -(-nx // step) * step), -np.inf, dtype=np.float32)
    full[:ny, :nx] = np.where(np.isnan(height), -np.inf, height)
    top = full.reshape(full.shape[0] // step, step, full.shape[1] // step, step).max(axis=(1, 3))
    return np.where(np.isinf(top), np.float32(np.nan), top)


def _heights_at(raster: LazyRaster, at: FloatArray) -> FloatArray:
    ny, nx = raster.height_m.shape
    column = np.clip(((at[:, 0] - raster.x0_m) // raster.cell_m).astype(int), 0, nx - 1)
    row = np.clip(((at[:, 1] - raster.y0_m) // raster.cell_m).astype(int), 0, ny - 1)
    heights: FloatArray = raster.height_m[row, column].astype(np.float64)
    return heights


def _height_near(raster: LazyRaster, x_m: float, y_m: float) -> float:
    """Return the height of the level at a spot, or of its nearest cell within 0.3 m; NaN where there is none."""
    part, row, column = raster.close_to(x_m, y_m, round(0.3 / raster.cell_m))
    rows, columns = np.nonzero(np.isfinite(part["height_m"]))
    if not len(rows):
        return math.nan
    nearest = int(np.argmin((rows - row) ** 2 + (columns - column) ** 2))
    return float(part["height_m"][rows[nearest], columns[nearest]])


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
