"""Checks that need no target: the same surfaces seen twice, in ways in which an error shows with opposite signs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from terrain.data import BoolArray, Cloud, FloatArray, IntArray, PoseModel, SensorModel, Trajectory
from terrain.sensor.decide import UNDECIDED, Quantity, judged
from terrain.sensor.observe import FREEDOMS
from terrain.sensor.rings import ring_offsets, rings_of
from terrain.sensor.sight import Mount, Sight, sight_of
from terrain.sensor.targets import CheckSettings

MOST_POINTS = 400_000
CELL_M = 0.4
LEAST_IN_CELL = 12
LEAST_CELLS = 20
LEAST_SHARE = 0.1
OPPOSITE_RAD = math.radians(60.0)
FLAT = 4.0
"""A cell is a surface if each half scatters less than so many times the stated noise across it."""
TOLD_RAD, TOLD_M = math.radians(1.0), 0.05
"""A part of the mount that is worse known than this after the comparison is not told."""


@dataclass(frozen=True, slots=True, eq=False)
class Alone:
    """One check without targets; why_not says why it does not apply, and is empty where it does.

    difference_m, sd_m (v,): how far each cell's two surfaces lie apart; normal (v, 3), centre_m (v, 3) of the cells.
    """

    name: str
    words: str
    why_not: str
    quantities: tuple[Quantity, ...] = ()
    difference_m: FloatArray = field(default_factory=lambda: np.empty(0))
    sd_m: FloatArray = field(default_factory=lambda: np.empty(0))
    centre_m: FloatArray = field(default_factory=lambda: np.empty((0, 3)))


def check_alone(
    cloud: Cloud,
    trajectory: Trajectory | None,
    sensor: SensorModel | None,
    poses: PoseModel | None,
    settings: CheckSettings,
    stands: IntArray | None,
) -> tuple[Alone, ...]:
    """Return the checks that need no target: opposite passes, halves of a spindle's turn, ring against ring.

    Parameters
    ----------
    cloud : Cloud
        In the frame of the poses, as `examine` takes it.
    trajectory, sensor, poses, stands : optional
        None for points in the map frame: then no check applies.
    settings : CheckSettings
        Time of a turn, tolerance.

    Notes
    -----
    At most 400,000 points, evenly taken in the order of the cloud.
    """
    if trajectory is None or sensor is None or poses is None or cloud.time_s is None:
        return ()
    step = max(1, -(-len(cloud) // MOST_POINTS))
    sight = sight_of(cloud, np.arange(0, len(cloud), step), trajectory, sensor, stands=stands)
    mount = Mount.stated(sensor)
    return (
        _opposite_passes(sight, mount, poses, settings),
        _spindle_halves(sight, poses, settings),
        _rings(sight, mount, settings),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Cells that both halves saw as a surface: point rows and their cell, and what `compare` found."""

    cell: IntArray
    second: BoolArray
    rows: IntArray
    normal: FloatArray
    centre_m: FloatArray
    difference_m: FloatArray
    sd_m: FloatArray


def compare(xyz_m: FloatArray, second: BoolArray, noise_m: float, *, cell_m: float = CELL_M) -> _Pairs:
    """Return how far the second half of some points lies from the first, in every cell that both saw as a plane.

    Parameters
    ----------
    xyz_m : (n, 3)
        All points.
    second : (n,)
        Which half each belongs to.
    noise_m : float
        Stated noise; cells in which either half scatters more than four times that are no surfaces.
    cell_m : float
        Side of a cell.

    Notes
    -----
    In each cell two parallel planes are fitted by total least squares; the variance of their distance is that of
    the regression with a common tilt.
    """
    low = xyz_m.min(axis=0) - 0.37 * cell_m
    index = np.floor((xyz_m - low) / cell_m).astype(np.int64)
    size = index.max(axis=0) + 1
    flat = (index[:, 2] * size[1] + index[:, 1]) * size[0] + index[:, 0]
    _, cell, counts = np.unique(flat, return_inverse=True, return_counts=True)
    k = len(counts)
    number = np.bincount(cell[second], minlength=k)
    both = (number >= LEAST_IN_CELL) & (counts - number >= LEAST_IN_CELL)
    rows = np.flatnonzero(both[cell])
    again = np.cumsum(both) - 1
    cell, half = again[cell[rows]], second[rows]
    k = int(both.sum())
    if k == 0:
        empty = np.empty(0)
        return _Pairs(cell, half, rows, np.empty((0, 3)), np.empty((0, 3)), empty, empty)
    mean, scatter, n = _moments(xyz_m[rows], cell * 2 + half, 2 * k)
    mean, scatter, n = mean.reshape(k, 2, 3), scatter.reshape(k, 2, 3, 3), n.reshape(k, 2)
    values, axes = np.linalg.eigh(scatter.sum(axis=1))
    normal = axes[:, :, 0]
    thickness = np.sqrt(np.einsum("ki,khij,kj->kh", normal, scatter, normal) / n)
    apart = mean[:, 1] - mean[:, 0]
    along = np.einsum("ki,kij->kj", apart, axes)
    sd2 = values[:, 0] / np.maximum(n.sum(axis=1) - 4, 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = sd2 * (
            1.0 / n[:, 0] + 1.0 / n[:, 1] + along[:, 1] ** 2 / values[:, 1] + along[:, 2] ** 2 / values[:, 2]
        )
    spread = np.sqrt(values[:, 1] / n.sum(axis=1))
    good = (thickness < FLAT * noise_m).all(axis=1) & (spread > 0.15 * cell_m) & np.isfinite(variance)
    good &= np.abs(along[:, 1:]).max(axis=1) < 0.5 * cell_m
    keep = good[cell]
    again = np.cumsum(good) - 1
    return _Pairs(
        again[cell[keep]], half[keep], rows[keep], normal[good], mean[good].mean(axis=1), along[good, 0],
        np.sqrt(variance[good]),
    )  # fmt: skip


def _moments(xyz: FloatArray, group: IntArray, groups: int) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return mean (g, 3), scatter about it (g, 3, 3) and count of each group."""
    n = np.bincount(group, minlength=groups)
    safe = np.maximum(n, 1)[:, None]
    mean = np.column_stack([np.bincount(group, axis, groups) for axis in xyz.T]) / safe
    off = xyz - mean[group]
    scatter = np.empty((groups, 3, 3))
    for i in range(3):
        for j in range(i, 3):
            scatter[:, i, j] = scatter[:, j, i] = np.bincount(group, off[:, i] * off[:, j], groups)
    return mean, scatter, n


def _apart(pairs: _Pairs, sight: Sight, poses: PoseModel, settings: CheckSettings) -> Quantity:
    """Return the RMS distance of the two surfaces beyond what noise makes."""
    excess = pairs.difference_m**2 - pairs.sd_m**2
    value = math.sqrt(max(0.0, float(excess.mean())))
    chance = float(np.sqrt(np.mean((2.0 * pairs.difference_m**2 * pairs.sd_m**2) + pairs.sd_m**4) / len(excess)))
    u = chance / max(2.0 * value, math.sqrt(chance), 1e-9)
    far = float(np.median(sight.range_m()[pairs.rows]))
    pose = math.sqrt(2.0) * math.hypot(poses.position_sd_m, poses.attitude_sd_rad * far)
    stands = len(np.unique(sight.stand[pairs.rows]))
    budget = {"noise": u, "poses": pose / math.sqrt(max(1.0, stands / 2.0)) if stands > 1 else 0.0}
    return judged("surfaces apart (RMS)", "m", value, budget, settings.tolerance_m)


def _opposite_passes(sight: Sight, mount: Mount, poses: PoseModel, settings: CheckSettings) -> Alone:
    name = "passes in opposite directions"
    words = "One surface seen forth and back lies in two places, apart by twice what the mount makes of it."
    heading = np.arctan2(sight.turn[:, 1, 0], sight.turn[:, 0, 0])
    axis = 0.5 * math.atan2(float(np.sin(2.0 * heading).mean()), float(np.cos(2.0 * heading).mean()))
    off = np.cos(heading - axis)
    forth, back = off > math.cos(OPPOSITE_RAD), off < -math.cos(OPPOSITE_RAD)
    if min(forth.mean(), back.mean()) < LEAST_SHARE:
        return Alone(name, words, "no two passes in opposite directions: drive the site forth and back")
    rows = np.flatnonzero(forth | back)
    part = sight.taken(rows)
    pairs = compare(part.xyz_m, back[rows], float(np.median(part.sd_m)))
    if len(pairs.normal) < LEAST_CELLS:
        why = f"only {len(pairs.normal)} flat cells were seen both ways, {LEAST_CELLS} wanted: let the passes overlap"
        return Alone(name, words, why)
    found = (_apart(pairs, part, poses, settings), *_mount_from(pairs, part, mount, poses, settings))
    return Alone(name, words, "", found, pairs.difference_m, pairs.sd_m, pairs.centre_m)


def _mount_from(
    pairs: _Pairs, sight: Sight, mount: Mount, poses: PoseModel, settings: CheckSettings
) -> tuple[Quantity, ...]:
    """Return the mount corrections that bring the two halves together, those that are told."""
    own = sight.taken(pairs.rows)
    normals = pairs.normal[pairs.cell]
    in_body = np.einsum("nji,nj->ni", own.turn, normals)
    beam = own.beam(mount)
    along = np.einsum("ni,ni->n", normals, beam)
    arm = own.in_body(mount) - mount.translation_m
    swept = np.einsum("ni,ni->n", normals, own.swept(own.xyz_m))
    common = np.column_stack((np.cross(arm, in_body), in_body, -along, -along * own.range_m(), swept))
    shifts = np.column_stack((normals, np.cross(own.xyz_m - own.body_m, normals)))
    stands, stand = np.unique(own.stand, return_inverse=True)
    k, s = len(pairs.normal), len(stands)
    sign = np.where(pairs.second, 1.0, -1.0)
    count = np.bincount(pairs.cell * 2 + pairs.second, minlength=2 * k)
    share = sign / count[pairs.cell * 2 + pairs.second]
    rows = np.zeros((k, 9 + 6 * s))
    for c in range(9):
        rows[:, c] = np.bincount(pairs.cell, common[:, c] * share, k)
    for c in range(6):
        column = np.bincount(pairs.cell * s + stand, shifts[:, c] * share, k * s).reshape(k, s)
        rows[:, 9 + c :: 6] = column
    before = [0.5] * 3 + [3.0] * 3 + [settings.range_offset_sd_m, settings.range_scale_sd, settings.clock_sd_s]
    before += ([max(poses.position_sd_m, 1e-6)] * 3 + [max(poses.attitude_sd_rad, 1e-7)] * 3) * s
    # Cells are not exactly flat: a millimetre keeps the densest of them from ruling.
    weight = 1.0 / (pairs.sd_m**2 + 1e-6)
    solution = np.zeros(len(before))
    for _ in range(5):
        robust = weight / np.maximum(1.0, np.abs(pairs.difference_m + rows @ solution) * np.sqrt(weight) / 3.0)
        matrix = (rows * robust[:, None]).T @ rows + np.diag(1.0 / np.square(before))
        scale = 1.0 / np.sqrt(np.diag(matrix))
        inverse = np.linalg.inv(matrix * np.outer(scale, scale)) * np.outer(scale, scale)
        solution = -inverse @ (rows.T @ (robust * pairs.difference_m))
    left = (pairs.difference_m + rows @ solution) ** 2 * weight
    loose = max(1.0, math.sqrt(float(np.median(left)) / 0.455))
    found = []
    for c, name in enumerate(FREEDOMS):
        u = loose * math.sqrt(inverse[c, c])
        if 2.0 * u < (TOLD_RAD if c < 3 else TOLD_M):
            unit, tolerance = ("rad", settings.mount_tolerance_rad) if c < 3 else ("m", settings.mount_tolerance_m)
            budget, value = {"cells and poses": u}, float(solution[c])
            one = judged(f"mount {name}", unit, value, budget, tolerance)
            # What is known too badly to decide anything is told all the same, but not held against the sensor.
            found.append(one if one.decision != UNDECIDED else judged(f"mount {name}", unit, value, budget, None))
    return tuple(found)


def _spindle_halves(sight: Sight, poses: PoseModel, settings: CheckSettings) -> Alone:
    name = "halves of a spindle's turn"
    words = "A scanner on a spindle sees each surface twice a turn; where the halves differ, axis or beam is off."
    if settings.turn_s <= 0.0 or sight.time_s is None:
        return Alone(
            name, words, "check.turn_s is not stated: no scanner on a spindle, or its time of one turn is unknown"
        )
    phase = np.mod(sight.time_s - sight.time_s.min(), settings.turn_s) / settings.turn_s
    pairs = compare(sight.xyz_m, phase >= 0.5, float(np.median(sight.sd_m)))
    if len(pairs.normal) < LEAST_CELLS:
        why = (
            f"only {len(pairs.normal)} flat cells were seen by both halves, {LEAST_CELLS} wanted: each direction is "
            "seen once a turn, or check.turn_s is not the time of a turn"
        )
        return Alone(name, words, why)
    apart = _apart(pairs, sight, poses, settings)
    return Alone(name, words, "", (apart,), pairs.difference_m, pairs.sd_m, pairs.centre_m)


def _rings(sight: Sight, mount: Mount, settings: CheckSettings) -> Alone:
    name = "ring against ring"
    words = "Every beam of a multi-beam sensor has a range offset of its own; a flat surface shows them side by side."
    ring, count = rings_of(sight.raw_m)
    if count == 0:
        return Alone(name, words, "the beams do not lie on separate cones: no multi-beam sensor, or rings too close")
    found = ring_offsets(sight.xyz_m, sight.beam(mount), ring, count, float(np.median(sight.sd_m)), stand=sight.stand)
    if found is None:
        return Alone(name, words, "too few flat cells hold several rings")
    offset, u = found
    excess = float(np.nanmean(offset**2 - u**2))
    value = math.sqrt(max(0.0, excess))
    told = int(np.isfinite(offset).sum())
    spread = float(np.sqrt(np.nanmean(u**2)) / math.sqrt(2.0 * told))
    quantity = judged(f"offsets of {told} rings (RMS)", "m", value, {"noise": spread}, settings.tolerance_m)
    return Alone(name, words, "", (quantity,), offset, u, np.empty((0, 3)))
