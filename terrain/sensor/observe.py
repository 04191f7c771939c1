"""Which of a mount's six degrees of freedom a set of targets can see, and which target would show the rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray
from terrain.sensor.sight import Mount
from terrain.sensor.surface import Surface

FREEDOMS = ("roll", "pitch", "yaw", "forward", "left", "up")
"""Turns about the body's x, y and z axis; shifts along them."""
WEAKEST = 0.03
"""A singular value below this share of the largest one means unseen: normals within 2 degrees of a common plane."""
WEAK = 0.2
UNSEEN_SHARE = 0.1
LEAST_SPREAD_M = 0.5
LEAST_SPREAD = 0.25
"""Ranges must differ by so much, and by this share of the farthest, to be several distances."""
PLACES = {
    "a level surface below (floor)": (0.0, 0.0, 1.0),
    "an upright surface in front or behind": (1.0, 0.0, 0.0),
    "an upright surface to the left or right": (0.0, 1.0, 0.0),
}


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """What a set of targets can tell of a mount.

    seen (6,) in the order of FREEDOMS; singular (6,): of the geometry alone, largest first; translation (3,),
    condition: of the stated normals; refused: why no mount is told, empty where one is; weak; add: what to add.
    """

    seen: tuple[bool, ...]
    singular: tuple[float, ...]
    translation: tuple[float, ...]
    condition: float
    refused: str
    weak: str
    add: tuple[str, ...]


def normal_singular_values(normals: FloatArray) -> tuple[FloatArray, float]:
    """Return the singular values of unit normals (k, 3), largest first, and their ratio, inf where one is nought.

    Notes
    -----
    A sensor's place follows from planes only if three of their normals are linearly independent (Jiao et al., 2019);
    its covariance is sigma^2 (sum n n^T)^-1.
    """
    values = np.zeros(3)
    if len(normals):
        found = np.linalg.svd(np.asarray(normals, dtype=np.float64), compute_uv=False)
        values[: len(found)] = found[:3]
    return values, float(values[0] / values[2]) if values[2] > 1e-12 * max(values[0], 1.0) else math.inf


def translation_sd(normals: FloatArray, sigma: float) -> FloatArray:
    """Return the sd of a place from planes with unit normals (k, 3), each known to lie within sigma: (3,), metres.

    Notes
    -----
    Square roots of the diagonal of sigma^2 (sum n n^T)^-1; inf everywhere where the normals do not span space.
    """
    _, condition = normal_singular_values(normals)
    if not math.isfinite(condition):
        return np.full(3, math.inf)
    sd: FloatArray = sigma * np.sqrt(np.diag(np.linalg.inv(normals.T @ normals)))
    return sd


def _rows(surface: Surface, mount: Mount) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return unit rows of a surface: turning (k, 3), lever arms and normals (m, 3) of its place, in the body frame."""
    sight = surface.sight
    turn = sight.turn.mean(axis=0)
    left, _, right = np.linalg.svd(turn)
    to_body = (left @ right).T
    if surface.is_plane:
        normals = (to_body @ surface.normal)[None]
        tilts = surface.axes @ to_body.T if surface.known_normal else np.empty((0, 3))
    else:
        normals, tilts = np.eye(3), np.empty((0, 3))
    arm = sight.in_body(mount).mean(axis=0) - mount.translation_m
    return tilts, np.broadcast_to(arm, normals.shape), normals if surface.known_place else np.empty((0, 3))


def _matrix(rows: Sequence[tuple[FloatArray, FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray]:
    """Return the geometry (k, 6) and the normals of known place (m, 3)."""
    arms = np.concatenate([arm[: len(normals)] for _, arm, normals in rows] or [np.empty((0, 3))])
    normals = np.concatenate([normals for _, _, normals in rows] or [np.empty((0, 3))])
    tilts = np.concatenate([tilts for tilts, _, _ in rows] or [np.empty((0, 3))])
    size = math.sqrt(float(np.mean(np.square(arms).sum(axis=1)))) if len(arms) else 1.0
    places = np.column_stack((np.cross(arms, normals) / max(size, 1e-9), normals))
    return np.concatenate((np.column_stack((tilts, np.zeros_like(tilts))), places)), normals


def _null(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the singular values (6,) and the unseen directions (k, 6)."""
    values = np.zeros(6)
    if len(matrix) == 0:
        return values, np.eye(6)
    _, found, axes = np.linalg.svd(matrix, full_matrices=True)
    values[: len(found)] = found[:6]
    return values, axes[values < WEAKEST * max(values[0], 1e-12)]


def observed(surfaces: Sequence[Surface], mount: Mount) -> Observed:
    """Return what surfaces of known pose can tell of the mount.

    Notes
    -----
    Every plane of known normal shows turns about the axes within it; every plane of known place shows shifts along
    its normal, and turns through its lever arm. Singular values of these unit rows, lengths over the mean distance.
    """
    rows = [_rows(surface, mount) for surface in surfaces if surface.sight.has_sensor]
    matrix, normals = _matrix(rows)
    values, unseen = _null(matrix)
    translation, condition = normal_singular_values(normals)
    share = np.square(unseen).sum(axis=0) if len(unseen) else np.zeros(6)
    seen = tuple(bool(one < UNSEEN_SHARE) for one in share)
    refused = weak = ""
    if len(unseen):
        missing = ", ".join(name for name, ok in zip(FREEDOMS, seen, strict=True) if not ok)
        many = 6 - len(unseen)
        why = _why(normals, condition) if rows else ": no target is left that could"
        refused = f"these targets show {many} of 6 degrees of freedom and cannot tell {missing}{why}"
    elif translation[2] < WEAK * translation[0]:
        weak = (
            f"the targets' normals nearly share a plane (singular values {translation[0]:.2f}, {translation[1]:.2f}, "
            f"{translation[2]:.2f}): a shift is known {translation_sd(normals, 1.0).max():.0f} times worse than a plane"
        )
    add = _add(rows) if refused or weak else ()
    return Observed(seen, tuple(values.tolist()), tuple(translation.tolist()), condition, refused, weak, add)


def _why(normals: FloatArray, condition: float) -> str:
    if len(normals) == 0:
        return ": no target's place is stated"
    if len(normals) == 1:
        return ": one surface alone leaves two shifts and the turn about its normal free"
    values, _ = normal_singular_values(normals)
    if values[1] < WEAKEST * values[0]:
        return ": all normals are parallel"
    if values[2] < WEAKEST * values[0] or not math.isfinite(condition):
        return ": all normals lie in one plane"
    return ""


def _add(rows: Sequence[tuple[FloatArray, FloatArray, FloatArray]]) -> tuple[str, ...]:
    """Return what to add, best first, until everything can be seen."""
    arms = [arm[0] for _, arm, _ in rows] or [np.array([3.0, 0.0, 0.0])]
    distance = float(np.mean([np.linalg.norm(arm) for arm in arms]))
    have, found = list(rows), []
    for _ in range(len(PLACES)):
        if _shows_all(have):
            break
        now = _score(have)
        offers = {}
        for words, direction in PLACES.items():
            normal = np.array(direction)
            axes = np.eye(3)[np.flatnonzero(normal == 0.0)]
            offers[words] = (axes, (-distance * normal)[None], normal[None])
        best = max(offers, key=lambda words: _score([*have, offers[words]]))
        if _score([*have, offers[best]]) < now + 0.02:
            break
        found.append(f"{best}, of stated normal and place")
        have.append(offers[best])
    return tuple(found)


def _shows_all(rows: Sequence[tuple[FloatArray, FloatArray, FloatArray]]) -> bool:
    matrix, normals = _matrix(rows)
    values, unseen = _null(matrix)
    shifts, _ = normal_singular_values(normals)
    return len(unseen) == 0 and bool(shifts[2] > WEAK * shifts[0]) and bool(values[5] > 0.5 * WEAK * values[0])


def _score(rows: Sequence[tuple[FloatArray, FloatArray, FloatArray]]) -> float:
    """Return how well all is seen: the number of directions seen, then how alike their singular values are."""
    matrix, normals = _matrix(rows)
    values, unseen = _null(matrix)
    shifts, _ = normal_singular_values(normals)
    alike = [np.minimum(one / max(float(one[0]), 1e-12), 0.5).mean() for one in (values, shifts)]
    return (6 - len(unseen)) + float(sum(alike))


def distances(surfaces: Sequence[Surface]) -> tuple[float, float, str]:
    """Return nearest and farthest range on surfaces of known place, and why they are not several; empty if they are."""
    ranges = [surface.sight.range_m() for surface in surfaces if surface.known_place and surface.sight.has_sensor]
    if not ranges:
        return math.nan, math.nan, "no target's place is stated" if surfaces else "no target is left that could tell"
    low, high = (float(one) for one in np.quantile(np.concatenate(ranges), [0.05, 0.95]))
    if high - low < max(LEAST_SPREAD_M, LEAST_SPREAD * high):
        return (
            low,
            high,
            (
                f"all targets are at one distance ({low:.2f} to {high:.2f} m): an offset and a scale of the range look "
                f"alike there; add a target at {max(2.0 * high, high + 2.0):.0f} m or beyond, or near {0.5 * low:.1f} m"
            ),
        )
    return low, high, ""
