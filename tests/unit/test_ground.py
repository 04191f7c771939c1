"""The ground: surfaces, levels, bridges, spans, and what is taken away."""

import numpy as np
import pytest
from scipy.ndimage import maximum_filter
from scipy.stats import truncnorm

from terrain.data import Cloud, Patches, PatchMasks, Segmentation
from terrain.ground import clipped
from terrain.ground.build import build_ground
from terrain.ground.columns import columns_of, mark_tiles_of
from terrain.ground.levels import under_counts
from terrain.ground.surfaces import GroundSettings, Returns, proven_roughness
from terrain.kernels.ground import highest, merge_spans, pierced, thin_columns
from terrain.segment.patches import segment_planes
from terrain.segment.regions import SegmentSettings
from tests.support.clouds import fused, level_top

CELL = 0.01
LIMITS = {"joint_m": 0.05, "drop_m": 0.02}
SD = 0.004
ABOVE = (0.2, 0.1, 6.0)


def seen_cloud(*parts):
    """Points, each part seen from a place of its own (or from far off along one direction), as one cloud."""
    xyz = np.concatenate([p for p, _ in parts])
    view = np.concatenate([np.broadcast_to(np.asarray(eye, dtype=np.float32), p.shape) for p, eye in parts])
    sd = np.full(len(xyz), SD, dtype=np.float32)
    return Cloud(xyz, None, view.astype(np.float32), sd, np.full(len(xyz), 0.001, np.float32), np.zeros(3))


def level_patches(cloud, point_patch, *tops, up=True):
    """Level patches by hand: each top is its height, and its cells as (ix0, ix1, iy0, iy1) from (-0.64, -0.64)."""
    up = np.broadcast_to(up, len(tops))
    sign = np.where(up, 1.0, -1.0)
    z = np.array([t[0] for t in tops])
    box = np.array([t[1] for t in tops])
    nx, ny = box[:, 1] - box[:, 0], box[:, 3] - box[:, 2]
    p = len(tops)
    normal = np.column_stack([np.zeros((p, 2)), sign])
    middle = -0.64 + CELL * 0.5 * np.column_stack([box[:, 0] + box[:, 1], box[:, 2] + box[:, 3]])
    patches = Patches(
        origin_m=np.zeros(3),
        normal=normal,
        offset_m=z * sign,
        centre_m=np.column_stack([middle, z]),
        slope_sd_rad=np.full(p, 0.001),
        height_sd_m=np.full(p, 0.001),
        roughness_m=np.zeros(p),
        residual_m=np.full(p, SD),
        noise_m=np.full(p, SD),
        points=np.bincount(point_patch[point_patch >= 0], minlength=p),
        area_m2=nx * ny * CELL**2,
        upward=up,
        outline=(None,) * p,
    )
    offset = np.concatenate([[0], np.cumsum(nx * ny)])
    cells = np.ones(offset[-1], dtype=np.uint8)
    masks = PatchMasks(-0.64, -0.64, CELL, box[:, 0], box[:, 2], nx, ny, offset, cells)
    return Segmentation(patches, masks, np.asarray(point_patch, dtype=np.int32))


def top(seed, box, z, *, per_cell=4.0):
    """Points scattered over the cells (ix0, ix1, iy0, iy1) with the range noise upright."""
    rng = np.random.default_rng(seed)
    x0, x1, y0, y1 = (-0.64 + CELL * np.array(box)).tolist()
    xyz = level_top(rng, (x0, x1), (y0, y1), z, per_m2=per_cell / CELL**2)
    xyz[:, 2] += rng.normal(0.0, SD, len(xyz))
    return xyz


def columns_in(ground, ix, iy):
    """Columns of cells counted from (-0.64, -0.64), wherever the grid begins."""
    shift = [round((-0.64 - corner) / CELL) for corner in (ground.grid.x0_m, ground.grid.y0_m)]
    return columns_of(ground.grid, np.asarray(ix) + shift[0], np.asarray(iy) + shift[1])


def surfaces_at(ground, ix, iy):
    """Rows of the surfaces in a cell."""
    c = int(columns_in(ground, ix, iy))
    return np.arange(ground.first[c], ground.first[c + 1])


def spans_at(ground, ix, iy):
    c = int(columns_in(ground, ix, iy))
    own = slice(ground.span_first[c], ground.span_first[c + 1])
    z0 = ground.grid.z0_m
    return [(z0 + a, z0 + b) for a, b in zip(ground.span_low_m[own], ground.span_high_m[own], strict=True)]


def raster(ground, box):
    """How many surfaces each cell of a box holds, (ny, nx)."""
    iy, ix = np.mgrid[box[2] : box[3], box[0] : box[1]]
    return np.diff(ground.first)[columns_in(ground, ix, iy)]


FLOOR = (10, 70, 10, 60)


# Levels


def test_floor_and_deck_are_two_levels():
    floor, deck = top(1, (10, 100, 10, 80), 0.0, per_cell=1.5), top(2, (50, 100, 10, 80), 0.8, per_cell=1.5)
    cloud = seen_cloud((floor, (-3.0, 0.0, 0.6)), (deck, ABOVE))
    ground, report = build_ground(cloud, segment_planes(cloud, joint_m=0.05), **LIMITS)
    assert ground.levels == 2
    assert sorted(report.patch_level) == [0, 1]
    for ix, wanted in ((30, [(0, 0.0)]), (75, [(0, 0.0), (1, 0.8)])):
        rows = surfaces_at(ground, ix, 45)
        found = [(int(ground.level[r]), float(ground.height_m[r] + ground.grid.z0_m)) for r in rows]
        assert [m for m, _ in found] == [m for m, _ in wanted]
        assert [z for _, z in found] == pytest.approx([z for _, z in wanted], abs=0.002)
    assert ground.walkable.all()
    assert report.pierced_cells == 0


def test_a_step_is_no_level():
    low, high = (10, 40, 10, 60), (40, 70, 10, 60)
    cloud = seen_cloud((top(3, low, 0.0), ABOVE), (top(4, high, 0.17), ABOVE))
    part = np.repeat([0, 1], [6000, 6000])
    ground, report = build_ground(cloud, level_patches(cloud, part, (0.0, low), (0.17, high)), **LIMITS)
    assert report.patch_level == (0, 0)
    assert ground.levels == 1


def test_loose_ground_over_a_floor_is_a_level_above():
    heap = (20, 40, 20, 50)
    cloud = seen_cloud((top(5, FLOOR, 0.0), (-3.0, 0.0, 0.3)), (top(6, heap, 0.5), ABOVE))
    part = np.repeat([0, -1], [12_000, 2400])
    ground, _ = build_ground(cloud, level_patches(cloud, part, (0.0, FLOOR)), **LIMITS)
    rows = surfaces_at(ground, 30, 35)
    assert ground.level[rows].tolist() == [0, 1]
    assert ground.patch_id[rows].tolist() == [0, -1]
    assert ground.height_m[rows] + ground.grid.z0_m == pytest.approx([0.0, 0.5], abs=0.006)


# Undersides


@pytest.mark.parametrize("claimed", [True, False])
def test_an_underside_is_no_surface_but_a_span(claimed):
    hull = (20, 60, 20, 50)
    eye = (-0.3, -0.2, 0.8)
    cloud = seen_cloud((top(7, FLOOR, 0.0), eye), (top(8, hull, 1.5), eye))
    part = np.repeat([0, 1 if claimed else -1], [12_000, 4800])
    tops = ((0.0, FLOOR), (1.5, hull)) if claimed else ((0.0, FLOOR),)
    segmentation = level_patches(cloud, part, *tops, up=[True, False][: len(tops)])
    ground, _ = build_ground(cloud, segmentation, **LIMITS)
    assert (raster(ground, (22, 58, 22, 48)) == 1).all()
    assert (ground.height_m + ground.grid.z0_m < 0.1).all()
    (low, high), *more = spans_at(ground, 40, 35)
    assert not more
    assert 1.5 - 4 * SD < low <= high < 1.5 + 4 * SD
    assert spans_at(ground, 15, 15) == []


def test_the_segmentation_tells_an_underside_from_a_deck():
    eye = (-0.3, -0.2, 0.8)
    floor, hull = top(9, (10, 90, 10, 80), 0.0, per_cell=1.5), top(10, (20, 80, 20, 70), 1.5, per_cell=1.5)
    cloud = seen_cloud((floor, eye), (hull, eye))
    ground, _ = build_ground(cloud, segment_planes(cloud, joint_m=0.05), **LIMITS)
    assert ground.levels == 1
    assert (ground.height_m + ground.grid.z0_m < 0.1).all()
    (low, high), *_ = spans_at(ground, 50, 45)
    assert [low, high] == pytest.approx([1.5, 1.5], abs=0.005)


def test_without_viewpoints_what_covers_most_of_the_floor_is_a_lid():
    floor = top(11, FLOOR, 0.0)
    lid = (10, 70, 10, 50)
    cloud = fused(np.concatenate([floor, top(12, lid, 2.4)]), sd=SD)
    part = np.repeat([0, 1], [12_000, 9600])
    ground, report = build_ground(cloud, level_patches(cloud, part, (0.0, FLOOR), (2.4, lid)), **LIMITS)
    high = ground.height_m + ground.grid.z0_m > 2.0
    assert high.sum() >= 60 * 40
    assert not ground.walkable[high].any()
    assert ground.walkable[~high].all()
    assert len(report.warnings) == 1 and "ceiling" in report.warnings[0]


def test_without_viewpoints_a_small_deck_stays_ground_with_a_warning():
    deck = (10, 30, 10, 50)
    cloud = fused(np.concatenate([top(13, FLOOR, 0.0), top(14, deck, 2.4)]), sd=SD)
    part = np.repeat([0, 1], [12_000, 3200])
    ground, report = build_ground(cloud, level_patches(cloud, part, (0.0, FLOOR), (2.4, deck)), **LIMITS)
    assert ground.walkable.all()
    assert len(report.warnings) == 1 and "undersides" in report.warnings[0]


# What beams say against a mask


@pytest.mark.parametrize("lean", [0.0, 1.0])
def test_a_surface_that_beams_cross_is_taken_away(lean):
    """Beams cross an opening that a mask closed over, upright or at 45 degrees, and meet the floor 0.2 m below."""
    deck, hole, high = (10, 90, 10, 60), (40, 55, 25, 45), 0.2
    shift = round(lean * high / CELL)
    on_deck = top(15, deck, high)
    cell = np.floor((on_deck[:, :2] + 0.64) / CELL)
    inside = (cell[:, 0] >= 40) & (cell[:, 0] < 55) & (cell[:, 1] >= 25) & (cell[:, 1] < 45)
    on_deck = on_deck[~inside]
    beneath = (hole[0] - shift, hole[1] - shift, *hole[2:])
    floor = top(16, beneath, 0.0, per_cell=16.0)
    far = (100.0 * lean, 0.0, 100.0)
    cloud = seen_cloud((on_deck, far), (floor, floor + far))
    part = np.repeat([0, -1], [len(on_deck), len(floor)])
    ground, report = build_ground(cloud, level_patches(cloud, part, (high, deck)), joint_m=0.03, drop_m=0.02)

    def deck_cells(box):
        return np.array(
            [
                [
                    (ground.height_m[surfaces_at(ground, ix, iy)] + ground.grid.z0_m > 0.1).any()
                    for ix in range(*box[:2])
                ]
                for iy in range(*box[2:])
            ]
        )

    assert not deck_cells((41, 54, 26, 44)).any()
    assert deck_cells((12, 38, 12, 58)).all() and deck_cells((58, 88, 12, 58)).all()
    assert report.pierced_cells == pytest.approx(15 * 20, rel=0.1)


def test_a_floor_seen_past_an_edge_takes_nothing_away():
    deck, floor = (10, 50, 10, 60), (50, 90, 10, 60)
    cloud = seen_cloud((top(17, deck, 0.2), ABOVE), (top(18, floor, 0.0), (3.0, 0.0, 6.0)))
    part = np.repeat([0, 1], [8000, 8000])
    _, report = build_ground(cloud, level_patches(cloud, part, (0.2, deck), (0.0, floor)), **LIMITS)
    assert report.pierced_cells == 0


# Bridges


@pytest.mark.parametrize(("gap", "bridged"), [(2, True), (4, True), (6, False), (9, False)])
@pytest.mark.parametrize("depth", [None, 0.1])
def test_only_an_opening_narrower_than_a_joint_is_bridged(gap, bridged, depth):
    """joint_m is 50 mm, five cells; the opening is bare, or a groove 0.1 m deep."""
    left, right = (10, 40, 10, 60), (40 + gap, 70, 10, 60)
    groove = (40, 40 + gap, 10, 60)
    boxes = [(0.0, left), (0.0, right)] + ([(-depth, groove)] if depth else [])
    points = [top(20 + k, box, z) for k, (z, box) in enumerate(boxes)]
    cloud = seen_cloud(*((p, ABOVE) for p in points))
    part = np.repeat(np.arange(len(boxes)), [len(p) for p in points])
    ground, _ = build_ground(cloud, level_patches(cloud, part, *boxes), **LIMITS)
    for ix in range(40, 40 + gap):
        rows = surfaces_at(ground, ix, 35)
        over = rows[np.abs(ground.height_m[rows] + ground.grid.z0_m) < 0.01]
        assert len(over) == bridged
        assert not ground.carries[over].any() and not ground.seen[over].any()
    for ix in (39, 40 + gap):
        assert ground.carries[surfaces_at(ground, ix, 35)].all()


@pytest.mark.parametrize(("gap", "bridged"), [(2, True), (4, True), (6, False)])
@pytest.mark.parametrize("step", [0.0, 0.015, 0.2])
def test_an_opening_between_two_levels_is_bridged_where_they_meet(gap, bridged, step):
    """Something was seen under the right one, so that it is a level above the left one, which it meets."""
    left, right, under = (10, 40, 10, 60), (40 + gap, 70, 10, 60), (44 + gap, 70, 10, 60)
    boxes = [(0.0, left), (step, right), (-0.8, under)]
    points = [top(40 + k, box, z) for k, (z, box) in enumerate(boxes)]
    cloud = seen_cloud(*((p, ABOVE) for p in points))
    part = np.repeat(np.arange(3), [len(p) for p in points])
    ground, report = build_ground(cloud, level_patches(cloud, part, *boxes), **LIMITS)
    assert report.patch_level == (0, 1, 0)
    for ix in range(40, 40 + gap):
        over = surfaces_at(ground, ix, 35)
        assert (len(over) > 0) == (bridged and step < 0.05)
        assert not ground.carries[over].any() and not ground.seen[over].any()


def test_a_groove_shallower_than_the_drop_is_no_opening():
    left, right, groove = (10, 40, 10, 60), (43, 70, 10, 60), (40, 43, 10, 60)
    boxes = [(0.0, left), (0.0, right), (-0.01, groove)]
    points = [top(30 + k, box, z) for k, (z, box) in enumerate(boxes)]
    cloud = seen_cloud(*((p, ABOVE) for p in points))
    part = np.repeat(np.arange(3), [len(p) for p in points])
    ground, _ = build_ground(cloud, level_patches(cloud, part, *boxes), **LIMITS)
    assert ground.carries.all()


# Roughness


def returns_of(seed, shape, sd, height, *, per_cell=3.0, stated=None):
    """Returns at random places of a surface z = height(x) with normal noise, gathered by cell.

    Those that the noise takes further than the segmentation's cut from the surface are left out, as it leaves them out.
    """
    rng = np.random.default_rng(seed)
    hits = rng.poisson(per_cell, shape)
    where = np.repeat(np.arange(hits.size), hits.ravel())
    x = (where % shape[1] + rng.random(len(where))) * CELL
    noise = rng.normal(0.0, sd, len(where))
    near = np.abs(noise) < SegmentSettings().cut * (stated or sd)
    where, e = where[near], (height(x) + noise)[near]
    sums = [np.bincount(where, w, minlength=hits.size).reshape(shape) for w in (np.ones(len(e)), e, e**2)]
    return Returns(*sums)


@pytest.mark.parametrize("stated", [0.008, 0.020])
@pytest.mark.parametrize("seed", range(3))
def test_white_noise_is_no_roughness(seed, stated):
    returns = returns_of(seed, (70, 80), 0.008, np.zeros_like, stated=stated)
    rough = proven_roughness(returns, np.zeros((70, 80)), stated, GroundSettings())
    assert (rough == 0).mean() > 0.95
    # Five sd of a mean square over the few returns in a corner's quarter window: 5 sqrt(2 / 190) of 0.008 squared.
    assert rough.max() < 0.0057


@pytest.mark.parametrize("times", [1.3, 1.6])
@pytest.mark.parametrize("seed", range(3))
def test_what_is_finer_than_the_returns_are_apart_is_told_by_their_scatter(seed, times):
    """Variances add: returns that scatter so many times the stated 6 mm are rough by sqrt(times^2 - 1) of it."""
    returns = returns_of(seed, (70, 80), times * 0.006, np.zeros_like, stated=0.006)
    rough = proven_roughness(returns, np.zeros((70, 80)), 0.006, GroundSettings())
    assert np.median(rough) == pytest.approx(0.006 * np.sqrt(times**2 - 1.0), rel=0.1)


@pytest.mark.parametrize("times", [0.4, 0.8, 1.0, 1.5, 1.9])
def test_the_whole_variance_is_that_of_the_normal_distribution_before_it_was_cut(times):
    """Against `scipy.stats.truncnorm`; beyond twice the stated sd the answer stays at that."""
    within = truncnorm(-SegmentSettings().cut / times, SegmentSettings().cut / times, scale=times).var()
    assert clipped.whole_variance(within) == pytest.approx(times**2, rel=1e-3)
    assert clipped.whole_variance(10.0) == pytest.approx(4.0)


def test_the_sd_of_a_whole_variance_is_what_estimates_of_it_scatter_by():
    """2,000 estimates from 400 values each, drawn by `scipy.stats.truncnorm`."""
    cut = SegmentSettings().cut
    drawn = truncnorm(-cut, cut).rvs((2000, 400), random_state=5)
    estimates = clipped.whole_variance((drawn**2).mean(axis=1))
    assert estimates.std() == pytest.approx(float(clipped.sd_of_whole(400)), rel=0.07)


def test_the_cut_is_that_of_the_segmentation():
    assert clipped.CUT == SegmentSettings().cut


@pytest.mark.parametrize("stated", [0.005, 0.020])
@pytest.mark.parametrize("seed", range(3))
def test_a_sine_is_as_rough_as_its_root_mean_square(seed, stated):
    """A sine of 10 mm departs 10 / sqrt(2) mm; its wave is as long as the window, so that each window holds one."""
    wave = GroundSettings().rough_cells * CELL
    returns = returns_of(seed, (70, 80), 0.005, lambda x: 0.010 * np.sin(2 * np.pi * x / wave))
    rough = proven_roughness(returns, np.zeros((70, 80)), stated, GroundSettings())
    inner = rough[10:-10, 10:-10]
    assert np.median(inner) == pytest.approx(0.010 / np.sqrt(2), abs=0.0004)
    assert np.abs(inner - 0.010 / np.sqrt(2)).max() < 0.0015


def test_what_the_stored_heights_show_is_no_roughness():
    returns = returns_of(40, (70, 80), 0.004, lambda x: np.full_like(x, 0.012))
    rough = proven_roughness(returns, np.full((70, 80), 0.012), 0.004, GroundSettings())
    assert (rough == 0).mean() > 0.95
    flat = proven_roughness(returns, np.zeros((70, 80)), 0.004, GroundSettings())
    assert np.median(flat) == pytest.approx(0.012, abs=0.0005)


def test_no_returns_prove_nothing():
    none = np.zeros((30, 30))
    assert not proven_roughness(Returns(none, none, none), none, 0.01, GroundSettings()).any()


# Kernels


def test_merge_spans_is_a_plain_loop():
    rng = np.random.default_rng(41)
    column = np.sort(rng.integers(0, 40, 300))
    low = rng.uniform(0, 2, 300).astype(np.float32)
    order = np.lexsort((low, column))
    column, low = column[order], low[order]
    high = low + rng.uniform(0, 0.1, 300).astype(np.float32)
    gap = np.float32(0.06)
    first, found_low, found_high = merge_spans(column, low, high, 45, gap)
    wanted = []
    for c in range(45):
        spans = []
        for a, b in zip(low[column == c], high[column == c], strict=True):
            if spans and a - spans[-1][1] <= gap:
                spans[-1][1] = max(spans[-1][1], b)
            else:
                spans.append([a, b])
        wanted.append(spans)
    assert first.tolist() == np.concatenate([[0], np.cumsum([len(s) for s in wanted])]).tolist()
    assert np.column_stack([found_low, found_high]).tolist() == [s for spans in wanted for s in spans]
    assert len(found_low) < 300


def test_under_counts_are_pairs_by_column():
    rng = np.random.default_rng(42)
    count = rng.integers(0, 4, 60)
    first = np.concatenate([[0], np.cumsum(count)])
    height = np.concatenate([np.sort(rng.uniform(0, 1, n)) for n in count]).astype(np.float32)
    patch = rng.integers(-1, 4, len(height)).astype(np.int32)
    wanted = {}
    for c in range(60):
        rows = range(first[c], first[c + 1])
        for pair in [(patch[a], patch[b]) for a in rows for b in rows if height[b] - height[a] > 0.25]:
            if min(pair) >= 0 and pair[0] != pair[1]:
                wanted[pair] = wanted.get(pair, 0) + 1
    found = under_counts(first, height, patch, 4, 0.25)
    assert {(a, b): n for a, b, n in found} == wanted


def test_of_two_surfaces_close_together_the_higher_stays():
    first = np.array([0, 2, 4, 6, 7])
    height = np.float32([0.0, 0.01, 0.0, 0.01, 0.0, 0.5, 0.2])
    seen = np.uint8([9, 9, 9, 0, 9, 0, 0])
    kept = thin_columns(first, height, seen, 0.03)
    assert kept.tolist() == [False, True, True, False, True, True, True]


def test_pierced_is_a_plain_walk_along_every_beam():
    """Steep and level beams over floors, decks and gaps, with rows of tiles and blocks that hold nothing."""
    rng = np.random.default_rng(43)
    tile_slot = np.array([[0, -1, 1], [2, 3, -1]], dtype=np.int32)
    counts = np.zeros(4 * 4096, dtype=np.int64)
    for slot in range(4):
        inner = rng.integers(0, 3, (64, 64))
        inner[16:32, 32:48] = 0
        counts[slot * 4096 : (slot + 1) * 4096] = inner.ravel()
    first = np.concatenate([[0], np.cumsum(counts)])
    column = np.repeat(np.arange(len(counts)), counts)
    height = rng.choice([0.5, 0.55, 0.7, 1.0], len(column)).astype(np.float32)
    height[column >> 12 == 2] -= np.float32(0.4)
    height = height[np.lexsort((height, column))]
    patch_id = rng.integers(-1, 5, len(column)).astype(np.int32)
    n = 3000
    xyz = np.column_stack([rng.uniform(-0.1, 2.0, n), rng.uniform(-0.1, 1.4, n), rng.uniform(0.0, 1.2, n)])
    far = rng.uniform([-3.0, -3.0, -0.2], [3.0, 3.0, 3.0], (n, 3))
    far[: n // 20, :2] = 0.0
    own = rng.integers(-2, 5, n).astype(np.int32)
    view = (xyz + far).astype(np.float32)
    rise, reach = 0.35, 0.5
    top_of, block = highest(first, height, tile_slot)
    found = np.zeros(len(height), dtype=np.int32)
    pierced(
        0, n, xyz, view, np.zeros(3), own, 0.0, 0.0, 0.0, CELL, tile_slot, first, height, patch_id, top_of, block,
        rise, reach, found,
    )  # fmt: skip
    wanted = np.zeros(len(height), dtype=int)
    for i in range(n):
        beam = view[i].astype(np.float64) - xyz[i]
        flat = float(np.hypot(*beam[:2]))
        if own[i] == -2 or beam[2] <= 0.0:
            continue
        steps = int(min(flat, reach, rise * flat / beam[2]) / CELL) + 1 if flat > 0.0 else 1
        along, up = (beam[:2] / flat, beam[2] / flat * CELL) if flat > 0.0 else (np.zeros(2), rise)
        at, z = xyz[i, :2] / CELL, xyz[i, 2]
        for _ in range(steps):
            ix, iy = np.floor(at).astype(int)
            if 0 <= ix < 192 and 0 <= iy < 128 and tile_slot[iy // 64, ix // 64] >= 0:
                c = int(tile_slot[iy // 64, ix // 64]) * 4096 + iy % 64 * 64 + ix % 64
                for k in range(first[c], first[c + 1]):
                    low, high = max(z, xyz[i, 2] + 0.03), min(z + up, xyz[i, 2] + rise)
                    wanted[k] += low < height[k] <= high and patch_id[k] != own[i]
            at, z = at + along, z + up
    assert wanted.sum() > 100
    assert found.tolist() == wanted.tolist()


def test_tiles_are_taken_where_a_mask_is_and_not_over_its_box() -> None:
    """A thin diagonal of 600 cells: the ten tiles along it, and those at whose corners it passes close by."""
    window = np.eye(600, dtype=np.uint8)
    taken = np.zeros((12, 12), dtype=bool)
    mark_tiles_of(window, 30, 30, taken)
    near = np.zeros((768, 768), dtype=bool)
    near[30:630, 30:630] = window > 0
    held = near.reshape(12, 64, 12, 64).any(axis=(1, 3))
    wide = maximum_filter(near, 2 * 31 + 1).reshape(12, 64, 12, 64).any(axis=(1, 3))
    assert taken[held].all()
    assert not taken[~wide].any()
