"""Where to start from: candidates over a neighbourhood or the whole map, scored on a coarse grid."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray
from terrain.locate.align import COARSE_GATES_M, Pose, align, level_pose, scores
from terrain.locate.features import Features, balanced
from terrain.locate.model import COARSE_M, Model

SCORED = 500
ROUGH = 2_000
"""Features that candidates are scored with, and that the best are aligned with."""
KEPT = 8
HEIGHT_BIN_M = 0.05
HEIGHTS = 2
"""How many heights are tried at each place: a floor and a deck may both fit."""
NEAR_M, NEAR_RAD = 0.75, math.radians(15.0)
"""How far about a guess is searched."""
SAME_M, SAME_RAD = 0.05, math.radians(1.0)
"""Aligned poses this close to each other are one."""
APART_M, APART_RAD = 0.3, math.radians(5.0)
"""Poses that differ by more are different answers."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A pose, and how close the features lie to the model there, 0 to 1."""

    pose: Pose
    score: float


def search(model: Model, features: Features, guess: tuple[float, float, float] | None) -> list[Candidate]:
    """Return a few different poses, roughly aligned, best first.

    Parameters
    ----------
    guess : (x, y, yaw) or None
        Of the pose that takes features to the model, both relative to their origins; None searches everywhere.
    """
    few = balanced(features, SCORED)
    found: list[Candidate] = []
    for yaw, places in _starts(model, few, guess):
        shifts = _with_heights(model, few, yaw, places)
        for score, shift in zip(scores(model, few, yaw, shifts), shifts, strict=True):
            found.append(Candidate(level_pose(yaw, shift), float(score)))
    found.sort(key=lambda one: -one.score)
    rough = balanced(features, ROUGH)
    aligned = []
    for one in _different(found, KEPT if guess else 3 * KEPT, 0.2, math.radians(4.0)):
        pose = align(model, rough, one.pose, COARSE_GATES_M)
        aligned.append(Candidate(pose, float(scores(model, few, pose.yaw_rad, pose.shift_m[np.newaxis])[0])))
    aligned.sort(key=lambda one: -one.score)
    return _different(aligned, KEPT, SAME_M, SAME_RAD)


def _starts(
    model: Model, features: Features, guess: tuple[float, float, float] | None
) -> list[tuple[float, FloatArray]]:
    """Return yaws, and for each the places (k, 2) that take the features' middle over the model."""
    if guess is not None:
        x, y, yaw = guess
        step = np.arange(-NEAR_M, NEAR_M + 1e-9, 0.25)
        dx, dy = (grid.ravel() for grid in np.meshgrid(step, step))
        # The guess is where the pass begins; a turn is taken about there, not about the features' origin.
        turns = np.arange(-NEAR_RAD, NEAR_RAD + 1e-9, math.radians(5.0))
        return [(yaw + turn, np.column_stack([x + dx, y + dy])) for turn in turns]
    iy, ix = np.nonzero(model.known.T)
    step_cells = round(0.4 / COARSE_M)
    chosen = (ix % step_cells == 0) & (iy % step_cells == 0)
    places = model.low_m[:2] + (np.column_stack([ix[chosen], iy[chosen]]) + 0.5) * COARSE_M
    middle = features.xyz_m[:, :2].mean(axis=0)
    out = []
    for yaw in np.arange(-math.pi, math.pi - 1e-9, math.radians(7.5)):
        turned = level_pose(yaw, np.zeros(3)).at(np.append(middle, 0.0)[np.newaxis])[0, :2]
        out.append((float(yaw), places - turned))
    return out


def _with_heights(model: Model, features: Features, yaw_rad: float, places: FloatArray) -> FloatArray:
    """Return shifts (k, 3): each place at the heights at which most features lie on upward surfaces of the model."""
    level = features.normal[:, 2] > 0.8
    chosen = features.chosen(level) if level.sum() >= 30 else features
    turned = level_pose(yaw_rad, np.zeros(3)).at(chosen.xyz_m)
    out = []
    shape = np.array(model.low_z_m.shape)
    for first in range(0, len(places), 256):
        part = places[first : first + 256]
        cell = np.floor((turned[np.newaxis, :, :2] + part[:, np.newaxis] - model.low_m[:2]) / COARSE_M).astype(np.int64)
        inside = np.asarray(np.logical_and.reduce((cell >= 0) & (cell < shape), axis=2))
        cell = np.where(inside[..., np.newaxis], cell, 0)
        rises = []
        for surface in (model.low_z_m, model.top_z_m):
            rise = surface[cell[..., 0], cell[..., 1]] - turned[np.newaxis, :, 2]
            rises.append(np.where(inside, rise, np.nan))
        rise = np.concatenate(rises, axis=1)
        finite = np.isfinite(rise)
        if not finite.any():
            continue
        low = float(rise[finite].min())
        bins = int((float(rise[finite].max()) - low) / HEIGHT_BIN_M) + 3
        index = np.where(finite, ((rise - low) / HEIGHT_BIN_M), 0).astype(np.int64) + 1
        flat = (np.arange(len(part))[:, np.newaxis] * bins + index)[finite]
        votes = np.bincount(flat, minlength=len(part) * bins).reshape(len(part), bins).astype(np.float64)
        votes[:, 1:] += votes[:, :-1].copy()
        best = np.argsort(-votes, axis=1, kind="stable")[:, : 2 * HEIGHTS : 2]
        for k in range(best.shape[1]):
            some = votes[np.arange(len(part)), best[:, k]] > 0
            out.append(np.column_stack([part, low + (best[:, k] - 1) * HEIGHT_BIN_M])[some])
    return np.concatenate(out) if out else np.zeros((0, 3))


def _different(found: list[Candidate], most: int, apart_m: float, apart_rad: float) -> list[Candidate]:
    """Return the first of each group of candidates that lie close together, at most so many."""
    out: list[Candidate] = []
    for one in found:
        if all(is_apart(one.pose, other.pose, apart_m, apart_rad) for other in out):
            out.append(one)
            if len(out) == most:
                break
    return out


def is_apart(a: Pose, b: Pose, apart_m: float = APART_M, apart_rad: float = APART_RAD) -> bool:
    """Tell whether two poses put the features' origin or heading in different places."""
    turn = abs(math.remainder(a.yaw_rad - b.yaw_rad, 2.0 * math.pi))
    return bool(np.linalg.norm(a.shift_m - b.shift_m) > apart_m or turn > apart_rad)
