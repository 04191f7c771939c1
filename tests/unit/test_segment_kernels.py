"""The kernels of the segmentation against plain NumPy and SciPy."""

import numba
import numpy as np
import pytest
from scipy.ndimage import (
    distance_transform_edt,
    gaussian_filter,
    maximum_filter,
    maximum_filter1d,
    minimum_filter1d,
    uniform_filter,
)

from terrain.kernels import assign, joints, masks, pieces, regions, strips, voxels
from terrain.kernels.neighbours import near_voxels
from terrain.segment.masks import blurred
from terrain.segment.ransac import trial_count

NOTHING = np.zeros(3)


def some_points(seed, n, spread):
    """Points, sensor positions relative to an origin, and sds along and across the beam."""
    rng = np.random.default_rng(seed)
    origin = np.array([100.0, -40.0, 7.0])
    xyz = origin + rng.uniform(-spread, spread, (n, 3))
    view = (rng.normal(0.0, 3.0, (n, 3))).astype(np.float32)
    sd = rng.uniform(0.002, 0.02, n).astype(np.float32)
    cross = rng.uniform(0.0, 0.01, n).astype(np.float32)
    return xyz, view, sd, cross, origin


def moments_of(xyz, beam, sd, cross):
    """The moment row of points about the origin, written out."""
    unit = beam / np.linalg.norm(beam, axis=1, keepdims=True)
    products = [(xyz[:, a] * xyz[:, b]).sum() for a, b in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))]
    squares = [np.sum(np.square(sd, dtype=np.float64)), np.sum(np.square(cross, dtype=np.float64))]
    return np.array([len(xyz), *xyz.sum(axis=0), *products, *unit.sum(axis=0), *squares])


def a_row(seed, n=40, offset=0.0):
    rng = np.random.default_rng(seed)
    xyz = rng.normal([0.0, 0.0, offset], [0.02, 0.02, 0.006], (n, 3))
    beam = rng.normal([0.4, 0.1, -1.0], 0.3, (n, 3))
    sd, cross = rng.uniform(0.004, 0.01, n), rng.uniform(0.001, 0.003, n)
    return xyz, beam, sd, cross


def unit(x, y, z):
    return np.array([x, y, z]) / np.linalg.norm([x, y, z])


# Voxels


@pytest.mark.parametrize(("n", "spread"), [(500, 0.1), (45_000, 1.5)])
@pytest.mark.parametrize("has_view", [True, False])
def test_voxels_are_numpys_groups(n, spread, has_view):
    xyz, view, sd, cross, origin = some_points(1, n, spread)
    size = 0.05
    low, keys, start, order, points, _ = voxels.voxelise(xyz, view, has_view, sd, cross, origin, size)
    up = (xyz[:, 2] - origin[2] > view[:, 2]).astype(np.int64) * has_view
    wanted = np.column_stack([np.floor((xyz - low) / size).astype(np.int64), up])
    distinct, number = np.unique(wanted, axis=0, return_inverse=True)
    assert (np.column_stack([voxels.cells_of(keys), keys & 1]) == distinct).all()
    assert (order == np.argsort(number.reshape(-1), kind="stable")).all()
    assert (np.diff(start) == np.bincount(number.reshape(-1))).all()
    assert start[0] == 0
    beam = xyz - origin - view
    beam *= has_view / np.linalg.norm(beam, axis=1, keepdims=True)
    for found, given in zip(points, (xyz, beam, sd, cross), strict=True):
        assert found == pytest.approx(given[order], rel=1e-12, abs=0.0)
    assert not has_view or (up.any() and not up.all())


def test_a_cloud_wider_than_keys_can_number_has_no_voxels():
    xyz, view, sd, cross, origin = some_points(2, 300, 0.1)
    xyz[7, 1] += (1 << 20) * 0.05
    assert voxels.voxelise(xyz, view, True, sd, cross, origin, 0.05) is None


@pytest.mark.parametrize("bits", [1, 9, 11, 12, 23, 40, 61])
def test_radix_sort_is_a_stable_argsort(bits):
    given = np.random.default_rng(4).integers(0, 1 << bits, 4000)
    given[::3] = given[0]
    keys, order = voxels.radix_sort(given.copy(), bits)
    assert (order == np.argsort(given, kind="stable")).all()
    assert (keys == np.sort(given)).all()


def test_moments_are_direct_sums():
    xyz, view, sd, cross, origin = some_points(5, 2000, 0.1)
    low, keys, start, order, _, found = voxels.voxelise(xyz, view, True, sd, cross, origin, 0.05)
    middle = low + (voxels.cells_of(keys) + 0.5) * 0.05
    for k in range(len(keys)):
        own = order[start[k] : start[k + 1]]
        beam = xyz[own] - origin - view[own]
        assert found[k] == pytest.approx(moments_of(xyz[own] - middle[k], beam, sd[own], cross[own]), rel=1e-6)
    given = voxels.points_of(xyz, np.zeros((1, 3), dtype=np.float32), sd, cross)
    blind = voxels.voxel_moments(voxels.gathered(order, given, False, origin), start, middle)
    assert (blind[:, 10:13] == 0).all()
    assert (blind[:, :10] == found[:, :10]).all()


def test_moments_of_parts_are_direct_sums():
    xyz, view, sd, cross, origin = some_points(5, 2000, 0.1)
    part = np.random.default_rng(5).integers(-1, 30, len(xyz)).astype(np.int32)
    part[part == 17] = -1
    low = origin - 0.2
    points = voxels.points_of(xyz, view, sd, cross)
    middle, found = voxels.part_moments(points, True, part, 30, low, origin)
    for k in range(30):
        own = part == k
        if k == 17:
            assert (found[k] == 0).all()
            continue
        assert middle[k] == pytest.approx((xyz[own] - low).mean(axis=0), rel=1e-12)
        beam = xyz[own] - origin - view[own]
        wanted = moments_of(xyz[own] - xyz[own].mean(axis=0), beam, sd[own], cross[own])
        assert found[k] == pytest.approx(wanted, rel=1e-6, abs=1e-10)


def test_add_shifted_is_the_sum_over_moved_points():
    first, second = a_row(6), a_row(7, n=25)
    shift = np.array([0.05, -0.1, 0.02])
    total = moments_of(*first)
    voxels.add_shifted(total, moments_of(*second), *shift)
    moved = moments_of(second[0] + shift, *second[1:])
    assert total == pytest.approx(moments_of(*first) + moved, rel=1e-12)


@pytest.mark.parametrize("kind", ["full", "flat", "needle", "diagonal", "equal"])
def test_smallest_axis_is_eighs(kind):
    rng = np.random.default_rng(8)
    scale = {"full": (1, 0.5, 0.2), "flat": (1, 1, 1e-8), "needle": (1, 1e-8, 1e-9), "diagonal": (3, 1, 2)}
    for _ in range(20):
        turn = np.eye(3) if kind in ("diagonal", "equal") else np.linalg.qr(rng.normal(size=(3, 3)))[0]
        matrix = turn @ np.diag(scale.get(kind, (2.0, 2.0, 2.0))) @ turn.T
        matrix = 0.5 * (matrix + matrix.T)
        low, mid, top, *axis = voxels.smallest_axis(*matrix[0], matrix[1, 1], matrix[1, 2], matrix[2, 2])
        values, vectors = np.linalg.eigh(matrix)
        assert [low, mid, top] == pytest.approx(values, abs=1e-14)
        assert np.linalg.norm(axis) == pytest.approx(1.0, abs=1e-12)
        assert matrix @ axis == pytest.approx(low * np.array(axis), abs=1e-14)
        if kind in ("full", "flat", "diagonal"):
            assert abs(vectors[:, 0] @ axis) == pytest.approx(1.0, abs=1e-12)


def test_plane_of_moments_is_the_plane_of_the_points():
    xyz, beam, sd, cross = a_row(9)
    low, mid, *normal, offset = voxels.plane_of(moments_of(xyz, beam, sd, cross))
    values, vectors = np.linalg.eigh(np.cov(xyz.T, bias=True))
    assert [low, mid] == pytest.approx(values[:2], rel=1e-9)
    assert abs(vectors[:, 0] @ normal) == pytest.approx(1.0, abs=1e-12)
    assert offset == pytest.approx(np.array(normal) @ xyz.mean(axis=0), abs=1e-12)


# Regions


@pytest.mark.parametrize("seed", range(5))
def test_mean_square_is_that_of_the_residuals(seed):
    rng = np.random.default_rng(seed)
    points = a_row(seed)
    normal, offset = unit(*rng.normal(size=3)), rng.normal(0.0, 0.02)
    direct = np.mean((points[0] @ normal - offset) ** 2)
    assert regions.mean_square(moments_of(*points), *normal, offset) == pytest.approx(direct, rel=1e-9)


def test_msac_is_the_direct_sum():
    """Torr and Zisserman, Comput. Vis. Image Underst. 78(1), 2000 (from memory): min(r2, cut2), here by voxel."""
    normal, d, cut2, floor2 = unit(0.05, -0.02, 1.0), 0.003, 4.0, 0.002**2
    groups = [a_row(k, n=10 + k, offset=0.008 * (k % 4)) for k in range(12)]
    groups[2] = (groups[2][0], -groups[2][1], *groups[2][2:])
    centre = np.random.default_rng(10).uniform(-0.1, 0.1, (12, 3)) * [1, 1, 0]
    rows = np.array([moments_of(*g) for g in groups])
    nbr = np.array([2, 3, 4, 5, 6, 7, 8, 10, 11], dtype=np.int32)
    cost = inliers = 0.0
    for j in nbr[:8]:
        xyz, beam, sd, cross = groups[j]
        mean_beam = (beam / np.linalg.norm(beam, axis=1, keepdims=True)).mean(axis=0)
        c2 = (normal @ mean_beam) ** 2 / (mean_beam @ mean_beam)
        noise = np.mean(sd**2) * c2 + np.mean(cross**2) * (1 - c2) + floor2
        ratio = np.mean(((xyz + centre[j]) @ normal - d) ** 2) / noise
        fits = ratio < cut2 and normal @ mean_beam <= 0
        cost += len(xyz) * (ratio if fits else cut2)
        inliers += len(xyz) * fits
    table = np.empty((rows.shape[1] + 3) * regions.WIDE)
    regions.lay_out(nbr, 8, centre, rows, table)
    found = regions.msac(table, 8, *normal, d, cut2, floor2, np.empty(regions.WIDE))
    assert found == pytest.approx((cost, inliers), rel=1e-9)
    assert 0 < inliers < sum(len(groups[j][0]) for j in nbr[:8]) - len(groups[2][0])


@pytest.mark.parametrize("success", [0.5, 0.9, 0.99, 0.999])
@pytest.mark.parametrize("share", [0.0, 1e-6, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.999, 1.0])
def test_trials_in_the_kernel_are_the_published_ones(success, share):
    """Fischler and Bolles, Comm. ACM 24(6), 1981: k = ln(1 - p) / ln(1 - w^n)."""
    for cap in (64, 10_000):
        wanted = min(trial_count(success, share, 3, cap=cap), cap)
        assert regions.trials_needed(success, share, 3, cap) == wanted


def test_random_numbers_are_the_published_xorshift():
    """Marsaglia, J. Stat. Soft. 8(14), 2003: shifts 13, 7, 17 on 64 bits, and his starting value."""
    state = wanted = 88172645463325252
    drawn = []
    for _ in range(600):
        state = int(regions.next_random(np.uint64(state)))
        wanted ^= wanted << 13 & (1 << 64) - 1
        wanted ^= wanted >> 7
        wanted ^= wanted << 17 & (1 << 64) - 1
        assert state == wanted
        drawn.append(state % 20)
    counts = np.bincount(drawn, minlength=20)
    assert ((counts - 30) ** 2 / 30).sum() < 50  # chi squared, 19 degrees of freedom, p = 1e-4


# Points to planes


def laid_out(xyz, view, has_view, sd, cross, origin):
    low, keys, start, order, points, _ = voxels.voxelise(xyz, view, has_view, sd, cross, origin, 0.05)
    return low, voxels.cells_of(keys), start, order, points, near_voxels(keys)


def by_row(order, values):
    out = np.empty_like(values)
    out[order] = values
    return out


def test_majority_is_bincounts():
    rng = np.random.default_rng(11)
    group, part = rng.integers(0, 60, 500).astype(np.int32), rng.integers(-1, 4, 500).astype(np.int32)
    part[group == 7] = -1
    group.sort()
    found = assign.majority(np.searchsorted(group, np.arange(63)), part)
    for k in range(62):
        counts = np.bincount(part[(group == k) & (part >= 0)], minlength=4)
        assert found[k] == (np.argmax(counts) if counts.any() else -1)


@pytest.mark.parametrize("has_view", [True, False])
def test_points_go_to_the_plane_they_fit_best(has_view):
    rng = np.random.default_rng(12)
    n = 3000
    x, y = rng.uniform(-0.3, 0.3, (2, n))
    slope = 0.35
    xyz = np.column_stack([x, y, np.maximum(0.0, slope * x) + rng.normal(0.0, 0.012, n)])
    origin = np.zeros(3)
    view = np.tile(np.float32([-1.0, 0.2, 2.0]), (n, 1))
    view[::10, 2] = -2.0
    sd, cross = np.full(n, 0.008, np.float32), rng.uniform(0.001, 0.01, n).astype(np.float32)
    low, cell, start, order, points, near = laid_out(xyz, view, has_view, sd, cross, origin)
    normals = np.array([[0.0, 0.0, 1.0], unit(-slope, 0.0, 1.0)])
    planes = np.column_stack([normals, -normals @ low])
    centre = low + (cell + 0.5) * 0.05
    label = np.where(centre[:, 0] < -0.05, 0, np.where(centre[:, 0] > 0.05, 1, -1)).astype(np.int32)
    prefer = np.where(rng.random(n) < 0.2, rng.integers(0, 2, n), -1).astype(np.int32)
    floor2, cut, own = 0.002**2, 2.5, 1.0
    found, _ = assign.assign_points(
        points, has_view, start, near, label, planes, np.zeros((2, 3)), low, floor2, cut, own, prefer[order]
    )
    found = by_row(order, found)
    beam = xyz - view
    beam /= np.linalg.norm(beam, axis=1, keepdims=True)
    c = beam @ normals.T
    c2 = c**2 if has_view else np.ones((n, 2))
    var = (sd**2)[:, None] * c2 + (cross**2)[:, None] * (1 - c2) + floor2
    away = np.abs(xyz @ normals.T) / np.sqrt(var)
    if has_view:
        away[c > 0] = np.inf
    wanted = np.full(n, -1)
    for k in range(len(cell)):
        beside = np.abs(cell - cell[k]).max(axis=1) <= 1
        candidates = np.unique(label[beside & (label >= 0)])
        for i in order[start[k] : start[k + 1]]:
            if len(candidates) == 0:
                continue
            if prefer[i] >= 0 and away[i, prefer[i]] < cut:
                wanted[i] = prefer[i]
            elif label[k] >= 0 and away[i, label[k]] < own:
                wanted[i] = label[k]
            else:
                best = candidates[np.argmin(away[i, candidates])]
                wanted[i] = best if away[i, best] < cut else -1
    assert (found == wanted).all()
    assert {-1, 0, 1} == set(found.tolist())


def test_points_in_corners_are_not_summed():
    rng = np.random.default_rng(13)
    n = 1500
    floor = np.column_stack([rng.uniform(-0.3, 0.0, n), rng.uniform(0, 0.3, n), rng.normal(0, 0.004, n)])
    wall = np.column_stack([rng.normal(0, 0.004, n), rng.uniform(0, 0.3, n), rng.uniform(0.0, 0.3, n)])
    xyz, plane = np.concatenate([floor, wall]), np.repeat(np.int32([0, 1]), n)
    view = np.tile(np.float32([-1.0, 0.2, 2.0]), (2 * n, 1))
    sd, cross = rng.uniform(0.002, 0.006, 2 * n).astype(np.float32), rng.uniform(0.0, 0.006, 2 * n).astype(np.float32)
    low, _, start, order, points, near = laid_out(xyz, view, True, sd, cross, NOTHING)
    label = assign.majority(start, plane[order])
    normals = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]])
    planes = np.column_stack([normals, -normals @ low])
    centre = np.array([[0.1, 0.2, 0.1], [0.2, 0.1, 0.3]])
    floor2, cut = 0.001**2, 3.0
    taken, sums = assign.assign_points(
        points, True, start, near, label, planes, centre, low, floor2, cut, 1.0, plane[order]
    )
    taken = by_row(order, taken)
    reach = cut * np.sqrt(np.maximum(sd, cross).astype(np.float64) ** 2 + floor2)
    to_other = np.abs(np.where(taken == 0, xyz[:, 0], xyz[:, 2]))
    clear = np.where(to_other < reach, -1, taken)
    assert (taken == plane).mean() > 0.9
    assert ((clear == -1) & (taken >= 0)).sum() > 50
    for p in range(2):
        own = clear == p
        at, beam = xyz[own] - low - centre[p], xyz[own] - view[own]
        wanted = weighted_sums(at, beam, sd[own], cross[own], planes[p], centre[p], floor2)
        assert sums[p] == pytest.approx(wanted, rel=1e-6, abs=1e-6)


def weighted_sums(at, beam, sd, cross, plane, centre, floor2):
    """What `plane_sums` makes of points at places about a centre, written out."""
    c2 = (beam @ plane[:3]) ** 2 / (beam**2).sum(axis=1)
    var = sd.astype(float) ** 2 * c2 + cross.astype(float) ** 2 * (1 - c2) + floor2
    e = (at + centre) @ plane[:3] - plane[3]
    products = [(at[:, a] * at[:, b] / var).sum() for a, b in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))]
    places = (at / var[:, None]).sum(axis=0)
    return [len(at), (1 / var).sum(), *places, *products, (e**2).sum(), var.sum(), (e**2 / var).sum()]


def test_weighted_sums_of_a_plane_are_direct():
    xyz, view, sd, cross, origin = some_points(14, 400, 0.2)
    part = np.random.default_rng(14).integers(-1, 2, 400).astype(np.int32)
    low = xyz.min(axis=0)
    normals = np.array([unit(0.1, 0.2, 1.0), unit(1.0, 0.0, 0.3)])
    planes, centre, floor2 = np.column_stack([normals, [0.2, 0.25]]), np.full((2, 3), 0.2), 0.002**2
    points = voxels.points_of(xyz, view, sd, cross)
    found = assign.plane_sums(points, True, part, planes, centre, low, origin, floor2)
    for p in range(2):
        own = part == p
        at, beam = xyz[own] - low - centre[p], xyz[own] - origin - view[own]
        wanted = weighted_sums(at, beam, sd[own], cross[own], planes[p], centre[p], floor2)
        assert found[p] == pytest.approx(wanted, rel=1e-6)


# Masks


@pytest.mark.parametrize("radius", [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.3])
@pytest.mark.parametrize("share", [0.0, 0.005, 0.05, 0.5])
def test_dilate_is_the_distance_transform(radius, share):
    mask = np.random.default_rng(15).random((41, 57)) < share
    mask[0, 0] |= share > 0
    away = distance_transform_edt(~mask) if mask.any() else np.full(mask.shape, np.inf)
    assert (masks.dilate(mask, radius) == (away <= radius + 1e-9)).all()


@pytest.mark.parametrize("radius", [0.5, 1.0, 1.5, 2.7, 8.0])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.98, 1.0])
def test_erode_is_a_distance_to_what_lies_outside(radius, share):
    """Beyond the border all is outside."""
    for shape in ((41, 57), (5, 90), (1, 3)):
        mask = np.random.default_rng(15).random(shape) < share
        away = distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
        assert (masks.erode(mask, radius) == (away > radius + 1e-9)).all()


@pytest.mark.parametrize("shape", [(37, 23), (5, 90), (3, 3), (40, 2), (9, 9)])
def test_means_and_maxima_around_are_scipys_to_the_last_bit(shape):
    rng = np.random.default_rng(20)
    for values in (rng.normal(size=shape), rng.poisson(0.3, shape).astype(np.float64)):
        assert (masks.mean_around(values, 9) == uniform_filter(values, 9, mode="constant")).all()
        assert (masks.most_around(values, 9) == maximum_filter(values, 9)).all()


# Joints


WIDTHS = strips.Widths(2, 3, 3, 10, 30)
LONG, SHORT = 9, 5


def tables_of(counts, area, met=None, score=None):
    """Sums over a grid, of which only the columns that hold some of the part are kept -> tables, rows."""
    low = np.array([np.argmax(row > 0) for row in area])
    high = np.array([len(row) - np.argmax(row[::-1] > 0) if row.any() else 0 for row in area])
    rows = joints.packed(low, high)
    wide = joints.around_rows(rows, 33, LONG // 2 + 1)

    def table(values):
        kept = [row[a:b] for row, a, b in zip(values, rows.low, rows.high, strict=True)]
        return strips.summed(np.concatenate(kept).astype(np.float32)[None], rows, wide, area.shape[1])[0]

    beams = [np.zeros(0) if values is None else table(values) for values in (met, score)]
    return strips.Tables(table(counts), table(area), *beams, wide.base, 33), rows


def spread(flat, rows, shape):
    """What is kept by rows as a whole grid, NaN where nothing is."""
    out = np.full(shape, np.nan)
    for i, (low, high, base) in enumerate(zip(rows.low, rows.high, rows.base, strict=True)):
        out[i, low:high] = flat[base + low : base + high]
    return out


def strips_of(counts, area):
    """Depth (n, m) of all strips, and share, width, near of those that tell, NaN elsewhere."""
    tables, rows = tables_of(counts, area)
    flat = np.concatenate([area[i, rows.low[i] : rows.high[i]] for i in range(len(area))])
    depth, broad = strips.strip_depths(tables, flat, rows, WIDTHS, LONG, 8.0, 1.0, 0.0)
    depth = spread(depth, rows, area.shape)
    told = np.argwhere(np.isfinite(depth))
    _, share, width, _ = strips.strip_details(told, tables, np.zeros(0), WIDTHS, LONG, 8.0)
    near = strips.strip_near(told, tables, WIDTHS, LONG, SHORT, 8.0)
    out = np.full((3, *area.shape), np.nan)
    out[:, told[:, 0], told[:, 1]] = share, width, near
    return depth, broad, *out


def test_rows_of_a_table_are_slices_of_the_grid():
    values = np.random.default_rng(16).integers(1, 9, (13, 17)).astype(np.float32)
    values[:, 12:], values[5], values[2:4, :6] = 0.0, 0.0, 0.0
    tables, _ = tables_of(values, values)
    for i0, i1, j0, j1 in ((0, 13, 0, 12), (2, 5, 3, 9), (4, 4, 0, 12), (-3, 6, 8, 16), (-30, 40, 1, 3)):
        direct = values[max(i0, 0) : max(i1, 0), max(j0, 0) : j1].sum()
        assert strips.box(tables.hits, tables.base, i0 + 33, i1 + 33, j0, j1) == direct


@pytest.mark.parametrize("angle", [0.0, 0.3, 0.9, 1.57])
def test_turned_rows_hold_the_whole_part(angle):
    """Every cell of the turned grid whose centre lies in the part is kept, and area says which those are."""
    rng = np.random.default_rng(19)
    own = np.zeros((40, 60), dtype=bool)
    own[5:9, 3:50], own[5:35, 30:38], own[30, 2], own[0, 59] = True, True, True, True
    c, s, along, across = np.cos(angle), np.sin(angle), 0.4, 1.7
    low_u, low_v, nu, nv = -30.0, -110.0, 70, 230
    rows = joints.turned_rows(own, c, s, along, across, low_u, low_v, nu, nv)
    area, counts = np.zeros((2, rows.size), dtype=np.float32)
    joints.turned_area(own, c, s, along, across, low_u, low_v, rows, area)
    v, u = np.mgrid[0:nv, 0:nu]
    a, b = (u + 0.5 + low_u) / along, (v + 0.5 + low_v) / across
    ix, iy = np.floor(c * a - s * b).astype(int), np.floor(s * a + c * b).astype(int)
    inside = (ix >= 0) & (iy >= 0) & (ix < 60) & (iy < 40)
    wanted = inside & own[np.where(inside, iy, 0), np.where(inside, ix, 0)]
    assert wanted.sum() > 150
    assert (np.nan_to_num(spread(area, rows, (nv, nu))) == wanted).all()
    xy = np.argwhere(own)[:, ::-1] + rng.uniform(0, 1, (own.sum(), 2))
    joints.add_turned(xy, np.empty((0, len(xy))), c, s, along, across, low_u, low_v, rows, counts[None])
    assert counts.sum() == len(xy)


@numba.njit(_nrt=False)
def logarithms_of(x, bits, power):
    strips.logarithms(x, bits, power)


def test_logarithms_are_those_of_numpy():
    rng = np.random.default_rng(7)
    near_one = 1.0 + np.concatenate([[0.0], 2.0 ** -np.arange(1, 53), -(2.0 ** -np.arange(2, 53))])
    x = np.concatenate([rng.uniform(0.5, 2.0, 2000), 10.0 ** rng.uniform(-300, 300, 2000), near_one, [np.sqrt(2.0)]])
    found = x.copy()
    logarithms_of(found, found.view(np.int64), np.empty(len(x)))
    assert np.abs(found - np.log(x)).max() < 2e-13
    assert (np.abs(found - np.log(x)) <= 4 * np.finfo(float).eps * np.maximum(np.abs(np.log(x)), 0.5)).all()


@pytest.mark.parametrize("left_over", [0.0, 0.5, 2.0])
def test_strip_has_the_share_and_width_it_was_made_with(left_over):
    rate, across, along = 4.0, WIDTHS.across, LONG
    counts = np.full((60, 40), rate, dtype=np.float32)
    counts[30:32] = rate * left_over
    depth, broad, share, width, near = strips_of(counts, np.ones_like(counts))
    row, middle = 30 + across // 2, slice(along, -along)
    expected, seen = rate * across * along, rate * left_over * across * along
    # Poisson deviance: McCullagh and Nelder, Generalized Linear Models, 1989 (from memory).
    deviance = 2 * (expected - seen + (seen * np.log(seen / expected) if seen else 0.0))
    wanted = np.sign(expected - seen) * np.sqrt(deviance)
    assert depth[row, middle] == pytest.approx(wanted, rel=1e-5)
    assert share[row, middle] == pytest.approx(left_over, abs=1e-6)
    assert near[row, middle] == pytest.approx(left_over, abs=1e-6)
    assert width[row, middle] == pytest.approx(across * (1 - left_over), abs=1e-5)
    assert np.isclose(broad, wanted, rtol=1e-5).sum() >= len(depth[row, middle])
    far = depth[12:18, middle]
    assert np.abs(far[np.isfinite(far)]).max(initial=0.0) < 1e-3


def test_strip_tells_nothing_where_a_side_lies_outside_the_part():
    counts = np.full((60, 40), 4.0, dtype=np.float32)
    counts[30:32] = 0.0
    area = np.ones_like(counts)
    counts[33:], area[33:] = 0.0, 0.0
    depth, *_ = strips_of(counts, area)
    assert np.isnan(depth[31]).all()


def test_strip_is_measured_against_its_poorer_side():
    counts = np.full((60, 40), 4.0, dtype=np.float32)
    counts[32:] = 2.0
    counts[30:32] = 2.0
    depth, _, share, *_ = strips_of(counts, np.ones_like(counts))
    assert depth[31, 9:-9] == pytest.approx(0.0, abs=1e-3)
    assert share[31, 9:-9] == pytest.approx(1.0, abs=1e-6)


def test_strip_scores_are_sums_against_the_side_with_the_larger_mean():
    rng = np.random.default_rng(3)
    counts = rng.poisson(5.0, (60, 40)).astype(np.float32)
    sums = (counts * rng.normal(0.0, 0.3, (60, 40))).astype(np.float32)
    tables, _ = tables_of(counts, np.ones_like(counts), counts, sums)
    for i, j in ((20, 12), (30, 20), (41, 30)):
        a0, a1, columns = i - WIDTHS.beam // 2, i - WIDTHS.beam // 2 + WIDTHS.beam, slice(j - 4, j + 5)
        own = counts[a0:a1, columns].sum()
        sides = [(a0 - 10, a0 - 3), (a1 + 3, a1 + 10)]
        held = [counts[p:q, columns].sum() for p, q in sides]
        mean = [sums[p:q, columns].sum() / n for (p, q), n in zip(sides, held, strict=True)]
        worse = int(np.argmax(mean))
        excess = sums[a0:a1, columns].sum() - own * mean[worse]
        found, difference = strips.strip_score(tables, tables.score, i + 33, WIDTHS, j - 4, j + 5, 8.0)
        assert found == pytest.approx(excess / np.sqrt(own * (1 + own / held[worse])), rel=1e-4, abs=1e-4)
        assert difference == pytest.approx(excess / own, rel=1e-4, abs=1e-5)
        near = strips.strip_near(np.array([[i, j]]), tables, WIDTHS, LONG, LONG, 8.0)
        assert near[0] == pytest.approx(found, rel=1e-6)


@pytest.mark.parametrize(("sigma", "mirrored"), [(2.0, False), (4.0, True), (1.3, False), (9.0, True)])
def test_blur_is_scipys_gaussian_to_the_last_bit(sigma, mirrored):
    for shape in ((37, 23), (5, 90), (1, 3)):
        values = np.random.default_rng(17).normal(size=shape)
        wanted = gaussian_filter(values, sigma, mode="reflect" if mirrored else "constant")
        assert (blurred(values, sigma, mirrored=mirrored) == wanted).all()


def test_rows_by_group_are_stable():
    group = np.random.default_rng(18).integers(-1, 7, 500).astype(np.int32)
    order, begins = voxels.rows_by_group(group, 9)
    for k in range(9):
        assert order[begins[k] : begins[k + 1]].tolist() == np.flatnonzero(group == k).tolist()


@pytest.mark.parametrize("half", [1, 2, 6])
def test_lines_are_drawn_and_closed_as_scipys_filters_do(half):
    rng = np.random.default_rng(half)
    where, inside = rng.random((40, 70)) < 0.02, rng.random((40, 70)) < 0.7
    line = np.zeros(where.shape, dtype=np.uint8)
    met = strips.cells_along(np.add(np.argwhere(where), (7, 0)), 7, half, inside, line)
    drawn = maximum_filter1d(where.astype(np.uint8), 2 * half + 1, axis=1)
    assert (line == drawn).all()
    assert (met == np.argwhere((drawn > 0) & inside)).all()
    line[~inside] = 0
    wanted = minimum_filter1d(maximum_filter1d(line, 2 * half + 1, axis=1), 2 * half + 1, axis=1)
    strips.close_along(line, half, np.empty(71, dtype=np.int64))
    assert (line == wanted).all()
    assert 0 < line.sum() < line.size


@pytest.mark.parametrize("some", [True, False])
def test_pieces_and_planes_are_numbered_as_unique_does(some):
    rng = np.random.default_rng(31)
    steep = np.array([False, True, False, True, False])
    plane = rng.integers(-1, 5, 400).astype(np.int32) if some else np.full(400, -1, dtype=np.int32)
    piece = np.where((plane >= 0) & ~steep[plane], rng.integers(-1, 3, 400), -1).astype(np.int32)
    of_steep = (piece < 0) & (plane >= 0) & steep[plane]
    name = np.where(piece >= 0, piece * 5 + plane, np.where(of_steep, 15 + plane, -1))
    names, number = pieces.named(piece, plane, steep, 3)
    assert (names == np.unique(name[name >= 0])).all()
    assert (number[name < 0] == -1).all()
    assert (names[number[name >= 0]] == name[name >= 0]).all()
    assert (len(names) > 10) == some
