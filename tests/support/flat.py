"""Flat surfaces seen from nowhere in particular: points in the map frame, without poses."""

from __future__ import annotations

import numpy as np

from terrain.data import FloatArray
from terrain.sensor.sight import Sight
from terrain.sensor.surface import Surface, plane_surface


def map_sight(xyz: FloatArray, sd: float, time_s: FloatArray | None = None) -> Sight:
    """Return points whose sensor is unknown."""
    none = np.empty((0, 3))
    n = len(xyz)
    stand = np.full(n, -1, dtype=np.int64)
    return Sight(xyz, time_s, np.full(n, sd), 0.0, none, none, np.empty((0, 3, 3)), none, none, stand)


def level_plate(rng: np.random.Generator, n: int, length: float, width: float, sd: float) -> Surface:
    """Return a level plate about the origin with noise across it, its pose stated exactly."""
    xyz = np.column_stack(
        [rng.uniform(-length / 2, length / 2, n), rng.uniform(-width / 2, width / 2, n), rng.normal(0.0, sd, n)]
    )
    return plane_surface("plate", map_sight(xyz, sd), np.array([0.0, 0.0, 1.0]), 0.0, normal_sd_rad=0.0, place_sd_m=0.0)
