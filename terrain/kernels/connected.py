"""Cells that hang together: their numbers, the boxes they lie in, sums over them."""

from __future__ import annotations

from typing import Any

import numpy as np

from terrain.kernels.compete import first_of
from terrain.kernels.options import bare


def connected(mask: Any) -> Any:
    """(n, m) bool -> number of the piece that each cell belongs to, int32, 0 outside; how many pieces there are.

    Cells hang together along rows and columns; pieces are numbered as they are met row by row. It is what SciPy's
    `label` does, in a third of the time.
    """
    numbered = np.zeros(mask.shape, dtype=np.int32)
    parent, final = np.empty((2, mask.size // 2 + 2), dtype=np.int32)  # most of it is never touched
    return numbered, number_cells(np.ascontiguousarray(mask), numbered, parent, final)


@bare
def number_cells(mask, numbered, parent, final):  # type: ignore[no-untyped-def]
    """Write the numbers that `connected` returns -> how many pieces there are. parent, final int32: room."""
    n, m = mask.shape
    used = 0
    for i in range(n):
        row, own, above = mask[i], numbered[i], numbered[max(i - 1, 0)]
        left = np.int32(0)
        for j in range(m):
            if not row[j]:
                left = np.int32(0)
                continue
            up = above[j] if i > 0 else np.int32(0)
            if up == 0 and left == 0:
                used += 1
                parent[used] = used
                left = np.int32(used)
            elif left == 0:
                left = up
            elif up != 0 and up != left:
                one, other = first_of(parent, np.int64(left)), first_of(parent, np.int64(up))
                parent[max(one, other)] = min(one, other)
                left = up
            own[j] = left
    pieces = 0
    final[0] = 0
    for k in range(1, used + 1):
        first = first_of(parent, np.int64(k))
        if first == k:
            pieces += 1
        final[k] = pieces if first == k else final[first]
    if pieces < used:
        for i in range(n):
            own = numbered[i]
            for j in range(m):
                own[j] = final[own[j]]
    return pieces


def boxes_of(numbered: Any, pieces: int) -> Any:
    """(n, m) numbers of pieces from 1 on -> (pieces + 1, 5) by number.

    First row and column, last row and column, how many cells; for 0, and numbers that do not occur, a box of nothing.
    """
    out = np.zeros((pieces + 1, 5), dtype=np.int64)
    out[:, :2] = max(numbered.shape)
    find_boxes(numbered, out)
    return out


def box_of(boxes: Any, piece: int) -> tuple[slice, slice]:
    """Return rows and columns of a piece by what `boxes_of` returns."""
    top, left, bottom, right, _ = boxes[piece].tolist()
    return slice(top, bottom + 1), slice(left, right + 1)


@bare
def find_boxes(numbered, out):  # type: ignore[no-untyped-def]
    """Write what `boxes_of` returns; out begins as large numbers in the first two columns and zeros."""
    for i in range(numbered.shape[0]):
        own = numbered[i]
        for j in range(len(own)):
            k = own[j]
            if k > 0:
                out[k, 0] = min(out[k, 0], i)
                out[k, 1] = min(out[k, 1], j)
                out[k, 2] = i
                out[k, 3] = max(out[k, 3], j)
                out[k, 4] += 1


@bare
def add_by_piece(numbered, values, out):  # type: ignore[no-untyped-def]
    """Add values (n, m) to the sums of the pieces that they lie on, out (pieces + 1,)."""
    for i in range(numbered.shape[0]):
        own, row = numbered[i], values[i]
        k, held = np.int32(0), out[0]
        for j in range(len(own)):
            if own[j] != k:
                out[k] = held
                k = own[j]
                held = out[k]
            held += row[j]
        out[k] = held


@bare
def drop_seen(numbered, seen, kept):  # type: ignore[no-untyped-def]
    """Take back `kept` (pieces + 1,) of pieces with a cell that is not zero in `seen` (n, m), or on the border."""
    n, m = numbered.shape
    for i in range(n):
        own, row = numbered[i], seen[i]
        for j in range(m):
            if row[j] > 0:
                kept[own[j]] = False
        kept[own[0]] = False
        kept[own[m - 1]] = False
    for j in range(m):
        kept[numbered[0, j]] = False
        kept[numbered[n - 1, j]] = False


@bare
def add_pieces(numbered, kept, mask):  # type: ignore[no-untyped-def]
    """Add the cells of the pieces that are kept to a mask (n, m) uint8."""
    for i in range(numbered.shape[0]):
        own, row = numbered[i], mask[i]
        for j in range(len(own)):
            row[j] |= kept[own[j]]
