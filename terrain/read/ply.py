"""PLY files: the vertices, ASCII and binary of either byte order, in chunks.

Source of the layout: G. Turk, "The PLY Polygon File Format", 1994 (from memory): a text header of elements and their
properties, then the elements in that order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from terrain.errors import ReadError
from terrain.read.blocks import Block

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8", "int64": "i8", "uint64": "u8", "long": "i8", "ulong": "u8",
}  # fmt: skip
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_LONGEST_HEADER = 1 << 20


@dataclass(frozen=True, slots=True)
class PlyFile:
    """The vertices of a PLY file; what the header says of them."""

    where: str
    path: Path
    order: str
    dtype: np.dtype[Any]
    count: int
    start: int
    """Byte at which the vertices start."""
    skip_lines: int
    """Lines of other elements before them, in an ASCII file."""

    @property
    def fields(self) -> Mapping[str, np.dtype[Any]]:
        """Name and type of each property of a vertex."""
        return {name: self.dtype[name] for name in self.dtype.names or ()}

    def blocks(self, names: Sequence[str], chunk_points: int) -> Iterator[Block]:
        """Yield the vertices.

        Raises
        ------
        ReadError
            The file holds fewer than its header says.
        """
        read = self._ascii if self.order == "" else self._binary
        yield from read(names, chunk_points)

    def _binary(self, names: Sequence[str], chunk_points: int) -> Iterator[Block]:
        left = self.count
        with open(self.path, "rb") as file:
            file.seek(self.start)
            while left or self.count == 0:
                wanted = min(left, chunk_points)
                rows = np.fromfile(file, self.dtype, count=wanted)
                if len(rows) != wanted:
                    raise _short(self, self.count - left + len(rows))
                yield Block({name: rows[name] for name in names}, wanted)
                left -= wanted
                if self.count == 0:
                    return

    def _ascii(self, names: Sequence[str], chunk_points: int) -> Iterator[Block]:
        with open(self.path, "rb") as file:
            file.seek(self.start)
            for _ in islice(file, self.skip_lines):
                pass
            yield from ascii_blocks(self, file, list(self.dtype.names or ()), names, chunk_points)


def ascii_blocks(
    source: Any, file: Any, columns: list[str], names: Sequence[str], chunk_points: int
) -> Iterator[Block]:
    """Yield lines of numbers as blocks; shared with PCD. `source` has `where` and `count`."""
    at = {name: columns.index(name) for name in names}
    done = 0
    while done < source.count or source.count == 0:
        wanted = min(source.count - done, chunk_points)
        lines = [line for line in islice(file, wanted) if line.strip()]
        try:
            rows = np.loadtxt(lines, ndmin=2) if lines else np.empty((0, len(columns)))
        except ValueError as error:
            if len(lines) < wanted or not file.read(1):
                raise _short(source, done + len(lines) - 1) from error
            raise ReadError(f"{source.where}: points {done} and on are not lines of numbers: {error}") from error
        if len(rows) and rows.shape[1] != len(columns):
            raise ReadError(f"{source.where}: got {rows.shape[1]} numbers a point, expected {len(columns)}")
        if len(rows) != wanted:
            raise _short(source, done + len(rows))
        yield Block({name: rows[:, k] for name, k in at.items()}, wanted)
        done += wanted
        if source.count == 0:
            return


def _short(source: Any, got: int) -> ReadError:
    return ReadError(f"{source.where}: cut short: got {got} points, expected {source.count} as the header says")


def open_ply(path: Path) -> PlyFile:
    """Return the vertices of a PLY file, once its header makes sense.

    Raises
    ------
    ReadError
        It is no PLY, its header is damaged or of a kind that is not read, or it is too short for its vertices.
    """
    lines, start = _header(path)
    order, elements = _elements(path, lines)
    names = [name for name, _, _ in elements]
    if "vertex" not in names:
        raise ReadError(f"{path}: got the elements {', '.join(names) or 'none'}, expected one called vertex")
    before = elements[: names.index("vertex")]
    _, count, properties = elements[names.index("vertex")]
    dtype = _dtype(path, order, "vertex", properties)
    if order == "":
        return PlyFile(str(path), path, order, dtype, count, start, sum(number for _, number, _ in before))
    start += sum(number * _dtype(path, order, name, kinds).itemsize for name, number, kinds in before)
    source = PlyFile(str(path), path, order, dtype, count, start, 0)
    size = path.stat().st_size
    if size < start + count * dtype.itemsize:
        raise _short(source, max(size - start, 0) // dtype.itemsize)
    return source


def _header(path: Path) -> tuple[list[str], int]:
    with open(path, "rb") as file:
        first = file.readline(16)
        if first.strip() != b"ply":
            raise ReadError(f"{path}: got a file that starts with {first[:8]!r}, expected b'ply' of a PLY file")
        lines: list[str] = []
        while file.tell() < _LONGEST_HEADER:
            line = file.readline(4096)
            if not line:
                break
            words = line.decode("ascii", "replace").strip()
            if words == "end_header":
                return lines, file.tell()
            lines.append(words)
    raise ReadError(f"{path}: cut short or damaged: got no end_header in a PLY file, expected one")


def _elements(path: Path, lines: list[str]) -> tuple[str, list[tuple[str, int, list[list[str]]]]]:
    order = None
    elements: list[tuple[str, int, list[list[str]]]] = []
    for line in lines:
        words = line.split()
        try:
            if words[:1] == ["format"]:
                order = _ORDERS[words[1]]
            elif words[:1] == ["element"]:
                elements.append((words[1], int(words[2]), []))
            elif words[:1] == ["property"]:
                elements[-1][2].append(words[1:])
        except (KeyError, IndexError, ValueError):
            raise ReadError(f"{path}: damaged header: got the line {line[:80]!r}, expected one of a PLY file") from None
    if order is None or any(count < 0 for _, count, _ in elements):
        raise ReadError(f"{path}: damaged header: expected a line 'format' and counts that are not negative")
    return order, elements


def _dtype(path: Path, order: str, element: str, properties: list[list[str]]) -> np.dtype[Any]:
    columns: list[tuple[str, str]] = []
    for words in properties:
        if len(words) != 2 or words[0] not in _TYPES:
            got = " ".join(words)[:80]
            raise ReadError(f"{path}: got the property {got!r} of {element}, expected a number: lists are not read")
        columns.append((words[1], (order or "<") + _TYPES[words[0]]))
    try:
        return np.dtype(columns)
    except ValueError as error:
        raise ReadError(f"{path}: damaged header: {error}") from error
