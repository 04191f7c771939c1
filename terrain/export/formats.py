"""The formats by name, and the one function that writes any of them whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from terrain.errors import ConfigError, DataError, TerrainError
from terrain.export.source import Progress, Source
from terrain.maps.files import check_name, replacing
from terrain.maps.folder import put_in_place
from terrain.maps.store import TerrainMap
from terrain.maps.write import CLOUD

FORMATS = ("ros2-bag", "geopackage", "geotiff", "copc", "ply", "csv")
POINT_FORMATS = {"copc": "cloud", "ply": "cloud"}
"""Formats that hold points, and which they hold if nothing is said."""


def export_map(
    terrain_map: TerrainMap,
    out: Path,
    *,
    to: str,
    level: int | None = None,
    points: str | None = None,
    progress: Progress | None = None,
) -> None:
    """Write a map in another format; under the final name there is all of it, or what was there before.

    Parameters
    ----------
    terrain_map : TerrainMap
        The map, people's decisions on it included.
    out : Path
        The file; for a ROS 2 bag a folder, or with a name that ends in `.mcap` the one file in it.
    to : str
        One of `FORMATS`.
    level : int, optional
        For a GeoTIFF, which holds one level; left out, the first.
    points : {"cloud", "cells"}, optional
        For PLY and COPC: the fused cloud, or one point a cell.
    progress : callable, optional
        Called with (done, total) in cells while reasons are worked out.

    Raises
    ------
    ConfigError
        No such format, an option that the format does not have, or a library that it needs is not installed.
    DataError
        The name cannot be written to, or the map lacks what the format needs.
    ReadError
        A file of the map is damaged.

    Examples
    --------
    >>> export_map(terrain.open_map("map-dock"), Path("cells.csv"), to="csv")
    """
    if to not in FORMATS:
        raise ConfigError(f"format: got {to!r}, expected one of {', '.join(FORMATS)}")
    if level is not None and to != "geotiff":
        raise ConfigError(f"level: got {level}, but {to} holds all levels; only geotiff holds one")
    if points is not None and (to not in POINT_FORMATS or points not in ("cloud", "cells")):
        raise ConfigError(f"points: got {points!r} for {to}, expected cloud or cells, for {' or '.join(POINT_FORMATS)}")
    final = Path(os.path.abspath(out))
    _check_name(out, final, folder=to == "ros2-bag" and final.suffix != ".mcap")
    kind = points or POINT_FORMATS.get(to)
    if kind == "cloud" and CLOUD not in terrain_map.manifest["files"]:
        raise DataError(f"{terrain_map.path}: the map has no cloud, expected {CLOUD}; export its cells instead")
    source = Source(terrain_map, progress, _one_level(terrain_map, level) if to == "geotiff" else terrain_map.levels)
    write = _writer(to, source, kind)
    source.cells()  # what takes time comes before anything is on the disk
    if to == "ros2-bag":
        write(final)
        return
    with replacing(out) as draft, _told_by_name(out, draft):
        write(draft)


@contextmanager
def _told_by_name(out: Path, draft: Path) -> Iterator[None]:
    """Let what is said of a draft be said of the file that was asked for."""
    try:
        yield
    except DataError as error:
        raise DataError(str(error).replace(str(draft), str(out))) from error


def _one_level(terrain_map: TerrainMap, level: int | None) -> tuple[int]:
    if not terrain_map.levels:
        raise DataError(f"{terrain_map.path}: the map has no level, expected at least one")
    if level is not None and level not in terrain_map.levels:
        raise DataError(f"{terrain_map.path}: got level {level}, expected one of {list(terrain_map.levels)}")
    return (terrain_map.levels[0] if level is None else level,)


def _writer(to: str, source: Source, kind: str | None) -> Callable[[Path], None]:
    if to == "ros2-bag":
        return lambda path: _write_bag(path, source)
    if to == "csv":
        from terrain.export.table import write_csv

        return lambda path: write_csv(path, source)
    if to == "geopackage":
        from terrain.export.geopackage import write_geopackage

        return lambda path: write_geopackage(path, source)
    if to == "geotiff":
        from terrain.export.geotiff import write_geotiff

        return lambda path: write_geotiff(path, source)
    from terrain.export.copc import write_copc
    from terrain.export.ply import write_ply

    writer = write_copc if to == "copc" else write_ply
    return lambda path: writer(path, source.points(kind or "cells"))


def _check_name(out: Path, final: Path, *, folder: bool) -> None:
    """Raise DataError for a name that cannot be written to, before hours of work and not after."""
    check_name(final)
    if not final.parent.is_dir():
        raise DataError(f"{out}: cannot write there: no such folder, expected one that exists")
    if folder and os.path.lexists(final) and not is_bag(final):
        raise DataError(f"{out}: exists and is no bag, expected a name that is not taken, or a bag to replace")
    if not folder and final.exists() and not final.is_file():
        raise DataError(f"{out}: is no ordinary file, expected the name of a file to write")


def _write_bag(final: Path, source: Source) -> None:
    """Write a bag beside its name and rename it; an older bag of that name goes."""
    from terrain.export.ros2 import write_bag

    try:
        work = Path(tempfile.mkdtemp(prefix=f".{final.name}.partial-", dir=final.parent))
    except OSError as error:
        raise DataError(f"{final}: cannot write there: {error.strerror}") from error
    try:
        bag = work / (final.stem or "bag")
        write_bag(bag, source)
        if final.suffix == ".mcap":
            with replacing(final) as draft:
                next(bag.glob("*.mcap")).replace(draft)
        else:
            put_in_place(bag, final)
    except TerrainError:
        raise
    except OSError as error:
        raise DataError(f"{final}: cannot write: {error}") from error
    finally:
        shutil.rmtree(work, ignore_errors=True)


def is_bag(path: Path) -> bool:
    """Return whether a folder is a bag and nothing else."""
    if path.is_symlink() or not path.is_dir():
        return False
    names = sorted(entry.name for entry in path.iterdir())
    return "metadata.yaml" in names and all(
        name == "metadata.yaml" or name.endswith((".mcap", ".db3")) for name in names
    )
