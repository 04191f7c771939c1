"""Stones too small to be a surface and too low to be an obstacle: the truth is worked out by hand.

A sole whose load stands at x = 0 and whose heel lies 0.09 m behind it comes to rest on its heel and on the near edge of
a stone at x = 0.05: tilted by atan(height / 0.14).
"""

from __future__ import annotations

import numpy as np
import pytest

from terrain.data import Cloud, FloatArray, Label, Verdicts
from terrain.ground.build import build_ground
from terrain.score.placements import judge_placements
from terrain.segment.patches import segment_planes
from tests.support.clouds import level_top, riser
from tests.support.grounds import biped
from tests.support.surveys import turned

NEAR_M, WIDE_M = 0.05, 0.03
NOISE_M = 0.003


def floor_with_stone(seed: int, height_m: float) -> FloatArray:
    """Return noisy returns of a floor at 0 and of a stone of 3 x 3 cm that lies on it ahead of the origin."""
    rng = np.random.default_rng(seed)
    x, y = (NEAR_M, NEAR_M + WIDE_M), (-WIDE_M / 2, WIDE_M / 2)
    floor = level_top(rng, (-0.6, 0.6), (-0.5, 0.5), 0.0, per_m2=20_000)
    under = (floor[:, 0] > x[0]) & (floor[:, 0] < x[1]) & (np.abs(floor[:, 1]) < y[1])
    sides = [riser(rng, side, y, (0.0, height_m), per_m2=20_000) for side in x]
    sides += [turned(riser(rng, side, x, (0.0, height_m), per_m2=20_000)) for side in y]
    xyz = np.concatenate([floor[~under], level_top(rng, x, y, height_m, per_m2=20_000), *sides])
    return xyz + rng.normal(0.0, NOISE_M, xyz.shape) * [0.0, 0.0, 1.0]


def judged(xyz: FloatArray, placement: tuple[float, float, float]) -> Verdicts:
    spread = np.full(len(xyz), NOISE_M, dtype=np.float32)
    cloud = Cloud(xyz, None, None, spread, spread, np.zeros(3))
    foot = biped()
    ground, _ = build_ground(cloud, segment_planes(cloud, joint_m=foot.joint_m), joint_m=foot.joint_m, drop_m=0.04)
    return judge_placements(ground, foot, np.array([placement]))


@pytest.mark.parametrize("seed", range(6))
def test_a_sole_tips_back_on_a_stone_lower_than_the_drop(seed: int) -> None:
    """Edges of stones are known to a cell and heights to twice the noise: 2.5 degrees."""
    verdict = judged(floor_with_stone(seed, 0.03), (0.0, 0.0, 0.0))
    assert np.degrees(verdict.slope_rad[0]) == pytest.approx(np.degrees(np.arctan2(0.03, 0.14)), abs=2.5)
    assert verdict.support[0] < 0.75
    assert verdict.label[0] == Label.UNSTEPPABLE


@pytest.mark.parametrize("seed", range(3))
def test_beside_the_stone_the_floor_is_the_floor(seed: int) -> None:
    verdict = judged(floor_with_stone(seed, 0.03), (-0.2, 0.2, 0.0))
    assert np.degrees(verdict.slope_rad[0]) < 0.5
    assert verdict.support[0] > 0.97
