"""What is said of placements, patches and the dense rasters."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from terrain.data.arrays import ByteArray, Float32Array, FloatArray, Int32Array, IntArray, seal


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


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts:
    """One row a placement, in the order asked.

    placement (n, 4): x, y in metres, yaw in radians, level height or NaN where none was given; z_m (n,): absolute
    height of the resting plane at the load point; label (n,) uint8; reason (n, 10) int8: indices into REASONS,
    worst first, -1 for none; slope_rad, slope_sd_rad, roughness_m, support, rocking_m, edge_m, beside_m,
    observed, headroom_m (n,) float64 and the same names with `_sd`; NaN where a quantity has no value; headroom_m
    is the free height above the resting plane inside the clearance, inf where nothing was met;
    plane (n, 3): a, b, c of z = a (x - x_p) + b (y - y_p) + c, absolute; patch_id (n,) int32, -1 none;
    level (n,) int16, -1 none; measured_label (n,) uint8: the labels before people's decisions counted, and overrule
    (n,) int64: number of the decision that counts, 0 none; left out, nobody decided anything.
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
    measured_label: ByteArray = None  # type: ignore[assignment]  # the labels, see __post_init__
    overrule: IntArray = None  # type: ignore[assignment]  # zeros

    def __post_init__(self) -> None:
        seal(self, "placement", columns=4, finite=False, copy=False)
        n = len(self.placement)
        for name in self.__slots__:
            if name in ("placement", "label", "reason", "plane", "patch_id", "level", "measured_label", "overrule"):
                continue
            seal(self, name, rows=n, finite=False, copy=False)
        seal(self, "label", dtype=np.uint8, rows=n, copy=False)
        for name, otherwise in (("measured_label", self.label), ("overrule", np.zeros(n, dtype=np.int64))):
            if getattr(self, name) is None:
                object.__setattr__(self, name, otherwise)
        seal(self, "measured_label", dtype=np.uint8, rows=n, copy=False)
        seal(self, "overrule", dtype=np.int64, rows=n, copy=False)
        seal(self, "reason", dtype=np.int8, columns=len(REASONS), rows=n, copy=False)
        seal(self, "plane", columns=3, rows=n, finite=False, copy=False)
        seal(self, "patch_id", dtype=np.int32, rows=n, copy=False)
        seal(self, "level", dtype=np.int16, rows=n, copy=False)

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
