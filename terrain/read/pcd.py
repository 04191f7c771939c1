"""PCD files: ASCII, binary, and binary compressed (LZF, column by column), in chunks.

Source of the layout: Point Cloud Library documentation, "The PCD (Point Cloud Data) file format", version 0.7 (from
memory).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from terrain.errors import ReadError
from terrain.read.blocks import Block
from terrain.read.ply import ascii_blocks

_KINDS = {"F": "f", "I": "i", "U": "u"}
_WAYS = ("ascii", "binary", "binary_compressed")
_ENTRIES = tuple("VERSION FIELDS COLUMNS SIZE TYPE COUNT WIDTH HEIGHT VIEWPOINT POINTS DATA".split())
_LONGEST_HEADER = 1 << 16


@dataclass(frozen=True, slots=True)
class PcdFile:
    """The points of a PCD file; what the header says of them."""

    where: str
    path: Path
    way: str
    dtype: np.dtype[Any]
    columns: tuple[str, ...]
    """One name a number in a line of an ASCII file; a field of several numbers is its name with [k]."""
    count: int
    start: int
    viewpoint: tuple[float, ...]

    @property
    def fields(self) -> Mapping[str, np.dtype[Any]]:
        """Name and type of each field; a field that only fills space is left out."""
        names = self.dtype.names or ()
        return {name: self.dtype[name] for name in names if not name.startswith("_")}

    def blocks(self, names: Sequence[str], chunk_points: int) -> Iterator[Block]:
        """Yield the points; a compressed file is expanded as a whole.

        Raises
        ------
        ReadError
            The file holds fewer points than its header says, or is damaged.
        """
        if self.way == "ascii":
            with open(self.path, "rb") as file:
                file.seek(self.start)
                yield from ascii_blocks(self, file, list(self.columns), names, chunk_points)
            return
        columns = self._expanded(names) if self.way == "binary_compressed" else None
        with open(self.path, "rb") as file:
            file.seek(self.start)
            for first in range(0, max(self.count, 1), chunk_points):
                wanted = min(self.count - first, chunk_points)
                if columns is not None:
                    yield Block({name: columns[name][first : first + wanted] for name in names}, wanted)
                    continue
                rows = np.fromfile(file, self.dtype, count=wanted)
                if len(rows) != wanted:
                    raise ReadError(f"{self.where}: cut short: got {first + len(rows)} points, expected {self.count}")
                yield Block({name: rows[name] for name in names}, wanted)

    def _expanded(self, names: Sequence[str]) -> dict[str, Any]:
        """Return the columns of a compressed file: all of one field come before the next."""
        from terrain.kernels import lzf

        with open(self.path, "rb") as file:
            file.seek(self.start)
            head = file.read(8)
            if len(head) < 8:
                raise ReadError(f"{self.where}: cut short: got no compressed points, expected them after the header")
            packed_size, size = struct.unpack("<II", head)
            packed = np.fromfile(file, np.uint8, count=packed_size)
        expected = self.count * self.dtype.itemsize
        if len(packed) != packed_size:
            raise ReadError(f"{self.where}: cut short: got {len(packed)} compressed bytes, expected {packed_size}")
        if size != expected:
            raise ReadError(f"{self.where}: damaged: got {size} bytes of points, expected {expected} for {self.count}")
        out = np.empty(size, dtype=np.uint8)
        if int(lzf.expand(packed, out)) != size:
            raise ReadError(f"{self.where}: damaged: its compressed points do not expand to {size} bytes")
        found: dict[str, Any] = {}
        at = 0
        for name in self.dtype.names or ():
            kind = self.dtype[name]
            if name in names:
                found[name] = out[at : at + self.count * kind.itemsize].view(kind)
            at += self.count * kind.itemsize
        return found


def open_pcd(path: Path) -> PcdFile:
    """Return the points of a PCD file, once its header makes sense.

    Raises
    ------
    ReadError
        It is no PCD, its header is damaged, or the file is too short for its points.
    """
    entries, start = _header(path)
    try:
        names, sizes, kinds = entries["FIELDS"], [int(w) for w in entries["SIZE"]], entries["TYPE"]
        counts = [int(word) for word in entries.get("COUNT", ["1"] * len(names))]
        count = int(entries["POINTS"][0]) if "POINTS" in entries else _area(entries)
        way = entries["DATA"][0].lower()
        viewpoint = tuple(float(word) for word in entries.get("VIEWPOINT", "0 0 0 1 0 0 0".split()))
        if not len(names) == len(sizes) == len(kinds) == len(counts) or way not in _WAYS or count < 0:
            raise ValueError("counts of fields differ")
        dtype, columns = _dtype(names, sizes, kinds, counts)
    except (KeyError, ValueError, IndexError, TypeError) as error:
        raise ReadError(f"{path}: damaged header of a PCD file: {error}") from error
    source = PcdFile(str(path), path, way, dtype, columns, count, start, viewpoint)
    size = path.stat().st_size
    if way == "binary" and size < start + count * dtype.itemsize:
        got = max(size - start, 0) // max(dtype.itemsize, 1)
        raise ReadError(f"{path}: cut short: got {got} points, expected {count} as the header says")
    return source


def _area(entries: dict[str, list[str]]) -> int:
    return int(entries["WIDTH"][0]) * int(entries["HEIGHT"][0])


def _header(path: Path) -> tuple[dict[str, list[str]], int]:
    entries: dict[str, list[str]] = {}
    with open(path, "rb") as file:
        while file.tell() < _LONGEST_HEADER:
            line = file.readline(4096)
            if not line:
                break
            words = line.decode("ascii", "replace").split("#")[0].split()
            if not words:
                continue
            known = (
                "VERSION",
                "FIELDS",
                "COLUMNS",
                "SIZE",
                "TYPE",
                "COUNT",
                "WIDTH",
                "HEIGHT",
                "VIEWPOINT",
                "POINTS",
                "DATA",
            )
            if words[0].upper() not in known:
                got = line[:16]
                raise ReadError(f"{path}: got {got!r} in the header, expected the header of a PCD file")
            entries["FIELDS" if words[0].upper() == "COLUMNS" else words[0].upper()] = words[1:]
            if words[0].upper() == "DATA":
                return entries, file.tell()
    raise ReadError(f"{path}: cut short or no PCD file: got no line DATA, expected one that ends the header")


def _dtype(
    names: list[str], sizes: list[int], kinds: list[str], counts: list[int]
) -> tuple[np.dtype[Any], tuple[str, ...]]:
    """Return the type of a record; a field of several numbers becomes as many columns, mere space gets a name."""
    columns: list[tuple[str, str]] = []
    for place, (name, size, kind, count) in enumerate(zip(names, sizes, kinds, counts, strict=True)):
        base = f"_{place}" if name == "_" else name
        code = f"<{_KINDS[kind.upper()]}{size}"
        columns += [(base if count == 1 else f"{base}[{k}]", code) for k in range(count)]
    return np.dtype(columns), tuple(name for name, _ in columns)
