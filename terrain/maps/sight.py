"""What a sensor at a place would see of other places, past what a map knows to stand and hang there."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, FloatArray, Ground
from terrain.errors import DataError

NEAR_M = 0.05
"""This near a target nothing counts as in the way: its height is a guess."""
UNDER_M = 0.02
_CHUNK = 200_000


@dataclass(frozen=True, slots=True)
class Eye:
    """The sensor of the next pass.

    height_m : above the ground the robot stands on
    min_range_m, max_range_m : what is nearer or farther gives no return
    steepest_rad, shallowest_rad : beams look down by no more and no less than this, below the horizontal
    grazing_rad : ground met at a flatter angle than this gives no evidence
    """

    height_m: float = 0.6
    min_range_m: float = 0.4
    max_range_m: float = 10.0
    steepest_rad: float = math.radians(90.0)
    shallowest_rad: float = math.radians(-90.0)
    grazing_rad: float = math.radians(10.0)

    def __post_init__(self) -> None:
        if not (0.05 <= self.height_m <= 10.0):
            raise DataError(f"sensor height: got {self.height_m:g} m, expected 0.05 to 10 m above the ground")
        if not (0.0 <= self.min_range_m < self.max_range_m):
            raise DataError(
                f"sensor range: got {self.min_range_m:g} to {self.max_range_m:g} m, expected a nearest range under the "
                "farthest"
            )
        if not self.shallowest_rad < self.steepest_rad:
            raise DataError(
                f"field of view: got {math.degrees(self.shallowest_rad):g} to {math.degrees(self.steepest_rad):g} "
                "degrees below the horizontal, expected the shallowest before the steepest"
            )


def visible(ground: Ground, eye: Eye, place_m: FloatArray, target_m: FloatArray) -> BoolArray:
    """Return which targets a sensor over each place would see, (places, targets).

    Parameters
    ----------
    ground : Ground
        All that is known: surfaces, and spans of what stands or hangs.
    eye : Eye
        How high the sensor stands and what it can see.
    place_m : (p, 3)
        Ground under the sensor, map frame.
    target_m : (t, 3)
        Ground to be seen, level as far as is known.

    Notes
    -----
    Where nothing is known the sight counts as free: what stands in unseen space is not known.
    """
    from terrain.kernels.sight import sight_clear

    grid = ground.grid
    eyes = place_m + np.array([0.0, 0.0, eye.height_m])
    seen = np.zeros((len(eyes), len(target_m)), dtype=np.bool_)
    for start in range(0, len(eyes), max(1, _CHUNK // max(len(target_m), 1))):
        part = slice(start, start + max(1, _CHUNK // max(len(target_m), 1)))
        way = target_m[None] - eyes[part, None]
        flat, reach = np.hypot(way[..., 0], way[..., 1]), np.linalg.norm(way, axis=2)
        down = np.arctan2(-way[..., 2], flat)
        possible = (reach >= eye.min_range_m) & (reach <= eye.max_range_m) & (down >= eye.grazing_rad)
        possible &= (down >= eye.shallowest_rad) & (down <= eye.steepest_rad)
        row, column = np.nonzero(possible)
        clear = np.empty(len(row), dtype=np.bool_)
        sight_clear(
            np.ascontiguousarray(eyes[part][row]), np.ascontiguousarray(target_m[column]),
            grid.x0_m, grid.y0_m, grid.z0_m, grid.cell_m, grid.tile_slot, ground.first, ground.height_m,
            ground.span_first, ground.span_low_m, ground.span_high_m, NEAR_M, UNDER_M, clear,
        )  # fmt: skip
        seen[part][row, column] = clear
    return seen
