"""A map on disk, opened for reading: verdicts, patches, levels."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import FloatArray, FootProfile, Ground, LevelRaster, Verdicts
from terrain.errors import DataError, ReadError
from terrain.maps.answers import judged, judged_level, judged_patches
from terrain.maps.manifest import foot_from_json, read_manifest
from terrain.maps.polygons import PatchTable
from terrain.maps.surfaces import open_ground


@dataclass(frozen=True, slots=True, eq=False)
class TerrainMap:
    """A map folder: what its manifest says, the foot it was made for, and the ground, mapped into memory."""

    path: Path
    manifest: dict[str, Any]
    foot: FootProfile
    ground: Ground

    @property
    def name(self) -> str:
        """Return the survey's name."""
        return str(self.manifest["survey"])

    @property
    def levels(self) -> tuple[int, ...]:
        """Return the levels that have a raster."""
        return tuple(section["level"] for section in self.manifest["levels"])

    def judge(self, placements: npt.ArrayLike) -> Verdicts:
        """Return the verdicts on foot placements.

        Parameters
        ----------
        placements : (n, 3) or (n, 4) array
            x, y in metres and yaw in radians, map frame, and optionally the level's height in metres; NaN for the
            topmost walkable level.

        Returns
        -------
        Verdicts
            n rows in the same order.

        Raises
        ------
        DataError
            Another shape, or x, y or yaw that is not finite, or an infinite level height.
        """
        return judged(self, checked_placements(placements))

    def patches(self) -> PatchTable:
        """Return the patches, read from `patches.gpkg`."""
        return judged_patches(self)

    def level(self, number: int) -> LevelRaster:
        """Return the dense judgement of a level, read from its GeoTIFF.

        Raises
        ------
        DataError
            The map has no such level.
        """
        if number not in self.levels:
            raise DataError(f"{self.path}: got level {number}, expected one of {list(self.levels)}")
        return judged_level(self, number)


def checked_placements(placements: npt.ArrayLike) -> FloatArray:
    """Return placements as (n, 4) float64, a missing level height as NaN; see `TerrainMap.judge`."""
    array = np.asarray(placements, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] not in (3, 4):
        raise DataError(f"placements: got shape {array.shape}, expected (n, 3) or (n, 4)")
    bad = ~np.isfinite(array[:, :3]).all(axis=1)
    if array.shape[1] == 4:
        bad |= np.isinf(array[:, 3])
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise DataError(f"placements: row {row} is {array[row].tolist()}, expected finite numbers")
    full = np.full((len(array), 4), np.nan)
    full[:, : array.shape[1]] = array
    return full


def open_map(path: str | Path) -> TerrainMap:
    """Open a map folder; its arrays are read where they are used.

    Parameters
    ----------
    path : str or Path
        A folder that `terrain assess` wrote.

    Raises
    ------
    ReadError
        No map folder, a newer format, or a file that is missing or damaged.
    """
    folder = Path(path)
    manifest = read_manifest(folder)
    try:
        for name in manifest["files"]:
            if not (folder / name).is_file():
                raise ReadError(f"{folder / name}: is missing; the map is incomplete")
        foot = foot_from_json(manifest["foot"]["si"])
        ground = open_ground(folder, manifest["ground"])
        [section["level"] for section in manifest["levels"]]
    except ReadError:
        raise
    except (KeyError, TypeError, ValueError) as error:
        raise ReadError(f"{folder / 'map.json'}: lacks or garbles a part: {error}") from error
    return TerrainMap(path=folder, manifest=manifest, foot=foot, ground=ground)
