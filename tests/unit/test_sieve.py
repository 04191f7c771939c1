"""Of dense surveys enough returns are used, what is held does not grow with their number, and all are labelled."""

import numpy as np
import pytest

from terrain.data import Cloud, Scan
from terrain.fuse.motion import gather
from terrain.fuse.rest import AllPoints
from terrain.fuse.sieve import Sieve, SieveSettings, too_many
from terrain.fuse.spool import BYTES
from terrain.kernels.enough import LEVELS, bits_of, level_of, move_up, reaches
from terrain.segment.others import PatchFinder
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


def sieved(tmp_path, cloud, *, chunk=50_000, settings=None):
    """Return what is used of a cloud that comes chunk by chunk, all of it or None, and the sieve."""
    sieve = Sieve(tmp_path, settings)
    xyz, time = cloud.xyz_map_m, cloud.time_s
    scans = [Scan("a", xyz[k : k + chunk], time[k : k + chunk]) for k in range(0, len(xyz), chunk)]
    used, report = gather(scans, sieve=sieve)
    assert report.points_read == report.points_kept == len(cloud)
    return used, sieve.all_points(timed=True, seen_from=False), sieve


def rows_of(used, cloud):
    """Return the rows of the used returns in the cloud, by their times, which are all different."""
    rows = np.searchsorted(cloud.time_s, used.time_s)
    np.testing.assert_array_equal(used.xyz_map_m, cloud.xyz_map_m[rows])
    return rows


def test_a_cloud_that_is_not_dense_stays_whole(tmp_path):
    cloud, _ = floor_and_block(1.0)
    used, every, _ = sieved(tmp_path, cloud)
    assert every is None and list(tmp_path.iterdir()) == []
    np.testing.assert_array_equal(used.xyz_map_m, cloud.xyz_map_m)
    assert too_many(cloud) is None
    assert too_many(cloud.some(np.arange(0))) is None


@pytest.mark.parametrize("per_cm2", [4.0, 12.0])
@pytest.mark.parametrize("most", [16_384, 3_000])
def test_so_many_are_left_as_are_enough(tmp_path, per_cm2, most):
    """Of n returns thrown evenly into v voxels, v (1 - exp(-n / v)) hold one or more; v is 625 in a full column."""
    cloud, _ = floor_and_block(per_cm2, sd_m=1e-6)
    used, every, _ = sieved(tmp_path, cloud, settings=SieveSettings(most=most))
    rows = rows_of(used, cloud)
    assert every is not None and every.points.sum() == len(cloud)
    assert (np.diff(rows) > 0).all()
    full = most if most * 4 > 3 * 4 * 625 else most / 2
    each = min(4.0 * per_cm2, full / 625) if most < 16_384 else 4.0 * per_cm2
    enough = min(SieveSettings().returns * (1.0 - np.exp(-each)), each)
    assert len(used) == pytest.approx(40_000 / 4 * enough, rel=0.4 if most < 16_384 else 0.05)


def test_what_is_used_does_not_depend_on_the_chunks(tmp_path):
    cloud, _ = floor_and_block(12.0)
    settings = SieveSettings(most=3_000)
    one, two = (sieved(tmp_path, cloud, chunk=chunk, settings=settings)[0] for chunk in (480_000, 7_001))
    np.testing.assert_array_equal(one.xyz_map_m, two.xyz_map_m)
    assert len(one) < 0.2 * len(cloud)


def test_what_is_held_is_bounded_by_the_area(tmp_path):
    """Ten times the returns on the same floor: never more than 4/3 of what its columns may hold, and two chunks."""
    cloud, _ = floor_and_block(60.0)
    sieve = Sieve(tmp_path, SieveSettings(most=2_000))
    held = []
    passed_on = sieve.pass_on

    def watched(fresh, earlier, origin_m):
        held.append(len(earlier["xyz"]))
        return passed_on(fresh, earlier, origin_m)

    sieve.pass_on = watched
    chunk = 20_000
    xyz, time = cloud.xyz_map_m, cloud.time_s
    gather([Scan("a", xyz[k : k + chunk], time[k : k + chunk]) for k in range(0, len(xyz), chunk)], sieve=sieve)
    columns = 25  # of 0.5 m, for a floor of 2 m whose noise may cross the border
    assert max(held) <= 4 / 3 * columns * 2_000 + 2 * chunk < 0.1 * len(cloud)


def test_a_site_that_proves_too_large_is_held_from_there_on(tmp_path):
    cloud, _ = floor_and_block(12.0)
    far = cloud.xyz_map_m.copy()
    far[400_000] = [9_000.0, 9_000.0, 0.0]
    cloud = Cloud(far, cloud.time_s, None, cloud.sd_m, cloud.cross_sd_m, cloud.origin_m)
    used, every, sieve = sieved(tmp_path, cloud, settings=SieveSettings(most=3_000))
    assert sieve.gave_up
    assert every is not None and every.points.sum() == len(cloud)
    rows = rows_of(used, cloud)
    np.testing.assert_array_equal(rows[rows >= 400_000], np.arange(400_000, len(cloud)))
    assert np.count_nonzero(rows < 400_000) < 0.5 * 400_000


def test_where_returns_lack_they_lack_as_much_as_before(tmp_path):
    cloud, _ = floor_and_block(12.0, joint_m=0.02)
    used, *_ = sieved(tmp_path, cloud)
    x = used.xyz_map_m[:, 0]
    joint = np.count_nonzero(np.abs(x - 0.4) < 0.01)
    beside = [np.count_nonzero(np.abs(x - at) < 0.01) for at in (0.34, 0.37, 0.43, 0.46)]
    assert joint == 0
    assert max(beside) < 1.2 * min(beside)


def test_density_does_not_jump_where_a_column_gave_up_more(tmp_path):
    """Columns that held at most 3,000 of 7,500 or 22,500 returns: on either side of their border it is as dense."""
    rng = np.random.default_rng(5)
    xy = np.concatenate([rng.uniform([0, 0], [1, 1], (30_000, 2)), rng.uniform([1, 0], [2, 1], (90_000, 2))])
    xyz = np.column_stack([xy, np.zeros(len(xy))])[rng.permutation(len(xy))]
    n = np.full(len(xyz), 0.01, dtype=np.float32)
    cloud = Cloud(xyz, np.arange(len(xyz), dtype=np.float64), None, n, n, np.zeros(3))
    used, *_ = sieved(tmp_path, cloud, settings=SieveSettings(most=3_000))
    rows = rows_of(used, cloud)
    left = np.histogram(cloud.xyz_map_m[rows, 0], bins=20, range=(0.0, 2.0))[0] / 0.1
    there = np.histogram(cloud.xyz_map_m[:, 0], bins=20, range=(0.0, 2.0))[0] / 0.1
    share = left / there
    inside = np.abs(np.diff(np.log(share)))
    assert inside.max() < 0.45  # by half within a column of five such strips, and chance


def test_chance_is_even_and_not_of_its_neighbours():
    """SplitMix64's first output from 0 is 0xE220A8397B1DCDAF: its authors' reference code, from memory."""
    assert int(bits_of(0)) == 0xE220A8397B1DCDAF
    u = np.array([int(bits_of(k)) for k in range(100_000)]) * 2.0**-64
    share = np.histogram(u, bins=20, range=(0.0, 1.0))[0]
    assert np.abs(share - 5_000).max() < 5 * np.sqrt(5_000)
    assert abs(np.corrcoef(u[:-1], u[1:])[0, 1]) < 0.02


@pytest.mark.parametrize(("bits", "level"), [(2**64 - 1, 0), (2**63, 0), (2**63 - 1, 1), (2**60, 3), (0, LEVELS - 1)])
def test_a_level_counts_the_leading_zeros(bits, level):
    assert level_of(np.uint64(bits)) == level


def test_all_points_come_back_from_disk_as_they_were(tmp_path):
    cloud, _ = floor_and_block(12.0)
    _, every, _ = sieved(tmp_path, cloud, chunk=30_000)
    assert every is not None
    assert len(every.raw) == BYTES * len(cloud)
    assert list(tmp_path.iterdir()) == [], "the file has no name: it goes with the process"
    parts = [AllPoints(every, None, None).part(k) for k in range(len(every.points))]
    assert all(not any(left_out.values()) for _, left_out in parts)
    xyz = np.concatenate([part.xyz_map_m for part, _ in parts])
    np.testing.assert_allclose(xyz, cloud.xyz_map_m, atol=2e-7)  # float32 two metres from the origin
    np.testing.assert_array_equal(np.concatenate([part.time_s for part, _ in parts]), cloud.time_s)


def test_returns_left_out_go_to_the_patch_they_lie_on():
    cloud, true = floor_and_block(8.0)
    rows = np.arange(0, len(cloud), 5)
    found = segment_planes(cloud.some(rows), joint_m=0.025)
    finder = PatchFinder(cloud.some(rows), found)
    patch = finder.find(cloud)
    same = patch[rows] == found.point_patch
    assert same.mean() > 0.99
    left = np.setdiff1d(np.arange(len(cloud)), rows)
    height = np.where(patch >= 0, found.patches.centre_m[np.maximum(patch, 0), 2], np.nan)
    assert (patch[left] >= 0).mean() > 0.95
    assert (np.abs(height - 0.2 * true)[left][patch[left] >= 0] < 0.02).all()
    lifted = cloud.xyz_map_m.copy()
    lifted[left[:50], 2] += 0.05
    moved = Cloud(lifted, cloud.time_s, cloud.view_map_m, cloud.sd_m, cloud.cross_sd_m, cloud.origin_m)
    assert (finder.find(moved)[left[:50]] == -1).all()


def test_returns_that_drift_had_spread_are_thinned_once_it_is_corrected():
    cloud, _ = floor_and_block(8.0)
    rows = too_many(cloud)
    assert rows is not None and (np.diff(rows) > 0).all()
    assert 0.1 * len(cloud) < len(rows) < 0.6 * len(cloud)
    assert too_many(cloud.some(rows)) is None


@pytest.mark.parametrize("limit", [0, 1, 2, 7, LEVELS - 1])
def test_a_limit_is_reached_as_levels_say(limit: int) -> None:
    bits = np.array([*(bits_of(number) for number in range(2000)), 1 << 64 - max(limit, 1), 0], dtype=np.uint64)
    assert [reaches(word, limit) for word in bits] == [level_of(word) >= limit for word in bits]


@pytest.mark.parametrize("share", [0.0, 0.3, 0.999, 1.0])
@pytest.mark.parametrize("width", [1, 3])
def test_rows_that_are_kept_move_up_in_their_order(share: float, width: int) -> None:
    rng = np.random.default_rng(8)
    keep, words = rng.random(9000) < share, rng.integers(0, 1 << 30, (9000, width)).astype(np.int32)
    keep[:4000] |= share > 0.5
    wanted = words[keep]
    move_up(keep, words)
    assert (words[: len(wanted)] == wanted).all()
