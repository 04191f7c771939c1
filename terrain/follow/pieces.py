"""Patches of many windows as one table: of each, what lies in the tiles that its window still owns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from terrain.data import TILE_CELLS, FloatArray, Int32Array, IntArray, Patches, PatchMasks, Segmentation
from terrain.follow.points import TILE_M, Tile, tiles_of

_COLUMNS = ("normal", "centre_m", "slope_sd_rad", "height_sd_m", "roughness_m", "residual_m", "noise_m", "upward")


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

    first_patch: what its patch 0 is called among all; in_tile: returns of each patch by tile.
    """

    masks: PatchMasks
    patches: Patches
    first_patch: int
    tiles: set[Tile]
    in_tile: dict[Tile, IntArray]
    kept: dict[int, dict[str, Any]] | None = field(default=None)

    def rows(self) -> dict[int, dict[str, Any]]:
        """Return what is left of each patch, by its number in the window; worked out again after tiles were lost."""
        if self.kept is None:
            owned = _owned(self)
            made = ((k, _row(self, k, owned)) for k in range(len(self.patches)))
            self.kept = {k: row for k, row in made if row is not None}
        return self.kept


class Pieces:
    """All windows that still own a tile."""

    def __init__(self) -> None:
        self._windows: list[Window] = []
        self._numbers = 0

    def add(self, found: Found) -> None:
        """Take a window's patches in the tiles taken from it; those of other windows end there."""
        segmentation, patches, taken = found.segmentation, found.patches, set(found.tiles)
        for window in self._windows:
            if window.tiles & taken:
                window.tiles -= taken
                window.kept = None
        self._windows = [window for window in self._windows if window.tiles]
        on = segmentation.point_patch >= 0
        in_tile = _counts(segmentation.point_patch[on], tiles_of(found.xy_m[on]), taken, len(patches))
        self._numbers = found.first_patch + len(patches)
        self._windows.append(Window(segmentation.masks, patches, found.first_patch, taken, in_tile))

    def table(self) -> tuple[Patches, Int32Array, tuple[FloatArray, FloatArray]]:
        """Return all patches, most points first; the row of each by the number that `add` gave it, -1 for none.

        And centre (p, 3) and radius (p,) of the largest circle in each outline.
        """
        rows = [(window, k, row) for window in self._windows for k, row in window.rows().items()]
        rows.sort(key=lambda each: (-each[2]["points"], each[0].first_patch + each[1]))
        row_of = np.full(self._numbers + 1, -1, dtype=np.int32)
        for number, (window, k, _) in enumerate(rows):
            row_of[window.first_patch + k] = number
        patches = _patches(rows)
        circles = [_circle(patches, number, row) for number, (_, _, row) in enumerate(rows)]
        centre = np.array([middle for middle, _ in circles]).reshape(-1, 3)
        return patches, row_of, (centre, np.array([radius for _, radius in circles], dtype=np.float64))


def _circle(patches: Patches, number: int, row: dict[str, Any]) -> tuple[FloatArray, float]:
    """Return the largest circle in an outline, worked out once as long as the outline stays."""
    from terrain.score.patches import inscribed_circle

    if "circle" not in row:
        row["circle"] = inscribed_circle(row["outline"], patches.normal[number], patches.centre_m[number])
    circle: tuple[FloatArray, float] = row["circle"]
    return circle


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


def _row(window: Window, k: int, owned: Any) -> dict[str, Any] | None:
    import shapely

    patches, masks = window.patches, window.masks
    points = int(sum(int(counts[k]) for tile, counts in window.in_tile.items() if tile in window.tiles))
    if masks.nx[k] == 0:  # steep: whole, or not at all
        tx, ty = tiles_of(patches.centre_m[k : k + 1, :2])[0]
        if (int(tx), int(ty)) not in window.tiles or points == 0:
            return None
        return {"outline": patches.outline[k], "area_m2": float(patches.area_m2[k]), "points": points}
    mask = masks.window(k) > 0
    ix, iy = masks.ix0[k] + np.arange(masks.nx[k]), masks.iy0[k] + np.arange(masks.ny[k])
    left = mask & owned(ix[np.newaxis, :], iy[:, np.newaxis])
    if not left.any():
        return None
    if left.sum() == mask.sum():
        return {"outline": patches.outline[k], "area_m2": float(patches.area_m2[k]), "points": points}
    outline = _outline(window, k, left)
    if outline is None:
        return None
    area = float(shapely.force_2d(outline).area) / abs(float(patches.normal[k, 2]))
    return {"outline": outline, "area_m2": area, "points": points}


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


def _patches(rows: Sequence[tuple[Window, int, dict[str, Any]]]) -> Patches:
    origin = rows[0][0].patches.origin_m if rows else np.zeros(3)
    columns: dict[str, Any] = {
        name: np.array([getattr(window.patches, name)[k] for window, k, _ in rows]) for name in _COLUMNS
    }
    shift = [float(w.patches.normal[k] @ (w.patches.origin_m - origin)) for w, k, _ in rows]
    columns["offset_m"] = np.array([float(w.patches.offset_m[k]) for w, k, _ in rows]) + np.array(shift)
    columns |= {name: np.array([row[name] for _, _, row in rows]) for name in ("area_m2", "points")}
    if not rows:
        columns = {name: np.zeros((0, 3) if name in ("normal", "centre_m") else 0) for name in columns}
        columns["upward"] = np.zeros(0, dtype=np.bool_)
    return Patches(origin_m=origin, outline=tuple(row["outline"] for _, _, row in rows), **columns)
