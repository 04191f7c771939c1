"""Scans and poses into one cloud: every point at the pose of its own time."""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from terrain.data import BoolArray, ByteArray, Cloud, FloatArray, IntArray, PoseModel, Scan, SensorModel, Trajectory
from terrain.errors import DataError
from terrain.fuse.rows import Rows
from terrain.fuse.sieve import Sieve

log = logging.getLogger(__name__)

OUTSIDE_POSES = "outside poses"
REASONS = ("not finite", "too near", "too far", OUTSIDE_POSES, "pose gap")
"""Why points are dropped; the kernel's codes are these counted from 1."""

CLOCK_STEP_S = 1e-6
"""A gap may be this much wider than allowed: clocks of 1.7e9 s come in steps of 0.24 microseconds."""

PART = 65_536
"""Points that a thread places at a time."""

MAP_RANGE_SD_M = 0.01
"""Noise taken for fused points that come without a stated range noise."""


@dataclass(frozen=True, slots=True)
class FuseReport:
    """What became of the points.

    points_read and points_kept count points; dropped holds a count for each reason of `REASONS`, zeros among them;
    warnings are for the user, notes for the record.
    """

    points_read: int
    points_kept: int
    dropped: dict[str, int]
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Tally:
    """Counts by source, in the order the sources come; first and last time of the chunks that were dropped whole."""

    by_source: dict[str, IntArray] = field(default_factory=dict)
    first_s: float = math.inf
    last_s: float = -math.inf

    def add(self, scan: Scan, counts: IntArray, time_s: FloatArray | None) -> None:
        known = self.by_source.setdefault(scan.source, np.zeros(len(REASONS) + 1, dtype=np.int64))
        known += counts
        if time_s is not None and len(time_s) and counts[0] == 0:
            self.first_s = min(self.first_s, float(np.fmin.reduce(time_s)))
            self.last_s = max(self.last_s, float(np.fmax.reduce(time_s)))

    def total(self) -> IntArray:
        counts = np.zeros(len(REASONS) + 1, dtype=np.int64)
        for found in self.by_source.values():
            counts += found
        return counts

    def warnings(self) -> list[str]:
        found = []
        for source, counts in self.by_source.items():
            if counts.sum() == 0:
                found.append(f"{source}: the scan is empty")
            elif counts[0] == 0:
                found.append(f"{source}: all {counts.sum()} points were dropped ({_reasons_text(counts)})")
        return found

    def report(self, warnings: list[str], notes: list[str]) -> FuseReport:
        counts = self.total()
        dropped = {reason: int(counts[k]) for k, reason in enumerate(REASONS, start=1)}
        for warning in warnings:
            log.warning("%s", warning)
        return FuseReport(int(counts.sum()), int(counts[0]), dropped, tuple(warnings), tuple(notes))


def level_rotation(gravity: npt.ArrayLike) -> FloatArray:
    """Return the smallest rotation that takes -gravity to +z, (3, 3); the identity, exactly, for gravity along -z.

    Notes
    -----
    Rodrigues' formula for the rotation from one unit vector to another: R = I + V + V V / (1 + c), where V is the
    cross-product matrix of the axis and c the cosine of the angle. Gravity along +z turns about x.
    """
    up = -np.asarray(gravity, dtype=np.float64)
    up = up / np.linalg.norm(up)
    if np.hypot(up[0], up[1]) < 1e-12:
        return np.eye(3) if up[2] > 0.0 else np.diag([1.0, -1.0, -1.0])
    x, y, c = up[1], -up[0], up[2]
    v = np.array([[0.0, 0.0, y], [0.0, 0.0, -x], [-y, x, 0.0]])
    if c > -0.5:
        rotation: FloatArray = np.eye(3) + v + v @ v / (1.0 + c)
        return rotation
    s = math.hypot(x, y)
    k = v / s
    rotation = np.eye(3) + s * k + (1.0 - c) * (k @ k)
    return rotation


def fuse(
    scans: Iterable[Scan],
    *,
    trajectory: Trajectory,
    sensor: SensorModel,
    poses: PoseModel,
    gravity: npt.ArrayLike = (0.0, 0.0, -1.0),
    expected_points: int | None = None,
) -> tuple[Cloud, FuseReport]:
    """Return the points of all scans in the level map frame, each placed by the pose of its own time.

    Parameters
    ----------
    scans : iterable of Scan
        Points in the sensor frame with a time each; taken chunk by chunk.
    trajectory : Trajectory
        T_map_body; SLERP and a straight line lie between two poses, nothing beyond the first and the last.
    sensor, poses : SensorModel, PoseModel
        Mount, clock offset, range gates and noise; the widest gap between poses.
    gravity : (3,)
        In the frame of the trajectory; the map is turned by `level_rotation` so that z is up.
    expected_points : int, optional
        How many points will come; spares the memory of guessing.

    Returns
    -------
    Cloud
        sd_m = sqrt(range_sd^2 + (range_sd_per_m2 r^2)^2 + position_sd^2), along the beam. cross_sd_m =
        sqrt((attitude_sd r)^2 + (divergence r)^2 / 12 + position_sd^2), across it, for range r: a return may come
        from anywhere in the spot of width divergence * r. What the angle of incidence adds enters where the surface
        is known.
    FuseReport
        How many points were dropped and why.

    Raises
    ------
    DataError
        A scan has no times, there are no points at all, or none is left.

    Notes
    -----
    Width w of even chance: sd = w / sqrt(12) (JCGM 100:2008, 4.3.7).
    """
    return fuse_sensors(
        [(sensor, scans)], trajectory=trajectory, poses=poses, gravity=gravity, expected_points=expected_points
    )


def fuse_sensors(
    parts: Iterable[tuple[SensorModel, Iterable[Scan]]],
    *,
    trajectory: Trajectory,
    poses: PoseModel,
    gravity: npt.ArrayLike = (0.0, 0.0, -1.0),
    expected_points: int | None = None,
    may_be_empty: bool = False,
    sieve: Sieve | None = None,
) -> tuple[Cloud, FuseReport]:
    """Return the points of several sensors on one body as one cloud; see `fuse`.

    Parameters
    ----------
    parts : iterable of (SensorModel, iterable of Scan)
        Each sensor with its scans, taken one after the other; their points come in that order.
    may_be_empty : bool
        Whether no point at all, or none that is kept, is an answer and no error.
    sieve : Sieve, optional
        Of a survey denser than needed the cloud holds only what it lets pass; the report is on all points.
    """
    rows = Rows(expected_points, _COLUMNS, sieve)
    tally = _Tally()
    body = levelled(trajectory, gravity)
    mounted = [(sensor, _with_mount(body, sensor), scans) for sensor, scans in parts]
    stopped: list[str] = []
    for sensor, turned, scans in mounted:
        ticks: dict[str, bool] = {}
        moves = False
        for scan in scans:
            time_s = _times_of(scan)
            if len(time_s):
                ticks[scan.source] = ticks.get(scan.source, False) or bool(time_s.any())
                moves |= bool(time_s[0] != time_s[-1])
            _place(scan, time_s, body, turned, sensor, poses, rows, tally)
        still = _stopped_clocks([source for source, ticking in ticks.items() if not ticking], trajectory, sensor)
        stopped += still if moves or len(ticks) == len(still) else []
    if not may_be_empty:
        _check_any(tally, trajectory, mounted[0][0])
    filled = rows.finish(mounted[0][1].origin_m)
    cloud = Cloud(
        xyz_map_m=filled["xyz"],
        time_s=filled["time"],
        view_map_m=filled["view"],
        sd_m=filled["sd"],
        cross_sd_m=filled["cross"],
        origin_m=mounted[0][1].origin_m,
    )
    notes = _level_notes(level_rotation(gravity))
    return cloud, tally.report(tally.warnings() + stopped, notes)


def _place(
    scan: Scan, time_s: FloatArray, body: Trajectory, turned: _Turned, sensor: SensorModel, poses: PoseModel,
    rows: Rows, tally: _Tally,
) -> None:  # fmt: skip
    """Put the points of a scan that are kept behind the rows there are, and count the others."""
    from terrain.kernels import motion
    from terrain.kernels.threads import in_order, over_parts

    xyz_m = np.ascontiguousarray(scan.xyz_m)
    code = np.empty(len(xyz_m), dtype=np.uint8)
    over_parts(
        motion.classify, len(xyz_m), xyz_m, time_s, sensor.time_offset_s, body.time_s,
        sensor.min_range_m, sensor.max_range_m, poses.max_gap_s + CLOCK_STEP_S, code,
    )  # fmt: skip
    counts = _count_codes(code)
    tally.add(scan, counts, time_s)
    out = rows.room(int(counts[0]))
    spread = math.hypot(poses.attitude_sd_rad, sensor.beam_divergence_rad / math.sqrt(12.0))

    def place(begin: int) -> None:
        end = min(begin + PART, len(xyz_m))
        row = begin if counts[0] == len(code) else begin - int(np.count_nonzero(code[:begin]))
        motion.place(
            begin, end, row, xyz_m, time_s, sensor.time_offset_s, code, body.time_s,
            turned.position_m, turned.quaternion, turned.lever_m, turned.origin_m, spread, poses.position_sd_m,
            out["xyz"], out["time"], out["view"], out["cross"],
        )  # fmt: skip

    in_order(place, range(0, len(xyz_m), PART))
    out["sd"][:] = math.hypot(sensor.range_sd_m, poses.position_sd_m)
    if sensor.range_sd_per_m2 > 0.0:
        grown = sensor.range_sd_per_m2 * np.square(out["xyz"] - turned.origin_m - out["view"]).sum(axis=1)
        out["sd"][:] = np.hypot(out["sd"], grown)
    rows.take(int(counts[0]), turned.origin_m)


_COLUMNS: dict[str, tuple[tuple[int, ...], type]] = {
    "xyz": ((3,), np.float64),
    "time": ((), np.float64),
    "view": ((3,), np.float32),
    "cross": ((), np.float32),
    "sd": ((), np.float32),
}


@dataclass(frozen=True, slots=True, eq=False)
class _Turned:
    """The trajectory in the level map frame with the mount's rotation in it, as the kernel wants it."""

    position_m: FloatArray
    quaternion: FloatArray
    lever_m: FloatArray
    origin_m: FloatArray


def levelled(trajectory: Trajectory, gravity: npt.ArrayLike) -> Trajectory:
    """Return the trajectory in the level map frame, quaternions of norm 1."""
    level = level_rotation(gravity)
    body = trajectory.rotation_xyzw / np.linalg.norm(trajectory.rotation_xyzw, axis=1, keepdims=True)
    position = trajectory.position_m
    if not np.array_equal(level, np.eye(3)):
        body = _product(_quaternion(level)[np.newaxis], body)
        position = _turned_rows(position, level)
    return Trajectory(trajectory.time_s, position, body)


def _with_mount(trajectory: Trajectory, sensor: SensorModel) -> _Turned:
    mount = sensor.mount_rotation_xyzw / np.linalg.norm(sensor.mount_rotation_xyzw)
    body, position = trajectory.rotation_xyzw, trajectory.position_m
    middle = 0.5 * (position.min(axis=0) + position.max(axis=0))
    return _Turned(
        position_m=np.ascontiguousarray(position),
        quaternion=np.ascontiguousarray(_product(body, mount[np.newaxis])),
        lever_m=_matrix(mount).T @ sensor.mount_translation_m,
        origin_m=np.round(middle) + 0.0,
    )


def _turned_rows(xyz: FloatArray, matrix: FloatArray) -> FloatArray:
    from terrain.kernels import motion
    from terrain.kernels.threads import over_parts

    out = np.empty((len(xyz), 3))
    over_parts(motion.turn, len(xyz), np.ascontiguousarray(xyz), matrix, out)
    return out


def _product(p: FloatArray, q: FloatArray) -> FloatArray:
    """Return the Hamilton products p q of quaternions x, y, z, w, row by row."""
    px, py, pz, pw = p.T
    qx, qy, qz, qw = q.T
    return np.column_stack(
        (
            pw * qx + px * qw + py * qz - pz * qy,
            pw * qy - px * qz + py * qw + pz * qx,
            pw * qz + px * qy - py * qx + pz * qw,
            pw * qw - px * qx - py * qy - pz * qz,
        )
    )


def _matrix(q: FloatArray) -> FloatArray:
    x, y, z, w = q
    return np.array(
        [
            [1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - z * w), 2.0 * (x * z + y * w)],
            [2.0 * (x * y + z * w), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - x * w)],
            [2.0 * (x * z - y * w), 2.0 * (y * z + x * w), 1.0 - 2.0 * (x * x + y * y)],
        ]
    )


def _quaternion(level: FloatArray) -> FloatArray:
    """Return the quaternion of a smallest rotation onto z: its axis lies in the x-y plane."""
    x, y, c = level[2, 1], level[0, 2], level[2, 2]
    s = math.hypot(x, y)
    if s == 0.0:
        return np.array([0.0, 0.0, 0.0, 1.0] if c > 0.0 else [1.0, 0.0, 0.0, 0.0])
    half = math.atan2(s, c) / 2.0
    return np.array([math.sin(half) * x / s, math.sin(half) * y / s, 0.0, math.cos(half)])


def _count_codes(code: ByteArray) -> IntArray:
    counts = np.zeros(len(REASONS) + 1, dtype=np.int64)
    counts[0] = len(code) - np.count_nonzero(code)
    if counts[0] < len(code):
        counts[1:] = [np.count_nonzero(code == k) for k in range(1, len(REASONS) + 1)]
    return counts


def _times_of(scan: Scan) -> FloatArray:
    if scan.time_s is None:
        raise DataError(
            f"{scan.source}: got points without times, expected a time for every point (gps_time in LAS; time, "
            'timestamp or t elsewhere) or scans.stamps, because the survey\'s frame.points is "sensor"'
        )
    return np.ascontiguousarray(scan.time_s)


def _reasons_text(counts: IntArray) -> str:
    return ", ".join(f"{counts[k]} {reason}" for k, reason in enumerate(REASONS, start=1) if counts[k])


def _check_any(tally: _Tally, trajectory: Trajectory | None, sensor: SensorModel | None) -> None:
    counts = tally.total()
    names = list(tally.by_source)
    where = f"{names[0]}" + (f" and {len(names) - 1} more" if len(names) > 1 else "") if names else "no file"
    if counts.sum() == 0:
        raise DataError(f"scans: got no points at all ({where}), expected at least one")
    if counts[0] > 0:
        return
    times = ""
    if trajectory is not None and sensor is not None:
        first, last = float(trajectory.time_s[0]), float(trajectory.time_s[-1])
        offset = f" with time_offset_s {sensor.time_offset_s!r} added" if sensor.time_offset_s else ""
        shift = sensor.time_offset_s
        times = (
            f"; scan times run from {tally.first_s + shift:.3f} to {tally.last_s + shift:.3f} s{offset}, "
            f"poses from {first:.3f} to {last:.3f} s"
        )
    raise DataError(f"scans: all {counts.sum()} points were dropped: {_reasons_text(counts)} ({where}){times}")


def _stopped_clocks(stopped: list[str], trajectory: Trajectory, sensor: SensorModel) -> list[str]:
    """Warn of files whose times are all 0; without a pose at that time they have none."""
    first, last = float(trajectory.time_s[0]), float(trajectory.time_s[-1])
    if stopped and not first <= sensor.time_offset_s <= last:
        raise DataError(
            f"{stopped[0]}: got points without times (all are 0), expected times of the poses, {first!r} to {last!r}"
        )
    return [f"{source}: every point has the time 0, as if the scan took no time" for source in stopped]


def _level_notes(level: FloatArray) -> list[str]:
    if np.array_equal(level, np.eye(3)):
        return []
    tilt = math.degrees(math.atan2(math.hypot(level[0, 2], level[1, 2]), level[2, 2]))
    return [f"gravity is not along -z: the map was turned by {tilt:.4f} degrees so that z is up"]


def gather(
    scans: Iterable[Scan],
    *,
    gravity: npt.ArrayLike = (0.0, 0.0, -1.0),
    sensor: SensorModel | None = None,
    expected_points: int | None = None,
    sieve: Sieve | None = None,
) -> tuple[Cloud, FuseReport]:
    """Return the points of scans that are in the map frame already, as one cloud.

    Parameters
    ----------
    scans : iterable of Scan
        Points in the map frame, with or without times; taken chunk by chunk.
    gravity : (3,)
        In the frame of the points; the map is turned by `level_rotation` so that z is up.
    sensor : SensorModel, optional
        Only its range noise is used; 0.01 m where it is left out, and a note says so.
    expected_points : int, optional
        How many points will come; spares the memory of guessing.
    sieve : Sieve, optional
        Of a survey denser than needed the cloud holds only what it lets pass; the report is on all points.

    Returns
    -------
    Cloud
        Without viewpoints; without times where a file has none or all are 0. Which way the beams ran is unknown,
        so sd_m and cross_sd_m are both the range noise.
    FuseReport
        How many points were dropped and why.

    Raises
    ------
    DataError
        There are no points at all, or none is left.
    """
    level = level_rotation(gravity)
    sd_m = MAP_RANGE_SD_M if sensor is None else sensor.range_sd_m
    rows = Rows(expected_points, {name: _COLUMNS[name] for name in ("xyz", "time", "sd", "cross")}, sieve)
    tally = _Tally()
    untimed = False
    origin_m: FloatArray | None = None
    for scan in scans:
        good = _finite_rows(scan)
        kept = int(np.count_nonzero(good))
        tally.add(scan, np.array([kept, len(good) - kept, 0, 0, 0, 0]), None)
        untimed |= scan.time_s is None and len(scan.xyz_m) > 0
        out = rows.room(kept)
        xyz_m = scan.xyz_m if kept == len(good) else scan.xyz_m[good]
        out["xyz"][:] = xyz_m if np.array_equal(level, np.eye(3)) else _turned_rows(xyz_m, level)
        out["sd"][:] = out["cross"][:] = sd_m
        if scan.time_s is not None:
            out["time"][:] = scan.time_s if kept == len(good) else scan.time_s[good]
        if origin_m is None and kept:
            origin_m = np.round(out["xyz"][0])
        rows.take(kept, np.zeros(3) if origin_m is None else origin_m)
    _check_any(tally, None, None)
    filled = rows.finish(np.zeros(3) if origin_m is None else origin_m)
    xyz_map_m = filled["xyz"]
    has_time = not untimed and bool(filled["time"].any())
    notes = [] if sensor is not None else [f"no sensor.range_sd_m is stated: {MAP_RANGE_SD_M} m was taken"]
    cloud = Cloud(
        xyz_map_m=xyz_map_m,
        time_s=filled["time"] if has_time else None,
        view_map_m=None,
        sd_m=filled["sd"],
        cross_sd_m=filled["cross"],
        origin_m=np.round(0.5 * (xyz_map_m.min(axis=0) + xyz_map_m.max(axis=0))) + 0.0,
    )
    return cloud, tally.report(tally.warnings(), notes + _level_notes(level))


def _finite_rows(scan: Scan) -> BoolArray:
    good: BoolArray = np.logical_and.reduce(np.isfinite(scan.xyz_m), axis=1)
    if scan.time_s is not None:
        good[~np.isfinite(scan.time_s)] = False
    return good
