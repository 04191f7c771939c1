"""Simulated plates around a sensor whose mount, range and clock are off by known amounts.

Everything that U is said to hold is drawn anew for every seed: range noise, the error of each stand's pose, the error
of each plate's stated direction and place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from terrain.data import Cloud, FloatArray, PoseModel, SensorModel, Trajectory
from terrain.sensor.targets import Targets, load_targets
from tests.support.clouds import write_laz


@dataclass(frozen=True)
class Plate:
    """A true plate: middle, outward normal, length and width; bow_m is the sagitta of a bend along its length."""

    name: str
    centre: tuple[float, float, float]
    normal: tuple[float, float, float]
    size: tuple[float, float] = (1.2, 0.9)
    bow_m: float = 0.0
    shifted_m: float = 0.0
    """How far it truly lies from where it is stated, beyond its stated uncertainty."""


@dataclass(frozen=True)
class Ball:
    """A true sphere."""

    name: str
    centre: tuple[float, float, float]
    radius: float = 0.15


ROOM = (
    Plate("floor", (1.2, 0.2, 0.0), (0.0, 0.0, 1.0), (1.6, 1.6)),
    Plate("front near", (2.0, 0.3, 0.9), (-1.0, 0.0, 0.0)),
    Plate("front far", (9.0, -0.5, 1.2), (-1.0, 0.1, 0.0), (2.0, 1.5)),
    Plate("left", (0.4, 3.5, 1.0), (0.0, -1.0, 0.0)),
    Plate("right", (0.2, -6.0, 1.1), (0.05, 1.0, 0.0), (1.8, 1.4)),
    Plate("behind", (-4.5, 0.5, 1.0), (1.0, 0.0, 0.1)),
    Plate("ramp", (1.5, -1.4, 0.3), (-0.5, 0.3, 0.9), (1.0, 0.8)),
    Plate("overhead", (0.6, 0.4, 3.4), (0.0, 0.1, -1.0), (1.4, 1.2)),
)
STANDS = ((0.0, 0.0, 0.0, 0.0), (0.6, 0.5, 0.0, 50.0), (-0.5, 0.3, 0.0, -70.0), (0.2, -0.6, 0.0, 160.0))
"""Body x, y, z in metres and yaw in degrees."""


@dataclass(frozen=True)
class Truth:
    """How the sensor differs from what the survey states, and how well everything is known."""

    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shift_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    range_offset_m: float = 0.0
    range_scale: float = 0.0
    clock_s: float = 0.0
    noise_m: float = 0.008
    position_sd_m: float = 0.001
    attitude_sd_deg: float = 0.02
    normal_sd_deg: float = 0.03
    place_sd_m: float = 0.001
    points: int = 600
    """On each plate from each stand."""


@dataclass
class Simulated:
    """What a survey would hold, in memory, beside the truth."""

    cloud: Cloud
    trajectory: Trajectory
    sensor: SensorModel
    poses: PoseModel
    targets_toml: str
    raw: FloatArray
    time_s: FloatArray
    step: FloatArray = field(default_factory=lambda: np.zeros(9))
    """True corrections (9,): turns, shifts, range offset, scale, clock."""

    def targets(self, folder: Path) -> Targets:
        path = folder / "targets.toml"
        path.write_text(self.targets_toml, encoding="utf-8")
        return load_targets(path)


STATED_MOUNT = Rotation.from_euler("xyz", [0.0, 12.0, 0.0], degrees=True)
STATED_SHIFT = np.array([0.15, 0.02, 0.55])


def simulate(
    seed: int,
    truth: Truth,
    *,
    plates: Sequence[Plate] = ROOM,
    balls: Sequence[Ball] = (),
    stands: Sequence[tuple[float, float, float, float]] = STANDS,
    settings: str = "",
    moving_s: float = 0.0,
) -> Simulated:
    """Return one survey of the plates; moving_s > 0 lets the body turn to and fro while it stands."""
    rng = np.random.default_rng(seed)
    mount = Rotation.from_rotvec(np.radians(truth.turn_deg)) * STATED_MOUNT
    shift = STATED_SHIFT + np.array(truth.shift_m)
    raw, times = [], []
    knots, positions, turns = [], [], []
    start = 100.0
    for x, y, z, yaw in stands:
        time = np.arange(0.0, (moving_s or 2.0) + 1e-9, 0.02)
        true = _body_turns(yaw, time, moving_s)
        error = Rotation.from_rotvec(rng.normal(0.0, math.radians(truth.attitude_sd_deg), 3))
        place = np.array([x, y, z])
        knots.append(start + time)
        positions.append(np.tile(place + rng.normal(0.0, truth.position_sd_m, 3), (len(time), 1)))
        turns.append((error * true).as_quat())
        for plate in (*plates, *balls):
            # Instants lie on knots, so that the interpolation between poses adds nothing.
            at = rng.integers(0, len(time), truth.points)
            body = true[at]
            eye = place + body.apply(shift)
            xyz = _spread(plate, rng, truth.points) if isinstance(plate, Plate) else _seen_half(plate, eye, rng)
            beam = xyz - eye
            distance = np.linalg.norm(beam, axis=1)
            seen = np.ones(len(xyz), dtype=bool)
            if isinstance(plate, Plate):
                seen = np.einsum("ni,i->n", beam, np.array(plate.normal)) < 0.0
            measured = distance * (1.0 + truth.range_scale) + truth.range_offset_m
            measured += rng.normal(0.0, truth.noise_m, len(distance))
            sensor = (body * mount).inv().apply(beam / distance[:, None]) * measured[:, None]
            raw.append(sensor[seen])
            times.append(start + time[at][seen] - truth.clock_s)
        start += time[-1] + 1.0
    raw_all, time_all = np.concatenate(raw), np.concatenate(times)
    trajectory = Trajectory(np.concatenate(knots), np.concatenate(positions), np.concatenate(turns))
    sensor_model = SensorModel(STATED_SHIFT, STATED_MOUNT.as_quat(), truth.noise_m, 0.0, 0.1, 60.0, 0.0)
    poses = PoseModel(truth.position_sd_m, math.radians(truth.attitude_sd_deg), 0.2, "none")
    toml = targets_toml(plates, truth, rng, settings) + balls_toml(balls, truth, rng)
    cloud = placed(raw_all, time_all, trajectory, sensor_model)
    step = np.concatenate(
        (np.radians(truth.turn_deg), truth.shift_m, [truth.range_offset_m, truth.range_scale, truth.clock_s])
    )
    return Simulated(cloud, trajectory, sensor_model, poses, toml, raw_all, time_all, step)


def _body_turns(yaw: float, time: FloatArray, moving_s: float) -> Rotation:
    sway = np.zeros(len(time)) if moving_s == 0.0 else 4.0 * np.sin(2.0 * np.pi * time / moving_s)
    pitch = np.zeros(len(time)) if moving_s == 0.0 else 3.0 * np.sin(4.0 * np.pi * time / moving_s)
    return Rotation.from_euler("ZYX", np.column_stack((yaw + sway, pitch, np.zeros(len(time)))), degrees=True)


def axes_of(normal: FloatArray) -> FloatArray:
    """Return unit vectors (2, 3) across a normal."""
    helper = np.array([0.0, 0.0, 1.0]) if abs(normal[2]) < 0.8 else np.array([1.0, 0.0, 0.0])
    u = np.cross(helper, normal)
    u /= np.linalg.norm(u)
    return np.stack((u, np.cross(normal, u)))


def _spread(plate: Plate, rng: np.random.Generator, count: int) -> FloatArray:
    normal = np.array(plate.normal) / np.linalg.norm(plate.normal)
    u, v = axes_of(normal)
    a, b = rng.uniform(-0.5, 0.5, count), rng.uniform(-0.5, 0.5, count)
    out = plate.bow_m * (1.0 - 4.0 * a * a) + plate.shifted_m
    flat = np.outer(a * plate.size[0], u) + np.outer(b * plate.size[1], v) + np.outer(out, normal)
    return np.array(plate.centre) + flat


def _seen_half(ball: Ball, eye: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return a point of a sphere for each place it is seen from, on the side that is seen."""
    way = rng.normal(size=eye.shape)
    way /= np.linalg.norm(way, axis=1)[:, None]
    toward = eye - np.array(ball.centre)
    toward /= np.linalg.norm(toward, axis=1)[:, None]
    cosine = np.einsum("ni,ni->n", way, toward)
    way = np.where((cosine < 0.0)[:, None], way - 2.0 * cosine[:, None] * toward, way)
    return np.array(ball.centre) + ball.radius * way


def balls_toml(balls: Sequence[Ball], truth: Truth, rng: np.random.Generator) -> str:
    """Return the spheres of a targets file, their centres off by their stated sd."""
    words = ""
    for ball in balls:
        centre = np.array(ball.centre) + rng.normal(0.0, truth.place_sd_m, 3)
        words += (
            f'[[sphere]]\nname = "{ball.name}"\nnear_m = {[float(c) for c in ball.centre]}\n'
            f"radius_mm = {ball.radius * 1e3}\ncentre_m = {[float(c) for c in centre]}\n"
            f"centre_sd_mm = {truth.place_sd_m * 1e3}\n"
        )
    return words


def targets_toml(plates: Sequence[Plate], truth: Truth, rng: np.random.Generator, settings: str) -> str:
    """Return a targets file: every plate with a stated normal and place that are off by their stated sd."""
    lines = ['[check]\nname = "eight plates"', settings]
    for plate in plates:
        normal = np.array(plate.normal) / np.linalg.norm(plate.normal)
        lean = rng.normal(0.0, math.radians(truth.normal_sd_deg), 2) @ axes_of(normal)
        stated = normal + lean
        point = np.array(plate.centre) + normal * rng.normal(0.0, truth.place_sd_m)
        half = np.array(plate.size).max() * 0.75
        lines.append(
            f'[[plane]]\nname = "{plate.name}"\nnear_m = {[float(c) for c in plate.centre]}\nradius_m = {half:.3f}\n'
            f"normal = {[float(c) for c in stated]}\nnormal_sd_deg = {truth.normal_sd_deg}\n"
            f"point_m = {[float(c) for c in point]}\noffset_sd_mm = {truth.place_sd_m * 1e3}"
        )
    return "\n".join(lines) + "\n"


def placed(raw: FloatArray, time_s: FloatArray, trajectory: Trajectory, sensor: SensorModel) -> Cloud:
    """Return the points in the map frame as the survey states mount and poses, placed with SciPy."""
    from scipy.spatial.transform import Slerp

    after = np.clip(np.searchsorted(trajectory.time_s, time_s), 1, len(trajectory.time_s) - 1)
    gap = np.diff(trajectory.time_s)[after - 1]
    inside = (time_s >= trajectory.time_s[0]) & (time_s <= trajectory.time_s[-1]) & (gap <= 0.2)
    raw, time_s = raw[inside], time_s[inside]
    turn = Slerp(trajectory.time_s, Rotation.from_quat(trajectory.rotation_xyzw))(time_s)
    body = np.column_stack([np.interp(time_s, trajectory.time_s, axis) for axis in trajectory.position_m.T])
    mount = Rotation.from_quat(sensor.mount_rotation_xyzw)
    xyz = turn.apply(mount.apply(raw) + sensor.mount_translation_m) + body
    eye = turn.apply(np.array(sensor.mount_translation_m)) + body
    origin = np.round(xyz.mean(axis=0))
    n = len(xyz)
    return Cloud(
        xyz_map_m=xyz,
        time_s=time_s,
        view_map_m=(eye - origin).astype(np.float32),
        sd_m=np.full(n, sensor.range_sd_m, dtype=np.float32),
        cross_sd_m=np.full(n, sensor.range_sd_m, dtype=np.float32),
        origin_m=origin,
    )


def write_survey(folder: Path, simulated: Simulated, *, name: str = "plates") -> Path:
    """Write scans, poses, survey and targets; return the survey file."""
    folder.mkdir(parents=True, exist_ok=True)
    write_laz(folder / "scans" / "scan_0.laz", simulated.raw, simulated.time_s, scale=1e-4)
    track, sensor = simulated.trajectory, simulated.sensor
    rows = np.column_stack([track.time_s, track.position_m, track.rotation_xyzw])
    np.savetxt(folder / "poses.txt", rows, fmt="%.10f")
    (folder / "targets.toml").write_text(simulated.targets_toml, encoding="utf-8")
    (folder / "survey.toml").write_text(
        f'[survey]\nname = "{name}"\n[frame]\npoints = "sensor"\n[sensor]\n'
        f"mount = {{ translation_m = {sensor.mount_translation_m.tolist()}, "
        f"rotation_xyzw = {sensor.mount_rotation_xyzw.tolist()} }}\n"
        f"range_sd_m = {sensor.range_sd_m}\nbeam_divergence_mrad = 0.0\nmin_range_m = 0.1\nmax_range_m = 60.0\n"
        f'[poses]\nfile = "poses.txt"\nposition_sd_m = {simulated.poses.position_sd_m}\n'
        f"attitude_sd_deg = {math.degrees(simulated.poses.attitude_sd_rad)}\nmax_gap_s = 0.2\n"
        'refine = "none"\n[scans]\nfiles = ["scans/*.laz"]\n[foot]\nprofile = "biped"\n',
        encoding="utf-8",
    )
    return folder / "survey.toml"
