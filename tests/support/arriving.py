"""A small pad whose scans arrive one by one: a floor with a block on it, seen by a sensor that moves along its side."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import shapely

from terrain.data import Cloud, FloatArray, Label, LevelRaster
from terrain.fusing import read_and_fuse
from terrain.survey import load_survey
from tests.support.clouds import level_top, range_noise, riser, write_laz
from tests.support.surveys import turned

FLOOR = (0.0, 1.7, 0.0, 1.0)
BLOCK = (1.0, 1.35, 0.3, 0.65)
BLOCK_TOP_M = 0.2
NOISE_M = 0.003
SECONDS = 8.0
SURVEY = """
[survey]
name = "pad"
[frame]
points = "sensor"
[sensor]
mount = { translation_m = [0.0, 0.0, 0.2], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }
range_sd_m = 0.003
beam_divergence_mrad = 1.0
min_range_m = 0.1
max_range_m = 20.0
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


def pad_points(per_m2: float, seed: int = 3) -> FloatArray:
    """Return exact points of the pad, in random order."""
    rng = np.random.default_rng(seed)
    x0, x1, y0, y1 = BLOCK
    floor = level_top(rng, FLOOR[:2], FLOOR[2:], 0.0, per_m2=per_m2)
    under = (floor[:, 0] > x0) & (floor[:, 0] < x1) & (floor[:, 1] > y0) & (floor[:, 1] < y1)
    sides = [riser(rng, side, (y0, y1), (0.0, BLOCK_TOP_M), per_m2=per_m2) for side in (x0, x1)]
    sides += [turned(riser(rng, side, (x0, x1), (0.0, BLOCK_TOP_M), per_m2=per_m2)) for side in (y0, y1)]
    top = level_top(rng, (x0, x1), (y0, y1), BLOCK_TOP_M, per_m2=per_m2)
    return rng.permutation(np.concatenate([floor[~under], top, *sides]))


def write_pad(folder: Path, *, scans: int = 4, per_m2: float = 7_000.0) -> Path:
    """Write the pad with its scans under `later` and an empty folder `scans`; return the survey file.

    The body keeps its heading and moves along y = -0.6, 1 m up, from x = 0 to 1.6 in 8 s from 100 s on.
    """
    rng = np.random.default_rng(4)
    folder.mkdir(parents=True, exist_ok=True)
    knots = 100.0 + np.arange(0.0, SECONDS + 0.025, 0.05)
    place = np.column_stack([0.2 * (knots - 100.0), np.full(len(knots), -0.6), np.full(len(knots), 1.0)])
    rows = np.column_stack([knots, place, np.tile([0.0, 0.0, 0.0, 1.0], (len(knots), 1))])
    np.savetxt(folder / "poses.txt", rows, fmt="%.6f", header="timestamp tx ty tz qx qy qz qw")
    xyz = pad_points(per_m2)
    time = 100.0 + np.sort(rng.uniform(0.0, SECONDS, len(xyz)))
    view = np.column_stack([0.2 * (time - 100.0), np.full(len(time), -0.6), np.full(len(time), 1.2)])
    clear = ~_hidden(xyz, view)
    xyz, time, view = xyz[clear], time[clear], view[clear]
    sensor = range_noise(rng, xyz, view, NOISE_M) - view
    for k, part in enumerate(np.array_split(np.arange(len(xyz)), scans)):
        write_laz(folder / "later" / f"scan_{k}.laz", sensor[part], time[part])
    (folder / "scans").mkdir(exist_ok=True)
    (folder / "survey.toml").write_text(SURVEY, encoding="utf-8")
    return folder / "survey.toml"


def _hidden(xyz: FloatArray, view: FloatArray) -> np.ndarray:
    """Return which points the block hides: segments against a box."""
    x0, x1, y0, y1 = BLOCK
    low, high = np.array([x0, y0, -0.1]) + 1e-3, np.array([x1, y1, BLOCK_TOP_M]) - 1e-3
    with np.errstate(divide="ignore"):
        near, far = (low - view) / (xyz - view), (high - view) / (xyz - view)
    enter, leave = np.minimum(near, far).max(axis=1), np.maximum(near, far).min(axis=1)
    return (enter < leave) & (leave > 0.0) & (enter < 1.0)


def arrive(survey: Path, *numbers: int) -> None:
    """Put scans into place, whole."""
    for k in numbers:
        name = f"scan_{k}.laz"
        shutil.copy(survey.parent / "later" / name, survey.parent / "scans" / f".{name}")
        (survey.parent / "scans" / f".{name}").rename(survey.parent / "scans" / name)


def false_steppable(raster: LevelRaster, outline_m: FloatArray, *, tolerance_m: float = 0.01) -> int:
    """Return how many steppable cells have a sole, in their best yaw, that lies on no single top of the true pad.

    A sole may reach `tolerance_m` over a border: the cells of the ground are that wide.
    """
    x0, x1, y0, y1 = BLOCK
    block = shapely.box(x0, y0, x1, y1)
    floor = shapely.box(FLOOR[0], FLOOR[2], FLOOR[1], FLOOR[3])
    tops = [floor.difference(block).buffer(tolerance_m), block.buffer(tolerance_m)]
    iy, ix = np.nonzero(raster.label == Label.STEPPABLE)
    wrong = 0
    for j, i in zip(iy, ix, strict=True):
        yaw = float(raster.best_yaw_rad[j, i])
        turn = np.array([[np.cos(yaw), -np.sin(yaw)], [np.sin(yaw), np.cos(yaw)]])
        at = np.array([raster.x0_m + (i + 0.5) * raster.cell_m, raster.y0_m + (j + 0.5) * raster.cell_m])
        sole = shapely.Polygon(outline_m @ turn.T + at)
        top = tops[1] if float(raster.height_m[j, i]) > 0.5 * BLOCK_TOP_M else tops[0]
        wrong += not top.covers(sole)
    return wrong


def fused_pad(folder: Path) -> Cloud:
    """Write the pad with its first four scans to a folder; return what they show."""
    survey = write_pad(folder)
    arrive(survey, 0, 1, 2, 3)
    return read_and_fuse(load_survey(survey), lambda stage, done, total: None)[0]
