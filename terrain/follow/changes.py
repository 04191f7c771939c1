"""What came into each tile since it was made, and whether that is reason enough to make it anew."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from terrain.data import TILE_CELLS, FloatArray, FootProfile, IntArray
from terrain.follow.canvas import SIDE
from terrain.follow.mosaic import Mosaic, beside
from terrain.follow.points import TILE_M, Points
from terrain.follow.seen import SQUARE_M, Seen
from terrain.kernels.verdict import SEEN_RADIUS_M
from terrain.maps.tiles import Tile
from terrain.score.bundles import outline_area

GAIN_CELLS, MOST_GAIN_CELLS = 120.0, 480.0
"""A tile is due once so many more of its cells can be expected to be steppable: more if versions take long."""
GAIN_CELLS_PER_S = 960.0
"""So many for each second that a version takes."""
SURE_GROWTH, MUCH_GROWTH = 1.0, 3.0
"""Or once its points grew by this share: the first where some of it is steppable, which more points may deny."""
LEAST_GROWTH, MOST_GROWTH = 1.0, 2.0
"""That times this: less if versions come quickly, more if they take long.

The most in the beginning, when a tile's points double with each scan and all that is near is to be made.
"""
GROWTH_PER_S = 4.0
"""So much for each second that a version takes."""
DENSE, DENSE_GROWTH = 1500, 1.0
"""A tile of so many points may grow by so much more: its verdicts hardly change by more of them."""
FULL = 10_000
"""Points of a tile beyond these are no growth: planes of a floor are made of 4,000, see `terrain.fuse.sieve`."""
ODD_POINTS = 10
"""So many points off everything known, where nothing was seen before and over or under known ground: it is due.

The first of each voxel does not count: strays lie alone, and what stands there does not.
"""
BLOCK_CELLS = 16
BLOCKS = TILE_CELLS // BLOCK_CELLS
"""Blocks to a side of a tile."""
BLOCK_M = TILE_M / BLOCKS
FEWEST = 80
"""A tile is made the first time once a block of 16 cm has so many points, more if versions take long (`MOST_GROWTH`).

Or if `GAIN_CELLS` can be expected of it.

Ground counts as observed from three returns within 30 mm on; with 80 evenly scattered ones 99 % of a block do (Poisson,
mean 8.8), and so most soles are on nothing but observed ground; with 40 four fifths of a block, and hardly a sole is.
Points in columns without ground, where nothing was seen before, are counted like that too: so many in a block let all
its cells be gained.
"""
LEAST_ROOM, MANY = 64, 400
"""And if besides a sole has room on seen ground, on as many cells as a block has, or a block has many points.

Points of a wall are many in few blocks, and those of a floor far away lie in lines: of 124 tiles made the first time in
four seconds 69 had no steppable cell, of which 45 had no such room; no other tile was without.
"""
SOON, LEAST_SOON = 0.75, 0.3
"""A tile that has come so far on the way to being due, and grew by so much, goes along with one beside it.

Or one that has come so far on the way to being made the first time.
"""
VOXEL_M, VOXEL_HEIGHT_M = TILE_M / 8, 0.04
_SEEN_M2 = math.pi * SEEN_RADIUS_M**2

MOVING = 1
"""Why points are left out that say nothing of what stands there later, see `terrain.fuse.clean.REASONS`."""


class Changes:
    """Counts by tile since it was made, and of tiles that were not made how dense they are."""

    def __init__(self, foot: FootProfile) -> None:
        self._foot, self._fewest = foot, fewest_of(foot)
        self._places = max(1.0, abs(outline_area(foot.outline_m)) / _SEEN_M2)
        self.growth, self.gain_cells = MOST_GROWTH, MOST_GAIN_CELLS
        self.made: dict[Tile, int] = {}
        """Points of each tile when it was made."""
        self.since: dict[Tile, float] = {}
        """When a tile that is due became so."""
        self.newer: dict[Tile, float] = {}
        """When the first point came into each tile that it was not made of."""
        self._odd: dict[Tile, list[IntArray]] = {}
        self._new: dict[Tile, IntArray] = {}
        self._known: dict[Tile, IntArray] = {}
        self._seen = Seen(foot)

    def take(self, found: Mapping[Tile, FloatArray], mosaic: Mosaic, in_tile: Mapping[Tile, int], now: float) -> None:
        """Count the points (k, 3) that came into some tiles; `in_tile` with them."""
        for tile, xyz_m in found.items():
            self.newer.setdefault(tile, now)
            self._seen.take(tile, xyz_m)
            if tile in self.made:
                self._compare(tile, xyz_m, mosaic)
        for tile in found:  # once all are counted: room is told by the tiles around too
            if tile not in self.since and self._is_due(tile, in_tile[tile], mosaic):
                self.since[tile] = now

    def _compare(self, tile: Tile, xyz_m: FloatArray, mosaic: Mosaic) -> None:
        odd, new = mosaic.unexplained(tile, xyz_m, off_m=self._foot.drop_m, over_m=self._foot.clear_height_m)
        some = odd | new
        if not some.any():
            return
        keys, known = _voxels(tile, xyz_m[some]), self._known[tile]
        at = np.minimum(np.searchsorted(known, keys), len(known) - 1)
        unseen = known[at] != keys if len(known) else np.ones(len(keys), dtype=np.bool_)
        if (unseen & odd[some]).any():
            self._odd.setdefault(tile, []).append(keys[unseen & odd[some]])
        fresh = xyz_m[some][unseen & new[some]]
        if len(fresh):
            counts = _block_counts(tile, fresh)
            self._new[tile] = self._new[tile] + counts if tile in self._new else counts

    def _is_due(self, tile: Tile, points: int, mosaic: Mosaic) -> bool:
        if self._way(tile, points, mosaic) >= 1.0:
            return True
        before = self.made.get(tile)
        if before is None:
            return False
        if _beyond_the_first(self._odd.get(tile, ())) >= ODD_POINTS:
            return True
        if tile not in self._new:
            return False
        whole = np.count_nonzero(self._new[tile] >= self._fewest)
        return bool(whole * (SIDE / BLOCKS) ** 2 >= self.gain_cells)

    def _way(self, tile: Tile, points: int, mosaic: Mosaic) -> float:
        """Return how far more points of what is known have brought a tile on the way to being due, 1 where it is."""
        before = self.made.get(tile)
        if before is None:
            return self._first_way(tile, points)
        steppable, better = mosaic.standing(tile)
        much = (SURE_GROWTH if steppable else MUCH_GROWTH) * self.growth + (DENSE_GROWTH if before >= DENSE else 0.0)
        grown = (min(points, FULL) / max(before, 1) - 1.0) / much
        gain = better * (self._whole_soles(points) - self._whole_soles(before))
        return max(grown, gain / self.gain_cells)

    def _first_way(self, tile: Tile, points: int) -> float:
        """Return the same of a tile that was not made yet."""
        if self._fewest == 1:
            return 1.0
        most = self._seen.most(tile, squares=round(BLOCK_M / SQUARE_M))
        way = max(most / (self._fewest * self.growth), SIDE**2 * self._whole_soles(points) / self.gain_cells)
        if way < SOON or most >= MANY:
            return way
        return min(way, self._seen.room(tile) / LEAST_ROOM)

    def _whole_soles(self, points: int) -> float:
        """Return on which share of a tile all ground under a sole is observed, if its points lie evenly.

        Ground is observed with three returns within `SEEN_RADIUS_M`, and a sole is as large as so many such places
        (Poisson; each place for itself).
        """
        mean = points * _SEEN_M2 / TILE_M**2
        seen = 1.0 - math.exp(-mean) * (1.0 + mean + 0.5 * mean**2)
        return float(seen**self._places)

    def along(self, tiles: Iterable[Tile], in_tile: Mapping[Tile, int], mosaic: Mosaic) -> set[Tile]:
        """Return the tiles beside some that will be due soon: together they take less than one after the other."""
        tiles = set(tiles)
        near = [tile for tile in beside(tiles, 1) - tiles if tile in in_tile]
        return {tile for tile in near if self._is_soon_due(tile, in_tile[tile], mosaic)}

    def _is_soon_due(self, tile: Tile, points: int, mosaic: Mosaic) -> bool:
        before, way = self.made.get(tile), self._way(tile, points, mosaic)
        return way >= SOON if before is None else way > SOON and points > (1.0 + LEAST_SOON) * before

    def keep_up(self, version_s: float) -> None:
        """Ask for more points of a tile, and for more to be gained, the longer versions take."""
        wanted = min(max(GROWTH_PER_S * version_s, LEAST_GROWTH), MOST_GROWTH)
        self.growth += 0.3 * (wanted - self.growth)
        wanted = min(max(GAIN_CELLS_PER_S * version_s, GAIN_CELLS), MOST_GAIN_CELLS)
        self.gain_cells += 0.3 * (wanted - self.gain_cells)

    def is_stale(self, tile: Tile, points: int) -> bool:
        """Return whether a tile has points that came after it was made."""
        return points > self.made.get(tile, 0)

    def renewed(self, tiles: Iterable[Tile], points: Points) -> None:
        """Take note that tiles were made of all their points."""
        for tile in tiles:
            self.made[tile] = points.in_tile[tile]
            rows = points.rows([tile])
            stayed = rows[points.left_out[rows] != MOVING]
            self._known[tile] = np.unique(_voxels(tile, points.xyz_m(stayed)))
            for counts in (self.since, self.newer, self._odd, self._new):
                counts.pop(tile, None)


def fewest_of(foot: FootProfile) -> int:
    """Return from how many points in a block on a tile is made the first time.

    Until then nothing is known there, and nothing in it stands in the way. That is enough where a sole that is kept
    comfortably from unknown ground keeps its clearance from it too; otherwise the first point counts.
    """
    from terrain.kernels.verdict import UNKNOWN_EDGE_SD_M
    from terrain.score.bundles import outline_margin

    kept_m = outline_margin(foot.outline_m) + foot.edge_m.comfort + foot.z * UNKNOWN_EDGE_SD_M
    return FEWEST if foot.shin_radius_m <= kept_m else 1


def _beyond_the_first(parts: Sequence[IntArray]) -> int:
    """Return how many of some numbers are repetitions."""
    if sum(map(len, parts)) < ODD_POINTS:
        return 0
    every = np.concatenate(parts)
    return len(every) - len(np.unique(every))


def _voxels(tile: Tile, xyz_m: FloatArray) -> IntArray:
    """Return numbers of the voxels of a tile that points (n, 3) lie in."""
    side = round(TILE_M / VOXEL_M)
    low = np.array([tile[0] * TILE_M, tile[1] * TILE_M, 0.0])
    size = np.array([VOXEL_M, VOXEL_M, VOXEL_HEIGHT_M])
    ix, iy, iz = np.floor((xyz_m - low) / size).astype(np.int64).T
    return np.asarray((iz * side + np.clip(iy, 0, side - 1)) * side + np.clip(ix, 0, side - 1))


def _block_counts(tile: Tile, xyz_m: FloatArray) -> IntArray:
    """Return how many points (n, 3) lie in each block of a tile."""
    ix, iy = (
        np.minimum(((xyz_m[:, k] - tile[k] * TILE_M) * (BLOCKS / TILE_M)).astype(np.int64), BLOCKS - 1) for k in (0, 1)
    )
    return np.bincount(np.maximum(iy, 0) * BLOCKS + np.maximum(ix, 0), minlength=BLOCKS * BLOCKS)
