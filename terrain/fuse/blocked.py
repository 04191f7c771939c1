"""Cholesky factors of a large symmetric matrix whose blocks couple what was seen together: tiles, most of them none.

A survey goes on along its site: what it saw long ago, elsewhere, is not coupled with what it sees now. Unknowns are put
in an order in which those that couple lie near each other (reverse Cuthill-McKee), so that what fills up while factors
are made stays in a band as wide as the sensor sees, however long the site is. Factors are of single precision, and
solutions are made better with the true residuals until they are those of double precision.
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

SETTLED = 1e-10
"""A solution is done once the next change would be less than this, by how changes shrink."""

PRODUCT_PARTS = 4
"""Parts of a product that are added up by themselves, always as many, so that threads make no difference."""

MANY = 16
"""Products with so many columns go along them."""

SLOWEST = 0.1
"""Changes must shrink by this factor at least, or the factors are made again in double precision."""


def factored(blocks: FloatArray, slot: IntArray) -> Callable[[FloatArray], FloatArray]:
    """Return what solves A x = known, known (6 k, q), for a positive definite matrix A.

    Parameters
    ----------
    blocks : (s, 6, 6)
        Of pairs of knots; slot (k, k) says which, -1 none; only pairs i <= j are looked at, and all i = j are there.

    Raises
    ------
    numpy.linalg.LinAlgError
        It is not positive definite.
    """
    try:
        made = _Factors(blocks, slot, np.float32)
    except np.linalg.LinAlgError:
        made = _Factors(blocks, slot, np.float64)

    def solved(known: FloatArray) -> FloatArray:
        nonlocal made
        found = made.solved(known)
        if found is None:
            made = _Factors(blocks, slot, np.float64)
            found = made.solved(known)
        assert found is not None
        return found

    return solved


class _Factors:
    """Factors of the matrix scaled to ones on its diagonal."""

    def __init__(self, blocks: FloatArray, slot: IntArray, kind: Any) -> None:
        from terrain.kernels.equations import fill_tiles
        from terrain.kernels.threads import over_parts

        knots, side = slot.shape[0], min(TILE, slot.shape[0])
        self._blocks, self._slot, self._kind = blocks, slot, kind
        own = blocks[slot[np.arange(knots), np.arange(knots)]]
        self._scale = 1.0 / np.sqrt(np.maximum(np.diagonal(own, axis1=1, axis2=2), 1e-300))
        upper = np.triu(slot >= 0)
        rank = _ranks(upper) if knots > FEW * TILE else np.arange(knots)
        self._number, self._columns = _filled(upper, rank, side)
        del upper
        self._tiles = np.zeros((int(self._number.max()) + 1, 6 * side, 6 * side), dtype=kind)
        over_parts(fill_tiles, knots, slot, blocks, self._scale, rank, side, self._number, self._tiles)
        behind = np.arange(6 * (knots - (len(self._columns) - 1) * side), 6 * side)
        self._tiles[self._number[-1, -1], behind, behind] = 1.0  # there are no knots
        self._inverse = _factor(self._tiles, self._number, self._columns)
        self._place = (6 * rank[:, None] + np.arange(6)).reshape(-1)

    def solved(self, known: FloatArray) -> FloatArray | None:
        """Return the solution, or None where factors of single precision do not lead to it."""
        from terrain.kernels.equations import less_product, less_products
        from terrain.kernels.threads import in_order

        knots, width = len(self._slot), known.shape[1]
        many = width >= MANY
        less = less_products if many else less_product
        parts = np.empty((PRODUCT_PARTS, *((knots, 6, width) if many else (width, knots, 6))))

        def multiply(part: int) -> None:
            begin, end = (knots * at // PRODUCT_PARTS for at in (part, part + 1))
            parts[part] = 0.0
            less(begin, end, self._slot, self._blocks, laid.reshape(parts.shape[1:]), parts[part])

        found, rest, before = np.zeros_like(known), known, np.inf
        while True:
            change = self._once(rest)
            found += change
            size = np.abs(change).max(axis=0) / np.maximum(np.abs(found).max(axis=0), 1e-300)
            largest = float(size.max(initial=0.0))
            settled = largest * largest <= SETTLED * before or self._kind is np.float64
            if settled and before < np.inf:
                return found
            if not largest <= SLOWEST * before:
                return None
            before = largest
            laid = found if many else np.ascontiguousarray(found.T)
            in_order(multiply, range(PRODUCT_PARTS))
            total = parts.sum(axis=0)
            rest = known + (total.reshape(known.shape) if many else total.reshape(known.shape[::-1]).T)

    def _once(self, known: FloatArray) -> FloatArray:
        scale, width = self._scale.reshape(-1, 1), known.shape[1]
        laid = np.zeros((len(self._columns), self._tiles.shape[1], width), dtype=self._kind)
        laid.reshape(-1, width)[self._place] = known * scale
        _substitute(self._tiles, self._inverse, self._number, self._columns, laid)
        return np.asarray(laid.reshape(-1, width)[self._place] * scale)


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
    from scipy.linalg.lapack import dtrtri, strtri

    from terrain.kernels.threads import at_once

    invert = strtri if tiles.dtype == np.float32 else dtrtri
    inverse = np.empty((len(columns), *tiles.shape[1:]), dtype=tiles.dtype)
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
            inverse[k] = invert(factor, lower=1)[0]
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
