"""What the benchmark times, each in a process of its own: `python -m tests.bench.jobs JOB CASE_FOLDER [--sample N]`.

A job prints one line of JSON: `seconds` (the work alone, after imports and after reading what is not part of it),
`peak_mb` (the largest resident set of the whole process, imports included), `items` (points or cells worked on),
`what` (a note), and for `assess` `stages`, seconds of each. A peer that yields planes writes the plane of each point
to `members-JOB.npy`, -1 none and -2 for points it was not given; that is neither timed nor in `peak_mb`.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.cases import OTHER_FOOT, Case

WITHIN_M = 0.02
ROUNDS = 30


@dataclass
class Made:
    """What a job did; `members` gives the plane of each point that it was given, where it yields planes."""

    seconds: float
    items: int
    what: str
    stages: dict[str, float] = field(default_factory=dict)
    members: Callable[[], Any] | None = None


# --------------------------------------------------------------------------- ours


def _assess(folder: Path, out: str, reuse: Path | bool, *, cloud: bool = True, **overrides: str) -> Made:
    from terrain.pipeline import assess as run

    case = Case.read(folder)
    start = time.perf_counter()
    given = {**case.overrides, **{name.replace("__", "."): words for name, words in overrides.items()}}
    summary = run(Path(case.survey), folder / out, overrides=given, replace=True, reuse=reuse, cloud=cloud)
    seconds = time.perf_counter() - start
    taken = ", ".join(summary.reused.parts) or "nothing"
    what = f"foot {summary.foot_name}, {taken} taken over"
    return Made(seconds, summary.points_read, what, dict(summary.timings_s))


def assess(folder: Path) -> Made:
    """Run the main job with all its files; what does not depend on the foot is kept, as it is for users."""
    shutil.rmtree(folder / "store", ignore_errors=True)
    return _assess(folder, "map", folder / "store")


def second_foot(folder: Path) -> Made:
    """Run it again with another limit, which takes over all up to the ground."""
    return _assess(folder, "map-other", folder / "store", foot__profile=str(folder / OTHER_FOOT))


def other_joint(folder: Path) -> Made:
    """Run it again with a foot that bridges other joints, which takes over points and patches."""
    return _assess(folder, "map-other", folder / "store", foot__profile="quadruped")


def no_cloud(folder: Path) -> Made:
    """Run the main job without its labelled points, and keep nothing."""
    return _assess(folder, "map-bare", False, cloud=False)


def assess_alone(folder: Path) -> Made:
    """Run the main job, and keep nothing."""
    return _assess(folder, "map", False)


# --------------------------------------------------------------------------- peers: files


def copy_laz(folder: Path) -> Made:
    """Read every record of the scans and write them again."""
    import laspy

    start, points = time.perf_counter(), 0
    for path in _laz(folder):
        las = laspy.read(path)
        points += len(las.points)
        las.write(folder / "copy.laz")
    return Made(time.perf_counter() - start, points, "laspy + lazrs, all fields, read and written")


def decode(folder: Path) -> Made:
    """Decode coordinates and time, the rest of the record left compressed."""
    import laspy

    fields = laspy.DecompressionSelection
    want = fields.XY_RETURNS_CHANNEL | fields.Z | fields.GPS_TIME
    start, points = time.perf_counter(), 0
    for path in _laz(folder):
        with laspy.open(path, decompression_selection=want) as reader:
            for part in reader.chunk_iterator(1_000_000):
                np.column_stack([part.x, part.y, part.z])
                np.asarray(part.gps_time)
                points += len(part)
    return Made(time.perf_counter() - start, points, "laspy + lazrs, coordinates and time only")


def raster_slope(folder: Path) -> Made:
    """Slope of the level raster, file to file."""
    import rasterio

    with rasterio.open(folder / "map" / "level-0.tif") as raster:
        cells = raster.width * raster.height
    start = time.perf_counter()
    command = ["gdaldem", "slope", "-q", "-b", "1", str(folder / "map" / "level-0.tif"), str(folder / "slope.tif")]
    subprocess.run(command, check=True)
    return Made(time.perf_counter() - start, cells, "gdaldem slope, 3 x 3 cells, file to file")


def _laz(folder: Path) -> list[str]:
    scans = Case.read(folder).scans
    if any(Path(scan).suffix.lower() not in (".las", ".laz") for scan in scans):
        raise SystemExit("the survey's scans are no LAS or LAZ")
    return scans


# --------------------------------------------------------------------------- peers: planes


def repeated_ransac(folder: Path, xyz: Any) -> Made:
    """Take the largest plane out of the cloud, again and again."""
    import open3d as o3d

    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(xyz))
    o3d.utility.random.seed(0)
    taken: list[Any] = []
    start = time.perf_counter()
    while len(taken) < ROUNDS and len(cloud.points) >= 3:
        _, rows = cloud.segment_plane(distance_threshold=WITHIN_M, ransac_n=3, num_iterations=1000)
        cloud = cloud.select_by_index(rows, invert=True)
        taken.append(rows)
    seconds = time.perf_counter() - start

    def members() -> Any:
        from tests.bench.facets import in_pieces

        label, left = np.full(len(xyz), -1, dtype=np.int32), np.arange(len(xyz))
        for k, rows in enumerate(taken):
            label[left[rows]] = k
            left = np.delete(left, rows)
        return in_pieces(xyz, label)

    return Made(seconds, len(xyz), f"Open3D segment_plane, {len(taken)} rounds", members=members)


def planar_patches(folder: Path, xyz: Any) -> Made:
    """Estimate normals and grow planar patches."""
    import open3d as o3d

    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(xyz))
    start = time.perf_counter()
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(30))
    found = cloud.detect_planar_patches(search_param=o3d.geometry.KDTreeSearchParamKNN(30))
    seconds = time.perf_counter() - start

    def members() -> Any:
        from tests.bench.facets import in_boxes, in_pieces

        boxes = [(np.asarray(box.center), np.asarray(box.R), np.asarray(box.extent)) for box in found]
        return in_pieces(xyz, in_boxes(xyz, boxes))

    what = f"Open3D normals + detect_planar_patches, {len(found)} boxes"
    return Made(seconds, len(xyz), what, members=members)


def one_plane(folder: Path, xyz: Any) -> Made:
    """Fit a single plane to the whole cloud."""
    from sklearn.linear_model import RANSACRegressor

    fit = RANSACRegressor(residual_threshold=WITHIN_M, max_trials=100, stop_probability=1.0, random_state=0)
    start = time.perf_counter()
    fit.fit(xyz[:, :2], xyz[:, 2])
    seconds = time.perf_counter() - start

    def members() -> Any:
        from tests.bench.facets import in_pieces

        return in_pieces(xyz, np.where(fit.inlier_mask_, 0, -1))

    return Made(seconds, len(xyz), "scikit-learn RANSAC, 100 trials, one plane", members=members)


OURS: dict[str, Callable[[Path], Made]] = {job.__name__: job for job in (assess, second_foot, other_joint, no_cloud)}
FILES: dict[str, Callable[[Path], Made]] = {job.__name__: job for job in (copy_laz, decode, raster_slope)}
PLANES: dict[str, Callable[[Path, Any], Made]] = {
    job.__name__: job for job in (repeated_ransac, planar_patches, one_plane)
}


def planes_job(name: str, folder: Path, sample: int | None) -> tuple[Made, float]:
    """Run a peer on the case's points, or on so many of them drawn by chance; return its peak memory too."""
    xyz = np.load(folder / "cloud.npy")
    rows: Any = slice(None)
    total = len(xyz)
    if sample is not None and sample < total:
        rows = np.sort(np.random.default_rng(0).permutation(total)[:sample])
        xyz = xyz[rows]
    made = PLANES[name](folder, xyz)
    peak = peak_mb()
    if made.members is not None:
        label = np.full(total, -2, dtype=np.int32)
        label[rows] = made.members()
        np.save(folder / f"members-{name}.npy", label)
    return made, peak


def peak_mb() -> float:
    """Return the largest resident set of this process or of a command it ran.

    Linux counts what the parent held at the start in `getrusage`; its own high-water mark does not.
    """
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    own = [float(line.split()[1]) for line in lines if line.startswith("VmHWM")]
    own = own or [float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)]
    return max(*own, float(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)) / 1024.0


def main() -> None:
    """Run one job and print what it took."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.jobs")
    parser.add_argument("job", choices=[*OURS, *FILES, *PLANES, "assess_alone"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sample", type=int, default=None)
    asked = parser.parse_args()
    if asked.job in PLANES:
        made, peak = planes_job(asked.job, asked.folder, asked.sample)
    else:
        job = assess_alone if asked.job == "assess_alone" else {**OURS, **FILES}[asked.job]
        made = job(asked.folder)
        peak = peak_mb()
    taken: dict[str, Any] = {"seconds": made.seconds, "peak_mb": peak, "items": made.items, "what": made.what}
    sys.stdout.write(json.dumps({**taken, "stages": made.stages}) + "\n")


if __name__ == "__main__":
    main()
