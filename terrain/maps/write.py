"""Write a map folder: everything, or nothing under the final name."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from terrain.errors import DataError, TerrainError
from terrain.maps.cloud import CloudWriter
from terrain.maps.contents import MapContents
from terrain.maps.folder import MapDraft, check_target
from terrain.maps.manifest import level_file, make_manifest, write_manifest
from terrain.maps.polygons import tabulate_patches, write_patches
from terrain.maps.rasters import write_level
from terrain.maps.surfaces import FOLDER as GROUND
from terrain.maps.surfaces import write_ground

__all__ = ["CLOUD", "MapDraft", "check_target", "fill_draft", "refill_draft", "write_cloud", "write_map"]

CLOUD = "cloud.laz"


def write_map(out: Path, contents: MapContents, *, replace: bool) -> None:
    """Write a map folder in one step.

    Parameters
    ----------
    out : Path
        The folder's final name.
    contents : MapContents
        What goes into it; without a cloud the folder has no `cloud.laz`.
    replace : bool
        Whether a map of that name may be replaced.

    Raises
    ------
    DataError
        The name is taken, or the disk does not take the files. Nothing is left under the name, and a map that was
        there before is still there, complete.
    """
    with MapDraft(out, replace=replace) as draft, writing_to(out):
        fill_draft(draft, contents)
        draft.commit()


def fill_draft(draft: MapDraft, contents: MapContents, *, overviews: bool = True) -> dict[str, Any]:
    """Write every file of the map into an open draft, the manifest last; return its section about the ground.

    A `cloud.laz` that is in the draft already, written by the caller while later stages worked, is kept; otherwise
    the cloud and the levels are written beside the other files, so that the seconds of the parts overlap.
    """
    seconds: dict[str, float] = {}
    cloud = draft.path / CLOUD
    with ThreadPoolExecutor(max_workers=2) as pool:
        waiting = [pool.submit(_timed_levels, seconds, draft.path, contents, overviews)]
        if _has_cloud_to_write(contents, cloud):
            waiting.append(pool.submit(_timed_cloud, seconds, cloud, contents))
        with _timed(seconds, "write_patches"):
            write_patches(draft.path / "patches.gpkg", tabulate_patches(contents.patches, contents.patch_verdicts))
        with _timed(seconds, "write_ground"):
            ground = write_ground(draft.path, contents.ground, contents.rasters)
        for part in waiting:
            part.result()
    manifest = make_manifest(contents, points_written=cloud.exists(), ground=ground, write_s=seconds)
    write_manifest(draft.path, manifest)
    return ground


def refill_draft(draft: MapDraft, contents: MapContents, *, ground: dict[str, Any], old: Path) -> bool:
    """Fill a draft with the files of a map that differs only by its manifest; return whether the disk can do that.

    Parameters
    ----------
    draft : MapDraft
        Open and empty.
    contents : MapContents
        Without a cloud; patches, rasters and ground are those of `old`.
    ground : dict
        What `fill_draft` returned for `old`.
    old : Path
        The map whose files get a second name. They stay when the map under the first one goes.
    """
    files = ["patches.gpkg", *(level_file(raster.level) for raster in contents.rasters)]
    files += [f"{GROUND}/{path.name}" for path in sorted((old / GROUND).glob("*.npy"))]
    (draft.path / GROUND).mkdir()
    try:
        for name in files:
            os.link(old / name, draft.path / name)
    except OSError:
        shutil.rmtree(draft.path / GROUND)
        for path in draft.path.iterdir():
            path.unlink()
        return False
    write_manifest(draft.path, make_manifest(contents, points_written=False, ground=ground, write_s={}))
    return True


def _has_cloud_to_write(contents: MapContents, path: Path) -> bool:
    return contents.cloud is not None and not path.exists()


def _timed_levels(seconds: dict[str, float], folder: Path, contents: MapContents, overviews: bool) -> None:
    with _timed(seconds, "write_levels"):
        for raster in contents.rasters:
            write_level(folder / level_file(raster.level), raster, overviews=overviews)


def _timed_cloud(seconds: dict[str, float], path: Path, contents: MapContents) -> None:
    with _timed(seconds, "write_cloud"):
        write_cloud(path, contents)


def write_cloud(path: Path, contents: MapContents) -> None:
    """Write the cloud of `contents` as LAZ."""
    cloud, patch_id, label = contents.cloud, contents.point_patch_id, contents.point_label
    if cloud is None or patch_id is None or label is None:
        raise ValueError("cloud: got None, expected points with patch and label")
    with CloudWriter(path, origin_m=cloud.origin_m) as writer:
        writer.append(cloud.xyz_map_m, cloud.time_s, patch_id, label)


@contextmanager
def _timed(seconds: dict[str, float], stage: str) -> Iterator[None]:
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
        raise DataError(f"{out}: cannot write the map: {error}") from error
