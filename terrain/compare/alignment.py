"""Whether two maps lie in one frame, and how far apart ground that did not change still is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.compare.stacks import Pair, chosen
from terrain.data import FloatArray
from terrain.errors import FrameError
from terrain.maps.store import TerrainMap

_BLOCK_M = 1.0
_LEAST_BLOCKS = 9
_LEAST_SHARE = 0.1
"""A block counts where at least this share of it was seen twice."""
_NEAR_M = 0.05
"""Height differences beyond this say that something changed, not how well the maps agree."""
_MAD = 1.4826
_TYPICAL_RANGE_M = 3.0
"""Attitude errors are taken at this range where nothing could be measured."""
_SEARCH_M, _STEP_M = 1.0, 0.1
_GROSS_OFFSET_M = 0.03
_LEAST_LOOSE = 200
LOOSE_SCATTER = 3.0
"""Taken where a site has too little loose ground to measure it: the demo docks gave 2.6 to 4.3."""


@dataclass(frozen=True, slots=True)
class Registration:
    """How far apart the same ground lies in two maps: one standard deviation of height, metres.

    measured_m: from ground seen twice, None where too little was; stated_m: from the poses' stated accuracy;
    offset_m: the median difference (after minus before); blocks: how many one-metre blocks were measured.
    """

    measured_m: float | None
    stated_m: float
    offset_m: float
    blocks: int

    @property
    def used_m(self) -> float:
        """Return what enters the threshold: the measured one, else the stated one."""
        return self.stated_m if self.measured_m is None else self.measured_m


def measure_registration(
    pair: Pair, to_after: npt.NDArray[np.int8], maps: tuple[TerrainMap, TerrainMap]
) -> Registration:
    """Return how far apart ground seen twice lies, from medians over blocks of one metre.

    The sd joins the median of the blocks' medians (an offset of all the site) with their scatter (1.4826 times the
    median absolute deviation), so that what changed, being the lesser part, does not count.
    """
    difference = chosen(pair.after.height_m, to_after) - pair.before.height_m
    steps = round(_BLOCK_M / pair.cell_m)
    medians = []
    for level in difference:
        for row in range(0, level.shape[0], steps):
            for column in range(0, level.shape[1], steps):
                block = level[row : row + steps, column : column + steps]
                near = block[np.abs(block) < _NEAR_M]
                if len(near) >= _LEAST_SHARE * steps * steps:
                    medians.append(float(np.median(near)))
    finite = difference[np.isfinite(difference)]
    offset = float(np.median(finite)) if len(finite) else 0.0
    measured = None
    if len(medians) >= _LEAST_BLOCKS:
        values = np.array(medians)
        scatter = _MAD * float(np.median(np.abs(values - np.median(values))))
        measured = math.hypot(float(np.median(values)), scatter)
    return Registration(measured, math.hypot(*(stated_sd(m) for m in maps)), offset, len(medians))


def measure_loose_scatter(pair: Pair, to_after: npt.NDArray[np.int8]) -> float:
    """Return by what factor differences of loose ground exceed the sds of its cells, at least 1.

    Outside planes a cell's height is a mean of few returns, and stones, edges and plants scatter it more than noise
    does. The factor is what brings 95 % of the differences within 1.96 sds; those over 50 mm are left out as changes.
    """
    difference = chosen(pair.after.height_m, to_after) - pair.before.height_m
    spread = np.hypot(pair.before.height_sd_m, chosen(pair.after.height_sd_m, to_after))
    other = np.take_along_axis(pair.after.patch_id, np.maximum(to_after, 0), axis=0)
    loose = (to_after >= 0) & ((pair.before.patch_id < 0) | (other < 0)) & (np.abs(difference) < _NEAR_M)
    if np.count_nonzero(loose) < _LEAST_LOOSE:
        return LOOSE_SCATTER
    return max(1.0, float(np.percentile(np.abs(difference[loose]) / spread[loose], 95)) / 1.96)


def stated_sd(terrain_map: TerrainMap) -> float:
    """Return the sd of height that the stated accuracy of poses allows at a typical range, metres; 0 without poses."""
    poses: dict[str, Any] = terrain_map.manifest.get("settings", {}).get("poses") or {}
    attitude = float(poses.get("attitude_sd_rad") or 0.0)
    return math.hypot(float(poses.get("position_sd_m") or 0.0), attitude * _TYPICAL_RANGE_M)


def check_alignment(pair: Pair, registration: Registration, names: tuple[str, str]) -> None:
    """Raise where the maps do not lie in one frame.

    Raises
    ------
    FrameError
        All of the site is higher or lower, or moving the second map by a few decimetres would explain most of what
        differs.

    Notes
    -----
    Steps, blocks and walls tell a shift in plan; on a bare floor none can be told, and none does harm.
    """
    if abs(registration.offset_m) > max(_GROSS_OFFSET_M, 5.0 * registration.stated_m):
        raise FrameError(
            f"{names[1]}: ground seen in both maps is {registration.offset_m:+.3f} m higher than in {names[0]} (median "
            f"of the site), expected one frame; align the poses of the two passes first"
        )
    shift, before, after = best_shift(pair)
    if shift != (0.0, 0.0) and before > 0.02 and after < 0.5 * before:
        raise FrameError(
            f"{names[1]}: does not line up with {names[0]}: {before:.0%} of the ground seen in both differs by more "
            f"than 30 mm, {after:.0%} would if it were moved by x {shift[0]:+.1f}, y {shift[1]:+.1f} m; expected one "
            "frame; align the poses of the two passes first"
        )


def best_shift(pair: Pair) -> tuple[tuple[float, float], float, float]:
    """Return the shift in plan of the second map that fits best, and the share of ground that differs without and with.

    Searched over whole decimetres up to one metre, on the lowest level; ground differs where heights are more than
    30 mm apart.
    """
    step = max(1, round(_STEP_M / pair.cell_m))
    before, after = (_coarse(side.height_m[0], step) for side in (pair.before, pair.after))
    reach = round(_SEARCH_M / (step * pair.cell_m))
    shares = {}
    least = 0.3 * float(np.isfinite(before).sum())
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            shares[dx, dy] = _share_apart(before, after, dx, dy, least)
    still = shares[0, 0]
    # Of shifts that fit equally well the smallest, so that a bare floor asks for none.
    dx, dy = min(shares, key=lambda at: (round(shares[at], 4), abs(at[0]) + abs(at[1]), at))
    size = step * pair.cell_m
    return (dx * size, dy * size), still, shares[dx, dy]


def _coarse(height: npt.NDArray[np.float32], step: int) -> FloatArray:
    """Return every `step`-th cell, which keeps steps sharp where a mean would blur them."""
    return height[step // 2 :: step, step // 2 :: step].astype(np.float64)


def _share_apart(before: FloatArray, after: FloatArray, dx: int, dy: int, least: float) -> float:
    """Return the share of cells that differ when `after` is moved by (dx, dy) cells; 1 where too few overlap."""
    ny, nx = before.shape
    here = before[max(dy, 0) : ny + min(dy, 0), max(dx, 0) : nx + min(dx, 0)]
    there = after[max(-dy, 0) : ny + min(-dy, 0), max(-dx, 0) : nx + min(-dx, 0)]
    apart = np.abs(here - there)
    apart = apart[np.isfinite(apart)]
    if len(apart) < max(least, 1.0):
        return 1.0
    return float(np.mean(apart > 0.03))
