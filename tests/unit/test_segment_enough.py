"""Of dense clouds enough returns are used, and all of them are labelled."""

import numpy as np
import pytest

from terrain.data import Cloud
from terrain.segment.enough import EnoughSettings, _chance, enough_of, patches_of_all
from terrain.segment.patches import segment_planes


def floor_and_block(per_cm2, *, joint_m=0.0, seed=1, sd_m=0.003):
    """A floor of 2 by 2 m, a block's top 0.6 m square 0.2 m over it, seen from above, and a joint without returns."""
    rng = np.random.default_rng(seed)
    floor = rng.uniform(0.0, 2.0, (round(40_000 * per_cm2), 2))
    top = rng.uniform(0.7, 1.3, (round(3_600 * per_cm2), 2))
    floor = floor[~np.all((floor > 0.7) & (floor < 1.3), axis=1) & (np.abs(floor[:, 0] - 0.4) >= joint_m / 2)]
    z = np.concatenate([np.zeros(len(floor)), np.full(len(top), 0.2)])
    true = np.concatenate([np.zeros(len(floor), dtype=int), np.ones(len(top), dtype=int)])
    xyz = np.column_stack([np.concatenate([floor, top]), z + rng.normal(0.0, sd_m, len(z))])
    order = rng.permutation(len(xyz))
    n = len(xyz)
    eye = np.tile(np.array([1.0, -1.0, 2.0], dtype=np.float32), (n, 1))
    sd = np.full(n, sd_m, dtype=np.float32)
    cloud = Cloud(
        xyz_map_m=xyz[order], time_s=np.arange(n, dtype=np.float64), view_map_m=eye, sd_m=sd, cross_sd_m=sd,
        origin_m=np.zeros(3),
    )  # fmt: skip
    return cloud, true[order]


def test_a_cloud_that_is_not_dense_stays_whole():
    cloud, _ = floor_and_block(1.0)
    assert enough_of(cloud) is None
    assert enough_of(cloud.some(np.arange(0))) is None


@pytest.mark.parametrize("per_cm2", [4.0, 12.0])
def test_so_many_are_left_as_are_enough(per_cm2):
    """Of n returns thrown evenly into v voxels, v (1 - exp(-n / v)) hold one or more."""
    cloud, _ = floor_and_block(per_cm2, sd_m=1e-6)
    rows = enough_of(cloud)
    assert rows is not None
    assert (np.diff(rows) > 0).all()
    voxels = 40_000 / 4 * (1.0 - np.exp(-4.0 * per_cm2))
    assert len(rows) == pytest.approx(EnoughSettings().returns * voxels, rel=0.05)
    np.testing.assert_array_equal(rows, enough_of(cloud))


def test_where_returns_lack_they_lack_as_much_as_before():
    cloud, _ = floor_and_block(12.0, joint_m=0.02)
    rows = enough_of(cloud)
    assert rows is not None
    x = cloud.xyz_map_m[rows, 0]
    joint = np.count_nonzero(np.abs(x - 0.4) < 0.01)
    beside = [np.count_nonzero(np.abs(x - at) < 0.01) for at in (0.34, 0.37, 0.43, 0.46)]
    assert joint == 0
    assert max(beside) < 1.2 * min(beside)


def test_chance_is_even_and_not_of_its_neighbours():
    """SplitMix64's first output from 0 is 0xE220A8397B1DCDAF: its authors' reference code, from memory."""
    u = _chance(100_000)
    assert u[0] == (0xE220A8397B1DCDAF >> 11) * 2.0**-53
    share = np.histogram(u, bins=20, range=(0.0, 1.0))[0]
    assert np.abs(share - 5_000).max() < 5 * np.sqrt(5_000)
    assert abs(np.corrcoef(u[:-1], u[1:])[0, 1]) < 0.02


def test_returns_left_out_go_to_the_patch_they_lie_on():
    cloud, true = floor_and_block(8.0)
    rows = enough_of(cloud)
    assert rows is not None
    found = segment_planes(cloud.some(rows), joint_m=0.025)
    patch = patches_of_all(cloud, rows, found)
    np.testing.assert_array_equal(patch[rows], found.point_patch)
    left = np.setdiff1d(np.arange(len(cloud)), rows)
    height = np.where(patch >= 0, found.patches.centre_m[np.maximum(patch, 0), 2], np.nan)
    assert (patch[left] >= 0).mean() > 0.95
    assert (np.abs(height - 0.2 * true)[left][patch[left] >= 0] < 0.02).all()
    lifted = cloud.xyz_map_m.copy()
    lifted[left[:50], 2] += 0.05
    moved = Cloud(lifted, cloud.time_s, cloud.view_map_m, cloud.sd_m, cloud.cross_sd_m, cloud.origin_m)
    assert (patches_of_all(moved, rows, found)[left[:50]] == -1).all()
