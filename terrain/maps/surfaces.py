"""The fine ground that judging needs, as uncompressed NumPy arrays that open without being read.

That of a map that grows lies in parts, by tiles, and is read and joined when it is opened.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import TILE_CELLS, Grid, Ground, Int32Array, LevelRaster
from terrain.errors import ReadError
from terrain.maps.parts import Parts, open_parts
from terrain.maps.tiles import TiledGround

FORMAT_VERSION, IN_PARTS = 1, 2
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
        write_array(folder, name, array)
    return _section(arrays, FORMAT_VERSION, ground.grid, ground.levels)


def tiled_arrays(tiled: TiledGround, rasters: tuple[LevelRaster, ...], parts: Parts) -> dict[str, npt.NDArray[Any]]:
    """Return the arrays beside the parts that the ground of a map that grows lies in, by name."""
    arrays = {"tile_part": parts.table(tiled), "row_of": tiled.row_of}
    return arrays | {_patch_array(raster.level): raster.patch_id for raster in rasters}


def parts_section(tiled: TiledGround, arrays: Mapping[str, npt.NDArray[Any]], files: Sequence[str]) -> dict[str, Any]:
    """Return the manifest's section about such a ground; files: names of the parts."""
    return _section(arrays, IN_PARTS, tiled.grid(), tiled.levels) | {"parts": list(files)}


def _section(arrays: Mapping[str, npt.NDArray[Any]], version: int, grid: Grid, levels: int) -> dict[str, Any]:
    return {
        "internal": "read by this software only; the layout may change with any version",
        "format_version": version,
        "grid": {name: getattr(grid, name) for name in _GRID_NUMBERS},
        "levels": levels,
        "arrays": {name: {"dtype": array.dtype.str, "shape": list(array.shape)} for name, array in arrays.items()},
    }


def write_array(folder: Path, name: str, array: npt.NDArray[Any]) -> None:
    """Write one array of the ground into the map folder."""
    np.save(folder / FOLDER / f"{name}.npy", np.ascontiguousarray(array), allow_pickle=False)


def _patch_array(level: int) -> str:
    return f"patch_id-level-{level}"


def open_ground(folder: Path, section: Mapping[str, Any]) -> Ground | TiledGround:
    """Open the arrays that `section` of the manifest describes, mapped into memory and read where they are used.

    Those of a map that grows are in tiles, to be joined.

    Raises
    ------
    ReadError
        A file is missing, cut short, or not of the type and shape that the manifest says.

    Notes
    -----
    Values are not checked again: that would read every file. They were checked when the `Ground` was made.
    """
    if section["format_version"] == IN_PARTS:
        return _open_parts(folder, section)
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


def _open_parts(folder: Path, section: Mapping[str, Any]) -> TiledGround:
    grid = section["grid"]
    part, row_of = (_array(folder, section, name) for name in ("tile_part", "row_of"))
    side_m = TILE_CELLS * grid["cell_m"]
    corner = round(grid["x0_m"] / side_m), round(grid["y0_m"] / side_m)
    return TiledGround(open_parts(folder / FOLDER, part, corner), grid["z0_m"], grid["cell_m"], row_of)


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
    except PermissionError as error:
        raise ReadError(f"{path}: cannot be read: {error.strerror}") from error
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
