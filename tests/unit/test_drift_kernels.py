"""Kernels of the drift's equations against plain NumPy."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from terrain.data import FloatArray, IntArray
from terrain.fuse.planes import GRID_SHIFT, grid_index, planar_cells
from terrain.kernels import cells, equations
from terrain.kernels.voxels import rows_by_group


def seen_by_cells(knots: int) -> tuple[IntArray, IntArray, IntArray]:
    """Return first and last row of 40 cells, and the interval of each of their points, rising in each cell."""
    rng = np.random.default_rng(1)
    counts = rng.integers(8, 30, 40)
    interval = [np.sort(rng.choice(rng.choice(knots - 1, 6, replace=False), count)) for count in counts]
    last = np.cumsum(counts)
    return last - counts, last, np.concatenate(interval)


def test_knots_of_cells_are_those_around_their_points() -> None:
    first, last, interval = seen_by_cells(25)
    begins, knots, until = equations.knots_of_cells(first, last, interval)
    for cell in range(len(first)):
        own = interval[first[cell] : last[cell]]
        found = knots[begins[cell] : begins[cell + 1]]
        assert np.array_equal(found, np.union1d(own, own + 1))
        runs = np.split(found, np.flatnonzero(np.diff(found) != 1) + 1)
        ends = begins[cell] + np.repeat(np.cumsum([len(run) for run in runs]), [len(run) for run in runs])
        assert np.array_equal(until[begins[cell] : begins[cell + 1]], ends)


def test_planes_are_eliminated_as_a_schur_complement() -> None:
    """Each cell takes F' M^-1 F off the blocks of its knots, here by full matrices."""
    knots = 25
    rng = np.random.default_rng(2)
    begins, here, until = equations.knots_of_cells(*seen_by_cells(knots))
    fast = rng.normal(size=(3, 6 * len(here)))
    solved = np.empty_like(fast)
    full = np.zeros((6 * knots, 6 * knots))
    for begin, end in pairwise(begins.tolist()):
        root = rng.normal(size=(3, 3))
        own = fast[:, 6 * begin : 6 * end]
        solved[:, 6 * begin : 6 * end] = np.linalg.solve(root @ root.T + np.eye(3), own)
        at = (6 * here[begin:end, None] + np.arange(6)).ravel()
        full[np.ix_(at, at)] -= own.T @ solved[:, 6 * begin : 6 * end]
    seen = np.zeros((knots, knots), dtype=np.bool_)
    equations.mark_pairs(begins, here, seen)
    slot = np.full((knots, knots), -1)
    slot[np.nonzero(seen)] = np.arange(np.count_nonzero(seen))
    blocks = np.full((np.count_nonzero(seen), 6, 6), np.nan)
    order, starts = rows_by_group(here, knots)
    cell_of = np.repeat(np.arange(len(begins) - 1), np.diff(begins))
    for part in ((0, 11), (11, knots)):  # as threads would
        room = np.empty((6, 6 * knots))
        equations.eliminate(*part, order, starts, cell_of, begins, here, until, fast, solved, slot, room, blocks)
    for i, j in zip(*np.nonzero(seen), strict=True):
        assert blocks[slot[i, j]] == pytest.approx(full[6 * i : 6 * i + 6, 6 * j : 6 * j + 6], abs=1e-12)
    assert np.array_equal(seen, np.triu(full.reshape(knots, 6, knots, 6).any(axis=(1, 3))))


@pytest.mark.parametrize("columns", [1, 2, 40])
def test_products_are_those_of_the_full_matrix(columns: int) -> None:
    knots = 12
    rng = np.random.default_rng(3)
    seen = np.triu(rng.uniform(size=(knots, knots)) < 0.5) | np.eye(knots, dtype=np.bool_)
    slot = np.full((knots, knots), -1)
    slot[seen] = np.arange(np.count_nonzero(seen))
    blocks = rng.normal(size=(np.count_nonzero(seen), 6, 6))
    full = np.zeros((6 * knots, 6 * knots))
    for i, j in zip(*np.nonzero(seen), strict=True):
        if i == j:
            blocks[slot[i, j]] += blocks[slot[i, j]].T.copy()
        full[6 * i : 6 * i + 6, 6 * j : 6 * j + 6] = blocks[slot[i, j]]
        full[6 * j : 6 * j + 6, 6 * i : 6 * i + 6] = blocks[slot[i, j]].T
    known, start = rng.normal(size=(2, 6 * knots, columns))
    by_row, by_column = start.reshape(knots, 6, -1).copy(), start.T.copy().reshape(-1, knots, 6)
    for part in ((0, 5), (5, knots)):
        equations.less_products(*part, slot, blocks, known.reshape(knots, 6, -1), by_row)
        equations.less_product(*part, slot, blocks, np.ascontiguousarray(known.T).reshape(-1, knots, 6), by_column)
    assert by_row.reshape(start.shape) == pytest.approx(start - full @ known, abs=1e-12)
    assert by_column.reshape(start.shape[::-1]).T == pytest.approx(start - full @ known, abs=1e-12)


@pytest.fixture(scope="module")
def corner() -> FloatArray:
    """A floor and a wall, a centimetre thick, in no order."""
    rng = np.random.default_rng(4)
    floor = np.column_stack([rng.uniform(-2.0, 2.0, (3000, 2)), np.zeros(3000)])
    wall = np.column_stack([np.full(2000, 2.0), rng.uniform(-2.0, 2.0, 2000), rng.uniform(0.0, 1.5, 2000)])
    xyz = np.concatenate([floor, wall]) + rng.normal(0.0, 0.01, (5000, 3))
    return np.asarray(rng.permutation(xyz))


def test_cells_are_in_the_order_of_their_numbers(corner: FloatArray) -> None:
    """Against NumPy's sort by x, y and z of the cells, which keeps points of a cell in their order."""
    index = grid_index(corner, 0.3)
    low = index.min(axis=0)
    bits = np.array([int(most).bit_length() for most in index.max(axis=0) - low])
    keys = np.empty(len(corner), dtype=np.int64)
    cells.cell_keys(0, len(corner), corner, 0.3, np.array(GRID_SHIFT), low, bits, keys)
    assert np.array_equal(np.argsort(keys, kind="stable"), np.lexsort(index.T[::-1]))
    assert len(np.unique(keys)) == len(np.unique(index, axis=0))


def test_points_are_laid_out_cell_by_cell(corner: FloatArray) -> None:
    rng = np.random.default_rng(5)
    found = planar_cells(corner, cell_m=0.3)
    rows, n = len(found.order), len(corner)
    lever, view, columns = rng.normal(size=(n, 3)), rng.normal(0.0, 3.0, (n, 3)), rng.normal(size=(n, 2, 3))
    sd, cross_sd, time_s = rng.uniform(0.01, 0.02, n), rng.uniform(0.001, 0.03, n), rng.uniform(-0.1, 10.1, n)
    knot_s = np.linspace(0.0, 10.0, 21)
    out = [np.full((rows, *tail), np.nan) for tail in ((3,), (3,), (2, 3), ())]
    interval, share = np.full(rows, -1), np.full(rows, np.nan)
    middle = len(found) // 2
    for part in ((0, middle), (middle, len(found))):  # as threads would
        cells.lay_rows(
            *part, found.first, found.last, found.normal, found.order, corner, lever, columns, corner, view, time_s,
            sd, cross_sd, 0.02, knot_s, *out, interval, share,
        )  # fmt: skip
    for first, last, normal in zip(found.first, found.last, found.normal, strict=True):
        own = found.order[first:last]
        for got, given in zip(out[:3], (corner, lever, columns), strict=True):
            assert np.array_equal(got[first:last], given[own])
        beam = corner[own] - view[own]
        square = (beam @ normal) ** 2 / (beam**2).sum(axis=1)
        expected = np.sqrt(square * sd[own] ** 2 + (1.0 - square) * cross_sd[own] ** 2)
        assert out[3][first:last] == pytest.approx(expected, rel=1e-12)
        at = interval[first:last] + share[first:last]
        assert at == pytest.approx(np.interp(time_s[own] + 0.02, knot_s, np.arange(21.0)), abs=1e-9)
    inside = np.concatenate([np.arange(a, b) for a, b in zip(found.first, found.last, strict=True)])
    assert ((interval[inside] >= 0) & (interval[inside] < 20)).all()
    assert np.isnan(np.delete(share, inside)).all()
