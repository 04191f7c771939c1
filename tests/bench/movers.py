"""How much of what moves is left out, and how much of what stands goes with it.

    python -m tests.bench.movers [--seeds 1 2 3] [--share 0.03] [--points 1650000]
    python -m tests.bench.movers --map MAP --truth TRUTH.json

The first draws docks with people and carts walking through the scan. What stands is told from what does not by the
facets of the truth: a return farther than 3.5 cm from all of them is a ghost (a mixed pixel). The second tells how much
of a map's ground lies more than 5 cm off every true surface under the sky or a deck.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from clouds_demo.scene import build_scene
from clouds_demo.simulate import Faults, Lidar, draw_motion, record_poses, simulate
from clouds_demo.truth import Truth
from terrain.data import Cloud, Label, PoseModel, Scan, SensorModel, Trajectory
from terrain.fuse.clean import REASONS, CleanSettings, clean, reasons_to_drop
from terrain.fuse.motion import fuse

GHOST_M, OFF_M = 0.035, 0.05


def crossed(seed: int, share: float, points: int) -> tuple[Cloud, Any, Truth]:
    """Return the fused cloud of a dock with movers, which returns are theirs, and the truth."""
    scene = build_scene(seed)
    faults = Faults(movers=share)
    motion = draw_motion(scene, np.random.default_rng([seed, 4]))
    parts = list(simulate(scene, motion, points=points, seed=seed, faults=faults))
    trajectory = Trajectory(*record_poses(motion, np.random.default_rng([seed, 5]), faults=faults))
    lidar = Lidar()
    sensor = SensorModel(
        np.array(lidar.mount_translation_m), np.array(lidar.mount_rotation_xyzw), lidar.range_sd_m, lidar.divergence_rad
    )
    scans = [Scan("pass", part.xyz_sensor_m, part.time_s) for part in parts]
    cloud, _ = fuse(
        scans, trajectory=trajectory, sensor=sensor, poses=PoseModel(0.003, math.radians(0.05), 0.2, "none")
    )
    return cloud, np.concatenate([part.mover for part in parts]), Truth(scene)


def told(seed: int, share: float, points: int) -> str:
    """Return a line about one dock."""
    cloud, mover, truth = crossed(seed, share, points)
    reason = reasons_to_drop(cloud, CleanSettings())
    began = time.process_time()
    clean(cloud)
    each_ns = (time.process_time() - began) / len(cloud) * 1e9
    facet = truth.classify(cloud.xyz_map_m, within_m=GHOST_M)
    apart, ghost, stands = mover & (facet < 0), ~mover & (facet < 0), ~mover & (facet >= 0)
    lost = np.flatnonzero(stands & (reason > 0))
    kinds = Counter(truth.facets[int(number)].kind for number in facet[lost]).most_common(4)
    counts = dict(zip(REASONS, np.bincount(reason, minlength=4)[1:].tolist(), strict=True))
    return (
        f"seed {seed}: {len(cloud)} returns, {mover.mean():.2%} of them movers'; dropped {counts}; "
        f"of the movers' {(reason[mover] > 0).mean():.1%}, away from surfaces {(reason[apart] > 0).mean():.1%}; "
        f"of the ghosts {(reason[ghost] > 0).mean():.1%}; of what stands {len(lost) / max(stands.sum(), 1):.3%} "
        f"{kinds}; {each_ns:.0f} ns of processor a return"
    )


def off_ground(map_folder: Path, truth: Truth) -> str:
    """Return how much of the ground of a map lies off every true surface, and how much of that is steppable."""
    import terrain

    opened = terrain.open_map(map_folder)
    total = off = steppable = 0.0
    for level in opened.levels:
        raster = opened.level(level)
        area = raster.cell_m**2
        for y in range(0, raster.label.shape[0], 25):
            for x in range(0, raster.label.shape[1], 25):
                height = raster.height_m[y : y + 25, x : x + 25]
                iy, ix = np.nonzero(np.isfinite(height))
                if len(iy) == 0:
                    continue
                tops = truth.columns(
                    raster.x0_m + (x + ix + 0.5) * raster.cell_m, raster.y0_m + (y + iy + 0.5) * raster.cell_m
                )
                gap = np.abs(tops.high - height[iy, ix]) if len(tops.high) else np.full((1, len(iy)), np.inf)
                wrong = ~(np.fmin.reduce(gap, axis=0) <= OFF_M)
                label = raster.label[y : y + 25, x : x + 25][iy, ix]
                total += area * len(iy)
                off += area * wrong.sum()
                steppable += area * (wrong & (label == Label.STEPPABLE)).sum()
    return (
        f"{map_folder}: ground {total:.2f} m2, off every true surface {off:.3f} m2, steppable there {steppable:.4f} m2"
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="*", default=[1, 2, 3])
    parser.add_argument("--share", type=float, default=0.03)
    parser.add_argument("--points", type=int, default=1_650_000)
    parser.add_argument("--map", type=Path, nargs="*", default=[])
    parser.add_argument("--truth", type=Path)
    args = parser.parse_args(argv)
    if args.map:
        truth = Truth.read(args.truth)
        for folder in args.map:
            sys.stdout.write(off_ground(folder, truth) + "\n")
        return 0
    for seed in args.seeds:
        sys.stdout.write(told(seed, args.share, args.points) + "\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
