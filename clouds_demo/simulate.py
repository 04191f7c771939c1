"""A spinning multi-beam lidar carried by a swaying walker through a scene: time-ordered returns and noisy poses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from clouds_demo.movers import Line, Mover, draw_mover, draw_movers, hit_movers, line_of
from clouds_demo.shapes import FloatArray, IntArray, Scene

STATE_HZ = 200.0
START_S = 100.0


@dataclass(frozen=True, slots=True)
class Lidar:
    """The sensor and how it sits on the body."""

    beams: int = 96
    spin_hz: float = 10.0
    beams_a_firing: int = 8
    range_sd_m: float = 0.008
    divergence_rad: float = 0.002
    min_range_m: float = 0.4
    max_range_m: float = 25.0
    mount_translation_m: tuple[float, float, float] = (0.10, 0.0, 0.12)
    mount_rotation_xyzw: tuple[float, float, float, float] = (0.0, 0.052336, 0.0, 0.998630)
    """T_body_sensor: six degrees nose-down."""

    def elevations_rad(self) -> FloatArray:
        """Return the beams' elevations: most spread evenly over the floor from 0.25 to 4.5 m, the rest look up."""
        down = int(self.beams * 0.9)
        reach = np.linspace(0.25, 4.5, down)
        floor = -np.arctan2(0.67, reach)
        return np.concatenate([floor, np.deg2rad(np.linspace(-4.0, 50.0, self.beams - down))])


@dataclass(frozen=True, slots=True)
class Faults:
    """What is wrong with the poses and the clock; the defaults are what the survey states and no more.

    drift_m : sd of the position drift gained in one square-root second; drift_rad: the same of heading.
    clock_offset_s : added to every scan time (pose clock = scan clock - clock_offset_s).
    """

    position_sd_m: float = 0.003
    attitude_sd_rad: float = float(np.deg2rad(0.05))
    drift_m: float = 0.0
    drift_rad: float = 0.0
    clock_offset_s: float = 0.0
    mixed_share: float = 0.3
    """Share of the beams straddling a depth edge that return a range between the two surfaces."""
    movers: float = 0.0
    """Share of the returns that come from people and carts crossing the scene."""


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """The true motion of the body at STATE_HZ: position (n, 3), and roll, pitch and unwrapped yaw (n, 3)."""

    start_s: float
    position_m: FloatArray
    angles_rad: FloatArray

    @property
    def end_s(self) -> float:
        """Return the time of the last state."""
        return self.start_s + (len(self.position_m) - 1) / STATE_HZ

    def at(self, time_s: FloatArray) -> tuple[FloatArray, Rotation]:
        """Return positions (n, 3) and rotations at the times, linear between states."""
        index = np.clip((time_s - self.start_s) * STATE_HZ, 0.0, len(self.position_m) - 1.000001)
        k = index.astype(np.int64)
        f = (index - k)[:, None]
        position = self.position_m[k] * (1 - f) + self.position_m[k + 1] * f
        angles = self.angles_rad[k] * (1 - f) + self.angles_rad[k + 1] * f
        return position, Rotation.from_euler("ZYX", angles[:, ::-1])


@dataclass(frozen=True, slots=True, eq=False)
class Returns:
    """Returns of a stretch of the walk in the order of time.

    time_s (n,) on the scan clock; xyz_sensor_m (n, 3); facet (n,) id of the facet each beam hit first, -1 a mover;
    mixed (n,) bool; mover (n,) bool: the range is that of a mover, or mixed with one.
    """

    time_s: FloatArray
    xyz_sensor_m: FloatArray
    facet: IntArray
    mixed: Any
    mover: Any


@dataclass(frozen=True, slots=True, eq=False)
class _Site:
    """What beams can meet: the ray caster of the scene, the facet of each triangle, and what moves."""

    caster: Any
    owner: IntArray
    line: Line
    movers: tuple[Mover, ...] = ()


def draw_motion(scene: Scene, rng: np.random.Generator, *, speed_m_s: float = 1.0, height_m: float = 0.55) -> Motion:
    """Return a swaying walk along the scene's path, body `height_m` above the ground."""
    seconds = np.linalg.norm(np.diff(scene.walk, axis=0), axis=1) / (speed_m_s * scene.pace[:-1])
    reached = np.r_[0.0, np.cumsum(seconds)]
    t = np.arange(0.0, reached[-1], 1.0 / STATE_HZ)
    straight = np.column_stack([np.interp(t, reached, scene.walk[:, k]) for k in range(3)])
    position = gaussian_filter1d(straight, 0.25 * STATE_HZ, axis=0, mode="nearest")
    velocity = np.gradient(gaussian_filter1d(position, 0.3 * STATE_HZ, axis=0, mode="nearest"), axis=0)
    yaw = gaussian_filter1d(np.unwrap(np.arctan2(velocity[:, 1], velocity[:, 0])), 0.7 * STATE_HZ, mode="nearest")
    phase = rng.uniform(0.0, 2 * np.pi, 4)
    gait = 2 * np.pi * rng.uniform(0.85, 0.95) * t
    side = 0.025 * np.sin(gait + phase[0])
    position += np.column_stack([-np.sin(yaw) * side, np.cos(yaw) * side, 0.015 * np.sin(2 * gait + phase[1])])
    position[:, 2] += height_m
    roll = np.deg2rad(2.0) * np.sin(gait + phase[2])
    pitch = np.deg2rad(1.5) * np.sin(2 * gait + phase[3])
    wander = gaussian_filter1d(rng.normal(size=(len(t), 2)), 1.0 * STATE_HZ, axis=0, mode="nearest")
    wander *= np.deg2rad(1.0) / wander.std(axis=0)
    return Motion(START_S, position, np.column_stack([roll + wander[:, 0], pitch + wander[:, 1], yaw]))


def cast(scene: Scene) -> tuple[Any, IntArray]:
    """Return Open3D's ray caster and the facet id of each of its triangles."""
    import open3d as o3d

    parts = [(f.id, f.triangles()) for f in (*scene.facets, *scene.fields)]
    corners = np.concatenate([t for _, t in parts]).reshape(-1, 3)
    owner = np.concatenate([np.full(len(t), number, dtype=np.int64) for number, t in parts])
    caster = o3d.t.geometry.RaycastingScene()
    index = np.arange(len(corners), dtype=np.uint32).reshape(-1, 3)
    caster.add_triangles(o3d.core.Tensor(corners.astype(np.float32)), o3d.core.Tensor(index))
    return caster, owner


def simulate(
    scene: Scene,
    motion: Motion,
    *,
    points: int,
    seed: int,
    lidar: Lidar | None = None,
    faults: Faults | None = None,
    file_s: float = 10.0,
) -> Iterator[Returns]:
    """Yield the returns of the walk, `file_s` seconds at a time, about `points` of them in all.

    Every beam has the pose of its own instant. The lidar is thinned to the number of points asked for: it fires
    `beams_a_firing` beams at a time, evenly in time.
    """
    lidar, faults = lidar or Lidar(), faults or Faults()
    site = _Site(*cast(scene), line_of(scene))
    margin = 0.1
    begin, end = motion.start_s + margin, motion.end_s - margin
    if faults.movers > 0.0:
        site = _with_movers(site, scene, motion, begin, end, lidar, faults, seed)
    share = len(_probe(site, motion, begin, end, lidar, faults, seed).time_s) / (5000 * lidar.beams_a_firing)
    interval = (end - begin) * lidar.beams_a_firing * share / points
    firings = int((end - begin) / interval)
    a_file = int(np.ceil(firings / max(1, round((end - begin) / file_s))))
    for number, first in enumerate(range(0, firings, a_file)):
        rng = np.random.default_rng([seed, 7, number])
        k = np.arange(first, min(first + a_file, firings))
        yield _fire(site, motion, begin, interval, k, lidar, faults, rng)


def _probe(site: _Site, motion: Motion, begin: float, end: float, lidar: Lidar, faults: Faults, seed: int) -> Returns:
    """Return what 5000 firings spread over the walk bring back."""
    rng = np.random.default_rng([seed, 6])
    return _fire(site, motion, begin, (end - begin) / 5000.3, np.arange(5000), lidar, faults, rng)


def _with_movers(
    site: _Site, scene: Scene, motion: Motion, begin: float, end: float, lidar: Lidar, faults: Faults, seed: int
) -> _Site:
    """Return the site with as many movers as make the share of the returns asked for."""
    rng = np.random.default_rng([seed, 8])
    walked = _walked(scene, site.line)

    def shown(movers: tuple[Mover, ...]) -> float:
        found = _probe(replace(site, movers=movers), motion, begin, end, lidar, faults, seed)
        return float(found.mover.mean())

    walked[:, 0] += motion.start_s
    movers = draw_movers(faults.movers, shown, lambda: draw_mover(rng, site.line, begin, end, walked))
    return replace(site, movers=movers)


def _walked(scene: Scene, line: Line, *, speed_m_s: float = 1.0) -> FloatArray:
    """Return times since the start and the length along the line that the walk has come to (m, 2)."""
    step = np.linalg.norm(np.diff(scene.walk, axis=0), axis=1)
    plan = np.linalg.norm(np.diff(scene.walk[:, :2], axis=0), axis=1)
    seconds = step / (speed_m_s * scene.pace[:-1])
    return np.column_stack([np.r_[0.0, np.cumsum(seconds)], np.r_[0.0, np.cumsum(plan)]])


def _fire(
    site: _Site,
    motion: Motion,
    begin: float,
    interval: float,
    firing: IntArray,
    lidar: Lidar,
    faults: Faults,
    rng: np.random.Generator,
) -> Returns:
    groups = lidar.beams // lidar.beams_a_firing
    beam = (firing[:, None] % groups + groups * np.arange(lidar.beams_a_firing)[None]).ravel()
    time = np.round(np.repeat(begin + firing * interval, lidar.beams_a_firing) * 2**20) / 2**20
    azimuth = -2 * np.pi * lidar.spin_hz * time
    elevation = lidar.elevations_rad()[beam]
    ray = np.column_stack([np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)])
    position, rotation = motion.at(time)
    mount = Rotation.from_quat(lidar.mount_rotation_xyzw)
    origin = position + rotation.apply(np.array(lidar.mount_translation_m))
    pose = rotation * mount
    facing = pose.apply(ray)
    distance, facet, slant, moving = _met(site, time, origin, facing)
    offset = np.cross(facing, rng.normal(size=facing.shape))
    offset *= lidar.divergence_rad * np.sqrt(rng.random(len(ray)))[:, None] / np.linalg.norm(offset, axis=1)[:, None]
    other, _, _, beside = _met(site, time, origin, facing + offset)
    both = np.isfinite(distance) & np.isfinite(other)
    jump = np.where(both, other, 0.0) - np.where(both, distance, 0.0)
    mixed = (np.abs(jump) > 0.05) & (rng.random(len(ray)) < faults.mixed_share)
    measured = np.where(mixed, distance + rng.uniform(0.1, 0.9, len(ray)) * jump, distance)
    measured += rng.normal(0.0, lidar.range_sd_m, len(ray))
    seen = np.isfinite(measured) & (measured > lidar.min_range_m) & (measured < lidar.max_range_m)
    seen &= rng.random(len(ray)) < slant / 0.08  # grazing beams often give no echo
    xyz = ray[seen] * measured[seen, None]
    moving |= mixed & beside
    return Returns(time[seen] + faults.clock_offset_s, xyz, facet[seen], mixed[seen], moving[seen])


def _met(
    site: _Site, time: FloatArray, origin: FloatArray, ray: FloatArray
) -> tuple[FloatArray, IntArray, FloatArray, Any]:
    """Return range, facet id, |cosine| of incidence and whether it is a mover; inf, -1, 0, False for nothing."""
    distance, facet, slant = _hit(site.caster, site.owner, origin, ray)
    moving = np.zeros(len(time), dtype=np.bool_)
    if site.movers:
        near, cosine = hit_movers(site.movers, site.line, time, origin, ray)
        moving = near < distance
        distance = np.where(moving, near, distance)
        facet = np.where(moving, -1, facet)
        slant = np.where(moving, cosine, slant)
    return distance, facet, slant, moving


def _hit(caster: Any, owner: IntArray, origin: FloatArray, ray: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
    """Return range, facet id and |cosine| of incidence; inf, -1 and 0 where nothing is hit."""
    import open3d as o3d

    unit = ray / np.linalg.norm(ray, axis=1)[:, None]
    answer = caster.cast_rays(o3d.core.Tensor(np.hstack([origin, unit]).astype(np.float32)))
    distance = answer["t_hit"].numpy().astype(np.float64)
    hit = np.isfinite(distance)
    triangle = np.where(hit, answer["primitive_ids"].numpy().astype(np.int64), 0)
    normal = answer["primitive_normals"].numpy().astype(np.float64)
    slant = np.abs(np.einsum("ij,ij->i", normal, unit)) * hit
    return distance, np.where(hit, owner[triangle], -1), slant


def record_poses(
    motion: Motion, rng: np.random.Generator, *, faults: Faults | None = None, rate_hz: float = 100.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times (n,), positions (n, 3) and quaternions x, y, z, w (n, 4) as the walker's estimator wrote them."""
    faults = faults or Faults()
    time = np.arange(motion.start_s, motion.end_s, 1.0 / rate_hz)
    position, rotation = motion.at(time)
    if faults.drift_m > 0.0 or faults.drift_rad > 0.0:
        knots = np.arange(time[0], time[-1] + 2.0, 1.0)
        steps = rng.normal(size=(len(knots), 4)) * [*(faults.drift_m,) * 3, faults.drift_rad]
        steps[0] = 0.0
        drift = CubicSpline(knots, np.cumsum(steps, axis=0))(time)
        position = position + drift[:, :3]
        rotation = Rotation.from_rotvec(drift[:, 3:] * [0.0, 0.0, 1.0]) * rotation
    position = position + rng.normal(0.0, faults.position_sd_m, position.shape)
    rotation = Rotation.from_rotvec(rng.normal(0.0, faults.attitude_sd_rad, position.shape)) * rotation
    return time, position, rotation.as_quat()
