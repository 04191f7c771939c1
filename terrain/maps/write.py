"""Write a map folder: everything, or nothing under the final name."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from terrain.errors import DataError, TerrainError
from terrain.maps.cloud import CloudWriter
from terrain.maps.contents import MapContents
from terrain.maps.folder import MapDraft, check_target
from terrain.maps.manifest import level_file, make_manifest, write_manifest
from terrain.maps.polygons import tabulate_patches, write_patches
from terrain.maps.rasters import write_level
from terrain.maps.surfaces import write_ground

__all__ = ["CLOUD", "MapDraft", "check_target", "fill_draft", "write_cloud", "write_map"]

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


def fill_draft(draft: MapDraft, contents: MapContents) -> None:
    """Write every file of the map into an open draft, the manifest last.

    A `cloud.laz` that is in the draft already, written by the caller while later stages worked, is kept; otherwise
    the cloud is written beside the other files, so that the seconds of the parts overlap.
    """
    seconds: dict[str, float] = {}
    cloud = draft.path / CLOUD
    with ThreadPoolExecutor(max_workers=1) as pool:
        waiting = [pool.submit(_timed_cloud, seconds, cloud, contents)] if _has_cloud_to_write(contents, cloud) else []
        with _timed(seconds, "write_patches"):
            write_patches(draft.path / "patches.gpkg", tabulate_patches(contents.patches, contents.patch_verdicts))
        with _timed(seconds, "write_levels"):
            for raster in contents.rasters:
                write_level(draft.path / level_file(raster.level), raster)
        with _timed(seconds, "write_ground"):
            ground = write_ground(draft.path, contents.ground, contents.rasters)
        for part in waiting:
            part.result()
    manifest = make_manifest(contents, points_written=cloud.exists(), ground=ground, write_s=seconds)
    write_manifest(draft.path, manifest)


def _has_cloud_to_write(contents: MapContents, path: Path) -> bool:
    return contents.cloud is not None and not path.exists()


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
