"""How densely ground was seen in small squares, and how much room a sole has on what was seen."""

from __future__ import annotations

import math

import numpy as np

from terrain.data import FloatArray, FootProfile, Int32Array
from terrain.follow.canvas import RASTER_CELL_M
from terrain.follow.points import TILE_M
from terrain.kernels.verdict import SEEN_RADIUS_M, UNKNOWN_EDGE_SD_M
from terrain.maps.tiles import Tile

SQUARES = 16
SQUARE_M = TILE_M / SQUARES
"""4 cm: about as wide as the circle in which returns of a place are counted."""
RETURNS = 3
"""Ground is observed with so many within `SEEN_RADIUS_M`."""
CELLS = round(SQUARE_M / RASTER_CELL_M) ** 2
"""Of the rasters, in a square."""


class Seen:
    """Returns by square, of whatever height: what is told of soles is the most that can be."""

    def __init__(self, foot: FootProfile) -> None:
        self._counts: dict[Tile, Int32Array] = {}
        self._sole = sole_in_squares(foot)
        self._margin = max(self._sole[:2]) + 1
        side = SQUARES + 2 * self._margin
        self._window = np.zeros((side, side), dtype=np.int32)
        self._room = np.zeros((2, side, side), dtype=np.uint8)
        circle = math.pi * SEEN_RADIUS_M**2
        self._least = RETURNS * 18.0 * SQUARE_M**2 / circle  # half from a square itself, half from the nine around

    def take(self, tile: Tile, xyz_m: FloatArray) -> None:
        """Count points (k, 3) that came into a tile."""
        from terrain.kernels.standing import count_in_squares

        if tile not in self._counts:
            self._counts[tile] = np.zeros((SQUARES, SQUARES), dtype=np.int32)
        count_in_squares(xyz_m, tile[0] * TILE_M, tile[1] * TILE_M, SQUARE_M, self._counts[tile])

    def most(self, tile: Tile, *, squares: int) -> int:
        """Return the points in that block of so many squares a side of a tile which has most."""
        counts = self._counts[tile]
        blocks = counts.reshape(SQUARES // squares, squares, SQUARES // squares, squares).sum(axis=(1, 3))
        return int(blocks.max())

    def room(self, tile: Tile) -> int:
        """Return on how many raster cells a foot may be put so that its sole rests on seen ground, some of it a tile's.

        And all within what it has to keep from ground that was not seen.
        """
        from terrain.kernels.standing import standing_squares

        margin, window = self._margin, self._window
        window[:] = 0
        reach = range(-math.ceil(margin / SQUARES), math.ceil(margin / SQUARES) + 1)
        for j in reach:
            for i in reach:
                counts = self._counts.get((tile[0] + i, tile[1] + j))
                if counts is not None:
                    (here_y, there_y), (here_x, there_x) = (_overlap(k, margin) for k in (j, i))
                    window[here_y, here_x] = counts[there_y, there_x]
        return CELLS * int(standing_squares(window, margin, self._least, *self._sole, *self._room))


def sole_in_squares(foot: FootProfile) -> tuple[int, int, int, int]:
    """Return length and width of a sole with what it keeps from unknown ground, and what is behind and right of a load.

    As a rectangle of the same area, in squares, rather too few than too many.
    """
    from terrain.score.bundles import outline_area

    low, high = foot.outline_m.min(axis=0), foot.outline_m.max(axis=0)
    inner = math.sqrt(min(abs(outline_area(foot.outline_m)) / float(np.prod(high - low)), 1.0))
    kept_m = foot.edge_m.comfort + foot.z * UNKNOWN_EDGE_SD_M
    long, wide = (max(1, int((inner * side + 2.0 * kept_m) / SQUARE_M)) for side in (high - low).tolist())
    behind, right = ((inner * -side + kept_m) / SQUARE_M for side in low.tolist())
    return long, wide, _square(behind, long), _square(right, wide)


def _square(before: float, of: int) -> int:
    return min(max(round(before - 0.5), 0), of - 1)


def _overlap(step: int, margin: int) -> tuple[slice, slice]:
    """Return where in a window squares of a tile so many tiles away lie along an axis, and which squares these are."""
    begin = margin + step * SQUARES
    low, high = max(begin, 0), min(begin + SQUARES, SQUARES + 2 * margin)
    return slice(low, high), slice(low - begin, high - begin)
