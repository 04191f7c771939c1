"""Correction of drift and clock: rooms whose surfaces and motion are known exactly.

Independent code: evo for absolute and relative trajectory errors (definitions: Sturm et al., IROS 2012, from memory),
small_gicp for the registration of one part of the walk to another. The targets are those of the project's plan.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import replace

import numba
import numpy as np
import pytest

from terrain.data import Cloud, FloatArray, Trajectory
from terrain.fuse.drift import Correction, correct_drift
from tests.bench.drift import end_error, one
from tests.support.rooms import (
    Pass,
    Walk,
    Wrong,
    bare_floor,
    corridor,
    off_surface,
    room,
    survey_pass,
)

DRIFT = Wrong(drift_m=0.009, drift_rad=0.0032, noise_m=0.001, noise_rad=math.radians(0.02), clock_s=0.02)
"""In 30 s about 5 cm along each axis and 1 degree."""
POINTS = 80_000


def corrected(made: Pass, **options: bool) -> tuple[Cloud, Cloud, Correction]:
    before = made.fused()
    after, found = correct_drift(before, trajectory=made.trajectory, poses=made.poses, **options)
    return before, after, found


@pytest.fixture(scope="module")
def drifted() -> tuple[Pass, Cloud, Cloud, Correction]:
    made = survey_pass(room(), seed=3, wrong=DRIFT, points=POINTS)
    return made, *corrected(made)


def rms_off(xyz: FloatArray) -> float:
    """RMS distance to the true surfaces, metres."""
    return float(np.sqrt((off_surface(room(), xyz) ** 2).mean()))


# --------------------------------------------------------------------------- what it gains


def evo_errors(found: Trajectory, true: Trajectory) -> tuple[float, float]:
    """Absolute error after a rigid fit, and relative error over 1 s, both the RMSE of translation, by evo."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from evo.core import metrics
        from evo.core.trajectory import PoseTrajectory3D
        from evo.core.units import Unit

    def path(poses: Trajectory) -> PoseTrajectory3D:
        return PoseTrajectory3D(
            positions_xyz=poses.position_m.copy(),
            orientations_quat_wxyz=np.roll(poses.rotation_xyzw, 1, axis=1),
            timestamps=poses.time_s.copy(),
        )

    reference, estimate = path(true), path(found)
    relative = metrics.RPE(metrics.PoseRelation.translation_part, delta=100, delta_unit=Unit.frames, all_pairs=True)
    relative.process_data((reference, estimate))
    estimate.align(reference, correct_scale=False)
    absolute = metrics.APE(metrics.PoseRelation.translation_part)
    absolute.process_data((reference, estimate))
    return tuple(float(m.get_statistic(metrics.StatisticsType.rmse)) for m in (absolute, relative))


def test_trajectory_error_by_evo_falls_eightfold(drifted: tuple[Pass, Cloud, Cloud, Correction]) -> None:
    made, _, _, found = drifted
    assert found.applied and found.poses is not None
    absolute_before, relative_before = evo_errors(made.trajectory, made.true)
    absolute, relative = evo_errors(found.poses, made.true)
    assert absolute_before > 0.01
    assert absolute < absolute_before / 8.0
    assert relative < relative_before / 3.0


def test_the_clock_is_found_within_a_millisecond(drifted: tuple[Pass, Cloud, Cloud, Correction]) -> None:
    found = drifted[3]
    assert found.clock.told and found.clock.contradicts
    assert found.clock.offset_s == pytest.approx(0.02, abs=0.001)
    assert abs(found.clock.offset_s - 0.02) < 4.0 * found.clock.sd_s < 0.002
    assert found.clock_s == found.clock.offset_s


def test_surfaces_are_as_sharp_as_with_true_poses(drifted: tuple[Pass, Cloud, Cloud, Correction]) -> None:
    made, before, after, _ = drifted
    best = rms_off(made.fused_with_truth(0.02).xyz_map_m)
    assert rms_off(before.xyz_map_m) > best + 0.01
    assert rms_off(after.xyz_map_m) < best + 0.001


def test_small_gicp_finds_nothing_left_between_parts_of_the_walk(
    drifted: tuple[Pass, Cloud, Cloud, Correction],
) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import small_gicp

    def shift_between(cloud: Cloud) -> float:
        """How far the last third has to move onto the first, at the middle of the room."""
        early, late = cloud.time_s < 10.0, cloud.time_s > 20.0
        done = small_gicp.align(
            cloud.xyz_map_m[early],
            cloud.xyz_map_m[late],
            downsampling_resolution=0.15,
            max_correspondence_distance=0.5,
            num_threads=1,
        )
        return float(np.linalg.norm(done.T_target_source[:3, 3]))

    _, before, after, _ = drifted
    assert shift_between(before) > 0.02
    assert shift_between(after) < 0.005


def test_thickness_is_told_as_it_is(drifted: tuple[Pass, Cloud, Cloud, Correction]) -> None:
    """Noise of 8 mm along the beam seen under a slant: surfaces are thinner than that once drift is gone."""
    thickness = drifted[3].thickness
    assert thickness is not None and thickness.is_thinner
    assert thickness.before_m > 2.0 * thickness.after_m
    assert 0.003 < thickness.after_m < 0.009


def test_mount_on_request() -> None:
    """A mount that is 0.5 degrees off in heading and 0.4 in pitch; the place in the plan: within 0.05 and 0.015."""
    from scipy.spatial.transform import Rotation

    made = survey_pass(room(), seed=5, wrong=replace(DRIFT, clock_s=0.0), points=POINTS)
    off = Rotation.from_euler("ZYX", [0.5, 0.4, 0.0], degrees=True)
    sensor = replace(made.sensor, mount_rotation_xyzw=off.inv().as_quat())
    _, _, found = corrected(replace(made, sensor=sensor), mount=True)
    assert found.mount is not None and found.mount_sd is not None
    left = Rotation.from_rotvec(found.mount[:3]) * off.inv()
    assert np.degrees(np.abs(left.as_rotvec())) == pytest.approx([0.0, 0.0, 0.0], abs=0.06)
    assert np.degrees(found.mount_sd[:3]).max() < 0.1


def test_errors_are_as_large_as_the_stated_sds() -> None:
    """Sixteen walks: (error / sd)^2 of every quantity adds up to what chi-squared has 99.9 % of."""
    from scipy.stats import chi2

    ratios = []
    for seed in range(900, 916):
        made, found, _ = one(seed, 60_000, "hall")
        assert found.sd_m is not None
        gained, turned = end_error(found, made)
        clock = (found.clock.offset_s - 0.02) / found.clock.sd_s
        ratios.append([clock, *(gained / found.sd_m), turned / found.sd_rad])
    squares = (np.array(ratios) ** 2).sum(axis=0)
    low, high = chi2.ppf([0.0005, 0.9995], len(ratios))
    assert (squares > low).all() and (squares < high).all(), np.sqrt(squares / len(ratios))


# --------------------------------------------------------------------------- what it leaves alone


def test_a_good_survey_is_not_made_worse() -> None:
    made = survey_pass(room(), seed=8, wrong=Wrong(), points=POINTS)
    before, after, found = corrected(made)
    assert rms_off(after.xyz_map_m) < rms_off(before.xyz_map_m) + 0.0001
    assert found.largest_m < 0.005
    assert not found.clock.contradicts and found.clock_s == 0.0
    if found.applied:
        assert not found.drifting
        absolute, _ = evo_errors(made.trajectory, made.true)
        assert found.poses is not None and evo_errors(found.poses, made.true)[0] < absolute * 1.05


def test_exact_poses_keep_their_points() -> None:
    made = survey_pass(room(), seed=9, wrong=Wrong(noise_m=0.0, noise_rad=0.0), points=POINTS)
    before, after, found = corrected(made)
    assert rms_off(after.xyz_map_m) < rms_off(before.xyz_map_m) + 0.0001
    assert found.largest_m < 0.003


@pytest.mark.parametrize("clock_s", [0.0, 0.02])
def test_the_clock_cannot_be_told_on_a_straight_walk_without_sway(clock_s: float) -> None:
    walk = Walk("straight", sway=0.0, seconds=12.0)
    made = survey_pass(room(), seed=4, walk=walk, wrong=replace(DRIFT, clock_s=clock_s), points=POINTS)
    _, _, found = corrected(made)
    assert not found.clock.told and not found.clock.contradicts
    assert found.clock_s == 0.0


def test_five_seconds_of_gait_show_the_clock() -> None:
    made = survey_pass(room(), seed=4, walk=Walk("straight", seconds=5.0), wrong=DRIFT, points=POINTS // 2)
    _, _, found = corrected(made)
    assert found.clock.told
    assert found.clock.offset_s == pytest.approx(0.02, abs=0.001)


def test_position_along_a_corridor_is_left_to_the_poses() -> None:
    made = survey_pass(corridor(), seed=6, walk=Walk("straight"), wrong=DRIFT, points=POINTS)
    _, _, found = corrected(made)
    assert found.applied and found.spline is not None
    assert np.abs(found.spline[:, 3]).max() < 0.006
    assert np.abs(found.spline[:, 4]).max() > 0.01
    (along,) = [unseen for unseen in found.unseen if unseen.axis is not None]
    assert np.abs(along.axis) == pytest.approx([1.0, 0.0, 0.0], abs=0.01)
    assert along.share > 0.9


def test_x_y_and_heading_on_a_bare_floor_are_left_to_the_poses() -> None:
    made = survey_pass(bare_floor(), seed=6, wrong=DRIFT, points=POINTS)
    _, _, found = corrected(made)
    assert found.spline is not None
    assert np.abs(made.drift[:, :2]).max() > 0.03
    assert np.abs(found.spline[:, 3:5]).max() < 0.01
    assert np.degrees(np.abs(found.spline[:, 2]).max()) < 0.1
    axes = np.array([unseen.axis for unseen in found.unseen if unseen.axis is not None])
    assert len(axes) == 2 and np.abs(axes[:, 2]).max() < 0.01
    assert any(unseen.axis is None for unseen in found.unseen)


def test_nothing_is_done_without_surfaces() -> None:
    rng = np.random.default_rng(1)
    made = survey_pass(room(), seed=2, wrong=DRIFT, points=20_000)
    mist = replace(made.scan, xyz_m=rng.uniform(-5.0, 5.0, made.scan.xyz_m.shape))
    before, after, found = corrected(replace(made, scan=mist))
    assert after is before
    assert not found.applied and not found.clock.contradicts


def test_too_little_is_left_alone() -> None:
    made = survey_pass(room(), seed=2, wrong=DRIFT, points=1_000)
    before, after, found = corrected(made)
    assert after is before
    assert not found.applied and "too little" in found.why
    untimed = replace(before, time_s=None)
    assert correct_drift(untimed, trajectory=made.trajectory, poses=made.poses)[0] is untimed


# --------------------------------------------------------------------------- the same bytes


def test_the_number_of_threads_changes_no_byte(drifted: tuple[Pass, Cloud, Cloud, Correction]) -> None:
    made, _, after, _ = drifted
    threads = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        _, again, _ = corrected(made)
    finally:
        numba.set_num_threads(threads)
    assert np.array_equal(again.xyz_map_m, after.xyz_map_m)
    assert np.array_equal(again.time_s, after.time_s)


def test_turned_gravity_gives_the_same_ground(drifted: tuple[Pass, Cloud, Cloud, Correction]) -> None:
    """The whole survey leans by 20 degrees and gravity is stated to do so: the level cloud is as sharp."""
    from scipy.spatial.transform import Rotation

    from terrain.fuse.motion import fuse

    made = drifted[0]
    lean = Rotation.from_rotvec([0.35, 0.0, 0.0])
    leaning = Trajectory(
        made.trajectory.time_s,
        lean.apply(made.trajectory.position_m.copy()),
        (lean * Rotation.from_quat(made.trajectory.rotation_xyzw.copy())).as_quat(),
    )
    gravity = lean.apply([0.0, 0.0, -1.0])
    cloud, _ = fuse([made.scan], trajectory=leaning, sensor=made.sensor, poses=made.poses, gravity=gravity)
    after, found = correct_drift(cloud, trajectory=leaning, poses=made.poses, gravity=gravity)
    assert found.applied
    best = rms_off(made.fused_with_truth(0.02).xyz_map_m)
    assert rms_off(after.xyz_map_m) < best + 0.001


# --------------------------------------------------------------------------- far off


@pytest.mark.parametrize("clock_s", [0.4, -0.45])
def test_an_offset_of_nearly_half_a_second_is_found(clock_s: float) -> None:
    made = survey_pass(room(), seed=3, wrong=replace(DRIFT, clock_s=clock_s), points=POINTS)
    _, _, found = corrected(made)
    assert found.clock.told
    assert found.clock.offset_s == pytest.approx(clock_s, abs=0.001)


def test_poses_that_walk_off_much_faster_than_stated_are_followed() -> None:
    wrong = Wrong(drift_m=0.04, drift_rad=0.0136, noise_m=0.001)
    made = survey_pass(room(), seed=3, wrong=wrong, points=POINTS)
    _, _, found = corrected(made)
    assert found.poses is not None
    absolute_before, _ = evo_errors(made.trajectory, made.true)
    absolute, _ = evo_errors(found.poses, made.true)
    assert absolute_before > 0.05
    assert absolute < absolute_before / 20.0
