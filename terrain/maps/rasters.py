"""The dense judgement of a level as a Cloud-optimised GeoTIFF and back."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import Int32Array, Label, LevelRaster
from terrain.errors import ReadError
from terrain.maps.frame import ENGINEERING_WKT

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
)
BLOCK = 256
"""Cells to a side of a GeoTIFF's tiles."""
HEADROOM_TAG = "metres free above the ground; inf where nothing is overhead"
YAW_TAG = "degrees counter-clockwise from x"


def geotiff_profile(shape: tuple[int, ...], bands: int, *, x0_m: float, y0_m: float, cell_m: float) -> dict[str, Any]:
    """Return what rasterio needs to make a north-up float32 GeoTIFF in the map frame, nodata NaN.

    shape: (ny, nx); x0_m, y0_m: the lower left corner. GeoTIFF keeps only name and unit of a local coordinate
    system: put `ENGINEERING_WKT` into a tag too.
    """
    from rasterio import Affine

    ny, nx = shape
    return {
        "driver": "GTiff",
        "width": nx,
        "height": ny,
        "count": bands,
        "dtype": "float32",
        "nodata": float("nan"),
        "crs": ENGINEERING_WKT,
        "transform": Affine(cell_m, 0.0, x0_m, 0.0, -cell_m, y0_m + ny * cell_m),
        "tiled": True,
        "blockxsize": BLOCK,
        "blockysize": BLOCK,
        "BIGTIFF": "IF_SAFER",
    }


def level_profile(raster: LevelRaster) -> dict[str, Any]:
    """Return what rasterio needs to make the GeoTIFF of a level."""
    shape = raster.height_m.shape
    return geotiff_profile(shape, len(BANDS), x0_m=raster.x0_m, y0_m=raster.y0_m, cell_m=raster.cell_m)


def write_level(path: Path, raster: LevelRaster) -> None:
    """Write a level as a Cloud-optimised GeoTIFF of float32 bands (see `BANDS`), north up, nodata NaN.

    With overviews of nearest cells. That of a map that grows is a plain one, see `terrain.maps.blocks`.

    Notes
    -----
    Compression works tile by tile: the bytes do not depend on the number of threads.
    """
    import rasterio
    from rasterio.io import MemoryFile

    profile = level_profile(raster)
    with rasterio.Env(GDAL_NUM_THREADS=str(os.cpu_count() or 1)):
        with MemoryFile() as memory:
            with memory.open(**profile) as draft:
                _fill(draft, raster)
            with memory.open() as draft:
                save_cog(
                    draft,
                    path,
                    COMPRESS="DEFLATE",
                    LEVEL="1",
                    PREDICTOR="NO",
                    BLOCKSIZE=str(BLOCK),
                    OVERVIEWS="AUTO",
                    OVERVIEW_RESAMPLING="NEAREST",
                    BIGTIFF="IF_SAFER",
                )


def save_cog(source: Any, path: Path, **options: str) -> None:
    """Write an open dataset as a Cloud-optimised GeoTIFF.

    It is made in memory and written by Python: GDAL says nothing of a disk that takes a part of a file only.

    Raises
    ------
    OSError
        The disk does not take it.
    """
    import rasterio.shutil
    from rasterio.io import MemoryFile

    with MemoryFile(ext=".tif") as whole:
        rasterio.shutil.copy(source, whole.name, driver="COG", **options)
        path.write_bytes(whole.getbuffer())


def _fill(file: Any, raster: LevelRaster) -> None:
    """Write the bands of a level and what they mean."""
    for number, band in enumerate(level_bands(raster).values(), start=1):
        file.write(np.asarray(band, dtype=np.float32)[::-1], number)
    describe(file, raster)


def describe(file: Any, raster: LevelRaster) -> None:
    """Write what the bands of a level mean."""
    for number, name in enumerate(BANDS, start=1):
        file.set_band_description(number, name)
    file.update_tags(
        CRS_WKT=ENGINEERING_WKT,
        LEVEL=str(raster.level),
        LABELS=", ".join(f"{label.value} {label.word}" for label in Label),
        HEADROOM=HEADROOM_TAG,
        YAW=YAW_TAG,
    )


def level_bands(raster: LevelRaster) -> dict[str, Any]:
    """Return the values of `BANDS`, (ny, nx) each, by their names."""
    label = np.where(np.isnan(raster.label), np.float32(Label.UNOBSERVED), raster.label)
    values = (
        raster.height_m,
        raster.height_sd_m,
        np.degrees(raster.slope_rad),
        raster.roughness_m * np.float32(1000.0),
        raster.headroom_m,
        raster.points,
        label,
        np.degrees(raster.best_yaw_rad),
        raster.yaw_share,
    )
    return dict(zip(BANDS, values, strict=True))


def read_level(path: Path, *, level: int, patch_id: Int32Array) -> LevelRaster:
    """Read a level that `write_level` wrote; `patch_id` (ny, nx) lies in another file of the map.

    Raises
    ------
    ReadError
        The file is missing, no GeoTIFF, or its bands are not those of a map.
    """
    import rasterio
    from rasterio.errors import RasterioError

    try:
        with rasterio.open(path) as source:
            if source.descriptions != BANDS:
                raise ReadError(f"{path}: got bands {source.descriptions}, expected {BANDS}")
            data = source.read()[:, ::-1]
            transform = source.transform
    except RasterioError as error:
        raise ReadError(f"{path}: cannot read: {error}") from error
    if patch_id.shape != data.shape[1:]:
        raise ReadError(f"{path}: got {data.shape[1:]} cells, expected {patch_id.shape} as in the map's other files")
    band = {name: np.ascontiguousarray(values) for name, values in zip(BANDS, data, strict=True)}
    return LevelRaster(
        level=level,
        x0_m=transform.c,
        y0_m=transform.f + transform.e * data.shape[1],
        cell_m=transform.a,
        height_m=band["height_m"],
        height_sd_m=band["height_sd_m"],
        slope_rad=np.radians(band["slope_deg"]),
        roughness_m=(band["roughness_mm"] / 1000.0).astype(np.float32),
        headroom_m=band["headroom_m"],
        points=band["points"],
        label=band["label"],
        best_yaw_rad=np.radians(band["best_yaw_deg"]),
        yaw_share=band["yaw_share"],
        patch_id=patch_id,
    )
