"""Holes of a surface: those that beams went through stay open, those that no beam met are chance."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import binary_dilation, convolve, label, maximum_filter

from terrain.data import Cloud
from terrain.kernels.connected import boxes_of
from terrain.kernels.holes import beams_through, weigh_pieces
from terrain.segment.patches import segment_planes

LOW = np.array([100.0, -40.0, 7.0])
CELL = 0.01


def crossing_cells(xyz, view, planes, deep_m):
    """Which beams cross a plane, and end deep beneath it, and in which cell: plain NumPy."""
    local = xyz - LOW
    beam = view - local
    e = local @ planes[:3] - planes[3]
    rise = beam @ planes[:3]
    through = (e <= -deep_m) & (e + rise > 0.0)
    share = np.where(through, -e / np.where(rise == 0.0, 1.0, rise), 0.0)
    met = local + share[:, None] * beam
    return through, np.floor(met[:, :2] / CELL).astype(int)


def height_span(plane, box):
    x, y = np.meshgrid(box[0] + np.array([0, box[2]]), box[1] + np.array([0, box[3]]))
    z = (plane[3] - plane[0] * x * CELL - plane[1] * y * CELL) / plane[2]
    return z.min(), z.max()


@pytest.mark.parametrize("seed", range(3))
def test_beams_through_are_those_that_cross_the_plane_in_the_hole(seed):
    """Sources all around, level beams and steep ones; two holes side by side on one plane, one on a plane above."""
    rng = np.random.default_rng(seed)
    n = 8000
    local = np.column_stack([rng.uniform(-0.5, 1.5, (n, 2)), rng.uniform(-0.3, 0.3, n)])
    view = np.column_stack([rng.uniform(-2.0, 3.0, (n, 2)), rng.uniform(-0.5, 2.0, n)]).astype(np.float32)
    view[:50, :2] = local[:50, :2]  # straight down
    normal = np.array([0.1, -0.05, 1.0]) / np.linalg.norm([0.1, -0.05, 1.0])
    planes = np.array([[*normal, 0.05], [*normal, 0.05], [0.0, 0.0, 1.0, 0.2]])
    box = np.array([[10, 20, 30, 20], [40, 20, 30, 20], [25, 5, 40, 60]])
    offset = np.concatenate([[0], np.cumsum(box[:, 2] * box[:, 3])])
    cells = rng.random(offset[-1]) < 0.6
    side = 16
    squares = {}
    for h, (x, y, nx, ny) in enumerate(box):
        for iy in range(y // side, (y + ny - 1) // side + 1):
            for ix in range(x // side, (x + nx - 1) // side + 1):
                squares.setdefault((iy, ix), []).append(h)
    table = np.full((8, 8), -1, dtype=np.int64)
    first, listed = [0], []
    for number, (place, holes) in enumerate(squares.items()):
        table[place] = number
        listed += holes
        first.append(len(listed))
    found = np.zeros(3, dtype=np.int64)
    span = np.array([height_span(planes[h], box[h]) for h in listed])
    heights = np.array([(span[a:b, 0].min(), span[a:b, 1].max()) for a, b in pairwise(first)])
    beams_through(
        0, len(local), local + LOW, view, LOW, LOW, side * CELL, np.zeros(2), table, np.array(first), np.array(listed),
        heights, planes, box, offset, cells, CELL, 0.03, found,
    )  # fmt: skip
    for h in range(3):
        through, cell = crossing_cells(local + LOW, view.astype(np.float64), planes[h], 0.03)
        j = cell - box[h, :2]
        inside = through & (j >= 0).all(axis=1) & (j < box[h, 2:]).all(axis=1)
        window = cells[offset[h] : offset[h + 1]].reshape(box[h, 3], box[h, 2])
        assert found[h] == window[j[inside, 1], j[inside, 0]].sum()
        assert found[h] > 20


def floor_with_hole(seed, *, open_hole):
    """A floor of 1 by 1 m in lines of returns, and in its middle 5 by 5 cm without any.

    open_hole: the beams that met the hole ended 30 cm deeper; otherwise none met it.
    """
    rng = np.random.default_rng(seed)
    n = 7000
    met = np.column_stack([rng.uniform(0.0, 1.0, (n, 2)), np.zeros(n)])
    hole = (np.abs(met[:, :2] - 0.5) < 0.025).all(axis=1)
    seen_from = np.column_stack([rng.uniform(-1.0, 2.0, (n, 2)), np.full(n, 1.5)])
    unit = met - seen_from
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    end = met + rng.normal(0.0, 0.003, n)[:, None] * unit
    end[hole] += unit[hole] * (0.3 / -unit[hole, 2:])
    kept = np.ones(n, dtype=bool) if open_hole else ~hole
    count = int(kept.sum())
    sd = np.full(count, 0.003, dtype=np.float32)
    return Cloud(
        xyz_map_m=end[kept] + LOW,
        time_s=np.arange(count) * 1e-4,
        origin_m=LOW,
        view_map_m=seen_from[kept].astype(np.float32),
        sd_m=sd,
        cross_sd_m=np.full(count, 0.001, dtype=np.float32),
    )


def covered(cloud):
    """Share of the hole's middle, 3 by 3 cells, that a patch covers."""
    masks = segment_planes(cloud, joint_m=0.025).masks
    x, y = np.meshgrid(np.arange(-1, 2) * CELL + 0.5, np.arange(-1, 2) * CELL + 0.5)
    ix = np.floor((x + LOW[0] - masks.x0_m) / CELL).astype(int).ravel()
    iy = np.floor((y + LOW[1] - masks.y0_m) / CELL).astype(int).ravel()
    window = masks.window(0)
    return float((window[iy - masks.iy0[0], ix - masks.ix0[0]] > 0).mean())


@pytest.mark.parametrize("seed", range(3))
def test_a_hole_that_no_beam_met_is_filled_and_one_that_beams_went_through_is_not(seed):
    """25 cm2 at 0.7 returns each: 17 were to be expected, more than chance lets be missing of scattered returns."""
    assert covered(floor_with_hole(seed, open_hole=False)) > 0.5
    assert covered(floor_with_hole(seed, open_hole=True)) == 0.0


@pytest.mark.parametrize("covered", [False, True])
def test_holes_are_weighed_as_in_plain_scipy(covered):
    rng = np.random.default_rng(7)
    hits = rng.poisson(0.6, (90, 110)).astype(np.uint16)
    misses = rng.poisson(0.05, hits.shape).astype(np.uint16)
    mask = maximum_filter(rng.random(hits.shape) < 0.02, 9)
    pieces = mask & ~maximum_filter(hits > 0, 3) if covered else ~mask
    numbered, count = label(pieces)
    bounds = boxes_of(numbered, count)
    assert count > 5
    number = np.array([k for k in range(1, count + 1) if (bounds[k, :2] >= 4).all() and bounds[k, 2] < 86])
    number = number[bounds[number, 3] < 106]
    assert len(number) > 3
    low = bounds[number, :2] - 4
    box = np.concatenate([low, bounds[number, 2:4] + 5 - low], axis=1)
    cells = np.zeros(int((box[:, 2] * box[:, 3]).sum()), dtype=np.uint8)
    expected, odd = np.zeros(len(number)), np.zeros(len(number))
    weigh_pieces(
        numbered,
        number,
        box,
        mask,
        hits,
        misses,
        covered,
        disc(1.5 if covered else 0.0),
        disc(4.0),
        disc(3.0),
        3.0,
        cells,
        expected,
        odd,
    )
    at = 0
    for p, (top, left, rows, columns) in enumerate(box):
        window = slice(top, top + rows), slice(left, left + columns)
        core = numbered[window] == number[p]
        hole = binary_dilation(core, np.ones((3, 3))) & mask[window] & (hits[window] == 0) if covered else core
        ring = binary_dilation(hole, footprint(4.0)) & mask[window] & ~hole
        wanted = hits[window][ring].mean() * hole.sum() if ring.any() else 0.0
        seen = convolve(hits[window].astype(float), footprint(3.0), mode="constant") >= 3.0
        assert expected[p] == pytest.approx(wanted, rel=1e-12)
        assert odd[p] == misses[window][hole].sum()
        own = cells[at : at + rows * columns].reshape(rows, columns)
        assert (own == (hole if covered else hole & seen)).all()
        at += rows * columns


def footprint(radius):
    y, x = np.mgrid[-int(radius) : int(radius) + 1, -int(radius) : int(radius) + 1]
    return (y * y + x * x <= radius * radius).astype(float)


def disc(radius):
    return np.argwhere(footprint(radius) > 0) - int(radius)
