"""How often a new pass is placed rightly, and how often another site is refused.

    python -m tests.bench.locate MAP [--seed 1] [--starts 50] [--others 10] [--span 0] [--drift-m 0]

MAP is a map of the invented dock of that seed. New passes of the same dock, with another walk, other noise and a frame
of their own, are laid onto it from starts within 0.5 m and 10 degrees; then passes of docks of other seeds. `--span 1`
takes single scans of a second out of the middle of the passes instead of whole ones. `--drift-m 0.0042` lets their
poses drift by so much in a second's root (and 0.3 rad a metre of it in heading) with a clock 20 ms off; they are
corrected first, as `terrain locate` does. What an answer is compared with is the rigid motion that best lays the
returns of the pass onto where the beams truly met the dock, seen from the map's own frame: a map lies as its first
second of poses has it, millimetres off the dock as a whole, and what is asked is where the pass lies in the map.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from clouds_demo.scene import build_scene
from clouds_demo.simulate import Faults, Lidar, Motion, cast, draw_motion, record_poses, simulate
from terrain.data import Cloud, FloatArray, PoseModel, Scan, SensorModel, Trajectory
from terrain.fuse.drift import correct_drift
from terrain.fuse.motion import fuse
from terrain.locate.model import Model, model_of
from terrain.locate.place import Located, place

START_M, START_DEG = 0.5, 10.0
CLOCK_S = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class NewPass:
    """Another pass over a dock in a frame of its own.

    cloud; begin_m, heading_rad: where it begins there; true_begin_m, true_heading_rad: and in the dock's frame;
    T_dock_pass: the rotation (3, 3) and shift (3,) that best lay it onto the dock.
    """

    cloud: Cloud
    begin_m: FloatArray
    heading_rad: float
    true_begin_m: FloatArray
    true_heading_rad: float
    T_dock_pass: tuple[FloatArray, FloatArray]


def new_pass(
    seed: int, number: int, *, points: int, turn: Rotation, shift: FloatArray, span_s: float = 0.0, drift_m: float = 0.0
) -> NewPass:
    """Return another pass over the dock of a seed.

    turn, shift: take the dock's frame to that of the pass. span_s: only so much of the middle; 0 for all. drift_m: of
    the poses, in a second's root.
    """
    scene = build_scene(seed)
    motion = draw_motion(scene, np.random.default_rng([seed, 1000 + number]))
    faults = Faults(drift_m=drift_m, drift_rad=0.3 * drift_m, clock_offset_s=CLOCK_S if drift_m > 0.0 else 0.0)
    parts = list(simulate(scene, motion, points=points, seed=1_000_000 + 1000 * seed + number, faults=faults))
    time_s, position, xyzw = record_poses(motion, np.random.default_rng([seed, 2000 + number]), faults=faults)
    trajectory = Trajectory(time_s, turn.apply(position) + shift, (turn * Rotation.from_quat(xyzw)).as_quat())
    scan_time = np.concatenate([part.time_s for part in parts])
    xyz = np.concatenate([part.xyz_sensor_m for part in parts])
    if span_s > 0.0:
        middle = np.random.default_rng([seed, 3000 + number]).uniform(scan_time[0] + 5.0, scan_time[-1] - 5.0)
        chosen = (scan_time >= middle) & (scan_time < middle + span_s)
        scan_time, xyz = scan_time[chosen], xyz[chosen]
    lidar = Lidar()
    sensor = SensorModel(
        np.array(lidar.mount_translation_m), np.array(lidar.mount_rotation_xyzw), lidar.range_sd_m, lidar.divergence_rad
    )
    poses = PoseModel(0.003, math.radians(0.05), 0.2, "auto" if drift_m > 0.0 else "none")
    inside = (scan_time >= time_s[0]) & (scan_time <= time_s[-1])
    scan_time, xyz = scan_time[inside], xyz[inside]
    cloud, _ = fuse([Scan("pass", xyz, scan_time)], trajectory=trajectory, sensor=sensor, poses=poses)
    if drift_m > 0.0:
        cloud, found = correct_drift(cloud, trajectory=trajectory, poses=poses)
        inside = np.abs(scan_time + found.clock_s - 0.5 * (time_s[0] + time_s[-1])) <= 0.5 * (time_s[-1] - time_s[0])
        scan_time, xyz = scan_time[inside], xyz[inside]
    first = int(np.searchsorted(time_s, scan_time[0]))
    heading = Rotation.from_quat(trajectory.rotation_xyzw[first]).as_euler("ZYX")[0]
    true_place, true_turn = motion.at(time_s[first : first + 1])
    return NewPass(
        cloud,
        trajectory.position_m[first],
        float(heading),
        true_place[0],
        float(true_turn.as_euler("ZYX")[0, 0]),
        _best_motion(cloud, xyz, scan_time, motion, lidar, faults),
    )


def _best_motion(
    cloud: Cloud, xyz: FloatArray, scan_time: FloatArray, motion: Motion, lidar: Lidar, faults: Faults
) -> tuple[FloatArray, FloatArray]:
    """Return the rigid motion that best takes the returns of a pass to where true poses and clock put them."""
    place, rotation = motion.at(scan_time - faults.clock_offset_s)
    mounted = Rotation.from_quat(lidar.mount_rotation_xyzw).apply(xyz) + np.array(lidar.mount_translation_m)
    true = rotation.apply(mounted) + place
    middle, true_middle = cloud.xyz_map_m.mean(axis=0), true.mean(axis=0)
    step = max(1, len(true) // 50_000)
    turn, _ = Rotation.align_vectors((true - true_middle)[::step], (cloud.xyz_map_m - middle)[::step])
    return turn.as_matrix(), true_middle - turn.apply(middle)


def frame_of(model: Model, seed: int) -> tuple[Rotation, FloatArray]:
    """Return rotation and shift that take the true dock of a seed into the frame of its map: samples onto surfaces."""
    import open3d as o3d

    caster, _ = cast(build_scene(seed))
    turn, shift = Rotation.identity(), np.zeros(3)
    xyz, normal = model.xyz_m[model.patch >= 0], model.normal[model.patch >= 0]
    for width in (0.05, 0.03, 0.02, 0.01, 0.01, 0.01):
        # The map's samples as they lie in the dock's frame, and the true surface nearest to each.
        at = turn.inv().apply(xyz + model.origin_m - shift)
        facing = turn.inv().apply(normal)
        found = caster.compute_closest_points(o3d.core.Tensor(at.astype(np.float32)))
        off = np.einsum("ij,ij->i", facing, at - found["points"].numpy())
        true = found["primitive_normals"].numpy().astype(np.float64)
        weight = (np.abs(np.einsum("ij,ij->i", facing, true)) > 0.98) / (1.0 + (off / width) ** 2) ** 2
        middle = at.mean(axis=0)
        lever = np.column_stack([facing, np.cross(at - middle, facing)])
        step = np.linalg.solve((lever * weight[:, None]).T @ lever, (lever * weight[:, None]).T @ off)
        spin = Rotation.from_rotvec(step[3:])
        # true + step = at: dock to map is the step and then what was known.
        shift = turn.apply(middle - spin.apply(middle) + step[:3]) + shift
        turn = turn * spin
    return turn, shift


def placed_once(
    model: Model, seed: int, number: int, rng: np.random.Generator, *, points: int, span_s: float, starts: int,
    drift_m: float, frame: tuple[Rotation, FloatArray],
) -> list[tuple[Located, FloatArray, Rotation]]:  # fmt: skip
    """Lay one new pass onto a map from several starts; return each with its error in metres (3,) and as a turn."""
    turn = Rotation.from_euler("z", rng.uniform(-math.pi, math.pi))
    shift = rng.uniform([-20.0, -20.0, -2.0], [20.0, 20.0, 2.0])
    made = new_pass(seed, number, points=points, turn=turn, shift=shift, span_s=span_s, drift_m=drift_m)
    best = frame[0] * Rotation.from_matrix(made.T_dock_pass[0])
    best_shift = frame[0].apply(made.T_dock_pass[1]) + frame[1]
    out = []
    for _ in range(starts):
        away, way = START_M * math.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * math.pi)
        near = (
            made.true_begin_m[0] + away * math.cos(way),
            made.true_begin_m[1] + away * math.sin(way),
            made.true_heading_rad + math.radians(rng.uniform(-START_DEG, START_DEG)),
        )
        found = place(model, made.cloud, start_survey=(*made.begin_m[:2], made.heading_rad), near=near)
        rotation = Rotation.from_matrix(found.T_map_survey[:3, :3])
        # Where the pass truly lies, and where the answer puts the middle of its features.
        there = best.inv().apply(found.centre_map_m - best_shift)
        error = rotation.apply(there) + found.T_map_survey[:3, 3] - found.centre_map_m
        out.append((found, error, rotation * best.inv()))
    return out


def main(argv: Sequence[str] | None = None) -> int:
    """Print the figures."""
    import terrain

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("map", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--starts", type=int, default=50)
    parser.add_argument("--others", type=int, default=10)
    parser.add_argument("--span", type=float, default=0.0)
    parser.add_argument("--drift-m", type=float, default=0.0)
    parser.add_argument("--each", type=int, default=5, help="starts a pass")
    parser.add_argument("--points", type=int, default=300_000)
    args = parser.parse_args(argv)
    model = model_of(terrain.open_map(args.map))
    frame = frame_of(model, args.seed)
    away = np.round(frame[0].apply(model.origin_m) + frame[1] - model.origin_m, 4)
    turned = math.degrees(frame[0].magnitude())
    sys.stdout.write(f"the map lies {away} m off the dock, turned by {turned:.3f} degrees\n")
    rng = np.random.default_rng(12)
    right = 0
    errors, shares, ratios = [], [], []
    began = time.perf_counter()
    each = min(args.each, args.starts)
    for number in range(args.starts // each):
        rows = placed_once(
            model,
            args.seed,
            number,
            rng,
            points=args.points,
            span_s=args.span,
            starts=each,
            drift_m=args.drift_m,
            frame=frame,
        )
        for found, error, turn in rows:
            angle = math.degrees(turn.magnitude())
            errors.append((float(np.linalg.norm(error)), angle))
            right += found.placed and errors[-1][0] <= 0.01 and angle <= 0.2
            ratios.append(np.concatenate([error, turn.as_rotvec()]) / np.sqrt(np.diag(found.covariance)))
            shares.append(found.inliers)
            if not found.placed or errors[-1][0] > 0.01 or angle > 0.2:
                sys.stdout.write(f"  pass {number}: {errors[-1]} {found.inliers:.3f} {found.reasons}\n")
    took = (time.perf_counter() - began) / max(args.starts, 1)
    worst = np.max(errors, axis=0) if errors else np.zeros(2)
    table = np.array(ratios).reshape(-1, 6)
    sys.stdout.write(
        f"right {right} of {args.starts}; worst error {worst[0] * 1e3:.1f} mm, {worst[1]:.3f} degrees; inside 2 sd "
        f"{(np.abs(table) <= 2.0).mean():.1%}; inliers {min(shares, default=0):.3f} to {max(shares, default=0):.3f}; "
        f"{took:.1f} s a start, the simulation among it\n"
    )
    for name, z in zip(("x", "y", "z", "roll", "pitch", "yaw"), table.T, strict=True):
        rms = math.sqrt(float((z**2).mean())) if len(z) else math.nan
        sys.stdout.write(f"  {name:5} inside 2 sd {(np.abs(z) <= 2.0).mean():.0%}, RMS of error over sd {rms:.2f}\n")
    refused = 0
    shares = []
    for other in range(args.seed + 1, args.seed + 1 + args.others):
        rows = placed_once(
            model, other, 0, rng, points=args.points, span_s=args.span, starts=1, drift_m=args.drift_m, frame=frame
        )
        found = rows[0][0]
        refused += not found.placed
        shares.append(found.inliers)
        if found.placed:
            sys.stdout.write(f"  seed {other}: placed with {found.inliers:.3f}\n")
    sys.stdout.write(
        f"refused {refused} of {args.others}; inliers {min(shares, default=0):.3f} to {max(shares, default=0):.3f}\n"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
