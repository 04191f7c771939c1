"""The trap of a stair: one plane along the nosings.

Source: Qian and Ye, IEEE Trans. Cybernetics 44(12), 2014: a plane found by RANSAC over a whole scan can straddle the
steps of a stair. Stair of 178 mm risers and 279 mm treads, 32.5 degrees: International Building Code 1011.5.2, from a
secondary source. The shares of a nosing plane's inliers are recomputed here.
"""

from __future__ import annotations

import numpy as np
import pytest

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


SEAMS = pytest.mark.xfail(strict=True, reason="strips along the nosings are taken for planes of their own")


@pytest.mark.parametrize("noise_m", [0.002, pytest.param(0.005, marks=SEAMS), 0.008])
def test_a_stair_is_its_treads_and_risers(noise_m: float) -> None:
    for seed in (1, 2, 8):
        rng = np.random.default_rng(seed)
        eye = (-1.5, 0.45, 1.6)
        true = stair(rng, steps=STEPS, rise=RISE, going=GOING)
        xyz = range_noise(rng, true, np.array(eye), noise_m)
        patches = segment_planes(seen_from(xyz, eye, sd=noise_m), joint_m=0.025).patches
        slope = np.degrees(np.arccos(np.clip(np.abs(patches.normal[:, 2]), 0.0, 1.0)))
        treads = np.flatnonzero(slope < 3.0)
        assert len(treads) == STEPS
        height = np.sort(patches.centre_m[treads, 2])
        assert height == pytest.approx(RISE * np.arange(1, STEPS + 1), abs=0.003)
        assert patches.area_m2[treads] == pytest.approx(GOING * 0.9, rel=0.20)
        assert patches.upward[treads].all()
        assert not patches.upward[slope > 80.0].any()
        assert not ((slope > 25.0) & (slope < 40.0)).any()
