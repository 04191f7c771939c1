"""What was measured, and the planes found in it: poses, scans, the fused cloud, patches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from terrain.data.arrays import BoolArray, ByteArray, Float32Array, FloatArray, Int32Array, IntArray, seal
from terrain.errors import DataError, FrameError

QUATERNION_NORM_TOLERANCE = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Trajectory:
    """Body poses T_map_body in the order of time, which rises strictly.

    time_s (n,); position_m (n, 3), map frame; rotation_xyzw (n, 4), unit quaternions.
    """

    time_s: FloatArray
    position_m: FloatArray
    rotation_xyzw: FloatArray

    def __post_init__(self) -> None:
        seal(self, "time_s")
        n = len(self.time_s)
        seal(self, "position_m", columns=3, rows=n)
        seal(self, "rotation_xyzw", columns=4, rows=n)
        if n == 0:
            raise DataError("trajectory: got no poses, expected at least one")
        if n > 1 and not (np.diff(self.time_s) > 0).all():
            row = int(np.flatnonzero(np.diff(self.time_s) <= 0)[0]) + 1
            raise DataError(f"trajectory: time {self.time_s[row]!r} at pose {row} does not follow its predecessor")
        norm = np.linalg.norm(self.rotation_xyzw, axis=1)
        off = np.abs(norm - 1.0) > QUATERNION_NORM_TOLERANCE
        if off.any():
            row = int(np.flatnonzero(off)[0])
            raise FrameError(
                f"trajectory: quaternion norm {norm[row]:.6f} at pose {row}, "
                f"expected 1 within {QUATERNION_NORM_TOLERANCE:g}"
            )


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """A chunk of one scan file as it was recorded.

    xyz_m (n, 3) float64 in the sensor frame (or the map frame where the survey says so); time_s (n,) float64 on
    the scan clock, or None where the file carries no time.
    """

    source: str
    xyz_m: FloatArray
    time_s: FloatArray | None

    def __post_init__(self) -> None:
        seal(self, "xyz_m", columns=3, copy=False, finite=False)
        if self.time_s is not None:
            seal(self, "time_s", rows=len(self.xyz_m), copy=False, finite=False)


@dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """Fused points of a survey in the map frame.

    xyz_map_m : (n, 3) float64, metres, z up against gravity
    time_s : (n,) float64 seconds on the pose clock, or None
    view_map_m : (n, 3) float32 or None, the sensor's position as each point was seen, relative to `origin_m`
    sd_m : (n,) float32, standard deviation along the beam: range noise and pose position
    cross_sd_m : (n,) float32, standard deviation across the beam: attitude times range, and pose position
    origin_m : (3,) float64, a point near the cloud, so that float32 differences lose nothing
    """

    xyz_map_m: FloatArray
    time_s: FloatArray | None
    view_map_m: Float32Array | None
    sd_m: Float32Array
    cross_sd_m: Float32Array
    origin_m: FloatArray

    def __post_init__(self) -> None:
        seal(self, "xyz_map_m", columns=3, copy=False)
        n = len(self.xyz_map_m)
        if self.time_s is not None:
            seal(self, "time_s", rows=n, copy=False)
        if self.view_map_m is not None:
            seal(self, "view_map_m", dtype=np.float32, columns=3, rows=n, copy=False)
        seal(self, "sd_m", dtype=np.float32, rows=n, copy=False)
        seal(self, "cross_sd_m", dtype=np.float32, rows=n, copy=False)
        seal(self, "origin_m", rows=3)

    def __len__(self) -> int:
        """Return the number of points."""
        return len(self.xyz_map_m)

    def some(self, rows: IntArray | slice) -> Cloud:
        """Return the points of some rows (k,) as a cloud."""
        return Cloud(
            xyz_map_m=self.xyz_map_m[rows],
            time_s=None if self.time_s is None else self.time_s[rows],
            view_map_m=None if self.view_map_m is None else self.view_map_m[rows],
            sd_m=self.sd_m[rows],
            cross_sd_m=self.cross_sd_m[rows],
            origin_m=self.origin_m,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Planar regions; row k is the patch with patch_id k.

    normal (p, 3) unit, pointing to where it was seen from (up for ground); offset_m (p,): normal . x = offset,
    with x relative to `origin_m`; centre_m (p, 3) absolute; slope_sd_rad (p,); roughness_m (p,): RMS departure
    of its points beyond what range noise explains; residual_m (p,): RMS departure as measured; noise_m (p,): RMS
    departure that noise alone predicts; height_sd_m (p,): sd of the plane's height at its centre; points (p,)
    int64; area_m2 (p,), on the plane; outline (p): one shapely Polygon with z, map frame, holes allowed;
    upward (p,) bool: seen from above and less than 60 degrees steep, so that it can be ground.
    """

    origin_m: FloatArray
    normal: FloatArray
    offset_m: FloatArray
    centre_m: FloatArray
    slope_sd_rad: FloatArray
    height_sd_m: FloatArray
    roughness_m: FloatArray
    residual_m: FloatArray
    noise_m: FloatArray
    points: IntArray
    area_m2: FloatArray
    upward: BoolArray
    outline: tuple[Any, ...]

    def __post_init__(self) -> None:
        seal(self, "origin_m", rows=3)
        seal(self, "normal", columns=3)
        n = len(self.normal)
        seal(self, "centre_m", columns=3, rows=n)
        for name in ("offset_m", "slope_sd_rad", "height_sd_m", "roughness_m", "residual_m", "noise_m", "area_m2"):
            seal(self, name, rows=n)
        seal(self, "points", dtype=np.int64, rows=n)
        seal(self, "upward", dtype=np.bool_, rows=n)
        if len(self.outline) != n:
            raise DataError(f"outline: got {len(self.outline)} rows, expected {n}")

    def __len__(self) -> int:
        """Return the number of patches."""
        return len(self.normal)


@dataclass(frozen=True, slots=True, eq=False)
class PatchMasks:
    """Where each patch is, as cells of one raster in the map's x-y plane; row k belongs to patch k.

    Cell (ix, iy) covers x in [x0 + ix*cell, x0 + (ix+1)*cell), y likewise. The window of patch k starts at
    (ix0[k], iy0[k]), is nx[k] by ny[k] cells and lies row by row in cells[offset[k]:offset[k + 1]]:
    0 not the patch, 1 the patch, 2 the patch with a suspected joint, 3 a bridged opening. Steep patches have an
    empty window.
    """

    x0_m: float
    y0_m: float
    cell_m: float
    ix0: IntArray
    iy0: IntArray
    nx: IntArray
    ny: IntArray
    offset: IntArray
    cells: ByteArray

    def __post_init__(self) -> None:
        seal(self, "ix0", dtype=np.int64)
        n = len(self.ix0)
        for name in ("iy0", "nx", "ny"):
            seal(self, name, dtype=np.int64, rows=n)
        seal(self, "offset", dtype=np.int64, rows=n + 1)
        seal(self, "cells", dtype=np.uint8, rows=int(self.offset[-1]), copy=False)

    def window(self, k: int) -> ByteArray:
        """Return the (ny, nx) cells of patch k, row 0 the lowest y."""
        return self.cells[self.offset[k] : self.offset[k + 1]].reshape(int(self.ny[k]), int(self.nx[k]))


@dataclass(frozen=True, slots=True, eq=False)
class Segmentation:
    """Patches, where they are, and the patch of each point: (n,) int32, -1 none."""

    patches: Patches
    masks: PatchMasks
    point_patch: Int32Array

    def __post_init__(self) -> None:
        seal(self, "point_patch", dtype=np.int32, copy=False)
