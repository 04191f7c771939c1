"""The cells of the dense judgement by patch, counted again only where tiles changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, FloatArray, IntArray, Label, LevelRaster
from terrain.follow.canvas import HEIGHT, LABEL, SIDE, TileCells
from terrain.maps.tiles import Tile
from terrain.score.patches import best_cell, cell_places

LABELS = len(Label)
TileLevels = Mapping[int, TileCells]


class Tally:
    """How many cells of each label patches have on each level, and which tiles they lie in; by number among all."""

    def __init__(self) -> None:
        self._tiles: dict[Tile, TileLevels] = {}
        self._counts = np.zeros((0, 0, LABELS), dtype=np.int32)
        self._lies_in: dict[int, set[Tile]] = {}
        self._spots: dict[int, tuple[tuple[object, ...], FloatArray]] = {}

    def take(self, cells: Mapping[Tile, TileLevels | None]) -> None:
        """Take the cells of some tiles as they are now, None where there are none any more."""
        for tile, fresh in cells.items():
            old, fresh = self._tiles.pop(tile, {}), fresh or {}
            for level in sorted(set(old) | set(fresh)):
                self._replace(tile, level, old.get(level), fresh.get(level))
            if fresh:
                self._tiles[tile] = fresh

    def _replace(self, tile: Tile, level: int, old: TileCells | None, fresh: TileCells | None) -> None:
        differ, touched = _differ(old, fresh), set[int]()
        for cells, sign in ((old, -1), (fresh, 1)):
            if cells is None:
                continue
            patch, label = cells.patch_id[differ], cells.bands[LABEL][differ].astype(np.int64)
            known = patch >= 0
            patch, label = patch[known], label[known]
            self._make_room(level, int(patch.max(initial=-1)))
            np.add.at(self._counts[level], (patch, label), sign)
            numbers = np.unique(patch).tolist()
            touched |= set(numbers)
            if sign > 0:
                for number in numbers:
                    self._lies_in.setdefault(number, set()).add(tile)
        for number in touched:
            self._spots.pop(number, None)
            if not self._counts[:, number].any():
                self._lies_in.pop(number, None)

    def _make_room(self, level: int, number: int) -> None:
        levels, numbers, _ = self._counts.shape
        if level < levels and number < numbers:
            return
        larger = np.zeros((max(level + 1, levels), max(2 * number, numbers, 64), LABELS), dtype=np.int32)
        larger[:levels, :numbers] = self._counts
        self._counts = larger

    def of(self, numbers: IntArray, rasters: Sequence[LevelRaster]) -> PatchCells:
        """Return the cells of patches (p,) in the rasters that hold them, of which level k is the k-th."""
        every = np.zeros((len(rasters), len(numbers), LABELS), dtype=np.int64)
        known = np.flatnonzero(numbers < self._counts.shape[1])
        levels = min(len(rasters), len(self._counts))
        every[:levels, known] = self._counts[:levels, numbers[known]]
        by_label, by_level = every.sum(axis=0), every.sum(axis=2)
        total = by_label.sum(axis=1)
        level = by_level.argmax(axis=0) if len(rasters) else np.zeros(len(numbers), dtype=np.int64)
        return PatchCells(
            total=total, steppable=by_label[:, Label.STEPPABLE], marginal=by_label[:, Label.MARGINAL],
            unobserved=by_label[:, Label.UNOBSERVED], level=np.where(total > 0, level, -1),
            tally=self, numbers=numbers, rasters=rasters,
        )  # fmt: skip

    def best(self, number: int, centre: FloatArray, rasters: Sequence[LevelRaster]) -> FloatArray:
        """Return the best cell's place of a patch, searched again if its cells, centre or a raster's corner changed."""
        corners = tuple((raster.x0_m, raster.y0_m) for raster in rasters)
        key = (*centre[:2].tolist(), corners)
        known = self._spots.get(number)
        if known is None or known[0] != key:
            known = self._spots[number] = key, self._search(number, centre, rasters)
        return known[1]

    def _search(self, number: int, centre: FloatArray, rasters: Sequence[LevelRaster]) -> FloatArray:
        places, labels = [], []
        tiles = sorted(self._lies_in[number], key=lambda tile: (tile[1], tile[0]))
        for raster in rasters:
            iy, ix, label = self._cells(number, tiles, raster)
            order = np.lexsort((ix, iy))
            places.append(cell_places(raster, iy[order], ix[order]))
            labels.append(label[order])
        xyz = np.concatenate(places)
        return np.asarray(xyz[best_cell(xyz, np.concatenate(labels).astype(np.uint8), centre)])

    def _cells(self, number: int, tiles: Sequence[Tile], raster: LevelRaster) -> tuple[IntArray, IntArray, IntArray]:
        """Return row, column and label of a patch's cells in a raster."""
        found = [np.empty((3, 0), dtype=np.int64)]
        x0, y0 = round(raster.x0_m / raster.cell_m), round(raster.y0_m / raster.cell_m)
        for tile in tiles:
            cells = self._tiles.get(tile, {}).get(raster.level)
            if cells is not None:
                iy, ix = np.nonzero(cells.patch_id == number)
                label = cells.bands[LABEL][iy, ix].astype(np.int64)
                found.append(np.stack([iy + tile[1] * SIDE - y0, ix + tile[0] * SIDE - x0, label]))
        iy, ix, label = np.concatenate(found, axis=1)
        return iy, ix, label


@dataclass(slots=True, eq=False)
class PatchCells:
    """See `terrain.score.patches.Cells`."""

    total: IntArray
    steppable: IntArray
    marginal: IntArray
    unobserved: IntArray
    level: IntArray
    tally: Tally
    numbers: IntArray
    rasters: Sequence[LevelRaster]

    def best(self, wanted: IntArray, centre: FloatArray) -> dict[int, FloatArray]:
        """Return x, y and height of the best cell of each wanted patch."""
        return {int(k): self.tally.best(int(self.numbers[k]), centre[k], self.rasters) for k in wanted}


def _differ(one: TileCells | None, other: TileCells | None) -> BoolArray:
    """Return which cells (32, 32) are not of the same patch with the same label and height."""
    if one is None or other is None:
        return np.ones((SIDE, SIDE), dtype=np.bool_)
    same = one.patch_id == other.patch_id
    for band in (LABEL, HEIGHT):
        mine, theirs = one.bands[band], other.bands[band]
        same &= (mine == theirs) | (np.isnan(mine) & np.isnan(theirs))
    return np.asarray(~same)
