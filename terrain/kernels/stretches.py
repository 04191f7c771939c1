"""Where a window holds anything: rectangles to work on, so that long thin surfaces cost what they cover and no more.

The border of a row of docks crosses a window of which it fills a fiftieth.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

BLOCK, BAND = 16, 8
"""Cells along the side of a block; blocks that the height of a stretch has at most."""

SMALL_CELLS, MOST_FILLED = 40_000, 0.75
"""Windows smaller than this, or of which more than this share would be left, are one stretch."""


class Stretch(NamedTuple):
    """Rows and columns of a window: `core` is to be worked out, `wide` is what that depends on."""

    core: tuple[slice, slice]
    wide: tuple[slice, slice]

    def inner(self, values: Any) -> Any:
        """Return the core's part of what was worked out for `wide`."""
        (rows, columns), (top, left) = self.core, (self.wide[0].start, self.wide[1].start)
        return values[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]


def stretches(filled: Any, *, around: int, reach: int) -> list[Stretch]:
    """Return stretches whose cores hold all that is filled and `around` cells beside it, each cell once, top down.

    Parameters
    ----------
    filled : (ny, nx) bool
    reach : int
        How many cells further what is worked out depends on.
    """
    ny, nx = filled.shape
    edges_y, edges_x = np.arange(0, ny, BLOCK), np.arange(0, nx, BLOCK)
    whole = [Stretch((slice(0, ny), slice(0, nx)), (slice(0, ny), slice(0, nx)))]
    if filled.size < SMALL_CELLS:
        return whole
    held = np.logical_or.reduceat(np.logical_or.reduceat(filled, edges_y, axis=0), edges_x, axis=1)
    held = spread(held, -(-around // BLOCK))
    found, room = [], 0
    for top in range(0, len(edges_y), BAND):
        columns = np.logical_or.reduce(held[top : top + BAND], axis=0)
        for left, right in _runs(columns):
            rows = slice(top * BLOCK, min((top + BAND) * BLOCK, ny))
            core = rows, slice(left * BLOCK, min(right * BLOCK, nx))
            wide = (_wider(core[0], reach, ny), _wider(core[1], reach, nx))
            found.append(Stretch(core, wide))
            room += (wide[0].stop - wide[0].start) * (wide[1].stop - wide[1].start)
    return found if room < MOST_FILLED * filled.size else whole


def spread(held: Any, steps: int) -> Any:
    """Return which blocks lie within so many steps of one that is held."""
    for axis in (0, 1) * steps:
        one = np.swapaxes(held, 0, axis)
        more = one.copy()
        more[1:] |= one[:-1]
        more[:-1] |= one[1:]
        held = np.swapaxes(more, 0, axis)
    return held


def _runs(line: Any) -> Any:
    """Return begin and end of each run of True, (r, 2)."""
    turns = np.flatnonzero(np.diff(np.r_[False, line, False]))
    return turns.reshape(-1, 2)


def _wider(part: slice, reach: int, size: int) -> slice:
    return slice(max(part.start - reach, 0), min(part.stop + reach, size))
