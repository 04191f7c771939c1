"""Patches of many windows as one table: of each, what lies in the tiles that its window still owns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from terrain.data import TILE_CELLS, FloatArray, Int32Array, IntArray, Patches, PatchMasks, Segmentation
from terrain.follow.points import TILE_M, tiles_of
from terrain.maps.tiles import Tile

_COLUMNS = (
    "normal", "offset_m", "centre_m", "slope_sd_rad", "height_sd_m", "roughness_m", "residual_m", "noise_m", "upward",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """What is left of a patch, with the largest circle in its outline; number: in its window."""

    number: int
    outline: Any
    area_m2: float
    points: int
    centre_m: FloatArray
    inset_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What one window found, the tiles taken from it, and its points (n, 2).

    first_patch: what its patch 0 is called among all.
    """

    segmentation: Segmentation
    patches: Patches
    tiles: frozenset[Tile]
    xy_m: FloatArray
    first_patch: int


@dataclass(slots=True, eq=False)
class Window:
    """The patches that one window found, and the tiles that were taken from it and not overwritten since.

    first_patch: what its patch 0 is called among all; in_tile: returns of each patch by tile; gone: patches of which
    nothing was left any more when they were worked out last.
    """

    masks: PatchMasks
    patches: Patches
    first_patch: int
    tiles: set[Tile]
    in_tile: dict[Tile, IntArray]
    gone: list[int] = field(default_factory=list)
    _extent: tuple[IntArray, IntArray] = field(init=False)
    _known: dict[int, Piece | None] = field(default_factory=dict)
    _left: list[Piece] | None = None

    def __post_init__(self) -> None:
        self._extent = _extent(self.masks, self.patches)

    def lose(self, tiles: set[Tile]) -> None:
        """Take note that tiles were overwritten; patches that lay in one of them are worked out again."""
        lost = self.tiles & tiles
        for tile in lost:
            low, high = self._extent
            here = ((low <= tile) & (tile <= high)).all(axis=1)
            if tile in self.in_tile:
                here |= self.in_tile[tile] > 0
            for k in np.flatnonzero(here).tolist():
                self._known.pop(k, None)
        if lost:
            self.tiles -= lost
            self._left = None

    def left(self) -> list[Piece]:
        """Return what is left of patches, without those of which nothing is."""
        if self._left is None:
            owned = _owned(self)
            for k in range(len(self.patches)):
                if k not in self._known:
                    self._known[k] = _piece(self, k, owned)
                    self.gone += [] if self._known[k] else [k]
            self._left = [piece for k in range(len(self.patches)) if (piece := self._known[k]) is not None]
        return self._left


class Pieces:
    """All windows that still own a tile."""

    def __init__(self) -> None:
        self._windows: list[Window] = []
        self._numbers = 0

    def add(self, found: Found) -> None:
        """Take a window's patches in the tiles taken from it; those of other windows end there."""
        segmentation, patches, taken = found.segmentation, found.patches, set(found.tiles)
        for window in self._windows:
            window.lose(taken)
        self._windows = [window for window in self._windows if window.tiles]
        on = segmentation.point_patch >= 0
        in_tile = _counts(segmentation.point_patch[on], tiles_of(found.xy_m[on]), taken, len(patches))
        self._numbers = found.first_patch + len(patches)
        self._windows.append(Window(segmentation.masks, patches, found.first_patch, taken, in_tile))

    def table(self) -> PieceTable:
        """Return all patches, most points first."""
        starts = np.cumsum([0, *(len(window.patches) for window in self._windows)]).tolist()
        found = [
            (window.first_patch + piece.number, start + piece.number, piece)
            for start, window in zip(starts, self._windows, strict=False)
            for piece in window.left()
        ]
        found.sort(key=lambda each: (-each[2].points, each[0]))
        numbers, at = (np.array([each[k] for each in found], dtype=np.int64) for k in (0, 1))
        pieces = [piece for _, _, piece in found]
        row_of = np.full(self._numbers + 1, -1, dtype=np.int32)
        row_of[numbers] = np.arange(len(found), dtype=np.int32)
        centre = np.array([piece.centre_m for piece in pieces]).reshape(-1, 3)
        inset = np.array([piece.inset_m for piece in pieces], dtype=np.float64)
        return PieceTable(_patches(self._windows, at, pieces), numbers, row_of, centre, inset)

    def gone(self) -> Iterator[tuple[int, set[Tile]]]:
        """Yield what patches were called that have no row any more, since this was asked, and their windows' tiles."""
        for window in self._windows:
            for k in window.gone:
                yield window.first_patch + k, window.tiles
            window.gone = []


@dataclass(frozen=True, slots=True, eq=False)
class PieceTable:
    """Patches of all windows.

    numbers (p,): what `add` called each; row_of: the row by that number, -1 for none; centre_m (p, 3), inset_m (p,): of
    the largest circle in each outline.
    """

    patches: Patches
    numbers: IntArray
    row_of: Int32Array
    centre_m: FloatArray
    inset_m: FloatArray


def _extent(masks: PatchMasks, patches: Patches) -> tuple[IntArray, IntArray]:
    """Return the least and the last tile (p, 2) each that patches may have cells in; of steep ones their centre's."""
    corner = np.array([round(masks.x0_m / TILE_M), round(masks.y0_m / TILE_M)])
    first, size = np.column_stack([masks.ix0, masks.iy0]), np.column_stack([masks.nx, masks.ny])
    low, high = corner + first // TILE_CELLS, corner + (first + size) // TILE_CELLS
    steep, centre = (masks.nx == 0)[:, np.newaxis], tiles_of(patches.centre_m[:, :2])
    return np.where(steep, centre, low), np.where(steep, centre, high)


def _counts(patch: Int32Array, tile: IntArray, taken: set[Tile], patches: int) -> dict[Tile, IntArray]:
    out: dict[Tile, IntArray] = {}
    order = np.lexsort((tile[:, 0], tile[:, 1]))
    ends = np.flatnonzero(np.any(np.diff(tile[order], axis=0) != 0, axis=1)) + 1
    for rows in np.split(order, ends):
        if len(rows) == 0:
            continue
        key = int(tile[rows[0], 0]), int(tile[rows[0], 1])
        if key in taken:
            out[key] = np.bincount(patch[rows], minlength=patches)
    return out


def _owned(window: Window) -> Any:
    """Return a function that tells of cells, counted on the window's grid, whether they lie in its tiles."""
    masks = window.masks
    corner = np.array([round(masks.x0_m / TILE_M), round(masks.y0_m / TILE_M)])
    tiles = np.array(sorted(window.tiles)) - corner
    low, high = tiles.min(axis=0), tiles.max(axis=0)
    table = np.zeros(high - low + 3, dtype=np.bool_)
    table[tuple((tiles - low + 1).T)] = True

    def inside(ix: IntArray, iy: IntArray) -> Any:
        tx = np.clip(ix // TILE_CELLS - low[0] + 1, 0, table.shape[0] - 1)
        ty = np.clip(iy // TILE_CELLS - low[1] + 1, 0, table.shape[1] - 1)
        return table[tx, ty]

    return inside


def _piece(window: Window, k: int, owned: Any) -> Piece | None:
    """Return what is left of a patch in the tiles of its window."""
    from terrain.score.patches import inscribed_circle

    points = int(sum(int(counts[k]) for tile, counts in window.in_tile.items() if tile in window.tiles))
    found = _shape(window, k, owned, points)
    if found is None:
        return None
    outline, area_m2 = found
    circle = inscribed_circle(outline, window.patches.normal[k], window.patches.centre_m[k])
    return Piece(k, outline, area_m2, points, *circle)


def _shape(window: Window, k: int, owned: Any, points: int) -> tuple[Any, float] | None:
    """Return outline and area of what is left of a patch."""
    import shapely

    patches, masks = window.patches, window.masks
    whole = patches.outline[k], float(patches.area_m2[k])
    if masks.nx[k] == 0:  # steep: whole, or not at all
        tx, ty = tiles_of(patches.centre_m[k : k + 1, :2])[0]
        return whole if (int(tx), int(ty)) in window.tiles and points > 0 else None
    mask = masks.window(k) > 0
    ix, iy = masks.ix0[k] + np.arange(masks.nx[k]), masks.iy0[k] + np.arange(masks.ny[k])
    left = mask & owned(ix[np.newaxis, :], iy[:, np.newaxis])
    if not left.any():
        return None
    if left.sum() == mask.sum():
        return whole
    outline = _outline(window, k, left)
    if outline is None:
        return None
    return outline, float(shapely.force_2d(outline).area) / abs(float(patches.normal[k, 2]))


def _outline(window: Window, k: int, left: Any) -> Any:
    """Return the outline of the largest connected part, on the patch's plane."""
    import shapely

    from terrain.segment.masks import outlines

    patches, masks = window.patches, window.masks
    flat: list[Any] = list(
        outlines(
            left,
            x0_m=masks.x0_m + masks.ix0[k] * masks.cell_m,
            y0_m=masks.y0_m + masks.iy0[k] * masks.cell_m,
            cell_m=masks.cell_m,
        )
    )
    if not flat:
        return None
    normal, offset, origin = patches.normal[k], patches.offset_m[k], patches.origin_m

    def lift(xyz: FloatArray) -> FloatArray:
        z = (offset - (xyz[:, :2] - origin[:2]) @ normal[:2]) / normal[2] + origin[2]
        return np.column_stack([xyz[:, :2], z])

    largest = max(flat, key=lambda polygon: float(polygon.area))
    return shapely.transform(shapely.force_3d(largest, 0.0), lift, include_z=True)


def _patches(windows: Sequence[Window], at: IntArray, pieces: Sequence[Piece]) -> Patches:
    """Return what is left of patches as a table; at (p,): which of all patches of the windows each is of."""
    every = [window.patches for window in windows]
    origins = np.array([patches.origin_m for patches in every])
    columns: dict[str, Any] = {name: np.concatenate([getattr(each, name) for each in every])[at] for name in _COLUMNS}
    moved = np.repeat(origins - origins[0], [len(patches) for patches in every], axis=0)[at]
    columns["offset_m"] = columns["offset_m"] + np.sum(columns["normal"] * moved, axis=1)
    columns |= {name: np.array([getattr(piece, name) for piece in pieces]) for name in ("area_m2", "points")}
    return Patches(origin_m=origins[0], outline=tuple(piece.outline for piece in pieces), **columns)
