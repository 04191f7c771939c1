"""What a lidar on the move measures, and what poses at a given rate can put right.

Formulas of kinematics, common to textbooks: an arc is angular speed x time x range; between two samples dt apart a
straight line departs from constant acceleration a by at most a dt^2 / 8. The numbers are worked from them by hand.
"""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from terrain.data import Cloud, PoseModel, Scan, SensorModel, Trajectory
from terrain.fuse.motion import fuse

SENSOR = SensorModel(mount_translation_m=[0.0, 0.0, 0.0], mount_rotation_xyzw=[0.0, 0.0, 0.0, 1.0])


def fused(trajectory: Trajectory, xyz_m: np.ndarray, time_s: np.ndarray) -> Cloud:
    scan = Scan(source="a.laz", xyz_m=xyz_m, time_s=time_s)
    return fuse([scan], trajectory=trajectory, sensor=SENSOR, poses=PoseModel(max_gap_s=1.0))[0]


def turning(yaws: np.ndarray) -> np.ndarray:
    return Rotation.from_euler("z", np.reshape(yaws, (-1, 1))).as_quat()


def test_turning_smears_a_scan_by_a_quarter_metre() -> None:
    """0.5 rad/s for 0.1 s at 5 m: 0.250 m along the arc, 0.24997 m across; poses take all of it back."""
    time_s = np.linspace(0.0, 0.1, 101)
    yaws = 0.5 * time_s
    seen = np.column_stack((5.0 * np.cos(-yaws), 5.0 * np.sin(-yaws), np.zeros(101)))
    assert math.dist(seen[0], seen[-1]) == pytest.approx(0.24997, abs=5e-6)
    trajectory = Trajectory(time_s=[0.0, 0.1], position_m=np.zeros((2, 3)), rotation_xyzw=turning(yaws[[0, -1]]))
    cloud = fused(trajectory, seen, time_s)
    assert np.abs(cloud.xyz_map_m - [5.0, 0.0, 0.0]).max() < 1e-9
    standing = Trajectory(time_s=[0.0, 0.1], position_m=np.zeros((2, 3)), rotation_xyzw=turning(np.zeros(2)))
    left = fused(standing, seen, time_s).xyz_map_m
    assert math.dist(left[0], left[-1]) == pytest.approx(0.24997, abs=5e-6)


def test_walking_smears_a_scan_by_eight_centimetres() -> None:
    """0.8 m/s for 0.1 s: 0.08 m."""
    time_s = np.linspace(0.0, 0.1, 101)
    seen = np.column_stack((5.0 - 0.8 * time_s, np.zeros(101), np.zeros(101)))
    assert seen[0, 0] - seen[-1, 0] == pytest.approx(0.08)
    trajectory = Trajectory(
        time_s=[0.0, 0.1], position_m=[[0.0, 0.0, 0.0], [0.08, 0.0, 0.0]], rotation_xyzw=turning(np.zeros(2))
    )
    assert np.abs(fused(trajectory, seen, time_s).xyz_map_m - [5.0, 0.0, 0.0]).max() < 1e-12


@pytest.mark.parametrize(("rate_hz", "worst_mm"), [(10, 6.25), (50, 0.25)])
def test_acceleration_between_poses(rate_hz: int, worst_mm: float) -> None:
    """5 m/s^2 from standstill: a dt^2 / 8 is 6.25 mm at 10 Hz and 0.25 mm at 50 Hz."""
    pose_s = np.arange(0, rate_hz + 1) / rate_hz
    place = np.column_stack((2.5 * pose_s**2, np.zeros_like(pose_s), np.zeros_like(pose_s)))
    trajectory = Trajectory(time_s=pose_s, position_m=place, rotation_xyzw=turning(np.zeros_like(pose_s)))
    time_s = np.linspace(0.0, 1.0, 4001)
    seen = np.column_stack((9.0 - 2.5 * time_s**2, np.zeros(4001), np.zeros(4001)))
    error_mm = 1000.0 * np.abs(fused(trajectory, seen, time_s).xyz_map_m[:, 0] - 9.0).max()
    assert error_mm == pytest.approx(worst_mm, rel=1e-3)


@pytest.mark.parametrize(("rate_hz", "worst_mm"), [(10, 62.5), (50, 2.5)])
def test_angular_acceleration_between_poses(rate_hz: int, worst_mm: float) -> None:
    """10 rad/s^2 seen at 5 m: 62.5 mm at 10 Hz and 2.5 mm at 50 Hz, along the arc."""
    pose_s = np.arange(0, rate_hz // 5 + 1) / rate_hz
    trajectory = Trajectory(
        time_s=pose_s, position_m=np.zeros((len(pose_s), 3)), rotation_xyzw=turning(5.0 * pose_s**2)
    )
    time_s = np.linspace(0.0, 0.2, 4001)
    yaw = 5.0 * time_s**2
    seen = np.column_stack((5.0 * np.cos(yaw), -5.0 * np.sin(yaw), np.zeros(4001)))
    x, y, _ = fused(trajectory, seen, time_s).xyz_map_m.T
    error_mm = 1000.0 * 5.0 * np.abs(np.arctan2(y, x)).max()
    assert error_mm == pytest.approx(worst_mm, rel=1e-3)
