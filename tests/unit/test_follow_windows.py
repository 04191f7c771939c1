"""Windows of a pad made one by one: what they splice together, and that no cut makes ground steppable."""

from __future__ import annotations

import dataclasses
import pickle
from pathlib import Path

import numpy as np
import pytest
from shapely import Polygon

from terrain.data import Cloud, FootProfile, Ground, Label, Patches, PatchVerdicts
from terrain.follow.changes import (
    DENSE,
    DENSE_GROWTH,
    FEWEST,
    FULL,
    GAIN_CELLS,
    GAIN_CELLS_PER_S,
    GROWTH_PER_S,
    LEAST_GROWTH,
    MOST_GAIN_CELLS,
    MOST_GROWTH,
    MOVING,
    MUCH_GROWTH,
    ODD_POINTS,
    SURE_GROWTH,
    Changes,
    fewest_of,
)
from terrain.follow.contents import Site
from terrain.follow.making import _near_rows
from terrain.follow.mosaic import Mosaic, beside
from terrain.follow.pieces import Pieces
from terrain.follow.points import TILE_M, Points, tiles_of
from terrain.follow.share import groups
from terrain.follow.windows import YAWS_GROWING, Windows
from terrain.foot import load_foot
from terrain.fuse.clean import REASONS
from terrain.fusing import Clock
from terrain.kernels.unexplained import off_all_known
from terrain.kernels.verdict import UNKNOWN_EDGE_SD_M
from terrain.score.dense import judge_everywhere
from terrain.score.patches import RasterCells, score_patches
from tests.support.arriving import BLOCK_TOP_M, false_steppable, fused_pad

STAGES = ("clean", "segment", "ground", "score")


@pytest.fixture(scope="module")
def cloud(tmp_path_factory: pytest.TempPathFactory) -> Cloud:
    return fused_pad(tmp_path_factory.mktemp("pad"))


@pytest.fixture(scope="module")
def foot() -> FootProfile:
    return load_foot("biped", relative_to=Path())


@pytest.fixture(scope="module")
def one_by_one(cloud: Cloud, foot: FootProfile) -> tuple[Site, list[tuple[int, int]]]:
    """Every tile in a window of its own; and after each, steppable cells, and those whose sole lies on no true top."""
    points = Points()
    points.append(cloud)
    windows, site, found = Windows(points, foot, whole=False), Site("pad", foot), []
    for tile in sorted(points.in_tile):
        windows.renew([tile], Clock())
        hand_over(windows, site)
        rasters = site.mosaic.rasters(site.pieces.table().row_of)
        steppable = sum(int((raster.label == Label.STEPPABLE).sum()) for raster in rasters)
        found.append((steppable, sum(false_steppable(raster, foot.outline_m) for raster in rasters)))
    return site, found


def hand_over(windows: Windows, site: Site) -> None:
    """Tell of what was made as another process is told."""
    site.take(pickle.loads(pickle.dumps(windows.renewed())))


@pytest.fixture(scope="module")
def at_once(cloud: Cloud, foot: FootProfile) -> Windows:
    points = Points()
    points.append(cloud)
    windows = Windows(points, foot, whole=False)
    clock = Clock()
    assert windows.renew(points.in_tile, clock) == set(points.in_tile)
    assert set(clock.seconds) == set(STAGES)
    return windows


@pytest.fixture(scope="module")
def handed_over(at_once: Windows, foot: FootProfile) -> Site:
    site = Site("pad", foot)
    hand_over(at_once, site)
    return site


def test_a_window_holds_what_lies_within_a_quarter_of_a_tile_of_its_tiles(cloud: Cloud) -> None:
    xy_m = cloud.xyz_map_m[:, :2]
    low, high = np.array([1.0, 0.0]) * TILE_M, np.array([3.0, 1.0]) * TILE_M
    wanted = ((xy_m >= low - 0.16) & (xy_m < high + 0.16)).all(axis=1)
    np.testing.assert_array_equal(_near_rows(xy_m, [(1, 0), (2, 0)]), wanted)
    assert 0 < wanted.sum() < len(cloud)


def test_no_cut_makes_ground_steppable(one_by_one: tuple[Site, list[tuple[int, int]]]) -> None:
    """The truth of the pad: each sole in its best yaw lies on one top, whatever part of the site is known so far."""
    found = one_by_one[1]
    assert [wrong for _, wrong in found] == [0] * len(found)
    assert found[-1][0] > 1000  # cells of 4 cm2: the pad has 1.7 m2


def test_the_truth_objects_to_a_map_that_calls_all_of_it_steppable(handed_over: Site, foot: FootProfile) -> None:
    raster = handed_over.mosaic.rasters(handed_over.pieces.table().row_of)[0]
    known = np.isfinite(raster.height_m)
    lies = dataclasses.replace(
        raster,
        label=np.where(known, np.float32(Label.STEPPABLE), 0.0),
        best_yaw_rad=np.where(known, 0.0, raster.best_yaw_rad),
    )
    assert false_steppable(lies, foot.outline_m) > 500


@pytest.mark.parametrize("which", ["one by one", "at once"])
def test_rasters_are_what_the_ground_in_the_same_version_says(
    one_by_one: tuple[Site, list[tuple[int, int]]], handed_over: Site, foot: FootProfile, which: str
) -> None:
    site = one_by_one[0] if which == "one by one" else handed_over
    _, _, ground, spliced = site.judged()
    judged = judge_everywhere(ground.joined(), foot, yaws=YAWS_GROWING)
    assert len(spliced) == len(judged)
    for one, other in zip(spliced, judged, strict=True):
        assert (one.x0_m, one.y0_m) == pytest.approx((other.x0_m, other.y0_m))
        np.testing.assert_array_equal(one.label, other.label)
        np.testing.assert_array_equal(one.height_m, other.height_m)
        np.testing.assert_array_equal(one.patch_id, other.patch_id)


def test_what_is_handed_over_step_by_step_is_what_the_windows_hold(cloud: Cloud, foot: FootProfile) -> None:
    """A tile whose points all moved is gone from both."""
    points = Points()
    points.append(cloud)
    windows, site = Windows(points, foot, whole=False), Site("pad", foot)
    for tiles in ([(0, 0), (1, 0)], [(1, 0)], [(2, 0), (0, 1)]):
        windows.renew(tiles, Clock())
        hand_over(windows, site)
    assert site.mosaic.tiles == {(0, 0), (1, 0), (2, 0), (0, 1)}
    windows.mosaic.drop([(2, 0)])
    windows.mosaic.put_cells((), [(2, 0)], (), reach_m=0.0)
    hand_over(windows, site)
    assert site.mosaic.tiles == windows.mosaic.tiles == {(0, 0), (1, 0), (0, 1)}
    every = np.arange(1000, dtype=np.int32)
    for one, other in zip(site.mosaic.rasters(every), windows.mosaic.rasters(every), strict=True):
        for name in (field.name for field in dataclasses.fields(one)):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    for name in (field.name for field in dataclasses.fields(Ground) if field.name != "grid"):
        np.testing.assert_array_equal(getattr(site.mosaic.ground(), name), getattr(windows.mosaic.ground(), name))


def test_patches_are_judged_as_all_at_once_whatever_was_judged_before(cloud: Cloud, foot: FootProfile) -> None:
    """Versions of few tiles each, some made twice; `score_patches` looks at all cells of the version's rasters."""
    points = Points()
    points.append(cloud)
    windows, site, kinds = Windows(points, foot, whole=False), Site("pad", foot), set[int]()
    every = sorted(points.in_tile)
    for tiles in (every[:2], every[3:5], every[1:4], every[:1], [], every[2:], every[4:5]):
        windows.renew(tiles, Clock())
        hand_over(windows, site)
        patches, verdicts, ground, rasters = site.judged()
        wanted = score_patches(patches, ground.joined(), foot, rasters)
        for name in (field.name for field in dataclasses.fields(PatchVerdicts)):
            np.testing.assert_array_equal(getattr(verdicts, name), getattr(wanted, name))
        kinds |= set(verdicts.label.tolist())
        kinds |= {-1} if (verdicts.reason >= 0).any() else set()
        centre = site.pieces.table().centre_m
        cells = RasterCells(rasters, len(patches)), site.tally.of(site.pieces.table().numbers, rasters)
        some = np.flatnonzero(cells[0].total > 0)
        best = [each.best(some, centre) for each in cells]
        assert len(some) and all((best[0][k] == best[1][k]).all() for k in best[0])
    assert kinds >= {-1, Label.STEPPABLE} and len(kinds) > 2


def test_what_is_left_of_patches_is_what_windows_told_of_all_at_once_leave(cloud: Cloud, foot: FootProfile) -> None:
    """Asked after each window, and asked once in the end."""
    points = Points()
    points.append(cloud)
    windows, asked, once = Windows(points, foot, whole=False), Pieces(), Pieces()
    every = sorted(points.in_tile)
    for tiles in (every, every[1:3], every[:1], every[2:4]):
        windows.renew(tiles, Clock())
        for found in windows.renewed().found:
            asked.add(found)
            once.add(found)
            asked.table()
    one, other = asked.table(), once.table()
    assert len(one.patches) > 3
    for name in ("numbers", "row_of", "centre_m", "inset_m"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    for name in (field.name for field in dataclasses.fields(Patches) if field.name != "outline"):
        np.testing.assert_array_equal(getattr(one.patches, name), getattr(other.patches, name))
    assert [o.wkb for o in one.patches.outline] == [o.wkb for o in other.patches.outline]


def test_heights_are_the_true_ones(one_by_one: tuple[Site, list[tuple[int, int]]]) -> None:
    raster = one_by_one[0].mosaic.rasters(one_by_one[0].pieces.table().row_of)[0]
    known = raster.height_m[raster.label == Label.STEPPABLE]
    off = np.minimum(np.abs(known), np.abs(known - BLOCK_TOP_M))
    assert off.max() < 0.005


def test_patches_are_numbered_as_ground_and_rasters_number_them(handed_over: Site) -> None:
    table = handed_over.pieces.table()
    patches, raster = table.patches, handed_over.mosaic.rasters(table.row_of)[0]
    assert raster.patch_id.max() < len(patches)
    assert (np.diff(patches.points) <= 0).all()
    for k in np.unique(raster.patch_id[raster.patch_id >= 0]):
        iy, ix = np.nonzero(raster.patch_id == k)
        x, y = raster.x0_m + (ix + 0.5) * raster.cell_m, raster.y0_m + (iy + 0.5) * raster.cell_m
        low_x, low_y, high_x, high_y = patches.outline[k].bounds
        assert low_x - 0.03 < x.min() and x.max() < high_x + 0.03 and low_y - 0.03 < y.min() and y.max() < high_y + 0.03


def test_a_tile_taken_over_changes_no_other(cloud: Cloud, foot: FootProfile, at_once: Windows) -> None:
    points = Points()
    points.append(cloud)
    windows = Windows(points, foot, whole=False)
    windows.renew(points.in_tile, Clock())
    windows.renew([(0, 0)], Clock())
    before, after = at_once.mosaic.ground(), windows.mosaic.ground()
    np.testing.assert_array_equal(before.grid.tile_slot, after.grid.tile_slot)
    slot = int(before.grid.tile_slot[-round(before.grid.y0_m / TILE_M), -round(before.grid.x0_m / TILE_M)])
    for k in range(before.grid.columns // 4096):
        if k != slot:
            part, other = (ground.first[[k * 4096, (k + 1) * 4096]] for ground in (before, after))
            np.testing.assert_array_equal(before.height_m[slice(*part)], after.height_m[slice(*other)])


def unexplained(windows: Windows, tile: tuple[int, int], xyz_m: np.ndarray) -> tuple[int, int]:
    odd, new = windows.mosaic.unexplained(tile, xyz_m, off_m=0.04, over_m=0.4)
    return int(odd.sum()), int(new.sum())


def test_what_fits_nothing_known_is_counted(at_once: Windows) -> None:
    """Points 0.3 m over or under a known floor fit nothing, points on it fit; those that no foot meets do not count."""
    rng = np.random.default_rng(1)
    xy = rng.uniform([0.1, 0.1], [0.5, 0.5], (100, 2))
    tile = (0, 0)
    for height_m, odd in ((0.0, 0), (0.3, 100), (-0.3, 100), (0.5, 0)):
        assert unexplained(at_once, tile, np.column_stack([xy, np.full(100, height_m)])) == (odd, 0)
    assert unexplained(at_once, (50, 50), np.zeros((7, 3))) == (0, 7)


def quick(foot: FootProfile) -> Changes:
    """Return changes as they are once versions come quickly."""
    changes = Changes(foot)
    for _ in range(50):
        changes.keep_up(0.1)
    return changes


def test_a_tile_is_due_by_what_came_since_it_was_made(at_once: Windows, foot: FootProfile) -> None:
    """A thing put on a known floor is noticed by a few points, more of the same floor only by three times as many."""
    rng = np.random.default_rng(1)
    xy = rng.uniform([0.25, 0.25], [0.31, 0.31], (ODD_POINTS + 1, 2))  # within one voxel
    thing, low, floor = (np.column_stack([xy, np.full(len(xy), z)]) for z in (0.3, 0.06, 0.0))
    tile, in_tile = (0, 0), at_once.points.in_tile[(0, 0)]

    def due(points: np.ndarray, count: int) -> bool:
        changes = quick(foot)
        changes.renewed([tile], at_once.points)
        changes.take({tile: points}, at_once.mosaic, {tile: count}, 1.0)
        assert changes.is_stale(tile, count)
        return tile in changes.since

    assert due(thing, in_tile + ODD_POINTS) and not due(thing[:-1], in_tile + ODD_POINTS - 1)
    assert due(low, in_tile + ODD_POINTS)
    assert not due(floor, in_tile + ODD_POINTS)
    strays = np.column_stack([np.indices((8, 8)).reshape(2, -1).T * 0.08 + 0.04, np.full(64, 0.3)])
    assert not due(strays, in_tile + len(strays))
    assert in_tile > 2000  # 14 within 30 mm: all ground is observed, and more points make no more of it steppable
    assert at_once.mosaic.standing(tile)[0] > 0
    growth = SURE_GROWTH * LEAST_GROWTH + (DENSE_GROWTH if in_tile >= DENSE else 0.0)
    assert due(floor, int((1.0 + growth) * in_tile) + 1) and not due(floor, int((1.0 + growth) * in_tile) - 1)


def test_a_tile_is_due_once_more_of_it_can_be_expected_to_be_steppable(cloud: Cloud, foot: FootProfile) -> None:
    """Of the same floor with few returns; SciPy's Poisson tells how many soles stand on nothing but observed ground."""
    from scipy.stats import poisson

    rng = np.random.default_rng(4)
    own = np.flatnonzero((tiles_of(cloud.xyz_map_m[:, :2]) == (0, 0)).all(axis=1))
    few = np.sort(rng.permutation(own)[:500])
    points = Points()
    points.append(_at(cloud, few, cloud.xyz_map_m[few]))
    windows = Windows(points, foot, whole=False)
    windows.renew([(0, 0)], Clock())
    raster = windows.mosaic.rasters(np.arange(100, dtype=np.int32))[0]
    better = np.isin(raster.label, (Label.UNOBSERVED, Label.MARGINAL)) & np.isfinite(raster.height_m)
    assert windows.mosaic.standing((0, 0)) == ((raster.label == Label.STEPPABLE).sum(), better.sum())
    assert better.sum() > 3 * GAIN_CELLS and not (raster.label == Label.STEPPABLE).any()

    def soles(count: int) -> float:
        share = poisson.sf(2, count * np.pi * 0.03**2 / 0.64**2)
        return float(share ** (Polygon(foot.outline_m).area / (np.pi * 0.03**2)))

    def due(count: int) -> bool:
        changes = quick(foot)
        changes.renewed([(0, 0)], points)
        changes.take({(0, 0): cloud.xyz_map_m[few[:1]]}, windows.mosaic, {(0, 0): count}, 1.0)
        return (0, 0) in changes.since

    enough = next(n for n in range(500, 2000) if better.sum() * (soles(n) - soles(500)) >= GAIN_CELLS)
    assert 550 < enough < (1.0 + MUCH_GROWTH) * 500
    assert due(enough) and not due(enough - 1)


def test_of_a_dense_window_enough_returns_are_used(cloud: Cloud, foot: FootProfile) -> None:
    """The pad seen sixteen times over: four returns in each voxel of 2 cm, about, and nothing steppable that is not."""
    rng = np.random.default_rng(5)
    every, points = np.arange(len(cloud)), Points(every=True)
    for _ in range(16):
        points.append(_at(cloud, every, cloud.xyz_map_m + rng.normal(0.0, 0.002, (len(cloud), 3))))
    windows = Windows(points, foot, whole=False)
    windows.renew(points.in_tile, Clock())
    used = windows.renewed().found[0].xy_m
    voxels = len(np.unique(np.floor(cloud.xyz_map_m / 0.02), axis=0))
    assert len(used) < 0.5 * points.count and len(used) < 8 * voxels
    raster = windows.mosaic.rasters(np.arange(1000, dtype=np.int32))[0]
    assert (raster.label == Label.STEPPABLE).sum() > 500 and false_steppable(raster, foot.outline_m) == 0


def test_points_beyond_what_planes_are_made_of_are_no_growth(at_once: Windows, foot: FootProfile) -> None:
    floor, tile = np.array([[0.3, 0.3, 0.0]]), (0, 0)
    for before, count, due in ((FULL // 8, FULL, True), (FULL // 2, 100 * FULL, False), (2 * FULL, 100 * FULL, False)):
        changes = Changes(foot)
        changes.renewed([tile], at_once.points)
        changes.made[tile] = before
        changes.take({tile: floor}, at_once.mosaic, {tile: count}, 1.0)
        assert (tile in changes.since) is due


def test_where_a_clearance_reaches_unknown_ground_the_first_point_counts(foot: FootProfile) -> None:
    """The sole is 65 mm wide beside the load point and has to keep 20 mm from an edge, whose place is uncertain."""
    kept_m = 0.065 + 0.02 + foot.z * UNKNOWN_EDGE_SD_M
    assert fewest_of(foot) == FEWEST and foot.shin_radius_m < kept_m
    assert fewest_of(dataclasses.replace(foot, shin_radius_m=kept_m + 0.001)) == 1


def test_the_longer_versions_take_the_more_a_tile_must_grow(foot: FootProfile) -> None:
    changes = Changes(foot)
    for seconds, growth, gain in (
        (0.1, LEAST_GROWTH, GAIN_CELLS),
        (0.3, 0.3 * GROWTH_PER_S, 0.3 * GAIN_CELLS_PER_S),
        (30.0, MOST_GROWTH, MOST_GAIN_CELLS),
    ):
        for _ in range(50):
            changes.keep_up(seconds)
        assert changes.growth == pytest.approx(growth, abs=1e-3)
        assert changes.gain_cells == pytest.approx(gain, abs=1e-3)


def test_what_stood_where_someone_walked_is_new(cloud: Cloud, at_once: Windows, foot: FootProfile) -> None:
    """Returns that were left out as moving do not make their place a known one."""
    assert REASONS[MOVING - 1] == "moving"
    rng = np.random.default_rng(1)
    passed = np.column_stack([rng.uniform([0.1, 0.1], [0.5, 0.5], (200, 2)), np.full(200, 0.3)])
    own = tiles_of(cloud.xyz_map_m[:, :2]) == (0, 0)
    rows = np.flatnonzero(own.all(axis=1))
    points = Points()
    points.append(_at(cloud, rows, cloud.xyz_map_m[rows]))
    points.append(_at(cloud, rows[:200], passed))
    for reason, due in ((MOVING, True), (0, False)):
        points.left_out[len(rows) :] = reason
        changes = Changes(foot)
        changes.renewed([(0, 0)], points)
        changes.take({(0, 0): passed[:100]}, at_once.mosaic, points.in_tile, 1.0)
        assert ((0, 0) in changes.since) is due


def _at(cloud: Cloud, rows: np.ndarray, xyz_m: np.ndarray) -> Cloud:
    assert cloud.time_s is not None and cloud.view_map_m is not None
    return Cloud(
        xyz_m, cloud.time_s[rows], cloud.view_map_m[rows], cloud.sd_m[rows], cloud.cross_sd_m[rows], cloud.origin_m
    )


def test_groups_are_tiles_that_touch() -> None:
    assert groups([(5, 5), (0, 0), (1, 1), (2, 1), (5, 7)]) == [[(0, 0), (1, 1), (2, 1)], [(5, 5)], [(5, 7)]]
    assert beside([(0, 0)], 1) == {(x, y) for x in (-1, 0, 1) for y in (-1, 0, 1)}


def test_points_are_found_by_tile_in_the_order_they_came(cloud: Cloud) -> None:
    points = Points(every=True)
    half = len(cloud) // 2
    for part in (slice(0, half), slice(half, None)):
        views = None if cloud.view_map_m is None else cloud.view_map_m[part]
        times = None if cloud.time_s is None else cloud.time_s[part]
        sds = cloud.sd_m[part], cloud.cross_sd_m[part]
        points.append(Cloud(cloud.xyz_map_m[part], times, views, *sds, cloud.origin_m))
    assert points.count == len(cloud) == sum(points.in_tile.values())
    tile = tiles_of(cloud.xyz_map_m[:, :2])
    for key in points.in_tile:
        np.testing.assert_array_equal(points.rows([key]), np.flatnonzero((tile == key).all(axis=1)))


def test_beams_through_a_box_as_numpy_has_it() -> None:
    """Against dense samples along each segment: no sample in the box, no beam through its inside."""
    from terrain.kernels.boxes import BLOCK, beams_through, bound_beams

    rng = np.random.default_rng(2)
    view, xyz = rng.uniform(-2.0, 2.0, (2, 400, 3))
    view[:20, 0] = xyz[:20, 0]  # along a plane of the box
    origin = np.array([10.0, -5.0, 3.0])
    low, high = np.array([-0.5, -0.4, -0.3]), np.array([0.6, 0.5, 0.4])
    share = np.linspace(0.0, 1.0, 2001)[:, None]
    samples = [(view[i] + share * (xyz[i] - view[i])) for i in range(len(xyz))]
    deep = np.array([((s > low) & (s < high)).all(axis=1).any() for s in samples])
    near = np.array([((s > low - 0.01) & (s < high + 0.01)).all(axis=1).any() for s in samples])
    out = np.zeros(len(xyz), dtype=np.bool_)
    boxes = np.full((-(-len(xyz) // BLOCK), 6), np.nan)
    bound_beams(0, xyz + origin, view.astype(np.float32), origin, boxes)
    ends = np.stack([xyz + origin, view.astype(np.float32) + origin])
    for k, box in enumerate(boxes):
        own = ends[:, k * BLOCK : (k + 1) * BLOCK]
        np.testing.assert_allclose(box, [*own.min(axis=(0, 1)), *own.max(axis=(0, 1))], atol=1e-12)
    apart = boxes + 100.0  # nothing is near the box asked for
    for of, some in ((apart, False), (boxes, True)):
        beams_through(0, len(of), xyz + origin, view.astype(np.float32), origin, of, low + origin, high + origin, out)
        assert out.any() == some
    assert (out[deep]).all() and not out[~near].any() and 20 < out.sum() < 380


def test_nothing_known_is_no_ground() -> None:
    mosaic = Mosaic()
    assert mosaic.tiles == set() and mosaic.rasters(np.zeros(1, dtype=np.int32)) == ()


def test_points_off_all_known_as_numpy_has_it() -> None:
    """Random columns of surfaces and spans, each point against those of its column one by one."""
    rng = np.random.default_rng(3)
    side, cell, x0, y0, z0, off, over = 4, 0.01, 0.64, -0.64, 0.2, 0.04, 0.4
    surfaces, spans = rng.integers(0, 3, (2, side * side))
    first, span_first = (np.concatenate([[0], np.cumsum(counts)]) for counts in (surfaces, spans))
    height = rng.uniform(-0.5, 0.5, surfaces.sum()).astype(np.float32)
    low = rng.uniform(-0.5, 0.5, spans.sum()).astype(np.float32)
    high = low + np.float32(0.1)
    xyz = rng.uniform([x0, y0, z0 - 0.7], [x0 + side * cell, y0 + side * cell, z0 + 1.2], (3000, 3))
    odd, new = np.empty((2, len(xyz)), dtype=np.bool_)
    off_all_known(
        xyz, x0, y0, cell, side, z0, first, height, span_first, low, high, off, over, odd, new
    )  # fmt: skip
    column = np.floor((xyz[:, 1] - y0) / cell).astype(int) * side + np.floor((xyz[:, 0] - x0) / cell).astype(int)
    for k, at in enumerate(column):
        z = float(np.float32(xyz[k, 2] - z0))
        tops = height[first[at] : first[at + 1]].astype(float)
        own = slice(span_first[at], span_first[at + 1])
        fits = (abs(z - tops) <= off).any() or ((z >= low[own] - off) & (z <= high[own] + off)).any()
        assert new[k] == (not fits and len(tops) == 0)
        assert odd[k] == (not fits and len(tops) > 0 and z <= tops.max() + over + off)
    assert 100 < odd.sum() and 100 < new.sum() and (~odd & ~new).sum() > 100


def test_new_ground_in_a_known_tile_counts_as_far_as_soles_can_be_observed(at_once: Windows, foot: FootProfile) -> None:
    """Two whole blocks of 64 cells are more than 120 cells; the same points all over the tile are not."""
    tile = (40, 40)  # nothing is known there
    corner = np.array(tile) * TILE_M
    rng = np.random.default_rng(3)
    for size, due in ((np.array([0.32, 0.16]), True), (np.array([TILE_M, TILE_M]), False)):
        changes = quick(foot)
        changes.made[tile], changes._known[tile] = 5000, np.zeros(0, dtype=np.int64)
        xy = corner + rng.uniform(0.0, 1.0, (3 * FEWEST, 2)) * size
        changes.take({tile: np.column_stack([xy, np.zeros(len(xy))])}, at_once.mosaic, {tile: 5000 + len(xy)}, 1.0)
        assert (tile in changes.since) is due
