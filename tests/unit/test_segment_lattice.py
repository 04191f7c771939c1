"""Clouds as programs make them: on a lattice, without noise, without viewpoints; truth is how the cloud was made."""

from __future__ import annotations

import numpy as np
import pytest

from terrain.data import Cloud, FloatArray
from terrain.segment.joints import SUSPECTED
from terrain.segment.lattice import line_distance, off_lattice
from terrain.segment.patches import segment_planes
from tests.support.clouds import level_top, riser
from tests.support.surveys import turned


def cloud_of(xyz: FloatArray, *, sd: float = 0.003) -> Cloud:
    """Return a fused cloud without times and viewpoints."""
    spread = np.full(len(xyz), sd, dtype=np.float32)
    return Cloud(xyz, None, None, spread, spread, np.zeros(3))


def meshed(x_m: tuple[float, float], y_m: tuple[float, float], step_m: float, turn_rad: float = 0.0) -> FloatArray:
    """Return a level floor at z = 0 as the middles of square meshes."""
    x, y = np.meshgrid(*(np.arange(low + step_m / 2, high, step_m) for low, high in (x_m, y_m)))
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    xy = np.column_stack([x.ravel(), y.ravel()]) @ np.array([[c, s], [-s, c]])
    return np.column_stack([xy, np.zeros(len(xy))])


@pytest.mark.parametrize("step_m", [0.004, 0.007, 0.012, 0.02, 0.03])
def test_the_distance_of_lines_is_found(step_m: float) -> None:
    rng = np.random.default_rng(1)
    lines = step_m * rng.integers(0, int(0.9 / step_m), 3000).astype(np.float64)
    assert line_distance(lines) == pytest.approx(step_m, rel=0.03)
    assert line_distance(lines + rng.normal(0.0, 0.1 * step_m, 3000)) == pytest.approx(step_m, rel=0.03)


@pytest.mark.parametrize("seed", range(5))
def test_scattered_returns_lie_on_no_lines(seed: int) -> None:
    xy = np.random.default_rng(seed).uniform(0.0, 1.5, (4000, 2))
    assert line_distance(xy[:, 0]) == 0.0
    assert off_lattice(xy, 0.4) is xy


@pytest.mark.parametrize("turn_rad", [0.0, 0.5])
def test_returns_stay_in_their_mesh(turn_rad: float) -> None:
    xy = meshed((0.0, 1.0), (0.0, 1.0), 0.012, turn_rad)[:, :2]
    moved = off_lattice(xy, turn_rad)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    step = (moved - xy) @ np.array([[c, -s], [s, c]])
    assert np.abs(step).max() < 0.0063
    assert step.std(axis=0) == pytest.approx(0.012 / np.sqrt(12.0), rel=0.05)  # an even spread over 12 mm
    assert line_distance(moved @ np.array([c, s])) == 0.0
    order = np.random.default_rng(2).permutation(len(xy))
    assert (off_lattice(xy[order], turn_rad) == moved[order]).all()


@pytest.mark.parametrize("turn_rad", [0.0, 0.5])
@pytest.mark.parametrize("step_m", [0.007, 0.012, 0.016, 0.02])
def test_a_floor_on_a_lattice_is_one_patch(step_m: float, turn_rad: float) -> None:
    patches = segment_planes(cloud_of(meshed((-0.8, 0.8), (-0.6, 0.6), step_m, turn_rad)), joint_m=0.025).patches
    assert len(patches) == 1
    assert patches.area_m2[0] == pytest.approx(1.6 * 1.2, rel=0.05)
    assert not patches.outline[0].interiors


def two_slabs(seed: int, gap_m: float, per_m2: float) -> FloatArray:
    rng = np.random.default_rng(seed)
    sides = []
    for low, high in ((-0.6, -gap_m / 2), (gap_m / 2, 0.6)):
        count = round((high - low) * per_m2)
        sides.append(np.column_stack([rng.uniform(low, high, count), rng.uniform(-0.5, 0.5, count), np.zeros(count)]))
    return np.concatenate(sides)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("gap_m", "parts"), [(0.008, 1), (0.03, 2), (0.035, 2), (0.045, 2)])
def test_a_gap_parts_two_slabs_by_its_width(gap_m: float, parts: int, seed: int) -> None:
    """joint_m is 25 mm: under half of it parts nothing, over it does."""
    patches = segment_planes(cloud_of(two_slabs(seed, gap_m, 15_000)), joint_m=0.025).patches
    assert (patches.area_m2 > 0.1).sum() == parts


def test_level_floors_have_hardly_a_joint() -> None:
    """One whole floor of 2.5 square metres: what is called a joint on it is chance, and must be rare."""
    suspected = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        xyz = np.column_stack([rng.uniform(-0.8, 0.8, (38_000, 2)), rng.normal(0.0, 0.003, 38_000)])
        masks = segment_planes(cloud_of(xyz), joint_m=0.025).masks
        suspected += bool((masks.window(0) == SUSPECTED).any())
    assert suspected <= 1


@pytest.mark.parametrize("seed", range(3))
def test_a_small_block_is_a_patch_without_any_noise(seed: int) -> None:
    """A floor whose returns do not scatter at all is no measure of how rough a block of 0.2 x 0.2 m may be."""
    rng = np.random.default_rng(seed)
    floor = level_top(rng, (-0.8, 0.8), (-0.8, 0.8), 0.0, per_m2=20_000)
    floor = floor[(np.abs(floor[:, :2]) > 0.1).any(axis=1)]
    sides = [riser(rng, side, (-0.1, 0.1), (0.0, 0.3), per_m2=20_000) for side in (-0.1, 0.1)]
    sides += [turned(riser(rng, side, (-0.1, 0.1), (0.0, 0.3), per_m2=20_000)) for side in (-0.1, 0.1)]
    top = level_top(rng, (-0.1, 0.1), (-0.1, 0.1), 0.3, per_m2=30_000)
    patches = segment_planes(cloud_of(np.concatenate([floor, top, *sides]), sd=0.002), joint_m=0.025).patches
    tops = np.flatnonzero(patches.upward & (np.abs(patches.centre_m[:, 2] - 0.3) < 0.005))
    assert len(tops) == 1
    assert patches.area_m2[tops[0]] == pytest.approx(0.04, rel=0.15)
