"""What lies around a voxel, and the kernels that look there, against plain NumPy and SciPy."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from terrain.kernels import compete, merging, neighbours, regions, voxels

FLOOR2 = 0.003**2
SIZE = 0.04


def scene(seed=0, n=6000):
    """A floor with a low step, a wall, an underside and clutter: voxels, planes, and regions in part by chance."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 0.8, (2, n))
    xyz = np.column_stack([x, y, np.where(x > 0.4, 0.005, 0.0) + rng.normal(0, 0.006, n)])
    xyz[: n // 6, 0] = 0.8 + rng.normal(0, 0.006, n // 6)
    xyz[: n // 6, 2] = rng.uniform(0, 0.7, n // 6)
    xyz[n // 6 : n // 4, 2] = 0.3 + rng.normal(0, 0.006, n // 4 - n // 6)
    xyz[-60:] = rng.uniform(0, 0.8, (60, 3))
    view = np.tile(np.float32([0.2, 0.4, 2.0]), (n, 1))
    view[n // 6 : n // 4, 2] = -1.0
    sd, cross = rng.uniform(0.004, 0.008, n).astype(np.float32), np.full(n, 0.001, np.float32)
    made = voxels.voxelise(xyz, view, True, sd, cross, np.zeros(3), SIZE)
    low, keys, start, order, _, moments = made
    cell, up = voxels.cells_of(keys), keys & 1
    centre = (cell + 0.5) * SIZE
    label = np.where(centre[:, 0] < 0.4 - low[0], 0, 1)
    label[centre[:, 2] > 0.1 - low[2]] = 2
    label[(centre[:, 2] > 0.2 - low[2]) & (up == 1)] = 3
    stray = rng.random(len(label))
    label = np.where(stray < 0.1, -1, np.where(stray < 0.2, rng.integers(0, 4, len(label)), label)).astype(np.int32)
    normals = np.array([[0.0, 0, 1], [0.0, 0, 1], [-1.0, 0, 0], [0.0, 0, -1]])
    planes = np.column_stack([normals, normals @ -low + [0.0, 0.005, -0.8, -0.3]])
    near = neighbours.near_voxels(keys)
    return SimpleNamespace(
        near=near, wider=neighbours.Wider(near, 2), keys=keys, cell=cell, up=up, centre=centre, moments=moments,
        label=label, planes=planes, rows=[order[start[k] : start[k + 1]] for k in range(len(label))], xyz=xyz, low=low,
        view=view, sd=sd, cross=cross,
    )  # fmt: skip


def within(cell, reach):
    """Voxels within `reach` cells of each, by a tree."""
    tree = cKDTree(cell)
    return [np.sort(found) for found in tree.query_ball_point(cell, reach + 0.5, p=np.inf)]


def departure(s, j, plane):
    """Voxel j's points: mean squared distance over its prediction, mean distance, prediction, whether seen in front."""
    rows = s.rows[j]
    beam = s.xyz[rows] - s.view[rows]
    mean = (beam / np.linalg.norm(beam, axis=1, keepdims=True)).mean(axis=0)
    c2 = (plane[:3] @ mean) ** 2 / (mean @ mean)
    noise = np.mean(s.sd[rows].astype(float) ** 2) * c2 + np.mean(s.cross[rows].astype(float) ** 2) * (1 - c2) + FLOOR2
    away = (s.xyz[rows] - s.low) @ plane[:3] - plane[3]
    return np.mean(away**2) / noise, away.mean(), noise, plane[:3] @ mean <= 0


def belongs(s, j, plane):
    ratio, mean, noise, front = departure(s, j, plane)
    n = len(s.rows[j])
    return front and ratio <= 1.6 + 3.2 * np.sqrt(2 / n) and abs(mean) <= np.sqrt(noise) * (2.5 / np.sqrt(n) + 0.5)


@pytest.mark.parametrize("reach", [1, 2, 3])
@pytest.mark.parametrize("spread", [3, 9, 40])
def test_what_lies_around_is_what_a_tree_finds(reach, spread):
    rng = np.random.default_rng(spread)
    cell = rng.integers(4, 4 + spread, (2500, 3))
    cell[:300, :2] = 5  # one tall column
    cell[:300, 2] = rng.integers(4, 120, 300)
    keys = np.unique((cell[:, 0] << 41) | (cell[:, 1] << 21) | (cell[:, 2] << 1) | rng.integers(0, 2, 2500))
    near = neighbours.near_voxels(keys)
    part = (1 << 20) - 1
    cell = np.column_stack([keys >> 41, keys >> 21 & part, keys >> 1 & part])
    nbr = np.empty(neighbours.MOST, dtype=np.int32)
    for k, wanted in enumerate(within(cell, reach)):
        count = neighbours.around(k, reach, near, nbr)
        assert (nbr[:count] == wanted).all() and count == len(wanted)
        apart = [neighbours.away2(k, j, near) for j in wanted.tolist()]
        assert (apart == ((cell[wanted] - cell[k]) ** 2).sum(axis=1)).all()
        if reach == 1:
            assert (near.touching[near.touching_from[k] : near.touching_from[k + 1]] == wanted).all()


def test_what_is_listed_further_off_is_what_a_tree_finds_whoever_asked_before():
    s, rng = scene(), np.random.default_rng(6)
    wanted = within(s.cell, 2)
    for _ in range(4):
        rows = np.flatnonzero(rng.random(len(wanted)) < 0.3).astype(np.int32)
        first, end, voxels = s.wider.of(rows)
        assert all((voxels[first[k] : end[k]] == wanted[k]).all() for k in rows)


def test_local_planes_are_those_of_the_points_around():
    s = scene()
    normal, flatness, used = voxels.local_planes(s.near, s.cell, s.up, s.moments, SIZE, FLOOR2)
    flat = 0
    for k, around in enumerate(within(s.cell, 1)):
        rows = np.concatenate([s.rows[j] for j in around if s.up[j] == s.up[k]])
        assert used[k] == len(rows)
        if len(rows) < 8:
            assert flatness[k] == np.inf
            continue
        xyz = s.xyz[rows] - s.low - s.centre[k]
        values, vectors = np.linalg.eigh(np.cov(xyz.T, bias=True))
        if not np.isfinite(flatness[k]):
            assert values[1] < 4.1 * values[0] or values[1] < 0.041 * SIZE**2
            continue
        flat += 1
        assert abs(vectors[:, 0] @ normal[k, :3]) == pytest.approx(1.0, abs=1e-9)
        assert normal[k, 3] == pytest.approx(normal[k, :3] @ xyz.mean(axis=0), abs=1e-9)
        beam = (s.xyz[rows] - s.view[rows]) / np.linalg.norm(s.xyz[rows] - s.view[rows], axis=1, keepdims=True)
        mean = beam.mean(axis=0)
        c2 = (vectors[:, 0] @ mean) ** 2 / (mean @ mean)
        sd2, cross2 = np.mean(s.sd[rows].astype(float) ** 2), np.mean(s.cross[rows].astype(float) ** 2)
        assert flatness[k] == pytest.approx(values[0] / (sd2 * c2 + cross2 * (1 - c2) + FLOOR2), rel=1e-5)
    assert flat > 200


@pytest.mark.parametrize("only_free", [False, True])
def test_competing_planes_are_weighed_over_the_surroundings(only_free):
    """MSAC: Torr and Zisserman, Comput. Vis. Image Underst. 78(1), 2000 (from memory): min(r2, cut2)."""
    s, cut2, spread = scene(), 3.841, 1.3
    found = compete.compete(s.near, s.wider, s.centre, s.moments, s.label, s.planes, spread, cut2, FLOOR2, only_free)
    wanted = s.label.copy()
    touching = within(s.cell, 1)
    several = 0
    for k, around in enumerate(within(s.cell, 2)):
        own = s.label[k]
        beside = set(s.label[touching[k]].tolist()) - {-1}
        if own >= 0 and (only_free or beside == {own}):
            continue
        asked = np.unique(s.label[around])
        asked = [p for p in asked[asked >= 0] if belongs(s, k, s.planes[p])]
        costs = []
        for p in asked:
            ratio, _, _, front = np.array([departure(s, j, s.planes[p]) for j in around]).T
            weight = np.exp(-0.5 * ((s.cell[around] - s.cell[k]) ** 2).sum(axis=1) / spread**2)
            points = [len(s.rows[j]) for j in around]
            costs.append(np.sum(weight * points * np.where(front > 0, np.minimum(ratio, cut2), cut2)))
        wanted[k] = asked[np.argmin(costs)] if asked else -1
        several += len(asked) > 1
    assert (found == wanted).all()
    assert several > (10 if only_free else 50)
    assert (found != s.label).sum() > 30


def test_voxels_of_a_seam_are_explained_by_the_larger_region():
    s = scene()
    points = np.array([900.0, 800.0, 700.0, 600.0])
    found = compete.explained(s.near, s.centre, s.moments, s.label, s.planes, points, FLOOR2)
    wanted = np.zeros(4)
    for k, around in enumerate(within(s.cell, 1)):
        larger = [p for p in set(s.label[around].tolist()) - {-1} if points[p] > points[s.label[k]]]
        if s.label[k] >= 0 and any(departure(s, k, s.planes[p])[0] < 4.0 for p in larger):
            wanted[s.label[k]] += len(s.rows[k])
    assert (found == wanted).all()
    assert (wanted[1:] > 0).all()


def test_islands_are_scipys_components():
    s = scene()
    a, b = np.concatenate([[(k, j) for j in around] for k, around in enumerate(within(s.cell, 1))]).T
    same = (s.label[a] >= 0) & (s.label[a] == s.label[b])
    graph = coo_array((np.ones(same.sum()), (a[same], b[same])), shape=(len(s.label),) * 2)
    _, component = connected_components(graph, directed=False)
    found, parts = compete.islands(s.near, s.label, s.moments, 6, 2)
    wanted, number = np.full(len(s.label), -1), 0
    for c in dict.fromkeys(component.tolist()):
        inside = component == c
        if s.label[inside][0] >= 0 and inside.sum() >= 2 and sum(len(s.rows[k]) for k in np.flatnonzero(inside)) >= 6:
            wanted[inside] = number
            number += 1
    assert parts == number > 4
    assert (found == wanted).all()


def test_pairs_that_touch_are_those_whose_planes_nearly_meet():
    s, apart = scene(), 0.02
    s.planes[1, 3] += 0.03
    found = merging.touching_pairs(s.near, s.wider, s.label, s.up, s.centre, s.planes, apart)
    wanted, middle = set(), within(s.cell, 1)
    for i, around in enumerate(within(s.cell, 2)):
        a = s.label[i]
        inner = sum(s.label[j] == a and s.up[j] == s.up[i] for j in middle[i])
        if a < 0 or inner >= 9:
            continue
        for j in around:
            b = s.label[j]
            spot = 0.5 * (s.centre[i] + s.centre[j])
            gap = (s.planes[a, :3] @ spot - s.planes[a, 3]) - (s.planes[b, :3] @ spot - s.planes[b, 3])
            if b >= 0 and b != a and abs(gap) <= apart:
                wanted.add((min(a, b), max(a, b)))
    assert list(map(tuple, found.tolist())) == sorted(wanted)
    assert 2 <= len(wanted) < 6


def test_misfits_are_voxels_whose_surroundings_lie_otherwise():
    s = scene()
    local = voxels.local_planes(s.near, s.cell, s.up, s.moments, SIZE, FLOOR2)
    found = compete.misfits(s.centre, s.moments, *local, SIZE, s.label, s.planes, FLOOR2)
    normal, flatness, used = local
    for k, p in enumerate(s.label):
        if p < 0 or not flatness[k] < 2.0:
            assert not found[k]
            continue
        plane = s.planes[p]
        sd = np.sqrt(departure(s, k, plane)[2] / used[k])
        dot = normal[k, :3] @ plane[:3]
        tilt = np.sqrt(max(0.0, 1.0 - dot**2))
        off = abs(np.copysign(1.0, dot) * normal[k, 3] + plane[:3] @ s.centre[k] - plane[3])
        # sqrt(12) is the ratio of a uniform spread's width to its sd.
        agrees = tilt <= 0.018 + 3 * np.sqrt(12) * sd / (3 * SIZE) and off < 0.002 + 3 * sd + 0.5 * SIZE * tilt
        assert found[k] != agrees
    assert 20 < found.sum() < 0.8 * (s.label >= 0).sum()


def pieces(seed=3):
    """Pieces of three planes, a hair apart in one, as points; and their moments about their own middles."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(12):
        xyz = rng.uniform(-0.2, 0.2, (40 + 30 * k, 3)) + np.array([0.3 * (k % 4), 0.0, 0.0])
        slope, rise = [(0.0, 0.0), (0.3, 0.0), (0.0, 0.03)][k // 4]
        xyz[:, 2] = slope * xyz[:, 0] + rise + 0.002 * (k == 5) + rng.normal(0, 0.005, len(xyz))
        out.append((xyz, np.tile([0.1, -0.2, -1.0 if k % 8 else 1.0], (len(xyz), 1))))
    return out


def row_of(xyz, beam, middle, sd):
    at, unit = xyz - middle, beam / np.linalg.norm(beam, axis=1, keepdims=True)
    products = [(at[:, a] * at[:, b]).sum() for a, b in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))]
    return np.array([len(at), *at.sum(axis=0), *products, *unit.sum(axis=0), len(at) * sd**2, 0.0])


def are_one(first, second, sd, systematic, slack):
    """Chi-squared, three degrees of freedom, at 0.999: 16.3 (tables), on the rise of the sum of squares."""
    squares, normals = [], []
    for xyz, beam in (first, second, tuple(np.concatenate(both) for both in zip(first, second, strict=True))):
        values, vectors = np.linalg.eigh(np.cov(xyz.T, bias=True))
        normal = vectors[:, 0]
        normals.append(-normal if normal @ beam.sum(axis=0) > 0 else normal)
        squares.append(values[0] * len(xyz))
    mean = np.concatenate([first[1], second[1]])
    mean = (mean / np.linalg.norm(mean, axis=1, keepdims=True)).sum(axis=0)
    var = sd**2 * (normals[2] @ mean) ** 2 / (mean @ mean) + FLOOR2
    fewer = min(len(first[0]), len(second[0]))
    rise = (squares[2] - squares[0] - squares[1]) / var
    return normals[0] @ normals[1] >= 0.97 and rise <= slack * (16.3 + fewer * systematic**2 / var)


@pytest.mark.parametrize("slack", [1.0, 2.0])
def test_regions_are_one_plane_by_chi_squared(slack):
    groups, sd, answers = pieces(), 0.005, []
    for a, first in enumerate(groups):
        for second in groups[:a]:
            middle, other = first[0].mean(axis=0), second[0].mean(axis=0)
            union = row_of(*first, middle, sd)
            voxels.add_shifted(union, row_of(*second, other, sd), *(other - middle))
            rows = row_of(*first, middle, sd), row_of(*second, other, sd), union
            answers.append(merging.one_plane(*rows, FLOOR2, 0.0015, slack))
            assert answers[-1] == are_one(first, second, sd, 0.0015, slack)
    assert 5 < sum(answers) < 40


def test_merging_takes_pairs_in_their_order():
    groups, sd = pieces(), 0.005
    middles = np.array([xyz.mean(axis=0) for xyz, _ in groups])
    rows = np.array([row_of(*group, at, sd) for group, at in zip(groups, middles, strict=True)])
    pairs = np.array([(a, b) for b in range(12) for a in range(b)], dtype=np.int32)[::-1].copy()
    root, moments = merging.merge_pairs(pairs, rows, middles, FLOOR2, 0.0015)
    wanted, joined = np.arange(12), dict(enumerate(groups))
    for a, b in wanted[pairs]:
        a, b = sorted((wanted[a], wanted[b]))
        if a != b and are_one(joined[a], joined[b], sd, 0.0015, 1.0):
            joined[a] = tuple(np.concatenate(both) for both in zip(joined[a], joined.pop(b), strict=True))
            wanted[wanted == b] = a
    assert (root == wanted).all()
    assert 3 <= len(joined) < 10
    for k, group in joined.items():
        assert moments[k] == pytest.approx(row_of(*group, middles[k], sd), abs=1e-9)


def test_moments_of_regions_are_those_of_their_points():
    s = scene()
    origin, moments, held = regions.region_moments(s.label, 5, s.centre, s.moments)
    planes = regions.turned_planes(moments, origin, np.array([3, 0]))
    assert held[4] == 0 and (moments[4] == 0).all()
    for k in range(4):
        own = np.flatnonzero(s.label == k)
        rows = np.concatenate([s.rows[j] for j in own])
        assert held[k] == len(own)
        assert origin[k] == pytest.approx(s.centre[own].mean(axis=0))
        xyz = s.xyz[rows] - s.low
        wanted = row_of(xyz, s.xyz[rows] - s.view[rows], origin[k], 0.0)
        assert moments[k, :13] == pytest.approx(wanted[:13], abs=1e-9)
        if k in (0, 3):
            normal = np.linalg.eigh(np.cov(xyz.T, bias=True))[1][:, 0]
            normal = -normal if normal @ wanted[10:13] > 0 else normal
            assert planes[[3, 0].index(k)] == pytest.approx([*normal, normal @ xyz.mean(axis=0)], abs=1e-9)
