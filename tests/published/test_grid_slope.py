"""Slopes of fitted planes against GDAL's on grids of heights.

Independent program: `gdaldem slope` (Horn, Proc. IEEE 69(1), 1981). Data: the digital elevation model of a fault that
Matplotlib ships as sample data; its cells are taken as square here, with the side that Matplotlib's own hillshading
example uses for one arc second of latitude, 111,200 m a degree.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import rasterio
from matplotlib import cbook
from rasterio.transform import Affine

from terrain.data import FloatArray
from terrain.segment.ransac import fit_plane

GDALDEM = shutil.which("gdaldem")
needs_gdal = pytest.mark.skipif(GDALDEM is None, reason="gdaldem is not installed (Debian: apt-get install gdal-bin)")


def gdal_slope(folder: Path, z: FloatArray, cell_m: float) -> FloatArray:
    """Return slopes in degrees by GDAL; its border cells are NaN."""
    height, width = z.shape
    source, target = folder / "z.tif", folder / "slope.tif"
    with rasterio.open(
        source,
        "w",
        driver="GTiff",
        height=height,
        width=width,
        count=1,
        dtype="float64",
        crs="EPSG:32633",
        transform=Affine(cell_m, 0.0, 500_000.0, 0.0, -cell_m, 5_000_000.0),
    ) as out:
        out.write(z, 1)
    subprocess.run([str(GDALDEM), "slope", str(source), str(target), "-q"], check=True, capture_output=True, timeout=60)
    with rasterio.open(target) as made:
        slope = made.read(1).astype(np.float64)
        slope[slope == made.nodata] = np.nan
    return slope


def plane_slope(z: FloatArray, cell_m: float, row: int, column: int) -> float:
    """Return the slope in degrees of the plane through the 3 x 3 heights around a cell."""
    y, x = np.mgrid[-1:2, -1:2] * cell_m
    window = z[row - 1 : row + 2, column - 1 : column + 2]
    normal = fit_plane(np.column_stack([x.ravel(), y.ravel(), window.ravel()])).normal
    return float(np.degrees(np.arccos(min(1.0, normal[2]))))


@needs_gdal
@pytest.mark.parametrize("slope_deg", [5.0, 10.0, 15.0, 20.0, 30.0, 45.0])
@pytest.mark.parametrize("aspect_deg", [0.0, 37.0, 180.0])
def test_tilted_planes_have_one_slope(tmp_path: Path, slope_deg: float, aspect_deg: float) -> None:
    """Horn and least squares are both exact on a plane; GDAL writes float32."""
    rise, turn = np.tan(np.radians(slope_deg)), np.radians(aspect_deg)
    y, x = np.mgrid[0:7, 0:9] * 0.05
    z = rise * (x * np.cos(turn) + y * np.sin(turn))
    slope = gdal_slope(tmp_path, z, 0.05)
    assert slope[1:-1, 1:-1] == pytest.approx(slope_deg, abs=1e-3)
    for row, column in ((1, 1), (3, 4), (5, 7)):
        assert plane_slope(z, 0.05, row, column) == pytest.approx(slope_deg, abs=1e-9)


@needs_gdal
def test_slopes_of_a_real_elevation_model(tmp_path: Path) -> None:
    """Horn weighs the middle row twice, least squares evenly: the same slope but for curvature within 3 x 3 cells."""
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as dem:
        z = dem["elevation"].astype(np.float64)
        cell_m = 111_200.0 * abs(float(dem["dy"]))
    slope = gdal_slope(tmp_path, z, cell_m)
    rng = np.random.default_rng(31)
    rows = rng.integers(1, z.shape[0] - 1, 3000)
    columns = rng.integers(1, z.shape[1] - 1, 3000)
    ours = np.array([plane_slope(z, cell_m, r, c) for r, c in zip(rows, columns, strict=True)])
    theirs = slope[rows, columns]
    assert np.isfinite(theirs).all()
    assert theirs.max() > 20.0  # there is something to compare
    difference = ours - theirs
    assert np.corrcoef(ours, theirs)[0, 1] > 0.99
    assert abs(np.median(difference)) < 0.2
    assert np.quantile(np.abs(difference), 0.95) < 2.0
