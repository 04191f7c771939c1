"""Small invented surveys on disk, whose ground is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from terrain.data import BoolArray, FloatArray
from tests.support.clouds import level_top, range_noise, riser, stair, write_laz

MAP_SURVEY = """
[survey]
name = "yard, fused"
[frame]
points = "map"
[scans]
files = ["scans/*.laz"]
[foot]
profile = "biped"
"""
SENSOR_SURVEY = """
[survey]
name = "yard, walked"
[frame]
points = "sensor"
[sensor]
mount = { translation_m = [0.1, 0.0, 0.2], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }
range_sd_m = 0.003
beam_divergence_mrad = 2.0
min_range_m = 0.1
max_range_m = 20.0
time_offset_s = 0.25
[poses]
file = "poses.txt"
position_sd_m = 0.001
attitude_sd_deg = 0.02
max_gap_s = 0.2
refine = "none"
[scans]
files = ["scans/*.laz"]
[foot]
profile = "biped"
"""
NOISE_M = 0.003
BLOCK_TOP_M = 0.2
RISE_M, GOING_M, STEPS = 0.15, 0.40, 2
"""A floor at 0 over x -1.2 to 1.2, y -0.9 to 0.9; a block 0.5 m square with its middle at (-0.65, 0.35); a stair of two
treads from x = 1.2 on."""


def yard(seed: int = 5, *, per_m2: float = 15_000.0) -> FloatArray:
    """Return exact points of the yard, in random order."""
    rng = np.random.default_rng(seed)
    floor = level_top(rng, (-1.2, 1.2), (-0.9, 0.9), 0.0, per_m2=per_m2)
    x, y = (-0.9, -0.4), (0.1, 0.6)
    under = (floor[:, 0] > x[0]) & (floor[:, 0] < x[1]) & (floor[:, 1] > y[0]) & (floor[:, 1] < y[1])
    sides = [riser(rng, side, y, (0.0, BLOCK_TOP_M), per_m2=per_m2) for side in x]
    sides += [turned(riser(rng, side, x, (0.0, BLOCK_TOP_M), per_m2=per_m2)) for side in y]
    top = level_top(rng, x, y, BLOCK_TOP_M, per_m2=per_m2)
    steps = stair(rng, steps=STEPS, rise=RISE_M, going=GOING_M, width=1.8, per_m2=per_m2) + np.array([1.2, -0.9, 0.0])
    return rng.permutation(np.concatenate([floor[~under], top, *sides, steps]))


def turned(xyz: FloatArray) -> FloatArray:
    """Return the points with x and y exchanged."""
    return xyz[:, [1, 0, 2]]


def hidden(xyz: FloatArray, view: FloatArray) -> BoolArray:
    """Return which points a body of the yard hides from where each was seen: segments against boxes."""
    steps = [(1.2 + GOING_M * k, 1.2 + GOING_M * STEPS, -0.9, 0.9, RISE_M * (k + 1)) for k in range(STEPS)]
    out = np.zeros(len(xyz), dtype=bool)
    for x0, x1, y0, y1, top in [(-0.9, -0.4, 0.1, 0.6, BLOCK_TOP_M), *steps]:
        low, high = np.array([x0, y0, -0.1]) + 1e-3, np.array([x1, y1, top]) - 1e-3
        with np.errstate(divide="ignore"):
            near, far = (low - view) / (xyz - view), (high - view) / (xyz - view)
        enter = np.minimum(near, far).max(axis=1)
        leave = np.maximum(near, far).min(axis=1)
        out |= (enter < leave) & (leave > 0.0) & (enter < 1.0)
    return out


def write_map_survey(
    folder: Path,
    *,
    shift_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    scans: int = 2,
    per_m2: float = 15_000.0,
) -> Path:
    """Write the yard as fused scans without times; return the survey file."""
    rng = np.random.default_rng(6)
    xyz = yard(per_m2=per_m2)
    xyz = xyz + rng.normal(0.0, NOISE_M, xyz.shape) * [0.0, 0.0, 1.0] + np.array(shift_m)
    for k, part in enumerate(np.array_split(xyz, scans)):
        write_laz(folder / "scans" / f"scan_{k}.laz", part)
    (folder / "survey.toml").write_text(MAP_SURVEY + f"[sensor]\nrange_sd_m = {NOISE_M}\n", encoding="utf-8")
    return folder / "survey.toml"


def write_sensor_survey(folder: Path, *, scans: int = 3, per_m2: float = 20_000.0) -> Path:
    """Write the yard as a walk around it: points in the sensor's frame with times, and poses; return the survey file.

    What a body of the yard hides is not there.

    Body points are where SciPy's Slerp and Rotation put them; the scan clock is 0.25 s behind the pose clock.
    """
    rng = np.random.default_rng(7)
    knots = np.arange(0.0, 10.05, 0.05)
    angle = 2.0 * np.pi * knots / 10.0
    position = np.column_stack([0.4 + 1.8 * np.cos(angle), 1.6 * np.sin(angle), 1.0 + 0.05 * np.sin(7 * angle)])
    sway = np.column_stack([0.03 * np.sin(5 * angle), 0.04 * np.cos(6 * angle), np.zeros(len(angle))])
    rotation = Rotation.from_rotvec(np.outer(angle + np.pi, [0.0, 0.0, 1.0])) * Rotation.from_rotvec(sway)
    rows = np.column_stack([knots, position, rotation.as_quat()])
    (folder / "poses.txt").parent.mkdir(parents=True, exist_ok=True)
    np.savetxt(folder / "poses.txt", rows, fmt="%.9f", header="timestamp tx ty tz qx qy qz qw")
    xyz = yard(per_m2=per_m2)
    time = np.sort(rng.uniform(0.0, 10.0, len(xyz)))
    body = Slerp(knots, rotation)(time)
    place = np.column_stack([np.interp(time, knots, axis) for axis in position.T])
    mount = np.array([0.1, 0.0, 0.2])
    view = place + body.apply(mount)
    clear = ~hidden(xyz, view)
    xyz, time, body, place, view = xyz[clear], time[clear], body[clear], place[clear], view[clear]
    sensor = body.inv().apply(range_noise(rng, xyz, view, NOISE_M) - place) - mount
    for k, rows_k in enumerate(np.array_split(np.arange(len(xyz)), scans)):
        write_laz(folder / "scans" / f"scan_{k}.laz", sensor[rows_k], time[rows_k] - 0.25)
    (folder / "survey.toml").write_text(SENSOR_SURVEY, encoding="utf-8")
    return folder / "survey.toml"
