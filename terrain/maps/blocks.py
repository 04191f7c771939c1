"""The GeoTIFF of a level of a map that grows: only blocks whose cells changed are packed anew.

GDAL writes the head, without any block; packed blocks follow, and where they lie.
"""

from __future__ import annotations

import dataclasses
import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import LevelRaster
from terrain.errors import DataError
from terrain.maps.rasters import BANDS, BLOCK, describe, level_bands, level_profile

OFFSETS, SIZES = 324, 325
"""Numbers of the tags that say where blocks lie and how long they are."""
_LONG = 4
_ENTRY = struct.Struct("<HHII")
_MOST_BYTES = 2**32
_ARRAYS = tuple(f.name for f in dataclasses.fields(LevelRaster) if f.name not in ("level", "x0_m", "y0_m", "cell_m"))

Box = tuple[int, int, int, int]
"""Cells from x up to x_end and from y up to y_end: (x, x_end, y, y_end)."""


class LevelBlocks:
    """The packed blocks of one level as it was written last."""

    def __init__(self) -> None:
        self._place: tuple[Any, ...] = ()
        self._head = b""
        self._packed: dict[tuple[int, int], list[bytes]] = {}

    def write(self, path: Path, raster: LevelRaster, changed: Iterable[Box]) -> bool:
        """Write a level as `terrain.maps.rasters` does, but without overviews; return False if nothing changed.

        changed: boxes of the map's cells (cell 0 begins at x or y 0) outside of which all is as it was written last.
        """
        place = raster.height_m.shape, raster.x0_m, raster.y0_m, raster.cell_m
        if place != self._place:
            self._head, self._packed = _head(raster), {}
        ny, nx = raster.height_m.shape
        every = {(row, column) for row in range(-(-ny // BLOCK)) for column in range(-(-nx // BLOCK))}
        stale = every if place != self._place else every & _touched(raster, changed)
        for row, column in stale:
            self._packed[row, column] = _pack(raster, row, column)
        self._place = place
        if stale:
            self._assemble(path)
        return bool(stale)

    def _assemble(self, path: Path) -> None:
        """Write head, blocks in the order of bands, rows and columns, and the tables of where they lie."""
        order = sorted(self._packed)
        blocks = [self._packed[at][band] for band in range(len(BANDS)) for at in order]
        sizes = np.array([len(block) for block in blocks], dtype=np.int64)
        start = len(self._head) + len(self._head) % 2
        offsets = start + np.cumsum(sizes) - sizes
        tables = start + int(sizes.sum()) + int(sizes.sum()) % 2
        if tables + 8 * len(blocks) >= _MOST_BYTES:
            raise DataError(f"{path}: a level's file would pass 4 GB while the map grows")
        head = bytearray(self._head.ljust(start, b"\0"))
        _point(head, OFFSETS, len(blocks), tables)
        _point(head, SIZES, len(blocks), tables + 4 * len(blocks))
        with open(path, "wb") as file:
            file.write(head)
            file.writelines(blocks)
            file.write(b"\0" * (tables - file.tell()))
            file.write(offsets.astype("<u4").tobytes() + sizes.astype("<u4").tobytes())


def _head(raster: LevelRaster) -> bytes:
    """Return a GeoTIFF of a level that has no block yet."""
    from rasterio.io import MemoryFile

    plain = {"compress": "zstd", "interleave": "band", "sparse_ok": True, "endianness": "little", "bigtiff": "no"}
    profile = {name: value for name, value in level_profile(raster).items() if name != "BIGTIFF"}
    with MemoryFile() as memory:
        with memory.open(**(profile | plain)) as file:
            describe(file, raster)
        return bytes(memory.getbuffer())


def _point(head: bytearray, tag: int, count: int, at: int) -> None:
    """Let an entry of the first directory say that its numbers of four bytes lie at a place of the file.

    Source: TIFF 6.0, sections 2 and 15: an entry is tag, type, count and offset; its value itself where one fits in.
    """
    (directory,) = struct.unpack_from("<I", head, 4)
    (entries,) = struct.unpack_from("<H", head, directory)
    for k in range(entries):
        entry = directory + 2 + k * _ENTRY.size
        if struct.unpack_from("<H", head, entry)[0] == tag:
            _ENTRY.pack_into(head, entry, tag, _LONG, count, at)
            return
    raise ValueError(f"TIFF: got no tag {tag}, expected one")


def _touched(raster: LevelRaster, changed: Iterable[Box]) -> set[tuple[int, int]]:
    """Return row and column of the blocks in which boxes of the map's cells lie; the first row is the northernmost."""
    x0, y0 = round(raster.x0_m / raster.cell_m), round(raster.y0_m / raster.cell_m)
    north = y0 + raster.height_m.shape[0]
    found: set[tuple[int, int]] = set()
    for x, x_end, y, y_end in changed:
        rows = range((north - y_end) // BLOCK, (north - y - 1) // BLOCK + 1)
        columns = range((x - x0) // BLOCK, (x_end - x0 - 1) // BLOCK + 1)
        found |= {(row, column) for row in rows for column in columns}
    return found


def _pack(raster: LevelRaster, row: int, column: int) -> list[bytes]:
    """Return the bands of a block, packed; what lies beyond the raster's border is empty."""
    import zstandard

    ny, nx = raster.height_m.shape
    y_end, x = ny - row * BLOCK, column * BLOCK
    here = slice(max(y_end - BLOCK, 0), y_end), slice(x, min(x + BLOCK, nx))
    part = dataclasses.replace(raster, **{name: getattr(raster, name)[here] for name in _ARRAYS})
    packer, packed = zstandard.ZstdCompressor(level=1), []
    for band in level_bands(part).values():
        block = np.full((BLOCK, BLOCK), np.nan, dtype="<f4")
        block[: band.shape[0], : band.shape[1]] = band[::-1]
        packed.append(packer.compress(block.tobytes()))
    return packed
