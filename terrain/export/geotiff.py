"""GeoTIFF: one level with its reasons."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from terrain.data import REASONS, Float32Array, Label
from terrain.errors import DataError
from terrain.export.source import Cells, Source
from terrain.maps.frame import ENGINEERING_WKT
from terrain.maps.words import BIT_WORDS, reason_bits

BANDS = (
    "height_m",
    "height_sd_m",
    "slope_deg",
    "roughness_mm",
    "headroom_m",
    "points",
    "label",
    "best_yaw_deg",
    "yaw_share",
    "patch_id",
    "worst_reason",
    "reasons",
)
_BLOCK = 256


def write_geotiff(path: Path, source: Source) -> None:
    """Write the first level of the source as float32 bands, north up, nodata NaN.

    Band `worst_reason` holds 0 for none, else the place in the tag WORST_REASON; `reasons` adds up the numbers of the
    tag REASONS. Whole numbers up to 16,777,216 are exact in float32.

    Raises
    ------
    DataError
        More patches than a float32 counts, or GDAL cannot write there.
    """
    import rasterio
    from rasterio import Affine
    from rasterio.errors import RasterioError

    cells = source.cells()[0]
    raster = cells.raster
    if int(raster.patch_id.max(initial=0)) > 1 << 24:
        raise DataError(
            f"{source.terrain_map.path}: got patch {raster.patch_id.max()}, a GeoTIFF holds up to {1 << 24}"
        )
    ny, nx = raster.height_m.shape
    options = {
        "driver": "GTiff",
        "width": nx,
        "height": ny,
        "count": len(BANDS),
        "dtype": "float32",
        "nodata": float("nan"),
        "crs": ENGINEERING_WKT,
        "transform": Affine(raster.cell_m, 0.0, raster.x0_m, 0.0, -raster.cell_m, raster.y0_m + ny * raster.cell_m),
        "tiled": True,
        "blockxsize": _BLOCK,
        "blockysize": _BLOCK,
        "compress": "DEFLATE",
        "interleave": "band",
        "BIGTIFF": "IF_SAFER",
    }
    try:
        with rasterio.open(path, "w", **options) as target:
            for band, name in enumerate(BANDS, start=1):
                target.write(_band(cells, name)[::-1], band)
                target.set_band_description(band, name)
            target.update_tags(
                CRS_WKT=ENGINEERING_WKT,
                LEVEL=str(raster.level),
                LABELS=", ".join(f"{label.value} {label.word}" for label in Label),
                WORST_REASON=", ".join(f"{k} {word}" for k, word in enumerate(REASONS, start=1)),
                REASONS=BIT_WORDS,
                HEADROOM="metres free above the ground; inf where nothing is overhead",
                YAW="degrees counter-clockwise from x",
                CAUTION="advice from geometry at scan time, not a safety function",
            )
    except RasterioError as error:
        raise DataError(f"{path}: cannot write: {error}") from error


def _band(cells: Cells, name: str) -> Float32Array:
    raster = cells.raster
    if name == "label":
        return np.where(np.isnan(raster.label), np.float32(Label.UNOBSERVED), raster.label).astype(np.float32)
    if name == "patch_id":
        return np.where(raster.patch_id >= 0, raster.patch_id, np.nan).astype(np.float32)
    if name in ("worst_reason", "reasons"):
        values = cells.reason[:, 0] + 1 if name == "worst_reason" else reason_bits(cells.reason)
        band = np.full(raster.height_m.shape, np.nan, dtype=np.float32)
        band[cells.row, cells.column] = values
        return band
    if name.endswith("_deg"):
        radians = getattr(raster, name.removesuffix("_deg") + "_rad")
        return np.asarray(np.degrees(radians), dtype=np.float32)
    if name == "roughness_mm":
        return (raster.roughness_m * np.float32(1000.0)).astype(np.float32)
    return np.asarray(getattr(raster, name), dtype=np.float32)
