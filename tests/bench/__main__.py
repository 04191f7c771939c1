"""Time the main job beside general tools on the same invented points: `python -m tests.bench --sizes 1 --runs 5`.

The input is the demo's dock, drawn anew at each size (millions of returns). Every run times every job in turn, each in
a process of its own, so that what else the machine does falls on all alike; the table has medians. Compiled kernels
are cached by one run of `assess` before the first that counts; `--cold` times that run with an empty cache as well.

What stands beside what (the ratio is ours over theirs; below 1 we are faster). None of them does what the stage does:

- read: reading, placing and thinning points, beside decoding coordinates and time only, and beside copying the LAZ;
- segment: all planar patches with noise, outlines and joints, beside Open3D taking out the 20 largest planes by RANSAC,
  beside its normals and planar patches (boxes, no masks), and beside scikit-learn fitting one single plane;
- score: labels of 16 directions in every cell, beside gdaldem's slope of the same raster, 3 x 3 cells each;
- all: the whole job, beside copying the LAZ.

The peers read their input before the clock starts (Open3D, scikit-learn) or are file to file (LAZ copy, gdaldem).
Peak memory is that of the whole process. A peer that is not installed is left out and said so.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from tests.bench.jobs import JOBS

BESIDE = {
    "read": ("decode", "copy_laz"),
    "segment": ("repeated_ransac", "planar_patches", "one_plane"),
    "score": ("raster_slope",),
    "all": ("copy_laz",),
}
ROOT = Path(__file__).resolve().parents[2]


def run_job(name: str, folder: Path, cache: Path | None = None) -> dict[str, Any] | str:
    """Run a job in a process of its own; return what it took, or the last line of its error."""
    env = {**os.environ, **({"NUMBA_CACHE_DIR": str(cache)} if cache else {})}
    command = [sys.executable, "-m", "tests.bench.jobs", name, str(folder)]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False)
    if done.returncode:
        return (done.stderr.strip().splitlines() or [f"exit {done.returncode}"])[-1]
    taken: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return taken


def prepare(folder: Path, millions: float) -> dict[str, Any]:
    """Draw the survey, make its map once, and lay the placed points out for the peers; return what `assess` took."""
    import laspy

    from clouds_demo.generate import generate

    generate(folder, points=round(millions * 1e6))
    taken = run_job("assess", folder)
    if isinstance(taken, str):
        raise SystemExit(f"terrain assess failed: {taken}")
    cloud = laspy.read(folder / "map" / "cloud.laz")
    np.save(folder / "cloud.npy", np.column_stack([cloud.x, cloud.y, cloud.z]))
    return taken


def measure(folder: Path, runs: int) -> dict[str, list[dict[str, Any]] | str]:
    """Return what each job took in each run, or why it could not run."""
    found: dict[str, list[dict[str, Any]] | str] = {name: [] for name in JOBS}
    for run in range(runs):
        for name in JOBS:
            rows = found[name]
            if isinstance(rows, str):
                continue
            sys.stderr.write(f"run {run + 1} of {runs}: {name}\n")
            taken = run_job(name, folder)
            if isinstance(taken, str):
                found[name] = taken
            else:
                rows.append(taken)
    return found


def report(found: dict[str, list[dict[str, Any]] | str]) -> str:
    """Return the table of medians and ratios."""
    ours, lines = found["assess"], []
    if isinstance(ours, str):
        return f"terrain assess failed: {ours}"
    points = ours[0]["items"]
    seconds = {name: median(row["stages"][name] for row in ours) for name in ours[0]["stages"]}
    seconds["all"] = median(row["seconds"] for row in ours)
    lines.append(f"{points:,} points; peak memory of terrain {median(row['peak_mb'] for row in ours):,.0f} MB")
    lines.append(f"{'stage':<10}{'s':>8}{'points/s':>12}")
    lines += [f"{name:<10}{value:8.2f}{points / value:12,.0f}" for name, value in seconds.items()]
    lines.append(f"{'peer':<18}{'s':>8}{'items/s':>14}{'peak MB':>9}  what")
    for name, rows in found.items():
        if isinstance(rows, str):
            lines.append(f"{name:<18} left out: {rows}")
        elif name != "assess":
            value = median(row["seconds"] for row in rows)
            peak = median(row["peak_mb"] for row in rows)
            lines.append(f"{name:<18}{value:8.2f}{rows[0]['items'] / value:14,.0f}{peak:9,.0f}  {rows[0]['what']}")
    lines.append("ratio of seconds, ours over theirs (median, then least and largest over the runs)")
    for stage, peers in BESIDE.items():
        for peer in peers:
            rows = found[peer]
            if isinstance(rows, str):
                continue
            each = [
                (own["seconds"] if stage == "all" else own["stages"][stage]) / other["seconds"]
                for own, other in zip(ours, rows, strict=True)
            ]
            lines.append(f"{stage + ' / ' + peer:<28}{median(each):9.2f}{min(each):9.2f}{max(each):9.2f}")
    return "\n".join(lines)


def main() -> None:
    """Parse, prepare, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sizes", default="1,5,20", help="millions of returns, with commas")
    parser.add_argument("--runs", type=int, default=5, help="runs whose median counts")
    parser.add_argument("--cold", action="store_true", help="also time one run that must compile everything")
    asked = parser.parse_args()
    for size in asked.sizes.split(","):
        folder = Path(tempfile.mkdtemp(prefix="terrain-bench-"))
        try:
            prepare(folder, float(size))
            if asked.cold:
                cold = run_job("assess", folder, cache=folder / "kernels")
                sys.stdout.write(
                    f"cold: {cold if isinstance(cold, str) else {'all': cold['seconds'], **cold['stages']}}\n"
                )
            sys.stdout.write(f"\n{size} million returns asked for, {asked.runs} runs, {os.cpu_count()} cores\n")
            sys.stdout.write(report(measure(folder, asked.runs)) + "\n")
            sys.stdout.flush()
        finally:
            shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
