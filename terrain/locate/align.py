"""Features onto the planes of a model: point to plane, robust, with what the geometry cannot tell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, FloatArray, Int32Array, IntArray
from terrain.locate.features import Features
from terrain.locate.model import COARSE_M, REACH_M, SPACING_M, Model

COARSE_GATES_M = (0.5, 0.5, 0.4, 0.4, 0.3, 0.3, 0.2, 0.2, 0.15, 0.15)
FINE_GATES_M = (0.12, 0.1, 0.08, 0.06, 0.05, 0.04, 0.04, 0.04, 0.04, 0.04)
SAME_WAY = math.cos(math.radians(35.0))
TILT_SD_RAD = math.radians(1.0)
"""How far from level a survey may be whose gravity is known."""
PLANE_SD_M = 0.003
"""What a plane of the map and the poses of the pass are off by at least, beside noise."""
SQUARE_M = 2.0
"""What lies within a cube this wide may share one error."""
SEEN_SINE = 0.1
"""A surface tells of a direction only if the direction leaves it by this much: tilts are known no better."""


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Takes features to the model, both relative to their origins: rotation (3, 3), shift_m (3,)."""

    rotation: FloatArray
    shift_m: FloatArray

    def at(self, xyz_m: FloatArray) -> FloatArray:
        """Return the points (k, 3) in the model's frame."""
        return np.asarray(xyz_m @ self.rotation.T + self.shift_m)

    @property
    def yaw_rad(self) -> float:
        """Return the heading."""
        return math.atan2(self.rotation[1, 0], self.rotation[0, 0])


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """For each feature (k,): whether it lies on a surface of the model that faces its way, and how far off it is."""

    found: BoolArray
    normal: FloatArray
    away_m: FloatArray
    patch: Int32Array


def level_pose(yaw_rad: float, shift_m: FloatArray) -> Pose:
    """Return a pose that turns about the vertical."""
    c, s = math.cos(yaw_rad), math.sin(yaw_rad)
    return Pose(np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]), np.asarray(shift_m, dtype=np.float64))


def match(model: Model, features: Features, pose: Pose, gate_m: float) -> Matches:
    """Return the nearest sample of the model for each feature that is not farther than the gate and faces its way."""
    xyz = pose.at(features.xyz_m)
    reach, index = model.tree.query(xyz, distance_upper_bound=gate_m + SPACING_M)
    found = np.isfinite(reach)
    index = np.where(found, index, 0)
    normal = model.normal[index]
    away = np.einsum("ij,ij->i", normal, xyz - model.xyz_m[index])
    own = features.normal @ pose.rotation.T
    facing = np.einsum("ij,ij->i", own, normal)
    shown = features.normal.any(axis=1)
    seen = features.toward.any(axis=1)
    toward = np.einsum("ij,ij->i", features.toward @ pose.rotation.T, normal)
    found &= np.where(shown, np.where(seen, facing, np.abs(facing)) > SAME_WAY, ~seen | (toward > 0.0))
    found &= np.abs(away) <= gate_m
    return Matches(found, normal, away, model.patch[index])


def align(model: Model, features: Features, pose: Pose, gates_m: tuple[float, ...]) -> Pose:
    """Return the pose after one robust point-to-plane step for each gate.

    Notes
    -----
    Each step solves for a small turn about the features' centre and a shift. The weight of a residual falls as Geman
    and McClure's estimator has it, (c^2 / (c^2 + r^2))^2, with c a third of the gate. The survey is level by its
    own gravity within TILT_SD_RAD.
    """
    for gate in gates_m:
        found = match(model, features, pose, gate)
        rows = np.flatnonzero(found.found)
        if len(rows) < 12:
            return pose
        weight = _weights(features, found, gate)[rows]
        xyz = pose.at(features.xyz_m[rows])
        centre = np.average(xyz, axis=0, weights=weight)
        jacobian = np.column_stack([found.normal[rows], np.cross(xyz - centre, found.normal[rows])])
        scaled = jacobian * weight[:, np.newaxis]
        information = jacobian.T @ scaled
        gradient = scaled.T @ found.away_m[rows]
        tilt = np.cross(pose.rotation[:, 2], [0.0, 0.0, 1.0])
        stiff = weight.sum() * 1e-9
        information[np.arange(6), np.arange(6)] += stiff
        information[[3, 4], [3, 4]] += 1.0 / TILT_SD_RAD**2
        gradient[3:5] -= tilt[:2] / TILT_SD_RAD**2
        step = -np.linalg.solve(information, gradient)
        turn = rotation_of(np.asarray(step[3:], dtype=np.float64))
        shift = turn @ (pose.shift_m - centre) + centre + step[:3]
        pose = Pose(turn @ pose.rotation, shift)
    return pose


def _weights(features: Features, found: Matches, gate_m: float) -> FloatArray:
    scale2 = (gate_m / 3.0) ** 2
    robust = (scale2 / (scale2 + np.square(found.away_m))) ** 2
    return np.asarray(robust / (np.square(features.sd_m) + PLANE_SD_M**2))


def rotation_of(vector: FloatArray) -> FloatArray:
    """Return the rotation (3, 3) about a vector by its length (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = vector / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + math.sin(angle) * cross + (1.0 - math.cos(angle)) * (cross @ cross))


@dataclass(frozen=True, slots=True, eq=False)
class Certainty:
    """How well a pose is told.

    covariance (6, 6): shift in metres at `centre_m` (the features' middle, map frame less its origin), then the
    rotation vector in radians, map axes. weak: a row (6,) for each direction that nothing tells, unit length, with
    turns counted as their movement at `arm_m` from the centre.
    """

    covariance: FloatArray
    centre_m: FloatArray
    arm_m: float
    weak: FloatArray


def certainty(
    model: Model, features: Features, pose: Pose, *, gate_m: float = FINE_GATES_M[-1], weak_sd_m: float = 0.03
) -> Certainty:
    """Return the covariance of an aligned pose, and the directions in which it may slide.

    Parameters
    ----------
    weak_sd_m : float
        A direction whose sd is larger than this is one that nothing tells.

    Notes
    -----
    Residuals of one patch err together, and so do those of one place, where the pass bends and where the map does:
    C = H^-1 M H^-1 with M the sum over patches, and over squares of SQUARE_M, of the outer products of their summed
    gradients (the cluster-robust estimator; Liang and Zeger, Biometrika 73, 1986), and what the stated noise makes.
    That surfaces are off by PLANE_SD_M counts as one observation beside those of the patches cut into squares: where
    there are few of them residuals cannot show it, since the pose follows. A direction is told only by
    surfaces that it leaves by more than SEEN_SINE: a long wall whose patches are tilted by chance tells nothing of
    the way along it.
    """
    found = match(model, features, pose, gate_m)
    rows = np.flatnonzero(found.found)
    xyz = pose.at(features.xyz_m[rows])
    centre = xyz.mean(axis=0) if len(rows) else pose.shift_m
    arm = max(1.0, float(np.sqrt(np.square(xyz - centre).sum(axis=1).mean()))) if len(rows) else 1.0
    weight = _weights(features, found, gate_m)[rows]
    jacobian = np.column_stack([found.normal[rows], np.cross(xyz - centre, found.normal[rows]) / arm])
    information = (jacobian * weight[:, np.newaxis]).T @ jacobian
    level = np.zeros((6, 6))
    level[[3, 4], [3, 4]] = 1.0 / (arm * TILT_SD_RAD) ** 2
    inverse = np.linalg.inv(information + level + np.eye(6) * 1e-4)
    _, group = np.unique(found.patch[rows], return_inverse=True)
    square = np.floor(xyz / SQUARE_M).astype(np.int64)
    _, place = np.unique(square, axis=0, return_inverse=True)
    _, both = np.unique(np.column_stack([found.patch[rows], square]), axis=0, return_inverse=True)
    scored = jacobian * (weight * found.away_m[rows])[:, np.newaxis]
    weighed = jacobian * weight[:, np.newaxis]
    free = max(_counting(both, weight) - 6.0, 0.0)
    meat = _together(scored, group) + _together(scored, place)
    meat += PLANE_SD_M**2 / (free + 1.0) * _together(weighed, both)
    covariance = inverse @ (meat + level + information) @ inverse
    _, vectors = np.linalg.eigh(information)
    weak = [v for v in vectors.T if not _told(jacobian, weight, np.asarray(group, dtype=np.int64), v, weak_sd_m)]
    scale = np.array([1.0, 1.0, 1.0, 1.0 / arm, 1.0 / arm, 1.0 / arm])
    return Certainty(covariance * np.outer(scale, scale), centre, arm, np.array(weak).reshape(-1, 6))


def _together(rows: FloatArray, group: IntArray) -> FloatArray:
    """Return the sum over groups of the outer products (6, 6) of their summed rows (k, 6); more for few groups."""
    groups = int(group.max()) + 1 if len(group) else 0
    sums = np.column_stack([np.bincount(group.reshape(-1), column, minlength=groups) for column in rows.T])
    return np.asarray(sums.T @ sums * (groups / max(groups - 6, 1)))


def _counting(group: IntArray, weight: FloatArray) -> float:
    """Return how many groups count: as many equal ones would have their sum and their sum of squares."""
    if not len(group):
        return 0.0
    total = np.bincount(group.reshape(-1), weight)
    return float(total.sum() ** 2 / np.square(total).sum())


def _told(jacobian: FloatArray, weight: FloatArray, group: IntArray, way: FloatArray, weak_sd_m: float) -> bool:
    """Tell whether surfaces that a direction (6,) leaves hold it within weak_sd_m."""
    lever = jacobian @ way
    lever = np.where(np.abs(lever) > SEEN_SINE, lever, 0.0)
    by_group = np.bincount(group, weight * lever**2)
    # One patch cannot tell better than its own systematic error.
    mean2 = np.bincount(group, lever**2) / np.maximum(np.bincount(group), 1)
    told = np.minimum(by_group, mean2 / PLANE_SD_M**2).sum()
    return bool(told > 1.0 / weak_sd_m**2)


def scores(model: Model, features: Features, yaw_rad: float, shifts_m: FloatArray) -> FloatArray:
    """Return for each shift (c, 3) how close the turned features lie to the model, 0 to 1."""
    turned = level_pose(yaw_rad, np.zeros(3)).at(features.xyz_m)
    shape = np.array(model.away_m.shape)
    out = np.empty(len(shifts_m))
    for first in range(0, len(shifts_m), 64):
        part = shifts_m[first : first + 64]
        cell = np.floor((turned[np.newaxis] + part[:, np.newaxis] - model.low_m) / COARSE_M).astype(np.int64)
        inside = np.asarray(np.logical_and.reduce((cell >= 0) & (cell < shape), axis=2))
        cell = np.where(inside[..., np.newaxis], cell, 0)
        away = np.where(inside, model.away_m[cell[..., 0], cell[..., 1], cell[..., 2]], REACH_M)
        out[first : first + 64] = 1.0 - away.mean(axis=1) / REACH_M
    return out
