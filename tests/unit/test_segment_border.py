"""What a plane is told by: returns well inside its patch, since near the border some belong to what is beside it.

A bed of tilted blocks, whose returns are known to 6 mm along the beam and 6 mm aside, as poses leave them. The truth is
how each block was laid; coverage of 2 sd is 95.4 % for normal errors (textbook).
"""

from __future__ import annotations

import numpy as np
import pytest

from terrain.data import Cloud, FloatArray
from terrain.segment.patches import segment_planes

SIDE_M, GAP_M, ROWS = 0.30, 0.02, 4
NOISE_M, ASIDE_M, PER_M2 = 0.006, 0.006, 10_000


def blocks(seed: int) -> tuple[Cloud, FloatArray, FloatArray]:
    """Return a bed of square blocks, each tilted and set a little higher or lower, its slopes and its middles."""
    rng = np.random.default_rng(seed)
    middle = (SIDE_M + GAP_M) * np.stack(np.meshgrid(range(ROWS), range(ROWS)), axis=-1).reshape(-1, 2)
    slope, height = rng.uniform(-0.12, 0.12, (ROWS**2, 2)), rng.uniform(-0.006, 0.006, ROWS**2)
    parts = []
    for k in range(ROWS**2):
        off = rng.uniform(-0.5 * SIDE_M, 0.5 * SIDE_M, (round(SIDE_M**2 * PER_M2), 2))
        parts.append(np.column_stack([middle[k] + off, height[k] + off @ slope[k]]))
    xyz = np.concatenate(parts)
    eye = np.array([rng.uniform(0.0, 1.0), -2.0, 1.6])
    beam = (xyz - eye) / np.linalg.norm(xyz - eye, axis=1, keepdims=True)
    n = len(xyz)
    cloud = Cloud(
        xyz_map_m=xyz
        + beam * rng.normal(0.0, NOISE_M, n)[:, None]
        + rng.normal(0.0, ASIDE_M, (n, 3)) * (1.0, 1.0, 0.0),
        time_s=None,
        view_map_m=np.tile(eye.astype(np.float32), (n, 1)),
        sd_m=np.full(n, NOISE_M, dtype=np.float32),
        cross_sd_m=np.full(n, ASIDE_M, dtype=np.float32),
        origin_m=np.zeros(3),
    )
    return cloud, slope, middle


def tilts(seeds: range) -> tuple[FloatArray, FloatArray]:
    """Return the errors of the slopes of all blocks that are one patch each, (n, 2), and their stated sds, (n,)."""
    errors, sds = [], []
    for seed in seeds:
        cloud, slope, middle = blocks(seed)
        patches = segment_planes(cloud, joint_m=0.025).patches
        away = np.abs(patches.centre_m[:, None, :2] - middle[None]).max(axis=2)
        for k in np.flatnonzero(patches.upward & (away.min(axis=1) < 0.04)):
            if 0.06 < patches.area_m2[k] < 0.11:
                normal = patches.normal[k]
                errors.append(-normal[:2] / normal[2] - slope[away[k].argmin()])
                sds.append(patches.slope_sd_rad[k])
    return np.array(errors), np.array(sds)


@pytest.fixture(scope="module")
def measured() -> tuple[FloatArray, FloatArray]:
    return tilts(range(6))


def test_the_stated_sd_covers_what_neighbours_do_to_a_slope(measured: tuple[FloatArray, FloatArray]) -> None:
    errors, sds = measured
    assert len(sds) >= 60
    assert (np.abs(errors) < 2.0 * sds[:, None]).mean() > 0.94


def test_neighbours_hardly_tilt_a_block(measured: tuple[FloatArray, FloatArray]) -> None:
    """Without neighbours: sd sqrt(12 / n) of the noise over the side, here for the inner 26 cm, and 3 mm of its own."""
    errors, _ = measured
    side = SIDE_M - 0.04
    alone = np.hypot(NOISE_M, 0.003) * np.sqrt(12.0 / (PER_M2 * side**2)) / side
    assert np.sqrt((errors**2).mean()) < 1.1 * alone
