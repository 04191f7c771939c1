"""The fine ground that judging needs, as uncompressed NumPy arrays that open without being read."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import Grid, Ground, Int32Array, LevelRaster
from terrain.errors import ReadError

FORMAT_VERSION = 1
FOLDER = "ground"
_ARRAYS = tuple(f.name for f in dataclasses.fields(Ground) if f.name not in ("grid", "levels"))
_GRID_NUMBERS = ("x0_m", "y0_m", "z0_m", "cell_m", "nx", "ny")


def write_ground(folder: Path, ground: Ground, rasters: tuple[LevelRaster, ...]) -> dict[str, Any]:
    """Write `ground/*.npy` into the map folder and return the manifest's section about them."""
    (folder / FOLDER).mkdir()
    arrays = {name: getattr(ground, name) for name in _ARRAYS}
    arrays["tile_slot"] = ground.grid.tile_slot
    for raster in rasters:
        arrays[_patch_array(raster.level)] = raster.patch_id
    for name, array in arrays.items():
        np.save(folder / FOLDER / f"{name}.npy", np.ascontiguousarray(array), allow_pickle=False)
    return {
        "internal": "read by this software only; the layout may change with any version",
        "format_version": FORMAT_VERSION,
        "grid": {name: getattr(ground.grid, name) for name in _GRID_NUMBERS},
        "levels": ground.levels,
        "arrays": {name: {"dtype": array.dtype.str, "shape": list(array.shape)} for name, array in arrays.items()},
    }


def _patch_array(level: int) -> str:
    return f"patch_id-level-{level}"


def open_ground(folder: Path, section: Mapping[str, Any]) -> Ground:
    """Open the arrays that `section` of the manifest describes, mapped into memory and read where they are used.

    Raises
    ------
    ReadError
        A file is missing, cut short, or not of the type and shape that the manifest says.

    Notes
    -----
    Values are not checked again: that would read every file. They were checked when the `Ground` was made.
    """
    if section["format_version"] != FORMAT_VERSION:
        raise ReadError(
            f"{folder}: ground arrays have format version {section['format_version']}, expected {FORMAT_VERSION}; "
            "assess the survey again with this software"
        )
    grid = Grid(
        **{name: section["grid"][name] for name in _GRID_NUMBERS}, tile_slot=_array(folder, section, "tile_slot")
    )
    arrays = {name: _array(folder, section, name) for name in _ARRAYS}
    for first, member in (("first", "height_m"), ("span_first", "span_low_m")):
        ends = arrays[first]
        if len(ends) != grid.columns + 1 or ends[0] != 0 or ends[-1] != len(arrays[member]):
            raise ReadError(f"{folder / FOLDER / first}.npy: does not fit {member}.npy; the map is damaged")
    ground = object.__new__(Ground)
    for name, value in {"grid": grid, "levels": int(section["levels"]), **arrays}.items():
        object.__setattr__(ground, name, value)
    return ground


def open_patch_cells(folder: Path, section: Mapping[str, Any], level: int) -> Int32Array:
    """Return the patch of each cell of a level's raster, (ny, nx) int32, -1 none, lowest y first."""
    return _array(folder, section, _patch_array(level))


def _array(folder: Path, section: Mapping[str, Any], name: str) -> npt.NDArray[Any]:
    path = folder / FOLDER / f"{name}.npy"
    if name not in section["arrays"]:
        raise ReadError(f"{folder}: the manifest lists no ground array {name!r}")
    wanted = section["arrays"][name]
    empty = 0 in wanted["shape"]  # an empty file cannot be mapped
    try:
        array = np.load(path, mmap_mode=None if empty else "r", allow_pickle=False)
    except FileNotFoundError as error:
        raise ReadError(f"{path}: is missing; the map is incomplete") from error
    except (OSError, ValueError, EOFError) as error:
        raise ReadError(f"{path}: is damaged or cut short: {error}") from error
    if array.dtype.str != wanted["dtype"] or list(array.shape) != wanted["shape"]:
        raise ReadError(
            f"{path}: got {array.dtype.str} {list(array.shape)}, expected {wanted['dtype']} {wanted['shape']} "
            "as in map.json; the map is damaged"
        )
    plain: npt.NDArray[Any] = np.asarray(array)
    plain.flags.writeable = False
    return plain
