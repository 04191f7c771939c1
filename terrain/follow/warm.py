"""Everything that a version needs, loaded and compiled before the first scan arrives."""

from __future__ import annotations

import numpy as np

from terrain.data import Cloud, FootProfile
from terrain.follow.hands import Hands
from terrain.follow.points import Points
from terrain.follow.publish import Publisher
from terrain.follow.windows import Windows
from terrain.fusing import Clock

SIDE_M = 1.2
PER_SIDE = 100
STEP_M = 0.2
SLOT_M = 0.35


def warm_up(foot: FootProfile, publisher: Publisher, hands: Hands | None) -> None:
    """Make a small floor with a step in it, as a version is made, have it judged and written, and forget it.

    Hands make it meanwhile, and then know no points.
    """
    import laspy  # noqa: F401

    from terrain.read import clouds, poses  # noqa: F401

    points = Points()
    points.append(_floor())
    if hands is not None:
        hands.practise(points, foot)
    windows = Windows(points, foot, whole=False)
    windows.renew(points.in_tile, Clock())
    for tile, xyz_m in points.append(_floor()).items():
        windows.mosaic.unexplained(tile, xyz_m, off_m=foot.drop_m, over_m=foot.clear_height_m)
    publisher.warm_up(windows.renewed(), foot)
    if hands is not None:
        hands.settle()


def _floor() -> Cloud:
    """Return points of a level floor with a slot in it, a riser and a tread beyond, with a little noise in height.

    And of someone who stood over the floor in the beginning, where beams went through later.
    """
    rng = np.random.default_rng(0)
    x, y = ((np.indices((PER_SIDE, PER_SIDE)).reshape(2, -1) + 0.5) * (SIDE_M / PER_SIDE)).astype(np.float64)
    top = np.where(x > 0.6 * SIDE_M, STEP_M, 0.0)
    top[np.abs(x - SLOT_M) < 0.02] = -0.08
    riser = np.column_stack([np.full(1000, 0.6 * SIDE_M), rng.uniform(0, SIDE_M, 1000), rng.uniform(0, STEP_M, 1000)])
    someone = rng.uniform([0.5, 0.4, 0.1], [0.6, 0.6, 0.3], (300, 3))
    xyz = np.concatenate([np.column_stack([x, y, top]), riser, someone])
    xyz[:, 2] += rng.normal(0.0, 0.002, len(xyz))
    view = np.tile(np.array([-0.5, 0.5 * SIDE_M, 1.0], dtype=np.float32), (len(xyz), 1))
    sd = np.full(len(xyz), 0.004, dtype=np.float32)
    time_s = np.concatenate([rng.permutation(np.linspace(1.0, 9.0, len(xyz) - 300)), np.linspace(0.0, 0.1, 300)])
    return Cloud(xyz, time_s, view, sd, sd, np.zeros(3))
