"""RANSAC's arithmetic and the plane fit, as the literature states them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray
from terrain.errors import DataError


def trial_count(success: float, inlier_share: float, sample: int, *, cap: int = 2**31 - 1) -> int:
    """Return how many random samples find an all-inlier one with the given probability.

    Parameters
    ----------
    success : float
        Wanted probability, 0 < success < 1.
    inlier_share : float
        Share of inliers, 0 to 1.
    sample : int
        Points in a sample; 3 for a plane.
    cap : int
        Answer where no finite number would do.

    Raises
    ------
    ValueError
        An argument outside its range.

    Notes
    -----
    k = ln(1 - p) / ln(1 - w^n), rounded up. Source: Fischler and Bolles, Comm. ACM 24(6), 1981. Evaluated with
    log1p, since w^n below 1e-16 would vanish in 1 - w^n.
    """
    if not 0.0 < success < 1.0:
        raise ValueError(f"success: got {success}, expected a probability between 0 and 1")
    if not 0.0 <= inlier_share <= 1.0:
        raise ValueError(f"inlier_share: got {inlier_share}, expected 0 to 1")
    if sample < 1:
        raise ValueError(f"sample: got {sample}, expected at least 1")
    good = inlier_share**sample
    if good >= 1.0:
        return 1
    if good <= 0.0:
        return cap
    k = math.log(1.0 - success) / math.log1p(-good)
    return max(1, math.ceil(k - 1e-9)) if k < cap else cap


def msac_cost(residual_m: FloatArray, threshold_m: float) -> float:
    """Return the sum over residuals of min(r^2, threshold^2), square metres.

    Source: Torr and Zisserman, Computer Vision and Image Understanding 78, 2000.
    """
    squared = np.square(np.asarray(residual_m, dtype=np.float64))
    return float(np.minimum(squared, threshold_m**2).sum())


@dataclass(frozen=True, slots=True)
class PlaneFit:
    """normal . x = offset_m, with a unit normal that points up; rms_m is the root of the mean squared distance."""

    normal: FloatArray
    offset_m: float
    centre_m: FloatArray
    rms_m: float
    sd_m: float
    """Estimate of the noise: root of the squared distances over n - 3; NaN for three points."""
    normal_sd_rad: tuple[float, float]
    """Standard deviation of the tilt about the plane's short and its long axis; NaN for three points."""


def fit_plane(xyz_m: FloatArray, *, min_spread_m: float = 1e-6) -> PlaneFit:
    """Fit a plane by total least squares.

    Parameters
    ----------
    xyz_m : (n, 3) float64
        Metres, n >= 3.
    min_spread_m : float
        Least root-mean-square extent that the points must have in a second direction.

    Raises
    ------
    DataError
        Fewer than three points, a value that is not finite, or points on one line.

    Notes
    -----
    The normal is the right singular vector of the least singular value of the centred points; the sum of squared
    distances over n - 3 estimates the noise variance without bias (textbook result, from memory). The tilt sd is
    sd / (spread * sqrt(n)), the slope variance of a regression line.
    """
    points = np.asarray(xyz_m, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or len(points) < 3:
        raise DataError(f"plane fit: got shape {points.shape}, expected (n, 3) with at least 3 points")
    if not np.isfinite(points).all():
        raise DataError("plane fit: got a coordinate that is not finite")
    centre = points.mean(axis=0)
    _, singular, axes = np.linalg.svd(points - centre, full_matrices=False)
    n = len(points)
    spread = singular / math.sqrt(n)
    if spread[1] < min_spread_m:
        raise DataError(f"plane fit: points spread {spread[1]:.3g} m across a line, expected at least {min_spread_m} m")
    normal = axes[2] if axes[2, 2] >= 0 else -axes[2]
    sd = singular[2] / math.sqrt(n - 3) if n > 3 else math.nan
    tilt = (sd / (spread[1] * math.sqrt(n)), sd / (spread[0] * math.sqrt(n)))
    return PlaneFit(normal, float(normal @ centre), centre, float(spread[2]), float(sd), tilt)
