"""How often a new pass is placed rightly, and how often another site is refused.

    python -m tests.bench.locate MAP [--seed 1] [--starts 50] [--others 10] [--span 0]

MAP is a map of the invented dock of that seed. New passes of the same dock, with another walk, other noise and a frame
of their own, are laid onto it from starts within 0.5 m and 10 degrees; then passes of docks of other seeds. `--span 1`
takes single scans of a second out of the middle of the passes instead of whole ones.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from clouds_demo.scene import build_scene
from clouds_demo.simulate import Lidar, draw_motion, record_poses, simulate
from terrain.data import Cloud, FloatArray, PoseModel, Scan, SensorModel, Trajectory
from terrain.fuse.motion import fuse
from terrain.locate.model import Model, model_of
from terrain.locate.place import Located, place

START_M, START_DEG = 0.5, 10.0


def new_pass(
    seed: int, number: int, *, points: int, turn: Rotation, shift: FloatArray, span_s: float = 0.0
) -> tuple[Cloud, FloatArray, float]:
    """Return another pass over the dock of a seed in a frame of its own, where it begins there, and its heading.

    turn, shift: take the dock's frame to that of the pass. span_s: only so much of the middle; 0 for all.
    """
    scene = build_scene(seed)
    motion = draw_motion(scene, np.random.default_rng([seed, 1000 + number]))
    parts = list(simulate(scene, motion, points=points, seed=1_000_000 + 1000 * seed + number))
    time_s, position, xyzw = record_poses(motion, np.random.default_rng([seed, 2000 + number]))
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
    poses = PoseModel(0.003, math.radians(0.05), 0.2, "none")
    cloud, _ = fuse([Scan("pass", xyz, scan_time)], trajectory=trajectory, sensor=sensor, poses=poses)
    first = int(np.searchsorted(time_s, scan_time[0]))
    heading = Rotation.from_quat(trajectory.rotation_xyzw[first]).as_euler("ZYX")[0]
    return cloud, trajectory.position_m[first], float(heading)


def placed_once(
    model: Model, seed: int, number: int, rng: np.random.Generator, *, points: int, span_s: float, starts: int
) -> list[tuple[Located, FloatArray, Rotation]]:
    """Lay one new pass onto a map from several starts; return each with its error in metres (3,) and as a turn."""
    turn = Rotation.from_euler("z", rng.uniform(-math.pi, math.pi))
    shift = rng.uniform([-20.0, -20.0, -2.0], [20.0, 20.0, 2.0])
    cloud, begin, heading = new_pass(seed, number, points=points, turn=turn, shift=shift, span_s=span_s)
    true_begin = turn.inv().apply(begin - shift)
    true_heading = heading - turn.as_euler("ZYX")[0]
    out = []
    for _ in range(starts):
        away, way = START_M * math.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * math.pi)
        near = (
            true_begin[0] + away * math.cos(way),
            true_begin[1] + away * math.sin(way),
            true_heading + math.radians(rng.uniform(-START_DEG, START_DEG)),
        )
        found = place(model, cloud, start_survey=(begin[0], begin[1], heading), near=near)
        rotation = Rotation.from_matrix(found.T_map_survey[:3, :3])
        # Where the pass truly lies, and where the answer puts the middle of its features.
        there = turn.apply(found.centre_map_m) + shift
        error = rotation.apply(there) + found.T_map_survey[:3, 3] - found.centre_map_m
        out.append((found, error, rotation * turn))
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
    parser.add_argument("--points", type=int, default=300_000)
    args = parser.parse_args(argv)
    model = model_of(terrain.open_map(args.map))
    rng = np.random.default_rng(12)
    right = inside = told = 0
    errors, shares = [], []
    began = time.perf_counter()
    each = 5 if args.starts >= 5 else args.starts
    for number in range(args.starts // each):
        rows = placed_once(model, args.seed, number, rng, points=args.points, span_s=args.span, starts=each)
        for found, error, turn in rows:
            angle = math.degrees(turn.magnitude())
            errors.append((float(np.linalg.norm(error)), angle))
            right += found.placed and errors[-1][0] <= 0.01 and angle <= 0.2
            parts = np.abs(np.concatenate([error, turn.as_rotvec()]))
            inside += int((parts <= 2.0 * np.sqrt(np.diag(found.covariance))).sum())
            told += 6
            shares.append(found.inliers)
            if not found.placed or errors[-1][0] > 0.01 or angle > 0.2:
                sys.stdout.write(f"  pass {number}: {errors[-1]} {found.inliers:.3f} {found.reasons}\n")
    took = (time.perf_counter() - began) / max(args.starts, 1)
    worst = np.max(errors, axis=0) if errors else np.zeros(2)
    sys.stdout.write(
        f"right {right} of {args.starts}; worst error {worst[0] * 1e3:.1f} mm, {worst[1]:.3f} degrees; inside 2 sd "
        f"{inside / max(told, 1):.1%}; inliers {min(shares, default=0):.3f} to {max(shares, default=0):.3f}; "
        f"{took:.1f} s a start, the simulation among it\n"
    )
    refused = 0
    shares = []
    for other in range(args.seed + 1, args.seed + 1 + args.others):
        rows = placed_once(model, other, 0, rng, points=args.points, span_s=args.span, starts=1)
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
