"""The sensor check against numbers that others published, and against other people's libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation
from sklearn.decomposition import PCA

from terrain.sensor.decide import COVERAGE, combined, decide, even_width_sd
from terrain.sensor.find import find_plane
from terrain.sensor.flatness import DIN_18202_MM, allowed_gap_m
from terrain.sensor.measure import fit_reference, shape_of
from terrain.sensor.observe import normal_singular_values, translation_sd
from terrain.sensor.relations import similarity
from terrain.sensor.sight import Mount, Sight
from terrain.sensor.targets import no_targets
from tests.support.flat import level_plate

# --------------------------------------------------------------------------- noise of a plane fit

SETTINGS = no_targets().settings


@pytest.mark.parametrize(("n", "rms_mm"), [(20, 9.22), (100, 9.85)])
def test_residuals_of_a_fitted_plane_are_smaller_by_three_degrees_of_freedom(n: int, rms_mm: float) -> None:
    """Textbook, from memory: the sum of squares over n - 3 is unbiased; 9.22 and 9.85 mm RMS of 10 mm noise."""
    rng = np.random.default_rng(1)
    squares = []
    for _ in range(1500):
        plate = level_plate(rng, n, 1.0, 1.0, 0.010)
        left = (
            plate.residual(plate.sight.xyz_m)
            - plate.reference_columns(plate.sight.xyz_m) @ fit_reference(plate, None, None).value
        )
        squares.append(float(left @ left) / n)
    assert 1e3 * math.sqrt(np.mean(squares)) == pytest.approx(rms_mm, rel=0.015)


@pytest.mark.parametrize("n", [60, 200])
def test_the_noise_estimate_scatters_as_chi_squared_says(n: int) -> None:
    """s^2 / sigma^2 is chi-squared over its degrees of freedom: n less plane (3) and form (3). 95 % inside its band."""
    rng = np.random.default_rng(2)
    ratio = np.array([shape_of(level_plate(rng, n, 1.0, 1.0, 0.01), None, SETTINGS, rng).ratio for _ in range(400)])
    low, high = np.sqrt(stats.chi2.ppf([0.025, 0.975], n - 6) / (n - 6))
    assert ((ratio > low) & (ratio < high)).mean() == pytest.approx(0.95, abs=0.035)  # 3 sd of the share
    assert math.sqrt(np.mean(ratio**2)) == pytest.approx(1.0, abs=0.02)


# --------------------------------------------------------------------------- tilt

TILTS = [  # points, length, width, noise; one-axis sd and total RMS in degrees
    (100, 0.3, 0.3, 0.005, 0.331, 0.468),
    (400, 0.2, 0.2, 0.010, 0.496, 0.702),
    (100, 1.0, 1.0, 0.010, 0.198, 0.281),
    (1000, 1.0, 1.0, 0.020, 0.126, 0.178),
]


@pytest.mark.parametrize(("n", "length", "width", "sd", "axis_deg", "total_deg"), TILTS)
def test_tilt_of_a_target_scatters_as_the_regression_line_says(
    n: int, length: float, width: float, sd: float, axis_deg: float, total_deg: float
) -> None:
    """sd(slope) = sigma sqrt(12 / n) / length (textbook, from memory); 300 fits within 10 %, and stated so."""
    rng = np.random.default_rng(3)
    fits = [fit_reference(level_plate(rng, n, length, width, sd), None, None) for _ in range(300)]
    lean = np.degrees([np.linalg.norm(fit.value[1:3]) for fit in fits])
    assert math.sqrt(np.mean(lean**2)) == pytest.approx(total_deg, rel=0.10)
    stated = np.degrees([fit.budget(np.array([0.0, 1.0, 0.0]))["noise"] for fit in fits])
    assert np.mean(stated) == pytest.approx(axis_deg, rel=0.05)


# --------------------------------------------------------------------------- what planes show of a mount


def test_three_normals_near_the_vertical_show_a_place_badly() -> None:
    """Three linearly independent normals are needed (Jiao et al., 2019); covariance sigma^2 (sum n n^T)^-1.

    Normals within 10 degrees of the vertical: 1.720, 0.174, 0.101, condition 17.0; x and y 8.1 sigma, z 1.0, the
    worst direction 9.9 (recomputed with NumPy here from the formula).
    """
    s, c = math.sin(math.radians(10.0)), math.cos(math.radians(10.0))
    normals = np.array([[0.0, 0.0, 1.0], [s, 0.0, c], [0.0, s, c]])
    values, condition = normal_singular_values(normals)
    assert values == pytest.approx([1.720, 0.174, 0.101], abs=6e-4)
    assert condition == pytest.approx(17.0, abs=0.05)
    assert translation_sd(normals, 1.0) == pytest.approx([8.1, 8.1, 1.0], abs=0.05)
    covariance = np.linalg.inv(normals.T @ normals)
    assert math.sqrt(np.linalg.eigvalsh(covariance)[-1]) == pytest.approx(9.9, abs=0.05)


def test_orthogonal_normals_show_it_well_and_walls_alone_not_at_all() -> None:
    values, condition = normal_singular_values(np.eye(3))
    assert values == pytest.approx([1.0, 1.0, 1.0]) and condition == pytest.approx(1.0)
    walls = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [-0.6, 0.8, 0.0]])
    values, condition = normal_singular_values(walls)
    assert values[2] == pytest.approx(0.0, abs=1e-12) and math.isinf(condition)
    assert np.isinf(translation_sd(walls, 1.0)).all()


# --------------------------------------------------------------------------- error budget


def one_point(distance: float, spin: float = 0.0) -> Sight:
    """A point straight ahead of a body that may turn about z."""
    ahead = np.array([[distance, 0.0, 0.0]])
    zero = np.zeros((1, 3))
    stand = np.zeros(1, dtype=np.int64)
    turning = np.array([[0.0, 0.0, spin]])
    return Sight(ahead, np.zeros(1), np.full(1, 0.01), 0.0, ahead, zero, np.eye(3)[None], zero, turning, stand)


@pytest.mark.parametrize(("deg", "distance", "off_mm"), [(0.1, 5.0, 8.7), (0.1, 3.0, 5.2), (0.5, 3.0, 26.0)])
def test_half_a_degree_of_mount_is_26_mm_at_3_m(deg: float, distance: float, off_mm: float) -> None:
    """Arithmetic: distance times the sine of the tilt."""
    straight = Mount(np.eye(3), np.zeros(3))
    step = np.zeros(9)
    step[1] = math.radians(deg)
    moved = one_point(distance).placed(straight.moved(step)) - one_point(distance).placed(straight)
    assert 1e3 * np.linalg.norm(moved) == pytest.approx(off_mm, abs=0.3)


def test_ten_milliseconds_of_clock_are_25_mm_at_5_m() -> None:
    """Arithmetic: 10 ms at 0.5 rad/s and 5 m."""
    straight = Mount(np.eye(3), np.zeros(3))
    step = np.zeros(9)
    step[8] = 0.010
    seen = one_point(5.0, spin=0.5)
    assert 1e3 * np.linalg.norm(seen.placed(straight.moved(step)) - seen.placed(straight)) == pytest.approx(25.0)


# --------------------------------------------------------------------------- uncertainty and decisions


def test_expanded_uncertainty_and_rectangles() -> None:
    """JCGM 100:2008: U = k u_c, 95.45 % of a normal distribution at k = 2; a / sqrt(3): steps of 1 cm are 2.9 mm."""
    assert stats.norm.cdf(COVERAGE) - stats.norm.cdf(-COVERAGE) == pytest.approx(0.9545, abs=1e-4)
    assert 1e3 * even_width_sd(0.005) == pytest.approx(2.9, abs=0.05)
    sample = np.random.default_rng(4).uniform(-0.005, 0.005, 200_000)
    assert even_width_sd(0.005) == pytest.approx(sample.std(), rel=0.01)


@pytest.mark.parametrize(
    ("bias", "u", "decision"),
    [(6.0, 4.0, "pass"), (-6.0, 4.0, "pass"), (6.0, 4.1, "undecided"), (14.1, 4.0, "fail"), (-14.1, 4.0, "fail"),
     (14.0, 4.0, "undecided"), (0.0, 11.0, "undecided"), (math.nan, 1.0, "undecided")],
)  # fmt: skip
def test_guard_bands(bias: float, u: float, decision: str) -> None:
    """JCGM 106:2012 (from memory): accepted if |bias| + U <= tolerance, here 10; rejected if |bias| - U > it."""
    assert decide(bias, u, 10.0) == decision


def test_accuracies_add_by_their_squares() -> None:
    """ASPRS Positional Accuracy Standards, ed. 2, 2023 (from memory): horizontal 14.14, 3-D 24.49, with control 20.62.

    The older NSSDA factors, 1.7308 (radial) and 1.96 (vertical), are quantiles of the normal distribution.
    """
    assert combined([10.0, 10.0]) == pytest.approx(14.14, abs=5e-3)
    assert combined([10.0, 10.0, 20.0]) == pytest.approx(24.49, abs=6e-3)
    assert combined([20.0, 5.0]) == pytest.approx(20.62, abs=5e-3)
    assert math.sqrt(stats.chi2.ppf(0.95, 2) / 2.0) == pytest.approx(1.7308, abs=1e-4)
    assert stats.norm.ppf(0.975) == pytest.approx(1.96, abs=1e-4)


# --------------------------------------------------------------------------- flatness

TABLE_3 = """
1 10 15 20 25 30
2 5 8 12 15 20
3 2 4 10 12 15
4 1 3 9 12 15
5 5 10 15 25 30
6 3 5 10 20 25
7 2 3 8 15 20
"""


def test_gaps_of_din_18202() -> None:
    """DIN 18202, table 3, as two public copies have it; the row of intermediate lengths from a third."""
    rows = [[int(word) for word in line.split()] for line in TABLE_3.strip().splitlines()]
    assert len(rows) == len(DIN_18202_MM)
    for number, *gaps in rows:
        found = [1e3 * allowed_gap_m(number, length) for length in (0.1, 1.0, 4.0, 10.0, 15.0)]
        assert found == pytest.approx(gaps)
    assert [1e3 * allowed_gap_m(3, length) for length in (0.6, 1.5, 2.5, 8.0)] == pytest.approx([3, 5, 7, 11])
    for wrong in (0.05, 15.5):
        with pytest.raises(ValueError, match="length_m"):
            allowed_gap_m(3, wrong)
    with pytest.raises(ValueError, match="row"):
        allowed_gap_m(8, 1.0)


# --------------------------------------------------------------------------- similarity of two figures


def test_the_example_of_umeyama() -> None:
    """Umeyama, IEEE PAMI 13(4), 1991, its own example (from memory, and recomputed by brute force below)."""
    source = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
    target = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    found = similarity(source, target, with_scale=True)
    assert found.rotation == pytest.approx(np.array([[0.83205, 0.55470], [-0.55470, 0.83205]]), abs=1e-5)
    assert found.scale == pytest.approx(0.72111, abs=1e-5)
    assert found.translation == pytest.approx([-0.8, 0.4], abs=1e-5)
    assert found.mean_square == pytest.approx(0.53333, abs=1e-5)
    assert np.linalg.det(found.rotation) == pytest.approx(1.0)
    angles = np.linspace(-math.pi, math.pi, 3601)
    a, b = source - source.mean(0), target - target.mean(0)
    best = math.inf
    for angle in angles:
        turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
        moved = a @ turn.T
        scale = max(0.0, float((moved * b).sum() / (moved**2).sum()))
        best = min(best, float(((scale * moved - b) ** 2).sum()) / 3.0)
    assert found.mean_square == pytest.approx(best, abs=1e-5)


def test_similarity_agrees_with_scipys_rotation() -> None:
    rng = np.random.default_rng(5)
    source = rng.normal(size=(7, 3))
    turn = Rotation.from_rotvec([0.3, -0.2, 0.7])
    target = turn.apply(source) + np.array([1.0, 2.0, 3.0]) + rng.normal(0.0, 0.02, (7, 3))
    found = similarity(source, target, with_scale=False)
    theirs, _ = Rotation.align_vectors(target - target.mean(0), source - source.mean(0))
    assert found.rotation == pytest.approx(theirs.as_matrix(), abs=1e-9)
    assert found.scale == 1.0


# --------------------------------------------------------------------------- plane fits


@pytest.mark.parametrize("seed", range(4))
def test_planes_found_are_those_of_principal_components(seed: int) -> None:
    """Among stray points the plane is found; over its own points it is scikit-learn's least component."""
    rng = np.random.default_rng(seed)
    turn = Rotation.random(rng=np.random.default_rng(seed))
    flat = np.column_stack([rng.uniform(-0.6, 0.6, 3000), rng.uniform(-0.4, 0.4, 3000), rng.normal(0, 0.005, 3000)])
    stray = rng.uniform(-1.0, 1.0, (500, 3))
    xyz = turn.apply(np.concatenate([flat, stray[np.abs(stray[:, 2]) > 0.1]])) + np.array([400.0, -300.0, 20.0])
    found = find_plane(xyz, 0.005, normal=None, rng=rng)
    assert found is not None
    assert (found.rows < 3000).mean() > 0.999 and len(found.rows) > 2500
    least = PCA(3).fit(xyz[found.rows]).components_[2]
    assert abs(float(least @ found.normal)) == pytest.approx(1.0, abs=1e-12)
    assert abs(float(turn.apply([0.0, 0.0, 1.0]) @ found.normal)) > math.cos(math.radians(0.15))
    assert found.normal @ xyz[found.rows].mean(axis=0) == pytest.approx(found.offset_m, abs=1e-9)


def test_planes_found_agree_with_open3d() -> None:
    o3d = pytest.importorskip("open3d", reason="Open3D's system libraries are missing", exc_type=ImportError)
    rng = np.random.default_rng(7)
    flat = np.column_stack([rng.uniform(-1, 1, 4000), rng.uniform(-1, 1, 4000), rng.normal(0, 0.004, 4000)])
    xyz = Rotation.from_euler("xyz", [11.0, -7.0, 30.0], degrees=True).apply(flat) + np.array([1.0, 2.0, 0.5])
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(xyz))
    o3d.utility.random.seed(3)
    a, b, c, d = cloud.segment_plane(0.02, 3, 2000, probability=1.0)[0]
    found = find_plane(xyz, 0.004, normal=None, rng=rng)
    assert found is not None
    length = math.sqrt(a * a + b * b + c * c)
    cosine = abs(float(found.normal @ np.array([a, b, c]))) / length
    assert math.degrees(math.acos(min(1.0, cosine))) < 0.1
    assert abs(found.offset_m) == pytest.approx(abs(d) / length, abs=0.002)
