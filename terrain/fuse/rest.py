"""All returns of a survey of which only a part is used: what becomes of each, part by part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import Cloud
from terrain.fuse.clean import REASONS, WhatMoved
from terrain.fuse.motion import OUTSIDE_POSES
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

    def part(self, number: int) -> tuple[Cloud, dict[str, int]]:
        """Return those of a part that stay, and how many of it do not, by reason."""
        cloud = self.fused.part(number)
        left_out = {}
        if self.move is not None:
            before = len(cloud)
            cloud = self.move.applied(cloud)
            left_out[OUTSIDE_POSES] = before - len(cloud)
        if self.moved is not None:
            reason = self.moved.reasons(cloud)
            counts = np.bincount(reason, minlength=1 + len(REASONS))[1:]
            left_out |= dict(zip(REASONS, counts.tolist(), strict=True))
            if counts.any():
                cloud = cloud.some(np.flatnonzero(reason == 0))
        return cloud, left_out
