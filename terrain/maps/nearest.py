"""The best placement near one that was asked for."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from terrain.data import BoolArray, FloatArray, Label, Verdicts
from terrain.data.arrays import seal
from terrain.errors import DataError

STEP_M = 0.02
TURN_STEP_RAD = math.radians(7.5)
MAX_CANDIDATES = 200_000
_ROUNDS = (1, 8, 32, 128, 512)
_AT_ONCE = 65_536
_NONE = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True, eq=False)
class Nearest:
    """The placements found, one row a placement asked for, in the same order.

    verdicts : Verdicts
        On the placements found; `verdicts.placement` (n, 4) holds x, y, yaw and level height.
    found : (n,) bool
        Whether the label is steppable or marginal. Where it is False, the row is the placement asked for.
    moved_m : (n,) float64
        Distance in plan from the load point asked for; 0 where nothing was found.
    turned_rad : (n,) float64
        Yaw found less yaw asked for.
    """

    verdicts: Verdicts
    found: BoolArray
    moved_m: FloatArray
    turned_rad: FloatArray

    def __post_init__(self) -> None:
        n = len(self.verdicts)
        seal(self, "found", dtype=np.bool_, rows=n, copy=False)
        seal(self, "moved_m", rows=n, copy=False)
        seal(self, "turned_rad", rows=n, copy=False)

    def __len__(self) -> int:
        """Return the number of placements."""
        return len(self.verdicts)


def find_nearest(
    screen: Callable[[FloatArray], npt.NDArray[np.uint8]],
    judge: Callable[[FloatArray], Verdicts],
    wanted: FloatArray,
    *,
    radius_m: float,
    step_m: float,
    turn_rad: float,
    arm_m: float,
) -> Nearest:
    """Return for each placement the nearest steppable one, else the nearest marginal one, else itself.

    Parameters
    ----------
    screen : callable
        Takes (n, 4) placements and returns their labels, right where steppable or marginal.
    judge : callable
        Takes (n, 4) placements and returns their verdicts.
    wanted : (n, 4) float64
        Placements as `TerrainMap.judge` takes them.
    radius_m, turn_rad : float
        How far the load point and the yaw may move.
    step_m : float
        Spacing of the spots that are tried, metres.
    arm_m : float
        From the load point to the farthest point of the sole: a turn counts as far as it moves that.

    Raises
    ------
    DataError
        A number is negative or not finite, or there are more spots to try than `MAX_CANDIDATES`.
    """
    moves = candidate_moves(radius_m=radius_m, step_m=step_m, turn_rad=turn_rad, arm_m=arm_m)
    n = len(wanted)
    steppable, marginal = np.full(n, _NONE), np.full(n, _NONE)
    open_rows = np.arange(n)
    start, turn = 0, 0
    while len(open_rows) and start < len(moves):
        stop = min(start + _ROUNDS[min(turn, len(_ROUNDS) - 1)], len(moves))
        rows_at_once = max(_AT_ONCE // (stop - start), 1)
        for first in range(0, len(open_rows), rows_at_once):
            rows = open_rows[first : first + rows_at_once]
            label = screen(_moved(wanted[rows], moves[start:stop])).reshape(len(rows), stop - start)
            for best, value in ((steppable, Label.STEPPABLE), (marginal, Label.MARGINAL)):
                hit = label == value
                best[rows] = np.minimum(best[rows], np.where(hit.any(axis=1), start + hit.argmax(axis=1), _NONE))
        open_rows = open_rows[steppable[open_rows] == _NONE]
        start, turn = stop, turn + 1
    chosen = np.where(steppable != _NONE, steppable, marginal)
    found = chosen != _NONE
    move = moves[np.where(found, chosen, 0)]
    return Nearest(
        verdicts=judge(wanted + move), found=found, moved_m=np.hypot(move[:, 0], move[:, 1]), turned_rad=move[:, 2]
    )


def candidate_moves(*, radius_m: float, step_m: float, turn_rad: float, arm_m: float) -> FloatArray:
    """Return the moves to try, nearest first, as (k, 4): dx, dy, dyaw, 0; the first is no move at all.

    How near a move is: the way of the load point plus the arm times the turn. Ties go to the smaller turn, then to
    the left, then to the lower x and y, so that the order is the same everywhere.
    """
    for name, value, least in (("radius_m", radius_m, 0.0), ("step_m", step_m, 1e-4), ("turn_rad", turn_rad, 0.0)):
        if not (math.isfinite(value) and value >= least):
            raise DataError(f"{name}: got {value!r}, expected a finite number from {least:g}")
    spots = math.pi * (radius_m / step_m + 1.0) ** 2
    turns = int(min(turn_rad, math.pi) / TURN_STEP_RAD + 1e-9)
    if spots * (2 * turns + 1) > MAX_CANDIDATES:
        raise DataError(
            f"radius_m {radius_m:g} at step_m {step_m:g} and turn_rad {turn_rad:g}: got about "
            f"{spots * (2 * turns + 1):.0f} spots to try, expected at most {MAX_CANDIDATES}; take a coarser step"
        )
    reach = int(radius_m / step_m + 1e-9)
    iy, ix, turn = np.meshgrid(
        np.arange(-reach, reach + 1), np.arange(-reach, reach + 1), np.arange(-turns, turns + 1), indexing="ij"
    )
    moves = np.column_stack([ix.ravel() * step_m, iy.ravel() * step_m, turn.ravel() * TURN_STEP_RAD, 0.0 * ix.ravel()])
    way = np.hypot(moves[:, 0], moves[:, 1])
    moves, way = moves[way <= radius_m + 1e-9], way[way <= radius_m + 1e-9]
    far = np.round(way + arm_m * np.abs(moves[:, 2]), 9)
    return moves[np.lexsort((moves[:, 1], moves[:, 0], -moves[:, 2], np.abs(moves[:, 2]), far))]


def _moved(wanted: FloatArray, moves: FloatArray) -> FloatArray:
    return np.asarray((wanted[:, None, :] + moves[None, :, :]).reshape(-1, 4))
