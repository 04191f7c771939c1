"""Due tiles made anew: cleaned, segmented and made ground in a window with a margin, then judged where they lie."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, Cloud, FloatArray, FootProfile, Ground, IntArray, LevelRaster, Segmentation
from terrain.follow.canvas import RASTER_CELL_M
from terrain.follow.few import alone
from terrain.follow.mosaic import Fresh, Mosaic, beside
from terrain.follow.pieces import Found
from terrain.follow.points import TILE_M, Points, tiles_of
from terrain.fusing import Clock
from terrain.ground.build import GroundReport
from terrain.kernels.threads import in_order
from terrain.kernels.verdict import REACH_M
from terrain.maps.tiles import Tile

FEW = 100_000
"""Fewer points than this are quickest on one thread."""

BESIDE_M = 0.10
"""So far beyond a group's points beams are asked what they saw."""
YAWS, YAWS_GROWING = 16, 4
"""Directions in which a sole is tried on each cell, in the end and before: with fewer it can only be called worse."""
MARGINS = 4
MARGIN_M = TILE_M / MARGINS
"""How much beyond the border of its tiles a window holds, for patches to be what they are: 0.16 m."""


def reach_of(foot: FootProfile, *, edge_m: float = REACH_M) -> float:
    """Return how far from the load point ground can matter to a verdict: sole and edge, or the clearance."""
    radius = float(np.hypot(*foot.outline_m.T).max())
    return max(radius + edge_m, float(foot.shin_radius_m)) + 0.03


def groups(tiles: Iterable[Tile]) -> list[list[Tile]]:
    """Return tiles that touch, at corners too, together; groups and tiles in a fixed order."""
    left, found = set(tiles), []
    for start in sorted(left):
        if start not in left:
            continue
        left.discard(start)
        group, edge = [start], [start]
        while edge:
            near = beside([edge.pop()], 1) & left
            left -= near
            group += near
            edge += near
        found.append(sorted(group))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Made:
    cloud: Cloud
    segmentation: Segmentation
    ground: Ground
    report: GroundReport
    clock: Clock


@dataclass(frozen=True, slots=True, eq=False)
class Renewed:
    """What was made anew: windows in their order, and what they changed of the mosaic."""

    found: tuple[Found, ...]
    fresh: Fresh


class Windows:
    """Ground and rasters of all that was taken in, renewed tile by tile, and patches until they are handed over."""

    def __init__(self, points: Points, foot: FootProfile, *, whole: bool) -> None:
        """`whole`: every window is the whole site, for points without viewpoints."""
        self.points, self.foot, self.whole = points, foot, whole
        self.yaws = YAWS if whole else YAWS_GROWING
        self.mosaic = Mosaic()
        self._found: list[Found] = []
        self._next_patch = 0
        self.warnings: tuple[str, ...] = ()

    def renew(self, due: Iterable[Tile], clock: Clock) -> set[Tile]:
        """Segment and judge some tiles anew, the seconds counted by stage; return which were."""
        wanted = set(self.points.in_tile) if self.whole else set(due) & set(self.points.in_tile)
        if not wanted:
            return wanted
        every = [sorted(wanted)] if self.whole else groups(wanted)
        each = in_order(self._made, every)
        for group, made in zip(every, each, strict=True):
            self._put(group, made, clock)
        with clock.stage("score"):
            self._judge(wanted)
        return wanted

    def renewed(self) -> Renewed:
        """Return what was made since the last time this was asked; it holds until tiles are renewed again."""
        found, self._found = tuple(self._found), []
        return Renewed(found, self.mosaic.fresh())

    def _cleaned(self, group: list[Tile]) -> IntArray:
        """Return the rows of the points of a group of tiles, and of what lies around it, that are not left out."""
        if self.whole:
            return self.points.rows(group)
        rows = self.points.rows(beside(group, 1))
        rows = rows[_near_rows(self.points.xyz_m(rows)[:, :2], group)]
        mine = rows[_inside(self.points.tiles(rows), set(group))]
        with alone(small=self.points.count < FEW):
            self._clean(mine)
        return np.asarray(rows[self.points.left_out[rows] == 0])

    def _clean(self, mine: IntArray) -> None:
        """Tell why points are left out; every beam that crosses their box is asked."""
        from terrain.fuse.clean import CleanSettings, learned

        if len(mine) == 0 or not self.points.has_views:
            return
        xyz_m = self.points.xyz_m(mine)
        low, high = xyz_m.min(axis=0) - BESIDE_M, xyz_m.max(axis=0) + BESIDE_M
        asked = self.points.crossing(low, high)
        asked[mine] = True
        moved = learned(self.points.cloud(np.flatnonzero(asked)), CleanSettings())
        self.points.left_out[mine] = moved.reasons(self.points.cloud(mine))

    def _made(self, group: list[Tile]) -> _Made | None:
        """Clean the points of a group of tiles, segment them with those around it, and make ground of them."""
        from terrain.ground.build import build_ground
        from terrain.segment.patches import segment_planes

        clock = Clock()
        with clock.stage("clean"):
            chosen = self._cleaned(group)
            cloud = self._enough(self.points.cloud(chosen)) if len(chosen) else None
        if cloud is None:
            return None
        with alone(small=len(cloud) < FEW):
            with clock.stage("segment"):
                segmentation = segment_planes(cloud, joint_m=self.foot.joint_m, by_slab=self.whole)
            with clock.stage("ground"):
                ground, report = build_ground(cloud, segmentation, joint_m=self.foot.joint_m, drop_m=self.foot.drop_m)
        return _Made(cloud, segmentation, ground, report, clock)

    def _enough(self, cloud: Cloud) -> Cloud:
        """Return as many points of a window as planes need, drawn as those of a dense survey are in the end."""
        from terrain.fuse.sieve import too_many

        rows = None if self.whole else too_many(cloud)
        return cloud if rows is None else cloud.some(rows)

    def _put(self, group: list[Tile], made: _Made | None, clock: Clock) -> None:
        """Take what was made for a group of tiles instead of what is there."""
        if made is None or not _inside(tiles_of(made.cloud.xyz_map_m[:, :2]), set(group)).any():
            self.mosaic.drop(group)
            return
        patches = dataclasses.replace(made.segmentation.patches, roughness_m=made.report.patch_roughness_m)
        xy_m, first = made.cloud.xyz_map_m[:, :2], self._next_patch
        self._found.append(Found(made.segmentation, patches, frozenset(group), xy_m, first))
        self._next_patch += len(patches)
        self.mosaic.put(made.ground, group, first_patch=first)
        if self.whole:
            self.warnings = made.report.warnings
        for stage, seconds in made.clock.seconds.items():
            clock.seconds[stage] = clock.seconds.get(stage, 0.0) + seconds

    def _judge(self, tiles: set[Tile]) -> None:
        from terrain.score.dense import deciding_reach, judge_everywhere

        reach = reach_of(self.foot)
        rings = math.ceil(2.0 * reach / TILE_M)
        around = beside(tiles, rings)
        known = self.mosaic.tiles & around
        rasters: tuple[LevelRaster, ...] = ()
        if known:
            ground = self.mosaic.ground(known)
            reach = min(reach, reach_of(self.foot, edge_m=deciding_reach(ground, self.foot)))
            core = np.zeros(ground.grid.tile_slot.shape, dtype=np.bool_)
            corner = round(ground.grid.x0_m / TILE_M), round(ground.grid.y0_m / TILE_M)
            for tx, ty in tiles & known:
                core[ty - corner[1], tx - corner[0]] = True
            rasters = judge_everywhere(ground, self.foot, core=core, yaws=self.yaws, core_reach_m=reach + RASTER_CELL_M)
        self.mosaic.put_cells(rasters, tiles, around, reach_m=reach)


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
