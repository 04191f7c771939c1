"""Borders of pieces of a mask as rings of corners."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import entry


@entry
def rings(numbered):  # type: ignore[no-untyped-def]
    """(ny, nx) int32 numbers of pieces whose cells hang together by their sides, 0 for none -> their borders.

    -> corners (m, 2) int32, column and row, where a ring turns, its first one again at its end; where each ring begins
    (r + 1,); its piece (r,). A piece's first ring is its outer border, from the corner of its first cell in the order
    of rows on down; those of its holes follow in that order. Where two cells of a piece touch by a corner only, holes
    end.
    """
    ny, nx = numbered.shape
    met = np.zeros((ny + 1, nx), dtype=np.bool_)  # upper sides of cells that a ring went along to the right
    begun = np.zeros(np.max(numbered) + 1, dtype=np.bool_)
    corners = np.empty((1024, 2), dtype=np.int32)
    begins, pieces = [0], [0]
    used = 0
    for row in range(ny + 1):
        for column in range(nx):
            own = numbered[row, column] if row < ny else 0
            above = numbered[row - 1, column] if row > 0 else 0
            if own == above:
                continue
            for hole in range(2):
                k = above if hole else own
                if k == 0 or (met[row, column] if hole else begun[k]):
                    continue
                begun[k] = True
                x, y, dx, dy = column, row, hole, 1 - hole
                turned = True
                while True:
                    if turned:
                        if used + 1 >= len(corners):
                            corners = np.concatenate((corners, np.empty_like(corners)))
                        corners[used, 0], corners[used, 1] = x, y
                        used += 1
                    if dx == 1:
                        met[y, x] = True
                    x, y = x + dx, y + dy
                    # The cells ahead on both sides: the piece lies on the inner one.
                    left, up = x - 1, y - 1
                    inner_x, inner_y = (x if dx + dy > 0 else left), (y if dx - dy < 0 else up)
                    outer_x, outer_y = (x if dx - dy > 0 else left), (y if dx + dy > 0 else up)
                    if 0 <= outer_x < nx and 0 <= outer_y < ny and numbered[outer_y, outer_x] == k:
                        dx, dy, turned = -dy, dx, True
                    elif 0 <= inner_x < nx and 0 <= inner_y < ny and numbered[inner_y, inner_x] == k:
                        turned = False
                    else:
                        dx, dy, turned = dy, -dx, True
                    if x == column and y == row and dx == hole and dy == 1 - hole:
                        break
                corners[used, 0], corners[used, 1] = column, row
                used += 1
                begins.append(used)
                pieces.append(k)
    return corners[:used], np.array(begins), np.array(pieces)[1:]
