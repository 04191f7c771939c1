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
_BLOCK = 256


def write_level(path: Path, raster: LevelRaster) -> None:
    """Write a level as float32 bands (see `BANDS`), north up, nodata NaN, with overviews of nearest cells.

    Notes
    -----
    GeoTIFF keeps only name and unit of a local coordinate system, so its whole text is in the tag `CRS_WKT` too.
    Compression works tile by tile: the bytes do not depend on the number of threads.
    """
    import rasterio
    import rasterio.shutil
    from rasterio import Affine
    from rasterio.io import MemoryFile

    ny, nx = raster.height_m.shape
    top_m = raster.y0_m + ny * raster.cell_m
    profile = {
        "driver": "GTiff",
        "width": nx,
        "height": ny,
        "count": len(BANDS),
        "dtype": "float32",
        "nodata": float("nan"),
        "crs": ENGINEERING_WKT,
        "transform": Affine(raster.cell_m, 0.0, raster.x0_m, 0.0, -raster.cell_m, top_m),
        "tiled": True,
        "blockxsize": _BLOCK,
        "blockysize": _BLOCK,
        "BIGTIFF": "IF_SAFER",
    }
    with rasterio.Env(GDAL_NUM_THREADS=str(os.cpu_count() or 1)), MemoryFile() as memory:
        with memory.open(**profile) as draft:
            for number, (name, band) in enumerate(zip(BANDS, _bands(raster), strict=True), start=1):
                draft.write(np.asarray(band, dtype=np.float32)[::-1], number)
                draft.set_band_description(number, name)
            draft.update_tags(
                CRS_WKT=ENGINEERING_WKT,
                LEVEL=str(raster.level),
                LABELS=", ".join(f"{label.value} {label.word}" for label in Label),
                HEADROOM="metres free above the ground; inf where nothing is overhead",
                YAW="degrees counter-clockwise from x",
            )
        with memory.open() as draft:
            rasterio.shutil.copy(
                draft,
                path,
                driver="COG",
                COMPRESS="DEFLATE",
                LEVEL="1",
                PREDICTOR="NO",
                BLOCKSIZE=str(_BLOCK),
                OVERVIEW_RESAMPLING="NEAREST",
                BIGTIFF="IF_SAFER",
            )


def _bands(raster: LevelRaster) -> tuple[Any, ...]:
    label = np.where(np.isnan(raster.label), np.float32(Label.UNOBSERVED), raster.label)
    return (
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
