"""Total least squares planes: residuals, tilt and constants.

Sources: textbook results, from memory: the sum of squared distances over n - 3 is unbiased for the noise variance and
over the variance itself chi-squared with n - 3 degrees of freedom; the slope variance of a regression line. Constants
of the normal and chi-squared distributions: recomputed here with scipy.stats.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from terrain.segment.joint_settings import JointSettings
from terrain.segment.ransac import fit_plane
from terrain.segment.regions import SegmentSettings


def flat(rng: np.random.Generator, n: int, length: float, width: float, sd: float) -> np.ndarray:
    return np.column_stack([rng.uniform(0.0, length, n), rng.uniform(0.0, width, n), rng.normal(0.0, sd, n)])


# --------------------------------------------------------------------------- residuals


@pytest.mark.parametrize(("n", "rms_mm"), [(20, 9.22), (100, 9.85)])
def test_rms_is_smaller_than_the_noise_by_three_degrees_of_freedom(n: int, rms_mm: float) -> None:
    """sigma sqrt((n - 3) / n): 9.22 mm for 20 points and 9.85 mm for 100, of 10 mm noise."""
    rng = np.random.default_rng(11)
    fits = [fit_plane(flat(rng, n, 1.0, 1.0, 0.010)) for _ in range(2000)]
    mean = math.sqrt(np.mean([fit.rms_m**2 for fit in fits]))
    assert mean * 1000 == pytest.approx(10.0 * math.sqrt((n - 3) / n), rel=0.01)
    assert mean * 1000 == pytest.approx(rms_mm, rel=0.01)
    unbiased = math.sqrt(np.mean([fit.sd_m**2 for fit in fits]))
    assert unbiased == pytest.approx(0.010, rel=0.01)


@pytest.mark.parametrize(("n", "low", "high"), [(20, 0.667, 1.333), (100, 0.859, 1.140)])
def test_the_noise_estimate_scatters_as_chi_squared_says(n: int, low: float, high: float) -> None:
    """95 % of s / sigma lie between the roots of the chi-squared quantiles over n - 3."""
    band = np.sqrt(stats.chi2.ppf([0.025, 0.975], n - 3) / (n - 3))
    assert band == pytest.approx([low, high], abs=1e-3)
    rng = np.random.default_rng(12)
    ratio = np.array([fit_plane(flat(rng, n, 1.0, 1.0, 0.010)).sd_m / 0.010 for _ in range(2000)])
    assert ((ratio > low) & (ratio < high)).mean() == pytest.approx(0.95, abs=0.015)  # 3 sd of the share itself


# --------------------------------------------------------------------------- tilt

TILTS = [  # points, length, width, noise: one-axis sd and total RMS in degrees
    (100, 0.3, 0.3, 0.005, 0.331, 0.468),
    (400, 0.2, 0.2, 0.010, 0.496, 0.702),
    (100, 1.0, 1.0, 0.010, 0.198, 0.281),
    (1000, 1.0, 1.0, 0.020, 0.126, 0.178),
]


@pytest.mark.parametrize(("n", "length", "width", "sd", "axis_deg", "total_deg"), TILTS)
def test_tilt_scatters_as_the_regression_line_says(
    n: int, length: float, width: float, sd: float, axis_deg: float, total_deg: float
) -> None:
    """sd(slope_x) = sigma sqrt(12 / n) / length; 500 seeded fits within 10 %; each fit states this sd."""
    one = sd * math.sqrt(12.0 / n) / length
    other = sd * math.sqrt(12.0 / n) / width
    assert math.degrees(one) == pytest.approx(axis_deg, abs=6e-4)
    assert math.degrees(math.hypot(one, other)) == pytest.approx(total_deg, abs=6e-4)
    rng = np.random.default_rng(13)
    fits = [fit_plane(flat(rng, n, length, width, sd)) for _ in range(500)]
    tilt = np.array([math.acos(min(1.0, fit.normal[2])) for fit in fits])
    assert math.sqrt(np.mean(tilt**2)) == pytest.approx(math.hypot(one, other), rel=0.10)
    stated = math.sqrt(np.mean([fit.normal_sd_rad[0] ** 2 + fit.normal_sd_rad[1] ** 2 for fit in fits]))
    assert stated == pytest.approx(math.hypot(one, other), rel=0.05)
    if length == width:
        assert np.quantile(tilt, 0.95) == pytest.approx(2.45 * one, rel=0.12)


def test_a_regular_grid_is_a_little_wider_than_even_scatter() -> None:
    """An m x m grid has L^2 / 12 (m + 1) / (m - 1) where even scatter has L^2 / 12."""
    m, length, sd = 10, 0.3, 0.005
    axis = np.linspace(0.0, length, m)
    x, y = (side.ravel() for side in np.meshgrid(axis, axis))
    expected = sd / math.sqrt(m * m * length**2 / 12.0 * (m + 1) / (m - 1))
    rng = np.random.default_rng(14)
    slopes = []
    for _ in range(500):
        normal = fit_plane(np.column_stack([x, y, rng.normal(0.0, sd, m * m)])).normal
        slopes += [normal[0] / normal[2], normal[1] / normal[2]]
    assert np.std(slopes) == pytest.approx(expected, rel=0.10)


# --------------------------------------------------------------------------- constants


def test_robust_constants_are_those_of_the_normal_distribution() -> None:
    mad = 1.0 / stats.norm.ppf(0.75)
    assert mad == pytest.approx(1.4826, abs=1e-4)
    assert 1.0 / (2.0 * stats.norm.ppf(0.75)) == pytest.approx(0.7413, abs=1e-4)
    assert math.sqrt(2.0 / math.pi) == pytest.approx(0.79788, abs=1e-4)
    sample = np.random.default_rng(15).normal(0.0, 1.0, 100_000)
    assert 1.4826 * np.median(np.abs(sample - np.median(sample))) == pytest.approx(1.0, rel=0.03)
    assert 0.7413 * np.subtract(*np.quantile(sample, [0.75, 0.25])) == pytest.approx(1.0, rel=0.03)
    # Joints scale the lower half of the counts so: median minus lower quartile, over the same quantile.
    assert 1.4826 * (np.median(sample) - np.quantile(sample, 0.25)) == pytest.approx(1.0, rel=0.03)


@pytest.mark.parametrize(
    ("dof", "quantiles"),
    [
        (1, (0.455, 3.841, 6.635, 10.828)),
        (2, (1.386, 5.991, 9.210, 13.816)),
        (3, (2.366, 7.815, 11.345, 16.266)),
        (6, (5.348, 12.592, 16.812, 22.458)),
    ],
)
def test_chi_squared_quantiles(dof: int, quantiles: tuple[float, ...]) -> None:
    assert stats.chi2.ppf([0.5, 0.95, 0.99, 0.999], dof) == pytest.approx(quantiles, abs=6e-4)


def test_the_settings_that_are_quantiles_are_those_quantiles() -> None:
    settings = SegmentSettings()
    assert settings.cut2 == pytest.approx(stats.chi2.ppf(0.95, 1), abs=6e-4)
    assert JointSettings().suspected == pytest.approx(-stats.norm.ppf(0.0000723), abs=5e-3)
