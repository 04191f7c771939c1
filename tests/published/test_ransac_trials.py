"""How many samples RANSAC draws, and what MSAC counts.

Sources: Fischler and Bolles, Comm. ACM 24(6), 1981, for k = ln(1 - p) / ln(1 - w^n); Hartley and Zisserman, Multiple
View Geometry, the table of trial counts (Table 4.3) and adaptive termination (Algorithm 4.5), both numbers from memory;
Torr and Zisserman, Computer Vision and Image Understanding 78, 2000, for the truncated cost.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from terrain.kernels import regions as kernel
from terrain.kernels.voxels import MOMENTS
from terrain.segment.ransac import msac_cost, trial_count

SHARES = (0.95, 0.90, 0.80, 0.75, 0.70, 0.60, 0.50, 0.40, 0.30, 0.20, 0.10)
TABLE = {
    (2, 0.99): (2, 3, 5, 6, 7, 11, 17, 27, 49, 113, 459),
    (3, 0.99): (3, 4, 7, 9, 11, 19, 35, 70, 169, 574, 4603),
    (3, 0.999): (4, 6, 10, 13, 17, 29, 52, 105, 253, 861, 6905),
    (4, 0.99): (3, 5, 9, 13, 17, 34, 72, 178, 567, 2876, 46050),
}
ROWS = [(n, p, w, k) for (n, p), row in TABLE.items() for w, k in zip(SHARES, row, strict=True)]


@pytest.mark.parametrize(("sample", "success", "share", "trials"), ROWS)
def test_trials_of_the_table(sample: int, success: float, share: float, trials: int) -> None:
    assert trial_count(success, share, sample) == trials
    assert kernel.trials_needed(success, share, sample, 2**31 - 1) == trials


@pytest.mark.parametrize(("sample", "success", "share", "trials"), ROWS)
def test_the_table_follows_from_the_formula_in_whole_numbers(
    sample: int, success: float, share: float, trials: int
) -> None:
    """The least k with (1 - w^n)^k <= 1 - p, in exact fractions."""
    p, w = Fraction(str(success)), Fraction(str(share))
    assert (1 - w**sample) ** trials <= 1 - p < (1 - w**sample) ** (trials - 1)


def test_a_patch_that_is_a_tenth_or_a_twentieth_of_the_cloud_needs_thousands_of_uniform_triples() -> None:
    assert trial_count(0.99, 0.10, 3) == 4603
    assert trial_count(0.99, 0.05, 3) == 36840


def test_all_inliers_take_one_trial_and_none_take_the_cap() -> None:
    for count in (trial_count(0.99, 1.0, 3), kernel.trials_needed(0.99, 1.0, 3, 1000)):
        assert count == 1
    assert trial_count(0.99, 0.0, 3, cap=1000) == 1000
    assert kernel.trials_needed(0.99, 0.0, 3, 1000) == 1000


def test_shares_too_small_for_one_minus_are_finite() -> None:
    """w^n = 1e-18 leaves 1 - w^n = 1 in float64; -ln(0.01) / 1e-18 trials are needed."""
    expected = 4.605170185988091e18
    assert trial_count(0.99, 1e-6, 3, cap=2**63 - 1) == pytest.approx(expected, rel=1e-9)
    assert trial_count(0.99, 1e-6, 3) == 2**31 - 1
    assert kernel.trials_needed(0.99, 1e-6, 3, 5000) == 5000


@pytest.mark.parametrize(
    ("success", "share", "sample"), [(0.0, 0.5, 3), (1.0, 0.5, 3), (0.99, -0.1, 3), (0.99, 1.1, 3), (0.99, 0.5, 0)]
)
def test_arguments_outside_their_range_are_refused(success: float, share: float, sample: int) -> None:
    with pytest.raises(ValueError, match=r"got .*, expected"):
        trial_count(success, share, sample)


def test_the_bound_falls_as_the_best_share_rises() -> None:
    bounds = [trial_count(0.99, w, 3) for w in (0.1, 0.2, 0.35, 0.5, 0.65)]
    assert bounds == [4603, 574, 106, 35, 15]


# --------------------------------------------------------------------------- the adaptive loop itself


def rows_of(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return centres and moment rows of voxels that hold one return each, at their centre, seen straight from above."""
    moments = np.zeros((len(points), MOMENTS))
    moments[:, 0] = 1.0
    moments[:, 12] = -1.0
    return points.copy(), moments


def scene(share: float, seed: int) -> np.ndarray:
    """Return 200 points of which a share lies on z = 0.1 x, give or take 1 mm, and the rest well above it."""
    rng = np.random.default_rng(seed)
    xyz = rng.uniform(0.0, 0.3, (200, 3))
    xyz[:, 2] = 0.1 * xyz[:, 0] + rng.normal(0.0, 0.001, len(xyz))
    off = np.arange(len(xyz)) >= round(share * len(xyz))
    xyz[off, 2] += rng.uniform(0.1, 0.5, off.sum())
    return rng.permutation(xyz)


def sampled(xyz: np.ndarray, *, sd: float, cut2: float, cap: int) -> tuple[list[float], list[int], int]:
    """Algorithm 4.5 in plain NumPy, with the kernel's random numbers: shares of the best, bounds, trials run.

    Numbers: xorshift with 13, 7, 17 (Marsaglia, J. Stat. Soft. 8(14), 2003). It starts from the level plane through the
    first point, as the kernel starts from the local plane of its seed.
    """
    word = 2**64 - 1
    state, trials, n = 88172645463325252, 0, len(xyz)

    def score(normal: np.ndarray, offset: float) -> tuple[float, float]:
        squared = (xyz @ normal - offset) ** 2 / sd**2
        return float(np.minimum(squared, cut2).sum()), float((squared < cut2).mean())

    cost, share = score(np.array([0.0, 0.0, 1.0]), xyz[0, 2])
    shares, bounds = [share], [trial_count(0.99, share, 3, cap=cap)]
    while trials < bounds[-1]:
        trials += 1
        rows = []
        for _ in range(3):
            state ^= (state << 13) & word
            state ^= state >> 7
            state ^= (state << 17) & word
            rows.append(state % n)
        normal = np.cross(xyz[rows[1]] - xyz[rows[0]], xyz[rows[2]] - xyz[rows[0]])
        size = float(np.linalg.norm(normal))
        if size < 1e-4:
            continue
        normal /= size
        normal = -normal if normal[2] < 0 else normal
        new_cost, new_share = score(normal, float(normal @ xyz[rows[0]]))
        if new_cost < cost:
            cost = new_cost
            shares.append(new_share)
            bounds.append(trial_count(0.99, new_share, 3, cap=cap))
    return shares, bounds, trials


def room():
    return np.empty((3, 3)), np.empty(MOMENTS), np.empty((MOMENTS + 3) * kernel.WIDE), np.empty(kernel.WIDE)


@pytest.mark.parametrize("share", [0.35, 0.5, 0.65, 0.9])
@pytest.mark.parametrize("seed", range(5))
def test_trials_end_at_the_bound_of_the_best_share_so_far(share: float, seed: int) -> None:
    """The loop runs as many trials as the twin, and ends because the last bound is reached."""
    xyz = scene(share, seed)
    centre, moments = rows_of(xyz)
    normal = np.tile([0.0, 0.0, 1.0, 0.0], (len(centre), 1))
    nbr = np.arange(len(centre), dtype=np.int32)
    arguments = (0, nbr, len(nbr), centre, moments, normal, 3.841, 0.002**2, 5000, *room())
    nx, ny, nz, _, _, total, trials = kernel.best_plane(*arguments)
    shares, bounds, expected = sampled(xyz, sd=0.002, cut2=3.841, cap=5000)
    assert total == len(xyz)
    assert trials == expected
    assert bounds[-1] <= trials <= max(bounds[:-1], default=bounds[-1])
    assert shares[-1] > 0.8 * share
    truth = np.array([-0.1, 0.0, 1.0]) / np.hypot(0.1, 1.0)
    assert np.array([nx, ny, nz]) @ truth > np.cos(np.radians(0.5))
    assert kernel.best_plane(*arguments)[:3] == (nx, ny, nz)


def test_the_cap_ends_a_hopeless_search() -> None:
    rng = np.random.default_rng(0)
    centre, moments = rows_of(rng.uniform(0.0, 0.3, (200, 3)))
    normal = np.tile([0.0, 0.0, 1.0, 0.0], (len(centre), 1))
    nbr = np.arange(len(centre), dtype=np.int32)
    assert kernel.best_plane(0, nbr, len(nbr), centre, moments, normal, 3.841, 0.0005**2, 64, *room())[6] == 64


# --------------------------------------------------------------------------- MSAC


def test_msac_counts_squares_up_to_the_threshold() -> None:
    """Residuals of 0, 1 and 3 cm at a threshold of 2 cm: 0 + 1 + 4 = 5 square centimetres."""
    assert msac_cost(np.array([0.0, 0.01, 0.03]), 0.02) == pytest.approx(5e-4, rel=1e-12)
    assert msac_cost(-np.array([0.0, 0.01, 0.03]), 0.02) == pytest.approx(5e-4, rel=1e-12)


def test_the_kernel_counts_the_same_from_moments() -> None:
    """One voxel each for the residuals above, sd 1 cm, threshold 2 sd: 0 + 1 + 4 = 5 variances, two inliers.

    The moments of a single point at its voxel's centre are a count of one and zeros.
    """
    centre = np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.01], [0.2, 0.0, 0.03]])
    moments = np.zeros((3, MOMENTS))
    moments[:, 0] = 1.0
    moments[:, 12] = -1.0
    _, _, table, ratio = room()
    kernel.lay_out(np.arange(3, dtype=np.int32), 3, centre, moments, table)
    cost, inliers = kernel.msac(table, 3, 0.0, 0.0, 1.0, 0.0, 4.0, 0.01**2, ratio)
    assert cost == pytest.approx(5.0, rel=1e-9)
    assert inliers == 2.0
