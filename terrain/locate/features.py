"""What is laid onto a map: the survey's returns, averaged by cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, Cloud, FloatArray, IntArray

CELL_M = 0.10
MOST_POINTS = 3_000_000
LEAST_FOR_NORMAL = 6
FLAT = 0.12
"""Least over middle eigenvalue of the returns of a cell up to which they are taken for a surface."""


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Means of a survey's returns by cell, relative to `origin_m`.

    xyz_m (k, 3); normal (k, 3) unit on the side it was seen from, zero where a cell shows none; toward (k, 3): unit
    vector to the sensor, zero where it is not known; sd_m (k,): of the mean, along the normal.
    """

    origin_m: FloatArray
    xyz_m: FloatArray
    normal: FloatArray
    toward: FloatArray
    sd_m: FloatArray

    def __len__(self) -> int:
        """Return the number of features."""
        return len(self.xyz_m)

    def chosen(self, rows: IntArray | BoolArray) -> Features:
        """Return some of them."""
        return Features(self.origin_m, self.xyz_m[rows], self.normal[rows], self.toward[rows], self.sd_m[rows])


def features_of(cloud: Cloud) -> Features:
    """Return the features of a cloud: one for every cell of CELL_M that holds returns.

    Where enough cells show a surface those that show none (posts, edges, plants) are left out.
    """
    stride = -(-len(cloud) // MOST_POINTS)
    origin = np.round(cloud.xyz_map_m.mean(axis=0))
    xyz = cloud.xyz_map_m[::stride] - origin
    # Off round heights, or a floor at zero would lie on the border of two cells.
    cell = np.floor((xyz + 0.37 * CELL_M) / CELL_M).astype(np.int64)
    cell -= cell.min(axis=0)
    size = cell.max(axis=0) + 1
    key = (cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]
    _, group = np.unique(key, return_inverse=True)
    count = np.bincount(group)
    mean = _means(group, count, xyz)
    toward = np.zeros_like(mean)
    if cloud.view_map_m is not None:
        beam = cloud.view_map_m[::stride] + (cloud.origin_m - origin) - xyz
        toward = _means(group, count, beam)
        toward /= np.maximum(np.linalg.norm(toward, axis=1), 1e-9)[:, np.newaxis]
    away = xyz - mean[group]
    second = np.empty((len(count), 3, 3))
    for i in range(3):
        for j in range(i, 3):
            second[:, i, j] = second[:, j, i] = np.bincount(group, away[:, i] * away[:, j]) / count
    values, vectors = np.linalg.eigh(second)
    surface = (count >= LEAST_FOR_NORMAL) & (values[:, 0] < FLAT * values[:, 1])
    normal = np.where(surface[:, np.newaxis], vectors[:, :, 0], 0.0)
    away_from = np.einsum("ij,ij->i", normal, toward) < 0.0
    normal[away_from] *= -1.0
    noise = np.bincount(group, cloud.sd_m[::stride].astype(np.float64)) / count
    found = Features(origin, mean, normal, toward, np.maximum(noise / np.sqrt(count), 0.002))
    if surface.sum() >= 200:
        return found.chosen(surface)
    return found


def _means(group: IntArray, count: IntArray, values: FloatArray) -> FloatArray:
    return np.column_stack([np.bincount(group, values[:, c]) for c in range(3)]) / count[:, np.newaxis]


def balanced(features: Features, most: int) -> Features:
    """Return at most so many features, evenly spread, of which at least half stand upright where there are as many.

    A floor tells height and tilt, and little of it is enough; risers and walls tell the rest.
    """
    if len(features) <= most:
        return features
    level = np.abs(features.normal[:, 2]) > 0.8
    upright = np.flatnonzero(~level)
    kept_upright = upright[_even(len(upright), max(most // 2, most - int(level.sum())))]
    lying = np.flatnonzero(level)
    kept_level = lying[_even(len(lying), most - len(kept_upright))]
    return features.chosen(np.sort(np.concatenate([kept_upright, kept_level])))


def _even(count: int, most: int) -> IntArray:
    """Return at most `most` of the numbers below `count`, evenly spread."""
    if count <= most:
        return np.arange(count)
    return np.unique((np.arange(most) + 0.5) * count / most).astype(np.int64)
