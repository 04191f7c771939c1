"""Time the main job beside general tools on the same invented points: `python -m tests.bench --sizes 1 --runs 5`.

The input is the demo's dock, drawn anew at each size (millions of returns), or surveys that are there (`--survey DIR`),
in the order of the scans and with the returns of all scans in an order of chance. Every run times every job in turn,
each in a process of its own, so that what else the machine does falls on all alike; the table has medians. Compiled
kernels are cached by a run on a small dock before the first that counts; `--cold` times a run with an empty cache too.

What stands beside what (the ratio is ours over theirs; below 1 we are faster). None of them does what the stage does:

- read: reading, placing and thinning points, beside decoding coordinates and time only, and beside copying the LAZ;
- segment: all planar patches with noise, outlines and joints, beside Open3D taking out the 30 largest planes by RANSAC,
  beside its normals and planar patches (boxes, no masks), and beside scikit-learn fitting one single plane. Where the
  truth is known the table says how many true facets each finds at 80 % overlap, one by one, and in brackets with facets
  credited that only a joint separates (`facets.py` says how a peer's planes become members of facets);
- score: labels of 16 directions in every cell, beside gdaldem's slope of the same raster, 3 x 3 cells each;
- all: the whole job, beside copying the LAZ; no_cloud: without its labelled points, beside decoding.

`second_foot` assesses again with another limit, `other_joint` with a foot that bridges other joints: the one takes over
all that the first run kept, the other all but the ground. `--grow 1,2,4` assesses so many docks in a row, and as many
returns on one dock.

The peers read their input before the clock starts (Open3D, scikit-learn) or are file to file (LAZ copy, gdaldem).
Peak memory is that of the whole process. A peer that is not installed is left out and said so. One that yields planes
is tried on a twentieth of the points first: if all runs would take longer than `--limit-s` it gets fewer, and if one
would, a sample drawn by chance; the table says so. Shuffled returns get a third of the limit, and no second foot.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench import tables
from tests.bench.cases import Case, drawn_case, lay_out_points, ready_case, shuffled_case
from tests.bench.jobs import FILES, OURS, PLANES

ROOT = Path(__file__).resolve().parents[2]
TRIED, LEAST_TRIED = 20, 50_000
"""A peer is tried on one point in so many, and on so many at least."""


def run_job(name: str, folder: Path, *, sample: int | None = None, cache: Path | None = None) -> dict[str, Any] | str:
    """Run a job in a process of its own; return what it took, or the last line of its error."""
    env = {**os.environ, **({"NUMBA_CACHE_DIR": str(cache)} if cache else {})}
    command = [sys.executable, "-m", "tests.bench.jobs", name, str(folder)]
    command += ["--sample", str(sample)] if sample else []
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False)
    if done.returncode:
        return (done.stderr.strip().splitlines() or [f"exit {done.returncode}"])[-1]
    taken: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return taken


def plan_of(name: str, folder: Path, points: int, *, runs: int, limit_s: float) -> tuple[int, int | None] | str:
    """Return how often a peer runs, and on a sample of how many points (None: on all), so that it keeps the limit."""
    few = min(points, max(points // TRIED, LEAST_TRIED))
    tried = run_job(name, folder, sample=few)
    if isinstance(tried, str):
        return tried
    expected_s = 1.3 * tried["seconds"] * points / few
    if expected_s <= limit_s:
        return max(1, min(runs, int(limit_s / expected_s))), None
    return 1, int(points * limit_s / expected_s)


def measure(folder: Path, jobs: Iterable[str], *, runs: int, limit_s: float) -> tables.Taken:
    """Return what each job took in each run, or why it could not run; `assess` is the first and makes what others need.

    A peer that yields planes is tried before its first run.
    """
    found: tables.Taken = {name: [] for name in ("assess", *jobs)}
    plans: dict[str, tuple[int, int | None]] = {}
    points = 0
    for run in range(runs):
        for name, rows in found.items():
            if run == 0 and name in PLANES:
                plan = plan_of(name, folder, points, runs=runs, limit_s=limit_s)
                if isinstance(plan, str):
                    found[name] = plan
                    continue
                plans[name] = plan
            times, sample = plans.get(name, (runs, None))
            if isinstance(rows, str) or run >= times:
                continue
            load = os.getloadavg()[0]
            sys.stderr.write(f"{time.strftime('%H:%M:%S')} run {run + 1} of {times}: {name} (load {load:.1f})\n")
            taken = run_job(name, folder, sample=sample)
            if isinstance(taken, str):
                found[name] = taken
                if name == "assess":
                    return found
                continue
            rows.append({**taken, "load": load, **({"sample": sample} if sample else {})})
            if run == 0 and name == "assess":
                points = lay_out_points(folder)
    return found


def report(folder: Path, taken: tables.Taken) -> str:
    """Return the tables of one case."""
    first = taken["assess"]
    if isinstance(first, str):
        return f"terrain assess failed: {first}"
    loads = [row["load"] for rows in taken.values() if not isinstance(rows, str) for row in rows]
    shares = shares_of(folder, [name for name in PLANES if not isinstance(taken[name], str)])
    lines = [f"load while it ran {min(loads):.1f} to {max(loads):.1f}", *tables.ours(first)]
    if "assess" in shares:
        lines.append(f"true facets found by terrain: {tables.share(shares['assess'])}")
    lines += [*tables.again(first, taken), *tables.peers(taken, [*FILES, *PLANES], shares)]
    return "\n".join([*lines, *tables.ratios(first, taken)])


def shares_of(folder: Path, peers: list[str]) -> dict[str, tuple[int, int, int]]:
    """Return the true facets that each labelling finds, where the truth is known."""
    truth = Case.read(folder).truth
    if truth is None:
        return {}
    from tests.bench.facets import found

    labels = {name: np.load(folder / f"members-{name}.npy") for name in ("assess", *peers)}
    return found(Path(truth), np.load(folder / "cloud.npy"), labels)


def bench(folder: Path, case: Case, asked: argparse.Namespace) -> None:
    """Measure a case in the order of its scans and shuffled; print the tables."""
    say(f"\n{case.name}: {asked.runs} runs, {os.cpu_count()} cores, {time.strftime('%Y-%m-%d %H:%M')}")
    if asked.cold:
        cold = run_job("assess", folder, cache=folder / "kernels")
        say(f"cold: {cold if isinstance(cold, str) else {'all': cold['seconds'], **cold['stages']}}")
    jobs = [*OURS, *FILES, *PLANES]
    say(report(folder, measure(folder, jobs, runs=asked.runs, limit_s=asked.limit_s)))
    if asked.no_shuffle:
        return
    mixed = folder / "shuffled"
    other = shuffled_case(mixed, case)
    if other is None:
        say("not shuffled: several sensors, or scans that are no LAS or LAZ")
        return
    say(f"\n{other.name}")
    say(report(mixed, measure(mixed, [*FILES, *PLANES], runs=asked.runs, limit_s=asked.limit_s / 3)))


def grow(scratch: Path, docks: list[int], millions: float, runs: int) -> list[dict[str, Any]]:
    """Assess so many docks in a row, and as many returns on one dock; return medians by total time."""
    rows = []
    sites = dict.fromkeys([(number, number) for number in docks] + [(1, number) for number in docks])
    for site, times in sites:
        folder = scratch / f"{site}-{times}"
        drawn_case(folder, millions * times, "growth", docks=site)
        found = []
        for _ in range(runs):
            sys.stderr.write(f"{time.strftime('%H:%M:%S')} {site} dock(s), {millions * times:g} million\n")
            taken = run_job("assess_alone", folder)
            if isinstance(taken, str):
                raise SystemExit(f"terrain assess failed: {taken}")
            found.append({**taken, "docks": site})
        rows.append(sorted(found, key=lambda row: row["seconds"])[len(found) // 2])
        shutil.rmtree(folder)
    return rows


def say(text: str) -> None:
    """Print at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def compile_all() -> None:
    """Run every kernel of the main job once, on a small dock, so that none is compiled while it is timed."""
    folder = Path(tempfile.mkdtemp(prefix="terrain-bench-"))
    try:
        drawn_case(folder, 0.05, "warm up")
        for name in OURS:
            taken = run_job(name, folder)
            if isinstance(taken, str):
                raise SystemExit(f"terrain assess failed: {taken}")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def numbers(text: str) -> list[float]:
    """Return the numbers of an option, separated by commas; none for an empty text."""
    return [float(part) for part in text.split(",") if part]


def main() -> None:
    """Parse, prepare, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sizes", default=None, help="millions of returns, with commas (1,5,20 without --survey)")
    parser.add_argument("--survey", type=Path, action="append", default=[], help="a survey's file or folder instead")
    parser.add_argument("--runs", type=int, default=5, help="runs whose median counts")
    parser.add_argument("--limit-s", type=float, default=120.0, help="seconds for each peer that yields planes")
    parser.add_argument("--no-shuffle", action="store_true", help="only in the order of the scans")
    parser.add_argument("--grow", default="", help="docks in a row, with commas, such as 1,2,4")
    parser.add_argument("--grow-millions", type=float, default=0.5, help="returns a dock for --grow, in millions")
    parser.add_argument("--grow-runs", type=int, default=1, help="runs for --grow, of which the middle one counts")
    parser.add_argument("--warm", action="store_true", help="kernels are compiled already: leave out the run for that")
    parser.add_argument("--cold", action="store_true", help="also time one run that must compile everything")
    asked = parser.parse_args()
    sizes = "1,5,20" if asked.sizes is None and not asked.survey and not asked.grow else asked.sizes or ""
    sources = [*numbers(sizes), *asked.survey]
    if not asked.warm:
        compile_all()
    for source in sources:
        folder = Path(tempfile.mkdtemp(prefix="terrain-bench-"))
        try:
            if isinstance(source, Path):
                case = ready_case(folder, source, str(source))
            else:
                case = drawn_case(folder, source, f"{source:g} million returns asked for")
            bench(folder, case, asked)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    if asked.grow:
        scratch = Path(tempfile.mkdtemp(prefix="terrain-bench-"))
        try:
            say(f"\ngrowth, {asked.grow_millions:g} million returns a dock, {asked.grow_runs} run(s)")
            rows = grow(scratch, [int(number) for number in numbers(asked.grow)], asked.grow_millions, asked.grow_runs)
            say("\n".join(tables.growth(rows)))
        finally:
            shutil.rmtree(scratch, ignore_errors=True)


if __name__ == "__main__":
    main()
