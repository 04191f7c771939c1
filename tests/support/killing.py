"""Exports that are killed at random moments: `python -m tests.support.killing MAP FOLDER --turns 60`.

A process of its own, so that it can fork children without pytest in them. Prints a line for each name after each
kill, whether the new file or what was there before is under it, and last how many were neither.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import time
from pathlib import Path

from terrain.export.formats import FORMATS, export_map
from terrain.maps.store import open_map

SUFFIXES = {
    "ros2-bag": ".mcap",
    "geopackage": ".gpkg",
    "geotiff": ".tif",
    "copc": ".copc.laz",
    "ply": ".ply",
    "csv": ".csv",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("map", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--turns", type=int, default=60)
    parser.add_argument("--formats", nargs="+", default=list(FORMATS), choices=FORMATS)
    given = parser.parse_args()
    dock, rng, torn = open_map(given.map), random.Random(5), 0
    names = {to: given.folder / f"dock{SUFFIXES[to]}" for to in given.formats}
    for _ in range(2):  # the libraries are loaded and the kernels compiled before anything is killed
        start = time.perf_counter()
        for to, path in names.items():
            export_map(dock, path, to=to)
        round_s = time.perf_counter() - start
    whole = {path: path.read_bytes() for path in names.values()}
    for turn in range(given.turns):
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


if __name__ == "__main__":
    main()
