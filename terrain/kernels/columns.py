"""Where a cell of the tiled grid lies in the column arrays (see `terrain.data.Grid`)."""

from __future__ import annotations

from numba import njit


@njit(cache=True, inline="always")
def column_of(tile_slot, ix, iy):  # type: ignore[no-untyped-def]
    """(nty, ntx) int32, cell -> column number, or -1 outside the tiles in use."""
    if ix < 0 or iy < 0:
        return -1
    tx = ix >> 6
    ty = iy >> 6
    if ty >= tile_slot.shape[0] or tx >= tile_slot.shape[1]:
        return -1
    slot = tile_slot[ty, tx]
    if slot < 0:
        return -1
    return slot * 4096 + ((iy & 63) << 6) + (ix & 63)
