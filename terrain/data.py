"""Frozen types that pass between stages: SI units, right-handed frames, z up.

Arrays are checked at construction and made read-only. Behaviour lives in the stages.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.errors import DataError, FrameError

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
Int32Array = npt.NDArray[np.int32]
ByteArray = npt.NDArray[np.uint8]
BoolArray = npt.NDArray[np.bool_]

QUATERNION_NORM_TOLERANCE = 1e-3
TILE_CELLS = 64


class Label(IntEnum):
    """What a verdict says; the numbers are those of the map files."""

    UNOBSERVED = 0
    STEPPABLE = 1
    MARGINAL = 2
    UNSTEPPABLE = 3

    @property
    def word(self) -> str:
        """Return the label as the files spell it."""
        return self.name.lower()


REASONS = (
    "slope",
    "roughness",
    "support",
    "rocking",
    "edge",
    "beside",
    "headroom",
    "unobserved",
    "no-ground",
    "kept-out",
)


def sealed(
    name: str,
    values: npt.ArrayLike,
    *,
    dtype: npt.DTypeLike = np.float64,
    columns: int | None = None,
    rows: int | None = None,
    finite: bool = True,
    copy: bool = True,
) -> npt.NDArray[Any]:
    """Return the values as a read-only array after checking shape and finiteness.

    Raises
    ------
    DataError
        The shape is not (n,) or (n, columns), the row count differs, or a value is not finite.
    """
    array = np.array(values, dtype=dtype, copy=True) if copy else np.asarray(values, dtype=dtype)
    if not copy and array.flags.writeable:
        array = array.view()
    wanted = 1 if columns is None else 2
    if array.ndim != wanted or (columns is not None and array.shape[1] != columns):
        shape = "(n,)" if columns is None else f"(n, {columns})"
        raise DataError(f"{name}: got shape {array.shape}, expected {shape}")
    if rows is not None and len(array) != rows:
        raise DataError(f"{name}: got {len(array)} rows, expected {rows}")
    if finite and array.dtype.kind == "f" and not np.isfinite(array).all():
        bad = int(np.flatnonzero(~np.isfinite(array.reshape(len(array), -1)).all(axis=1))[0])
        raise DataError(f"{name}: row {bad} is not finite: {array[bad]}")
    array.flags.writeable = False
    return array


def _seal(owner: object, name: str, **checks: Any) -> None:
    object.__setattr__(owner, name, sealed(name, getattr(owner, name), **checks))


# --------------------------------------------------------------------------- settings


@dataclass(frozen=True, slots=True)
class Limit:
    """Up to `comfort` a quantity is comfortable, past `limit` it is out; marginal between."""

    comfort: float
    limit: float


@dataclass(frozen=True, slots=True, eq=False)
class FootProfile:
    """A sole, the limits it is judged by, and the room the leg needs; SI units.

    `outline_m` is the sole's outline, (k, 2), counter-clockwise, frame: origin under the ankle where the load
    acts, x towards the toe, y left.
    """

    name: str
    outline_m: FloatArray
    slope_rad: Limit
    roughness_m: Limit
    support: Limit
    rocking_m: Limit
    edge_m: Limit
    beside_m: Limit
    observed: Limit
    contact_m: float
    drop_m: float
    joint_m: float
    shin_radius_m: float
    clear_height_m: float
    max_up_m: float
    max_down_m: float
    max_reach_m: float
    z: float
    """One-sided normal quantile that every estimate is widened by."""

    def __post_init__(self) -> None:
        _seal(self, "outline_m", columns=2)


@dataclass(frozen=True, slots=True, eq=False)
class SensorModel:
    """Where the sensor sits on the body and how well it measures."""

    mount_translation_m: FloatArray
    mount_rotation_xyzw: FloatArray
    """T_body_sensor: takes sensor points to the body."""
    range_sd_m: float = 0.01
    beam_divergence_rad: float = 0.002
    min_range_m: float = 0.0
    max_range_m: float = np.inf
    time_offset_s: float = 0.0
    """Scan clock + time_offset_s = pose clock."""

    def __post_init__(self) -> None:
        _seal(self, "mount_translation_m", rows=3)
        _seal(self, "mount_rotation_xyzw", rows=4)


@dataclass(frozen=True, slots=True)
class PoseModel:
    """How well the poses are known and how far apart they may lie."""

    position_sd_m: float = 0.01
    attitude_sd_rad: float = 0.0035
    max_gap_s: float = 0.2
    refine: str = "auto"


# --------------------------------------------------------------------------- measurements


@dataclass(frozen=True, slots=True, eq=False)
class Trajectory:
    """Body poses T_map_body in the order of time, which rises strictly.

    time_s (n,); position_m (n, 3), map frame; rotation_xyzw (n, 4), unit quaternions.
    """

    time_s: FloatArray
    position_m: FloatArray
    rotation_xyzw: FloatArray

    def __post_init__(self) -> None:
        _seal(self, "time_s")
        n = len(self.time_s)
        _seal(self, "position_m", columns=3, rows=n)
        _seal(self, "rotation_xyzw", columns=4, rows=n)
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
        _seal(self, "xyz_m", columns=3, copy=False, finite=False)
        if self.time_s is not None:
            _seal(self, "time_s", rows=len(self.xyz_m), copy=False, finite=False)


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
        _seal(self, "xyz_map_m", columns=3, copy=False)
        n = len(self.xyz_map_m)
        if self.time_s is not None:
            _seal(self, "time_s", rows=n, copy=False)
        if self.view_map_m is not None:
            _seal(self, "view_map_m", dtype=np.float32, columns=3, rows=n, copy=False)
        _seal(self, "sd_m", dtype=np.float32, rows=n, copy=False)
        _seal(self, "cross_sd_m", dtype=np.float32, rows=n, copy=False)
        _seal(self, "origin_m", rows=3)

    def __len__(self) -> int:
        """Return the number of points."""
        return len(self.xyz_map_m)


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
        _seal(self, "origin_m", rows=3)
        _seal(self, "normal", columns=3)
        n = len(self.normal)
        _seal(self, "centre_m", columns=3, rows=n)
        for name in ("offset_m", "slope_sd_rad", "height_sd_m", "roughness_m", "residual_m", "noise_m", "area_m2"):
            _seal(self, name, rows=n)
        _seal(self, "points", dtype=np.int64, rows=n)
        _seal(self, "upward", dtype=np.bool_, rows=n)
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
        _seal(self, "ix0", dtype=np.int64)
        n = len(self.ix0)
        for name in ("iy0", "nx", "ny"):
            _seal(self, name, dtype=np.int64, rows=n)
        _seal(self, "offset", dtype=np.int64, rows=n + 1)
        _seal(self, "cells", dtype=np.uint8, rows=int(self.offset[-1]), copy=False)

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
        _seal(self, "point_patch", dtype=np.int32, copy=False)


# --------------------------------------------------------------------------- ground


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A raster of square cells in the map's x-y plane, stored only where 64 x 64 tiles hold something.

    Cell (ix, iy) covers x in [x0 + ix*cell, x0 + (ix+1)*cell), y likewise; ix rises with x, iy with y.
    tile_slot (nty, ntx) int32: slot of tile (ix // 64, iy // 64), or -1 where nothing was seen.
    Column number of a cell: slot * 4096 + (iy % 64) * 64 + ix % 64. Heights are relative to z0_m.
    """

    x0_m: float
    y0_m: float
    z0_m: float
    cell_m: float
    nx: int
    ny: int
    tile_slot: Int32Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "tile_slot", _sealed_2d("tile_slot", self.tile_slot, np.int32))
        nty, ntx = -(-self.ny // TILE_CELLS), -(-self.nx // TILE_CELLS)
        if self.tile_slot.shape != (nty, ntx):
            raise DataError(f"tile_slot: got shape {self.tile_slot.shape}, expected {(nty, ntx)}")

    @property
    def columns(self) -> int:
        """Return the number of columns that the tiles in use hold."""
        return int(self.tile_slot.max(initial=-1) + 1) * TILE_CELLS * TILE_CELLS


def _sealed_2d(name: str, values: npt.NDArray[Any], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    array = np.asarray(values, dtype=dtype).view()
    if array.ndim != 2:
        raise DataError(f"{name}: got shape {array.shape}, expected two dimensions")
    array.flags.writeable = False
    return array


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Every surface a foot could meet from above, and everything it could bump into, by column of the grid.

    Surfaces (s of them), sorted by column and then by height; those of column c are first[c]:first[c + 1].

    first : (columns + 1,) int64
    height_m, height_sd_m : (s,) float32, relative to grid.z0_m at the cell's centre
    gradient : (s, 2) float32, dz/dx and dz/dy of the surface
    gradient_sd : (s,) float32, sd of either component
    roughness_m : (s,) float32, roughness proven beyond range noise that `height_m` does not show
    edge_sd_m : (s,) float32, sd of where this surface ends, in plan
    seen : (s,) uint8, returns of this surface within 30 mm of the cell's centre, 255 and more as 255
    points : (s,) uint16, returns of this surface in the cell itself
    patch_id, level : (s,) int32 and int16; -1 for none
    carries : (s,) bool; False for a joint that is bridged or suspected: no edge, no ground that carries
    walkable : (s,) bool; False for a surface no foot can be judged on (an underside, a lid without evidence)

    Spans (o of them): what is no ground, sorted by column and height; those of column c are
    span_first[c]:span_first[c + 1].

    span_first : (columns + 1,) int64
    span_low_m, span_high_m : (o,) float32, relative to grid.z0_m
    """

    grid: Grid
    first: IntArray
    height_m: Float32Array
    height_sd_m: Float32Array
    gradient: Float32Array
    gradient_sd: Float32Array
    roughness_m: Float32Array
    edge_sd_m: Float32Array
    seen: ByteArray
    points: npt.NDArray[np.uint16]
    patch_id: Int32Array
    level: npt.NDArray[np.int16]
    carries: BoolArray
    walkable: BoolArray
    span_first: IntArray
    span_low_m: Float32Array
    span_high_m: Float32Array
    levels: int = field(default=1)

    def __post_init__(self) -> None:
        columns = self.grid.columns
        _seal(self, "first", dtype=np.int64, rows=columns + 1, copy=False)
        n = int(self.first[-1])
        for name in ("height_m", "height_sd_m", "gradient_sd", "roughness_m", "edge_sd_m"):
            _seal(self, name, dtype=np.float32, rows=n, copy=False)
        _seal(self, "gradient", dtype=np.float32, columns=2, rows=n, copy=False)
        _seal(self, "seen", dtype=np.uint8, rows=n, copy=False)
        _seal(self, "points", dtype=np.uint16, rows=n, copy=False)
        _seal(self, "patch_id", dtype=np.int32, rows=n, copy=False)
        _seal(self, "level", dtype=np.int16, rows=n, copy=False)
        _seal(self, "carries", dtype=np.bool_, rows=n, copy=False)
        _seal(self, "walkable", dtype=np.bool_, rows=n, copy=False)
        _seal(self, "span_first", dtype=np.int64, rows=columns + 1, copy=False)
        _seal(self, "span_low_m", dtype=np.float32, rows=int(self.span_first[-1]), copy=False)
        _seal(self, "span_high_m", dtype=np.float32, rows=int(self.span_first[-1]), copy=False)


# --------------------------------------------------------------------------- verdicts


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts:
    """One row a placement, in the order asked.

    placement (n, 4): x, y in metres, yaw in radians, level height or NaN where none was given; z_m (n,): absolute
    height of the resting plane at the load point; label (n,) uint8; reason (n, 10) int8: indices into REASONS,
    worst first, -1 for none; slope_rad, slope_sd_rad, roughness_m, support, rocking_m, edge_m, beside_m,
    observed, headroom_m (n,) float64 and the same names with `_sd`; NaN where a quantity has no value; headroom_m
    is the free height above the resting plane inside the clearance, inf where nothing was met;
    plane (n, 3): a, b, c of z = a (x - x_p) + b (y - y_p) + c, absolute; patch_id (n,) int32, -1 none;
    level (n,) int16, -1 none.
    """

    placement: FloatArray
    z_m: FloatArray
    label: ByteArray
    reason: npt.NDArray[np.int8]
    slope_rad: FloatArray
    slope_sd_rad: FloatArray
    roughness_m: FloatArray
    roughness_sd_m: FloatArray
    support: FloatArray
    support_sd: FloatArray
    rocking_m: FloatArray
    rocking_sd_m: FloatArray
    edge_m: FloatArray
    edge_sd_m: FloatArray
    beside_m: FloatArray
    beside_sd_m: FloatArray
    observed: FloatArray
    observed_sd: FloatArray
    headroom_m: FloatArray
    plane: FloatArray
    patch_id: Int32Array
    level: npt.NDArray[np.int16]

    def __post_init__(self) -> None:
        _seal(self, "placement", columns=4, finite=False, copy=False)
        n = len(self.placement)
        for name in self.__slots__:
            if name in ("placement", "label", "reason", "plane", "patch_id", "level"):
                continue
            _seal(self, name, rows=n, finite=False, copy=False)
        _seal(self, "label", dtype=np.uint8, rows=n, copy=False)
        _seal(self, "reason", dtype=np.int8, columns=len(REASONS), rows=n, copy=False)
        _seal(self, "plane", columns=3, rows=n, finite=False, copy=False)
        _seal(self, "patch_id", dtype=np.int32, rows=n, copy=False)
        _seal(self, "level", dtype=np.int16, rows=n, copy=False)

    def __len__(self) -> int:
        """Return the number of placements."""
        return len(self.placement)

    def reasons(self, row: int) -> tuple[str, ...]:
        """Return the reasons of one row as words, worst first."""
        return tuple(REASONS[k] for k in self.reason[row] if k >= 0)


@dataclass(frozen=True, slots=True, eq=False)
class LevelRaster:
    """The dense judgement of one level: the best of 16 yaws for every output cell; row 0 is the lowest y.

    All (ny, nx) float32 with NaN where there is no value; label is 0 to 3 as in `Label`, 0 also where no ground
    is; headroom_m is the free height above the ground (inf: nothing overhead).
    """

    level: int
    x0_m: float
    y0_m: float
    cell_m: float
    height_m: Float32Array
    height_sd_m: Float32Array
    slope_rad: Float32Array
    roughness_m: Float32Array
    headroom_m: Float32Array
    points: Float32Array
    label: Float32Array
    best_yaw_rad: Float32Array
    yaw_share: Float32Array
    patch_id: Int32Array


@dataclass(frozen=True, slots=True, eq=False)
class PatchVerdicts:
    """One row a patch: what its surface and size allow.

    label (p,) uint8; reason (p, 10) int8 as in `Verdicts`; level (p,) int16, -1 for a patch that is no ground;
    inset_m (p,): radius of the largest inscribed circle; placements (p,): share of its area where the sole can be
    put down with a steppable verdict in at least one yaw.
    """

    label: ByteArray
    reason: npt.NDArray[np.int8]
    level: npt.NDArray[np.int16]
    inset_m: FloatArray
    placements: FloatArray
