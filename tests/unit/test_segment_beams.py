"""Joints told by the beams that went into them: kernels against plain NumPy, and ray-traced blocks with a gap."""

import numpy as np
import pytest
from scipy.ndimage import label as connected

from terrain.data import Cloud
from terrain.kernels import joints, voxels
from terrain.kernels.neighbours import near_voxels
from terrain.segment.beams import Beams
from terrain.segment.joints import CUT, SURFACE, cut_joints
from terrain.segment.patches import segment_planes

LOW = np.array([100.0, -40.0, 7.0])


def tilted(seed, n):
    """Points near a tilted plane seen from above -> cloud arrays, plane relative to LOW."""
    rng = np.random.default_rng(seed)
    normal = np.array([0.1, -0.05, 1.0]) / np.linalg.norm([0.1, -0.05, 1.0])
    local = rng.uniform(0.0, 1.0, (n, 3))
    local[:, 2] = (0.2 - local[:, :2] @ normal[:2]) / normal[2] + rng.normal(0.0, 0.01, n)
    view = (np.array([0.5, 0.5, 2.0]) + rng.normal(0.0, 0.5, (n, 3))).astype(np.float32)
    sd = rng.uniform(0.004, 0.01, n).astype(np.float32)
    cross = rng.uniform(0.001, 0.003, n).astype(np.float32)
    return local + LOW, view, sd, cross, np.array([[*normal, 0.2]])


def test_beams_meet_the_plane_where_geometry_says():
    xyz, view, sd, cross, planes = tilted(1, 200)
    plane_of_point = np.zeros(200, dtype=np.int32)
    plane_of_point[::5] = -1
    rows = np.flatnonzero(plane_of_point == 0)
    xy, rest = np.zeros((len(rows), 2), dtype=np.float32), np.zeros((3, len(rows)), dtype=np.float32)
    joints.beams_on(rows, 0, 0, xyz, view, sd, cross, planes, LOW, LOW, 0.003**2, xy, rest)
    found = np.zeros((200, 5))
    found[rows] = np.column_stack([xy, rest.T])
    normal, offset = planes[0, :3], planes[0, 3]
    beam = (xyz - LOW) - view
    unit = beam / np.linalg.norm(beam, axis=1, keepdims=True)
    above = (xyz - LOW) @ normal - offset
    cosine = -unit @ normal
    met = (xyz - LOW) + unit * (above / cosine)[:, None]
    on = plane_of_point >= 0
    assert met @ normal == pytest.approx(offset, abs=1e-12)
    assert found[on, :2] == pytest.approx(met[on, :2], abs=1e-6)
    assert found[on, 2] == pytest.approx(above[on], abs=1e-7)
    assert found[on, 3] == pytest.approx(cosine[on], abs=1e-6)
    variance = (sd * cosine) ** 2 + cross**2 * (1 - cosine**2) + 0.003**2
    assert found[on, 4] == pytest.approx(np.sqrt(variance[on]), rel=1e-5)
    assert not found[~on].any()


def test_beams_below_are_the_returns_under_a_flat_plane_beside_them():
    """A flat plane at z = 0 and a steep one at x = 0.5; returns of neither or of the steep one may lie below."""
    rng = np.random.default_rng(4)
    n = 600
    local = np.column_stack([rng.uniform(0.0, 1.0, (n, 2)), rng.uniform(-0.2, 0.05, n)])
    view = (np.array([0.5, 0.5, 2.0]) + rng.normal(0.0, 0.3, (n, 3))).astype(np.float32)
    sd, cross = np.full(n, 0.006, np.float32), np.full(n, 0.002, np.float32)
    planes, flat = np.array([[0.0, 0.0, 1.0, 0.0], [-1.0, 0.0, 0.0, -0.5]]), np.array([True, False])
    plane_of_point = np.full(n, -1, dtype=np.int32)
    plane_of_point[np.abs(local[:, 2]) < 0.015] = 0
    plane_of_point[local[:, 0] > 0.8] = 1
    # One voxel holds everything, on the flat plane: so every return has that plane beside it.
    start = np.array([0, n])
    near, label = near_voxels(np.array([voxels.pack_key(5, 5, 5, 0)])), np.array([0], dtype=np.int32)
    given = voxels.points_of(local + LOW, view, sd, cross)
    points = voxels.gathered(np.arange(n, dtype=np.int32), given, True, LOW)
    of, found = joints.beams_below(
        0, 1, points, start, near, label, plane_of_point, planes, flat, LOW, 0.003**2, 0.10, 2.5
    )
    beam = local - view
    cosine = -beam[:, 2] / np.linalg.norm(beam, axis=1)
    height_sd = np.sqrt((sd * cosine) ** 2 + cross**2 * (1 - cosine**2) + 0.003**2)
    above = local[:, 2]
    below = (plane_of_point != 0) & (cosine > 0.05) & (above < -2.5 * height_sd) & (above > -0.10)
    assert below.sum() > 100
    assert (of == 0).all() and len(of) == below.sum()
    assert found[:, 2] == pytest.approx(above[below], abs=1e-7)
    met = local + beam / np.linalg.norm(beam, axis=1, keepdims=True) * (above / cosine)[:, None]
    assert found[:, :2] == pytest.approx(met[below, :2], abs=1e-6)


def test_turned_sums_count_and_add_as_a_histogram_does():
    rng = np.random.default_rng(2)
    xy, values = rng.uniform(0, 40, (500, 2)), rng.normal(size=(2, 500))
    angle, along, across = 0.4, 0.4, 1.7
    c, s = np.cos(angle), np.sin(angle)
    u, v = (c * xy[:, 0] + s * xy[:, 1]) * along, (c * xy[:, 1] - s * xy[:, 0]) * across
    low_u, low_v, nu, nv = -2.0, -30.0, 30, 110
    rows = joints.packed(np.zeros(nv, dtype=np.int64), np.full(nv, nu, dtype=np.int64))
    made = np.zeros((3, rows.size), dtype=np.float32)
    joints.add_turned(xy, values, c, s, along, across, low_u, low_v, rows, made)
    counts, *sums = made.reshape(3, nv, nu)
    edges = (np.arange(nv + 1) + low_v, np.arange(nu + 1) + low_u)
    assert counts == pytest.approx(np.histogram2d(v, u, bins=edges)[0])
    for sum_, value in zip(sums, values, strict=True):
        assert sum_ == pytest.approx(np.histogram2d(v, u, bins=edges, weights=value)[0], abs=1e-5)


def scanned_blocks(seed, *, gap_m, per_cm2=1.5, noise_m=0.008, side_m=0.4, depth_m=0.2):
    """Two blocks with flush tops, scanned at a slant from several places; ray and box meet in closed form.

    Beams that cross the tops' plane over the gap go on to the far block's side, or to the gap's bottom.
    """
    rng = np.random.default_rng(seed)
    n = rng.poisson(per_cm2 * 1e4 * side_m * (2 * side_m + gap_m))
    met = np.column_stack(
        [rng.uniform(-side_m - gap_m / 2, side_m + gap_m / 2, n), rng.uniform(0.0, side_m, n), np.zeros(n)]
    )
    turn = rng.choice(rng.uniform(0.0, 2 * np.pi, 12), n)
    reach = rng.uniform(1.2, 3.0, n)
    view = np.column_stack([reach * np.cos(turn), side_m / 2 + reach * np.sin(turn), np.full(n, 0.7)])
    beam = met - view
    length = np.linalg.norm(beam, axis=1)
    unit = beam / length[:, None]
    in_gap = np.abs(met[:, 0]) < gap_m / 2
    to_side = (np.sign(unit[:, 0]) * gap_m / 2 - met[:, 0]) / unit[:, 0]
    to_end = np.where(unit[:, 1] > 0, side_m - met[:, 1], -met[:, 1]) / unit[:, 1]
    beyond = np.minimum(np.minimum(to_side, depth_m / -unit[:, 2]), np.maximum(to_end, 0.0) + 1.0)
    seen = length + np.where(in_gap, beyond, 0.0) + rng.normal(0.0, noise_m, n)
    xyz = view + unit * seen[:, None]
    origin = np.zeros(3)
    return Cloud(
        xyz, None, view.astype(np.float32), np.full(n, noise_m, np.float32), np.full(n, 0.002, np.float32), origin
    )


@pytest.mark.parametrize("seed", range(3))
def test_a_joint_of_20_mm_between_flush_blocks_is_found(seed):
    found = segment_planes(scanned_blocks(seed, gap_m=0.02), joint_m=0.025)
    large = np.flatnonzero(found.patches.upward & (found.patches.area_m2 > 0.05))
    assert len(large) == 2
    assert found.patches.area_m2[large] == pytest.approx([0.16, 0.16], rel=0.15)


@pytest.mark.parametrize("seed", range(3))
def test_one_block_of_the_same_size_stays_one_patch(seed):
    found = segment_planes(scanned_blocks(seed, gap_m=0.0), joint_m=0.025)
    large = np.flatnonzero(found.patches.upward & (found.patches.area_m2 > 0.05))
    assert len(large) == 1
    assert found.patches.area_m2[large] == pytest.approx([0.32], rel=0.1)


def grazed_floor(seed, *, slot_m, per_m2=4000.0, noise_m=0.008, side_m=1.4):
    """Square floor with a slot across it, seen from 7 m away at 5.7 degrees: ray and box meet in closed form.

    What goes into the slot ends on its far side 4 mm below the floor; pointing errors of 0.05 degrees drown that.
    """
    rng = np.random.default_rng(seed)
    n = rng.poisson(per_m2 * side_m**2)
    met = np.column_stack([rng.uniform(-side_m / 2, side_m / 2, (n, 2)), np.zeros(n)])
    view = np.column_stack([np.full(n, -7.0), rng.uniform(-1.0, 1.0, n), np.full(n, 0.7)])
    unit = met - view
    unit /= np.linalg.norm(unit, axis=1)[:, None]
    in_slot = np.abs(met[:, 0]) < slot_m / 2
    met += unit * (np.where(in_slot, (slot_m / 2 - met[:, 0]) / unit[:, 0], 0.0) + rng.normal(0.0, noise_m, n))[:, None]
    cross = np.deg2rad(0.05) * 7.0
    met[:, 2] += rng.normal(0.0, cross, n)
    sd = np.full(n, noise_m, np.float32)
    return Cloud(met, None, view.astype(np.float32), sd, np.full(n, cross, np.float32), np.zeros(3))


def surface_over_slot(found):
    """Share of the cells over the slot, but for those beside its far side, that are a patch's surface."""
    held = 0
    for k in np.flatnonzero(found.patches.upward & (found.patches.area_m2 > 0.3)):
        window = found.masks.window(int(k))
        x_m = found.masks.x0_m + (found.masks.ix0[k] + np.arange(window.shape[1]) + 0.5) * found.masks.cell_m
        held += int((window[:, (x_m > -0.02) & (x_m < 0.01)] == SURFACE).sum())
    return held / (3 * 140)


@pytest.mark.parametrize("seed", range(3))
def test_a_slot_of_40_mm_that_beams_graze_is_found_by_the_lack_of_returns(seed):
    assert surface_over_slot(segment_planes(grazed_floor(seed, slot_m=0.04), joint_m=0.025)) < 0.3


@pytest.mark.parametrize("seed", range(3))
def test_a_whole_floor_that_beams_graze_stays_one_patch(seed):
    found = segment_planes(grazed_floor(seed, slot_m=0.0), joint_m=0.025)
    assert (found.patches.upward & (found.patches.area_m2 > 0.3)).sum() == 1
    assert surface_over_slot(found) > 0.9


def level_beams(seed, *, groove_m=0.0, rate=2.0, size=80):
    """Beams onto a square of `size` cells at 70 degrees of incidence; a groove 18 mm wide lies lower -> mask, Beams."""
    rng = np.random.default_rng(seed)
    n = rng.poisson(rate * size * size)
    cells = rng.uniform(0, size, (n, 2)) + 8
    above = rng.normal(0.0, 0.004, n)
    above[np.abs(cells[:, 0] - 48) < 0.9] -= groove_m
    mask = np.pad(np.ones((size, size), dtype=bool), 8)
    full = np.float32(1.0)
    beams = Beams(
        (cells * 0.01).astype(np.float32), above.astype(np.float32), np.full(n, 0.34 * full), np.full(n, 0.004 * full),
        np.ones(n, dtype=bool),
    )  # fmt: skip
    return mask, cells, beams


@pytest.mark.parametrize("seed", range(4))
def test_a_groove_a_quarter_as_deep_as_the_noise_is_no_joint(seed):
    mask, cells, beams = level_beams(seed, groove_m=0.001)
    rows, corner = np.arange(len(cells), dtype=np.int32), np.zeros(2)
    state, *_ = cut_joints(mask, cells * 0.01, rows, corner, cell_m=0.01, beams=lambda: beams, corner_m=corner)
    assert connected(state > 0)[1] == 1
    assert not (state[mask] == CUT).any()


def test_beams_are_sorted_by_the_part_they_met():
    rng = np.random.default_rng(6)
    n, cell, corner = 900, 0.01, np.array([0.3, -0.2])
    numbered = np.zeros((20, 30), dtype=np.int32)
    numbered[2:9, 3:12], numbered[10:18, 15:28] = 1, 2
    corners = np.array([[0.0, 0.0], [3.0, 2.0], [15.0, 10.0]])
    xy = (corner + rng.uniform(-0.02, 0.32, (n, 2))).astype(np.float32)
    above, cosine, sd = rng.uniform(0, 1, (3, n)).astype(np.float32)
    on = rng.random(n) < 0.5
    begins, cells, *rest = joints.beams_by_part(xy, above, cosine, sd, on, corner, cell, numbered, corners)
    at = (xy.astype(np.float64) - corner) / cell
    column, row = np.floor(at).astype(int).T
    inside = (column >= 0) & (row >= 0) & (column < 30) & (row < 20)
    part = np.where(inside, numbered[np.where(inside, row, 0), np.where(inside, column, 0)], 0)
    for k in (1, 2):
        own = np.flatnonzero(part == k)
        rows = slice(begins[k], begins[k + 1])
        assert len(own) > 30
        assert (cells[rows] == at[own] - corners[k]).all()
        for found, given in zip(rest, (above, cosine, sd, on), strict=True):
            assert (found[rows] == given[own]).all()
    held = at[inside]
    begins, cells = joints.cells_by_part(held, np.arange(len(held)), np.zeros(2), 1.0, numbered, corners)
    for k in (1, 2):
        assert (cells[begins[k] : begins[k + 1]] == held[part[inside] == k] - corners[k]).all()
