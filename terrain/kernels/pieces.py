"""Numbers for what pieces and planes share out among them."""

from __future__ import annotations

from typing import Any

import numpy as np

from terrain.kernels.options import bare, each_cell
from terrain.kernels.threads import over_parts


@each_cell
def name_of(piece, plane, steep, pieces):  # type: ignore[no-untyped-def]
    """Piece and plane of a point -> piece * planes + plane, `pieces` for one of a steep plane, -1 for none."""
    if piece >= 0:
        return piece * len(steep) + max(plane, 0)
    if plane >= 0 and steep[plane]:
        return pieces * len(steep) + plane
    return -1


@bare
def mark_names(begin, end, piece, plane, steep, pieces, occurs):  # type: ignore[no-untyped-def]
    """Mark the names of points begin to end among all ((pieces + 1) * planes,)."""
    for i in range(begin, end):
        name = name_of(int(piece[i]), int(plane[i]), steep, pieces)
        if name >= 0:
            occurs[name] = True


@bare
def put_numbers(begin, end, piece, plane, steep, pieces, place, out):  # type: ignore[no-untyped-def]
    """Write the place of each point's name, -1 for none, for points begin to end."""
    for i in range(begin, end):
        name = name_of(int(piece[i]), int(plane[i]), steep, pieces)
        out[i] = place[name] if name >= 0 else -1


def named(piece: Any, plane: Any, steep: Any, pieces: int) -> Any:
    """Piece and plane of each point (n,) int32, whether planes are steep -> names that occur, rising; place of each.

    Names as `name_of` gives them; places (n,) int32, -1 for none.
    """
    occurs, out = np.zeros((pieces + 1) * len(steep), dtype=np.bool_), np.empty(len(piece), dtype=np.int32)
    over_parts(mark_names, len(piece), piece, plane, steep, pieces, occurs)
    over_parts(put_numbers, len(piece), piece, plane, steep, pieces, np.cumsum(occurs, dtype=np.int32) - 1, out)
    return np.flatnonzero(occurs), out
