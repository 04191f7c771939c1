"""A survey replayed as it was walked, sweep by sweep: `python -m tests.bench.follow SURVEY FOLDER --seconds 30`.

A second process puts sweeps of 0.1 s into place when their last point is due, and poses beside them; the follower runs
here. Prints what became of each version, and how long it took from a sweep's last point to the version that holds it.
`--speed 25` plays 25 times faster (sweeps are cut longer, so that there are still ten a second).
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from terrain.follow.contents import Version
from terrain.follow.follower import Follower
from terrain.read.clouds import open_cloud
from terrain.survey import load_survey
from tests.support.clouds import write_laz

SWEEP_S = 0.1
LEAD_S = 3.0
REST_S = 10.0


def replay_options(said: str | None) -> argparse.ArgumentParser:
    """Return what says which part of which survey is replayed, and how fast."""
    parser = argparse.ArgumentParser(description=said)
    parser.add_argument("survey", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, default=30.0, help="of the replay")
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--skip", type=float, default=0.0, help="seconds of the survey that are left out at its start")
    return parser


def main() -> None:
    parser = replay_options(__doc__)
    parser.add_argument("--keep", type=int, default=0, help="copy every so many versions to FOLDER/kept-N")
    parser.add_argument("--feed", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.feed:
        feed(given.folder, given.speed)
        return
    sweeps = cut(given.survey, given.folder, seconds=given.seconds, speed=given.speed, skip=given.skip)
    replay(given.folder, sweeps, speed=given.speed, keep=given.keep)


def cut(survey_file: Path, folder: Path, *, seconds: float, speed: float, skip: float) -> int:
    """Cut a survey's scans into sweeps, put aside under FOLDER/staged; return how many."""
    shutil.rmtree(folder, ignore_errors=True)
    survey = load_survey(survey_file)
    assert survey.poses_file is not None
    scans = [scan for path in survey.scan_files for scan in open_cloud(path)]
    xyz = np.concatenate([scan.xyz_m for scan in scans])
    times = np.concatenate([scan.time_s for scan in scans if scan.time_s is not None])
    start = float(times.min()) + skip
    number = np.floor((times - start) / (SWEEP_S * speed)).astype(int)
    staged: list[tuple[str, float]] = []
    for k in range(round(seconds / SWEEP_S)):
        rows = np.flatnonzero(number == k)
        if len(rows) == 0:
            continue
        rows = rows[np.argsort(times[rows], kind="stable")]
        write_laz(folder / "staged" / f"sweep_{k:05d}.laz", xyz[rows], times[rows])
        staged.append((f"sweep_{k:05d}.laz", float(times[rows[-1]])))
    poses = survey.poses_file.read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "staged" / "plan.json").write_text(json.dumps({"start": start, "sweeps": staged, "poses": poses}))
    (folder / "scans").mkdir()
    text = survey_file.read_text(encoding="utf-8")
    (folder / "survey.toml").write_text(text, encoding="utf-8")
    sys.stdout.write(f"{len(staged)} sweeps, {int((number < seconds / SWEEP_S).sum()):,} points\n")
    return len(staged)


def feed(folder: Path, speed: float) -> None:
    """Put sweeps into place, and poses up to them, when they are due."""
    plan = json.loads((folder / "staged" / "plan.json").read_text())
    begin = time.time() + LEAD_S
    poses = iter(plan["poses"])
    last: dict[str, float] = {}
    with open(folder / "poses.txt", "w", encoding="utf-8") as file:
        for name, end_s in plan["sweeps"]:
            wait = begin + (end_s - plan["start"]) / speed - time.time()
            time.sleep(max(wait, 0.0))
            for line in poses:
                file.write(line)
                if not line.startswith("#") and float(line.split()[0]) > end_s + 0.02:
                    break
            file.flush()
            os.rename(folder / "staged" / name, folder / "scans" / name)
            last[name] = time.time()
    (folder / "fed.json").write_text(json.dumps(last))


def replay(folder: Path, sweeps: int, *, speed: float, keep: int) -> None:
    """Follow while the other process feeds, without the assessment at the end; tell how late each sweep was."""
    listed: dict[str, float] = {}
    published: dict[str, float] = {}
    used_s = [0.0]
    versions: list[Version] = []
    out = folder / "map"

    def on_version(version: Version) -> None:
        now = time.time()
        record = json.loads((out / "map.json").read_text())["follow"]
        for scan in record["scans"]:
            listed.setdefault(Path(scan["path"]).name, now)
        if version.behind_s == 0.0:  # all that is near the robot is made of all these scans, as far as they change it
            for name in listed:
                published.setdefault(name, now)
        versions.append(version)
        if keep and version.number % keep == 0:
            shutil.copytree(out, folder / f"kept-{version.number}")
        stages = ", ".join(f"{name} {seconds:.2f}" for name, seconds in version.seconds.items())
        late = f"{version.latency_s:.2f}" if version.latency_s is not None else "-"
        sys.stdout.write(
            f"version {version.number}: {version.scans} sweeps (+{version.fresh}), backlog {version.backlog}, "
            f"{version.points:,} points, {late} s late, waiting {version.waiting_m2:.1f} m2, "
            f"near behind {version.behind_s:.1f} s, rest due for {version.rest_behind_s:.1f} s, waiting for "
            f"{version.rest_waiting_s:.1f} s, steppable {version.steppable_m2:.2f} m2; {stages}; "
            f"{both_s() - used_s[-1]:.2f} s of processor; load {os.getloadavg()[0]:.1f}\n"
        )
        sys.stdout.flush()
        used_s.append(both_s())

    def both_s() -> float:
        """Return the processor seconds of making versions and of putting them into place."""
        beside_s = follower.publisher.processor_s + (follower.hands.processor_s if follower.hands else 0.0)
        return time.process_time() + beside_s

    with Follower(folder / "survey.toml", out, on_version=on_version, on_line=print) as follower:
        follower.warm_up()
        used_s[0] = both_s()
        command = [sys.executable, "-m", "tests.bench.follow", "-", str(folder), "--feed", "--speed", str(speed)]
        with subprocess.Popen(command) as feeder:
            while len(published) < sweeps:
                follower.look()
                if not follower.advance():
                    follower.publisher.settle()
                    follower.intake.watch.wait(0.05)
            follower.publisher.settle()
            feeder.wait()
    tell(folder, listed, published, versions, np.diff(used_s))


def tell(
    folder: Path, listed: dict[str, float], published: dict[str, float], versions: list[Version], used_s: np.ndarray
) -> None:
    fed = json.loads((folder / "fed.json").read_text())
    late = np.array([published[name] - when for name, when in fed.items() if name in published])
    first = np.array([listed[name] - when for name, when in fed.items()])
    fresh = np.array([version.fresh for version in versions])
    backlog = np.array([version.backlog for version in versions])
    due_s = np.array([version.rest_behind_s for version in versions])
    lines = [
        f"latency from a sweep's last point to a version in which all near the robot is up to date: "
        f"median {np.median(late):.2f} s, p99 {np.quantile(late, 0.99):.2f} s, most {late.max():.2f} s "
        f"({len(late)} of {len(fed)} sweeps); to one that lists it: median {np.median(first):.2f} s, "
        f"p99 {np.quantile(first, 0.99):.2f} s",
        f"versions {len(versions)}, sweeps a version: median {np.median(fresh):.0f}, most {fresh.max()}; "
        f"backlog: median {np.median(backlog):.0f}, most {backlog.max()}",
        f"farther than 3 m from the robot, when a version is published: oldest due place median "
        f"{np.median(due_s):.1f} s, most {due_s.max():.1f} s ({(due_s > REST_S).sum()} of {len(versions)} versions "
        f"over {REST_S:.0f} s); oldest with any newer point, due or not, most "
        f"{max(version.rest_waiting_s for version in versions):.1f} s",
        f"processor: {np.median(used_s):.1f} s a version at the median, {used_s.max():.1f} at most, "
        f"{used_s.sum():.1f} in all",
    ]
    total: dict[str, float] = {}
    for version in versions:
        for name, seconds in version.seconds.items():
            total[name] = total.get(name, 0.0) + seconds
    whole = sum(total.values())
    lines.append(
        "time: " + ", ".join(f"{name} {seconds:.1f} s ({seconds / whole:.0%})" for name, seconds in total.items())
    )
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
