"""How honest the stated uncertainties of the drift correction are, and how much it gains, over many seeds.

Run `python -m tests.bench.drift --seeds 50`, and with `--scene yard`: drift and a clock offset, other seeds each, in
one process.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from terrain.data import FloatArray
from terrain.fuse.drift import Correction, correct_drift
from tests.support.rooms import Pass, Walk, Wrong, room, survey_pass, yard


def rms_after_rigid_fit(path_m: FloatArray, true_m: FloatArray) -> float:
    """Return the RMS distance of two paths (n, 3) after the best rigid motion."""
    p, q = path_m - path_m.mean(axis=0), true_m - true_m.mean(axis=0)
    turn, _ = Rotation.align_vectors(q, p)
    return float(np.sqrt(((turn.apply(p) - q) ** 2).sum(axis=1).mean()))


def end_error(found: Correction, made: Pass) -> tuple[FloatArray, float]:
    """Return how far the corrected poses are off at the end against the start: metres (3,), and heading in radians.

    Both ends are the mean over the time between two knots; what an error of the heading at the start does to the end is
    taken out.
    """
    assert found.knot_s is not None and found.poses is not None
    got, true = found.poses, made.true
    off = got.position_m - np.column_stack([np.interp(got.time_s, true.time_s, axis) for axis in true.position_m.T])
    turn = (Rotation.from_quat(got.rotation_xyzw) * Rotation.from_quat(true.rotation_xyzw).inv()).as_rotvec()[:, 2]
    first, last = got.time_s <= found.knot_s[1], got.time_s >= found.knot_s[-2]
    step = true.position_m[last].mean(axis=0) - true.position_m[first].mean(axis=0)
    gained = off[last].mean(axis=0) - off[first].mean(axis=0)
    start = float(turn[first].mean())
    return gained - start * np.array([-step[1], step[0], 0.0]), float(turn[last].mean()) - start


def one(seed: int, points: int, scene: str) -> tuple[Pass, Correction, float]:
    """Correct one walk: in the hall half a minute round, in the yard 20 s straight on, among other boxes each time.

    The hall's poses drift by some 5 cm and 1 degree, the yard's by 3 cm and half a degree; 20 ms of clock offset.
    """
    rng = np.random.default_rng([seed, 5])
    phase, sway = float(rng.uniform(0.0, 6.0)), float(rng.uniform(0.6, 1.4))
    if scene == "hall":
        place, walk = room(), Walk(seconds=30.0, phase=phase, sway=sway)
        wrong = Wrong(drift_m=0.009, drift_rad=0.0032, noise_m=0.002, noise_rad=math.radians(0.04), clock_s=0.02)
    else:
        place, walk = yard(seed), Walk("straight", seconds=20.0, phase=phase, sway=sway)
        wrong = Wrong(drift_m=0.006, drift_rad=0.002, noise_m=0.002, noise_rad=math.radians(0.04), clock_s=0.02)
    made = survey_pass(place, seed=seed, walk=walk, wrong=wrong, points=points)
    start = time.process_time()
    _, found = correct_drift(made.fused(), trajectory=made.trajectory, poses=made.poses)
    return made, found, time.process_time() - start


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--scene", choices=("hall", "yard"), default="hall")
    parser.add_argument("--points", type=int, default=300_000)
    args = parser.parse_args(argv)
    rows = []
    for seed in range(args.first, args.first + args.seeds):
        made, found, cpu_s = one(seed, args.points, args.scene)
        if found.poses is None:
            print(f"{seed}: not applied, {found.why}")  # noqa: T201
            continue
        gained, turned = end_error(found, made)
        before = rms_after_rigid_fit(made.trajectory.position_m, made.true.position_m)
        after = rms_after_rigid_fit(found.poses.position_m, made.true.position_m)
        clock = (found.clock.offset_s - 0.02) / found.clock.sd_s
        rows.append(
            [clock, *(gained / found.sd_m), turned / found.sd_rad, before, after, found.clock.offset_s - 0.02, cpu_s]
        )
    table = np.array(rows)
    for name, z in zip(("clock", "x", "y", "z", "heading"), table[:, :5].T, strict=True):
        print(f"{name:8} inside 2 sd {np.mean(np.abs(z) < 2.0):.0%}, RMS of error over sd {np.sqrt((z**2).mean()):.2f}")  # noqa: T201
    print(f"trajectory error before {table[:, 5].mean() * 1e3:.1f} mm, after {table[:, 6].mean() * 1e3:.2f} mm, "  # noqa: T201
          f"least gain {(table[:, 5] / table[:, 6]).min():.1f} times")  # fmt: skip
    print(f"clock off by {np.abs(table[:, 7]).max() * 1e3:.2f} ms at most, CPU {np.median(table[:, 8]):.2f} s a walk")  # noqa: T201
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
