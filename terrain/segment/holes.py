"""Holes that the lines of a scan leave in a surface: no beam went through them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, Cloud, FloatArray, IntArray
from terrain.segment.masks import Counts, MaskSettings, grow
from terrain.segment.regions import Planes, Voxels
from terrain.segment.windows import PlaneMasks, Windows

RING_CELLS = 4.0
"""How far around a hole its returns are counted, for how many it should have held."""


@dataclass(frozen=True, slots=True, eq=False)
class _Holes:
    """Holes of planes k (h,): windows within those of the planes, their cells, how many returns they should hold.

    box (h, 4): first row, first column, rows, columns; cells: of one hole after the other, those of hole i are
    cells[offset[i] : offset[i + 1]]; covered (h,): whether the mask spans it.
    """

    k: IntArray
    box: IntArray
    cells: BoolArray
    expected: FloatArray
    covered: BoolArray

    @property
    def offset(self) -> IntArray:
        """Where the cells of each hole begin, (h + 1,)."""
        return np.concatenate([[0], np.cumsum(self.box[:, 2] * self.box[:, 3])])


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
    from terrain.kernels.threads import in_order

    def one(k: int) -> list[_Holes]:
        mask = found.mask[k]
        if mask is None:
            return []
        hits, misses = (windows.view(counts, k) for counts in (found.hits, found.misses))
        return [_open_holes(k, mask, hits, misses, masks), _covered_holes(k, mask, hits, misses, masks)]

    parts = [part for several in in_order(one, range(len(found.mask))) for part in several]
    if not any(len(part.k) for part in parts):
        return found
    holes = _Holes(*(np.concatenate([getattr(part, name) for part in parts]) for name in _Holes.__slots__))
    through = _through(cloud, voxels, planes, windows, holes, masks)
    opened = holes.covered & (through >= np.maximum(masks.open_beams, masks.open_share * holes.expected))
    filled = ~holes.covered & (through <= masks.pierced_share * holes.expected)
    offset = holes.offset
    sizes = np.diff(np.concatenate([[0], np.cumsum(holes.cells)])[offset])
    cells = np.bincount(holes.k[opened], sizes[opened], len(found.mask))
    changed = [None if mask is None else mask.copy() for mask in found.mask]
    for i in np.concatenate([np.flatnonzero(opened), np.flatnonzero(filled)]).tolist():
        mask, before = changed[holes.k[i]], found.mask[holes.k[i]]
        assert mask is not None and before is not None
        row, column, rows, columns = holes.box[i].tolist()
        hole = holes.cells[offset[i] : offset[i + 1]].reshape(rows, columns)
        window = mask[row : row + rows, column : column + columns]
        if not holes.covered[i]:
            window |= hole
        elif cells[holes.k[i]] <= masks.open_most * before.sum():
            window &= ~hole
    return PlaneMasks(found.hits, found.misses, changed)


def _open_holes(k: int, mask: BoolArray, hits: Counts, misses: Counts, masks: MaskSettings) -> _Holes:
    """Return the holes of a mask that chance can leave, with their cells that count as observed."""
    most_room = 16 * int(masks.gap_returns / masks.least_density / (100.0 * masks.cell_m) ** 2)
    holes, odd = _weighed(k, ~mask, mask, hits, misses, masks, most_room=most_room, covered=False)
    offset = holes.offset
    seen = np.diff(np.concatenate([[0], np.cumsum(holes.cells)])[offset]) > 0
    kept = seen & (holes.expected < masks.gap_returns) & (odd <= masks.pierced_share * holes.expected)
    cells = holes.cells[np.repeat(kept, np.diff(offset))]
    return _Holes(holes.k[kept], holes.box[kept], cells, holes.expected[kept], holes.covered[kept])


def _covered_holes(k: int, mask: BoolArray, hits: Counts, misses: Counts, masks: MaskSettings) -> _Holes:
    """Return what a mask spans without returns, as wide as an opening that matters."""
    bare = mask & ~grow(hits > 0, 1.0)
    return _weighed(
        k, bare, mask, hits, misses, masks, most_room=bare.size, least_cells=masks.bare_cells, covered=True
    )[0]


def _weighed(
    k: int,
    cells: BoolArray,
    mask: BoolArray,
    hits: Counts,
    misses: Counts,
    masks: MaskSettings,
    *,
    most_room: int,
    least_cells: int = 1,
    covered: bool,
) -> tuple[_Holes, FloatArray]:
    """Return the connected pieces of some cells that lie away from the border, and the misses in each.

    Each in a window with the room of a ring around. Of a covered one the hole is what is without returns around it, of
    an open one what counts as observed; by what the surface holds in the ring they should hold so many returns.
    """
    from terrain.kernels.connected import boxes_of, connected
    from terrain.kernels.holes import weigh_pieces

    reach = int(RING_CELLS)
    numbered, count = connected(cells)
    bounds = boxes_of(numbered, count)
    low, high, held = bounds[:, 0:2] - reach, bounds[:, 2:4] + 1 + reach, bounds[:, 4]
    size = high - low
    kept = (held >= least_cells) & (low >= 0).all(axis=1) & (high <= cells.shape).all(axis=1)
    kept &= size[:, 0] * size[:, 1] <= most_room
    number = np.flatnonzero(kept)
    box = np.concatenate([low[kept], size[kept]], axis=1)
    room = box[:, 2] * box[:, 3]
    out, expected, odd = np.zeros(int(room.sum()), dtype=np.uint8), np.zeros(len(number)), np.zeros(len(number))
    weigh_pieces(
        numbered, number, box, mask, hits, misses, covered, _disc(1.5 if covered else 0.0, 1.0),
        _disc(RING_CELLS, 1.0),
        _disc(masks.observed_radius_m, masks.cell_m), masks.observed_returns, out, expected, odd,
    )  # fmt: skip
    return _Holes(np.full(len(number), k), box, out.view(np.bool_), expected, np.full(len(number), covered)), odd


def _disc(radius: float, cell: float) -> IntArray:
    """Return rows and columns (n, 2) of the cells within a radius."""
    reach = int(np.ceil(radius / cell))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    inside = (y * y + x * x) * cell**2 <= radius**2
    return np.column_stack([y[inside], x[inside]]).astype(np.int64)


def _through(
    cloud: Cloud, voxels: Voxels, planes: Planes, windows: Windows, holes: _Holes, masks: MaskSettings
) -> IntArray:
    """Return how many beams went through each hole to something deeper than a step that matters."""
    from terrain.kernels.holes import beams_through
    from terrain.kernels.threads import in_order

    k, (row, column, rows, columns) = holes.k, holes.box.T
    box = np.column_stack([windows.ix0[k] + column, windows.iy0[k] + row, columns, rows]).astype(np.int64)
    corner = np.array([windows.x0_m, windows.y0_m]) - voxels.low_m[:2]
    table, first, listed = _squares(box, max(1, round(masks.square_m / masks.cell_m)))
    edges, own = np.linspace(0, len(cloud), PARTS + 1).astype(int).tolist(), planes.plane[k]
    heights = _heights(own, box, corner, masks.cell_m)[listed]
    heights = np.column_stack(
        [np.minimum.reduceat(heights[:, 0], first[:-1]), np.maximum.reduceat(heights[:, 1], first[:-1])]
    )
    counts, offset = np.zeros((PARTS, len(k)), dtype=np.int64), holes.offset
    in_order(
        lambda part: beams_through(
            edges[part], edges[part + 1], cloud.xyz_map_m, cloud.view_map_m, cloud.origin_m, voxels.low_m,
            masks.square_m, corner, table, first, listed, heights, own, box, offset, holes.cells, masks.cell_m,
            masks.deep_m, counts[part],
        ),
        range(PARTS),
    )  # fmt: skip
    return np.asarray(counts.sum(axis=0))


PARTS = 16
"""Parts of the cloud that are looked through by themselves."""


def _heights(plane: FloatArray, box: IntArray, corner: FloatArray, cell_m: float) -> FloatArray:
    """Return the least and greatest height (h, 2) of planes (h, 4) over their boxes (h, 4), and a little more."""
    x, y = (corner[a] + (box[:, a, None] + box[:, 2 + a, None] * [0, 1]) * cell_m for a in (0, 1))
    over_x, over_y = plane[:, :1] * x, plane[:, 1:2] * y
    z = (plane[:, 3, None, None] - over_x[:, :, None] - over_y[:, None, :]) / plane[:, 2, None, None]
    return np.column_stack([z.min(axis=(1, 2)) - 1e-6, z.max(axis=(1, 2)) + 1e-6])


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
