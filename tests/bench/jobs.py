"""What the benchmark times, each in a process of its own: `python -m tests.bench.jobs JOB FOLDER`.

A job prints one line of JSON: `seconds` (the work alone, after imports and after reading what is not part of it),
`peak_mb` (the largest resident set of the whole process, imports included), `items` (points or cells worked on),
`what` (a note), and for `assess` `stages`, seconds of each.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

WITHIN_M = 0.02
MOST_PLANES = 20
Made = tuple[float, int, str, dict[str, float]]


def assess(folder: Path) -> Made:
    """Run the main job with all its files."""
    from terrain.pipeline import assess as run

    start = time.perf_counter()
    summary = run(folder / "survey.toml", folder / "map", replace=True)
    seconds = time.perf_counter() - start
    return seconds, summary.points_read, "terrain assess, survey to map folder", dict(summary.timings_s)


def copy_laz(folder: Path) -> Made:
    """Read every record of the scans and write them again."""
    import laspy

    start, points = time.perf_counter(), 0
    for path in _scans(folder):
        las = laspy.read(path)
        points += len(las.points)
        las.write(folder / "copy.laz")
    return time.perf_counter() - start, points, "laspy + lazrs, all fields, read and written", {}


def decode(folder: Path) -> Made:
    """Decode coordinates and time, the rest of the record left compressed."""
    import laspy

    fields = laspy.DecompressionSelection
    want = fields.XY_RETURNS_CHANNEL | fields.Z | fields.GPS_TIME
    start, points = time.perf_counter(), 0
    for path in _scans(folder):
        with laspy.open(path, decompression_selection=want) as reader:
            for part in reader.chunk_iterator(1_000_000):
                np.column_stack([part.x, part.y, part.z])
                np.asarray(part.gps_time)
                points += len(part)
    return time.perf_counter() - start, points, "laspy + lazrs, coordinates and time only", {}


def repeated_ransac(folder: Path) -> Made:
    """Take the largest plane out of the cloud, again and again."""
    import open3d as o3d

    xyz = np.load(folder / "cloud.npy")
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(xyz))
    o3d.utility.random.seed(0)
    start, planes = time.perf_counter(), 0
    while planes < MOST_PLANES and len(cloud.points) > 0.02 * len(xyz):
        _, rows = cloud.segment_plane(distance_threshold=WITHIN_M, ransac_n=3, num_iterations=1000)
        cloud = cloud.select_by_index(rows, invert=True)
        planes += 1
    return time.perf_counter() - start, len(xyz), f"Open3D segment_plane, the {planes} largest planes only", {}


def planar_patches(folder: Path) -> Made:
    """Estimate normals and grow planar patches."""
    import open3d as o3d

    xyz = np.load(folder / "cloud.npy")
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(xyz))
    start = time.perf_counter()
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(30))
    found = cloud.detect_planar_patches(search_param=o3d.geometry.KDTreeSearchParamKNN(30))
    return time.perf_counter() - start, len(xyz), f"Open3D normals + detect_planar_patches, {len(found)} found", {}


def one_plane(folder: Path) -> Made:
    """Fit a single plane to the whole cloud."""
    from sklearn.linear_model import RANSACRegressor

    xyz = np.load(folder / "cloud.npy")
    fit = RANSACRegressor(residual_threshold=WITHIN_M, max_trials=100, stop_probability=1.0, random_state=0)
    start = time.perf_counter()
    fit.fit(xyz[:, :2], xyz[:, 2])
    return time.perf_counter() - start, len(xyz), "scikit-learn RANSAC, 100 trials, one plane", {}


def raster_slope(folder: Path) -> Made:
    """Slope of the level raster, file to file."""
    import rasterio

    with rasterio.open(folder / "map" / "level-0.tif") as raster:
        cells = raster.width * raster.height
    start = time.perf_counter()
    command = ["gdaldem", "slope", "-q", "-b", "1", str(folder / "map" / "level-0.tif"), str(folder / "slope.tif")]
    subprocess.run(command, check=True)
    return time.perf_counter() - start, cells, "gdaldem slope, 3 x 3 cells", {}


JOBS: dict[str, Callable[[Path], Made]] = {
    job.__name__: job for job in (assess, copy_laz, decode, repeated_ransac, planar_patches, one_plane, raster_slope)
}


def _scans(folder: Path) -> list[Path]:
    return sorted((folder / "scans").glob("*.laz"))


def peak_mb() -> float:
    """Return the largest resident set of this process or of a command it ran.

    Linux counts what the parent held at the start in `getrusage`; its own high-water mark does not.
    """
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    own = [float(line.split()[1]) for line in lines if line.startswith("VmHWM")]
    own = own or [float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)]
    return max(*own, float(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)) / 1024.0


def main(name: str, folder: Path) -> None:
    """Run one job and print what it took."""
    seconds, items, what, stages = JOBS[name](folder)
    taken: dict[str, Any] = {"seconds": seconds, "peak_mb": peak_mb(), "items": items, "what": what}
    sys.stdout.write(json.dumps({**taken, "stages": stages}) + "\n")


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
