"""Small scans of boxes on a floor, seen by a sensor that moves past them: exact ray casting in NumPy."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from terrain.data import Cloud

Path = Callable[[np.ndarray], np.ndarray]
"""Times (n,) to shifts (n, 3)."""


@dataclass(frozen=True)
class Thing:
    """A box (low x y z, high x y z), and where it is shifted to at each time."""

    box: Sequence[float]
    shift: Path = lambda time: np.zeros((len(time), 3))


def past(start: Sequence[float], end: Sequence[float], seconds: float) -> Path:
    """Return a straight way at even speed."""
    return lambda time: np.asarray(start) + (time / seconds)[:, None] * (np.asarray(end) - np.asarray(start))


def scanned(
    things: Sequence[Thing],
    *,
    beams: int = 400_000,
    seconds: float = 20.0,
    way: Path | None = None,
    noise_m: float = 0.005,
    reach_m: float = 3.0,
    seed: int = 0,
) -> tuple[Cloud, np.ndarray]:
    """Return a cloud with viewpoints, and what each beam hit: 0 the floor z = 0, k + 1 thing k.

    The floor is seen up to reach_m from the origin along x and y; three beams in four look at it, one in four ahead and
    up.
    """
    rng = np.random.default_rng(seed)
    time = np.sort(rng.uniform(0.0, seconds, beams))
    origin = (way or past([-1.0, -1.5, 0.8], [1.0, -1.5, 0.8], seconds))(time)
    azimuth, down = rng.uniform(-np.pi, np.pi, beams), np.arctan(0.8 / rng.uniform(0.2, 5.0, beams))
    ahead = rng.random(beams) < 0.25
    down[ahead] = rng.uniform(np.deg2rad(-35.0), np.deg2rad(15.0), ahead.sum())
    ray = np.column_stack([np.cos(down) * np.cos(azimuth), np.cos(down) * np.sin(azimuth), -np.sin(down)])
    distance = np.where(ray[:, 2] < -1e-3, origin[:, 2] / np.maximum(-ray[:, 2], 1e-3), np.inf)
    distance[distance > 20.0] = np.inf
    at = origin + np.where(np.isfinite(distance), distance, 99.0)[:, None] * ray
    distance[(np.abs(at[:, :2]) > reach_m).any(axis=1)] = np.inf
    hit = np.zeros(beams, dtype=np.int64)
    for k, thing in enumerate(things):
        relative = origin - thing.shift(time)
        a, b = (np.asarray(thing.box[:3]) - relative) / ray, (np.asarray(thing.box[3:]) - relative) / ray
        enter, leave = np.minimum(a, b).max(axis=1), np.maximum(a, b).min(axis=1)
        nearer = (enter <= leave) & (enter > 0.0) & (enter < distance)
        distance[nearer], hit[nearer] = enter[nearer], k + 1
    seen = np.isfinite(distance)
    measured = distance + rng.normal(0.0, noise_m, beams)
    xyz = (origin + measured[:, None] * ray)[seen]
    sd = np.full(len(xyz), noise_m, dtype=np.float32)
    cloud = Cloud(xyz, time[seen], origin[seen].astype(np.float32), sd, np.full_like(sd, 0.003), np.zeros(3))
    return cloud, hit[seen]


def with_points(cloud: Cloud, xyz: np.ndarray, view: np.ndarray, time: np.ndarray) -> Cloud:
    """Return the cloud with more points at its end."""
    assert cloud.time_s is not None and cloud.view_map_m is not None
    sd = np.full(len(xyz), cloud.sd_m[0], dtype=np.float32)
    return Cloud(
        np.concatenate([cloud.xyz_map_m, xyz]),
        np.concatenate([cloud.time_s, time]),
        np.concatenate([cloud.view_map_m, (view - cloud.origin_m).astype(np.float32)]),
        np.concatenate([cloud.sd_m, sd]),
        np.concatenate([cloud.cross_sd_m, sd]),
        cloud.origin_m,
    )
