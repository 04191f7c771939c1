"""Kernels of the free-space test against plain NumPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from terrain.kernels import freespace

LOW = np.array([-1.0, -2.0, -0.5])
SIZE = 0.04


@pytest.fixture(scope="module")
def points() -> np.ndarray:
    rng = np.random.default_rng(1)
    return rng.uniform([-0.9, -1.9, -0.4], [1.0, 0.0, 0.4], (4000, 3))


@pytest.fixture(scope="module")
def grid(points: np.ndarray) -> np.ndarray:
    out = np.full((16, 16, 8), -1, dtype=np.int32)
    freespace.mark_blocks(points, 0, len(points), LOW, SIZE, out)
    filled = np.flatnonzero(out.reshape(-1) == 0)
    out.reshape(-1)[filled] = np.arange(len(filled))
    return out


def counted(points: np.ndarray, grid: np.ndarray, time: np.ndarray, parts: int) -> tuple[np.ndarray, np.ndarray]:
    slot = np.full(len(points), -1, dtype=np.int64)
    packed = np.zeros((grid.max() + 1) * freespace.SLOTS, dtype=np.int64)
    for part in range(parts):
        freespace.count_hits(points, time, 0.0, 0.5, LOW, SIZE, grid, part, parts, slot, packed)
    return slot, packed


def test_bounds_are_those_of_numpy(points: np.ndarray) -> None:
    low, high = np.empty(3), np.empty(3)
    freespace.bounds(points, low, high)
    assert np.array_equal(low, points.min(axis=0))
    assert np.array_equal(high, points.max(axis=0))


@pytest.mark.parametrize("parts", [1, 3])
def test_hits_and_looks_by_voxel(points: np.ndarray, grid: np.ndarray, parts: int) -> None:
    time = np.sort(np.random.default_rng(2).uniform(0.0, 5.0, len(points)))
    slot, packed = counted(points, grid, time, parts)
    cell = np.floor((points - LOW) / SIZE).astype(int)
    _, group = np.unique(cell, axis=0, return_inverse=True)
    # Voxels and slots are the same partition of the points.
    assert len(np.unique(np.column_stack([group, slot]), axis=0)) == group.max() + 1 == len(np.unique(slot))
    assert np.array_equal(packed[slot] & freespace.FULL, np.bincount(group)[group])
    looks = [len(np.unique(np.floor(time[group == g] / 0.5))) for g in range(200)]
    first = [int(slot[group == g][0]) for g in range(200)]
    assert ((packed[first] >> 16) & freespace.FULL).tolist() == looks


def test_points_outside_the_grid_have_no_slot(grid: np.ndarray) -> None:
    outside = np.array([[-1.2, -1.0, 0.0], [9.0, -1.0, 0.0], [0.0, -1.0, 4.0]])
    slot, packed = counted(outside, grid, np.zeros(3), 1)
    assert (slot == -1).all()
    assert not packed.any()


def test_beams_near_a_centre_are_those_that_geometry_says(grid: np.ndarray) -> None:
    """Every beam against every centre: distance of the centre from the line, and how far before the end it lies."""
    rng = np.random.default_rng(4)
    blocks = rng.choice(grid.max() + 1, 150, replace=False)
    corner = np.array([np.argwhere(grid == block)[0] for block in np.sort(blocks)]) * 4 * SIZE
    radius, short = 0.02, 0.1
    # Well inside their blocks: a beam close to a centre is then in the centre's block as it passes.
    centre = corner + rng.uniform(0.025, 4 * SIZE - 0.025, (150, 3))
    begin = np.searchsorted(np.sort(blocks), np.arange(grid.max() + 2))
    view = rng.uniform([-3.0, -4.0, -1.0], [3.0, 2.0, 2.0], (6000, 3)).astype(np.float32)
    end = rng.uniform([-1.5, -2.5, -0.9], [1.5, 0.5, 0.7], (6000, 3))
    passed = np.zeros(150, dtype=np.int32)
    arguments = LOW, SIZE, grid, begin, np.ascontiguousarray(centre.T), radius, short, passed
    freespace.walk_beams(end, view, np.zeros(3), 0, len(end), 1, *arguments)
    ray = view - end
    reach = np.linalg.norm(ray, axis=1)
    ray /= reach[:, None]
    to_centre = centre[None] + LOW - end[:, None]
    along = np.einsum("ijk,ik->ij", to_centre, ray)
    off2 = np.square(to_centre).sum(axis=2) - along**2
    near = (off2 < radius**2) & (along >= short) & (along < reach[:, None])
    assert near.sum() > 100
    assert np.array_equal(passed, near.sum(axis=0))
    passed[:] = 0
    freespace.walk_beams(end, view, np.zeros(3), 0, len(end), 3, *arguments)
    assert np.array_equal(passed, near[::3].sum(axis=0))


def test_hits_around_and_planes_around(points: np.ndarray, grid: np.ndarray) -> None:
    rng = np.random.default_rng(5)
    flat = points.copy()
    flat[:, 2] = 0.05 * flat[:, 0] + rng.normal(0.0, 0.002, len(flat))
    level = np.full_like(grid, -1)
    freespace.mark_blocks(flat, 0, len(flat), LOW, SIZE, level)
    filled = np.flatnonzero(level.reshape(-1) == 0)
    level.reshape(-1)[filled] = np.arange(len(filled))
    slot, packed = counted(flat, level, np.zeros(len(flat)), 1)
    hits = packed & freespace.FULL
    cell = np.floor((flat - LOW) / SIZE).astype(np.int64)
    chosen = cell[:50]
    gone = np.zeros(len(hits), dtype=bool)
    gone[slot[::7]] = True
    found = freespace.hits_around(chosen, level, hits, gone)
    near = (np.abs(cell[None] - chosen[:, None]) <= 1).all(axis=2)
    assert np.array_equal(found[:, 1], (near & gone[slot][None]).sum(axis=1))
    assert np.array_equal(found.sum(axis=1), near.sum(axis=1))
    staying = found[:, 0]
    most = int(np.median(staying))
    assert np.array_equal(freespace.are_lone(chosen, level, hits, gone, most), staying <= most)
    number = np.full(len(hits), -1, dtype=np.int32)
    count = freespace.number_around(chosen, level, np.ones(len(hits), dtype=bool), number)
    moments = np.zeros((count, 10))
    freespace.add_moments(flat, slot, number, LOW, moments)
    plane = freespace.planes_around(chosen, level, number, moments, SIZE)
    for k in range(50):
        mine = flat[near[k]] - LOW
        if len(mine) < 8:
            assert np.isnan(plane[k]).all()
            continue
        _, singular, axes = np.linalg.svd(mine - mine.mean(axis=0))
        variance = singular**2 / len(mine)
        if variance[1] <= 4.0 * variance[2] or variance[1] <= 0.04 * SIZE**2:
            continue
        assert abs(plane[k, :3] @ axes[2]) == pytest.approx(1.0, abs=1e-6)
        assert plane[k, :3] @ mine.mean(axis=0) == pytest.approx(plane[k, 3], abs=1e-9)


def test_blocks_around_some_are_those_that_a_dilation_reaches(grid: np.ndarray) -> None:
    """Against SciPy's binary dilation by a cube of three blocks."""
    blocks = np.random.default_rng(6).choice(grid.max() + 1, 20, replace=False)
    corner = np.array([np.argwhere(grid == block)[0] for block in range(grid.max() + 1)]) * freespace.SIDE
    marked = np.zeros(len(corner), dtype=np.bool_)
    freespace.mark_around(blocks, corner, grid, marked)
    reached = binary_dilation(np.isin(grid, blocks), np.ones((3, 3, 3)))
    assert 20 < marked.sum() < len(marked)
    assert np.array_equal(np.flatnonzero(marked), np.sort(grid[reached & (grid >= 0)]))


def test_something_solid_along_a_line(grid: np.ndarray) -> None:
    level = np.full((8, 8, 8), -1, dtype=np.int32)
    level[4, 0, 0] = 0
    solid = np.zeros(64, dtype=bool)
    solid[0] = True  # the voxel from x = 0.64, y = z = 0
    start = np.array([[0.02, 0.02, 0.02]] * 3)
    toward = np.array([[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    reach = np.array([2.0, 2.0, 2.0])
    found = freespace.solid_along(start, toward, reach, level, solid, np.zeros(3), SIZE)
    assert found.tolist() == [True, False, False]
    short = freespace.solid_along(start, toward, np.array([0.3, 2.0, 2.0]), level, solid, np.zeros(3), SIZE)
    assert not short.any()
