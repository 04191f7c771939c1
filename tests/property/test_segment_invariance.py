"""What must not change a patch: turning and moving the scene, the order of its points, points far away.

Exact on real numbers; on voxels a turned scene falls into other voxels, so that its planes agree within their own
uncertainty, not to the last digit.
"""

from __future__ import annotations

import math

import numpy as np
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from terrain.data import Cloud, FloatArray, Patches
from terrain.segment.patches import segment_planes
from tests.support.clouds import level_top, range_noise

FEW = settings(
    max_examples=5,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
)
SEAM = 0.05
"""Share of a plane's returns that may change sides: those near a fold go by the voxels, which lie elsewhere."""
SLIVER_M2 = 0.01
"""Smaller patches are passed over: where two planes meet, a seam of a few returns may pass for a third."""
NOISE_M = 0.004


def two_planes(seed: int) -> tuple[FloatArray, FloatArray]:
    """Return points and viewpoints: a floor, and beside it a ramp of 20 degrees that rises from it."""
    rng = np.random.default_rng(seed)
    floor = level_top(rng, (-0.8, 0.0), (-0.5, 0.5), 0.0, per_m2=8000.0)
    ramp = level_top(rng, (0.0, 0.8), (-0.5, 0.5), 0.0, per_m2=8000.0)
    ramp[:, 2] = math.tan(math.radians(20.0)) * ramp[:, 0]
    xyz = np.concatenate([floor, ramp])
    view = np.tile([0.0, -1.5, 2.0], (len(xyz), 1))
    return range_noise(rng, xyz, view, NOISE_M), view


def cloud(xyz: FloatArray, view: FloatArray) -> Cloud:
    origin = np.round(xyz.mean(axis=0))
    n = len(xyz)
    return Cloud(
        xyz_map_m=np.ascontiguousarray(xyz),
        time_s=None,
        view_map_m=(view - origin).astype(np.float32),
        sd_m=np.full(n, NOISE_M, dtype=np.float32),
        cross_sd_m=np.zeros(n, dtype=np.float32),
        origin_m=origin,
    )


def found(xyz: FloatArray, view: FloatArray) -> Patches:
    return segment_planes(cloud(xyz, view), joint_m=0.025).patches


def large(patches: Patches) -> list[int]:
    return [int(k) for k in np.flatnonzero(patches.area_m2 > SLIVER_M2)]


def same_patch(patches: Patches, normal: FloatArray, spot: FloatArray) -> int:
    """Return the large patch that has this normal within half a degree and passes within 3 mm of the spot."""
    fits = []
    for k in large(patches):
        off = (spot - patches.origin_m) @ patches.normal[k] - patches.offset_m[k]
        if patches.normal[k] @ normal > math.cos(math.radians(0.5)) and abs(off) < 0.003:
            fits.append(k)
    assert len(fits) == 1, (patches.normal, spot)
    return fits[0]


@FEW
@given(seed=st.integers(0, 1000))
def test_two_planes_are_found(seed: int) -> None:
    patches = found(*two_planes(seed))
    assert len(large(patches)) == 2
    slope = np.sort(np.degrees(np.arccos(patches.normal[large(patches), 2])))
    assert abs(slope[0]) < 0.5
    assert abs(slope[1] - 20.0) < 0.5


@FEW
@example(seed=500, yaw=-math.pi, shift=(0.0, -24433.91516073185, -0.35))  # 203 of 6,474 returns change sides
@given(
    seed=st.integers(0, 1000),
    yaw=st.floats(-math.pi, math.pi),
    shift=st.tuples(st.floats(-1e5, 1e5), st.floats(-1e5, 1e5), st.floats(-100.0, 100.0)),
)
def test_patches_turn_and_move_with_the_scene(seed: int, yaw: float, shift: tuple[float, float, float]) -> None:
    xyz, view = two_planes(seed)
    c, s = math.cos(yaw), math.sin(yaw)
    turn, move = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]), np.array(shift)
    before = found(xyz, view)
    after = found(xyz @ turn.T + move, view @ turn.T + move)
    assert len(large(before)) == len(large(after)) == 2
    for k in large(before):
        j = same_patch(after, turn @ before.normal[k], turn @ before.centre_m[k] + move)
        assert abs(after.points[j] - before.points[k]) < SEAM * before.points[k]
        assert abs(after.area_m2[j] - before.area_m2[k]) < 0.06 * before.area_m2[k]
        assert after.roughness_m[j] == before.roughness_m[k] == 0.0
        assert after.upward[j] == before.upward[k]


@FEW
@given(seed=st.integers(0, 1000), shuffle=st.integers(0, 1000))
def test_the_order_of_the_points_does_not_matter(seed: int, shuffle: int) -> None:
    """Sums in another order differ in their last digits only."""
    xyz, view = two_planes(seed)
    order = np.random.default_rng(shuffle).permutation(len(xyz))
    before = segment_planes(cloud(xyz, view), joint_m=0.025)
    after = segment_planes(cloud(xyz[order], view[order]), joint_m=0.025)
    assert len(before.patches) == len(after.patches)
    assert np.abs(after.patches.normal - before.patches.normal).max() < 1e-6
    assert np.abs(after.patches.offset_m - before.patches.offset_m).max() < 1e-6
    assert np.array_equal(after.patches.points, before.patches.points)
    assert np.array_equal(after.point_patch, before.point_patch[order])
    assert np.array_equal(after.masks.cells, before.masks.cells)


@FEW
@given(
    seed=st.integers(0, 1000),
    place=st.tuples(st.floats(3.0, 9.0), st.floats(-9.0, 9.0), st.floats(-3.0, 3.0)),
    points=st.integers(1, 2000),
)
def test_points_far_away_change_no_patch(seed: int, place: tuple[float, float, float], points: int) -> None:
    """A clump of returns 3 m and more away moves the grid's corner at most; what is found here stays."""
    xyz, view = two_planes(seed)
    rng = np.random.default_rng(seed)
    clump = np.array(place) + rng.normal(0.0, 0.2, (points, 3))
    before = found(xyz, view)
    after = found(np.concatenate([xyz, clump]), np.concatenate([view, np.tile(view[0], (points, 1))]))
    for k in large(before):
        j = same_patch(after, before.normal[k], before.centre_m[k])
        assert abs(after.points[j] - before.points[k]) < 0.03 * before.points[k]
        assert abs(after.area_m2[j] - before.area_m2[k]) < 0.06 * before.area_m2[k]
