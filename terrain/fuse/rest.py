"""All returns of a survey of which only a part is used: what becomes of each, part by part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import Cloud, IntArray
from terrain.fuse.clean import REASONS, WhatMoved
from terrain.fuse.move import Move
from terrain.fuse.spool import SpooledPoints


@dataclass(frozen=True, slots=True, eq=False)
class AllPoints:
    """Every return as it was fused, and what the used ones tell of it: where it lies, and whether it is of the site.

    move, moved: None where nothing was corrected, or nothing could be told of what moves.
    """

    fused: SpooledPoints
    move: Move | None
    moved: WhatMoved | None

    def __len__(self) -> int:
        return len(self.fused.points)

    def part(self, number: int) -> tuple[Cloud, IntArray]:
        """Return those of a part that stay, and how many of it do not: outside the poses, and by `REASONS`."""
        cloud = self.fused.part(number)
        left_out = np.zeros(1 + len(REASONS), dtype=np.int64)
        if self.move is not None:
            left_out[0] = len(cloud)
            cloud = self.move.applied(cloud)
            left_out[0] -= len(cloud)
        if self.moved is not None:
            reason = self.moved.reasons(cloud)
            left_out[1:] = np.bincount(reason, minlength=1 + len(REASONS))[1:]
            if left_out[1:].any():
                cloud = cloud.some(np.flatnonzero(reason == 0))
        return cloud, left_out
