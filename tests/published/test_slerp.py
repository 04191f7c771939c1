"""Spherical interpolation between two attitudes.

Source: K. Shoemake, "Animating rotation with quaternion curves", SIGGRAPH 1985 (from memory): q(t) = (sin((1 - t) w)
q0 + sin(t w) q1) / sin w. The numbers for a quarter turn follow from it by hand: a third of 90 degrees is 30 degrees,
(0, 0, sin 15, cos 15) = (0, 0, 0.258819, 0.965926); a normalised straight line would give 29.278 degrees.
"""

import math

import numpy as np
import pytest

from terrain.data import PoseModel, Scan, SensorModel, Trajectory
from terrain.fuse.motion import fuse

HALF = math.sqrt(0.5)


def yaw_at(share: float, start: list[float], end: list[float]) -> float:
    """Return the yaw in degrees that fusing gives a point `share` of the way from one attitude to the other."""
    trajectory = Trajectory(time_s=[0.0, 1.0], position_m=np.zeros((2, 3)), rotation_xyzw=[start, end])
    sensor = SensorModel(mount_translation_m=[0.0, 0.0, 0.0], mount_rotation_xyzw=[0.0, 0.0, 0.0, 1.0])
    scan = Scan(source="a.laz", xyz_m=[[1.0, 0.0, 0.0]], time_s=[share])
    cloud, _ = fuse([scan], trajectory=trajectory, sensor=sensor, poses=PoseModel(max_gap_s=1.0))
    x, y, z = cloud.xyz_map_m[0]
    assert z == pytest.approx(0.0, abs=1e-12)
    return math.degrees(math.atan2(y, x))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_third_of_a_quarter_turn(sign: float) -> None:
    """The negated end quaternion is the same attitude and must give the same way there."""
    yaw = yaw_at(1.0 / 3.0, [0.0, 0.0, 0.0, 1.0], [0.0, 0.0, sign * HALF, sign * HALF])
    assert yaw == pytest.approx(30.0, abs=1e-9)
    assert math.sin(math.radians(yaw / 2.0)) == pytest.approx(0.258819, abs=5e-7)
    assert math.cos(math.radians(yaw / 2.0)) == pytest.approx(0.965926, abs=5e-7)
    straight = math.degrees(2.0 * math.atan2(HALF / 3.0, 2.0 / 3.0 + HALF / 3.0))
    assert straight == pytest.approx(29.278, abs=5e-4)
    assert abs(yaw - straight) > 0.7


@pytest.mark.parametrize("share", [0.0, 0.1, 0.25, 0.5, 0.9, 1.0])
@pytest.mark.parametrize("whole_deg", [0.0, 1e-7, 0.01, 30.0, 120.0, 179.0])
def test_the_turn_is_even(share: float, whole_deg: float) -> None:
    half = math.radians(whole_deg / 2.0)
    yaw = yaw_at(share, [0.0, 0.0, 0.0, 1.0], [0.0, 0.0, math.sin(half), math.cos(half)])
    assert yaw == pytest.approx(share * whole_deg, abs=1e-9)
