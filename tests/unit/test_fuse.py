"""Fusing: every point at the pose of its own time.

Independent code: SciPy's Slerp and Rotation. Formulas are stated beside each check.
"""

import itertools
import math
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation, Slerp

from terrain.data import PoseModel, Scan, SensorModel, Trajectory
from terrain.errors import DataError
from terrain.fuse.motion import REASONS, fuse, gather, level_rotation

STILL = Trajectory(time_s=[0.0, 1.0], position_m=np.zeros((2, 3)), rotation_xyzw=[[0, 0, 0, 1]] * 2)
POSES = PoseModel(position_sd_m=0.01, attitude_sd_rad=0.0035, max_gap_s=2.0, refine="none")


def sensor_model(**changes) -> SensorModel:
    plain = {
        "mount_translation_m": [0.0, 0.0, 0.0],
        "mount_rotation_xyzw": [0.0, 0.0, 0.0, 1.0],
        "range_sd_m": 0.008,
        "beam_divergence_rad": 0.002,
        "min_range_m": 0.0,
        "max_range_m": 100.0,
        "time_offset_s": 0.0,
    }
    return SensorModel(**{**plain, **changes})


def walk(seed: int, poses: int = 40, *, start_s: float = 0.0) -> Trajectory:
    rng = np.random.default_rng(seed)
    times = start_s + np.cumsum(rng.uniform(0.02, 0.1, poses))
    position = np.cumsum(rng.normal(0.0, 0.05, (poses, 3)), axis=0) + rng.uniform(-100.0, 100.0, 3)
    turns = Rotation.from_rotvec(np.cumsum(rng.normal(0.0, 0.2, (poses, 3)), axis=0))
    signs = rng.choice([-1.0, 1.0], (poses, 1))
    return Trajectory(time_s=times, position_m=position, rotation_xyzw=signs * turns.as_quat())


def some_points(seed: int, trajectory: Trajectory, points: int = 10_000) -> Scan:
    rng = np.random.default_rng(seed)
    times = rng.uniform(trajectory.time_s[0], trajectory.time_s[-1], points)
    times[:3] = trajectory.time_s[0], trajectory.time_s[-1], trajectory.time_s[1]
    return Scan(source="a.laz", xyz_m=rng.uniform(-20.0, 20.0, (points, 3)), time_s=times)


def placed_by_scipy(scan: Scan, trajectory: Trajectory, sensor: SensorModel, level: Rotation) -> tuple:
    """Return points and viewpoints in the level map frame."""
    time = scan.time_s + sensor.time_offset_s
    turns = Slerp(trajectory.time_s.copy(), Rotation.from_quat(trajectory.rotation_xyzw))(time)
    position = np.column_stack([np.interp(time, trajectory.time_s, axis) for axis in trajectory.position_m.T])
    body = Rotation.from_quat(sensor.mount_rotation_xyzw).apply(scan.xyz_m.copy()) + sensor.mount_translation_m
    view = turns.apply(np.tile(sensor.mount_translation_m, (len(time), 1))) + position
    return level.apply(turns.apply(body) + position), level.apply(view)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    offset=st.floats(-0.5, 0.5),
    lean=st.tuples(*[st.floats(-3.0, 3.0)] * 2),
    mount=st.tuples(*[st.floats(-3.0, 3.0)] * 3),
)
def test_points_lie_where_scipy_puts_them(seed: int, offset: float, lean: tuple, mount: tuple) -> None:
    trajectory = walk(seed)
    turn = Rotation.from_rotvec(mount)
    sensor = sensor_model(
        mount_translation_m=[0.3, -0.1, 0.5], mount_rotation_xyzw=turn.as_quat(), time_offset_s=offset
    )
    scan = some_points(seed, trajectory)
    shifted = Scan(source="a.laz", xyz_m=scan.xyz_m, time_s=scan.time_s - offset)
    inside = (shifted.time_s + offset >= trajectory.time_s[0]) & (shifted.time_s + offset <= trajectory.time_s[-1])
    shifted = Scan(source="a.laz", xyz_m=shifted.xyz_m[inside], time_s=shifted.time_s[inside])
    gravity = Rotation.from_rotvec([*lean, 0.0]).apply([0.0, 0.0, -1.0])
    cloud, report = fuse([shifted], trajectory=trajectory, sensor=sensor, poses=POSES, gravity=gravity)
    level, _ = Rotation.align_vectors([[0.0, 0.0, -1.0]], [gravity])
    points, view = placed_by_scipy(shifted, trajectory, sensor, Rotation.from_matrix(level_rotation(gravity)))
    assert level.apply(gravity) == pytest.approx([0.0, 0.0, -1.0], abs=1e-9)
    assert report.points_kept == len(points)
    assert np.abs(cloud.xyz_map_m - points).max() < 1e-9
    assert np.abs(cloud.view_map_m + cloud.origin_m - view).max() < 1e-5
    assert np.array_equal(cloud.time_s, shifted.time_s + offset)


@given(direction=st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda v: math.dist(v, (0.0, 0.0, 0.0)) > 1e-3))
def test_levelling_is_the_smallest_rotation_that_takes_up_to_z(direction: tuple) -> None:
    gravity = np.array(direction) / np.linalg.norm(direction)
    rotation = level_rotation(direction)
    assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(rotation) == pytest.approx(1.0)
    assert rotation @ -gravity == pytest.approx([0.0, 0.0, 1.0], abs=1e-12)
    between = math.atan2(math.hypot(gravity[0], gravity[1]), -gravity[2])
    assert Rotation.from_matrix(rotation).magnitude() == pytest.approx(between, abs=1e-7)


def test_level_gravity_changes_no_bit() -> None:
    assert np.array_equal(level_rotation([0.0, 0.0, -9.81]), np.eye(3))
    xyz = np.random.default_rng(0).uniform(5e5, 6e5, (100, 3))
    cloud, report = gather([Scan("a.laz", xyz, None)])
    assert np.array_equal(cloud.xyz_map_m, xyz)
    assert not any("turned" in note for note in report.notes)


def test_each_reason_is_counted() -> None:
    trajectory = Trajectory(
        time_s=[0.0, 0.1, 0.2, 1.0, 1.1], position_m=np.zeros((5, 3)), rotation_xyzw=[[0, 0, 0, 1]] * 5
    )
    sensor = sensor_model(min_range_m=0.5, max_range_m=10.0)
    rows = [
        ((1.0, 0.0, 0.0), 0.05, "kept"),
        ((0.5, 0.0, 0.0), 0.05, "kept"),  # at the gate
        ((0.0, 0.0, 10.0), 0.05, "kept"),
        ((1.0, 0.0, 0.0), 0.0, "kept"),  # at the first and the last pose
        ((1.0, 0.0, 0.0), 1.1, "kept"),
        ((1.0, 0.0, 0.0), 1.0, "kept"),  # at a pose beside a gap
        ((1.0, 0.0, 0.0), 0.2, "kept"),
        ((np.nan, 0.0, 0.0), 0.05, "not finite"),
        ((1.0, np.inf, 0.0), 0.05, "not finite"),
        ((1.0, 0.0, 0.0), np.nan, "not finite"),
        ((0.4999, 0.0, 0.0), 0.05, "too near"),
        ((0.0, 0.0, 0.0), 0.05, "too near"),
        ((10.001, 0.0, 0.0), 0.05, "too far"),
        ((1.0, 0.0, 0.0), -0.001, "outside poses"),
        ((1.0, 0.0, 0.0), 1.101, "outside poses"),
        ((1.0, 0.0, 0.0), 0.5, "pose gap"),
        ((1.0, 0.0, 0.0), 0.2001, "pose gap"),
    ]
    scan = Scan("a.laz", np.array([row[0] for row in rows]), np.array([row[1] for row in rows]))
    poses = PoseModel(max_gap_s=0.2, refine="none")
    cloud, report = fuse([scan], trajectory=trajectory, sensor=sensor, poses=poses)
    assert report.points_read == len(rows)
    assert report.points_kept == len(cloud) == sum(row[2] == "kept" for row in rows)
    assert report.dropped == {reason: sum(row[2] == reason for row in rows) for reason in REASONS}
    kept = [row[0] for row in rows if row[2] == "kept"]
    assert cloud.xyz_map_m.tolist() == [list(place) for place in kept]


def test_a_point_at_the_sensor_is_dropped_without_a_gate() -> None:
    scan = Scan("a.laz", [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]], [0.5, 0.5])
    _, report = fuse([scan], trajectory=STILL, sensor=sensor_model(), poses=POSES)
    assert report.dropped["too near"] == 1


@pytest.mark.parametrize("start_s", [0.0, 1.7e9])
def test_a_gap_as_wide_as_allowed_is_none(start_s: float) -> None:
    """Pose times of today's clocks come in steps of 0.24 microseconds (IEEE 754 double at 1.7e9)."""
    times = start_s + np.arange(20) / 5.0
    trajectory = Trajectory(time_s=times, position_m=np.zeros((20, 3)), rotation_xyzw=[[0, 0, 0, 1]] * 20)
    scan = Scan("a.laz", np.ones((19, 3)), times[:-1] + 0.1)
    _, report = fuse([scan], trajectory=trajectory, sensor=sensor_model(), poses=PoseModel(max_gap_s=0.2))
    assert report.points_kept == 19


def test_noise_follows_the_stated_formulas() -> None:
    """Along: range and position. Across: attitude r, spot r / sqrt(12) (JCGM 100:2008, 4.3.7), and position."""
    scan = Scan("a.laz", [[3.0, 0.0, 4.0], [0.0, 10.0, 0.0]], [0.5, 0.5])
    cloud, _ = fuse([scan], trajectory=STILL, sensor=sensor_model(), poses=POSES)
    assert cloud.sd_m == pytest.approx([math.sqrt(0.008**2 + 0.01**2)] * 2, rel=1e-6)
    expected = [math.sqrt((0.0035 * r) ** 2 + (0.002 * r / math.sqrt(12.0)) ** 2 + 0.01**2) for r in (5.0, 10.0)]
    assert cloud.cross_sd_m == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("expected_points", [None, 10, 10_000, 50_000])
def test_chunks_change_nothing(expected_points: int | None) -> None:
    trajectory = walk(3)
    scan = some_points(3, trajectory)
    whole, _ = fuse([scan], trajectory=trajectory, sensor=sensor_model(), poses=POSES)
    cuts = [0, 1, 4096, 4097, 9000, len(scan.xyz_m)]
    chunks = [Scan("a.laz", scan.xyz_m[a:b], scan.time_s[a:b]) for a, b in itertools.pairwise(cuts)]
    parts, report = fuse(
        chunks, trajectory=trajectory, sensor=sensor_model(), poses=POSES, expected_points=expected_points
    )
    assert report.points_kept == len(scan.xyz_m)
    for name in ("xyz_map_m", "time_s", "view_map_m", "sd_m", "cross_sd_m", "origin_m"):
        assert getattr(parts, name).tobytes() == getattr(whole, name).tobytes()


DIGEST = """
import hashlib, sys
sys.path.insert(0, sys.argv[1])
from tests.unit.test_fuse import POSES, fuse, sensor_model, some_points, walk
trajectory = walk(5)
cloud, _ = fuse([some_points(5, trajectory, 60_000)], trajectory=trajectory, sensor=sensor_model(), poses=POSES)
print(hashlib.sha256(cloud.xyz_map_m.tobytes() + cloud.view_map_m.tobytes()).hexdigest())
"""


def test_any_number_of_threads_gives_the_same_bytes(request) -> None:
    digests = set()
    for threads in ("1", "2"):
        run = subprocess.run(
            [sys.executable, "-c", DIGEST, str(request.config.rootpath)],
            env={**os.environ, "NUMBA_NUM_THREADS": threads},
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        digests.add(run.stdout)
    assert len(digests) == 1


def test_a_single_pose_holds_points_of_its_time_only() -> None:
    once = Trajectory(time_s=[1.0], position_m=[[1.0, 2.0, 3.0]], rotation_xyzw=[[0, 0, 0, 1]])
    scan = Scan("a.laz", np.ones((3, 3)), [0.9, 1.0, 1.1])
    cloud, report = fuse([scan], trajectory=once, sensor=sensor_model(), poses=POSES)
    assert cloud.xyz_map_m.tolist() == [[2.0, 3.0, 4.0]]
    assert report.dropped["outside poses"] == 2


def test_an_empty_scan_among_others_is_a_warning() -> None:
    scans = [Scan("a.laz", np.empty((0, 3)), np.empty(0)), Scan("b.laz", np.ones((1, 3)), [0.5])]
    _, report = fuse(scans, trajectory=STILL, sensor=sensor_model(), poses=POSES)
    assert report.warnings == ("a.laz: the scan is empty",)
    _, report = gather(scans)
    assert report.warnings == ("a.laz: the scan is empty",)


def test_a_scan_dropped_whole_is_a_warning() -> None:
    scans = [Scan("a.laz", np.ones((3, 3)), [5.0] * 3), Scan("b.laz", np.ones((1, 3)), [0.5])]
    _, report = fuse(scans, trajectory=STILL, sensor=sensor_model(), poses=POSES)
    assert report.warnings == ("a.laz: all 3 points were dropped (3 outside poses)",)


@pytest.mark.parametrize("scans", [[], [Scan("a.laz", np.empty((0, 3)), np.empty(0))]])
def test_no_points_at_all_is_an_error(scans: list) -> None:
    with pytest.raises(DataError, match="got no points at all"):
        fuse(scans, trajectory=STILL, sensor=sensor_model(), poses=POSES)
    with pytest.raises(DataError, match="got no points at all"):
        gather(scans)


def test_everything_dropped_says_why_and_shows_both_clocks() -> None:
    scans = [Scan("a.laz", np.ones((2, 3)), [100.0, 101.0]), Scan("b.laz", np.ones((1, 3)), [103.0])]
    with pytest.raises(DataError) as caught:
        fuse(scans, trajectory=STILL, sensor=sensor_model(time_offset_s=0.5), poses=POSES)
    message = str(caught.value)
    assert "all 3 points were dropped: 3 outside poses" in message
    assert "scan times run from 100.500 to 103.500 s" in message
    assert "poses from 0.000 to 1.000 s" in message


def test_points_without_times_need_a_map_frame() -> None:
    scan = Scan("b.laz", np.ones((2, 3)), None)
    with pytest.raises(DataError, match=r"b\.laz: got points without times"):
        fuse([scan], trajectory=STILL, sensor=sensor_model(), poses=POSES)


def test_times_that_stand_still_are_told() -> None:
    scan = Scan("a.laz", np.ones((2, 3)), [0.0, 0.0])
    _, report = fuse([scan], trajectory=STILL, sensor=sensor_model(), poses=POSES)
    assert any("a.laz" in warning and "time 0" in warning for warning in report.warnings)
    late = Trajectory(time_s=[5.0, 6.0], position_m=np.zeros((2, 3)), rotation_xyzw=[[0, 0, 0, 1]] * 2)
    with pytest.raises(DataError, match=r"a\.laz: got points without times \(all are 0\)"):
        fuse([scan], trajectory=late, sensor=sensor_model(), poses=POSES)


def test_gathered_points_are_kept_as_they_are() -> None:
    rng = np.random.default_rng(1)
    xyz = rng.uniform(4.9e6, 4.9e6 + 30.0, (1000, 3))
    xyz[5] = np.nan
    scans = [Scan("a.laz", xyz[:400], np.arange(400.0)), Scan("b.laz", xyz[400:], np.arange(600.0))]
    cloud, report = gather(scans)
    assert np.array_equal(cloud.xyz_map_m, np.delete(xyz, 5, axis=0))
    assert np.array_equal(cloud.time_s, np.delete(np.r_[np.arange(400.0), np.arange(600.0)], 5))
    assert cloud.view_map_m is None
    assert report.dropped["not finite"] == 1
    assert np.abs(cloud.xyz_map_m - cloud.origin_m).max() < 31.0


@pytest.mark.parametrize("time", [None, np.zeros(3)])
def test_gathered_points_without_times_have_none(time) -> None:
    assert gather([Scan("a.laz", np.ones((3, 3)), time)])[0].time_s is None


def test_one_gathered_file_without_times_leaves_all_without() -> None:
    scans = [Scan("a.laz", np.ones((3, 3)), [1.0, 2.0, 3.0]), Scan("b.laz", np.ones((3, 3)), None)]
    assert gather(scans)[0].time_s is None
    assert gather(scans[::-1])[0].time_s is None


def test_gathered_noise_is_the_stated_or_the_noted_one() -> None:
    scans = [Scan("a.laz", np.ones((3, 3)), None)]
    cloud, report = gather(scans, sensor=sensor_model(range_sd_m=0.003))
    assert cloud.sd_m == pytest.approx([0.003] * 3)
    assert report.notes == ()
    cloud, report = gather(scans)
    assert cloud.sd_m == pytest.approx([0.01] * 3)
    assert cloud.cross_sd_m == pytest.approx([0.01] * 3)
    assert any("0.01 m was taken" in note for note in report.notes)


def test_gathered_points_are_levelled() -> None:
    """Gravity along -y: the smallest rotation from +y to +z turns (x, y, z) into (x, -z, y)."""
    cloud, report = gather([Scan("a.laz", [[1.0, 2.0, 3.0]], None)], gravity=[0.0, -1.0, 0.0])
    assert cloud.xyz_map_m == pytest.approx(np.array([[1.0, -3.0, 2.0]]))
    assert any("turned by 90.0000 degrees" in note for note in report.notes)
