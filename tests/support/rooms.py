"""Invented rooms made of boxes, walked with a spinning lidar whose true motion is known at every instant."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from terrain.data import Cloud, FloatArray, PoseModel, Scan, SensorModel, Trajectory
from terrain.fuse.motion import fuse

RANGE_SD_M = 0.008
POSE_HZ = 100.0
BODY_M = 0.55
SENSOR = SensorModel(
    mount_translation_m=[0.1, 0.0, 0.12],
    mount_rotation_xyzw=[0.0, 0.0, 0.0, 1.0],
    range_sd_m=RANGE_SD_M,
    beam_divergence_rad=0.002,
    min_range_m=0.4,
    max_range_m=25.0,
)


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Boxes (n, 2, 3), lowest and highest corner; `shell`, the same for the walls around, which may be missing.

    The floor is z = 0, everywhere.
    """

    boxes: FloatArray
    shell: FloatArray | None


def room() -> Place:
    """Return a hall of 12 x 9 x 4 m with blocks, a bench, a pillar and a cabinet."""
    boxes = [
        [[-4.5, -3.2, 0.0], [-3.7, -2.3, 0.4]],
        [[-1.0, -0.5, 0.0], [0.2, 0.4, 0.5]],
        [[2.2, 1.0, 0.0], [2.6, 1.4, 4.0]],
        [[4.0, -3.8, 0.0], [5.6, -3.2, 1.8]],
        [[-0.5, 3.6, 0.0], [1.5, 4.1, 0.9]],
        [[1.0, -1.5, 0.0], [1.6, -0.9, 0.25]],
    ]
    return Place(np.array(boxes), np.array([[-6.0, -4.5, 0.0], [6.0, 4.5, 4.0]]))


def corridor() -> Place:
    """Return a passage along x, 2.4 m wide, whose ends no beam reaches."""
    return Place(np.zeros((0, 2, 3)), np.array([[-200.0, -1.2, 0.0], [200.0, 1.2, 2.6]]))


def bare_floor() -> Place:
    """Return nothing but the floor."""
    return Place(np.zeros((0, 2, 3)), None)


def yard(seed: int) -> Place:
    """Return open ground along x with some twenty boxes beside the way, none over it, other ones for each seed."""
    rng = np.random.default_rng([seed, 9])
    boxes = []
    for _ in range(25):
        (x, y), (a, b), height = rng.uniform([-8.0, -5.0], [8.0, 5.0]), rng.uniform(0.3, 1.2, 2), rng.uniform(0.3, 2.5)
        if abs(y) >= 1.2 + b / 2.0:
            boxes.append([[x - a / 2.0, y - b / 2.0, 0.0], [x + a / 2.0, y + b / 2.0, height]])
    return Place(np.array(boxes), None)


def first_hits(place: Place, origin: FloatArray, ray: FloatArray) -> FloatArray:
    """Return the range of the first surface each ray meets, inf where there is none: slabs."""
    with np.errstate(divide="ignore", invalid="ignore"):
        floor = -origin[:, 2] / ray[:, 2]
        best = np.where(floor > 0.0, floor, np.inf)
        if place.shell is not None:
            ahead = np.where(ray > 0.0, place.shell[1], place.shell[0])
            best = np.minimum(best, ((ahead - origin) / ray).min(axis=1))
        for low, high in place.boxes:
            a, b = (low - origin) / ray, (high - origin) / ray
            enter, leave = np.minimum(a, b).max(axis=1), np.maximum(a, b).min(axis=1)
            best = np.where((enter < leave) & (enter > 0.0), np.minimum(best, enter), best)
    return best


def off_surface(place: Place, xyz: FloatArray) -> FloatArray:
    """Return each point's distance to the nearest surface of the place."""
    best = np.abs(xyz[:, 2])
    if place.shell is not None:
        best = np.minimum(best, np.abs(xyz[:, None, :] - place.shell[None]).min(axis=(1, 2)))
    for low, high in place.boxes:
        outside = np.linalg.norm(np.maximum(np.maximum(low - xyz, xyz - high), 0.0), axis=1)
        inside = np.minimum(xyz - low, high - xyz).min(axis=1)
        best = np.minimum(best, np.where(inside > 0.0, inside, outside))
    return np.asarray(best)


@dataclass(frozen=True, slots=True)
class Walk:
    """How the body moves: `path` is "loop", "straight" or "along" (both ways), `sway` scales the gait."""

    path: str = "loop"
    sway: float = 1.0
    seconds: float = 30.0
    phase: float = 0.0

    def at(self, time_s: FloatArray) -> tuple[FloatArray, Rotation]:
        """Return the true position (n, 3) and rotation of the body."""
        t = np.asarray(time_s, dtype=np.float64)
        if self.path == "loop":
            w = 2.0 * np.pi / 24.0
            x, y = 3.4 * np.cos(w * t + self.phase), 2.4 * np.sin(w * t + self.phase)
            yaw = np.unwrap(np.arctan2(2.4 * np.cos(w * t + self.phase), -3.4 * np.sin(w * t + self.phase)))
        else:
            x, y, yaw = 0.8 * (t - self.seconds / 2.0), np.zeros_like(t), np.zeros_like(t)
        gait = 2.0 * np.pi * 0.9 * t + self.phase
        side = 0.025 * self.sway * np.sin(gait)
        up = BODY_M + 0.015 * self.sway * np.sin(2.0 * gait + 1.0)
        roll = np.deg2rad(2.0) * self.sway * np.sin(gait + 2.0)
        pitch = np.deg2rad(1.5) * self.sway * np.sin(2.0 * gait + 0.3)
        position = np.column_stack([x - np.sin(yaw) * side, y + np.cos(yaw) * side, up])
        return position, Rotation.from_euler("ZYX", np.column_stack([yaw, pitch, roll]))


@dataclass(frozen=True, slots=True)
class Wrong:
    """What is wrong with what is reported.

    drift_m, drift_rad: sd of position and heading gained in the square root of a second; noise_m, noise_rad: of every
    pose by itself; clock_s: what has to be added to scan times.
    """

    drift_m: float = 0.0
    drift_rad: float = 0.0
    noise_m: float = 0.001
    noise_rad: float = float(np.deg2rad(0.02))
    clock_s: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Pass:
    """A survey pass: what the program gets, and the truth; drift (n, 4): x, y, z and heading, at the poses' times."""

    scan: Scan
    trajectory: Trajectory
    true: Trajectory
    poses: PoseModel
    sensor: SensorModel
    drift: FloatArray

    def fused(self) -> Cloud:
        """Return the cloud as the reported poses place it."""
        return fuse([self.scan], trajectory=self.trajectory, sensor=self.sensor, poses=self.poses)[0]

    def fused_with_truth(self, clock_s: float) -> Cloud:
        """Return the cloud as the true poses and the true clock place it."""
        sensor = replace(self.sensor, time_offset_s=clock_s)
        return fuse([self.scan], trajectory=self.true, sensor=sensor, poses=self.poses)[0]


def survey_pass(
    place: Place,
    *,
    seed: int,
    walk: Walk | None = None,
    wrong: Wrong | None = None,
    points: int = 120_000,
    stated_m: float = 0.003,
    stated_rad: float = float(np.deg2rad(0.05)),
) -> Pass:
    """Walk the place and return what was recorded: `points` beams, 24 to a firing angle, ten turns a second."""
    walk, wrong = walk or Walk(), wrong or Wrong()
    rng = np.random.default_rng([seed, 77])
    time = np.sort(rng.uniform(0.05, walk.seconds - 0.05, points))
    elevation = np.deg2rad(np.linspace(-38.0, 22.0, 24))[rng.integers(0, 24, points)]
    azimuth = -2.0 * np.pi * 10.0 * time
    ray = np.column_stack([np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)])
    position, rotation = walk.at(time)
    origin = position + rotation.apply(np.tile(SENSOR.mount_translation_m, (points, 1)))
    distance = first_hits(place, origin, rotation.apply(ray))
    seen = (distance > SENSOR.min_range_m) & (distance < 20.0)
    measured = distance[seen] + rng.normal(0.0, RANGE_SD_M, int(seen.sum()))
    scan = Scan("walk", ray[seen] * measured[:, None], time[seen] - wrong.clock_s)
    knots = np.arange(0.0, walk.seconds + 0.5 / POSE_HZ, 1.0 / POSE_HZ)
    true_m, true_turn = walk.at(knots)
    drift = _drift(rng, knots, wrong)
    reported_m = true_m + drift[:, :3] + rng.normal(0.0, wrong.noise_m, true_m.shape)
    lean = rng.normal(0.0, wrong.noise_rad, true_m.shape)
    turn = Rotation.from_rotvec(lean) * Rotation.from_rotvec(drift[:, 3:] * [0.0, 0.0, 1.0]) * true_turn
    model = PoseModel(position_sd_m=stated_m, attitude_sd_rad=stated_rad, max_gap_s=0.2, refine="auto")
    return Pass(
        scan,
        Trajectory(knots, reported_m, turn.as_quat()),
        Trajectory(knots, true_m, true_turn.as_quat()),
        model,
        SENSOR,
        drift,
    )


def _drift(rng: np.random.Generator, time_s: FloatArray, wrong: Wrong) -> FloatArray:
    """Return a random walk (n, 4) of x, y, z and heading, smooth between whole seconds, 0 at the start."""
    whole = np.arange(0.0, time_s[-1] + 2.0)
    steps = rng.normal(size=(len(whole), 4)) * [*(wrong.drift_m,) * 3, wrong.drift_rad]
    steps[0] = 0.0
    return np.asarray(CubicSpline(whole, np.cumsum(steps, axis=0), bc_type="clamped")(time_s))
