"""Due tiles made anew: cleaned, segmented and made ground in a window with a margin, then judged where they lie."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numba import get_num_threads

from terrain.data import FootProfile, LevelRaster
from terrain.follow.canvas import RASTER_CELL_M
from terrain.follow.hands import Hands
from terrain.follow.making import Job, Made, Maker, Window
from terrain.follow.mosaic import Fresh, Mosaic, beside
from terrain.follow.pieces import Found
from terrain.follow.points import TILE_M, Points
from terrain.follow.share import by_whoever_is_free, shared_out
from terrain.fusing import Clock
from terrain.kernels.verdict import REACH_M
from terrain.maps.tiles import Tile

YAWS, YAWS_GROWING = 16, 4
"""Directions in which a sole is tried on each cell, in the end and before: with fewer it can only be called worse."""


def reach_of(foot: FootProfile, *, edge_m: float = REACH_M) -> float:
    """Return how far from the load point ground can matter to a verdict: sole and edge, or the clearance."""
    radius = float(np.hypot(*foot.outline_m.T).max())
    return max(radius + edge_m, float(foot.shin_radius_m)) + 0.03


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
        self._hands: Hands | None = None
        self._maker = Maker(points, foot, whole=whole)
        self.yaws = YAWS if whole else YAWS_GROWING
        self.mosaic = Mosaic()
        self._found: list[Found] = []
        self._next_patch = 0
        self.warnings: tuple[str, ...] = ()

    def use(self, hands: Hands | None) -> None:
        """From now on let another process make windows too, or none."""
        self._hands = hands
        if hands is not None:
            hands.begin(self.foot)
            hands.know(self.points)
            gone = np.flatnonzero(self.points.left_out)
            hands.leave_out(gone, self.points.left_out[gone])

    def know(self) -> None:
        """Tell the other process of points that came in."""
        if self._hands is not None:
            self._hands.know(self.points)

    def renew(self, due: Iterable[Tile], clock: Clock) -> set[Tile]:
        """Segment and judge some tiles anew, the seconds counted by stage; return which were."""
        wanted = set(self.points.in_tile) if self.whole else set(due) & set(self.points.in_tile)
        if not wanted:
            return wanted
        threads = int(get_num_threads())
        every = [sorted(wanted)] if self.whole else shared_out(wanted, threads)
        jobs = [Job(tuple(group), frozenset(beside(group, 1) & wanted), len(every) > 1) for group in every]
        each = by_whoever_is_free(self._workers(threads), jobs)
        self._leave_out(each)
        for group, made in zip(every, each, strict=True):
            for stage, seconds in made.seconds.items():
                clock.seconds[stage] = clock.seconds.get(stage, 0.0) + seconds
            self._put(group, made.window)
        with clock.stage("score"):
            self._judge(wanted)
        return wanted

    def _workers(self, threads: int) -> list[Callable[[Job], Made]]:
        """Return who makes windows: this thread, the other process or else a thread, and where there are more, more."""
        if self._hands is None:
            return [self._maker.made] * threads
        return [self._maker.made, self._hands.made, *[self._maker.made] * (threads - 2)]

    def _leave_out(self, each: Iterable[Made]) -> None:
        """Leave out what all windows of a version told, which does not depend on which of them came first."""
        for made in each:
            changed = self.points.leave_out(made.rows, made.reasons)
            if self._hands is not None:
                self._hands.leave_out(made.rows[changed], made.reasons[changed])

    def renewed(self) -> Renewed:
        """Return what was made since the last time this was asked; it holds until tiles are renewed again."""
        found, self._found = tuple(self._found), []
        return Renewed(found, self.mosaic.fresh())

    def _put(self, group: list[Tile], window: Window | None) -> None:
        """Take what was made for a group of tiles instead of what is there."""
        if window is None:
            self.mosaic.drop(group)
            return
        patches = dataclasses.replace(window.segmentation.patches, roughness_m=window.report.patch_roughness_m)
        first = self._next_patch
        self._found.append(Found(window.segmentation, patches, frozenset(group), window.xy_m, first))
        self._next_patch += len(patches)
        self.mosaic.put(window.ground, group, first_patch=first)
        if self.whole:
            self.warnings = window.report.warnings

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
