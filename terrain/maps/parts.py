"""The ground of a map that grows: each version writes the tiles that changed into one more file and keeps the others.

A file holds NumPy arrays one after the other: the tiles, where their columns begin, and their values. Tiles that a
newer file holds as well are left where they are until the rest of a file is small; then that is written again.
"""

from __future__ import annotations

import math
import mmap
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from terrain.data import Int32Array
from terrain.errors import ReadError
from terrain.maps.tiles import COLUMNS, SPANS, SURFACES, Tile, TiledGround, TileGround, in_order

MOST_FILES = 24
"""Of more files than this the half with the fewest tiles becomes one."""


class Parts:
    """Which file each tile of the ground stands in, from version to version."""

    def __init__(self) -> None:
        self._last = 0
        self._in: dict[Tile, tuple[int, TileGround]] = {}
        self._written: dict[int, int] = {}

    def update(self, tiles: Mapping[Tile, TileGround]) -> tuple[int, dict[Tile, TileGround]]:
        """Return the number of a new file and the tiles to write into it, which may be none, for these to be there."""
        self._in = {tile: known for tile, known in self._in.items() if tiles.get(tile) is known[1]}
        again = self._sparse(fresh=len(self._in) < len(tiles))
        new = {tile: tiles[tile] for tile in in_order(tiles) if tile not in self._in or self._in[tile][0] in again}
        self._last += 1
        if new:
            self._in |= {tile: (self._last, ground) for tile, ground in new.items()}
            self._written[self._last] = len(new)
        left = self._left()
        self._written = {number: count for number, count in self._written.items() if number in left}
        return self._last, new

    def _left(self) -> dict[int, int]:
        """Return of each file how many of its tiles count."""
        left: dict[int, int] = {}
        for number, _ in self._in.values():
            left[number] = left.get(number, 0) + 1
        return left

    def _sparse(self, *, fresh: bool) -> set[int]:
        """Return the files whose tiles are to be written again: less than half of them count, or there are many."""
        left = self._left()
        sparse = {number for number, count in left.items() if 2 * count < self._written[number]}
        if fresh and len(left) - len(sparse) >= MOST_FILES:
            sparse |= set(sorted(left, key=lambda number: (left[number], number))[: MOST_FILES // 2])
        return sparse

    def files(self) -> list[int]:
        """Return the numbers of the files that hold tiles."""
        return sorted(self._written)

    def table(self, tiled: TiledGround) -> Int32Array:
        """Return the file of each tile of the grid (nty, ntx), -1 where there is none."""
        slot = tiled.grid().tile_slot
        number = np.array([self._in[tile][0] for tile in in_order(self._in)], dtype=np.int32)
        return np.where(slot >= 0, number[slot], -1).astype(np.int32) if len(number) else slot


def write_part(path: Path, tiles: Mapping[Tile, TileGround]) -> int:
    """Write tiles into one file; return its size in bytes."""
    grounds = list(tiles.values())
    with open(path, "wb") as file:
        _save(file, np.array(list(tiles), dtype=np.int32))
        for starts in ("first", "span_first"):
            _save(file, np.stack([getattr(ground, starts) for ground in grounds]))
        for name in (*SURFACES, *SPANS):
            _save(file, np.concatenate([ground.values[name] for ground in grounds]))
        return file.tell()


def _save(file: IO[bytes], array: npt.NDArray[Any]) -> None:
    np.lib.format.write_array(file, np.ascontiguousarray(array), allow_pickle=False)


def open_part(path: Path) -> dict[Tile, TileGround]:
    """Return the tiles in a file that `write_part` wrote, mapped into memory.

    Raises
    ------
    ReadError
        It is missing, damaged or cut short.
    """
    try:
        with open(path, "rb") as file:
            whole = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        tile, first, span_first = (_load(whole) for _ in range(3))
        return dict(_tiles(tile, first, span_first, {name: _load(whole) for name in (*SURFACES, *SPANS)}))
    except FileNotFoundError as error:
        raise ReadError(f"{path}: is missing; the map is incomplete") from error
    except PermissionError as error:
        raise ReadError(f"{path}: cannot be read: {error.strerror}") from error
    except (OSError, ValueError, EOFError) as error:
        raise ReadError(f"{path}: is damaged or cut short: {error}") from error


def _load(whole: mmap.mmap) -> npt.NDArray[Any]:
    """Return the array that begins where a mapped file stands, and go on behind it."""
    np.lib.format.read_magic(whole)
    shape, _, dtype = np.lib.format.read_array_header_1_0(whole)
    count = math.prod(shape)
    if count == 0:
        return np.empty(shape, dtype=dtype)
    array: npt.NDArray[Any] = np.frombuffer(whole, dtype=dtype, count=count, offset=whole.tell())
    whole.seek(array.nbytes, os.SEEK_CUR)
    return array.reshape(shape)


def _tiles(
    tile: Int32Array, first: Int32Array, span_first: Int32Array, values: Mapping[str, npt.NDArray[Any]]
) -> Iterable[tuple[Tile, TileGround]]:
    """Yield each tile with views of its values."""
    if tile.shape != (len(first), 2) or first.shape != (len(tile), COLUMNS + 1) or span_first.shape != first.shape:
        raise ValueError(f"got {len(tile)} tiles, and columns of {first.shape} and {span_first.shape}")
    ends, span_ends = (np.concatenate([[0], np.cumsum(starts[:, -1])]) for starts in (first, span_first))
    for names, end in ((SURFACES, ends[-1]), (SPANS, span_ends[-1])):
        for name in names:
            if len(values[name]) != end:
                raise ValueError(f"got {len(values[name])} values of {name}, expected {end}")
    for k, (x, y) in enumerate(tile.tolist()):
        own = {name: values[name][ends[k] : ends[k + 1]] for name in SURFACES}
        own |= {name: values[name][span_ends[k] : span_ends[k + 1]] for name in SPANS}
        yield (x, y), TileGround(first[k], span_first[k], own)


def part_file(number: int) -> str:
    """Return the file name of a part."""
    return f"part-{number}.npy"


def open_parts(folder: Path, part: Int32Array, corner: Tile) -> dict[Tile, TileGround]:
    """Return the tiles that stand in the parts (nty, ntx) of a folder, -1 none; corner: the tile at [0, 0].

    Raises
    ------
    ReadError
        A file is missing or damaged, or does not hold a tile.
    """
    tiles: dict[Tile, TileGround] = {}
    for number in np.unique(part[part >= 0]).tolist():
        path = folder / part_file(number)
        held = open_part(path)
        for row, column in np.argwhere(part == number).tolist():
            tile = corner[0] + column, corner[1] + row
            if tile not in held:
                raise ReadError(f"{path}: holds no tile {tile}; the map is damaged")
            tiles[tile] = held[tile]
    return tiles
