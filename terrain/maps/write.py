"""Write a map folder: everything, or nothing under the final name."""

from __future__ import annotations

import dataclasses
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from terrain.data import Ground, IntArray, Label
from terrain.errors import DataError, TerrainError
from terrain.maps.cloud import CloudWriter
from terrain.maps.contents import LabelledPoints, MapContents
from terrain.maps.files import writing_laz
from terrain.maps.folder import MapDraft, check_target
from terrain.maps.manifest import PATCHES, level_file, make_manifest, write_manifest
from terrain.maps.polygons import tabulate_patches, write_patches
from terrain.maps.rasters import write_level
from terrain.maps.surfaces import write_ground

__all__ = ["CLOUD", "MapDraft", "check_target", "fill_draft", "write_cloud", "write_map"]

CLOUD = "cloud.laz"


def write_map(out: Path, contents: MapContents, *, replace: bool) -> MapContents:
    """Write a map folder in one step; return the contents with what became of the points on the way.

    Parameters
    ----------
    out : Path
        The folder's final name.
    contents : MapContents
        What goes into it; without points the folder has no `cloud.laz`.
    replace : bool
        Whether a map of that name may be replaced.

    Raises
    ------
    DataError
        The name is taken, or the disk does not take the files. Nothing is left under the name, and a map that was
        there before is still there, complete.
    """
    with MapDraft(out, replace=replace) as draft, writing_to(out):
        contents = fill_draft(draft, contents)
        draft.commit()
    return contents


def fill_draft(draft: MapDraft, contents: MapContents) -> MapContents:
    """Write every file of the map into an open draft, the manifest last.

    The cloud and the levels are written beside the other files, so that the seconds of the parts overlap. Returns the
    contents with what became of the points on the way.
    """
    assert isinstance(contents.ground, Ground)
    seconds: dict[str, float] = {}
    points = contents.points
    with ThreadPoolExecutor(max_workers=2) as pool:
        levels = pool.submit(_timed_levels, seconds, draft.path, contents)
        waiting = None if points is None else pool.submit(_timed_cloud, seconds, draft.path / CLOUD, points)
        with timed(seconds, "write_patches"):
            write_patches(draft.path / PATCHES, tabulate_patches(contents.patches, contents.patch_verdicts))
        with timed(seconds, "write_ground"):
            ground = write_ground(draft.path, contents.ground, contents.rasters)
        levels.result()
        if waiting is not None:
            contents = _with_written(contents, *waiting.result())
    manifest = make_manifest(contents, points_written=points is not None, ground=ground, write_s=seconds)
    write_manifest(draft.path, manifest)
    return contents


def _timed_levels(seconds: dict[str, float], folder: Path, contents: MapContents) -> None:
    with timed(seconds, "write_levels"):
        for raster in contents.rasters:
            write_level(folder / level_file(raster.level), raster)


def _timed_cloud(seconds: dict[str, float], path: Path, points: LabelledPoints) -> tuple[IntArray, Counter[str]]:
    with timed(seconds, "write_cloud"):
        return write_cloud(path, points)


def write_cloud(path: Path, points: LabelledPoints) -> tuple[IntArray, Counter[str]]:
    """Write points as LAZ; return how many have each label, and how many others were left out, by reason."""
    labels = np.zeros(len(Label), dtype=np.int64)
    left_out: Counter[str] = Counter()
    with writing_laz(path), CloudWriter(path, origin_m=points.origin_m) as writer:
        for part in points.parts():
            writer.append(part.xyz_map_m, part.time_s, part.patch_id, part.label)
            labels += np.bincount(part.label, minlength=len(Label))
            left_out.update(part.left_out)
    return labels, left_out


def _with_written(contents: MapContents, labels: IntArray, left_out: Counter[str]) -> MapContents:
    """Return the contents with the points that were left out while they were written among the dropped ones."""
    dropped = Counter(contents.points_dropped)
    dropped.update(left_out)
    return dataclasses.replace(
        contents,
        points_dropped={reason: count for reason, count in dropped.items() if count},
        points_kept=contents.points_kept - left_out.total(),
        points_per_label={label.word: int(labels[label]) for label in Label},
    )


@contextmanager
def timed(seconds: dict[str, float], stage: str) -> Iterator[None]:
    """Set the seconds that the block took under the name of a stage."""
    start = time.perf_counter()
    yield
    seconds[stage] = time.perf_counter() - start


@contextmanager
def writing_to(out: Path) -> Iterator[None]:
    """Turn what the disk refuses into one line that names the map."""
    try:
        yield
    except TerrainError:
        raise
    except OSError as error:
        # NumPy gives no number with a short write, only counts.
        why = f"the disk took a part only ({error})" if error.errno is None else str(error)
        raise DataError(f"{out}: cannot write the map: {why}") from error
