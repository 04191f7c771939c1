"""A level's raster read band by band, where it is looked at: the first picture of a big map waits for one band."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import Float32Array
from terrain.errors import ReadError
from terrain.maps.rasters import BANDS

_BAND_OF = {
    "height_m": "height_m",
    "height_sd_m": "height_sd_m",
    "slope_rad": "slope_deg",
    "roughness_m": "roughness_mm",
    "headroom_m": "headroom_m",
    "points": "points",
    "label": "label",
    "best_yaw_rad": "best_yaw_deg",
    "yaw_share": "yaw_share",
}
_TO_SI = {"slope_deg": np.pi / 180.0, "roughness_mm": 0.001, "best_yaw_deg": np.pi / 180.0}


class LazyRaster:
    """The fields of a `LevelRaster` as measured, each read at its first use and kept; not safe without a lock.

    Raises
    ------
    ReadError
        The file is missing, or its bands are not those of a map.
    """

    def __init__(self, path: Path, level: int) -> None:
        import rasterio
        from rasterio.errors import RasterioError

        try:
            self._source = rasterio.open(path)
        except RasterioError as error:
            raise ReadError(f"{path}: cannot read: {error}") from error
        if self._source.descriptions != BANDS:
            raise ReadError(f"{path}: got bands {self._source.descriptions}, expected {BANDS}")
        transform = self._source.transform
        self.level = level
        self.shape = (self._source.height, self._source.width)
        self.cell_m = float(transform.a)
        self.x0_m = float(transform.c)
        self.y0_m = float(transform.f + transform.e * self._source.height)
        self._kept: dict[str, Float32Array] = {}

    def __getattr__(self, name: str) -> Float32Array:
        """Return an array, (ny, nx), row 0 the lowest y."""
        if name not in _BAND_OF:
            raise AttributeError(name)
        if name not in self._kept:
            band = _BAND_OF[name]
            values = self._source.read(BANDS.index(band) + 1)[::-1]
            self._kept[name] = np.ascontiguousarray(values * np.float32(_TO_SI.get(band, 1.0)))
        return self._kept[name]

    def close_to(self, x_m: float, y_m: float, reach: int) -> tuple[dict[str, Float32Array], int, int]:
        """Return all fields in a square of cells around a spot, and the spot's row and column in it.

        The arrays are empty where the spot lies further outside than the reach.
        """
        from rasterio.windows import Window

        ny, nx = self.shape
        column, row = int((x_m - self.x0_m) // self.cell_m), int((y_m - self.y0_m) // self.cell_m)
        low = (max(0, row - reach), max(0, column - reach))
        high = (min(ny, row + reach + 1), min(nx, column + reach + 1))
        rows, columns = max(0, high[0] - low[0]), max(0, high[1] - low[1])
        if rows and columns:
            data = self._source.read(window=Window(low[1], ny - high[0], columns, rows))[:, ::-1]
        else:
            data = np.empty((len(BANDS), 0, 0), dtype=np.float32)
        part = {name: data[BANDS.index(band)] * np.float32(_TO_SI.get(band, 1.0)) for name, band in _BAND_OF.items()}
        return part, row - low[0], column - low[1]

    def heights_about(self) -> Any:
        """Return heights of a few hundred cells a side, for the range of heights only."""
        ny, nx = self.shape
        return self._source.read(1, out_shape=(min(ny, 400), min(nx, 400)))
