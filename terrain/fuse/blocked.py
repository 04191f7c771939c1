"""Cholesky factors of a large symmetric matrix whose blocks couple what was seen together: tiles, most of them none.

A survey goes on along its site: what it saw long ago, elsewhere, is not coupled with what it sees now. Unknowns are put
in an order in which those that couple lie near each other (reverse Cuthill-McKee), so that what fills up while factors
are made stays in a band as wide as the sensor sees, however long the site is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from terrain.data import BoolArray, FloatArray, IntArray

TILE = 24
"""Blocks of unknowns along the side of a tile."""

FEW = 8
"""Up to so many tiles along the side the order is left as it is."""


def factored(
    blocks: FloatArray, weight: float, slot: IntArray, diagonal: FloatArray, beside: FloatArray
) -> Callable[[FloatArray], FloatArray]:
    """Return what solves (weight data + prior) x = known, known (6 k, q), for a positive definite matrix.

    Parameters
    ----------
    blocks : (s, 6, 6)
        Of pairs of knots; slot (k, k) says which, -1 none; only pairs i <= j are looked at.
    diagonal, beside : (k, 6), (k - 1, 6)
        The prior on the diagonal, and between each knot and the next.

    Raises
    ------
    numpy.linalg.LinAlgError
        It is not positive definite.
    """
    from terrain.kernels.equations import fill_tiles

    knots, side = slot.shape[0], min(TILE, slot.shape[0])
    upper = np.triu(slot >= 0)
    near = np.arange(knots - 1)
    upper[near, near + 1] = True
    rank = _ranks(upper) if knots > FEW * TILE else np.arange(knots)
    number, columns = _filled(upper, rank, side)
    del upper
    tiles = np.zeros((int(number.max()) + 1, 6 * side, 6 * side))
    fill_tiles(slot, blocks, weight, diagonal, beside, rank, side, number, tiles)
    inverse = _factor(tiles, number, columns)
    place = (6 * rank[:, None] + np.arange(6)).reshape(-1)

    def solved(known: FloatArray) -> FloatArray:
        laid = np.zeros((len(columns), 6 * side, known.shape[1]))
        laid.reshape(-1, known.shape[1])[place] = known
        _substitute(tiles, inverse, number, columns, laid)
        return np.asarray(laid.reshape(-1, known.shape[1])[place])

    return solved


def _ranks(upper: BoolArray) -> IntArray:
    """Return the place of each knot in an order in which those that couple lie near each other."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import reverse_cuthill_mckee

    order = reverse_cuthill_mckee(csr_array(upper | upper.T), symmetric_mode=True)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank


def _filled(upper: BoolArray, rank: IntArray, side: int) -> tuple[IntArray, list[IntArray]]:
    """Return the number of each tile on or below the diagonal that is or becomes filled, (t, t), -1 for the others.

    And the rows of those in each column, rising: the first is the diagonal one.
    """
    count = -(-len(rank) // side)
    one, other = (rank[which] // side for which in np.nonzero(upper))
    full = np.eye(count, dtype=np.bool_)
    full[np.maximum(one, other), np.minimum(one, other)] = True
    columns = []
    for k in range(count):
        rows = k + np.flatnonzero(full[k:, k])
        columns.append(rows)
        below = rows[1:]
        full[np.ix_(below, below)] = True  # what lies above the diagonal is not looked at
    full = np.tril(full)
    number = np.full((count, count), -1)
    number[full] = np.arange(int(full.sum()))
    return number, columns


def _factor(tiles: FloatArray, number: IntArray, columns: list[IntArray]) -> FloatArray:
    """Put the factor L in the place of the matrix; return the inverses of its tiles on the diagonal.

    Each tile is worked out by itself, in the same steps however many threads there are.
    """
    from scipy.linalg.lapack import dtrtri

    from terrain.kernels.threads import at_once

    inverse = np.empty((len(columns), *tiles.shape[1:]))
    before: list[IntArray] = [np.flatnonzero(row[:k] >= 0) for k, row in enumerate(number)]
    with at_once() as every:
        for k, rows in enumerate(columns):
            own = {int(j): tiles[number[k, j]].T for j in before[k]}

            def less(i: Any, k: int = k, own: dict[int, FloatArray] = own) -> None:
                tile = tiles[number[i, k]]
                for j in before[i]:
                    if j in own:
                        tile -= tiles[number[i, j]] @ own[j]

            def scaled(i: Any, k: int = k) -> None:
                tile = tiles[number[i, k]]
                tile[:] = tile @ inverse[k].T

            every(less, rows.tolist())
            factor = np.linalg.cholesky(tiles[number[k, k]])
            inverse[k] = dtrtri(factor, lower=1)[0]
            every(scaled, rows[1:].tolist())
    return inverse


def _substitute(
    tiles: FloatArray, inverse: FloatArray, number: IntArray, columns: list[IntArray], known: FloatArray
) -> None:
    """Solve L L' x = known in place, known (t, m, q) tile by tile."""
    for k, rows in enumerate(columns):
        known[k] = inverse[k] @ known[k]
        for i in rows[1:]:
            known[i] -= tiles[number[i, k]] @ known[k]
    for k in range(len(columns) - 1, -1, -1):
        for i in columns[k][1:]:
            known[k] -= tiles[number[i, k]].T @ known[i]
        known[k] = inverse[k].T @ known[k]
