"""The dense judgement in a window, with the distance to the border of steppable ground."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from terrain.data import ByteArray, FloatArray, Label, Verdicts
from terrain.data.arrays import seal
from terrain.errors import DataError

MAX_NODES = 4_000_000
_AT_ONCE = 65_536
_EVEN = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Verdicts on a lattice of placements; row 0 is the lowest y.

    x_m (nx,), y_m (ny,), yaw_rad: the lattice
    label : (ny, nx) uint8, as in `Label`
    border_m : (ny, nx) float64
        Distance in plan to the border of steppable ground for this yaw: positive where the placement is steppable,
        negative where it is not, at most `reach_m` either way. Known to half a step of the lattice.
    z_m, slope_rad : (ny, nx) float64
        Height of the resting plane at the load point, and its tilt; NaN where there is none.
    verdicts : Verdicts
        Everything else, ny * nx rows, row after row of the lattice.
    """

    x_m: FloatArray
    y_m: FloatArray
    yaw_rad: float
    reach_m: float
    border_m: FloatArray
    verdicts: Verdicts

    def __post_init__(self) -> None:
        seal(self, "x_m")
        seal(self, "y_m")
        border = np.asarray(self.border_m, dtype=np.float64).view()
        border.flags.writeable = False
        object.__setattr__(self, "border_m", border)

    @property
    def label(self) -> ByteArray:
        """Return the labels, (ny, nx) uint8."""
        return self.verdicts.label.reshape(self.border_m.shape)

    @property
    def z_m(self) -> FloatArray:
        """Return the heights of the resting planes, (ny, nx), metres."""
        return self.verdicts.z_m.reshape(self.border_m.shape)

    @property
    def slope_rad(self) -> FloatArray:
        """Return the tilts of the resting planes, (ny, nx)."""
        return self.verdicts.slope_rad.reshape(self.border_m.shape)


def judge_field(
    judge: Callable[[FloatArray], Verdicts],
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    yaw: float,
    *,
    level_z_m: float,
    reach_m: float,
) -> Field:
    """Return the verdicts on the lattice of x and y at one yaw; see `TerrainMap.field`.

    Notes
    -----
    The lattice is judged `reach_m` beyond the window too, so that a border outside counts; what lies farther is
    not looked at. Distances are exact Euclidean ones between nodes (SciPy), less half a step, because the border
    lies somewhere between the last steppable node and the first that is not.
    """
    from scipy.ndimage import distance_transform_edt

    axes = [_axis(name, values, reach_m) for name, values in (("x", x), ("y", y))]
    if not (np.isscalar(yaw) or np.ndim(yaw) == 0) or not np.isfinite(yaw):
        raise DataError(f"yaw: got {yaw!r}, expected one finite number")
    if not (np.isfinite(reach_m) and reach_m >= 0.0):
        raise DataError(f"reach_m: got {reach_m!r}, expected a finite number from 0")
    if np.isinf(level_z_m):
        raise DataError(f"level_z_m: got {level_z_m!r}, expected a height or NaN")
    (x_m, wide_x, step_x, skip_x), (y_m, wide_y, step_y, skip_y) = axes
    if len(wide_x) * len(wide_y) > MAX_NODES:
        raise DataError(f"field: got {len(wide_x)} x {len(wide_y)} nodes, expected at most {MAX_NODES}")
    inside = np.zeros((len(wide_y), len(wide_x)), dtype=np.bool_)
    inside[skip_y : skip_y + len(y_m), skip_x : skip_x + len(x_m)] = True
    lattice = np.full((inside.size, 4), level_z_m)
    lattice[:, 0], lattice[:, 1] = np.tile(wide_x, len(wide_y)), np.repeat(wide_y, len(wide_x))
    lattice[:, 2] = yaw
    steppable = np.empty(inside.size, dtype=np.bool_)
    beyond = np.flatnonzero(~inside.ravel())
    for first in range(0, len(beyond), _AT_ONCE):
        rows = beyond[first : first + _AT_ONCE]
        steppable[rows] = judge(lattice[rows]).label == Label.STEPPABLE
    verdicts = judge(lattice[inside.ravel()])
    steppable[inside.ravel()] = verdicts.label == Label.STEPPABLE
    on = steppable.reshape(inside.shape)
    sampling = (step_y, step_x)
    to_off = distance_transform_edt(on, sampling=sampling) if not on.all() else np.full(on.shape, np.inf)
    to_on = distance_transform_edt(~on, sampling=sampling) if on.any() else np.full(on.shape, np.inf)
    half = 0.5 * min(step_x, step_y)
    border = np.clip(np.where(on, to_off - half, half - to_on), -reach_m, reach_m)
    window = border[skip_y : skip_y + len(y_m), skip_x : skip_x + len(x_m)]
    return Field(x_m=x_m, y_m=y_m, yaw_rad=float(yaw), reach_m=reach_m, border_m=window.copy(), verdicts=verdicts)


def _axis(name: str, values: npt.ArrayLike, reach_m: float) -> tuple[FloatArray, FloatArray, float, int]:
    """Return the axis, the axis with what lies within reach of it, its step, and how much was put in front."""
    axis = np.asarray(values, dtype=np.float64)
    if axis.ndim != 1 or len(axis) < 2 or not np.isfinite(axis).all():
        raise DataError(f"{name}: got shape {axis.shape}, expected (n,) finite numbers, n at least 2")
    step = float(axis[-1] - axis[0]) / (len(axis) - 1)
    if not step > 1e-4 or float(np.abs(np.diff(axis) - step).max()) > _EVEN * max(1.0, float(np.abs(axis).max())):
        raise DataError(f"{name}: got uneven or falling values, expected rising ones with one step above 0.1 mm")
    extra = min(int(np.ceil(reach_m / step)), MAX_NODES) if np.isfinite(reach_m) and reach_m > 0.0 else 0
    if extra + len(axis) > MAX_NODES:
        raise DataError(f"{name}: got {2 * extra + len(axis)} values with those in reach, expected at most {MAX_NODES}")
    before = axis[0] - step * np.arange(extra, 0, -1)
    after = axis[-1] + step * np.arange(1, extra + 1)
    return axis, np.concatenate([before, axis, after]), step, extra
