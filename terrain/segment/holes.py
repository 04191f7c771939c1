"""Holes that the lines of a scan leave in a surface: no beam went through them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, Cloud, FloatArray, IntArray
from terrain.segment.masks import MaskSettings, grow
from terrain.segment.regions import Planes, Voxels
from terrain.segment.windows import PlaneMasks, Windows

RING_CELLS = 4.0
"""How far around a hole its returns are counted, for how many it should have held."""


@dataclass(frozen=True, slots=True, eq=False)
class _Hole:
    """A hole of plane k: first row and column of a window within the plane's, its cells, returns it should hold."""

    k: int
    row: int
    column: int
    cells: BoolArray
    expected: float
    covered: bool
    """Whether the mask spans it."""


def weigh_holes(
    cloud: Cloud, voxels: Voxels, planes: Planes, windows: Windows, found: PlaneMasks, masks: MaskSettings
) -> PlaneMasks:
    """Return the masks with holes filled that no beam went through, and opened where beams did.

    Returns come in lines, so that a hole can hold none where many were to be expected, though nothing is open: then no
    beam met it at all. Where it is open, those that met it went on. Filled is a hole in which less than `gap_returns`
    were to be expected, and of it only what has three returns of the plane within 30 mm. Opened is what a mask spans
    without returns if `open_share` of those to be expected went through; but not where that would be more than
    `open_most` of a mask: that is no surface with holes but a layer of rough ground, and its height must stay as a
    warning. A cloud without viewpoints has nothing to tell by.
    """
    if cloud.view_map_m is None:
        return found
    holes: list[_Hole] = []
    for k, mask in enumerate(found.mask):
        if mask is not None:
            hits, misses = (windows.view(counts, k) for counts in (found.hits, found.misses))
            holes += _open_holes(k, mask, hits, misses, masks)
            holes += _covered_holes(k, mask, hits, masks)
    if not holes:
        return found
    through = _through(cloud, voxels, planes, windows, holes, masks)
    opened = [h for h, n in zip(holes, through, strict=True) if h.covered and n >= _least_beams(h, masks)]
    filled = [h for h, n in zip(holes, through, strict=True) if not h.covered and n <= masks.pierced_share * h.expected]
    cells = np.zeros(len(found.mask))
    for hole in opened:
        cells[hole.k] += hole.cells.sum()
    changed = [None if mask is None else mask.copy() for mask in found.mask]
    for hole in (*opened, *filled):
        mask, before = changed[hole.k], found.mask[hole.k]
        assert mask is not None and before is not None
        rows, columns = hole.cells.shape
        window = mask[hole.row : hole.row + rows, hole.column : hole.column + columns]
        if not hole.covered:
            window |= hole.cells
        elif cells[hole.k] <= masks.open_most * before.sum():
            window &= ~hole.cells
    return PlaneMasks(found.hits, found.misses, changed)


def _least_beams(hole: _Hole, masks: MaskSettings) -> float:
    return max(masks.open_beams, masks.open_share * hole.expected)


def _open_holes(k: int, mask: BoolArray, hits: FloatArray, misses: FloatArray, masks: MaskSettings) -> Iterator[_Hole]:
    """Return the holes of a mask that chance can leave, with their cells that count as observed."""
    from scipy.ndimage import convolve

    y, x = np.mgrid[-3:4, -3:4]
    disc = ((x * x + y * y) * masks.cell_m**2 <= masks.observed_radius_m**2).astype(np.float64)
    most_room = 16 * int(masks.gap_returns / masks.least_density / (100.0 * masks.cell_m) ** 2)
    for row, column, hole in _pieces(~mask, most_room):
        window = slice(row, row + hole.shape[0]), slice(column, column + hole.shape[1])
        here = hits[window].astype(np.float64)
        expected = _expected(here, hole, mask[window])
        odd = float(misses[window][hole].sum())
        if expected >= masks.gap_returns or odd > masks.pierced_share * expected:
            continue
        seen = hole & (convolve(here, disc, mode="constant") >= masks.observed_returns)
        if seen.any():
            yield _Hole(k, row, column, seen, expected, covered=False)


def _covered_holes(k: int, mask: BoolArray, hits: FloatArray, masks: MaskSettings) -> Iterator[_Hole]:
    """Return what a mask spans without returns, as wide as an opening that matters."""
    occupied = hits > 0
    bare = mask & ~grow(occupied, 1.0)
    for row, column, core in _pieces(bare, bare.size, masks.bare_cells):
        window = slice(row, row + core.shape[0]), slice(column, column + core.shape[1])
        hole = grow(core, 1.5) & mask[window] & ~occupied[window]
        yield _Hole(k, row, column, hole, _expected(hits[window].astype(np.float64), hole, mask[window]), covered=True)


def _pieces(cells: BoolArray, most_room: int, least_cells: int = 1) -> Iterator[tuple[int, int, BoolArray]]:
    """Return connected pieces with the room of a ring around, away from the border: row, column, (ny, nx) cells."""
    from scipy.ndimage import find_objects
    from scipy.ndimage import label as connected

    reach = int(RING_CELLS)
    numbered, _ = connected(cells)
    held = np.bincount(numbered.ravel())
    for number, box in enumerate(find_objects(numbered), start=1):
        if held[number] < least_cells:
            continue
        top, left = box[0].start - reach, box[1].start - reach
        bottom, right = box[0].stop + reach, box[1].stop + reach
        if top < 0 or left < 0 or bottom > cells.shape[0] or right > cells.shape[1]:
            continue
        if (bottom - top) * (right - left) <= most_room:
            yield top, left, numbered[top:bottom, left:right] == number


def _expected(hits: FloatArray, hole: BoolArray, mask: BoolArray) -> float:
    """Return how many returns a hole should hold by those of the surface around it."""
    ring = grow(hole, RING_CELLS) & mask & ~hole
    return float(hits[ring].mean() * hole.sum()) if ring.any() else 0.0


def _through(
    cloud: Cloud, voxels: Voxels, planes: Planes, windows: Windows, holes: list[_Hole], masks: MaskSettings
) -> IntArray:
    """Return how many beams went through each hole to something deeper than a step that matters."""
    from terrain.kernels.holes import beams_through
    from terrain.kernels.threads import in_order

    k = np.array([hole.k for hole in holes])
    box = np.array(
        [
            (windows.ix0[h.k] + h.column, windows.iy0[h.k] + h.row, h.cells.shape[1], h.cells.shape[0])
            for h in holes
        ],
        dtype=np.int64,
    )  # fmt: skip
    corner = np.array([windows.x0_m, windows.y0_m]) - voxels.low_m[:2]
    table, first, listed = _squares(box, max(1, round(masks.square_m / masks.cell_m)))
    offset = np.concatenate([[0], np.cumsum(box[:, 2] * box[:, 3])])
    cells = np.concatenate([h.cells.ravel() for h in holes])
    edges, own = np.linspace(0, len(cloud), PARTS + 1).astype(int).tolist(), planes.plane[k]
    counts = in_order(
        lambda part: beams_through(
            edges[part], edges[part + 1], cloud.xyz_map_m, cloud.view_map_m, cloud.origin_m, voxels.low_m,
            masks.square_m, corner, table, first, listed, own, box, offset, cells, masks.cell_m, masks.deep_m,
        ),
        range(PARTS),
    )  # fmt: skip
    return np.asarray(np.sum(counts, axis=0))


PARTS = 16
"""Parts of the cloud that are looked through by themselves."""


def _squares(box: IntArray, size: int) -> tuple[IntArray, IntArray, IntArray]:
    """Return the number of each square that a hole's window touches, -1 for others; their holes as first, listed."""
    pairs = []
    for h, (x, y, nx, ny) in enumerate(box.tolist()):
        for iy in range(y // size, (y + ny - 1) // size + 1):
            pairs += [(iy, ix, h) for ix in range(x // size, (x + nx - 1) // size + 1)]
    rows = np.array(pairs, dtype=np.int64)
    shape = rows[:, 0].max() + 1, rows[:, 1].max() + 1
    table = np.full(shape, -1, dtype=np.int64)
    square, at = np.unique(rows[:, 0] * shape[1] + rows[:, 1], return_inverse=True)
    table.ravel()[square] = np.arange(len(square))
    order = np.argsort(at, kind="stable")
    first = np.concatenate([[0], np.cumsum(np.bincount(at))]).astype(np.int64)
    return table, first, rows[order, 2]
