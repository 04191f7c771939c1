"""Joints narrower than `joint_m`: they may part two surfaces, but are no opening that a foot could meet."""

from __future__ import annotations

from typing import Any

import numpy as np

from terrain.data import BoolArray, ByteArray, Float32Array, FloatArray, IntArray
from terrain.segment.masks import grow, shrink

REACH = 5
"""Cells within which what lies beside a cut is looked for: a cut is a line some cells wide."""


def bridged(part: BoolArray) -> BoolArray:
    """Return a part with the gaps in it spanned up to `REACH` cells: one that is open here may be closed over there."""
    around = np.pad(part, REACH)
    return np.ascontiguousarray(shrink(grow(around, REACH / 2), REACH / 2)[REACH:-REACH, REACH:-REACH])


def filled_again(state: ByteArray, numbered: Any, narrow: BoolArray, value: int) -> None:
    """Give the cells of narrow cuts to the nearest piece beside them, in `state` and `numbered`, which are changed.

    What was cut stays two pieces, which now touch.

    Parameters
    ----------
    state, numbered, narrow : (ny, nx)
        States of cells, the number of the piece of each, and which are cut narrowly.
    value : int
        The state that they get.
    """
    from scipy.ndimage import distance_transform_edt, find_objects

    box = find_objects(narrow.astype(np.uint8))
    if not box:
        return
    near = tuple(slice(max(axis.start - REACH, 0), axis.stop + REACH) for axis in box[0])
    pieces, cells = numbered[near], narrow[near] & (state[near] == 0)
    away, (row, column) = distance_transform_edt(pieces == 0, return_indices=True)
    cells &= away <= REACH
    pieces[cells] = pieces[row[cells], column[cells]]
    state[near][cells] = value


def width_of_lines(
    cells: IntArray, certain: BoolArray, width: Float32Array, along: int
) -> tuple[FloatArray, FloatArray]:
    """Return the width of the line that each cell is part of, and its sd over that of one strip.

    Parameters
    ----------
    cells : (k, 2) int64
        Rows and columns, sorted, on a grid whose rows run along strips.
    certain : (k,) bool
        Which of them make lines: those that touch do; the others keep their own width.
    width : (k,) float32
        What a strip about each cell tells, `along` cells long.
    """
    from scipy.ndimage import label

    mean, sd = width.astype(np.float64), np.ones(len(cells))
    if not certain.any():
        return mean, sd
    at = cells[certain] - cells[certain].min(axis=0)
    grid = np.zeros(at.max(axis=0) + 1, dtype=bool)
    grid[at[:, 0], at[:, 1]] = True
    line = label(grid, np.ones((3, 3)))[0][at[:, 0], at[:, 1]]
    held = np.maximum(np.bincount(line), 1)
    mean[certain] = (np.bincount(line, mean[certain]) / held)[line]
    first, last = np.full(len(held), grid.shape[1]), np.zeros(len(held), dtype=np.int64)
    np.minimum.at(first, line, at[:, 1])
    np.maximum.at(last, line, at[:, 1])
    sd[certain] = np.sqrt(along / (last[line] - first[line] + along))
    return mean, sd
