"""Clouds of simple shapes as a lidar would see them, and the same as files."""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np

from terrain.data import Cloud, FloatArray


def rectangle(
    rng: np.random.Generator, corner: tuple[float, float, float], along: FloatArray, across: FloatArray, points: int
) -> FloatArray:
    """Return points spread evenly at random over the parallelogram corner + u along + v across; (n, 3)."""
    u, v = rng.random(points), rng.random(points)
    return np.asarray(corner) + u[:, None] * np.asarray(along) + v[:, None] * np.asarray(across)


def level_top(
    rng: np.random.Generator, x: tuple[float, float], y: tuple[float, float], z: float, *, per_m2: float = 12_000.0
) -> FloatArray:
    """Return points on a level rectangle."""
    count = round((x[1] - x[0]) * (y[1] - y[0]) * per_m2)
    return rectangle(rng, (x[0], y[0], z), np.array([x[1] - x[0], 0, 0]), np.array([0, y[1] - y[0], 0]), count)


def riser(
    rng: np.random.Generator, x: float, y: tuple[float, float], z: tuple[float, float], *, per_m2: float = 12_000.0
) -> FloatArray:
    """Return points on an upright rectangle at x."""
    count = round((z[1] - z[0]) * (y[1] - y[0]) * per_m2)
    return rectangle(rng, (x, y[0], z[0]), np.array([0, y[1] - y[0], 0]), np.array([0, 0, z[1] - z[0]]), count)


def stair(
    rng: np.random.Generator,
    *,
    steps: int,
    rise: float = 0.178,
    going: float = 0.279,
    width: float = 0.9,
    per_m2: float = 12_000.0,
) -> FloatArray:
    """Return treads at going * k <= x < going * (k + 1), z = rise * (k + 1), with the risers in front of them."""
    parts = []
    for k in range(steps):
        parts.append(riser(rng, going * k, (0.0, width), (rise * k, rise * (k + 1)), per_m2=per_m2))
        parts.append(level_top(rng, (going * k, going * (k + 1)), (0.0, width), rise * (k + 1), per_m2=per_m2))
    return np.concatenate(parts)


def range_noise(rng: np.random.Generator, xyz: FloatArray, view: FloatArray, sd: float) -> FloatArray:
    """Return the points moved along their beams by normal noise."""
    beam = xyz - view
    beam /= np.linalg.norm(beam, axis=1, keepdims=True)
    return xyz + beam * rng.normal(0.0, sd, len(xyz))[:, None]


def seen_from(xyz: FloatArray, eye: tuple[float, float, float], *, sd: float, cross: float = 0.0) -> Cloud:
    """Return the points as a cloud that was seen from one place."""
    n = len(xyz)
    origin = np.round(xyz.mean(axis=0))
    return Cloud(
        xyz_map_m=xyz,
        time_s=None,
        view_map_m=np.tile((np.asarray(eye) - origin).astype(np.float32), (n, 1)),
        sd_m=np.full(n, sd, dtype=np.float32),
        cross_sd_m=np.full(n, cross, dtype=np.float32),
        origin_m=origin,
    )


def fused(xyz: FloatArray, *, sd: float) -> Cloud:
    """Return the points as a cloud without viewpoints or times."""
    n = len(xyz)
    known = np.full(n, sd, dtype=np.float32)
    return Cloud(
        xyz_map_m=xyz, time_s=None, view_map_m=None, sd_m=known, cross_sd_m=known, origin_m=np.round(xyz.mean(axis=0))
    )


def write_laz(path: Path, xyz: FloatArray, time_s: FloatArray | None = None, *, scale: float = 1e-4) -> Path:
    """Write points, with times where there are any, as LAZ 1.4."""
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales = np.full(3, scale)
    header.offsets = np.floor(xyz.min(axis=0)) if len(xyz) else np.zeros(3)
    las = laspy.LasData(header)
    las.xyz = xyz.reshape(-1, 3)
    if time_s is not None:
        las.gps_time = time_s
    path.parent.mkdir(parents=True, exist_ok=True)
    las.write(path)
    return path
