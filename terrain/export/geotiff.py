"""GeoTIFF: one level with its reasons."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import REASONS, Float32Array, Label
from terrain.errors import DataError
from terrain.export.source import Cells, Source
from terrain.maps.frame import ENGINEERING_WKT
from terrain.maps.rasters import BANDS as LEVEL_BANDS
from terrain.maps.rasters import HEADROOM_TAG, YAW_TAG, geotiff_profile, level_bands
from terrain.maps.words import BIT_WORDS, reason_bits

BANDS = (*LEVEL_BANDS, "patch_id", "worst_reason", "reasons")


def write_geotiff(path: Path, source: Source) -> None:
    """Write the first level of the source as float32 bands, north up, nodata NaN.

    Band `worst_reason` holds 0 for none, else the place in the tag WORST_REASON; `reasons` adds up the numbers of the
    tag REASONS. Whole numbers up to 16,777,216 are exact in float32.

    Raises
    ------
    DataError
        More patches than a float32 counts, or GDAL cannot make it.
    """
    from rasterio.errors import RasterioError
    from rasterio.io import MemoryFile

    cells = source.cells()[0]
    raster = cells.raster
    if int(raster.patch_id.max(initial=0)) > 1 << 24:
        raise DataError(
            f"{source.terrain_map.path}: got patch {raster.patch_id.max()}, a GeoTIFF holds up to {1 << 24}"
        )
    profile = geotiff_profile(
        raster.height_m.shape, len(BANDS), x0_m=raster.x0_m, y0_m=raster.y0_m, cell_m=raster.cell_m
    )
    try:
        with MemoryFile() as memory:
            with memory.open(**profile, compress="DEFLATE", interleave="band") as target:
                _fill(target, cells)
            # Written by Python: GDAL says nothing of a disk that takes a part of a file only.
            path.write_bytes(memory.getbuffer())
    except RasterioError as error:
        raise DataError(f"{path}: cannot write: {error}") from error


def _fill(target: Any, cells: Cells) -> None:
    raster = cells.raster
    values = {**level_bands(raster), **_more_bands(cells)}
    for band, name in enumerate(BANDS, start=1):
        target.write(np.asarray(values[name], dtype=np.float32)[::-1], band)
        target.set_band_description(band, name)
    target.update_tags(
        CRS_WKT=ENGINEERING_WKT,
        LEVEL=str(raster.level),
        LABELS=", ".join(f"{label.value} {label.word}" for label in Label),
        WORST_REASON=", ".join(f"{k} {word}" for k, word in enumerate(REASONS, start=1)),
        REASONS=BIT_WORDS,
        HEADROOM=HEADROOM_TAG,
        YAW=YAW_TAG,
        CAUTION="advice from geometry at scan time, not a safety function",
    )


def _more_bands(cells: Cells) -> dict[str, Float32Array]:
    """Return the bands that a map's own raster does not have."""
    raster = cells.raster
    found = {"patch_id": np.where(raster.patch_id >= 0, raster.patch_id, np.nan).astype(np.float32)}
    for name, values in (("worst_reason", cells.reason[:, 0] + 1), ("reasons", reason_bits(cells.reason))):
        found[name] = np.full(raster.height_m.shape, np.nan, dtype=np.float32)
        found[name][cells.row, cells.column] = values
    return found
