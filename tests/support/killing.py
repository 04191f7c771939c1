"""Work that is killed at random moments, and what it leaves.

`python -m tests.support.killing MAP FOLDER --turns 60` kills exports. Prints a line for each name after each kill,
whether the new file or what was there before is under it, and last how many were neither.

`python -m tests.support.killing --follow FOLDER --turns 50` kills followers of a small pad while its scans arrive, and
starts them again; at the end of each pass it compares the map with the one that is assessed in one go. Prints a line
for each kill and each pass, and last how much was wrong: files torn, scans lost or doubled, runs that failed.

A process of its own, so that it can fork children without pytest in them.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

from terrain.export.formats import FORMATS, export_map
from terrain.follow.journal import journal_path
from terrain.maps.store import folder_identity, open_map
from terrain.pipeline import assess
from tests.support.arriving import arrive, write_pad

SUFFIXES = {
    "ros2-bag": ".mcap",
    "geopackage": ".gpkg",
    "geotiff": ".tif",
    "copc": ".copc.laz",
    "ply": ".ply",
    "csv": ".csv",
}
SCANS = 4


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--follow", action="store_true")
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--turns", type=int, default=60)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--formats", nargs="+", default=list(FORMATS), choices=FORMATS)
    given = parser.parse_args()
    if given.follow:
        kill_followers(given.folders[0], random.Random(given.seed), given.turns)
    else:
        kill_exports(*given.folders, given.formats, random.Random(given.seed), given.turns)


def kill_exports(map_folder: Path, folder: Path, formats: list[str], rng: random.Random, turns: int) -> None:
    dock, torn = open_map(map_folder), 0
    names = {to: folder / f"dock{SUFFIXES[to]}" for to in formats}
    for _ in range(2):  # the libraries are loaded and the kernels compiled before anything is killed
        start = time.perf_counter()
        for to, path in names.items():
            export_map(dock, path, to=to)
        round_s = time.perf_counter() - start
    whole = {path: path.read_bytes() for path in names.values()}
    for turn in range(turns):
        for path in whole:
            path.unlink()
            if turn % 2 == 0:
                path.write_bytes(b"older")
        child = os.fork()
        if child == 0:
            for to in rng.sample(sorted(names), len(names)):
                export_map(dock, names[to], to=to)
            os._exit(0)
        time.sleep(rng.uniform(0.0, 1.2 * round_s))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        for path, content in whole.items():
            left = path.read_bytes() if path.exists() else None
            torn += left not in (content, None if turn % 2 else b"older")
            sys.stdout.write(f"{turn} {path.name} {'new' if left == content else 'old'}\n")
            if left is None:
                path.touch()
    sys.stdout.write(f"torn {torn}\n")


def kill_followers(folder: Path, rng: random.Random, turns: int) -> None:
    whole, wrong, kills, passes = folder / "whole", 0, 0, 0
    survey = write_pad(folder / "first", scans=SCANS)
    arrive(survey, *range(SCANS))
    assess(survey, whole, reuse=False)
    while kills < turns:
        survey, out = write_pad(folder / f"pass_{passes}", scans=SCANS), folder / f"pass_{passes}" / "map"
        waiting = list(range(SCANS))
        while True:
            before = folder_identity(out)
            with subprocess.Popen(_command(survey, out), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child:
                spared = kills >= turns or (not waiting and rng.random() < 0.3)
                die_s = math.inf if spared else time.perf_counter() + rng.uniform(0.5, 15.0)
                late = not spared and rng.random() < 0.6  # soon after a version appears, or a while after the start
                while child.poll() is None and time.perf_counter() < die_s:
                    time.sleep(0.02)
                    if late and folder_identity(out) != before:
                        die_s, late = time.perf_counter() + rng.uniform(0.0, 4.0), False
                    if waiting and rng.random() < 0.01:
                        arrive(survey, waiting.pop(0))
                killed = child.poll() is None
                child.kill()
                said = child.communicate()[1].decode().strip()
            if not killed and child.returncode != 0 and "no scan arrived" not in said:
                sys.stdout.write(f"failed: {said}\n")
                wrong += 1
            faults = _faults(out)
            wrong += len(faults)
            if killed:
                kills += 1
                sys.stdout.write(f"kill {kills}: {_state(out)}{''.join(f'; WRONG: {fault}' for fault in faults)}\n")
            elif child.returncode == 0 and _scans(out) == SCANS:  # else one came when the pass had ended: on with it
                break
            sys.stdout.flush()
        differ = _differing(whole, out)
        wrong += len(differ)
        passes += 1
        sys.stdout.write(f"pass {passes}: {len(differ)} files differ {differ}\n")
        shutil.rmtree(survey.parent)
    sys.stdout.write(f"kills {kills}, passes {passes}, wrong {wrong}\n")


def _command(survey: Path, out: Path) -> list[str]:
    return [sys.executable, "-m", "terrain.cli.main", "follow", str(survey), "--out", str(out), "--until-quiet", "2"]


def _faults(out: Path) -> list[str]:
    """Return what is wrong with the map in place and its journal: torn files, scans lost or there twice."""
    found: list[str] = []
    journal = journal_path(out)
    stored = journal.read_bytes() if journal.exists() else b""
    lines = [json.loads(line) for line in stored[: stored.rfind(b"\n") + 1].splitlines()]
    noted = [line["scan"] for line in lines if "scan" in line]
    if len(set(noted)) < len(noted):
        found.append("a scan stands twice in the journal")
    if not out.exists():
        return found
    site = open_map(out)
    site.patches()
    for level in site.levels:
        site.level(level)
    follow, counts = site.manifest["follow"], site.manifest["counts"]
    scans = [scan["path"] for scan in follow["scans"]]
    if len(set(scans)) < len(scans) or set(scans) - set(noted):
        found.append(f"the map holds {scans}, the journal {noted}")
    if counts["points_read"] != sum(scan["points"] for scan in follow["scans"]):
        found.append(f"{counts['points_read']} points read")
    return found


def _state(out: Path) -> str:
    return f"{open_map(out).manifest['follow']['state']} with {_scans(out)} scans" if out.exists() else "no map yet"


def _scans(out: Path) -> int:
    return len(open_map(out).manifest["follow"]["scans"])


def _differing(whole: Path, out: Path) -> list[str]:
    names = {path.relative_to(folder) for folder in (whole, out) for path in folder.rglob("*") if path.is_file()}
    names -= {Path("map.json")}
    same = {n for n in names if (whole / n).exists() and (out / n).exists() and _bytes(whole / n) == _bytes(out / n)}
    return sorted(str(name) for name in names - same)


def _bytes(path: Path) -> bytes:
    return path.read_bytes()


if __name__ == "__main__":
    main()
