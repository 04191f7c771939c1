"""The trap of a stair: one plane along the nosings.

Source: Qian and Ye, IEEE Trans. Cybernetics 44(12), 2014: a plane found by RANSAC over a whole scan can straddle the
steps of a stair. Stair of 178 mm risers and 279 mm treads, 32.5 degrees: International Building Code 1011.5.2, from a
secondary source. The shares of a nosing plane's inliers are recomputed here.
"""

from __future__ import annotations

import numpy as np
import pytest

from terrain.data import FloatArray, Patches
from terrain.segment.patches import segment_planes
from tests.support.clouds import range_noise, seen_from, stair

RISE, GOING, STEPS = 0.178, 0.279, 5


@pytest.mark.parametrize(("threshold_mm", "share"), [(20, 0.27), (30, 0.40), (50, 0.67)])
def test_the_nosing_plane_really_gathers_inliers(threshold_mm: int, share: float) -> None:
    """A plane at the stair's pitch through the middle of the treads: distance along its normal."""
    pitch = np.arctan2(RISE, GOING)
    assert np.degrees(pitch) == pytest.approx(32.5, abs=0.05)
    x = np.linspace(-0.5, 0.5, 100_001) * GOING
    inside = np.abs(x * np.sin(pitch)) <= threshold_mm / 1000
    assert inside.mean() == pytest.approx(share, abs=0.005)


def patches_of_stair(noise_m: float, seed: int) -> tuple[Patches, FloatArray]:
    """Return patches and their slopes in degrees, 0 to 90."""
    rng = np.random.default_rng(seed)
    eye = (-1.5, 0.45, 1.6)
    true = stair(rng, steps=STEPS, rise=RISE, going=GOING)
    xyz = range_noise(rng, true, np.array(eye), noise_m)
    patches = segment_planes(seen_from(xyz, eye, sd=noise_m), joint_m=0.025).patches
    return patches, np.degrees(np.arccos(np.clip(np.abs(patches.normal[:, 2]), 0.0, 1.0)))


@pytest.mark.parametrize("noise_m", [0.002, 0.005, 0.008])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_stair_is_its_treads_and_risers(noise_m: float, seed: int) -> None:
    """Five level planes, none between 25 and 40 degrees."""
    patches, slope = patches_of_stair(noise_m, seed)
    treads = np.flatnonzero(slope < 3.0)
    assert len(treads) == STEPS
    height = np.sort(patches.centre_m[treads, 2])
    assert height == pytest.approx(RISE * np.arange(1, STEPS + 1), abs=0.003)
    assert patches.area_m2[treads] == pytest.approx(GOING * 0.9, rel=0.20)
    assert patches.upward[treads].all()
    assert not patches.upward[slope > 80.0].any()
    assert not ((slope > 25.0) & (slope < 40.0)).any()


def test_nothing_but_treads_and_risers() -> None:
    for seed in (1, 2, 7):
        _, slope = patches_of_stair(0.005, seed)
        assert not ((slope > 10.0) & (slope < 75.0)).any()
