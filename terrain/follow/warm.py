"""Everything that a version needs, loaded and compiled before the first scan arrives."""

from __future__ import annotations

import numpy as np

from terrain.data import Cloud, FootProfile, PoseModel, Scan, SensorModel, Trajectory
from terrain.follow.changes import Changes
from terrain.follow.hands import Hands
from terrain.follow.points import Points
from terrain.follow.publish import Publisher
from terrain.follow.windows import Windows
from terrain.fusing import Clock

SIDE_M = 1.2
PER_SIDE = 100
STEP_M = 0.2
SLOT_M = 0.35
JOINT_M = 0.45, 0.009
ASKEW_M = 0.96, 0.90, 0.014
"""Where what is open on the tread lies, and half its width: so narrow that it is told by a lack of points."""


def warm_up(foot: FootProfile, publisher: Publisher, hands: Hands | None) -> None:
    """Make a small floor with a step in it, as a version is made, have it judged and written, and forget it.

    Hands make it meanwhile, and then know no points.
    """
    import laspy  # noqa: F401

    from terrain.read import bag_poses, clouds, las, pose_checks, poses  # noqa: F401

    _fuse_little()
    points, changes = Points(), Changes(foot)
    found = points.append(_floor())
    if hands is not None:
        hands.practise(points, foot)
    windows = Windows(points, foot, whole=False)
    changes.take(found, windows.mosaic, points.in_tile, 0.0)
    windows.renew(points.in_tile, Clock())
    changes.renewed(points.in_tile, points)
    changes.take(points.append(_floor()), windows.mosaic, points.in_tile, 0.0)
    publisher.warm_up(windows.renewed(), foot)
    if hands is not None:
        hands.settle()


def _fuse_little() -> None:
    """Decode and place a few points, and forget them."""
    from terrain.fuse.motion import fuse_sensors
    from terrain.kernels.decode import scale_columns

    count, four = 8, np.arange(4.0)
    stored = np.zeros(count, dtype=[("X", "<i4"), ("Y", "<i4"), ("Z", "<i4"), ("gps_time", "<f8")])
    xyz_m, time_s = np.empty((count, 3)), np.empty(count)
    columns = (stored[name] for name in ("X", "Y", "Z", "gps_time"))
    scale_columns(0, count, *columns, np.full(3, 0.001), np.ones(3), xyz_m, time_s)
    still = Trajectory(four, np.zeros((4, 3)), np.tile([0.0, 0.0, 0.0, 1.0], (4, 1)))
    scans = [Scan("", xyz_m, np.linspace(0.5, 2.5, count))]
    model = SensorModel(np.zeros(3), np.array([0.0, 0.0, 0.0, 1.0]))
    fuse_sensors([(model, scans)], trajectory=still, poses=PoseModel(max_gap_s=2.0), may_be_empty=True)


def _floor() -> Cloud:
    """Return points of a level floor with a slot in it, a riser and a tread beyond, with a little noise in height.

    The tread has a joint and, askew, an opening, where there are no points. And of someone who stood over the floor in
    the beginning, where beams went through later.
    """
    rng = np.random.default_rng(0)
    x, y = ((np.indices((PER_SIDE, PER_SIDE)).reshape(2, -1) + 0.5) * (SIDE_M / PER_SIDE)).astype(np.float64)
    top = np.where(x > 0.6 * SIDE_M, STEP_M, 0.0)
    top[np.abs(x - SLOT_M) < 0.02] = -0.08
    x, y = (np.stack([x, y]) + rng.uniform(-0.005, 0.005, (2, len(x)))).astype(np.float64)
    away = (np.abs(y - JOINT_M[0]) < JOINT_M[1]) | (
        np.abs(0.5 * (x - ASKEW_M[0]) - 0.87 * (y - ASKEW_M[1])) < ASKEW_M[2]
    )
    x, y, top = np.stack([x, y, top])[:, (top < STEP_M) | ~away]
    riser = np.column_stack([np.full(1000, 0.6 * SIDE_M), rng.uniform(0, SIDE_M, 1000), rng.uniform(0, STEP_M, 1000)])
    someone = rng.uniform([0.5, 0.4, 0.1], [0.6, 0.6, 0.3], (300, 3))
    xyz = np.concatenate([np.column_stack([x, y, top]), riser, someone])
    xyz[:, 2] += rng.normal(0.0, 0.002, len(xyz))
    view = np.tile(np.array([-0.5, 0.5 * SIDE_M, 1.0], dtype=np.float32), (len(xyz), 1))
    sd = np.full(len(xyz), 0.004, dtype=np.float32)
    time_s = np.concatenate([rng.permutation(np.linspace(1.0, 9.0, len(xyz) - 300)), np.linspace(0.0, 0.1, 300)])
    return Cloud(xyz, time_s, view, sd, sd, np.zeros(3))
