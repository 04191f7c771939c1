"""A window: a group of due tiles and what lies around, cleaned, segmented and made ground.

It depends on the points, on what was left out of them before this version, and on its job; not on who makes it or when.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, ByteArray, Cloud, FloatArray, FootProfile, IntArray, Segmentation
from terrain.follow.few import alone
from terrain.follow.mosaic import Parts, beside, parts_of
from terrain.follow.points import TILE_M, Points
from terrain.fusing import Clock
from terrain.ground.build import GroundReport
from terrain.maps.tiles import Tile

FEW = 100_000
"""Fewer points than this are quickest on one thread."""
BESIDE_M = 0.10
"""So far beyond a group's points beams are asked what they saw."""
MARGINS = 4
MARGIN_M = TILE_M / MARGINS
"""How much beyond the border of its tiles a window holds, for patches to be what they are: 0.16 m."""


@dataclass(frozen=True, slots=True)
class Job:
    """A group of tiles to be made, all tiles of the version on it or beside it, and whether other jobs are done too."""

    group: tuple[Tile, ...]
    due: frozenset[Tile]
    others: bool


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """What was found in a window with points (n, 2), and the ground of its tiles."""

    xy_m: FloatArray
    segmentation: Segmentation
    ground: Parts
    report: GroundReport


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """What became of a group: its window, if anything is left in its tiles; why each of its points (rows) is left out.

    seconds: by stage.
    """

    window: Window | None
    rows: IntArray
    reasons: ByteArray
    seconds: Mapping[str, float]


class Maker:
    """Makes windows of points, and changes nothing. `whole`: every window is the whole site."""

    def __init__(self, points: Points, foot: FootProfile, *, whole: bool) -> None:
        self.points, self.foot, self.whole = points, foot, whole

    def made(self, job: Job) -> Made:
        """Clean the points of a group of tiles, segment them with those around it, and make ground of them."""
        from terrain.ground.build import build_ground
        from terrain.segment.patches import segment_planes

        clock = Clock()
        with clock.stage("clean"):
            rows, reasons = self._cleaned(job)
            own = _inside(self.points.tiles(rows), set(job.group))
            kept = reasons == 0
            cloud = self._enough(self.points.cloud(rows[kept])) if (kept & own).any() else None
        left_out = rows[own], reasons[own]
        if cloud is None:
            return Made(None, *left_out, clock.seconds)
        with alone(small=job.others or len(cloud) < FEW):
            with clock.stage("segment"):
                segmentation = segment_planes(cloud, joint_m=self.foot.joint_m, by_slab=self.whole)
            with clock.stage("ground"):
                ground, report = build_ground(cloud, segmentation, joint_m=self.foot.joint_m, drop_m=self.foot.drop_m)
                parts = parts_of(ground, job.group)
        xy_m = np.ascontiguousarray(cloud.xyz_map_m[:, :2])
        return Made(Window(xy_m, segmentation, parts, report), *left_out, clock.seconds)

    def _cleaned(self, job: Job) -> tuple[IntArray, ByteArray]:
        """Return the rows of the points of a group of tiles and of what lies around it, and why each is left out.

        Around it, points of tiles that are made in the same version are cleaned here too: what becomes of them there
        is not known yet.
        """
        if self.whole:
            rows = self.points.rows(job.group)
            return rows, self.points.left_out[rows]
        rows = self.points.rows(beside(job.group, 1))
        rows = rows[_near_rows(self.points.xyz_m(rows)[:, :2], job.group)]
        reasons = self.points.left_out[rows]
        fresh = _inside(self.points.tiles(rows), set(job.due))
        if fresh.any() and self.points.has_views:
            with alone(small=job.others or self.points.count < FEW):
                reasons[fresh] = self._reasons(rows[fresh])
        return rows, reasons

    def _reasons(self, rows: IntArray) -> ByteArray:
        """Tell why points are left out; every beam that crosses their box is asked."""
        from terrain.fuse.clean import CleanSettings, learned

        xyz_m = self.points.xyz_m(rows)
        low, high = xyz_m.min(axis=0) - BESIDE_M, xyz_m.max(axis=0) + BESIDE_M
        asked = self.points.crossing(low, high)
        asked[rows] = True
        moved = learned(self.points.cloud(np.flatnonzero(asked)), CleanSettings())
        return moved.reasons(self.points.cloud(rows))

    def _enough(self, cloud: Cloud) -> Cloud:
        """Return as many points of a window as planes need, drawn as those of a dense survey are in the end."""
        from terrain.fuse.sieve import too_many

        rows = None if self.whole else too_many(cloud)
        return cloud if rows is None else cloud.some(rows)


def _near_rows(xy_m: FloatArray, group: Iterable[Tile]) -> BoolArray:
    """Return which points (n, 2) lie within a margin of a group, counted in squares as wide as it."""
    every = [(i, j) for i in range(MARGINS) for j in range(MARGINS)]
    squares = {(MARGINS * tx + i, MARGINS * ty + j) for tx, ty in group for i, j in every}
    return _inside(np.floor(xy_m / MARGIN_M).astype(np.int64), beside(squares, 1))


def _inside(tile: IntArray, tiles: set[Tile]) -> BoolArray:
    """Return which rows (n, 2) are among some tiles."""
    if len(tile) == 0:
        return np.zeros(0, dtype=np.bool_)
    low, high = tile.min(axis=0), tile.max(axis=0)
    table = np.zeros(high - low + 1, dtype=np.bool_)
    for x, y in tiles:
        if low[0] <= x <= high[0] and low[1] <= y <= high[1]:
            table[x - low[0], y - low[1]] = True
    return np.asarray(table[tile[:, 0] - low[0], tile[:, 1] - low[1]])
