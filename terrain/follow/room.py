"""Which returns are held while scans go on arriving: memory and time grow with the site, and hardly with the pass.

Every return of a moment has the same chance over a stretch of some 20 cm, whatever it lies on. So an opening is as
empty, beside what is around it, as it was: held up to a number in each small place, the few mixed returns over a
narrow drain would fill it.
"""

from __future__ import annotations

import numpy as np

from terrain.data import BoolArray, FloatArray, IntArray

BLOCK_M, MANY = 0.16, 256
"""A column of this side holds its first so many returns, and of later ones ever fewer: 10,000 a square metre and more.

So many are left of a dense window in the end, see `terrain.fuse.sieve`.
"""
LEAST_SHARE = 1.0 / 32.0
"""What comes to stand where much was seen before is held to this share, and so it is seen."""
AT_ONCE = 16_384
"""Shares are worked out anew after so many returns."""
MOST_BLOCKS = 4_000_000
"""On a site with more of them, a tenth of a square kilometre, everything is held from there on."""


class Room:
    """Goes through returns in the order in which they arrive."""

    def __init__(self) -> None:
        self._passed = 0
        self._low = np.zeros(2, dtype=np.int64)
        self._seen = np.zeros((0, 0), dtype=np.int32)

    def hold(self, xyz_m: FloatArray) -> BoolArray:
        """Return which of some more returns (n, 3) are held."""
        keep = np.ones(len(xyz_m), dtype=np.bool_)
        for begin in range(0, len(xyz_m), AT_ONCE):
            part = slice(begin, begin + AT_ONCE)
            self._draw(xyz_m[part], np.arange(self._passed, self._passed + len(keep[part])), keep[part])
            self._passed += len(keep[part])
        return keep

    def _draw(self, xyz_m: FloatArray, number: IntArray, keep: BoolArray) -> None:
        from scipy.ndimage import minimum_filter

        from terrain.kernels.enough import draw

        x, y = (np.floor(xyz_m[:, k] / BLOCK_M).astype(np.int64) for k in (0, 1))
        low = np.array([x.min(), y.min()]) - 1
        high = np.array([x.max(), y.max()]) + 2
        if not self._reach(low, high):
            return
        columns, rows = (slice(*span) for span in np.stack([low, high]).T - self._low[:, None])
        seen = self._seen[rows, columns]
        at = (y - low[1]) * seen.shape[1] + (x - low[0])
        seen += np.bincount(at, minlength=seen.size).reshape(seen.shape).astype(np.int32)
        if seen.max() > MANY:
            few = np.minimum(1.0, MANY / np.maximum(seen, 1))
            share = minimum_filter(np.maximum(few * few, LEAST_SHARE), size=3, mode="nearest")
            draw(0, len(keep), xyz_m, number, low * BLOCK_M, BLOCK_M, share, keep)

    def _reach(self, low: IntArray, high: IntArray) -> bool:
        """Count from some block to another; return False where that would be too many."""
        has = self._low + self._seen.shape[::-1]
        if self._seen.size and (low >= self._low).all() and (high <= has).all():
            return True
        if self._seen.size:
            low, high = np.minimum(low, self._low), np.maximum(high, has)
        if np.prod(high - low) > MOST_BLOCKS:
            return False
        larger = np.zeros((high - low)[::-1], dtype=np.int32)
        x, y = self._low - low
        larger[y : y + self._seen.shape[0], x : x + self._seen.shape[1]] = self._seen
        self._low, self._seen = low, larger
        return True
