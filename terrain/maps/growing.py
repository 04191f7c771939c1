"""Versions of a map that grows: each has its own folder, in which files that did not change are those from before.

What "did not change" means: the very same tiles and patches, equal arrays, and of a level no cell in a box that was
drawn on. Such a file gets a second name; the map under the first one may go.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import LevelRaster, Patches
from terrain.maps.blocks import Box, LevelBlocks
from terrain.maps.contents import MapContents
from terrain.maps.folder import MapDraft
from terrain.maps.manifest import PATCHES, level_file, make_manifest, write_manifest
from terrain.maps.parts import Parts, part_file, write_part
from terrain.maps.polygons import tabulate_patches, write_patches
from terrain.maps.surfaces import FOLDER as GROUND
from terrain.maps.surfaces import parts_section, tiled_arrays, write_array
from terrain.maps.tiles import TiledGround
from terrain.maps.write import timed


class GrowingFiles:
    """What the files of the version before hold; nothing before the first one.

    After a version that was not put into place this says nothing any more: begin with a new one.
    """

    def __init__(self) -> None:
        self._parts = Parts()
        self._levels: dict[int, LevelBlocks] = {}
        self._patches: Patches | None = None
        self._arrays: dict[str, npt.NDArray[Any]] = {}

    def fill(self, draft: MapDraft, contents: MapContents, drawn: Mapping[int, Iterable[Box]]) -> None:
        """Write the files of a version into an open draft, or link those of the version in place; the manifest last.

        drawn: by level, where it may differ from the version before.
        """
        seconds: dict[str, float] = {}
        kept: list[str] = []
        with timed(seconds, "write_patches"):
            kept += self._write_patches(draft.path, contents)
        with timed(seconds, "write_ground"):
            ground, same = self._write_ground(draft.path, contents)
            kept += same
        with timed(seconds, "write_levels"):
            levels = {raster.level for raster in contents.rasters}
            self._levels = {level: blocks for level, blocks in self._levels.items() if level in levels}
            kept += [name for raster in contents.rasters for name in self._write_level(draft.path, raster, drawn)]
        for name in kept:
            _give_second_name(draft.out / name, draft.path / name)
        write_manifest(draft.path, make_manifest(contents, points_written=False, ground=ground, write_s=seconds))

    def _write_patches(self, folder: Path, contents: MapContents) -> list[str]:
        """Write the patches; return the names of files that are as before, here and below."""
        if contents.patches is self._patches:
            return [PATCHES]
        write_patches(folder / PATCHES, tabulate_patches(contents.patches, contents.patch_verdicts))
        self._patches = contents.patches
        return []

    def _write_level(self, folder: Path, raster: LevelRaster, drawn: Mapping[int, Iterable[Box]]) -> list[str]:
        blocks = self._levels.setdefault(raster.level, LevelBlocks())
        name = level_file(raster.level)
        return [] if blocks.write(folder / name, raster, drawn.get(raster.level, ())) else [name]

    def _write_ground(self, folder: Path, contents: MapContents) -> tuple[dict[str, Any], list[str]]:
        """Return the manifest's section as well."""
        tiled = contents.ground
        assert isinstance(tiled, TiledGround)
        (folder / GROUND).mkdir()
        number, fresh = self._parts.update(tiled.tiles)
        if fresh:
            write_part(folder / GROUND / part_file(number), fresh)
        files = [part_file(k) for k in self._parts.files()]
        kept = [name for name in files if name != part_file(number)]
        arrays = tiled_arrays(tiled, contents.rasters, self._parts)
        for name, array in arrays.items():
            if name in self._arrays and np.array_equal(array, self._arrays[name]):
                kept.append(f"{name}.npy")
            else:
                write_array(folder, name, array)
        self._arrays = arrays
        return parts_section(tiled, arrays, files), [f"{GROUND}/{name}" for name in kept]


def _give_second_name(old: Path, new: Path) -> None:
    """Let a file be in two folders; where the file system cannot do that it is copied."""
    try:
        os.link(old, new)
    except OSError:
        shutil.copyfile(old, new)
