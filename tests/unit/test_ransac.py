"""The plane fit against other people's: NumPy's SVD, scikit-learn's RANSAC, Open3D's plane segmentation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.linear_model import LinearRegression, RANSACRegressor

from terrain.data import FloatArray
from terrain.errors import DataError
from terrain.kernels.voxels import plane_of, smallest_axis
from terrain.segment.ransac import fit_plane, msac_cost


def tilted(rng: np.random.Generator, n: int, slope_deg: float, yaw_deg: float, sd: float) -> FloatArray:
    """Return points on z = tan(slope) along yaw, with noise in z."""
    xy = rng.uniform(-0.5, 0.5, (n, 2))
    along = np.array([math.cos(math.radians(yaw_deg)), math.sin(math.radians(yaw_deg))])
    z = math.tan(math.radians(slope_deg)) * (xy @ along) + rng.normal(0.0, sd, n)
    return np.column_stack([xy, z])


@settings(max_examples=50, deadline=None)
@given(tilt=st.floats(0.0, 1.4), yaw=st.floats(-3.1, 3.1), shift=st.tuples(*[st.floats(-1e6, 1e6)] * 3))
def test_the_built_plane_is_found_wherever_it_lies(tilt: float, yaw: float, shift: tuple[float, ...]) -> None:
    normal = np.array([math.sin(tilt) * math.cos(yaw), math.sin(tilt) * math.sin(yaw), math.cos(tilt)])
    first = np.array([-math.sin(yaw), math.cos(yaw), 0.0])
    second = np.cross(normal, first)
    u, v = np.meshgrid(np.linspace(-1.0, 1.0, 7), np.linspace(-2.0, 2.0, 5))
    xyz = u.reshape(-1, 1) * first + v.reshape(-1, 1) * second + np.array(shift)
    fit = fit_plane(xyz)
    assert fit.normal @ normal == pytest.approx(1.0, abs=1e-12)
    assert math.acos(min(1.0, fit.normal[2])) == pytest.approx(tilt, abs=2e-7)
    assert fit.rms_m < 1e-9
    assert fit.centre_m == pytest.approx(xyz.mean(axis=0), abs=1e-9)
    assert fit.normal @ xyz[3] == pytest.approx(fit.offset_m, abs=1e-9)


def test_three_points_have_a_plane_but_no_noise_estimate() -> None:
    fit = fit_plane(np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 1.0], [0.0, 1.0, 1.0]]))
    assert fit.normal == pytest.approx([0.0, 0.0, 1.0])
    assert fit.rms_m == pytest.approx(0.0, abs=1e-15)
    assert math.isnan(fit.sd_m)
    assert all(math.isnan(sd) for sd in fit.normal_sd_rad)


@pytest.mark.parametrize(
    ("xyz", "said"),
    [
        (np.zeros((2, 3)), r"got shape \(2, 3\), expected \(n, 3\) with at least 3 points"),
        (np.zeros((5, 2)), r"got shape \(5, 2\)"),
        (np.zeros(9), r"got shape \(9,\)"),
        (np.zeros((5, 3)), r"points spread 0 m across a line"),
        (np.outer(np.arange(5.0), [1.0, 2.0, 3.0]), r"across a line, expected at least"),
        (np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, math.nan]]), "not finite"),
        (np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, math.inf]]), "not finite"),
    ],
)
def test_what_is_no_plane_is_refused(xyz: FloatArray, said: str) -> None:
    with pytest.raises(DataError, match=said):
        fit_plane(xyz)


def test_a_narrow_strip_is_refused_where_the_caller_asks_for_width() -> None:
    rng = np.random.default_rng(41)
    strip = np.column_stack([rng.uniform(0, 1, 200), rng.uniform(0, 0.01, 200), np.zeros(200)])
    assert fit_plane(strip).normal[2] == pytest.approx(1.0)
    with pytest.raises(DataError, match=r"expected at least 0\.01 m"):
        fit_plane(strip, min_spread_m=0.01)


def test_the_input_is_left_alone() -> None:
    xyz = tilted(np.random.default_rng(42), 50, 10.0, 30.0, 0.01)
    before = xyz.copy()
    fit_plane(xyz)
    assert np.array_equal(xyz, before)


@pytest.mark.parametrize("seed", range(5))
def test_residuals_are_those_of_the_covariance_matrix(seed: int) -> None:
    """The least eigenvalue of the covariance is the mean squared distance from the plane; so say moments too."""
    xyz = tilted(np.random.default_rng(seed), 300, 25.0, 70.0, 0.02)
    fit = fit_plane(xyz)
    values, vectors = np.linalg.eigh(np.cov(xyz.T, bias=True))
    assert fit.rms_m == pytest.approx(math.sqrt(values[0]), rel=1e-9)
    assert abs(fit.normal @ vectors[:, 0]) == pytest.approx(1.0, abs=1e-12)
    row = np.zeros(15)
    row[0] = len(xyz)
    row[1:4] = xyz.sum(axis=0)
    row[4:10] = [(xyz[:, a] * xyz[:, b]).sum() for a, b in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))]
    low, middle, *plane = plane_of(row)
    assert [low, middle] == pytest.approx(values[:2], rel=1e-9)
    normal = np.array(plane[:3]) * np.sign(plane[2])
    assert normal == pytest.approx(fit.normal, abs=1e-9)
    assert plane[3] * np.sign(plane[2]) == pytest.approx(fit.offset_m, abs=1e-9)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-10.0, 10.0), min_size=6, max_size=6))
def test_eigenvalues_are_those_of_lapack(six: list[float]) -> None:
    a, b, c, d, e, f = six
    matrix = np.array([[a, b, c], [b, d, e], [c, e, f]])
    low, middle, top, x, y, z = smallest_axis(a, b, c, d, e, f)
    assert [low, middle, top] == pytest.approx(np.linalg.eigvalsh(matrix), abs=1e-9)
    vector = np.array([x, y, z])
    assert np.linalg.norm(vector) == pytest.approx(1.0, abs=1e-12)
    assert matrix @ vector == pytest.approx(low * vector, abs=1e-8)


@pytest.mark.parametrize("slope_deg", [0.0, 8.0, 20.0])
def test_scikit_learn_finds_the_same_plane_among_outliers(slope_deg: float) -> None:
    """Its inliers, fitted by us, give its plane but for vertical against perpendicular distances."""
    rng = np.random.default_rng(43)
    xyz = tilted(rng, 2000, slope_deg, 30.0, 0.005)
    xyz[:400, 2] += rng.uniform(0.1, 0.6, 400)
    theirs = RANSACRegressor(LinearRegression(), residual_threshold=0.0125, random_state=1).fit(xyz[:, :2], xyz[:, 2])
    assert theirs.inlier_mask_.sum() == pytest.approx(1600 * 0.988, rel=0.03)  # 2.5 sd hold 98.8 %
    fit = fit_plane(xyz[theirs.inlier_mask_])
    a, b = -fit.normal[:2] / fit.normal[2]
    assert [a, b] == pytest.approx(theirs.estimator_.coef_, abs=1e-3)
    assert math.degrees(math.atan(math.hypot(a, b))) == pytest.approx(slope_deg, abs=0.2)


def test_open3d_finds_the_same_plane_among_outliers() -> None:
    try:
        import open3d as o3d
    except (ImportError, OSError) as error:
        pytest.skip(f"Open3D cannot load here: {error}")
    rng = np.random.default_rng(44)
    xyz = tilted(rng, 4000, 12.0, -50.0, 0.004)
    xyz[:800, 2] += rng.uniform(0.1, 0.6, 800)
    o3d.utility.random.seed(0)
    model, rows = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(xyz)).segment_plane(
        distance_threshold=0.010, ransac_n=3, num_iterations=500, probability=1.0
    )
    fit = fit_plane(xyz[rows])
    theirs = np.array(model[:3]) * np.sign(model[2])
    assert fit.normal @ theirs > math.cos(math.radians(0.5))
    slope = math.degrees(math.acos(fit.normal[2]))
    assert slope == pytest.approx(12.0, abs=0.2)


def test_msac_of_nothing_is_nothing() -> None:
    assert msac_cost(np.zeros(0), 0.02) == 0.0
    assert msac_cost(np.full(7, 1e9), 0.02) == pytest.approx(7 * 4e-4)
