"""What is known between targets: angles, distances, steps, spacings, and a straightedge laid on one of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray, PoseModel
from terrain.errors import DataError
from terrain.sensor.decide import UNDECIDED, Quantity, judged
from terrain.sensor.flatness import straightedge
from terrain.sensor.measure import Fit, fit_reference
from terrain.sensor.sight import Mount
from terrain.sensor.surface import Surface
from terrain.sensor.targets import Relation


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """A target with its fit: normal, middle and lever arms of what was measured, not of what was stated."""

    surface: Surface
    fit: Fit

    @property
    def normal(self) -> FloatArray:
        lean = self.surface.normal - self.fit.value[1:3] @ self.surface.axes
        unit: FloatArray = lean / np.linalg.norm(lean)
        return unit

    @property
    def middle(self) -> FloatArray:
        if not self.surface.is_plane:
            return self.surface.centre_m + self.fit.value[:3]
        off = self.surface.centre_m @ self.surface.normal - self.surface.offset_m
        middle: FloatArray = self.surface.centre_m + (self.fit.value[0] - off) * self.surface.normal
        return middle


def relate(
    relation: Relation,
    surfaces: Mapping[str, Surface],
    mount: Mount | None,
    poses: PoseModel | None,
    up: FloatArray,
    rng: np.random.Generator,
) -> Quantity:
    """Return how far a relation as measured is from what was stated, decided with a guard band.

    Parameters
    ----------
    relation : Relation
        What is known.
    surfaces : mapping of name to Surface
        The targets that were found; one that was not makes the relation undecided.
    mount, poses : Mount, PoseModel, optional
        As the points were placed. Errors of a pose shared by both targets cancel as far as they do.
    up : (3,)
        Against gravity, map frame; for steps.
    rng : Generator
        For the straightedge.
    """
    unit = "rad" if relation.kind == "angle" else "m"
    missing = [name for name in relation.names if name not in surfaces]
    if missing:
        words = f"{' and '.join(missing)}: not found"
        return Quantity(relation.title, unit, math.nan, math.nan, relation.tolerance, UNDECIDED, words)
    if relation.kind == "flatness":
        return _flatness(relation, surfaces[relation.names[0]], mount, rng)
    one, other = (_Side(surface, fit_reference(surface, mount, poses)) for surface in map(surfaces.get, relation.names)
                  if surface is not None)  # fmt: skip
    make = {"angle": _angle, "distance": _distance, "step": _distance, "spacing": _spacing}[relation.kind]
    measured, of_one, of_other = make(one, other)
    if relation.kind == "step":
        measured, of_one, of_other = _distance(other, one)
        slant = float(one.normal @ up)
        if abs(slant) < 0.2:
            words = f"{relation.names[0]} is no level surface"
            return Quantity(relation.title, unit, math.nan, math.nan, relation.tolerance, UNDECIDED, words)
        measured, of_one, of_other = measured / slant, of_other / slant, of_one / slant
    if relation.kind == "distance":
        sign = math.copysign(1.0, measured)
        measured, of_one, of_other = abs(measured), sign * of_one, sign * of_other
    if relation.kind == "angle" and not (one.surface.sight.has_sensor and other.surface.sight.has_sensor):
        # Which side a surface was seen from is not known: the angle or its supplement, whichever is meant.
        measured = min(measured, math.pi - measured, key=lambda angle: abs(angle - relation.value))
    budget = _budget(one.fit, of_one, other.fit, of_other) | {"reference": relation.sd}
    return judged(relation.title, unit, measured - relation.value, budget, relation.tolerance)


def _budget(a: Fit, by_a: FloatArray, b: Fit, by_b: FloatArray) -> dict[str, float]:
    noise = float(by_a @ a.noise @ by_a + by_b @ b.noise @ by_b)
    poses = 0.0
    for stand in a.poses.keys() | b.poses.keys():
        both = sum((by @ fit.poses[stand] for fit, by in ((a, by_a), (b, by_b)) if stand in fit.poses), np.zeros(6))
        poses += float(both @ both)
    return {"noise": math.sqrt(max(0.0, noise)), "poses": math.sqrt(poses)}


def _angle(one: _Side, other: _Side) -> tuple[float, FloatArray, FloatArray]:
    a, b = one.normal, other.normal
    angle = math.atan2(float(np.linalg.norm(np.cross(a, b))), float(a @ b))
    sine = math.sin(angle)
    if sine > 0.02:
        toward_b, toward_a = (b - (a @ b) * a) / sine, (a - (a @ b) * b) / sine
    else:  # the angle of parallel surfaces grows whichever way one of them turns
        apart = a - b if a @ b > 0.0 else a + b
        size = float(np.linalg.norm(apart))
        toward_b = -apart / size if size > 1e-12 else one.surface.axes[0]
        toward_a = -toward_b
        if a @ b < 0.0:
            toward_a = toward_b
    by_one = np.concatenate(([0.0], one.surface.axes @ toward_b))
    by_other = np.concatenate(([0.0], other.surface.axes @ toward_a))
    return angle, by_one, by_other


def _distance(one: _Side, other: _Side) -> tuple[float, FloatArray, FloatArray]:
    """Return the signed distance of the first one's middle from the second, along the second's normal."""
    surface, point = other.surface, one.middle
    u, v = (point - surface.centre_m) @ surface.axes.T
    lever = np.array([1.0, u, v])
    distance = float(point @ surface.normal - surface.offset_m - lever @ other.fit.value)
    along = float(one.surface.normal @ surface.normal)
    return distance, np.array([along, 0.0, 0.0]), -lever


def _spacing(one: _Side, other: _Side) -> tuple[float, FloatArray, FloatArray]:
    apart = other.middle - one.middle
    distance = float(np.linalg.norm(apart))
    unit = apart / distance if distance > 0.0 else np.array([1.0, 0.0, 0.0])
    return distance, -unit, unit


def _flatness(relation: Relation, surface: Surface, mount: Mount | None, rng: np.random.Generator) -> Quantity:
    own = surface.residual(surface.sight.xyz_m)
    columns = surface.reference_columns(surface.sight.xyz_m)
    own = own - columns @ np.linalg.lstsq(columns, own, rcond=None)[0]
    noise = surface.noise_m(mount) * surface.ratio
    gap = straightedge(surface.uv(surface.sight.xyz_m), own, noise, relation.length_m, rng=rng)
    if gap.runs == 0:
        words = (
            f"no straight run of {relation.length_m:g} m was seen densely enough (a tenth of it a cell, 3 points each)"
        )
        return Quantity(relation.title, "m", math.nan, math.nan, relation.tolerance, UNDECIDED, words)
    budget = {"noise": gap.u_m, "reference": relation.sd}
    return judged(relation.title, "m", gap.gap_m, budget, relation.tolerance)


@dataclass(frozen=True, slots=True, eq=False)
class Similarity:
    """to = scale * rotation @ from + translation, with the mean squared distance that is left."""

    rotation: FloatArray
    translation: FloatArray
    scale: float
    mean_square: float


def similarity(source: FloatArray, target: FloatArray, *, with_scale: bool) -> Similarity:
    """Return the rotation, shift and scale with the least squared distances from one set of points to another.

    Parameters
    ----------
    source, target : (n, m) float64
        Points that belong together, row by row; m is 2 or 3.
    with_scale : bool
        Whether the scale is free; 1 otherwise.

    Raises
    ------
    DataError
        Shapes differ, or the points lie in fewer dimensions than a rotation needs.

    Notes
    -----
    Source: Umeyama, IEEE PAMI 13(4), 1991, equations 39 to 43: singular vectors of the covariance, with the sign of
    the last one turned where a reflection would fit better.
    """
    source, target = np.asarray(source, dtype=np.float64), np.asarray(target, dtype=np.float64)
    if source.shape != target.shape or source.ndim != 2 or len(source) < 2:
        raise DataError(f"similarity: got shapes {source.shape} and {target.shape}, expected two equal (n, m)")
    n, m = source.shape
    from_mean, to_mean = source.mean(axis=0), target.mean(axis=0)
    a, b = source - from_mean, target - to_mean
    left, values, right = np.linalg.svd(b.T @ a / n)
    if np.count_nonzero(values > 1e-12 * max(values[0], 1e-300)) < m - 1:
        raise DataError("similarity: got points on one line, expected points that span a plane")
    signs = np.ones(m)
    if np.linalg.det(left) * np.linalg.det(right) < 0.0:
        signs[-1] = -1.0
    rotation = (left * signs) @ right
    spread = float(np.square(a).sum()) / n
    scale = float(values @ signs) / spread if with_scale else 1.0
    translation = to_mean - scale * rotation @ from_mean
    left_over = target - (scale * source @ rotation.T + translation)
    return Similarity(rotation, translation, scale, float(np.square(left_over).sum()) / n)
