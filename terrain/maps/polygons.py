"""Patches as a GeoPackage layer and back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import (
    REASONS,
    ByteArray,
    FloatArray,
    Int32Array,
    IntArray,
    Label,
    Patches,
    PatchVerdicts,
)
from terrain.errors import DataError, ReadError
from terrain.maps.files import why_not_written
from terrain.maps.frame import ENGINEERING_WKT

LAYER = "patches"
_LEVEL_SLOPE_RAD = 1e-9
_LABEL_OF_WORD = {label.word: label for label in Label}


@dataclass(frozen=True, slots=True, eq=False)
class PatchTable:
    """The patches of a map, one row each, in the order of patch_id; SI units, map frame.

    patch_id (p,) int32; level (p,) int32, -1 for a patch that is no ground; label (p,) uint8; reasons: p tuples of
    words, worst first; slope_rad, slope_sd_rad (p,); aspect_rad (p,): direction of the steepest descent, counter-
    clockwise from x, 0 to 2 pi, NaN for a patch without one; roughness_m, area_m2 (on the plane), inset_m (radius of
    the largest inscribed circle), placements (share of the area) (p,); points (p,) int64; normal (p, 3) unit;
    outline: p shapely polygons with z.
    """

    patch_id: Int32Array
    level: Int32Array
    label: ByteArray
    reasons: tuple[tuple[str, ...], ...]
    slope_rad: FloatArray
    slope_sd_rad: FloatArray
    aspect_rad: FloatArray
    roughness_m: FloatArray
    area_m2: FloatArray
    inset_m: FloatArray
    placements: FloatArray
    points: IntArray
    normal: FloatArray
    outline: tuple[Any, ...]

    def __len__(self) -> int:
        """Return the number of patches."""
        return len(self.patch_id)


def tabulate_patches(patches: Patches, verdicts: PatchVerdicts) -> PatchTable:
    """Return patches and their verdicts as one table; slope is the tilt against the horizontal, 0 to 90 degrees."""
    normal = patches.normal
    facing_up = np.where(normal[:, 2:] < 0, -normal, normal)
    tilt = np.hypot(facing_up[:, 0], facing_up[:, 1])
    slope = np.arctan2(tilt, facing_up[:, 2])
    aspect = np.mod(np.arctan2(facing_up[:, 1], facing_up[:, 0]), 2 * np.pi)
    return PatchTable(
        patch_id=np.arange(len(patches), dtype=np.int32),
        level=verdicts.level.astype(np.int32),
        label=verdicts.label,
        reasons=tuple(tuple(REASONS[k] for k in row if k >= 0) for row in verdicts.reason),
        slope_rad=slope,
        slope_sd_rad=patches.slope_sd_rad,
        aspect_rad=np.where(slope > _LEVEL_SLOPE_RAD, aspect, np.nan),
        roughness_m=patches.roughness_m,
        area_m2=patches.area_m2,
        inset_m=verdicts.inset_m,
        placements=verdicts.placements,
        points=patches.points,
        normal=normal,
        outline=patches.outline,
    )


def patch_numbers(table: PatchTable) -> dict[str, Any]:
    """Return what was measured of each patch by the names of the layer's columns, in the units of these."""
    return {
        "slope_deg": np.degrees(table.slope_rad),
        "slope_sd_deg": np.degrees(table.slope_sd_rad),
        "aspect_deg": np.degrees(table.aspect_rad),
        "roughness_mm": table.roughness_m * 1000.0,
        "area_m2": table.area_m2,
        "inset_m": table.inset_m,
        "placements": table.placements,
        "points": table.points.astype(np.int64),
        "normal_x": table.normal[:, 0],
        "normal_y": table.normal[:, 1],
        "normal_z": table.normal[:, 2],
    }


def write_patches(path: Path, table: PatchTable) -> None:
    """Write the table as layer `patches` of a new GeoPackage, srs_id -1 (undefined Cartesian), dates zeroed."""
    import shapely
    from pyogrio import raw

    geometry = np.array(table.outline, dtype=object)
    kinds = shapely.get_type_id(geometry)
    if (kinds != shapely.GeometryType.POLYGON).any():
        bad = int(np.flatnonzero(kinds != shapely.GeometryType.POLYGON)[0])
        raise ValueError(f"outline of patch {bad}: got {table.outline[bad].geom_type}, expected Polygon")
    columns: dict[str, Any] = {
        "patch_id": table.patch_id.astype(np.int32),
        "level": table.level.astype(np.int32),
        "label": np.array([Label(k).word for k in table.label], dtype=object),
        "reasons": np.array([";".join(words) for words in table.reasons], dtype=object),
        **patch_numbers(table),
    }
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, GeometryError

    try:
        with fixed_date():
            raw.write(
                path,
                geometry=shapely.to_wkb(geometry, output_dimension=3, byte_order=1),
                field_data=list(columns.values()),
                fields=list(columns),
                layer=LAYER,
                driver="GPKG",
                geometry_type="2.5D Polygon",
                crs=ENGINEERING_WKT,
                dataset_options={"VERSION": "1.3"},  # readers of 2022 warn about 1.4
                layer_options={"SRID": "-1"},
            )
    except (DataSourceError, DataLayerError, FeatureError, GeometryError) as error:
        raise DataError(f"{path}: cannot write the patches: {why_not_written(path, error)}") from error


@contextmanager
def fixed_date() -> Iterator[None]:
    """Let GDAL stamp a fixed date instead of the clock, so that equal patches give equal bytes."""
    import pyogrio

    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "1970-01-01T00:00:00.000Z"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def read_patches(path: Path) -> PatchTable:
    """Read a layer that `write_patches` wrote.

    Raises
    ------
    ReadError
        The file is missing, no GeoPackage, or lacks a column.
    """
    import shapely
    from pyogrio import raw
    from pyogrio.errors import DataLayerError, DataSourceError

    try:
        meta, _, geometry, data = raw.read(path.absolute(), layer=LAYER)  # a blank at the front would be cut off
    except (DataSourceError, DataLayerError) as error:
        raise ReadError(f"{path}: cannot read layer {LAYER!r}: {error}") from error
    field = dict(zip(meta["fields"], data, strict=True))
    try:
        return PatchTable(
            patch_id=field["patch_id"],
            level=field["level"],
            label=np.array([_LABEL_OF_WORD[word] for word in field["label"]], dtype=np.uint8),
            reasons=tuple(tuple(words.split(";")) if words else () for words in field["reasons"]),
            slope_rad=np.radians(field["slope_deg"]),
            slope_sd_rad=np.radians(field["slope_sd_deg"]),
            aspect_rad=np.radians(field["aspect_deg"]),
            roughness_m=field["roughness_mm"] / 1000.0,
            area_m2=field["area_m2"],
            inset_m=field["inset_m"],
            placements=field["placements"],
            points=field["points"],
            normal=np.column_stack([field["normal_x"], field["normal_y"], field["normal_z"]]),
            outline=tuple(shapely.from_wkb(geometry)),
        )
    except KeyError as error:
        raise ReadError(f"{path}: layer {LAYER!r} has no usable {error}, expected the columns of a map") from error
